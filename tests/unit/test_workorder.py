"""The work order as a value and as a file."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from typing import Any

import pytest
from hypothesis import given

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
from server.plan.visits import Position
from server.plan.workorder import (
    Totals,
    WalkMade,
    WorkOrder,
    count_up,
    kind_of,
    read_workorder,
    step_from_json,
    step_to_json,
    walks_of,
    write_workorder,
)
from tests.outside.exhaustive import TooLarge, best_order, write_order
from tests.outside.pieces import examples, small_pieces
from tests.outside.test_replayer import EXAMPLE_ORDER

STEPS: tuple[Step, ...] = tuple(step_from_json(step) for step in EXAMPLE_ORDER["steps"])


def test_the_contracts_example_is_read_and_written_as_it_stands() -> None:
    order = read_workorder(json.dumps(EXAMPLE_ORDER))
    assert (order.proven, order.bound, order.totals.minutes) == (True, 5.71, 5.71)
    assert json.loads(write_workorder(order)) == EXAMPLE_ORDER
    assert read_workorder(write_workorder(order)) == order


def test_one_step_a_line() -> None:
    lines = write_workorder(read_workorder(json.dumps(EXAMPLE_ORDER))).splitlines()
    assert [json.loads(line.strip().rstrip(","))["kind"] for line in lines[2:-1]] == [
        step["kind"] for step in EXAMPLE_ORDER["steps"]
    ]


def test_the_totals_of_the_contracts_example() -> None:
    assert asdict(count_up(STEPS, Minutes(), frozenset())) == EXAMPLE_ORDER["totals"]


@pytest.mark.parametrize(("free", "minutes"), [({1}, 4.21), ({3}, 4.21), ({1, 3}, 2.71), ({2}, 5.71)])
def test_a_free_walk_is_counted_and_not_paid(free: set[int], minutes: float) -> None:
    totals = count_up(STEPS, Minutes(), frozenset(free))
    assert (totals.walks, totals.minutes) == (2, minutes)


def test_each_action_is_priced_by_itself() -> None:
    nothing = Minutes(0, 0, 0, 0, 0, 0)
    expected = {"walk": 2, "insert": 1, "take": 1, "withdraw": 1, "move_cords": 2, "pull": 8}
    for action, times in expected.items():
        assert count_up(STEPS, replace(nothing, **{action: 10}), frozenset()).minutes == 10 * times


def walks_with(*moves: MoveCords) -> int:
    """Cord moves of one walk on which these are made."""
    (walk,) = walks_of((Weave(3, 1, (1,)), Walk(), *moves, Done()))
    assert walk.at == Position(3)
    return walk.cord_moves


def test_cord_moves_count_handles_that_end_elsewhere() -> None:
    """WORKORDER.md: hanging free in between belongs to the same move."""
    assert walks_with() == 0
    assert walks_with(MoveCords("2", "2", "2a")) == 1
    assert walks_with(MoveCords("2", "2", None), MoveCords("2", None, "2a")) == 1
    assert walks_with(MoveCords("2", "2", None), MoveCords("2", None, "2")) == 0
    assert walks_with(MoveCords("2", "2", "2a"), MoveCords("2", "2a", "2b")) == 1
    assert walks_with(MoveCords("2", "2a", "2"), MoveCords("S1", None, "2a")) == 2
    assert walks_with(MoveCords("S1", "2a", None)) == 1


def test_a_new_temporary_under_an_old_name_is_something_else() -> None:
    """WORKORDER.md: a name is free again once withdrawn; the cords still end on another temporary."""
    steps = (
        Walk(),
        MoveCords("2", "2a", None),
        Withdraw("2a"),
        Insert(2, "2a", (5,)),
        MoveCords("2", None, "2a"),
        Done(),
    )
    assert walks_of(steps) == [WalkMade(Position(0), under_way=False, first=True, cord_moves=1)]


def test_cord_moves_belong_to_their_walk() -> None:
    assert [(walk.at.row, walk.cord_moves) for walk in walks_of(STEPS)] == [(1, 1), (3, 1)]


BACK_AND_FORTH: tuple[Step, ...] = (
    Reopen(4, ("1",), ()),
    TakeOut(4, 2, (2, 1)),
    Walk(),
    MoveCords("2", "2a", "2"),
    Reopen(3, ("1",), ()),
    TakeOut(3, 1, (2,), left=1),
    Raise(3, ("1",), ()),
    Weave(3, 1, (2,)),
    Walk(),
    Withdraw("2a"),
)
WALK_ONLY = Minutes(walk=1, insert=0, take=0, withdraw=0, move_cords=0, pull=0)


def test_a_walk_is_after_the_row_that_is_in_whichever_way_one_goes() -> None:
    start = State(row=4)
    assert [walk.at for walk in walks_of(BACK_AND_FORTH, start)] == [Position(3), Position(3)]
    assert not any(walk.first for walk in walks_of(BACK_AND_FORTH, start))
    assert count_up(BACK_AND_FORTH, WALK_ONLY, frozenset({3}), start).minutes == 0
    assert count_up(BACK_AND_FORTH, WALK_ONLY, frozenset({4}), start).minutes == 2
    assert count_up(BACK_AND_FORTH, Minutes(pull=1, walk=0), frozenset(), start).pulls == 3


def test_a_walk_within_a_row_is_never_a_free_one_of_the_piece() -> None:
    start = State(row=3, picks=1)
    (walk,) = walks_of((Walk(), Withdraw("2a")), start)
    assert walk == WalkMade(Position(3, 1), under_way=False, first=True, cord_moves=0)
    assert count_up((Walk(), Withdraw("2a")), WALK_ONLY, frozenset({3}), start).minutes == 1


def test_a_walk_now_is_free_where_she_rises_anyway_and_only_now() -> None:
    steps = (Walk(), Withdraw("2a"), Raise(1, (), ()), Weave(1, 1, (1,)), Walk(), Withdraw("2b"))
    assert count_up(steps, WALK_ONLY, frozenset(), free_now=True).minutes == 1


def test_a_walk_under_way_is_neither_counted_nor_paid_but_its_cord_moves_are() -> None:
    start = State(phase="behind", row=2, away=(("2", None),))
    steps = (MoveCords("2", None, "2"), Raise(3, (), ()), Weave(3, 1, (1,)), Walk(), Withdraw("2a"))
    totals = count_up(steps, Minutes(walk=1, move_cords=10, withdraw=0), frozenset(), start)
    assert (totals.walks, totals.cord_moves, totals.minutes) == (1, 1, 11)


def test_minutes_are_rounded_to_six_places() -> None:
    steps = (Raise(1, ("1", "2", "3"), ()), Done())
    assert count_up(steps, Minutes(pull=0.1), frozenset()).minutes == 0.3
    assert count_up(steps, Minutes(pull=1e-7), frozenset()).minutes == 0.0


@pytest.mark.parametrize(
    ("step", "content"),
    [
        (Raise(2, ("2", "S1"), (4,)), {"row": 2, "handles": ["2", "S1"], "single_cords": [4]}),
        (Reopen(2, ("2", "S1"), (4,)), {"row": 2, "handles": ["2", "S1"], "single_cords": [4]}),
        (Weave(2, 2, (1, 2)), {"row": 2, "picks": 2, "treadles": [1, 2]}),
        (TakeOut(2, 2, (2, 1), left=3), {"row": 2, "picks": 2, "treadles": [2, 1], "left": 3}),
        (Walk(), {}),
        (Label((2, 3)), {"shafts": [2, 3]}),
        (Insert(2, "2a", (3,)), {"shaft": 2, "temporary": "2a", "units": [3]}),
        (MoveCords("2", "2", None), {"handle": "2", "from": "2", "to": None}),
        (Withdraw("2a"), {"temporary": "2a"}),
        (Done(), {}),
    ],
)
def test_every_kind_of_step(step: Step, content: dict[str, Any]) -> None:
    assert step_to_json(step) == {"kind": kind_of(step), **content}
    assert type(step_from_json(step_to_json(step))) is type(step)
    assert step_from_json(json.loads(json.dumps({**step_to_json(step), "extra": {"note": 1}}))) == step


@pytest.mark.parametrize("content", [{}, {"kind": "stroll"}, {"kind": "walk", "row": 1}, {"kind": "weave"}])
def test_what_is_no_step(content: dict[str, Any]) -> None:
    with pytest.raises((KeyError, TypeError)):
        step_from_json(content)


@examples(60)
@given(small_pieces())
def test_orders_written_elsewhere_add_up_here(piece: dict[str, Any]) -> None:
    try:
        best = best_order(piece, largest=800)
    except TooLarge:
        return
    if best is None:
        return
    written = write_order(piece, best)
    order = read_workorder(json.dumps(written))
    totals = count_up(order.steps, Minutes(**piece["minutes"]), frozenset(piece["free_walks"]))
    assert asdict(totals) == pytest.approx(written["totals"], abs=2e-6)
    assert read_workorder(write_workorder(order)) == order


def test_an_order_is_a_value() -> None:
    totals = Totals(0, 0, 0, 0, 0, 0, 0.0)
    assert WorkOrder(True, 0.0, totals, (Done(),)) == WorkOrder(True, 0.0, totals, (Done(),))
