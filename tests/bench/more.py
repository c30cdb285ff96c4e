"""How long a table of what one more buys takes, beside solving its cells one by one, each from nothing.

`python -m tests.bench.more --tables` leaves the cells one by one out.
"""

from __future__ import annotations

import json
import random
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.planner import Lack, cheapest
from server.plan.task import whole_task
from server.ways.more import Cell, more, own_numbers
from tests.outside.pieces import pointed_piece

SIZE = 6
"""The table has so many rows and columns, at least."""

LIMIT = 60.0
"""Seconds: for the table, and for each cell one by one."""

ROWS = 40

HEAD = (
    f"{'piece':<34}{'rows':>5}{'cells':>7} |{'table, s':>9}{'open':>5}"
    f" |{'one by one':>11}{'open':>5} |{'ratio':>7}{'differ':>7}"
)


def figures() -> Iterator[tuple[str, Piece]]:
    """Figures of 40 rows of several kinds, and the demo's net mender."""
    for seed, shafts in ((1, 8), (3, 10), (7, 8)):
        yield f"pointed {seed}, {shafts} shafts", _on_a_loom(pointed_piece(seed, shafts, 1, ROWS))
    yield "few rows go their own way", _on_a_loom(pointed_piece(11, 12, 1, ROWS, odd_rows=0.2))
    yield "most rows go their own way", _on_a_loom(pointed_piece(12, 8, 1, ROWS, odd_rows=0.9))
    yield "four units to a shaft", _on_a_loom(pointed_piece(14, 6, 2, ROWS))
    yield "temporaries may not stay", _on_a_loom(pointed_piece(15, 8, 1, ROWS), temporaries_may_stay=False)
    yield "one temporary to a shaft", _on_a_loom(pointed_piece(16, 10, 1, ROWS), temporaries_per_shaft=1)
    minutes = {"walk": 3, "insert": 1.5, "take": 0.1, "withdraw": 0.7, "move_cords": 0.3, "pull": 0.02}
    yield "dear walks", _on_a_loom(pointed_piece(18, 8, 1, ROWS) | {"minutes": minutes})
    walks = {"free_walks": [10, 20, 30], "no_walks": [5, 15, 25]}
    yield "free walks, and rows without", _on_a_loom(pointed_piece(17, 8, 1, ROWS) | walks)
    yield "straight, two repeats", _on_a_loom(straight_piece(22, 10, 2))
    yield "straight, three repeats", _on_a_loom(straight_piece(19, 8, 3))
    yield "an outline on a bare ground", _on_a_loom(outline_piece(20, 10))
    yield "net mender", read_piece(Path("demo_data/net_mender.json").read_text("utf-8"))


def _on_a_loom(content: dict[str, Any], **loom: object) -> Piece:
    more_of_it = {"spare_shafts": 4, "spare_handles": 0, "temporaries_per_shaft": 2}
    return read_piece(json.dumps(content | {"loom": content["loom"] | more_of_it | loom}))


def straight_piece(seed: int, shafts: int, repeats: int) -> dict[str, Any]:
    """A ground that repeats across the cloth and a figure that does not; always the same for a seed."""
    rng = random.Random(seed)
    up = list(range(1, shafts + 1))
    leashes = up * repeats
    lifted = {shaft: rng.random() < 0.4 for shaft in up}
    flipped: set[int] = set()
    left, size = rng.randrange(len(leashes) // 2), len(leashes) // 3
    rows = []
    for _ in range(ROWS):
        for shaft in rng.sample(up, 2):
            lifted[shaft] = not lifted[shaft]
        if rng.random() < 0.6:
            flipped ^= {left + rng.randrange(size)}
        own = flipped if rng.random() < 0.5 else set()
        rows.append("".join(".#"[lifted[shaft] ^ (unit in own)] for unit, shaft in enumerate(leashes)))
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": f"Straight {seed}",
        "loom": {"pattern_shafts": shafts},
        "leashes": leashes,
        "rows": rows,
    }


def outline_piece(seed: int, shafts: int) -> dict[str, Any]:
    """A shape about the middle of a pointed order, each side of its own; the ground is bare."""
    rng = random.Random(seed)
    up = list(range(1, shafts + 1))
    middle, left, right, rows = shafts - 1, 2, 2, []
    for _ in range(ROWS):
        left, right = (max(0, min(middle, side + rng.choice([-1, 0, 0, 1]))) for side in (left, right))
        rows.append("".join(".#"[middle - left <= unit <= middle + right] for unit in range(2 * shafts - 1)))
    return {
        "format": "spareshaft-piece",
        "version": 1,
        "name": f"Outline {seed}",
        "loom": {"pattern_shafts": shafts},
        "leashes": up + up[-2::-1],
        "rows": rows,
    }


def main() -> None:
    """Print one line a piece: processor seconds, so that others at work on the machine count for little."""
    print(
        f"processor seconds; at most {LIMIT:g} s for a table and for a plan; open: cells that are not settled"
    )
    print("differ: cells settled both ways, and otherwise; ratio: table / one by one")
    print(HEAD)
    for name, piece in figures():
        most = max(SIZE - 1, own_numbers(piece)[0])
        began = time.process_time()
        table = more(piece, most, SIZE - 1, limit=LIMIT).rows
        together = time.process_time() - began
        cells = [cell for row in table for cell in row]
        print(
            f"{name:<34}{len(piece.rows):>5}{len(cells):>7}"
            f" |{together:>9.2f}{sum(not _is_settled(cell) for cell in cells):>5}",
            end="\n" if "--tables" in sys.argv else "",
            flush=True,
        )
        if "--tables" in sys.argv:
            continue
        began = time.process_time()
        alone = [_alone(piece, n, m) for n in range(most + 1) for m in range(SIZE)]
        apart = time.process_time() - began
        settled = [pair for pair in zip(cells, alone, strict=True) if all(map(_is_settled, pair))]
        print(
            f" |{apart:>11.2f}{sum(not _is_settled(cell) for cell in alone):>5}"
            f" |{together / apart:>7.3f}{sum(not one.is_as(other) for one, other in settled):>7}",
            flush=True,
        )


def _is_settled(cell: Cell) -> bool:
    return cell.is_exact or not cell.is_possible


def _alone(piece: Piece, shafts: int, handles: int) -> Cell:
    """A cell by itself, planned from nothing."""
    loom = replace(piece.loom, spare_shafts=shafts, spare_handles=handles)
    order = cheapest(whole_task(replace(piece, loom=loom)), limit=LIMIT)
    if isinstance(order, Lack):
        return Cell(None, 0.0, None, is_possible=False)
    return Cell(order.totals.minutes, order.bound, order.totals.walks, is_possible=True)


if __name__ == "__main__":
    main()
