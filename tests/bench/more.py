"""How long a table of what one more buys takes, beside solving its cells one by one, each from nothing."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

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

HEAD = (
    f"{'piece':<20}{'rows':>5}{'shafts':>7}{'cells':>7} |{'table, s':>9}{'open':>5}"
    f" |{'one by one':>11}{'open':>5} |{'ratio':>7}{'differ':>7}"
)


def figures() -> Iterator[tuple[str, Piece]]:
    """Figures of 40 rows on pointed orders, and the demo's net mender."""
    for seed, shafts in ((1, 8), (3, 10), (7, 8)):
        content = pointed_piece(seed, shafts, 1, 40)
        content["loom"] |= {"spare_shafts": 4, "temporaries_per_shaft": 2}
        yield f"pointed {seed}, {shafts}", read_piece(json.dumps(content))
    yield "net mender", read_piece(Path("demo_data/net_mender.json").read_text("utf-8"))


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
        began = time.process_time()
        alone = [[_alone(piece, n, m) for m in range(SIZE)] for n in range(most + 1)]
        apart = time.process_time() - began
        pairs = [pair for rows in zip(table, alone, strict=True) for pair in zip(*rows, strict=True)]
        settled = [pair for pair in pairs if all(map(_is_settled, pair))]
        print(
            f"{name:<20}{len(piece.rows):>5}{piece.loom.pattern_shafts:>7}{len(pairs):>7}"
            f" |{together:>9.2f}{sum(not _is_settled(one) for one, _ in pairs):>5}"
            f" |{apart:>11.2f}{sum(not _is_settled(other) for _, other in pairs):>5}"
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
