"""Sheets to print: lift plan to tick, leash order, temporaries, labels to tape on, the cloth.

A sheet is dealt out on leaves, each of which fits on A4 and on US Letter alike and says in its heading what
is on it. How high things come out is reckoned from the sizes in static/sheets.css; where a browser's letters
are larger than that, a leaf runs on over the page, and its heading with it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil, sqrt
from typing import Annotated, Literal, NamedTuple, get_args

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from server.cloth.crossings import Draft
from server.cloth.picture import MOST_CROSSINGS, MOST_DOTS, height_of
from server.design.piece import Piece
from server.loom.counting import leashes_in, take_and_pass
from server.loom.leashes import NO_SHAFT
from server.loom.state import Loom, handle_order, parent_of, temporary_order
from server.loom.steps import Insert, Label, MoveCords, TakeOut, Weave
from server.plan.visits import position_of
from server.session.cards import Card, CardKind
from server.session.naming import Naming
from server.session.treadling import picks_of
from server.session.wording import (
    after_words,
    cautions,
    due_out,
    entries,
    handle_entries,
    handle_words,
    heading,
    numbers_text,
    order_of_work,
    several,
    shaft_one_words,
)
from server.store.weavings import Weaving
from server.web.card_views import VIEWS
from server.web.cloth import cells_of
from server.web.drawings import DesignPicture, Tick, design_picture, edge_numbers, tick_step
from server.web.rendering import (
    NotUnderstood,
    Preferences,
    number_of,
    page,
    preferences_of,
    store_of,
    weaving_of,
)
from server.web.walks import drawn_out, things_behind, walk_cards

router = APIRouter()

SheetName = Literal["lift", "order", "temporaries", "labels", "cloth"]

SHEETS: dict[SheetName, str] = {
    "lift": "The lift plan, with a box to tick for each row",
    "order": "The leash order",
    "temporaries": "The temporaries, with what to take and to pass",
    "labels": "Numbers to cut out and tape on",
    "cloth": "The cloth",
}
"""What can be printed, as it is chosen."""

MOST_ROWS = 3_000
"""Rows of a lift plan that are printed at once, on some ninety leaves."""
MOST_DRAWN_SHAFTS = 150
MOST_DRAWN_UNITS = 6_000
"""A leash order with more of either is told in its table only."""

_LEAF = 229.0
"""Millimetres below the title of a leaf, which US Letter has as well as A4."""
_WIDTH = 180.0
"""Millimetres across, on either."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """What comes on one page.

    Attributes:
        sheet: which sheet it is of.
        title: what is on it: "Lift plan, rows 1–34".
        kind: which template shows it.
        lines: what stands on it, one below the other.
    """

    sheet: SheetName
    title: str
    kind: Literal["lift", "order", "temporaries", "labels", "cloth"]
    lines: tuple[object, ...]


def _dealt(heights: Sequence[float], room: float, above: Sequence[float] = ()) -> list[range]:
    """Things of these heights, dealt out in order, each leaf filled before the next is begun.

    One that is too high has a leaf of its own.

    Args:
        above: how much of the room is taken up by what is said again on a leaf that begins with this thing.
    """
    found: list[range] = []
    first, left = 0, room
    for number, height in enumerate(heights):
        if height > left and number > first:
            found.append(range(first, number))
            first, left = number, room - (above[number] if above else 0)
        left -= height
    return [*found, range(first, len(heights))] if heights else []


_SPACE = 1.2


def _set(text: str, width: float, letter: float = 2.15) -> tuple[int, float]:
    """Lines that a text takes in a column so many millimetres wide, and what is left of the last one.

    Letters are reckoned as wide as in the widest of the usual typefaces.
    """
    lines, left = 1, width
    for word in text.split(" "):
        wide = len(word) * letter
        if wide > left and left < width:
            lines, left = lines + 1, width
        while wide > left:  # a word longer than a line is broken
            lines, wide = lines + 1, wide - left
        left -= wide + _SPACE
    return lines, left


def _lines_of(text: str, width: float, letter: float = 2.15) -> int:
    return _set(text, width, letter)[0]


# --- the lift plan -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RowToTick:
    """A row to be woven, or picks of it to be taken out.

    Attributes:
        picks: how many: "5", of a row begun already "2 more", or "take out 3".
        treadles: in turn, "1 2 3 4 5".
        handles: "3–5, S1"; "none".
        cords: units of single draw cords; "" for none.
        away: the temporaries that are lifted: "7a, S1: 8a".
    """

    row: int
    picks: str
    treadles: str
    handles: str
    cords: str
    away: str
    kind: Literal["row"] = "row"


@dataclass(frozen=True, slots=True)
class WalkToTick:
    """A walk, between two rows.

    Attributes:
        text: "Walk 2, after row 12".
        things: what is done on it, and after it from the bench, in order; each has a number and a box.
        first: number of the first of them; more than 1 where the walk goes on from the leaf before.
    """

    text: str
    things: tuple[str, ...]
    first: int = 1
    kind: Literal["walk"] = "walk"


@dataclass(frozen=True, slots=True)
class BandBegins:
    """The rows from here on belong together: "Border, rows 21–40, time 2 of 3"."""

    text: str
    kind: Literal["band"] = "band"


LiftLine = RowToTick | WalkToTick | BandBegins

_MOST_TREADLES = 12
"""A row with more picks has the treadles in its middle left out."""
_FEWEST_THINGS = 5
"""Of a walk that goes on on another leaf, so many are on either."""


def treadles_text(treadles: Sequence[int]) -> str:
    """ "1 2 3 4 5"; of a long row the beginning and the end."""
    if len(treadles) > _MOST_TREADLES:
        return f"{' '.join(map(str, treadles[:6]))} … {' '.join(map(str, treadles[-3:]))}"
    return " ".join(map(str, treadles))


def row_to_tick(weaving: Weaving, card: Card, chosen: Preferences) -> RowToTick:
    """The line of a card that weaves or takes out."""
    assert isinstance(card.step, Weave | TakeOut)
    naming = chosen.naming(weaving.piece.loom)
    told = naming.state(card.before)
    picks = picks_of(weaving.piece, weaving.place, card, chosen.first_side)
    number = str(card.step.picks)
    if isinstance(card.step, TakeOut):
        number = f"take out {number}"
    elif card.before.picks:
        number = f"{number} more"
    # handle 7 can lift no other temporaries than 7a, 7b …; of a spare one it is said what it lifts
    away = [
        carrier if handle.isdigit() else f"{handle}: {carrier}"
        for handle, carrier in told.away
        if handle in told.raised and carrier
    ]
    return RowToTick(
        row=card.row,
        picks=number,
        treadles=treadles_text([pick.treadle for pick in picks]) if weaving.piece.loom.treadles > 1 else "",
        handles=", ".join(handle_entries(told.raised)) or "none",
        cords=", ".join(entries(told.pulled)),
        away=", ".join(away),
    )


def thing_words(card: Card) -> str:
    """What is done on a walk, in full. The card as she counts."""
    match card.step:
        case Label(shafts=shafts):
            return f"Tape numbers on shafts {numbers_text(shafts)}" if len(shafts) > 1 else heading(card)
    return heading(card)


def walk_to_tick(cards: Sequence[Card], walk: Card, number: int) -> WalkToTick:
    """What is to be done on a walk, step by step.

    Args:
        cards: as she counts.
    """
    behind = things_behind(cards, walk.number)
    things = [thing_words(card) for card in behind]
    lifts = []
    for card in cards[walk.number + 1 + len(behind) :]:
        if card.handle is None:
            break
        lifts.append(card.handle)
    if lifts:
        each = ", each alone" if len(lifts) > 1 else " alone"
        things.append(f"Test lift of {handle_words(sorted(lifts, key=handle_order))}{each}")
    return WalkToTick(f"Walk {number}, {after_words(position_of(walk.before))}", tuple(things))


def _parted(walk: WalkToTick) -> list[WalkToTick]:
    """A walk in the parts between which another leaf may begin."""
    many = len(walk.things)
    cuts = [0, *range(_FEWEST_THINGS, many - _FEWEST_THINGS + 1), many]
    return [replace(walk, things=walk.things[a:b], first=a + 1) for a, b in pairwise(cuts)]


def _joined(lines: Iterable[LiftLine]) -> Iterator[LiftLine]:
    """The same lines with neighbouring parts of a walk made one."""
    walk: WalkToTick | None = None
    for line in lines:
        if walk and isinstance(line, WalkToTick) and line.text == walk.text:
            walk = replace(walk, things=walk.things + line.things)
            continue
        if walk:
            yield walk
        walk = line if isinstance(line, WalkToTick) else None
        if walk is None:
            yield line
    if walk:
        yield walk


def band_at_rows(piece: Piece) -> dict[int, BandBegins]:
    """The line that stands before the first row of each band."""
    found, row = {}, 1
    for band in piece.bands:
        for time in range(1, band.times + 1):
            last = row + band.rows - 1
            rows = f"row {row}" if band.rows == 1 else f"rows {row}–{last}"
            times = f", time {time} of {band.times}" if band.times > 1 else ""
            found[row] = BandBegins(f"{band.name.strip() or 'A band without a name'}, {rows}{times}")
            row = last + 1
    return found


def lift_leaves(weaving: Weaving, chosen: Preferences, first: int, last: int) -> list[Leaf]:
    """The lift plan of these rows: what is raised and trodden, row by row, with the walks between them."""
    naming = chosen.naming(weaving.piece.loom)
    told = [naming.card(card) for card in weaving.cards]
    bands = band_at_rows(weaving.piece)
    walk_numbers = {card.number: number for number, card in enumerate(walk_cards(weaving.cards), 1)}
    blocks: list[list[LiftLine]] = [[]]  # lines that may not be parted: what stands before a row, and the row
    for card in weaving.cards:
        if card.kind == "walk":
            # a walk belongs before the row that it is made for; the last one follows the last row
            if first <= card.row + 1 <= last or card.row == last == len(weaving.piece.rows):
                for part in _parted(walk_to_tick(told, told[card.number], walk_numbers[card.number])):
                    if part.first > 1:
                        blocks.append([])
                    blocks[-1].append(part)
        elif isinstance(card.step, Weave | TakeOut) and first <= card.row <= last:
            if isinstance(card.step, Weave) and card.before.picks == 0 and card.row in bands:
                blocks[-1].append(bands[card.row])
            blocks[-1].append(row_to_tick(weaving, card, chosen))
            blocks.append([])
    blocks = [block for block in blocks if block]
    widths = column_widths(line for block in blocks for line in block)
    heights = [sum(_height(line, widths) for line in block) for block in blocks]
    again = [_again(blocks, number, bands) for number in range(len(blocks))]
    above = [
        sum(_height(band, widths) for band in said)
        + (_WALK_HEAD if isinstance(block[0], WalkToTick) and block[0].first > 1 else 0)
        for said, block in zip(again, blocks, strict=True)
    ]
    leaves = []
    for dealt in _dealt(heights, _LEAF - 8.5, above):
        lines = [*again[dealt[0]], *_joined(line for number in dealt for line in blocks[number])]
        rows = [line.row for line in lines if isinstance(line, RowToTick)]
        if rows:
            title = f"Lift plan, {_span('row', min(rows), max(rows))}"
        else:
            walks = [line.text for line in lines if isinstance(line, WalkToTick)]
            title = f"Lift plan, {_first_small(' and '.join(walks))}"
        leaves.append(Leaf("lift", title, "lift", tuple(lines)))
    return leaves


def _again(
    blocks: Sequence[Sequence[LiftLine]], number: int, bands: dict[int, BandBegins]
) -> list[BandBegins]:
    """The band that goes on, where a leaf begins with this block; none where one begins or none is left."""
    if number == 0:
        return []
    rest = (line for block in blocks[number:] for line in block if not isinstance(line, WalkToTick))
    line = next(rest, None)
    begun = max((row for row in bands if isinstance(line, RowToTick) and row < line.row), default=None)
    return [] if begun is None else [BandBegins(f"{bands[begun].text}, goes on")]


class Widths(NamedTuple):
    """Millimetres of the columns that are as wide as is needed; 0 for one that is not shown."""

    handles: int
    cords: int
    away: int


_WIDTHS_LEFT = 118
"""Millimetres for them, beside a column of treadles."""
_LEAST_HANDLES = 40
_LEAST_OTHERS = 30
_WIDER = 10
"""static/sheets.css has a width for each step of it."""


def column_widths(lines: Iterable[object]) -> Widths:
    """The widths with which these rows come out lowest; the handles' as narrow as that allows."""
    rows = [line for line in lines if isinstance(line, RowToTick)]
    told = Counter((row.handles, row.cords, row.away) for row in rows)
    room = _WIDTHS_LEFT + 25 * (not any(row.treadles for row in rows))
    with_cords, with_away = any(row.cords for row in rows), any(row.away for row in rows)
    if not (with_cords or with_away):
        return Widths(room, 0, 0)
    tried = []
    for handles in range(_LEAST_HANDLES, room - _LEAST_OTHERS * (with_cords + with_away) + 1, _WIDER):
        if not with_away:
            tried.append(Widths(handles, room - handles, 0))
            continue
        most = room - handles - _LEAST_OTHERS
        for cords in range(_LEAST_OTHERS, most + 1, _WIDER) if with_cords else (0,):
            tried.append(Widths(handles, cords, room - handles - cords))
    return min(
        tried, key=lambda widths: (sum(_lines_in(*row, widths) * n for row, n in told.items()), widths)
    )


