"""The cards: a work order as the weaver meets it, one thing to do on each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from server.design.piece import Piece
from server.loom.state import State, handle_order
from server.loom.steps import Done, Insert, MoveCords, Raise, Step, TakeOut, Weave, Withdraw
from server.plan.replay import replay, replay_from
from server.plan.visits import Visit
from server.plan.workorder import StepKind, WorkOrder, kind_of
from server.session.wishes import Wishes, wished

CardKind = StepKind | Literal["test_lift"]

BEHIND: tuple[CardKind, ...] = ("label", "insert", "move_cords", "withdraw")
"""Cards that are done behind the loom."""


@dataclass(frozen=True, slots=True)
class Card:
    """One thing to do at the loom.

    Attributes:
        number: its place among the cards, from 0.
        kind: a step's kind, or "test_lift": a changed handle pulled alone after a walk.
        row: the row that it raises, weaves, or comes after (a walk and all that is done on it: the row
            woven last, 0 before the first).
        step: the work order's step; None for a test lift.
        before: what stands in the loom when the card comes up.
        after: what stands when it is done.
        handle: the handle of a test lift.
        redo: for a test lift, the number of the card to open again when the wrong units rise; None: what the
            handle carries was put in before these cards begin.
    """

    number: int
    kind: CardKind
    row: int
    step: Step | None
    before: State
    after: State
    handle: str | None = None
    redo: int | None = None


@dataclass(frozen=True, slots=True)
class Course:
    """How the rest is woven from some state on: what a plan made on the way is kept as.

    Attributes:
        start: what stood in the loom when it was made.
        visits: the rows to be woven and taken out, in order.
        until_bare: whether the loom is bare at its end, as in all that the pages plan.
        wishes: what she wished of the walks then.
    """

    start: State
    visits: tuple[Visit, ...]
    until_bare: bool
    order: WorkOrder
    wishes: Wishes = field(default_factory=Wishes)


def deal(piece: Piece, order: WorkOrder) -> tuple[Card, ...]:
    """All cards of a whole work order, in order.

    Raises:
        Mismatch: if the order does not weave the piece.
    """
    return _deal(piece, order.steps, replay(piece, order.steps))


def deal_course(piece: Piece, course: Course) -> tuple[Card, ...]:
    """All cards of a course, in order; none where nothing is left to do.

    Raises:
        Mismatch: if it does not weave those rows.
    """
    steps, piece = course.order.steps, wished(piece, course.wishes)
    states = replay_from(piece, course.start, course.visits, steps, until_bare=course.until_bare)
    return _deal(piece, steps, states)


def _deal(piece: Piece, steps: Sequence[Step], states: Sequence[State]) -> tuple[Card, ...]:
    cards: list[Card] = []
    done_behind: list[Card] = []
    # a walk that was under way when the course was planned: what was changed on it is not known any more
    under_way = [handle for handle, _ in states[0].away] if states[0].phase == "behind" else []
    for place, step in enumerate(steps):
        before, after = states[place], states[place + 1]
        if isinstance(step, Raise | Done):
            changed: dict[str, int | None] = dict.fromkeys(under_way) | dict(_changed_handles(done_behind))
            under_way = []
            for handle, redo in sorted(changed.items(), key=lambda item: handle_order(item[0])):
                if before.carrier(piece.loom, handle) is None:
                    continue  # it hangs free and lifts nothing
                cards.append(Card(len(cards), "test_lift", before.row, None, before, before, handle, redo))
            done_behind = []
        row = step.row if isinstance(step, Raise | Weave | TakeOut) else before.row
        card = Card(len(cards), kind_of(step), row, step, before, after)
        cards.append(card)
        if before.phase == "behind":
            done_behind.append(card)
    return tuple(cards)


def _changed_handles(done_behind: list[Card]) -> list[tuple[str, int]]:
    """Each handle whose cords were moved on a walk, and the card to open again if it lifts wrongly.

    That is the insertion of the temporary it carries now, if that went in on this walk; otherwise the
    last card that moved its cords.
    """
    redo: dict[str, int] = {}
    inserted: dict[str, int] = {}
    for card in done_behind:
        match card.step:
            case Insert():
                inserted[card.step.temporary] = card.number
            case MoveCords():
                redo[card.step.handle] = inserted.get(card.step.target or "", card.number)
            case Withdraw():
                inserted.pop(card.step.temporary, None)
    return [(handle, redo[handle]) for handle in sorted(redo, key=handle_order)]
