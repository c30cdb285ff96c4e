"""Our plans beside CP-SAT's and the hand rule's, a line a piece; and the table as it is kept."""

from __future__ import annotations

import json
import os
import platform
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from server.design.piece_file import read_piece
from server.plan.hand_rule import hand_rule
from server.plan.planner import NoPlan, plan
from server.plan.workorder import write_workorder
from tests.bench.scattered import scattered
from tests.outside.cpsat import Solved, solve
from tests.outside.pieces import pointed_piece
from tests.outside.replayer import faults

Named = tuple[str, dict[str, Any]]
"""A piece (parsed JSON) and what its line is called."""

KEPT = Path(__file__).with_name("TABLE.md")

BUSY = 1.5
"""Processes that want a processor, above which the machine was not ours alone."""

HEAD = (
    f"{'piece':<26}{'rows':>5}{'shafts':>7}{'handles':>8}"
    f" |{'ours, min':>10}{'gap, %':>8}{'s':>7}"
    f" |{'CP-SAT':>10}{'bound':>10}{'s':>7}"
    f" |{'by hand':>10}"
    f" |{'/CP-SAT':>8}{'/hand':>7}{'s/s':>8}"
)

LEGEND = (
    "* proven: no order costs less; ! the independent replay finds it wrong; - none, or too large",
    "ours: planned and replayed; gap: between our minutes and our bound, of the minutes",
    "CP-SAT: the same piece as one model; seconds of its search alone, which may end without an order",
    "/CP-SAT, /hand: our minutes to theirs; s/s: our seconds to CP-SAT's, < or > where one proved nothing",
)


def small() -> Iterator[Named]:
    """Pointed orders of few rows, without and with a spare handle."""
    for shafts, points, rows in [(6, 1, 12), (8, 2, 16)]:
        for handles in (0, 1):
            yield _pointed(shafts, points, rows, handles)


def middle() -> Iterator[Named]:
    """Figures of 40 to 60 rows on 12 to 20 shafts, without and with a spare handle."""
    for handles in (0, 1):
        yield _pointed(12, 1, 40, handles)
        yield "scattered", scattered(50, 16, points=2, spare_handles=handles)
        yield _pointed(20, 1, 60, handles)


def large() -> Iterator[Named]:
    """Many figures lying apart, without and with three spare handles."""
    for handles in (0, 3):
        yield "scattered", scattered(400, 50, spare_handles=handles)


def _pointed(shafts: int, points: int, rows: int, handles: int) -> Named:
    piece = pointed_piece(7, shafts, points, rows, spare_handles=handles)
    piece["loom"]["spare_shafts"] = shafts
    return f"pointed {shafts} x {points}", piece


@dataclass(frozen=True)
class Ours:
    """What our planner found.

    Attributes:
        minutes: of its order; None: there is none.
        bound: no order takes fewer minutes; None: there is none.
        seconds: from the piece to the order that was replayed.
        proven: no order costs less, or there is none.
        is_wrong: the independent replay finds something wrong.
    """

    minutes: float | None
    bound: float | None
    seconds: float
    proven: bool
    is_wrong: bool = False

    @property
    def gap(self) -> float | None:
        """Between the minutes and the bound, as a share of the minutes; None: no order, or nothing to do."""
        if self.minutes is None or self.bound is None:
            return None
        return ratio(self.minutes - self.bound, self.minutes)

    @property
    def mark(self) -> str:
        """How it stands, in one sign."""
        return "!" if self.is_wrong else "*" if self.proven else " "


