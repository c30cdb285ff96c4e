"""What a few cells are worth: the best designs within 1, 2, … changed cells, side by side."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from server.design.piece import Piece
from server.plan.changed_cells import Cell, with_changed
from server.plan.no_plan import NoPlan
from server.session.naming import Naming
from server.session.wording import minutes_text, numbers_text, several
from server.ways.few_cells import MOST_CELLS, MOST_SECONDS, Better, FewCells, Takes, from_json
from server.ways.taken import Rows
from server.ways.unaided import Changed
from server.web.drawings import Drawn, Sight, Tick, row_path
from server.web.drawn import drawn_or_refusal, drawn_view
from server.web.plan import smallest_asked, troubles_of
from server.web.rendering import NotUnderstood, naming_of, number_of, page, weaving_of
from server.web.ways import Block, becomes, take, way_picture
from server.web.ways_reckoned import FROM, Reckoned, Time, answer_of, reckoned_for
from server.web.ways_unaided import MOST_BLOCKS, block_text, block_words, blocks_of, new_block, with_one_more
from server.web.working import NotWoven, Working, to_working

router = APIRouter()

SECONDS = 150.0
"""For all numbers of cells together, as a rule."""

TIME = Time(SECONDS, MOST_SECONDS)

FIRST_ASKED = 3
"""Cells that the form asks for to begin with."""

HARDLY = 0.05
"""Minutes: a design that saves less over one with fewer changed cells is told of, and not drawn."""

DIGIT, LINE = 0.85, 1.4
"""Of the numbers at the edge, in cells: how wide a digit is, and how high a line."""

AROUND, LEAST_SHOWN, MOST_SHOWN = 5, 25, 120
"""Units and rows drawn about the changed cells, at least so many in all, and how far apart cells may be."""

_CELLS = re.compile(r"[0-9]{1,9}\.[0-9]{1,9}(?: [0-9]{1,9}\.[0-9]{1,9}){0,40}", re.ASCII)


# --- pictures ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a design that is drawn: from where, from 0 at the top left of the whole, and how large."""

    left: int
    top: int
    units: int
    rows: int

    def shows(self, piece: Piece, cell: Changed) -> bool:
        """Whether a cell is in it."""
        across, down = cell.unit - 1 - self.left, len(piece.rows) - cell.row - self.top
        return 0 <= across < self.units and 0 <= down < self.rows


@dataclass(frozen=True, slots=True)
class CellsPicture:
    """A part of a design with the changed cells marked, as `WayPicture`.

    Attributes:
        row_ticks, unit_ticks: the rows and units of changed cells; those that would touch are put together.
        beside: how much room the rows’ numbers take.
    """

    window: Window
    lifted: str
    added: str
    gone: str
    unit_ticks: tuple[Tick, ...]
    row_ticks: tuple[Tick, ...]
    beside: float


def window_of(piece: Piece, cells: Iterable[Changed]) -> Window:
    """A window for several designs, so that their pictures can be compared: with all these cells in it.

    Where they lie too far apart: with the first, and each of the others that is near enough to those before.
    """
    rows, units = len(piece.rows), len(piece.loom.leashes)
    across, up = list[int](), list[int]()
    for cell in cells:
        with_it = [*across, cell.unit - 1], [*up, rows - cell.row]
        if all(max(places) - min(places) < MOST_SHOWN for places in with_it):
            across, up = with_it
    (left, wide), (top, high) = _about(across, units), _about(up, rows)
    return Window(left, top, wide, high)


def _about(places: Sequence[int], size: int) -> tuple[int, int]:
    first, last = min(places) - AROUND, max(places) + AROUND + 1
    lack = max(LEAST_SHOWN - (last - first), 0)
    first, last = first - lack // 2, last + lack - lack // 2
    first, last = first - max(last - size, 0), last - min(first, 0)
    first, last = max(first, 0), min(last, size)
    return first, last - first