def _lines_in(handles: str, cords: str, away: str, widths: Widths) -> int:
    """Lines of a row in these columns."""
    lines = _lines_of(handles, widths.handles - 3, 2.4)  # fat letters
    if cords:
        lines = max(lines, _lines_of(cords, widths.cords - 3))
    return max(lines, _lines_of(away, widths.away - 3)) if away else lines


def _span(what: str, first: int, last: int) -> str:
    return f"{what} {first}" if first == last else f"{what}s {first}–{last}"


_WALK_HEAD = 9.6
"""Millimetres of a walk's heading, with what is above and below it."""


def _height(line: LiftLine, widths: Widths) -> float:
    """Millimetres."""
    match line:
        case RowToTick():
            lines = _lines_in(line.handles, line.cords, line.away, widths)
            return 1.9 + 4.6 * max(lines, _lines_of(line.treadles, 22), _lines_of(line.picks, 12))
        case WalkToTick(things=things, first=first):
            listed = sum(0.45 + 4.6 * _lines_of(thing, 160) for thing in things)
            return listed + (_WALK_HEAD if first == 1 else 0)
        case BandBegins(text=text):
            return 2.9 + 4.6 * _lines_of(text, 172, 2.5)


# --- the leash order -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OrderDrawing:
    """A stretch of the leash order as weavers draw it: shafts as lines, units as dots on them.

    One unit long per unit; y runs downwards, shafts `gap` apart, as seen from the bench.

    Attributes:
        title: "units 1–60".
        units: how many are shown.
        across: how many the whole drawing has room for.
        lines: path data of the shafts' lines.
        dots: path data of points, one for each unit on its shaft.
        cords: path data of small squares, one for each unit with a single draw cord.
        shafts: their numbers at the ends of the lines.
        ticks: unit numbers below.
        cord_y: where the single draw cords are; None where the loom has none.
    """

    title: str
    units: int
    across: int
    height: float
    lines: str
    dots: str
    cords: str
    shafts: tuple[Tick, ...]
    ticks: tuple[Tick, ...]
    cord_y: float | None


