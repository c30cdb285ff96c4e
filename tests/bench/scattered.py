"""Invented pieces as large as asked for: small figures scattered over a symmetric ground, lying apart."""

from __future__ import annotations

import random
from typing import Any

HEIGHT = 10
"""Rows of a figure."""

WIDTH = 4
"""Units of a figure, at its widest."""

APART = 8
"""Rows of ground between figures, one above the other."""

BESIDE = 24
"""One figure to so many shafts; those beside one another have no shaft in common."""

OFTEN = 30
"""The ground lifts a shaft once in so many rows."""

Figure = list[tuple[int, int]]
"""Per row, from which of its units to before which it is lifted."""


def scattered(
    rows: int, shafts: int, *, points: int = 1, spare_handles: int = 0, same: bool = False, seed: int = 1
) -> dict[str, Any]:
    """A piece (parsed JSON) on a pointed order; always the same for a seed.

    The ground lifts every shaft now and then, as a whole; a figure lies within one straight run, and the
    loom would mirror it.

    Args:
        same: one figure over and over, in the same places; otherwise each is another, somewhere else.
    """
    rng = random.Random(seed)
    up = list(range(1, shafts + 1))
    leashes = (up + up[-2:0:-1]) * points + [1]
    lifted = [[(shaft * 3 + row) % OFTEN == 0 for shaft in leashes] for row in range(rows)]
    beside = max(shafts // BESIDE, 1)
    share = shafts // beside

    def place(number: int) -> int:
        """Somewhere on its own share of the shafts, in any straight run: the figure's first unit."""
        first = number * share + rng.randrange(share - WIDTH + 1)
        run = rng.randrange(2 * points)
        return run * (shafts - 1) + (first if run % 2 == 0 else shafts - first - WIDTH)

    once = [(_figure(rng), place(number)) for number in range(beside)]
    for first in range(APART // 2, rows - HEIGHT + 1, HEIGHT + APART):
        others = [(_figure(rng), place(number)) for number in range(beside)]
        for figure, left in once if same else others:
            for row, (begin, end) in enumerate(figure, first):
                lifted[row][left + begin : left + end] = [True] * (end - begin)
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": f"Figures scattered over {rows} rows",
        "loom": {
            "pattern_shafts": shafts,
            # room for what the hand rule leaves in until its shaft is needed again
            "spare_shafts": (2 * beside + 1) * WIDTH,
            "spare_handles": spare_handles,
            "temporaries_per_shaft": 2,
        },
        "leashes": leashes,
        "rows": ["".join(".#"[cell] for cell in row) for row in lifted],
    }


def _figure(rng: random.Random) -> Figure:
    """A blot: its sides go in or out by at most a unit from row to row."""
    begin, end = 1, WIDTH - 1
    figure = []
    for _ in range(HEIGHT):
        figure.append((begin, end))
        begin = min(max(begin + rng.choice((-1, 0, 0, 1)), 0), WIDTH // 2 - 1)
        end = min(max(end + rng.choice((-1, 0, 0, 1)), WIDTH // 2 + 1), WIDTH)
    return figure