def cells_picture(piece: Piece, cells: Sequence[Changed], window: Window, naming: Naming) -> CellsPicture:
    """A design with these cells changed."""
    sight, last = Sight(naming), len(piece.rows) - window.top
    now = with_changed(piece.rows, [(cell.row, cell.unit) for cell in cells])
    inside = range(window.left + 1, window.left + window.units + 1)
    lifted = [
        row_path(sorted(now[row - 1].intersection(inside)), len(piece.rows) - row + 0.5)
        for row in range(last, last - window.rows, -1)
    ]
    middle = [
        (cell, cell.unit - 0.5, len(piece.rows) - cell.row + 0.5)
        for cell in cells
        if window.shows(piece, cell)
    ]
    rows = _ticks({(y, cell.row) for cell, _, y in middle}, upright=True)
    units = {cell.unit for cell, _, _ in middle}
    return CellsPicture(
        window=window,
        lifted="".join(lifted),
        added="".join(f"M{x:g} {y:g}h0" for cell, x, y in middle if cell.lifted),
        gone="".join(f"M{x - 0.28:g} {y - 0.28:g}h.56v.56h-.56z" for cell, x, y in middle if not cell.lifted),
        unit_ticks=_ticks((sight.across(unit), naming.unit(unit)) for unit in units),
        row_ticks=rows,
        beside=max([2.6, *(0.7 + DIGIT * len(tick.text) for tick in rows)]),
    )


def _ticks(numbers: Iterable[tuple[float, int]], *, upright: bool = False) -> tuple[Tick, ...]:
    """Numbers at their places; those that would touch are put together: "28–30", "4, 6".

    Args:
        upright: whether they stand above one another, and not side by side.
    """
    groups: list[list[tuple[float, int]]] = []

    def reach(group: list[tuple[float, int]]) -> tuple[float, float]:
        middle = (group[0][0] + group[-1][0]) / 2
        half = LINE / 2 if upright else DIGIT * len(_group_text(group)) / 2
        return middle - half, middle + half

    for one in sorted(numbers):
        groups.append([one])
        while groups[1:] and reach(groups[-2])[1] > reach(groups[-1])[0]:
            last = groups.pop()
            groups[-1] += last
    return tuple(Tick((group[0][0] + group[-1][0]) / 2, _group_text(group)) for group in groups)


def _group_text(group: Sequence[tuple[float, int]]) -> str:
    return numbers_text(number for _, number in group)


# --- words ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BetterView:
    """One of the designs, as it is shown.

    Attributes:
        cells: one by one, in words.
        elsewhere: how many of them the picture does not show.
        value: the cells for the form that takes it.
    """

    number: int
    saves: str
    takes: str
    sure: bool
    picture: CellsPicture
    cells: tuple[str, ...]
    elsewhere: int
    value: str
    row_words: str


def takes_text(takes: Takes) -> str:
    """ "3 walks and 28.4 minutes"."""
    walks = several(takes.walks, "walk") if takes.walks else "no walk"
    return f"{walks} and {minutes_text(takes.minutes, True)}"


def saved_text(before: Takes, after: Takes) -> str:
    """ "4 minutes and 2 walks"."""
    walks = before.walks - after.walks
    text = minutes_text(before.minutes - after.minutes, True)
    if walks > 0:
        return f"{text} and {several(walks, 'walk')}"
    return text + (f", with {several(-walks, 'walk')} more" if walks else "")


def cell_words(cell: Changed, naming: Naming) -> str:
    """ "Row 21, unit 8: not lifted"."""
    return f"Row {cell.row}, unit {naming.unit(cell.unit)}: {'lifted' if cell.lifted else 'not lifted'}"


def worth_drawing(found: FewCells) -> list[Better]:
    """The designs that save more than a few pulls over those with fewer cells."""
    kept: list[Better] = []
    last = found.drawn
    for better in found.better:
        if last.minutes - better.takes.minutes >= HARDLY or better.takes.walks < last.walks:
            kept.append(better)
            last = better.takes
    return kept


def none_words(found: FewCells) -> str:
    """What is to be said where no number of cells that was looked at saves anything worth drawing."""
    if found.unsure or found.ended == "time" or not found.sure:
        return "Nothing better was found in the time. Whether so few cells are worth something is not known."
    return "So few cells are worth nothing here."


def rest_words(found: FewCells, drawn: Sequence[Better]) -> list[str]:
    """What is to be said of the numbers of cells that are not drawn."""
    said = []
    numbers = {len(better.cells) for better in drawn}
    others = [number for number in range(1, found.most + 1) if number not in numbers]
    hardly = {len(better.cells) for better in found.better} - numbers
    for number in others:
        if number in found.unsure:
            said.append(f"With {several(number, 'cell')} nothing better was found in the time.")
            continue
        fewer = max((n for n in numbers if n < number), default=0)
        than = f"no more than {fewer}" if fewer else "nothing"
        extra = ", but for a pull or two" if number in hardly else ""
        said.append(f"{several(number, 'cell')} {'saves' if number == 1 else 'save'} {than}{extra}.")
    if found.ended == "none needed":
        said.append(
            "Then no temporary is needed any more; more cells could save pulls only."
            if found.better
            else "No temporary is needed for this design, so there is nothing to save."
        )
    if found.ended == "time":
        said.append("More cells could not be looked at in the time.")
    return said


