"""What each row asks of each pattern shaft: nothing, all of it, or a part."""

from __future__ import annotations

from dataclasses import dataclass

from server.design.piece import Piece
from server.loom.state import Loom

Part = frozenset[int]
"""Some of the units of one pattern shaft."""


class Twin(frozenset[int]):
    """The part of a second temporary with the same units as another of its shaft: as a part the same, and
    another thing. No plan makes one, but they can stand at the start."""

    copy_number: int

    def __new__(cls, units: Part, copy_number: int) -> Twin:
        """Args: copy_number: from 1, among those with these units."""
        twin = super().__new__(cls, units)
        twin.copy_number = copy_number
        return twin

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Twin)
            and self.copy_number == other.copy_number
            and frozenset(self) == frozenset(other)
        )

    def __hash__(self) -> int:
        return hash((frozenset(self), self.copy_number))


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
    loom, found = piece.loom, list[Trouble]()
    known: dict[Part, dict[int, Part]] = {}  # rows are alike, in a repeat and about it
    for row, cells in enumerate(piece.rows, 1):
        if cells not in known:
            # of any other shaft nothing is asked but what cords lift
            shafts = sorted({loom.leashes[unit - 1] for unit in cells - loom.single_cords})
            parts = ((shaft, cells & loom.units_of(shaft)) for shaft in shafts)
            known[cells] = {shaft: part for shaft, part in parts if needs_temporary(loom, shaft, part)}
        if known[cells]:
            found.append(Trouble(row, known[cells]))
    return found
