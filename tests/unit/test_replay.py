"""The replay through the loom's own rules: it lets through what is right, and nothing else."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given

from server.design.piece_file import read_piece
from server.loom.state import State
from server.loom.steps import Label, Raise, Reopen, Step, TakeOut, Walk, Weave, Withdraw
from server.plan.replay import Mismatch, at_rest, replay, replay_from, verify
from server.plan.visits import Visit, way
from server.plan.workorder import read_workorder
from tests.outside.pieces import examples
from tests.outside.replayer import faults
from tests.outside.test_replayer import EXAMPLE_ORDER, EXAMPLE_PIECE, spoilt_orders, staying_order

PIECE = read_piece(json.dumps(EXAMPLE_PIECE))
ORDER = read_workorder(json.dumps(EXAMPLE_ORDER))


def test_the_contracts_example_weaves_its_piece() -> None:
    states = verify(PIECE, ORDER)
    assert len(states) == len(ORDER.steps) + 1
    assert (states[0].phase, states[-1].phase) == ("down", "done")
    assert [state.row for state in states] == [0, 1, 1, 1, 1, 1, 1, 2, 2, 3, 3, 3, 3, 3, 3]


def test_a_mismatch_names_the_step() -> None:
    steps = list(ORDER.steps)
    steps[6] = replace(steps[6], handles=("3",))  # type: ignore[type-var]
    with pytest.raises(Mismatch, match=r"^Step 7: Row 2 comes out wrong at unit 3\.$"):
        replay(PIECE, tuple(steps))
    steps[6] = replace(steps[6], handles=("2", "9"))  # type: ignore[type-var]
    with pytest.raises(Mismatch, match=r"^Step 7: This loom has no handle 9\.$"):
        replay(PIECE, tuple(steps))


@pytest.mark.parametrize("length", range(len(ORDER.steps)))
def test_an_order_that_breaks_off(length: int) -> None:
    with pytest.raises(Mismatch, match="The order ends after row"):
        replay(PIECE, ORDER.steps[:length])


@pytest.mark.parametrize("place", range(len(ORDER.steps)))
def test_a_step_left_out(place: int) -> None:
    with pytest.raises(Mismatch):
        verify(PIECE, replace(ORDER, steps=ORDER.steps[:place] + ORDER.steps[place + 1 :]))


def test_other_picks_and_treadles_than_the_pieces() -> None:
    for weave in (Weave(1, 4, (1, 2, 3, 4)), Weave(1, 5, (1, 2, 3, 4, 4))):
        with pytest.raises(Mismatch, match="other picks or treadles"):
            replay(PIECE, (ORDER.steps[0], weave, *ORDER.steps[2:]))


def test_a_walk_where_none_may_be_made() -> None:
    with pytest.raises(Mismatch, match="No walk may be made after row 3"):
        verify(replace(PIECE, no_walks=frozenset({3})), ORDER)


def test_shafts_numbered_that_take_no_temporary() -> None:
    for label in (Label((3,)), Label((2, 3))):
        with pytest.raises(Mismatch):
            replay(PIECE, (*ORDER.steps[:3], label, *ORDER.steps[4:]))


def test_the_design_may_not_end_early() -> None:
    short = replace(PIECE, rows=PIECE.rows[:2])
    with pytest.raises(Mismatch, match="The piece has no row 3"):
        verify(short, ORDER)
    long = replace(PIECE, rows=(*PIECE.rows, frozenset()))
    with pytest.raises(Mismatch, match="Only 3 of 4 rows"):
        verify(long, ORDER)


@pytest.mark.parametrize("key", EXAMPLE_ORDER["totals"])
def test_totals_that_do_not_follow_from_the_steps(key: str) -> None:
    wrong = replace(ORDER.totals, **{key: getattr(ORDER.totals, key) + 1})
    with pytest.raises(Mismatch, match="totals do not follow"):
        verify(PIECE, replace(ORDER, totals=wrong))


def test_a_bound_above_what_the_order_costs() -> None:
    with pytest.raises(Mismatch, match="bound lies above"):
        verify(PIECE, replace(ORDER, bound=5.72))


ROW_1_OUT = (Reopen(1, ("3", "4"), (1, 9)), TakeOut(1, 5, (5, 4, 3, 2, 1)))
PART_OUT = (ROW_1_OUT[0], TakeOut(1, 2, (5, 4), left=3))
REST_IN = (Raise(1, ("3", "4"), (1, 9)), Weave(1, 2, (4, 5)))
ROW_1 = State(row=1)


def test_rows_are_taken_out_and_woven_again() -> None:
    states = replay_from(PIECE, ROW_1, [Visit(1, 5, 0)], ROW_1_OUT, until_bare=False)
    assert [(state.row, state.picks) for state in states] == [(1, 0), (1, 0), (0, 0)]
    visits = [Visit(1, 5, 3), Visit(1, 3, 5)]
    states = replay_from(PIECE, ROW_1, visits, (*PART_OUT, *REST_IN), until_bare=False)
    assert [(state.row, state.picks) for state in states] == [(1, 0), (1, 0), (0, 3), (1, 3), (1, 0)]


OUT, PART, REST = Visit(1, 5, 0), Visit(1, 5, 3), Visit(1, 3, 5)


@pytest.mark.parametrize(
    ("visits", "steps", "why"),
    [
        ([OUT], (), "ends after row 1 of 3"),
        ([OUT], (Raise(1, (), ()),), "Row 2 comes next"),
        ([OUT], (Raise(2, (), ()),), "Row 1 is to be taken out next"),
        ([Visit(2, 0, 5)], ROW_1_OUT, "Row 2 is to be woven next"),
        ([OUT], (replace(ROW_1_OUT[0], handles=("3",)),), "comes out wrong at unit 5"),
        ([OUT], (ROW_1_OUT[0], TakeOut(1, 5, (1, 2, 3, 4, 5))), "other picks or treadles"),
        ([OUT], PART_OUT, "other picks or treadles"),
        ([PART], (ROW_1_OUT[0], TakeOut(1, 2, (5, 4), left=2)), "other picks or treadles"),
        ([PART, REST], (*PART_OUT, Walk()), "No walk may be made within row 1"),
        ([OUT], (*ROW_1_OUT, Reopen(1, (), ())), "No row is in the cloth"),
        ([PART], (*PART_OUT, *REST_IN), "Row 1 is not to be raised any more"),
        ([OUT], (*ROW_1_OUT, Walk()), "ends behind the loom"),
        ([OUT], (Weave(1, 5, (1, 2, 3, 4, 5)),), "its shed is not raised"),
    ],
)
def test_what_the_visits_do_not_say(visits: list[Visit], steps: tuple[Step, ...], why: str) -> None:
    with pytest.raises(Mismatch, match=why):
        replay_from(PIECE, ROW_1, visits, steps, until_bare=False)


def test_the_loom_must_be_bare_at_the_end_where_that_is_said() -> None:
    states = replay(PIECE, ORDER.steps)
    with pytest.raises(Mismatch, match="still in the loom"):
        replay_from(PIECE, states[9], [], ())
    assert replay_from(PIECE, states[9], [], (), until_bare=False) == [at_rest(states[9])]


def test_an_order_begins_with_what_stands_and_nothing_in_hand() -> None:
    states = replay(PIECE, ORDER.steps)
    for state in states:
        rest = at_rest(state)
        assert (rest.temporaries, rest.away, rest.labelled) == (state.temporaries, state.away, state.labelled)
        assert rest.phase in ("down", "woven", "behind")
        assert at_rest(rest) == rest
        assert rest.row == (state.row - 1 if state.phase == "raised" else state.row)


def test_the_same_rows_with_the_visits_named_are_the_same_replay() -> None:
    assert replay_from(PIECE, State(), way(PIECE, 0, 0, 3), ORDER.steps) == replay(PIECE, ORDER.steps)


def test_temporaries_that_may_not_stay() -> None:
    piece, order = staying_order()
    verify(read_piece(json.dumps(piece)), read_workorder(json.dumps(order)))
    piece["loom"]["temporaries_may_stay"] = False
    with pytest.raises(Mismatch, match="a temporary that is not in use must be out"):
        verify(read_piece(json.dumps(piece)), read_workorder(json.dumps(order)))


def test_drawing_out_what_was_never_in() -> None:
    with pytest.raises(Mismatch, match=r"^Step 1: "):
        replay(PIECE, (Withdraw("2a"), *ORDER.steps))
    with pytest.raises(Mismatch, match="Nothing has been done on this walk"):
        replay(PIECE, (Walk(), *ORDER.steps))


@examples(200)
@given(spoilt_orders())
def test_it_agrees_with_the_independent_replay(spoilt: tuple[dict[str, Any], dict[str, Any]] | None) -> None:
    """What the one lets through the other does, and the other way about."""
    if spoilt is None:
        return
    piece, order = copy.deepcopy(spoilt)
    try:
        verify(read_piece(json.dumps(piece)), read_workorder(json.dumps(order)))
        through = True
    except Mismatch:
        through = False
    assert through == (faults(piece, order) == [])
