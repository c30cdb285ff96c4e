"""The planner against exhaustive search, over small pieces with every setting of the loom."""

from __future__ import annotations

import json
from collections.abc import Iterable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import example, given

from server.design.piece_file import read_piece
from server.loom.state import Loom
from server.plan.hand_rule import hand_rule
from server.plan.parts import candidates
from server.plan.planner import NoPlan, plan
from server.plan.workorder import write_workorder
from tests.outside.exhaustive import TooLarge, best_order
from tests.outside.pieces import examples, small_pieces
from tests.outside.replayer import faults, faults_in_text

CLOSE = Fraction(2, 10**6)
"""Minutes: WORKORDER.md allows a millionth, and rounds to one."""


def piece_with(rows: list[str], **changes: Any) -> dict[str, Any]:
    """One shaft with all units on it."""
    of_the_loom = {"spare_shafts", "spare_handles", "temporaries_per_shaft", "temporaries_may_stay"}
    loom = {"pattern_shafts": 1, "spare_shafts": 2}
    loom |= {key: value for key, value in changes.items() if key in of_the_loom}
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Small",
        "loom": loom,
        "leashes": [1] * len(rows[0]),
        "single_cords": [],
        "rows": rows,
        **{key: value for key, value in changes.items() if key not in of_the_loom},
    }


# Corded units 4 and 5 are asked for alike in every row; see the last test of this file.
NEARLY_ALL = piece_with(
    ["#####", "#....", ".#...", "#....", ".#...", "#####", "#####", "#....", "#....", ".#..."],
    spare_handles=1,
    single_cords=[4, 5],
    minutes={"walk": 0, "insert": 0, "take": 0, "withdraw": 0, "move_cords": 5, "pull": 1},
    no_walks=[1, 5, 7, 9],
)
IN_COMMON = piece_with(
    ["##.#.", "##..#"],
    single_cords=[2, 4, 5],
    minutes={"pull": 1},
)


# Costs ten orders of magnitude apart: a third walk used to slip in, at minutes that differ by nothing.
FAR_APART = piece_with(
    ["##", "##", "#.", "##", "#.", "#."],
    spare_shafts=1,
    temporaries_per_shaft=1,
    single_cords=[2],
    minutes={"walk": 1e-05, "insert": 1e-05, "take": 99999.5, "withdraw": 1e-05, "move_cords": 1},
    free_walks=[1],
)


@examples(500)
@given(small_pieces())
@example(IN_COMMON)
@example(FAR_APART)
@example(piece_with(["#.", ".#", "#.", ".#"], spare_handles=1))
@example(piece_with(["#.", "##", ".#"], temporaries_may_stay=False, spare_handles=1))
@example(piece_with(["#.", "##", ".#"], no_walks=[1, 2], spare_handles=1))
@example(piece_with(["#.", "##", ".#"], no_walks=[1, 2], spare_handles=1, spare_shafts=1))
@example(piece_with(["#."], no_walks=[1]))
@example(
    piece_with(["#.", "##"], minutes={"walk": 0, "insert": 0, "take": 0, "withdraw": 0, "move_cords": 0})
)
def test_no_small_piece_has_a_cheaper_order(piece: dict[str, Any]) -> None:
    try:
        best = best_order(piece, largest=1500)
    except TooLarge:
        return
    read = read_piece(json.dumps(piece))
    if best is None:
        with pytest.raises(NoPlan, match=r"\.$"):
            plan(read, limit=20)
        return
    order = plan(read, limit=20)
    written = write_workorder(order)
    assert faults_in_text(json.dumps(piece), written) == []
    minutes = Fraction(order.totals.minutes)
    assert minutes >= best.minutes - CLOSE
    assert Fraction(order.bound) <= best.minutes + CLOSE
    assert order.proven
    assert minutes <= best.minutes + CLOSE
    assert order.totals.walks == best.walks
    by_hand = hand_rule(read)
    if by_hand is not None:
        assert order.totals.minutes <= by_hand.totals.minutes + 1e-6
        assert faults(piece, json.loads(write_workorder(by_hand))) == []


CHEAP_BUT_FOR_CORDS = {"walk": 0, "insert": 0, "take": 0, "withdraw": 0, "move_cords": 5, "pull": 1}


