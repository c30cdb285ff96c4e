"""What is left to be woven, as a question asks of it: hostile states, and how it counts."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.state import State, Temporary
from server.plan.schedule import BARE
from server.ways.few_cells import from_json as few_cells_from
from server.ways.places import from_json as places_from
from server.ways.questions import answer, key_of
from server.ways.rest import rest_asked, rest_of, state_from, state_option, walks_option
from tests.unit.test_questions import Silent

ROWS = ["....", "#..#", "####", "#...", "#...", "....", "#..#"]


def text(**loom: Any) -> str:
    """Seven rows on two shafts, in a pointed order; rows 4 and 5 ask for one unit of shaft 1."""
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Two tufts",
        "loom": {"pattern_shafts": 2, "spare_shafts": 2, "spare_handles": 3} | loom,
        "leashes": [1, 2, 2, 1],
        "rows": ROWS,
        "picks_per_row": [2],
        "no_walks": [5],
    }
    return json.dumps(content)


def piece() -> Piece:
    return read_piece(text())


TUFT = Temporary("1a", 1, frozenset({1}))
IN = State(row=3, temporaries=(TUFT,), away=(("1", "1a"),), labelled=frozenset({1}))
"""Three rows are in, and a temporary for the fourth hangs on its shaft's handle."""


def test_rows_and_walks_are_counted_from_where_it_begins() -> None:
    rest = rest_of(piece(), IN)
    assert (rest.woven, rest.begun, rest.fixed) == (3, False, frozenset())
    assert rest.piece.rows == piece().rows[3:]
    assert rest.piece.no_walks == {2}
    task = rest.task(replace(rest.piece, rows=(frozenset(), *rest.piece.rows[1:])))
    assert task.piece.rows == (*piece().rows[:3], frozenset(), *piece().rows[4:])
    assert task.begin.inside == {(1, frozenset({1}))}
    assert task.end == BARE


def test_the_cells_of_a_row_that_is_begun_stay() -> None:
    rest = rest_of(piece(), replace(IN, picks=1))
    assert (rest.woven, rest.begun) == (3, True)
    assert rest.fixed == {(1, 1), (1, 2), (1, 3), (1, 4)}
    assert not rest.task(rest.piece).may_walk(0)


def test_in_the_middle_of_a_row_a_walk_is_made_only_if_there_is_no_way_without() -> None:
    def may_walk(state: State, **loom: int) -> bool:
        rest = rest_of(read_piece(text(**loom)), state)
        return rest.task(rest.piece).may_walk(0)

    assert may_walk(State(row=3, picks=1)), "row 4 asks for a temporary, and none is in"
    assert may_walk(State(row=3, picks=1), spare_shafts=0), "whether there is room for it or not"
    assert not may_walk(State(row=1, picks=1))
    assert not may_walk(replace(IN, picks=1))
    assert not may_walk(replace(IN, row=4, picks=1)), "none may be made after row 5, and row 6 asks nothing"
    assert not may_walk(State(row=6, phase="raised", raised=frozenset({"1"})))


def test_each_place_and_loom_is_asked_by_itself_whether_it_takes_a_walk_now() -> None:
    rest = rest_of(piece(), State(row=3, picks=1))
    as_drawn, otherwise = rest.piece, replace(rest.piece, rows=(frozenset({1, 4}), *rest.piece.rows[1:]))
    assert rest.task(as_drawn).may_walk(0)
    assert not rest.task(otherwise).may_walk(0)


def test_the_whole_is_asked_of_where_nothing_is_said_of_a_place() -> None:
    rest = rest_asked(piece(), {})
    assert rest.piece == piece()
    assert rest.task(rest.piece).begin == BARE


def test_the_spare_handles_in_use_are_the_first() -> None:
    on_the_third = replace(IN, away=(("S3", "1a"),), raised=frozenset({"S3"}), phase="woven")
    assert rest_of(piece(), on_the_third).task(piece()).start.away == (("S1", "1a"),)
    assert rest_of(read_piece(text(spare_handles=3)), on_the_third).task(piece()).start.raised == {"S1"}


@pytest.mark.parametrize("state", [State(row=7), State(phase="done", row=7)])
def test_nothing_is_asked_of_a_piece_that_is_woven(state: State) -> None:
    with pytest.raises(ValueError, match="No row is left"):
        rest_of(piece(), state)


@pytest.mark.parametrize(
    "state",
    [
        State(row=8),
        State(row=-1),
        State(row=2, picks=2),
        replace(IN, temporaries=()),
        replace(IN, away=(("9", "1a"),)),
        replace(IN, away=(("S4", "1a"),)),
        replace(IN, temporaries=(replace(TUFT, units=frozenset({1, 4})),)),
        replace(IN, temporaries=(replace(TUFT, units=frozenset({2})),)),
    ],
)
def test_a_state_that_cannot_be_is_refused_in_a_sentence(state: State) -> None:
    with pytest.raises(ValueError, match=r"\.$"):
        rest_asked(piece(), {"here": state_option(state)})


