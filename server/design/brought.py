"""What is brought in from elsewhere, read as bands: a picture, a chart, a WIF file, a file of our own.

Read first (`read_brought`), as wide as it is; then put on a warp's units (`placed`), where it has to fit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Literal

import numpy as np

from server.design.cells import LIFTED, NOT_LIFTED, Cells, row_of_units, to_cells, to_rows
from server.design.chart_text import read_chart
from server.design.design import MOST_DRAWN, Band, BandsChanged, Design, check, next_number, read_bands
from server.design.incoming import Kind, kind_of
from server.design.pictures import Reading, read_picture, swapped, turned_over, without_specks
from server.design.piece import Piece
from server.design.piece_file import Unusable, read_json, read_piece
from server.design.threads import Threads
from server.design.warp import MOST_UNITS, Part, Warp, hang
from server.design.wif import FirstThread, Wif, read_wif
from server.loom.leashes import NO_SHAFT

Place = Literal["left", "middle", "right", "at"]

MOST_TEXT = 1_048_576
"""Bytes of any file but a picture's."""


@dataclass(frozen=True, slots=True)
class Choices:
    """How it is read, and where it is put.

    Attributes:
        picks: per row, used in turn; a piece's and a design's file tell theirs themselves.
        across: units across of a picture; None: as wide as the warp.
        rows: of a picture; None: as its proportion has it.
        how: as `Reading` has it, and so `level`, `smallest`, `swapped` and `wrong_side_up`.
        lifted: the characters of a chart that are lifted; empty: as charts are read.
        first_thread: the side of a WIF file's first thread.
        taken: first and last of its units (from 1) that are taken; None: up to its last.
        place: where it lies on the warp, if it is narrower.
        at: the unit it begins at, for "at".
        counted_from: the side from which `taken` and `at` are counted.
    """

    picks: tuple[int, ...] = (4,)
    across: int | None = None
    rows: int | None = None
    how: Literal["solid", "dots"] = "solid"
    level: int | None = None
    smallest: int = 1
    swapped: bool = False
    wrong_side_up: bool = False
    lifted: str = ""
    first_thread: FirstThread = "right"
    taken: tuple[int, int | None] = (1, None)
    place: Place = "middle"
    at: int = 1
    counted_from: Literal["left", "right"] = "left"


@dataclass(frozen=True, slots=True, eq=False)
class Brought:
    """What was read.

    Attributes:
        name: what the file calls itself; empty: nothing.
        units: how wide it is.
        bands: as they are woven, numbered from 1.
        notes: sentences that name what was mended or passed over.
        wif: the loom that a WIF file tells of.
    """

    kind: Kind
    name: str
    units: int
    bands: tuple[Band, ...]
    notes: tuple[str, ...] = ()
    wif: Wif | None = None

    def rows(self) -> tuple[str, ...]:
        """All its rows, each band once."""
        return tuple(row for band in self.bands for row in band.rows_of(self.units))


class Wider(Unusable):
    """It is wider than the warp; the message says what to do."""


def kind_brought(content: bytes) -> Kind:
    """What a file is, by its content.

    Raises:
        Unusable: if it is nothing that can be brought in as a design.
    """
    kind = kind_of(content)
    if kind != "picture" and len(content) > MOST_TEXT:
        raise Unusable(
            "The file is larger than 1 MB, the most that can be brought in here if it is no picture."
        )
    return kind


def read_brought(content: bytes, choices: Choices, threads: Threads) -> Brought:
    """Read a file.

    Args:
        threads: those of the warp it is to be woven on; a cell's proportion follows from them.

    Raises:
        WhichIsLifted: if that has to be said of a chart.
        Unusable: with one sentence that says where it goes wrong, and why.
    """
    kind = kind_brought(content)
    match kind:
        case "picture":
            return Brought(kind, "", *_one_band(_picture(content, choices, threads), choices.picks))
        case "chart":
            chart = read_chart(content, choices.lifted)
            cells = _read_otherwise(choices)(chart.cells)
            return Brought(kind, "", *_one_band(cells, choices.picks), notes=chart.notes)
        case "wif":
            wif = read_wif(content, choices.first_thread)
            cells = _read_otherwise(choices)(wif.rows)
            return Brought(kind, wif.name, *_one_band(cells, choices.picks), notes=wif.notes, wif=wif)
        case "piece":
            name, units, bands = _own_file(content)
            otherwise = _read_otherwise(choices)
            return Brought(kind, name, units, tuple(_banded(band, units, otherwise) for band in bands))


