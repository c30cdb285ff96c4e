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
from server.loom.steps import Insert, MoveCords, Raise, TakeOut, Weave
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
    "strike",
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
their cycle · left_in: a mistake stays in · strike: that is struck out of the record, or counts again ·
course: the rest is planned anew · undo: the last correction is taken back."""

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
        turn: of the place where it was told.
    """

    pick: int
    treadles: int
    passages: int
    at: tuple[int, int] = (0, 0)
    card: int = -1
    turn: int = 0


@dataclass(frozen=True, slots=True)
class Unwoven:
    """Picks that came out again in the shed that stood.

    Attributes:
        card: the card that weaves their row.
        before: picks of the row that were in before.
        left: picks of it that stayed in.
        rows: rows that were in.
        turn: of the place where they came out.
    """

    card: int
    before: int
    left: int
    rows: int
    turn: int


@dataclass(frozen=True, slots=True)
class LeftIn:
    """A mistake that stays in the cloth, as she recorded it.

    Attributes:
        turn: of the place where it was recorded; names it.
        row: the row that it is in; 0: not told.
        struck: whether it is struck out of the record.
    """

    turn: int
    row: int
    words: str
    struck: bool = False


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
        again: what is done once more: a temporary, or a handle whose cords are hung again ("handle 7");
            after that, what follows on it: the test lift of a temporary ("lift 7a"), what was pulled before
            ("pull"). None: nothing.
        came: what of it is done by now, in order, for Back; forgotten once she has gone on.
        to_come: what of it follows later; behind the loom it waits until she is back at the bench.
        checked: whether the shed that stands was looked over.
        paused: whether she has left.
        shifts: where the treadles went on elsewhere in what is in by now, oldest first.
        shifts_told: those too of which the picks have come out since, on this course.
        unwoven: what came out again in the shed that stood, on this course, oldest first.
        mistakes: the mistakes that stay in, oldest first.
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
    came: tuple[str, ...] = ()
    to_come: tuple[str, ...] = ()
    checked: bool = False
    paused: bool = False
    shifts: tuple[Shift, ...] = ()
    shifts_told: tuple[Shift, ...] = ()
    unwoven: tuple[Unwoven, ...] = ()
    mistakes: tuple[LeftIn, ...] = ()
    corrections: tuple[Correction, ...] = ()
    turn: int = 0

    @property
    def spot(self) -> tuple[object, ...]:
        """Where she is, leaving out how she came there."""
        redone = (self.again, self.to_come)
        return (self.status, self.course, self.card, self.pick, self.out, self.ahead, *redone)


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
    if tap.kind != "undo":
        moved = _with_what_follows(decks, place, moved)
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
    """The correction that can be taken back here: the last one, while she is where it led.

    A mistake that stays in only counts among them where it was recorded: it is struck out anywhere.
    """
    struck = {mistake.turn for mistake in place.mistakes if mistake.struck}
    for last in reversed(place.corrections):
        if last.spot == place.spot and last.before.turn not in struck:
            return last
        if last.kind != "left_in":
            return None
    return None


