"""A work order carried out on the loom's own rules and compared with the design, row by row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from server.design.piece import Piece
from server.loom.actions import Refused, apply
from server.loom.state import State, units_up
from server.loom.steps import (
    Done,
    Insert,
    Label,
    MoveCords,
    Raise,
    Reopen,
    Step,
    TakeOut,
    Walk,
    Weave,
    Withdraw,
)
from server.plan.visits import Visit, check_visits, position_of, way
from server.plan.workorder import WorkOrder, count_up


class Mismatch(AssertionError):
    """A work order does not weave the piece; the message says where it goes wrong."""


def at_rest(state: State) -> State:
    """A state as an order begins in it, with the same things standing.

    A shed that was raised for something may be raised again, changed, or let down. A walk may be made. From
    behind the loom she may come back, whether or not anything was done there. What was finished goes on.
    """
    at = position_of(state)
    behind = state.phase == "behind"
    return replace(
        state,
        phase={"raised": "woven", "done": "down"}.get(state.phase, state.phase),  # type: ignore[arg-type]
        row=at.row,
        picks=at.picks,
        reopened=False,
        walk_after=at.row if behind else None,
        busy=behind,
    )


def replay(piece: Piece, steps: tuple[Step, ...]) -> list[State]:
    """Carry out the steps of a whole work order, from the bare loom to the last.

    Returns:
        len(steps) + 1 states: before the first step, and after each.

    Raises:
        Mismatch: at the first step that the loom refuses or that does not weave the design.
    """
    return replay_from(piece, State(), whole(piece), steps)


def whole(piece: Piece) -> tuple[Visit, ...]:
    """Every row, woven once."""
    return way(piece, 0, 0, len(piece.rows))


def replay_from(
    piece: Piece, start: State, visits: Sequence[Visit], steps: Sequence[Step], until_bare: bool = True
) -> list[State]:
    """Carry out the steps of an order that begins in some state and goes through these visits.

    Args:
        start: as found; the order begins in it `at_rest`.
        until_bare: whether the loom must be bare at its end.

    Returns:
        len(steps) + 1 states: before the first step, and after each.

    Raises:
        Mismatch: at the first step that the loom refuses or that does not do what the visits say.
        ValueError: if the visits do not follow from the start.
    """
    check_visits(piece, position_of(start), visits)
    states = [at_rest(start)]
    made = 0
    for place, step in enumerate(steps, 1):
        try:
            states.append(apply(piece.loom, states[-1], step))
            visit = visits[made] if made < len(visits) else None
            _compare(piece, states[-1], step, visit, made == 0)
        except Refused as refusal:
            raise Mismatch(f"Step {place}: {refusal}") from refusal
        except Mismatch as mismatch:
            raise Mismatch(f"Step {place}: {mismatch}") from None
        made += isinstance(step, Weave | TakeOut)
    _check_end(piece, states[-1], visits, made, until_bare)
    _check_labels(states[0], steps)
    return states


def _compare(piece: Piece, state: State, step: Step, visit: Visit | None, first: bool) -> None:
    """A step against the visit that it belongs to, or that comes next.

    Args:
        state: after the step.
        visit: None: no row comes any more.
        first: nothing has been woven or taken out yet.
    """
    match step:
        case Raise():
            if step.row > len(piece.rows):
                raise Mismatch(f"The piece has no row {step.row}.")
            if visit is None:
                raise Mismatch(f"Row {step.row} is not to be raised any more.")
            if (step.row, isinstance(step, Reopen)) != (visit.row, visit.out):
                raise Mismatch(f"Row {visit.row} is to be {'taken out' if visit.out else 'woven'} next.")
            up = units_up(piece.loom, state, step.handles, step.single_cords)
            if up != piece.rows[step.row - 1]:
                wrong = sorted(up ^ piece.rows[step.row - 1])
                raise Mismatch(f"Row {step.row} comes out wrong at unit {wrong[0]}.")
        case Weave() | TakeOut():
            assert visit is not None, "nothing is raised without a visit"
            picks = abs(visit.after - visit.before)
            left = step.left if isinstance(step, TakeOut) else 0
            if (step.picks, step.treadles) != (
                picks,
                visit.treadles(piece),
            ) or left != visit.after * visit.out:
                raise Mismatch(f"Row {step.row} has other picks or treadles than the piece.")
        case Walk():
            if state.picks and not first:
                raise Mismatch(f"No walk may be made within row {state.row + 1}.")
            if not state.picks and state.row in piece.no_walks:
                raise Mismatch(f"No walk may be made after row {state.row}.")
        case Done():
            if state.row != len(piece.rows):
                raise Mismatch(f"Only {state.row} of {len(piece.rows)} rows are woven.")


def _check_end(piece: Piece, state: State, visits: Sequence[Visit], made: int, until_bare: bool) -> None:
    """The last state: all visits made, and the loom bare if it shall be."""
    finished = state.row == len(piece.rows) and until_bare
    if made < len(visits) or (state.phase == "done") != finished:
        raise Mismatch(f"The order ends after row {state.row} of {len(piece.rows)}.")
    if until_bare and not state.is_bare():
        raise Mismatch("The order ends with something of it still in the loom.")
    if not until_bare and made and state.phase == "behind":
        raise Mismatch("The order ends behind the loom.")


def _check_labels(start: State, steps: Sequence[Step]) -> None:
    """Numbers are taped on once, for all that take temporaries, first of all on the first walk."""
    parents = {step.shaft for step in steps if isinstance(step, Insert)} - (start.labelled or frozenset())
    labelled = [set(step.shafts) for step in steps if isinstance(step, Label)]
    if labelled != ([parents] if parents else []):
        raise Mismatch("The shafts that take temporaries are not numbered once, all on the first walk.")
    changes = (place for place, step in enumerate(steps) if isinstance(step, Insert | MoveCords | Withdraw))
    first_change = next(changes, None)
    if parents and first_change is not None and not isinstance(steps[first_change - 1], Label):
        raise Mismatch("Numbers must be taped on first of all on the first walk.")


def verify(piece: Piece, order: WorkOrder) -> list[State]:
    """Replay a whole work order and check its totals.

    Returns:
        The states, as `replay` gives them.

    Raises:
        Mismatch: where it goes wrong.
    """
    return verify_from(piece, State(), whole(piece), order)


def verify_from(
    piece: Piece,
    start: State,
    visits: Sequence[Visit],
    order: WorkOrder,
    *,
    until_bare: bool = True,
    free_now: bool = False,
) -> list[State]:
    """Replay an order from some state and check its totals.

    Args:
        free_now: a walk before anything is woven or taken out costs nothing.

    Returns:
        The states, as `replay_from` gives them.

    Raises:
        Mismatch: where it goes wrong.
    """
    states = replay_from(piece, start, visits, order.steps, until_bare)
    if order.totals != count_up(order.steps, piece.minutes, piece.free_walks, states[0], free_now):
        raise Mismatch("The totals do not follow from the steps.")
    if order.bound > order.totals.minutes + 1e-6:
        raise Mismatch("The bound lies above what the order costs.")
    return states
