"""Where the weaver is: it follows from the log of what she did, and from nothing else.

A tap names the card it was made on and the turn, the length of the log at the time. A tap that
does not name the present card and turn (a double tap, a second tablet, a page restored from history, a
repeated request) is stale and changes nothing.
"""

from __future__ import annotations

import json
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal, get_args

from server.loom.actions import Refused, apply
from server.loom.state import Loom, State, handle_order
from server.loom.steps import Insert, MoveCords, TakeOut, Weave
from server.plan.visits import position_of
from server.session.cards import BEHIND, Card

TapKind = Literal[
    "begin",
    "next",
    "pick",
    "back",
    "tick",
    "again",
    "checked",
    "pause",
    "stands",
    "aside",
    "resume",
    "end",
    "too_far",
    "settle",
    "picks",
    "unweave",
    "shift",
    "left_in",
    "course",
    "undo",
]
"""begin: the piece goes on the loom · next: the card is done · pick: one pick of it is · back: to the card
before · tick: a thing on this walk is done out of its turn, or not done after all · again: something behind
was done wrongly, do it once more · checked: the shed was looked over · pause: she leaves · stands: she is
back and all stands as shown · aside: the piece comes off the bare loom · resume: it goes on again · end: it
is given up, the loom cleared.
Corrections: too_far: she tapped too far · settle: two screens went apart, she is here · picks: so many picks
of this row are in · unweave: so many come out again in this shed · shift: the treadles go on elsewhere in
their cycle · left_in: a mistake stays in · course: the rest is planned anew · undo: the last correction is
taken back."""

Status = Literal["waiting", "on the loom", "aside", "finished", "ended"]

TAP_KINDS: tuple[TapKind, ...] = get_args(TapKind)

MOST_WORDS = 2_000
"""Characters that a remark may have."""


@dataclass(frozen=True, slots=True)
class Tap:
    """What the weaver asks for, made on a card and a turn that she saw.

    Attributes:
        detail: JSON of what some kinds say besides; "" for none.
        key: names this one tap, so that it counts once however often it is sent; "" for none.
    """

    kind: TapKind
    card: int
    turn: int
    detail: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Shift:
    """From a pick on: treadles this many further in their cycle, and so many passages of the shuttle more.

    Attributes:
        pick: the pick, counted through the piece from 0.
        at: rows that were in when it was told, and picks of the next one.
        card: the card of the course that was up then; −1: it was told before the course.
    """

    pick: int
    treadles: int
    passages: int
    at: tuple[int, int] = (0, 0)
    card: int = -1


@dataclass(frozen=True, slots=True)
class Place:
    """Where the weaver is.

    Attributes:
        status: whether the piece is on the loom.
        course: which of the piece's courses she follows; 0: the plan it came with.
        card: number of the first card in it that is not done.
        pick: picks of the row that is on the loom which are in, as far as she told.
        out: picks that come out again in the shed that stands.
        by_pick: whether the last row was told pick by pick.
        ahead: cards of this walk that are done out of their turn.
        again: what is done once more: a temporary's name, or a handle whose cords are hung again, if any.
        checked: whether the shed that stands was looked over.
        paused: whether she has left.
        shifts: where the treadles went on elsewhere in what is in by now, oldest first.
        shifts_told: those too of which the picks have come out since, on this course.
        corrections: those that can be taken back, oldest first.
        turn: how many taps have counted so far.
    """

    status: Status = "waiting"
    course: int = 0
    card: int = 0
    pick: int = 0
    out: int = 0
    by_pick: bool = False
    ahead: frozenset[int] = frozenset()
    again: str | None = None
    checked: bool = False
    paused: bool = False
    shifts: tuple[Shift, ...] = ()
    shifts_told: tuple[Shift, ...] = ()
    corrections: tuple[Correction, ...] = ()
    turn: int = 0

    @property
    def spot(self) -> tuple[object, ...]:
        """Where she is, leaving out how she came there."""
        return (self.status, self.course, self.card, self.pick, self.out, self.ahead, self.again)


