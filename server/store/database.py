"""The store: pieces, their log, preferences. Nothing else in the house talks to the database."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

from sqlalchemy import Engine
from sqlmodel import Session, col, select

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.replay import verify
from server.plan.workorder import WorkOrder, read_workorder, write_workorder
from server.session.cards import Card, deal
from server.session.place import NotNow, Place, Tap, TapKind, after_tap, is_stale
from server.store.failure import READ_ONLY, StoreFailure, told
from server.store.opening import bring_up_to_date, open_engine, revision_of, write_ahead
from server.store.tables import PieceRow, PreferenceRow, TapRow
from server.store.weavings import Answer, LogEntry, PieceLine, Weaving, rows_woven

__all__ = ["Store", "StoreFailure", "utc_now"]

STALE = "Another tap was first; this is where the piece is now."


def utc_now() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True, eq=False)
class _Known:
    """What never changes about a piece, so that it is read and dealt once."""

    id: int
    piece: Piece
    order: WorkOrder
    cards: tuple[Card, ...]
    added_at: datetime


@dataclass(frozen=True, slots=True)
class _Log:
    """A log as far as it was read, and the place that it leads to."""

    entries: tuple[LogEntry, ...] = ()
    place: Place = field(default_factory=Place)


class Store:
    """One database file. Threads may share a store, and processes may share the file.

    Every method may raise `StoreFailure`; then nothing was changed.
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
        self._known: dict[int, _Known] = {}
        self._read: dict[int, _Log] = {}
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
            except BaseException:
                self.close()
                raise
        self._writing = self._reading.execution_options(immediate=True)

    def now(self) -> datetime:
        """The time by this store's clock, in UTC."""
        return self._clock()

    def close(self) -> None:
        """Let go of the file."""
        self._reading.dispose()

    def pieces(self) -> list[PieceLine]:
        """All pieces, the one with the newest activity first."""
        with self._transaction(self._reading) as session:
            all_known = self._all(session)
            lines = {known: _line(known, self._log(session, known)) for known in all_known}
        all_known.sort(key=lambda known: (lines[known].last_at or known.added_at, known.id), reverse=True)
        return [lines[known] for known in all_known]

    def add_piece(self, text: str, order: WorkOrder) -> int:
        """Keep a piece and its plan.

        Args:
            text: the piece's file.
            order: its plan; it is replayed against the piece before it is kept.

        Returns:
            The new piece's id.

        Raises:
            Unusable: if the text is no piece.
            Mismatch: if the order does not weave it.
        """
        piece = read_piece(text)
        verify(piece, order)
        row = PieceRow(
            name=piece.name,
            loom_name=piece.loom.name,
            file_text=text,
            order_text=write_workorder(order),
            added_at=self.now(),
        )
        with self._transaction(self._writing) as session:
            session.add(row)
            session.flush()
            return cast(int, row.id)

    def weaving(self, piece_id: int) -> Weaving | None:
        """A piece as it is now; None if there is no such piece."""
        with self._transaction(self._reading) as session:
            known = self._piece(session, piece_id)
            return None if known is None else _weaving(known, self._log(session, known))

    def tap(self, piece_id: int, tap: Tap, keep: Mapping[str, str] | None = None) -> Answer | None:
        """Take a tap: add it to the log, or say in a sentence why nothing changed.

        When this returns, a tap that counted is on the disk.

        Args:
            keep: preferences to be set together with the tap, if it counts.

        Returns:
            None if there is no such piece.
        """
        with self._transaction(self._writing) as session:
            known = self._piece(session, piece_id)
            if known is None:
                return None
            log = self._log(session, known)
            before = log.place
            if is_stale(before, tap):
                return Answer(_weaving(known, log), False, STALE)
            try:
                place = after_tap(known.cards, before, tap.kind)
                if place.status == "on the loom" != before.status:
                    self._loom_must_be_free(session, known)
            except NotNow as why:
                return Answer(_weaving(known, log), False, str(why))
            entry = LogEntry(place.turn, tap.kind, before.card, before.again, self.now())
            session.add(
                TapRow(
                    piece=piece_id,
                    turn=entry.turn,
                    kind=entry.kind,
                    card=entry.card,
                    again=entry.again,
                    at=entry.at,
                )
            )
            _set(session, keep or {})
        return Answer(_weaving(known, _Log((*log.entries, entry), place)), True, "")

    def preferences(self) -> dict[str, str]:
        """All preferences that were ever set."""
        with self._transaction(self._reading) as session:
            return {row.key: row.value for row in session.exec(select(PreferenceRow))}

    def set_preferences(self, values: Mapping[str, str]) -> None:
        """Set these preferences, all or none."""
        with self._transaction(self._writing) as session:
            _set(session, values)

    @contextmanager
    def _transaction(self, engine: Engine) -> Iterator[Session]:
        """One transaction: committed at the end, undone on any error."""
        with told(self.path), Session(engine) as session, session.begin():
            yield session

    def _piece(self, session: Session, piece_id: int) -> _Known | None:
        if (known := self._known.get(piece_id)) is None:
            row = session.get(PieceRow, piece_id) if 0 < piece_id < 2**63 else None
            return None if row is None else self._learn(row)
        return known

    def _all(self, session: Session) -> list[_Known]:
        ids = session.exec(select(PieceRow.id)).all()
        return [known for piece_id in ids if (known := self._piece(session, cast(int, piece_id)))]

    def _learn(self, row: PieceRow) -> _Known:
        piece, order = read_piece(row.file_text), read_workorder(row.order_text)
        known = _Known(cast(int, row.id), piece, order, deal(piece, order), row.added_at)
        with self._lock:
            return self._known.setdefault(known.id, known)

    def _log(self, session: Session, known: _Known) -> _Log:
        """A piece's log. What was read before stays as it was, so that only what is new is read."""
        log = self._read.get(known.id, _Log())
        new = select(TapRow).where(TapRow.piece == known.id, TapRow.turn > len(log.entries))
        entries, place = list(log.entries), log.place
        for row in session.exec(new.order_by(col(TapRow.turn))):
            entry = LogEntry(row.turn, cast(TapKind, row.kind), row.card, row.again, row.at)
            place = after_tap(known.cards, place, entry.kind)
            entries.append(entry)
        if len(entries) == len(log.entries):
            return log
        log = _Log(tuple(entries), place)
        with self._lock:
            if len(entries) > len(self._read.get(known.id, _Log()).entries):
                self._read[known.id] = log
        return log

    def _loom_must_be_free(self, session: Session, known: _Known) -> None:
        """Raise NotNow while another piece is on the loom of that name."""
        name = _loom_name(known.piece)
        for other in self._all(session):
            if other.id == known.id or _loom_name(other.piece) != name:
                continue
            if self._log(session, other).place.status == "on the loom":
                loom = f"“{known.piece.loom.name.strip()}”" if name else "this loom"
                raise NotNow(
                    f"“{other.piece.name}” is on {loom} now. Weave it to its end or take it off first."
                )


def _set(session: Session, values: Mapping[str, str]) -> None:
    for key, value in values.items():
        session.merge(PreferenceRow(key=key, value=value))


def _loom_name(piece: Piece) -> str:
    return piece.loom.name.strip().casefold()


def _weaving(known: _Known, log: _Log) -> Weaving:
    return Weaving(
        id=known.id,
        piece=known.piece,
        order=known.order,
        cards=known.cards,
        log=log.entries,
        place=log.place,
    )


def _line(known: _Known, log: _Log) -> PieceLine:
    place = log.place
    return PieceLine(
        id=known.id,
        name=known.piece.name,
        loom_name=known.piece.loom.name,
        status=place.status,
        rows_woven=rows_woven(known.cards, place),
        rows=len(known.piece.rows),
        last_at=log.entries[-1].at if log.entries else None,
        walks=known.order.totals.walks,
        minutes=known.order.totals.minutes,
    )