_MOST_ACROSS = 70
_LEAST_ACROSS = 40
_NUMBERS = 9
"""Room for the numbers at both sides, in units."""


def stretches_of(units: int) -> list[range]:
    """Units from 1, in stretches of nearly the same length, each of which has room across a page."""
    many = ceil(units / _MOST_ACROSS)
    length = ceil(units / many)
    return [range(first, min(first + length, units + 1)) for first in range(1, units + 1, length)]


def order_drawings(loom: Loom, naming: Naming) -> list[OrderDrawing]:
    """The leash order from her unit 1 on, a stretch at a time."""
    stretches = stretches_of(naming.units)
    room = max(_LEAST_ACROSS, len(stretches[0])) + _NUMBERS
    highest = 150.0 / (_WIDTH / room)
    gap = min(1.5, highest / max(1, loom.pattern_shafts))
    has_cords = bool(loom.single_cords)
    top = 1.6 if has_cords else 0.4
    step = 1 if gap >= 1.1 else max(2, tick_step(loom.pattern_shafts))
    numbered = set(edge_numbers(loom.pattern_shafts, step))
    y_of = {  # the shaft nearest to the bench is the lowest
        shaft: round(top + (loom.pattern_shafts - shaft) * gap, 3)
        for shaft in range(1, loom.pattern_shafts + 1)
    }
    shafts = tuple(
        Tick(y, str(naming.shaft(shaft))) for shaft, y in y_of.items() if naming.shaft(shaft) in numbered
    )
    found = []
    for numbers in stretches:
        # as seen from the bench: counted from the right, her first unit is the last of the drawing
        drawn = numbers if naming.units_from == "left" else reversed(numbers)
        x_of = {naming.unit(number): place + 0.5 for place, number in enumerate(drawn)}
        hung = [(x, shaft) for unit, x in x_of.items() if (shaft := loom.leashes[unit - 1]) != NO_SHAFT]
        corded = [x for unit, x in x_of.items() if unit in loom.single_cords]
        ticks = [n for n in numbers if n == numbers[0] or (n % 5 == 0 and n - numbers[0] > 1)]
        found.append(
            OrderDrawing(
                title=_span("unit", numbers[0], numbers[-1]),
                units=len(numbers),
                across=room,
                height=top + (loom.pattern_shafts - 1) * gap + 2.2,
                lines="".join(f"M0 {y:g}h{len(numbers)}" for y in y_of.values()),
                dots="".join(f"M{x:g} {y_of[shaft]:g}h0" for x, shaft in hung),
                cords="".join(f"M{x - 0.28:g} .12h.56v.56h-.56z" for x in corded),
                shafts=shafts,
                ticks=tuple(Tick(x_of[naming.unit(number)], str(number)) for number in ticks),
                cord_y=0.4 if has_cords else None,
            )
        )
    return found