@dataclass(frozen=True, slots=True)
class Correction:
    """A correction, and the place before it.

    That place has corrections before it, and so on: compared or written out, each more would double the work.
    """

    kind: TapKind
    detail: str
    before: Place = field(repr=False, compare=False)
    spot: tuple[object, ...] = field(repr=False)


@dataclass(frozen=True)
class Decks:
    """The cards of every course of a piece.

    Attributes:
        cards: per course.
    """

    loom: Loom
    cards: tuple[tuple[Card, ...], ...]

    @cached_property
    def _walks(self) -> tuple[tuple[int, ...], ...]:
        return tuple(tuple(card.number for card in deck if card.kind == "walk") for deck in self.cards)

    def walks(self, place: Place) -> tuple[int, ...]:
        """The numbers of the walks' cards in the course that she follows."""
        return self._walks[place.course]

    @cached_property
    def _taken_out(self) -> tuple[tuple[Card, ...], ...]:
        return tuple(tuple(card for card in deck if card.kind == "take_out") for deck in self.cards)

    def taken_out(self, place: Place) -> tuple[Card, ...]:
        """The cards on which picks come out in the course that she follows."""
        return self._taken_out[place.course]

    def next_walk(self, place: Place) -> Card | None:
        """The next walk after the first card that is not done, if there is one."""
        numbers = self.walks(place)
        n = bisect_right(numbers, place.card)
        return self.cards[place.course][numbers[n]] if n < len(numbers) else None

    def of(self, place: Place) -> tuple[Card, ...]:
        """The cards of the course that she follows."""
        return self.cards[place.course]

    def at(self, place: Place) -> Card:
        """The first card that is not done, as it was dealt."""
        return self.cards[place.course][place.card]


class NotNow(ValueError):
    """The tap cannot be taken here; the message says why, in a sentence for the weaver."""


def is_stale(place: Place, tap: Tap) -> bool:
    """Whether the tap was made on another card or turn than the present one."""
    return (tap.card, tap.turn) != (place.card, place.turn)


def after_tap(decks: Decks, place: Place, tap: Tap) -> Place:
    """The place after a tap that is not stale.

    Raises:
        NotNow: if there is nothing for it to do here.
    """
    moved = _moved(decks, place, tap)
    if moved.shifts_told and tap.kind != "undo":
        moved = _with_shifts(decks, place, moved)
    if tap.kind in _CORRECTIONS:
        done = Correction(tap.kind, tap.detail, place, moved.spot)
        moved = replace(moved, corrections=(*place.corrections, done))
    return replace(moved, turn=place.turn + 1)


_CORRECTIONS: tuple[TapKind, ...] = (
    "too_far",
    "settle",
    "picks",
    "unweave",
    "shift",
    "left_in",
    "course",
    "again",
)


def can_undo(place: Place) -> Correction | None:
    """The correction that can be taken back here: the last one, while she is where it led."""
    last = place.corrections[-1] if place.corrections else None
    return last if last is not None and last.spot == place.spot else None


def _moved(decks: Decks, place: Place, tap: Tap) -> Place:
    kind = tap.kind
    match kind, place.status:
        case "begin", "waiting":
            return replace(place, status="on the loom")
        case "resume", "aside":
            return replace(place, status="on the loom")
        case "back", "finished":
            return replace(place, status="on the loom")
        case "end", "on the loom" | "aside":
            return replace(place, status="ended", again=None, ahead=frozenset(), out=0, paused=False)
        case "undo", "on the loom" | "finished":
            if (last := can_undo(place)) is None:
                raise NotNow("There is nothing here that can be taken back.")
            return last.before
        case _, "on the loom":
            return _at_the_loom(decks, place, kind, read_detail(tap.detail))
    raise NotNow(_NOT_NOW[place.status])


