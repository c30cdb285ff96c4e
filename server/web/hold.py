"""What a screen holds for when the net drops: the instructions ahead, and the taps it hands in afterwards."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query, Request
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from server.session.log_words import log_words
from server.session.naming import Naming
from server.session.place import NotNow, Place, Status, Tap, TapKind, after_tap, card_up
from server.session.wording import heading
from server.store.weavings import Weaving
from server.web.at_loom import Choices, choices_of, forward, instruction_html, need_both_ends, row_words
from server.web.breaks import LONG_BREAK, pause_of
from server.web.rendering import (
    NO_SUCH_PIECE,
    NotUnderstood,
    environment,
    id_of,
    naming_of,
    store_of,
    weaving_of,
)

router = APIRouter()

MOST_AHEAD = 300
"""How many taps ahead a screen may ask."""
MOST_AT_ONCE = 90
"""Instructions in one answer."""
MOST_TAPS = 200
"""Taps handed in at once."""
_A_MONTH = 31 * 24 * 3600 * 1000
_LARGEST = 10**9

UNREADABLE = "These taps could not be read, so none of them was counted. Load this page again."


# --- the instructions ahead ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Held:
    """One instruction that a screen holds.

    Attributes:
        card: number of the first card that is not done there.
        tap: what the large button says there.
        back: whether “back” leads from here to the instruction held before it.
        html: the instruction as it stands in the page.
    """

    card: int
    tap: TapKind
    back: bool
    html: str


def ahead(weaving: Weaving, choices: Choices, now: datetime, first: int, most: int) -> Iterator[Held]:
    """The instructions that the large button leads to, one after another.

    Args:
        first: how many taps from here the first of them is; 0: the one that is up.
    """
    decks, place = weaving.decks, weaving.place
    pause = pause_of(weaving, now, choices.chosen)
    before: Place | None = None
    for number in range(first + most):
        at = replace(weaving, place=place)
        tap = forward(at, choices, pause)
        if number >= first:
            back = before is not None and _leads_back(weaving, place, before)
            yield Held(place.card, tap, back, instruction_html(at, choices, now))
        if pause:
            return  # she may find that something stands differently
        try:
            before, place = place, after_tap(decks, place, Tap(tap, place.card, place.turn))
        except NotNow:
            return
        if place.status != "on the loom":
            return


def _leads_back(weaving: Weaving, place: Place, before: Place) -> bool:
    try:
        there = after_tap(weaving.decks, place, Tap("back", place.card, place.turn))
    except NotNow:
        return False
    return (there.spot, there.checked) == (before.spot, before.checked)


def told_once(held: Sequence[Held]) -> dict[str, Any]:
    """The instructions for the wire: each line of them once, and which lines make up which instruction.

    One instruction is much like the next, so this is a quarter of their length.
    """
    numbers: dict[str, int] = {}
    found = [
        {
            "card": one.card,
            "tap": one.tap,
            "back": one.back,
            "html": [numbers.setdefault(line, len(numbers)) for line in one.html.split("\n")],
        }
        for one in held
    ]
    return {"lines": list(numbers), "held": found}


@router.get("/pieces/{piece}/ahead")
def show_ahead(
    request: Request,
    piece: str,
    turn: Annotated[int, Query(ge=0, le=_LARGEST)],
    first: Annotated[int, Query(ge=0, le=MOST_AHEAD)] = 0,
    most: Annotated[int, Query(ge=1, le=MOST_AT_ONCE)] = MOST_AT_ONCE,
) -> Response:
    """Instructions to hold, and what other screens did since a turn.

    Args:
        turn: how many taps had counted when the screen last heard.
        first: how many taps from there the first instruction is.
    """
    weaving = weaving_of(request, piece)
    place = weaving.place
    since = _since(request, weaving, turn)
    answer: dict[str, Any] = {"turn": place.turn, "since": since, "lines": [], "held": []}
    # what lies further ahead can only be added to what the screen holds while it stands at the same turn
    if place.status == "on the loom" and (first == 0 or turn == place.turn):
        choices, now = choices_of(request, weaving.id), store_of(request).now()
        answer |= told_once(list(ahead(weaving, choices, now, first, most)))
    return JSONResponse(answer)


def _since(request: Request, weaving: Weaving, turn: int) -> str:
    """The last thing that happened after a turn, in words; "" if nothing did."""
    if turn >= len(weaving.log):
        return ""
    entry = weaving.log[-1]
    naming = naming_of(request, weaving)
    return log_words(weaving.decks, entry.kind, entry.detail, entry.before, naming)


# --- taps handed in ------------------------------------------------------------------------------------


class SentTap(BaseModel):
    """One tap as a screen hands it in.

    Attributes:
        key: names this one tap; handed in again, it counts no second time.
        age: how long ago it was made, in milliseconds.
        ends: whether all that was to be ticked on the card was ticked.
    """

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    key: str = Field(pattern="^[0-9a-f]{16,64}$")
    kind: Literal["next", "pick", "back", "checked", "settle"]
    card: int = Field(ge=0, le=_LARGEST)
    turn: int = Field(ge=0, le=_LARGEST)
    age: int = Field(ge=0, le=_A_MONTH)
    ends: bool = True
    detail: dict[Literal["card", "pick"], int] = Field(default={}, max_length=2)

    def tap(self) -> Tap:
        """The tap that it stands for."""
        return Tap(self.kind, self.card, self.turn, json.dumps(self.detail) if self.detail else "", self.key)


_TAPS = TypeAdapter(Annotated[list[SentTap], Field(min_length=1, max_length=MOST_TAPS)])


async def hand_in(request: Request) -> Response:
    """Take the taps that a screen kept, in order; each counts once, however often it is handed in."""
    try:
        taps = _TAPS.validate_json(await request.body())
    except ValidationError:
        return JSONResponse({"sentence": UNREADABLE}, 422)
    return await run_in_threadpool(_hand_in, request, taps)


# a plain route: there is nothing in it to be sorted out for each tap anew
router.add_route("/pieces/{piece}/taps", hand_in, methods=["POST"])


def _hand_in(request: Request, taps: list[SentTap]) -> Response:
    """Take them one after another, up to the first that cannot be taken.

    The answer has how many counted, the turn now, and, where one was refused, a sentence. Where another
    screen went on meanwhile, it has both stories too.
    """
    piece = request.path_params["piece"]
    number, store = id_of(piece), store_of(request)
    now = store.now()
    for counted, sent in enumerate(taps):
        tap = sent.tap()
        if not sent.ends:
            weaving = weaving_of(request, piece)
            try:
                need_both_ends(request, weaving, tap, ("", ""))
            except NotUnderstood as refusal:
                return _refused(weaving, counted, str(refusal))
        answer = store.tap(number, tap, at=now - timedelta(milliseconds=sent.age))
        if answer is None:
            raise HTTPException(404, NO_SUCH_PIECE)
        weaving = answer.weaving
        if answer.stale:
            return _apart(request, weaving, counted, taps[counted:])
        if not answer.counted:
            return _refused(weaving, counted, answer.message)
    # after a break as long as this, a page left open is asked how everything stands, as any other is
    asks = weaving.log[-1].longest >= LONG_BREAK
    return JSONResponse({"counted": len(taps), "turn": weaving.place.turn, "asks": asks})


def _refused(weaving: Weaving, counted: int, sentence: str) -> Response:
    return JSONResponse({"counted": counted, "turn": weaving.place.turn, "sentence": sentence}, 422)


# --- two screens went apart ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Apart:
    """Two screens went on from the same place, each its own way.

    Attributes:
        theirs: what the others recorded since then, in words.
        ours: what this screen did, in words; the last may be how many more there were.
        there: where the others’ way led, in words.
        here: where this screen’s way led, in words; "" if it cannot be gone on from there.
        settle: what a tap of kind "settle" says to go on from here.
    """

    theirs: tuple[str, ...]
    ours: tuple[str, ...]
    there: str
    here: str
    settle: dict[str, int]


def apart(weaving: Weaving, taps: Sequence[SentTap], naming: Naming) -> Apart:
    """Both stories since the first of these taps, which was made at another turn than the present one."""
    decks, turn = weaving.decks, taps[0].turn
    theirs = tuple(
        log_words(decks, entry.kind, entry.detail, entry.before, naming) for entry in weaving.log[turn:]
    )
    ours: list[str] = []
    place = weaving.log[turn].before if turn < len(weaving.log) else None
    for sent in taps:
        if place is None or (place.card, place.turn) != (sent.card, sent.turn):
            place = None
            break
        try:
            after = after_tap(decks, place, sent.tap())
        except NotNow:
            place = None
            break
        ours.append(log_words(decks, sent.kind, sent.tap().detail, place, naming))
        place = after
    if len(ours) < len(taps):
        ours.append(f"{len(taps) - len(ours)} more, which do not fit")
    here, settle = "", {}
    is_same_plan = place is not None and place.course == weaving.place.course
    if place is not None and is_same_plan and place.status == weaving.place.status == "on the loom":
        here, settle = where(replace(weaving, place=place), naming), {"card": place.card, "pick": place.pick}
    return Apart(theirs, tuple(ours), where(weaving, naming), here, settle)


_OFF_THE_LOOM: dict[Status, str] = {
    "finished": "The piece is woven",
    "ended": "The piece is given up",
    "aside": "The piece is off the loom",
}


def where(weaving: Weaving, naming: Naming) -> str:
    """Where she is at a place: "Row 12 of 40: Weave 5 picks"."""
    if weaving.place.status in _OFF_THE_LOOM:
        return _OFF_THE_LOOM[weaving.place.status]
    card = card_up(weaving.decks, weaving.place)
    return f"{row_words(weaving, card)}: {heading(naming.card(card))}"


def _apart(request: Request, weaving: Weaving, counted: int, taps: Sequence[SentTap]) -> Response:
    story = apart(weaving, taps, naming_of(request, weaving))
    html = environment().get_template("apart.html").render(story=story)
    place = weaving.place
    return JSONResponse({"counted": counted, "turn": place.turn, "card": place.card, "html": html}, 409)
