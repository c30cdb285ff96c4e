"""The leash order as weavers draw it, and what is counted on a warp; templates/warp_seen.html shows both.

Shafts are lines, the nearest to the weaver lowest; units are dots on them, from her left. A unit that has a
single draw cord has a dot on the line above all shafts. Where things are drawn no numbering changes: shafts
and units are only called as she counts them. Lengths are in pixels, where letters have their usual size; y
runs downwards.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from server.design.warp import Part, Warp
from server.loom.actions import and_list
from server.loom.ground import cautions, weave_name
from server.loom.picks import alternating_picks, picks_for_square_cells
from server.session.naming import Naming
from server.session.wording import entries, several

FOLDED_FROM = 120
"""Units from which repeats that are alike are folded."""

ALL_LINES = 100
"""Shafts of a loom all of which are drawn; of a larger loom only those that carry something."""

GAP = 5
"""Columns that a fold takes."""

SHOWN_ALIKE = 8
"""Units on single draw cords that are drawn at either side of a fold."""

MOST_NAMED = 16
"""Numbers, and runs of them, that are named of one shaft."""

_TOP, _FOOT, _WIDE = 26.0, 34.0, 800.0

_CORDS = 26.0
"""The height that the line of single draw cords takes at least, so that its name is clear of the shafts'."""


@dataclass(frozen=True, slots=True)
class Line:
    """A shaft, or the single draw cords, as a line with its units.

    Attributes:
        key: what the form calls it: the shaft as she counts, or "cords".
        label: what stands at its left.
        y: where it is drawn.
        height: of the strip about it that is touched.
        dots: an SVG path, a dot for each unit that is drawn.
        rising: an SVG path of the warp of these units, from the dot to the weaver.
        says: which units rise together, in a sentence.
    """

    key: str
    label: str
    y: float
    height: float
    dots: str
    rising: str
    units: int
    leashes: int
    says: str


@dataclass(frozen=True, slots=True)
class Mark:
    """Something written across the drawing: a part, a fold, a unit's number."""

    x: float
    width: float
    text: str


@dataclass(frozen=True, slots=True)
class Hanging:
    """The drawing.

    Attributes:
        lines: from the top: single draw cords, then shafts from the back.
        warp: an SVG path of all units that are drawn, as thin lines towards the weaver.
        floor: where the warp ends at the weaver.
        selvedges: an SVG path of selvedge ends, a few at either side.
        shape: the whole order as one line, in a box of `units` × `levels`.
        is_long: whether it is wider than any screen, so that its shape is worth showing.
        folds: places where units are left out that are like their neighbours.
    """

    width: float
    height: float
    cell: float
    lines: tuple[Line, ...]
    warp: str
    floor: float
    selvedges: str
    parts: tuple[Mark, ...]
    folds: tuple[Mark, ...]
    ticks: tuple[Mark, ...]
    shape: str
    units: int
    levels: int
    is_long: bool


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _period(part: Part) -> int:
    """Units after which a part repeats; 0 where it does not."""
    if part.times < 3 or part.kind not in ("straight", "pointed"):
        return 0
    if part.kind == "straight":
        return part.shafts
    return 2 * part.shafts if part.hung == 2 else 2 * part.shafts - 2  # 0: a single unit


def _folded(part: Part, first: int, units: int) -> tuple[int, int] | None:
    """The first and the last unit that a fold leaves out; None: all are drawn."""
    if period := _period(part):
        kept = (units - period * part.times) + period  # the last repeat, with the edge of a point
        hidden = units - period - kept
        return (first + period, first + period + hidden - 1) if hidden > GAP else None
    if part.kind == "single" and units > 2 * SHOWN_ALIKE + GAP:
        return first + SHOWN_ALIKE, first + units - SHOWN_ALIKE - 1
    return None


def _fold_text(part: Part, units: int) -> str:
    if period := _period(part):
        return f"+ {units // period} ×"
    return f"+ {units}"