@pytest.mark.parametrize(
    ("piece", "minutes"),
    [
        (
            piece_with(
                ["#....", *["####."] * 4, "#...."],
                leashes=[1, 1, 2, 2, 2],
                single_cords=[3, 4, 5],
                temporaries_may_stay=False,
            ),
            30,
        ),
        (
            piece_with(
                ["##...."] * 9 + ["...##."] * 9, leashes=[1, 1, 1, 2, 2, 2], single_cords=[1, 2, 3, 4, 5, 6]
            ),
            33,
        ),
    ],
)
def test_temporaries_that_save_pulls_only_may_take_over_a_spare_handle_from_each_other(
    piece: dict[str, Any], minutes: int
) -> None:
    piece["minutes"] = CHEAP_BUT_FOR_CORDS
    piece["loom"] |= {"pattern_shafts": 2, "spare_shafts": 1, "spare_handles": 1, "temporaries_per_shaft": 1}
    best = best_order(piece, largest=10**5)
    assert best is not None
    assert best.minutes == minutes
    order = plan(read_piece(json.dumps(piece)), limit=20)
    assert order.proven
    assert order.totals.minutes == pytest.approx(minutes)
    assert faults(piece, json.loads(write_workorder(order))) == []


def bits(units: Iterable[int]) -> int:
    return sum(1 << unit - 1 for unit in units)


def as_the_contract_says(piece: dict[str, Any]) -> set[int]:
    """The parts that WORKORDER.md says suffice, for a piece with one shaft and its units in order."""
    corded = bits(piece["single_cords"])
    rows = {bits(u for u, cell in enumerate(row, 1) if cell == "#") for row in piece["rows"]}
    parts = rows | {row & ~corded for row in rows}
    while piece["loom"].get("spare_handles"):
        more = parts | {one & other for one in parts for other in parts}
        more |= {one & ~other for one in parts for other in parts}
        if more == parts:
            break
        parts = more
    return {part for part in parts if 0 < part < bits(range(1, len(piece["leashes"]) + 1))}


def our_candidates(piece: dict[str, Any]) -> set[int]:
    """The parts that the planner takes into account, for such a piece."""
    read = read_piece(json.dumps(piece))
    found = candidates(read.loom, 1, [set(read.rows)])
    assert found.complete
    return {bits(part) for part in found.parts}


@pytest.mark.parametrize(
    ("piece", "best", "by_the_contract"),
    [(IN_COMMON, Fraction("9.6"), Fraction("11.3")), (NEARLY_ALL, Fraction(47), Fraction(49))],
    ids=["without a spare handle", "with a spare handle"],
)
def test_the_parts_that_the_contract_names_do_not_suffice(
    piece: dict[str, Any], best: Fraction, by_the_contract: Fraction
) -> None:
    """WORKORDER.md on `proven`: "the parts that rows demand … suffice … Test that." They do not.

    Without a spare handle: one row asks for 1, 2 and 4, the next for 1, 2 and 5, and all but 1 have single
    cords. A temporary with 1 and 2, what both rows have in common, saves the cord of 2 twice; no row asks
    for 1 and 2, nor for 1 and 2 with or without *all* the corded units. Intersections are needed here too.

    With a spare handle: a temporary with all of the shaft but one corded unit is the whole shaft on a spare
    handle, but for one pull. Units 4 and 5 are asked for alike in every row, so no differences and
    intersections part them; the best that those give leaves both to their cords, one pull more a row.
    """
    contract = best_order(piece, {1: as_the_contract_says(piece)}, largest=12000)
    assert contract is not None
    assert contract.minutes == by_the_contract
    ours = best_order(piece, {1: our_candidates(piece)}, largest=12000)
    everything = best_order(piece, largest=12000)
    assert ours is not None
    assert everything is not None
    assert ours.minutes == everything.minutes == best


@examples(150)
@given(small_pieces(most_shafts=1))
@example(IN_COMMON)
def test_the_parts_that_the_planner_looks_at_suffice(piece: dict[str, Any]) -> None:
    if 0 in piece["leashes"]:
        return
    try:
        everything = best_order(piece, largest=2500)
    except TooLarge:
        return
    ours = best_order(piece, {1: our_candidates(piece)}, largest=2500)
    assert (ours and (ours.minutes, ours.walks)) == (everything and (everything.minutes, everything.walks))


def test_candidates_of_a_shaft_without_demands_are_none() -> None:
    loom = Loom(leashes=(1, 1, 1), single_cords=frozenset(), pattern_shafts=1, spare_shafts=1)
    assert candidates(loom, 1, [[frozenset()]]).parts == ()


@pytest.mark.parametrize("name", ["IN_COMMON", "NEARLY_ALL"])
def test_the_planner_finds_what_the_contract_does_not_name(name: str) -> None:
    piece = {"IN_COMMON": IN_COMMON, "NEARLY_ALL": NEARLY_ALL}[name]
    order = plan(read_piece(json.dumps(piece)), limit=20)
    best = best_order(piece, {1: our_candidates(piece)}, largest=12000)
    assert best is not None
    assert order.proven
    assert Fraction(str(order.totals.minutes)) == best.minutes
