"""How the sequence of bands is changed: moved, copied, made longer, added to. Each is one change.

Every function gives the change that leads from a design to the wanted one; ValueError with a sentence where
there is no such band any more, or the change asks for what cannot be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Literal

from server.design.cells import NOT_LIFTED
from server.design.design import MOST_DRAWN, Band, BandsChanged, Design, next_number
from server.design.threads import Threads
from server.loom.picks import alternating_picks, picks_for_square_cells

Side = Literal["left", "middle", "right"]
"""Where a narrow figure lies across the warp, from the weaver's left."""

LONGEST_TURN = 8
"""Rows after which picks that are used in turn come again; finer than that nobody counts."""


def moved(design: Design, number: int, up: bool) -> BandsChanged | None:
    """A band woven one place later (up) or earlier; None where it is the last or the first."""
    bands = list(design.bands)
    at = bands.index(design.band(number))
    to = at + (1 if up else -1)
    if not 0 <= to < len(bands):
        return None
    bands[at], bands[to] = bands[to], bands[at]
    return BandsChanged(design.bands, tuple(bands))


def copied(design: Design, number: int) -> BandsChanged:
    """A band once more, woven right after itself, to be drawn otherwise."""
    band = design.band(number)
    at = design.bands.index(band) + 1
    once_more = replace(band, number=next_number(design), name=_copy_name(band.name))
    return BandsChanged(design.bands, (*design.bands[:at], once_more, *design.bands[at:]))


def _copy_name(name: str) -> str:
    return f"{name[:192]} (copy)" if name.strip() and not name.endswith("(copy)") else name


def without(design: Design, number: int) -> BandsChanged:
    """The bands without one of them."""
    band = design.band(number)
    return BandsChanged(design.bands, tuple(other for other in design.bands if other is not band))


def added(design: Design, band: Band) -> BandsChanged:
    """One band more, woven last; its number is given here."""
    return BandsChanged(design.bands, (*design.bands, replace(band, number=next_number(design))))


def told(design: Design, number: int, name: str, times: int, picks: tuple[int, ...]) -> BandsChanged:
    """A band with another name, woven so many times, with these picks."""
    return _with(design, replace(design.band(number), name=name, times=times, picks=picks))


def with_rows(design: Design, number: int, more: int, at_top: bool) -> BandsChanged:
    """A drawn band with so many empty rows more, or rows fewer, at its top (woven last) or its bottom."""
    band = design.band(number)
    if band.is_plain:
        raise ValueError("Plain ground has no rows to draw on; say how many picks it has.")
    if len(band.rows) + more < 1:
        raise ValueError(f"“{band.name}” has {len(band.rows)} rows; one must be left.")
    if more >= 0:
        empty = empty_rows(design.units, more)
        rows = band.rows + empty if at_top else empty + band.rows
    else:
        rows = band.rows[:more] if at_top else band.rows[-more:]
    return _with(design, replace(band, rows=rows, picks=band.picks[: len(rows)]))


def empty_rows(units: int, rows: int) -> tuple[str, ...]:
    """Rows without any cell lifted. ValueError with a sentence if that is more than can be drawn."""
    if units * rows > MOST_DRAWN:
        raise ValueError(f"{rows:,} rows of {units} units are more than {MOST_DRAWN:,} cells.")
    return (NOT_LIFTED * units,) * rows


def figure_rows(rows: Sequence[str], units: int, side: Side) -> tuple[str, ...]:
    """A figure across the whole warp. ValueError with a sentence if it is wider."""
    width = len(rows[0])
    if width > units:
        raise ValueError(f"The figure is {width} units wide, and the warp has {units}.")
    free = units - width
    left = {"left": 0, "middle": free // 2, "right": free}[side]
    return tuple(NOT_LIFTED * left + row + NOT_LIFTED * (free - left) for row in rows)


def square_picks(threads: Threads, rows: int) -> tuple[int, ...] | None:
    """Picks per row at which a cell comes out square, or as nearly as a turn of few rows can.

    None where a row would get no pick.

    Args:
        rows: of the band; a turn is no longer.
    """
    exact = picks_for_square_cells(threads.usual_ends, threads.ends_per_cm, threads.picks_per_cm)
    picks = exact.limit_denominator(max(1, min(LONGEST_TURN, rows)))
    return alternating_picks(picks) if picks >= 1 else None


def height_cm(picks: int, threads: Threads) -> float:
    """How high so many picks come out on the loom."""
    return float(Fraction(picks) / threads.picks_per_cm)


def _with(design: Design, band: Band) -> BandsChanged:
    after = tuple(band if other.number == band.number else other for other in design.bands)
    return BandsChanged(design.bands, after)
