"""Something went wrong: the mistakes, what each does to cloth and loom, and how it is put right."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby, islice
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from server.loom.picks import picks_before_row
from server.loom.steps import Insert, Raise, TakeOut, Weave
from server.plan.visits import Position, position_of
from server.session.cards import Card
from server.session.log_words import log_words
from server.session.naming import Naming
from server.session.place import MOST_WORDS, TapKind, can_be_in, can_undo, is_stale, state_now
from server.session.put_right import (
    Continuation,
    Spot,
    continuations,
    cut_out,
    next_treadle,
    picks_back,
    picks_in,
    picks_in_all,
    row_now,
    spots_before,
    standing,
    take_out,
    way_back,
)
from server.session.treadling import Side, next_pick, side_before, treadle_at
from server.session.wording import after_words, handle_words, heading, numbers_text, pulled, several
from server.store.database import STALE
from server.store.weavings import Weaving
from server.web.proposals import Planned, planned, take, wishes_of
from server.web.rendering import (
    NotUnderstood,
    Shown,
    naming_of,
    number_of,
    page,
    preferences_of,
    store_of,
    tap_of,
    weaving_of,
)

router = APIRouter()

SPOTS_SHOWN = 12
"""Instructions back that are listed; those before are found by their row."""


# --- what the pages share ------------------------------------------------------------------------------


def off_the_loom(weaving: Weaving) -> Response | None:
    """Where to go instead, while nothing of this piece can be put right."""
    if weaving.place.status == "on the loom":
        return None
    there = "/loom" if weaving.place.status == "finished" else ""
    return RedirectResponse(f"/pieces/{weaving.id}{there}", 303)


def check_fresh(weaving: Weaving, shown: tuple[str, str]) -> None:
    """Refuse what was asked for on a page that the piece has left behind.

    Raises:
        NotUnderstood: with a sentence.
    """
    if is_stale(weaving.place, tap_of("course", shown)):
        raise NotUnderstood(STALE)


def to_loom(weaving: Weaving) -> Response:
    """Back to the instruction, which tells what was put right and can take it back."""
    return RedirectResponse(f"/pieces/{weaving.id}/loom", 303)


def correct(
    request: Request, weaving: Weaving, kind: TapKind, shown: tuple[str, str], detail: dict[str, Any]
) -> Response:
    """Take a correction.

    Raises:
        NotUnderstood: if it does not count; says why.
    """
    tap = replace(tap_of(kind, shown), detail=json.dumps(detail))
    answer = store_of(request).tap(weaving.id, tap)
    assert answer is not None  # pieces are never removed
    if not answer.counted:
        raise NotUnderstood(answer.message)
    return to_loom(weaving)


Show = Callable[[Request, Weaving, str, int], Response]
"""A page with a message above it, and its HTTP status."""


def trying(request: Request, piece: str, show: Show, do: Callable[[Weaving], Response]) -> Response:
    """Do it; if it cannot be done, show the page again with the reason and as the piece is by now."""
    weaving = weaving_of(request, piece)
    try:
        return off_the_loom(weaving) or do(weaving)
    except NotUnderstood as why:
        weaving = weaving_of(request, piece)
        return off_the_loom(weaving) or show(request, weaving, str(why), 422)


# --- the choice ----------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/put-right")
def choose(request: Request, piece: str) -> Response:
    """What went wrong?"""
    weaving = weaving_of(request, piece)
    return off_the_loom(weaving) or _choices_page(request, weaving)


def _choices_page(request: Request, weaving: Weaving, message: str = "", status: int = 200) -> Response:
    return page(
        "put_right/choices.html",
        status=status,
        weaving=weaving,
        message=message,
        has_temporaries=bool(weaving.state.temporaries),
        last=_last_put_right(weaving, naming_of(request, weaving)),
        shed_row=weaving.decks.at(weaving.place).row if _picks_lines(weaving, "right") else 0,
    )


@dataclass(frozen=True, slots=True)
class PutRight:
    """The correction that can be taken back next.

    Attributes:
        words: what it was, as the log has it.
        is_here: whether it can be taken back at this place.
        taps: how many taps have counted since.
    """

    words: str
    is_here: bool
    taps: int


def _last_put_right(weaving: Weaving, naming: Naming) -> PutRight | None:
    """The last correction; a mistake that stays in only where it can be taken back at once."""
    place = weaving.place
    here = can_undo(place)
    others = (done for done in reversed(place.corrections) if done.kind != "left_in")
    last = here or next(others, None)
    if last is None:
        return None
    words = log_words(weaving.decks, last.kind, last.detail, last.before, naming)
    return PutRight(words, here is not None, place.turn - last.before.turn - 1)


# --- tapped too far ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SpotLine:
    """An instruction to go back to.

    Attributes:
        where: "Row 12" or "After row 12".
        picks: how many picks can be in there.
    """

    card: int
    where: str
    what: str
    picks: tuple[int, ...]


def _spot_line(spot: Spot, naming: Naming) -> SpotLine:
    card = spot.card
    at_row = card.kind in ("raise", "reopen", "weave", "take_out")
    where = f"Row {card.row}" if at_row else after_words(position_of(card.before)).capitalize()
    return SpotLine(card.number, where, heading(naming.card(card), in_full=True), spot.picks)


@router.get("/pieces/{piece}/put-right/too-far")
def show_too_far(request: Request, piece: str) -> Response:
    """The last instructions, to go back to one of them."""
    weaving = weaving_of(request, piece)
    return off_the_loom(weaving) or _too_far_page(request, weaving)


def _too_far_page(request: Request, weaving: Weaving, message: str = "", status: int = 200) -> Response:
    naming = naming_of(request, weaving)
    spots = list(islice(spots_before(weaving.decks, weaving.place), SPOTS_SHOWN))
    rows = [c.row for c in weaving.cards[: weaving.place.card] if isinstance(c.step, Raise)]
    return page(
        "put_right/too_far.html",
        status=status,
        weaving=weaving,
        message=message,
        spots=[_spot_line(spot, naming) for spot in spots],
        by_pick=weaving.place.by_pick or weaving.place.pick > 0,
        first_row=min(rows, default=0),
        last_row=max(rows, default=0),
    )


@router.post("/pieces/{piece}/put-right/too-far")
def go_back(
    request: Request,
    piece: str,
    shown: Shown,
    to: Annotated[str, Form()] = "",
    picks: Annotated[str, Form()] = "",
    row: Annotated[str, Form()] = "",
) -> Response:
    """She is at an earlier instruction; nothing happened at the loom."""

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        cards = weaving.cards
        if to:
            number = number_of(to, "The instruction", 0, len(cards) - 1)
            pick = number_of(picks or str(cards[number].before.picks), "Picks that are in", 0, 10**6)
        else:
            asked = number_of(row, "The row", 1, len(weaving.piece.rows))
            found = [c for c in cards[: weaving.place.card] if isinstance(c.step, Raise) and c.row == asked]
            if not found:
                raise NotUnderstood(f"Row {asked} has not been raised on the way here.")
            number, pick = found[-1].number, found[-1].before.picks
        return correct(request, weaving, "too_far", shown, {"card": number, "pick": pick})

    return trying(request, piece, _too_far_page, do)


# --- in the middle of a row ----------------------------------------------------------------------------

LINES_SHOWN = 24
"""Numbers of picks that are listed; of a row with more, the number is written."""


@dataclass(frozen=True, slots=True)
class PicksLine:
    """So many picks of the row that is on may be in.

    Attributes:
        treadle: the next one then; 0: there is only one.
        side: where the shuttle is then.
        is_told: whether that is what was told.
    """

    picks: int
    treadle: int
    side: Side
    is_told: bool


def _picks_lines(weaving: Weaving, first: Side) -> list[PicksLine]:
    piece, place, card = weaving.piece, weaving.place, weaving.decks.at(weaving.place)
    before_row, out = picks_before_row(piece.picks_per_row, card.row), card.kind == "take_out"
    many_treadles = piece.loom.treadles > 1
    can = () if place.out or place.again is not None else can_be_in(card) or ()
    return [
        PicksLine(
            picks=picks,
            treadle=treadle_at(piece, place, before_row + picks - out) if many_treadles else 0,
            side=side_before(piece, place, before_row + picks, first),
            is_told=picks == picks_in(weaving.decks, place),
        )
        for picks in can
    ]


@router.get("/pieces/{piece}/put-right/picks")
def show_picks(request: Request, piece: str) -> Response:
    """How many picks of the row that is on may be in, each with its treadle and the shuttle's side."""
    weaving = weaving_of(request, piece)
    return off_the_loom(weaving) or _picks_page(request, weaving)


