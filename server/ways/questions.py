"""The questions that take long: each is asked of a piece, and answered without a server.

Question and answer are plain JSON, so that another process can work it out and the answer can be kept. What
is not in a question’s key does not reach whoever answers it: an answer found again is one to this question.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any, Literal, Protocol

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.no_plan import NoPlan, Sentence
from server.plan.planner import Progress, Stopped, plan
from server.plan.replay import Mismatch, verify
from server.plan.workorder import WorkOrder, read_workorder, write_workorder
from server.ways import few_cells, methods, more, places, why_not
from server.ways.seconds import seconds_in

PLANNER_VERSION = 3
"""To be raised when the planner, or what answers another question, may answer otherwise than before."""

MOST_SECONDS = 3_600.0
"""For a plan."""


class Tell(Protocol):
    """What a question is given to tell how far it is, and to hear that it is enough."""

    def __call__(
        self,
        words: str = "",
        share: float | None = None,
        /,
        *,
        minutes: float | None = None,
        bound: float | None = None,
        best: Callable[[], dict[str, Any]] | None = None,
    ) -> None:
        """Tell how far it is; now and then, it costs little.

        Args:
            words: a short sentence for the weaver, without numbers of shafts, units or rows.
            share: of the work that is done, 0 … 1; None: nobody knows.
            minutes: of the best plan so far, which could be taken.
            bound: no plan takes fewer minutes.
            best: makes the answer that the best so far would be, replayed by whoever uses it.
        """

    def is_enough(self) -> bool:
        """Whether the best found so far shall be the answer."""


@dataclass(frozen=True, slots=True)
class Question:
    """A kind of question.

    Attributes:
        answer: works it out, from the piece, the options and `Tell`. It may raise `NoPlan`, or a ValueError
            with a sentence for the weaver.
        about: what is worked out, for the heading of a page.
        plans_only: whether nothing matters but what planning sees: neither threads nor bands.
        read: reads an answer that was kept.
    """

    kind: str
    answer: Callable[[Piece, dict[str, Any], Tell], dict[str, Any]]
    about: str
    plans_only: bool = False
    read: Callable[[dict[str, Any]], object] = dict


def answer(kind: str, piece_text: str, options: Mapping[str, Any], tell: Tell) -> dict[str, Any]:
    """Work a question out.

    Raises:
        KeyError: if there is no such kind of question.
        Unusable: if the text is no piece.
        NoPlan: if the answer is that there is none; says why.
        ValueError: if the question makes no sense; says why.
        Stopped: if it was to be enough before there was anything.
        Mismatch: if what came out is wrong. The fault is ours.
    """
    question = QUESTIONS[kind]
    return question.answer(as_seen(question, read_piece(piece_text)), dict(options), tell)


def as_seen(question: Question, piece: Piece) -> Piece:
    """The piece without what cannot matter to the answer."""
    piece = replace(piece, name="", loom=replace(piece.loom, name=""))
    if question.plans_only:
        piece = replace(piece, threads=None, bands=(), loom=replace(piece.loom, leashes_per_unit=()))
    return piece


def key_of(kind: str, piece: Piece, options: Mapping[str, Any]) -> str:
    """What a question goes by: the content of the piece, the kind and the options. 64 hexadecimal digits.

    How long a plan may take is not in it: a plan than which none is better is that, however soon it is found.

    Raises:
        KeyError: if there is no such kind of question.
        ValueError: with a sentence, if the options are no JSON.
    """
    question = QUESTIONS[kind]
    piece = as_seen(question, piece)
    if kind == "plan":
        options = {name: value for name, value in options.items() if name != "limit"}
    try:
        asked = json.dumps(options, sort_keys=True, allow_nan=False)
    except (RecursionError, TypeError, ValueError) as why:
        raise ValueError("What was asked could not be read.") from why
    digest = hashlib.sha256(repr((PLANNER_VERSION, kind)).encode())
    digest.update(asked.encode())
    for row in piece.rows:
        digest.update(f"{sorted(row)}\n".encode())
    loom = piece.loom
    in_order = [sorted(units) for units in (piece.free_walks, piece.no_walks, loom.single_cords)]
    rest = replace(
        piece,
        rows=(),
        free_walks=frozenset(),
        no_walks=frozenset(),
        treadling=tuple(piece.treadling),
        loom=replace(loom, single_cords=frozenset()),
    )
    digest.update(repr((in_order, rest)).encode())
    return digest.hexdigest()


# --- how it ended ------------------------------------------------------------------------------------------

Ended = Literal["answered", "refused", "stopped", "dropped"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a question ended.

    Attributes:
        content: the answer; of a refusal its sentences (see `refusal`); else {}.
    """

    state: Ended
    content: dict[str, Any]


