"""The planner against OR-Tools CP-SAT, on pieces too large for exhaustive search.

Wherever both are proven they must be equal.
"""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import pytest

from server.design.piece_file import read_piece
from server.plan.planner import NoPlan, plan
from server.plan.workorder import write_workorder
from tests.outside.cpsat import Solved, solve
from tests.outside.exhaustive import best_order
from tests.outside.pieces import pointed_piece
from tests.outside.replayer import faults

MIDDLING: list[dict[str, Any]] = [
    {"seed": 1, "shafts": 6, "points": 2, "rows": 12},
    {"seed": 3, "shafts": 6, "points": 2, "rows": 16},
    {"seed": 5, "shafts": 9, "rows": 13, "spare_handles": 1},
    {"seed": 6, "shafts": 9, "rows": 15},
    {"seed": 7, "shafts": 7, "rows": 12, "spare_handles": 1},
    {"seed": 8, "shafts": 6, "rows": 14},
    {"seed": 10, "shafts": 9, "rows": 14},
    {"seed": 12, "shafts": 8, "rows": 18, "spare_handles": 1},
    {"seed": 20, "shafts": 10, "rows": 25},
    {"seed": 21, "shafts": 10, "rows": 20},
    {"seed": 22, "shafts": 8, "rows": 18},
    {"seed": 24, "shafts": 7, "points": 2, "rows": 14},
]


def compare(piece: dict[str, Any], seconds: float = 60.0) -> tuple[bool, Solved]:
    """Whether both are proven; fails where they contradict each other."""
    other = solve(piece, seconds)
    try:
        order = plan(read_piece(json.dumps(piece)), limit=seconds)
    except NoPlan:
        assert other.minutes is None
        return other.proven, other
    assert faults(piece, json.loads(write_workorder(order))) == []
    ours = Fraction(str(order.totals.minutes))
    assert other.minutes is not None or not other.proven, "CP-SAT says that there is no order"
    if order.proven and other.minutes is not None:
        assert other.minutes >= ours
    if other.proven:
        assert other.minutes is not None
        assert ours >= other.minutes
        assert Fraction(str(order.bound)) <= other.minutes + Fraction(2, 10**6)
    if order.proven and other.proven:
        assert order.totals.walks == other.walks
    return order.proven and other.proven, other


@pytest.mark.parametrize("middling", MIDDLING, ids=lambda middling: f"seed {middling['seed']}")
def test_two_solvers_agree(middling: dict[str, Any]) -> None:
    both_proven, _ = compare(pointed_piece(**middling))
    assert both_proven, "it was too large for one of them: this has compared nothing"


@pytest.mark.parametrize("seed", range(6))
def test_the_second_solver_agrees_with_exhaustive_search(seed: int) -> None:
    piece = pointed_piece(seed, shafts=3, rows=5, spare_handles=seed % 2)
    piece["loom"]["spare_shafts"] = 2
    best, other = best_order(piece), solve(piece)
    assert other.proven
    assert (best and (best.minutes, best.walks)) == (other.minutes and (other.minutes, other.walks))


def test_a_piece_too_large_for_it_is_refused() -> None:
    piece = pointed_piece(1, shafts=3, points=9, rows=2)
    piece["rows"][0] = "#" * len(piece["leashes"])
    with pytest.raises(ValueError, match="too many parts"):
        solve(piece)
