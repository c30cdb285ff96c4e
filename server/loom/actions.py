"""What may be done to the loom: one function for each step, next state out, or a sentence why not.

The rules are those of WORKORDER.md, except those that need the design and are checked where it is known
(`server.plan.replay`): that a shed is the row's, that a row gets all its picks, and that a walk falls where
one is allowed. What may stand in the loom at all is in `server.loom.legal`.
"""

from __future__ import annotations

from dataclasses import replace
from functools import singledispatch

from server.loom.legal import (
    Refused,
    and_list,
    check_bare,
    check_carrier,
    check_hung_up,
    check_raised,
    check_room,
    check_shaft,
    check_temporary,
    home_of,
)
from server.loom.state import Loom, State, Temporary, handle_order, temporary_order
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

__all__ = ["Refused", "and_list", "apply"]


def apply(loom: Loom, state: State, step: Step) -> State:
    """Do one step to the loom.

    Returns:
        The next state; `state` itself is never changed.

    Raises:
        Refused: with a sentence that says what stands in the way.
    """
    if state.phase == "done":
        raise Refused("The piece is finished; nothing more is to be done on it.")
    return _apply(step, loom, state)


@singledispatch
def _apply(step: Step, loom: Loom, state: State) -> State:
    raise TypeError(f"no rule for {step!r}")


@_apply.register
def _raise(step: Raise, loom: Loom, state: State) -> State:
    _shed_must_be_down(state, f"before row {step.row} is raised")
    if step.row != state.row + 1:
        raise Refused(f"Row {state.row + 1} comes next, not row {step.row}.")
    return _raised(step, loom, state)


@_apply.register
def _reopen(step: Reopen, loom: Loom, state: State) -> State:
    _shed_must_be_down(state, f"before row {step.row} is opened again")
    last = state.row + 1 if state.picks else state.row
    if last == 0:
        raise Refused("No row is in the cloth; there is nothing to take out.")
    if step.row != last:
        raise Refused(f"Row {last} is the last in the cloth and comes out first, not row {step.row}.")
    return replace(_raised(step, loom, state), reopened=True)


def _raised(step: Raise, loom: Loom, state: State) -> State:
    """The shed of a row stands."""
    if state.phase == "behind":
        _leave_walk(loom, state)
    for names, what in ((step.handles, "Handle"), (step.single_cords, "Single cord")):
        if len(set(names)) != len(names):
            raise Refused(f"{what}s for row {step.row} are named twice.")
    check_raised(loom, state, step.handles, step.single_cords)
    return replace(
        state,
        phase="raised",
        row=step.row,
        raised=frozenset(step.handles),
        pulled=frozenset(step.single_cords),
        walk_after=None,
        busy=False,
    )


@_apply.register
def _weave(step: Weave, loom: Loom, state: State) -> State:
    if state.phase != "raised":
        raise Refused(f"Row {step.row} cannot be woven: its shed is not raised.")
    if state.reopened:
        raise Refused(f"Row {state.row} is open to be taken out, not to be woven.")
    if step.row != state.row:
        raise Refused(f"Row {state.row} is raised; row {step.row} cannot be woven in it.")
    _check_picks(loom, step)
    return replace(state, phase="woven", picks=0)


@_apply.register
def _take_out(step: TakeOut, loom: Loom, state: State) -> State:
    if state.phase != "raised" or not state.reopened:
        raise Refused(f"Row {step.row} cannot be taken out: its shed is not opened for that.")
    if step.row != state.row:
        raise Refused(f"Row {state.row} is open; row {step.row} cannot be taken out of it.")
    _check_picks(loom, step)
    if step.left < 0:
        raise Refused(f"Of row {step.row} no fewer than 0 picks can be left, so not {step.left}.")
    if state.picks and step.picks + step.left != state.picks:
        raise Refused(
            f"Picks in of row {step.row}: {state.picks}; {step.picks} out and {step.left} left do not come "
            "to that."
        )
    return replace(state, phase="woven", row=state.row - 1, reopened=False, picks=step.left)


def _check_picks(loom: Loom, step: Weave | TakeOut) -> None:
    """One treadle a pick, and none that the loom has not."""
    if step.picks < 1 or len(step.treadles) != step.picks:
        raise Refused(f"Row {step.row} needs one treadle for each of its picks.")
    for treadle in step.treadles:
        if not 1 <= treadle <= loom.treadles:
            raise Refused(f"This loom has no treadle {treadle}; it has {loom.treadles}.")


