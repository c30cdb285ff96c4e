"""The least minutes and walks of one piece on looms that differ only in spare shafts and spare handles.

The planner's program for each (`server.plan.model`), with minutes and walks in one objective: a walk costs so
little more that all of them together are less than the smallest difference in minutes. Its linear relaxation
begins from where that of the nearest loom ended, and as a rule is whole, or comes very close to the optimum.
So the optimum is looked for just above it first, with everything fixed that no order so cheap has otherwise;
where there is none, higher. What comes out is the optimum: whatever costs less was among what was searched.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import highspy
import numpy as np

from server.design.piece import Piece
from server.plan.assemble import assemble
from server.plan.model import Model, pulls_elsewhere
from server.plan.no_plan import is_hopeless
from server.plan.parts import Breadth
from server.plan.planner import CLOSE, Lack, cheapest_found, grain_of
from server.plan.replay import verify
from server.plan.schedule import Schedule
from server.plan.solver import Linear, Program, Relaxed
from server.plan.stages import relevant_shafts, stages
from server.plan.task import Task, whole_task
from server.plan.workorder import WorkOrder

Numbers = tuple[int, int]
"""Spare shafts and spare handles."""

Stop = Callable[[], bool] | None

NEAR, ROOM, FARTHER, STRAIGHT_ON = 0.01, 1.25, 4, 0.1
"""How far above the relaxation the optimum is looked for: first that share of it, or so many times what it
was for the loom before; then so many times farther, or as far as the best order known if within such a share.
"""

MOST_STEPS = 1e8
"""Beyond so many steps between nothing and the objective the solver's arithmetic does not tell two apart."""

QUICK_SHARE = 0.5
"""Of the time for a loom; after that the planner does it in its own way."""


@dataclass(frozen=True, slots=True)
class Planned:
    """The best order that was found for a loom.

    Attributes:
        uses: what any loom must have that it is carried out on.
        at_least: no order for this loom takes fewer minutes.
    """

    at: Numbers
    uses: Numbers
    minutes: float
    walks: int
    at_least: float
    schedule: Schedule

    @property
    def is_exact(self) -> bool:
        """Whether no order takes fewer minutes."""
        return self.minutes <= self.at_least + CLOSE


