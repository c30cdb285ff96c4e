"""The plan with the least minutes, proved where time allows, and replayed before anybody sees it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import astuple, dataclass, replace
from fractions import Fraction

from server.design.piece import Minutes, Piece
from server.plan.assemble import assemble, visits
from server.plan.hand_rule import hand_schedules
from server.plan.model import Model, pulls_elsewhere
from server.plan.no_plan import NoPlan, Sentence, explain, is_hopeless, strip_schedule
from server.plan.parts import ALL_PARTS, MOST_PARTS, candidates_of
from server.plan.replay import Mismatch, verify
from server.plan.schedule import Schedule
from server.plan.solver import Outcome
from server.plan.stages import Stage, relevant_shafts, stages
from server.plan.task import Task, whole_task
from server.plan.workorder import WorkOrder

__all__ = ["NoPlan", "Progress", "plan"]

CLOSE = 1e-6
"""Minutes: two orders that differ by no more cost the same (WORKORDER.md, `proven`)."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the search is.

    Attributes:
        seconds: since it began.
        minutes: of the best order found so far; None: none yet.
        bound: no order takes fewer minutes; None: nothing known yet.
    """

    seconds: float
    minutes: float | None
    bound: float | None


def plan(
    piece: Piece, *, limit: float = 10.0, progress: Callable[[Progress], None] | None = None
) -> WorkOrder:
    """The least-cost work order of a piece.

    Of orders of equal cost it is one with the fewest walks, and of those one with few visits to shafts.

    Args:
        limit: seconds after which the best order found is returned, proven or not.
        progress: called now and then during the search.

    Raises:
        NoPlan: if no work order exists; says why.
        Mismatch: if the order found does not weave the piece (an error of ours, never an instruction).
    """
    order = cheapest(whole_task(piece), limit=limit, progress=progress)
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
    """

    task: Task
    shafts: list[int]
    cut: list[Stage]
    seconds: float

    def explained(self) -> tuple[Sentence, ...]:
        """Why there is none, in sentences for the weaver; that can take a search of its own."""
        return explain(self.task, self.shafts, self.cut, seconds=self.seconds)


def cheapest(
    task: Task, *, limit: float, progress: Callable[[Progress], None] | None = None
) -> WorkOrder | Lack:
    """The least-cost order of a task, to be replayed by the caller; `Lack` where there is none.

    Args:
        limit: seconds, as for `plan`.

    Raises:
        Mismatch: if the loom refuses what the planner took.
    """
    try:
        return _search(task, limit, progress)
    except ValueError as error:  # the loom refused a step that the planner took
        raise Mismatch(f"The planner went wrong: {error}") from error


@dataclass(frozen=True, slots=True)
class _Found:
    """An order and the schedule it came from."""

    order: WorkOrder
    schedule: Schedule


def _search(task: Task, limit: float, progress: Callable[[Progress], None] | None) -> WorkOrder | Lack:
    began = time.monotonic()
    piece, minutes_of = task.asked, task.piece.minutes
    shafts = relevant_shafts(piece, task.begin, task.end)
    if not shafts or not piece.rows:
        return _without_search(task)
    cut = stages(piece, shafts)
    lack = Lack(task, shafts, cut, limit)
    if is_hopeless(piece.loom, cut):
        return lack
    best = _best_by_rule(task, cut)
    grain = _grain(minutes_of)
    elsewhere = pulls_elsewhere(piece, shafts) * minutes_of.pull
    constant = elsewhere + task.sunk
    unavoidable = constant if task.end is not None else elsewhere

    def left(share: float = 1.0) -> float:
        return (began + limit - time.monotonic()) * share

    def watch(model: Model) -> Callable[[float, float], None]:
        def look(minutes: float, bound: float) -> None:
            assert progress is not None
            if not model.complete or model.piece != piece:
                bound = -math.inf  # another order may take fewer minutes than any of this program's
            minutes, bound = minutes + constant, bound + constant
            if best is not None:
                minutes = min(minutes, best.order.totals.minutes)
            seconds = time.monotonic() - began
            progress(Progress(seconds, *(m if math.isfinite(m) else None for m in (minutes, bound))))

        return look

    def search(model: Model, seconds: float, first: bool = False) -> Outcome:
        nonlocal best
        found = model.cheapest(
            seconds=seconds,
            grain=grain,
            start=best.schedule if best is not None else None,
            watch=watch(model) if progress is not None else None,
            first=first,
        )
        if found.values is not None:
            best = _better(best, _order(task, model.schedule(found.values)))
        return found

    def model_of(piece: Piece, most_parts: int = MOST_PARTS) -> Model:
        return Model(piece, shafts, cut, task.begin, task.end, most_parts, task.begin)

    if progress is not None:  # what is known before the search, which may be silent for a while
        minutes = None if best is None else best.order.totals.minutes
        progress(Progress(time.monotonic() - began, minutes, unavoidable))
    candidates = candidates_of(piece.loom, shafts, cut, standing=task.begin.inside)
    size = len(cut) * sum(len(found.parts) for found in candidates.values())
    handles = piece.loom.spare_handles > 0
    too_large = size > (PER_SECOND_WITH_HANDLES if handles else PER_SECOND) * limit
    if handles and size <= PER_SECOND * limit:
        # What can be done without the spare handles is found quickly, and is where the search begins.
        search(model_of(replace(piece, loom=replace(piece.loom, spare_handles=0))), left(0.25))
    if best is not None and (too_large or (handles and size > WIDE)):
        until = began + limit * (0.9 if too_large else 0.5)
        best = _in_windows(task, shafts, cut, best, grain, until)
        if too_large:  # the whole would not even be begun in the time that is left
            return replace(best.order, bound=math.floor(unavoidable * 1e6) / 1e6)
    model = model_of(piece)
    found = search(model, left(0.9))
    if best is None and found.impossible and not model.complete:  # perhaps with parts that were left out
        model = model_of(piece, ALL_PARTS)
        found = search(model, left(), first=True)
    if best is None and not found.impossible:  # the time ran out before there was any order: look on for one
        found = search(model, math.inf, first=True)
    if best is None:
        return lack
    bound = constant + found.bound if model.complete and math.isfinite(found.bound) else unavoidable
    if bound > best.order.totals.minutes - max(grain * 0.75, CLOSE):
        bound = best.order.totals.minutes
        tidy = model.tidiest(
            bound - constant + max(grain / 4, CLOSE / 2),
            seconds=max(left(), 0.1),
            start=best.schedule,
            under_way=task.under_way,
        )
        if tidy.values is not None:
            best = _tidier(best, _order(task, model.schedule(tidy.values)))
    bound = math.floor(bound * 1e6) / 1e6
    return replace(best.order, proven=bound >= best.order.totals.minutes - CLOSE, bound=bound)


