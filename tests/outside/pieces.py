"""Random small pieces, as the piece file's JSON, for the checks against other solvers."""

from __future__ import annotations

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
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )


ODD_MINUTES = [0, 0.02, 0.05, 0.1, 0.3, 0.5, 1, 1.5, 7, 1000]


def small_pieces(most_shafts: int = 3) -> st.SearchStrategy[dict[str, Any]]:
    """At most 6 units on at most 3 shafts and 7 rows, with every setting of the loom.

    Drawn through a seed: hypothesis' own small values would mostly make pieces that need no walk.
    """
    return st.integers(0, 2**63).map(lambda seed: small_piece(random.Random(seed), most_shafts))


def small_piece(rng: random.Random, most_shafts: int = 3) -> dict[str, Any]:
    """One of those pieces."""
    shafts = min(rng.choice([1, 1, 2, 2, 3]), most_shafts)
    units = rng.choice([[2, 3, 3, 4, 4, 5], [3, 4, 4, 5, 6], [4, 5, 6]][shafts - 1])
    leashes = [rng.randint(1, shafts) for _ in range(units)]
    if rng.random() < 0.15:
        leashes[rng.randrange(units)] = 0
    corded = {unit for unit, leash in enumerate(leashes, 1) if leash == 0}
    if rng.random() < 0.6:
        corded |= {rng.randint(1, units) for _ in range(rng.choice([0, 1, 1, 2, 2]))}
    # rows that come again, and units that are asked for alike, are what makes a plan worth thinking about
    pool = ["".join(rng.choice("#.") for _ in range(units)) for _ in range(rng.randint(1, 4))]
    if rng.random() < 0.5:
        pool.append("#" * units)
    if rng.random() < 0.4:
        one, other = rng.sample(range(units), 2)
        pool = [row[:other] + row[one] + row[other + 1 :] for row in pool]
    rows = [rng.choice(pool) for _ in range(rng.choice([1, 2, 3, 4, 4, 5, 5, 6, 7]))]

    def some_gaps() -> list[int]:
        return sorted({rng.randint(0, len(rows)) for _ in range(2)}) if rng.random() < 0.3 else []

    actions = ["walk", "insert", "take", "withdraw", "move_cords", "pull"]
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A small piece",
        "loom": {
            "pattern_shafts": shafts,
            "treadles": rng.randint(1, 3),
            "spare_shafts": rng.choice([0, 1, 1, 2, 2, 3, 3, 4]),
            "spare_handles": rng.choice([0, 0, 0, 1, 1, 2]),
            "temporaries_per_shaft": rng.choice([0, 1, 1, 2, 2, 3]),
            "temporaries_may_stay": rng.random() < 0.6,
        },
        "leashes": leashes,
        "single_cords": sorted(corded),
        "rows": rows,
        "picks_per_row": [rng.randint(1, 3) for _ in range(rng.randint(1, 2))],
        "minutes": {action: rng.choice(ODD_MINUTES) for action in actions if rng.random() < 0.7},
        "free_walks": some_gaps(),
        "no_walks": some_gaps(),
    }


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
