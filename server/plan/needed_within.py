"""What no design within a budget of cells does without: the solver would find it out late.

The linear relaxation changes a third of a cell in each of three rows, and then needs two thirds of a
temporary there. But where a budget does not reach for all rows that it serves, the whole of it is needed.
DEVELOPERS.md, "The model and why it is right".
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Literal

import numpy as np

from server.design.piece import Piece
from server.loom.state import Loom
from server.plan.changed_cells import Budget, rows_that_ask
from server.plan.demands import Part
from server.plan.stages import Stage
from server.plan.walks_needed import MOST_STANDINGS, Room

MOST_PAIRED = 60
"""Candidates for one shaft of which pairs are looked at."""

MOST_TEMPORARIES = 3
"""So many temporaries of a shaft in a stretch are looked for."""

MOST_CHANGES = 3
"""So many moves of a handle's cords, or walks, in a stretch are looked for."""


@dataclass(frozen=True, slots=True)
class Needed:
    """What is needed in the stages first … last.

    Attributes:
        what: temporaries: so many different ones of the shaft are in the loom, at one time or another ·
            moves: so often the cords of its own handle are moved between the first and the last · walks: so
            many are made between them.
        shaft: 0: any.
    """

    what: Literal["temporaries", "moves", "walks"]
    shaft: int
    first: int
    last: int
    times: int


def needed_within(
    piece: Piece,
    shafts: Sequence[int],
    cut: Sequence[Stage],
    parts: Mapping[int, Sequence[Part]],
    budget: Budget,
) -> list[Needed]:
    """What is needed whatever cells within the budget are changed, in stretches as short as can be.

    For each set of temporaries (or what a handle carries, or all that stands in the loom) the fewest cells
    are counted that would have to be changed for it to lift all rows of a stretch. Where that is more than
    the budget for each of them, none of them does.

    Args:
        parts: per shaft all that a temporary can take.
    """
    found: list[Needed] = []
    kept = []
    for shaft in shafts:
        cells = _Cells(piece, shaft, cut, budget)
        found += _temporaries(cells, shaft, parts[shaft], budget.most)
        if not piece.loom.spare_handles:
            single = _summed(np.array([cells.of([bar]) for bar in (None, *parts[shaft])]))
            found += [Needed("moves", shaft, *need) for need in _changes(_unchanged(single), budget.most)]
        kept.append(_Kept(piece.loom, cells, parts[shaft]))
    together = np.full((len(cut) + 1, len(cut) + 1), budget.most + 1)
    for first in range(len(cut) + 1):
        together[first, : first + 1] = 0
        for last in range(first + 1, len(cut) + 1):
            least = _together(piece.loom, [one.fewest(first, last) for one in kept], budget.most)
            if least > budget.most:
                break
            together[first, last] = least
    return found + [Needed("walks", 0, *need) for need in _changes(together, budget.most)]


def _temporaries(cells: _Cells, shaft: int, parts: Sequence[Part], most: int) -> Iterator[Needed]:
    """Where one temporary of a shaft is not enough, and so on."""
    for number in range(MOST_TEMPORARIES):
        if number > 1 and len(parts) > MOST_PAIRED:
            return
        table = np.array([cells.of([None, *chosen]) for chosen in combinations(parts, number)])
        stretches = _shortest(_summed(table), most) if len(table) else []
        if not stretches:
            return
        for first, last in stretches:
            yield Needed("temporaries", shaft, first, last, number + 1)


class _Kept:
    """How many cells must be changed for a shaft to be lifted with what stands there and is not changed."""

    def __init__(self, loom: Loom, cells: _Cells, parts: Sequence[Part]) -> None:
        self._room = loom.spare_handles + 1, loom.spare_shafts + 1
        self._at: list[Room] = []
        rows: list[list[int]] = []
        for number in range(min(loom.temporaries_per_shaft, loom.spare_shafts, len(parts)) + 1):
            if comb(len(parts), number) > MOST_STANDINGS:
                self._at, rows = [(0, 0)], [cells.none]
                break
            for inside in combinations(parts, number):
                for home in (None, *inside):
                    handles = number - (home is not None)
                    if handles <= loom.spare_handles:
                        self._at.append((handles, number))
                        rows.append(cells.of([None, *inside] if home is None else inside))
        self._summed = _summed(np.array(rows))

    def fewest(self, first: int, last: int) -> dict[Room, int]:
        """For the stages first … last − 1, by what it takes, all that is not worse than another."""
        found: dict[Room, int] = {}
        for room, cells in zip(self._at, self._summed[:, last] - self._summed[:, first], strict=True):
            found[room] = min(found.get(room, cells), int(cells))
        return found