def _at_the_loom(decks: Decks, place: Place, kind: TapKind, detail: Mapping[str, Any]) -> Place:
    card = decks.at(place)
    match kind:
        case "next":
            return _done(decks, place)
        case "pick":
            return _one_pick(decks, place)
        case "back":
            return _back(decks, place)
        case "tick":
            return _ticked(decks, place, whole(detail, "card"))
        case "again":
            return _again(decks, place, detail)
        case "checked":
            if card.kind not in ("weave", "take_out"):
                raise NotNow("There is no shed to look over here.")
            return replace(place, checked=True)
        case "pause":
            woven = whole(detail, "picks") if "picks" in detail else place.pick
            return replace(_with_picks(card, place, woven), paused=True)
        case "stands":
            return replace(place, paused=False)
        case "aside":
            if not state_now(decks, place).is_bare():
                raise NotNow(
                    "Temporaries are still in the loom. Weave on until they are out, or give the piece up."
                )
            if place.pick:
                raise NotNow("A row is begun. Weave it to its end before the piece comes off the loom.")
            return replace(place, status="aside", paused=False)
        case "too_far" | "settle":
            return _jump(decks, place, whole(detail, "card"), whole(detail, "pick"), kind)
        case "picks":
            return _with_picks(card, place, whole(detail, "picks"))
        case "unweave":
            here = _with_picks(card, place, whole(detail, "in")) if "in" in detail else place
            picks = whole(detail, "picks")
            if not isinstance(card.step, Weave) or not 1 <= picks <= picks_done(card, here):
                raise NotNow("So many picks of this row cannot come out in this shed.")
            return replace(here, out=picks)
        case "shift":
            return _shifted(decks, place, whole(detail, "treadles"), whole(detail, "passages"), detail)
        case "left_in":
            words = detail.get("words", "")
            if not isinstance(words, str) or len(words) > MOST_WORDS:
                raise NotNow(f"Say it in at most {MOST_WORDS} characters.")
            return place
        case "course":
            course = whole(detail, "course")
            if not place.course < course < len(decks.cards):
                raise NotNow("There is no such plan.")
            fresh = Place(status=place.status, course=course, shifts_told=place.shifts)
            return replace(
                fresh, pick=decks.at(fresh).before.picks, corrections=place.corrections, turn=place.turn
            )
    raise NotNow(_NOT_NOW[place.status])


_NOT_NOW: dict[Status, str] = {
    "waiting": "This piece is not on the loom yet; put it on first.",
    "on the loom": "This piece is on the loom already.",
    "aside": "This piece is off the loom; put it on again first.",
    "finished": "This piece is finished.",
    "ended": "This piece was given up; bring it in again to weave it.",
}


# --- on and back ---------------------------------------------------------------------------------------


def _done(decks: Decks, place: Place) -> Place:
    """The card that is up is done."""
    if place.again is not None:
        return replace(place, again=None)
    if place.out:
        return replace(place, pick=place.pick - place.out, out=0)
    cards, here = decks.of(place), replace(place, pick=0, by_pick=False, checked=False)
    done = place.ahead | {_open_card(cards, place)}
    number = place.card
    while number in done:
        done -= {number}
        number += 1
    if number == len(cards):
        return replace(here, status="finished")
    return replace(here, card=number, ahead=done, pick=cards[number].before.picks)


def picks_done(card: Card, place: Place) -> int:
    """How many picks of a card that weaves or takes out are done."""
    match card.step:
        case Weave():
            return place.pick - card.before.picks
        case TakeOut(picks=picks, left=left) as step:
            return picks + left - still_in(step, place)
    return 0


def still_in(step: TakeOut, place: Place) -> int:
    """Picks of a row that are in while it is taken out; the place tells none before the first is out."""
    return place.pick or step.picks + step.left