def _picks_page(request: Request, weaving: Weaving, message: str = "", status: int = 200) -> Response:
    card = weaving.decks.at(weaving.place)
    return page(
        "put_right/picks.html",
        status=status,
        weaving=weaving,
        message=message,
        row=card.row,
        out=card.kind == "take_out",
        lines=_picks_lines(weaving, preferences_of(store_of(request), weaving.id).first_side),
        most_lines=LINES_SHOWN,
    )


@router.post("/pieces/{piece}/put-right/picks")
def tell_picks(request: Request, piece: str, shown: Shown, picks: Annotated[str, Form()] = "") -> Response:
    """So many picks of the row that is on are in."""

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        can = [line.picks for line in _picks_lines(weaving, "right")]
        if not can:
            raise NotUnderstood("No row is on: no shed stands in which picks could be.")
        return correct(
            request,
            weaving,
            "picks",
            shown,
            {"picks": number_of(picks, "Picks that are in", can[0], can[-1])},
        )

    return trying(request, piece, _picks_page, do)


# --- woven wrong ---------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/put-right/wrong")
def show_wrong(request: Request, piece: str) -> Response:
    """Take it out, cut it out, or leave it in?"""
    weaving = weaving_of(request, piece)
    return off_the_loom(weaving) or _wrong_page(request, weaving)


