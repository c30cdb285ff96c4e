"""The least-cost plan as a mixed-integer program.

For every stage and every shaft that matters: which temporaries are in the loom, which of them (or the
shaft itself) its own handle carries, which hang on a spare handle, and how each row is lifted. Between two
stages: whether there is a walk, and what is done on it. DEVELOPERS.md, "The model and why it is right".
"""

from __future__ import annotations

import math
import time
from bisect import bisect_left
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from server.design.piece import Piece
from server.plan.blocks import Blocks
from server.plan.changed_cells import Budget, Cell, ChangedCells, parts_within, rows_that_ask, spans
from server.plan.demands import Part, asked_of
from server.plan.needed_within import needed_within
from server.plan.parts import MOST_PARTS, Breadth, alike, candidates_of, several_bars_at_once
from server.plan.schedule import BARE, Borrowed, Schedule, Standing, best_lift
from server.plan.solver import ENDLESS, Basis, Outcome, Program, Relaxed, Term
from server.plan.stages import Stage
from server.plan.walks_needed import walks_needed

_NOTHING: Part = frozenset()


NEAR = (0.0, 0.002, 0.02)
"""Shares by which the optimum is looked for above the relaxation's first."""


TOLD_APART = 1e-5
"""Of the objective, as the solver is given it: the least difference that it is meant to see."""


LARGE = 4_000
"""Variables; with more, and cells that may be changed, the relaxation is begun block by block."""


