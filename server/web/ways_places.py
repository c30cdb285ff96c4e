"""Where else the figure could sit: marking it, every place with its minutes, and one place looked at closely.

Units in forms and sentences are as she counts; a place is told by how far it is from where the figure is,
which is the same for all.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import groupby
from typing import Annotated, Any
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from server.design.piece import Piece
from server.loom.leashes import NO_SHAFT
from server.plan.no_plan import NoPlan
from server.session.naming import Naming
from server.session.wording import minutes_text, several
from server.store.weavings import Weaving
from server.ways.figures import (
    STAYS,
    Block,
    Company,
    Move,
    Where,
    check_block,
    figure_units,
    laid,
    moved,
    suggested_block,
    where_in_order,
    with_company,
)
from server.ways.places import MOST_SECONDS, USUAL_SECONDS, Place, Places, from_json
from server.web.drawings import ROWS_AT_ONCE, Drawn, Tick, cells_needing_temporaries, row_path, tick_step
from server.web.drawn import drawn_asked, drawn_or_refusal, drawn_view
from server.web.rendering import NotUnderstood, naming_of, number_of, page, weaving_of
from server.web.ways import becomes, take
from server.web.ways_reckoned import FROM, LONGER, Reckoned, Time, answer_of, reckoned_for
from server.web.working import NotWoven, Working, to_working

router = APIRouter()

MOST_ROWS_BY = 20
"""By so many rows a figure is moved here, earlier and later."""

TIME = Time(USUAL_SECONDS, MOST_SECONDS)
"""For all places together."""

MOST_LINES, MOST_FREE, LINES_AT_ONCE = 60, 4, 8
"""Lines of the table, those without any temporary above it, and those that are not folded."""

FIELDS = ("first_row", "last_row", "first_unit", "last_unit", "earlier", "later")

_MOVE = re.compile(r"(-?[0-9]{1,6}),(-?[0-9]{1,6})(,mirrored)?", re.ASCII)

UNREAD = "That place could not be read. Choose one of those below."

NOT_LOOKED_AT = "That place is on the cloth, but it was not asked for: ask for more rows earlier or later."


# --- what is asked -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Asked:
    """The figure that she marked, by how many rows it may be moved, and how long that may take."""

    block: Block
    earlier: int = 0
    later: int = 0
    time: Time = TIME

    def fields(self, naming: Naming) -> dict[str, str]:
        """What the form’s fields say."""
        first, last = naming.unit_numbers((self.block.first_unit, self.block.last_unit))
        told = (self.block.first_row, self.block.last_row, first, last, self.earlier, self.later)
        return dict(zip(FIELDS, map(str, told), strict=True))


def _read(piece: Piece, naming: Naming, typed: Mapping[str, str]) -> Asked:
    """What a form sent; corners may be swapped.

    Raises:
        NotUnderstood: if it is no figure of this piece.
    """
    rows, units = len(piece.rows), len(piece.loom.leashes)
    row, other_row = (
        number_of(typed.get(name, ""), what, 1, rows)
        for name, what in (("first_row", "First row"), ("last_row", "Last row"))
    )
    unit, other_unit = (
        naming.unit(number_of(typed.get(name, ""), what, 1, units))
        for name, what in (("first_unit", "First unit"), ("last_unit", "Last unit"))
    )
    earlier, later = (
        number_of(typed.get(name) or "0", what, 0, MOST_ROWS_BY)
        for name, what in (("earlier", "Rows earlier"), ("later", "Rows later"))
    )
    block = Block.between(row, other_row, unit, other_unit)
    try:
        check_block(piece, block)
    except ValueError as why:
        raise NotUnderstood(str(why)) from why
    return Asked(block, earlier, later, TIME.read(typed.get(LONGER, "")))


def _read_move(piece: Piece, block: Block, text: str) -> Move:
    """A place that an address names.

    Raises:
        NotUnderstood: if it names none, or one off the cloth.
    """
    found = _MOVE.fullmatch(text)
    if found is None:
        raise NotUnderstood(UNREAD)
    move = Move(int(found[2]), int(found[1]), found[3] is not None)
    try:
        moved(piece, block, move)
    except ValueError as why:
        raise NotUnderstood(str(why)) from why
    return move


def move_text(move: Move) -> str:
    """A place in an address: units to the right, rows later, and whether mirrored."""
    return f"{move.units_by},{move.rows_by}{',mirrored' if move.mirrored else ''}"


# --- words ---------------------------------------------------------------------------------------------


def _side(units: int) -> str:
    return "to the right" if units > 0 else "to the left"


def move_words(first: Move, last: Move | None = None) -> str:
    """Where a place is, or a stretch of them beside one another: “2 to 5 units to the left, mirrored”."""
    last = last or first
    one, other = first.units_by, last.units_by
    if one == other:
        words = [f"{several(abs(one), 'unit')} {_side(one)}"] if one else []
    elif one >= 0 or other <= 0:
        near, far = sorted((abs(one), abs(other)))
        words = [f"{near} to {far} units {_side(one + other)}"]
    else:
        words = [f"from {several(-one, 'unit')} to the left to {several(other, 'unit')} to the right"]
    if first.rows_by:
        words.append(f"{several(abs(first.rows_by), 'row')} {'later' if first.rows_by > 0 else 'earlier'}")
    if first.mirrored:
        words.append("mirrored")
    if words == ["mirrored"]:
        return "where it is, mirrored"
    return ", ".join(words) or "where it is"


def name_words(move: Move) -> str:
    """What was done to the design, for its name."""
    if (move.units_by, move.rows_by) == (0, 0):
        return "mirrored"
    return f"moved {move_words(move)}"


class _Orders:
    """How places lie in the leash order: “in the straight run between the turning points at 8 and 15”."""

    def __init__(self, piece: Piece, block: Block, naming: Naming) -> None:
        self._loom, self._naming = piece.loom, naming
        self._units = {way: figure_units(piece, block, Move(mirrored=way)) for way in (False, True)}
        self._known: dict[tuple[int, int], str] = {}

    def words(self, move: Move) -> str:
        first, last = (unit + move.units_by for unit in self._units[move.mirrored])
        if (first, last) not in self._known:
            self._known[first, last] = _order_words(where_in_order(self._loom, first, last), self._naming)
        return self._known[first, last]


def _order_words(where: Where, naming: Naming) -> str:
    if where.run is not None:
        first, last = naming.unit_numbers(where.run)
        if all(where.ends_turn):
            return f"in the straight run between the turning points at {first} and {last}"
        if first == last:
            return f"on unit {first} alone"
        return f"in the straight run from unit {first} to {last}"
    if where.turns:
        turns = [naming.unit_numbers(set(turn)) for turn in where.turns]
        if len(turns) > 3:
            return f"over {len(turns)} turning points"
        numbers = [f"{turn[0]}–{turn[-1]}" if turn[1:] else f"{turn[0]}" for turn in sorted(turns)]
        if not numbers[1:]:
            return f"over the turning point at {numbers[0]}"
        return f"over the turning points at {', '.join(numbers[:-1])} and {numbers[-1]}"
    return "from one part of the leash order into the next"


def shared_words(piece: Piece, block: Block, move: Move) -> str:
    """What follows from where it lies: whether units of the figure hang on one shaft there."""
    first, last = (unit + move.units_by for unit in figure_units(piece, block, Move(mirrored=move.mirrored)))
    hung = [shaft for shaft in piece.loom.leashes[first - 1 : last] if shaft != NO_SHAFT]
    if len(set(hung)) < len(hung):
        return "There some of its units hang on the same shaft; without a temporary that lifts them together."
    return "There no two of its units hang on the same shaft."


def company_words(company: Company) -> str:
    """What comes along, as the subject of a sentence; "" for nothing."""
    words = []
    if company.repeats:
        words.append(several(company.repeats, "repeat"))
    if company.mirror_images:
        words.append(several(company.mirror_images, "mirror image"))
    if company.pieces:
        words.append("parts of it elsewhere")
    return f"{', '.join(words[:-1])} and {words[-1]}" if words[1:] else "".join(words)


def along_words(company: Company) -> str:
    """What comes out without any temporary, in a sentence."""
    along = company_words(company)
    come = "comes" if company.repeats + company.mirror_images == 1 and not company.pieces else "come"
    words = ["The figure comes out whole"]
    if company.spoilt:
        cells = (
            f"{several(company.spoilt, 'cell')} of the figure {'comes' if company.spoilt == 1 else 'come'}"
        )
        words = [f"{cells} out otherwise than drawn"]
    if along:
        words.append(f"{along} {come} along")
    if company.lost:
        words.append(f"{several(company.lost, 'lifted cell')} drawn elsewhere would rest")
    return f"{', '.join(words[:-1])}, and {words[-1]}." if words[1:] else f"{words[0]}."


def is_free(place: Place) -> bool:
    """Whether the loom lifts every row there as it hangs, and nothing in it must come out first."""
    return place.takes_nothing


def takes_words(place: Place) -> str:
    """What a place takes, for a table."""
    if is_free(place):
        return "free"
    if not place.is_possible:
        return "more than this loom has"
    if place.minutes is None:
        return "not worked out"
    return f"{'' if place.is_exact else 'at most '}{minutes_text(place.minutes, True)}"


def sentence_of(place: Place, now: Place | None) -> str:
    """What a place takes, beside where the figure is now."""
    if is_free(place):
        return "Free: the loom lifts every row as it hangs."
    if not place.is_possible:
        return "There is no plan for it there: this loom has too little room, or too few walks can be made."
    if place.minutes is None or place.walks is None:
        at_least = minutes_text(place.at_least, True)
        return f"It was not worked out in the time there was; it takes at least {at_least}."
    most = "" if place.is_exact else "at most "
    minutes = f"{most}{minutes_text(place.minutes, True)}"
    walked = several(place.walks, "walk") if place.walks else "no walk"
    words = f"{walked} and {minutes} besides the weaving"
    if place.is_free:
        words += ", for what stands in the loom must come out"
    if not place.is_exact:
        words += f"; no plan takes fewer than {minutes_text(place.at_least, True)}"
    if now is None or now.minutes is None or now.walks is None or place.move == STAYS:
        return f"{words}."
    saved, walks = now.minutes - place.minutes, now.walks - place.walks
    if abs(saved) < 0.05:
        return f"{words}: as long as where it is."
    than = f" and {several(abs(walks), 'walk')}" if walks * saved > 0 else ""
    verb = "saves" if saved > 0 else "costs"
    more = "" if saved > 0 else " more"
    return f"{words}. That {verb} {minutes_text(abs(saved), True)}{than}{more}."


def summary_of(found: Places) -> str:
    """Whether it is worth its while to move the figure, in a sentence."""
    others = [place for place in found.places if place.move != STAYS]
    if not others:
        return "There is no other place for it on this cloth."
    places, best, now = several(len(others), "other place"), min(others, key=_rank), found.now
    there, side = move_words(best.move), best.move.units_by
    if side and any(one.move.units_by == -side and _rank(one) == _rank(best) for one in others):
        there = there.replace(_side(side), "to either side")
    if is_free(best):
        return f"Of {places}, the nearest that is free is {there}."
    if best.minutes is None and any(place.is_possible for place in others):
        return f"None of {places} could be worked out in the time."
    if best.minutes is None:
        return f"At none of {places} could this loom weave it alone."
    if now is None or now.minutes is None or best.minutes < now.minutes - 0.05:
        return f"Of {places}, it takes the fewest minutes {there}."
    if best.minutes <= now.minutes + 0.05:
        return f"At none of {places} does it take less; it takes as long {there}."
    return f"At none of {places} does it take less than where it is."


# --- all places ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Line:
    """Places beside one another that take the same and lie the same way.

    Attributes:
        places: how many they are.
        free: whether nothing needs a temporary there, and what may come along for it, if so.
        covers: whether something else that is drawn there would be lost.
        to: the best of them, for its address.
        is_chosen: whether the one that is looked at is among them.
    """

    words: str
    places: int
    order: str
    takes: str
    walks: str
    free: str
    covers: bool
    to: str
    is_chosen: bool


def _rank(place: Place) -> tuple[float, ...]:
    """The best first: free, then few minutes, then near."""
    move = place.move
    minutes = place.minutes if place.minutes is not None else float("inf")
    state = 0 if is_free(place) else 1 if place.minutes is not None else 2
    return state, round(minutes, 3), abs(move.rows_by), abs(move.units_by), move.mirrored


def lines_of(piece: Piece, found: Places, chosen: Move, naming: Naming) -> list[Line]:
    """All places where the loom can weave the figure, alone or with what comes along: the best first."""
    orders = _Orders(piece, found.block, naming)

    def kind(place: Place) -> tuple[object, ...]:
        company, move = place.company, place.move
        whole = company_words(company), company.lost > 0
        if not company.is_free:
            whole = "", False
        return move.mirrored, move.rows_by, takes_words(place), place.walks, whole, orders.words(move)

    ranked = []
    for _, group in groupby(found.places, kind):
        places = list(group)
        best = min(places, key=_rank)
        if not best.is_possible and not best.company.is_free:
            continue
        line = Line(
            words=move_words(places[0].move, places[-1].move),
            places=len(places),
            order=orders.words(best.move),
            takes=takes_words(best),
            walks="" if is_free(best) or best.walks is None else several(best.walks, "walk"),
            free=_free_words(best),
            covers=best.covered > 0 or best.company.lost > 0,
            to=move_text(best.move),
            is_chosen=any(place.move == chosen for place in places),
        )
        ranked.append((_rank(best), line))
    ranked.sort(key=lambda entry: entry[0])
    return [line for _, line in ranked]


def _free_words(place: Place) -> str:
    company = place.company
    if place.is_free or not company.is_free:
        return "free" if is_free(place) else "no more temporary" if place.is_free else ""
    words = [f"{along} may come along"] if (along := company_words(company)) else []
    if company.lost:
        words.append(f"{several(company.lost, 'lifted cell')} drawn elsewhere may rest")
    return f"no temporary, if {' and '.join(words)}" if words else "no temporary"


@dataclass(frozen=True, slots=True)
class Bars:
    """Minutes of all places in some rows, from left to right; one unit long per place, 10 high.

    Attributes:
        mirrored: whether of the mirror image.
        wide: pixels to a place at full size.
        exact: path data of the bars, for a stroke; `open`: those that may be less, for an outline.
        free: the middle of each free place; `never`: of each that the loom cannot weave.
        chosen, now: which one is looked at and where the figure is; None: not here.
    """

    mirrored: bool
    places: int
    wide: int
    exact: str
    open: str
    free: tuple[float, ...]
    never: str
    chosen: float | None
    now: float | None
    ticks: tuple[Tick, ...]


_HIGH = 10.0


def bars_of(found: Places, chosen: Move) -> list[Bars]:
    """The places with the rows of the one that is looked at: as drawn, and mirrored."""
    most = max((place.minutes for place in found.places if place.minutes is not None), default=1.0) or 1.0
    bars = []
    for mirrored in (False, True):
        row = [p for p in found.places if p.move.mirrored == mirrored and p.move.rows_by == chosen.rows_by]
        if not row:
            continue
        exact, still_open, never, free = [], [], [], []
        now = here = None
        step = tick_step(len(row))
        for number, place in enumerate(row):
            x = number + 0.5
            height = 0.0 if place.minutes is None else max(0.25, _HIGH * place.minutes / most)
            if is_free(place):
                free.append(x)
            elif not place.is_possible:
                never.append(f"M{x - 0.3:g} {_HIGH - 0.75:g}l.6.6m0-.6l-.6.6")
            elif place.minutes is not None and place.is_exact:
                exact.append(f"M{x:g} {_HIGH:g}v{-height:.3g}")
            elif place.minutes is not None:
                still_open.append(f"M{x - 0.35:g} {_HIGH:g}v{-height:.3g}h.7v{height:.3g}")
            if place.move == chosen:
                here = x
            if place.move.units_by == 0 and not mirrored and chosen.rows_by == 0:
                now = x
        bars.append(
            Bars(
                mirrored=mirrored,
                places=len(row),
                wide=max(6, min(22, 860 // len(row))),
                exact="".join(exact),
                open="".join(still_open),
                free=tuple(free),
                never="".join(never),
                chosen=here,
                now=now,
                ticks=tuple(
                    Tick(number + 0.5, str(abs(place.move.units_by)))
                    for number, place in enumerate(row)
                    if place.move.units_by % step == 0
                ),
            )
        )
    return bars


# --- pictures ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlacePicture:
    """A design, or a part of it about a figure: row 1 at the bottom, unit 1 at the left.

    Attributes:
        first_unit, units: the leftmost that is drawn, as files count, and how many.
        all_units: how many the whole design has.
        first_row, rows: the lowest that is drawn, and how many.
        lifted, needing, marks: as of `DesignPicture`.
        along: a dot on each cell that comes along; `lost`: a ring on each that does not come out as drawn.
        frame, before: (x, y, width, height) of the figure, and of where it was; None: not shown.
    """

    first_unit: int
    units: int
    all_units: int
    first_row: int
    rows: int
    cell: int
    lifted: str
    needing: str
    marks: str
    along: str
    lost: str
    frame: tuple[int, int, int, int] | None
    before: tuple[int, int, int, int] | None
    unit_ticks: tuple[Tick, ...]
    row_ticks: tuple[Tick, ...]

    @property
    def last_row(self) -> int:
        """The highest row that is shown."""
        return self.first_row + self.rows - 1


def place_picture(
    piece: Piece,
    naming: Naming,
    drawn: Drawn,
    block: Block | None,
    before: Block | None = None,
    together: Piece | None = None,
) -> PlacePicture:
    """A design with a figure framed.

    Args:
        drawn: how much of it is drawn.
        before: where the figure was.
        together: what comes out where nothing but whole shafts and cords lift; None: the design itself.
    """
    needing = cells_needing_temporaries(piece, drawn.rows) if together is None else {}
    lifted, needed, marks, along, lost = [], [], [], [], []
    for row in drawn.rows:
        y, cells = drawn.y(row), piece.rows[row - 1]
        comes = cells if together is None else together.rows[row - 1]
        lifted.append(row_path(drawn.across(comes), y))
        if marked := drawn.across(needing.get(row, ())):
            needed.append(row_path(marked, y))
            marks += [f"M{unit - 0.85:g} {y + 0.35:g}l.7-.7" for unit in marked]
        along += [f"M{unit - 0.5:g} {y:g}h0" for unit in drawn.across(comes - cells)]
        lost += [f"M{unit - 0.78:g} {y - 0.28:g}h.56v.56h-.56z" for unit in drawn.across(cells - comes)]
    return PlacePicture(
        first_unit=drawn.units.start,
        units=len(drawn.units),
        all_units=drawn.of_units,
        first_row=drawn.rows.start,
        rows=len(drawn.rows),
        cell=max(4, min(16, 860 // len(drawn.units))),
        lifted="".join(lifted),
        needing="".join(needed),
        marks="".join(marks),
        along="".join(along),
        lost="".join(lost),
        frame=None if block is None else drawn.frame(block.rows, block.units),
        before=None if before is None else drawn.frame(before.rows, before.units),
        unit_ticks=drawn.unit_ticks(naming),
        row_ticks=drawn.row_ticks(),
    )


def _drawn_about(piece: Piece, block: Block | None, before: Block | None = None) -> Drawn:
    """What is drawn of a design: a figure, and where it was if there is room for both."""
    rows, units = ((), ()) if block is None else (block.rows, block.units)
    about = Drawn.about(piece, rows, units, ROWS_AT_ONCE)
    if block is None or before is None:
        return about
    both = Drawn.about(piece, (*rows, *before.rows), (*units, *before.units), ROWS_AT_ONCE)
    corners = (block.first_row, block.first_unit), (block.last_row, block.last_unit)
    return both if all(both.shows(*corner) for corner in corners) else about


# --- the page ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Nudge:
    """A step from the place that is looked at to the next; `to`: "" where there is none."""

    words: str
    to: str


def _nudges(found: Places, here: Move) -> list[Nudge]:
    there = {place.move for place in found.places}
    steps = [
        ("One unit to the left", Move(here.rows_by, here.units_by - 1, here.mirrored)),
        ("One unit to the right", Move(here.rows_by, here.units_by + 1, here.mirrored)),
        ("Mirrored", Move(here.rows_by, here.units_by, not here.mirrored)),
        ("One row later", Move(here.rows_by + 1, here.units_by, here.mirrored)),
        ("One row earlier", Move(here.rows_by - 1, here.units_by, here.mirrored)),
    ]
    if here.mirrored:
        steps[2] = ("Not mirrored", steps[2][1])
    return [Nudge(words, move_text(move) if move in there else "") for words, move in steps]


@dataclass(frozen=True, slots=True)
class Chosen:
    """The place that is looked at.

    Attributes:
        alone: its picture; `together`: of what comes out without any temporary, None where that is the same.
        company: what comes along then, in a sentence.
        whole: whether the figure itself comes out as drawn then, and nothing else needs a temporary.
    """

    place: Place
    words: str
    order: str
    shared: str
    takes: str
    covers: str
    alone: PlacePicture
    together: PlacePicture | None
    company: str
    whole: bool


def _chosen(piece: Piece, found: Places, place: Place, naming: Naming) -> Chosen:
    block, move = found.block, place.move
    there = laid(block, move)
    alone = moved(piece, block, move)
    together = with_company(piece, block, move)
    same = together.rows == alone.rows
    drawn = _drawn_about(piece, there, block)
    return Chosen(
        place=place,
        words=move_words(move),
        order=_Orders(piece, block, naming).words(move),
        shared=shared_words(piece, block, move),
        takes=sentence_of(place, found.now),
        covers=_covers(place.covered),
        alone=place_picture(alone, naming, drawn, there, block if move != STAYS else None),
        together=None if same else place_picture(alone, naming, drawn, there, together=together),
        company=along_words(place.company),
        whole=place.company.is_free,
    )


def _covers(cells: int) -> str:
    if not cells:
        return ""
    lie = "1 lifted cell that is" if cells == 1 else f"{cells:,} lifted cells that are"
    return f"It would lie over {lie} drawn there now."


async def _form(request: Request) -> dict[str, str]:
    form = await request.form()
    return {name: value for name, value in form.items() if isinstance(value, str)}


Sent = Annotated[dict[str, str], Depends(_form)]


@router.get("/pieces/{piece}/ways/places")
def show_places(request: Request, piece: str) -> Response:
    """The figure to be marked; where the address tells it, every place, and one of them closely."""
    weaving, query = weaving_of(request, piece), dict(request.query_params)
    reckoned, refused = reckoned_for(weaving, request.query_params.getlist(FROM))
    is_asked = any(name in query for name in FIELDS)
    if refused or not is_asked:
        return _marking_page(request, reckoned, refused, 422 if refused else 200, query if is_asked else None)
    try:
        return _places_page(request, reckoned, query)
    except NotUnderstood as why:
        return _marking_page(request, reckoned, str(why), 422, query)
    except NoPlan as why:
        said = why.counted(naming_of(request, weaving).shaft)
        return _marking_page(request, reckoned, said, 422, query)


def _marking_page(
    request: Request,
    reckoned: Reckoned,
    message: str = "",
    status: int = 200,
    typed: Mapping[str, str] | None = None,
) -> Response:
    weaving = reckoned.weaving
    piece, naming = weaving.piece, naming_of(request, weaving)
    block = _suggested(piece, reckoned.stays)
    fields = dict.fromkeys(FIELDS[:4], "") | {"earlier": "0", "later": "0"}
    if block is not None:
        fields = Asked(block).fields(naming)
    told: dict[str, str] = {}
    if typed is not None:
        fields = {name: typed.get(name, fields[name])[:20] for name in FIELDS}
        try:
            asked = _read(piece, naming, typed)
            block, told = asked.block, fields | dict(asked.time.fields)
        except NotUnderstood:
            block = None
    drawn, refused = drawn_or_refusal(_drawn_about(piece, block), naming, request.query_params)
    if refused and not message:
        message, status = refused, 422
    return page(
        "ways_places.html",
        status=status,
        weaving=weaving,
        message=message,
        reckoned=reckoned,
        anew=f"{_here(weaving)}?{urlencode(told | dict(_now(reckoned).fields))}",
        fields=fields | dict(reckoned.fields),
        is_suggested=typed is None and block is not None,
        **_marking(piece, naming, block, drawn, f"{_here(weaving)}?{urlencode(reckoned.fields)}"),
        from_right=naming.units_from == "right",
        most_rows_by=MOST_ROWS_BY,
        at_most=TIME.words,
        found=None,
    )


def _here(weaving: Weaving) -> str:
    return f"/pieces/{weaving.id}/ways/places"


def _now(reckoned: Reckoned) -> Reckoned:
    """The same of what is left now."""
    return replace(reckoned, asked=reckoned.now)


@lru_cache(maxsize=8)
def _suggested(piece: Piece, stays: int = 0) -> Block | None:
    """What is framed at first; worked out once for a piece.

    Args:
        stays: so many rows stay as they are.
    """
    rows = (frozenset[int](),) * stays + tuple(piece.rows[stays:])
    return suggested_block(replace(piece, rows=rows))


def _marking(piece: Piece, naming: Naming, block: Block | None, drawn: Drawn, ask: str) -> dict[str, Any]:
    """The drawing on which a figure is marked.

    Args:
        ask: the address of the page, with what is asked of it.
    """
    here, _, query = ask.partition("?")
    return {
        "marking": place_picture(piece, naming, drawn, block),
        "drawn": drawn_view(drawn, naming, here, parse_qsl(query)),
    }


def _answer(request: Request, reckoned: Reckoned, asked: Asked) -> Places | Working | None:
    block = asked.block
    options = {
        "block": [block.first_row, block.last_row, block.first_unit, block.last_unit],
        "rows_by": [asked.earlier, asked.later],
        "limit": asked.time.seconds,
    }
    answer = answer_of(request, reckoned, "places", options)
    return from_json(answer) if isinstance(answer, dict) else answer


def _places_page(
    request: Request, reckoned: Reckoned, query: Mapping[str, str], message: str = "", status: int = 200
) -> Response:
    weaving = reckoned.weaving
    piece, naming = weaving.piece, naming_of(request, weaving)
    asked = _read(piece, naming, query)
    fields, time = asked.fields(naming), dict(asked.time.fields)
    here = f"{_here(weaving)}?{urlencode(fields | time | dict(reckoned.fields))}"
    to = query.get("to", "")
    move = _read_move(piece, asked.block, to) if to else None
    found = _answer(request, reckoned, asked)
    if isinstance(found, Working):
        told = f"&{urlencode({'to': move_text(move)})}" if move is not None else ""
        return to_working(request, found, here + told)
    if found is None:
        return _marking_page(request, reckoned, message, status, query)
    place = min(found.places, key=_rank) if move is None else found.at(move)
    if place is None and move is not None and move.mirrored and found.same_mirrored:
        place = found.at(Move(move.rows_by, move.units_by))
    if place is None:
        raise NotUnderstood(NOT_LOOKED_AT)
    lines = lines_of(piece, found, place.move, naming)
    free = sorted((line for line in lines if line.free), key=lambda line: line.covers)
    in_table = lines[:MOST_LINES]
    drawn = drawn_asked(_drawn_about(piece, asked.block), naming, query)
    return page(
        "ways_places.html",
        status=status,
        weaving=weaving,
        message=message,
        reckoned=reckoned,
        anew=f"{_here(weaving)}?{urlencode(fields | time | dict(_now(reckoned).fields))}",
        fields=fields | dict(reckoned.fields),
        is_suggested=False,
        **_marking(piece, naming, asked.block, drawn, f"{here}&{urlencode({'to': move_text(place.move)})}"),
        from_right=naming.units_from == "right",
        most_rows_by=MOST_ROWS_BY,
        at_most=TIME.words,
        found=found,
        here=here,
        time=asked.time,
        is_settled=all(one.is_exact or not one.is_possible for one in found.places),
        now=found.now,
        chosen=_chosen(piece, found, place, naming),
        stays=place.move == STAYS,
        to=move_text(place.move),
        nudges=_nudges(found, place.move),
        bars=bars_of(found, place.move),
        bars_words=_bars_words(place.move),
        lines=lines[:LINES_AT_ONCE],
        folded=in_table[LINES_AT_ONCE:],
        folded_places=_places_in(in_table[LINES_AT_ONCE:]),
        more=_places_in(lines[MOST_LINES:]),
        summary=summary_of(found),
        free=free[:MOST_FREE],
        more_free=_places_in(line for line in in_table if line.free and line not in free[:MOST_FREE]),
        never=sum(not one.is_possible for one in found.places),
        unknown=sum(one.is_possible and one.minutes is None for one in found.places),
        becomes=becomes(request, weaving, on_the_way=reckoned.asked is not None),
    )


def _places_in(lines: Iterable[Line]) -> int:
    return sum(line.places for line in lines)


def _bars_words(move: Move) -> str:
    if not move.rows_by:
        return "in the rows that it is in"
    return f"{several(abs(move.rows_by), 'row')} {'later' if move.rows_by > 0 else 'earlier'}"


@router.post("/pieces/{piece}/ways/places")
def take_place(request: Request, piece: str, sent: Sent) -> Response:
    """Make a place the design, alone or with what comes along; nothing is kept that cannot be woven."""
    weaving = weaving_of(request, piece)
    naming = naming_of(request, weaving)
    reckoned, refused = reckoned_for(weaving, [sent.get(FROM, "")])
    try:
        if refused:
            raise NotUnderstood(refused)
        asked = _read(weaving.piece, naming, sent)
        move = _read_move(weaving.piece, asked.block, sent.get("to", ""))
        with_others = sent.get("company") == "yes"
        made = (with_company if with_others else moved)(weaving.piece, asked.block, move)
        if made.rows == weaving.piece.rows:
            raise NotUnderstood("That is where the figure is, so there is nothing to take.")
        words = name_words(move) if move != STAYS else "with what comes along"
        return take(request, weaving, made.rows, words)
    except NotWoven as why:
        return _marking_page(request, reckoned, why.said, 422, sent)
    except NotUnderstood as why:
        return _marking_page(request, reckoned, str(why), 422, sent)
