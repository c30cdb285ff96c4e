"""The least-cost plan from any state that the loom's rules allow, through any rows, forwards or backwards."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

from server.design.piece import Piece
from server.loom.actions import Refused
from server.loom.legal import check_state
from server.loom.state import State
from server.plan.no_plan import NoPlan
from server.plan.planner import Lack, Progress, cheapest
from server.plan.task import Task, task_from, verify_for
from server.plan.visits import Visit, position_of, way
from server.plan.workorder import WorkOrder

__all__ = ["NoPlan", "Visit", "check_start", "plan_from_here", "way"]

LEAST = 0.1
"""Seconds that a second search gets, where the first, for an order without a walk now, used them all."""


def check_start(piece: Piece, start: State) -> None:
    """Whether the loom, and the cloth on it, can stand like this.

    Raises:
        Refused: with a sentence that says what is wrong.
    """
    check_state(piece.loom, start, len(piece.rows))
    if not start.picks:
        return
    row = start.row if start.phase == "raised" else start.row + 1
    most = piece.picks(row)
    if start.picks >= most:
        raise Refused(f"Row {row} has {most} picks; begun and not finished, fewer than that are in.")


def plan_from_here(
    piece: Piece,
    start: State,
    visits: Sequence[Visit],
    *,
    until_bare: bool = True,
    free_now: bool = False,
    known: Mapping[int, State] | None = None,
    limit: float = 10.0,
    progress: Callable[[Progress], None] | None = None,
) -> WorkOrder:
    """The least-cost order from a state, through these visits in order.

    A shed that stands at the start may be changed or let down; where it stands for the first of the visits,
    or that goes on within a row, a walk before it is made only if there is no order without. From behind
    the loom the walk that is under way is paid already, and she may come back with nothing done. What
    stands at the start costs nothing but its drawing out. DEVELOPERS.md, "From here".

    Args:
        start: as found: temporaries in, cords anywhere, in any phase.
        visits: rows to weave and to take out; see `way`.
        until_bare: the loom is bare at the end, and the order says `Done` if the piece is woven to its end.
            Else what stands at the end is free.
        free_now: a walk before the first visit costs nothing: she rises anyway. `no_walks` still holds.
        known: per row the state in which the present order has its shed raised. Where that still goes, the
            search begins with it and never ends with anything dearer.
        limit: seconds after which the best order found is returned, proven or not.
        progress: called now and then during the search.

    Raises:
        Refused: if the loom's rules do not allow the start; says what is wrong with it.
        NoPlan: if no order exists; says why.
        ValueError: if the visits do not follow from the start.
        Mismatch: if the order found does not do it (an error of ours, never an instruction).
    """
    check_start(piece, start)
    task = task_from(piece, start, visits, until_bare=until_bare, free_now=free_now, known=known)
    order = _search(task, is_within_a_row(start, task), limit, progress)
    verify_for(task, order)
    return order


def _search(
    task: Task, within_a_row: bool, limit: float, progress: Callable[[Progress], None] | None
) -> WorkOrder:
    began = time.monotonic()
    if within_a_row:
        order = cheapest(task.without_walk_now(), limit=limit, progress=progress)
        if not isinstance(order, Lack):
            return order
    left = max(began + limit - time.monotonic(), LEAST)
    order = cheapest(task, limit=left, progress=progress)
    if isinstance(order, Lack):
        raise NoPlan(*order.explained())
    return order


def is_within_a_row(start: State, task: Task) -> bool:
    """Whether a walk now would break off a row that she is in the middle of, and she is not up already."""
    if task.under_way or task.free_now or not task.visits:
        return False
    raised_for_it = start.phase == "raised" and task.visits[0].row == start.row
    return raised_for_it or position_of(start).picks > 0
