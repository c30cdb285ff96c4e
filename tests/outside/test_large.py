"""What large pieces are planned by, against exhaustive search: needed walks, bounds by blocks, windows."""

from __future__ import annotations

import json
import random
import time
from dataclasses import replace
from fractions import Fraction
from itertools import combinations, pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan import blocks as blocks_module
from server.plan import model as model_module
from server.plan import planner
from server.plan.blocks import Blocks
from server.plan.changed_cells import Budget
from server.plan.hand_rule import hand_rule, hand_schedules
from server.plan.model import Model
from server.plan.planner import NoPlan, Progress, Stopped, plan
from server.plan.stages import joined, relevant_shafts, stages
from server.plan.task import whole_task
from server.plan.workorder import write_workorder
from tests.outside.courses import random_course
from tests.outside.exhaustive import TooLarge, best_order
from tests.outside.pieces import examples, pointed_piece, small_piece, small_pieces
from tests.outside.replayer import faults
from tests.outside.test_from_here import planned, searched

CLOSE = Fraction(2, 10**6)

seeds = st.integers(0, 2**63)


def with_handles(seed: int) -> dict[str, Any]:
    """A small piece with spare handles, and spare shafts."""
    piece = small_piece(random.Random(seed))
    piece["loom"] |= {"spare_handles": 1 + seed % 2, "spare_shafts": max(piece["loom"]["spare_shafts"], 1)}
    piece["loom"]["temporaries_per_shaft"] = max(piece["loom"]["temporaries_per_shaft"], 1)
    return piece


def model_of(content: dict[str, Any]) -> Model | None:
    piece = read_piece(json.dumps(content))
    shafts = relevant_shafts(piece)
    if not shafts:
        return None
    return Model(piece, shafts, stages(piece, shafts), breadth="bounding")


@examples(200)
@given(seeds)
def test_without_a_walk_where_one_is_said_to_be_needed_there_is_no_plan(seed: int) -> None:
    content = with_handles(seed)
    model = model_of(content)
    assume(model is not None)
    for first, last in model.needed:
        # a walk may fall anywhere between the first row of the stage before and the last of the one after
        begin = model.stages[first - 1].first if first else 0
        end = model.stages[last].last if last < len(model.stages) else len(content["rows"]) + 1
        barred = {*content["no_walks"], *range(begin, end)}
        try:
            assert best_order({**content, "no_walks": sorted(barred)}, largest=1500) is None
        except TooLarge:
            return


def test_needed_walks_are_many_where_much_is_asked_and_none_lies_within_another() -> None:
    content = pointed_piece(3, 8, 2, 24, spare_handles=1)
    content["loom"]["spare_shafts"] = 8
    model = model_of(content)
    assert model is not None
    assert len(model.needed) > 2
    assert all(0 <= first <= last <= len(model.stages) for first, last in model.needed)
    assert all(a < c and b < d for (a, b), (c, d) in pairwise(model.needed))


def test_a_temporary_before_the_first_row_and_after_the_last_needs_a_walk_there() -> None:
    content = pointed_piece(3, 8, 2, 24, spare_handles=1)
    content |= {"rows": [content["rows"][0].replace("#", ".", 1)] * 3, "single_cords": []}
    content["rows"][0] = "#" + "." * (len(content["leashes"]) - 1)
    model = model_of(content)
    assert model is not None
    assert model.needed[0] == (0, 0)


@examples(60)
@given(seeds, st.booleans())
def test_no_bound_block_by_block_is_above_the_best_order(seed: int, in_between: bool) -> None:
    content = with_handles(seed)
    model = model_of(content)
    assume(model is not None)
    solved = model.program.solve(seconds=20, gap=1e-7)
    assume(solved.values is not None)
    best = model.program.objective(solved.values)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks_module, "AS_LONG_AGAIN", 1e9 if in_between else 0.0)
        bounds, blocks = in_small_blocks(model)
    if in_between:
        assert len(bounds) == 3 or blocks._last <= 4
    else:
        relaxed = model.program.relax(seconds=20)
        assert relaxed is not None
        assert blocks.bound == pytest.approx(relaxed.bound, abs=1e-5)
    for _ in blocks.settle(solved.values, grain=0.01, until=time.monotonic() + 20):
        bounds.append(blocks.bound)
    assert bounds == sorted(bounds)
    assert bounds[-1] <= best + 1e-5
    assert bounds[-1] >= best - 0.01, "the last block is the whole"


