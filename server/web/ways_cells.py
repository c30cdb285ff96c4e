"""What a few cells are worth: the best designs within 1, 2, … changed cells, side by side."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from server.design.piece import Piece
from server.plan.changed_cells import Cell, with_changed
from server.plan.no_plan import NoPlan
from server.session.naming import Naming
from server.session.wording import minutes_text, several
from server.store.weavings import Weaving
from server.ways.few_cells import MOST_CELLS, Better, FewCells, Takes, from_json
from server.ways.taken import Rows
from server.ways.unaided import Changed
from server.web.drawings import Sight, Tick, row_path
from server.web.rendering import NotUnderstood, naming_of, number_of, page, store_of, weaving_of
from server.web.ways import Block, becomes, take, way_picture
from server.web.ways_unaided import MOST_BLOCKS, block_text, block_words, blocks_of, new_block, with_one_more
from server.web.working import NotWoven, Working, answer_to, to_working

router = APIRouter()

SECONDS = 150.0
"""For all numbers of cells together."""

FIRST_ASKED = 3
"""Cells that the form asks for to begin with."""

HARDLY = 0.05
"""Minutes: a design that saves less over one with fewer changed cells is told of, and not drawn."""

AROUND, LEAST_SHOWN = 5, 25
"""Units and rows drawn about the changed cells, and at least so many in all."""

_CELLS = re.compile(r"[0-9]{1,9}\.[0-9]{1,9}(?: [0-9]{1,9}\.[0-9]{1,9}){0,40}", re.ASCII)


# --- pictures ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a design that is drawn: from where, from 0 at the top left of the whole, and how large."""

    left: int
    top: int
    units: int
    rows: int


@dataclass(frozen=True, slots=True)
class CellsPicture:
    """A part of a design with the changed cells marked, as `WayPicture`.

    Attributes:
        row_ticks, unit_ticks: the rows and units of changed cells, where there is room for the number.
    """

    window: Window
    lifted: str
    added: str
    gone: str
    unit_ticks: tuple[Tick, ...]
    row_ticks: tuple[Tick, ...]


def window_of(piece: Piece, cells: Iterable[Changed]) -> Window:
    """A window with all these cells in it, so that pictures of several designs can be compared."""
    rows, units = len(piece.rows), len(piece.loom.leashes)
    cells = list(cells)
    left, across = _about([cell.unit - 1 for cell in cells], units)
    top, up = _about([rows - cell.row for cell in cells], rows)
    return Window(left, top, across, up)


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
    middle = [(cell, cell.unit - 0.5, len(piece.rows) - cell.row + 0.5) for cell in cells]
    ys = {cell.row: y for cell, _, y in middle}
    return CellsPicture(
        window=window,
        lifted="".join(lifted),
        added="".join(f"M{x:g} {y:g}h0" for cell, x, y in middle if cell.lifted),
        gone="".join(f"M{x - 0.28:g} {y - 0.28:g}h.56v.56h-.56z" for cell, x, y in middle if not cell.lifted),
        unit_ticks=_apart(
            Tick(sight.across(unit), str(naming.unit(unit))) for unit in sorted({cell.unit for cell in cells})
        ),
        row_ticks=_apart(Tick(y, str(row)) for row, y in sorted(ys.items())),
    )


def _apart(ticks: Iterable[Tick]) -> tuple[Tick, ...]:
    """Those that do not lie on one before them; which cells change is told in words as well."""
    kept: list[Tick] = []
    for tick in ticks:
        if not kept or abs(tick.at - kept[-1].at) > 1.5:
            kept.append(tick)
    return tuple(kept)


# --- words ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BetterView:
    """One of the designs, as it is shown.

    Attributes:
        cells: one by one, in words.
        value: the cells for the form that takes it.
    """

    number: int
    saves: str
    takes: str
    sure: bool
    picture: CellsPicture
    cells: tuple[str, ...]
    value: str
    row_words: str