@_apply.register
def _walk(step: Walk, loom: Loom, state: State) -> State:
    if state.phase == "behind":
        raise Refused("You are behind the loom already.")
    _shed_must_be_down(state, "before you go behind")
    if state.walk_after == state.row:
        raise Refused(f"There has been a walk after row {state.row} already; one is enough.")
    return replace(
        state, phase="behind", raised=frozenset(), pulled=frozenset(), walk_after=state.row, busy=False
    )


@_apply.register
def _label(step: Label, loom: Loom, state: State) -> State:
    _must_be_behind(state, "Numbers are taped on")
    if not step.shafts or len(set(step.shafts)) != len(step.shafts):
        raise Refused("Name the shafts to be numbered, each once.")
    for shaft in step.shafts:
        check_shaft(loom, shaft)
    labelled = state.labelled or frozenset()
    if again := sorted(labelled & set(step.shafts)):
        raise Refused(f"Shaft {again[0]} has been numbered already; once is enough.")
    return replace(state, labelled=labelled | set(step.shafts), busy=True)


@_apply.register
def _insert(step: Insert, loom: Loom, state: State) -> State:
    _must_be_behind(state, "A temporary is put in")
    units = frozenset(step.units)
    if len(units) != len(step.units):
        raise Refused(f"Units for {step.temporary} are named twice.")
    check_shaft(loom, step.shaft)
    if state.temporary(step.temporary):
        raise Refused(f"{step.temporary} is in the loom already.")
    if step.shaft not in (state.labelled or ()):
        raise Refused(f"Shaft {step.shaft} has no number taped on; tape it before anything moves.")
    temporary = Temporary(step.temporary, step.shaft, units)
    check_temporary(loom, temporary)
    temporaries = sorted((*state.temporaries, temporary), key=lambda t: temporary_order(t.name))
    inserted = replace(state, temporaries=tuple(temporaries), busy=True)
    check_room(loom, inserted)
    return inserted


@_apply.register
def _move_cords(step: MoveCords, loom: Loom, state: State) -> State:
    _must_be_behind(state, "Draw cords are moved")
    home = home_of(loom, step.handle)
    now = state.carrier(loom, step.handle)
    if now != step.source:
        raise Refused(
            f"The cords of handle {step.handle} are on {now or 'nothing'}, not on {step.source or 'nothing'}."
        )
    if step.target == step.source:
        raise Refused(f"The cords of handle {step.handle} are there already.")
    if step.target is not None:
        check_carrier(loom, state, step.handle, step.target)
    away = dict(state.away)
    away.pop(step.handle, None)
    if step.target != home:
        away[step.handle] = step.target
    return replace(state, away=tuple(sorted(away.items(), key=lambda item: handle_order(item[0]))), busy=True)


@_apply.register
def _withdraw(step: Withdraw, loom: Loom, state: State) -> State:
    _must_be_behind(state, "A temporary is drawn out")
    if state.temporary(step.temporary) is None:
        raise Refused(f"{step.temporary} is not in the loom.")
    if handle := state.handle_on(step.temporary):
        raise Refused(f"The cords of handle {handle} are still on {step.temporary}; move them off first.")
    return replace(
        state, temporaries=tuple(t for t in state.temporaries if t.name != step.temporary), busy=True
    )


@_apply.register
def _done(step: Done, loom: Loom, state: State) -> State:
    _shed_must_be_down(state, "before the piece is finished")
    if state.phase == "behind":
        _leave_walk(loom, state)
    if state.picks:
        raise Refused(f"Row {state.row + 1} is begun; weave it before the piece is finished.")
    check_bare(state)
    return replace(state, phase="done", raised=frozenset(), pulled=frozenset(), busy=False)


def _leave_walk(loom: Loom, state: State) -> None:
    """Refuse to come back to the bench from a walk that is not at an end."""
    if not state.busy:
        raise Refused("Nothing has been done on this walk.")
    check_hung_up(loom, state)


def _shed_must_be_down(state: State, when: str) -> None:
    """Refuse to leave a shed that was raised for something and not used for it."""
    if state.phase == "raised" and state.reopened:
        raise Refused(f"Row {state.row} is open to be taken out; take its picks out {when}.")
    if state.phase == "raised":
        raise Refused(f"Row {state.row} is raised and not yet woven; weave it {when}.")


def _must_be_behind(state: State, what: str) -> None:
    if state.phase != "behind":
        raise Refused(f"{what} behind the loom only; go behind first.")