def is_settled(found: FewCells) -> bool:
    """Whether more time could not find anything better."""
    all_sure = found.sure and all(better.sure for better in found.better)
    return all_sure and not found.unsure and found.ended != "time"


# --- the page ------------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/ways/cells")
def show_cells(
    request: Request,
    piece: str,
    most: str = "",
    first_row: str = "",
    last_row: str = "",
    first_unit: str = "",
    last_unit: str = "",
    longer: str = "",
) -> Response:
    """The best designs, once it is said how many cells may change.

    Args:
        most: so many cells; empty: nothing is worked out yet.
        first_row: with the others a block more that stays, as she counts; those that stay already are `stay`.
        longer: how often the time for it has been made longer.
    """
    weaving = weaving_of(request, piece)
    reckoned, refused = reckoned_for(weaving, request.query_params.getlist(FROM))
    typed = (first_row, last_row, first_unit, last_unit)
    asked = Asked(reckoned, most=most)
    try:
        asked = replace(asked, blocks=blocks_of(request.query_params.getlist("stay"), weaving.piece))
        if refused:
            return _cells_page(request, asked, refused, 422)
        is_sent = "first_row" in request.query_params
        one_more = new_block(typed, weaving.piece, naming_of(request, weaving), is_sent=is_sent)
        asked = replace(asked, blocks=with_one_more(asked.blocks, one_more, weaving.piece))
        if not most or one_more is not None:
            return _cells_page(request, asked)
        number = number_of(most, "Changed cells, at most", 1, MOST_CELLS)
        asked = replace(asked, most=str(number), time=TIME.read(longer))
        options = {"most": number, "stay": sorted(map(list, asked.blocks)), "limit": asked.time.seconds}
        answer = answer_of(request, reckoned, "cells", options)
        if isinstance(answer, Working):
            return to_working(request, answer, asked.address)
        return _cells_page(request, asked, found=None if answer is None else from_json(answer))
    except NotUnderstood as why:
        return _cells_page(request, asked, str(why), 422, typed=typed)
    except NoPlan as why:
        said = why.counted(naming_of(request, weaving).shaft)
        return _cells_page(request, asked, said, 422, typed=typed)


@router.post("/pieces/{piece}/ways/cells/take")
async def take_cells(request: Request, piece: str) -> Response:
    """Make one of them the design."""
    form = await request.form(max_files=0, max_fields=MOST_BLOCKS + 5)
    stay = [text for text in form.getlist("stay") if isinstance(text, str)]
    sent = form.get("cells")

    def make() -> Response:
        weaving = weaving_of(request, piece)
        reckoned, refused = reckoned_for(weaving, form.getlist(FROM))
        asked = Asked(reckoned)
        try:
            asked = replace(asked, blocks=blocks_of(stay, weaving.piece))
            if refused:
                raise NotUnderstood(refused)
            cells = cells_from(sent if isinstance(sent, str) else "", weaving.piece)
            if cells[0][0] <= reckoned.stays:
                raise NotUnderstood("Only cells in rows that lie ahead change here.")
            rows: Rows = with_changed(weaving.piece.rows, cells)
            return take(request, weaving, rows, f"{several(len(cells), 'cell')} changed")
        except NotWoven as why:
            return _cells_page(request, asked, why.said, 422)
        except NotUnderstood as why:
            return _cells_page(request, asked, f"{why} Nothing was made.", 422)

    return await run_in_threadpool(make)


