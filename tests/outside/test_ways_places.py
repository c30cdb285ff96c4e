"""Where else a figure could sit, against exhaustive search; figures are moved here a second time, on text."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from fractions import Fraction
from itertools import product
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.plan.demands import troubles
from server.ways.figures import Block, Move, check_block, suggested_block, with_company, without
from server.ways.places import Places, places
from tests.outside.exhaustive import Best, TooLarge, best_order
from tests.outside.pieces import examples, small_piece

CLOSE = Fraction(2, 10**6)
"""Minutes: WORKORDER.md allows a millionth, and rounds to one."""

LARGEST = 400
"""States of a shaft in the exhaustive search."""


Search = Callable[[dict[str, Any]], Best | None]


def corners(rng: random.Random, piece: dict[str, Any]) -> tuple[int, int, int, int]:
    """First and last row, first and last unit of some block, small as a rule."""
    found: list[int] = []
    for there in (len(piece["rows"]), len(piece["leashes"])):
        first = rng.randint(1, there)
        found += [first, min(there, first + rng.choice([0, 0, 1, 1, 2]))]
    return found[0], found[1], found[2], found[3]


def cell_of_the_ground(piece: dict[str, Any], row: str, unit: int, first: int, last: int) -> str:
    """What a unit does in a row once the block of units first … last is gone, by the rule as it is told."""
    leashes, corded = piece["leashes"], set(piece["single_cords"])
    fellows = [
        other
        for other, shaft in enumerate(leashes, 1)
        if shaft and shaft == leashes[unit - 1] and not first <= other <= last
    ]
    without_cords = [other for other in fellows if other not in corded]
    if without_cords:
        lifted = [row[other - 1] == "#" for other in without_cords]
        if sum(lifted) * 2 != len(lifted):
            return "#" if sum(lifted) * 2 > len(lifted) else "."
    elif fellows:
        return "#" if all(row[other - 1] == "#" for other in fellows) else "."
    sides = [row[other - 1] for other in (first - 1, last + 1) if 1 <= other <= len(row)]
    return "#" if set(sides) == {"#"} else "."


def laid_anew(
    piece: dict[str, Any], block: tuple[int, int, int, int], rows_by: int, units_by: int, mirrored: bool
) -> list[str] | None:
    """The rows with a figure taken out and laid elsewhere; None if that is off the cloth."""
    first_row, last_row, first, last = block
    height, width = len(piece["rows"]), len(piece["leashes"])
    cloth = [list(row) for row in piece["rows"]]
    for row in range(first_row, last_row + 1):
        for unit in range(first, last + 1):
            before = piece["rows"][row - 1]
            cloth[row - 1][unit - 1] = cell_of_the_ground(piece, before, unit, first, last)
    for row in range(first_row, last_row + 1):
        cells = piece["rows"][row - 1][first - 1 : last]
        for place, cell in enumerate(reversed(cells) if mirrored else cells):
            new_row, new_unit = row + rows_by, first + place + units_by
            if not (1 <= new_row <= height and 1 <= new_unit <= width):
                return None
            cloth[new_row - 1][new_unit - 1] = cell
    return ["".join(row) for row in cloth]


def liftable(piece: dict[str, Any], row: str) -> bool:
    """Whether some shafts, whole, and some cords lift just this; all ways are tried."""
    shafts = sorted({shaft for shaft in piece["leashes"] if shaft})
    for up in product((False, True), repeat=len(shafts)):
        lifted = {shaft for shaft, is_up in zip(shafts, up, strict=True) if is_up}
        by_shafts = [shaft in lifted for shaft in piece["leashes"]]
        if all(
            (cell == "#") == by_shaft or (cell == "#" and unit in piece["single_cords"])
            for unit, (cell, by_shaft) in enumerate(zip(row, by_shafts, strict=True), 1)
        ):
            return True
    return False


def all_places(
    piece: dict[str, Any], block: tuple[int, int, int, int]
) -> tuple[Places, dict[Move, list[str]]] | None:
    """Our answer, and the rows of every place on the cloth; None where there is no figure."""
    read = read_piece(json.dumps(piece))
    rows = {}
    for rows_by, units_by, mirrored in product((-1, 0, 1), range(-6, 7), (False, True)):
        laid = laid_anew(piece, block, rows_by, units_by, mirrored)
        if laid is not None:
            rows[Move(rows_by, units_by, mirrored)] = laid
    try:
        check_block(read, Block(*block))
    except ValueError:
        ground = [
            "".join(
                cell_of_the_ground(piece, row, unit, *block[2:])
                if block[0] <= number <= block[1] and block[2] <= unit <= block[3]
                else row[unit - 1]
                for unit in range(1, len(row) + 1)
            )
            for number, row in enumerate(piece["rows"], 1)
        ]
        assert ground == piece["rows"]
        return None
    return places(read, Block(*block), rows_by=range(-1, 2), limit=60), rows


def check_costs(piece: dict[str, Any], answer: Places, rows: dict[Move, list[str]], search: Search) -> None:
    """Every place takes what exhaustive search says.

    Args:
        rows: of every place, as they are laid here.
    """
    best: dict[tuple[str, ...], Best | None] = {}
    for place in answer.places:
        laid = rows[place.move]
        try:
            if tuple(laid) not in best:
                best[tuple(laid)] = search(piece | {"rows": laid})
        except TooLarge:
            continue
        order = best[tuple(laid)]
        assert place.is_possible == (order is not None)
        if order is None:
            assert place.minutes is None
            continue
        assert place.minutes is not None
        assert place.is_exact
        assert abs(Fraction(place.minutes) - order.minutes) <= CLOSE
        assert Fraction(place.at_least) <= order.minutes + CLOSE
        assert place.walks == order.walks


@examples(20)
@given(st.integers(0, 2**63))
def test_every_place_costs_what_exhaustive_search_says(seed: int) -> None:
    rng = random.Random(seed)
    piece = small_piece(rng)
    found = all_places(piece, corners(rng, piece))
    if found is None:
        return
    answer, rows = found
    expected = {move for move in rows if not (move.mirrored and answer.same_mirrored)}
    assert {place.move for place in answer.places} == expected
    assert all(
        place.is_free == all(liftable(piece, row) for row in rows[place.move]) for place in answer.places
    )
    check_costs(piece, answer, rows, lambda other: best_order(other, largest=LARGEST))


@examples(10)
@given(st.integers(0, 2**63))
def test_without_time_no_plan_takes_less_than_is_said(seed: int) -> None:
    rng = random.Random(seed)
    piece = small_piece(rng)
    block = Block(*corners(rng, piece))
    read = read_piece(json.dumps(piece))
    try:
        answer = places(read, block, limit=1e-9)
    except ValueError:
        return
    exact = places(read, block, limit=60)
    for place, known in zip(answer.places, exact.places, strict=True):
        assert known.minutes is None or place.at_least <= known.minutes + float(CLOSE)


@examples(120)
@given(st.integers(0, 2**63))
def test_the_ground_asks_for_no_temporary_that_it_did_not_ask_for_outside_of_the_block(seed: int) -> None:
    """Where the shafts, whole, and cords could lift all that is outside, they can lift the closed ground."""
    rng = random.Random(seed)
    piece = small_piece(rng)
    block = corners(rng, piece)
    _, _, first, last = block
    read = read_piece(json.dumps(piece))
    closed = without(read, Block(*block))
    outside = [number for number in range(1, len(piece["leashes"]) + 1) if not first <= number <= last]
    for row in range(block[0], block[1] + 1):
        rest = piece | {
            "leashes": [piece["leashes"][unit - 1] for unit in outside],
            "single_cords": [place for place, unit in enumerate(outside, 1) if unit in piece["single_cords"]],
        }
        could = liftable(rest, "".join(piece["rows"][row - 1][unit - 1] for unit in outside))
        cells = "".join(
            "#" if unit in closed.rows[row - 1] else "." for unit in range(1, len(piece["leashes"]) + 1)
        )
        assert not could or liftable(piece, cells)


@examples(120)
@given(st.integers(0, 2**63))
def test_what_comes_along_is_what_whole_shafts_and_cords_lift(seed: int) -> None:
    rng = random.Random(seed)
    piece = small_piece(rng)
    block = corners(rng, piece)
    first_row, last_row, first, last = block
    read = read_piece(json.dumps(piece))
    try:
        check_block(read, Block(*block))
    except ValueError:
        return
    move = Move(0, rng.randint(1 - first, len(piece["leashes"]) - last), rng.random() < 0.5)
    alone = laid_anew(piece, block, *(move.rows_by, move.units_by, move.mirrored))
    assert alone is not None
    together = with_company(read, Block(*block), move)
    under = {piece["leashes"][unit - 1 + move.units_by] for unit in range(first, last + 1)}
    for number, row in enumerate(alone, 1):
        cells = "".join("#" if unit in together.rows[number - 1] else "." for unit in range(1, len(row) + 1))
        if not first_row <= number <= last_row:
            assert cells == row
            continue
        of_its_shafts = [shaft if shaft in under else 0 for shaft in piece["leashes"]]
        others = {unit for unit, shaft in enumerate(of_its_shafts, 1) if shaft == 0}
        as_if = piece | {
            "leashes": of_its_shafts,
            "single_cords": sorted(others | set(piece["single_cords"])),
        }
        assert liftable(as_if, cells)
        for unit in others:
            assert cells[unit - 1] == row[unit - 1]
        for unit in range(first + move.units_by, last + move.units_by + 1):
            assert row[unit - 1] == "." or cells[unit - 1] == "#"  # no lifted cell of the figure is lost


@examples(60)
@given(st.integers(0, 2**63))
def test_a_block_is_suggested_wherever_the_loom_does_not_do(seed: int) -> None:
    piece = small_piece(random.Random(seed))
    read = read_piece(json.dumps(piece))
    block = suggested_block(read)
    assert (block is None) == all(liftable(piece, row) for row in piece["rows"])
    if block is not None:
        rows = {trouble.row for trouble in troubles(read)}
        assert (block.first_row, block.last_row) == (min(rows), max(rows))
        assert 1 <= block.first_unit <= block.last_unit <= len(piece["leashes"])
