"""How many picks a row of the design gets, and which treadles."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import floor


def picks_for_square_cells(
    ends_per_unit: int, ends_per_cm: Fraction | int, picks_per_cm: Fraction | int
) -> Fraction:
    """Picks per row at which a cell of the design comes out square.

    A unit is `ends_per_unit / ends_per_cm` wide; p picks are `p / picks_per_cm` high.
    Source of the check: T. F. Bell, *Jacquard Weaving and Designing*, 1895 (SOURCES 3).

    Args:
        ends_per_unit: warp ends to a unit, at least 1.
        ends_per_cm: warp sett; any unit of length, the same as for the weft.
        picks_per_cm: weft sett.

    Raises:
        ValueError: if one of them is not above 0.
    """
    if ends_per_unit < 1 or ends_per_cm <= 0 or picks_per_cm <= 0:
        raise ValueError("Ends per unit and both setts must be above 0.")
    return Fraction(ends_per_unit) * Fraction(picks_per_cm) / Fraction(ends_per_cm)


def alternating_picks(picks: Fraction) -> tuple[int, ...]:
    """The shortest cycle of whole picks per row whose average is `picks`.

    Row k has floor(k p) − floor((k − 1) p), so 9/2 gives 4, 5.

    Raises:
        ValueError: if a row would get no pick.
    """
    if picks < 1:
        raise ValueError(f"{picks} picks a row leave rows without a pick; take more ends to a unit.")
    return tuple(floor(k * picks) - floor((k - 1) * picks) for k in range(1, picks.denominator + 1))


def picks_of_row(picks_per_row: Sequence[int], row: int) -> int:
    """Picks of a row, counted from 1, when the list is used in turn."""
    return picks_per_row[(row - 1) % len(picks_per_row)]


def picks_before_row(picks_per_row: Sequence[int], row: int) -> int:
    """All picks woven before a row, counted from 1."""
    whole, rest = divmod(row - 1, len(picks_per_row))
    return whole * sum(picks_per_row) + sum(picks_per_row[:rest])


def treadles_of_row(treadling: Sequence[int], picks_per_row: Sequence[int], row: int) -> tuple[int, ...]:
    """The treadles of a row, pick by pick; the cycle runs on across rows."""
    start = picks_before_row(picks_per_row, row)
    return tuple(
        treadling[(start + pick) % len(treadling)] for pick in range(picks_of_row(picks_per_row, row))
    )