class Looms:
    """Plans a piece for one such loom after another."""

    def __init__(self, piece: Piece) -> None:
        """Begin with nothing known."""
        self._piece = piece
        self._grain = grain_of(piece.minutes)
        self._bases: dict[Numbers, highspy.HighsBasis] = {}
        self._near = NEAR

    def plan(
        self,
        at: Numbers,
        *,
        limit: float,
        stop: Stop = None,
        known: Planned | None = None,
        at_least: float = 0.0,
    ) -> Planned | Lack:
        """The order for a loom that takes the fewest minutes, and of those one with the fewest walks.

        Args:
            limit: seconds.
            stop: asked now and then; true ends the search with the best order so far.
            known: an order that this loom can carry out.
            at_least: no order for it takes fewer minutes, as is known from elsewhere.

        Raises:
            Stopped: if it was stopped before there was any order.
        """
        until = time.monotonic() + limit
        loom = replace(self._piece.loom, spare_shafts=at[0], spare_handles=at[1])
        task = whole_task(replace(self._piece, loom=loom))
        found = self._quickly(task, at, known, time.monotonic() + limit * QUICK_SHARE, stop)
        if found is not None:
            return found
        if known is not None:
            task = replace(task, known=known.schedule)
        left = max(until - time.monotonic(), 0.1)
        answer = cheapest_found(task, limit=left, stop=stop, at_least=at_least)
        if isinstance(answer, Lack):
            return answer
        order = answer.order
        sure = order.totals.minutes if order.proven else max(order.bound, at_least)
        return self._planned(task, at, order, answer.schedule, sure)

    def _planned(
        self, task: Task, at: Numbers, order: WorkOrder, schedule: Schedule, at_least: float
    ) -> Planned:
        verify(task.piece, order)
        uses = (
            max((len(standing.inside) for standing in schedule), default=0),
            max((len(standing.spare) for standing in schedule), default=0),
        )
        return Planned(at, uses, order.totals.minutes, order.totals.walks, at_least, schedule)

    def _quickly(
        self, task: Task, at: Numbers, known: Planned | None, until: float, stop: Stop
    ) -> Planned | None:
        """The optimum; None where it is not found this way, whatever the reason."""
        piece, grain = task.asked, self._grain
        shafts = relevant_shafts(piece)
        cut = stages(piece, shafts)
        if not shafts or not grain or is_hopeless(piece.loom, cut):
            return None
        elsewhere = pulls_elsewhere(piece, shafts) * piece.minutes.pull
        breadths: tuple[Breadth, ...] = ("bounding", "split") if at[1] else ("split",)
        for breadth in breadths:
            model = Model(piece, shafts, cut, breadth=breadth)
            if not model.complete:
                return None
            program, minutes = model.program, np.array(model.program.costs)
            model.count_walks()
            each = grain / (sum(program.costs) + 1)
            program.costs = list(minutes + each * np.array(program.costs))
            relaxed = self._relaxed(program.linear(), at, max(until - time.monotonic(), 0.05))
            if relaxed is None or relaxed.bound > MOST_STEPS * each:
                return None
            most = math.inf if known is None else known.minutes - elsewhere + known.walks * each
            near = self._near * relaxed.bound
            values = _least(program, relaxed, near, each, 1 / grain, most, until, stop)
            if values is None:
                return None
            gap = program.objective(values) / max(relaxed.bound, each) - 1
            self._near = max(NEAR, gap * ROOM)
            schedule = model.schedule(values)
            if not model.is_lawful(schedule):  # with candidates that make none unlawful
                continue
            order = assemble(task, schedule)
            expected = float(np.dot(minutes, values)) + elsewhere
            if abs(order.totals.minutes - expected) > grain / 4 + CLOSE:
                return None
            return self._planned(task, at, order, schedule, order.totals.minutes)
        return None

    def _relaxed(self, linear: Linear, at: Numbers, seconds: float) -> Relaxed | None:
        """The program's relaxation, begun from where that of the nearest loom ended."""
        highs = highspy.Highs()  # type: ignore[no-untyped-call]
        highs.setOptionValue("output_flag", False)
        highs.setOptionValue("time_limit", seconds)
        highs.passModel(linear.model(1 / self._grain))
        rows, columns = len(linear.row_lower), len(linear.costs)
        alike = [other for other, basis in self._bases.items() if len(basis.col_status) == columns]
        if alike:
            nearest = min(alike, key=lambda other: abs(other[0] - at[0]) + abs(other[1] - at[1]))
            highs.setBasis(_for_rows(self._bases[nearest], rows))
        highs.run()
        if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        self._bases[at] = highs.getBasis()
        solution = highs.getSolution()
        return Relaxed(
            np.asarray(solution.col_value),
            float(highs.getInfo().objective_function_value) * self._grain,
            np.asarray(solution.col_dual) * self._grain,
            np.asarray(solution.row_dual) * self._grain,
        )


def _for_rows(basis: highspy.HighsBasis, rows: int) -> highspy.HighsBasis:
    """A basis for a program that has the last rows more or fewer; the solver refuses it if it is none."""
    fitted = highspy.HighsBasis()
    fitted.col_status = basis.col_status
    status = list(basis.row_status)[:rows]
    fitted.row_status = status + [highspy.HighsBasisStatus.kBasic] * (rows - len(status))
    fitted.valid = True
    return fitted


def _least(
    program: Program,
    relaxed: Relaxed,
    near: float,
    each: float,
    scale: float,
    most: float,
    until: float,
    stop: Stop,
) -> np.ndarray | None:
    """Values of the optimum; None where there is none, or not in time.

    Args:
        near: so far above the relaxation it is looked for first.
        each: two objectives differ by that much at least.
        scale: costs are multiplied by it for the solver.
        most: an objective that is known to be reached.
        until: on the monotonic clock.
    """
    if program.are_whole(relaxed.values):
        return relaxed.values
    lower, upper = program.lower, program.upper
    above, best = max(near, each), None
    while time.monotonic() < until and not (stop is not None and stop()):
        within = min(relaxed.bound + above, most)
        program.lower, program.upper = list(lower), list(upper)
        program.keep_within(within, relaxed)
        found = program.solve(
            seconds=until - time.monotonic(), gap=each / 2, scale=scale, start=best, stop=stop
        )
        above *= FARTHER
        if found.values is None:
            if not found.impossible or (program.lower, program.upper) == (lower, upper):
                return None
            continue
        objective = program.objective(found.values)
        if objective <= within + each / 4 and found.bound > objective - each * 0.75:
            return found.values
        if objective < most:
            most, best = objective, list(found.values)
        if most < relaxed.bound * (1 + STRAIGHT_ON):
            above = most - relaxed.bound
    return None
