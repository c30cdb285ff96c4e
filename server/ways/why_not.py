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
from server.plan.model import Model
from server.plan.no_plan import can_be_woven, is_hopeless, needy_shafts, strip_schedule
from server.plan.parts import ALL_PARTS
from server.plan.schedule import BARE
from server.plan.stages import relevant_shafts, stages
from server.plan.task import Task, whole_task
from server.ways.few_cells import MOST_LOOKED_AT, may_change
from server.ways.rest import TaskOf, rest_asked
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
        options: `limit`: seconds (60); `here`: the state from which on it is asked.

    Raises:
        ValueError: with a sentence, as `why_not`, or if that is no limit.
    """
    limit, rest = seconds_in(options, 60.0, MOST_SECONDS), rest_asked(piece, options)
    found = why_not(rest.piece, limit=limit, tell=tell, task_of=rest.task, fixed=rest.fixed)
    return as_json(_further_on(found, rest.woven))


def _further_on(found: WhyNot, rows: int) -> WhyNot:
    """The same so many rows later."""
    return replace(
        found,
        conflict=tuple(Ask(ask.row + rows, ask.shaft) for ask in found.conflict),
        walks=tuple(tuple(row + rows for row in walks) for walks in found.walks),
        cells=tuple(replace(cell, row=cell.row + rows) for cell in found.cells),
    )


def why_not(
    piece: Piece,
    *,
    limit: float = 60.0,
    tell: Tell | None = None,
    task_of: TaskOf = whole_task,
    fixed: Iterable[Cell] = (),
) -> WhyNot:
    """Why a piece has no plan, and what would do.

    Args:
        limit: seconds.
        task_of: what is to be planned of the piece, and of others like it.
        fixed: cells that stay as they are.

    Raises:
        ValueError: with a sentence, if it has one.
    """
    clock = _Clock(limit, tell)
    clock.tell("Whether there is no plan at all.", 0.0)
    woven = can_be_woven(task_of(piece), clock.seconds())
    if woven:
        raise ValueError("There is a plan for this piece; nothing has to be given up for it.")
    clock.tell("What cannot be lifted together.", 0.05)
    conflict, conflict_sure = _conflict(piece, task_of, clock.part(0.3), known=woven is False)
    clock.tell("What more room would do.", 0.3)
    rooms, rooms_sure = _rooms(piece, task_of, clock.part(0.5))
    clock.tell("What else would do.", 0.6)
    loom = piece.loom
    staying = task_of(replace(piece, loom=replace(loom, temporaries_may_stay=True)))
    may_stay = not loom.temporaries_may_stay and bool(can_be_woven(staying, clock.part(0.3).seconds()))
    walks = _walks(piece, task_of, clock.part(0.5))
    clock.tell("Which cells would do.", 0.75)
    cells, cells_sure = _cells(piece, task_of, frozenset(fixed), clock)
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


# --- the rows and shafts in conflict ---------------------------------------------------------------------


def _conflict(piece: Piece, task_of: TaskOf, clock: _Clock, *, known: bool) -> tuple[tuple[Ask, ...], bool]:
    """What cannot all be lifted, as little of it as it takes; and whether each of them is needed for that.

    Whoever asks nothing stands in nobody's way. So what can be left out is left out, many at a time first,
    for as long as the rest cannot be lifted.

    Args:
        known: whether it is known that all of it together cannot be lifted.
    """
    shafts = _relevant(task_of(piece))
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
        woven = can_be_woven(task_of(_asking_only(piece, some)), clock.seconds())
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


def _relevant(task: Task) -> list[int]:
    return relevant_shafts(task.asked, task.begin, task.end)


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


def _rooms(piece: Piece, task_of: TaskOf, clock: _Clock) -> tuple[tuple[Room, ...], bool]:
    """The least room that would do: all pairs of spare shafts and spare handles; and whether that is certain.

    More temporaries of one shaft only where no number of spare shafts and handles does without. With one
    spare handle more as few spare shafts do, or fewer, and more than one for each temporary are of no use: so
    one goes through the handles, and each time asks for the fewest spare shafts.
    """
    loom, shafts = piece.loom, _relevant(task_of(piece))
    sure = True

    def fewest(handles: int, of_one: int) -> int | None:
        nonlocal sure
        ample = replace(loom, spare_shafts=ENOUGH, spare_handles=handles, temporaries_per_shaft=of_one)
        task = task_of(replace(piece, loom=ample))
        cut = stages(task.asked, shafts)
        if (strip := strip_schedule(task, ample, cut)) is not None:
            # each shaft that takes one here takes one at least, whatever else is done
            return max(loom.spare_shafts, *(len(standing.inside) for standing in strip))
        model = Model(task.asked, shafts, cut, task.begin, task.end, ALL_PARTS, task.begin)
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


def _walks(piece: Piece, task_of: TaskOf, clock: _Clock) -> tuple[tuple[int, ...], ...]:
    """Where walks would have to be made: each of these by itself, or else one set of which each is needed."""

    def do(opened: Iterable[int]) -> bool:
        rest = piece.no_walks.difference(opened)
        return bool(can_be_woven(task_of(replace(piece, no_walks=rest)), clock.seconds()))

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


def _cells(
    piece: Piece, task_of: TaskOf, fixed: frozenset[Cell], clock: _Clock
) -> tuple[tuple[Changed, ...], bool]:
    """The fewest cells that would have to be changed, and whether fewer do not do.

    With a budget of so many cells the model has all parts that matter to designs within it: so where it finds
    fewer than that, these are the fewest of all.
    """
    task = task_of(piece)
    shafts = _relevant(task)
    cut = stages(piece, shafts, by_runs=False)

    def do(changed: tuple[Changed, ...]) -> bool:
        return bool(can_be_woven(task_of(_changed(piece, changed)), clock.seconds()))

    unavoidable = _unavoidable(piece)
    if any((cell.row, cell.unit) in fixed for cell in unavoidable):
        return (), True
    hanging = unaided(piece, _by_row(fixed))
    # what hangs in the loom by now must come out for that
    nearest = hanging.changed if not hanging.stuck and (task.begin == BARE or do(hanging.changed)) else None
    if unavoidable and do(unavoidable):
        return unavoidable, True
    worth_it = MOST_CELLS if nearest is None else min(len(nearest) - 1, MOST_CELLS)
    if may_change(task) > MOST_LOOKED_AT or len(unavoidable) > worth_it:
        return nearest or (), nearest is not None and len(unavoidable) >= len(nearest)
    tried, sure = max(len(unavoidable) - 1, 0), True
    while tried < worth_it:
        if clock.is_up():
            return nearest or (), False
        tried = min(max(2 * tried, 1), worth_it)
        model = Model(
            task.asked,
            shafts,
            cut,
            task.begin,
            task.end,
            at_the_start=task.begin,
            budget=Budget(tried, fixed),
        )
        assert model.changes is not None
        model.changes.count()
        found = model.program.solve(seconds=clock.seconds(), gap=0.5)
        if found.values is not None:
            cells = model.changes.cells(found.values)
            sure = sure and model.complete and found.bound > len(cells) - 1 + 1e-6
            return turned_over(piece, cells), sure
        sure = sure and found.impossible and model.complete
    return nearest or (), nearest is not None and sure and tried >= len(nearest) - 1


def _by_row(cells: Iterable[Cell]) -> dict[int, frozenset[int]]:
    units: dict[int, frozenset[int]] = {}
    for row, unit in cells:
        units[row] = units.get(row, frozenset()) | {unit}
    return units


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
