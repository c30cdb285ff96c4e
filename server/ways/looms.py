"""The least minutes and walks of one piece on looms that differ only in spare shafts and spare handles.

The planner's program for each (`server.plan.model`), with minutes and walks in one objective: a walk costs so
little more that all of them together are less than the smallest difference in minutes. Its linear relaxation
begins from where that of the nearest richer loom ended, and is whole as a rule, or a few walks are in parts.
Then a walk that is in parts (where there is none, anything else that is) is made, or left out, and so on,
each time from where the one before ended. Where that does not come to its end soon, the solver is asked, and
the optimum is looked for just above the relaxation first, with everything fixed that no order so cheap has
otherwise; where there is none, higher. Both ways what comes out is the optimum: whatever costs less was among
what was searched.
"""

from __future__ import annotations

import heapq
import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from server.design.piece import Piece
from server.plan.again import Again, Solved
from server.plan.assemble import assemble
from server.plan.model import Model, pulls_elsewhere
from server.plan.no_plan import is_hopeless
from server.plan.parts import Breadth
from server.plan.planner import CLOSE, Lack, cheapest_found, grain_of
from server.plan.schedule import Schedule
from server.plan.solver import CLOSE_TO_WHOLE, Basis, Linear, Program, Relaxed
from server.plan.stages import relevant_shafts, stages
from server.plan.task import Task, verify_for, whole_task
from server.plan.workorder import WorkOrder
from server.ways.rest import TaskOf
from server.ways.seconds import up_after

Numbers = tuple[int, int]
"""Spare shafts and spare handles."""

Stop = Callable[[], bool] | None

NEAR, ROOM, FARTHER, STRAIGHT_ON = 0.01, 1.25, 4, 0.1
"""How far above the relaxation the optimum is looked for: first that share of it, or so many times what it
was for the loom before; then so many times farther, or as far as the best order known if within such a share.
"""

MOST_STEPS = 1e8
"""Beyond so many steps between nothing and the objective the solver's arithmetic does not tell two apart."""

MOST_HELD = 40
"""Relaxations with walks held that are solved for a loom; where they are more, the solver finds it sooner."""

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

    def __init__(self, piece: Piece, stop: Stop = None, task_of: TaskOf = whole_task) -> None:
        """Begin with nothing known.

        Args:
            task_of: what is to be planned of the piece on a loom.
            stop: asked now and then; true ends the search for a loom with the best order so far.
        """
        self._piece, self._stop, self._task_of = piece, stop, task_of
        self._grain = grain_of(piece.minutes)
        self._relaxations: dict[tuple[bool, Breadth], _Relaxations] = {}
        self._near = NEAR

    def plan(
        self, at: Numbers, *, limit: float, known: Planned | None = None, at_least: float = 0.0
    ) -> Planned | Lack:
        """The order for a loom that takes the fewest minutes, and of those one with the fewest walks.

        Args:
            limit: seconds.
            known: an order that this loom can carry out.
            at_least: no order for it takes fewer minutes, as is known from elsewhere.

        Raises:
            Stopped: if it was stopped, or the time was up, before there was any order.
        """
        until = time.monotonic() + limit
        loom = replace(self._piece.loom, spare_shafts=at[0], spare_handles=at[1])
        task = self._task_of(replace(self._piece, loom=loom))
        found = self._quickly(task, at, known, time.monotonic() + limit * QUICK_SHARE)
        if found is not None:
            return found
        if known is not None:
            task = replace(task, known=known.schedule)
        left = max(until - time.monotonic(), 0.1)
        is_up = up_after(left)
        answer = cheapest_found(
            task,
            limit=left,
            stop=lambda: is_up() or (self._stop is not None and self._stop()),
            at_least=at_least,
        )
        if isinstance(answer, Lack):
            return answer
        order = answer.order
        sure = order.totals.minutes if order.proven else max(order.bound, at_least)
        return self._planned(task, at, order, answer.schedule, sure)

    def _planned(
        self, task: Task, at: Numbers, order: WorkOrder, schedule: Schedule, at_least: float
    ) -> Planned:
        verify_for(task, order)
        stands = [task.begin, *schedule]
        uses = (
            max(len(standing.inside) for standing in stands),
            max(len(standing.spare) for standing in stands),
        )
        return Planned(at, uses, order.totals.minutes, order.totals.walks, at_least, schedule)

    def _quickly(self, task: Task, at: Numbers, known: Planned | None, until: float) -> Planned | None:
        """The optimum; None where it is not found this way, whatever the reason."""
        piece, grain = task.asked, self._grain
        shafts = relevant_shafts(piece, task.begin, task.end)
        cut = stages(piece, shafts)
        if not shafts or not grain or is_hopeless(piece.loom, cut):
            return None
        constant = pulls_elsewhere(piece, shafts) * piece.minutes.pull + task.sunk
        breadths: tuple[Breadth, ...] = ("bounding", "split") if at[1] else ("split",)
        for breadth in breadths:
            model = Model(piece, shafts, cut, task.begin, task.end, at_the_start=task.begin, breadth=breadth)
            if not model.complete:
                return None
            program, minutes = model.program, np.array(model.program.costs)
            model.count_walks(under_way=task.under_way)
            walks = np.array(program.costs) > 0
            each = grain / (walks.sum() + 1)
            program.costs = list(minutes + each * walks)
            kind = at[1] > 0, breadth
            relaxations = self._relaxations.setdefault(kind, _Relaxations(1 / grain, self._stop))
            relaxed = relaxations.relax(program.linear(), at, until)
            if relaxed is None or relaxed.bound > MOST_STEPS * each:
                return None
            most = math.inf if known is None else known.minutes - constant + known.walks * each
            values = relaxed.values
            if not program.are_whole(values):
                tree = _Tree(relaxations.again, program, walks, each, most)
                tree.grow(relaxed, until, self._stop)
                if tree.is_settled and tree.best is None and known is not None:
                    return replace(known, at=at, at_least=known.minutes)
                found = tree.best if tree.is_settled else self._at_once(program, relaxed, tree, until)
                if found is None:
                    return None
                values = found
            schedule = model.schedule(values)
            if not model.is_lawful(schedule):  # with candidates that make none unlawful
                continue
            order = assemble(task, schedule)
            expected = float(np.dot(minutes, values)) + constant
            if abs(order.totals.minutes - expected) > grain / 4 + CLOSE:
                return None
            return self._planned(task, at, order, schedule, order.totals.minutes)
        return None

    def _at_once(self, program: Program, relaxed: Relaxed, tree: _Tree, until: float) -> np.ndarray | None:
        """`_least`, begun as far above the relaxation as the optimum was for the loom before."""
        near, scale = self._near * relaxed.bound, 1 / self._grain
        values = _least(program, relaxed, near, tree.each, scale, tree.most, until, self._stop)
        if values is not None:
            gap = program.objective(values) / max(relaxed.bound, tree.each) - 1
            self._near = max(NEAR, gap * ROOM)
        return values


