"""Plans from somewhere: the ways, the steps they begin with, and what is refused."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.actions import Refused
from server.loom.state import State, Temporary
from server.loom.steps import Done, Insert, Label, MoveCords, Raise, Reopen, TakeOut, Walk, Weave, Withdraw
from server.plan.from_here import NoPlan, Visit, check_start, plan_from_here, way
from server.plan.planner import Progress, plan
from server.plan.replay import replay, replay_from
from server.plan.workorder import WorkOrder, count_up, read_workorder, write_workorder
from tests.examples import PIECE
from tests.outside.pieces import pointed_piece
from tests.outside.test_planner_small import piece_with

RUNNER = read_piece(json.dumps(PIECE))
ORDER = plan(RUNNER)
STATES = replay(RUNNER, ORDER.steps)
FROM_ROW_1 = way(RUNNER, 1, 0, 3)
HUNG = State(
    phase="woven",
    row=1,
    temporaries=(Temporary("2a", 2, frozenset({3})),),
    away=(("2", "2a"),),
    raised=frozenset({"3", "4"}),
    pulled=frozenset({1, 9}),
    labelled=frozenset({2}),
)


@pytest.mark.parametrize(
    ("here", "there", "visits"),
    [
        ((0, 0), (3, 0), [(1, 0, 5), (2, 0, 5), (3, 0, 5)]),
        ((1, 2), (3, 0), [(2, 2, 5), (3, 0, 5)]),
        ((3, 0), (1, 0), [(3, 5, 0), (2, 5, 0)]),
        ((2, 4), (1, 3), [(3, 4, 0), (2, 5, 3)]),
        ((2, 4), (2, 1), [(3, 4, 1)]),
        ((2, 4), (2, 0), [(3, 4, 0)]),
        ((2, 0), (2, 0), []),
        ((2, 3), (2, 3), []),
    ],
)
def test_ways(here: tuple[int, int], there: tuple[int, int], visits: list[tuple[int, int, int]]) -> None:
    assert way(RUNNER, *here, *there) == tuple(Visit(*visit) for visit in visits)
    assert all(visit.out == (here > there) for visit in way(RUNNER, *here, *there))


@pytest.mark.parametrize(
    ("here", "there", "why"),
    [
        ((0, 0), (4, 0), "no row 4; it has 3"),
        ((-1, 0), (3, 0), "no row -1"),
        ((3, 1), (3, 0), "no row 4"),
        ((0, 5), (3, 0), "Row 1 has 5 picks; 5 cannot be in"),
        ((0, -1), (3, 0), "-1 cannot be in"),
        ((0, 0), (2, 3), "Row 3 would be left with 3 picks"),
        ((1, 1), (1, 2), "Row 2 would be left with 2 picks"),
    ],
)
def test_ways_that_there_are_not(here: tuple[int, int], there: tuple[int, int], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        way(RUNNER, *here, *there)


@pytest.mark.parametrize(
    ("visits", "why"),
    [
        ([Visit(3, 0, 5)], "Row 3 does not come after row 1"),
        ([Visit(2, 1, 5)], "Row 2 does not come after row 1 and 0 picks"),
        ([Visit(2, 0, 4)], "left with 4 picks"),
        ([Visit(2, 0, 6)], "from 0 picks to 6"),
        ([Visit(1, 5, -1)], "from 5 picks to -1"),
        ([Visit(1, 5, 5)], "from 5 picks to 5"),
        ([Visit(0, 0, 5)], "no row 0"),
        ([*FROM_ROW_1, Visit(4, 0, 5)], "no row 4"),
        ([Visit(1, 5, 2)], "Row 1 is not finished; the loom is cleared between rows only"),
    ],
)
def test_visits_that_do_not_follow(visits: list[Visit], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        plan_from_here(RUNNER, HUNG, visits)


def test_treadles_of_a_visit_run_backwards_on_the_way_out() -> None:
    assert Visit(2, 0, 5).treadles(RUNNER) == RUNNER.treadles(2)
    assert Visit(2, 5, 2).treadles(RUNNER) == RUNNER.treadles(2)[:1:-1]
    assert Visit(2, 2, 5).treadles(RUNNER) == RUNNER.treadles(2)[2:]


def test_from_the_bare_loom_it_is_the_plan_of_the_whole_piece() -> None:
    assert plan_from_here(RUNNER, State(), way(RUNNER, 0, 0, 3)) == ORDER


@pytest.mark.parametrize("place", range(len(STATES)))
def test_from_wherever_an_order_leads_the_rest_costs_no_more_than_what_is_left_of_it(place: int) -> None:
    start, rest = STATES[place], ORDER.steps[place:]
    row = start.row - (start.phase == "raised")
    if start.phase == "raised":
        rest = ORDER.steps[place - 1 :]  # the shed that stands is said once more
    order = plan_from_here(RUNNER, start, way(RUNNER, row, 0, 3))
    left = count_up(rest, RUNNER.minutes, RUNNER.free_walks, start)
    assert order.totals == left or order.totals.minutes < left.minutes
    assert read_workorder(write_workorder(order)) == order


def test_a_shed_that_stands_and_is_right_is_left_as_it_is() -> None:
    start = replace(HUNG, phase="raised", row=2, picks=3, raised=frozenset({"2", "3"}), pulled=frozenset())
    steps = plan_from_here(RUNNER, start, way(RUNNER, 1, 3, 3)).steps
    assert steps[:2] == (Raise(2, ("2", "3"), ()), Weave(2, 2, RUNNER.treadles(2)[3:]))
    states = replay_from(RUNNER, start, way(RUNNER, 1, 3, 3), steps)
    assert (states[0].phase, states[0].row, states[0].picks) == ("woven", 1, 3)
    assert states[1].raised == states[0].raised


def test_a_shed_that_is_wrong_is_set_right_from_the_bench() -> None:
    start = replace(HUNG, phase="raised", row=2, raised=frozenset({"4"}), pulled=frozenset({9}))
    assert plan_from_here(RUNNER, start, FROM_ROW_1).steps[0] == Raise(2, ("2", "3"), ())


def test_a_shed_may_be_opened_to_take_out_what_it_was_raised_to_weave() -> None:
    start = replace(HUNG, phase="raised", row=2, picks=3, raised=frozenset({"2", "3"}), pulled=frozenset())
    order = plan_from_here(RUNNER, start, way(RUNNER, 1, 3, 1), until_bare=False)
    assert order.steps == (Reopen(2, ("2", "3"), ()), TakeOut(2, 3, RUNNER.treadles(2)[2::-1]))


def test_a_shed_reopened_is_left_as_it_is_to_take_out_of() -> None:
    start = replace(HUNG, phase="raised", row=2, reopened=True, raised=frozenset({"2", "3"}))
    start = replace(start, pulled=frozenset())
    order = plan_from_here(RUNNER, start, [Visit(2, 5, 0)], until_bare=False)
    assert order.steps == (Reopen(2, ("2", "3"), ()), TakeOut(2, 5, RUNNER.treadles(2)[::-1]))


def test_a_walk_within_a_row_is_made_only_if_it_must_be() -> None:
    begun = State(row=1, picks=2, labelled=frozenset({2}))
    steps = plan_from_here(RUNNER, begun, way(RUNNER, 1, 2, 3)).steps
    assert steps[:2] == (Walk(), Insert(2, "2a", (3,)))
    # two single cords will do for the row begun; a temporary would cost less, and a walk
    content = piece_with(["##.", "##."], single_cords=[1, 2], picks_per_row=[2], minutes={"pull": 99})
    piece, begun = read_piece(json.dumps(content)), State(picks=1)
    visits = way(piece, 0, 1, 2)
    steps = plan_from_here(piece, begun, visits).steps
    assert (steps[0], steps[2]) == (Raise(1, (), (1, 2)), Walk())
    assert plan_from_here(piece, begun, visits, free_now=True).steps[0] == Walk()
    assert plan_from_here(piece, State(), way(piece, 0, 0, 2)).steps[0] == Walk()


def test_only_shafts_without_a_number_are_numbered() -> None:
    bare = State(row=1)
    steps = plan_from_here(RUNNER, bare, FROM_ROW_1).steps
    assert steps[:2] == (Walk(), Label((2,)))
    numbered = plan_from_here(RUNNER, replace(bare, labelled=frozenset({1, 2})), FROM_ROW_1).steps
    assert not any(isinstance(step, Label) for step in numbered)
    assert numbered[1] == steps[2]


def test_from_behind_the_walk_goes_on_and_cords_that_hang_free_are_hooked_on() -> None:
    behind = State(phase="behind", row=1, away=(("2", None), ("4", None)), labelled=frozenset({2}))
    order = plan_from_here(RUNNER, behind, FROM_ROW_1)
    assert set(order.steps[:3]) == {
        Insert(2, "2a", (3,)),
        MoveCords("2", None, "2a"),
        MoveCords("4", None, "4"),
    }
    assert isinstance(order.steps[3], Raise)
    assert order.totals.walks == 1


def test_from_behind_she_may_come_back_with_nothing_done() -> None:
    behind = State(phase="behind", row=2)
    order = plan_from_here(RUNNER, behind, way(RUNNER, 2, 0, 3))
    assert [type(step) for step in order.steps] == [Raise, Weave, Done]


def test_what_can_be_done_now_for_nothing_is_done_now() -> None:
    # Row 1 asks for what shaft 2 lifts as it hangs: without a free walk the temporary goes in after it.
    later = plan_from_here(RUNNER, State(), way(RUNNER, 0, 0, 3))
    assert isinstance(later.steps[0], Raise)
    now = plan_from_here(RUNNER, State(), way(RUNNER, 0, 0, 3), free_now=True)
    assert isinstance(now.steps[0], Walk)
    assert now.totals.minutes == pytest.approx(later.totals.minutes - RUNNER.minutes.walk)


def test_back_and_forth_is_one_order() -> None:
    visits = way(RUNNER, 2, 0, 1) + way(RUNNER, 1, 0, 3)
    order = plan_from_here(RUNNER, replace(HUNG, row=2), visits)
    assert [type(step) for step in order.steps[:4]] == [Reopen, TakeOut, Raise, Weave]
    assert order.totals.walks == 1
    assert isinstance(order.steps[-1], Done)


def test_the_loom_may_be_cleared_in_the_middle_of_a_piece() -> None:
    order = plan_from_here(RUNNER, HUNG, [])
    assert order.steps == (Walk(), MoveCords("2", "2a", "2"), Withdraw("2a"))
    assert order.proven
    assert plan_from_here(RUNNER, State(row=3, phase="woven"), []).steps == (Done(),)
    assert plan_from_here(RUNNER, State(row=2), []).steps == ()
    assert plan_from_here(RUNNER, HUNG, [], until_bare=False).steps == ()


def test_what_stands_at_the_end_is_free_where_that_is_asked_for() -> None:
    order = plan_from_here(RUNNER, HUNG, way(RUNNER, 1, 0, 2), until_bare=False)
    assert [type(step) for step in order.steps] == [Raise, Weave]
    bare = plan_from_here(RUNNER, HUNG, way(RUNNER, 1, 0, 2))
    assert isinstance(bare.steps[-1], Withdraw)


def test_two_temporaries_alike_and_one_that_hangs_on_nothing() -> None:
    twin = Temporary("2z", 2, frozenset({3}))
    start = replace(HUNG, temporaries=(*HUNG.temporaries, twin))
    order = plan_from_here(RUNNER, start, FROM_ROW_1)
    assert order.totals.walks == 1
    assert {step.temporary for step in order.steps if isinstance(step, Withdraw)} == {"2a", "2z"}


def test_a_start_that_the_loom_does_not_allow() -> None:
    with pytest.raises(Refused, match="Unit 4 does not hang on shaft 2"):
        plan_from_here(RUNNER, State(temporaries=(Temporary("2a", 2, frozenset({4})),)), ())
    with pytest.raises(Refused, match="Row 2 has 5 picks"):
        check_start(RUNNER, State(row=1, picks=5))
    with pytest.raises(Refused, match="Row 2 has 5 picks"):
        check_start(RUNNER, State(phase="raised", row=2, picks=6))
    with pytest.raises(Refused, match="The piece has no row 4"):
        check_start(RUNNER, State(row=3, picks=1))


def test_no_plan_names_the_rows_of_the_piece() -> None:
    poor = replace(RUNNER, loom=replace(RUNNER.loom, spare_shafts=0))
    with pytest.raises(NoPlan, match=r"^Row 2 asks for a part of shaft 2\. Spare shafts"):
        plan_from_here(poor, State(row=1), FROM_ROW_1)
    with pytest.raises(NoPlan, match=r"^Row 2 asks for a part of shaft 2\. Spare shafts"):
        plan_from_here(poor, State(row=3), way(RUNNER, 3, 0, 0))
    shut = replace(RUNNER, no_walks=frozenset({1}))
    with pytest.raises(NoPlan, match="no walk may be made now"):
        plan_from_here(shut, State(row=1), FROM_ROW_1)
    with pytest.raises(NoPlan, match="No walk may be made after row 1, and the loom cannot be cleared"):
        plan_from_here(shut, HUNG, ())
    assert plan_from_here(shut, replace(HUNG, phase="behind", raised=frozenset(), pulled=frozenset()), ())


LARGE: dict[str, Any] = pointed_piece(3, shafts=12, points=2, rows=40, spare_handles=2)
LARGE["loom"]["spare_shafts"] = 24


def sheds(piece: Piece, order: WorkOrder) -> dict[int, State]:
    """Per row the state in which its shed is raised."""
    return {state.row: state for state in replay(piece, order.steps) if state.phase == "raised"}


def test_it_is_never_dearer_than_the_rest_of_the_order_that_is_known() -> None:
    piece = read_piece(json.dumps(LARGE))
    bare = plan(replace(piece, loom=replace(piece.loom, spare_handles=0)))
    told = [math.inf]
    whole = plan(
        piece,
        limit=100,  # it is stopped as soon as it has something that takes a search to be found
        progress=lambda progress: told.append(progress.minutes or math.inf),
        stop=lambda: told[-1] < 0.9 * bare.totals.minutes,
    )
    states = replay(piece, whole.steps)
    place, start = next((n, s) for n, s in enumerate(states) if s.row == 20 and s.phase == "woven")
    rest = count_up(whole.steps[place:], piece.minutes, piece.free_walks, start)
    visits = way(piece, 20, 0, 40)
    order = plan_from_here(piece, start, visits, known=sheds(piece, whole), limit=0)
    assert order.totals.minutes <= rest.minutes
    assert plan_from_here(piece, start, visits, limit=0).totals.minutes > rest.minutes


def test_an_order_that_is_known_and_goes_no_more_does_no_harm() -> None:
    known = sheds(RUNNER, ORDER)
    plain = plan_from_here(RUNNER, State(row=1), FROM_ROW_1)
    assert plan_from_here(RUNNER, State(row=1), FROM_ROW_1, known=known) == plain
    assert plan_from_here(RUNNER, State(row=1), FROM_ROW_1, known={2: known[2]}) == plain
    # the rows' sheds in the wrong places, as of another piece
    mixed = {2: known[3], 3: known[2]}
    assert plan_from_here(RUNNER, State(row=1), FROM_ROW_1, known=mixed) == plain
    shut = replace(RUNNER, no_walks=frozenset({1}))
    assert plan_from_here(shut, HUNG, FROM_ROW_1, known=known) == plan_from_here(shut, HUNG, FROM_ROW_1)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_left_of_a_cheapest_order_is_the_cheapest_from_there(seed: int) -> None:
    content = pointed_piece(seed, shafts=7, points=2, rows=30)
    content["loom"]["spare_shafts"] = 7
    piece = read_piece(json.dumps(content))
    whole = plan(piece)
    assert whole.proven
    states = replay(piece, whole.steps)
    for place in [n for n, state in enumerate(states) if state.phase == "woven"][::4]:
        order = plan_from_here(piece, states[place], way(piece, states[place].row, 0, 30))
        rest = count_up(whole.steps[place:], piece.minutes, piece.free_walks, states[place])
        assert order.proven
        assert (order.totals.minutes, order.totals.walks) == (pytest.approx(rest.minutes), rest.walks)


@pytest.mark.parametrize(("limit", "until_bare"), [(0.0, True), (0.0, False), (0.5, True)])
def test_however_short_the_time_there_is_an_order(limit: float, until_bare: bool) -> None:
    piece = read_piece(json.dumps(LARGE))
    start = State(
        row=20,
        temporaries=(Temporary("2a", 2, frozenset(sorted(piece.loom.units_of(2))[:2])),),
        away=(("S1", "2a"),),
        labelled=frozenset({2}),
    )
    told: list[Progress] = []
    visits = way(piece, 20, 0, 15) + way(piece, 15, 0, 40)
    order = plan_from_here(piece, start, visits, until_bare=until_bare, limit=limit, progress=told.append)
    assert 0 <= order.bound <= order.totals.minutes
    assert order.proven or order.bound < order.totals.minutes
    assert all(p.minutes is None or p.minutes >= order.totals.minutes - 1e-6 for p in told)
