"""What a screen holds for when the net drops: the instructions ahead, and the taps it hands in afterwards."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query, Request
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from server.session.log_words import log_words
from server.session.naming import Naming
from server.session.place import MOST_WORDS, NotNow, Place, Status, Tap, TapKind, after_tap, card_up
from server.session.wording import heading, several
from server.store.database import StoreFailure
from server.store.weavings import Weaving
from server.web.at_loom import (
    Choices,
    choices_of,
    forward,
    instruction_html,
    refusal_as_counted,
    row_words,
)
from server.web.breaks import LONG_BREAK, pause_of
from server.web.rendering import (
    NO_SUCH_PIECE,
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
MOST_TAPS = 1000
"""Taps handed in at once."""
MOST_TOLD = 50
"""Entries of other screens that are told where two went apart."""
_A_MONTH = 31 * 24 * 3600 * 1000  # milliseconds
_LARGEST = 10**9

OTHER_DATABASE = (
    "Spareshaft was started with another data folder than the one that this page is from, so none of these "
    "taps was counted. Start it with that folder, or load this page again to weave by the new one."
)
UNREADABLE = "These taps could not be read, so none of them was counted. Load this page again."


# --- the instructions ahead ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Held:
    """One instruction that a screen holds.

    Attributes:
        card: number of the first card that is not done there.
        tap: what the large button says there.
        back: whether “back” leads from here to the instruction held before it.
        ahead: things of this walk beyond the card that are done out of their turn; None where something is
            done once more.
        html: the instruction as it stands in the page.
    """

    card: int
    tap: TapKind
    back: bool
    ahead: tuple[int, ...] | None
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
            ticked = tuple(sorted(place.ahead)) if place.again is None else None
            yield Held(place.card, tap, back, ticked, instruction_html(at, choices, now))
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
            "ahead": one.ahead,
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
    choices, now = choices_of(request, weaving.id), store_of(request).now()
    answer: dict[str, Any] = {
        "turn": place.turn,
        "mark": choices.mark,
        "since": since,
        "lines": [],
        "held": [],
    }
    # what lies further ahead can only be added to what the screen holds while it stands at the same turn
    if place.status == "on the loom" and (first == 0 or turn == place.turn):
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
        kind: what was tapped.
        card: the card that was up, as the screen showed it.
        turn: how many taps had counted by then, those before it in this row included.
        age: how long ago it was made, in milliseconds by the screen's own clock, which may have been set
            meanwhile.
        detail: what the tap says besides its kind.
    """

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    key: str = Field(pattern="^[0-9a-f]{16,64}$")
    kind: Literal["next", "pick", "back", "checked", "tick", "again", "pause", "stands", "undo", "settle"]
    card: int = Field(ge=0, le=_LARGEST)
    turn: int = Field(ge=0, le=_LARGEST)
    age: int = Field(ge=0)
    detail: dict[Literal["card", "pick"], int] = Field(default={}, max_length=2)

    def tap(self) -> Tap:
        """The tap that it stands for."""
        return Tap(self.kind, self.card, self.turn, json.dumps(self.detail) if self.detail else "", self.key)

    def made(self, now: datetime) -> datetime:
        """When it was made; a month ago at most."""
        return now - timedelta(milliseconds=min(self.age, _A_MONTH))


_TAPS = TypeAdapter(Annotated[list[SentTap], Field(min_length=1, max_length=MOST_TAPS)])


async def hand_in(request: Request) -> Response:
    """Take the taps that a screen kept, in order; each counts once, however often it is handed in."""
    return await _with_taps(request, _hand_in)


async def drop(request: Request) -> Response:
    """Note down the taps that a screen kept where she went on from another screen's place."""
    return await _with_taps(request, _drop)


async def _with_taps(request: Request, do: Callable[[Request, list[SentTap]], Response]) -> Response:
    # without “counted” in the answer, the page keeps them all
    if request.headers.get("database", name := store_of(request).name) != name:
        return JSONResponse({"sentence": OTHER_DATABASE}, 421)
    try:
        taps = _TAPS.validate_json(await request.body())
    except ValidationError:
        return JSONResponse({"sentence": UNREADABLE}, 422)
    try:
        return await run_in_threadpool(do, request, taps)
    except StoreFailure as failure:
        return JSONResponse({"sentence": str(failure)}, 503)


# plain routes: there is nothing in them to be sorted out for each tap anew
router.add_route("/pieces/{piece}/taps", hand_in, methods=["POST"])
router.add_route("/pieces/{piece}/dropped", drop, methods=["POST"])


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
        answer = store.tap(number, tap, at=sent.made(now))
        if answer is None:
            raise HTTPException(404, NO_SUCH_PIECE)
        weaving = answer.weaving
        if answer.stale:
            return _apart(request, weaving, counted, taps[counted:])
        if not answer.counted:
            return _refused(weaving, counted, refusal_as_counted(answer, tap, naming_of(request, weaving)))
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
        theirs: what the others recorded since then, in words, the last of it.
        before: how many entries of theirs came before these.
        ours: what this screen did, in words; the last may be how many more there were.
        there: where the others’ way led, in words.
        here: where this screen’s way led, in words; "" if it cannot be gone on from there.
        settle: what a tap of kind "settle" says to go on from here.
        row: the row that was on the loom when they went apart; 0: before the first.
    """

    theirs: tuple[str, ...]
    before: int
    ours: tuple[str, ...]
    there: str
    here: str
    settle: dict[str, int]
    row: int


def apart(weaving: Weaving, taps: Sequence[SentTap], naming: Naming) -> Apart:
    """Both stories since the first of these taps, which was made at another turn than the present one."""
    decks, turn = weaving.decks, taps[0].turn
    entries = weaving.log[turn:]
    told = entries[-MOST_TOLD:]
    theirs = tuple(log_words(decks, entry.kind, entry.detail, entry.before, naming) for entry in told)
    ours: list[str] = []
    place = weaving.log[turn].before if turn < len(weaving.log) else None
    row = decks.at(place or weaving.place).row
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
    return Apart(theirs, len(entries) - len(told), tuple(ours), where(weaving, naming), here, settle, row)


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


def _drop(request: Request, taps: list[SentTap]) -> Response:
    """They do not count. What they say is noted on the row where the screens went apart, once."""
    weaving, store = weaving_of(request, request.path_params["piece"]), store_of(request)
    story = apart(weaving, taps, naming_of(request, weaving))
    words = f"Did not count, tapped without the net after entry {taps[0].turn} of the log: "
    told = textwrap.wrap(words + "; ".join(story.ours) + ".", MOST_WORDS)
    known = {(note.row, note.words) for note in store.notes(weaving.id)}
    for part in told:
        if (story.row, part) not in known:  # else the answer was lost, and they are handed in again
            store.add_note(weaving.id, story.row, part, None, "")
    at = f"on row {story.row}" if story.row else "before row 1"
    said = f"{several(len(taps), 'tap')} of this screen did not count; what they say is in the notes, {at}."
    return JSONResponse({"counted": 0, "sentence": said})
