"""Quiet reminders: something to be seen to every so many picks, rows or centimetres."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Literal, get_args

from server.design.piece import Piece
from server.session.place import Decks, Place, card_up
from server.session.treadling import next_pick

Measure = Literal["picks", "rows", "cm"]
MEASURES: tuple[Measure, ...] = get_args(Measure)

LONGEST_WORDS = 60
MOST_REMINDERS = 12
MOST_EVERY = 100_000


@dataclass(frozen=True, slots=True)
class Reminder:
    """Something to be seen to now and then.

    Attributes:
        words: what it is.
        every: after how much of the cloth it is due again.
        measure: in what that is told.
        picks_per_cm: picks to a centimetre of the cloth, for "cm".
    """

    words: str
    every: float
    measure: Measure
    picks_per_cm: float = 0.0


class NoReminder(ValueError):
    """It cannot be a reminder; the message says why, in a sentence for the weaver."""


def reminder(words: str, every: str, measure: str, picks_per_cm: str) -> Reminder:
    """A reminder as a form sends it.

    Raises:
        NoReminder: if something in it cannot be used.
    """
    words = " ".join(words.split())
    if not words or len(words) > LONGEST_WORDS:
        raise NoReminder(f"Say in 1 to {LONGEST_WORDS} characters what the reminder is for.")
    known = next((name for name in MEASURES if name == measure), None)
    if known is None:
        raise NoReminder("Choose picks, rows or centimetres for the reminder.")
    number = _number(every, "Say after how many picks, rows or centimetres the reminder is due.")
    if known != "cm" and number != int(number):
        raise NoReminder("Picks and rows are counted in whole numbers.")
    density = _number(picks_per_cm, "Say how many picks make a centimetre.") if known == "cm" else 0.0
    return Reminder(words, number, known, density)


def _number(text: str, otherwise: str) -> float:
    plain = text.strip().replace(",", ".")
    if not plain.isascii() or len(plain) > 12 or not plain.replace(".", "", 1).isdigit():
        raise NoReminder(otherwise)
    number = float(plain)
    if not 0 < number <= MOST_EVERY:
        raise NoReminder(f"{otherwise} It must be more than 0 and at most {MOST_EVERY}.")
    return number


def due(piece: Piece, decks: Decks, place: Place, reminders: Iterable[Reminder]) -> tuple[str, ...]:
    """What is to be seen to at a place: what has become due with the last thing that was done.

    So each is shown once as the weaving goes on, and is out of the way with the next tap. Going back, or
    taking rows out, reminds of nothing.
    """
    found = tuple(reminders)
    if not found or place.again is not None or place.out or place.status != "on the loom":
        return ()
    now = next_pick(piece, place, card_up(decks, place))
    card = decks.at(place)
    if place.pick != card.before.picks:
        before = now - 1
    elif place.card == 0:
        return ()
    else:
        last = decks.of(place)[place.card - 1]
        before = next_pick(piece, Place(pick=last.before.picks), last)
        if place.by_pick:
            before = now - 1
    return tuple(r.words for r in found if _passed(piece, r, before, now))


def _passed(piece: Piece, reminder: Reminder, before: int, now: int) -> bool:
    """Whether a whole multiple of its measure lies between two numbers of picks, the last included."""
    if now <= before:
        return False
    if reminder.measure == "rows":
        before, now = (_rows(piece, picks) for picks in (before, now))
        every = reminder.every
    else:
        every = reminder.every * (reminder.picks_per_cm if reminder.measure == "cm" else 1)
    return int(now / every + 1e-9) > int(before / every + 1e-9)


def _rows(piece: Piece, picks: int) -> int:
    """Whole rows in so many picks."""
    cycle = sum(piece.picks_per_row)
    whole, rest = divmod(picks, cycle)
    rows = whole * len(piece.picks_per_row)
    for number in piece.picks_per_row:
        if rest < number:
            break
        rest -= number
        rows += 1
    return rows


def write_reminders(reminders: Sequence[Reminder]) -> str:
    """As they are kept."""
    return json.dumps([asdict(r) for r in reminders])


def read_reminders(text: str) -> tuple[Reminder, ...]:
    """Read what `write_reminders` wrote; what is not understood any more is left out."""
    try:
        return tuple(Reminder(**fields) for fields in json.loads(text or "[]"))
    except (TypeError, ValueError):
        return ()
