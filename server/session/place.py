"""Where the weaver is: it follows from the log of what she did, and from nothing else.

A tap names the card it was made on and the turn, the length of the log at the time. A tap that
does not name the present card and turn (a double tap, a second tablet, a page restored from history, a
repeated request) is stale and changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, get_args

from server.loom.state import handle_order
from server.loom.steps import Insert, MoveCords
from server.session.cards import Card

TapKind = Literal["begin", "next", "back", "again", "stands", "aside", "resume", "end"]
"""begin: the piece goes on the loom · next: the card is done · back: to the card before ·
again: a test lift was wrong, open its card again · stands: after a break, all stands as shown ·
aside: the piece comes off the bare loom · resume: it goes on again ·
end: it is given up, the loom cleared."""

Status = Literal["waiting", "on the loom", "aside", "finished", "ended"]

TAP_KINDS: tuple[TapKind, ...] = get_args(TapKind)


@dataclass(frozen=True, slots=True)
class Tap:
    """What the weaver asks for, made on a card and a turn that she saw."""

    kind: TapKind
    card: int
    turn: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where the weaver is.

    Attributes:
        status: whether the piece is on the loom.
        card: number of the card that is up.
        again: number of a card that is done once more after a wrong test lift; None as a rule.
        turn: how many taps have counted so far.
    """

    status: Status = "waiting"
    card: int = 0
    again: int | None = None
    turn: int = 0


class NotNow(ValueError):
    """The tap cannot be taken here; the message says why, in a sentence for the weaver."""


def is_stale(place: Place, tap: Tap) -> bool:
    """Whether the tap was made on another card or turn than the present one."""
    return (tap.card, tap.turn) != (place.card, place.turn)


def after_tap(cards: Sequence[Card], place: Place, kind: TapKind) -> Place:
    """The place after a tap that is not stale.

    Raises:
        NotNow: if there is nothing for it to do here.
    """
    moved = _moved(cards, place, kind)
    return replace(moved, turn=place.turn + 1)


def _moved(cards: Sequence[Card], place: Place, kind: TapKind) -> Place:
    match kind, place.status:
        case "begin", "waiting":
            return replace(place, status="on the loom")
        case "resume", "aside":
            return replace(place, status="on the loom")
        case "next", "on the loom":
            if place.again is not None:
                return replace(place, again=None)
            if place.card == len(cards) - 1:
                return replace(place, status="finished")
            return replace(place, card=place.card + 1)
        case "back", "on the loom":
            if place.again is not None:
                return replace(place, again=None)
            if place.card == 0:
                raise NotNow("This is the first instruction; there is nothing before it.")
            return replace(place, card=place.card - 1)
        case "back", "finished":
            return replace(place, status="on the loom")
        case "again", "on the loom":
            redo = cards[place.card].redo
            if redo is None or place.again is not None:
                raise NotNow("Only a test lift can open an earlier instruction again.")
            return replace(place, again=redo)
        case "stands", "on the loom":
            return place
        case "aside", "on the loom":
            if not cards[place.card].before.is_bare():
                raise NotNow(
                    "Temporaries are still in the loom. Weave on until they are out, or give the piece up."
                )
            return replace(place, status="aside")
        case "end", "on the loom" | "aside":
            return replace(place, status="ended", again=None)
    raise NotNow(_NOT_NOW[place.status])


_NOT_NOW: dict[Status, str] = {
    "waiting": "This piece is not on the loom yet; put it on first.",
    "on the loom": "This piece is on the loom already.",
    "aside": "This piece is off the loom; put it on again first.",
    "finished": "This piece is finished.",
    "ended": "This piece was given up; bring it in again to weave it.",
}


def place_after(cards: Sequence[Card], kinds: Iterable[TapKind]) -> Place:
    """The place that a whole log leads to.

    Args:
        kinds: the taps that counted, first to last.
    """
    place = Place()
    for kind in kinds:
        place = after_tap(cards, place, kind)
    return place


def card_up(cards: Sequence[Card], place: Place) -> Card:
    """The card to show: the one that is up, or the one that is done once more.

    One that is done once more shows the loom as it stands by now, without what is to be done again.
    """
    if place.again is None:
        return cards[place.card]
    card, now = cards[place.again], cards[place.card].before
    match card.step:
        case Insert(temporary=name):
            others = tuple(t for t in now.temporaries if t.name != name)
            away = tuple((handle, None if on == name else on) for handle, on in now.away)
            return replace(card, before=replace(now, temporaries=others, away=away), after=now)
        case MoveCords(handle=handle, target=target):
            others_away = tuple(entry for entry in now.away if entry[0] != handle)
            free = () if handle.startswith("S") else ((handle, None),)
            before = replace(now, away=tuple(sorted((*others_away, *free), key=lambda e: handle_order(e[0]))))
            return replace(card, step=MoveCords(handle, None, target), before=before, after=now)
    return card