def can_be_in(card: Card) -> range | None:
    """How many picks of its row can be in while a card is up; None: no row is woven or taken out on it."""
    match card.step:
        case Weave(picks=picks):
            return range(card.before.picks, card.before.picks + picks)
        case TakeOut(picks=picks, left=left):
            return range(left + 1, left + picks + 1)
    return None


def _one_pick(decks: Decks, place: Place) -> Place:
    card = card_up(decks, place)
    match card.step:
        case TakeOut() if place.out:
            return replace(place, pick=place.pick - 1, out=place.out - 1)
        case Weave(picks=picks):
            woven = place.pick + 1
            if woven == card.before.picks + picks:
                return replace(_done(decks, place), by_pick=True)
            return replace(place, pick=woven)
        case TakeOut(left=left) as step:
            rest = still_in(step, place) - 1
            if rest == left:
                return replace(_done(decks, place), by_pick=True)
            return replace(place, pick=rest)
    raise NotNow("This is not woven pick by pick; tap it done.")


def _back(decks: Decks, place: Place) -> Place:
    if place.again is not None:
        return replace(place, again=None)
    if place.out:
        return replace(place, out=0)
    card = decks.at(place)
    if picks_done(card, place) > 0:
        return _with_picks(card, place, place.pick + (1 if isinstance(card.step, TakeOut) else -1))
    if place.card == 0:
        raise NotNow("This is the first instruction; there is nothing before it.")
    if place.ahead:  # things done out of their turn: the last of them is not done after all
        return _with_ticks(decks, place, place.card, place.ahead - {max(place.ahead)})
    before = decks.of(place)[place.card - 1]
    pick = before.before.picks
    if place.by_pick and isinstance(before.step, Weave):
        pick = before.before.picks + before.step.picks - 1
    elif place.by_pick and isinstance(before.step, TakeOut):
        pick = before.step.left + 1
    return _with_picks(before, replace(place, card=place.card - 1, checked=False), pick)


def _jump(decks: Decks, place: Place, number: int, pick: int, kind: TapKind) -> Place:
    """To another card of the course, told by her; nothing happened at the loom."""
    cards = decks.of(place)
    if not 0 <= number < len(cards) or (kind == "too_far" and number > place.card):
        raise NotNow("There is no such instruction to go back to.")
    if (number, pick) == (place.card, place.pick) and kind == "too_far":
        raise NotNow("This is where you are.")
    moved = replace(
        place, card=number, pick=0, out=0, ahead=frozenset(), again=None, checked=False, by_pick=False
    )
    return _with_picks(cards[number], moved, pick)


def _with_picks(card: Card, place: Place, picks: int) -> Place:
    """So many picks of the row that is on are in; 0: as many as when its instruction came up."""
    can = can_be_in(card)
    if can is None:
        return replace(place, pick=card.before.picks)
    if picks and picks not in can:
        raise NotNow(f"Between {can[0]} and {can[-1]} picks of this row can be in here.")
    if isinstance(card.step, TakeOut) and picks == can[-1]:  # none is out: of a whole row, that is told as 0
        picks = 0
    return replace(place, pick=picks or card.before.picks)


# --- things behind the loom ----------------------------------------------------------------------------


def walk_of(cards: tuple[Card, ...], number: int) -> range:
    """The numbers of all things done on the walk that a card belongs to; empty for one at the bench."""
    if cards[number].kind not in BEHIND:
        return range(0)
    first = last = number
    while first > 0 and cards[first - 1].kind in BEHIND:
        first -= 1
    while last + 1 < len(cards) and cards[last + 1].kind in BEHIND:
        last += 1
    return range(first, last + 1)


def _open_card(cards: tuple[Card, ...], place: Place) -> int:
    """The first thing that is not done; the last of the walk if all are ticked."""
    if not place.ahead:
        return place.card
    walk = walk_of(cards, place.card)
    return next((number for number in walk if number >= place.card and number not in place.ahead), walk[-1])