class _Relaxations:
    """The relaxations of one program within the limits of one loom after another."""

    def __init__(self, scale: float, stop: Stop) -> None:
        self._scale, self._stop = scale, stop
        self._again: Again | None = None
        self._bases: dict[Numbers, Basis] = {}

    @property
    def again(self) -> Again:
        """The relaxation that was solved last."""
        assert self._again is not None
        return self._again

    def relax(self, linear: Linear, at: Numbers, until: float) -> Relaxed | None:
        """Solve that for a loom, from where that for the nearest richer one ended; None: not in time."""
        if self._again is None:
            self._again = Again(linear, self._scale, self._stop)
        else:
            self._again.become(linear)
        richer = [other for other in self._bases if other[0] >= at[0] and other[1] >= at[1]]
        begin = self._bases[min(richer, key=sum)] if richer else None
        relaxed = self._again.relax(max(until - time.monotonic(), 0.05), begin)
        if relaxed is not None:
            self._bases[at] = relaxed.basis
        return relaxed


class _Tree:
    """The program with some variables held at a whole number, first none; walks, as long as any is in parts.

    Attributes:
        each: two objectives differ by that much at least.
        best: values of the best solution that was found.
        most: its objective, or one that is known to be reached.
        is_settled: whether no solution has an objective below `most`.
    """

    def __init__(self, again: Again, program: Program, walks: np.ndarray, each: float, most: float) -> None:
        self._again, self._walks, self.each = again, walks, each
        self._whole = np.array(program.whole)
        self._lower, self._upper = program.lower, program.upper
        self._held: dict[int, float] = {}
        self._open: list[tuple[float, int, int, dict[int, float]]] = []
        self._solved = 0
        self.best: np.ndarray | None = None
        self.most, self.is_settled = most, False

    def grow(self, first: Relaxed, until: float, stop: Stop) -> None:
        """Hold one variable after another, where the relaxation is lowest first.

        Args:
            first: with none held.
            until: on the monotonic clock.
        """
        self._take((first.values, first.bound), {})
        while self._open and self._open[0][0] <= self._enough:
            if self._solved > MOST_HELD or (stop is not None and stop()):
                break
            _, _, variable, held = heapq.heappop(self._open)
            for value in (held[variable], 1.0 - held[variable]):
                self._hold(now := held | {variable: value})
                solved = self._again.solve(until - time.monotonic(), self._enough)
                if solved is not None:
                    self._take(solved, now)
                elif not self._again.is_impossible:
                    self._hold({})
                    return
        else:
            self.is_settled = True
        self._hold({})

    @property
    def _enough(self) -> float:
        """Nothing better costs more than that."""
        return self.most - self.each * 0.75

    def _take(self, solved: Solved, held: dict[int, float]) -> None:
        """The solution, if it is whole; else what is to be held next, at the nearer whole number first."""
        self._solved += 1
        values, objective = solved
        off = self._off(values)
        if not off.any():
            self.best, self.most = values, objective
            return
        if off[self._walks].any():
            off[~self._walks] = 0.0
        variable = int(np.argmax(off))
        value = float(np.floor(values[variable] + 0.5))
        heapq.heappush(self._open, (objective, -self._solved, variable, held | {variable: value}))

    def _off(self, values: np.ndarray) -> np.ndarray:
        """How far each is from the whole number it must be."""
        off = np.where(self._whole, np.abs(values - np.round(values)), 0.0)
        off[off < CLOSE_TO_WHOLE] = 0.0
        return off

    def _hold(self, held: dict[int, float]) -> None:
        for variable in self._held.keys() - held.keys():
            self._again.hold(variable, self._lower[variable], self._upper[variable])
        for variable, value in held.items():
            if self._held.get(variable) != value:
                self._again.hold(variable, value, value)
        self._held = held


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