@examples(40)
@given(seeds)
def test_no_bound_is_above_the_best_order_where_the_known_one_is_not_the_best(seed: int) -> None:
    content = with_handles(seed)
    model = model_of(content)
    assume(model is not None)
    solved = model.program.solve(seconds=20, gap=1e-7)
    assume(solved.values is not None)
    piece = read_piece(json.dumps(content))
    worse = next(
        (known for schedule in hand_schedules(whole_task(piece)) if (known := model.values_of(schedule))),
        None,
    )
    assume(worse is not None)
    _, blocks = in_small_blocks(model)
    for _ in blocks.settle(np.array(worse), grain=0.01, until=time.monotonic() + 20):
        assert blocks.bound <= model.program.objective(solved.values) + 1e-5


def in_small_blocks(model: Model) -> tuple[list[float], Blocks]:
    """The bounds, one after another, with two stages in each of the smallest blocks."""
    blocks = Blocks(model.program, [0] * (len(model.stages) + 1))
    blocks._edges = sorted({0, *range(2, blocks._last, 2), blocks._last})
    bounds = [blocks.bound]
    for _ in blocks.relax(time.monotonic() + 20):
        bounds.append(blocks.bound)
    return bounds, blocks


def test_where_the_time_does_not_suffice_for_all_the_bound_is_one_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(blocks_module, "VARIABLES", 1500)
    content = pointed_piece(5, 8, 2, 40, spare_handles=1)
    content["loom"]["spare_shafts"] = 8
    model = model_of(content)
    assert model is not None
    whole = model.program.relax(seconds=60)
    assert whole is not None
    blocks = Blocks(model.program, [0] * (len(model.stages) + 1))
    assert len(blocks._edges) > 3
    bounds = [blocks.bound]
    monkeypatch.setattr(blocks_module, "AS_LONG_AGAIN", 1e9)
    for _ in blocks.relax(time.monotonic() + 60):
        bounds.append(blocks.bound)
    assert blocks.relaxed is None
    assert bounds == sorted(bounds)
    assert 0.6 * whole.bound < bounds[-1] <= whole.bound + 1e-5
    nothing = Blocks(model.program, [0] * (len(model.stages) + 1))
    assert list(nothing.relax(time.monotonic() - 1)) == [None]
    assert nothing.bound == bounds[0]


def test_a_plan_is_not_denied_where_not_all_candidates_are_looked_at() -> None:
    """Rows 1 to 4 are lifted by units 1 2, 3 4 and 5 6 on three handles; each other row by a temporary."""
    together = ["##......", "####....", "##..##..", "..####.."]
    apart = ["#.##.###", "..######", "######..", ".#.#####", "######..", ".####.##", "#.####.#", "#.##.###"]
    loom = {"pattern_shafts": 1, "spare_shafts": 3, "spare_handles": 2, "temporaries_per_shaft": 3}
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Much asked of one shaft",
        "leashes": [1] * 8,
        "rows": together + apart,
        "loom": loom,
        "no_walks": [1, 2, 3],
    }
    order = plan(read_piece(json.dumps(content)), limit=10)
    assert faults(content, json.loads(write_workorder(order))) == []
    best = best_order(content, {1: {0b11, 0b1100, 0b110000, *map(bits_of, apart)}}, largest=10**6)
    assert best is not None
    assert Fraction(order.bound) <= best.minutes + CLOSE
    assert not order.proven or Fraction(order.totals.minutes) <= best.minutes + CLOSE


def bits_of(row: str) -> int:
    return sum(1 << place for place, cell in enumerate(row) if cell == "#")


UNKNOWN = "whether there is one could not be worked out"


