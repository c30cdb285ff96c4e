"""A way that she takes: its rows as a new design of the same warp, or as the text of a new piece."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

from server.design.cells import LIFTED, NOT_LIFTED
from server.design.design import Band, Design
from server.design.piece import BandOfRows, Piece
from server.design.piece_file import read_json

Rows = Sequence[frozenset[int]]
"""Per row, the first woven first, the units that are lifted."""

LONGEST_NAME = 200
LONGEST_TURN = 100
"""Picks used in turn that are looked for; a longer turn is written out."""


def cells_of(rows: Rows, units: int) -> tuple[str, ...]:
    """Rows as a file has them: "#" lifted and "." not, a letter a unit."""
    return tuple(
        "".join(LIFTED if unit in row else NOT_LIFTED for unit in range(1, units + 1)) for row in rows
    )


def name_with(name: str, words: str) -> str:
    """A name and what was done to it, no longer than a name may be."""
    name = name.strip() or "Without a name"
    return f"{name[: LONGEST_NAME - len(words) - 2]}, {words}"


def text_with(text: str, rows: Rows, name: str) -> str:
    """A piece's file with these rows instead of its own, and under this name; all else stays as it is."""
    content = read_json(text)
    content["rows"] = list(cells_of(rows, len(content["leashes"])))
    return json.dumps(content | {"name": name}, ensure_ascii=False)


def design_with(piece: Piece, rows: Rows) -> Design:
    """The design of a piece with these rows instead of its own.

    Its bands stay. One that was woven several times, and is not the same each time any more, is divided.
    """
    units = len(piece.loom.leashes)
    cells = cells_of(rows, units)
    picks = tuple(piece.picks(row) for row in range(1, len(rows) + 1))
    bands: list[Band] = []
    row = 0
    for kept in piece.bands or (BandOfRows("Band 1", len(rows)),):
        each = [slice(row + n * kept.rows, row + (n + 1) * kept.rows) for n in range(kept.times)]
        row += kept.rows * kept.times
        for (drawn, in_turn), alike in groupby((cells[part], picks[part]) for part in each):
            band = Band(len(bands) + 1, kept.name, _shortest_turn(in_turn), drawn, sum(1 for _ in alike))
            if len(drawn) == 1 and LIFTED not in drawn[0]:  # plain ground is kept so
                band = replace(band, rows=())
            bands.append(band)
    return Design(units, tuple(bands), len(bands))


def _shortest_turn(picks: tuple[int, ...]) -> tuple[int, ...]:
    for turn in range(1, min(len(picks), LONGEST_TURN + 1)):
        if all(one == picks[row % turn] for row, one in enumerate(picks)):
            return picks[:turn]
    return picks
