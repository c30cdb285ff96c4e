"""The piece's file (WORKORDER.md): read strictly, refused in a sentence that says where and why."""

from __future__ import annotations

import json
import math
import re
from typing import Annotated, Any, NoReturn

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, model_validator
from pydantic_core import ErrorDetails

from server.design.piece import BandOfRows, Minutes, Piece
from server.design.threads import threads_of
from server.loom.leashes import NO_SHAFT
from server.loom.state import Loom

MOST = 100_000
"""No count in a file may be larger: far above any loom, low enough that a slip of the finger does no harm."""

MOST_MINUTES = 1_000_000.0
"""About two years for one action; beyond that, sums of minutes could no longer be told apart."""

HALF_A_CHARACTER = re.compile("[\ud800-\udfff]")

MOST_CELLS = 20_000_000
"""Rows × units; a limit on memory, far above any cloth."""


class Unusable(ValueError):
    """The file cannot be used; the message says where and why."""


Count = Annotated[int, Field(strict=True, ge=1, le=MOST)]
CountFromZero = Annotated[int, Field(strict=True, ge=0, le=MOST)]
Plenty = Annotated[int, Field(strict=True, ge=0, le=10**9)]
CountedMinutes = Annotated[float, Field(strict=True, ge=0, le=MOST_MINUTES, allow_inf_nan=False)]
Text = Annotated[str, Field(strict=True, max_length=200)]
Extra = dict[str, Any]


_DEFAULTS = Minutes()


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    extra: Extra = {}


class LoomForm(_Strict):
    """`loom` in the file."""

    pattern_shafts: Count
    name: Text = Loom.name
    treadles: Count = Loom.treadles
    spare_shafts: Plenty = Loom.spare_shafts
    spare_handles: Plenty = Loom.spare_handles
    temporaries_per_shaft: Plenty = Loom.temporaries_per_shaft
    temporaries_may_stay: bool = Loom.temporaries_may_stay


class MinutesForm(BaseModel):
    """`minutes` in the file."""

    model_config = ConfigDict(extra="forbid", strict=True)

    walk: CountedMinutes = _DEFAULTS.walk
    insert: CountedMinutes = _DEFAULTS.insert
    take: CountedMinutes = _DEFAULTS.take
    withdraw: CountedMinutes = _DEFAULTS.withdraw
    move_cords: CountedMinutes = _DEFAULTS.move_cords
    pull: CountedMinutes = _DEFAULTS.pull


class PieceForm(_Strict):
    """The whole file."""

    format: str
    version: Annotated[int, Field(strict=True)]
    name: Text
    loom: LoomForm
    leashes: Annotated[list[CountFromZero], Field(min_length=1)]
    single_cords: list[Count] = []
    rows: Annotated[list[Annotated[str, Field(strict=True)]], Field(min_length=1)]
    picks_per_row: Annotated[list[Count], Field(min_length=1)] = [1]
    treadling: Annotated[list[Count], Field(min_length=1)] = []
    minutes: MinutesForm = MinutesForm()
    free_walks: list[CountFromZero] = []
    no_walks: list[CountFromZero] = []

    @model_validator(mode="after")
    def _fits_together(self) -> PieceForm:
        units, shafts, treadles = len(self.leashes), self.loom.pattern_shafts, self.loom.treadles
        for unit, shaft in enumerate(self.leashes, 1):
            if shaft > shafts:
                raise ValueError(f"leashes: unit {unit} hangs on shaft {shaft}, but the loom has {shafts}")
        if "single_cords" in self.model_fields_set:
            previous = 0
            for unit in self.single_cords:
                if unit > units:
                    raise ValueError(f"single_cords: there is no unit {unit}; the piece has {units}")
                if unit <= previous:
                    raise ValueError(
                        f"single_cords: unit {unit} comes after unit {previous}; list each once, ascending"
                    )
                previous = unit
            corded = set(self.single_cords)
            for unit, shaft in enumerate(self.leashes, 1):
                if shaft == NO_SHAFT and unit not in corded:
                    raise ValueError(
                        f"single_cords: unit {unit} hangs on no shaft, so it must be listed here"
                    )
        if units * len(self.rows) > MOST_CELLS:
            raise ValueError(f"rows: {len(self.rows)} rows of {units} units are more than {MOST_CELLS} cells")
        for row, cells in enumerate(self.rows, 1):
            if len(cells) != units:
                raise ValueError(f"rows: row {row} has {len(cells)} cells, but there are {units} units")
            if strange := set(cells) - {"#", "."}:
                raise ValueError(f"rows: row {row} has {min(strange)!r}; a cell is # (lifted) or . (not)")
        for treadle in self.treadling:
            if treadle > treadles:
                raise ValueError(f"treadling: there is no treadle {treadle}; the loom has {treadles}")
        for key, walks in (("free_walks", self.free_walks), ("no_walks", self.no_walks)):
            for row in walks:
                if row > len(self.rows):
                    raise ValueError(f"{key}: there is no row {row}; the piece has {len(self.rows)}")
        return self


def read_piece(text: str | bytes) -> Piece:
    """Read a piece file.

    Args:
        text: the file's content; bytes are UTF-8.

    Raises:
        Unusable: with one sentence that says where the file goes wrong, and why.
    """
    content = read_json(text)
    if not isinstance(content, dict):
        raise Unusable("This is not a piece file: it should be one JSON object, { … }.")
    if content.get("format") != "spareshaft-piece":
        raise Unusable('This is not a piece file: its "format" should be "spareshaft-piece".')
    version = content.get("version")
    if isinstance(version, bool) or version != 1 or not isinstance(version, int):
        raise Unusable(f"version: this Spareshaft reads version 1 of piece files, not {_shown(version)}.")
    try:
        form = PieceForm.model_validate(content)
    except ValidationError as error:
        raise Unusable(sentence(error.errors()[0])) from None
    return _piece(form)


