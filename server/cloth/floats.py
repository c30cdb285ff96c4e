"""Floats: how far a thread runs over others unbound, on either side; and threads that nothing binds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from server.cloth.crossings import Draft, strips_of_ends, strips_of_picks
from server.cloth.runs import Runs, runs

Side = Literal["front", "back"]
"""The side of the cloth that faces the weaver, and the other."""

Thread = Literal["warp", "weft"]

SIDES: tuple[Side, ...] = ("front", "back")
THREADS: tuple[Thread, ...] = ("warp", "weft")


@dataclass(frozen=True, slots=True)
class Float:
    """A float.

    Attributes:
        length: how many threads it runs over.
        end: where it begins, from 0; by warp, the end that floats.
        pick: where it begins, from 0; by weft, the pick that floats.
    """

    length: int
    end: int
    pick: int


@dataclass(frozen=True, slots=True)
class Floats:
    """The floats by one thread on one side.

    Attributes:
        longest: the first of the longest; None if this thread does not show on this side at all.
        how_many: how many there are of each length, from 0.
    """

    longest: Float | None
    how_many: tuple[int, ...]

    def longer_than(self, length: int) -> int:
        """How many run over more threads than that."""
        return sum(self.how_many[length + 1 :])


@dataclass(frozen=True, slots=True)
class Bound:
    """How a cloth is bound.

    Attributes:
        floats: by thread and side.
        loose_ends: ends that lie over all picks or under all, from 0.
        loose_picks: picks that lie over all ends or under all, from 0.
    """

    floats: dict[tuple[Thread, Side], Floats]
    loose_ends: tuple[int, ...]
    loose_picks: tuple[int, ...]


def bound(draft: Draft) -> Bound:
    """Go through a whole cloth. A float ends at the cloth's edge."""
    by_warp = _Gathered(draft.picks)
    for first, over in strips_of_ends(draft):
        by_warp.add(first, runs(over.T))
    by_weft = _Gathered(draft.ends)
    for first, over in strips_of_picks(draft):
        by_weft.add(first, runs(over))
    return Bound(
        {
            ("warp", "front"): by_warp.floats(True, along_warp=True),
            ("warp", "back"): by_warp.floats(False, along_warp=True),
            ("weft", "front"): by_weft.floats(False, along_warp=False),
            ("weft", "back"): by_weft.floats(True, along_warp=False),
        },
        loose_ends=tuple(by_warp.loose),
        loose_picks=tuple(by_weft.loose),
    )


class _Gathered:
    """The runs along all threads of one kind, strip by strip, of ends that lie over and of those under."""

    def __init__(self, longest: int) -> None:
        self.longest = longest
        self.how_many = np.zeros((longest + 1, 2), dtype=np.int64)
        self.first: dict[bool, tuple[int, int, int]] = {}
        self.loose: list[int] = []

    def add(self, first_line: int, found: Runs) -> None:
        """The runs of the next strip."""
        here = np.bincount(2 * found.length + found.value, minlength=self.how_many.size).reshape(-1, 2)
        self.how_many += here
        for over in (False, True):
            longest = int(np.flatnonzero(here[:, int(over)])[-1]) if here[:, int(over)].any() else 0
            if longest > self.first.get(over, (0, 0, 0))[0]:
                at = np.flatnonzero((found.length == longest) & (found.value == over))[0]
                line, start = found.where(int(at))
                self.first[over] = longest, first_line + line, start
        for at in np.flatnonzero(found.length == self.longest):
            self.loose.append(first_line + found.where(int(at))[0])

    def floats(self, over: bool, *, along_warp: bool) -> Floats:
        """What was gathered of runs of one value."""
        longest = None
        if over in self.first:
            length, line, start = self.first[over]
            longest = Float(length, line, start) if along_warp else Float(length, start, line)
        how_many = np.trim_zeros(self.how_many[:, int(over)], "b")
        return Floats(longest, tuple(map(int, how_many)))