@pytest.mark.parametrize(
    "option",
    ["", 0, False, [], {"phase": "flying"}, {"row": "two"}, {"away": [["1"]]}, {"raised": 5}, "x" * 9000],
)
def test_what_is_no_state_is_refused_in_a_sentence(option: object) -> None:
    with pytest.raises(ValueError, match="How the loom stands could not be read"):
        rest_asked(piece(), {"here": option})


def test_walks_that_she_wishes_otherwise_count() -> None:
    here = {"here": state_option(State(row=3)), "walks": [[4], [3, 6]]}
    rest = rest_asked(piece(), here)
    assert (rest.piece.free_walks, rest.piece.no_walks) == ({1}, {0, 3})
    assert walks_option(rest_asked(piece(), here | {"here": None}).piece) == here["walks"]


@pytest.mark.parametrize(
    "walks", [0, "3", [], [[1]], [[1], [2], [3]], [["1"], []], [[-1], []], [[True], []], {}]
)
def test_what_is_no_walks_is_refused_in_a_sentence(walks: object) -> None:
    with pytest.raises(ValueError, match="could not be read"):
        rest_asked(piece(), {"here": state_option(State(row=3)), "walks": walks})


def test_the_same_state_is_the_same_question() -> None:
    units = [33, 1, 65, 97, 129]
    one = State(pulled=frozenset(units), labelled=frozenset(units))
    other = State(pulled=frozenset(units[::-1]), labelled=frozenset(units[::-1]))
    options = [{"here": state_option(state)} for state in (one, other)]
    assert key_of("more", piece(), options[0]) == key_of("more", piece(), options[1])
    assert key_of("more", piece(), options[0]) != key_of("more", piece(), {})
    assert state_from(json.loads(json.dumps(options[0]["here"]))) == one


def test_answers_count_the_rows_of_the_whole_piece() -> None:
    here = {"here": state_option(State(row=2))}
    cells = few_cells_from(answer("cells", text(), here | {"most": 2}, Silent()))
    assert [(cell.row, cell.unit) for cell in cells.better[-1].cells] == [(4, 1), (5, 1)]
    stay = here | {"most": 2, "stay": [[1, 4, 1, 4]]}
    rest = few_cells_from(answer("cells", text(), stay, Silent()))
    assert {(cell.row, cell.unit) for one in rest.better for cell in one.cells} == {(5, 1)}
    found = places_from(answer("places", text(), here | {"block": [4, 5, 1, 2], "rows_by": [1, 1]}, Silent()))
    assert (found.block.first_row, found.block.last_row) == (4, 5)
    assert {place.move.rows_by for place in found.places} == {-1, 0, 1}


@pytest.mark.parametrize("most", ["x", "2", 2.0, True, None, [], -1, 13, 10**9])
def test_a_number_of_cells_that_is_none_is_refused_in_a_sentence(most: object) -> None:
    with pytest.raises(ValueError, match="a number from 0 to 12"):
        answer("cells", text(), {"most": most}, Silent())


@pytest.mark.parametrize("limit", ["abc", -5, 0, True, None, float("nan"), float("inf"), 10**9])
def test_a_time_that_is_none_is_refused_in_a_sentence(limit: object) -> None:
    with pytest.raises(ValueError, match="It may take from 0 to 600 seconds"):
        answer("cells", text(), {"most": 1, "limit": limit}, Silent())


def test_a_large_piece_of_which_little_is_left_is_looked_at() -> None:
    content = json.loads(text()) | {"rows": ["#..."] * 3003}
    here = {"here": state_option(State(row=3000)), "most": 1}
    assert few_cells_from(answer("cells", json.dumps(content), here, Silent())).drawn.walks == 2
    with pytest.raises(ValueError, match="So much of this design asks for temporaries"):
        answer("cells", json.dumps(content), {"most": 1}, Silent())


@pytest.mark.parametrize(
    ("state", "said"),
    [
        (State(row=0, picks=1), ": row 1 is begun."),
        (State(row=1, picks=1), ": row 1 is woven, and row 2 is begun."),
        (State(row=4), "rows 1 to 4 are woven"),
        (State(row=3, picks=1), "rows 1 to 3 are woven, and row 4 is begun"),
    ],
)
def test_a_figure_that_is_woven_or_begun_cannot_be_moved(state: State, said: str) -> None:
    options = {"here": state_option(state), "block": [min(state.row + 1, 4), 5, 1, 2]}
    with pytest.raises(ValueError, match=said):
        answer("places", text(), options, Silent())


def test_a_figure_is_not_laid_over_a_row_that_is_begun() -> None:
    options = {"here": state_option(State(row=2, picks=1)), "block": [4, 5, 1, 2], "rows_by": [3, 0]}
    found = places_from(answer("places", text(), options, Silent()))
    assert {place.move.rows_by for place in found.places} == {0}
