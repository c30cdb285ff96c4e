"""Pick by pick: which treadle, and to which side the shuttle goes, wherever the weaver is in a row.

The cycle of treadles runs on across rows. Where she told that it went on elsewhere (a pick too many, one too
few), it does so from that pick on.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, overload

from server.design.piece import Piece
from server.loom.picks import picks_before_row
from server.loom.steps import TakeOut, Weave
from server.session.cards import Card
from server.session.place import Place, picks_done, shift_at, still_in

Side = Literal["left", "right"]
"""Of the loom, as seen by the weaver at the bench."""


@dataclass(frozen=True, slots=True)
class Pick:
    """One passage of the shuttle.

    Attributes:
        number: which pick of its row, from 1.
        treadle: the treadle it is woven over.
        to: the side the shuttle goes to.
        is_done: whether it is woven, or taken out, by now.
        is_next: whether it comes next.
    """

    number: int
    treadle: int
    to: Side
    is_done: bool = False
    is_next: bool = False


class Picks(Sequence[Pick]):
    """Picks in the order in which they are done. Plain ground has thousands in a row, so each is worked out
    when it is asked for."""

    __slots__ = ("_make", "_numbers")

    def __init__(self, numbers: range, make: Callable[[int, int], Pick]) -> None:
        """Args: numbers: within their row, from 0; make: the pick at a place among these, of a number."""
        self._numbers, self._make = numbers, make

    def __len__(self) -> int:
        return len(self._numbers)

    @overload
    def __getitem__(self, index: int) -> Pick: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[Pick, ...]: ...

    def __getitem__(self, index: int | slice) -> Pick | tuple[Pick, ...]:
        if isinstance(index, slice):
            return tuple(self[at] for at in range(*index.indices(len(self))))
        return self._make(index if index >= 0 else len(self) + index, self._numbers[index])


def other_side(side: Side) -> Side:
    """Left for right, right for left."""
    return "left" if side == "right" else "right"


def treadle_at(piece: Piece, place: Place, pick: int) -> int:
    """The treadle of a pick, counted through the piece from 0."""
    return piece.treadling[(pick + shift_at(place, pick).treadles) % len(piece.treadling)]


def side_before(piece: Piece, place: Place, pick: int, first: Side) -> Side:
    """Where the shuttle is before a pick, counted through the piece from 0.

    Args:
        first: where it was before the first pick of the piece.
    """
    return first if (pick + shift_at(place, pick).passages) % 2 == 0 else other_side(first)


def picks_of(piece: Piece, place: Place, card: Card, first: Side) -> Picks:
    """The picks of a card that weaves or takes out, in the order in which they are done; none on others.

    A pick that is taken out goes back to the side from which it came.
    """
    before_row = picks_before_row(piece.picks_per_row, card.row)
    match card.step:
        case Weave(picks=picks):
            first_pick = card.before.picks
            numbers = range(first_pick, first_pick + picks)
        case TakeOut(picks=picks, left=left):
            numbers = range(left + picks - 1, left - 1, -1)
        case _:
            numbers = range(0)
    done = picks_done(card, place)

    def make(at: int, number: int) -> Pick:
        pick = before_row + number
        side = side_before(piece, place, pick, first)
        to = other_side(side) if isinstance(card.step, Weave) else side
        return Pick(number + 1, treadle_at(piece, place, pick), to, at < done, at == done)

    return Picks(numbers, make)


LONGEST_ROUND = 16
"""Treadles that are told one by one; a row of more picks is told by its round, where it has one."""


def rounds_of(treadles: Sequence[int]) -> tuple[Sequence[int], int, Sequence[int]] | None:
    """What the treadles go through again and again: one round, how often, and what is left after the last.

    None where there is no round of `LONGEST_ROUND` treadles or fewer that comes at least twice.
    """
    for length in range(1, min(LONGEST_ROUND, len(treadles) // 2) + 1):
        if all(one == other for one, other in zip(treadles, treadles[length:], strict=False)):
            times, rest = divmod(len(treadles), length)
            return treadles[:length], times, treadles[:rest]
    return None


def next_pick(piece: Piece, place: Place, card: Card) -> int:
    """The number of the next pick, counted through the piece from 0.

    Where picks are to be taken out, the one after the last that is in.
    """
    match card.step:
        case TakeOut() as step:
            return picks_before_row(piece.picks_per_row, card.row) + still_in(step, place)
        case Weave():
            return picks_before_row(piece.picks_per_row, card.row) + place.pick
    state = card.before
    row = state.row if state.phase == "raised" else state.row + 1
    return picks_before_row(piece.picks_per_row, row) + state.picks