def _moved(decks: Decks, place: Place, tap: Tap) -> Place:
    kind = tap.kind
    match kind, place.status:
        case "strike", _:
            return _struck(place, whole_number(read_detail(tap.detail), "turn"))
        case "begin", "waiting":
            return replace(place, status="on the loom")
        case "resume", "aside":
            return replace(place, status="on the loom")
        case "back", "finished":
            return replace(place, status="on the loom")
        case "end", "on the loom" | "aside":
            here = replace(place, again=None, came=(), to_come=(), ahead=frozenset())
            return replace(here, status="ended", out=0, paused=False)
        case "undo", "on the loom" | "finished":
            if (last := can_undo(place)) is None:
                raise NotNow("There is nothing here that can be taken back.")
            recorded = (m for m in place.mistakes if m.turn != last.before.turn)
            return replace(last.before, mistakes=tuple(recorded))
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
            return _ticked(decks, place, whole_number(detail, "card"))
        case "again":
            return _again(decks, place, detail)
        case "checked":
            if card.kind not in ("weave", "take_out") or place.again is not None:
                raise NotNow("There is no shed to look over here.")
            return replace(place, checked=True)
        case "pause":
            return replace(place, paused=True)
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
            return _jump(decks, place, whole_number(detail, "card"), whole_number(detail, "pick"), kind)
        case "picks" if place.out:
            raise NotNow("Picks are coming out. Tap them done, or tap Back, then say how many are in.")
        case "picks":
            return _with_picks(card, place, whole_number(detail, "picks"))
        case "unweave":
            here = _with_picks(card, place, whole_number(detail, "in")) if "in" in detail else place
            picks = whole_number(detail, "picks")
            if not isinstance(card.step, Weave) or not 1 <= picks <= picks_done(card, here):
                raise NotNow("So many picks of this row cannot come out in this shed.")
            return replace(here, out=picks)
        case "shift":
            return _shifted(decks, place, detail)
        case "left_in":
            words = detail.get("words", "")
            if not isinstance(words, str) or len(words) > MOST_WORDS:
                raise NotNow(f"Say it in at most {MOST_WORDS} characters.")
            row = whole_number(detail, "row") if "row" in detail else 0
            return replace(place, mistakes=(*place.mistakes, LeftIn(place.turn, row, words)))
        case "course":
            course = whole_number(detail, "course")
            if not place.course < course < len(decks.cards):
                raise NotNow("There is no such plan.")
            fresh = Place(status=place.status, course=course, shifts_told=place.shifts)
            if detail.get("why") != "stands differently":  # there she has told all
                fresh = replace(fresh, to_come=tuple(filter(is_lift, follows(place))))
            return replace(
                fresh,
                pick=decks.at(fresh).before.picks,
                mistakes=place.mistakes,
                corrections=place.corrections,
                turn=place.turn,
            )
    raise NotNow(_NOT_NOW[place.status])


_NOT_NOW: dict[Status, str] = {
    "waiting": "This piece is not on the loom yet; put it on first.",
    "on the loom": "This piece is on the loom already.",
    "aside": "This piece is off the loom; put it on again first.",
    "finished": "This piece is finished.",
    "ended": "This piece was given up; bring it in again to weave it.",
}


def _struck(place: Place, turn: int) -> Place:
    """That mistake is struck out of the record, or counts again."""
    if all(mistake.turn != turn for mistake in place.mistakes):
        raise NotNow("That mistake is not in the record.")
    mistakes = (replace(m, struck=not m.struck) if m.turn == turn else m for m in place.mistakes)
    return replace(place, mistakes=tuple(mistakes))


# --- on and back ---------------------------------------------------------------------------------------


def _done(decks: Decks, place: Place) -> Place:
    """The card that is up is done."""
    if place.again is not None:
        return _done_again(decks, place)
    if place.out:
        return _came_out(decks, place, place.out)
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
            return _came_out(decks, place, 1)
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


def _came_out(decks: Decks, place: Place, picks: int) -> Place:
    """So many of the picks that are to come out in the shed that stands are out."""
    left, rows = place.pick - picks, _picks_in(decks, place)[0]
    event = Unwoven(place.card, place.pick, left, rows, place.turn)
    return replace(place, pick=left, out=place.out - picks, unwoven=(*place.unwoven, event))


def _back(decks: Decks, place: Place) -> Place:
    if place.came:
        *came, last_done = place.came
        return replace(place, again=last_done, came=tuple(came), to_come=follows(place))
    if is_done_again(place):  # what was let go for it is pulled again, if it was
        pull = () if PULL in place.to_come else (PULL,)
        return replace(place, again=None, to_come=(*place.to_come, *pull))
    place = replace(place, again=None, to_come=follows(place))
    last = place.unwoven[-1] if place.unwoven else None
    if last is not None and (last.card, last.left) == (place.card, place.pick):  # they did not come out
        out = place.out + last.before - last.left
        return replace(place, pick=last.before, out=out, unwoven=place.unwoven[:-1])
    if place.out:
        return replace(place, out=0)
    card = decks.at(place)
    if picks_done(card, place) > 0:
        return _with_picks(card, place, place.pick + (1 if isinstance(card.step, TakeOut) else -1))
    if place.ahead:  # things done out of their turn: the last of them in the list is not done after all
        return _with_ticks(decks, place, place.card, place.ahead - {max(place.ahead)})
    if place.card == 0:
        raise NotNow("This is the first instruction; there is nothing before it.")
    before = decks.of(place)[place.card - 1]
    unwoven = (event.left for event in reversed(place.unwoven) if event.card == before.number)
    pick = next(unwoven, before.before.picks)
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
    moved = replace(moved, came=(), to_come=follows(place))
    there = _with_picks(cards[number], moved, pick)
    return replace(there, unwoven=_unwoven_by(place, there)) if kind == "too_far" else there


