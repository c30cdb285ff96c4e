"""Which things of a walk can be done out of their turn, for a screen that cannot ask."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from server.loom.actions import Refused, apply
from server.loom.legal import check_room
from server.loom.state import Loom, State, Temporary
from server.loom.steps import Insert, Step, Withdraw


@lru_cache(maxsize=64)
def needed_before(loom: Loom, state: State, steps: tuple[Step, ...]) -> tuple[frozenset[int], ...]:
    """For each step of a walk, the earlier ones that are done before it.

    Any set of steps that has, with each step, all that is named here can be done first, and then the rest in
    its order. Some other sets may be possible too; that is for the server to say.

    Args:
        state: what stands before the first step.
        steps: in an order that is possible.
    """
    states = [state]
    for step in steps:
        states.append(apply(loom, states[-1], step))
    is_short = _is_short_of_room(loom, state, steps)
    found: list[frozenset[int]] = []
    for number, step in enumerate(steps):
        needed: set[int] = set()
        for earlier in reversed(range(number)):
            if earlier in needed:
                continue
            # where room is short, what comes out first comes out first
            is_for_room = is_short and isinstance(step, Insert) and isinstance(steps[earlier], Withdraw)
            between = range(earlier + 1, number)
            order = [
                *(steps[n] for n in between if n in needed),
                step,
                steps[earlier],
                *(steps[n] for n in between if n not in needed),
            ]
            if is_for_room or _after(loom, states[earlier], order) != states[number + 1]:
                needed |= {earlier} | found[earlier]
        found.append(frozenset(needed))
    return tuple(found)


def _is_short_of_room(loom: Loom, state: State, steps: tuple[Step, ...]) -> bool:
    """Whether not all that comes in could be in at once, with nothing drawn out."""
    coming = (Temporary(s.temporary, s.shaft, frozenset(s.units)) for s in steps if isinstance(s, Insert))
    try:
        check_room(loom, replace(state, temporaries=(*state.temporaries, *coming)))
    except Refused:
        return True
    return False


def _after(loom: Loom, state: State, steps: list[Step]) -> State | None:
    """What stands after these steps; None where one of them is refused."""
    try:
        for step in steps:
            state = apply(loom, state, step)
    except Refused:
        return None
    return state
