"""What one more buys, cell by cell against exhaustive search."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from typing import Any

from hypothesis import given

from server.design.piece_file import read_piece
from server.ways.more import more, most_temporaries, own_numbers
from tests.outside.exhaustive import TooLarge, best_order
from tests.outside.pieces import examples, small_pieces

CLOSE = Fraction(2, 10**6)
"""Minutes: WORKORDER.md allows a millionth, and rounds to one."""

LARGEST = 400
"""States of a shaft in the exhaustive search."""


def on(piece: dict[str, Any], shafts: int, handles: int) -> dict[str, Any]:
    """The piece on a loom with so many spare shafts and spare handles."""
    return piece | {"loom": piece["loom"] | {"spare_shafts": shafts, "spare_handles": handles}}


@examples(30)
@given(small_pieces())
def test_every_cell_takes_what_exhaustive_search_says(piece: dict[str, Any]) -> None:
    read = read_piece(json.dumps(piece))
    own = own_numbers(read)
    most = min(most_temporaries(read), max(3, own[0]))
    found = more(read, most, max(min(2, most), own[1]), limit=60)
    assert len(found.rows) == most + 1
    for shafts, row in enumerate(found.rows):
        for handles, cell in enumerate(row):
            try:
                best = best_order(on(piece, shafts, handles), largest=LARGEST)
            except TooLarge:
                continue
            assert cell.is_possible == (best is not None), (shafts, handles)
            if best is None:
                assert cell.minutes is None
                continue
            assert cell.minutes is not None
            assert cell.is_exact
            assert abs(Fraction(cell.minutes) - best.minutes) <= CLOSE, (shafts, handles)
            assert cell.walks == best.walks, (shafts, handles)


@examples(25)
@given(small_pieces(2))
def test_more_than_the_loom_could_hold_is_of_no_use(piece: dict[str, Any]) -> None:
    read = read_piece(json.dumps(piece))
    most = most_temporaries(read)
    try:
        at_most = best_order(on(piece, most, most), largest=LARGEST)
        one_more = best_order(on(piece, most + 1, most + 1), largest=LARGEST)
        handles_only = best_order(on(piece, most, most + 1), largest=LARGEST)
    except TooLarge:
        return
    for other in (one_more, handles_only):
        assert (at_most is None) == (other is None)
        if at_most is not None and other is not None:
            assert (at_most.minutes, at_most.walks) == (other.minutes, other.walks)


@examples(15)
@given(small_pieces())
def test_without_time_nothing_wrong_is_said(piece: dict[str, Any]) -> None:
    read = read_piece(json.dumps(piece))
    own = own_numbers(read)
    hurried = more(read, own[0], own[1], limit=1e-9)
    exact = more(read, own[0], own[1], limit=60)
    for row, known in zip(hurried.rows, exact.rows, strict=True):
        for cell, right in zip(row, known, strict=True):
            if not cell.is_possible:
                assert not right.is_possible
            if right.minutes is not None:
                assert cell.at_least <= right.minutes + float(CLOSE)
                assert cell.minutes is None or cell.minutes >= right.minutes - float(CLOSE)


@examples(15)
@given(small_pieces())
def test_names_of_loom_and_piece_do_not_matter_and_own_loom_is_in_it(piece: dict[str, Any]) -> None:
    read = read_piece(json.dumps(piece))
    own = own_numbers(read)
    found = more(read, own[0], own[1], limit=60)
    renamed = replace(read, name="Another", loom=replace(read.loom, name="Another"))
    assert more(renamed, own[0], own[1], limit=60) == found
    try:
        best = best_order(piece, largest=LARGEST)
    except TooLarge:
        return
    assert (found.own_cell.minutes is None) == (best is None)
    if best is not None and found.own_cell.minutes is not None:
        assert abs(Fraction(found.own_cell.minutes) - best.minutes) <= CLOSE
