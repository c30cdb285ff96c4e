"""The walks among the cards: what is done on each, and when a temporary comes out again."""

from __future__ import annotations

from collections.abc import Sequence

from server.loom.steps import Withdraw
from server.session.cards import BEHIND, Card


def walk_cards(cards: Sequence[Card]) -> list[Card]:
    """The card of each walk."""
    return [card for card in cards if card.kind == "walk"]


def things_behind(cards: Sequence[Card], number: int) -> list[Card]:
    """The cards after this one that are done on the same walk."""
    found = []
    for card in cards[number + 1 :]:
        if card.kind not in BEHIND:
            break
        found.append(card)
    return found


def drawn_out(cards: Sequence[Card], temporary: str, number: int) -> Card:
    """The card, this one or a later one, on which a temporary that is in the loom by then comes out."""
    return next(
        card
        for card in cards[number:]
        if isinstance(card.step, Withdraw) and card.step.temporary == temporary
    )
