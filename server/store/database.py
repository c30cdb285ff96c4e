"""The store: pieces, their log, preferences. Nothing else in the house talks to the database."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import defer
from sqlmodel import Session, col, select

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.workorder import WorkOrder, read_workorder
from server.session.cards import Course, deal, deal_course
from server.session.place import Decks, NotNow, Place, Tap, after_tap, is_stale
from server.store.board import Board
from server.store.courses import read_course, write_course
from server.store.failure import READ_ONLY, StoreFailure, told
from server.store.opening import bring_up_to_date, open_engine, revision_of, transaction, write_ahead
from server.store.piece_rows import Waiting, add_row, piece_row, waiting_piece
from server.store.sent_twice import sent_before
from server.store.tables import CourseRow, NameRow, NoteRow, PieceRow, PreferenceRow, TapRow, utc_text
from server.store.weavings import Answer, Log, LogEntry, Note, PieceLine, Weaving, rows_woven
from server.store.worked_out import WorkedOut

__all__ = ["Store", "StoreFailure", "utc_now"]

STALE = "Another tap was first; this is where the piece is now."

ONTO_THE_LOOM = ("begin", "resume", "back", "undo")
"""Taps that can put a piece on the loom, so that others must not be on it."""

# what every tap or page asks of the file, in SQL itself: to put that together takes longer than the disk does
_PREFERENCES = "SELECT key, value FROM preferences"
_PIECES = "SELECT id, EXISTS (SELECT 1 FROM taps WHERE taps.piece = pieces.id) FROM pieces"
_NEW_TAPS = "SELECT kind, detail, key, at FROM taps WHERE piece = ? AND turn > ? ORDER BY turn"
_ADD_TAP = "INSERT INTO taps (piece, turn, kind, card, at, detail, key) VALUES (?, ?, ?, ?, ?, ?, ?)"


def utc_now() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


@dataclass(slots=True, eq=False)
class _Known:
    """What never changes about a piece, so that it is read and dealt once; courses are only added."""

    id: int
    piece: Piece
    order: WorkOrder
    design: int | None
    decks: Decks | None = None
    courses: tuple[Course, ...] = ()
    dealing: threading.Lock = field(default_factory=threading.Lock)

    def dealt(self) -> Decks:
        """Its cards: dealt when they are first asked for, as that takes seconds where the order is long."""
        with self.dealing:
            if self.decks is None:
                self.decks = Decks(self.piece.loom, (deal(self.piece, self.order),))
            return self.decks


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """A log as far as it was read, and the place that it leads to."""

    log: Log = field(default_factory=Log)
    place: Place = field(default_factory=Place)


class Store:
    """One database file. Threads may share a store, and processes may share the file.

    Every method may raise `StoreFailure`; then nothing was changed.

    Attributes:
        name: the file's own name, eight hexadecimal digits, made at random with it.
        board: the warps, designs and figures in it.
        worked_out: the questions that take long, and their answers.
    """

    def __init__(self, path: Path, *, clock: Callable[[], datetime] = utc_now) -> None:
        """Open the file, make it where there is none, and bring it up to date after a copy.

        Args:
            path: the database's file; its folder is made too.
            clock: tells the time, in UTC.

        Raises:
            StoreFailure: if the file cannot be used, or comes from a newer version.
        """
        self.path = path
        self._clock = clock
        self._waiting: dict[int, Waiting] = {}
        self._known: dict[int, _Known] = {}
        self._read: dict[int, _Read] = {}
        self._listeners: list[Callable[[int, int], None]] = []
        self._change_listeners: list[Callable[[], None]] = []
        self._lock = threading.Lock()
        with told(path):
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            if path.is_dir():
                raise StoreFailure(f"{path} is a folder; the database would stand there. Move it away.")
            if path.exists() and not os.access(path, os.W_OK):  # SQLite would open it all the same
                raise StoreFailure(READ_ONLY.format(path=path))
            revision_of(path)  # before anything is written to it
            write_ahead(path)
            self._reading = open_engine(path)
            try:
                bring_up_to_date(self._reading, path, self.now())
                with Session(self._reading) as session:
                    self.name: str = session.exec(select(NameRow.name)).one()
            except BaseException:
                self.close()
                raise
        self._writing = self._reading.execution_options(immediate=True)
        self.board = Board(path, self._reading, self._writing, self.now)
        self.worked_out = WorkedOut(path, self._reading, self._writing, self.now)

    def now(self) -> datetime:
        """The time by this store's clock, in UTC."""
        return self._clock()

    def close(self) -> None:
        """Let go of the file."""
        self._reading.dispose()

    def pieces(self) -> list[PieceLine]:
        """All pieces, the one with the newest activity first."""
        with self._transaction(self._reading) as session:
            lines = [self._line(session, *piece) for piece in _pieces(session)]
        lines.sort(key=lambda line: (line.last_at or self._waiting[line.id].added_at, line.id), reverse=True)
        return lines

    def add_piece(self, text: str, order: WorkOrder, *, sent: bool = False, design: int | None = None) -> int:
        """Keep a piece and its plan.

        Args:
            text: the piece's file.
            order: its plan; it is replayed against the piece before it is kept.
            sent: by a form. One that comes again within a minute is the same form, sent twice.
            design: id of the design that it was drawn as.

        Returns:
            The new piece's id.

        Raises:
            Unusable: if the text is no piece.
            Mismatch: if the order does not weave it.
        """
        row = piece_row(text, order, self.now(), design)
        with self._transaction(self._writing) as session:
            return add_row(session, row, sent=sent)

    def weaving(self, piece_id: int) -> Weaving | None:
        """A piece as it is now; None if there is no such piece."""
        with self._transaction(self._reading) as session:
            known = self._piece(session, piece_id)
            return None if known is None else _weaving(known, self._log(session, known))

    def piece_text(self, piece_id: int) -> str | None:
        """The file that a piece came as, letter for letter; None if there is no such piece."""
        with self._transaction(self._reading) as session:
            row = session.get(PieceRow, piece_id) if 0 < piece_id < 2**63 else None
            return None if row is None else row.file_text

    def listen(self, listener: Callable[[int, int], None]) -> None:
        """Call this with a piece's id and turn after each tap that counted through this store."""
        self._listeners.append(listener)

    def listen_to_changes(self, listener: Callable[[], None]) -> None:
        """Call this after each change of what is chosen or noted through this store."""
        self._change_listeners.append(listener)

    def tap(
        self,
        piece_id: int,
        tap: Tap,
        keep: Mapping[str, str] | None = None,
        at: datetime | None = None,
        course: Course | None = None,
    ) -> Answer | None:
        """Take a tap: add it to the log, or say in a sentence why nothing changed.

        When this returns, a tap that counted is on the disk. One whose key has counted already counts
        no second time, and is answered as counted.

        Args:
            keep: preferences to be set together with the tap, if it counts.
            at: when it was made, if that was earlier; never before the tap before it.
            course: a plan made on the way, to be kept and followed with a tap of kind "course".

        Returns:
            None if there is no such piece.

        Raises:
            Mismatch: if the course does not weave what is left.
        """
        self._read_before(piece_id, tap)
        with self._transaction(self._writing) as session:
            known = self._piece(session, piece_id)
            if known is None:
                return None
            read = self._log(session, known)
            before = read.place
            # one that has counted is stale: its turn has passed
            if is_stale(before, tap):
                if tap.key and self._has_counted(session, piece_id, tap.key):
                    return Answer(_weaving(known, read), True, "")
                return Answer(_weaving(known, read), False, STALE, stale=True)
            if course is not None:
                said = json.loads(tap.detail or "{}") | {"course": len(known.courses) + 1}
                tap = replace(tap, detail=json.dumps(said))
                decks = _with_course(known, course)
            else:
                decks = known.dealt()
            try:
                place = after_tap(decks, before, tap)
                if place.status == "on the loom" != before.status:
                    self._loom_must_be_free(session, known)
            except NotNow as why:
                return Answer(_weaving(known, read), False, str(why))
            now = self.now() if at is None else min(at, self.now())
            entry = _entry(read, tap, now if not read.log else max(now, read.log[-1].at))
            at_text, key = utc_text(entry.at), entry.key or None
            row = (piece_id, entry.turn, entry.kind, before.card, at_text, entry.detail, key)
            try:
                session.connection().exec_driver_sql(_ADD_TAP, row)
            except IntegrityError:
                if not self._has_counted(session, piece_id, tap.key):
                    raise
                return Answer(_weaving(known, read), True, "")  # another tap under a key that has counted
            if course is not None:
                session.add(
                    CourseRow(
                        piece=piece_id,
                        number=len(known.courses) + 1,
                        course_text=write_course(course),
                        added_at=self.now(),
                    )
                )
            if keep:
                _set(session, keep)
        for listener in self._listeners:
            listener(piece_id, entry.turn)
        with self._lock:
            if course is not None and len(known.courses) + 1 < len(decks.cards):
                known.decks, known.courses = decks, (*known.courses, course)
            if self._read.get(piece_id, read) is read:
                read = self._read[piece_id] = _Read(read.log.with_one(entry), place)
            else:  # another thread has read on meanwhile
                read = _Read(Log([*read.log, entry]), place)
        return Answer(_weaving(known, read), True, "")

    def notes(self, piece_id: int) -> list[Note]:
        """What was noted on the rows of a piece, by row, the oldest first."""
        chosen = select(NoteRow).where(NoteRow.piece == piece_id, col(NoteRow.thrown_away).is_(False))
        chosen = chosen.order_by(col(NoteRow.row), col(NoteRow.id))
        with self._transaction(self._reading) as session:
            rows = session.exec(chosen.options(defer(NoteRow.picture)))  # type: ignore[arg-type]
            return [Note(cast(int, row.id), row.row, row.words, row.media_type, row.at) for row in rows]

    def add_note(self, piece_id: int, row: int, words: str, picture: bytes | None, media_type: str) -> int:
        """Keep a note on a row; returns its id.

        One that is the same as the newest, and came within a minute of it, is the same form sent twice.
        """
        note = NoteRow(
            piece=piece_id, row=row, words=words, picture=picture, media_type=media_type, at=self.now()
        )
        with self._transaction(self._writing) as session:
            same = ("row", "words", "picture", "thrown_away")
            if kept := sent_before(session, note, same, "at", col(NoteRow.piece) == piece_id):
                return kept
            session.add(note)
            session.flush()
            note_id = cast(int, note.id)
        self._tell_of_change()
        return note_id

    def throw_note_away(self, piece_id: int, note_id: int, away: bool = True) -> bool:
        """Put a note out of sight, or back; False if there is no such note."""
        with self._transaction(self._writing) as session:
            note = session.get(NoteRow, note_id) if 0 < note_id < 2**63 else None
            if note is None or note.piece != piece_id:
                return False
            note.thrown_away = away
            session.add(note)
        self._tell_of_change()
        return True

    def picture(self, piece_id: int, note_id: int) -> tuple[bytes, str] | None:
        """A note's picture and its media type, if there is one."""
        with self._transaction(self._reading) as session:
            note = session.get(NoteRow, note_id) if 0 < note_id < 2**63 else None
            if note is None or note.piece != piece_id or note.picture is None or note.thrown_away:
                return None
            return note.picture, note.media_type

    def preferences(self) -> dict[str, str]:
        """All preferences that were ever set."""
        with self._transaction(self._reading) as session:
            return {row.key: row.value for row in session.connection().exec_driver_sql(_PREFERENCES)}

    def set_preferences(self, values: Mapping[str, str]) -> None:
        """Set these preferences, all or none."""
        with self._transaction(self._writing) as session:
            _set(session, values)
        self._tell_of_change()

    def change_preference(self, key: str, change: Callable[[str], str]) -> None:
        """Set a preference to what `change` makes of it, of "" where it never was set.

        Two changes at once follow each other. What `change` raises is passed on, and nothing is set.
        """
        with self._transaction(self._writing) as session:
            row = session.get(PreferenceRow, key)
            _set(session, {key: change(row.value if row else "")})
        self._tell_of_change()

    def _tell_of_change(self) -> None:
        for listener in self._change_listeners:
            listener()

    def _transaction(self, engine: Engine) -> AbstractContextManager[Session]:
        return transaction(self.path, engine)

    def _piece(self, session: Session, piece_id: int) -> _Known | None:
        if (known := self._known.get(piece_id)) is None:
            row = session.get(PieceRow, piece_id) if 0 < piece_id < 2**63 else None
            return None if row is None else self._learn(row)
        return known

    def _learn(self, row: PieceRow) -> _Known:
        known = _Known(
            cast(int, row.id), read_piece(row.file_text), read_workorder(row.order_text), row.design
        )
        with self._lock:
            return self._known.setdefault(known.id, known)

    def _read_before(self, piece_id: int, tap: Tap) -> None:
        """Deal what a tap needs before it takes the right to write: others would have to wait meanwhile."""
        known = self._known.get(piece_id)
        if known is not None and known.decks is not None and tap.kind not in ONTO_THE_LOOM:
            return
        with self._transaction(self._reading) as session:
            known = self._piece(session, piece_id)
            if known is None:
                return
            known.dealt()
            if tap.kind in ONTO_THE_LOOM and self._log(session, known).place.status != "on the loom":
                with suppress(NotNow):  # it is said when the tap counts
                    self._loom_must_be_free(session, known)

    def _before_any_tap(self, session: Session, piece_id: int) -> Waiting:
        if (waiting := self._waiting.get(piece_id)) is None:
            waiting = self._waiting[piece_id] = waiting_piece(session.get_one(PieceRow, piece_id))
        return waiting

    def _line(self, session: Session, piece_id: int, is_begun: bool) -> PieceLine:
        """Its line in the list. One that no tap was made on is not dealt for that."""
        waiting = self._before_any_tap(session, piece_id)
        if not is_begun:
            return waiting.line
        known = self._piece(session, piece_id)
        assert known is not None
        read = self._log(session, known)
        return replace(
            waiting.line,
            status=read.place.status,
            rows_woven=rows_woven(known.dealt(), read.place),
            last_at=read.log[-1].at,
        )

    def _learn_courses(self, session: Session, known: _Known) -> None:
        """Read the courses that another process has added."""
        new = select(CourseRow).where(CourseRow.piece == known.id, CourseRow.number > len(known.courses))
        for row in session.exec(new.order_by(col(CourseRow.number))).all():
            course = read_course(row.course_text)
            decks = _with_course(known, course)
            with self._lock:
                if len(known.courses) == row.number - 1:
                    known.decks, known.courses = decks, (*known.courses, course)

    def _log(self, session: Session, known: _Known) -> _Read:
        """A piece's log. What was read before stays as it was, so that only what is new is read."""
        read = self._read.get(known.id)
        start = read = _Read() if read is None else read
        new = session.connection().exec_driver_sql(_NEW_TAPS, (known.id, len(read.log)))
        for kind, detail, key, at in new.all():
            tap = Tap(kind, read.place.card, read.place.turn, detail, key or "")
            if kind == "course":
                self._learn_courses(session, known)
            place = after_tap(known.dealt(), read.place, tap)
            entry = _entry(read, tap, datetime.fromisoformat(at))
            # the list of a log that others hold is added to under the lock only, in `tap`
            log = Log([*read.log, entry]) if read is start else read.log.with_one(entry)
            read = _Read(log, place)
        if read is start:
            with self._lock:
                return self._read.setdefault(known.id, read)
        with self._lock:
            if len(read.log) > len(self._read.get(known.id, start).log):
                self._read[known.id] = read
        return read

    def _has_counted(self, session: Session, piece_id: int, key: str) -> bool:
        found = select(TapRow.turn).where(TapRow.piece == piece_id, TapRow.key == key)
        return session.exec(found).first() is not None

    def _loom_must_be_free(self, session: Session, known: _Known) -> None:
        """Raise NotNow while another piece is on the loom of that name."""
        name = _loom_name(known.piece.loom.name)
        for other_id, is_begun in _pieces(session):
            other = self._before_any_tap(session, other_id).line
            if other_id == known.id or _loom_name(other.loom_name) != name:
                continue
            if self._line(session, other_id, is_begun).status == "on the loom":
                loom = f"“{known.piece.loom.name.strip()}”" if name else "this loom"
                raise NotNow(f"“{other.name}” is on {loom} now. Weave it to its end or take it off first.")


