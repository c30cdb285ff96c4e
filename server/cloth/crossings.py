"""Thread by thread: which end lies over which pick.

Ends and picks are counted from 0 in here, ends from the weaver's left; on screen from 1.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from server.design.cells import Cells
from server.design.threads import Threads
from server.loom.ground import shaft_of_end

Crossings = npt.NDArray[np.bool_]
"""Picks × ends, true where the end lies over the pick on the side seen: [0] is the first pick woven."""

Numbers = npt.NDArray[np.int64]

MOST_PICKS = 1_000_000
"""Of a cloth; far above any piece on a hand loom."""

AT_ONCE = 2_000_000
"""Crossings that are worked out at once, where a whole cloth is gone through."""


@dataclass(frozen=True, slots=True)
class Window:
    """A part of a cloth; the ranges are counted from 0, and neither is empty."""

    ends: range
    picks: range

    @property
    def crossings(self) -> int:
        """How many crossings it has."""
        return len(self.ends) * len(self.picks)


@dataclass(frozen=True, eq=False)
class Draft:
    """All that decides which end lies over which pick. Two drafts are equal where all of it is.

    Attributes:
        cells: rows × units.
        picks_per_row: used in turn, row by row.
        treadling: the cycle of treadles (from 1), used in turn pick by pick, on across rows.

    Raises:
        ValueError: with a sentence, if they do not fit together, or the cloth is too long.
    """

    cells: Cells
    picks_per_row: tuple[int, ...]
    treadling: tuple[int, ...]
    threads: Threads

    def __post_init__(self) -> None:
        rows, units = self.cells.shape
        if not rows:
            raise ValueError("There is no row yet, so there is no cloth to be seen.")
        if units != len(self.threads.ends_per_unit):
            raise ValueError(
                f"The rows are {units} units wide, and the warp has {len(self.threads.ends_per_unit)}."
            )
        treadles = len(self.threads.ground.treadles)
        if strays := [treadle for treadle in self.treadling if not 1 <= treadle <= treadles]:
            raise ValueError(f"There is no treadle {strays[0]}: the ground weave ties up {treadles}.")
        if int(self.picks_of_rows.sum()) > MOST_PICKS:
            raise ValueError(
                f"That would be more than {MOST_PICKS:,} picks, too long to be shown as cloth in one piece."
            )

    @cached_property
    def fingerprint(self) -> str:
        """The same for equal drafts, and for no others."""
        digest = hashlib.sha256(repr((self.cells.shape, self.picks_per_row, self.treadling)).encode())
        digest.update(np.packbits(self.cells).tobytes())
        digest.update(repr(self.threads).encode())
        return digest.hexdigest()

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Draft) and self.fingerprint == other.fingerprint

    def __hash__(self) -> int:
        return hash(self.fingerprint)

    @cached_property
    def picks_of_rows(self) -> Numbers:
        """Picks of each row."""
        return np.resize(np.array(self.picks_per_row, dtype=np.int64), len(self.cells))

    @property
    def ends(self) -> int:
        """All ends, the selvedges' too."""
        return self.threads.ends

    @cached_property
    def picks(self) -> int:
        """All picks."""
        return int(self.picks_of_rows.sum())

    @property
    def whole(self) -> Window:
        """All of the cloth."""
        return Window(range(self.ends), range(self.picks))

    @property
    def width_cm(self) -> float:
        """Width in the reed."""
        return self.threads.width_cm

    @property
    def height_cm(self) -> float:
        """Length as it is woven, under tension."""
        return float(self.picks / self.threads.picks_per_cm)

    @cached_property
    def row_of_pick(self) -> Numbers:
        """Per pick, the row it belongs to, from 0."""
        return np.repeat(np.arange(len(self.cells)), self.picks_of_rows)

    @cached_property
    def unit_of_end(self) -> Numbers:
        """Per end, the unit it belongs to, from 0; −1: none, it is a selvedge end."""
        left, right = self.threads.selvedge_ends
        units = np.repeat(np.arange(len(self.threads.ends_per_unit)), self.threads.ends_per_unit)
        return np.concatenate([np.full(left, -1), units, np.full(right, -1)])

    @cached_property
    def ground_shaft_of_end(self) -> Numbers:
        """Per end, its ground shaft, from 0."""
        ground = self.threads.ground
        left, right = self.threads.selvedge_ends
        pattern = sum(self.threads.ends_per_unit)
        # end 1 is the first of unit 1; the threading runs on through selvedges without one of their own
        shafts = list(shaft_of_end(ground.threading, range(1 - left, pattern + right + 1)))
        if ground.selvedge:
            shafts[:left] = shaft_of_end(ground.selvedge, range(1, left + 1))
            shafts[left + pattern :] = shaft_of_end(ground.selvedge, range(right, 0, -1))
        return np.array(shafts, dtype=np.int64) - 1

    def treadle_of_picks(self, picks: range) -> Numbers:
        """Per pick, its treadle, from 0."""
        cycle = np.array(self.treadling, dtype=np.int64) - 1
        return cycle[np.arange(picks.start, picks.stop) % len(cycle)]

    @cached_property
    def moves(self) -> tuple[Crossings, Crossings]:
        """Treadles × ground shafts: which are raised, and which stay neutral."""
        ground = self.threads.ground
        raised = np.zeros((len(ground.treadles), ground.shafts), dtype=np.bool_)
        neutral = np.ones_like(raised)
        for acts, treadle in enumerate(ground.treadles):
            raised[acts, [shaft - 1 for shaft in treadle.rises]] = True
            neutral[acts, [shaft - 1 for shaft in (*treadle.rises, *treadle.sinks)]] = False
        return raised, neutral

    @cached_property
    def cells_and_selvedge(self) -> Cells:
        """The cells, and after the last unit one that is never lifted, for the selvedge ends."""
        return np.pad(self.cells, ((0, 0), (0, 1)))