def test_where_it_is_not_known_whether_there_is_a_plan_that_is_what_is_said() -> None:
    """20 rows without a walk between; each leaves out two other units: too much in common to look at."""
    rows = ["".join("." if unit in (n, (n + 1) % 20) else "#" for unit in range(20)) for n in range(20)]
    with pytest.raises(NoPlan, match=UNKNOWN):
        plan(without_a_walk_between(rows, temporaries=2), limit=0)


def test_without_time_a_plan_that_there_is_is_not_denied() -> None:
    """Rows that two or three of four temporaries lift together; a unit for each set that takes it."""
    taken_by = [frozenset(those) for number in (1, 2, 3, 4) for those in combinations("abcd", number)]
    taken_by.sort(key=lambda takes: "d" in takes or len(takes) > 2)  # "d" is the last that is looked at
    rows = [
        "".join(".#"[bool(takes & set(up))] for takes in taken_by) + "."
        for number in (2, 3)
        for up in combinations("abcd", number)
    ]
    with pytest.raises(NoPlan, match=UNKNOWN):
        plan(without_a_walk_between(rows, temporaries=4), limit=0)


def without_a_walk_between(rows: list[str], temporaries: int) -> Piece:
    """One shaft, and spare handles for all its temporaries but one."""
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Much asked of one shaft",
        "leashes": [1] * len(rows[0]),
        "rows": rows,
        "loom": {
            "pattern_shafts": 1,
            "spare_shafts": temporaries,
            "spare_handles": temporaries - 1,
            "temporaries_per_shaft": temporaries,
        },
        "no_walks": list(range(1, len(rows))),
    }
    return read_piece(json.dumps(content))


