"""Random small pieces, as the piece file's JSON, for the checks against other solvers."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Callable
from typing import Any, TypeVar

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

Test = TypeVar("Test", bound=Callable[..., Any])


def examples(number: int) -> Callable[[Test], Test]:
    """So many examples, the same ones on every run; SPARESHAFT_EXAMPLES multiplies them, with new ones.

    A whole number: 50 runs fifty times as many.
    """
    times = int(os.environ.get("SPARESHAFT_EXAMPLES", "0"))
    return settings(
        max_examples=number * max(times, 1),
        derandomize=not times,
        deadline=None,
        database=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )


ODD_MINUTES = [0, 0.02, 0.05, 0.1, 0.3, 0.5, 1, 1.5, 7, 1000]


@st.composite
def small_pieces(draw: st.DrawFn, most_shafts: int = 3) -> dict[str, Any]:
    """At most 6 units on at most 3 shafts and 5 rows, with every setting of the loom."""
    shafts = draw(st.integers(1, most_shafts))
    units = draw(st.integers(2, 6 if shafts > 1 else 5))
    leashes = draw(st.lists(st.integers(0, shafts), min_size=units, max_size=units))
    if draw(st.integers(0, 3)):
        # most looms have no unit without a shaft
        leashes = [leash or 1 for leash in leashes]
    number = draw(st.integers(1, 5))
    cells = st.text("#.", min_size=units, max_size=units)
    # rows that come again are what makes a plan worth thinking about
    pool = [*draw(st.lists(cells, min_size=1, max_size=3)), "#" * units]
    rows = draw(st.lists(st.sampled_from(pool), min_size=number, max_size=number))
    bare = [unit for unit, leash in enumerate(leashes, 1) if leash == 0]
    also = draw(st.sets(st.integers(1, units), max_size=2))
    minutes = draw(
        st.fixed_dictionaries(
            {},
            optional={
                action: st.sampled_from(ODD_MINUTES)
                for action in ("walk", "insert", "take", "withdraw", "move_cords", "pull")
            },
        )
    )
    walks = st.sets(st.integers(0, number), max_size=2).map(sorted)
    loom = {
        "pattern_shafts": shafts,
        "treadles": draw(st.integers(1, 3)),
        "spare_shafts": draw(st.integers(0, 4)),
        "spare_handles": draw(st.sampled_from([0, 0, 1, 1, 2])),
        "temporaries_per_shaft": draw(st.integers(0, 3)),
        "temporaries_may_stay": draw(st.sampled_from([True, True, False])),
    }
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A small piece",
        "loom": loom,
        "leashes": leashes,
        "single_cords": sorted({*bare, *also}),
        "rows": rows,
        "picks_per_row": draw(st.lists(st.integers(1, 3), min_size=1, max_size=2)),
        "minutes": minutes,
        "free_walks": draw(walks),
        "no_walks": draw(walks),
    }


def as_text(piece: dict[str, Any]) -> str:
    return json.dumps(piece)


def pointed_piece(
    seed: int,
    shafts: int = 8,
    points: int = 1,
    rows: int = 16,
    spare_handles: int = 0,
    odd_rows: float = 0.5,
) -> dict[str, Any]:
    """A pointed order with a symmetric ground, and a figure in it that is not; always the same for a seed.

    Args:
        odd_rows: the share of rows in which the figure goes its own way.
    """
    rng = random.Random(seed)
    up = list(range(1, shafts + 1))
    leashes = (up + up[-2:0:-1]) * points + [1]
    width = len(leashes)
    cells: list[str] = []
    lifted = {shaft: rng.random() < 0.4 for shaft in up}
    flipped: set[int] = set()
    left, size = rng.randrange(width // 2), max(2, width // 3)
    for _ in range(rows):
        for shaft in rng.sample(up, 2):
            lifted[shaft] = not lifted[shaft]
        if rng.random() < 0.6:  # a figure's outline moves little from row to row
            flipped ^= {left + rng.randrange(size)}
        own = flipped if rng.random() < odd_rows else set()
        cells.append("".join(".#"[lifted[shaft] ^ (unit in own)] for unit, shaft in enumerate(leashes)))
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": f"Pointed {seed}",
        "loom": {
            "pattern_shafts": shafts,
            "spare_shafts": rng.choice([3, 4, 6]),
            "spare_handles": spare_handles,
            "temporaries_per_shaft": rng.choice([1, 2]),
            "temporaries_may_stay": rng.random() < 0.7,
        },
        "leashes": leashes,
        "single_cords": sorted(rng.sample(range(1, width + 1), rng.choice([0, 0, 2]))),
        "rows": cells,
    }
