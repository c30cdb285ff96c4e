"""What a few cells are worth: the design within so many changed cells that takes the fewest minutes.

For each number of cells the optimum, from the planner's own model with a budget of cells
(`server.plan.changed_cells`), and each order replayed on the loom's rules.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import TypeAdapter

from server.design.piece import Piece
from server.plan.assemble import assemble
from server.plan.changed_cells import Budget, Cell, with_changed
from server.plan.model import Model, pulls_elsewhere
from server.plan.no_plan import NoPlan
from server.plan.planner import Found, Lack, cheapest_found, grain_of
from server.plan.replay import Mismatch
from server.plan.schedule import BARE
from server.plan.stages import relevant_shafts, stages
from server.plan.task import Task, verify_for, whole_task
from server.plan.workorder import WorkOrder
from server.ways.rest import TaskOf, rest_asked
from server.ways.seconds import seconds_in
from server.ways.unaided import Changed

if TYPE_CHECKING:  # questions knows this module
    from server.ways.questions import Tell

MOST_CELLS = 12
"""Beyond it one draws anew, and does not change a few cells."""

HOW_MANY = f"How many cells may be changed: a number from 0 to {MOST_CELLS}."

MOST_SECONDS = 600.0

MOST_LOOKED_AT = 6_000
"""Cells that might be changed; with more, the model is too large to be solved."""

TOO_LARGE = (
    "So much of this design asks for temporaries that the best few cells cannot be worked out. "
    "A few cells would not help it much."
)

CLOSE = 1e-6
"""Minutes: what differs by no more is the same."""


@dataclass(frozen=True, slots=True)
class Takes:
    """What weaving a design takes, besides the weaving itself."""

    minutes: float
    walks: int
    insertions: int


@dataclass(frozen=True, slots=True)
class Better:
    """The best design with so many cells changed.

    Attributes:
        cells: row by row, from the left.
        sure: whether no design with as many changed cells takes fewer minutes.
    """

    cells: tuple[Changed, ...]
    takes: Takes
    sure: bool


@dataclass(frozen=True, slots=True)
class FewCells:
    """What a few cells are worth.

    Attributes:
        drawn: the design as it is.
        sure: whether no plan of the design as it is takes fewer minutes.
        better: per number of cells that saves something over fewer cells, ascending.
        unsure: numbers of cells with which there may be better designs: the time was up.
        most: so many cells have been looked at.
        ended: why not more: as many as asked for, no temporary needed any more, or the time was up.
    """

    drawn: Takes
    sure: bool
    better: tuple[Better, ...]
    unsure: tuple[int, ...]
    most: int
    ended: Literal["asked", "none needed", "time"]


_AS_JSON = TypeAdapter(FewCells)


def as_json(found: FewCells) -> dict[str, Any]:
    """For keeping."""
    content: dict[str, Any] = _AS_JSON.dump_python(found, mode="json")
    return content


def from_json(content: dict[str, Any]) -> FewCells:
    """What was kept. ValueError if it is something else."""
    return _AS_JSON.validate_python(content)


def answer_cells(piece: Piece, options: dict[str, Any], tell: Tell) -> dict[str, Any]:
    """The answer to the question "cells".

    Args:
        options: most: at most so many cells; stay: blocks that stay, each first and last row, first and last
            unit; limit: seconds; here: the state from which on it is asked.

    Raises:
        ValueError: with a sentence, as `few_cells`, or if these are no options.
        NoPlan: as `few_cells`.
    """
    limit, most = seconds_in(options, 60.0, MOST_SECONDS), options.get("most")
    if not isinstance(most, int) or isinstance(most, bool):
        raise ValueError(HOW_MANY)
    rest, stay = rest_asked(piece, options), options.get("stay", ())
    _check_size(rest.task(rest.piece))  # before all its cells are laid out one by one
    blocks = [(first - rest.woven, last - rest.woven, *units) for first, last, *units in stay]
    fixed = rest.fixed | cells_of(rest.piece, blocks)
    found = few_cells(rest.piece, most, fixed, limit=limit, tell=tell, task_of=rest.task)
    return as_json(_further_on(found, rest.woven))


def _further_on(found: FewCells, rows: int) -> FewCells:
    """The same with its cells so many rows later."""
    return replace(
        found,
        better=tuple(
            replace(one, cells=tuple(replace(cell, row=cell.row + rows) for cell in one.cells))
            for one in found.better
        ),
    )


def cells_of(piece: Piece, blocks: Iterable[Sequence[int]]) -> set[Cell]:
    """The cells of these blocks; of rows that lift something, as others never change."""
    lifting = [row for row, units in enumerate(piece.rows, 1) if units]
    return {
        (row, unit)
        for first_row, last_row, first_unit, last_unit in blocks
        for row in lifting
        if first_row <= row <= last_row
        for unit in range(first_unit, last_unit + 1)
    }


def few_cells(
    piece: Piece,
    most: int,
    fixed: Iterable[Cell] = (),
    *,
    limit: float = 60.0,
    tell: Tell | None = None,
    task_of: TaskOf = whole_task,
) -> FewCells:
    """The best design within 1, 2, … changed cells, as long as more cells can save anything but pulls.

    Of designs that take the same minutes it is one with the fewest changed cells, and of those one with the
    fewest walks. Only cells on shafts that could need a temporary are changed: see
    `server.plan.changed_cells`.

    Args:
        most: at most so many cells.
        fixed: cells that stay as they are.
        limit: seconds; what is not looked at by then is left out.
        task_of: what is to be planned of the piece as it is, or with cells changed.

    Raises:
        ValueError: with a sentence, for a budget or a fixed cell that makes no sense, or a piece too large.
        NoPlan: if the design as it is cannot be woven.
    """
    stay, task = _checked(piece, most, fixed), task_of(piece)
    _check_size(task)
    until = time.monotonic() + limit
    drawn_as = cheapest_found(task, limit=limit / 4)
    if isinstance(drawn_as, Lack):
        raise NoPlan(*drawn_as.explained())
    order = drawn_as.order
    verify_for(task, order)
    drawn, found = _takes(order), list[Better]()
    if not most or _needs_none(task, order):
        return FewCells(drawn, order.proven, (), (), 0, "none needed" if most else "asked")
    search = _Search(task_of, piece, stay, drawn_as, None if tell is None else tell.is_enough)
    ended: Literal["asked", "none needed", "time"] = "asked"
    best, cells, unsure = order.totals.minutes, 0, list[int]()
    for cells in range(1, most + 1):
        if tell is not None:
            tell(f"With {cells} cell{'s' * (cells > 1)} changed.", (cells - 1) / most)
            if tell.is_enough():
                until = 0.0
        if time.monotonic() >= until:
            cells, ended = cells - 1, "time"
            break
        outcome = search.within(cells, (until - time.monotonic()) / (most + 1 - cells))
        if not outcome.sure:
            unsure.append(cells)
        if outcome.order is not None and outcome.order.totals.minutes < best - CLOSE:
            best = outcome.order.totals.minutes
            found.append(Better(_turned(piece, outcome.cells), _takes(outcome.order), outcome.sure))
            if _needs_none(task, outcome.order):
                ended = "none needed"
                break
    return FewCells(drawn, order.proven, tuple(found), tuple(unsure), cells, ended)


def may_change(task: Task) -> int:
    """How many cells there are that the model might change."""
    loom, rows = task.asked.loom, task.asked.rows
    return sum(
        len(loom.units_of(shaft)) * sum(not cells.isdisjoint(loom.units_of(shaft)) for cells in rows)
        for shaft in relevant_shafts(task.asked, task.begin, task.end)
    )


def _check_size(task: Task) -> None:
    if may_change(task) > MOST_LOOKED_AT:
        raise ValueError(TOO_LARGE)


def _needs_none(task: Task, order: WorkOrder) -> bool:
    """Whether nothing can be saved any more but pulls: no temporary goes in, and none is there."""
    return not order.totals.insertions and task.begin == BARE


def _checked(piece: Piece, most: int, fixed: Iterable[Cell]) -> frozenset[Cell]:
    if not 0 <= most <= MOST_CELLS:
        raise ValueError(HOW_MANY)
    stay = frozenset(fixed)
    units = len(piece.loom.leashes)
    if any(not 1 <= row <= len(piece.rows) or not 1 <= unit <= units for row, unit in stay):
        raise ValueError(
            f"What stays as it is must lie in the design: rows 1 to {len(piece.rows)}, units 1 to {units}."
        )
    return stay


def _takes(order: WorkOrder) -> Takes:
    totals = order.totals
    return Takes(totals.minutes, totals.walks, totals.insertions)


def _turned(piece: Piece, cells: Iterable[Cell]) -> tuple[Changed, ...]:
    return tuple(Changed(row, unit, unit not in piece.rows[row - 1]) for row, unit in cells)


@dataclass(frozen=True, slots=True)
class _Best:
    """The best order with so many cells changed.

    Attributes:
        found: None: none was found.
        sure: whether there is none better.
    """

    found: Found | None
    cells: tuple[Cell, ...]
    sure: bool

    @property
    def order(self) -> WorkOrder | None:
        """What is to be done for it."""
        return None if self.found is None else self.found.order


class _Search:
    """The model of a piece with a budget of cells, made and solved for one number of cells after another."""

    def __init__(
        self,
        task_of: TaskOf,
        piece: Piece,
        fixed: frozenset[Cell],
        drawn: Found,
        stop: Callable[[], bool] | None,
    ) -> None:
        """Begin from an order for the design as it is.

        Args:
            stop: asked now and then; true ends the search with what has been found.
        """
        self._task_of, self._piece, self._fixed = task_of, piece, fixed
        self._task = task = task_of(piece)
        self._asked = task.asked
        self._shafts = relevant_shafts(piece, task.begin, task.end)
        self._cut = stages(piece, self._shafts, by_runs=False)
        self._grain = grain_of(piece.minutes)
        self._constant = pulls_elsewhere(piece, self._shafts) * piece.minutes.pull + task.sunk
        self._known, self._cells, self._stop = drawn, tuple[Cell, ...](), stop

    def within(self, most: int, seconds: float) -> _Best:
        """The best with at most so many cells changed."""
        until, task = time.monotonic() + seconds, self._task
        model = Model(
            self._asked,
            self._shafts,
            self._cut,
            task.begin,
            task.end,
            at_the_start=task.begin,
            budget=Budget(most, self._fixed),
        )
        program, grain = model.program, self._grain
        outcome = model.cheapest(
            seconds=seconds * 0.8, grain=grain, start=self._known.schedule, cells=self._cells, stop=self._stop
        )
        if outcome.values is None:
            return _Best(None, (), sure=False)
        least = program.objective(outcome.values)
        best = self._order(model, outcome.values)
        sure = model.complete and outcome.bound > least - max(grain * 0.75, CLOSE)
        if sure and least + self._constant < self._known.order.totals.minutes - CLOSE:
            best = self._with_fewest_walks(model, best, least, outcome.values, until)
        assert best.found is not None
        if best.found.order.totals.minutes < self._known.order.totals.minutes - CLOSE:
            self._known, self._cells = best.found, best.cells
        return replace(best, sure=sure)

    def _with_fewest_walks(
        self, model: Model, best: _Best, least: float, values: np.ndarray, until: float
    ) -> _Best:
        """Of those that take as few minutes the one with the fewest walks; the model is used up."""
        tidy = model.with_fewest_walks(
            least + max(self._grain / 4, CLOSE / 2),
            seconds=max(until - time.monotonic(), 0.1),
            start=list(values),
            under_way=self._task.under_way,
            stop=self._stop,
        )
        if tidy.values is None:
            return best
        other = self._order(model, tidy.values, least)
        assert best.order is not None
        assert other.order is not None
        return other if other.order.totals.walks < best.order.totals.walks else best

    def _order(self, model: Model, values: np.ndarray, least: float | None = None) -> _Best:
        """The order of these values, replayed, and as cheap as they say."""
        assert model.changes is not None
        cells, schedule = model.changes.cells(values), model.schedule(values)
        task = self._task_of(replace(self._piece, rows=with_changed(self._piece.rows, cells)))
        order = assemble(task, schedule)
        verify_for(task, order)
        minutes = self._constant + (model.program.objective(values) if least is None else least)
        if order.totals.minutes > minutes + max(self._grain / 2, CLOSE):
            raise Mismatch(f"The order takes {order.totals.minutes} minutes, and the model had {minutes}.")
        return _Best(Found(order, schedule), cells, sure=False)
