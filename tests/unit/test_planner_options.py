"""What the planner is asked besides the piece: how long it may take, and who looks on."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from itertools import combinations, pairwise
from typing import Any

import pytest

from server.design.piece_file import read_piece
from server.loom.steps import Insert, MoveCords, Raise
from server.plan import planner
from server.plan.hand_rule import hand_rule
from server.plan.planner import NoPlan, Progress, plan
from server.plan.workorder import write_workorder
from tests.bench.more import straight_piece
from tests.outside.exhaustive import best_order
from tests.outside.pieces import pointed_piece
from tests.outside.replayer import faults
from tests.outside.test_planner_small import piece_with

LARGE = pointed_piece(3, shafts=12, points=2, rows=40, spare_handles=2)
LARGE["loom"]["spare_shafts"] = 24
LARGE["loom"]["temporaries_may_stay"] = True


@pytest.mark.parametrize("limit", [-1.0, 0.0, 1e-9, 0.05, 0.5])
def test_however_short_the_time_there_is_an_order_and_its_bound(limit: float) -> None:
    piece = read_piece(json.dumps(LARGE))
    order = plan(piece, limit=limit)
    assert faults(LARGE, json.loads(write_workorder(order))) == []
    assert 0 <= order.bound <= order.totals.minutes
    by_hand = hand_rule(piece)
    if by_hand is not None:
        assert order.totals.minutes <= by_hand.totals.minutes + 1e-6
    if not order.proven:
        assert order.bound < order.totals.minutes


def test_more_time_is_never_worse_than_none() -> None:
    piece = read_piece(json.dumps(LARGE))
    assert plan(piece, limit=3).totals.minutes <= plan(piece, limit=0).totals.minutes + 1e-6


def test_who_looks_on_is_told_better_and_better() -> None:
    told: list[Progress] = []
    piece = read_piece(json.dumps(LARGE))
    order = plan(piece, limit=3, progress=told.append)
    assert told
    assert all(math.isfinite(p.seconds) and p.seconds >= 0 for p in told)
    assert all(later.seconds >= earlier.seconds for earlier, later in pairwise(told))
    seen = [p.minutes for p in told if p.minutes is not None]
    assert seen
    assert all(later <= earlier + 1e-6 for earlier, later in pairwise(seen))
    assert order.totals.minutes <= min(seen) + 1e-6
    for p in told:
        if p.bound is not None and order.proven:
            assert p.bound <= order.totals.minutes + 1e-6


def test_who_looks_on_may_stop_it() -> None:
    class Enough(Exception):
        pass

    def stop(_: Progress) -> None:
        raise Enough

    with pytest.raises(Enough):
        plan(read_piece(json.dumps(LARGE)), limit=3, progress=stop)


def test_the_same_piece_gives_the_same_order() -> None:
    piece = read_piece(json.dumps(pointed_piece(5, shafts=7, rows=12)))
    assert plan(piece) == plan(piece)


def no_plan(**changes: Any) -> str:
    piece = piece_with(**changes)
    assert best_order(piece) is None
    with pytest.raises(NoPlan) as refusal:
        plan(read_piece(json.dumps(piece)))
    said = str(refusal.value)
    assert said.endswith(".")
    return said


def test_no_spare_shaft_where_one_would_do() -> None:
    said = no_plan(rows=["##", "#."], spare_shafts=0)
    assert "Row 2" in said
    assert "1 spare shaft would do" in said


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (["...", "#..", "...", "..."], "Row 2 asks for a part of shaft 1."),
        (["#..", "...", "#..", "..."], "Rows 1 and 3 ask for a part of shaft 1."),
        (["#..", "#..", "#.."], "Rows 1 to 3 ask for a part of shaft 1."),
        (["#..", "..."] * 8, "8 of the rows 1 to 15 ask for a part of shaft 1."),
    ],
)
def test_rows_that_ask_nothing_are_not_named(rows: list[str], said: str) -> None:
    """They stand with those that do, as no walk between them could pay."""
    assert no_plan(rows=rows, spare_shafts=0).startswith(said)


def test_no_number_of_spare_shafts_would_do() -> None:
    said = no_plan(rows=["#.", ".#"], no_walks=[1], spare_shafts=9)
    assert "No number of spare shafts would do" in said
    assert "no walk may be made" in said
    said = no_plan(rows=["#."], temporaries_per_shaft=0)
    assert "no shaft of this loom takes a temporary" in said
    assert "No number of spare shafts would do" in said


def test_spare_handles_that_do_not_suffice_are_named_with_their_rows() -> None:
    too_few_handles = no_plan(
        rows=["#..", ".#.", "..#"],
        no_walks=[1, 2],
        spare_shafts=3,
        spare_handles=1,
        temporaries_per_shaft=3,
    )
    assert "Rows 1 to 3 ask shaft 1 for different parts" in too_few_handles
    assert "more spare handles" in too_few_handles
    assert "No number of spare shafts would do" in too_few_handles
    too_few_shafts = no_plan(rows=["#.", ".#"], no_walks=[1], spare_shafts=1, spare_handles=1)
    assert "Rows 1 and 2 ask shaft 1 for different parts" in too_few_shafts
    assert "more spare shafts than there are. 2 spare shafts would do" in too_few_shafts


def test_many_candidate_parts_never_hide_an_order() -> None:
    # One temporary a unit weaves anything; between these rows no walk may be made, so nothing less does.
    units = 8
    rows = [
        "".join("#" if unit in chosen else "." for unit in range(units))
        for chosen in combinations(range(units), 4)
    ]
    piece = piece_with(
        rows=rows,
        spare_shafts=units,
        spare_handles=units - 1,
        temporaries_per_shaft=units,
        no_walks=list(range(1, len(rows))),
    )
    order = plan(read_piece(json.dumps(piece)))
    assert faults(piece, json.loads(write_workorder(order))) == []


@pytest.mark.parametrize(
    ("rows", "leashes", "single_cords", "pull", "free_walks"),
    [
        (["#.##.#.", ".##.##.", "#.#.###", "##.#..#", ".##.###"], [1, 1, 2, 1, 1, 2, 2], [5], 0.02, []),
        (["#.#.#.##", "#..#...#", "...##..#", ".##.##.#"], [2, 1, 2, 2, 1, 1, 1, 2], [], 0.5, [0, 1]),
    ],
)
def test_every_temporary_hangs_on_a_handle_from_the_walk_on_which_it_goes_in(
    rows: list[str], leashes: list[int], single_cords: list[int], pull: float, free_walks: list[int]
) -> None:
    # Else its first test lift would come a walk later than the mistake.
    piece = piece_with(
        rows=rows,
        leashes=leashes,
        single_cords=single_cords,
        minutes={"pull": pull},
        free_walks=free_walks,
        spare_shafts=4,
        spare_handles=2,
        temporaries_per_shaft=3 if single_cords else 2,
    )
    piece["loom"]["pattern_shafts"] = 2
    order = plan(read_piece(json.dumps(piece)))
    hung: set[str] = set()
    went_in: set[str] = set()
    for step in order.steps:
        match step:
            case Insert():
                went_in.add(step.temporary)
            case MoveCords():
                hung.add(step.target or "")
            case Raise():
                assert went_in <= hung
                went_in, hung = set(), set()
    assert any(isinstance(step, Insert) for step in order.steps)


@pytest.mark.parametrize("gap", [0, 2])
def test_no_walk_to_put_it_in_or_take_it_out(gap: int) -> None:
    said = no_plan(rows=["#.", "#."], no_walks=[gap])
    assert ("before the first row", "", "after the last row")[gap] in said


@pytest.mark.parametrize("seed", [30, 31, 32, 34, 35, 37])
def test_the_number_that_would_do_does_and_one_less_does_not(seed: int) -> None:
    piece = pointed_piece(seed, shafts=4, rows=6, odd_rows=1)
    piece["loom"] |= {"spare_shafts": 0, "spare_handles": seed % 2}
    with pytest.raises(NoPlan) as refusal:
        plan(read_piece(json.dumps(piece)))
    counts = [
        number
        for number in range(9)
        if f" {number} spare shaft{'' if number == 1 else 's'} would do" in f" {refusal.value}"
    ]
    assert len(counts) == 1
    piece["loom"]["spare_shafts"] = counts[0]
    order = plan(read_piece(json.dumps(piece)))
    assert faults(piece, json.loads(write_workorder(order))) == []
    piece["loom"]["spare_shafts"] = counts[0] - 1
    with pytest.raises(NoPlan):
        plan(read_piece(json.dumps(piece)))


def test_nothing_to_do_behind_needs_no_walk() -> None:
    piece = piece_with(rows=["##", "..", "##"], spare_shafts=0)
    order = plan(read_piece(json.dumps(piece)))
    assert faults(piece, json.loads(write_workorder(order))) == []
    assert order.proven
    assert order.totals.walks == 0


def test_hundreds_of_rows() -> None:
    piece = pointed_piece(8, shafts=8, points=2, rows=300, odd_rows=0.1)
    piece["loom"] |= {"spare_shafts": 16, "temporaries_per_shaft": 2}
    order = plan(read_piece(json.dumps(piece)), limit=60)
    assert faults(piece, json.loads(write_workorder(order))) == []
    by_hand = hand_rule(read_piece(json.dumps(piece)))
    assert by_hand is not None
    assert order.totals.minutes < by_hand.totals.minutes


def test_what_is_too_large_to_be_solved_at_once_is_so_with_any_time(monkeypatch: pytest.MonkeyPatch) -> None:
    content = straight_piece(27, 4, 2)
    content["loom"] |= {"spare_shafts": 3, "spare_handles": 1}
    piece = read_piece(json.dumps(content | {"rows": content["rows"][:10]}))
    done: list[str] = []

    def noted(name: str) -> Callable[..., None]:
        method = getattr(planner._Search, name)

        def note(search: object, *arguments: object) -> None:
            done.append(name)
            method(search, *arguments)

        return note

    for name in ("_in_blocks", "_in_windows", "_whole"):
        monkeypatch.setattr(planner._Search, name, noted(name))
    at_once = plan(piece, limit=100)
    assert (done, at_once.proven) == (["_whole"], True)
    done.clear()
    monkeypatch.setattr(planner, "LONG", 0.0)
    assert plan(piece, limit=100).totals.minutes == at_once.totals.minutes
    assert done[:2] == ["_in_blocks", "_in_windows"]
