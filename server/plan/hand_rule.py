"""The hand rule (WORKORDER.md): how a weaver plans it in her head, row by row. For comparison."""

from __future__ import annotations

from server.design.piece import Piece
from server.plan.assemble import assemble
from server.plan.demands import Part, asked_of, needs_temporary
from server.plan.schedule import Schedule, Standing
from server.plan.workorder import WorkOrder


def hand_rule(piece: Piece) -> WorkOrder | None:
    """The order by the hand rule; None where it asks for more than the loom has.

    A temporary goes in on the walk before the row that needs it and comes out on the first walk on which
    its shaft needs something else, or at the end; no spare handles. Of units that hang on single cords as
    well, a temporary takes either all or none: the cheaper of the two throughout.
    """
    orders = [assemble(piece, schedule) for schedule in hand_schedules(piece)]
    return min(orders, key=lambda order: order.totals.minutes, default=None)


def hand_schedules(piece: Piece) -> list[Schedule]:
    """The hand rule's schedules, where the loom suffices: with corded units in the temporaries, or out."""
    loom = piece.loom
    choices = (False, True) if any(loom.leashes[unit - 1] for unit in loom.single_cords) else (False,)
    found = (_hand_schedule(piece, cords_do_their_part) for cords_do_their_part in choices)
    return [schedule for schedule in found if schedule is not None]


def _hand_schedule(piece: Piece, cords_do_their_part: bool) -> Schedule | None:
    """The hand rule's schedule, or None where the loom lacks something for it.

    Args:
        cords_do_their_part: leave units that have single cords out of the temporaries.
    """
    loom = piece.loom
    home: dict[int, Part] = {}
    schedule: list[Standing] = []
    for row in range(1, len(piece.rows) + 1):
        wanted = dict(home)
        for shaft, units in loom.units_by_shaft.items():
            asked = asked_of(piece, row, shaft)
            if asked == units:
                wanted.pop(shaft, None)
            elif needs_temporary(loom, shaft, asked):
                wanted[shaft] = asked - loom.single_cords if cords_do_their_part else asked
        if wanted != home and row - 1 in piece.no_walks:
            return None
        home = wanted
        if len(home) > loom.spare_shafts or (home and loom.temporaries_per_shaft < 1):
            return None
        schedule.append(Standing(frozenset(home.items()), dict(home)))
    if home and len(piece.rows) in piece.no_walks:
        return None
    return schedule
