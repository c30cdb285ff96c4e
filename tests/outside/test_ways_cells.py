"""What a few cells are worth, against every design within so many changed cells by exhaustive search."""

from __future__ import annotations

import json
import math
import random
from fractions import Fraction
from itertools import combinations
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.plan.planner import NoPlan, plan
from server.ways.few_cells import few_cells
from tests.outside.exhaustive import Best, TooLarge, best_order
from tests.outside.pieces import examples, pointed_piece, small_piece

CLOSE = Fraction(3, 10**6)
MOST = 3

Cell = tuple[int, int]


def turned(piece: dict[str, Any], cells: tuple[Cell, ...]) -> dict[str, Any]:
    rows = [list(row) for row in piece["rows"]]
    for row, unit in cells:
        rows[row - 1][unit - 1] = ".#"[rows[row - 1][unit - 1] == "."]
    return piece | {"rows": ["".join(row) for row in rows]}


def free_cells(piece: dict[str, Any], rng: random.Random, number: int) -> list[Cell]:
    """Some cells on shafts of which some row needs a temporary: a part that cords do not lift alone."""
    found = []
    for shaft in set(piece["leashes"]) - {0}:
        units = [unit for unit, leash in enumerate(piece["leashes"], 1) if leash == shaft]
        asked = [{unit for unit in units if row[unit - 1] == "#"} for row in piece["rows"]]
        if any(part != set(units) and part - set(piece["single_cords"]) for part in asked):
            found += [(row, unit) for row in range(1, len(piece["rows"]) + 1) for unit in units]
    return rng.sample(found, min(number, len(found)))


def by_trying(piece: dict[str, Any], free: list[Cell], most: int) -> list[Best | None]:
    """For 0, 1, … changed cells the least minutes, and the fewest walks of those, of all such designs."""
    best: list[Best | None] = []
    for count in range(most + 1):
        tried = [best_order(turned(piece, cells), largest=400) for cells in combinations(free, count)]
        if best:
            tried.append(best[-1])
        found = [one for one in tried if one is not None]
        best.append(min(found, key=lambda one: (one.minutes, one.walks), default=None))
    return best


@examples(40)
@given(st.integers(0, 2**63))
def test_no_design_within_so_many_cells_takes_less(seed: int) -> None:
    rng = random.Random(seed)
    piece = small_piece(rng, most_shafts=2)
    free = free_cells(piece, rng, 6)
    units = range(1, len(piece["leashes"]) + 1)
    fixed = [
        (row, unit) for row in range(1, len(piece["rows"]) + 1) for unit in units if (row, unit) not in free
    ]
    read = read_piece(json.dumps(piece))
    try:
        best = by_trying(piece, free, MOST)
    except TooLarge:
        return
    if best[0] is None:
        try:
            few_cells(read, MOST, fixed)
        except NoPlan:
            return
        raise AssertionError("there is no plan of the design as it is")
    found = few_cells(read, MOST, fixed)
    assert abs(Fraction(found.drawn.minutes) - best[0].minutes) <= CLOSE
    assert found.unsure == ()
    by_cells = {len(one.cells): one for one in found.better}
    takes = found.drawn
    cells: tuple[Cell, ...] = ()
    for count in range(1, found.most + 1):
        least, fewer = best[count], best[count - 1]
        assert least is not None
        assert fewer is not None
        if (one := by_cells.get(count)) is not None:
            takes, cells = one.takes, tuple((cell.row, cell.unit) for cell in one.cells)
            assert one.sure
            assert set(cells) <= set(free)
            mine = best_order(turned(piece, cells), largest=400)
            assert mine is not None
            assert abs(mine.minutes - Fraction(takes.minutes)) <= CLOSE
            assert fewer.minutes > least.minutes
            assert takes.walks == least.walks
        assert abs(Fraction(takes.minutes) - least.minutes) <= CLOSE, (count, cells)
    if found.ended == "none needed" and found.better:
        assert takes.insertions == 0
    elif found.ended == "asked" and found.drawn.insertions:
        assert found.most == MOST


@examples(6)
@given(st.integers(0, 2**31))
def test_no_single_cell_does_more(seed: int) -> None:
    # on any shaft that needs a temporary: too many designs for the exhaustive search, so the planner is asked
    rng = random.Random(seed)
    piece = pointed_piece(seed, shafts=3, rows=rng.choice([4, 5, 6]), spare_handles=rng.choice([0, 0, 1]))
    try:
        found = few_cells(read_piece(json.dumps(piece)), 1)
    except NoPlan:
        return
    assert found.unsure == ()
    takes = found.drawn
    if found.better:
        takes = found.better[0].takes
        cells = tuple((cell.row, cell.unit) for cell in found.better[0].cells)
        assert minutes_of(turned(piece, cells)) == takes.minutes
    for cell in free_cells(piece, rng, 100):
        assert takes.minutes <= minutes_of(turned(piece, (cell,))) + 1e-6, (seed, cell)


def minutes_of(piece: dict[str, Any]) -> float:
    """What the planner's order takes; endless where there is none."""
    try:
        order = plan(read_piece(json.dumps(piece)))
    except NoPlan:
        return math.inf
    assert order.proven
    return order.totals.minutes
