"""Mistakes put right: from what stands in the loom now, which rows are gone through, and how, to the end."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from server.design.piece import Piece
from server.loom.picks import picks_before_row
from server.loom.state import State
from server.loom.steps import Raise, TakeOut, Weave
from server.plan.from_here import plan_from_here
from server.plan.replay import at_rest
from server.plan.visits import Position, Visit, position_of, way
from server.plan.workorder import Totals, count_up
from server.session.cards import BEHIND, Card, Course
from server.session.place import Decks, Place, can_be_in, shift_at, standing_by_now, state_now, still_in
from server.session.treadling import next_pick, treadle_at
from server.session.wishes import Wishes, wished

Why = Literal["taken out", "cut out", "stands differently", "behind", "walks"]
"""Why the rest is planned anew, as the log's words know it."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """A way on that might be taken; it is not planned yet.

    Attributes:
        row: what the log tells of it: the row gone back to, or the last one that is in.
        start: what stands in the loom.
        visits: the rows to be gone through.
        free_now: whether a walk before anything is woven costs nothing.
    """

    why: Why
    row: int
    start: State
    visits: tuple[Visit, ...]
    wishes: Wishes
    free_now: bool = False


def course_of(piece: Piece, proposal: Proposal, known: Mapping[int, State], *, limit: float) -> Course:
    """The least-cost course, to the bare loom.

    Args:
        piece: as its file has it.
        known: see `sheds_known`; where the time is up, the course is no worse than going on by these.
        limit: seconds for the search.

    Raises:
        NoPlan: if there is no way on; says why.
        Refused: if the loom cannot stand like that.
    """
    order = plan_from_here(
        wished(piece, proposal.wishes),
        proposal.start,
        proposal.visits,
        free_now=proposal.free_now,
        limit=limit,
        known=known,
    )
    return Course(proposal.start, proposal.visits, True, order, proposal.wishes)


def sheds_known(decks: Decks, place: Place) -> dict[int, State]:
    """Per row the state in which its shed stands by the plans so far, the newest where there are several."""
    courses = decks.cards[: place.course + 1]
    return {card.row: card.after for cards in courses for card in cards if isinstance(card.step, Raise)}


# --- where she is --------------------------------------------------------------------------------------


def picks_in(decks: Decks, place: Place) -> int | None:
    """Picks that are in of the row whose shed stands, as far as she told; None: no row's shed stands."""
    card = decks.at(place)
    match card.step:
        case Weave():
            return place.pick
        case TakeOut() as step:
            return still_in(step, place)
    return None


def row_now(piece: Piece, decks: Decks, place: Place) -> int:
    """The row that is on, or the last one of which picks are in."""
    at = position_of(standing(decks, place, piece))
    return at.row + (at.picks > 0 or picks_in(decks, place) is not None)


def standing(decks: Decks, place: Place, piece: Piece, picks: int | None = None) -> State:
    """What stands in the loom now, as a plan begins in it.

    Args:
        picks: how many picks of the row whose shed stands are in; None: as far as she told.
    """
    state = standing_by_now(decks, place)
    if (
        state.phase == "behind" and decks.at(place).kind not in BEHIND
    ):  # back from the walk, nothing raised yet
        return replace(state, phase="down", walk_after=None, busy=False)
    if state.phase != "raised" or picks is None:
        return state
    if picks == piece.picks(state.row):  # woven to its end, and not told yet
        return replace(at_rest(state), row=state.row, picks=0)
    return replace(state, picks=picks)


# --- ways on -------------------------------------------------------------------------------------------


def picks_back(piece: Piece, position: Position, picks: int) -> Position:
    """How far the cloth is when so many picks have come out.

    Raises:
        ValueError: if fewer are in.
    """
    row, still_in = position.row + 1, position.picks
    while picks > still_in:
        picks -= still_in
        row -= 1
        if row == 0:
            raise ValueError("So many picks are not in the cloth.")
        still_in = piece.picks(row)
    left = still_in - picks
    return Position(row, 0) if row <= position.row and left == piece.picks(row) else Position(row - 1, left)


def picks_in_all(piece: Piece, position: Position) -> int:
    """All picks that are in the cloth."""
    return picks_before_row(piece.picks_per_row, position.row + 1) + position.picks


def take_out(piece: Piece, start: State, to: Position, wishes: Wishes) -> Proposal:
    """Take picks out until the cloth is so far, and weave on from there."""
    at = position_of(start)
    back = way(piece, at.row, at.picks, to.row, to.picks)
    on = way(piece, to.row, to.picks, len(piece.rows))
    return Proposal("taken out", to.row, start, back + on, wishes)


