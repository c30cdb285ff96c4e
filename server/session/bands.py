"""Where a row is among the bands of its piece: which band, which time, which of its rows. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from server.design.piece import Piece


@dataclass(frozen=True, slots=True)
class InBand:
    """A row within its band; all counted from 1.

    Attributes:
        time: which time the band is woven.
        row: which of the band's rows.
    """

    name: str
    time: int
    times: int
    row: int
    rows: int


def in_band(piece: Piece, row: int) -> InBand | None:
    """Where a row (from 1) is; None where the piece tells no bands, or has no such row."""
    before = 0
    for band in piece.bands:
        all_rows = band.rows * band.times
        if before < row <= before + all_rows:
            time, at = divmod(row - before - 1, band.rows)
            return InBand(band.name, time + 1, band.times, at + 1, band.rows)
        before += all_rows
    return None


def band_words(piece: Piece, row: int) -> tuple[str, str]:
    """The band's name, and where in it: ("Border", "row 3 of 12"), ("Panel", "2 of 5, row 3 of 12").

    The second is empty for plain ground woven once; both are where there is nothing to tell.
    """
    place = in_band(piece, row)
    if place is None:
        return "", ""
    words = [f"{place.time} of {place.times}"] if place.times > 1 else []
    words += [f"row {place.row} of {place.rows}"] if place.rows > 1 else []
    return place.name.strip() or "Band without a name", ", ".join(words)
