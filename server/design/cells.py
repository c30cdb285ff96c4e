"""Cells of a design as an array, for what is computed of many at once; files and tables keep them as text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

Cells = npt.NDArray[np.bool_]
"""Rows × units, true where lifted: [0] is the first row woven, [:, 0] the unit at the weaver's left."""

LIFTED, NOT_LIFTED = "#", "."


def to_cells(rows: Sequence[str]) -> Cells:
    """Cells of rows as a piece file writes them; all of one length, in weaving order."""
    units = len(rows[0]) if rows else 0
    letters = np.frombuffer("".join(rows).encode("ascii"), dtype=np.uint8)
    cells: Cells = (letters == ord(LIFTED)).reshape(len(rows), units)
    return cells


def to_rows(cells: Cells) -> tuple[str, ...]:
    """Rows as a piece file writes them, in weaving order."""
    letters = np.where(cells, np.uint8(ord(LIFTED)), np.uint8(ord(NOT_LIFTED)))
    return tuple(row.tobytes().decode("ascii") for row in letters)


def row_of_units(lifted: Iterable[int], units: int) -> str:
    """One row as a piece file writes it, of the units (from 1) that are lifted."""
    row = [NOT_LIFTED] * units
    for unit in lifted:
        row[unit - 1] = LIFTED
    return "".join(row)
