"""What a weave makes of the figure: how clean its edges are, and where it is too narrow to show the weave.

At every pick a treadle raises one ground shaft and sinks another. The first binds the weft where nothing is
lifted, the second binds the warp where units are. Which of the two comes next to which at an edge of the
figure decides whether a float is cut off there or runs on across it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from server.cloth.crossings import AT_ONCE, Crossings, Draft, Numbers, weave
from server.cloth.runs import runs
from server.design.cells import Cells
from server.design.threads import Threads
from server.loom.ground import Ground, Treadle, period

Edge = Literal["left", "right", "first", "last"]
"""The left and the right edge of a lifted part, and its first and its last row."""

EDGES: tuple[Edge, ...] = ("left", "right", "first", "last")

MOST_REPEAT = 1_000_000
"""Crossings of one repeat of a ground weave, for its edges to be laid side by side; far above any weave."""


@dataclass(frozen=True, slots=True)
class Crossed:
    """How often floats run on across the edges of a figure, whichever end and pick it begins at.

    Attributes:
        times: by edge, the crossings beside the edge at which they do.
        of: by edge, all crossings beside it.
    """

    times: dict[Edge, int]
    of: dict[Edge, int]

    @property
    def clean(self) -> tuple[Edge, ...]:
        """The edges at which every float is cut off."""
        return tuple(edge for edge in EDGES if not self.times[edge])

    def share(self, edge: Edge) -> float:
        """The share of the crossings at which a float runs on."""
        return self.times[edge] / self.of[edge]


def crossed(ground: Ground, treadling: tuple[int, ...]) -> Crossed:
    """Weave both effects of a ground weave, and lay them side by side at every end and every pick.

    Two neighbours that lie alike, one in the figure and one beside it, are a float that runs on.

    Raises:
        ValueError: with a sentence, if the weave repeats on too many ends and picks.
    """
    plain, figure = (_effect(ground, treadling, lifted) for lifted in (False, True))
    beside: dict[Edge, Crossings] = {
        "left": plain == np.roll(figure, -1, axis=1),
        "right": figure == np.roll(plain, -1, axis=1),
        "first": plain == np.roll(figure, -1, axis=0),
        "last": figure == np.roll(plain, -1, axis=0),
    }
    return Crossed(
        {edge: int(alike.sum()) for edge, alike in beside.items()},
        {edge: alike.size for edge, alike in beside.items()},
    )


def _effect(ground: Ground, treadling: tuple[int, ...], lifted: bool) -> Crossings:
    """One repeat of the weave with everything lifted, or with nothing."""
    ends, picks = period(ground.threading), period(treadling)
    if ends * picks > MOST_REPEAT:
        raise ValueError(f"The ground weave repeats on {ends:,} ends and {picks:,} picks; that is too much.")
    return weave(Draft(np.array([[lifted]]), (picks,), treadling, Threads((ends,), ground)))


def offsets_to_choose(ground: Ground, treadling: tuple[int, ...]) -> dict[int, Crossed]:
    """What each offset between the rising and the sinking shaft would make of the edges.

    Empty where the treadles are not of that kind: each raising one shaft and sinking one, by one offset.
    """
    if None in ground.offsets or len(set(ground.offsets)) != 1:
        return {}  # what each would make of the edges is then no question of one number
    return {offset: crossed(with_offset(ground, offset), treadling) for offset in range(1, ground.shafts)}


def with_offset(ground: Ground, offset: int) -> Ground:
    """The same weave, each treadle sinking the shaft so far beyond the one it raises, counted round."""
    treadles = tuple(
        Treadle(treadle.rises, ((treadle.rises[0] - 1 + offset) % ground.shafts + 1,))
        for treadle in ground.treadles
    )
    return replace(ground, treadles=treadles)


# --- too narrow for the weave --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Narrow:
    """Stretches of equal cells in one direction that are narrower than one repeat of the ground weave.

    Attributes:
        repeat: threads to a repeat.
        lifted: how many such stretches are lifted.
        not_lifted: how many are not.
        least: threads of the narrowest.
        row: where the first of the narrowest begins, from 0.
        unit: the same.
    """

    repeat: int
    lifted: int
    not_lifted: int
    least: int
    row: int
    unit: int


def narrow_across(draft: Draft) -> Narrow | None:
    """Stretches along a row with fewer ends than the weave repeats on; None if there are none."""
    found, least = _narrow(draft.cells, np.array(draft.threads.ends_per_unit), repeat_across(draft))
    return found and Narrow(*found, row=least[0], unit=least[1])


def narrow_along(draft: Draft) -> Narrow | None:
    """Stretches along a unit with fewer picks than the weave repeats on; None if there are none."""
    found, least = _narrow(draft.cells.T, draft.picks_of_rows, repeat_along(draft))
    return found and Narrow(*found, row=least[1], unit=least[0])


def _narrow(
    lines: Cells, threads_of_cells: Numbers, repeat: int
) -> tuple[tuple[int, int, int, int] | None, tuple[int, int]]:
    """Narrow stretches along lines of cells, and where the first of the narrowest begins: line, place."""
    so_far = np.concatenate([[0], np.cumsum(threads_of_cells)])
    lifted, all_of_them, least, where = 0, 0, repeat, (0, 0)
    lines_at_once = max(1, AT_ONCE // lines.shape[1])
    for first in range(0, len(lines), lines_at_once):
        found = runs(lines[first : first + lines_at_once])
        start = found.begins % found.places
        threads = so_far[start + found.length] - so_far[start]
        narrow = threads < repeat
        lifted += int((narrow & found.value).sum())
        all_of_them += int(narrow.sum())
        narrowest = int(threads.argmin())
        if threads[narrowest] < least:
            line, place = found.where(narrowest)
            least, where = int(threads[narrowest]), (first + line, place)
    return (repeat, lifted, all_of_them - lifted, least) if all_of_them else None, where


def repeat_across(draft: Draft) -> int:
    """Ends to a repeat of the ground weave."""
    return period(draft.threads.ground.threading)


def repeat_along(draft: Draft) -> int:
    """Picks to a repeat of the ground weave."""
    treadles = draft.threads.ground.treadles
    return period(tuple(treadles[treadle - 1] for treadle in draft.treadling))
