"""What may be done to the loom: one function for each step, next state out, or a sentence why not.

The rules are those of WORKORDER.md, except two that need the design and are checked where it is known
(`server.plan.replay`): that a shed is the row's, and that a walk falls where one is allowed.
"""

from __future__ import annotations

from dataclasses import replace
from functools import singledispatch

from server.loom.state import (
    TEMPORARY_NAME,
    Loom,
    State,
    Temporary,
    carried_units,
    handle_order,
    parent_of,
    temporary_order,
)
from server.loom.steps import Done, Insert, Label, MoveCords, Raise, Step, Walk, Weave, Withdraw


class Refused(ValueError):
    """The loom does not allow it; the message says why, in a sentence for the weaver."""


def and_list(words: list[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


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
    if state.phase == "raised":
        raise Refused(
            f"Row {state.row} is raised and not yet woven; weave it before row {step.row} is raised."
        )
    if step.row != state.row + 1:
        raise Refused(f"Row {state.row + 1} comes next, not row {step.row}.")
    _leave_walk(loom, state)
    for handles, what in ((step.handles, "Handle"), (step.single_cords, "Single cord")):
        if len(set(handles)) != len(handles):
            raise Refused(f"{what}s for row {step.row} are named twice.")
    for unit in step.single_cords:
        if unit not in loom.single_cords:
            raise Refused(f"Unit {unit} has no single draw cord to pull.")
    for handle in step.handles:
        try:
            carrier = state.carrier(loom, handle)
        except KeyError:
            raise Refused(f"This loom has no handle {handle}.") from None
        if not carried_units(loom, state, carrier) or carrier is None:
            raise Refused(f"Handle {handle} carries nothing; it is not raised.")
        others = [t.name for t in state.temporaries_of(parent_of(carrier)) if t.name != carrier]
        if others and not loom.temporaries_may_stay:
            raise Refused(
                f"{carrier} cannot be raised while {and_list(others)} of the same shaft is in the loom: "
                "on this loom a temporary that is not in use must be out."
            )
    return replace(
        state,
        phase="raised",
        row=step.row,
        raised=frozenset(step.handles),
        pulled=frozenset(step.single_cords),
        busy=False,
    )


@_apply.register
def _weave(step: Weave, loom: Loom, state: State) -> State:
    if state.phase != "raised":
        raise Refused(f"Row {step.row} cannot be woven: its shed is not raised.")
    if step.row != state.row:
        raise Refused(f"Row {state.row} is raised; row {step.row} cannot be woven in it.")
    if step.picks < 1 or len(step.treadles) != step.picks:
        raise Refused(f"Row {step.row} needs one treadle for each of its picks.")
    for treadle in step.treadles:
        if not 1 <= treadle <= loom.treadles:
            raise Refused(f"This loom has no treadle {treadle}; it has {loom.treadles}.")
    return replace(state, phase="woven")


@_apply.register
def _walk(step: Walk, loom: Loom, state: State) -> State:
    if state.phase == "behind":
        raise Refused("You are behind the loom already.")
    if state.phase == "raised":
        raise Refused(f"Row {state.row} is raised and not yet woven; weave it before you go behind.")
    if state.walk_after == state.row:
        raise Refused(f"There has been a walk after row {state.row} already; one is enough.")
    return replace(
        state, phase="behind", raised=frozenset(), pulled=frozenset(), walk_after=state.row, busy=False
    )


@_apply.register
def _label(step: Label, loom: Loom, state: State) -> State:
    _must_be_behind(state, "Numbers are taped on")
    if state.labelled is not None:
        raise Refused("The shafts have been numbered already; once is enough.")
    if not step.shafts or len(set(step.shafts)) != len(step.shafts):
        raise Refused("Name the shafts to be numbered, each once.")
    for shaft in step.shafts:
        _must_exist(loom, shaft)
    return replace(state, labelled=frozenset(step.shafts), busy=True)


@_apply.register
def _insert(step: Insert, loom: Loom, state: State) -> State:
    _must_be_behind(state, "A temporary is put in")
    _must_exist(loom, step.shaft)
    name = TEMPORARY_NAME.fullmatch(step.temporary)
    if not name or int(name[1]) != step.shaft:
        raise Refused(f"A temporary of shaft {step.shaft} is called {step.shaft}a, {step.shaft}b and so on.")
    if state.temporary(step.temporary):
        raise Refused(f"{step.temporary} is in the loom already.")
    if step.shaft not in (state.labelled or ()):
        raise Refused(f"Shaft {step.shaft} has no number taped on; tape it before anything moves.")
    units = frozenset(step.units)
    if len(units) != len(step.units):
        raise Refused(f"Units for {step.temporary} are named twice.")
    hung = loom.units_of(step.shaft)
    if strays := sorted(units - hung):
        raise Refused(f"Unit {strays[0]} does not hang on shaft {step.shaft}.")
    if not units or units == hung:
        raise Refused(
            f"{step.temporary} must take some of the leashes on shaft {step.shaft} and pass some by."
        )
    if len(state.temporaries) >= loom.spare_shafts:
        raise Refused(_no_room(loom.spare_shafts, "This loom has", "spare shaft"))
    if len(state.temporaries_of(step.shaft)) >= loom.temporaries_per_shaft:
        raise Refused(_no_room(loom.temporaries_per_shaft, f"Shaft {step.shaft} takes", "temporary at once"))
    temporaries = (*state.temporaries, Temporary(step.temporary, step.shaft, units))
    return replace(
        state, temporaries=tuple(sorted(temporaries, key=lambda t: temporary_order(t.name))), busy=True
    )


@_apply.register
def _move_cords(step: MoveCords, loom: Loom, state: State) -> State:
    _must_be_behind(state, "Draw cords are moved")
    try:
        home, now = loom.home(step.handle), state.carrier(loom, step.handle)
    except KeyError:
        raise Refused(f"This loom has no handle {step.handle}.") from None
    if now != step.source:
        raise Refused(
            f"The cords of handle {step.handle} are on {now or 'nothing'}, not on {step.source or 'nothing'}."
        )
    if step.target == step.source:
        raise Refused(f"The cords of handle {step.handle} are there already.")
    if step.target is not None and step.target != home:
        temporary = state.temporary(step.target)
        if temporary is None:
            if step.target.isdigit():
                raise Refused(
                    f"Handle {step.handle} cannot carry shaft {step.target}; only that shaft's own can."
                )
            raise Refused(f"{step.target} is not in the loom; put it in before its cords are moved.")
        if home is not None and temporary.parent != int(step.handle):
            raise Refused(
                f"Handle {step.handle} reaches temporaries of shaft {home} only; {step.target} is not one."
            )
        if other := state.handle_on(step.target):
            raise Refused(f"{step.target} hangs on handle {other} already.")
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
    if state.phase == "raised":
        raise Refused(f"Row {state.row} is raised and not yet woven.")
    if state.phase == "behind":
        _leave_walk(loom, state)
    if state.temporaries:
        raise Refused(
            f"{and_list([t.name for t in state.temporaries])} must come out before the piece is finished."
        )
    if state.away:
        raise Refused(f"The cords of {and_list(['handle ' + h for h, _ in state.away])} are not home yet.")
    return replace(state, phase="done", raised=frozenset(), pulled=frozenset(), busy=False)


def _leave_walk(loom: Loom, state: State) -> None:
    """Refuse to come back to the bench from a walk that is not at an end."""
    if state.phase != "behind":
        return
    if not state.busy:
        raise Refused("Nothing has been done on this walk.")
    for handle, carrier in state.away:
        if carrier is None:
            raise Refused(
                f"The cords of handle {handle} hang free; hook them on before you go back to the bench."
            )


def _no_room(room: int, who: str, what: str) -> str:
    if room == 0:
        return f"{who} no {what}."
    return f"{who} {room} {what if room == 1 else _PLURAL[what]}, and no more; draw one out first."


_PLURAL = {"spare shaft": "spare shafts", "temporary at once": "temporaries at once"}


def _must_be_behind(state: State, what: str) -> None:
    if state.phase != "behind":
        raise Refused(f"{what} behind the loom only; go behind first.")


def _must_exist(loom: Loom, shaft: int) -> None:
    if not 1 <= shaft <= loom.pattern_shafts:
        raise Refused(f"This loom has no pattern shaft {shaft}; it has {loom.pattern_shafts}.")
