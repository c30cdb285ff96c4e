"""The other methods, against exhaustive search: every set of cords, every unit by hand, copies at once."""

from __future__ import annotations

import json
from collections.abc import Mapping
from itertools import combinations, pairwise
from typing import Any

from hypothesis import assume, given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.plan.planner import NoPlan, plan
from server.ways.methods import Assumptions, kept_in, methods, partly_by_hand
from tests.outside.exhaustive import TooLarge, best_order
from tests.outside.pieces import examples, small_pieces

ONLY_PULLS = dict.fromkeys(["walk", "insert", "take", "withdraw", "move_cords"], 0) | {"pull": 1}


def pulls_without(piece: dict[str, Any], cords: frozenset[int]) -> int | None:
    """Pulls of all rows with these single cords and no temporary; None: some row is not lifted."""
    loom = piece["loom"] | {"spare_shafts": 0}
    best = best_order(piece | {"loom": loom, "single_cords": sorted(cords), "minutes": ONLY_PULLS})
    return None if best is None else int(best.minutes)


def picks(piece: dict[str, Any], row: int) -> int:
    in_turn: list[int] = piece["picks_per_row"]
    return in_turn[(row - 1) % len(in_turn)]


def lacking(piece: dict[str, Any], row: int) -> frozenset[int]:
    """The fewest units of a row that are to be lifted by hand, so that the loom lifts the rest."""
    cells: str = piece["rows"][row - 1]
    asked = [unit for unit, cell in enumerate(cells, 1) if cell == "#"]
    for number in range(len(asked) + 1):
        for by_hand in combinations(asked, number):
            rest = "".join("." if unit in by_hand else cell for unit, cell in enumerate(cells, 1))
            if pulls_without(piece | {"rows": [rest]}, frozenset(piece["single_cords"])) is not None:
                return frozenset(by_hand)
    raise AssertionError("nothing lifted can be lifted")


def without(piece: dict[str, Any], by_hand: Mapping[int, frozenset[int]]) -> list[str]:
    """The rows without the units that are lifted by hand."""
    return [
        "".join("." if unit in by_hand.get(row, ()) else cell for unit, cell in enumerate(cells, 1))
        for row, cells in enumerate(piece["rows"], 1)
    ]


@examples(30)
@given(small_pieces(), st.sampled_from([0.0, 0.5, 10.0]), st.sampled_from([0.0, 0.1, 2.0]))
def test_cords_and_hands(piece: dict[str, Any], cord: float, hand: float) -> None:
    piece = piece | {"free_walks": [], "no_walks": []}
    read = read_piece(json.dumps(piece))
    try:
        totals = plan(read).totals
    except NoPlan:
        assume(False)
    found = methods(read, totals, Assumptions(cord=cord, hand=hand))

    there = frozenset(piece["single_cords"])
    free = [unit for unit in range(1, len(piece["leashes"]) + 1) if unit not in there]
    sets = [frozenset(units) for number in range(len(free) + 1) for units in combinations(free, number)]
    pulls = {units: pulls_without(piece, there | units) for units in sets}
    fewest = [units for units in sets if pulls[units] is not None]
    smallest = [units for units in fewest if len(units) == len(fewest[0])]
    assert smallest == [frozenset(found.cords.units)]
    assert found.cords.pulls == pulls[smallest[0]]
    assert found.cords.pulls <= min(pulls[units] or 0 for units in fewest if units <= smallest[0])
    pull = piece["minutes"].get("pull", 0.02)
    assert round(found.cords.minutes, 6) == round(pull * found.cords.pulls, 6)

    def is_less(weavings: int) -> bool:
        with_cords = cord * len(found.cords.units) + weavings * pull * found.cords.pulls
        return with_cords < weavings * totals.minutes - 1e-9

    if found.cords.pays_from is None:
        assert not is_less(10**6)
    else:
        assert is_less(found.cords.pays_from)
        assert found.cords.pays_from == 1 or not is_less(found.cords.pays_from - 1)

    rows = range(1, len(piece["rows"]) + 1)
    wanted = {row: lacking(piece, row) for row in rows}
    by_hand = found.by_hand
    assert by_hand.rows == sum(map(bool, wanted.values()))
    assert by_hand.units == sum(len(units) * picks(piece, row) for row, units in wanted.items())
    assert by_hand.most == max(map(len, wanted.values()))
    left = pulls_without(piece | {"rows": without(piece, wanted)}, there)
    assert left is not None
    assert round(by_hand.minutes, 6) == round(hand * by_hand.units + pull * left, 6)


@examples(15)
@given(small_pieces(2), st.integers(2, 3))
def test_copies_in_a_row(piece: dict[str, Any], copies: int) -> None:
    read = read_piece(json.dumps(piece))
    rows = len(piece["rows"])
    set_of_them = piece | {
        "rows": [row for _ in range(copies) for row in piece["rows"]],
        "free_walks": sorted({n * rows + gap for n in range(copies) for gap in piece["free_walks"]}),
        "no_walks": sorted({n * rows + gap for n in range(copies) for gap in piece["no_walks"]}),
    }
    try:
        best = best_order(set_of_them, largest=1000)
        totals = plan(read).totals
    except (NoPlan, TooLarge):
        assume(False)
    found = kept_in(read, totals, copies, limit=20)
    assert (found is None) == (best is None)
    if found is None or best is None:
        return
    assert found.proven
    assert round(float(best.minutes), 6) == found.minutes
    assert best.walks == found.walks
    assert round(found.alone - found.minutes - (copies - 1) * found.saved_each, 6) == 0


@examples(20)
@given(small_pieces(2), st.integers(1, 4))
def test_some_rows_by_hand(piece: dict[str, Any], most: int) -> None:
    piece = piece | {"free_walks": [], "no_walks": []}
    read = read_piece(json.dumps(piece))
    rows = range(1, len(piece["rows"]) + 1)
    wanted = {row: lacking(piece, row) for row in rows}
    here = {row: units for row, units in wanted.items() if 0 < len(units) <= most}
    try:
        plan(read)
        best = best_order(piece | {"rows": without(piece, here)}, largest=1500)
    except (NoPlan, TooLarge):
        assume(False)
    found = partly_by_hand(read, Assumptions(hand=0.25), most, limit=20)
    if not here or len(here) == sum(map(bool, wanted.values())):
        assert found is None
        return
    assert found is not None
    assert best is not None
    picked = sum(0.25 * len(units) * picks(piece, row) for row, units in here.items())
    assert (found.rows, found.picks) == (len(here), sum(picks(piece, row) for row in here))
    assert round(found.minutes, 6) == round(picked + float(best.minutes), 6)
    assert found.walks == best.walks
    assert found.proven


def test_more_copies_never_save_less_in_all() -> None:
    """Each copy more can be woven as by itself: so what all take grows by that at most."""
    piece: dict[str, Any] = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A napkin",
        "loom": {"pattern_shafts": 2, "spare_shafts": 1},
        "leashes": [1, 2, 1, 2],
        "rows": ["#...", "#...", "...."],
    }
    read = read_piece(json.dumps(piece))
    totals = plan(read).totals
    found = [kept_in(read, totals, copies, limit=20) for copies in (2, 3, 4)]
    saved = [each.alone - each.minutes for each in found if each]
    assert len(saved) == 3
    assert all(one < other for one, other in pairwise(saved))
