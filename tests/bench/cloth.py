"""How long a cloth of 1,500 ends × 6,000 picks takes, beside numpy laying down as many crossings.

`python -m tests.bench.cloth`
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable

import numpy as np

from server.cloth.crossings import Draft, Window, weave
from server.cloth.floats import bound
from server.cloth.picture import Picture, View, draw, png
from server.cloth.yarns import YARNS
from server.design.threads import Threads
from server.loom.ground import satin

ENDS, PICKS = 1_500, 6_000
TIMES = 5


def draft() -> Draft:
    """300 units of 5 ends, 1,200 rows of 5 picks, in blotches of every size."""
    rng = np.random.default_rng(4)
    cells = np.kron(rng.random((240, 60)) < 0.4, np.ones((5, 5), dtype=np.bool_))
    return Draft(
        cells ^ (rng.random(cells.shape) < 0.02), (5,), (1, 2, 3, 4, 5), Threads((5,) * 300, satin(5, 2))
    )


def measured(what: Callable[[], object]) -> tuple[float, float]:
    """The shortest of some runs, in seconds, and the most memory that one takes, in bytes a crossing."""
    shortest = float("inf")
    for _ in range(TIMES):
        began = time.perf_counter()
        what()
        shortest = min(shortest, time.perf_counter() - began)
    tracemalloc.start()
    what()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return shortest, most / (ENDS * PICKS)


def main() -> None:
    """Print the table."""
    view = View(YARNS["linen"], YARNS["indigo"])
    cloth = draft()
    assert (cloth.ends, cloth.picks) == (ENDS, PICKS)
    repeat = weave(cloth, Window(range(5), range(5)))
    near = Window(range(200), range(150))
    below = View(view.warp, view.weft, "back")

    def whole(seen: View) -> Picture:
        made = draft()  # anew, so that nothing is kept from the run before
        return draw(made, made.whole, 600, seen)

    rows: dict[str, Callable[[], object]] = {
        "numpy tiles one repeat, nothing else": lambda: np.tile(repeat, (PICKS // 5, ENDS // 5)),
        "every crossing": lambda: weave(draft()),
        "every crossing, and the whole drawn": lambda: whole(view),
        "the same, as a PNG": lambda: png(whole(view)),
        "the same, from below": lambda: png(whole(below)),
        "200 × 150 threads drawn one by one, as a PNG": lambda: png(draw(cloth, near, 1_600, view)),
        "all floats": lambda: bound(draft()),
    }
    print(f"{ENDS:,} ends × {PICKS:,} picks, the shortest of {TIMES}")
    print(f"{'':<48}{'ms':>8}{'/tile':>8}{'bytes a crossing':>18}")
    tile = 0.0
    for name, what in rows.items():
        seconds, memory = measured(what)
        tile = tile or seconds
        print(f"{name:<48}{seconds * 1_000:>8.1f}{seconds / tile:>8.1f}{memory:>18.2f}", flush=True)


if __name__ == "__main__":
    main()