def takes_text(takes: Takes) -> str:
    """ "3 walks and 28 minutes"."""
    walks = several(takes.walks, "walk") if takes.walks else "no walk"
    return f"{walks} and {minutes_text(takes.minutes)}"


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
) -> Response:
    """The best designs, once it is said how many cells may change.

    Args:
        most: so many cells; empty: nothing is worked out yet.
        first_row: with the others a block more that stays, as she counts; those that stay already are `stay`.
    """
    weaving = weaving_of(request, piece)
    typed = (first_row, last_row, first_unit, last_unit)
    blocks: tuple[Block, ...] = ()
    try:
        blocks = blocks_of(request.query_params.getlist("stay"), weaving.piece)
        one_more = new_block(typed, weaving.piece, naming_of(request, weaving))
        blocks = with_one_more(blocks, one_more, weaving.piece)
        if not most or one_more is not None:
            return _cells_page(request, weaving, blocks, most=most)
        number = number_of(most, "Changed cells at most", 1, MOST_CELLS)
        text = store_of(request).piece_text(weaving.id) or ""
        options: dict[str, Any] = {"most": number, "stay": sorted(map(list, blocks)), "limit": SECONDS}
        answer = answer_to(request, text, "cells", options)
        if isinstance(answer, Working):
            return to_working(request, answer, _address(weaving, blocks, number))
        return _cells_page(request, weaving, blocks, most=most, found=from_json(answer))
    except NotUnderstood as why:
        return _cells_page(request, weaving, blocks, str(why), 422, typed=typed, most=most)
    except NoPlan as why:
        said = why.counted(naming_of(request, weaving).shaft)
        return _cells_page(request, weaving, blocks, said, 422, typed=typed, most=most)


@router.post("/pieces/{piece}/ways/cells/take")
async def take_cells(request: Request, piece: str) -> Response:
    """Make one of them the design."""
    form = await request.form(max_files=0, max_fields=MOST_BLOCKS + 5)
    stay = [text for text in form.getlist("stay") if isinstance(text, str)]
    sent = form.get("cells")

    def make() -> Response:
        weaving = weaving_of(request, piece)
        blocks: tuple[Block, ...] = ()
        try:
            blocks = blocks_of(stay, weaving.piece)
            cells = cells_from(sent if isinstance(sent, str) else "", weaving.piece)
            rows: Rows = with_changed(weaving.piece.rows, cells)
            return take(request, weaving, rows, f"{several(len(cells), 'cell')} changed")
        except NotWoven as why:
            return _cells_page(request, weaving, blocks, why.said, 422)
        except NotUnderstood as why:
            return _cells_page(request, weaving, blocks, f"{why} Nothing was made.", 422)

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


def _address(weaving: Weaving, blocks: Sequence[Block], most: int | str) -> str:
    asked = [("stay", block_text(block)) for block in blocks]
    if most:
        asked.append(("most", str(most)))
    here = f"/pieces/{weaving.id}/ways/cells"
    return f"{here}?{urlencode(asked)}" if asked else here


def _cells_page(
    request: Request,
    weaving: Weaving,
    blocks: Sequence[Block],
    message: str = "",
    status: int = 200,
    *,
    typed: Sequence[str] = ("", "", "", ""),
    most: str = "",
    found: FewCells | None = None,
) -> Response:
    naming, piece = naming_of(request, weaving), weaving.piece
    drawn = worth_drawing(found) if found is not None else []
    return page(
        "ways_cells.html",
        status=status,
        weaving=weaving,
        message=message,
        found=found,
        as_drawn=takes_text(found.drawn) if found is not None else "",
        best=_views(piece, found.drawn, drawn, naming) if found is not None and drawn else [],
        rest=rest_words(found, drawn) if found is not None else [],
        most=most[:9] or str(FIRST_ASKED),
        most_cells=MOST_CELLS,
        becomes=becomes(request, weaving),
        picture=way_picture(piece, piece.rows, naming, blocks),
        stay=[
            (
                block_text(block),
                block_words(block, naming),
                _address(weaving, [other for other in blocks if other != block], ""),
            )
            for block in blocks
        ],
        fields=[("stay", block_text(block)) for block in blocks],
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
            value=" ".join(f"{cell.row}.{cell.unit}" for cell in better.cells),
            row_words=f"rows {first} to {last}",
        )
        for better in drawn
    ]
