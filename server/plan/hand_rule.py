"""The hand rule (WORKORDER.md): how a weaver plans it in her head, row by row. For comparison."""

from __future__ import annotations

from server.design.piece import Piece
from server.plan.assemble import assemble
from server.plan.demands import asked_of, needs_temporary
from server.plan.schedule import BARE, Schedule, Standing, lift_of_all
from server.plan.task import Task, whole_task
from server.plan.workorder import WorkOrder


def hand_rule(piece: Piece) -> WorkOrder | None:
    """The order of a whole piece by the hand rule; None where it asks for more than the loom has."""
    return hand_order(whole_task(piece))


def hand_order(task: Task) -> WorkOrder | None:
    """The order by the hand rule; None where it asks for more than the loom has.

    A temporary goes in on the walk before the row that needs it and comes out on the first walk on which
    its shaft needs something else, or at the end; no spare handles. Of units that hang on single cords as
    well, a temporary takes either all or none: the cheaper of the two throughout.
    """
    orders = [assemble(task, schedule) for schedule in hand_schedules(task)]
    return min(orders, key=lambda order: order.totals.minutes, default=None)


def hand_schedules(task: Task) -> list[Schedule]:
    """The hand rule's schedules, where the loom suffices: with corded units in the temporaries, or out.

    What stands at the start, spare handles included, is used as it is until the first walk; what does not
    hang on its shaft's own handle comes out on that.
    """
    loom = task.piece.loom
    choices = (False, True) if any(loom.leashes[unit - 1] for unit in loom.single_cords) else (False,)
    found = (_hand_schedule(task, cords_do_their_part) for cords_do_their_part in choices)
    return [schedule for schedule in found if schedule is not None]


def _hand_schedule(task: Task, cords_do_their_part: bool) -> Schedule | None:
    """The hand rule's schedule, or None where the loom lacks something for it.

    Args:
        cords_do_their_part: leave units that have single cords out of the temporaries.
    """
    loom, piece = task.piece.loom, task.asked
    now = task.begin
    stands = all(now.home.values()) and now != BARE
    schedule: list[Standing] = []
    for row, cells in enumerate(piece.rows, 1):
        stands = stands and lift_of_all(loom, now, cells) is not None
        if stands:
            schedule.append(now)
            continue
        home = {shaft: part for shaft, part in now.home.items() if part}
        for shaft, units in loom.units_by_shaft.items():
            asked = asked_of(piece, row, shaft)
            if asked == units:
                home.pop(shaft, None)
            elif needs_temporary(loom, shaft, asked):
                home[shaft] = asked - loom.single_cords if cords_do_their_part else asked
        wanted = Standing(frozenset(home.items()), home)
        if wanted != now and not task.may_walk(row - 1):
            return None
        if len(home) > loom.spare_shafts or (home and loom.temporaries_per_shaft < 1):
            return None
        now = wanted
        schedule.append(now)
    if task.end is not None and now != task.end and not task.may_walk(len(piece.rows)):
        return None
    return schedule
