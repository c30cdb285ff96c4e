"""The sequence of bands: how it is changed, and where a row of the piece is in it."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design import bands as edit
from server.design.design import Band, BandsChanged, Design, bands_of_rows, changed, check, taken_back
from server.design.piece import BandOfRows, Piece
from server.design.threads import Threads
from server.loom.ground import satin
from server.loom.picks import treadles_of_row
from server.loom.state import Loom
from server.session.bands import band_words, in_band
from server.session.treadling import rounds_of
from server.session.wording import treadles_text

DESIGN = Design(
    4,
    (
        Band(1, "Plain ground", (40,)),
        Band(2, "Border", (4, 5), ("#..#", ".##.", "####"), 2),
        Band(3, "Figure", (4,), ("#...", "##..")),
    ),
    3,
)


def names(change: BandsChanged | None) -> list[str]:
    assert change is not None
    after = changed(DESIGN, change)
    check(after)
    assert taken_back(after, change).bands == DESIGN.bands
    return [band.name for band in after.bands]


def test_a_band_is_moved_up_and_down_but_not_beyond_the_ends() -> None:
    assert names(edit.moved(DESIGN, 1, True)) == ["Border", "Plain ground", "Figure"]
    assert names(edit.moved(DESIGN, 3, False)) == ["Plain ground", "Figure", "Border"]
    assert edit.moved(DESIGN, 3, True) is None
    assert edit.moved(DESIGN, 1, False) is None


def test_a_copy_stands_right_after_the_band_under_a_number_of_its_own() -> None:
    change = edit.copied(DESIGN, 2)
    assert names(change) == ["Plain ground", "Border", "Border (copy)", "Figure"]
    copy = change.after[2]
    assert (copy.number, copy.rows, copy.times, copy.picks) == (4, DESIGN.bands[1].rows, 2, (4, 5))
    long = Design(1, (Band(1, "n" * 200, (4,), ("#",)),), 1)
    check(changed(long, edit.copied(long, 1)))


def test_a_band_is_thrown_away_and_a_number_is_never_given_twice() -> None:
    assert names(edit.without(DESIGN, 3)) == ["Plain ground", "Border"]
    after = changed(DESIGN, edit.without(DESIGN, 3))
    assert edit.added(after, Band(0, "New", (4,), ("....",))).after[-1].number == 4


@pytest.mark.parametrize(
    ("more", "at_top", "rows"),
    [
        (1, True, ("#...", "##..", "....")),
        (1, False, ("....", "#...", "##..")),
        (-1, True, ("#...",)),
        (-1, False, ("##..",)),
    ],
)
def test_rows_come_and_go_at_the_top_and_at_the_bottom(
    more: int, at_top: bool, rows: tuple[str, ...]
) -> None:
    after = changed(DESIGN, edit.with_rows(DESIGN, 3, more, at_top))
    assert after.band(3).rows == rows
    check(after)


def test_picks_in_turn_are_no_more_than_the_rows_that_are_left() -> None:
    after = changed(DESIGN, edit.with_rows(DESIGN, 2, -2, True))
    assert after.band(2).picks == (4,)
    check(after)


@pytest.mark.parametrize(
    ("number", "more", "sentence"),
    [
        (3, -2, "“Figure” has 2 rows; one must be left."),
        (3, -100_000, "one must be left"),
        (1, 4, "Plain ground has no rows to draw on"),
        (3, 100_000_000, "are more than 1,000,000 cells"),
        (9, 1, "That band is not in the design any more."),
    ],
)
def test_rows_that_cannot_be_are_refused(number: int, more: int, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        edit.with_rows(DESIGN, number, more, True)


@pytest.mark.parametrize(("side", "row"), [("left", "#.#..."), ("middle", ".#.#.."), ("right", "...#.#")])
def test_a_figure_lies_where_it_is_put(side: edit.Side, row: str) -> None:
    assert edit.figure_rows(("#.#",), 6, side) == (row,)


def test_a_figure_wider_than_the_warp_is_refused() -> None:
    with pytest.raises(ValueError, match="The figure is 5 units wide, and the warp has 4"):
        edit.figure_rows(("#####",), 4, "left")


def threads(ends: int, ends_per_cm: str, picks_per_cm: str) -> Threads:
    return Threads((ends,) * 4, satin(5, 2), Fraction(ends_per_cm), Fraction(picks_per_cm))


@pytest.mark.parametrize(
    ("ends", "ends_per_cm", "picks_per_cm", "picks"),
    [
        # T. F. Bell, Jacquard Weaving and Designing, 1895 (SOURCES 3): as many picks as ends in the
        # mail where it is wefted square; at 100 × 150, 2 ends: 3 picks, 3 ends: 4 and 5 in turn
        (4, "100", "100", (4,)),
        (2, "100", "150", (3,)),
        (3, "100", "150", (4, 5)),
    ],
)
def test_square_picks_are_those_of_the_source(
    ends: int, ends_per_cm: str, picks_per_cm: str, picks: tuple[int, ...]
) -> None:
    assert edit.square_picks(threads(ends, ends_per_cm, picks_per_cm), 10) == picks


def test_no_picks_make_a_cell_square_that_would_be_lower_than_a_pick() -> None:
    assert edit.square_picks(threads(1, "30", "10"), 10) is None


@given(
    st.integers(1, 12),
    st.fractions(min_value=1, max_value=60, max_denominator=10),
    st.fractions(min_value=1, max_value=60, max_denominator=10),
    st.integers(1, 40),
)
def test_square_picks_fit_the_band_and_are_nearly_square(
    ends: int, warp: Fraction, weft: Fraction, rows: int
) -> None:
    found = edit.square_picks(Threads((ends,), satin(5, 2), warp, weft), rows)
    exact = ends * weft / warp
    if found is None:
        assert exact < 1
        return
    assert 1 <= len(found) <= min(rows, edit.LONGEST_TURN)
    assert abs(Fraction(sum(found), len(found)) - exact) <= Fraction(1, 2)


# --- where a row is ------------------------------------------------------------------------------------

PIECE = Piece(
    "Runner",
    Loom((1, 2, 3, 4), frozenset(), 4),
    (frozenset(),) * 9,
    bands=bands_of_rows(DESIGN),
)


def test_every_row_is_told_by_band_time_and_row() -> None:
    assert [band_words(PIECE, row) for row in range(11)] == [
        ("", ""),
        ("Plain ground", ""),
        ("Border", "1 of 2, row 1 of 3"),
        ("Border", "1 of 2, row 2 of 3"),
        ("Border", "1 of 2, row 3 of 3"),
        ("Border", "2 of 2, row 1 of 3"),
        ("Border", "2 of 2, row 2 of 3"),
        ("Border", "2 of 2, row 3 of 3"),
        ("Figure", "row 1 of 2"),
        ("Figure", "row 2 of 2"),
        ("", ""),
    ]


def test_a_piece_without_bands_tells_none() -> None:
    assert in_band(Piece("x", PIECE.loom, PIECE.rows), 1) is None
    named_nothing = Piece("x", PIECE.loom, (frozenset(),), bands=(BandOfRows(" ", 1),))
    assert band_words(named_nothing, 1) == ("Band without a name", "")


@given(st.lists(st.tuples(st.integers(1, 5), st.integers(1, 4)), min_size=1, max_size=6))
def test_rows_follow_each_other_through_the_bands(shapes: list[tuple[int, int]]) -> None:
    bands = tuple(BandOfRows(str(number), rows, times) for number, (rows, times) in enumerate(shapes))
    piece = Piece("x", PIECE.loom, (frozenset(),), bands=bands)
    expected = [
        (band.name, time, row)
        for band in bands
        for time in range(1, band.times + 1)
        for row in range(1, band.rows + 1)
    ]
    places = [in_band(piece, row) for row in range(1, len(expected) + 1)]
    assert [(place.name, place.time, place.row) for place in places if place] == expected


# --- treadles of a long row ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("treadles", "words"),
    [
        ([3, 4, 5, 1, 2], "3, 4, 5, 1, 2"),
        ([1, 2, 3, 4, 5] * 8, "1, 2, 3, 4, 5 in turn, 8 times"),
        ([1, 2, 3, 4, 5] * 8 + [1, 2], "1, 2, 3, 4, 5 in turn, 8 times, then 1, 2"),
        ([2] * 50, "2 throughout"),
        (list(range(1, 31)), "1, 2, 3, 4, 5, 6, 7, 8 … 28, 29, 30"),
    ],
)
def test_treadles_of_a_long_row_are_told_by_their_round(treadles: list[int], words: str) -> None:
    assert treadles_text(treadles) == words


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=10),
    st.integers(20, 400),
    st.integers(1, 50),
)
def test_a_round_trodden_as_often_as_told_is_the_row(treadling: list[int], picks: int, before: int) -> None:
    row = list(treadles_of_row(treadling, [before, picks], 2))
    found = rounds_of(row)
    assert found is not None, "a treadling of ten at most comes round in twenty picks"
    around, times, rest = found
    assert [*around] * times + [*rest] == row
    assert len(around) <= len(treadling)