def _wrong_page(
    request: Request,
    weaving: Weaving,
    message: str = "",
    status: int = 200,
    *,
    kept: Mapping[str, str] | None = None,
) -> Response:
    at = position_of(standing(weaving.decks, weaving.place, weaving.piece))
    has_shed = picks_in(weaving.decks, weaving.place)
    return page(
        "put_right/wrong.html",
        status=status,
        weaving=weaving,
        message=message,
        shed_row=weaving.decks.at(weaving.place).row if has_shed is not None else 0,
        picks_in=has_shed,
        most_in=weaving.piece.picks(weaving.decks.at(weaving.place).row) if has_shed is not None else 0,
        last_row=at.row,
        woven_row=row_now(weaving.piece, weaving.decks, weaving.place),
        in_all=picks_in_all(weaving.piece, at),
        most_words=MOST_WORDS,
        kept=kept or {},
    )


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked to be taken out.

    Attributes:
        known: picks that are in of the row whose shed stands; None: no shed stands.
        here: how far the cloth is.
        to: how far it is to be.
        within: picks to come out in the shed that stands, where that is all; 0: it is not.
    """

    known: int | None
    here: Position
    to: Position
    within: int


def _asked(weaving: Weaving, picks_now: str, picks: str, row: str) -> Asked:
    """Read how far back to go.

    Raises:
        NotUnderstood: if it cannot be.
    """
    piece, place = weaving.piece, weaving.place
    card, told = weaving.decks.at(place), picks_in(weaving.decks, place)
    known = told
    if told is not None and picks_now:
        least = card.before.picks if isinstance(card.step, Weave) else told
        most = piece.picks(card.row) if isinstance(card.step, Weave) else told
        known = number_of(picks_now, f"Picks of row {card.row} that are in", least, most)
    here = position_of(standing(weaving.decks, place, piece, known))
    if picks and row:
        raise NotUnderstood("Say either how many picks come out, or the row to go back to.")
    if not picks and not row:
        raise NotUnderstood("Fill in one of the two: how many picks come out, or the last row that stays in.")
    in_all = picks_in_all(piece, here)
    if in_all == 0:
        raise NotUnderstood("Nothing is woven yet, so there is nothing to take out.")
    if picks:
        to = picks_back(piece, here, number_of(picks, "Picks to take out", 1, in_all))
    else:
        to = Position(number_of(row, "The last row that stays", 0, here.row - (here.picks == 0)))
    within = 0
    if isinstance(card.step, Weave) and known is not None and known < piece.picks(card.row):
        can = known - card.before.picks
        if to.row == card.row - 1 and known - to.picks <= can:
            within = known - to.picks
    return Asked(known, here, to, within)


@dataclass(frozen=True, slots=True)
class BackLine:
    """Something to be done on the way back."""

    text: str
    is_walk: bool


def _back_lines(weaving: Weaving, plan: Planned, naming: Naming) -> list[BackLine]:
    lines = []
    for kind, cards in groupby(way_back(plan.cards), lambda card: card.kind):
        if kind == "test_lift":
            lifted = [naming.name(card.handle) for card in cards if card.handle is not None]
            each = ", one after the other" if len(lifted) > 1 else ""
            lines.append(BackLine(f"Test lift: pull {handle_words(lifted)} alone{each}", False))
            continue
        lines += [BackLine(_back_words(weaving, card, naming), kind == "walk") for card in cards]
    return lines


def _back_words(weaving: Weaving, card: Card, naming: Naming) -> str:
    text = heading(naming.card(card), in_full=True)
    match card.step:
        case TakeOut(row=row, picks=picks):
            treadles = _treadles_out(weaving, row, card.step)
            over = f", over {'treadles' if picks > 1 else 'treadle'} {treadles}" if treadles else ""
            return f"Row {row}: {text[0].lower()}{text[1:]}{over}"
        case Raise(row=row):
            return f"Row {row}: {text[0].lower()}{text[1:]}"
    return text


def _treadles_out(weaving: Weaving, row: int, step: TakeOut) -> str:
    """The treadles over which picks come out, the last pick's first, as the row was woven."""
    if weaving.piece.loom.treadles == 1:
        return ""
    first = picks_before_row(weaving.piece.picks_per_row, row)
    numbers = range(first + step.left + step.picks - 1, first + step.left - 1, -1)
    treadles = [str(treadle_at(weaving.piece, weaving.place, number)) for number in numbers]
    return " ".join(treadles[:12]) + (" …" if len(treadles) > 12 else "")


