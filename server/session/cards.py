"""The cards: a work order as the weaver meets it, one thing to do on each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from server.design.piece import Piece
from server.loom.state import State, handle_order
from server.loom.steps import Done, Insert, MoveCords, Raise, Step, Weave, Withdraw
from server.plan.replay import replay
from server.plan.workorder import StepKind, WorkOrder, kind_of

CardKind = StepKind | Literal["test_lift"]


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
        redo: for a test lift, the number of the card to open again when the wrong units rise.
    """

    number: int
    kind: CardKind
    row: int
    step: Step | None
    before: State
    after: State
    handle: str | None = None
    redo: int | None = None


def deal(piece: Piece, order: WorkOrder) -> tuple[Card, ...]:
    """All cards of a work order, in order.

    Raises:
        Mismatch: if the order does not weave the piece.
    """
    steps, states = order.steps, replay(piece, order.steps)
    cards: list[Card] = []
    done_behind: list[Card] = []
    for place, step in enumerate(steps):
        before, after = states[place], states[place + 1]
        if isinstance(step, Raise | Done):
            for handle, redo in _changed_handles(done_behind):
                if before.carrier(piece.loom, handle) is None:
                    continue  # it hangs free and lifts nothing
                cards.append(Card(len(cards), "test_lift", before.row, None, before, before, handle, redo))
            done_behind = []
        row = step.row if isinstance(step, Raise | Weave) else before.row
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