def _picture(content: bytes, choices: Choices, threads: Threads) -> Cells:
    return read_picture(
        content,
        Reading(
            units=choices.across or len(threads.ends_per_unit),
            proportion=threads.proportion(Fraction(sum(choices.picks), len(choices.picks))),
            rows=choices.rows,
            how=choices.how,
            level=choices.level,
            smallest=choices.smallest,
            swapped=choices.swapped,
            wrong_side_up=choices.wrong_side_up,
        ),
    )


def _read_otherwise(choices: Choices) -> Callable[[Cells], Cells]:
    """What is chosen of how cells are read that were never a picture; in the order of `cells_of`."""

    def otherwise(cells: Cells) -> Cells:
        if choices.swapped:
            cells = swapped(cells)
        cells = without_specks(cells, choices.smallest)
        return turned_over(cells) if choices.wrong_side_up else cells

    return otherwise


def _one_band(cells: Cells, picks: Sequence[int]) -> tuple[int, tuple[Band, ...]]:
    rows = to_rows(cells)
    return cells.shape[1], (Band(1, "", tuple(picks[: len(rows)]), rows),)


def _banded(band: Band, units: int, otherwise: Callable[[Cells], Cells]) -> Band:
    cells = to_cells(band.rows_of(units))
    read = otherwise(cells)
    return band if np.array_equal(cells, read) else replace(band, rows=to_rows(read))


def _own_file(content: bytes) -> tuple[str, int, tuple[Band, ...]]:
    """Name, units and bands of a piece or a design."""
    told = read_json(content)
    kind = told.get("format") if isinstance(told, dict) else None
    if kind == "spareshaft-design":
        design = _design(told)
        return "", design.units, design.bands
    if kind in ("spareshaft-warp", "spareshaft-workorder"):
        what = "warp" if kind == "spareshaft-warp" else "plan"
        raise Unusable(f"That is the file of a {what}; what is drawn stands in a piece’s or a design’s file.")
    piece = read_piece(content)
    return piece.name, len(piece.loom.leashes), _bands_of(piece)


def _bands_of(piece: Piece) -> tuple[Band, ...]:
    """The rows of a piece in its bands; all in one where its file tells of none."""
    units = len(piece.loom.leashes)
    rows, start = tuple(row_of_units(lifted, units) for lifted in piece.rows), 0
    told = [(band.name, band.rows, band.times) for band in piece.bands] or [("", len(rows), 1)]
    bands = []
    for number, (name, many, times) in enumerate(told, 1):
        every = rows[start : start + many * times]
        if every != every[:many] * times:  # its file says so, and its rows do not
            many, times = many * times, 1
        turn = range(start + 1, start + 1 + min(many, len(piece.picks_per_row)))
        picks = tuple(piece.picks(row) for row in turn)
        drawn = every[:many]
        is_plain = many == 1 and LIFTED not in drawn[0]
        picks = picks[:1] if len(set(picks)) == 1 else picks
        bands.append(Band(number, name, picks, () if is_plain else drawn, times))
        start += len(every)
    return tuple(bands)


def _design(told: dict[str, Any]) -> Design:
    """A design's own text, from anywhere."""
    if type(told.get("version")) is not int or told["version"] != 1:
        raise Unusable("That is no file of a design that this Spareshaft reads.")
    units = told.get("units")
    if type(units) is not int or not 1 <= units <= MOST_UNITS:
        raise Unusable(f"The design’s file should say how many units it has, 1 to {MOST_UNITS:,}.")
    try:
        bands = read_bands(told.get("bands"))
        design = Design(units, tuple(replace(band, number=n) for n, band in enumerate(bands, 1)))
        check(design)
    except ValueError as why:
        raise Unusable(str(why)) from None
    if not bands:
        raise Unusable("There is no band in that design.")
    return design


# --- on a warp -------------------------------------------------------------------------------------------


def cut(brought: Brought, choices: Choices) -> Brought:
    """What is taken of it.

    Raises:
        Unusable: if it has no such units, or is larger than a design may be.
    """
    if choices.taken != (1, None):
        first, last = choices.taken[0], choices.taken[1] or brought.units
        if not 1 <= first <= last <= brought.units:
            raise Unusable(
                f"It has units 1 to {brought.units:,}: take from one of them to another, the smaller first."
            )
        # what is read wrong side up has left and right changed already
        if (choices.counted_from == "right") != choices.wrong_side_up:
            first, last = brought.units + 1 - last, brought.units + 1 - first
        bands = [
            replace(band, rows=tuple(row[first - 1 : last] for row in band.rows)) for band in brought.bands
        ]
        brought = replace(brought, units=last + 1 - first, bands=tuple(bands))
    rows = sum(len(band.rows) for band in brought.bands)
    if rows * brought.units > MOST_DRAWN:
        what = "fewer units across, or fewer rows" if brought.kind == "picture" else "some of its units only"
        raise Unusable(
            f"{rows:,} rows of {brought.units:,} units are more than the {MOST_DRAWN:,} cells "
            f"that a design has at most. Take {what}."
        )
    return brought