def _fields(**asked: str) -> list[tuple[str, str]]:
    """What a page was asked for, for its form to say it again."""
    return [(name, text) for name, text in asked.items() if text]


@router.get("/pieces/{piece}/put-right/take-out")
def show_take_out(request: Request, piece: str, now: str = "", picks: str = "", row: str = "") -> Response:
    """What taking picks out means, before anything is done.

    Args:
        now: picks that are in of the row whose shed stands.
        picks: how many come out, or
        row: the last row that stays in.
    """
    kept = {"now": now, "picks": picks, "row": row}
    return trying(
        request,
        piece,
        partial(_wrong_page, kept=kept),
        lambda weaving: _take_out_page(request, weaving, now, picks, row),
    )


def _take_out_page(request: Request, weaving: Weaving, now: str, picks: str, row: str) -> Response:
    asked = _asked(weaving, now, picks, row)
    common: dict[str, Any] = {
        "weaving": weaving,
        "message": "",
        "asked": asked,
        "fields": _fields(now=now, picks=picks, row=row),
    }
    if asked.within:
        card = weaving.decks.at(weaving.place)
        step = TakeOut(card.row, asked.within, (), asked.to.picks)
        return page(
            "put_right/take_out_here.html",
            row=card.row,
            treadles=_treadles_out(weaving, card.row, step),
            left=asked.to.picks,
            **common,
        )
    naming = naming_of(request, weaving)
    plan = _plan_back(weaving, asked, naming)
    return page(
        "put_right/take_out.html",
        plan=plan,
        lines=_back_lines(weaving, plan, naming),
        out=picks_in_all(weaving.piece, asked.here) - picks_in_all(weaving.piece, asked.to),
        to=_position_words(asked.to),
        **common,
    )


def _position_words(at: Position) -> str:
    if at.picks:
        return f"{several(at.picks, 'pick')} of row {at.row + 1} {'stays' if at.picks == 1 else 'stay'} in"
    return f"row {at.row} is the last that stays in" if at.row else "nothing stays in"


def _plan_back(weaving: Weaving, asked: Asked, naming: Naming) -> Planned:
    start = standing(weaving.decks, weaving.place, weaving.piece, asked.known)
    return planned(weaving, take_out(weaving.piece, start, asked.to, wishes_of(weaving)), naming)


@router.post("/pieces/{piece}/put-right/take-out")
def do_take_out(
    request: Request,
    piece: str,
    shown: Shown,
    now: Annotated[str, Form()] = "",
    picks: Annotated[str, Form()] = "",
    row: Annotated[str, Form()] = "",
    mark: Annotated[str, Form()] = "",
) -> Response:
    """Take picks out, as it was shown."""

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        asked = _asked(weaving, now, picks, row)
        if asked.within:
            return correct(request, weaving, "unweave", shown, {"picks": asked.within, "in": asked.known})
        plan = _plan_back(weaving, asked, naming_of(request, weaving))
        return take_plan(request, weaving, plan, shown, mark)

    return trying(request, piece, _wrong_page, do)


