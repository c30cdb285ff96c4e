"""The questions that take long: what waits, what is worked on, how each ended; and the pieces to come.

An answer is kept by what was asked (`server.ways.questions.key_of`) and found again by it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal, cast

from sqlalchemy import delete, func, update
from sqlalchemy.orm import defer
from sqlmodel import Session, col, select
from sqlmodel.sql.expression import SelectOfScalar

from server.plan.replay import Mismatch
from server.plan.workorder import read_workorder
from server.store.opening import OfOneFile
from server.store.piece_rows import add_row, piece_row
from server.store.tables import PieceRow, PieceToComeRow, QuestionRow
from server.ways.questions import NOT_READ

State = Literal["waiting", "working", "answered", "refused", "stopped", "dropped"]
"""stopped: by a weaver · dropped: it ended the worker twice, or what came out was wrong."""

UNFINISHED: tuple[State, ...] = ("waiting", "working")
MOST_TRIES = 2
MOST_ANSWERS = 200
"""Answers that are kept; older ones are worked out again."""
KEPT_UNANSWERED = timedelta(days=7)
LONGEST_UNDER_WAY = timedelta(hours=2)
"""Far longer than a question waits and is worked on."""


_IN_TURN = col(QuestionRow.asked_at), col(QuestionRow.id)

FAULT = {"fault": True}
"""The content of a question that was dropped because of a fault of ours."""


class TooManyWait(Exception):
    """So many questions wait already that no more are taken."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A question.

    Attributes:
        piece_text: of the piece that it asks about; "" once it is answered.
        tries: how often it was begun.
        server: the process that works it out.
        content: the answer, or what it was refused with.
    """

    id: int
    kind: str
    piece_text: str
    options: dict[str, Any]
    state: State
    tries: int
    server: int
    asked_at: datetime
    content: dict[str, Any]

    @property
    def is_unfinished(self) -> bool:
        """Whether an answer may still come."""
        return self.state in UNFINISHED


@dataclass(frozen=True, slots=True)
class Wanted:
    """A piece that shall be among the pieces as soon as its plan is there.

    Attributes:
        file_text: the piece’s file.
        design: id of the design that it was drawn as, if it was drawn here.
    """

    file_text: str
    design: int | None = None


@dataclass(frozen=True, slots=True)
class PieceToCome:
    """A piece that waits for its plan, or has it.

    Attributes:
        file_text: the piece’s file; "" once the piece is kept.
        given_up: whether it is not wanted any more, as its plan was stopped, or dropped.
        piece: id of the piece, once it is kept.
    """

    id: int
    question: int
    file_text: str
    design: int | None
    asked_at: datetime
    given_up: bool
    piece: int | None


@dataclass(frozen=True, slots=True)
class UnderWay:
    """A question that is worked on or waits.

    Attributes:
        come: the piece that waits for the answer; None: none does.
        pieces: ids of the pieces with the file that it asks about, the newest first.
    """

    kept: Kept
    come: PieceToCome | None
    pieces: tuple[int, ...]


class WorkedOut(OfOneFile):
    """The questions of one database file; `Store.worked_out` makes it.

    Every method may raise `StoreFailure`; then nothing was changed.
    """

    def ask(
        self,
        key: str,
        kind: str,
        piece_text: str,
        options: Mapping[str, Any],
        *,
        server: int,
        most: int,
        serves: Callable[[Kept], bool],
        anew: bool = False,
        wanted: Wanted | None = None,
    ) -> tuple[Kept, int | None]:
        """Find the question, or put it behind those that wait.

        Args:
            server: the process that shall work it out.
            most: how many may be unfinished.
            serves: whether the answer that one of the same key has, or will have, will do.
            anew: whether one that was stopped or dropped is begun once more.
            wanted: the piece that it is asked for.

        Returns:
            The question, and the id of the piece to come.

        Raises:
            TooManyWait: then nothing was changed.
        """
        # as a rule it is there, and a page can be shown while others write
        if wanted is None and (there := self.find(key, serves)) is not None:
            return there, None
        with self._write() as session:
            rows = session.exec(_of(key)).all()
            row = next((row for row in rows if _will_do(_kept(row), serves)), None)
            given_up = next((row for row in rows if row.state in ("stopped", "dropped")), None)
            if row is None and not anew:
                row = given_up
            if row is None:
                _must_have_room(session, most)
                row = given_up or QuestionRow(
                    key=key,
                    kind=kind,
                    piece_text=piece_text,
                    options_text="",
                    state="waiting",
                    server=server,
                    asked_at=self._now(),
                )
                _begin_anew(row, server, self._now())
                row.options_text = json.dumps(dict(options), sort_keys=True)
                session.add(row)
                session.flush()
                _tidy(session, self._now())
            return _kept(row), None if wanted is None else self._to_come(session, row, wanted)

    def find(self, key: str, serves: Callable[[Kept], bool] = lambda _: True) -> Kept | None:
        """The question, if it has an answer or is being worked out, without asking it."""
        with self._read() as session:
            return next((kept for kept in map(_kept, session.exec(_of(key))) if _will_do(kept, serves)), None)

    def _to_come(self, session: Session, question: QuestionRow, wanted: Wanted) -> int:
        """Its id; the same that waits already is the same."""
        waiting = select(PieceToComeRow).where(
            PieceToComeRow.question == question.id,
            PieceToComeRow.file_text == wanted.file_text,
            col(PieceToComeRow.design).is_(wanted.design)
            if wanted.design is None
            else col(PieceToComeRow.design) == wanted.design,
            col(PieceToComeRow.piece).is_(None),
        )
        row = session.exec(waiting).first() or PieceToComeRow(
            question=cast(int, question.id),
            file_text=wanted.file_text,
            design=wanted.design,
            asked_at=self._now(),
        )
        row.given_up = False
        session.add(row)
        session.flush()
        return cast(int, row.id)

    def question(self, question_id: int, *, with_text: bool = True) -> Kept | None:
        """A question; None if there is none of that number.

        Args:
            with_text: whether its piece’s file is read as well, which can be large; else that is "".
        """
        with self._read() as session:
            if with_text:
                row = session.get(QuestionRow, question_id)
            else:
                one = select(QuestionRow).where(QuestionRow.id == question_id)
                row = session.exec(one.options(defer(QuestionRow.piece_text))).first()  # type: ignore[arg-type]
            return None if row is None else _kept(row, with_text)

    def piece_to_come(self, piece_to_come: int) -> PieceToCome | None:
        """A piece to come; None if there is none of that number."""
        with self._read() as session:
            row = session.get(PieceToComeRow, piece_to_come)
            return None if row is None else _to_come(row)

    def before(self, kept: Kept) -> list[int]:
        """Ids of the others that the same server works out first, in their order."""
        with self._read() as session:
            earlier = (
                select(QuestionRow.id)
                .where(
                    col(QuestionRow.state).in_(UNFINISHED),
                    QuestionRow.server == kept.server,
                    QuestionRow.id != kept.id,
                    (col(QuestionRow.state) == "working")
                    | (col(QuestionRow.asked_at) < kept.asked_at)
                    | ((col(QuestionRow.asked_at) == kept.asked_at) & (col(QuestionRow.id) < kept.id)),
                )
                .order_by(*_IN_TURN)
            )
            return [cast(int, one) for one in session.exec(earlier)]

    def under_way(self) -> list[UnderWay]:
        """All that is worked on or waits, in its order; once for each piece that waits for it."""
        with self._read() as session:
            found = []
            unfinished = select(QuestionRow).where(col(QuestionRow.state).in_(UNFINISHED))
            for row in session.exec(unfinished.order_by(*_IN_TURN)):
                waiting = select(PieceToComeRow).where(
                    PieceToComeRow.question == row.id,
                    col(PieceToComeRow.piece).is_(None),
                    col(PieceToComeRow.given_up).is_(False),
                )
                there = select(PieceRow.id).where(PieceRow.file_text == row.piece_text)
                pieces = tuple(
                    cast(int, one) for one in session.exec(there.order_by(col(PieceRow.id).desc()))
                )
                comes = map(_to_come, session.exec(waiting.order_by(col(PieceToComeRow.id))))
                found += [UnderWay(_kept(row), come, pieces) for come in comes] or [
                    UnderWay(_kept(row), None, pieces)
                ]
            return found

    def begin_next(self, server: int) -> Kept | None:
        """The question that this server is to work out next; from now on it is being worked on.

        One that was begun and neither ended nor was given back is begun once more, and then dropped.
        """
        with self._write() as session:
            ours = (
                select(QuestionRow)
                .where(col(QuestionRow.state).in_(UNFINISHED), QuestionRow.server == server)
                .order_by(*_IN_TURN)
            )
            for row in session.exec(ours).all():
                if row.tries >= MOST_TRIES:
                    self._end(session, row, "dropped", {})
                    continue
                row.state, row.tries = "working", row.tries + 1
                session.add(row)
                return _kept(row)
            return None

    def end(
        self, question_id: int, state: State, content: Mapping[str, Any], *, server: int | None = None
    ) -> bool:
        """Keep how a question ended; False, and nothing happens, if it has ended already.

        Args:
            server: that which worked on it; nothing happens, either, if another does by now.
        """
        with self._write() as session:
            row = session.get(QuestionRow, question_id)
            if row is None or row.state not in UNFINISHED or server not in (None, row.server):
                return False
            self._end(session, row, state, content)
            return True

    def _end(self, session: Session, row: QuestionRow, state: State, content: Mapping[str, Any]) -> None:
        row.state, row.ended_at, row.answer_text = state, self._now(), json.dumps(dict(content))
        if state == "answered":
            row.piece_text = ""
        session.add(row)
        if state in ("stopped", "dropped"):
            session.execute(
                update(PieceToComeRow)
                .where(col(PieceToComeRow.question) == row.id, col(PieceToComeRow.piece).is_(None))
                .values(given_up=True)
            )

    def drop_answer(self, question_id: int) -> None:
        """An answer did not pass its check: it is as if it had never been kept."""
        with self._write() as session:
            row = session.get(QuestionRow, question_id)
            if row is not None:
                self._end(session, row, "dropped", FAULT)
                row.key = ""

    def give_back(self, question_id: int) -> None:
        """The server ends: the question waits again, as if it had not been begun."""
        with self._write() as session:
            row = session.get(QuestionRow, question_id)
            if row is not None and row.state == "working":
                row.state, row.tries = "waiting", max(0, row.tries - 1)
                session.add(row)

    def again(self, question_id: int, piece_to_come: int | None, *, server: int, most: int) -> None:
        """Begin a question once more that was stopped or dropped, if its piece is still kept.

        Nothing happens to any other, but that a piece to come that was given up is waited for again.

        Args:
            piece_to_come: id of the piece that it is asked for.

        Raises:
            TooManyWait: then nothing was changed.
        """
        with self._write() as session:
            row = session.get(QuestionRow, question_id)
            if row is None:
                return
            if row.state in ("stopped", "dropped"):
                if not row.piece_text:
                    return
                _must_have_room(session, most)
                _begin_anew(row, server, self._now())
                session.add(row)
            come = session.get(PieceToComeRow, piece_to_come) if piece_to_come is not None else None
            if come is not None and come.question == question_id and come.given_up:
                come.given_up, come.asked_at = False, self._now()
                session.add(come)

    def adopt(self, server: int, is_alive: Callable[[int], bool]) -> None:
        """Take over what servers that are gone have left unfinished.

        What was asked long ago is taken over, too: another program may have the number of one that is gone.
        """
        theirs = col(QuestionRow.state).in_(UNFINISHED), col(QuestionRow.server) != server
        long_ago = self._now() - LONGEST_UNDER_WAY
        with self._read() as session:
            found = session.exec(select(QuestionRow.server, QuestionRow.asked_at).where(*theirs)).all()
        gone = {other for other, _ in found if not is_alive(other)}
        if not gone and all(asked_at >= long_ago for _, asked_at in found):
            return
        with self._write() as session:
            lost = col(QuestionRow.server).in_(gone) | (col(QuestionRow.asked_at) < long_ago)
            session.execute(update(QuestionRow).where(*theirs, lost).values(server=server))

    def still_works(self, question_id: int, server: int) -> None:
        """Say that this server works on it yet, so that it is not taken for one that is gone."""
        theirs = col(QuestionRow.id) == question_id, col(QuestionRow.server) == server
        with self._write() as session:
            working = update(QuestionRow).where(*theirs, col(QuestionRow.state) == "working")
            session.execute(working.values(asked_at=self._now()))

    def is_long_ago(self, kept: Kept) -> bool:
        """Whether it was asked so long ago that it should be said that it is worked on yet."""
        return kept.asked_at < self._now() - LONGEST_UNDER_WAY / 2

    def pieces_due(self, question_id: int | None = None) -> list[int]:
        """Ids of the pieces to come whose plan is there.

        Args:
            question_id: of this question only.
        """
        with self._read() as session:
            due = (
                select(PieceToComeRow.id)
                .join(QuestionRow, col(QuestionRow.id) == PieceToComeRow.question)
                .where(
                    QuestionRow.state == "answered",
                    col(PieceToComeRow.piece).is_(None),
                    col(PieceToComeRow.given_up).is_(False),
                )
                .order_by(col(PieceToComeRow.id))
            )
            if question_id is not None:
                due = due.where(PieceToComeRow.question == question_id)
            return [cast(int, one) for one in session.exec(due)]

    def keep_piece(self, piece_to_come: int) -> int | None:
        """Put a piece among the pieces whose plan is there: once, however often this is asked.

        Returns:
            The piece’s id; None where its plan is not there, or it was given up.

        Raises:
            Mismatch: if the plan does not weave it. Nothing was kept.
        """
        with self._read() as session:
            row = session.get(PieceToComeRow, piece_to_come)
            if row is None or row.piece is not None or row.given_up:
                return None if row is None else row.piece
            question = session.get(QuestionRow, row.question)
            if question is None or question.state != "answered":
                return None
            text, design, answer = row.file_text, row.design, _read(question.answer_text)
        try:
            order = read_workorder(answer["order"])
        except NOT_READ as why:  # it was damaged since
            raise Mismatch("What was kept is no plan.") from why
        new = piece_row(text, order, self._now(), design)
        with self._write() as session:
            row = session.get(PieceToComeRow, piece_to_come)
            if row is None or row.piece is not None or row.given_up:
                return None if row is None else row.piece
            row.piece = add_row(session, new, sent=True)
            row.file_text = ""
            session.add(row)
            return row.piece


def _kept(row: QuestionRow, with_text: bool = True) -> Kept:
    return Kept(
        id=cast(int, row.id),
        kind=row.kind,
        piece_text=row.piece_text if with_text else "",
        options=_read(row.options_text),
        state=cast(State, row.state),
        tries=row.tries,
        server=row.server,
        asked_at=row.asked_at,
        content=_read(row.answer_text),
    )


def _read(text: str) -> dict[str, Any]:
    """What was kept as JSON; nothing where it was damaged since."""
    try:
        content = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


def _to_come(row: PieceToComeRow) -> PieceToCome:
    return PieceToCome(
        cast(int, row.id), row.question, row.file_text, row.design, row.asked_at, row.given_up, row.piece
    )


def _of(key: str) -> SelectOfScalar[QuestionRow]:
    """The questions of a key, the newest first."""
    return select(QuestionRow).where(QuestionRow.key == key).order_by(col(QuestionRow.id).desc())


def _will_do(kept: Kept, serves: Callable[[Kept], bool]) -> bool:
    return kept.state == "refused" or (kept.state in (*UNFINISHED, "answered") and serves(kept))


def _must_have_room(session: Session, most: int) -> None:
    waiting = select(func.count()).where(col(QuestionRow.state).in_(UNFINISHED))
    if session.exec(waiting).one() >= most:
        raise TooManyWait


def _begin_anew(row: QuestionRow, server: int, now: datetime) -> None:
    row.state, row.tries, row.server = "waiting", 0, server
    row.asked_at, row.ended_at, row.answer_text = now, None, ""


def _tidy(session: Session, now: datetime) -> None:
    old = set(
        session.exec(
            select(QuestionRow.id).where(
                col(QuestionRow.state).in_(("refused", "stopped", "dropped")),
                col(QuestionRow.ended_at) < now - KEPT_UNANSWERED,
            )
        )
    ) | set(
        session.exec(
            select(QuestionRow.id)
            .where(QuestionRow.state == "answered")
            .order_by(col(QuestionRow.ended_at).desc(), col(QuestionRow.id).desc())
            .offset(MOST_ANSWERS)
        )
    )
    if old:
        session.execute(delete(PieceToComeRow).where(col(PieceToComeRow.question).in_(old)))
        session.execute(delete(QuestionRow).where(col(QuestionRow.id).in_(old)))