@dataclass(slots=True)
class _Shaft:
    """The variables of one shaft in one stage; a part that is missing is out of the loom (or off the handle).

    Attributes:
        whole: its own handle carries the shaft itself.
        inside, home, spare: per part, the temporary is in the loom, on the shaft's handle, on a spare one.
    """

    whole: int | None
    inside: dict[Part, int] = field(default_factory=dict)
    home: dict[Part, int] = field(default_factory=dict)
    spare: dict[Part, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Lift:
    """A variable of how a row is lifted: "this is lifted" or, for `together`, "just this is lifted".

    Attributes:
        row: the only one it is of, where cells may be changed; 0: all that ask this.
    """

    variable: int
    stage: int
    shaft: int
    asked: Part
    whole: bool
    parts: frozenset[Part]
    cords: Part
    together: bool
    row: int = 0


class Model:
    """The program for a piece, and the way between its values and schedules.

    Minutes here leave out the pulls elsewhere, which no plan changes: see `pulls_elsewhere`.

    Attributes:
        complete: whether its optimum is the optimum over all parts of shafts.
        suffices: whether there is no plan at all where it has no solution.
        relaxed: its relaxation's optimum, once it is known; close to it where that breaks ties, too.
        is_tidy: whether that is a plan, with the fewest walks, then visits, of all that cost as little.
        needed: stretches of gaps, first and last, in each of which a walk is needed, as far as is known.
    """

    def __init__(
        self,
        piece: Piece,
        shafts: Sequence[int],
        cut: Sequence[Stage],
        begin: Standing = BARE,
        end: Standing | None = BARE,
        most_parts: int = MOST_PARTS,
        at_the_start: Standing = BARE,
        budget: Budget | None = None,
        breadth: Breadth = "split",
    ) -> None:
        """Build the program.

        Args:
            shafts: the relevant ones.
            cut: the stages, or some of them that follow each other.
            begin: what stands in the loom before the first of these stages.
            end: what shall stand there after the last; None: that is free.
            most_parts: how many candidates to choose from on one shaft.
            at_the_start: what stands when the whole plan begins; with spare handles its parts divide the
                candidates.
            budget: cells of the design that may be changed; the stages must then not be cut by runs.
            breadth: which parts are candidates where there are spare handles. If they are `bounding`, what
                the program finds may be no schedule at all: see `is_lawful`.
        """
        self.piece, self.shafts, self.stages = piece, list(shafts), list(cut)
        self._begin, self._end = begin, end
        self.program = Program()
        self.relaxed: Relaxed | None = None
        self.is_tidy = False
        self._one = self.program.variable()
        self.program.fix(self._one, 1.0)
        self.changes = ChangedCells(self.program, budget) if budget is not None else None
        standing = begin.inside | (end.inside if end is not None else frozenset())
        self.parts = {
            shaft: found.with_those(part for parent, part in standing if parent == shaft)
            for shaft, found in (
                candidates_of(piece.loom, shafts, cut, most_parts, at_the_start.inside, breadth)
                if budget is None
                else parts_within(piece, shafts, budget)
            ).items()
        }
        self.complete = all(found.complete for found in self.parts.values())
        self.suffices = all(found.suffice for found in self.parts.values())
        hanging = begin.spare | frozenset(begin.home.items())
        self._idle, self._touched = begin.inside - hanging, {shaft for shaft, _ in standing}
        self._touched |= begin.home.keys()
        gaps = range(len(cut) + (end is not None))
        self._walks = [self._walk(gap) for gap in gaps]
        self._at: list[dict[int, _Shaft]] = [{} for _ in cut]
        self._lifts: list[_Lift] = []
        self._rises: list[tuple[int, int | None, int]] = []
        self._events: dict[tuple[int, int], list[list[Term]]] = defaultdict(list)
        self._put_in: dict[tuple[int, int], list[Term]] = defaultdict(list)
        self._moved: dict[tuple[int, int], list[Term]] = {}
        self._spare_changes: list[tuple[list[Term], list[Term]]] = [([], []) for _ in gaps]
        self._spare_moves: list[tuple[int, list[int], list[Term]]] = []
        for shaft in self.shafts:
            self._stand(shaft)
        for stage in range(len(cut)):
            self.program.here = stage
            for shaft in self.shafts:
                self._lift(stage, shaft)
        if self.changes is not None:
            self.changes.close()
        self._room = [self._limit(stage) for stage in range(len(cut))]
        for gap in gaps:
            self.program.here = gap
            for shaft in self.shafts:
                self._change(gap, shaft)
            self._move_spare_cords(gap)
        self.needed = self._walks_needed(at_the_start) if piece.loom.spare_handles else []
        for first, last in self.needed:
            changes = self._changes_in(max(first - 1, 0), min(last, len(cut) - 1))
            self.program.row([(v, 1.0) for v in (*self._walks[first : last + 1], *changes)], lower=1.0)
        if budget is not None:
            self._need_within(budget)
        if end is None:  # what stays in was not drawn out
            for here in self._at[-1].values():
                for inside in here.inside.values():
                    self.program.costs[inside] -= piece.minutes.withdraw

    # -- what is solved ---------------------------------------------------------------------------

    def cheapest(
        self,
        *,
        seconds: float,
        grain: float,
        start: Schedule | None = None,
        watch: Callable[[float, float], None] | None = None,
        first: bool = False,
        stop: Callable[[], bool] | None = None,
        cells: Iterable[Cell] = (),
        breaks_ties: bool = False,
        under_way: bool = False,
    ) -> Outcome:
        """Solve for the least minutes.

        Args:
            seconds: time limit.
            grain: minutes by which two orders of different cost differ at least; 0: not known.
            start: a known schedule to begin from.
            watch: called now and then with the minutes of the best order so far and the bound.
            first: stop at the first order found, whatever it costs.
            stop: asked now and then; true ends the search with what has been found.
            cells: those that are changed in the known schedule.
            breaks_ties: whether to relax it with ties broken; then it is often whole, and `is_tidy`.
            under_way: as for `tidiest`.
        """
        scale = 1 / grain if grain else 1.0
        gap = ENDLESS if first else grain / 2 if grain else 2e-7
        until = time.monotonic() + seconds
        known = None if start is None else self.values_of(start, cells)

        def solve(within: float = math.inf) -> Outcome:
            """Args: within: where only what costs no more is looked for, no bound above it means anything."""

            def look(minutes: float, bound: float) -> None:
                assert watch is not None
                watch(minutes, min(bound, within))

            return self.program.solve(
                seconds=until - time.monotonic(),
                gap=gap,
                scale=scale,
                start=known,
                watch=None if watch is None else look,
                stop=stop,
            )

        if first:
            return solve()
        # as a rule the optimum is whole by itself or close to it, and found much sooner where that is used
        if self.relaxed is None:
            if breaks_ties and grain:
                self.relaxed = self._relax_with_ties_broken(until, grain, stop, under_way)
            else:
                self.relaxed = self._relax(until, scale, stop)
        relaxed = self.relaxed
        if relaxed is None:
            return solve()
        if self.program.are_whole(relaxed.values):
            return Outcome(relaxed.values, relaxed.bound, impossible=False)
        if known is not None and self.program.objective(known) <= relaxed.bound + gap:
            return Outcome(np.array(known), relaxed.bound, impossible=False)
        at_least, looked = relaxed.bound, -math.inf
        # with cells to be changed the optimum is close to the relaxation's, or nowhere near
        for near in (*(NEAR if self.changes is None else NEAR[:1]), math.inf):
            within = math.inf if near == math.inf else max(near * abs(relaxed.bound), 10 * grain)
            within = min(within + relaxed.bound, math.inf if known is None else self.program.objective(known))
            if within in (looked, math.inf):
                continue
            looked = within
            with self.program.kept_within(within, relaxed):
                found = solve(within)
            if found.values is not None:
                known = list(found.values)
                if self.program.objective(known) <= within + gap or not found.is_settled:
                    return Outcome(found.values, max(min(found.bound, within), at_least), impossible=False)
            elif not found.impossible:
                return Outcome(None, at_least, impossible=False)
            at_least = within  # what is left out costs more than that, and so does what is left
        found = solve()
        return replace(found, bound=max(found.bound, at_least))

    def _relax(self, until: float, scale: float, stop: Callable[[], bool] | None) -> Relaxed | None:
        """The relaxation's optimum; None where there is none, or not in time."""
        begin = None
        if self.changes is not None and self.piece.loom.spare_handles and len(self.program.costs) > LARGE:
            begin = self._near_the_relaxed(self.changes, until, stop)
        return self.program.linear().relax(
            seconds=until - time.monotonic(), scale=scale, stop=stop, begin=begin
        )

    def _relax_with_ties_broken(
        self, until: float, grain: float, stop: Callable[[], bool] | None, under_way: bool
    ) -> Relaxed | None:
        """A solution with parts that costs little more than the relaxation's optimum; None: as for `_relax`.

        A walk costs a little more, and a visit to a shaft so little that all visits are less than one walk's
        more. All together that is less than half of what two plans differ by in minutes. So if what comes
        out is whole, no plan costs less, and none that costs as little has fewer walks, or as many and fewer
        visits. In any case no plan costs less than the objective without that half. What is said of visits
        is left out of what comes back, so its basis is none to begin from. Where minutes are very many and
        differ by very little, the solver may not see a visit any more; then the visits may not be the fewest.
        """
        program = self.program.copy()
        visits, walks = self._count_visits(program), self._walks[under_way:]
        each = grain / 2 / (len(walks) + 1)
        for walk in walks:
            program.costs[walk] += each
        for visit in visits:
            program.costs[visit] = each / (len(visits) + 1)
        relaxed = program.linear().relax(
            seconds=until - time.monotonic(),
            scale=max(1 / grain, TOLD_APART * (len(visits) + 1) / each),
            stop=stop,
        )
        if relaxed is None:
            return None
        self.is_tidy = program.are_whole(relaxed.values)
        columns, rows = len(self.program.costs), self.program.rows
        return Relaxed(
            relaxed.values[:columns],
            relaxed.bound - grain / 2,
            relaxed.reduced_costs[:columns],
            relaxed.row_prices[:rows],
            Basis(relaxed.basis.variables[:columns], relaxed.basis.rows[:rows]),
        )

    def _near_the_relaxed(
        self, changes: ChangedCells, until: float, stop: Callable[[], bool] | None
    ) -> Basis | None:
        """Where to begin with a large relaxation: its optimum block by block, at a price for each cell.

        The budget holds all stages together. With what a temporary costs as the price of a cell, blocks of
        stages ask for few cells by themselves.
        """
        minutes, costs = self.piece.minutes, list(self.program.costs)
        changes.charge(minutes.insert + minutes.withdraw + 2 * minutes.move_cords)
        blocks = Blocks(self.program, [0] * (len(self.stages) + 1), stop)
        self.program.costs = costs
        for _ in blocks.relax(until):
            pass
        return None if blocks.relaxed is None else blocks.relaxed.basis

    def minutes_of(self, schedule: Schedule) -> float:
        """What a schedule costs; endless where the program has no variables for it."""
        values = self.values_of(schedule)
        return math.inf if values is None else self.program.objective(values)

    def tidiest(self, minutes: float, *, seconds: float, start: Schedule, under_way: bool = False) -> Outcome:
        """Solve for the fewest walks, then the fewest visits to shafts, at no more than these minutes.

        Args:
            under_way: the walk before the first stage is made already, and not counted.
        """
        program = self.program
        costly = [(variable, cost) for variable, cost in enumerate(program.costs) if cost]
        program.row(costly, upper=minutes)
        if self.relaxed is not None:
            program.keep_within(minutes, self.relaxed)
        known = self.values_of(start)
        visits = self._count_visits(program)
        if known is not None:
            for events in self._events.values():
                known.append(max(sum(known[v] * sign for v, sign in event) for event in events))
        program.costs = [0.0] * len(program.costs)
        for walk in self._walks:
            program.costs[walk] = 1.0 + len(visits)
        if under_way:
            program.costs[self._walks[0]] = 0.0
        for visit in visits:
            program.costs[visit] = 1.0
        return program.solve(seconds=seconds, gap=0.5, start=known)

    def _count_visits(self, program: Program) -> list[int]:
        """A variable for each visit to a shaft on a walk, as long as it costs something."""
        visits = []
        for events in self._events.values():
            visits.append(visit := program.variable(whole=False))
            for event in events:
                program.row([(visit, 1.0), *((v, -sign) for v, sign in event)], lower=0.0)
        return visits

    def with_fewest_walks(
        self,
        minutes: float,
        *,
        seconds: float,
        start: Sequence[float],
        under_way: bool = False,
        stop: Callable[[], bool] | None = None,
    ) -> Outcome:
        """Solve for the fewest walks at no more than these minutes; the program is used up.

        Args:
            start: values to begin from.
            under_way: the walk before the first stage is made already, and not counted.
            stop: asked now and then; true ends the search with what has been found.
        """
        costly = [(variable, cost) for variable, cost in enumerate(self.program.costs) if cost]
        self.program.row(costly, upper=minutes)
        if self.relaxed is not None:
            self.program.keep_within(minutes, self.relaxed)
        self.count_walks(under_way=under_way)
        return self.program.solve(seconds=seconds, gap=0.5, start=start, stop=stop)

    def count_walks(self, *, under_way: bool = False) -> None:
        """Make the number of walks the objective.

        Args:
            under_way: the walk before the first stage is made already, and not counted.
        """
        self.program.costs = [0.0] * len(self.program.costs)
        for walk in self._walks[under_way:]:
            self.program.costs[walk] = 1.0

    def fewest_spare_shafts(self, *, seconds: float) -> tuple[int | None, bool]:
        """How many spare shafts would do, everything else as it is.

        Returns:
            The number, or None where none was found; and whether that is certain.
        """
        program = self.program
        needed = program.variable(1.0, upper=float(sum(len(p.parts) for p in self.parts.values())))
        program.costs = [0.0] * (len(program.costs) - 1) + [1.0]
        for room in self._room:
            program.row([*room, (needed, -1.0)], upper=0.0)
        found = program.solve(seconds=seconds, gap=0.5)
        if found.values is None:
            return None, found.impossible and self.complete
        number = round(float(found.values[needed]))
        return number, self.complete and found.bound > number - 1 + 1e-6

    def walks_in(self, values: np.ndarray) -> list[float]:
        """How much of a walk there is in each gap, where values need not be whole."""
        return [float(values[walk]) for walk in self._walks]

    def is_lawful(self, schedule: Schedule) -> bool:
        """Whether no temporary in it takes a whole shaft, as `bounding` candidates may."""
        units = {shaft: self.piece.loom.units_of(shaft) for shaft in self.shafts}
        return not any(part == units.get(shaft) for standing in schedule for shaft, part in standing.inside)

    def schedule(self, values: np.ndarray) -> Schedule:
        """What stands in the loom during each row, from the program's values."""
        schedule: list[Standing] = []
        for stage, at in zip(self.stages, self._at, strict=True):

            def chosen(which: str, at: dict[int, _Shaft] = at) -> Iterable[Borrowed]:
                for shaft, here in at.items():
                    for part, variable in getattr(here, which).items():
                        if values[variable] > 0.5:
                            yield shaft, part

            standing = Standing(frozenset(chosen("inside")), dict(chosen("home")), frozenset(chosen("spare")))
            schedule += [standing] * (stage.last - stage.first + 1)
        return schedule

    def values_of(self, schedule: Schedule, cells: Iterable[Cell] = ()) -> list[float] | None:
        """The program's values for a schedule, or None where it has no variables for it.

        Args:
            cells: those that are changed.
        """
        values = [0.0] * len(self.program.costs)
        values[self._one] = 1.0
        changed: dict[int, set[int]] = defaultdict(set)
        for row, unit in cells:
            changed[row].add(unit)
        standings = [schedule[stage.last - 1] for stage in self.stages]
        for at, standing in zip(self._at, standings, strict=True):
            for shaft, here in at.items():
                if here.whole is not None:
                    values[here.whole] = float(shaft not in standing.home)
            chosen = (
                ("inside", standing.inside),
                ("home", standing.home.items()),
                ("spare", standing.spare),
            )
            for which, temporaries in chosen:
                for shaft, part in temporaries:
                    variable = getattr(at[shaft], which).get(part) if shaft in at else None
                    if variable is None:
                        return None
                    values[variable] = 1.0
        for lift in self._lifts:
            asked = lift.asked ^ (changed.get(lift.row, _NOTHING) & self.piece.loom.units_of(lift.shaft))
            found = best_lift(self.piece.loom, standings[lift.stage], lift.shaft, asked)
            if found is None:
                return None
            if lift.together:
                up = (found.whole, found.parts, found.cords) == (lift.whole, lift.parts, lift.cords)
            else:
                up = lift.whole <= found.whole and lift.parts <= found.parts and lift.cords <= found.cords
            values[lift.variable] = float(up)
        if self.changes is not None and not self.changes.put(values, cells):
            return None
        for event, now, then in self._rises:
            values[event] = max(values[then] - (values[now] if now is not None else 0.0), 0.0)
        for moves, come, grown in self._spare_moves:
            on = sum(values[v] for v in come)
            values[moves] = max(on, on - sum(values[v] * sign for v, sign in grown))
        ends = [self._begin, *standings, *([self._end] if self._end is not None else [])]
        for walk, (before, after) in zip(self._walks, pairwise(ends), strict=True):
            values[walk] = float(before != after)
        return values

    # -- how it is built --------------------------------------------------------------------------

    def _walks_needed(self, at_the_start: Standing) -> list[tuple[int, int]]:
        """Stretches of gaps in each of which a walk is needed, as long as no cell is changed."""
        piece, cut = self.piece, self.stages
        found = candidates_of(piece.loom, self.shafts, cut, MOST_PARTS, at_the_start.inside, "bounding")
        parts = {shaft: those.parts for shaft, those in found.items() if those.complete}
        return walks_needed(piece.loom, parts, cut, self._begin, self._end)

    def _need_within(self, budget: Budget) -> None:
        """What no design within the budget does without."""
        parts = {shaft: found.parts for shaft, found in self.parts.items()}
        for need in needed_within(self.piece, self.shafts, self.stages, parts, budget):
            gaps = range(need.first + 1, need.last + 1)
            if need.what == "walks":
                terms = [(self._walks[gap], 1.0) for gap in gaps]
            elif need.what == "moves":
                terms = [term for gap in gaps for term in self._moved[gap, need.shaft]]
            else:
                terms = [(inside, 1.0) for inside in self._at[need.first][need.shaft].inside.values()]
                terms += [term for gap in gaps for term in self._put_in[gap, need.shaft]]
            self.program.row(terms, lower=float(need.times))

    def _changes_in(self, first: int, last: int) -> list[int]:
        """The variables of the cells that may be changed in these stages."""
        if self.changes is None:
            return []
        rows = range(self.stages[first].first, self.stages[last].last + 1)
        return [variable for (row, _), variable in self.changes.changed.items() if row in rows]

    def _walk(self, gap: int) -> int:
        self.program.here = gap
        row = self.stages[gap].first - 1 if gap < len(self.stages) else self.stages[-1].last
        walk = self.program.variable(0.0 if row in self.piece.free_walks else self.piece.minutes.walk)
        if row in self.piece.no_walks:
            self.program.fix(walk, 0.0)
        return walk

    def _stand(self, shaft: int) -> None:
        """What may stand on and beside a shaft, stage by stage."""
        program, loom = self.program, self.piece.loom
        units = loom.units_of(shaft)
        asking = [k for k, stage in enumerate(self.stages) if shaft in stage.asked]
        # where the end is free, a temporary may stay in, unused, so as not to be drawn out
        simple = not loom.spare_handles and not units & loom.single_cords
        simple = simple and shaft not in self._touched and self._end is not None
        where = None
        if simple and self.changes is not None:
            simple, parts = False, self.parts[shaft].parts
            where = spans(self.piece, shaft, self.stages, parts, self.changes.budget)
        uses = {
            part: {k for k in asking if part in self.stages[k].asked[shaft]}
            for part in (self.parts[shaft].parts if simple else ())
        }
        reach = {part: _reach(asking, found) for part, found in uses.items()} if simple else {}
        for k in range(len(self.stages)):
            program.here = k
            whole = program.variable()
            here = self._at[k][shaft] = _Shaft(whole)
            place = bisect_left(asking, k)
            idle = place == len(asking) or asking[place] != k
            before = asking[place - 1] if place else -1
            after = asking[place] if idle and place < len(asking) else len(self.stages)
            for part in self.parts[shaft].parts:
                if simple:
                    # Put in after the shaft was last needed otherwise, drawn out before it is again.
                    early, late = reach[part]
                    if not early < k or not (late is None or k < late):
                        continue
                if where is not None and k not in where[part].inside:
                    continue
                here.inside[part] = program.variable()
                if part == units:  # as if a temporary took all; on its own handle the shaft itself would do
                    here.spare[part] = program.variable()
                    continue
                if where is not None and k not in where[part].home:
                    continue
                if not simple or not idle or before in uses[part] or after in uses[part]:
                    here.home[part] = program.variable()
                if loom.spare_handles:
                    here.spare[part] = program.variable()
            program.row([(whole, 1.0), *((v, 1.0) for v in here.home.values())], 1.0, 1.0)
            for part, inside in here.inside.items():
                on = [(v, -1.0) for v in (here.home.get(part), here.spare.get(part)) if v is not None]
                if on:
                    program.row([(inside, 1.0), *on], lower=0.0)
            if len(here.inside) > loom.temporaries_per_shaft:
                program.row([(v, 1.0) for v in here.inside.values()], upper=float(loom.temporaries_per_shaft))

    def _lift(self, k: int, shaft: int) -> None:
        """Each row's part of a shaft is lifted exactly, but for cells that are changed."""
        if self.changes is not None:
            self._lift_but_for_changes(k, shaft, self.changes)
            return
        for asked, rows in self.stages[k].asked.get(shaft, {}).items():
            if several_bars_at_once(self.piece.loom):
                self._lift_with_several_bars(k, shaft, asked, rows)
            else:
                self._lift_with_one_bar(k, shaft, asked, rows)

    def _lift_with_one_bar(self, k: int, shaft: int, asked: Part, rows: int) -> None:
        program, loom, here = self.program, self.piece.loom, self._at[k][shaft]
        pull = self.piece.minutes.pull
        ways: list[tuple[list[int | None], bool, frozenset[Part], Part]] = []
        if asked == loom.units_of(shaft):
            ways.append(([here.whole], True, frozenset(), frozenset()))
        for part in here.inside:
            if part <= asked and asked - part <= loom.single_cords:
                on = [here.home.get(part), here.spare.get(part)]
                ways.append((on, False, frozenset([part]), asked - part))
        if asked <= loom.single_cords:
            ways.append(([], False, frozenset(), asked))
        chosen = []
        for on, whole, parts, cords in ways:
            carriers = [(v, 1.0) for v in on if v is not None]
            if on and not carriers:
                continue
            cost = pull * rows * (whole + len(parts) + len(cords))
            variable = program.variable(cost)
            chosen.append((variable, 1.0))
            self._lifts.append(_Lift(variable, k, shaft, asked, whole, parts, cords, True))
            if carriers:
                program.row([*carriers, (variable, -1.0)], lower=0.0)
                self._nothing_else_inside(here, variable, parts)
        program.row(chosen, 1.0, 1.0)

    def _lift_with_several_bars(self, k: int, shaft: int, asked: Part, rows: int) -> None:
        program, loom, here = self.program, self.piece.loom, self._at[k][shaft]
        pull = self.piece.minutes.pull * rows
        nothing: Part = frozenset()
        lifted: list[tuple[int, Part]] = []
        if asked == loom.units_of(shaft) and here.whole is not None:
            up = program.variable(pull)
            program.row([(here.whole, 1.0), (up, -1.0)], lower=0.0)
            self._nothing_else_inside(here, up, frozenset())
            self._lifts.append(_Lift(up, k, shaft, asked, True, frozenset(), nothing, False))
            lifted.append((up, asked))
        for part in here.inside:
            if part <= asked:
                up = program.variable(pull)
                on = [(v, 1.0) for v in (here.home.get(part), here.spare[part]) if v is not None]
                program.row([*on, (up, -1.0)], lower=0.0)
                self._nothing_else_inside(here, up, frozenset([part]))
                self._lifts.append(_Lift(up, k, shaft, asked, False, frozenset([part]), nothing, False))
                lifted.append((up, part))
        together = {frozenset(c) for c in alike(asked, loom.single_cords, self.parts[shaft].parts)}
        for units in together:
            if units <= loom.single_cords:
                cords = program.variable(pull * len(units))
                self._lifts.append(_Lift(cords, k, shaft, asked, False, frozenset(), units, False))
                lifted.append((cords, units))
        for units in together:
            program.row([(v, 1.0) for v, part in lifted if units <= part], lower=1.0)

    def _lift_but_for_changes(self, k: int, shaft: int, changes: ChangedCells) -> None:
        """Row by row, as each may be changed otherwise than those that ask the same."""
        program, loom, here = self.program, self.piece.loom, self._at[k][shaft]
        units, pull, nothing = loom.units_of(shaft), self.piece.minutes.pull, frozenset[int]()
        stage = self.stages[k]

        def others_inside(bar: int) -> list[int]:
            return [inside for part, inside in here.inside.items() if here.home.get(part) != bar]

        for row, asked in rows_that_ask(self.piece, stage.first, stage.last, shaft):
            if not loom.spare_handles:
                assert here.whole is not None
                carried = [(here.whole, units), *((home, part) for part, home in here.home.items())]
                others = None if loom.temporaries_may_stay else others_inside
                changes.lift_with_one_bar(row, asked, loom, pull, units, carried, others)
                continue
            bars = []
            for part in (None, *here.inside):
                lifted = units if part is None else part
                on = [here.whole] if part is None else [here.home.get(part), here.spare.get(part)]
                if not changes.may_lift(row, asked, lifted):
                    continue
                up = program.variable(pull)
                program.row([*((v, 1.0) for v in on if v is not None), (up, -1.0)], lower=0.0)
                parts = frozenset[Part]() if part is None else frozenset([part])
                self._nothing_else_inside(here, up, parts)
                self._lifts.append(_Lift(up, k, shaft, asked, part is None, parts, nothing, False, row))
                bars.append((up, lifted))
            for cord, unit in changes.lift(row, asked, loom.single_cords, pull, bars):
                one = frozenset([unit])
                self._lifts.append(_Lift(cord, k, shaft, asked, False, frozenset(), one, False, row))

    def _nothing_else_inside(self, here: _Shaft, lifted: int, but: frozenset[Part]) -> None:
        """Where temporaries may not stay: nothing of a shaft is lifted beside another of them."""
        if self.piece.loom.temporaries_may_stay:
            return
        for part, inside in here.inside.items():
            if part not in but:
                self.program.row([(inside, 1.0), (lifted, 1.0)], upper=1.0)

    def _limit(self, k: int) -> list[Term]:
        """At most so many temporaries, and so many of them on spare handles."""
        loom = self.piece.loom
        inside = [(v, 1.0) for here in self._at[k].values() for v in here.inside.values()]
        if len(inside) > loom.spare_shafts:
            self.program.row(inside, upper=float(loom.spare_shafts))
        spare = [(v, 1.0) for here in self._at[k].values() for v in here.spare.values()]
        if len(spare) > loom.spare_handles:
            self.program.row(spare, upper=float(loom.spare_handles))
        return inside

    def _change(self, gap: int, shaft: int) -> None:
        """What is done to a shaft on a walk, and what it costs."""
        now = self._at[gap - 1][shaft] if gap else self._given(self._begin, shaft)
        then = self._at[gap][shaft] if gap < len(self.stages) else self._given(self._end or BARE, shaft)
        minutes = self.piece.minutes
        come, more = self._spare_changes[gap]
        moved = [self._rise(now.whole, then.whole, minutes.move_cords)]
        for part in now.home.keys() | then.home.keys() | now.spare.keys() | then.spare.keys():
            a, b = now.home.get(part), then.home.get(part)
            onto_home = self._rise(a, b, minutes.move_cords)
            moved.append(onto_home)
            c, d = now.spare.get(part), then.spare.get(part)
            onto_spare = self._rise(c, d, 0.0)
            come += onto_spare
            more += self._fall(d, c)
            if c is not None or d is not None:  # else `moved` says as much
                # one pair of cords comes onto it on a walk, and one leaves it; not half of it on half a walk
                onto = onto_home + onto_spare
                self._only_on_a_walk(gap, shaft, [onto])
                self._only_on_a_walk(gap, shaft, [onto, self._fall(a, b), self._fall(c, d)])
        self._moved[gap, shaft] = [term for event in moved for term in event]
        self._only_on_a_walk(gap, shaft, moved)
        for part in now.inside.keys() | then.inside.keys():
            a, b = now.inside.get(part), then.inside.get(part)
            put_in = self._rise(a, b, minutes.insert + minutes.take * len(part) + minutes.withdraw)
            self._put_in[gap, shaft] += put_in
            if not self.piece.loom.spare_handles:  # else its cords say as much, since they come with it
                self._only_on_a_walk(gap, shaft, [put_in])
            self._only_with_its_cords(now, a, then, b, part)
            is_idle = (shaft, part) in self._idle  # it can come out on any walk
            if is_idle or not self.piece.loom.spare_handles:
                self._only_on_a_walk(gap, shaft, [self._fall(a, b)])
            if not is_idle:
                self._only_with_its_cords(then, b, now, a, part)

    def _given(self, standing: Standing, shaft: int) -> _Shaft:
        """A shaft as it stands before the first stage or after the last."""

        def those(temporaries: Iterable[Borrowed]) -> dict[Part, int]:
            return {part: self._one for parent, part in temporaries if parent == shaft}

        return _Shaft(
            None if shaft in standing.home else self._one,
            those(standing.inside),
            those(standing.home.items()),
            those(standing.spare),
        )

    def _rise(self, now: int | None, then: int | None, cost: float) -> list[Term]:
        """A variable that is 1 where this stands after the gap and not before."""
        if then is None or now == then:
            return []
        event = self.program.variable(cost, whole=False)
        self._rises.append((event, now, then))
        self.program.row([(event, 1.0), *self._fall(now, then)], lower=0.0)
        return [(event, 1.0)]

    def _fall(self, now: int | None, then: int | None) -> list[Term]:
        """now − then."""
        if now == then:
            return []
        return [(v, sign) for v, sign in ((now, 1.0), (then, -1.0)) if v is not None]

    def _only_on_a_walk(self, gap: int, shaft: int, events: Sequence[list[Term]]) -> None:
        """These events, of which there is one at most, need a walk and a visit to the shaft."""
        terms = [term for event in events for term in event]
        if any(sign > 0 for _, sign in terms):
            self._events[gap, shaft].append(terms)
            self.program.row([(self._walks[gap], 1.0), *((v, -sign) for v, sign in terms)], lower=0.0)

    def _only_with_its_cords(
        self, other: _Shaft, inside_other: int | None, here: _Shaft, inside: int | None, part: Part
    ) -> None:
        """Where a temporary is inside on this side of a walk only, cords are on it there.

        So it goes in on the walk on which cords come onto it, and out on the one they leave it. Earlier or
        later saves nothing, since the cords take a walk to the same shaft anyway. And the test lift after a
        walk tries every temporary that went in on it.
        """
        if inside is None or inside == inside_other:
            return
        on = [(v, 1.0) for v in (here.home.get(part), here.spare.get(part)) if v is not None]
        if (self._one, 1.0) in on:
            return
        stays = [(inside_other, 1.0)] if inside_other is not None else []
        self.program.row([(inside, -1.0), *on, *stays], lower=0.0)

    def _move_spare_cords(self, gap: int) -> None:
        """Each spare handle whose cords end a walk on something else than they began on counts once."""
        come, more = self._spare_changes[gap]
        if not come and not more:
            return
        moves = self.program.variable(
            self.piece.minutes.move_cords,
            whole=False,
            upper=float(max(self.piece.loom.spare_handles, len(self._begin.spare))),
        )
        grown: dict[int, float] = defaultdict(float)
        for variable, sign in more:
            grown[variable] += sign
        self._spare_moves.append((moves, [variable for variable, _ in come], list(grown.items())))
        on = [(variable, -1.0) for variable, _ in come]
        self.program.row([(moves, 1.0), *on], lower=0.0)
        # those that temporaries leave are those that some come onto, less by how many more are in use
        self.program.row([(moves, 1.0), *on, *grown.items()], lower=0.0)


def _reach(asking: Sequence[int], uses: Collection[int]) -> tuple[int, int | None]:
    """The stages that ask just before a part's first use and just after its last; -1 and None: none."""
    first, last = bisect_left(asking, min(uses)), bisect_left(asking, max(uses))
    return (asking[first - 1] if first else -1), (asking[last + 1] if last + 1 < len(asking) else None)


def pulls_elsewhere(piece: Piece, shafts: Sequence[int]) -> int:
    """Pulls that no plan changes: single cords of units on no shaft, and shafts that are not among these."""
    loom, total = piece.loom, 0
    corded_only = loom.single_cords - frozenset[int]().union(*loom.units_by_shaft.values())
    others = [shaft for shaft in loom.units_by_shaft if shaft not in shafts]
    for row, cells in enumerate(piece.rows, 1):
        total += len(cells & corded_only)
        for shaft in others:
            lift = best_lift(loom, BARE, shaft, asked_of(piece, row, shaft))
            assert lift is not None, "a shaft that needs a temporary matters"
            total += lift.pulls
    return total
