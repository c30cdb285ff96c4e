"""What is to be planned: from which state, through which rows, to which end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from server.design.piece import Piece
from server.loom.state import Loom, State
from server.plan.demands import Part, Twin
from server.plan.replay import at_rest, verify_from, whole
from server.plan.schedule import BARE, Borrowed, Schedule, Standing, lift_of_all
from server.plan.visits import Position, Visit, check_visits, position_after, position_of
from server.plan.workorder import WorkOrder


@dataclass(frozen=True)
class Task:
    """What is to be planned, as the planner needs it.

    A gap is where a walk can be: gap 0 before the first visit, gap g after the g-th.

    Attributes:
        piece: the whole piece.
        start: the state to begin in, at rest.
        visits: what is to be woven and taken out.
        asked: a piece whose rows are those of the visits, one by one, and whose walks those of the gaps.
        begin: what stands at the start.
        names: how the temporaries are called that stand there.
        end: what shall stand at the end; None: that is free.
        finished: whether the piece is woven to its end, and that said.
        free_now: whether a walk in gap 0 costs nothing.
        known: an order to begin the search from: what stands at each visit; empty: none.
    """

    piece: Piece
    start: State
    visits: tuple[Visit, ...]
    asked: Piece
    begin: Standing
    names: dict[Borrowed, str]
    end: Standing | None
    finished: bool
    free_now: bool
    known: Schedule = ()

    @property
    def under_way(self) -> bool:
        """Whether she is behind the loom at the start: the walk in gap 0 is made, and paid."""
        return self.start.phase == "behind"

    @property
    def sunk(self) -> float:
        """Minutes for drawing out what stands at the start: the model pays for that with the insertion."""
        return self.piece.minutes.withdraw * len(self.begin.inside)

    def without_walk_now(self) -> Task:
        """The same with no walk in gap 0."""
        return replace(self, asked=replace(self.asked, no_walks=self.asked.no_walks | {0}))

    def may_walk(self, gap: int) -> bool:
        """Whether a walk can be made in a gap."""
        return gap not in self.asked.no_walks

    def can_be(self, schedule: Schedule) -> bool:
        """Whether every row is lifted, and every change falls where a walk can be."""
        if len(schedule) != len(self.visits):
            return False
        ends = [self.begin, *schedule, *([self.end] if self.end is not None else [])]
        changes = (gap for gap, (now, then) in enumerate(pairwise(ends)) if now != then)
        lifted = zip(schedule, self.asked.rows, strict=True)
        return all(self.may_walk(gap) for gap in changes) and all(
            lift_of_all(self.piece.loom, standing, row) is not None for standing, row in lifted
        )


def whole_task(piece: Piece) -> Task:
    """The whole piece, from the bare loom to the bare loom."""
    return Task(piece, State(), whole(piece), piece, BARE, {}, BARE, finished=True, free_now=False)


def task_from(
    piece: Piece,
    start: State,
    visits: Sequence[Visit],
    *,
    until_bare: bool,
    free_now: bool,
    known: Mapping[int, State] | None = None,
) -> Task:
    """The task of a plan from some state.

    Args:
        start: as found, and allowed by the loom's rules.
        until_bare: whether the loom shall be bare at the end.
        free_now: a walk before the first visit costs nothing.
        known: per row the state in which an order made before has its shed.

    Raises:
        ValueError: if the visits do not follow from the start, or the loom shall be bare within a row.
    """
    at = position_of(start)
    end = check_visits(piece, at, visits)
    if until_bare and end.picks:
        raise ValueError(f"Row {end.row + 1} is not finished; the loom is cleared between rows only.")
    positions = [at, *(position_after(piece, visit) for visit in visits)]
    begin, names = standing_of(piece.loom, start)
    return Task(
        piece=piece,
        start=at_rest(start),
        visits=tuple(visits),
        asked=_asked(piece, visits, positions, free_now, start.phase == "behind"),
        begin=begin,
        names=names,
        end=BARE if until_bare else None,
        finished=until_bare and end.row == len(piece.rows),
        free_now=free_now,
        known=_known(piece, visits, known or {}),
    )


def verify_for(task: Task, order: WorkOrder) -> list[State]:
    """Replay an order of a task and check its totals.

    Returns:
        The states before the first step, and after each.

    Raises:
        Mismatch: where it goes wrong.
    """
    until_bare = task.end is not None
    return verify_from(
        task.piece, task.start, task.visits, order, until_bare=until_bare, free_now=task.free_now
    )


def _known(piece: Piece, visits: Sequence[Visit], known: Mapping[int, State]) -> Schedule:
    """What stands at each visit in an order made before, where it has all these rows."""
    if not all(visit.row in known for visit in visits):
        return ()
    return [standing_of(piece.loom, known[visit.row])[0] for visit in visits]


def _asked(
    piece: Piece, visits: Sequence[Visit], positions: Sequence[Position], free_now: bool, under_way: bool
) -> Piece:
    """The piece whose rows are those of the visits.

    Between rows a walk is as free, or as barred, as the piece has it after the row that is in. Within a row
    none is made but, if need be, before the first visit. One that is under way is free.
    """
    between = [gap for gap, at in enumerate(positions) if not at.picks]
    free = {gap for gap in between if positions[gap].row in piece.free_walks}
    barred = {gap for gap in between if positions[gap].row in piece.no_walks}
    barred |= {gap for gap, at in enumerate(positions) if at.picks and gap}
    if free_now or under_way:
        free |= {0}
    if under_way:
        barred -= {0}
    return replace(
        piece,
        rows=tuple(piece.rows[visit.row - 1] for visit in visits),
        free_walks=frozenset(free),
        no_walks=frozenset(barred),
    )


def standing_of(loom: Loom, state: State) -> tuple[Standing, dict[Borrowed, str]]:
    """What stands in the loom in a state, and how the temporaries are called.

    A shaft's own handle whose cords hang free carries the empty part.
    """
    names: dict[Borrowed, str] = {}
    for temporary in state.temporaries:
        part: Part = temporary.units
        copy = 0
        while (temporary.parent, part) in names:
            copy += 1
            part = Twin(temporary.units, copy)
        names[temporary.parent, part] = temporary.name
    called = {name: borrowed for borrowed, name in names.items()}
    home: dict[int, Part] = {}
    spare: set[Borrowed] = set()
    for handle, carrier in state.away:
        if loom.home(handle) is not None:
            home[int(handle)] = called[carrier][1] if carrier is not None else frozenset()
        elif carrier is not None:
            spare.add(called[carrier])
    return Standing(frozenset(names), home, frozenset(spare)), names
