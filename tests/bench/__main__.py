"""How our plans compare with CP-SAT's and the hand rule's, and how they grow, in one run on this machine."""

from __future__ import annotations

import argparse
import json
import shlex
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

from tests.bench.from_here import run_from_here
from tests.bench.growth import LEGEND as GROWTH_LEGEND
from tests.bench.growth import all_series, growth
from tests.bench.table import (
    KEPT,
    LEGEND,
    Named,
    as_kept,
    large,
    machine,
    middle,
    planned,
    side_by_side,
    small,
)
from tests.outside.glyphs import glyph_pieces

LIMIT = 15.0
"""Seconds for each solver and piece: long enough for most lines, and the whole run takes some minutes."""


def glyphs() -> Iterator[Named]:
    """The glyphs of Pillow's built-in font."""
    for piece in glyph_pieces():
        yield piece["name"].removeprefix("The "), piece


SETS: dict[str, Callable[[], Iterable[Named]]] = {
    "small": small,
    "middle": middle,
    "large": large,
    "glyphs": glyphs,
}
GROWTH = "growth"
USUAL = ("small", "middle", "large", GROWTH)
"""What is run when nothing is asked for by name."""


def from_folder(folder: Path) -> Iterator[Named]:
    """Every piece file of a folder, the smallest first."""
    for path in sorted(folder.glob("*.json"), key=lambda path: (path.stat().st_size, path.name)):
        yield path.stem, json.loads(path.read_text("utf-8"))


def all_lines(sets: Sequence[str], folder: Path | None, limit: float, cpsat: bool) -> Iterator[str]:
    """All that is printed, line by line.

    Args:
        sets: of USUAL and SETS.
        folder: of pieces to be planned too.
        limit: seconds for each solver and piece.
        cpsat: whether CP-SAT is asked as well.
    """
    yield machine()
    yield f"{limit:g} s at most for each solver and piece"
    planned(next(small())[1], limit)  # what is loaded only once shall not count for the first line
    tables = [(name, SETS[name]()) for name in sets if name != GROWTH]
    if folder is not None:
        tables.append(("pieces of the folder", from_folder(folder)))
    if tables:
        yield from LEGEND
    for name, pieces in tables:
        yield from ("", name)
        yield from side_by_side(pieces, limit, cpsat)
    if GROWTH in sets:
        yield from ("", GROWTH, *GROWTH_LEGEND)
        yield from growth(all_series(), limit)


def one_of_the_sets(word: str) -> str:
    """The word itself, if there is such a set."""
    if word not in (*USUAL, *SETS):
        raise argparse.ArgumentTypeError(f"there are {', '.join(SETS)} and {GROWTH}, not {word}")
    return word


def seconds(word: str) -> float:
    """A number of seconds."""
    try:
        value = float(word)
    except ValueError:
        value = 0.0
    if not 0 < value <= 3600:
        raise argparse.ArgumentTypeError(
            f"the limit is a number of seconds above 0, at most 3600, not {word}"
        )
    return value


def main(words: Sequence[str]) -> None:
    """The command.

    Args:
        words: what follows it.
    """
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument(
        "sets",
        nargs="*",
        metavar="SET",
        type=one_of_the_sets,
        help=f"{', '.join(SETS)} or {GROWTH}; without a word, and without --pieces, {', '.join(USUAL)}",
    )
    parser.add_argument(
        "--pieces", type=Path, metavar="FOLDER", help="plan the piece files in this folder too"
    )
    parser.add_argument(
        "--limit", type=seconds, default=LIMIT, metavar="SECONDS", help=f"per solver and piece ({LIMIT:g})"
    )
    parser.add_argument("--no-cpsat", action="store_true", help="leave CP-SAT out")
    parser.add_argument(
        "--write", action="store_true", help=f"keep what is printed in {KEPT.name} beside this"
    )
    parser.add_argument(
        "--from-here", action="store_true", help="plan what is left from several rows, not the whole pieces"
    )
    asked = parser.parse_args(words)
    if asked.pieces is not None and not asked.pieces.is_dir():
        parser.error(f"{asked.pieces} is no folder")
    if asked.write and (asked.pieces is not None or asked.from_here):
        parser.error("--write keeps the table of the bench's own pieces; leave out --pieces and --from-here")
    sets = asked.sets or ([] if asked.pieces else list(USUAL))
    if asked.from_here:
        for name in sets:
            if name != GROWTH:
                run_from_here(SETS[name](), asked.limit)
        if asked.pieces is not None:
            run_from_here(from_folder(asked.pieces), asked.limit)
        return
    printed = []
    for line in all_lines(sets, asked.pieces, asked.limit, not asked.no_cpsat):
        print(line, flush=True)
        printed.append(line)
    if asked.write:
        KEPT.write_text(as_kept(shlex.join(["python", "-m", "tests.bench", *words]), printed), "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
