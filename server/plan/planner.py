"""The plan with the least minutes, proved where time allows, and replayed before anybody sees it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import astuple, dataclass, replace
from fractions import Fraction

import numpy as np

from server.design.piece import Minutes, Piece
from server.plan.assemble import assemble, visits
from server.plan.blocks import AT_ONCE, Blocks
from server.plan.demands import asked_of
from server.plan.hand_rule import hand_schedules
from server.plan.model import Model, pulls_elsewhere
from server.plan.no_plan import NoPlan, Sentence, explain, is_hopeless, strip_schedule
from server.plan.parts import ALL_PARTS, MOST_PARTS, Breadth, candidates_of
from server.plan.replay import Mismatch, verify
from server.plan.schedule import Schedule, Standing
from server.plan.solver import Outcome
from server.plan.stages import Stage, joined, relevant_shafts, stages
from server.plan.task import Task, whole_task
from server.plan.workorder import WorkOrder

__all__ = ["NoPlan", "Progress", "Stopped", "plan"]

CLOSE = 1e-6
"""Minutes: two orders that differ by no more cost the same (WORKORDER.md, `proven`)."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the search is.

    Attributes:
        seconds: since it began.
        minutes: of the best order found so far; None: none yet.
        bound: no order takes fewer minutes; None: nothing known yet.
        order: the best so far that is at hand; the solver may have a better one already.
    """

    seconds: float
    minutes: float | None
    bound: float | None
    order: WorkOrder | None = None


def plan(
    piece: Piece,
    *,
    limit: float = 10.0,
    progress: Callable[[Progress], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> WorkOrder:
    """The least-cost work order of a piece.

    Of orders of equal cost it is one with the fewest walks, and of those one with few visits to shafts.

    Args:
        limit: seconds after which the best order found is returned, proven or not.
        progress: called now and then during the search.
        stop: asked now and then; true ends the search with the best order found.

    Raises:
        NoPlan: if no work order exists; says why.
        Stopped: if it was stopped before there was any order.
        Mismatch: if the order found does not weave the piece (an error of ours, never an instruction).
    """
    order = cheapest(whole_task(piece), limit=limit, progress=progress, stop=stop)
    if isinstance(order, Lack):
        raise NoPlan(*order.explained())
    verify(piece, order)
    return order


@dataclass(frozen=True, slots=True)
class Lack:
    """There is no order.

    Attributes:
        shafts: those that might take temporaries.
        cut: the stages that the rows fall into.
        seconds: for the search, and for that after what would do.
        is_sure: whether there is none; otherwise it could not be worked out.
    """

    task: Task
    shafts: list[int]
    cut: list[Stage]
    seconds: float
    is_sure: bool = True

    def explained(self) -> tuple[Sentence, ...]:
        """Why there is none, in sentences for the weaver; that can take a search of its own."""
        if not self.is_sure:
            return (Sentence("No plan was found, and whether there is one could not be worked out."),)
        return explain(self.task, self.shafts, self.cut, seconds=self.seconds)


class Stopped(Exception):
    """The search was ended from outside before there was any order."""


@dataclass(frozen=True, slots=True)
class Found:
    """An order and the schedule it came from."""

    order: WorkOrder
    schedule: Schedule


def cheapest(
    task: Task,
    *,
    limit: float,
    progress: Callable[[Progress], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> WorkOrder | Lack:
    """The least-cost order of a task, to be replayed by the caller; `Lack` where there is none.

    Args:
        limit: seconds, as for `plan`.
        stop: as for `plan`.

    Raises:
        Stopped: as for `plan`.
        Mismatch: if the loom refuses what the planner took.
    """
    found = cheapest_found(task, limit=limit, progress=progress, stop=stop)
    return found if isinstance(found, Lack) else found.order


def cheapest_found(
    task: Task,
    *,
    limit: float,
    progress: Callable[[Progress], None] | None = None,
    stop: Callable[[], bool] | None = None,
    at_least: float = 0.0,
) -> Found | Lack:
    """`cheapest`, with the schedule.

    Args:
        at_least: no order takes fewer minutes, as is known from elsewhere.
    """
    try:
        return _Search(task, limit, progress, stop, at_least).found()
    except ValueError as error:  # the loom refused a step that the planner took
        raise Mismatch(f"The planner went wrong: {error}") from error


class _Search:
    """The search for the cheapest order of a task.

    Attributes:
        best: the cheapest order so far.
        bound: minutes; no order takes fewer.
    """

    def __init__(
        self,
        task: Task,
        limit: float,
        progress: Callable[[Progress], None] | None,
        stop: Callable[[], bool] | None,
        at_least: float,
    ) -> None:
        self._began = time.monotonic()
        self._task, self._piece, self._limit = task, task.asked, limit
        self._progress, self._stop = progress, stop
        self._handles = self._piece.loom.spare_handles > 0
        self._grain = grain_of(task.piece.minutes)
        self._shafts = relevant_shafts(self._piece, task.begin, task.end)
        self._relaxed: tuple[Blocks, Model] | None = None  # once the relaxation of all is known
        self._is_sure = False  # that there is no order where none was found
        self.best: Found | None = None
        self.bound = at_least

    def found(self) -> Found | Lack:
        """Search."""
        task, piece = self._task, self._piece
        if not self._shafts or not piece.rows:
            return _without_search(task)
        self._cut = stages(piece, self._shafts)
        lack = Lack(task, self._shafts, self._cut, self._limit)
        if is_hopeless(piece.loom, self._cut):
            return lack
        self.best = _best_by_rule(task, self._cut)
        elsewhere = pulls_elsewhere(piece, self._shafts) * task.piece.minutes.pull
        self._constant = elsewhere + task.sunk
        self._raise_bound(self._constant if task.end is not None else elsewhere)
        self._tell()  # what is known before the search, which may be silent for a while
        size = self._size("bounding")
        per_second = PER_SECOND_WITH_HANDLES if self._handles else PER_SECOND
        begun = size <= min(self._limit, LONG) * per_second
        if self.best is None or begun:
            self._without_spare_handles()
        if self.best is not None and not self._is_proven() and (not begun or (self._handles and size > WIDE)):
            self._in_blocks()
        if self.best is None or begun or self._is_proven():
            self._whole()
        else:
            self._by_and_by()
        if self.best is None:
            if self._is_stopped():
                raise Stopped
            return replace(lack, is_sure=self._is_sure)
        return self._ended(self.best)

    # -- the whole at once ------------------------------------------------------------------------

    def _whole(self) -> None:
        """Solve the whole program; first one that bounds all orders, and is as a rule one itself."""
        if self._is_proven():
            self._tidy(self._bounding())
            return
        for breadth in ("bounding", "split") if self._handles else ("split",):
            model = self._bounding() if breadth == "bounding" else self._model(breadth)
            found = self._solve(model, self._left(0.9))
            if self.best is None and found.impossible and not model.complete:
                # perhaps with parts that were left out
                model = self._model("split", ALL_PARTS)
                found = self._solve(model, self._left(), first=True)
                if self.best is not None:
                    self._solve(model, self._left())
                    return
            if self.best is None and found.impossible:
                self._is_sure = model.suffices
                return
            if self.best is None and not self._is_stopped() and breadth == "split":
                # the time ran out before there was any order: look on for one
                found = self._solve(model, math.inf, first=True)
                self._is_sure = found.impossible and model.suffices
            if self._is_proven():
                self._tidy(model)
                return
            if self.best is not None and (self._left() <= 0 or self._is_stopped()):
                return

    def _bounding(self) -> Model:
        """The whole program, with its relaxation where that is known."""
        return self._model("bounding") if self._relaxed is None else self._relaxed[1]

    def _without_spare_handles(self, share: float = 0.35) -> None:
        """Begin with what can be done without the spare handles: that is found sooner."""
        if self._handles and not self._is_proven():
            bare = replace(self._piece, loom=replace(self._piece.loom, spare_handles=0))
            self._solve(self._model(of=bare), self._left(share), bounds=False)
            self._tell()

    def _tidy(self, model: Model) -> None:
        """Of the orders that cost as little, one with the fewest walks, and then the fewest visits.

        It looks for them no longer than it took to find the minutes.
        """
        assert self.best is not None
        if model.is_tidy:
            return
        took = time.monotonic() - self._began
        tidy = model.tidiest(
            self.best.order.totals.minutes - self._constant + max(self._grain / 4, CLOSE / 2),
            seconds=max(min(self._left(), max(took, 1.0)), 0.1),
            start=self.best.schedule,
            under_way=self._task.under_way,
        )
        if tidy.values is not None and model.is_lawful(schedule := model.schedule(tidy.values)):
            self.best = _better(self.best, _order(self._task, schedule))

    # -- in blocks --------------------------------------------------------------------------------

    def _in_blocks(self) -> None:
        """Bound it block by block, and let the walks fall where that has them."""
        assert self.best is not None
        if self._size("bounding") > self._left() * BOUNDED_PER_SECOND:
            if not self._is_out_of_time():
                self._without_spare_handles(0.8)
            return
        model = self._model("bounding")
        blocks = Blocks(model.program, self._apart(), self._stop)
        for _ in blocks.relax(time.monotonic() + self._left(BOUNDING_SHARE)):
            self._bound_by(blocks, model)
        if blocks.relaxed is not None:
            model.relaxed = blocks.relaxed
            self._relaxed = blocks, model
        if not self._is_proven():
            self._walks_as_in(model, blocks.values)

    def _bound_by(self, blocks: Blocks, model: Model) -> None:
        if model.complete:
            self._raise_bound(blocks.bound + self._constant)
        self._tell()

    def _apart(self) -> list[int]:
        """Per stage and for the end: rows before it that ask nothing of the shafts that matter."""
        shafts, piece = self._shafts, self._piece
        asks = [any(asked_of(piece, row, shaft) for shaft in shafts) for row in range(1, len(piece.rows) + 1)]
        found = [0]
        for stage in self._cut:
            rows = range(stage.last, stage.first - 1, -1)
            found.append(next((stage.last - row for row in rows if asks[row - 1]), len(rows)))
        return found

    def _walks_as_in(self, model: Model, values: np.ndarray) -> None:
        """Make walks where the relaxation has them: whole ones, from parts of one along the rows.

        So where it has a whole walk in some stretch of gaps, at least one is made there.
        """
        walks = model.walks_in(values)
        summed = np.cumsum([0.0, *walks[1 : len(self._cut)]])
        tries = []
        for share in SHARES:
            marks = np.floor(summed + share + 1e-6)
            gaps = {int(gap) for gap in np.flatnonzero(np.diff(marks, prepend=marks[0]))}
            for first, last in model.needed:  # it may have fallen between two blocks
                if first and last < len(self._cut) and not gaps & set(range(first, last + 1)):
                    gaps.add(max(range(first, last + 1), key=lambda gap: walks[gap]))
            tries.append(gaps)
        until = time.monotonic() + self._left(0.5)
        with ThreadPoolExecutor(AT_ONCE) as pool:
            for schedule in pool.map(lambda gaps: self._along(gaps, until), tries):
                if schedule is not None:
                    self.best = _better(self.best, _order(self._task, schedule))
                    self._tell()

    def _along(self, gaps: set[int], until: float) -> Schedule | None:
        """Plan some stages after the other with these walks, each time looking some walks ahead.

        What stands after the last row looked at is free then; it will be planned when it comes.

        Args:
            until: when it is given up, by the clock of this search.
        """
        task, cut = self._task, self._cut
        schedule: list[Standing] = []
        at = 0
        while at < len(cut):
            kept = min(at + ALONG, len(cut))
            later = sorted(gap for gap in gaps if gap > kept)
            stop = later[AHEAD - 1] if len(later) >= AHEAD else len(cut)
            window = joined(cut[at:stop], {gap - at for gap in gaps})
            model = Model(
                self._piece,
                self._shafts,
                window,
                schedule[-1] if schedule else task.begin,
                task.end if stop == len(cut) else None,
                breadth="lawful",
            )
            seconds = min(until - time.monotonic(), WINDOW_SECONDS)
            found = model.cheapest(seconds=max(seconds, 0.0), grain=self._grain, stop=self._stop)
            if found.values is None:
                return None
            schedule += model.schedule(found.values)[: cut[kept - 1].last - len(schedule)]
            at = kept
        return schedule

    def _by_and_by(self) -> None:
        """Better the best so far, a window at a time, and raise the bound, block by block."""
        size = WINDOW_WITH_HANDLES if self._handles else WINDOW
        until = self._began + self._limit * LAST
        if self._relaxed is not None:
            self._in_windows(size, time.monotonic() + self._left(0.5))
            self._settle(time.monotonic() + self._left(0.3))
            if len(self._relaxed[1].program.costs) < self._left() * SOLVED_PER_SECOND:
                self._whole()
        while size < 2 * len(self._cut) and not (self._is_out_of_time() or self._is_proven()):
            self._in_windows(size, until)
            size *= 2

    def _settle(self, until: float) -> None:
        """Raise the bound by what must be whole, block by block."""
        assert self.best is not None
        assert self._relaxed is not None
        blocks, model = self._relaxed
        known = model.values_of(self.best.schedule)
        if known is None:
            return
        for _ in blocks.settle(np.array(known), grain=self._grain, until=until):
            self._bound_by(blocks, model)
            if self._is_proven():
                return

    def _in_windows(self, size: int, until: float) -> None:
        """Plan a window of stages anew, with what stands far before and after it as it is, and move it along.

        Around stages between which a walk may fall anywhere there are some with the walks as they are. Two
        windows that do not touch are planned at a time.

        Args:
            size: stages.
            until: when to end, by the clock of this search.
        """
        assert self.best is not None
        schedule = list(self.best.schedule)
        starts = range(0, len(self._cut), max(size // 2, 1))
        half = (len(starts) + 1) // 2
        place, without_gain = 0, 0
        looked: dict[int, list[Standing]] = {}
        with ThreadPoolExecutor(AT_ONCE) as pool:
            while without_gain <= half and time.monotonic() < until and not self._is_stopped():
                windows = []
                for at in sorted({place, place + half} & set(range(len(starts)))):
                    window = self._window(schedule, starts[at], starts[at] + size)
                    stands = schedule[max(window[0].first - 2, 0) : window[-1].last + 1]
                    if looked.get(at) != stands:  # nothing has changed there since it was last looked at
                        looked[at] = stands
                        windows.append(window)
                if len(windows) > 1 and windows[0][-1].last >= windows[1][0].first - 1:
                    windows = windows[:1]
                seconds = min(until - time.monotonic(), WINDOW_SECONDS)
                found = pool.map(lambda window: self._anew(schedule, window, seconds), windows)  # noqa: B023
                without_gain += 1
                for window, better in zip(windows, list(found), strict=True):
                    if better is not None:
                        schedule[window[0].first - 1 : window[-1].last] = better
                        without_gain = 0
                place = (place + 1) % half
        self.best = _better(self.best, _order(self._task, schedule))

    def _anew(self, schedule: Schedule, window: Sequence[Stage], seconds: float) -> Schedule | None:
        """A cheaper schedule for these stages, with all before and after as it is; None: none."""
        task = self._task
        before, after = window[0].first - 1, window[-1].last
        begin = schedule[before - 1] if before else task.begin
        end = schedule[after] if after < len(self._piece.rows) else task.end
        model = Model(self._piece, self._shafts, window, begin, end, breadth="lawful")
        found = model.cheapest(seconds=seconds, grain=self._grain, start=schedule, stop=self._stop)
        if found.values is None:
            return None
        if model.program.objective(found.values) > model.minutes_of(schedule) - CLOSE:
            return None
        return model.schedule(found.values)

    def _changes(self, schedule: Schedule) -> set[int]:
        """The gaps between two stages in which what stands in the loom changes."""
        cut = self._cut
        rows = ((gap, cut[gap].first - 1) for gap in range(1, len(cut)))
        return {gap for gap, row in rows if schedule[row] != schedule[row - 1]}

    def _window(self, schedule: Schedule, first: int, end: int) -> list[Stage]:
        """These stages, and on both sides some more, joined where there is no walk between them."""
        cut = self._cut
        gaps = self._changes(schedule) | set(range(first, end + 1))
        before = sorted(gap for gap in gaps if gap < first)
        behind = sorted(gap for gap in gaps if gap > end)
        start = before[-MARGIN] if len(before) >= MARGIN else 0
        stop = behind[MARGIN - 1] if len(behind) >= MARGIN else len(cut)
        return joined(cut[start:stop], {gap - start for gap in gaps})

    # -- what all of it uses ----------------------------------------------------------------------

    def _model(
        self,
        breadth: Breadth = "split",
        most_parts: int = MOST_PARTS,
        *,
        of: Piece | None = None,
        cut: Sequence[Stage] | None = None,
    ) -> Model:
        task = self._task
        return Model(
            of or self._piece,
            self._shafts,
            cut or self._cut,
            task.begin,
            task.end,
            most_parts,
            task.begin,
            breadth=breadth,
        )

    def _solve(self, model: Model, seconds: float, *, first: bool = False, bounds: bool = True) -> Outcome:
        """Solve a model, and keep what it finds.

        Args:
            first: stop at the first order found.
            bounds: whether no order is cheaper than its optimum, if it is complete.
        """
        bounds = bounds and model.complete
        found = model.cheapest(
            seconds=seconds,
            grain=self._grain,
            start=self.best.schedule if self.best is not None else None,
            watch=self._watch(bounds) if self._progress is not None else None,
            first=first,
            stop=self._stop,
            breaks_ties=not model.piece.loom.spare_handles and len(model.program.costs) <= MOST_WITH_TIES,
            under_way=self._task.under_way,
        )
        if found.values is not None and model.is_lawful(schedule := model.schedule(found.values)):
            self.best = _better(self.best, _order(self._task, schedule))
        if bounds and not found.impossible and math.isfinite(found.bound):
            self._raise_bound(found.bound + self._constant)
        return found

    def _watch(self, bounds: bool) -> Callable[[float, float], None]:
        def look(minutes: float, bound: float) -> None:
            if bounds and math.isfinite(bound):
                self._raise_bound(bound + self._constant)
            self._tell(minutes + self._constant if bounds and not self._handles else math.inf)

        return look

    def _tell(self, minutes: float = math.inf) -> None:
        """Tell how far the search is.

        Args:
            minutes: of an order that the solver has and we have not yet.
        """
        if self._progress is None:
            return
        if self.best is not None:
            minutes = min(minutes, self.best.order.totals.minutes)
        seconds = time.monotonic() - self._began
        order = None if self.best is None else self.best.order
        self._progress(Progress(seconds, minutes if math.isfinite(minutes) else None, self.bound, order))

    def _raise_bound(self, bound: float) -> None:
        self.bound = max(self.bound, bound)

    def _is_proven(self) -> bool:
        """Whether no order costs less than the best so far."""
        slack = max(self._grain * 0.75, CLOSE)
        return self.best is not None and self.bound > self.best.order.totals.minutes - slack

    def _is_stopped(self) -> bool:
        return self._stop is not None and self._stop()

    def _is_out_of_time(self) -> bool:
        return self._is_stopped() or self._left() <= (1 - LAST) * self._limit

    def _left(self, share: float = 1.0) -> float:
        """Seconds: a share of those that are left."""
        return (self._began + self._limit - time.monotonic()) * share

    def _size(self, breadth: Breadth) -> int:
        """Stages × candidate parts."""
        loom, begin = self._piece.loom, self._task.begin.inside
        found = candidates_of(loom, self._shafts, self._cut, standing=begin, breadth=breadth)
        return len(self._cut) * sum(len(those.parts) for those in found.values())

    def _ended(self, best: Found) -> Found:
        """The best order with its bound."""
        bound = best.order.totals.minutes if self._is_proven() else self.bound
        bound = math.floor(bound * 1e6) / 1e6
        proven = bound >= best.order.totals.minutes - CLOSE
        return replace(best, order=replace(best.order, proven=proven, bound=bound))


def _without_search(task: Task) -> Found | Lack:
    """The order where nothing in the loom matters to any row, or no row comes."""
    if task.end is not None and task.begin != task.end and not task.may_walk(0):
        return Lack(task, [], [], 0.0)
    schedule = [task.begin] * len(task.visits)
    order = assemble(task, schedule)
    return Found(replace(order, proven=True, bound=order.totals.minutes), schedule)


ALONG, AHEAD = 24, 6
"""Stages planned at a time where an order is first made, and walks that are looked ahead at beyond them."""

WINDOW, WINDOW_WITH_HANDLES = 40, 6
"""Stages planned anew at a time, where the whole is too large to be planned at once; later twice as many."""

MARGIN = 3
"""Walks on each side of a window that are made as before, with other things done on them."""

WINDOW_SECONDS = 2.0

WIDE = 250
"""Stages × candidate parts above which blocks come first, with spare handles."""

PER_SECOND, PER_SECOND_WITH_HANDLES = 4_000, 80
"""Stages × candidate parts that the solver can be expected to get somewhere with in a second, all at once."""

LONG = 60.0
"""Seconds; what the solver gets nowhere with in so many, it gets nowhere with in more, all at once."""

BOUNDED_PER_SECOND = 500
"""Stages × candidate parts that can be priced in blocks in a second of the time left, beside all the rest."""

BOUNDING_SHARE = 0.4
"""Of the time left, for the relaxation."""

MOST_WITH_TIES = 100_000
"""Variables; with more, the relaxation takes longer with ties broken, and is seldom whole all the same."""

LAST = 0.97
"""Share of the time after which nothing new is begun."""

SOLVED_PER_SECOND = 4_000
"""Variables of a program, its relaxation known, that can be solved in a second of the time left."""

SHARES = (0.75, 0.0, 0.5, 0.25)
"""Where the walks are put together from: shares of one at the first row."""


def _order(task: Task, schedule: Schedule) -> Found:
    return Found(assemble(task, schedule), schedule)


def _best_by_rule(task: Task, cut: list[Stage]) -> Found | None:
    """The cheapest order that can be had without a search, if any."""
    schedules = hand_schedules(task)
    if task.can_be(task.known):
        schedules.append(task.known)
    if not schedules and (strip := strip_schedule(task, task.piece.loom, cut)) is not None:
        schedules = [strip]
    best = None
    for schedule in schedules:
        best = _better(best, _order(task, schedule))
    return best


def _better(best: Found | None, other: Found) -> Found:
    """The one that costs less, or else has fewer walks, then fewer visits."""
    if best is None or other.order.totals.minutes < best.order.totals.minutes - CLOSE / 2:
        return other
    if other.order.totals.minutes > best.order.totals.minutes + CLOSE / 2:
        return best
    return min(best, other, key=lambda found: (found.order.totals.walks, visits(found.order.steps)))


def grain_of(minutes: Minutes) -> float:
    """The largest number of minutes of which every cost is a whole multiple; 0 where it is very small.

    The costs of two orders differ by nothing or by at least this.
    """
    parts = [Fraction(repr(value)) for value in astuple(minutes) if value]
    if not parts:
        return 1.0
    denominator = math.lcm(*(part.denominator for part in parts))
    grain = Fraction(math.gcd(*(int(part * denominator) for part in parts)), denominator)
    return float(grain) if grain >= Fraction(1, 10_000) else 0.0
