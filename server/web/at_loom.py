"""At the loom: one instruction at a time."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from itertools import takewhile
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from server.plan.visits import position_of
from server.session.bands import band_words
from server.session.cards import BEHIND, Card, CardKind
from server.session.log_words import log_words
from server.session.naming import Naming
from server.session.pace import minutes_to_next_walk
from server.session.place import (
    PULL,
    Correction,
    Decks,
    NotNow,
    Tap,
    TapKind,
    after_tap,
    can_undo,
    card_up,
    follows,
    is_done_again,
    is_lift,
    read_detail,
    whole_number,
)
from server.session.reminders import due
from server.session.spoken import spoken
from server.session.wording import (
    cautions,
    check_words,
    heading,
    order_of_work,
    several,
    undo_first,
)
from server.store.weavings import Answer, Weaving
from server.web.breaks import Pause, pause_of
from server.web.card_views import VIEWS, checklist, shed_view
from server.web.device import Device, device_of
from server.web.drawings import tape
from server.web.piece_settings import PieceSettings, piece_settings_of
from server.web.rendering import (
    NotUnderstood,
    Preferences,
    Shown,
    answering,
    environment,
    go_to,
    page,
    preferences_of,
    store_of,
    tap_of,
    weaving_of,
)
from server.web.walks import things_behind, walk_order

router = APIRouter()

BOTH_ENDS: tuple[CardKind, ...] = ("move_cords", "withdraw")
"""Cards on which both ends are ticked before they are done."""


AT_ROW: tuple[CardKind, ...] = ("raise", "reopen", "weave", "take_out")
"""Cards that are about one row."""


@dataclass(frozen=True, slots=True)
class Band:
    """What is always in sight.

    Attributes:
        row: "Row 12 of 40".
        band: which band that is in, and where in it: ("Border", "row 3 of 12"); empty where there is none.
        walk: how far the next walk is.
        temporaries: (name, handle or "") of each temporary in the loom now.
    """

    row: str
    band: tuple[str, str]
    walk: str
    temporaries: tuple[tuple[str, str], ...]


def band(weaving: Weaving, card: Card, naming: Naming) -> Band:
    """What is always in sight, for a card."""
    state = naming.state(weaving.state)
    return Band(
        row=row_words(weaving, card),
        band=band_words(weaving.piece, row_at(card)),
        walk=to_next_walk(weaving, card),
        temporaries=tuple((t.name, state.handle_on(t.name) or "") for t in state.temporaries),
    )


def row_words(weaving: Weaving, card: Card) -> str:
    """Where she is: "Row 12 of 40"."""
    rows = len(weaving.piece.rows)
    if card.kind in AT_ROW:
        return f"Row {card.row} of {rows}"
    at = position_of(card.before)
    if at.picks:
        return f"Row {at.row + 1} of {rows}: {several(at.picks, 'pick')} in"
    return f"Row {at.row} of {rows} woven" if at.row else f"Before row 1 of {rows}"


def row_at(card: Card) -> int:
    """The row that a card is about, or that was woven last; 0 before the first."""
    if card.kind in AT_ROW:
        return card.row
    at = position_of(card.before)
    return at.row + 1 if at.picks else at.row


def to_next_walk(weaving: Weaving, card: Card) -> str:
    """How far the next walk is, from a card on."""
    if is_done_again(weaving.place):
        return "behind the loom once more"
    if card.kind == "test_lift":
        return f"{several(lifts_left(weaving), 'test lift')} to make"
    card = weaving.decks.at(weaving.place)  # else what follows on something done once more
    if card.kind == "walk":
        return "walk now"
    if card.kind in BEHIND:
        return f"{several(len(things_behind(weaving.cards, card.number - 1)), 'thing')} left on this walk"
    walk = weaving.decks.next_walk(weaving.place)
    if walk is None:
        return "no more walks"
    out = [c for c in weaving.decks.taken_out(weaving.place) if card.number <= c.number < walk.number]
    if out:
        rows = walk.row - position_of(out[-1].after).row
        forward = f", {several(rows, 'row')} to weave" if rows > 0 else ""
        return f"picks of {several(len(out), 'row')} to take out{forward}, then a walk"
    rows = walk.row - card.row + (card.kind in ("raise", "weave"))
    if rows == 1 and card.kind in ("raise", "weave"):
        return "walk after this row"
    return f"{several(rows, 'row')} to the next walk" if rows > 0 else "then a walk"


def lifts_left(weaving: Weaving) -> int:
    """How many test lifts are to be made before she goes on, the one that is up included."""
    place = weaving.place
    dealt = takewhile(lambda card: card.kind == "test_lift", weaving.cards[place.card :])
    return sum(is_lift(entry) for entry in follows(place)) + sum(1 for _ in dealt)


@dataclass(frozen=True, slots=True)
class Choices:
    """Everything that was chosen and has to do with the instruction page.

    Attributes:
        chosen: for all devices.
        piece: for this piece.
        device: for the device that asks.
        noted: rows on which something is noted.
    """

    chosen: Preferences
    piece: PieceSettings
    device: Device
    noted: frozenset[int] = frozenset()

    @property
    def mark(self) -> str:
        """Two instructions go together only if their marks are the same."""
        shown = self.chosen, self.piece, self.device.say, self.device.view, sorted(self.noted)
        return sha256(f"{answering.get()} {shown}".encode()).hexdigest()[:8]


def choices_of(request: Request, piece: int) -> Choices:
    """What goes for a piece on the device that asks."""
    store = store_of(request)
    noted = frozenset(note.row for note in store.notes(piece))
    return Choices(preferences_of(store, piece), piece_settings_of(store, piece), device_of(request), noted)


def look_at_shed(weaving: Weaving, choices: Choices) -> bool:
    """Whether the shed is to be looked over before the first pick of what is up."""
    place, card = weaving.place, weaving.decks.at(weaving.place)
    begun = place.pick != card.before.picks or place.out or place.again is not None
    return choices.piece.check_shed and card.kind in ("weave", "take_out") and not (place.checked or begun)


def forward(weaving: Weaving, choices: Choices, pause: Pause | None) -> TapKind:
    """What a tap on the large button says at a place."""
    if pause:
        return "stands"
    if look_at_shed(weaving, choices):
        return "checked"
    card = card_up(weaving.decks, weaving.place)
    return "pick" if choices.piece.by_pick and card.kind in ("weave", "take_out") else "next"


# --- pages and taps ------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/loom")
def show_loom(request: Request, piece: str, look: str = "", card: str = "") -> Response:
    """The instruction that is up, or the plan if the piece is not on the loom.

    Args:
        look: "shed": the shed is looked over first.
        card: the instruction on which that was asked for; on another one it is not looked over again.
    """
    weaving = weaving_of(request, piece)
    if weaving.place.status not in ("on the loom", "finished"):
        return RedirectResponse(f"/pieces/{weaving.id}", 303)
    return _loom_page(request, weaving, look_first=look == "shed" and card in ("", str(weaving.place.card)))


def _loom_page(
    request: Request, weaving: Weaving, message: str = "", status: int = 200, look_first: bool = False
) -> Response:
    if weaving.place.status == "finished":
        return page("finished.html", status=status, weaving=weaving, message=message)
    choices = choices_of(request, weaving.id)
    context = instruction(weaving, choices, store_of(request).now(), look_first=look_first)
    return page("loom.html", status=status, message=message, **context)


def instruction_html(weaving: Weaving, choices: Choices, now: datetime) -> str:
    """The instruction at a place alone, as it stands in the page."""
    return (
        environment()
        .get_template("instruction.html")
        .render(message="", **instruction(weaving, choices, now))
    )


def instruction(
    weaving: Weaving, choices: Choices, now: datetime, *, look_first: bool = False
) -> dict[str, Any]:
    """What the instruction's template names.

    Args:
        look_first: show the shed to be looked over, if one stands.
    """
    place, chosen = weaving.place, choices.chosen
    naming = chosen.naming(weaving.piece.loom)
    card = card_up(weaving.decks, place)
    told = naming.card(card)
    pause = pause_of(weaving, now, chosen)
    walks_after = [weaving.cards[number].row for number in weaving.decks.walks(place)]
    again = is_done_again(place)
    is_lifted = weaving.decks.at(place).kind == "test_lift" or any(map(is_lift, place.to_come))
    has_shed = card.kind in ("weave", "take_out")
    has_no_minutes = place.again is not None or card.kind in ("walk", *BEHIND)
    noted = {*choices.noted, *(mistake.row for mistake in place.mistakes if not mistake.struck)}
    by_pick = choices.piece.by_pick and has_shed
    shed = has_shed and not pause and (look_first or look_at_shed(weaving, choices))
    view = {
        "check": check_words(naming.loom(weaving.piece.loom), told, naming),
        "look_alike": "",
        "ticks": (),
    } | VIEWS[card.kind](weaving, card, chosen)
    say = choices.device.say
    title, things = ("", ()) if say == "action" else checklist(weaving, chosen, say == "walk")
    undoable = can_undo(place)
    shed_shown = shed_view(weaving, card, chosen) if shed else None
    reminders = () if pause else due(weaving.piece, weaving.decks, place, choices.piece.reminders)
    aloud = _aloud(weaving, card, choices, pause, shed_shown)
    return {
        "weaving": weaving,
        "mark": choices.mark,
        "card": told,
        "again": again,
        "once_more": again or place.again == PULL,
        "undo": undo_first(told, naming.state(weaving.state), lifted=is_lifted) if again else (),
        "heading": view["pick_heading"] if by_pick else heading(told),
        "cautions": cautions(told),
        "order_of_work": order_of_work(told),
        "band": band(weaving, card, naming),
        "minutes_to_walk": None if has_no_minutes else minutes_to_next_walk(weaving),
        "tape": tape(len(weaving.piece.rows), weaving.rows_woven, walks_after),
        "pause": pause,
        "forward": forward(weaving, choices, pause),
        "by_pick": by_pick,
        "shed": shed_shown,
        "has_shed": has_shed,
        "is_noted": card.kind in AT_ROW and card.row in noted,
        "things_title": title,
        "things": things,
        "walk": walk_order(weaving) if things else None,
        "undoable": _words_of(undoable, weaving, naming) if undoable else "",
        "reminders": reminders,
        "spoken": " ".join([aloud, *(f"{what}." for what in reminders)]),
        "view": view,
    }


def _aloud(
    weaving: Weaving, card: Card, choices: Choices, pause: Pause | None, shed: dict[str, Any] | None
) -> str:
    """What is read aloud."""
    if pause:
        return f"{pause.title}. {pause.why}"
    if shed:
        return str(shed["spoken"])
    chosen, piece = choices.chosen, weaving.piece
    naming = chosen.naming(piece.loom)
    by_pick = choices.piece.by_pick
    return spoken(piece, weaving.place, card, chosen.stance, chosen.first_side, naming, by_pick=by_pick)


def _words_of(done: Correction, weaving: Weaving, naming: Naming) -> str:
    return log_words(weaving.decks, done.kind, done.detail, done.before, naming)


def _tap(
    request: Request,
    piece: str,
    kind: TapKind,
    shown: tuple[str, str],
    ends: tuple[str, str] | None = None,
    detail: str = "",
) -> Response:
    weaving = weaving_of(request, piece)
    try:
        tap = replace(tap_of(kind, shown), detail=detail)
        if ends is not None:
            need_both_ends(request, weaving, tap, ends)
    except NotUnderstood as refusal:
        return _again_at_loom(request, weaving, str(refusal), 422)
    answer = store_of(request).tap(weaving.id, tap)
    assert answer is not None  # pieces are never removed
    if answer.counted:
        return RedirectResponse(f"/pieces/{weaving.id}/loom", 303)
    naming = preferences_of(store_of(request)).naming(weaving.piece.loom)
    return _again_at_loom(request, answer.weaving, refusal_as_counted(answer, tap, naming), 200)


def refusal_as_counted(answer: Answer, tap: Tap, naming: Naming) -> str:
    """Why a tap was not taken, with shafts and units as she counts them: the same rules are asked again."""
    if answer.counted or answer.stale or naming.as_files:
        return answer.message
    decks = answer.weaving.decks
    cards = tuple(tuple(map(naming.card, deck)) for deck in decks.cards)
    try:
        after_tap(Decks(naming.loom(decks.loom), cards), answer.weaving.place, tap)
    except NotNow as why:
        return str(why)
    return answer.message


def _again_at_loom(request: Request, weaving: Weaving, message: str, status: int) -> Response:
    if weaving.place.status not in ("on the loom", "finished"):
        return go_to(request, f"/pieces/{weaving.id}")
    return _loom_page(request, weaving, message, status)


def need_both_ends(request: Request, weaving: Weaving, tap: Tap, ends: tuple[str, str]) -> None:
    """Refuse to count a card as done whose ends are not both ticked; a stale tap is left to the store."""
    place = weaving.place
    if (tap.card, tap.turn) != (place.card, place.turn) or place.status != "on the loom":
        return
    if device_of(request).say != "action" and place.again is None:
        return  # in a list one tick stands for both ends
    if card_up(weaving.decks, place).kind in BOTH_ENDS and ends != ("on", "on"):
        raise NotUnderstood("Look at both ends and tick each of them; then it is done.")


@router.post("/pieces/{piece}/next")
def done_next(
    request: Request,
    piece: str,
    shown: Shown,
    left_end: Annotated[str, Form()] = "",
    right_end: Annotated[str, Form()] = "",
) -> Response:
    """The card is done."""
    return _tap(request, piece, "next", shown, (left_end, right_end))


@router.post("/pieces/{piece}/tick")
def tick(request: Request, piece: str, shown: Shown, detail: Annotated[str, Form()] = "") -> Response:
    """A thing on this walk is done, or was not done after all."""
    # what cannot be read is refused with a sentence; of all else nothing but the number is kept
    with suppress(NotNow):
        detail = json.dumps({"card": whole_number(read_detail(detail), "card")})
    return _tap(request, piece, "tick", shown, detail=detail)


def _simple(kind: TapKind) -> Callable[[Request, str, Shown], Response]:
    def take(request: Request, piece: str, shown: Shown) -> Response:
        return _tap(request, piece, kind, shown)

    return take


SIMPLE: tuple[TapKind, ...] = ("pick", "back", "again", "checked", "pause", "stands", "undo")
"""Taps that say nothing besides."""

for _kind in SIMPLE:
    router.add_api_route(f"/pieces/{{piece}}/{_kind}", _simple(_kind), methods=["POST"])
