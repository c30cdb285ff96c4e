"""What is left to be woven: with it a question can be asked where weaving has begun, as the loom stands.

Rows and walks are those of the rest then, counted from 1 and 0; who asks counts on from what is woven.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any

from pydantic import Field, TypeAdapter, ValidationError

from server.design.piece import Piece
from server.loom.actions import Refused
from server.loom.state import State
from server.plan.changed_cells import Cell
from server.plan.from_here import check_start, is_within_a_row
from server.plan.schedule import lift_of_all
from server.plan.task import Task, task_from, whole_task
from server.plan.visits import position_of, way

TaskOf = Callable[[Piece], Task]
"""What is to be planned of a piece. It is given other rows, as many of them, another loom, other walks."""

_STATE = TypeAdapter(State)
_ROWS = list[Annotated[int, Field(strict=True, ge=0)]]
_WALKS = TypeAdapter(tuple[_ROWS, _ROWS])


@dataclass(frozen=True)
class Rest:
    """What is left to be woven.

    Attributes:
        piece: as if it began here: its rows are those that are left, and its walks are counted from here.
        woven: so many rows of the whole come before them.
        begun: whether picks of the first of them are in, so that its cells stay as they are.
    """

    piece: Piece
    woven: int = 0
    begun: bool = False
    _task: Task | None = None
    _within_a_row: bool = False

    def task(self, piece: Piece) -> Task:
        """What is to be planned; as `TaskOf`. In the middle of a row no walk is made now if none need be."""
        task = self._task
        if task is None:
            return whole_task(piece)
        rows = list(task.piece.rows)
        rows[self.woven :] = piece.rows
        task = replace(task, piece=replace(task.piece, loom=piece.loom, rows=tuple(rows)), asked=piece)
        return task.without_walk_now() if self._within_a_row and _needs_no_walk_now(task) else task

    @property
    def fixed(self) -> frozenset[Cell]:
        """The cells of a row that is begun."""
        units = range(1, len(self.piece.loom.leashes) + 1)
        return frozenset((1, unit) for unit in units) if self.begun else frozenset()


def _needs_no_walk_now(task: Task) -> bool:
    """Whether what stands lifts all rows up to the next walk.

    On that the loom can come to stand like anything; so where there is any order, there is one without a
    walk now.
    """
    for gap, cells in enumerate(task.asked.rows, 1):
        if lift_of_all(task.piece.loom, task.begin, cells) is None:
            return False
        if task.may_walk(gap):
            return True
    return task.begin == task.end


def rest_of(piece: Piece, start: State) -> Rest:
    """The rest of a piece from a state on, to the bare loom.

    Args:
        start: as found; spare handles are alike, and counted anew.

    Raises:
        ValueError: with a sentence, if the loom's rules do not allow the state, or no row is left.
    """
    try:
        check_start(piece, start)
    except Refused as why:
        raise ValueError(str(why)) from why
    at = position_of(start)
    visits = way(piece, at.row, at.picks, len(piece.rows))
    if not visits:
        raise ValueError("No row is left to be woven.")
    start = _spare_handles_in_order(start)
    task = task_from(piece, start, visits, until_bare=True, free_now=False)
    return Rest(task.asked, at.row, at.picks > 0, task, is_within_a_row(start, task))


def _spare_handles_in_order(state: State) -> State:
    """The same with the first spare handles in use, so that it may stand on a loom with fewer of them."""
    used = [handle for handle, _ in state.away if handle.startswith("S")]
    called = {handle: f"S{number}" for number, handle in enumerate(used, 1)}
    return replace(
        state,
        away=tuple((called.get(handle, handle), carrier) for handle, carrier in state.away),
        raised=frozenset(called.get(handle, handle) for handle in state.raised),
    )


def state_option(state: State) -> dict[str, Any]:
    """A state as the option of a question: plain JSON, the same for the same state."""
    content: dict[str, Any] = _STATE.dump_python(state, mode="json")
    for name in ("raised", "pulled", "labelled"):
        if content[name] is not None:
            content[name] = sorted(content[name])
    for temporary in content["temporaries"]:
        temporary["units"] = sorted(temporary["units"])
    return content


def state_from(option: object) -> State:
    """Read what `state_option` made.

    Raises:
        ValueError: with a sentence, if it is something else.
    """
    try:
        return _STATE.validate_python(option)
    except (ValidationError, RecursionError):
        raise ValueError("How the loom stands could not be read.") from None


def rest_asked(piece: Piece, options: Mapping[str, Any]) -> Rest:
    """What a question is asked of: the rest from the state in its option `here`, or else all of the piece.

    Args:
        options: with `walks` (see `walks_option`), walks are free and barred as it says.

    Raises:
        ValueError: with a sentence, if the loom cannot stand so, nothing is left, or these are no walks.
    """
    if options.get("walks") is not None:
        free, barred = _walks_from(options["walks"])
        piece = replace(piece, free_walks=free, no_walks=barred)
    if options.get("here") is None:
        return Rest(piece)
    return rest_of(piece, state_from(options["here"]))


def walks_option(piece: Piece) -> list[list[int]]:
    """After which rows walks are free, and after which none may be made, as the option of a question."""
    return [sorted(piece.free_walks), sorted(piece.no_walks)]


def _walks_from(option: object) -> tuple[frozenset[int], frozenset[int]]:
    try:
        free, barred = _WALKS.validate_python(option)
    except (ValidationError, RecursionError):
        raise ValueError("After which rows a walk is free, or barred, could not be read.") from None
    return frozenset(free), frozenset(barred)
