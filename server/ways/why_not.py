"""Why there is no plan, and what would do: what is in conflict, and the smallest ways out, proven minimal."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter

from server.design.piece import Piece
from server.plan.changed_cells import Budget, Cell, with_changed
from server.plan.demands import asked_of, needs_temporary
from server.plan.hand_rule import hand_schedules
from server.plan.model import Model
from server.plan.no_plan import is_hopeless, needy_shafts, strip_schedule
from server.plan.parts import ALL_PARTS
from server.plan.stages import relevant_shafts, stages
from server.plan.task import whole_task
from server.ways.few_cells import MOST_LOOKED_AT, may_change
from server.ways.seconds import seconds_in
from server.ways.unaided import Changed, turned_over, unaided

if TYPE_CHECKING:  # questions knows this module
    from server.ways.questions import Tell

MOST_CELLS = 24
"""So many changed cells are looked for; with more, the design without any temporary is named."""

MOST_WALKS_TRIED = 24
"""Walks that may not be made, of which each is tried by itself."""

ENOUGH = 1_000_000
"""Spare shafts, more than could ever be used."""

MOST_SECONDS = 600.0

MOST_OF_ONE_SHAFT = 64
"""Temporaries of one shaft, more than could ever be used."""


@dataclass(frozen=True, slots=True, order=True)
class Ask:
    """A row asks something of a shaft."""

    row: int
    shaft: int


@dataclass(frozen=True, slots=True)
class Room:
    """What the loom would have to have, the rest as it is."""

    spare_shafts: int
    spare_handles: int
    temporaries_per_shaft: int


@dataclass(frozen=True, slots=True)
class WhyNot:
    """Why there is no plan, and what would do, each by itself.

    Attributes:
        conflict: what cannot all be lifted. Without any one of them the others can, where `conflict_sure`.
        rooms: each would do, and none of them would with less, where `rooms_sure`.
        may_stay: whether it would do that temporaries may lie unused while their shaft is lifted.
        walks: rows after which no walk may be made now; each set would do if walks might be made there.
        cells: the fewest that would have to be changed; none: not known.
        cells_sure: whether it is certain that fewer do not do.
        in_time: whether all could be worked out in the time.
    """

    conflict: tuple[Ask, ...]
    conflict_sure: bool
    rooms: tuple[Room, ...]
    rooms_sure: bool
    may_stay: bool
    walks: tuple[tuple[int, ...], ...]
    cells: tuple[Changed, ...]
    cells_sure: bool
    in_time: bool


_AS_JSON = TypeAdapter(WhyNot)


def as_json(found: WhyNot) -> dict[str, Any]:
    """For keeping."""
    content: dict[str, Any] = _AS_JSON.dump_python(found, mode="json")
    return content


def from_json(content: dict[str, Any]) -> WhyNot:
    """What was kept. ValueError if it is something else."""
    return _AS_JSON.validate_python(content)


def answer_why_not(piece: Piece, options: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """The answer to the question "why not".

    Args:
        options: `limit`: seconds (60).

    Raises:
        ValueError: with a sentence, as `why_not`, or if that is no limit.
    """
    return as_json(why_not(piece, limit=seconds_in(options, 60.0, MOST_SECONDS), tell=tell))


def why_not(piece: Piece, *, limit: float = 60.0, tell: Tell | None = None) -> WhyNot:
    """Why a piece has no plan, and what would do.

    Args:
        limit: seconds.

    Raises:
        ValueError: with a sentence, if it has one.
    """
    clock = _Clock(limit, tell)
    clock.tell("Whether there is no plan at all.", 0.0)
    woven = can_be_woven(piece, clock.seconds())
    if woven:
        raise ValueError("There is a plan for this piece; nothing has to be given up for it.")
    clock.tell("What cannot be lifted together.", 0.05)
    conflict, conflict_sure = _conflict(piece, clock.part(0.3), known=woven is False)
    clock.tell("What more room would do.", 0.3)
    rooms, rooms_sure = _rooms(piece, clock.part(0.5))
    clock.tell("What else would do.", 0.6)
    loom = piece.loom
    staying = replace(piece, loom=replace(loom, temporaries_may_stay=True))
    may_stay = not loom.temporaries_may_stay and bool(can_be_woven(staying, clock.part(0.3).seconds()))
    walks = _walks(piece, clock.part(0.5))
    clock.tell("Which cells would do.", 0.75)
    cells, cells_sure = _cells(piece, clock)
    in_time = not (clock.is_up() or clock.was_up)
    return WhyNot(conflict, conflict_sure, rooms, rooms_sure, may_stay, walks, cells, cells_sure, in_time)


class _Clock:
    """What is left of the time, and telling how far it is.

    Attributes:
        was_up: whether it, or some part of it, was found to be up.
    """

    def __init__(self, limit: float, tell: Tell | None, whole: _Clock | None = None) -> None:
        self._until, self._tell, self._whole = time.monotonic() + limit, tell, whole
        self.was_up = False

    def seconds(self) -> float:
        """What is left; a little where nothing is."""
        return max(self._until - time.monotonic(), 0.1)

    def is_up(self) -> bool:
        """Whether nothing is left."""
        enough = self._tell is not None and self._tell.is_enough()
        is_up = enough or time.monotonic() >= self._until
        for clock in (self, self._whole):
            if clock is not None:
                clock.was_up |= is_up
        return is_up

    def part(self, share: float) -> _Clock:
        """A share of what is left."""
        return _Clock((self._until - time.monotonic()) * share, self._tell, self)

    def tell(self, words: str, share: float) -> None:
        """Tell how far it is."""
        if self._tell is not None:
            self._tell(words, share)


def can_be_woven(piece: Piece, seconds: float) -> bool | None:
    """Whether there is a plan, whatever it costs; None where that was not known in time."""
    shafts = relevant_shafts(piece)
    if not shafts:
        return True
    task, cut = whole_task(piece), stages(piece, shafts)
    if is_hopeless(piece.loom, cut):
        return False
    if strip_schedule(task, piece.loom, cut) is not None or hand_schedules(task):
        return True
    model = Model(piece, shafts, cut, most_parts=ALL_PARTS)
    found = model.cheapest(seconds=seconds, grain=0.0, first=True)
    if found.values is not None:
        return True
    return False if found.impossible and model.complete else None


# --- the rows and shafts in conflict ---------------------------------------------------------------------


def _conflict(piece: Piece, clock: _Clock, *, known: bool) -> tuple[tuple[Ask, ...], bool]:
    """What cannot all be lifted, as little of it as it takes; and whether each of them is needed for that.

    Whoever asks nothing stands in nobody's way. So what can be left out is left out, many at a time first,
    for as long as the rest cannot be lifted.

    Args:
        known: whether it is known that all of it together cannot be lifted.
    """
    shafts = relevant_shafts(piece)
    asks = [
        Ask(row, shaft)
        for row in range(1, len(piece.rows) + 1)
        for shaft in shafts
        if asked_of(piece, row, shaft)
    ]

    alone = _one_row_too_much(piece)
    if alone:
        asks = alone
    doubts = False

    def conflicts(some: Sequence[Ask]) -> bool:
        nonlocal known, doubts
        woven = can_be_woven(_asking_only(piece, some), clock.seconds())
        known, doubts = known or woven is False, doubts or woven is None
        return woven is False

    size = max(len(asks) // 2, 1)
    while True:
        start, doubts = 0, False
        while start < len(asks):
            if clock.is_up():
                return tuple(asks), False
            rest = asks[:start] + asks[start + size :]
            if conflicts(rest):
                asks = rest
            else:
                start += size
        if size == 1:
            return tuple(asks), known and not doubts
        size = max(min(size // 2, len(asks) // 2), 1)


def _one_row_too_much(piece: Piece) -> list[Ask]:
    """Of the first row that asks for parts of more shafts than there are spare shafts, one shaft too many."""
    return next(_rows_too_much(piece), [])


def _rows_too_much(piece: Piece) -> Iterator[list[Ask]]:
    """Of each row that asks for parts of more shafts than there are spare shafts, one shaft too many."""
    loom = piece.loom
    room = loom.spare_shafts if loom.temporaries_per_shaft else 0
    for row in range(1, len(piece.rows) + 1):
        needy = [
            Ask(row, shaft)
            for shaft in loom.units_by_shaft
            if needs_temporary(loom, shaft, asked_of(piece, row, shaft))
        ]
        if len(needy) > room:
            yield needy[: room + 1]


def lacking_elsewhere(piece: Piece, conflict: Iterable[Ask]) -> int:
    """How many more rows lack something, whatever is done about those in conflict.

    They ask for more temporaries than can be in: each by itself, or with others without a walk between.
    """
    known, shafts = {ask.row for ask in conflict}, relevant_shafts(piece)
    rows = {asks[0].row for asks in _rows_too_much(piece)}
    for stage in stages(piece, shafts):
        inside = range(stage.first, stage.last + 1)
        if known.isdisjoint(inside) and rows.isdisjoint(inside) and is_hopeless(piece.loom, [stage]):
            needy = needy_shafts(piece.loom, stage)
            rows |= {row for row in inside if any(asked_of(piece, row, shaft) for shaft in needy)}
    return len(rows - known)


def _asking_only(piece: Piece, asks: Iterable[Ask]) -> Piece:
    """The piece that asks of the shafts only so much, and nothing of single cords."""
    rows: list[frozenset[int]] = [frozenset()] * len(piece.rows)
    for ask in asks:
        rows[ask.row - 1] |= asked_of(piece, ask.row, ask.shaft)
    return replace(piece, rows=tuple(rows))


# --- more room -------------------------------------------------------------------------------------------


def _rooms(piece: Piece, clock: _Clock) -> tuple[tuple[Room, ...], bool]:
    """The least room that would do: all pairs of spare shafts and spare handles; and whether that is certain.

    More temporaries of one shaft only where no number of spare shafts and handles does without. With one
    spare handle more as few spare shafts do, or fewer, and more than one for each temporary are of no use: so
    one goes through the handles, and each time asks for the fewest spare shafts.
    """
    loom, shafts = piece.loom, relevant_shafts(piece)
    sure = True

    def fewest(handles: int, of_one: int) -> int | None:
        nonlocal sure
        ample = replace(loom, spare_shafts=ENOUGH, spare_handles=handles, temporaries_per_shaft=of_one)
        asked = replace(piece, loom=ample)
        cut = stages(asked, shafts)
        if (strip := strip_schedule(whole_task(asked), ample, cut)) is not None:
            # each shaft that takes one here takes one at least, whatever else is done
            return max(loom.spare_shafts, *(len(standing.inside) for standing in strip))
        model = Model(asked, shafts, cut, most_parts=ALL_PARTS)
        number, certain = model.fewest_spare_shafts(seconds=clock.seconds())
        sure = sure and certain
        return None if number is None else max(number, loom.spare_shafts)

    def most_handles(of_one: int) -> int:
        return max(of_one * len(shafts), loom.spare_handles)

    of_one = max(loom.temporaries_per_shaft, 1)
    least = fewest(most_handles(of_one), of_one)
    if least is None and fewest(most_handles(MOST_OF_ONE_SHAFT), MOST_OF_ONE_SHAFT) is not None:
        while least is None and of_one < MOST_OF_ONE_SHAFT and not clock.is_up():
            of_one += 1
            least = fewest(most_handles(of_one), of_one)
    if least is None:
        return (), sure
    found: list[Room] = []
    for handles in range(loom.spare_handles, most_handles(of_one) + 1):
        if clock.is_up():
            return tuple(found), False
        number = fewest(handles, of_one)
        if number is not None and (not found or number < found[-1].spare_shafts):
            found.append(Room(number, handles, of_one))
        if number == least:
            break
    return tuple(found), sure


# --- walks -----------------------------------------------------------------------------------------------


def _walks(piece: Piece, clock: _Clock) -> tuple[tuple[int, ...], ...]:
    """Where walks would have to be made: each of these by itself, or else one set of which each is needed."""

    def do(opened: Iterable[int]) -> bool:
        rest = piece.no_walks.difference(opened)
        return bool(can_be_woven(replace(piece, no_walks=rest), clock.seconds()))

    barred = sorted(gap for gap in piece.no_walks if gap <= len(piece.rows))
    if not barred or not do(barred):
        return ()
    alone = [(gap,) for gap in barred[:MOST_WALKS_TRIED] if not clock.is_up() and do([gap])]
    if alone:
        return tuple(alone)
    needed = list(barred)
    for gap in barred:
        rest = [other for other in needed if other != gap]
        if clock.is_up():
            break
        if do(rest):
            needed = rest
    return (tuple(needed),)


# --- cells -----------------------------------------------------------------------------------------------


def _cells(piece: Piece, clock: _Clock) -> tuple[tuple[Changed, ...], bool]:
    """The fewest cells that would have to be changed, and whether fewer do not do.

    With a budget of so many cells the model has all parts that matter to designs within it: so where it finds
    fewer than that, these are the fewest of all.
    """
    shafts = relevant_shafts(piece)
    cut = stages(piece, shafts, by_runs=False)
    nearest = unaided(piece).changed
    unavoidable = _unavoidable(piece)
    if unavoidable and can_be_woven(_changed(piece, unavoidable), clock.seconds()):
        return unavoidable, True
    worth_it = min(len(nearest) - 1, MOST_CELLS)
    if may_change(piece) > MOST_LOOKED_AT or len(unavoidable) > worth_it:
        return nearest, len(unavoidable) >= len(nearest)
    tried, sure = max(len(unavoidable) - 1, 0), True
    while tried < worth_it:
        if clock.is_up():
            return nearest, False
        tried = min(max(2 * tried, 1), worth_it)
        model = Model(piece, shafts, cut, budget=Budget(tried))
        assert model.changes is not None
        model.changes.count()
        found = model.program.solve(seconds=clock.seconds(), gap=0.5)
        if found.values is not None:
            cells = model.changes.cells(found.values)
            sure = sure and model.complete and found.bound > len(cells) - 1 + 1e-6
            return turned_over(piece, cells), sure
        sure = sure and found.impossible and model.complete
    return nearest, sure and tried >= len(nearest) - 1


def _unavoidable(piece: Piece) -> tuple[Changed, ...]:
    """The fewest cells so that no single row asks for parts of more shafts than there are spare shafts.

    Each row has to have these changed, or as many, whatever is done in the others. Of a shaft either what
    single cords do not lift is not lifted any more, or all of it is lifted.
    """
    loom, cells = piece.loom, list[Cell]()
    room = loom.spare_shafts if loom.temporaries_per_shaft else 0
    for row in range(1, len(piece.rows) + 1):
        needy = []
        for shaft, units in loom.units_by_shaft.items():
            asked = asked_of(piece, row, shaft)
            if needs_temporary(loom, shaft, asked):
                needy.append(min(asked - loom.single_cords, units - asked, key=len))
        for part in sorted(needy, key=len)[: max(len(needy) - room, 0)]:
            cells += [(row, unit) for unit in part]
    return turned_over(piece, sorted(cells))


def _changed(piece: Piece, changed: Iterable[Changed]) -> Piece:
    return replace(piece, rows=with_changed(piece.rows, [(cell.row, cell.unit) for cell in changed]))