def _unwoven_by(place: Place, there: Place) -> tuple[Unwoven, ...]:
    """What had come out by the time she was there: the latest time at which so many picks were in."""
    events = [event for event in place.unwoven if event.card <= there.card]
    most = place.pick if place.card == there.card else there.pick
    while events and events[-1].card == there.card and not events[-1].left <= there.pick <= most:
        most = events.pop().before
    return tuple(events)


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
    if place.again is not None and not _follows_on(place.again):
        raise NotNow("Finish what is done once more first.")
    lifted = place.again or ""
    place = replace(place, again=None, came=(), to_come=follows(place))
    if not detail and is_lift(lifted):
        return replace(place, again=lifted.removeprefix(_LIFT))
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


_LIFT, PULL = "lift ", "pull"


def is_lift(entry: str) -> bool:
    """Whether it is the test lift of what was put in once more."""
    return entry.startswith(_LIFT)


def _follows_on(entry: str) -> bool:
    """Whether it follows on what is done once more."""
    return entry == PULL or is_lift(entry)


def follows(place: Place) -> tuple[str, ...]:
    """All that is still to follow on what is done once more."""
    if place.again is None or not _follows_on(place.again):
        return place.to_come
    return (place.again, *place.to_come)


def _done_again(decks: Decks, place: Place) -> Place:
    """What is done once more is done, or what follows on it.

    A temporary that was put in once more is lifted alone at the bench before a thread is woven, unless one of
    the next test lifts is its; then all that was let go for it is pulled again.
    """
    name, come, state = place.again, list(follows(place)), state_now(decks, place)
    assert name is not None
    if _follows_on(name):
        come.remove(name)
    elif state.temporary(name) is not None:
        up = state.raised or state.pulled
        pull = [PULL] if up or PULL in come else []
        lifts = [entry for entry in come if entry != PULL]
        if f"{_LIFT}{name}" not in lifts and not _is_lifted_next(decks, place, name):
            lifts.append(f"{_LIFT}{name}")
        come = lifts + pull
    return replace(place, again=None, came=(*place.came, name), to_come=tuple(come))


def _without_again(place: Place) -> tuple[object, ...]:
    return replace(place, again=None, to_come=()).spot


def _is_lifted_next(decks: Decks, place: Place, temporary: str) -> bool:
    """Whether a test lift of it comes before the next row anyway."""
    for card in decks.of(place)[place.card :]:
        if card.kind == "test_lift" and card.handle == card.before.handle_on(temporary):
            return True
        if card.kind not in (*BEHIND, "test_lift"):
            return False
    return False