def weave(draft: Draft, window: Window | None = None) -> Crossings:
    """The crossings of a part of the cloth, or of all of it, on the side that faces the weaver.

    An end in a raised ground shaft lies over the pick, in a sunk one under it; in a neutral one it follows
    its unit. Source: J. T. Taylor, *Cotton Weaving and Designing*, 6th ed. Selvedge ends follow the ground
    harness alone.
    """
    window = window or draft.whole
    ends, picks = slice(window.ends.start, window.ends.stop), window.picks
    rows, acts = draft.row_of_pick[picks.start : picks.stop], draft.treadle_of_picks(picks)
    first_row = rows[0]
    cells = draft.cells_and_selvedge[first_row : rows[-1] + 1]
    lifted = _in_eights(cells[:, draft.unit_of_end[ends]])
    raised, neutral = (_in_eights(moves[:, draft.ground_shaft_of_end[ends]]) for moves in draft.moves)
    over = np.empty((len(picks), lifted.shape[1]), dtype=np.uint64)
    for start in range(0, len(picks), 256):
        block, now = over[start : start + 256], acts[start : start + 256]
        np.take(lifted, rows[start : start + 256] - first_row, axis=0, out=block, mode="clip")
        block &= neutral[now]
        block |= raised[now]
    return over.view(np.bool_)[:, : len(window.ends)]


def _in_eights(lines: npt.NDArray[np.bool_]) -> npt.NDArray[np.uint64]:
    """Eight crossings in a number, to work on them at once; filled up with some that are cut off again."""
    wide = np.pad(lines, ((0, 0), (0, -lines.shape[1] % 8)))
    return np.ascontiguousarray(wide).view(np.uint64)


def from_below(over: Crossings) -> Crossings:
    """The same crossings seen from the other side, turned over like a page: left and right change."""
    return ~over[:, ::-1]


def strips_of_picks(draft: Draft, window: Window | None = None) -> Iterator[tuple[int, Crossings]]:
    """A part of the cloth in strips from edge to edge: each with its first pick, in order."""
    window = window or draft.whole
    at_once = max(1, AT_ONCE // len(window.ends))
    for start in range(window.picks.start, window.picks.stop, at_once):
        picks = range(start, min(start + at_once, window.picks.stop))
        yield start, weave(draft, Window(window.ends, picks))


def strips_of_ends(draft: Draft) -> Iterator[tuple[int, Crossings]]:
    """The whole cloth in strips along the warp: each with its first end, in order."""
    at_once = max(1, AT_ONCE // draft.picks)
    for start in range(0, draft.ends, at_once):
        ends = range(start, min(start + at_once, draft.ends))
        yield start, weave(draft, Window(ends, range(draft.picks)))