def _ticked(decks: Decks, place: Place, number: int) -> Place:
    """A thing on this walk is done, or was not done after all; the loom's rules must allow it."""
    cards = decks.of(place)
    walk = walk_of(cards, place.card)
    if number not in walk:
        raise NotNow("That is not among the things to do on this walk.")
    if place.again is not None:
        raise NotNow("Finish what is done once more first.")
    done = (frozenset(range(walk.start, place.card)) | place.ahead) ^ {number}
    first = next((n for n in walk if n not in done), None)
    if first is None:  # the last one
        return _done(decks, place)
    return _with_ticks(decks, place, first, frozenset(n for n in done if n > first))


def _with_ticks(decks: Decks, place: Place, card: int, ahead: frozenset[int]) -> Place:
    """These things are done out of their turn; it must be possible, and so must the rest afterwards."""
    ticked, cards = replace(place, card=card, ahead=ahead), decks.of(place)
    try:
        state = state_now(decks, ticked)
    except Refused as why:
        raise NotNow(str(why)) from None
    rest = [cards[number].step for number in walk_of(cards, card) if number >= card and number not in ahead]
    try:
        for step in rest:
            if step is not None:
                state = apply(decks.loom, state, step)
    except Refused as why:
        raise NotNow(f"Then the rest of this walk could not be done in its order: {why}") from None
    return ticked


def _again(decks: Decks, place: Place, detail: Mapping[str, Any]) -> Place:
    card = decks.at(place)
    if place.again is not None:
        raise NotNow("Finish what is done once more first.")
    if not detail:
        if card.handle is None:
            raise NotNow("Only a test lift can open an earlier instruction again.")
        redo = None if card.redo is None else decks.of(place)[card.redo].step
        on = state_now(decks, place).carrier(decks.loom, card.handle) or ""
        if isinstance(redo, Insert) or (redo is None and not on.isdigit()):
            return replace(place, again=on)
        return replace(place, again=f"handle {card.handle}")
    name = detail.get("temporary")
    if not isinstance(name, str) or state_now(decks, place).temporary(name) is None:
        raise NotNow("That temporary is not in the loom.")
    return replace(place, again=name)


def state_now(decks: Decks, place: Place) -> State:
    """What stands in the loom now: nothing once a piece is given up and its loom cleared.

    Raises:
        Refused: if the things done out of their turn cannot be done in that order (never for a place that a
            log leads to).
    """
    if place.status == "ended":
        return State()
    cards = decks.of(place)
    card = cards[place.card]
    if place.status == "finished":
        return card.after
    state = card.before
    for number in sorted(place.ahead):
        step = cards[number].step
        assert step is not None
        state = apply(decks.loom, state, step)
    return replace(state, picks=place.pick) if state.picks != place.pick else state


def card_up(decks: Decks, place: Place) -> Card:
    """The card to show: the first that is not done, or what is done once more.

    One that is done once more shows the loom as it stands by now, without what is to be done again.
    """
    cards = decks.of(place)
    card = cards[place.card]
    if place.again is None:
        if place.out and isinstance(card.step, Weave):
            return _unweaving(card, place)
        if not place.ahead:
            return card
        card, now = cards[_open_card(cards, place)], state_now(decks, place)
        if card.number in place.ahead or card.step is None:
            return card
        return replace(card, before=now, after=apply(decks.loom, now, card.step))
    now = state_now(decks, place)
    number = card.number if card.redo is None else card.redo
    if place.again.startswith("handle "):
        handle = place.again.removeprefix("handle ")
        others_away = tuple(entry for entry in now.away if entry[0] != handle)
        free = () if handle.startswith("S") else ((handle, None),)
        before = replace(now, away=tuple(sorted((*others_away, *free), key=lambda e: handle_order(e[0]))))
        target = now.carrier(decks.loom, handle)
        return Card(number, "move_cords", now.row, MoveCords(handle, None, target), before, now)
    temporary = now.temporary(place.again)
    assert temporary is not None
    others = tuple(t for t in now.temporaries if t.name != temporary.name)
    away = tuple((handle, None if on == temporary.name else on) for handle, on in now.away)
    step = Insert(temporary.parent, temporary.name, tuple(sorted(temporary.units)))
    return Card(number, "insert", now.row, step, replace(now, temporaries=others, away=away), now)


