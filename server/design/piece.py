"""The piece: what is to be woven, on which loom, and at which cost in minutes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from server.design.threads import Threads
from server.loom.picks import picks_of_row, treadles_of_row
from server.loom.state import Loom


@dataclass(frozen=True, slots=True)
class Minutes:
    """What each action takes, in minutes.

    The defaults are a guess from memory, to be replaced by the weaver's own log.
    """

    walk: float = 1.5
    insert: float = 1.0
    take: float = 0.05
    withdraw: float = 0.5
    move_cords: float = 0.5
    pull: float = 0.02


@dataclass(frozen=True, slots=True)
class BandOfRows:
    """Rows of a piece that belong together, one after another `times` times.

    Attributes:
        rows: how many rows it has, each time.
    """

    name: str
    rows: int
    times: int = 1


@dataclass(frozen=True)
class Piece:
    """A piece to weave.

    Attributes:
        rows: per row of the design, the first woven first, the units (from 1) that are lifted.
        picks_per_row: used in turn, row by row.
        treadling: the cycle of treadles (from 1), used in turn pick by pick, on across rows.
        free_walks: rows after which a walk costs nothing; 0: before the first.
        no_walks: rows after which none may be made.
        threads: what the cloth is made of, where the file tells it.
        bands: which rows belong together, in order, where the file tells it; together they are all rows.
    """

    name: str
    loom: Loom
    rows: tuple[frozenset[int], ...]
    picks_per_row: tuple[int, ...] = (1,)
    treadling: Sequence[int] = (1,)
    minutes: Minutes = field(default_factory=Minutes)
    free_walks: frozenset[int] = frozenset()
    no_walks: frozenset[int] = frozenset()
    threads: Threads | None = None
    bands: tuple[BandOfRows, ...] = ()

    def picks(self, row: int) -> int:
        """Picks of a row, counted from 1."""
        return picks_of_row(self.picks_per_row, row)

    def treadles(self, row: int) -> tuple[int, ...]:
        """Treadles of a row, pick by pick."""
        return treadles_of_row(self.treadling, self.picks_per_row, row)