@dataclass(frozen=True, slots=True)
class ShaftLine:
    """What hangs on a shaft; `name` is "" where the line goes on from the one before."""

    name: str
    units: str
    leashes: str
    which: str


_MOST_ENTRIES = 160
"""Of units to a line of the table; a shaft with more has several."""


def shaft_lines(loom: Loom, naming: Naming) -> list[ShaftLine]:
    """Units and leashes of each shaft that carries any, and of the single draw cords."""
    found: list[ShaftLine] = []
    named = sorted((naming.shaft(shaft), units) for shaft, units in loom.units_by_shaft.items())
    things = [(f"Shaft {name}", units) for name, units in named]
    if loom.single_cords:
        things.append(("Single draw cords", loom.single_cords))
    for name, units in things:
        listed = entries(naming.unit_numbers(units))
        leashes = "" if name.startswith("Single") else str(leashes_in(loom, units))
        for first in range(0, len(listed), _MOST_ENTRIES):
            part = ", ".join(listed[first : first + _MOST_ENTRIES])
            if first:
                found.append(ShaftLine("", "", "", part))
            else:
                found.append(ShaftLine(name, str(len(units)), leashes, part))
    return found


@dataclass(frozen=True, slots=True)
class ShaftTable:
    """Lines of the table of shafts, on a leaf: in one column, or in two side by side."""

    columns: tuple[tuple[ShaftLine, ...], ...]
    height: float


