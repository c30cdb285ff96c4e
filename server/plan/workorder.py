"""The work order: its steps, totals and file form (WORKORDER.md)."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from server.design.piece import Minutes
from server.loom.state import State
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
from server.plan.visits import Position, position_of


@dataclass(frozen=True, slots=True)
class Totals:
    """What a work order adds up to. `minutes` leaves out the walks that are free; `walks` counts all."""

    walks: int
    insertions: int
    units_taken: int
    withdrawals: int
    cord_moves: int
    pulls: int
    minutes: float


@dataclass(frozen=True, slots=True)
class WorkOrder:
    """What to do, one thing after another.

    Attributes:
        proven: no valid work order costs less by more than 1e-6 minutes.
        bound: the best lower bound on the minutes of any valid work order.
    """

    proven: bool
    bound: float
    totals: Totals
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class WalkMade:
    """A walk of a work order.

    Attributes:
        at: how far the cloth is.
        under_way: whether it was begun before the order: its steps come first, without a `Walk`.
        first: whether nothing is woven or taken out before it.
        cord_moves: handles whose cords end it on something else than they began on.
    """

    at: Position
    under_way: bool
    first: bool
    cord_moves: int


def walks_of(steps: Iterable[Step], start: State | None = None) -> list[WalkMade]:
    """The walks of an order, one that was under way at its start included.

    Args:
        start: the state that the order begins in; None: the bare loom.
    """
    walks: list[WalkMade] = []
    at, first = position_of(start or State()), True
    began, now, drawn_out = dict[str, str | None](), dict[str, str | None](), set[str | None]()
    if start is not None and start.phase == "behind":
        walks.append(WalkMade(at, True, True, 0))
    for step in steps:
        match step:
            case Weave():
                at, first = Position(step.row), False
            case TakeOut():
                at, first = Position(step.row - 1, step.left), False
            case Walk():
                began, now, drawn_out = {}, {}, set()
                walks.append(WalkMade(at, False, first, 0))
            case Withdraw():
                drawn_out.add(step.temporary)
            case MoveCords():
                began.setdefault(step.handle, step.source)
                now[step.handle] = step.target
                # a temporary under the name of one drawn out on this walk is another one
                moved = (now[handle] != began[handle] or now[handle] in drawn_out for handle in now)
                walks[-1] = replace(walks[-1], cord_moves=sum(moved))
    return walks


def is_free(at: Position, free_walks: Collection[int]) -> bool:
    """Whether a walk costs nothing when the cloth is so far: she rises anyway after rows, not within one."""
    return at.picks == 0 and at.row in free_walks


def count_up(
    steps: Sequence[Step],
    minutes: Minutes,
    free_walks: frozenset[int],
    start: State | None = None,
    free_now: bool = False,
) -> Totals:
    """The totals of these steps.

    Args:
        minutes: what each action takes.
        free_walks: rows after which a walk costs nothing.
        start: the state that the steps begin in; None: the bare loom.
        free_now: a walk before anything is woven or taken out costs nothing.
    """
    walks = walks_of(steps, start)
    made = [walk for walk in walks if not walk.under_way]
    inserts = [step for step in steps if isinstance(step, Insert)]
    withdrawals = sum(isinstance(step, Withdraw) for step in steps)
    taken = sum(len(step.units) for step in inserts)
    moves = sum(walk.cord_moves for walk in walks)
    pulls = sum(len(step.handles) + len(step.single_cords) for step in steps if isinstance(step, Raise))
    paid_walks = sum(not (walk.first and free_now) and not is_free(walk.at, free_walks) for walk in made)
    total = (
        minutes.walk * paid_walks
        + minutes.insert * len(inserts)
        + minutes.take * taken
        + minutes.withdraw * withdrawals
        + minutes.move_cords * moves
        + minutes.pull * pulls
    )
    return Totals(len(made), len(inserts), taken, withdrawals, moves, pulls, round(total, 6))


StepKind = Literal[
    "raise", "reopen", "weave", "take_out", "walk", "label", "insert", "move_cords", "withdraw", "done"
]

_KINDS: dict[type[Any], StepKind] = {
    Raise: "raise",
    Reopen: "reopen",
    Weave: "weave",
    TakeOut: "take_out",
    Walk: "walk",
    Label: "label",
    Insert: "insert",
    MoveCords: "move_cords",
    Withdraw: "withdraw",
    Done: "done",
}
_TYPES: dict[str, type[Any]] = {kind: type_ for type_, kind in _KINDS.items()}
_FILE_NAMES = {"source": "from", "target": "to"}
_FIELD_NAMES = {name: field for field, name in _FILE_NAMES.items()}


def kind_of(step: Step) -> StepKind:
    """The step's `kind` in the file."""
    return _KINDS[type(step)]


def step_to_json(step: Step) -> dict[str, Any]:
    """A step as the file has it."""
    return {"kind": kind_of(step)} | {
        _FILE_NAMES.get(field, field): list(value) if isinstance(value, tuple) else value
        for field, value in asdict(step).items()
    }


def step_from_json(content: dict[str, Any]) -> Step:
    """The step of a work order that we wrote ourselves. KeyError or TypeError if it is not one."""
    fields = {
        _FIELD_NAMES.get(key, key): tuple(value) if isinstance(value, list) else value
        for key, value in content.items()
        if key not in ("kind", "extra")
    }
    step: Step = _TYPES[content["kind"]](**fields)
    return step


def write_workorder(order: WorkOrder) -> str:
    """The file, one step a line."""
    head = {
        "format": "spareshaft-workorder",
        "version": 1,
        "proven": order.proven,
        "bound": order.bound,
        "totals": asdict(order.totals),
    }
    steps = ",\n  ".join(json.dumps(step_to_json(step)) for step in order.steps)
    return f'{json.dumps(head)[:-1]},\n "steps": [\n  {steps}\n ]}}\n'


def read_workorder(text: str) -> WorkOrder:
    """Read what `write_workorder` wrote."""
    content = json.loads(text)
    return WorkOrder(
        proven=content["proven"],
        bound=content["bound"],
        totals=Totals(**content["totals"]),
        steps=tuple(step_from_json(step) for step in content["steps"]),
    )
