"""Squared paper: a design's bands drawn square by square, every stroke kept, and the box of figures.

The page draws by itself (static/squared.js) and hands in each stroke; what goes to and fro is JSON.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import groupby
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query, Request
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from server.design.cells import LIFTED
from server.design.design import (
    MOST_DRAWN,
    Band,
    CellsTurned,
    Design,
    Run,
    mark_of,
    piece_of,
    setting,
    turned,
)
from server.design.piece import Piece
from server.design.piece_file import Unusable
from server.design.warp import write_warp
from server.plan.no_plan import NoPlan
from server.plan.planner import plan
from server.store.board import KeptDesign
from server.store.database import StoreFailure
from server.web.drawings import DesignPicture, cells_needing_temporaries, design_picture
from server.web.rendering import NotUnderstood, is_count, page, preferences_of, store_of
from server.web.takes_words import cannot, takes
from server.web.turn_to_plan import turn_to_plan

router = APIRouter()

SECONDS_TO_PLAN = 1.0
"""For the minutes that count along; the plan itself takes longer, and better ones."""
MOST_PICTURED = 20_000
"""Squares of the picture that stands in the page for browsers without scripts."""
MOST_SQUARES = 4 * MOST_DRAWN
"""That one stroke may pass over."""
MOST_OF_A_FIGURE = 250_000
_LARGEST = 10**9

STILL = "Still working it out."
NOTHING_DRAWN = "Nothing is drawn yet."
NO_SUCH_DESIGN = "There is no such design here."
OTHER_DATABASE = (
    "Spareshaft was started with another data folder than the one that this page is from, so nothing more is "
    "kept. Start it with that folder, or load this page again."
)
MOST_COUNTED_ALONG = 1_000_000
"""Squares of all rows as they are woven: more would keep a processor busy with every pause."""
TOO_LARGE = "A design as large as this is not worked out while it is drawn."
UNREADABLE = "What was drawn could not be read, so nothing was changed. Load this page again."


def design_of(request: Request, design: str) -> KeptDesign:
    """The design that an address names.

    Raises:
        HTTPException: 404 if there is none, or the address has no number in it.
    """
    kept = store_of(request).board.design(int(design)) if is_count(design) else None
    if kept is None:
        raise HTTPException(404, NO_SUCH_DESIGN)
    return kept


# --- the page ------------------------------------------------------------------------------------------


@router.get("/designs/{design}")
def show_squared(request: Request, design: str, band: str = "") -> Response:
    """The sheet of squared paper.

    Args:
        band: number of the band to begin with; any other text: the first that has squares.
    """
    kept = design_of(request, design)
    drawn = [one for one in kept.design.bands if not one.is_plain]
    first = next((one for one in drawn if str(one.number) == band), drawn[0] if drawn else None)
    return page(
        "squared.html",
        kept=kept,
        bands=drawn,
        first=first,
        picture=None if first is None else _picture(request, kept, first),
    )


def _picture(request: Request, kept: KeptDesign, band: Band) -> DesignPicture | None:
    """A band as it stands in the page where no script runs; None: it is too large."""
    if kept.design.units * len(band.rows) > MOST_PICTURED:
        return None
    once = replace(band, times=1, picks=band.picks[:1])
    piece = piece_of(kept.name, replace(kept.design, bands=(once,)), kept.warp)
    return design_picture(piece, (), preferences_of(store_of(request)).naming(kept.warp.loom))


@router.get("/designs/{design}/state")
def show_state(request: Request, design: str) -> Response:
    """All that the page draws with: the bands, and how the units hang."""
    kept, chosen = design_of(request, design), preferences_of(store_of(request))
    loom = kept.warp.loom
    return JSONResponse(
        _told(kept)
        | {
            "units": kept.design.units,
            "bands": [
                {"number": band.number, "name": band.name, "rows": band.rows, "times": band.times}
                for band in kept.design.bands
                if not band.is_plain
            ],
            "leashes": loom.leashes,
            "cords": sorted(loom.single_cords),
            "shafts": loom.pattern_shafts,
            "shaftsFrom": chosen.shafts_from,
            "unitsFrom": chosen.units_from,
        }
    )


def _told(kept: KeptDesign) -> dict[str, Any]:
    return {"at": kept.at, "made": kept.made, "mark": mark_of(kept.design)}


# --- strokes -------------------------------------------------------------------------------------------


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


_Place = Annotated[int, Field(ge=1, le=_LARGEST)]
_FilledOrEmpty = Annotated[int, Field(ge=0, le=1)]
_Letters = Annotated[str, Field(pattern=r"^[#.]+$", max_length=MOST_DRAWN)]


class SentStroke(_Strict):
    """A stroke as a page hands it in.

    Attributes:
        key: names this one stroke; handed in again, it counts no second time.
        runs: row, first unit, last unit, and what its squares then are: 1 filled, 0 empty, or a letter each.
    """

    key: str = Field(pattern="^[0-9a-f]{16,64}$")
    band: _Place
    runs: list[tuple[_Place, _Place, _Place, _FilledOrEmpty | _Letters]] = Field(min_length=1)

    def spread(self) -> Iterator[Run]:
        """The runs, each of squares that are alike. ValueError with a sentence where letters are missing."""
        for row, first, last, what in self.runs:
            if isinstance(what, int):
                yield row, first, last, what == 1
                continue
            if len(what) != last - first + 1:
                raise ValueError(UNREADABLE)
            for letter, alike in groupby(what):
                length = len(list(alike))
                yield row, first, first + length - 1, letter == LIFTED
                first += length


class SentStep(_Strict):
    """A wish to take the last change back, or to make it again.

    Attributes:
        at: how many changes held when it was made.
        mark: the mark of what was drawn then.
    """

    at: int = Field(ge=0, le=_LARGEST)
    mark: str = Field(pattern="^[0-9a-f]{8}$")


class SentFigure(_Strict):
    """A figure for the box.

    Attributes:
        rows: "#" and ".", the first row woven first.
    """

    name: str = Field(max_length=200)
    rows: list[_Letters] = Field(min_length=1, max_length=MOST_OF_A_FIGURE)


_STROKE, _STEP, _FIGURE = TypeAdapter(SentStroke), TypeAdapter(SentStep), TypeAdapter(SentFigure)


async def draw(request: Request) -> Response:
    """Keep a stroke; when this is answered, it is on the disk."""
    return await _answered(request, _STROKE, _draw)


async def take_back(request: Request) -> Response:
    """Take the last change back, if it is the one that the page shows."""
    return await _answered(request, _STEP, lambda request, sent: _step(request, sent, back=True))


async def make_again(request: Request) -> Response:
    """Make the change again that was taken back last."""
    return await _answered(request, _STEP, lambda request, sent: _step(request, sent, back=False))


async def add_figure(request: Request) -> Response:
    """Put a figure into the box."""
    return await _answered(request, _FIGURE, _add_figure)


async def _answered(
    request: Request, form: TypeAdapter[Any], do: Callable[[Request, Any], dict[str, Any]]
) -> Response:
    if request.headers.get("database", name := store_of(request).name) != name:
        return JSONResponse({"sentence": OTHER_DATABASE}, 421)
    try:
        sent = form.validate_json(await request.body())
    except (ValidationError, UnicodeDecodeError):
        return JSONResponse({"sentence": UNREADABLE}, 422)
    try:
        return JSONResponse(await run_in_threadpool(do, request, sent))
    except HTTPException as missing:
        return JSONResponse({"sentence": missing.detail}, missing.status_code)
    except ValueError as refusal:
        return JSONResponse({"sentence": str(refusal)}, 422)
    except StoreFailure as failure:
        return JSONResponse({"sentence": str(failure)}, 503)


# plain routes: what they take is read strictly, by their own forms
router.add_route("/designs/{design}/strokes", draw, methods=["POST"])
router.add_route("/designs/{design}/take-back", take_back, methods=["POST"])
router.add_route("/designs/{design}/make-again", make_again, methods=["POST"])
router.add_route("/figures", add_figure, methods=["POST"])


def _draw(request: Request, sent: SentStroke) -> dict[str, Any]:
    """The answer has the mark from before the stroke; null where it was kept already."""
    if sum(max(0, last - first + 1) for _, first, last, _ in sent.runs) > MOST_SQUARES:
        raise ValueError("That is more than can be drawn in one stroke.")
    number, before = _number_of(request), None
    runs = tuple(sent.spread())

    def make(design: Design) -> CellsTurned:
        nonlocal before
        before = mark_of(design)
        return setting(design, sent.band, runs)

    kept = store_of(request).board.change(number, make, sent.key)
    if kept is None:
        raise HTTPException(404, NO_SUCH_DESIGN)
    return _told(kept) | {"before": before}


def _step(request: Request, sent: SentStep, *, back: bool) -> dict[str, Any]:
    """The answer has what to turn over in which bands; null where the bands are others now.

    Nothing happens where something else was drawn meanwhile: then the page does not know what it would
    take back.
    """
    board, number = store_of(request).board, _number_of(request)
    before = board.design(number)
    if before is None:
        raise HTTPException(404, NO_SUCH_DESIGN)
    mark = mark_of(before.design)
    if (before.at, mark) != (sent.at, sent.mark):
        return _told(before) | {"before": mark, "turned": None}
    after = (board.take_back if back else board.make_again)(number, sent.at, sent.mark)
    if after is None:
        raise HTTPException(404, NO_SUCH_DESIGN)
    turns = turned(before.design, after.design)
    return _told(after) | {
        "before": mark,
        "turned": None if turns is None else [{"band": one.band, "runs": one.runs} for one in turns],
    }


def _number_of(request: Request) -> int:
    design: str = request.path_params["design"]
    if not is_count(design):
        raise HTTPException(404, NO_SUCH_DESIGN)
    return int(design)


# --- what it takes to weave it -------------------------------------------------------------------------


@router.get("/designs/{design}/takes")
def show_takes(request: Request, design: str) -> Response:
    """In a sentence, what weaving it takes besides the weaving, or why the loom cannot."""
    kept = design_of(request, design)
    naming = preferences_of(store_of(request)).naming(kept.warp.loom)
    names = [band.name for band in kept.design.bands]
    told = zlib.crc32(f"{write_warp(kept.warp)}{naming.shafts_from}{names}".encode())
    tag = f'"{mark_of(kept.design)}-{told:08x}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    if kept.design.bands and not any(LIFTED in row for band in kept.design.bands for row in band.rows):
        return JSONResponse({"said": NOTHING_DRAWN, "can": True, "empty": True}, headers=headers)
    try:
        if kept.design.units * len(kept.design.picks()) > MOST_COUNTED_ALONG:
            return JSONResponse({"said": TOO_LARGE, "can": True}, headers=headers)
        piece = piece_of(kept.name, kept.design, kept.warp)
        with _alone(store_of(request).name, kept.id), turn_to_plan():
            order = plan(piece, limit=SECONDS_TO_PLAN)
    except NotUnderstood:
        return JSONResponse({"said": STILL, "again": True})
    except Unusable as why:
        return JSONResponse({"said": str(why), "can": False}, headers=headers)
    except NoPlan as why:
        said = cannot(why, kept.design, _units_that_need(piece), naming.shaft)
        return JSONResponse(said, headers=headers)
    return JSONResponse(takes(order, _units_that_need(piece)), headers=headers)


def _units_that_need(piece: Piece) -> int:
    return len(frozenset().union(*cells_needing_temporaries(piece).values()))


_worked_out: set[tuple[str, int]] = set()


@contextmanager
def _alone(database: str, design: int) -> Iterator[None]:
    """One at a time for each design: a large one takes long, and asks again with every stroke.

    Raises:
        NotUnderstood: at once, if it is being worked out already.
    """
    if (one := (database, design)) in _worked_out:
        raise NotUnderstood(STILL)
    _worked_out.add(one)
    try:
        yield
    finally:
        _worked_out.discard(one)


# --- the box of figures --------------------------------------------------------------------------------


@router.get("/figures")
def show_figures(request: Request) -> Response:
    """The figures in the box."""
    figures = store_of(request).board.figures()
    return JSONResponse([{"id": one.id, "name": one.name, "rows": one.rows} for one in figures])


@router.post("/figures/{figure}/away")
def throw_figure_away(
    request: Request, figure: str, back: Annotated[Literal["", "1"], Query()] = ""
) -> Response:
    """Put a figure out of the box, or back into it."""
    if not is_count(figure) or not store_of(request).board.throw_figure_away(int(figure), back != "1"):
        return JSONResponse({"sentence": "That figure is not in the box any more."}, 404)
    return JSONResponse({})


def _add_figure(request: Request, sent: SentFigure) -> dict[str, Any]:
    across = len(sent.rows[0])
    if any(len(row) != across for row in sent.rows):
        raise ValueError(UNREADABLE)
    if across * len(sent.rows) > MOST_OF_A_FIGURE:
        raise ValueError(f"A figure in the box has at most {MOST_OF_A_FIGURE:,} squares.")
    name = " ".join(sent.name.split()) or "A figure"
    return {"id": store_of(request).board.add_figure(name, sent.rows)}