def _together(loom: Loom, shafts: Sequence[dict[Room, int]], most: int) -> int:
    """The fewest cells for all shafts, if the spare handles and the spare shafts are to suffice."""
    taken: dict[Room, int] = {(0, 0): 0}
    for ways in shafts:
        then: dict[Room, int] = {}
        for (h, t), before in taken.items():
            for (a, b), cells in ways.items():
                if h + a <= loom.spare_handles and t + b <= loom.spare_shafts and before + cells <= most:
                    room = (h + a, t + b)
                    then[room] = min(then.get(room, most), before + cells)
        taken = then
    return min(taken.values(), default=most + 1)


class _Cells:
    """How many cells must be changed, stage by stage, for what is in the loom to lift a shaft."""

    def __init__(self, piece: Piece, shaft: int, cut: Sequence[Stage], budget: Budget) -> None:
        self._units = piece.loom.units_of(shaft)
        self._cords = piece.loom.single_cords & self._units
        self._most, self._alone = budget.most, not piece.loom.spare_handles
        self._rows = [
            [
                (asked, budget.fixed_in(row, self._units))
                for row, asked in rows_that_ask(piece, stage.first, stage.last, shaft)
            ]
            for stage in cut
        ]
        self._known: dict[tuple[Part, Part, frozenset[Part | None]], int] = {}

    @property
    def none(self) -> list[int]:
        """None in any stage."""
        return [0] * len(self._rows)

    def of(self, bars: Sequence[Part | None]) -> list[int]:
        """With these bars; None: the shaft itself."""
        return [
            min(sum(self._fewest(asked, fixed, bars) for asked, fixed in rows), self._most + 1)
            for rows in self._rows
        ]

    def _fewest(self, asked: Part, fixed: Part, bars: Sequence[Part | None]) -> int:
        key = (asked, fixed, frozenset(bars))
        if key not in self._known:
            least = self._most + 1
            for number in range(min(len(bars), 1 if self._alone else len(bars)) + 1):
                for up in combinations(bars, number):
                    lifted = frozenset[int]().union(*(self._units if bar is None else bar for bar in up))
                    wrong = (lifted - asked) | (asked - lifted - self._cords)
                    if not wrong & fixed:
                        least = min(least, len(wrong))
            self._known[key] = least
        return self._known[key]


def _summed(table: np.ndarray) -> np.ndarray:
    """Per choice the cells before each stage."""
    return np.concatenate([np.zeros((len(table), 1), dtype=np.int64), np.cumsum(table, axis=1)], axis=1)


def _shortest(summed: np.ndarray, most: int) -> list[tuple[int, int]]:
    """The shortest stretches of stages for which no choice is within the budget."""
    stages = summed.shape[1] - 1
    found: list[tuple[int, int]] = []
    last = 0
    for first in range(stages):
        last = max(last, first)
        while last < stages and (summed[:, last + 1] - summed[:, first]).min(initial=most + 1) <= most:
            last += 1
        if last == stages:
            break
        if found and found[-1][1] == last:
            found.pop()
        found.append((first, last))
    return found


def _unchanged(summed: np.ndarray) -> np.ndarray:
    """The cells for the stages first … last − 1 where one choice is kept all along; by first and last."""
    stages = summed.shape[1]
    found = np.zeros((stages, stages), dtype=np.int64)
    for first in range(stages):
        found[first, first:] = (summed[:, first:] - summed[:, [first]]).min(axis=0)
    return found


def _changes(between: np.ndarray, most: int) -> list[tuple[int, int, int]]:
    """The shortest stretches of stages, first and last, in which the choice must be changed so many times."""
    stages = len(between) - 1
    found = []
    now = between
    for times in range(1, MOST_CHANGES + 1):
        ends = []
        for first in range(stages):
            beyond = np.flatnonzero(now[first, first + 1 :] > most)
            if len(beyond):
                ends.append((first, int(beyond[0]) + first))
        if not ends:
            break
        kept = [one for one, then in zip(ends, [*ends[1:], (0, -1)], strict=True) if one[1] != then[1]]
        found += [(first, last, times) for first, last in kept if last > first]
        after = np.full_like(between, most + 1)
        for middle in range(stages + 1):
            after[:, middle:] = np.minimum(after[:, middle:], now[:, [middle]] + between[[middle], middle:])
        now = np.triu(after)
    return found