def _without_search(task: Task) -> WorkOrder | Lack:
    """The order where nothing in the loom matters to any row, or no row comes."""
    if task.end is not None and task.begin != task.end and not task.may_walk(0):
        return Lack(task, [], [], 0.0)
    order = assemble(task, [task.begin] * len(task.visits))
    return replace(order, proven=True, bound=order.totals.minutes)


WINDOW, WINDOW_WITH_HANDLES = 40, 8
"""Stages planned anew at a time, where the whole is too large to be planned at once."""

WINDOW_SECONDS = 2.0

WIDE = 4_000
"""Stages × candidate parts above which windows are planned first, with spare handles."""

PER_SECOND, PER_SECOND_WITH_HANDLES = 10_000, 1_000
"""Stages × candidate parts that the solver can be expected to begin on in a second."""


def _in_windows(
    task: Task, shafts: list[int], cut: list[Stage], best: _Found, grain: float, until: float
) -> _Found:
    """Plan a window of stages anew, with what stands before and after it as it is, and move it along.

    Args:
        until: when to stop, on the monotonic clock.
    """
    piece = task.asked
    size = WINDOW_WITH_HANDLES if piece.loom.spare_handles else WINDOW
    schedule = list(best.schedule)
    first, without_gain = 0, 0
    while without_gain <= len(cut) // (size // 2) and time.monotonic() < until:
        window = cut[first : first + size]
        before, after = window[0].first - 1, window[-1].last
        begin = schedule[before - 1] if before else task.begin
        end = schedule[after] if after < len(piece.rows) else task.end
        model = Model(piece, shafts, window, begin, end)
        seconds = min(until - time.monotonic(), WINDOW_SECONDS)
        found = model.cheapest(seconds=seconds, grain=grain, start=schedule)
        without_gain += 1
        if (
            found.values is not None
            and model.program.objective(found.values) < model.minutes_of(schedule) - CLOSE
        ):
            schedule[before:after] = model.schedule(found.values)
            without_gain = 0
        first = first + size // 2 if after < len(piece.rows) else 0
    return _better(best, _order(task, schedule))


def _order(task: Task, schedule: Schedule) -> _Found:
    return _Found(assemble(task, schedule), schedule)


def _best_by_rule(task: Task, cut: list[Stage]) -> _Found | None:
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


def _better(best: _Found | None, other: _Found) -> _Found:
    return other if best is None or other.order.totals.minutes < best.order.totals.minutes else best


def _tidier(best: _Found, other: _Found) -> _Found:
    """The one with fewer walks, then fewer visits, if it costs no more."""
    if other.order.totals.minutes > best.order.totals.minutes + CLOSE:
        return best
    return min(best, other, key=lambda found: (found.order.totals.walks, visits(found.order.steps)))


def _grain(minutes: Minutes) -> float:
    """The largest number of minutes of which every cost is a whole multiple; 0 where it is very small.

    The costs of two orders differ by nothing or by at least this.
    """
    parts = [Fraction(repr(value)) for value in astuple(minutes) if value]
    if not parts:
        return 1.0
    denominator = math.lcm(*(part.denominator for part in parts))
    grain = Fraction(math.gcd(*(int(part * denominator) for part in parts)), denominator)
    return float(grain) if grain >= Fraction(1, 10_000) else 0.0
