"""The walks among the cards: what is done on each, in which order, and when a temporary comes out again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from server.loom.steps import Withdraw
from server.session.cards import BEHIND, Card
from server.session.out_of_turn import needed_before
from server.session.place import walk_of
from server.store.weavings import Weaving


def walk_cards(cards: Sequence[Card]) -> list[Card]:
    """The card of each walk."""
    return [card for card in cards if card.kind == "walk"]


def things_behind(cards: Sequence[Card], number: int) -> list[Card]:
    """The cards after this one that are done on the same walk."""
    found = []
    for card in _from(cards, number + 1):
        if card.kind not in BEHIND:
            break
        found.append(card)
    return found


def _from(cards: Sequence[Card], number: int) -> Iterator[Card]:
    """The cards from this one on, not copied: of a large piece there are hundreds of thousands."""
    return (cards[place] for place in range(number, len(cards)))


@dataclass(frozen=True, slots=True)
class WalkOrder:
    """What a page must know of a walk to tick a thing of it without asking.

    Attributes:
        first: number of its first card.
        needs: for each thing that needs others done before it, their numbers: "12:10 13:10,12".
    """

    first: int
    needs: str


def walk_order(weaving: Weaving) -> WalkOrder | None:
    """The order of the walk that she is on; None at the bench."""
    walk = walk_of(weaving.cards, weaving.place.card)
    if not walk:
        return None
    steps = tuple(step for number in walk if (step := weaving.cards[number].step) is not None)
    needs = needed_before(weaving.piece.loom, weaving.cards[walk.start].before, steps)
    lines = (
        f"{number}:{','.join(str(walk.start + earlier) for earlier in sorted(before))}"
        for number, before in zip(walk, needs, strict=True)
        if before
    )
    return WalkOrder(walk.start, " ".join(lines))


def drawn_out(cards: Sequence[Card], temporary: str, number: int) -> Card:
    """The card, this one or a later one, on which a temporary that is in the loom by then comes out."""
    return next(
        card
        for card in _from(cards, number)
        if isinstance(card.step, Withdraw) and card.step.temporary == temporary
    )
