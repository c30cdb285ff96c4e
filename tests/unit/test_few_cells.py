"""What a few cells are worth: worked examples, what is refused, and which parts are looked at."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.changed_cells import Budget, parts_within, spans, ways_with, with_changed
from server.plan.model import Model
from server.plan.stages import stages
from server.ways.few_cells import answer_cells, as_json, cells_of, few_cells, from_json
from server.ways.unaided import Changed
from tests.examples import piece_text


class Listener:
    """Hears how far it is; `enough` after so many times."""

    def __init__(self, enough: int = 1000) -> None:
        self.said: list[str] = []
        self._enough = enough

    def __call__(self, words: str = "", share: float | None = None, /, **_: Any) -> None:
        assert share is None or 0 <= share <= 1
        self.said.append(words)

    def is_enough(self) -> bool:
        return len(self.said) >= self._enough


def one_shaft(rows: Iterable[str], **changes: Any) -> Piece:
    loom = {"pattern_shafts": 1, "spare_shafts": 2} | changes.pop("loom", {})
    rows = list(rows)
    return read_piece(
        json.dumps(
            {
                "format": "spareshaft-piece",
                "version": 1,
                "name": "One shaft",
                "loom": loom,
                "leashes": [1] * len(rows[0]),
                "single_cords": [],
                "rows": rows,
            }
            | changes
        )
    )


def test_the_only_unit_that_needs_a_temporary_is_left_down() -> None:
    # Unit 3 alone of shaft 2: left down it saves the pull of handle 2 as well.
    found = few_cells(read_piece(piece_text()), 3)
    assert found.drawn.minutes == 5.71
    assert [better.cells for better in found.better] == [(Changed(2, 3, False),)]
    (better,) = found.better
    assert better.sure
    assert (better.takes.minutes, better.takes.walks, better.takes.insertions) == (0.14, 0, 0)
    assert (found.most, found.ended) == (1, "none needed")


def test_a_cell_that_stays_makes_way_for_the_next_best() -> None:
    found = few_cells(read_piece(piece_text()), 3, [(2, 3)])
    assert found.better[0].cells == (Changed(2, 7, True),)
    assert found.better[0].takes.minutes == 0.16


def test_where_all_stays_nothing_is_saved() -> None:
    piece = read_piece(piece_text())
    found = few_cells(piece, 2, cells_of(piece, [(1, 3, 1, 9)]))
    assert (found.better, found.most, found.ended) == ((), 2, "asked")


def test_the_middle_of_a_run_of_rows_is_worth_something() -> None:
    # Both walks are needed for row 2 alone as well; but then the second can be made after it, where she rises
    # anyway, and not after row 3. And what lifts nothing saves a pull.
    piece = one_shaft(["##", "#.", "#.", "##"], free_walks=[1, 2], minutes={"walk": 1})
    found = few_cells(piece, 1)
    assert found.drawn.walks == 2
    assert [better.cells for better in found.better] == [(Changed(3, 1, False),)]
    assert round(found.drawn.minutes - found.better[0].takes.minutes, 6) == 1.02


def test_what_is_found_can_be_kept() -> None:
    found = few_cells(read_piece(piece_text()), 2)
    assert from_json(json.loads(json.dumps(as_json(found)))) == found
    for wrong in ({}, {"drawn": 1}, {"better": "x"}):
        with pytest.raises(ValueError, match="validation error"):
            from_json(wrong)


def test_it_is_a_question() -> None:
    listener = Listener()
    options = {"most": 2, "stay": [[2, 2, 3, 3]]}
    answer = from_json(answer_cells(read_piece(piece_text()), options, listener))
    assert answer.better[0].cells == (Changed(2, 7, True),)
    assert listener.said == ["With 1 cell changed."]


def test_enough_is_enough() -> None:
    found = few_cells(one_shaft(["#.", "##", ".#", "##"]), 4, tell=Listener(enough=2))
    assert (found.most, found.ended) == (1, "time")


@pytest.mark.parametrize("most", [-1, -(10**9), 13, 10**9])
def test_a_number_of_cells_that_makes_no_sense_is_refused(most: int) -> None:
    with pytest.raises(ValueError, match=r"How many cells may be changed: a number from 0 to 12\."):
        few_cells(read_piece(piece_text()), most)


@pytest.mark.parametrize("cell", [(0, 1), (1, 0), (4, 1), (1, 10), (-1, -1), (10**9, 1)])
def test_a_cell_outside_of_the_piece_cannot_stay(cell: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match=r"must lie in the design: rows 1 to 3, units 1 to 9\."):
        few_cells(read_piece(piece_text()), 1, [cell])


def test_no_cells_are_no_question_and_no_answer() -> None:
    found = few_cells(read_piece(piece_text()), 0)
    assert (found.better, found.most, found.ended) == ((), 0, "asked")


def test_a_design_without_temporaries_has_nothing_to_save() -> None:
    found = few_cells(one_shaft(["##", "..", "##"]), 3)
    assert (found.better, found.most, found.ended) == ((), 0, "none needed")


def test_a_very_large_design_is_refused_with_a_reason() -> None:
    rows = [("#." + "#" * 38) if row % 2 else "#" * 40 for row in range(160)]
    with pytest.raises(ValueError, match="So much of this design asks for temporaries"):
        few_cells(one_shaft(rows), 1, limit=4)


# --- which parts, and where ------------------------------------------------------------------------------


def parts(piece: Piece, most: int, fixed: Iterable[tuple[int, int]] = ()) -> set[tuple[int, ...]]:
    found = parts_within(piece, [1], Budget(most, frozenset(fixed)))[1]
    assert found.complete
    return {tuple(sorted(part)) for part in found.parts}


def test_parts_lie_within_the_budget_of_a_row() -> None:
    piece = one_shaft(["##...", "#####"])
    # of the units asked for alike the first ones; of five, not all
    assert parts(piece, 0) == {(1, 2)}
    all_but_one = {(1, 2, 3, 4), (1, 3, 4, 5)}
    assert parts(piece, 1) == {(1, 2), (1,)} | all_but_one
    # (1, 3) takes a unit that row 1 does not ask for: it would serve row 2, too, and that is three changes
    all_but_two = {(1, 2, 3), (1, 3, 4), (3, 4, 5)}
    assert parts(piece, 2) == {(1, 2), (1,)} | all_but_one | all_but_two


def test_fixed_cells_take_parts_away() -> None:
    piece = one_shaft(["##...", "....."])
    assert parts(piece, 1) == {(1, 2), (1,)}
    assert parts(piece, 1, [(1, 1)]) == {(1, 2), (1,)}
    assert parts(piece, 1, [(1, 1), (1, 2)]) == {(1, 2)}


# --- how rows are lifted ---------------------------------------------------------------------------------


def ways(asked: set[int], bar: set[int], cords: set[int], most: int, **others: Any) -> list[tuple[Any, ...]]:
    found = ways_with(
        frozenset(asked),
        frozenset(bar),
        frozenset(cords),
        frozenset(others.pop("fixed", ())),
        most,
        by_bar=others.pop("by_bar", False),
    )
    return [(sorted(way.changed), way.pulls, way.is_up) for way in found]


def test_what_is_lifted_too_much_or_not_at_all_is_changed() -> None:
    assert ways({1, 2}, {1, 2}, set(), 0) == [([], 1, True)]
    assert ways({1, 2}, {1, 3}, set(), 1) == []
    # leaving both down changes as many cells, and saves the pull
    assert ways({1, 2}, {1, 3}, set(), 2) == [([1, 2], 0, False)]
    assert ways({1, 2}, {1, 2, 3}, set(), 2) == [([3], 1, True), ([1, 2], 0, False)]
    assert ways({1, 2}, {1, 2, 3}, set(), 2, fixed={3}) == [([1, 2], 0, False)]


def test_a_corded_unit_is_lifted_by_its_cord_or_changed() -> None:
    assert ways({1, 2}, {1}, {2}, 2) == [([], 2, True), ([1], 1, False), ([1, 2], 0, False)]
    assert ways({1, 2}, {1}, {2}, 2, fixed={2}) == [([], 2, True), ([1], 1, False)]


def test_where_temporaries_may_not_stay_leaving_the_bar_down_counts_for_itself() -> None:
    assert ways({1, 2}, {1, 2}, {1, 2}, 0) == [([], 1, True)]
    assert ways({1, 2}, {1, 2}, {1, 2}, 0, by_bar=True) == [([], 1, True), ([], 2, False)]


@pytest.mark.parametrize("handles", [0, 1])
@pytest.mark.parametrize("may_stay", [True, False])
@pytest.mark.parametrize("cords", [[], [2]])
def test_what_is_known_is_a_solution_of_the_next_program(
    handles: int, may_stay: bool, cords: list[int]
) -> None:
    loom = {"spare_handles": handles, "temporaries_may_stay": may_stay}
    piece = one_shaft(["#..", "##.", "###", ".##", "#.#"], loom=loom, single_cords=cords)
    cut = stages(piece, [1], by_runs=False)
    before = Model(piece, [1], cut, budget=Budget(2))
    found = before.cheapest(seconds=60, grain=0.01, first=True)
    assert found.values is not None
    assert before.changes is not None
    after = Model(piece, [1], cut, budget=Budget(3))
    values = after.values_of(before.schedule(found.values), before.changes.cells(found.values))
    assert values is not None
    assert after.program.objective(values) <= before.program.objective(found.values) + 1e-6
    linear = after.program.linear()
    assert np.all(linear.lower - 1e-6 <= values)
    assert np.all(linear.upper + 1e-6 >= values)
    terms = linear.coefficients * np.array(values)[linear.columns]
    rows = np.array([terms[a:b].sum() for a, b in pairwise(linear.starts)])
    assert np.all(linear.row_lower - 1e-6 <= rows)
    assert np.all(linear.row_upper + 1e-6 >= rows)


def test_a_relaxation_begun_block_by_block_has_the_same_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    piece = one_shaft(["#..", "##.", "###", ".##"], loom={"spare_handles": 1})
    monkeypatch.setattr("server.plan.blocks.VARIABLES", 20)  # so that there are several blocks
    bounds = []
    for large in (10**9, 0):
        monkeypatch.setattr("server.plan.model.LARGE", large)
        model = Model(piece, [1], stages(piece, [1], by_runs=False), budget=Budget(1))
        costs = list(model.program.costs)
        model.cheapest(seconds=60, grain=0.01, stop=partial(is_relaxed, model))
        assert model.relaxed is not None
        assert model.program.costs == costs
        bounds.append(model.relaxed.bound)
    assert bounds[0] > 0
    assert abs(bounds[0] - bounds[1]) < 1e-6


def is_relaxed(model: Model) -> bool:
    return model.relaxed is not None


def test_a_temporary_is_of_use_about_the_rows_that_it_serves() -> None:
    piece = one_shaft(["###", "#..", "...", "###", ".##"])
    cut = stages(piece, [1], by_runs=False)
    part = frozenset([1])
    (span,) = spans(piece, 1, cut, [part], Budget(0)).values()
    served = [stage for stage, of in enumerate(cut) if of.first == 2]
    assert sorted(span.inside) == served == sorted(span.home)


def test_changed_cells_are_turned_over() -> None:
    rows = (frozenset([1, 2]), frozenset[int]())
    assert with_changed(rows, [(1, 2), (2, 3)]) == (frozenset([1]), frozenset([3]))
    assert with_changed(rows, []) == rows
