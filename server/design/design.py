"""A design on squared paper: a sequence of bands, drawn cell by cell or plain ground; and every change of it.

A change carries what is needed to apply it and to take it back, so that a list of changes is a memory without
end. Bands go by a number that they keep; rows and units are counted from 1, the first row being woven first.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pydantic import TypeAdapter, ValidationError

from server.design.cells import LIFTED, NOT_LIFTED
from server.design.piece import BandOfRows, Piece
from server.design.piece_file import MOST_CELLS, Unusable, read_piece
from server.design.threads import threads_content
from server.design.warp import Warp, loom_content, minutes_content

MOST_BANDS = 500
MOST_DRAWN = 1_000_000
"""Cells of all bands of a design together, each counted once."""
MOST_PICKS = 10_000
"""Of one row, or of a band of plain ground."""
MOST_TIMES = 10_000
MOST_WOVEN = 1_000_000
"""Picks of a whole design; a kilometre of cloth at ten to the centimetre, and a plan tells each."""

_TURNED = {LIFTED: NOT_LIFTED, NOT_LIFTED: LIFTED}


@dataclass(frozen=True, slots=True)
class Band:
    """Rows that belong together.

    Attributes:
        number: its own, kept as long as it is there.
        times: how often it is woven, one after another.
        picks: picks per row, used in turn from its first row; of plain ground, all its picks as one number.
        rows: "#" lifted and "." not, a letter a unit, the first row woven first; none: plain ground.
    """

    number: int
    name: str
    picks: tuple[int, ...] = (4,)
    rows: tuple[str, ...] = ()
    times: int = 1

    @property
    def is_plain(self) -> bool:
        """Whether it is ground without any cell drawn."""
        return not self.rows

    def rows_of(self, units: int) -> tuple[str, ...]:
        """Its rows, woven once; plain ground is one row with all its picks."""
        return self.rows or (NOT_LIFTED * units,)


@dataclass(frozen=True, slots=True)
class Design:
    """What is drawn.

    Attributes:
        units: units across; every drawn row has a letter for each.
        bands: as they are woven, first to last.
        given: the highest number that a band ever had here; no number is given twice.
    """

    units: int
    bands: tuple[Band, ...]
    given: int = 0

    def band(self, number: int) -> Band:
        """The band of that number. ValueError with a sentence if there is none any more."""
        for band in self.bands:
            if band.number == number:
                return band
        raise ValueError("That band is not in the design any more.")

    def rows(self) -> tuple[str, ...]:
        """All rows as they are woven."""
        return tuple(row for band in self.bands for row in band.rows_of(self.units) * band.times)

    def picks(self) -> tuple[int, ...]:
        """Picks of all rows as they are woven; each band begins its own turn, and each time anew."""
        return tuple(
            picks
            for band in self.bands
            for picks in _in_turn(band.picks, len(band.rows_of(self.units))) * band.times
        )


def _in_turn(picks: Sequence[int], rows: int) -> tuple[int, ...]:
    return tuple(picks[row % len(picks)] for row in range(rows))


def check(design: Design) -> None:
    """ValueError with a sentence if a design cannot be kept."""
    if len(design.bands) > MOST_BANDS:
        raise ValueError(f"A design has at most {MOST_BANDS} bands; put some together.")
    if len({band.number for band in design.bands}) != len(design.bands):
        raise ValueError("Two bands go by one number.")
    for band in design.bands:
        if len(band.name) > 200:
            raise ValueError("A band’s name has at most 200 letters.")
        if not 1 <= band.times <= MOST_TIMES:
            raise ValueError(f"A band is woven at least once and at most {MOST_TIMES:,} times.")
        if not band.picks or any(not 1 <= picks <= MOST_PICKS for picks in band.picks):
            raise ValueError(f"A row has at least 1 pick and at most {MOST_PICKS:,}.")
        if band.is_plain and len(band.picks) != 1:
            raise ValueError("Of plain ground, say how many picks it has, as one number.")
        if len(band.picks) > max(1, len(band.rows)):
            rows = "1 row" if len(band.rows) == 1 else f"{len(band.rows)} rows"
            raise ValueError(f"“{band.name}” has {rows}, and picks for {len(band.picks)}.")
        for row in band.rows:
            if len(row) != design.units:
                raise ValueError(f"A row of “{band.name}” has {len(row)} cells for {design.units} units.")
            if set(row) - {LIFTED, NOT_LIFTED}:
                raise ValueError(f"A row of “{band.name}” has something else in it than cells.")
    if design.units * sum(len(band.rows) for band in design.bands) > MOST_DRAWN:
        raise ValueError(f"The design has more than {MOST_DRAWN:,} cells drawn; make two designs of it.")
    woven = sum(len(band.rows_of(design.units)) * band.times for band in design.bands)
    if design.units * woven > MOST_CELLS or woven > 100_000:
        raise ValueError(f"With all its repeats that would be {woven:,} rows; weave it as several pieces.")
    picks = sum(
        sum(_in_turn(band.picks, len(band.rows_of(design.units)))) * band.times for band in design.bands
    )
    if picks > MOST_WOVEN:
        raise ValueError(f"With all its repeats that would be {picks:,} picks; weave it as several pieces.")


# --- changes -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CellsTurned:
    """Cells of a band that were turned over; turned again, they are as they were.

    Attributes:
        runs: row, first unit, last unit.
    """

    band: int
    runs: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True)
class BandsChanged:
    """The bands, before and after."""

    before: tuple[Band, ...]
    after: tuple[Band, ...]


Change = CellsTurned | BandsChanged

Run = tuple[int, int, int, bool]
"""A stretch of a row to be set: row, first unit, last unit, and whether its cells are then lifted."""


def setting(design: Design, number: int, runs: Iterable[Run]) -> CellsTurned:
    """The change that sets stretches of rows; it turns those cells only that are otherwise now.

    Where stretches overlap, the last counts.

    Raises:
        ValueError: with a sentence, if the band is gone or has no such cells.
    """
    band = design.band(number)
    drawn: dict[int, list[str]] = {}
    for row, first, last, lifted in runs:
        if not 1 <= row <= len(band.rows) or not 1 <= first <= last <= design.units:
            raise ValueError("That stroke runs over the edge of the design.")
        cells = drawn.setdefault(row, list(band.rows[row - 1]))
        cells[first - 1 : last] = (LIFTED if lifted else NOT_LIFTED) * (last - first + 1)
    turned = []
    for row in sorted(drawn):
        differ = [a != b for a, b in zip(drawn[row], band.rows[row - 1], strict=True)]
        turned += [(row, first, last) for first, last in _stretches(differ)]
    return CellsTurned(number, tuple(turned))


def _stretches(marks: Sequence[bool]) -> list[tuple[int, int]]:
    """First and last place, from 1, of each run of true marks."""
    found: list[tuple[int, int]] = []
    for place, mark in enumerate(marks, 1):
        if mark:
            if found and found[-1][1] == place - 1:
                found[-1] = (found[-1][0], place)
            else:
                found.append((place, place))
    return found


def changed(design: Design, change: Change) -> Design:
    """The design after a change. ValueError with a sentence if it does not fit this design."""
    match change:
        case CellsTurned(number, runs):
            band = design.band(number)
            rows = list(band.rows)
            for row, first, last in runs:
                cells = rows[row - 1]
                turned = "".join(_TURNED[cell] for cell in cells[first - 1 : last])
                rows[row - 1] = cells[: first - 1] + turned + cells[last:]
            return with_band(design, replace(band, rows=tuple(rows)))
        case BandsChanged(before, after):
            if design.bands != before:
                raise ValueError("The bands have been changed on another device meanwhile.")
            given = max((design.given, *(band.number for band in after)))
            return replace(design, bands=after, given=given)


def turned(before: Design, after: Design) -> tuple[CellsTurned, ...] | None:
    """What to turn over in one design to have the other; None where their bands or rows are not the same."""
    if [(band.number, len(band.rows)) for band in before.bands] != [
        (band.number, len(band.rows)) for band in after.bands
    ] or before.units != after.units:
        return None
    found = []
    for old, new in zip(before.bands, after.bands, strict=True):
        runs = tuple(
            (row, first, last)
            for row, (one, other) in enumerate(zip(old.rows, new.rows, strict=True), 1)
            if one != other
            for first, last in _stretches([a != b for a, b in zip(one, other, strict=True)])
        )
        if runs:
            found.append(CellsTurned(old.number, runs))
    return tuple(found)


def taken_back(design: Design, change: Change) -> Design:
    """The design before a change that was the last."""
    match change:
        case CellsTurned():
            return changed(design, change)
        case BandsChanged(before, after):
            return changed(design, BandsChanged(after, before))


def with_band(design: Design, band: Band) -> Design:
    """The design with the band of that number as it is given."""
    return replace(design, bands=tuple(band if old.number == band.number else old for old in design.bands))


def next_number(design: Design) -> int:
    """A number that no band of this design ever had."""
    return max((design.given, *(band.number for band in design.bands))) + 1


# --- as text, and as a piece ---------------------------------------------------------------------------

_BANDS = TypeAdapter(tuple[Band, ...])
_CHANGE: TypeAdapter[Change] = TypeAdapter(Change)


def bands_content(bands: Iterable[Band]) -> Any:
    """Bands for JSON."""
    return _BANDS.dump_python(tuple(bands), mode="json")


def read_bands(content: Any) -> tuple[Band, ...]:
    """Bands from JSON. ValueError with a sentence if they are none."""
    try:
        return _BANDS.validate_python(content)
    except ValidationError:
        raise ValueError("What was sent are no bands of a design.") from None


def write_design(design: Design) -> str:
    """A design as text, for the store and to be taken elsewhere."""
    content = {"format": "spareshaft-design", "version": 1, "units": design.units, "given": design.given}
    return json.dumps(content | {"bands": bands_content(design.bands)}, ensure_ascii=False)


def read_design(text: str) -> Design:
    """Read what `write_design` wrote."""
    content = json.loads(text)
    return Design(content["units"], read_bands(content["bands"]), content["given"])


def mark_of(design: Design) -> str:
    """A mark of all that is drawn, to tell whether a page still shows it: eight hexadecimal digits."""
    return f"{zlib.crc32(write_design(design).encode()):08x}"


def write_change(change: Change) -> str:
    """A change as text."""
    return _CHANGE.dump_json(change).decode()


def read_change(text: str) -> Change:
    """Read what `write_change` wrote."""
    return _CHANGE.validate_json(text)


def bands_of_rows(design: Design) -> tuple[BandOfRows, ...]:
    """The bands as a piece carries them."""
    return tuple(BandOfRows(band.name, len(band.rows_of(design.units)), band.times) for band in design.bands)


def piece_text(name: str, design: Design, warp: Warp) -> str:
    """The piece file of a design woven on a warp.

    Raises:
        Unusable: if it has no rows, or does not fit the warp.
    """
    rows = design.rows()
    if not rows:
        raise Unusable("There is nothing to weave yet: the design has no band.")
    if design.units != warp.units:
        raise Unusable(f"The design is {design.units} units wide, and the warp has {warp.units}.")
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": name,
        "loom": loom_content(warp.loom),
        "leashes": list(warp.loom.leashes),
        "single_cords": sorted(warp.loom.single_cords),
        "rows": list(rows),
        "picks_per_row": list(_shortest_turn(design.picks())),
        "treadling": list(warp.treadling),
        "minutes": minutes_content(warp.minutes),
        "extra": {
            "threads": threads_content(warp.threads),
            "bands": [
                {"name": band.name, "rows": band.rows, "times": band.times} for band in bands_of_rows(design)
            ],
        },
    }
    return json.dumps(content, ensure_ascii=False)


def piece_of(name: str, design: Design, warp: Warp) -> Piece:
    """The piece of a design woven on a warp. Unusable as `piece_text`."""
    return read_piece(piece_text(name, design, warp))


def _shortest_turn(picks: tuple[int, ...]) -> tuple[int, ...]:
    """The shortest list that, used in turn, gives these; in one pass, as a piece may have 100,000 rows."""
    again = [0] * len(picks)  # per row: how many of the last rows up to it are as the first ones
    for row in range(1, len(picks)):
        alike = again[row - 1]
        while alike and picks[row] != picks[alike]:
            alike = again[alike - 1]
        again[row] = alike + (picks[row] == picks[alike])
    return picks[: len(picks) - again[-1]]
