"""Picks per row and treadles."""

from __future__ import annotations

from fractions import Fraction
from math import floor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.loom.picks import (
    alternating_picks,
    picks_before_row,
    picks_for_square_cells,
    picks_of_row,
    treadles_of_row,
)

BELL = "T. F. Bell, Jacquard Weaving and Designing, 1895, on the pressure harness (SOURCES.md, 3)"


@pytest.mark.parametrize("ends", range(1, 11))
def test_bell_cloth_wefted_square_has_as_many_picks_to_a_card_as_ends_in_the_mail(ends: int) -> None:
    assert alternating_picks(picks_for_square_cells(ends, 100, 100)) == (ends,), BELL


@pytest.mark.parametrize(("ends", "picks"), [(2, (3,)), (3, (4, 5))])
def test_bell_100_by_150(ends: int, picks: tuple[int, ...]) -> None:
    assert alternating_picks(picks_for_square_cells(ends, 100, 150)) == picks, BELL


def test_bell_four_cards_of_4_and_four_of_5_are_36_picks_as_are_nine_cards_of_4() -> None:
    eight_cards = alternating_picks(Fraction(9, 2)) * 4
    assert (eight_cards.count(4), eight_cards.count(5)) == (4, 4), BELL
    assert sum(eight_cards) == picks_before_row((4, 5), 9) == 36, BELL
    assert picks_before_row((4,), 10) == 36, BELL


@given(st.fractions(min_value=1, max_value=30, max_denominator=12), st.integers(1, 60))
def test_fractions_of_picks_even_out(picks: Fraction, row: int) -> None:
    """WORKORDER.md: row k has floor(k p) − floor((k − 1) p)."""
    cycle = alternating_picks(picks)
    assert picks_of_row(cycle, row) == floor(row * picks) - floor((row - 1) * picks)
    assert picks_before_row(cycle, row + 1) == floor(row * picks)
    assert Fraction(sum(cycle), len(cycle)) == picks


@given(
    st.lists(st.integers(1, 9), min_size=1, max_size=6),
    st.lists(st.integers(1, 5), min_size=1, max_size=4),
    st.integers(1, 12),
)
def test_the_treadles_walk_on_across_rows(treadling: list[int], picks: list[int], rows: int) -> None:
    walked = [t for row in range(1, rows + 1) for t in treadles_of_row(treadling, picks, row)]
    assert walked == [treadling[pick % len(treadling)] for pick in range(len(walked))]
    assert len(walked) == sum(picks[row % len(picks)] for row in range(rows))


def test_bell_picks_used_in_turn() -> None:
    assert [picks_of_row((4, 5), row) for row in range(1, 6)] == [4, 5, 4, 5, 4]
    assert treadles_of_row((1, 2, 3, 4, 5), (4, 5), 2) == (5, 1, 2, 3, 4)


@pytest.mark.parametrize(
    ("ends", "across", "along"), [(0, 1, 1), (-1, 1, 1), (1, 0, 1), (1, 1, 0), (1, -1, 1), (1, 1, -1)]
)
def test_setts_must_be_above_nothing(ends: int, across: int, along: int) -> None:
    with pytest.raises(ValueError, match=r"above 0\.$"):
        picks_for_square_cells(ends, across, along)


@pytest.mark.parametrize("picks", [Fraction(0), Fraction(1, 2), Fraction(-3)])
def test_no_row_without_a_pick(picks: Fraction) -> None:
    with pytest.raises(ValueError, match=r"without a pick.*\.$"):
        alternating_picks(picks)
