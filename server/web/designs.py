"""The designs: a list of them, a new one on a warp, and those thrown away."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from starlette.responses import RedirectResponse, Response

from server.design.bands import empty_rows, square_picks
from server.design.design import MOST_PICKS, Band, Design
from server.web.rendering import NotUnderstood, is_count, number_of, page, store_of
from server.web.same_name import which_of_its_name
from server.web.squared import NO_SUCH_DESIGN

router = APIRouter()

MOST_ROWS = 100_000
LONGEST_NAME = 200
LONGEST_TURN_READ = 1_000
"""Picks that are typed for one band, used in turn."""


def name_of(text: str) -> str:
    """A name that a form sent: one line, without what cannot be seen.

    Raises:
        NotUnderstood: if it is too long.
    """
    name = " ".join("".join(letter for letter in text if letter.isprintable() or letter.isspace()).split())
    if len(name) > LONGEST_NAME:
        raise NotUnderstood(f"A name has at most {LONGEST_NAME} letters; this one has {len(name)}.")
    return name


def picks_from(text: str, what: str = "Picks per row") -> tuple[int, ...]:
    """Picks that a form sent: "4", or "4, 5" used in turn.

    Raises:
        NotUnderstood: if they are none.
    """
    numbers = [part for part in re.split(r"[,;\s]+", text) if part]
    if not 1 <= len(numbers) <= LONGEST_TURN_READ:
        raise NotUnderstood(f"{what}: write a number, as 4, or several that are used in turn, as 4, 5.")
    for number in numbers:
        if not is_count(number) or not 1 <= int(number) <= MOST_PICKS:
            shown = f"“{number[:20]}”"
            raise NotUnderstood(f"{what}: {shown} is not a number from 1 to {MOST_PICKS:,}.")
    return tuple(map(int, numbers))


@router.get("/designs")
def show_designs(request: Request, away: str = "") -> Response:
    """All designs, the one changed last first.

    Args:
        away: the design that has just been thrown away.
    """
    lines = store_of(request).board.designs()
    which = which_of_its_name(((line.id, line.name) for line in lines), "Design")
    return page("designs.html", lines=lines, which=which, away=int(away) if is_count(away) else None)


@router.get("/designs/new")
def show_new(request: Request, warp: str = "") -> Response:
    """The form for a new design.

    Args:
        warp: number of the warp that is chosen to begin with.
    """
    return _new_page(request, warp=warp)


def _new_page(
    request: Request,
    *,
    warp: str = "",
    name: str = "",
    rows: str = "24",
    picks: str = "",
    message: str = "",
    status: int = 200,
) -> Response:
    warps = store_of(request).board.warps()
    chosen = warp if any(str(kept.id) == warp for kept in warps) else ""
    return page(
        "design_new.html",
        status=status,
        warps=warps,
        which=which_of_its_name(((kept.id, kept.name) for kept in warps), "Warp"),
        warp=chosen,
        called=name[: 2 * LONGEST_NAME],
        rows=rows[:20],
        picks=picks[:200],
        message=message,
    )


@router.post("/designs")
def add_design(
    request: Request,
    warp: Annotated[str, Form()] = "",
    name: Annotated[str, Form()] = "",
    rows: Annotated[str, Form()] = "",
    picks: Annotated[str, Form()] = "",
) -> Response:
    """A new design: empty paper on a warp.

    Args:
        picks: per row, used in turn; empty: so that a cell comes out square.
    """
    board = store_of(request).board
    try:
        kept = board.warp(int(warp)) if is_count(warp) else None
        if kept is None:
            raise NotUnderstood("Choose the warp that it is drawn on.")
        number = number_of(rows, "Rows", 1, MOST_ROWS)
        square = square_picks(kept.warp.threads, number) or (1,)
        in_turn = picks_from(picks) if picks.strip() else square
        band = Band(1, "Band 1", in_turn, empty_rows(kept.warp.units, number))
        design = board.add_design(kept.id, name_of(name), Design(kept.warp.units, (band,), 1))
    except ValueError as why:  # NotUnderstood, NotKept, and what a design refuses
        return _new_page(request, warp=warp, name=name, rows=rows, picks=picks, message=str(why), status=422)
    return RedirectResponse(f"/designs/{design}", 303)


@router.post("/designs/{design}/away")
def throw_away(request: Request, design: str) -> Response:
    """Out of sight; it can be brought back."""
    return _put(request, design, away=True)


@router.post("/designs/{design}/keep")
def bring_back(request: Request, design: str) -> Response:
    """What was thrown away is there again."""
    return _put(request, design, away=False)


def _put(request: Request, design: str, *, away: bool) -> Response:
    if not is_count(design) or not store_of(request).board.throw_design_away(int(design), away):
        raise HTTPException(404, NO_SUCH_DESIGN)
    return RedirectResponse(f"/designs?away={int(design)}" if away else "/designs", 303)