_TABLE_HEAD = 9.0


def shaft_tables(lines: Sequence[ShaftLine], room: float, left: float) -> list[ShaftTable]:
    """The table in parts of which each has so much room; side by side where that takes fewer leaves.

    Args:
        left: room beside the drawing, on its last leaf.
    """
    one, two = ([1.9 + 4.6 * _lines_of(line.which, width) for line in lines] for width in (96, 25))
    # of the two columns only the first is wide enough for one line: "Single draw cords" has two
    two = [max(high, 11.1 if len(line.name) > 9 else 0) for high, line in zip(two, lines, strict=True)]
    below = room - _TABLE_HEAD

    def table(*columns: range, heights: Sequence[float]) -> ShaftTable:
        high = max(sum(heights[n] for n in column) for column in columns)
        return ShaftTable(tuple(tuple(lines[n] for n in column) for column in columns), high + _TABLE_HEAD)

    single = [table(column, heights=one) for column in _dealt(one, below)]
    halves = _dealt(two, below)
    double = [
        table(*halves[number : number + 2], heights=two) for number in range(0, len(halves) // 2 * 2, 2)
    ]
    if len(halves) % 2:  # the last of them is not full: both of its columns as high as each other
        rest = halves[-1]
        middle = next(n for n in rest if sum(two[rest[0] : n + 1]) >= sum(two[n + 1 : rest[-1] + 1]))
        parts = [range(rest[0], middle + 1), range(middle + 1, rest[-1] + 1)]
        double.append(table(*filter(None, parts), heights=two))
    return min((single, double), key=lambda tables: len(tables) - (_height_of_all(tables) <= left))


def _height_of_all(tables: Iterable[ShaftTable]) -> float:
    return sum(table.height for table in tables)


def order_leaves(loom: Loom, naming: Naming) -> list[Leaf]:
    """The leash order drawn, as far as that can be read, and the leashes of each shaft."""
    leaves, left = list[Leaf](), 0.0
    units, shafts = len(loom.leashes), loom.pattern_shafts
    if units <= MOST_DRAWN_UNITS and shafts <= MOST_DRAWN_SHAFTS:
        drawings = order_drawings(loom, naming)
        stretches = stretches_of(units)
        heights = [drawing.height * _WIDTH / drawing.across + 10 for drawing in drawings]
        for dealt in _dealt(heights, _LEAF - 14):
            span = _span("unit", stretches[dealt[0]][0], stretches[dealt[-1]][-1])
            leaves.append(Leaf("order", f"Leash order, {span}", "order", tuple(drawings[n] for n in dealt)))
            left = _LEAF - 14 - sum(heights[n] for n in dealt)
    tables = shaft_tables(shaft_lines(loom, naming), _LEAF - 6, left)
    if _height_of_all(tables) <= left:
        last = leaves[-1]
        leaves[-1] = replace(last, title=f"{last.title}, and shaft by shaft", lines=(*last.lines, *tables))
        return leaves
    for number, table in enumerate(tables):
        title = "Leash order, shaft by shaft" + (", goes on" if number else "")
        leaves.append(Leaf("order", title, "order", (table,)))
    return leaves


# --- the temporaries -----------------------------------------------------------------------------------


class Stretch(NamedTuple):
    """Neighbouring leashes: "take 3"."""

    take: bool
    text: str


@dataclass(frozen=True, slots=True)
class TemporaryBlock:
    """A temporary: what it takes, when it goes in and comes out, what lifts it.

    Attributes:
        units: "3 and 5–7".
        stretches: what to take and to pass, in the order in which she counts; none where it is in already.
        counting: "Of the 8 leashes on shaft 7, behind the loom, counting from your left:".
        check: what to count afterwards.
        goes_in: "before the first row"; "" where it was in when the plan was made.
        cords: "after row 12: move the cords of handle 7 to temporary 7a", in order.
        comes_out: "after row 20".
    """

    name: str
    shaft: int
    units: str
    number: int
    counting: str
    stretches: tuple[Stretch, ...]
    check: str
    goes_in: str
    cords: tuple[str, ...]
    comes_out: str

    @property
    def height(self) -> float:
        """Millimetres."""
        texts = [f"    Out {self.comes_out}", *(f"    {line}" for line in self.cords), self.check]
        high = 1.7 + 4.6 * _lines_of(self.units, 120) + sum(0.4 + 4.6 * _lines_of(t, 166) for t in texts)
        lines, left = _set(f"    In {self.goes_in}. {self.counting}", 178)
        across = sum(5.5 + 2.3 * len(stretch.text) for stretch in self.stretches)
        return high + 2.6 + 4.6 * lines + (2.4 if across <= left else 7.0 * ceil(across / 165))


def temporary_blocks(weaving: Weaving, chosen: Preferences) -> list[TemporaryBlock]:
    """Each temporary of the plan: those that are in already, then in the order in which they go in."""
    cards, naming = weaving.cards, chosen.naming(weaving.piece.loom)
    if not cards:
        return []
    there = sorted(cards[0].before.temporaries, key=lambda t: temporary_order(naming.name(t.name)))
    found = [_block(weaving, t.name, t.parent, t.units, None, chosen) for t in there]
    for card in cards:
        if isinstance(card.step, Insert):
            step = card.step
            found.append(_block(weaving, step.temporary, step.shaft, step.units, card, chosen))
    return found


def _block(
    weaving: Weaving, name: str, shaft: int, units: Iterable[int], card: Card | None, chosen: Preferences
) -> TemporaryBlock:
    """The block of one temporary; `card` puts it in."""
    loom, naming, cards = weaving.piece.loom, chosen.naming(weaving.piece.loom), weaving.cards
    out = drawn_out(cards, name, card.number if card else 0)
    meanwhile = cards[card.number if card else 0 : out.number]
    told = [naming.card(other) for other in meanwhile if isinstance(other.step, MoveCords)]
    hers = naming.name(name)
    taken = frozenset(units)
    stretches: tuple[Stretch, ...] = ()
    counting = check = goes_in = ""
    if card is not None:
        view = VIEWS["insert"](weaving, card, chosen)
        runs = take_and_pass(loom.units_of(shaft), taken, chosen.stance, loom.leashes_of)
        stretches = tuple(
            Stretch(run.take, f"{'take' if run.take else 'pass'} {run.leashes}") for run in runs
        )
        counting = (
            f"Of the {several(view['of'], 'leash', 'leashes')} on shaft {view['shaft']}, {view['stance']}:"
        )
        check = " ".join(filter(None, (view["check"], view["look_alike"])))
        goes_in = after_words(position_of(card.before))
    return TemporaryBlock(
        name=hers,
        shaft=naming.shaft(shaft),
        units=numbers_text(naming.unit_numbers(taken)),
        number=len(taken),
        counting=counting,
        stretches=stretches,
        check=check,
        goes_in=goes_in,
        cords=tuple(
            f"{after_words(position_of(other.before))}: {_first_small(heading(other))}"
            for other in told
            if isinstance(other.step, MoveCords) and hers in (other.step.source, other.step.target)
        ),
        comes_out=due_out(out.row, len(weaving.piece.rows)),
    )


def _first_small(words: str) -> str:
    return words[:1].lower() + words[1:]


_HAZARDS: tuple[CardKind, ...] = ("walk", "insert", "move_cords", "test_lift")


@dataclass(frozen=True, slots=True)
class HowTo:
    """What stands before the temporaries: what may hurt, and the hands' work.

    Attributes:
        shown: of which temporary the work is told: "7a on shaft 7"; "" where none goes in.
    """

    cautions: tuple[str, ...]
    shown: str
    work: tuple[str, ...]


def how_to(weaving: Weaving, naming: Naming) -> HowTo:
    """Cautions for all that the plan has behind the loom; the work by the example of its first temporary."""
    first = {card.kind: card for card in reversed(weaving.cards)}
    words = [line for kind in _HAZARDS if kind in first for line in cautions(naming.card(first[kind]))]
    shown, work = "", tuple[str, ...]()
    if "insert" in first:
        told = naming.card(first["insert"])
        assert isinstance(told.step, Insert)
        shown, work = f"{told.step.temporary} on shaft {told.step.shaft}", order_of_work(told)
    return HowTo(tuple(dict.fromkeys(words)), shown, work)


def temporary_leaves(weaving: Weaving, chosen: Preferences) -> list[Leaf]:
    """The temporaries, with how they are put in on the first leaf; none where the plan has none."""
    blocks = temporary_blocks(weaving, chosen)
    if not blocks:
        return []
    lines: list[object] = [how_to(weaving, chosen.naming(weaving.piece.loom)), *blocks]
    heights = [66.0, *(block.height for block in blocks)]
    leaves = []
    for dealt in _dealt(heights, _LEAF + 2):
        names = [block.name for number in dealt if number and (block := blocks[number - 1])]
        title = f"Temporaries, {_from_to(names)}" if names else "Temporaries"
        leaves.append(Leaf("temporaries", title, "temporaries", tuple(lines[n] for n in dealt)))
    return leaves


# --- tape labels, and the cloth ------------------------------------------------------------------------

LABELS_ACROSS = 6


def label_leaves(weaving: Weaving, naming: Naming) -> list[Leaf]:
    """A label for each shaft that takes part, and for each of its temporaries; none where none does."""
    names = {t.name for t in weaving.cards[0].before.temporaries} if weaving.cards else set()
    names |= {card.step.temporary for card in weaving.cards if isinstance(card.step, Insert)}
    names |= {str(parent_of(name)) for name in names}
    for card in weaving.cards:
        if isinstance(card.step, Label):
            names |= set(map(str, card.step.shafts))
    hers = sorted(map(naming.name, names), key=temporary_order)
    rows = [hers[first : first + LABELS_ACROSS] for first in range(0, len(hers), LABELS_ACROSS)]
    leaves = []
    for dealt in _dealt([40.0] * len(rows), _LEAF - 20):
        names_here = [name for number in dealt for name in rows[number]]
        title = f"Numbers to tape on, {_from_to(names_here)}"
        leaves.append(Leaf("labels", title, "labels", tuple(rows[number] for number in dealt)))
    return leaves


def _from_to(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


@dataclass(frozen=True, slots=True)
class ClothOnPaper:
    """The piece at a glance.

    Attributes:
        woven: address of the picture of the cloth; "" where the piece tells no threads, or has too many.
        dots: width and height of it.
        picture: the design, where there is no such picture and it is not too large to be drawn cell by cell.
        facts: what is told beside it: (what, how much).
    """

    woven: str
    dots: tuple[int, int]
    picture: DesignPicture | None
    facts: tuple[tuple[str, str], ...]


MOST_DRAWN_CELLS = 400_000


def cloth_leaf(weaving: Weaving, naming: Naming) -> Leaf:
    """The cloth: its picture and its measures, as far as the piece tells them."""
    piece, threads = weaving.piece, weaving.piece.threads
    picks = sum(piece.picks(row) for row in range(1, len(piece.rows) + 1))
    facts = [
        ("Units", f"{len(piece.loom.leashes):,}"),
        ("Rows", f"{len(piece.rows):,}"),
        ("Picks", f"{picks:,}"),
    ]
    if threads is not None:
        height = float(picks / threads.picks_per_cm)
        facts += [
            ("Ends", f"{threads.ends:,}"),
            ("Width in the reed", f"{threads.width_cm:.1f} cm"),
            ("Height as woven", f"{height:.1f} cm"),
            ("Ends to a cm", f"{float(threads.ends_per_cm):g}"),
            ("Picks to a cm", f"{float(threads.picks_per_cm):g}"),
        ]
    dots = _dots(piece)
    few = len(piece.loom.leashes) * len(piece.rows) <= MOST_DRAWN_CELLS
    walks = [card.row for card in walk_cards(weaving.cards)]
    cloth = ClothOnPaper(
        woven=f"/pieces/{weaving.id}/cloth.png?width={dots[0]}" if dots else "",
        dots=dots or (0, 0),
        picture=design_picture(piece, walks, naming) if few and not dots else None,
        facts=tuple(facts),
    )
    return Leaf("cloth", "The cloth", "cloth", (cloth,))


def _dots(piece: Piece) -> tuple[int, int] | None:
    """Width and height of a picture of the whole cloth; None where none can be drawn."""
    if piece.threads is None:
        return None
    try:
        draft = Draft(cells_of(piece), tuple(piece.picks_per_row), tuple(piece.treadling), piece.threads)
    except ValueError:
        return None
    if draft.whole.crossings > MOST_CROSSINGS:
        return None
    ratio = height_of(piece.threads, draft.whole, 10_000) / 10_000
    width = max(1, min(1_500, int(sqrt(0.9 * MOST_DOTS / ratio))))
    height = height_of(piece.threads, draft.whole, width)
    return (width, height) if width * height <= MOST_DOTS else None


# --- the page ------------------------------------------------------------------------------------------


def all_leaves(
    weaving: Weaving, chosen: Preferences, sheets: Iterable[SheetName], first: int, last: int
) -> list[Leaf]:
    """The leaves of these sheets, in the order of `SHEETS`.

    Args:
        first: first row of the lift plan.
        last: its last row.
    """
    naming, wanted = chosen.naming(weaving.piece.loom), set(sheets)
    leaves: list[Leaf] = []
    if "lift" in wanted:
        leaves += lift_leaves(weaving, chosen, first, last)
    if "order" in wanted:
        leaves += order_leaves(weaving.piece.loom, naming)
    if "temporaries" in wanted:
        leaves += temporary_leaves(weaving, chosen)
    if "labels" in wanted:
        leaves += label_leaves(weaving, naming)
    if "cloth" in wanted:
        leaves.append(cloth_leaf(weaving, naming))
    return leaves


def sheets_of(names: Iterable[str]) -> list[SheetName]:
    """The sheets of these names.

    Raises:
        NotUnderstood: if there is none of a name.
    """
    known = get_args(SheetName)
    wanted = set(names)
    if not wanted <= set(known):
        raise NotUnderstood("There is no such sheet; choose among those listed here.")
    return [name for name in known if name in wanted]


@router.get("/pieces/{piece}/sheets")
def show_sheets(
    request: Request,
    piece: str,
    sheet: Annotated[list[str] | None, Query()] = None,
    first: str = "",
    last: str = "",
    chosen: str = "",
) -> Response:
    """The sheets as they will be printed, and the choice of them; all, where nothing was chosen yet.

    Args:
        sheet: names of the sheets.
        first: first row of the lift plan; "" for the first of the piece.
        last: its last row; "" for as far as fits.
        chosen: not empty where the form was sent: then no sheet named means none.
    """
    weaving = weaving_of(request, piece)
    hers = preferences_of(store_of(request), weaving.id)
    rows, message, status = len(weaving.piece.rows), "", 200
    wanted: list[SheetName] = list(SHEETS)
    begin, end = 1, min(rows, MOST_ROWS)
    try:
        if sheet is not None or chosen:
            wanted = sheets_of(sheet or ())
            if not wanted:
                raise NotUnderstood("Choose a sheet; then it is shown here.")
        if first.strip():
            begin = number_of(first, "The first row", 1, rows)
        end = min(rows, begin + MOST_ROWS - 1)
        if last.strip():
            end = number_of(last, "The last row", begin, rows)
        if end - begin >= MOST_ROWS:
            raise NotUnderstood(f"At most {MOST_ROWS:,} rows are printed at once; choose fewer.")
    except NotUnderstood as why:
        message, status = str(why), 422
    leaves = [] if message else all_leaves(weaving, hers, wanted, begin, end)
    shown = {leaf.sheet for leaf in leaves}
    lines = [line for leaf in leaves for line in leaf.lines]
    return page(
        "sheets.html",
        status=status,
        weaving=weaving,
        message=message,
        sheets=SHEETS,
        wanted=wanted,
        empty=[name for name in wanted if name not in shown and not message],
        rows=rows,
        first=first.strip()[:20] or begin,
        last=last.strip()[:20] or end,
        leaves=leaves,
        widths=column_widths(lines),
        shaft_one=shaft_one_words(hers.naming(weaving.piece.loom)),
        units_from=hers.units_from,
    )