@dataclass(frozen=True)
class Line:
    """A piece, and what three ways to plan it come to.

    Attributes:
        other: CP-SAT's; None: it was not asked, or the piece has too many parts for it.
        hand: minutes by the hand rule; None: it has no order.
    """

    name: str
    rows: int
    shafts: int
    handles: int
    ours: Ours
    other: Solved | None
    hand: float | None

    @property
    def to_other(self) -> float | None:
        """Our minutes to CP-SAT's."""
        return ratio(self.ours.minutes, self._other_minutes)

    @property
    def to_hand(self) -> float | None:
        """Our minutes to the hand rule's."""
        return ratio(self.ours.minutes, self.hand)

    @property
    def seconds_to_other(self) -> tuple[str, float | None]:
        """Our seconds to CP-SAT's, after "<" where only ours are of a proof, ">" where only its.

        None where neither has a proof, or CP-SAT was not asked.
        """
        if self.other is None or not (self.ours.proven or self.other.proven):
            return "", None
        sign = "" if self.ours.proven and self.other.proven else "<" if self.ours.proven else ">"
        return sign, ratio(self.ours.seconds, self.other.seconds)

    @property
    def _other_minutes(self) -> float | None:
        return None if self.other is None or self.other.minutes is None else float(self.other.minutes)

    def __str__(self) -> str:
        ours, other = self.ours, self.other
        gap = None if ours.gap is None else ours.gap * 100
        sign, seconds = self.seconds_to_other
        return (
            f"{self.name[:25]:<26}{self.rows:>5}{self.shafts:>7}{self.handles:>8}"
            f" |{number(ours.minutes, 9)}{ours.mark}{number(gap, 8)}{number(ours.seconds, 7)}"
            f" |{number(self._other_minutes, 9)}{'*' if other and other.proven else ' '}"
            f"{number(float(other.bound) if other else None)}{number(other.seconds if other else None, 7)}"
            f" |{number(self.hand)}"
            f" |{number(self.to_other, 8, 3)}{number(self.to_hand, 7, 3)}{number(seconds, 8, 3, sign)}"
        )


def ratio(value: float | None, other: float | None) -> float | None:
    """One to the other; None where there is one only, or nothing to compare with."""
    return value / other if value is not None and other else None


def number(value: float | None, width: int = 10, digits: int = 2, sign: str = "") -> str:
    """A number at the right of its column, "-" for none."""
    return f"{'-' if value is None else f'{sign}{value:.{digits}f}':>{width}}"


def planned(content: dict[str, Any], limit: float) -> Ours:
    """Plan a piece and let the independent replay look at the order; its time does not count.

    Args:
        limit: seconds.
    """
    piece = read_piece(json.dumps(content))
    began = time.monotonic()
    try:
        order = plan(piece, limit=limit)
    except NoPlan:
        return Ours(None, None, time.monotonic() - began, proven=True)
    seconds = time.monotonic() - began
    wrong = faults(content, json.loads(write_workorder(order)))
    return Ours(order.totals.minutes, order.bound, seconds, order.proven, bool(wrong))


def compared(name: str, content: dict[str, Any], limit: float, cpsat: bool) -> Line:
    """Plan a piece in all three ways.

    Args:
        limit: seconds for each solver.
        cpsat: whether CP-SAT is asked as well.
    """
    ours = planned(content, limit)
    try:
        other = solve(content, limit) if cpsat else None
    except ValueError:  # too many parts for it
        other = None
    piece = read_piece(json.dumps(content))
    rule = hand_rule(piece)
    hand = None if rule is None else rule.totals.minutes
    loom = piece.loom
    return Line(name, len(piece.rows), loom.pattern_shafts, loom.spare_handles, ours, other, hand)


def side_by_side(pieces: Iterable[Named], limit: float, cpsat: bool) -> Iterator[str]:
    """The table: a line as soon as its piece is planned, and the sums.

    Args:
        limit: seconds for each solver and piece.
        cpsat: whether CP-SAT is asked as well.
    """
    yield HEAD
    lines = []
    for name, content in pieces:
        lines.append(compared(name, content, limit, cpsat))
        yield str(lines[-1])
    both = [(line.ours.minutes, line.hand) for line in lines if line.to_hand is not None]
    if both:
        ours, hand = (sum(minutes or 0.0 for minutes in column) for column in zip(*both, strict=True))
        yield (
            f"where the hand rule has an order: {ours:.1f} minutes planned, {hand:.1f} by hand, "
            f"ratio {ours / hand:.3f}"
        )


def machine() -> str:
    """What the run was made on, as it is when this is called: at the beginning."""
    shared = os.getloadavg()[0] > BUSY
    return (
        f"{os.cpu_count()} processors, Python {platform.python_version()}; seconds by the clock on the wall"
        + ("; the machine was shared, so they are too many" if shared else "")
    )


def as_kept(command: str, lines: Iterable[str]) -> str:
    """The text of the file in which the table is kept.

    Args:
        command: what makes it.
        lines: as printed.
    """
    return (
        "# How our plans compare, and how the work grows\n\n"
        f"Made by `{command}`, in one run. How to read it stands in its first lines.\n\n"
        "```text\n" + "".join(f"{line}\n" for line in lines) + "```\n"
    )
