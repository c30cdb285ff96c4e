"""How our plans compare with CP-SAT's and with the hand rule's, run beside them on this machine."""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from server.design.piece_file import read_piece
from server.plan.hand_rule import hand_rule
from server.plan.planner import NoPlan, plan
from server.plan.workorder import write_workorder
from tests.bench.from_here import run_from_here
from tests.outside.cpsat import solve
from tests.outside.glyphs import glyph_pieces
from tests.outside.pieces import pointed_piece
from tests.outside.replayer import faults

HEAD = (
    f"{'piece':<26}{'rows':>5}{'shafts':>7}{'handles':>8}"
    f" |{'minutes':>10}{'bound':>10}{'s':>7}"
    f" |{'CP-SAT':>10}{'bound':>10}{'s':>7}"
    f" |{'by hand':>10}"
    f" |{'/CP-SAT':>8}{'/hand':>7}"
)


def generated() -> Iterator[tuple[str, dict[str, Any]]]:
    """Pointed orders from small to middling, without and with a spare handle."""
    for shafts, points, rows in [(6, 1, 12), (8, 1, 16), (8, 2, 16), (10, 1, 25), (12, 2, 30)]:
        for handles in (0, 1):
            piece = pointed_piece(7, shafts, points, rows, spare_handles=handles)
            piece["loom"]["spare_shafts"] = shafts
            yield f"pointed {shafts} x {points}", piece


def figures() -> Iterator[tuple[str, dict[str, Any]]]:
    """The glyphs of Pillow's built-in font."""
    for piece in glyph_pieces():
        yield piece["name"].removeprefix("The "), piece


def from_folder(folder: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every piece file of a folder, the smallest first."""
    for path in sorted(folder.glob("*.json"), key=lambda path: (path.stat().st_size, path.name)):
        yield path.stem, json.loads(path.read_text("utf-8"))


def number(value: float | None, width: int = 10) -> str:
    return f"{'-' if value is None else f'{value:.2f}':>{width}}"


def ratio(value: float | None, other: float | None, width: int) -> str:
    return f"{f'{value / other:.3f}' if value is not None and other else '-':>{width}}"


def run(pieces: Iterable[tuple[str, dict[str, Any]]], limit: float, cpsat: bool) -> None:
    """Print one line a piece, and the sums.

    Args:
        limit: seconds for each solver and piece.
        cpsat: whether CP-SAT runs as well.
    """
    print(f"{limit:g} s each; * proven; ! the independent replay finds something wrong")
    print(HEAD)
    planned = by_hand = 0.0
    for name, content in pieces:
        piece = read_piece(json.dumps(content))
        began = time.monotonic()
        minutes = bound = None
        mark = " "
        try:
            order = plan(piece, limit=limit)
            minutes, bound = order.totals.minutes, order.bound
            wrong = faults(content, json.loads(write_workorder(order)))
            mark = "!" if wrong else "*" if order.proven else " "
        except NoPlan:
            mark = "*"
        seconds = time.monotonic() - began
        other = other_bound = other_seconds = None
        other_mark = " "
        if cpsat:
            try:
                solved = solve(content, limit)
            except ValueError:
                pass  # too many parts for it
            else:
                other = None if solved.minutes is None else float(solved.minutes)
                other_bound, other_seconds = float(solved.bound), solved.seconds
                other_mark = "*" if solved.proven else " "
        rule = hand_rule(piece)
        hand = None if rule is None else rule.totals.minutes
        if minutes is not None and hand is not None:
            planned, by_hand = planned + minutes, by_hand + hand
        loom = piece.loom
        print(
            f"{name[:25]:<26}{len(piece.rows):>5}{loom.pattern_shafts:>7}{loom.spare_handles:>8}"
            f" |{number(minutes, 9)}{mark}{number(bound)}{number(seconds, 7)}"
            f" |{number(other, 9)}{other_mark}{number(other_bound)}{number(other_seconds, 7)}"
            f" |{number(hand)}"
            f" |{ratio(minutes, other, 8)}{ratio(minutes, hand, 7)}",
            flush=True,
        )
    if by_hand:
        print(
            f"where the hand rule has an order: {planned:.1f} minutes planned, {by_hand:.1f} by hand, "
            f"ratio {planned / by_hand:.3f}"
        )


def one_of_the_sets(word: str) -> str:
    """The word itself, if there is such a set."""
    if word not in ("generated", "glyphs"):
        raise argparse.ArgumentTypeError(f"there are the sets generated and glyphs, not {word}")
    return word


def main() -> None:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument(
        "sets",
        nargs="*",
        metavar="SET",
        type=one_of_the_sets,
        help="generated or glyphs; without a word, and without --pieces, the generated ones",
    )
    parser.add_argument(
        "--pieces", type=Path, metavar="FOLDER", help="plan the piece files in this folder too"
    )
    parser.add_argument(
        "--limit", type=float, default=10.0, metavar="SECONDS", help="per solver and piece (10)"
    )
    parser.add_argument("--no-cpsat", action="store_true", help="leave CP-SAT out")
    parser.add_argument(
        "--from-here", action="store_true", help="plan what is left from several rows, not the whole pieces"
    )
    asked = parser.parse_args()
    chosen: list[Iterable[tuple[str, dict[str, Any]]]] = []
    if "generated" in asked.sets or not (asked.sets or asked.pieces):
        chosen.append(generated())
    if "glyphs" in asked.sets:
        chosen.append(figures())
    if asked.pieces is not None:
        if not asked.pieces.is_dir():
            parser.error(f"{asked.pieces} is no folder")
        chosen.append(from_folder(asked.pieces))
    for pieces in chosen:
        if asked.from_here:
            run_from_here(pieces, asked.limit)
        else:
            run(pieces, asked.limit, not asked.no_cpsat)


if __name__ == "__main__":
    main()
