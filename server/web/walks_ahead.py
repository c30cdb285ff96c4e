"""The walks to come: when, and what is done on each; what can be done early; and her wishes of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from server.design.piece import Piece
from server.loom.steps import TakeOut, Weave
from server.plan.visits import Position, position_of
from server.plan.workorder import is_free
from server.session.bands import band_words
from server.session.cards import BEHIND, Card
from server.session.naming import Naming
from server.session.pace import minutes_per_pick
from server.session.place import picks_done
from server.session.put_right import before_weaving, go_on, row_now, standing
from server.session.read_counts import Unreadable, read_numbers
from server.session.wishes import Wishes, Written, rows_every, wished
from server.session.wording import after_words, entries, heading, minutes_text, several
from server.store.weavings import Weaving
from server.web.proposals import Planned, left_now, planned, wishes_of
from server.web.put_right import check_fresh, off_the_loom, take_plan, trying
from server.web.rendering import NotUnderstood, Shown, naming_of, number_of, page, weaving_of
from server.web.walks import things_behind

router = APIRouter()

WORTH_TELLING = 0.005
"""Minutes: less is nothing."""


@dataclass(frozen=True, slots=True)
class WalkAhead:
    """A walk to come.

    Attributes:
        when: "after row 12".
        until: what comes before it: "12 rows"; "" where it is next.
        minutes: of weaving until then, at her own pace; "" where that is not known, or less than one.
        things: what is done on it.
        is_free: whether she rises there anyway.
    """

    when: str
    until: str
    minutes: str
    things: tuple[str, ...]
    is_free: bool


def walks_ahead(weaving: Weaving, naming: Naming) -> list[WalkAhead]:
    """The walks to come, in order; one that is under way is not among them."""
    free = wished(weaving.piece, wishes_of(weaving)).free_walks
    each = minutes_per_pick(weaving)
    cards, place = weaving.cards, weaving.place
    here = cards[place.card]
    rows, outs, picks = 0, 0, -picks_done(here, place) if isinstance(here.step, Weave) else 0
    found = []
    for card in cards[place.card :]:
        if isinstance(card.step, Weave):
            rows, picks = rows + 1, picks + card.step.picks
        elif isinstance(card.step, TakeOut):
            outs += 1
        elif card.kind == "walk":
            time = 0.0 if each is None else each * picks
            minutes = minutes_text(time) if time >= 1 else ""
            things = tuple(heading(naming.card(thing)) for thing in things_behind(cards, card.number))
            at = position_of(card.before)
            when = _when(weaving.piece, at)
            found.append(WalkAhead(when, _until(rows, outs), minutes, things, is_free(at, free)))
    return found


def _when(piece: Piece, at: Position) -> str:
    """ "after row 12", and where that is among the bands: "after row 12 (Border, row 3 of 12)"."""
    band = ", ".join(filter(None, band_words(piece, at.row + (at.picks > 0))))
    return f"{after_words(at)} ({band})" if band else after_words(at)


def _until(rows: int, outs: int) -> str:
    taken_out = [f"picks of {several(outs, 'row')} to take out"] if outs else []
    woven = [several(rows, "row") + (" to weave" if outs else "")] if rows else []
    return ", ".join(taken_out + woven)


def _ahead_page(
    request: Request,
    weaving: Weaving,
    message: str = "",
    status: int = 200,
    *,
    written: Written | None = None,
    plan: Planned | None = None,
) -> Response:
    naming = naming_of(request, weaving)
    card = weaving.decks.at(weaving.place)
    return page(
        "put_right/walks_ahead.html",
        status=status,
        weaving=weaving,
        message=message,
        walks=walks_ahead(weaving, naming),
        left=left_now(weaving),
        paced=minutes_per_pick(weaving) is not None,
        under_way=card.kind in BEHIND,
        written=written or _written(weaving),
        rows=len(weaving.piece.rows),
        row_now=row_now(weaving.piece, weaving.decks, weaving.place),
        plan=plan,
    )


def _written(weaving: Weaving) -> Written:
    """Her wishes as she wrote them, or as the piece's file has them."""
    wishes = wishes_of(weaving)
    if wishes.written is not None:
        return wishes.written
    free, none = weaving.piece.free_walks, weaving.piece.no_walks
    return Written(free=", ".join(entries(free)), none=", ".join(entries(none)))


