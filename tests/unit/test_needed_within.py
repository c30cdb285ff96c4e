"""What no design within a budget of cells does without: worked examples, counted by hand."""

from __future__ import annotations

from typing import Any

import pytest

from server.design.piece import Piece
from server.plan.changed_cells import Budget, Cell, parts_within
from server.plan.needed_within import Needed, needed_within
from server.plan.stages import relevant_shafts, stages
from tests.unit.test_few_cells import one_shaft


def needed(piece: Piece, most: int, fixed: frozenset[Cell] = frozenset()) -> dict[str, list[tuple[int, ...]]]:
    """Per kind: first and last stage from 0, and how often."""
    shafts, budget = relevant_shafts(piece), Budget(most, fixed)
    cut = stages(piece, shafts, by_runs=False)
    parts = {shaft: found.parts for shaft, found in parts_within(piece, shafts, budget).items()}
    found: dict[str, list[tuple[int, ...]]] = {"temporaries": [], "moves": [], "walks": []}
    for need in needed_within(piece, shafts, cut, parts, budget):
        assert isinstance(need, Needed)
        found[need.what].append((need.first, need.last, need.times))
    return found


@pytest.mark.parametrize(
    ("most", "temporaries", "moves"),
    [
        # each of the three rows must be changed in one cell if there is no temporary
        (0, [(0, 0, 1), (1, 1, 1), (2, 2, 1)], [(2, 3, 1)]),
        (1, [(0, 1, 1), (1, 2, 1)], [(1, 3, 1)]),
        (2, [(0, 2, 1)], [(0, 3, 1)]),
        (3, [], []),
    ],
)
def test_a_temporary_is_needed_where_the_budget_does_not_reach_for_all_its_rows(
    most: int, temporaries: list[tuple[int, ...]], moves: list[tuple[int, ...]]
) -> None:
    # the last asks for the whole shaft, and the temporary of the others lifts it with three cells changed
    found = needed(one_shaft(["#...", "#...", "#...", "####"]), most)
    assert found["temporaries"] == temporaries
    assert found["moves"] == moves == found["walks"]


def test_two_temporaries_are_needed_where_none_serves_both_rows() -> None:
    found = needed(one_shaft(["##....", "....##"]), 1)
    assert found["temporaries"] == [(0, 0, 1), (1, 1, 1), (0, 1, 2)]
    assert needed(one_shaft(["##....", "....##"]), 2)["temporaries"] == [(0, 1, 1)]


def test_a_cell_that_stays_is_not_counted_on() -> None:
    piece = one_shaft(["#...", "####"])
    assert needed(piece, 1)["temporaries"] == []
    assert needed(piece, 1, frozenset([(1, 1)]))["temporaries"] == [(0, 0, 1)]


@pytest.mark.parametrize(("handles", "walks"), [(0, [(0, 1, 1)]), (1, [])])
def test_a_walk_is_needed_where_no_handle_is_left(handles: int, walks: list[tuple[int, ...]]) -> None:
    piece = one_shaft(["##....", "######"], loom={"spare_handles": handles})
    assert needed(piece, 1)["walks"] == walks


@pytest.mark.parametrize(("shafts", "walks"), [(1, [(0, 1, 1)]), (2, [])])
def test_a_walk_is_needed_where_no_spare_shaft_is_left(shafts: int, walks: list[tuple[int, ...]]) -> None:
    changes: dict[str, Any] = {"loom": {"spare_handles": 2, "spare_shafts": shafts}}
    assert needed(one_shaft(["##....", "....##"], **changes), 1)["walks"] == walks
