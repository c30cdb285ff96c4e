"""The rows after which she rises anyway, and those after which no walk may be made, as she wishes them."""

from __future__ import annotations

from dataclasses import dataclass, replace

from server.design.piece import Piece


@dataclass(frozen=True, slots=True)
class Written:
    """What she wrote.

    Attributes:
        free: rows after which she rises anyway.
        every: and after every so many
        measure: "rows" or "picks".
        none: rows after which no walk may be made.
    """

    free: str = ""
    every: str = ""
    measure: str = "rows"
    none: str = ""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What she wishes of the walks, in place of what the piece's file says.

    Attributes:
        free: rows after which she rises anyway, so that a walk costs nothing; 0: before the first.
            None: those of the file.
        none: rows after which no walk may be made; None: those of the file.
        written: both as she wrote them, for her to change; None: she has not.
    """

    free: frozenset[int] | None = None
    none: frozenset[int] | None = None
    written: Written | None = None


def wished(piece: Piece, wishes: Wishes) -> Piece:
    """The piece with its walks as she wishes them."""
    return replace(
        piece,
        free_walks=piece.free_walks if wishes.free is None else wishes.free,
        no_walks=piece.no_walks if wishes.none is None else wishes.none,
    )


def rows_every(piece: Piece, number: int, measure: str) -> frozenset[int]:
    """The rows after which so many rows or picks are full once more.

    Args:
        number: at least 1.
        measure: "rows" or "picks".
    """
    rows = len(piece.rows)
    if measure == "rows":
        return frozenset(range(number, rows + 1, number))
    found, picks = set(), 0
    for row in range(1, rows + 1):
        before, picks = picks, picks + piece.picks(row)
        if before // number < picks // number:
            found.add(row)
    return frozenset(found)
