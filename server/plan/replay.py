"""A work order carried out on the loom's own rules and compared with the design, row by row."""

from __future__ import annotations

from server.design.piece import Piece
from server.loom.actions import Refused, apply
from server.loom.state import State, units_up
from server.loom.steps import Done, Insert, Label, Raise, Step, Walk, Weave
from server.plan.workorder import WorkOrder, count_up


class Mismatch(AssertionError):
    """A work order does not weave the piece; the message says where it goes wrong."""


def replay(piece: Piece, steps: tuple[Step, ...]) -> list[State]:
    """Carry out the steps, from the bare loom to the last.

    Returns:
        len(steps) + 1 states: before the first step, and after each.

    Raises:
        Mismatch: at the first step that the loom refuses or that does not weave the design.
    """
    states = [State()]
    for place, step in enumerate(steps, 1):
        try:
            states.append(apply(piece.loom, states[-1], step))
            _compare(piece, states[-1], step)
        except Refused as refusal:
            raise Mismatch(f"Step {place}: {refusal}") from refusal
        except Mismatch as mismatch:
            raise Mismatch(f"Step {place}: {mismatch}") from None
    if states[-1].phase != "done" or states[-1].row != len(piece.rows):
        raise Mismatch(f"The order ends after row {states[-1].row} of {len(piece.rows)}.")
    parents = {step.shaft for step in steps if isinstance(step, Insert)}
    labelled = [set(step.shafts) for step in steps if isinstance(step, Label)]
    if labelled != ([parents] if parents else []):
        raise Mismatch("The shafts that take temporaries are not numbered once, all on the first walk.")
    first_walk = next((place for place, step in enumerate(steps) if isinstance(step, Walk)), None)
    if parents and first_walk is not None and not isinstance(steps[first_walk + 1], Label):
        raise Mismatch("Numbers must be taped on first of all on the first walk.")
    return states


def _compare(piece: Piece, state: State, step: Step) -> None:
    match step:
        case Raise():
            if step.row > len(piece.rows):
                raise Mismatch(f"The piece has no row {step.row}.")
            up = units_up(piece.loom, state, step.handles, step.single_cords)
            if up != piece.rows[step.row - 1]:
                wrong = sorted(up ^ piece.rows[step.row - 1])
                raise Mismatch(f"Row {step.row} comes out wrong at unit {wrong[0]}.")
        case Weave():
            if (step.picks, step.treadles) != (piece.picks(step.row), piece.treadles(step.row)):
                raise Mismatch(f"Row {step.row} has other picks or treadles than the piece.")
        case Walk():
            if state.row in piece.no_walks:
                raise Mismatch(f"No walk may be made after row {state.row}.")
        case Done():
            if state.row != len(piece.rows):
                raise Mismatch(f"Only {state.row} of {len(piece.rows)} rows are woven.")


def verify(piece: Piece, order: WorkOrder) -> list[State]:
    """Replay a whole work order and check its totals.

    Returns:
        The states, as `replay` gives them.

    Raises:
        Mismatch: where it goes wrong.
    """
    states = replay(piece, order.steps)
    if order.totals != count_up(order.steps, piece.minutes, piece.free_walks):
        raise Mismatch("The totals do not follow from the steps.")
    if order.bound > order.totals.minutes + 1e-6:
        raise Mismatch("The bound lies above what the order costs.")
    return states