def _with_what_follows(decks: Decks, before: Place, place: Place) -> Place:
    """At the bench what follows on what was done once more comes up; what hangs on nothing is not lifted."""
    if place.again is None and _without_again(place) != _without_again(before):
        place = replace(place, came=())
    if place.again is not None or not place.to_come or place.status != "on the loom":
        return place
    if decks.at(place).kind in BEHIND:
        return place
    state = state_now(decks, place)
    to_come = tuple(
        entry
        for entry in place.to_come
        if (state.raised or state.pulled if entry == PULL else state.handle_on(entry.removeprefix(_LIFT)))
    )
    return replace(place, again=to_come[0], to_come=to_come[1:]) if to_come else replace(place, to_come=())


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

    One that is done once more shows the loom as it stands by now, without what is to be done again; all is
    let down for it.
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
    if _follows_on(place.again):
        return _follow_up(card, place.again, now)
    now, row = _let_down(now), position_of(now).row
    number = card.number if card.redo is None else card.redo
    if place.again.startswith("handle "):
        handle = place.again.removeprefix("handle ")
        others_away = tuple(entry for entry in now.away if entry[0] != handle)
        free = () if handle.startswith("S") else ((handle, None),)
        before = replace(now, away=tuple(sorted((*others_away, *free), key=lambda e: handle_order(e[0]))))
        target = now.carrier(decks.loom, handle)
        return Card(number, "move_cords", row, MoveCords(handle, None, target), before, now)
    temporary = now.temporary(place.again)
    assert temporary is not None
    others = tuple(t for t in now.temporaries if t.name != temporary.name)
    away = tuple((handle, None if on == temporary.name else on) for handle, on in now.away)
    step = Insert(temporary.parent, temporary.name, tuple(sorted(temporary.units)))
    return Card(number, "insert", row, step, replace(now, temporaries=others, away=away), now)


def _let_down(state: State) -> State:
    """The same with nothing pulled."""
    return replace(state, raised=frozenset(), pulled=frozenset())


def standing_by_now(decks: Decks, place: Place) -> State:
    """What stands in the loom, all let down while something is done once more."""
    state = state_now(decks, place)
    return state if place.again is None else _let_down(state)


def _follow_up(card: Card, entry: str, now: State) -> Card:
    """A test lift of what was put in once more, or the pulling of what was let go for it."""
    down = _let_down(now)
    if entry == PULL:
        step = Raise(now.row, tuple(sorted(now.raised, key=handle_order)), tuple(sorted(now.pulled)))
        return Card(card.number, "raise", now.row, step, down, now)
    handle = now.handle_on(entry.removeprefix(_LIFT))
    return Card(card.number, "test_lift", position_of(now).row, None, down, down, handle)


def is_done_again(place: Place) -> bool:
    """Whether something done before is what is up to be done once more, not what follows on it."""
    return place.again is not None and not _follows_on(place.again)


def _unweaving(card: Card, place: Place) -> Card:
    """Picks that come out again in the shed that stands."""
    assert isinstance(card.step, Weave)
    woven = card.step.treadles[: place.pick - card.before.picks]
    picks = tuple(reversed(woven))[: place.out]
    step = TakeOut(card.row, place.out, picks, place.pick - place.out)
    before = replace(card.before, picks=place.pick)
    return Card(card.number, "take_out", card.row, step, before, replace(before, picks=step.left))


# --- the treadles --------------------------------------------------------------------------------------


def _shifted(decks: Decks, place: Place, detail: Mapping[str, Any]) -> Place:
    treadles, passages = whole_number(detail, "treadles"), whole_number(detail, "passages")
    if max(abs(treadles), abs(passages)) > 100_000 or not (treadles or passages):
        raise NotNow("The treadles go on as they are.")
    pick = whole_number(detail, "pick")
    last = shift_at(place, pick)
    treadles, passages = last.treadles + treadles, last.passages + passages
    shift = Shift(pick, treadles, passages, _picks_in(decks, place), place.card, place.turn)
    earlier = tuple(s for s in place.shifts_told if s.pick < pick or s not in place.shifts)
    return replace(place, shifts_told=(*earlier, shift))


def _with_shifts(decks: Decks, before: Place, place: Place) -> Place:
    """The shifts that go here: what was odd about picks has come out with them.

    While they come out, their treadles are those over which they were woven. What was told after picks were
    taken out does not go where they are still in.
    """
    told = place.shifts_told
    if place.course != before.course:
        here = _picks_in(decks, place)
        told = tuple(replace(shift, card=-1) for shift in told if shift.at <= here)
    gone = {
        shift
        for card in decks.taken_out(place)
        for shift in told
        if (shift.card < card.number < place.card and shift.at > _position(card.after))
        or place.card <= card.number < shift.card
    }
    gone |= {
        shift
        for event in place.unwoven
        for shift in told
        if shift.turn < event.turn and shift.at > (event.rows, event.left)
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


def whole_number(detail: Mapping[str, Any], name: str) -> int:
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