def take_plan(
    request: Request, weaving: Weaving, plan: Planned, shown: tuple[str, str], mark: str
) -> Response:
    """Take a course that was shown.

    Raises:
        NotUnderstood: if nothing was changed; says why.
    """
    answer = take(request, weaving, plan, shown, mark)
    if not answer.counted:
        raise NotUnderstood(answer.message)
    return to_loom(weaving)


@router.get("/pieces/{piece}/put-right/cut-out")
def show_cut_out(request: Request, piece: str, row: str = "") -> Response:
    """What cutting the weft out means, before anything is done."""
    show = partial(_wrong_page, kept={"cut_row": row})
    return trying(request, piece, show, lambda weaving: _cut_out_page(request, weaving, row))


def _plan_cut(weaving: Weaving, row: str, naming: Naming) -> tuple[Planned, int]:
    start = standing(weaving.decks, weaving.place, weaving.piece)
    at = position_of(start)
    has_shed = picks_in(weaving.decks, weaving.place) is not None
    most = at.row - (at.picks == 0 and not has_shed)
    if most < 0:
        raise NotUnderstood("Nothing is woven yet, so there is nothing to cut out.")
    to = number_of(row, "The last row that stays", 0, most)
    return planned(weaving, cut_out(weaving.piece, start, to, wishes_of(weaving)), naming), to


def _cut_out_page(request: Request, weaving: Weaving, row: str) -> Response:
    naming = naming_of(request, weaving)
    plan, to = _plan_cut(weaving, row, naming)
    return page(
        "put_right/cut_out.html",
        weaving=weaving,
        message="",
        plan=plan,
        to=to,
        standing=standing_words(weaving, naming),
        fields=_fields(row=row),
    )


def standing_words(weaving: Weaving, naming: Naming) -> list[str]:
    """What is up and what is in, in a few words."""
    state = naming.state(state_now(weaving.decks, weaving.place))
    found = [f"{words} pulled" for words in pulled(state)]
    if state.temporaries:
        found.append(f"in the loom: {', '.join(t.name for t in state.temporaries)}")
    return found


@router.post("/pieces/{piece}/put-right/cut-out")
def do_cut_out(
    request: Request,
    piece: str,
    shown: Shown,
    row: Annotated[str, Form()] = "",
    mark: Annotated[str, Form()] = "",
) -> Response:
    """The weft is cut out, as it was shown."""

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        plan, _ = _plan_cut(weaving, row, naming_of(request, weaving))
        return take_plan(request, weaving, plan, shown, mark)

    return trying(request, piece, _wrong_page, do)


@router.post("/pieces/{piece}/put-right/left-in")
def leave_in(
    request: Request,
    piece: str,
    shown: Shown,
    row: Annotated[str, Form()] = "",
    words: Annotated[str, Form()] = "",
) -> Response:
    """The mistake stays in, and is recorded."""

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        number = number_of(row, "The row", 1, row_now(weaving.piece, weaving.decks, weaving.place))
        said = words.strip()
        if len(said) > MOST_WORDS:
            raise NotUnderstood(f"Say it in at most {MOST_WORDS} characters; these are {len(said)}.")
        return correct(request, weaving, "left_in", shown, {"row": number, "words": said})

    return trying(request, piece, partial(_wrong_page, kept={"left_row": row, "words": words}), do)


# --- put in wrongly ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class InLine:
    """A temporary that is in the loom.

    Attributes:
        name: as the files call it.
        told: as she does.
        lifted: the rows woven with it since it went in; "" for none.
    """

    name: str
    told: str
    shaft: int
    units: str
    lifted: str


def _lifted_in(weaving: Weaving, temporary: str) -> str:
    """The rows woven with it since it went in, as far as the plan that she follows knows; "" for none."""
    found: set[int] = set()
    for card in weaving.cards[: weaving.place.card + 1]:
        if isinstance(card.step, Insert) and card.step.temporary == temporary:
            found.clear()
        is_begun = card.number < weaving.place.card or weaving.place.pick > card.before.picks
        if (
            isinstance(card.step, Weave)
            and is_begun
            and card.before.handle_on(temporary) in card.before.raised
        ):
            found.add(card.row)
    return numbers_text(found) if found else ""


@router.get("/pieces/{piece}/put-right/put-in")
def show_put_in(request: Request, piece: str) -> Response:
    """Which of the temporaries went in wrongly?"""
    weaving = weaving_of(request, piece)
    return off_the_loom(weaving) or _put_in_page(request, weaving)


