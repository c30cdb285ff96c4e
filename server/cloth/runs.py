"""Runs of equal values along lines: floats along threads, and stretches of equal cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Runs:
    """All runs of some lines, line by line; the arrays are parallel.

    Attributes:
        places: places on a line.
        begins: where each run begins, counted on from line to line, from 0.
        length: how long, at least 1.
        value: of what.
    """

    places: int
    begins: npt.NDArray[np.int64]
    length: npt.NDArray[np.int64]
    value: npt.NDArray[np.bool_]

    def where(self, run: int) -> tuple[int, int]:
        """The line that a run is on, and where on it, both from 0."""
        return divmod(int(self.begins[run]), self.places)


def runs(lines: npt.NDArray[np.bool_]) -> Runs:
    """The runs along the second axis of lines × places, neither empty."""
    _, places = lines.shape
    flat = np.ascontiguousarray(lines).reshape(-1)
    edges = np.empty(flat.shape, dtype=np.bool_)
    np.not_equal(flat[1:], flat[:-1], out=edges[1:])
    edges[::places] = True
    begins = np.flatnonzero(edges)
    return Runs(places, begins, np.diff(begins, append=flat.size), flat[begins])