def _piece(form: PieceForm) -> Piece:
    hung_on_nothing = [unit for unit, shaft in enumerate(form.leashes, 1) if shaft == NO_SHAFT]
    loom = Loom(
        leashes=tuple(form.leashes),
        single_cords=frozenset(form.single_cords or hung_on_nothing),
        leashes_per_unit=_leashes_per_unit(form.loom.extra, len(form.leashes)),
        **form.loom.model_dump(exclude={"extra"}),
    )
    return Piece(
        name=form.name,
        loom=loom,
        rows=tuple(
            frozenset(unit for unit, cell in enumerate(cells, 1) if cell == "#") for cells in form.rows
        ),
        picks_per_row=tuple(form.picks_per_row),
        treadling=tuple(form.treadling) if form.treadling else range(1, form.loom.treadles + 1),
        minutes=Minutes(**form.minutes.model_dump()),
        free_walks=frozenset(form.free_walks),
        no_walks=frozenset(form.no_walks),
        threads=threads_of(form.extra, len(form.leashes), form.loom.treadles),
        bands=_bands(form.extra, len(form.rows)),
    )


# What our own files say besides is under `extra`, where nothing may be refused: what is not ours is as none.

_LEASHES_PER_UNIT = TypeAdapter(list[Annotated[int, Field(strict=True, ge=1, le=1_000)]])
_BANDS = TypeAdapter(list[BandOfRows])


def _leashes_per_unit(extra: Extra, units: int) -> tuple[int, ...]:
    try:
        counts = _LEASHES_PER_UNIT.validate_python(extra.get("leashes_per_unit"))
    except ValidationError:
        return ()
    return tuple(counts) if len(counts) == units and set(counts) != {1} else ()


def _bands(extra: Extra, rows: int) -> tuple[BandOfRows, ...]:
    try:
        bands = _BANDS.validate_python(extra.get("bands"), strict=False)
    except ValidationError:
        return ()
    whole = all(band.rows > 0 and band.times > 0 for band in bands)
    return tuple(bands) if whole and sum(band.rows * band.times for band in bands) == rows else ()


def read_json(text: str | bytes) -> Any:
    """JSON read as strictly as a piece file is. Unusable with a sentence if it is none."""
    if isinstance(text, bytes):
        try:
            text = text.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise Unusable(f"The file is not UTF-8 text (byte {error.start + 1}).") from None
    if not text.strip():
        raise Unusable("The file is empty.")
    half_a_character = Unusable("The file has half a character in it (a lone surrogate).")
    if HALF_A_CHARACTER.search(text):
        raise half_a_character
    try:
        content = json.loads(text, object_pairs_hook=_without_duplicates, parse_constant=_no_constant)
        # an escape may still spell one, anywhere, in `extra` too
        if "\\u" in text and HALF_A_CHARACTER.search(json.dumps(content, ensure_ascii=False)):
            raise half_a_character
    except json.JSONDecodeError as error:
        raise Unusable(
            f"The file is not JSON: line {error.lineno}, column {error.colno}: {error.msg}."
        ) from None
    except RecursionError:
        raise Unusable("The file is not a piece: it is nested too deeply.") from None
    except Unusable:
        raise
    except ValueError:
        raise Unusable("The file has a number of thousands of digits in it.") from None
    return content


def _without_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise Unusable(f"The key {_shown(key)} stands twice; keep one.")
        found[key] = value
    return found


def _no_constant(word: str) -> NoReturn:
    raise Unusable(f"{word} is not a number that JSON knows; write a finite number.")


def _shown(value: object) -> str:
    """A value from the file, quoted and cut short."""
    if isinstance(value, float) and not math.isfinite(value):
        return "an endless number"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "…"


_WHY = {
    "missing": "is missing",
    "extra_forbidden": "is not a key of a piece file; put what is your own under “extra”",
    "int_type": "should be a whole number",
    "float_type": "should be a number",
    "finite_number": "should be a finite number",
    "string_type": "should be text in quotes",
    "bool_type": "should be true or false",
    "list_type": "should be a list, [ … ]",
    "dict_type": "should be an object, { … }",
    "model_type": "should be an object, { … }",
    "model_attributes_type": "should be an object, { … }",
    "too_short": "needs at least one entry",
    "string_too_long": "is too long (200 characters at most)",
}
_SHOWS_VALUE = {"int_type", "float_type", "string_type", "bool_type", "list_type", "dict_type"}


def sentence(error: ErrorDetails) -> str:
    """Pydantic's first complaint as one sentence: where, then why."""
    kind = error["type"]
    if kind == "value_error":
        return error["msg"].removeprefix("Value error, ") + "."
    where = ""
    for part in error["loc"]:
        where += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if where else str(part)
    context = error.get("ctx", {})
    if kind == "greater_than_equal":
        why = f"should be at least {context['ge']:g}, not {_shown(error['input'])}"
    elif kind == "less_than_equal":
        why = f"should be at most {context['le']:,.0f}, not {_shown(error['input'])}"
    else:
        why = _WHY.get(kind, error["msg"])
        if kind in _SHOWS_VALUE:
            why += f", not {_shown(error['input'])}"
    return f"{where}: {why}."