def cut_out(piece: Piece, start: State, row: int, wishes: Wishes) -> Proposal:
    """Cut the weft out until so many rows are in; the loom is left as it is."""
    return go_on(piece, at_rest(replace(at_rest(start), row=row, picks=0)), "cut out", wishes)


def go_on(piece: Piece, start: State, why: Why, wishes: Wishes, *, free_now: bool = False) -> Proposal:
    """Weave on from here to the end."""
    at = position_of(start)
    visits = way(piece, at.row, at.picks, len(piece.rows))
    return Proposal(why, at.row, start, visits, wishes, free_now)


# --- what it means -------------------------------------------------------------------------------------


def what_is_left(piece: Piece, decks: Decks, place: Place) -> Totals:
    """What the course that she follows still takes.

    A shed that stands is counted as one to be raised, since a new plan raises it again, even where nothing
    moves: so the two can be compared.

    Args:
        piece: with its walks as she wishes them.
    """
    state, card = state_now(decks, place), decks.at(place)
    steps = [
        c.step for c in decks.of(place)[place.card :] if c.step is not None and c.number not in place.ahead
    ]
    if state.phase == "raised":
        steps.insert(0, Raise(card.row, tuple(state.raised), tuple(state.pulled)))
    return count_up(steps, piece.minutes, piece.free_walks, at_rest(state))


def is_backwards(card: Card) -> bool:
    """Whether picks come out on this card, or its shed is raised for that."""
    return card.kind in ("reopen", "take_out")


def way_back(cards: tuple[Card, ...]) -> tuple[Card, ...]:
    """The cards up to the last on which picks come out."""
    last = max((card.number for card in cards if is_backwards(card)), default=-1)
    return cards[: last + 1]


def before_weaving(cards: tuple[Card, ...]) -> tuple[Card, ...]:
    """The cards up to the first shed, that one left out."""
    first = next((n for n, card in enumerate(cards) if isinstance(card.step, Raise)), len(cards))
    return cards[:first]


# --- she tapped too far --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Spot:
    """An instruction that she may be at.

    Attributes:
        picks: how many picks of its row can be in there, fewest first.
    """

    card: Card
    picks: tuple[int, ...]


def spot_at(card: Card, place: Place) -> Spot:
    """A card as a spot to go back to; the card that is up can only be at fewer picks."""
    is_past, can = card.number < place.card, can_be_in(card)
    if can is None:
        return Spot(card, (card.before.picks,) if is_past else ())
    if isinstance(card.step, TakeOut):
        in_now = still_in(card.step, place)
        return Spot(card, tuple(n for n in can if is_past or n > in_now))
    return Spot(card, tuple(n for n in can if is_past or n < place.pick))


def spots_before(decks: Decks, place: Place) -> Iterator[Spot]:
    """Where she may be instead, the newest first."""
    for card in reversed(decks.of(place)[: place.card + 1]):
        spot = spot_at(card, place)
        if spot.picks:
            yield spot


# --- the treadles --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Continuation:
    """Where the cycle of treadles may go on.

    Attributes:
        shift: how much further in the cycle that is.
        treadles: the next ones, first to last.
    """

    shift: int
    treadles: tuple[int, ...]


MOST_CONTINUATIONS = 6
SHOWN_TREADLES = 8


def continuations(piece: Piece, decks: Decks, place: Place, treadle: int) -> tuple[Continuation, ...]:
    """Where the cycle may go on with this treadle, the smallest shift first; none if it is not in the cycle.

    Places from which the same treadles follow, all round, are one.
    """
    cycle, pick = tuple(piece.treadling), next_pick(piece, place, decks.at(place))
    here = (pick + shift_at(place, pick).treadles) % len(cycle)
    found: dict[tuple[int, ...], Continuation] = {}
    ahead = [(at - here) % len(cycle) for at, number in enumerate(cycle) if number == treadle]
    shifts = sorted((min(n, n - len(cycle), key=abs) for n in ahead), key=lambda n: (abs(n), -n))
    for shift in shifts[: 4 * MOST_CONTINUATIONS]:
        at = (here + shift) % len(cycle)
        follow = cycle[at:] + cycle[:at]
        shown = tuple(follow[n % len(cycle)] for n in range(SHOWN_TREADLES))
        found.setdefault(follow, Continuation(shift, shown))
    return tuple(found.values())[:MOST_CONTINUATIONS]


def next_treadle(piece: Piece, decks: Decks, place: Place) -> int:
    """The treadle of the next pick, as the instructions have it."""
    return treadle_at(piece, place, next_pick(piece, place, decks.at(place)))