def _unweaving(card: Card, place: Place) -> Card:
    """Picks that come out again in the shed that stands."""
    assert isinstance(card.step, Weave)
    woven = card.step.treadles[: place.pick - card.before.picks]
    picks = tuple(reversed(woven))[: place.out]
    step = TakeOut(card.row, place.out, picks, place.pick - place.out)
    before = replace(card.before, picks=place.pick)
    return Card(card.number, "take_out", card.row, step, before, replace(before, picks=step.left))


# --- the treadles --------------------------------------------------------------------------------------


def _shifted(decks: Decks, place: Place, treadles: int, passages: int, detail: Mapping[str, Any]) -> Place:
    if max(abs(treadles), abs(passages)) > 100_000 or not (treadles or passages):
        raise NotNow("The treadles go on as they are.")
    pick = whole(detail, "pick")
    last = shift_at(place, pick)
    shift = Shift(
        pick, last.treadles + treadles, last.passages + passages, _picks_in(decks, place), place.card
    )
    earlier = tuple(s for s in place.shifts_told if s.pick < pick or s not in place.shifts)
    return replace(place, shifts_told=(*earlier, shift))


def _with_shifts(decks: Decks, before: Place, place: Place) -> Place:
    """The shifts that go here: what was odd about picks has come out with them.

    While they come out, their treadles are those over which they were woven.
    """
    told = place.shifts_told
    if place.course != before.course:
        here = _picks_in(decks, place)
        told = tuple(replace(shift, card=-1) for shift in told if shift.at <= here)
    elif before.out and not place.out:
        here = _picks_in(decks, place)
        told = tuple(shift for shift in told if shift.at <= here)
    outs = [card for card in decks.taken_out(place) if card.number < place.card]
    gone = {
        shift
        for card in outs
        for shift in told
        if shift.card < card.number and shift.at > _position(card.after)
    }
    return replace(place, shifts=tuple(s for s in told if s not in gone), shifts_told=told)


def _picks_in(decks: Decks, place: Place) -> tuple[int, int]:
    """Rows that are in, and picks of the next one."""
    return _position(state_now(decks, place))


def _position(state: State) -> tuple[int, int]:
    position = position_of(state)
    return position.row, position.picks


def shift_at(place: Place, pick: int) -> Shift:
    """How far the treadles are shifted at a pick, counted through the piece from 0."""
    return next((shift for shift in reversed(place.shifts) if shift.pick <= pick), Shift(0, 0, 0))


# --- what taps say besides -----------------------------------------------------------------------------


def read_detail(text: str) -> dict[str, Any]:
    """What a tap says besides its kind.

    Raises:
        NotNow: if it is not a JSON object.
    """
    try:
        content = json.loads(text) if text else {}
    except (ValueError, RecursionError):
        content = None
    if not isinstance(content, dict):
        raise NotNow("That could not be read, so nothing was changed.")
    return content


def whole(detail: Mapping[str, Any], name: str) -> int:
    """A whole number in a tap's detail.

    Raises:
        NotNow: if it is missing or something else.
    """
    value = detail.get(name)
    if not isinstance(value, int) or isinstance(value, bool):
        raise NotNow("A number is missing, so nothing was changed.")
    return value


def place_after(decks: Decks, taps: Iterable[Tap]) -> Place:
    """The place that a whole log leads to.

    Args:
        taps: those that counted, first to last.
    """
    place = Place()
    for tap in taps:
        place = after_tap(decks, place, tap)
    return place