def begins_at(brought: Brought, units: int, choices: Choices) -> int:
    """How many units are free at its left on a warp of so many units.

    Raises:
        Wider: if it does not fit; the message says what to do.
        Unusable: if it would lie over the edge.
    """
    room = units - brought.units
    if room < 0:
        what = "Take fewer units across." if brought.kind == "picture" else "Take some of its units only."
        raise Wider(f"It is {brought.units:,} units wide, and the warp has {units:,}. {what}")
    match choices.place:
        case "left":
            return 0
        case "middle":
            return room // 2
        case "right":
            return room
    if not 1 <= choices.at <= room + 1:
        raise Unusable(
            f"It is {brought.units:,} units wide, so it can begin at unit 1 to {room + 1:,}, "
            f"not at unit {choices.at:,}."
        )
    return choices.at - 1 if choices.counted_from == "left" else room + 1 - choices.at


def placed(brought: Brought, units: int, choices: Choices) -> tuple[Band, ...]:
    """The bands as wide as the warp; beside what was brought is ground, as its right side shows it.

    Raises:
        Wider, Unusable: as `begins_at`.
    """
    begin = begins_at(brought, units, choices)
    ground = LIFTED if choices.wrong_side_up else NOT_LIFTED
    left, right = ground * begin, ground * (units - brought.units - begin)
    return tuple(replace(band, rows=tuple(left + row + right for row in band.rows)) for band in brought.bands)


def put_in(design: Design, bands: Sequence[Band], after: int | None, name: str) -> BandsChanged:
    """The change that puts bands into a design.

    Args:
        after: number of the band they come after; 0: before all; None: after all.
        name: of what has none.

    Raises:
        ValueError: with a sentence, if that band is gone.
    """
    at = len(design.bands)
    if after is not None:
        at = design.bands.index(design.band(after)) + 1 if after else 0
    first = next_number(design)
    new = tuple(replace(band, number=first + n, name=band.name or name) for n, band in enumerate(bands))
    return BandsChanged(design.bands, design.bands[:at] + new + design.bands[at:])


def as_design(brought: Brought, name: str) -> Design:
    """A design of its own, as wide as it is."""
    bands = tuple(replace(band, name=band.name or name) for band in brought.bands)
    return Design(brought.units, bands, len(bands))


def hung_otherwise(wif: Wif, warp: Warp) -> tuple[int, ...]:
    """The units (from 1) that hang on another shaft in a file than on a warp of as many units."""
    pairs = zip(wif.leashes, warp.loom.leashes, strict=True)
    return tuple(unit for unit, (there, here) in enumerate(pairs, 1) if there != here)


def warp_like(wif: Wif, other: Warp, name: str, picks: Sequence[int]) -> Warp:
    """A warp with the leash order and setts of a WIF file, all else as another warp has it.

    Raises:
        ValueError: with a sentence, if it cannot be hung.
    """
    if len(wif.leashes) > MOST_UNITS:
        raise ValueError(f"That would be more than {MOST_UNITS:,} units; no loom holds so many.")
    ends, loom = other.threads.usual_ends, other.loom
    if wif.pattern_shafts > loom.pattern_shafts:
        loom = replace(loom, pattern_shafts=wif.pattern_shafts)
    runs: list[tuple[bool, list[int]]] = []
    for unit, shaft in enumerate(wif.leashes, 1):
        is_corded = unit in wif.single_cords and shaft != NO_SHAFT
        # a unit on no shaft has its cord in any part
        if not runs or (shaft != NO_SHAFT and runs[-1][0] != is_corded):
            runs.append((is_corded, []))
        runs[-1][1].append(shaft)
    parts = tuple(
        Part("free", corded=is_corded, leashes=tuple(leashes), ends=(ends,)) for is_corded, leashes in runs
    )
    rows_per_cm, mean = wif.rows_per_cm, Fraction(sum(picks), len(picks))
    return hang(
        name,
        loom,
        parts,
        other.threads.ground,
        treadling=other.treadling,
        ends_per_cm=other.threads.ends_per_cm if wif.units_per_cm is None else wif.units_per_cm * ends,
        picks_per_cm=other.threads.picks_per_cm if rows_per_cm is None else rows_per_cm * mean,
        selvedge_ends=other.threads.selvedge_ends,
        minutes=other.minutes,
    )
