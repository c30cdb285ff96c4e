"""How minutes and seconds grow when a piece has twice the rows, or twice the shafts."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from tests.bench.scattered import APART, BESIDE, HEIGHT, scattered
from tests.bench.table import Ours, number, planned, ratio

BAND = HEIGHT + APART
"""Rows for each figure and the ground that belongs to it: so twice the rows have twice the figures."""

FIGURES, SHAFTS_OF_ROWS = (2, 1), 12
"""The series of rows: figures of its first piece, without and with a spare handle; shafts of all pieces."""

FIGURES_OF_SHAFTS = (3, 2)
"""The series of shafts: figures one above the other, without and with a spare handle."""

LINES_OF_ROWS, LINES_OF_SHAFTS = 5, 4
"""Of a series, where each is proven."""

HEAD = (
    f"{'figures':<26}{'rows':>5}{'shafts':>7}{'handles':>8}"
    f" |{'ours, min':>10}{'gap, %':>8}{'s':>7}"
    f" |{'min/before':>11}{'s/before':>10}"
)

LEGEND = (
    "/before: to the line before, which has half as much; a series ends at the first line that is not proven",
    "exponent: minutes and seconds grow as that power of what is doubled, fitted to the proven lines",
)


@dataclass(frozen=True)
class Series:
    """Pieces that double.

    Attributes:
        name: of the figures in it.
        sizes: what is doubled, from the smallest.
        piece: of a size.
        of: what is doubled: "rows" or "shafts".
    """

    name: str
    of: str
    sizes: Sequence[int]
    handles: int
    piece: Callable[[int], dict[str, Any]]


def all_series() -> Iterator[Series]:
    """By rows, the same figure over and over or each another, and by shafts; with 0 and 1 spare handle."""
    for handles in (0, 1):
        for same in (True, False):

            def of_rows(rows: int, same: bool = same, handles: int = handles) -> dict[str, Any]:
                return scattered(rows, SHAFTS_OF_ROWS, same=same, spare_handles=handles)

            name = "the same, apart" if same else "different, apart"
            yield Series(name, "rows", doubled(FIGURES[handles] * BAND, LINES_OF_ROWS), handles, of_rows)

        def of_shafts(shafts: int, handles: int = handles) -> dict[str, Any]:
            return scattered(FIGURES_OF_SHAFTS[handles] * BAND, shafts, spare_handles=handles)

        yield Series(
            "different, side by side", "shafts", doubled(BESIDE, LINES_OF_SHAFTS), handles, of_shafts
        )


def doubled(first: int, lines: int) -> list[int]:
    """The first, twice that, and so on."""
    return [first << times for times in range(lines)]


def growth(series: Iterable[Series], limit: float) -> Iterator[str]:
    """The table: a line as soon as its piece is planned, and under each series its exponents.

    Args:
        limit: seconds for each plan.
    """
    yield HEAD
    for one in series:
        found: list[tuple[int, Ours]] = []
        for size in one.sizes:
            content = one.piece(size)
            ours = planned(content, limit)
            yield _line(one, content, ours, found[-1][1] if found else None)
            if not ours.proven:
                break
            found.append((size, ours))
        yield _fitted(one, found)


def _line(series: Series, content: dict[str, Any], ours: Ours, before: Ours | None) -> str:
    gap = None if ours.gap is None else ours.gap * 100
    minutes = None if before is None else ratio(ours.minutes, before.minutes)
    # one that ended unproven would have needed more
    seconds, sign = (
        None if before is None else ratio(ours.seconds, before.seconds),
        "" if ours.proven else ">",
    )
    return (
        f"{series.name:<26}{len(content['rows']):>5}{content['loom']['pattern_shafts']:>7}{series.handles:>8}"
        f" |{number(ours.minutes, 9)}{ours.mark}{number(gap, 8)}{number(ours.seconds, 7)}"
        f" |{number(minutes, 11)}{number(seconds, 10, sign=sign)}"
    )


def _fitted(series: Series, found: Sequence[tuple[int, Ours]]) -> str:
    minutes = exponent([(size, ours.minutes) for size, ours in found])
    seconds = exponent([(size, ours.seconds) for size, ours in found])
    return (
        f"exponent with {series.of}, {series.name}, handles {series.handles}: "
        f"minutes {number(minutes, 0)}, seconds {number(seconds, 0)} ({len(found)} lines)"
    )


def exponent(points: Iterable[tuple[float, float | None]]) -> float | None:
    """The power with which the second grows with the first: the slope of the line through their logarithms.

    None where fewer than two have a second above 0.
    """
    logs = [(math.log(size), math.log(value)) for size, value in points if value]
    if len(logs) < 2:
        return None
    return statistics.linear_regression(*zip(*logs, strict=True)).slope
