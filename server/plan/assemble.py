"""From a schedule to the steps of a work order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from server.loom.actions import Refused, apply
from server.loom.leashes import NO_SHAFT
from server.loom.state import Loom, State, handle_order, parent_of, temporary_names
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
from server.plan.schedule import Borrowed, Lift, Schedule, Standing, lift_of_all
from server.plan.task import Task
from server.plan.workorder import WorkOrder, count_up


def assemble(task: Task, schedule: Schedule, *, bound: float = 0.0, proven: bool = False) -> WorkOrder:
    """The work order of a schedule.

    Args:
        schedule: one standing a visit; every row must be liftable in it.
        bound: lower bound to note in the order.

    Raises:
        ValueError: if a row cannot be lifted as the schedule has it.
    """
    piece = task.piece
    labels = _to_label(task, schedule)
    state, steps = task.start, list[Step]()
    names = task.names
    lifts = _lifts_that_stand(task)

    def do(step: Step) -> None:
        nonlocal state
        state = apply(piece.loom, state, step)
        steps.append(step)

    now = task.begin
    for gap, standing in enumerate([*schedule, *([task.end] if task.end is not None else [])]):
        if standing != now:
            names = _names(names, now, standing)
            if state.phase != "behind":
                do(Walk())
            if labels:
                do(Label(tuple(labels)))
                labels = []
            for step in walk_steps(piece.loom, state, _target(piece.loom, state, standing, names)):
                do(step)
            now = standing
        if gap == len(schedule):
            break
        visit = task.visits[gap]
        found = lift_of_all(piece.loom, standing, task.asked.rows[gap], lifts)
        if found is None:
            raise ValueError(f"row {visit.row} cannot be lifted as scheduled")
        lifts = found
        do((Reopen if visit.out else Raise)(visit.row, *_raised(task, gap, state, lifts, names)))
        treadles = visit.treadles(piece)
        if visit.out:
            do(TakeOut(visit.row, len(treadles), treadles, visit.after))
        else:
            do(Weave(visit.row, len(treadles), treadles))
    if task.finished:
        do(Done())
    totals = count_up(steps, piece.minutes, piece.free_walks, task.start, task.free_now)
    return WorkOrder(proven, bound, totals, tuple(steps))


def _to_label(task: Task, schedule: Schedule) -> list[int]:
    """The shafts that take a temporary on the way and bear no number yet."""
    come = (then.inside - now.inside for now, then in pairwise([task.begin, *schedule]))
    return sorted({shaft for coming in come for shaft, _ in coming} - (task.start.labelled or frozenset()))


def _lifts_that_stand(task: Task) -> dict[int, Lift]:
    """How each shaft is lifted in a shed that stands at the start."""
    loom, state = task.piece.loom, task.start
    parts = {name: part for (_, part), name in task.names.items()}
    up = [state.carrier(loom, handle) for handle in state.raised]
    return {
        shaft: Lift(
            str(shaft) in up,
            frozenset(parts[name] for name in up if name in parts and parent_of(name) == shaft),
            state.pulled & units,
        )
        for shaft, units in loom.units_by_shaft.items()
    }


def _raised(
    task: Task, gap: int, state: State, lifts: Mapping[int, Lift], names: Mapping[Borrowed, str]
) -> tuple[tuple[str, ...], tuple[int, ...]]:
    """The handles and the single cords that are up for a visit."""
    leashes = task.piece.loom.leashes
    handles, cords = list[str](), {u for u in task.asked.rows[gap] if leashes[u - 1] == NO_SHAFT}
    for shaft, lift in lifts.items():
        cords |= lift.cords
        handles += [str(shaft)] * lift.whole
        for part in lift.parts:
            handle = state.handle_on(names[shaft, part])
            assert handle is not None
            handles.append(handle)
    return tuple(sorted(handles, key=handle_order)), tuple(sorted(cords))


def _names(names: Mapping[Borrowed, str], now: Standing, then: Standing) -> dict[Borrowed, str]:
    """Names for all temporaries in the loom after a walk; none is used for two on the same walk."""
    kept = {temporary: name for temporary, name in names.items() if temporary in now.inside}
    named = {temporary: name for temporary, name in kept.items() if temporary in then.inside}
    taken = set(kept.values())
    for shaft, part in sorted(then.inside - now.inside, key=lambda t: (t[0], sorted(t[1]))):
        name = next(n for n in temporary_names(shaft) if n not in taken)
        taken.add(name)
        named[shaft, part] = name
    return named


@dataclass(frozen=True, slots=True)
class Target:
    """What shall stand in the loom when a walk ends.

    Attributes:
        temporaries: name → units' owner and units.
        cords: handle → carrier, for every handle that is away before or after.
    """

    temporaries: dict[str, Borrowed]
    cords: dict[str, str | None]


def _target(loom: Loom, state: State, standing: Standing, names: Mapping[Borrowed, str]) -> Target:
    """Name the handles: a spare handle keeps what it has; a freed one is used again before a fresh one."""
    cords: dict[str, str | None] = {handle: loom.home(handle) for handle, _ in state.away}
    for shaft, part in standing.home.items():
        cords[str(shaft)] = names[shaft, part]
    wanted = {names[temporary] for temporary in standing.spare}
    freed = []
    for handle, carrier in state.away:
        if handle.startswith("S"):
            if carrier in wanted:
                cords[handle] = carrier
                wanted.discard(carrier or "")
            else:
                freed.append((handle, carrier))
    in_use = {handle for handle, _ in state.away}
    for name in sorted(wanted, key=lambda n: (parent_of(n), n)):
        same_shaft = [h for h, carrier in freed if carrier and parent_of(carrier) == parent_of(name)]
        if freed:
            handle = same_shaft[0] if same_shaft else freed[0][0]
            freed = [entry for entry in freed if entry[0] != handle]
        else:
            number = next(n for n in range(1, loom.spare_handles + 1) if f"S{n}" not in in_use)
            handle = f"S{number}"
            in_use.add(handle)
        cords[handle] = name
    return Target({names[temporary]: temporary for temporary in standing.inside}, cords)


def walk_steps(loom: Loom, state: State, target: Target) -> list[Step]:
    """What to do behind the loom: each shaft visited once where that can be, from the front to the back.

    Where the spare shafts do not suffice in that order, from the back to the front, and failing that first
    the shafts that give temporaries up.
    """
    change: dict[int, int] = {}
    for temporary in state.temporaries:
        if temporary.name not in target.temporaries:
            change[temporary.parent] = change.get(temporary.parent, 0) - 1
    for name, (shaft, _) in target.temporaries.items():
        if state.temporary(name) is None:
            change[shaft] = change.get(shaft, 0) + 1
    for handle, carrier in target.cords.items():
        now = state.carrier(loom, handle)
        if now != carrier:
            for end in (now, carrier):
                if end is not None:
                    change.setdefault(parent_of(end), 0)
    upwards = sorted(change)
    giving_first = sorted(change, key=lambda shaft: (change[shaft] >= 0, shaft))
    best: list[Step] | None = None
    for tour in (upwards, upwards[::-1], giving_first):
        steps = _tour(loom, state, target, tour)
        if steps is not None and (best is None or visits(steps) < visits(best)):
            best = steps
        if best is not None and visits(best) == len(change):
            break
    assert best is not None, "giving first never runs out of spare shafts"
    return best


def visits(steps: Sequence[Step]) -> int:
    """How often one goes to a shaft behind the loom: runs of steps at the same shaft, walk by walk."""
    places = [shaft for step in steps for shaft in _shafts_of(step)]
    return sum(place not in (0, before) for place, before in zip(places, [0, *places], strict=False))


def _shafts_of(step: Step) -> list[int]:
    match step:
        case Insert():
            return [step.shaft]
        case Withdraw():
            return [parent_of(step.temporary)]
        case MoveCords():
            return [parent_of(end) for end in (step.source, step.target) if end is not None]
        case Walk():
            return [0]
    return []


def _tour(loom: Loom, state: State, target: Target, tour: list[int]) -> list[Step] | None:
    """The steps of a walk that visits the shafts in this order; None where the loom does not allow it."""
    steps: list[Step] = []
    now = {handle: state.carrier(loom, handle) for handle in target.cords}
    moving = [handle for handle, carrier in target.cords.items() if now[handle] != carrier]
    missing = [name for name in target.temporaries if state.temporary(name) is None]

    def do(step: Step) -> bool:
        nonlocal state
        try:
            state = apply(loom, state, step)
        except Refused:
            return False
        steps.append(step)
        return True

    def move(handle: str, carrier: str | None) -> bool:
        if not do(MoveCords(handle, now[handle], carrier)):
            return False
        now[handle] = carrier
        return True

    for shaft in tour:
        coming = [name for name in missing if parent_of(name) == shaft]
        going = [t.name for t in state.temporaries_of(shaft) if t.name not in target.temporaries]
        onto = [h for h in moving if (carrier := target.cords[h]) is not None and parent_of(carrier) == shaft]
        progress = True
        while progress:
            before = len(steps)
            coming = [
                name
                for name in coming
                if not do(Insert(shaft, name, tuple(sorted(target.temporaries[name][1]))))
            ]
            onto = [handle for handle in onto if not move(handle, target.cords[handle])]
            going = [name for name in going if not do(Withdraw(name))]
            progress = len(steps) > before
            if not progress:
                # What is left here waits for a shaft further on, or for room: let such cords hang free.
                progress = any(
                    now[handle] is not None
                    and now[handle] != target.cords[handle]
                    and parent_of(now[handle] or "") == shaft
                    and move(handle, None)
                    for handle in moving
                )
        if coming or going:
            return None
    return steps if all(now[handle] == target.cords[handle] for handle in moving) else None
