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
from server.plan.planner import grain_of, plan
from server.plan.replay import Mismatch, replay, verify
from server.plan.schedule import Schedule
from server.plan.stages import relevant_shafts, stages
from server.plan.task import standing_of, whole_task
from server.plan.workorder import WorkOrder
from server.ways.unaided import Changed

if TYPE_CHECKING:  # questions knows this module
    from server.ways.questions import Tell

MOST_CELLS = 12
"""Beyond it one draws anew, and does not change a few cells."""

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
            unit; limit: seconds.
    """
    limit = float(options.get("limit", 60.0))
    _check_size(piece)  # before all its cells are laid out one by one
    fixed = cells_of(piece, options.get("stay", ()))
    return as_json(few_cells(piece, int(options["most"]), fixed, limit=limit, tell=tell))


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
    piece: Piece, most: int, fixed: Iterable[Cell] = (), *, limit: float = 60.0, tell: Tell | None = None
) -> FewCells:
    """The best design within 1, 2, … changed cells, as long as more cells can save anything but pulls.

    Of designs that take the same minutes it is one with the fewest changed cells, and of those one with the
    fewest walks. Only cells on shafts that could need a temporary are changed: see
    `server.plan.changed_cells`.

    Args:
        most: at most so many cells.
        fixed: cells that stay as they are.
        limit: seconds; what is not looked at by then is left out.

    Raises:
        ValueError: with a sentence, for a budget or a fixed cell that makes no sense, or a piece too large.
        NoPlan: if the design as it is cannot be woven.
    """
    stay = _checked(piece, most, fixed)
    _check_size(piece)
    until = time.monotonic() + limit
    order = plan(piece, limit=limit / 4)
    drawn, found = _takes(order), list[Better]()
    if not most or not order.totals.insertions:
        return FewCells(drawn, order.proven, (), (), 0, "none needed" if most else "asked")
    search = _Search(piece, stay, order, None if tell is None else tell.is_enough)
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
            if not outcome.order.totals.insertions:
                ended = "none needed"
                break
    return FewCells(drawn, order.proven, tuple(found), tuple(unsure), cells, ended)


def may_change(piece: Piece) -> int:
    """How many cells there are that the model might change."""
    loom = piece.loom
    return sum(
        len(loom.units_of(shaft)) * sum(not cells.isdisjoint(loom.units_of(shaft)) for cells in piece.rows)
        for shaft in relevant_shafts(piece)
    )


def _check_size(piece: Piece) -> None:
    if may_change(piece) > MOST_LOOKED_AT:
        raise ValueError(TOO_LARGE)


def _checked(piece: Piece, most: int, fixed: Iterable[Cell]) -> frozenset[Cell]:
    if not 0 <= most <= MOST_CELLS:
        raise ValueError(f"How many cells may be changed: a number from 0 to {MOST_CELLS}.")
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


def _schedule(piece: Piece, order: WorkOrder) -> Schedule:
    """What stands in the loom during each row of an order."""
    during = {
        state.row: standing_of(piece.loom, state)[0]
        for state in replay(piece, order.steps)
        if state.phase == "raised"
    }
    return [during[row] for row in sorted(during)]


@dataclass(frozen=True, slots=True)
class _Found:
    """The best order with so many cells changed.

    Attributes:
        order: None: none was found.
        sure: whether there is none better.
    """

    order: WorkOrder | None
    cells: tuple[Cell, ...]
    sure: bool


class _Search:
    """The model of a piece with a budget of cells, made and solved for one number of cells after another."""

    def __init__(
        self, piece: Piece, fixed: frozenset[Cell], order: WorkOrder, stop: Callable[[], bool] | None
    ) -> None:
        """Begin from an order for the design as it is.

        Args:
            stop: asked now and then; true ends the search with what has been found.
        """
        self._piece, self._fixed = piece, fixed
        self._shafts = relevant_shafts(piece)
        self._cut = stages(piece, self._shafts, by_runs=False)
        self._grain = grain_of(piece.minutes)
        self._elsewhere = pulls_elsewhere(piece, self._shafts) * piece.minutes.pull
        self._schedule, self._cells = _schedule(piece, order), tuple[Cell, ...]()
        self._known, self._stop = order.totals.minutes, stop

    def within(self, most: int, seconds: float) -> _Found:
        """The best with at most so many cells changed."""
        until = time.monotonic() + seconds
        model = Model(self._piece, self._shafts, self._cut, budget=Budget(most, self._fixed))
        program, grain = model.program, self._grain
        outcome = model.cheapest(
            seconds=seconds * 0.8, grain=grain, start=self._schedule, cells=self._cells, stop=self._stop
        )
        if outcome.values is None:
            return _Found(None, (), sure=False)
        least = program.objective(outcome.values)
        found = self._order(model, outcome.values)
        sure = model.complete and outcome.bound > least - max(grain * 0.75, CLOSE)
        if sure and least + self._elsewhere < self._known - CLOSE:
            found = self._with_fewest_walks(model, found, least, outcome.values, until)
        assert found.order is not None
        if found.order.totals.minutes < self._known - CLOSE:
            self._schedule, self._cells, self._known = (
                _schedule(self._changed(found.cells), found.order),
                found.cells,
                found.order.totals.minutes,
            )
        return replace(found, sure=sure)

    def _with_fewest_walks(
        self, model: Model, best: _Found, least: float, values: np.ndarray, until: float
    ) -> _Found:
        """Of those that take as few minutes the one with the fewest walks; the model is used up."""
        tidy = model.with_fewest_walks(
            least + max(self._grain / 4, CLOSE / 2),
            seconds=max(until - time.monotonic(), 0.1),
            start=list(values),
            stop=self._stop,
        )
        if tidy.values is None:
            return best
        other = self._order(model, tidy.values, least)
        assert best.order is not None
        assert other.order is not None
        return other if other.order.totals.walks < best.order.totals.walks else best

    def _order(self, model: Model, values: np.ndarray, least: float | None = None) -> _Found:
        """The order of these values, replayed, and as cheap as they say."""
        assert model.changes is not None
        cells = model.changes.cells(values)
        piece = self._changed(cells)
        order = assemble(whole_task(piece), model.schedule(values))
        verify(piece, order)
        minutes = self._elsewhere + (model.program.objective(values) if least is None else least)
        if order.totals.minutes > minutes + max(self._grain / 2, CLOSE):
            raise Mismatch(f"The order takes {order.totals.minutes} minutes, and the model had {minutes}.")
        return _Found(order, cells, sure=False)

    def _changed(self, cells: Iterable[Cell]) -> Piece:
        return replace(self._piece, rows=with_changed(self._piece.rows, cells))
