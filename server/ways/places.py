"""Where else a figure could sit: the minutes for each place.

What moving a figure does to the rows is told by `server.ways.figures`. Here each place is planned; places
that ask the same of the loom cost the same, and are planned once.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Hashable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeGuard

from pydantic import TypeAdapter

from server.design.piece import Piece
from server.loom.leashes import NO_SHAFT
from server.plan.hand_rule import hand_order
from server.plan.planner import CLOSE, Lack, Stopped, cheapest
from server.plan.schedule import BARE, Standing
from server.plan.task import Task, verify_for, whole_task
from server.ways.figures import (
    STAYS,
    Block,
    Company,
    Figure,
    Move,
    ShaftDemand,
    check_block,
    company_of,
    rows_in_part,
)
from server.ways.rest import Rest, TaskOf, rest_asked
from server.ways.seconds import seconds_in, up_after

if TYPE_CHECKING:  # questions knows this module
    from server.ways.questions import Tell

MOST_PLACES = 3_000
"""Places in one answer; more would be a table that nobody reads."""

GLANCE, CLOSER_LOOK = 0.3, 4.0
"""Seconds for one place: when all are gone through first, and when those not settled are looked at again.

The second for the usual time; where there is more, it is longer by as much.
"""

USUAL_SECONDS = 20.0

STRETCH = 100
"""Rows in each of the three stretches of a long piece on which it is measured how long a place takes."""

MOST_SECONDS = 600.0

MOST_ROWS_BY = 1_000


@dataclass(frozen=True, slots=True)
class Place:
    """One place and what it takes to weave the figure there, alone.

    Attributes:
        is_free: whether the loom lifts every row as it hangs.
        minutes: of changing and pulling; None where the loom cannot weave it so, or nobody knows yet.
        at_least: no plan takes fewer minutes.
        walks: of the plan with those minutes.
        is_possible: False where no plan exists on this loom.
        covered: lifted cells drawn there now that it would be laid over, and that would then rest.
        from_bare: whether nothing stands in the loom at the start.
    """

    move: Move
    is_free: bool
    minutes: float | None
    at_least: float
    walks: int | None
    is_possible: bool
    covered: int
    company: Company
    from_bare: bool = True

    @property
    def takes_nothing(self) -> bool:
        """Whether the loom lifts every row as it hangs, and nothing stands in it that must come out."""
        if self.from_bare:
            return self.is_free and not self.walks
        return self.is_free and self.is_possible and self.walks == 0

    @property
    def is_exact(self) -> bool:
        """Whether no plan takes fewer minutes than these."""
        return self.minutes is not None and self.minutes <= self.at_least + CLOSE


@dataclass(frozen=True, slots=True)
class Places:
    """All places that were asked for, from the first row on and from left to right.

    Attributes:
        same_mirrored: whether the figure is its own mirror image, so that there is only one of each place.
    """

    block: Block
    same_mirrored: bool
    places: tuple[Place, ...]

    def at(self, move: Move) -> Place | None:
        """The place of a move, if it is among them."""
        return next((place for place in self.places if place.move == move), None)

    @property
    def now(self) -> Place | None:
        """Where the figure is."""
        return self.at(STAYS)


_PLACES = TypeAdapter(Places)


def as_json(found: Places) -> dict[str, Any]:
    """An answer as plain JSON."""
    content: dict[str, Any] = _PLACES.dump_python(found, mode="json")
    return content


def from_json(content: dict[str, Any]) -> Places:
    """Read what `as_json` made."""
    return _PLACES.validate_python(content)


def answer_places(piece: Piece, options: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """The answer to the question “places”, as `server.ways.questions` has it.

    Args:
        options: `block`: first and last row, first and last unit; `rows_by`: so many rows earlier, so many
            later (none); `limit`: seconds (20); `here`: the state from which on it is asked.

    Raises:
        ValueError: with a sentence, if there is no such figure or these are no options.
    """
    corners, by = options.get("block"), options.get("rows_by", [0, 0])
    if not _are_numbers(corners, 4):
        raise ValueError("Which figure? Give its first and last row and its first and last unit.")
    if not _are_numbers(by, 2) or not all(0 <= rows <= MOST_ROWS_BY for rows in by):
        raise ValueError(f"It can be moved by 0 to {MOST_ROWS_BY:,} rows, earlier and later.")
    limit = seconds_in(options, USUAL_SECONDS, MOST_SECONDS)
    rest, block = rest_asked(piece, options), Block.between(*corners)
    check_block(piece, block)
    stay = int(rest.begun)
    if block.first_row <= rest.woven + stay:
        raise ValueError(f"Only a figure that lies ahead can sit elsewhere: {_done_words(rest)}.")
    found = places(
        rest.piece,
        replace(block, first_row=block.first_row - rest.woven, last_row=block.last_row - rest.woven),
        rows_by=range(-by[0], by[1] + 1),
        stay=stay,
        limit=limit,
        tell=tell,
        task_of=rest.task,
    )
    return as_json(replace(found, block=block))


def _done_words(rest: Rest) -> str:
    """How far the cloth is: "rows 1 to 3 are woven, and row 4 is begun"."""
    woven = {0: "", 1: "row 1 is woven"}.get(rest.woven, f"rows 1 to {rest.woven} are woven")
    begun = f"row {rest.woven + 1} is begun" if rest.begun else ""
    return ", and ".join(words for words in (woven, begun) if words)


def _are_numbers(given: Any, number: int) -> TypeGuard[Sequence[int]]:
    return isinstance(given, list | tuple) and len(given) == number and all(type(one) is int for one in given)


# --- all places ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Cost:
    """What a place takes, as far as it is known; its attributes as those of `Place`."""

    is_free: bool
    minutes: float | None
    at_least: float
    walks: int | None = None
    is_possible: bool = True

    @property
    def is_settled(self) -> bool:
        return not self.is_possible or (self.minutes is not None and self.minutes <= self.at_least + CLOSE)


def places(
    piece: Piece,
    block: Block,
    *,
    rows_by: range = range(1),
    mirrored: bool = True,
    stay: int = 0,
    limit: float = USUAL_SECONDS,
    tell: Tell | None = None,
    task_of: TaskOf = whole_task,
) -> Places:
    """Every place where a figure could sit, with its minutes.

    Places that ask the same of the loom are planned once. First all are gone through, the most promising
    first and each for a moment; then those that are not settled yet are looked at again, as long as there is
    time. Minutes are exact where `Place.is_exact`, and otherwise at most so many.

    Args:
        rows_by: by how many rows it may be moved; places off the cloth are left out.
        mirrored: whether its mirror image is laid everywhere, too.
        stay: so many rows at the beginning stay as they are.
        limit: seconds for all of it.
        task_of: what is to be planned of the piece with the figure at a place.

    Raises:
        ValueError: with a sentence, if there is no figure in the block, or there are too many places.
    """
    until = time.monotonic() + limit
    check_block(piece, block)
    figure, stands = Figure(piece, block), task_of(piece).begin
    moves = list(_moves(figure, rows_by, mirrored, stay))
    asked = {move: figure.demands(move) for move in moves}
    # Where two places ask the same of the loom, they cost the same. From the bare loom shafts are alike, and
    # units of a shaft if both have cords or neither has: all that counts is which columns of cells hang
    # together. What stands is on some shafts, and takes some of their units: then the columns as they lie.
    demands: dict[Move, Hashable] = {
        move: tuple(figure.columns(move))
        if stands != BARE
        else tuple(sorted((shaft == NO_SHAFT, columns) for shaft, columns in shafts.items()))
        for move, shafts in asked.items()
    }
    first_of = {demand: move for move, demand in reversed(demands.items())}
    known: dict[ShaftDemand, _ShaftCost] = {}
    costs = {demand: _at_a_glance(piece, asked[move], known, stands) for demand, move in first_of.items()}
    places_of = Counter(demands.values())
    last = until - _least_seconds(piece)
    for seconds in (GLANCE, max(CLOSER_LOOK, limit * CLOSER_LOOK / USUAL_SECONDS)):
        _plan_all(figure, task_of, first_of, costs, places_of, demands.get(STAYS), seconds, until, last, tell)
    for demand, cost in costs.items():
        if cost.minutes is None and cost.is_possible and time.monotonic() < last:
            order = hand_order(task_of(figure.at(first_of[demand])))
            if order is not None:
                costs[demand] = replace(cost, minutes=order.totals.minutes, walks=order.totals.walks)
    found = []
    for move in moves:
        cost = costs[demands[move]]
        found.append(
            Place(
                move,
                cost.is_free,
                cost.minutes,
                cost.at_least,
                cost.walks,
                cost.is_possible,
                figure.covered(move),
                company_of(figure, move),
                stands == BARE,
            )
        )
    return Places(block, figure.same_mirrored, tuple(found))


def _moves(figure: Figure, rows_by: range, mirrored: bool, stay: int) -> Iterator[Move]:
    piece, block = figure.piece, figure.block
    ways = (False, True) if mirrored and not figure.same_mirrored else (False,)
    rows = [by for by in rows_by if block.first_row + by > stay and block.last_row + by <= len(piece.rows)]
    units = range(1 - block.first_unit, len(piece.loom.leashes) - block.last_unit + 1)
    number = len(rows) * len(units) * len(ways)
    if number > MOST_PLACES:
        raise ValueError(
            f"There are {number:,} places; move it by fewer rows, so that they are {MOST_PLACES:,} at most."
        )
    for way in ways:
        for by in rows:
            for across in units:
                yield Move(by, across, way)


def _least_seconds(piece: Piece) -> float:
    """About how long the planner takes for a place, however little time it has.

    What comes before its search, the orders by rule above all, is not broken off, and grows with the rows. So
    it is measured on some of them: from the beginning, the middle and the end.
    """
    rows, middle = piece.rows, (len(piece.rows) - STRETCH) // 2
    if len(rows) <= 6 * STRETCH:
        return 0.0
    some = rows[:STRETCH] + rows[middle : middle + STRETCH] + rows[-STRETCH:]
    task = whole_task(replace(piece, rows=some, free_walks=frozenset(), no_walks=frozenset(), bands=()))
    began = time.monotonic()
    with suppress(Stopped):
        cheapest(task, limit=0.0, stop=lambda: True)
    return (time.monotonic() - began) * len(rows) / len(some)


def _plan_all(
    figure: Figure,
    task_of: TaskOf,
    first_of: dict[Hashable, Move],
    costs: dict[Hashable, _Cost],
    places_of: Mapping[Hashable, int],
    now: Hashable | None,
    seconds: float,
    until: float,
    last: float,
    tell: Tell | None,
) -> None:
    """Plan what is not settled, each for so many seconds: as it is now, then the cheapest first.

    Args:
        places_of: at how many places the same is asked.
        last: by the clock, when the last one can be begun that ends in time.
    """
    waiting = [demand for demand, cost in costs.items() if not cost.is_settled]
    everywhere = sum(places_of.values())
    settled = everywhere - sum(places_of[demand] for demand in waiting)
    waiting.sort(key=lambda demand: (demand != now, costs[demand].at_least, costs[demand].minutes or 0.0))
    for demand in waiting:
        now_is = time.monotonic()
        if now_is >= last or (tell is not None and tell.is_enough()):
            return
        if tell is not None:
            tell(f"{settled:,} of {everywhere:,} places looked at", settled / everywhere)
        settled += places_of[demand]
        task = task_of(figure.at(first_of[demand]))
        costs[demand] = _planned(task, costs[demand], min(seconds, until - now_is), tell)


def _planned(task: Task, before: _Cost, seconds: float, tell: Tell | None) -> _Cost:
    try:
        order = cheapest(task, limit=seconds, stop=up_after(seconds, tell))
    except Stopped:
        return before
    if isinstance(order, Lack):
        return replace(before, is_possible=False, minutes=None, walks=None) if order.is_sure else before
    verify_for(task, order)
    minutes, walks = order.totals.minutes, order.totals.walks
    at_least = minutes if order.proven else max(before.at_least, order.bound)
    if before.minutes is not None and before.minutes < minutes:
        minutes, walks = before.minutes, before.walks or 0
    return _Cost(before.is_free, minutes, min(at_least, minutes), walks)


@dataclass(frozen=True, slots=True)
class _ShaftCost:
    """What the rows ask of one shaft.

    Attributes:
        pulls: at the least.
        takes: units that its temporaries take, at the least; None: it needs none.
    """

    pulls: int
    takes: int | None


def _at_a_glance(
    piece: Piece, asked: dict[int, ShaftDemand], known: dict[ShaftDemand, _ShaftCost], stands: Standing
) -> _Cost:
    """What can be told without a search: whether it is free, and what it takes at the very least.

    Every shaft of which a row asks only a part needs a temporary that is put in on one walk and drawn out on
    another, takes the units asked for, and whose cords are moved there and back; spare handles may pass from
    one temporary to the next. Whatever is asked of a shaft in a row is one pull at least. Where something
    stands already, that may be what is needed.

    Args:
        asked: per shaft, what the place asks of it; of no shaft (0) only the pulls.
        known: what was told of a shaft before, by what it is asked.
        stands: what stands in the loom at the start.
    """
    loom, minutes = piece.loom, piece.minutes
    pulls, takes = 0, list[int]()
    for shaft, columns in asked.items():
        if shaft == NO_SHAFT:
            pulls += columns[0][0]
            continue
        if columns not in known:
            known[columns] = _shaft_cost(columns)
        pulls += known[columns].pulls
        if (units := known[columns].takes) is not None:
            takes.append(units)
    least = pulls * minutes.pull
    if takes and stands == BARE:
        least += 0.0 if piece.free_walks else 2 * minutes.walk
        least += len(takes) * (minutes.insert + minutes.withdraw) + sum(takes) * minutes.take
        least += (len(takes) + 1 if loom.spare_handles else 2 * len(takes)) * minutes.move_cords
    return _Cost(not takes, None, max(0.0, least - CLOSE))


def _shaft_cost(columns: ShaftDemand) -> _ShaftCost:
    asked = 0
    for cells, _ in columns:
        asked |= cells
    parts = rows_in_part(columns)
    if not parts:
        return _ShaftCost(asked.bit_count(), None)
    digits: list[
        int
    ] = []  # per row, how many units are lifted that no cord lifts: its binary digits, lowest first
    for cells, is_corded in columns:
        carry = 0 if is_corded else cells
        for place, digit in enumerate(digits):
            digits[place], carry = digit ^ carry, digit & carry
        if carry:
            digits.append(carry)
    most = 0
    for place in reversed(range(len(digits))):
        if higher := parts & digits[place]:
            parts, most = higher, most | 1 << place
    return _ShaftCost(asked.bit_count(), most)
