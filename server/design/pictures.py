"""A picture read as cells: scaled to the units, dark told from light, specks taken out, turned over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate
from typing import Literal

import numpy as np
import numpy.typing as npt
from PIL import Image

from server.design.cells import Cells
from server.design.open_picture import open_picture
from server.design.piece_file import MOST, Unusable

MOST_READ = 4_000_000
"""Cells that are read from a picture: 2,000 units by 2,000 rows."""

MIDDLE = 128
"""The level where a picture gives none: all of it is alike."""


@dataclass(frozen=True)
class Reading:
    """How a picture is read.

    Attributes:
        units: cells across.
        proportion: height of a cell over its width, as woven (`cell_proportion`).
        rows: cells from the bottom to the top; None: as many as keep the picture's proportion.
        how: "solid": a cell is lifted if it is darker than the level. "dots": greys become dots, close
            together where it is dark (error diffusion, R. W. Floyd and L. Steinberg, 1976, as Pillow has it).
        level: 0 to 255, the higher the more is lifted; None: found from the picture, for dots the middle.
        smallest: cells of the smallest patch that is kept; 1 keeps all.
        swapped: light is the figure, and is lifted.
        wrong_side_up: woven with the right side facing down.
    """

    units: int
    proportion: Fraction = Fraction(1)
    rows: int | None = None
    how: Literal["solid", "dots"] = "solid"
    level: int | None = None
    smallest: int = 1
    swapped: bool = False
    wrong_side_up: bool = False


def cell_proportion(
    ends_per_unit: int | Fraction,
    picks_per_row: int | Fraction,
    ends_per_cm: int | Fraction,
    picks_per_cm: int | Fraction,
) -> Fraction:
    """Height of a cell over its width, as woven; 1 is square.

    Args:
        ends_per_unit: ends that rise together; the mean, where units differ.
        picks_per_row: the mean, where rows alternate.
        ends_per_cm: of the woven cloth. Any unit of length will do, the same for both setts.
        picks_per_cm: likewise.

    Raises:
        Unusable: if one of them is not above nothing.
    """
    if min(ends_per_unit, picks_per_row, ends_per_cm, picks_per_cm) <= 0:
        raise Unusable("Ends in a unit, picks in a row and both setts must be more than nothing.")
    height = Fraction(picks_per_row) / Fraction(picks_per_cm)
    width = Fraction(ends_per_unit) / Fraction(ends_per_cm)
    return height / width


def read_picture(content: bytes, reading: Reading) -> Cells:
    """The cells that are to be lifted for a picture. Its top is the row woven last.

    Args:
        content: a PNG, JPEG, GIF, BMP or WebP file.

    Raises:
        Unusable: with one sentence: the picture cannot be opened, or read like this.
    """
    return cells_of(open_picture(content), reading)


def cells_of(picture: Image.Image, reading: Reading) -> Cells:
    """The same for a picture that is open: mode L, upright (`open_picture`).

    Raises:
        Unusable: with one sentence.
    """
    grey = _scaled(picture, reading.units, rows_of(picture, reading))
    level = reading.level
    if reading.how == "dots":
        # the level slides the greys, and the dots are set about the middle
        slid = MIDDLE - (MIDDLE if level is None else level)
        grey = grey.point([min(255, max(0, dot + slid)) for dot in range(256)])
        dark = ~np.asarray(grey.convert("1", dither=Image.Dither.FLOYDSTEINBERG), dtype=np.bool_)
    else:
        dark = np.asarray(grey) < (level_of(grey.histogram()) if level is None else level)
    cells: Cells = np.ascontiguousarray(dark[::-1])
    if reading.swapped:
        cells = swapped(cells)
    cells = without_specks(cells, reading.smallest)
    return turned_over(cells) if reading.wrong_side_up else cells


def rows_of(picture: Image.Image, reading: Reading) -> int:
    """Rows that the picture takes up, read like this; at least one.

    Raises:
        Unusable: if something in the reading, or what comes of it, is beyond all bounds.
    """
    units, rows = reading.units, reading.rows
    if not 1 <= units <= MOST:
        raise Unusable(f"A picture is read as 1 to {MOST:,} units across, not {units}.")
    if not Fraction(1, 100) <= reading.proportion <= 100:
        raise Unusable(
            "A cell would be more than a hundred times as long as the other way; look at the setts."
        )
    if reading.level is not None and not 0 <= reading.level <= 255:
        raise Unusable(f"The level from dark to light goes from 0 to 255, not {reading.level}.")
    if reading.smallest < 1:
        raise Unusable(f"The smallest patch has 1 cell or more, not {reading.smallest}.")
    if rows is None:
        exactly = units * Fraction(picture.height, picture.width) / reading.proportion
        rows = max(1, int(exactly + Fraction(1, 2)))
    if rows < 1:
        raise Unusable(f"A picture is read as 1 row or more, not {rows}.")
    if units * rows > MOST_READ:
        raise Unusable(
            f"{rows:,} rows of {units:,} units are more than {MOST_READ // 1_000_000} million cells; "
            "take fewer units, or fewer rows."
        )
    return rows


def _scaled(picture: Image.Image, units: int, rows: int) -> Image.Image:
    """Each cell the mean of the dots in it; where cells are smaller than dots, the dot itself.

    First the way that leaves less, so that nothing in between is larger than both pictures.
    """
    first = (picture.width, rows) if rows < picture.height else (units, picture.height)
    return picture.resize(first, Image.Resampling.BOX).resize((units, rows), Image.Resampling.BOX)


def level_of(counts: Sequence[int]) -> int:
    """The level that parts dark from light best: N. Otsu, 1979, the greatest variance between the two.

    Args:
        counts: how many dots there are of each grey, 0 to 255.

    Returns:
        Darker than this is dark. Where several levels part equally well, the middle of them.
    """
    dots, total = sum(counts), sum(grey * count for grey, count in enumerate(counts))
    darker = accumulate(counts)
    weight = accumulate(grey * count for grey, count in enumerate(counts))
    # in whole numbers, so that levels that part equally well are known to be equal
    between = [
        Fraction((dots * weighs - many * total) ** 2, many * (dots - many))
        if 0 < many < dots
        else Fraction(0)
        for many, weighs in zip(darker, weight, strict=True)
    ]
    best = max(between)
    if best == 0:
        return MIDDLE
    first = last = between.index(best)
    while last < 255 and between[last + 1] == best:
        last += 1
    return (first + last) // 2 + 1


def swapped(cells: Cells) -> Cells:
    """Figure and ground change places."""
    return ~cells


def turned_over(cells: Cells) -> Cells:
    """As seen from the other side: lifted and not lifted change places, and so do left and right."""
    return np.ascontiguousarray(~cells[:, ::-1])


def right_side(cells: Cells, wrong_side_up: bool) -> Cells:
    """What the cloth shows on its right side, of what is lifted; true: warp effect, seen from that side."""
    return turned_over(cells) if wrong_side_up else cells


def without_specks(cells: Cells, smallest: int) -> Cells:
    """Patches of fewer cells than this turned over: first the lifted ones, then what is not lifted.

    A patch is what hangs together by the sides of its cells, not by their corners. Afterwards no patch is
    smaller, unless all is one patch.
    """
    if smallest > 1:
        for lifted in (True, False):
            cells = cells ^ _small_patches(cells == lifted, smallest)
    return cells


def _small_patches(cells: Cells, smallest: int) -> Cells:
    """Of what is true, the patches with fewer cells.

    Cells are taken by runs along their rows; the runs of a patch come to share the lowest number among them.
    """
    rows, units = cells.shape
    across = units + 1  # a false cell after each row, so that no run goes on into the next
    flat = np.zeros(rows * across + 1, dtype=np.int8)
    flat[1:].reshape(rows, across)[:, :units] = cells
    change = np.diff(flat)
    starts, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1)

    # which runs of the next row touch a run: all between the first that ends after it starts and …
    first = np.searchsorted(ends, starts + across, side="right")
    many = np.maximum(np.searchsorted(starts, ends + across, side="left") - first, 0)
    below = np.repeat(np.arange(starts.size), many)
    above = np.arange(below.size) + np.repeat(first - (np.cumsum(many) - many), many)

    patch = _joined(starts.size, below, above)
    sizes = np.bincount(patch, weights=ends - starts, minlength=starts.size)
    small = sizes[patch] < min(smallest, cells.size)  # what covers all is no speck
    change[:] = 0
    change[starts[small]] = 1
    change[ends[small]] = -1
    found = np.cumsum(change, dtype=np.int8).astype(np.bool_)
    return found.reshape(rows, across)[:, :units]


def _joined(many: int, one: npt.NDArray[np.intp], other: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """For each of so many things the lowest that it hangs together with, by these pairs."""
    lowest = np.arange(many)
    while one.size:
        low = np.minimum(lowest[one], lowest[other])
        np.minimum.at(lowest, lowest[one], low)
        np.minimum.at(lowest, lowest[other], low)
        while not np.array_equal(further := lowest[lowest], lowest):
            lowest = further
        apart = lowest[one] != lowest[other]
        one, other = one[apart], other[apart]
    return lowest