def _put_in_page(request: Request, weaving: Weaving, message: str = "", status: int = 200) -> Response:
    naming = naming_of(request, weaving)
    lines = [
        InLine(
            t.name,
            naming.name(t.name),
            naming.shaft(t.parent),
            numbers_text(naming.unit_numbers(t.units)),
            _lifted_in(weaving, t.name),
        )
        for t in weaving.state.temporaries
    ]
    up = pulled(naming.state(weaving.state))
    return page("put_right/put_in.html", status=status, weaving=weaving, message=message, lines=lines, up=up)


@router.post("/pieces/{piece}/put-right/put-in")
def put_in_again(
    request: Request, piece: str, shown: Shown, temporary: Annotated[str, Form()] = ""
) -> Response:
    """That temporary is put in once more."""

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        if weaving.state.temporary(temporary) is None:
            raise NotUnderstood("That temporary is not in the loom; choose one of these.")
        return correct(request, weaving, "again", shown, {"temporary": temporary})

    return trying(request, piece, _put_in_page, do)


# --- the treadles --------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/put-right/treadles")
def show_treadles(request: Request, piece: str, treadle: str = "") -> Response:
    """Where the treadles and the shuttle are by the instructions, and what may be otherwise.

    Args:
        treadle: the one that comes next, as she says.
    """
    return trying(
        request, piece, _treadles_page, lambda weaving: _treadles_page(request, weaving, treadle=treadle)
    )


def _pick_to_come(weaving: Weaving) -> int | None:
    """The next pick, counted through the piece; None: none is to be woven next."""
    card = weaving.decks.at(weaving.place)
    if card.kind in ("reopen", "take_out", "done") or weaving.place.out:
        return None
    pick = next_pick(weaving.piece, weaving.place, card)
    piece = weaving.piece
    return pick if pick < picks_before_row(piece.picks_per_row, len(piece.rows) + 1) else None


def _treadles_page(
    request: Request, weaving: Weaving, message: str = "", status: int = 200, *, treadle: str = ""
) -> Response:
    chosen = preferences_of(store_of(request), weaving.id)
    pick = _pick_to_come(weaving)
    piece, loom = weaving.piece, weaving.piece.loom
    found: tuple[Continuation, ...] = ()
    asked = 0
    if treadle and pick is not None:
        asked = number_of(treadle, "Your next treadle", 1, loom.treadles)
        found = continuations(piece, weaving.decks, weaving.place, asked)
        if not found:
            raise NotUnderstood(f"Treadle {asked} is not in the cycle of this piece.")
    return page(
        "put_right/treadles.html",
        status=status,
        weaving=weaving,
        message=message,
        pick=pick,
        next_treadle=next_treadle(piece, weaving.decks, weaving.place) if pick is not None else 0,
        side=side_before(piece, weaving.place, pick or 0, chosen.first_side),
        found=found,
        asked=asked,
        most=loom.treadles,
    )


WAYS = {"too many": (1, 1), "too few": (-1, -1), "side": (0, 1)}
"""What is off: (treadles further in their cycle, passages more)."""


@router.post("/pieces/{piece}/put-right/treadles")
def shift_treadles(
    request: Request,
    piece: str,
    shown: Shown,
    why: Annotated[str, Form()] = "",
    treadle: Annotated[str, Form()] = "",
    place: Annotated[str, Form()] = "",
) -> Response:
    """The treadles, or the shuttle, go on elsewhere.

    Args:
        place: which of the places in the cycle where that treadle comes, as they were shown, from 0.
    """

    def do(weaving: Weaving) -> Response:
        check_fresh(weaving, shown)
        pick = _pick_to_come(weaving)
        if pick is None:
            raise NotUnderstood("No pick is to be woven next, so no treadle can be off.")
        if why == "treadle":
            number = number_of(treadle, "Your next treadle", 1, weaving.piece.loom.treadles)
            found = continuations(weaving.piece, weaving.decks, weaving.place, number)
            if not found:
                raise NotUnderstood(f"Treadle {number} is not in the cycle of this piece.")
            treadles, passages = (
                found[number_of(place or "0", "The place in the cycle", 0, len(found) - 1)].shift,
                0,
            )
        elif why in WAYS:
            treadles, passages = WAYS[why]
        else:
            raise NotUnderstood("Say what is off: choose one of these.")
        detail = {"treadles": treadles, "passages": passages, "pick": pick, "why": why}
        return correct(request, weaving, "shift", shown, detail)

    return trying(request, piece, _treadles_page, do)
