"""What each row asks of each pattern shaft: nothing, all of it, or a part."""

from __future__ import annotations

from dataclasses import dataclass

from server.design.piece import Piece
from server.loom.state import Loom

Part = frozenset[int]
"""Some of the units of one pattern shaft."""


def asked_of(piece: Piece, row: int, shaft: int) -> Part:
    """The units of a pattern shaft that a row (from 1) lifts: none, all, or a part."""
    return piece.rows[row - 1] & piece.loom.units_of(shaft)


def needs_temporary(loom: Loom, shaft: int, asked: Part) -> bool:
    """Whether the loom as it hangs cannot lift this: a part, and not one that single cords lift alone."""
    return bool(asked - loom.single_cords) and asked != loom.units_of(shaft)


@dataclass(frozen=True, slots=True)
class Trouble:
    """A row that the loom cannot lift as it hangs: per shaft, the units asked of it."""

    row: int
    asked: dict[int, Part]


def troubles(piece: Piece) -> list[Trouble]:
    """The rows that the loom cannot lift as it hangs, in weaving order."""
    found = []
    for row in range(1, len(piece.rows) + 1):
        asked = {shaft: asked_of(piece, row, shaft) for shaft in piece.loom.units_by_shaft}
        asked = {shaft: part for shaft, part in asked.items() if needs_temporary(piece.loom, shaft, part)}
        if asked:
            found.append(Trouble(row, asked))
    return found