@router.get("/pieces/{piece}/walks-ahead")
def show_walks(request: Request, piece: str) -> Response:
    """The walks to come."""
    weaving = weaving_of(request, piece)
    return off_the_loom(weaving) or _ahead_page(request, weaving)


# --- behind already ------------------------------------------------------------------------------------


def _plan_now(weaving: Weaving, naming: Naming) -> Planned:
    if weaving.decks.at(weaving.place).kind in BEHIND:
        raise NotUnderstood("You are on a walk by now: the instruction says what is done on it.")
    start = standing(weaving.decks, weaving.place, weaving.piece)
    way = go_on(weaving.piece, start, "behind", wishes_of(weaving), free_now=True)
    return planned(weaving, way, naming)


def _done_now(plan: Planned) -> list[Card]:
    return [card for card in before_weaving(plan.cards) if card.kind in BEHIND]


@router.get("/pieces/{piece}/walks-ahead/now")
def show_now(request: Request, piece: str) -> Response:
    """What could be done now, while she is behind the loom anyway, and what that saves."""

    def do(weaving: Weaving) -> Response:
        naming = naming_of(request, weaving)
        plan = _plan_now(weaving, naming)
        things = [heading(naming.card(card)) for card in _done_now(plan)]
        gains = bool(things) and plan.saved > WORTH_TELLING
        return page(
            "put_right/behind_now.html",
            weaving=weaving,
            plan=plan,
            things=things,
            gains=gains,
            fewer=plan.before.walks - plan.after.walks,
        )

    return trying(request, piece, _ahead_page, do)


@router.post("/pieces/{piece}/walks-ahead/now")
def do_now(request: Request, piece: str, shown: Shown, mark: Annotated[str, Form()] = "") -> Response:
    """Do now what can be done early."""

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        return take_plan(request, weaving, _plan_now(weaving, naming_of(request, weaving)), shown, mark)

    return trying(request, piece, _ahead_page, do)


# --- her wishes ----------------------------------------------------------------------------------------


def read_wishes(weaving: Weaving, written: Written) -> Wishes:
    """Her wishes, from what she wrote.

    Raises:
        NotUnderstood: if it cannot be read.
    """
    piece, rows = weaving.piece, len(weaving.piece.rows)
    try:
        free = read_numbers(written.free, 0, rows, "row")
        none = read_numbers(written.none, 0, rows, "row")
    except Unreadable as why:
        raise NotUnderstood(str(why)) from why
    if written.measure not in ("rows", "picks"):
        raise NotUnderstood("Say whether you rise after so many rows or so many picks.")
    if written.every.strip():
        number = number_of(written.every, f"After every so many {written.measure}", 1, 10**6)
        free |= rows_every(piece, number, written.measure)
    return Wishes(free, none, written)


@router.post("/pieces/{piece}/walks-ahead")
def wish(
    request: Request,
    piece: str,
    shown: Shown,
    free: Annotated[str, Form()] = "",
    every: Annotated[str, Form()] = "",
    measure: Annotated[str, Form()] = "rows",
    none: Annotated[str, Form()] = "",
    now: Annotated[str, Form()] = "",
    do: Annotated[str, Form()] = "",
    mark: Annotated[str, Form()] = "",
) -> Response:
    """Show what her wishes change, or take the plan that was shown.

    Args:
        now: "on": she rises after this row anyway, at the end of the day.
    """
    written = Written(free, every, measure, none)

    def tried(weaving: Weaving) -> Response:
        asked = written
        if now == "on":
            row = row_now(weaving.piece, weaving.decks, weaving.place)
            asked = replace(written, free=_and_row(free, row))
        start = standing(weaving.decks, weaving.place, weaving.piece)
        wishes = read_wishes(weaving, asked)
        plan = planned(weaving, go_on(weaving.piece, start, "walks", wishes), naming_of(request, weaving))
        if do == "take":
            check_fresh(weaving, shown)
            return take_plan(request, weaving, plan, shown, mark)
        return _ahead_page(request, weaving, written=asked, plan=plan)

    def show(request: Request, weaving: Weaving, message: str, status: int) -> Response:
        return _ahead_page(request, weaving, message, status, written=written)

    return trying(request, piece, show, tried)


def _and_row(free: str, row: int) -> str:
    return f"{free.strip()}, {row}" if free.strip() else str(row)
