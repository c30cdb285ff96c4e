"""The nearest design without temporaries, where one can see it; and a way taken as design and as file."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from server.design.design import piece_of
from server.design.piece import BandOfRows, Piece
from server.design.piece_file import read_piece
from server.design.warp import Part, hang
from server.loom.ground import satin
from server.loom.state import Loom
from server.ways.taken import LONGEST_TURN, cells_of, design_with, name_with, text_with
from server.ways.unaided import Changed, Stuck, pulls_as_it_hangs, unaided
from tests.examples import PIECE, piece_text


def piece_with(rows: list[str], leashes: str = "121213", cords: tuple[int, ...] = ()) -> Piece:
    shafts = tuple(map(int, leashes))
    loom = Loom(shafts, frozenset(cords), max(shafts))
    return Piece(
        "A piece", loom, tuple(frozenset(u for u, c in enumerate(row, 1) if c == "#") for row in rows)
    )


def nearest(
    rows: list[str],
    leashes: str = "121213",
    cords: tuple[int, ...] = (),
    fixed: dict[int, frozenset[int]] | None = None,
) -> list[str]:
    found = unaided(piece_with(rows, leashes, cords), fixed)
    return list(cells_of(found.rows, len(leashes)))


def test_what_the_loom_weaves_stays_as_it_is() -> None:
    rows = ["######", "......", "#.#.#.", ".....#"]
    found = unaided(piece_with(rows))
    assert (found.changed, found.even, found.stuck) == ((), 0, ())
    assert found.rows == piece_with(rows).rows
    assert found.pulls == 3 + 0 + 1 + 1


def test_the_fewer_cells_of_a_shaft_give_way() -> None:
    assert nearest(["#....."]) == ["......"]  # one of the three on shaft 1
    assert nearest(["#.#..."]) == ["#.#.#."]  # two of them
    found = unaided(piece_with(["#.#..#"]))
    assert found.changed == (Changed(1, 5, True),)


def test_where_it_is_even_the_shaft_does_as_in_the_row_before() -> None:
    # shaft 2 has units 2 and 4, and half of it is asked
    assert nearest([".#....", ".#...."]) == ["......", "......"]  # before the first row it is down
    assert nearest([".#.#..", ".#....", ".....#", "...#.."]) == [".#.#..", ".#.#..", ".....#", "......"]
    assert unaided(piece_with([".#.#..", ".#....", ".....#", "...#.."])).even == 2


def test_where_it_is_even_the_shaft_can_be_lifted_whole() -> None:
    found = unaided(piece_with([".#....", "#.....", ".#.#.."]), even_whole=True)
    assert list(cells_of(found.rows, 6)) == [".#.#..", "......", ".#.#.."]
    assert found.even == 1


def test_a_band_comes_out_the_same_each_time() -> None:
    rows = [".#....", ".#.#..", ".#...."] * 2
    piece = piece_with(rows)
    together = ["......", ".#.#..", ".#.#..", ".#.#..", ".#.#..", ".#.#.."]
    assert list(cells_of(unaided(piece).rows, 6)) == together
    twice = replace(piece, bands=(BandOfRows("Figure", 3, 2),))
    assert list(cells_of(unaided(twice).rows, 6)) == ["......", ".#.#..", ".#.#.."] * 2
    assert len(unaided(twice).changed) == len(unaided(piece).changed)


def test_units_with_single_cords_need_not_give_way() -> None:
    assert nearest(["#.#..."], cords=(1, 3)) == ["#.#..."]
    # its cord lifts unit 1 alone, so only unit 3 gives way; without cords it would be two cells either way
    assert nearest(["#.#..."], "111213", cords=(1,)) == ["#....."]
    found = unaided(piece_with(["##...."], "111113", cords=(1,)))
    assert found.changed == (Changed(1, 2, False),)


def test_cells_that_stay_turn_the_choice() -> None:
    alone = {1: frozenset({1})}
    assert nearest(["#....."], fixed=alone) == ["#.#.#."]
    both = {1: frozenset({1, 3})}
    found = unaided(piece_with(["#.....", "#....."]), both)
    assert found.stuck == (Stuck(1, 1),)
    assert found.changed == ()
    assert found.rows == piece_with(["#.....", "#....."]).rows
    assert nearest(["#.....", "#....."], fixed={1: frozenset({2, 6})}) == ["......", "......"]


def test_pulls_are_a_shaft_or_its_cords() -> None:
    loom = Loom((1, 1, 1, 2, 0), frozenset({1, 2, 4, 5}), 2)
    assert pulls_as_it_hangs(loom, frozenset()) == 0
    assert pulls_as_it_hangs(loom, frozenset({1, 2, 3})) == 1
    assert pulls_as_it_hangs(loom, frozenset({1, 2, 4, 5})) == 4


# --- a way that is taken ---------------------------------------------------------------------------------


def test_a_piece_file_with_other_rows_is_the_same_but_for_rows_and_name() -> None:
    text = piece_text(extra={"mine": [1, {"a": "ü"}]}, free_walks=[1])
    rows = read_piece(text).rows[::-1]
    content = json.loads(text_with(text, rows, "Another"))
    assert content == json.loads(text) | {"rows": PIECE["rows"][::-1], "name": "Another"}


@pytest.mark.parametrize(
    ("name", "shown"),
    [("A runner", "A runner, mended"), ("", "Without a name, mended"), ("w" * 200, "w" * 192 + ", mended")],
)
def test_a_name_with_what_was_done(name: str, shown: str) -> None:
    assert name_with(name, "mended") == shown
    assert len(shown) <= 200


def test_the_bands_stay_and_one_that_is_not_the_same_each_time_is_divided() -> None:
    piece = replace(
        piece_with(["......", "######", "#.#.#.", "######", "#.#.#.", "######", "#.#.#."]),
        bands=(BandOfRows("Ground", 1), BandOfRows("Figure", 2, 3)),
        picks_per_row=(9, 4, 5, 4, 5, 4, 5),
    )
    same = design_with(piece, piece.rows)
    assert [(band.name, band.times, len(band.rows), band.picks) for band in same.bands] == [
        ("Ground", 1, 0, (9,)),
        ("Figure", 3, 2, (4, 5)),
    ]
    rows = (*piece.rows[:-1], frozenset[int]())
    other = design_with(piece, rows)
    assert [(band.name, band.times) for band in other.bands] == [("Ground", 1), ("Figure", 2), ("Figure", 1)]
    assert [band.number for band in other.bands] == [1, 2, 3]
    assert other.rows() == cells_of(rows, 6)
    assert other.picks() == tuple(piece.picks(row) for row in range(1, 8))


def test_picks_are_told_as_a_turn_up_to_the_longest_that_is_looked_for() -> None:
    for length, told in ((LONGEST_TURN, LONGEST_TURN), (LONGEST_TURN + 1, 2 * LONGEST_TURN + 2)):
        piece = piece_with(["#.#.#."] * (2 * length))
        (band,) = design_with(replace(piece, picks_per_row=(1, *[2] * (length - 1))), piece.rows).bands
        assert len(band.picks) == told


def test_a_piece_that_tells_no_bands_becomes_one_band_and_the_same_piece_again() -> None:
    warp = hang("A warp", Loom((), frozenset(), 4), (Part("pointed", 4, ends=(5,)),), satin(5, 2))
    rows = ["#.....#", ".#...#.", "..#.#..", "...#..."]
    piece = piece_with(rows, "1234321")
    design = design_with(replace(piece, picks_per_row=(4, 5)), piece.rows)
    assert [(band.name, band.picks) for band in design.bands] == [("Band 1", (4, 5))]
    again = piece_of("A piece", design, warp)
    assert again.rows == piece.rows
    assert [again.picks(row) for row in range(1, 5)] == [4, 5, 4, 5]