def _pieces(session: Session) -> list[tuple[int, bool]]:
    """The id of each piece, and whether any tap was made on it."""
    return [(piece, bool(is_begun)) for piece, is_begun in session.connection().exec_driver_sql(_PIECES)]


def _set(session: Session, values: Mapping[str, str]) -> None:
    for key, value in values.items():
        session.merge(PreferenceRow(key=key, value=value))


def _loom_name(name: str) -> str:
    return name.strip().casefold()


def _weaving(known: _Known, read: _Read) -> Weaving:
    return Weaving(
        id=known.id,
        piece=known.piece,
        order=known.order,
        dealt=known.dealt,
        log=read.log,
        place=read.place,
        courses=known.courses,
        design=known.design,
    )


def _with_course(known: _Known, course: Course) -> Decks:
    decks = known.dealt()
    return replace(decks, cards=(*decks.cards, deal_course(known.piece, course)))


def _entry(read: _Read, tap: Tap, at: datetime) -> LogEntry:
    """The next entry of a log, made at this time."""
    last = read.log[-1] if read.log else None
    afresh = tap.kind in ("begin", "stands")
    between = 0.0 if last is None or afresh else (at - last.at).total_seconds()
    was_off = tap.kind == "resume" or (tap.kind == "back" and read.place.status == "finished")
    if last is not None and not afresh:
        between, was_off = max(between, last.longest), was_off or last.was_off
    return LogEntry(read.place.turn + 1, tap.kind, tap.detail, tap.key, at, read.place, between, was_off)
