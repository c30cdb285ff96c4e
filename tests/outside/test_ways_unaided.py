"""The nearest design without temporaries, against all designs that a loom without spare shafts can weave."""

from __future__ import annotations

import json
import random
from itertools import product
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.ways.taken import cells_of, text_with
from server.ways.unaided import unaided
from tests.outside.exhaustive import best_order
from tests.outside.pieces import examples, small_pieces


def woven_as_it_hangs(piece: dict[str, Any]) -> list[str]:
    """All rows that the loom lifts without any temporary."""
    loom = piece["loom"] | {"spare_shafts": 0}
    rows = ("".join(cells) for cells in product("#.", repeat=len(piece["leashes"])))
    return [row for row in rows if best_order(piece | {"loom": loom, "rows": [row]})]


def differ(one: str, other: str) -> list[int]:
    return [unit for unit, (a, b) in enumerate(zip(one, other, strict=True), 1) if a != b]


@examples(40)
@given(small_pieces(), st.integers(0, 2**32), st.booleans())
def test_no_design_without_temporaries_is_nearer(piece: dict[str, Any], seed: int, even_whole: bool) -> None:
    piece = piece | {"free_walks": [], "no_walks": []}
    rng, units, rows = random.Random(seed), len(piece["leashes"]), piece["rows"]
    likely = rng.choice([0, 0, 0.1, 0.3])
    fixed = {
        row: frozenset(unit for unit in range(1, units + 1) if rng.random() < likely)
        for row in range(1, len(rows) + 1)
    }
    found = unaided(read_piece(json.dumps(piece)), fixed, even_whole=even_whole)
    can = woven_as_it_hangs(piece)
    nearest = []
    for number, row in enumerate(rows, 1):
        kept = fixed[number]
        ways = [len(differ(row, other)) for other in can if kept.isdisjoint(differ(row, other))]
        nearest.append(min(ways, default=None))
    assert {stuck.row for stuck in found.stuck} == {n for n, best in enumerate(nearest, 1) if best is None}
    if found.stuck:
        return
    assert len(found.changed) == sum(best or 0 for best in nearest)
    assert not any(cell.unit in fixed[cell.row] for cell in found.changed)
    now = cells_of(found.rows, units)
    assert set(now) <= set(can)
    turned = {(cell.row, cell.unit): cell.lifted for cell in found.changed}
    for number, (row, other) in enumerate(zip(rows, now, strict=True), 1):
        assert {unit for at, unit in turned if at == number} == set(differ(row, other))
        assert all(turned[number, unit] == (other[unit - 1] == "#") for unit in differ(row, other))

    # woven as it is then: no walk, and the pulls that it says
    only_pulls = dict.fromkeys(["walk", "insert", "take", "withdraw", "move_cords"], 1000) | {"pull": 1}
    as_it_hangs = piece | {"minutes": only_pulls, "loom": piece["loom"] | {"spare_shafts": 0}}
    taken = json.loads(text_with(json.dumps(as_it_hangs), found.rows, "Taken"))
    best = best_order(taken)
    assert best is not None
    assert (best.walks, best.minutes) == (0, found.pulls)