def hanging(warp: Warp, naming: Naming, *, unfold: bool = False) -> Hanging:
    """The drawing of a warp.

    Args:
        unfold: draw every repeat, however many there are.
    """
    loom = warp.loom
    folds = not unfold and warp.units > FOLDED_FROM
    columns: dict[int, int] = {}
    edges: list[tuple[int, int, str]] = []
    gaps: list[tuple[int, str]] = []
    unit = column = 0
    for number, part in enumerate(warp.parts, 1):
        begin, size = column, len(part.order())
        fold = _folded(part, unit + 1, size) if folds else None
        for here in range(unit + 1, unit + size + 1):
            if fold and fold[0] <= here <= fold[1]:
                if here == fold[0]:
                    gaps.append((column, _fold_text(part, fold[1] - fold[0] + 1)))
                    column += GAP
                continue
            columns[here] = column
            column += 1
        unit += size
        edges.append((begin, column, str(number)))
    cell = min(22.0, max(9.0, _WIDE / column))
    margin = 26.0
    lines_drawn = _drawn_shafts(warp)
    pitch = _pitch(len(lines_drawn))
    cords_high = max(pitch, _CORDS) if loom.single_cords else 0.0
    floor = _TOP + cords_high + pitch * (len(lines_drawn) + 0.5)

    def across(of_unit: int) -> float:
        return margin + (columns[of_unit] + 0.5) * cell

    def line(key: str, label: str, y: float, height: float, units: Sequence[int], says: str) -> Line:
        seen = [across(of_unit) for of_unit in units if of_unit in columns]
        return Line(
            key=key,
            label=label,
            y=y,
            height=height,
            dots="".join(f"M{_number(x)} {_number(y)}h0" for x in seen),
            rising="".join(f"M{_number(x)} {_number(y)}V{_number(floor)}" for x in seen),
            units=len(units),
            leashes=sum(map(loom.leashes_of, units)),
            says=says,
        )

    lines = []
    if loom.single_cords:
        cords = sorted(loom.single_cords)
        text = f"{several(len(cords), 'unit')} on single draw cords: {_named(map(naming.unit, cords))}."
        lines.append(line("cords", "cords", _TOP + cords_high / 2, cords_high, cords, text))
    for place, shaft in enumerate(reversed(lines_drawn)):
        units, called = sorted(loom.units_of(shaft)), naming.shaft(shaft)
        y = _TOP + cords_high + pitch * (place + 0.5)
        label = str(called) if pitch > 12 or called % 5 == 0 or called == 1 else ""
        says = _says(called, [naming.unit(unit) for unit in units])
        lines.append(line(str(called), label, y, pitch, units, says))
    return Hanging(
        width=2 * margin + column * cell,
        height=floor + _FOOT,
        cell=cell,
        lines=tuple(lines),
        warp="".join(f"M{_number(across(unit))} {_number(_TOP)}V{_number(floor)}" for unit in columns),
        floor=floor,
        selvedges=_selvedges(warp.threads.selvedge_ends, margin, margin + column * cell, floor),
        parts=tuple(
            Mark(margin + begin * cell, (end - begin) * cell, text)
            for begin, end, text in edges
            if end > begin
        ),
        folds=tuple(Mark(margin + at * cell, GAP * cell, text) for at, text in gaps),
        ticks=tuple(_ticks(columns, naming, cell, across)),
        shape=shape_of(warp),
        units=warp.units,
        levels=loom.pattern_shafts + 1,
        is_long=column * cell > _WIDE + 1,
    )


def _pitch(lines: int) -> float:
    """From one shaft to the next: the more there are, the closer, so that the order is seen as a whole."""
    return 19.0 if lines <= 8 else 15.0 if lines <= 12 else max(5.0, min(10.0, 200.0 / lines))


def _drawn_shafts(warp: Warp) -> list[int]:
    loom = warp.loom
    if loom.pattern_shafts <= ALL_LINES:
        return list(range(1, loom.pattern_shafts + 1))
    return list(loom.units_by_shaft)


def _named(units: Iterable[int]) -> str:
    found = entries(units)
    if len(found) > MOST_NAMED:
        return f"{', '.join(found[:MOST_NAMED])} …"
    return and_list(found)


def _says(shaft: int, units: Sequence[int]) -> str:
    if not units:
        return f"Nothing hangs on shaft {shaft}."
    if len(units) == 1:
        return f"Shaft {shaft} lifts unit {units[0]} alone."
    return f"Shaft {shaft} lifts {len(units)} units together: {_named(units)}."


def _ticks(
    columns: Mapping[int, int], naming: Naming, cell: float, across: Callable[[int], float]
) -> Iterator[Mark]:
    every = 5 if cell > 12 else 10
    for unit in columns:
        called = naming.unit(unit)
        if called == 1 or called % every == 0:
            yield Mark(across(unit), cell, str(called))