@pytest.fixture
def all_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if every piece were large."""
    monkeypatch.setattr(planner, "WIDE", 0)
    monkeypatch.setattr(planner, "PER_SECOND", 0)
    monkeypatch.setattr(planner, "PER_SECOND_WITH_HANDLES", 0)
    monkeypatch.setattr(planner, "ALONG", 2)
    monkeypatch.setattr(planner, "WINDOW", 2)
    monkeypatch.setattr(planner, "WINDOW_WITH_HANDLES", 2)
    monkeypatch.setattr(blocks_module, "VARIABLES", 30)


@pytest.mark.usefixtures("all_in_blocks")
def test_in_blocks_and_windows_every_order_is_lawful_and_every_bound_true() -> None:
    @examples(150)
    @given(small_pieces())
    def holds(content: dict[str, Any]) -> None:
        try:
            best = best_order(content, largest=1500)
        except TooLarge:
            return
        piece = read_piece(json.dumps(content))
        if best is None:
            with pytest.raises(NoPlan):
                plan(piece, limit=5)
            return
        order = plan(piece, limit=5)
        assert faults(content, json.loads(write_workorder(order))) == []
        assert Fraction(order.bound) <= best.minutes + CLOSE
        assert Fraction(order.totals.minutes) >= best.minutes - CLOSE
        if order.proven:
            assert Fraction(order.totals.minutes) <= best.minutes + CLOSE
        by_hand = hand_rule(piece)
        if by_hand is not None:
            assert order.totals.minutes <= by_hand.totals.minutes + 1e-6

    holds()


@pytest.mark.usefixtures("all_in_blocks")
def test_from_any_state_in_blocks_and_windows_every_order_is_lawful_and_every_bound_true() -> None:
    @examples(60)
    @given(seeds)
    def holds(seed: int) -> None:
        content = with_handles(seed) if seed % 3 else small_piece(random.Random(seed))
        course = random_course(random.Random(seed + 1), content)
        try:
            best = searched(content, course)
        except TooLarge:
            return
        if best is None:
            with pytest.raises(NoPlan):
                planned(content, course)
            return
        order = planned(content, course)
        assert faults(content, json.loads(write_workorder(order)), course) == []
        minutes, bound = Fraction(order.totals.minutes), Fraction(order.bound)
        assert bound <= best.minutes + CLOSE
        assert minutes >= best.minutes - CLOSE
        if order.proven:
            assert minutes <= best.minutes + CLOSE

    holds()


@pytest.mark.usefixtures("all_in_blocks")
@pytest.mark.parametrize("handles", [0, 1])
def test_a_large_piece_comes_close_to_its_bound(handles: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks_module, "VARIABLES", 1500)
    monkeypatch.setattr(planner, "WINDOW_WITH_HANDLES", 6)
    content = pointed_piece(7, 8, 1, 40, spare_handles=handles)
    content["loom"]["spare_shafts"] = 10
    piece = read_piece(json.dumps(content))
    told: list[Progress] = []
    order = plan(piece, limit=20, progress=told.append)
    assert faults(content, json.loads(write_workorder(order))) == []
    assert order.bound <= order.totals.minutes <= 1.1 * order.bound
    bounds = [progress.bound for progress in told if progress.bound is not None]
    assert bounds == sorted(bounds)
    assert bounds[-1] <= order.bound + 1e-6


def test_with_cells_to_change_the_blocks_may_end_with_the_last_walk(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(model_module, "LARGE", 0)
    monkeypatch.setattr(blocks_module, "VARIABLES", 1)
    piece = read_piece(json.dumps(pointed_piece(3, 4, 1, 9, spare_handles=1)))
    shafts = relevant_shafts(piece)
    for last in (8, 9):
        rows = replace(piece, rows=piece.rows[:last])
        model = Model(rows, shafts, stages(rows, shafts, by_runs=False), budget=Budget(1))
        found = model.cheapest(seconds=20, grain=0.01)
        plainly = model.program.solve(seconds=20, gap=0.001)
        assert found.values is not None
        assert model.program.objective(found.values) == pytest.approx(plainly.bound, abs=0.01)


def test_stages_are_joined_where_there_is_no_walk() -> None:
    piece = read_piece(json.dumps(pointed_piece(3, 8, 2, 24)))
    cut = stages(piece, relevant_shafts(piece))
    assert len(cut) > 6
    whole = joined(cut, [])
    assert [(stage.first, stage.last) for stage in whole] == [(1, 24)]
    assert sum(sum(parts.values()) for parts in whole[0].asked.values()) == sum(
        sum(parts.values()) for stage in cut for parts in stage.asked.values()
    )
    assert joined(cut, range(len(cut))) == cut
    three = joined(cut, [2, 5])
    assert [stage.first for stage in three] == [1, cut[2].first, cut[5].first]


def test_stopped_at_once_it_gives_what_can_be_had_without_a_search() -> None:
    content = pointed_piece(3, 8, 2, 24)
    content["loom"]["spare_shafts"] = 8
    piece = read_piece(json.dumps(content))
    by_hand = hand_rule(piece)
    assert by_hand is not None
    order = plan(piece, stop=lambda: True)
    assert not order.proven
    assert order.totals.minutes <= by_hand.totals.minutes
    assert faults(content, json.loads(write_workorder(order))) == []


def test_stopped_before_there_is_any_order_it_says_so() -> None:
    content = pointed_piece(3, 8, 2, 24, spare_handles=2)
    content["loom"] |= {"spare_shafts": 8, "temporaries_per_shaft": 2, "temporaries_may_stay": True}
    content["no_walks"] = list(range(1, 24))  # only the spare handles can do it, if anything can
    piece = read_piece(json.dumps(content))
    assert hand_rule(piece) is None
    with pytest.raises((Stopped, NoPlan)):
        plan(piece, stop=lambda: True)


def test_a_plan_that_is_known_to_be_the_best_is_not_searched_for_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    piece = read_piece(json.dumps(pointed_piece(3, 6, 1, 12)))
    piece = replace(piece, loom=replace(piece.loom, spare_shafts=6))
    task = whole_task(piece)
    found = planner.cheapest_found(task, limit=20)
    assert isinstance(found, planner.Found)
    monkeypatch.setattr(Model, "cheapest", lambda *_, **__: pytest.fail("searched for again"))
    again = planner.cheapest_found(
        replace(task, known=found.schedule), limit=20, at_least=found.order.totals.minutes
    )
    assert isinstance(again, planner.Found)
    assert again.order.proven
    assert again.order.totals.minutes == found.order.totals.minutes
