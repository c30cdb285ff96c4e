"""Why not: every way out against exhaustive search, over small pieces for which there is no plan."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from contextlib import suppress
from itertools import combinations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.ways.why_not import WhyNot, why_not
from tests.outside.exhaustive import TooLarge, best_order
from tests.outside.pieces import examples, small_piece
from tests.outside.test_ways_cells import turned

LARGEST = 3000
MOST_SHAFTS, MOST_HANDLES = 4, 2


def with_room(piece: dict[str, Any], **room: Any) -> dict[str, Any]:
    return piece | {"loom": piece["loom"] | room}


CanBe = Callable[[dict[str, Any]], bool]


def can_be_from_the_start(piece: dict[str, Any]) -> bool:
    return best_order(piece, largest=LARGEST) is not None


def asking(piece: dict[str, Any], asks: set[tuple[int, int]]) -> dict[str, Any]:
    """The piece that asks of the shafts only so much."""
    rows = [
        "".join(
            cell if (number, shaft) in asks else "."
            for cell, shaft in zip(row, piece["leashes"], strict=True)
        )
        for number, row in enumerate(piece["rows"], 1)
    ]
    return piece | {"rows": rows}


def pieces_without_plan(seed: int) -> dict[str, Any] | None:
    """A small piece that has no plan, on a loom that lacks this or that; None: it has one."""
    rng = random.Random(seed)
    piece = small_piece(rng, most_shafts=2)
    if rng.random() < 0.6:
        piece["rows"], piece["free_walks"] = piece["rows"][:4], []
        piece["no_walks"] = sorted(rng.sample(range(len(piece["rows"]) + 1), rng.randint(1, 2)))
    piece = with_room(piece, spare_shafts=rng.choice([0, 1, 1, 2]))
    try:
        return None if can_be_from_the_start(piece) else piece
    except TooLarge:
        return None


@examples(60)
@given(st.integers(0, 2**63))
def test_every_way_out_is_one_and_none_is_smaller(seed: int) -> None:
    piece = pieces_without_plan(seed)
    if piece is None:
        return
    found = why_not(read_piece(json.dumps(piece)), limit=60)
    assert found.in_time
    assert found.conflict_sure
    assert found.rooms_sure
    for check in (check_conflict, check_rooms, check_all_rooms, check_staying, check_walks, check_cells):
        with suppress(TooLarge):  # for this one; the others may be small enough
            check(piece, found, can_be_from_the_start)


def check_conflict(piece: dict[str, Any], found: WhyNot, can_be: CanBe) -> None:
    asks = {(ask.row, ask.shaft) for ask in found.conflict}
    assert not can_be(asking(piece, asks))
    assert all(can_be(asking(piece, asks - {ask})) for ask in asks)


def check_rooms(piece: dict[str, Any], found: WhyNot, can_be: CanBe) -> None:
    for room in found.rooms:
        if room.temporaries_per_shaft == piece["loom"]["temporaries_per_shaft"]:
            check_room(piece, room.spare_shafts, room.spare_handles, can_be)


def check_room(piece: dict[str, Any], shafts: int, handles: int, can_be: CanBe) -> None:
    """It would do, and with one less of what is more than now it would not."""
    assert can_be(with_room(piece, spare_shafts=shafts, spare_handles=handles))
    if shafts > piece["loom"]["spare_shafts"]:
        assert not can_be(with_room(piece, spare_shafts=shafts - 1, spare_handles=handles))
    if handles > piece["loom"].get("spare_handles", 0):
        assert not can_be(with_room(piece, spare_shafts=shafts, spare_handles=handles - 1))


def check_all_rooms(piece: dict[str, Any], found: WhyNot, can_be: CanBe) -> None:
    """Of all looms that have a few more of both, those do that have one of these rooms."""
    loom, pairs = piece["loom"], {(room.spare_shafts, room.spare_handles) for room in found.rooms}
    if any(room.temporaries_per_shaft != loom["temporaries_per_shaft"] for room in found.rooms):
        pairs = set()  # no number of them does
    for shafts in range(loom["spare_shafts"], MOST_SHAFTS):
        for handles in range(loom.get("spare_handles", 0), MOST_HANDLES + 1):
            expected = any(s <= shafts and h <= handles for s, h in pairs)
            assert can_be(with_room(piece, spare_shafts=shafts, spare_handles=handles)) == expected


def check_staying(piece: dict[str, Any], found: WhyNot, can_be: CanBe) -> None:
    staying = with_room(piece, temporaries_may_stay=True)
    assert found.may_stay == (not piece["loom"]["temporaries_may_stay"] and can_be(staying))


def check_walks(piece: dict[str, Any], found: WhyNot, can_be: CanBe) -> None:
    sets = found.walks
    barred = set(piece["no_walks"])
    alone = {gap for gap in barred if can_be(piece | {"no_walks": sorted(barred - {gap})})}
    if alone:
        assert {opened for (opened,) in sets} == alone
        return
    assert bool(sets) == can_be(piece | {"no_walks": []})
    for opened in sets:
        assert can_be(piece | {"no_walks": sorted(barred - set(opened))})
        assert all(not can_be(piece | {"no_walks": sorted(barred - set(opened) | {gap})}) for gap in opened)


def check_cells(piece: dict[str, Any], found: WhyNot, can_be: CanBe) -> None:
    """With these changed there is a plan; with fewer cells, whichever, there is none."""
    assert can_be(turned(piece, tuple((cell.row, cell.unit) for cell in found.cells)))
    assert found.cells_sure
    fewest = len(found.cells)
    assert fewest > 0
    rows, units = len(piece["rows"]), len(piece["leashes"])
    every = [(row, unit) for row in range(1, rows + 1) for unit in range(1, units + 1)]
    for count in range(1, min(fewest, 3)):
        if count == 2 and len(every) > 12:
            every = random.Random(0).sample(every, 12)
        assert not any(can_be(turned(piece, cells)) for cells in combinations(every, count))


def test_a_piece_that_has_a_plan_is_refused() -> None:
    piece = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Whole",
        "loom": {"pattern_shafts": 1},
        "leashes": [1, 1],
        "rows": ["##", ".."],
    }
    with pytest.raises(ValueError, match="There is a plan"):
        why_not(read_piece(json.dumps(piece)))