def _selvedges(ends: tuple[int, int], left: float, right: float, floor: float) -> str:
    sides = ((ends[0], left, -1), (ends[1], right, 1))
    return "".join(
        f"M{_number(edge + way * (4 + 4 * thread))} {_number(_TOP)}V{_number(floor)}"
        for number, edge, way in sides
        for thread in range(min(number, 4))
    )


def shape_of(warp: Warp) -> str:
    """The whole order as one SVG path: a unit is 1 wide, a shaft 1 high, the nearest to the weaver lowest.

    Units on single draw cords only are above all shafts.
    """
    top, leashes = warp.loom.pattern_shafts + 0.5, warp.loom.leashes
    drawn = []
    for unit, shaft in enumerate(leashes):
        step = shaft - leashes[unit - 1] if unit else 0
        if unit and abs(step) == 1 and leashes[unit : unit + 2] == (shaft, shaft + step):
            continue  # in the middle of a stroke
        joined = unit > 0 and abs(step) <= 1
        drawn.append(f"{'L' if joined else 'M'}{unit + 0.5:g} {top - shaft:g}{'' if joined else 'h0'}")
    return "".join(drawn)


# --- what is counted -------------------------------------------------------------------------------------


def figures(warp: Warp, naming: Naming) -> list[tuple[str, str]]:
    """What there is on a warp, each with its name."""
    loom, threads = warp.loom, warp.threads
    selvedges = sum(threads.selvedge_ends)
    leashes = sum(loom.leashes_of(unit) for unit in range(1, warp.units + 1))
    used = len(loom.units_by_shaft)
    told = [
        ("Units", f"{warp.units:,}"),
        ("Ends", f"{threads.ends:,}" + (f", {selvedges:,} of them in the selvedges" if selvedges else "")),
        ("Ends to a unit", _in_kinds(Counter(threads.ends_per_unit))),
        ("Width in the reed", f"{_short(threads.width_cm)} cm"),
        (
            "Pattern shafts",
            str(used) if used == loom.pattern_shafts else f"{used} of {loom.pattern_shafts} in use",
        ),
    ]
    if loom.single_cords:
        told.append(("Single draw cords", f"{len(loom.single_cords):,}"))
    if leashes != warp.units:
        told.append(("Leashes", f"{leashes:,}"))
    if weave := weave_name(threads.ground, warp.treadling):
        told.append(("Ground, as trodden", weave))
    return told


def _in_kinds(kinds: Counter[int]) -> str:
    if len(kinds) == 1:
        return f"{next(iter(kinds)):,}"
    told = [f"{ends:,} in {several(units, 'unit')}" for ends, units in sorted(kinds.items())]
    return ", ".join(told[:4]) + (" …" if len(told) > 4 else "")


def _short(number: float) -> str:
    return f"{number:,.1f}".removesuffix(".0") if number >= 1 else f"{number:.2g}"


def square_words(warp: Warp) -> str:
    """With how many picks to a row a cell of the design comes out square, in a sentence."""
    threads = warp.threads
    square = picks_for_square_cells(threads.usual_ends, threads.ends_per_cm, threads.picks_per_cm)
    differ = len(set(threads.ends_per_unit)) > 1
    of = f" Reckoned for units of {threads.usual_ends} ends." if differ else ""
    if square < 1:
        return (
            "Even a single pick to a row makes a cell higher than wide: take more ends to a unit, or more "
            f"picks to a cm.{of}"
        )
    simple = square.limit_denominator(4)
    picks = alternating_picks(max(simple, Fraction(1)))
    rows = (
        f"{several(picks[0], 'pick')} to a row"
        if len(picks) == 1
        else f"{_picks(picks)} picks, row by row in turn"
    )
    if simple == square:
        return f"A cell comes out square with {rows}.{of}"
    height = threads.proportion(simple)
    return f"A cell comes out nearly square with {rows}: {_percent(height)} as high as it is wide.{of}"


def _picks(picks: Sequence[int]) -> str:
    return and_list([str(number) for number in picks])


def _percent(part: Fraction) -> str:
    return f"{float(part) * 100:.1f} %".replace(".0 %", " %")


def warnings(warp: Warp) -> tuple[str, ...]:
    """What is odd about a warp, in sentences."""
    return cautions(warp.threads.ground, warp.treadling)