def cells_from(text: str, piece: Piece) -> tuple[Cell, ...]:
    """The cells that a form sent, "21.8 25.8", as the piece's file counts.

    Raises:
        NotUnderstood: if they are none of this piece, or too many.
    """
    if _CELLS.fullmatch(text) is None:
        raise NotUnderstood("Which cells change could not be read.")
    cells = sorted({(int(row), int(unit)) for row, unit in (cell.split(".") for cell in text.split(" "))})
    rows, units = len(piece.rows), len(piece.loom.leashes)
    if len(cells) > MOST_CELLS or any(not (1 <= r <= rows and 1 <= u <= units) for r, u in cells):
        raise NotUnderstood(f"At most {MOST_CELLS} cells change here, and all of them lie in the design.")
    return tuple(cells)


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked for.

    Attributes:
        blocks: they stay as they are.
        most: so many cells may change, as she wrote it; "" where nothing is to be worked out.
    """

    reckoned: Reckoned
    blocks: tuple[Block, ...] = ()
    most: str = ""
    time: Time = TIME

    @property
    def here(self) -> str:
        """The address of the page."""
        return f"/pieces/{self.reckoned.weaving.id}/ways/cells"

    @property
    def stay(self) -> tuple[tuple[str, str], ...]:
        """What forms send besides what is written into them."""
        return *(("stay", block_text(block)) for block in self.blocks), *self.reckoned.fields

    @property
    def fields(self) -> tuple[tuple[str, str], ...]:
        """All that an address of the answer says."""
        return (*self.stay, ("most", self.most), *self.time.fields) if self.most else self.stay

    @property
    def address(self) -> str:
        """The page, with all that."""
        return f"{self.here}?{urlencode(self.fields)}" if self.fields else self.here

    @property
    def anew(self) -> str:
        """The same, asked of what is left now."""
        return replace(self, reckoned=replace(self.reckoned, asked=self.reckoned.now)).address

    @property
    def kept(self) -> tuple[Block, ...]:
        """All that stays, the rows that are woven or begun among it."""
        rows, units = self.reckoned.stays, len(self.reckoned.piece.loom.leashes)
        return (*self.blocks, (1, rows, 1, units)) if rows else self.blocks


def _first_seen(asked: Asked) -> tuple[Iterable[int], Iterable[int]]:
    """The rows and units about which a large design is drawn at first: the last block, or what it lacks."""
    if asked.blocks:
        first_row, last_row, first_unit, last_unit = asked.blocks[-1]
        return (first_row, last_row), (first_unit, last_unit)
    ahead = (row for row in troubles_of(asked.reckoned.weaving.piece) if row.row > asked.reckoned.stays)
    lacking = list(islice(ahead, 1))
    return [row.row for row in lacking], [unit for row in lacking for unit in smallest_asked(row)]


def _cells_page(
    request: Request,
    asked: Asked,
    message: str = "",
    status: int = 200,
    *,
    typed: Sequence[str] = ("", "", "", ""),
    found: FewCells | None = None,
) -> Response:
    weaving = asked.reckoned.weaving
    naming, piece = naming_of(request, weaving), weaving.piece
    better = worth_drawing(found) if found is not None else []
    part, refused = drawn_or_refusal(Drawn.about(piece, *_first_seen(asked)), naming, request.query_params)
    if refused and not message:
        message, status = refused, 422
    return page(
        "ways_cells.html",
        status=status,
        weaving=weaving,
        message=message,
        reckoned=asked.reckoned,
        anew=asked.anew,
        found=found,
        as_drawn=takes_text(found.drawn) if found is not None else "",
        nothing=none_words(found) if found is not None else "",
        best=_views(piece, found.drawn, better, naming) if found is not None and better else [],
        rest=rest_words(found, better) if found is not None else [],
        is_settled=found is None or is_settled(found),
        time=asked.time,
        asked_fields=asked.fields[: len(asked.fields) - len(asked.time.fields)],
        at_most=TIME.words,
        most=asked.most[:9] or str(FIRST_ASKED),
        most_cells=MOST_CELLS,
        becomes=becomes(request, weaving, on_the_way=asked.reckoned.asked is not None),
        picture=way_picture(piece, piece.rows, naming, part, asked.kept),
        drawn=drawn_view(part, naming, asked.here, asked.fields if found else asked.stay),
        stay=[
            (
                block_text(block),
                block_words(block, naming),
                replace(
                    asked, blocks=tuple(other for other in asked.blocks if other != block), most=""
                ).address,
            )
            for block in asked.blocks
        ],
        fields=asked.stay,
        typed=[text[:20] for text in typed],
        from_right=naming.units_from == "right",
    )


def _views(piece: Piece, before: Takes, drawn: Sequence[Better], naming: Naming) -> list[BetterView]:
    window = window_of(piece, [cell for better in drawn for cell in better.cells])
    first, last = len(piece.rows) - window.top - window.rows + 1, len(piece.rows) - window.top
    return [
        BetterView(
            number=len(better.cells),
            saves=saved_text(before, better.takes),
            takes=takes_text(better.takes),
            sure=better.sure,
            picture=cells_picture(piece, better.cells, window, naming),
            cells=tuple(cell_words(cell, naming) for cell in better.cells),
            elsewhere=sum(not window.shows(piece, cell) for cell in better.cells),
            value=" ".join(f"{cell.row}.{cell.unit}" for cell in better.cells),
            row_words=f"rows {first} to {last}",
        )
        for better in drawn
    ]
