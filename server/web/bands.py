"""The bands of a design: their sequence as the cloth grows, every change of it, and the piece made of it.

Each change is one form and one change of the design, so that each can be taken back. The form says with which
bands it was shown; where they are others by now, nothing changes and she is told.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from itertools import cycle, islice
from math import ceil
from typing import cast, get_args

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from server.design.bands import (
    Side,
    added,
    copied,
    empty_rows,
    figure_rows,
    height_cm,
    moved,
    square_picks,
    told,
    with_rows,
    without,
)
from server.design.cells import LIFTED
from server.design.design import MOST_PICKS, MOST_TIMES, Band, Change, Design, mark_of, piece_text
from server.design.piece_file import Unusable
from server.design.threads import Threads
from server.store.board import KeptDesign
from server.web.designs import MOST_ROWS, name_of, picks_from
from server.web.drawings import row_path
from server.web.rendering import NotUnderstood, is_count, number_of, page, store_of
from server.web.squared import design_of
from server.web.working import NotWoven, plan_and_keep

router = APIRouter()

STALE = "The bands have been changed on another device meanwhile, so nothing was done. Here they are now."

MOST_DRAWN_HERE = 120_000
"""Cells that all small pictures of a page have together; beyond it, every second or third is left out."""
FEWEST_DRAWN = 400
MOST_ROWS_PLANNED, MOST_CELLS_PLANNED = 20_000, 10_000_000
"""Of a piece that is made here. What is larger takes minutes, however soon the search ends, and holds a
gigabyte as long as the server runs."""
PICTURE_WIDE = 240
"""Pixels of a small picture across."""
PICTURE_HIGH = 260
"""Pixels of the highest; longer bands are drawn shorter."""


@dataclass(frozen=True, slots=True)
class BandView:
    """A band as the page shows it.

    Attributes:
        typed: what its fields say: name, times, picks.
        wrong: why they were refused; "" if they were not.
        across: cells of the picture across.
        up: cells of the picture upwards.
        path: the lifted cells.
        high: pixels of the picture.
        rows: all its rows, each time counted.
        picks: all its picks.
        square: picks per row at which a cell comes out square, as the field takes them; "" where it has them,
            or no picks do that.
    """

    band: Band
    typed: Mapping[str, str]
    wrong: str
    across: int
    up: int
    path: str
    high: int
    rows: int
    picks: int
    cm: float
    square: str


def band_mark(design: Design) -> str:
    """A mark of the sequence: which bands, how they are named and woven, and how many rows they have.

    What is drawn in them is not in it: a stroke on another device is no other sequence.
    """
    shown = [(band.number, band.name, band.times, band.picks, len(band.rows)) for band in design.bands]
    return sha256(repr(shown).encode()).hexdigest()[:12]


def picks_text(picks: tuple[int, ...]) -> str:
    """ "4, 5"."""
    return ", ".join(map(str, picks))


def picks_of_band(band: Band) -> int:
    """All picks of a band, with all its times."""
    rows = max(1, len(band.rows))
    return sum(islice(cycle(band.picks), rows)) * band.times


def band_views(
    kept: KeptDesign, typed: Mapping[int, Mapping[str, str]], wrong: Mapping[int, str]
) -> list[BandView]:
    """The bands, the one woven last first: as the cloth lies before her."""
    design, threads = kept.design, kept.warp.threads
    each = max(FEWEST_DRAWN, MOST_DRAWN_HERE // max(1, len(design.bands)))
    return [_view(band, design.units, threads, each, typed, wrong) for band in reversed(design.bands)]


def _view(
    band: Band,
    units: int,
    threads: Threads,
    most_cells: int,
    typed: Mapping[int, Mapping[str, str]],
    wrong: Mapping[int, str],
) -> BandView:
    rows = max(1, len(band.rows))
    picks = picks_of_band(band)
    step = 1
    while ceil(units / step) * ceil(rows / step) > most_cells:
        step += 1
    drawn = band.rows[::step]
    path = "".join(
        row_path([at for at, cell in enumerate(row[::step], 1) if cell == LIFTED], len(drawn) - number - 0.5)
        for number, row in enumerate(drawn)
    )
    square = None if band.is_plain else square_picks(threads, rows)
    # one time of it, in its proportion
    high = height_cm(picks // band.times, threads) / threads.width_cm * PICTURE_WIDE
    fields = {"name": band.name, "times": str(band.times), "picks": picks_text(band.picks)}
    return BandView(
        band=band,
        typed=fields | dict(typed.get(band.number, {})),
        wrong=wrong.get(band.number, ""),
        across=ceil(units / step),
        up=max(1, len(drawn)),
        path=path,
        high=round(max(8, min(PICTURE_HIGH, high))),
        rows=rows * band.times,
        picks=picks,
        cm=height_cm(picks, threads),
        square="" if square is None or square == band.picks else picks_text(square),
    )


@router.get("/designs/{design}/bands")
def show_bands(request: Request, design: str) -> Response:
    """The sequence of bands."""
    return _bands_page(request, design_of(request, design))


def _bands_page(
    request: Request,
    kept: KeptDesign,
    message: str = "",
    status: int = 200,
    *,
    typed: Mapping[int, Mapping[str, str]] | None = None,
    wrong: Mapping[int, str] | None = None,
    why_not: str = "",
) -> Response:
    store = store_of(request)
    views = band_views(kept, typed or {}, wrong or {})
    made = set(kept.pieces)
    picks = sum(view.picks for view in views)
    return page(
        "bands.html",
        status=status,
        kept=kept,
        message=message,
        why_not=why_not,
        views=views,
        rows=sum(view.rows for view in views),
        picks=picks,
        cm=height_cm(picks, kept.warp.threads),
        mark=band_mark(kept.design),
        drawn=mark_of(kept.design),
        token=secrets.token_hex(8),
        figures=store.board.figures(),
        pieces=[line for line in store.pieces() if line.id in made] if made else [],
        square=square_picks(kept.warp.threads, MOST_ROWS) or (1,),
        picks_text=picks_text,
    )


# --- changes -------------------------------------------------------------------------------------------

_Form = Mapping[str, str]


async def _form_of(request: Request) -> dict[str, str]:
    form = await request.form(max_files=0, max_fields=40)
    return {name: value for name, value in form.items() if isinstance(value, str)}


@router.post("/designs/{design}/bands")
async def add_band(request: Request, design: str) -> Response:
    """A band more, woven last: plain ground, empty rows, or a figure of the box."""
    form = await _form_of(request)
    return await run_in_threadpool(_add, request, design, form)


def _add(request: Request, design: str, form: _Form) -> Response:
    kept = design_of(request, design)
    try:
        band = _new_band(request, kept, form)
    except ValueError as why:
        return _bands_page(request, kept, str(why), 422)
    return _change(request, kept, form, lambda now: added(now, band), to_last=True)


def _new_band(request: Request, kept: KeptDesign, form: _Form) -> Band:
    units, threads = kept.design.units, kept.warp.threads
    match form.get("what"):
        case "plain":
            picks = number_of(form.get("picks", ""), "Picks of plain ground", 1, MOST_PICKS)
            return Band(0, name_of(form.get("name", "")) or "Plain ground", (picks,))
        case "rows":
            rows = number_of(form.get("rows", ""), "Rows", 1, MOST_ROWS)
            in_turn = square_picks(threads, rows) or (1,)
            if form.get("picks", "").strip():
                in_turn = picks_from(form["picks"])
            name = name_of(form.get("name", "")) or f"Band {len(kept.design.bands) + 1}"
            return Band(0, name, in_turn, empty_rows(units, rows))
        case "figure":
            number = form.get("figure", "")
            figures = {str(figure.id): figure for figure in store_of(request).board.figures()}
            if number not in figures:
                raise NotUnderstood("That figure is not in the box any more; choose another.")
            side = form.get("side", "")
            if side not in get_args(Side):
                raise NotUnderstood("Say where the figure lies: left, middle or right.")
            figure = figures[number]
            rows_across = figure_rows(figure.rows, units, cast(Side, side))
            return Band(0, figure.name, square_picks(threads, len(rows_across)) or (1,), rows_across)
    raise NotUnderstood("Choose what to add: plain ground, rows to draw on, or a figure.")


@router.post("/designs/{design}/bands/{band}")
async def change_band(request: Request, design: str, band: str) -> Response:
    """Do something to one band; `do` in the form says what."""
    form = await _form_of(request)
    return await run_in_threadpool(_do, request, design, band, form)


def _do(request: Request, design: str, band: str, form: _Form) -> Response:
    kept = design_of(request, design)
    number = int(band) if is_count(band) else 0
    try:
        make = _doing(kept, number, form)
    except ValueError as why:
        fields = {name: form[name][:400] for name in ("name", "times", "picks") if name in form}
        return _bands_page(request, kept, str(why), 422, typed={number: fields}, wrong={number: str(why)})
    return _change(request, kept, form, make, number)


def _doing(kept: KeptDesign, number: int, form: _Form) -> Callable[[Design], Change | None]:
    """The change that a form asks for."""
    if form.get("do") == "away":  # where this comes twice, the band is not there any more
        return lambda design: without(design, number)
    band = kept.design.band(number)
    match form.get("do"):
        case "up" | "down" as way:
            return lambda design: moved(design, number, way == "up")
        case "copy":
            return lambda design: copied(design, number)
        case "square":
            square = square_picks(kept.warp.threads, max(1, len(band.rows)))
            if square is None or band.is_plain:
                raise NotUnderstood("No number of picks makes a cell of this band square.")
            return lambda design: told(design, number, band.name, band.times, square)
        case "rows":
            more = number_of(form.get("more", ""), "Rows", 1, MOST_ROWS)
            where = form.get("where", "")
            if where not in ("add top", "add bottom", "take top", "take bottom"):
                raise NotUnderstood("Say where the rows come in, or from where they go.")
            change = -more if where.startswith("take") else more
            return lambda design: with_rows(design, number, change, where.endswith("top"))
        case "keep":
            name = name_of(form.get("name", ""))
            times = number_of(form.get("times", ""), "Times", 1, MOST_TIMES)
            picks = picks_from(form.get("picks", ""), "Picks" if band.is_plain else "Picks per row")
            return lambda design: told(design, number, name, times, picks)
    raise NotUnderstood("That could not be read, so nothing was changed.")


def _change(
    request: Request,
    kept: KeptDesign,
    form: _Form,
    make: Callable[[Design], Change | None],
    number: int = 0,
    *,
    to_last: bool = False,
) -> Response:
    """Make a change, if the bands are still those that the form was shown with; the same form counts once."""

    def if_fresh(design: Design) -> Change | None:
        if band_mark(design) != form.get("mark"):
            raise ValueError(STALE)
        return make(design)

    key = sha256(repr(sorted((kept.id, number, *form.items()), key=repr)).encode()).hexdigest()[:32]
    try:
        after = store_of(request).board.change(kept.id, if_fresh, key)
    except ValueError as why:
        return _bands_page(request, design_of(request, str(kept.id)), str(why), 422)
    there = after.design.bands[-1].number if after and to_last else number
    is_there = after is not None and any(band.number == there for band in after.design.bands)
    return RedirectResponse(f"/designs/{kept.id}/bands{f'#band-{there}' if is_there else ''}", 303)


@router.post("/designs/{design}/bands-back")
async def take_back(request: Request, design: str) -> Response:
    """Take the last change of the design back."""
    return await _step(request, design, back=True)


@router.post("/designs/{design}/bands-again")
async def make_again(request: Request, design: str) -> Response:
    """Make the change again that was taken back last."""
    return await _step(request, design, back=False)


async def _step(request: Request, design: str, *, back: bool) -> Response:
    form = await _form_of(request)

    def step() -> Response:
        kept, board = design_of(request, design), store_of(request).board
        at, drawn = form.get("at", ""), form.get("drawn", "")
        if not is_count(at) or int(at) != kept.at or drawn != mark_of(kept.design):
            return _bands_page(request, kept, STALE, 422)
        (board.take_back if back else board.make_again)(kept.id, kept.at, drawn)
        return RedirectResponse(f"/designs/{kept.id}/bands", 303)

    return await run_in_threadpool(step)


@router.post("/designs/{design}/name")
async def rename(request: Request, design: str) -> Response:
    """Give the design another name."""
    form = await _form_of(request)

    def name() -> Response:
        kept = design_of(request, design)
        try:
            store_of(request).board.rename_design(kept.id, name_of(form.get("name", "")))
        except NotUnderstood as why:
            return _bands_page(request, kept, str(why), 422)
        return RedirectResponse(f"/designs/{kept.id}/bands", 303)

    return await run_in_threadpool(name)


# --- from design to piece ------------------------------------------------------------------------------


@router.post("/designs/{design}/piece")
def make_piece(request: Request, design: str) -> Response:
    """Plan the design as it is now, and put it among the pieces; what stands in the way is said."""
    kept = design_of(request, design)
    try:
        return _plan_and_keep(request, kept)
    except NotWoven as why:
        return _bands_page(request, kept, why.said, 422, why_not=why.why_not)
    except (Unusable, NotUnderstood) as why:
        return _bands_page(request, kept, str(why), 422)


def _plan_and_keep(request: Request, kept: KeptDesign) -> Response:
    units = kept.design.units
    rows = sum(len(band.rows_of(units)) * band.times for band in kept.design.bands)
    if rows > MOST_ROWS_PLANNED:
        raise NotUnderstood(
            f"With all its repeats it has {rows:,} rows, and a piece has at most {MOST_ROWS_PLANNED:,}. "
            "Make several designs of it."
        )
    if rows * units > MOST_CELLS_PLANNED:
        raise NotUnderstood(
            f"{rows:,} rows of {units:,} units are more than a piece has at most, "
            f"{MOST_CELLS_PLANNED:,} cells. Make several designs of it."
        )
    return plan_and_keep(request, piece_text(kept.name, kept.design, kept.warp), design=kept.id)