def outcome(kind: str, piece_text: str, options: Mapping[str, Any], tell: Tell) -> Outcome:
    """Work a question out; what refuses it is an outcome, too.

    Raises:
        Mismatch, or whatever else goes wrong through a fault of ours.
    """
    try:
        return Outcome("answered", answer(kind, piece_text, options, tell))
    except Stopped:
        return Outcome("stopped", {})
    except NoPlan as why:
        return Outcome("refused", {"sentences": [asdict(sentence) for sentence in why.sentences]})
    except ValueError as why:
        return Outcome("refused", {"said": str(why)})


NOT_READ = AttributeError, KeyError, RecursionError, TypeError, ValueError
"""What reading JSON of another form may raise."""


def refusal(content: Mapping[str, Any]) -> NoPlan | ValueError:
    """What a refused question was refused with."""
    try:
        return _refusal(content)
    except NOT_READ:  # it was damaged since
        return ValueError("Why there is no answer is not known any more. Ask once more.")


def _refusal(content: Mapping[str, Any]) -> NoPlan | ValueError:
    if "sentences" not in content:
        return ValueError(str(content["said"]))
    return NoPlan(
        *(
            Sentence(said["words"], tuple(said["shafts"]), tuple(said["rows"]), said["short"])
            for said in content["sentences"]
        )
    )


def check_kept(kind: str, piece: Piece, ended: Outcome) -> None:
    """Whether what was kept of a question that was answered or refused can be read, and is right.

    Raises:
        Mismatch: if it is something else by now.
    """
    try:
        if ended.state == "refused":
            _refusal(ended.content)
        elif kind == "plan":
            order_of(piece, ended.content)
        else:
            QUESTIONS[kind].read(ended.content)
    except NOT_READ as why:
        raise Mismatch(f"What was kept is no answer: {why}") from why


# --- a plan ------------------------------------------------------------------------------------------------


def _plan(piece: Piece, options: dict[str, Any], tell: Tell) -> dict[str, Any]:
    limit = seconds_in(options, 10.0, MOST_SECONDS)
    seconds = 0.0

    def look(progress: Progress) -> None:
        nonlocal seconds
        seconds = progress.seconds
        best = None if progress.order is None else partial(_best_so_far, progress, progress.order)
        tell(minutes=progress.minutes, bound=progress.bound, best=best)

    try:
        order = plan(piece, limit=limit, progress=look, stop=tell.is_enough)
    except ValueError as fault:  # a refusal would be NoPlan
        raise Mismatch(f"The planner went wrong: {fault}") from fault
    if tell.is_enough():
        limit = min(limit, seconds)
    return {"order": write_workorder(order), "proven": order.proven, "limit": limit}


def _best_so_far(progress: Progress, order: WorkOrder) -> dict[str, Any]:
    bound = max(0.0, progress.bound or 0.0)
    order = replace(order, proven=False, bound=min(bound, order.totals.minutes))
    return {"order": write_workorder(order), "proven": False, "limit": progress.seconds}


def order_of(piece: Piece, answer: Mapping[str, Any]) -> WorkOrder:
    """The order in the answer to a question for a plan, replayed.

    Raises:
        Mismatch: if it does not weave the piece.
    """
    order = read_workorder(answer["order"])
    verify(piece, order)
    return order


QUESTIONS: dict[str, Question] = {
    question.kind: question
    for question in (
        Question("plan", _plan, "The plan", plans_only=True),
        Question(
            "methods",
            methods.answer_methods,
            "A set of them, and some rows by hand",
            plans_only=True,
            read=methods.from_json,
        ),
        Question(
            "places", places.answer_places, "Where else it could sit", plans_only=True, read=places.from_json
        ),
        Question("more", more.answer_more, "What one more buys", plans_only=True, read=more.from_json),
        Question(
            "cells",
            few_cells.answer_cells,
            "What a few cells are worth",
            plans_only=True,
            read=few_cells.from_json,
        ),
        Question("why not", why_not.answer_why_not, "What would do", plans_only=True, read=why_not.from_json),
    )
}
