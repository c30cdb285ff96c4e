"""How fast she weaves, from her own log, and how long it is until she must rise."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median
from typing import Protocol, Self

from server.design.piece import Piece
from server.loom.picks import picks_before_row
from server.loom.steps import Weave
from server.session.place import Decks, Place, TapKind
from server.session.treadling import next_pick

LOOKED_AT = 200
"""Taps of the log that are looked at, the newest: however long it is, the answer takes as long."""

FEWEST_ROWS = 3
"""Rows that must have been timed before anything is said."""


class Span(Protocol):
    """How long something took."""

    def total_seconds(self) -> float:
        """In seconds."""


class Moment(Protocol):
    """A point of time."""

    def __sub__(self, other: Self, /) -> Span:
        """How long after the other it is."""


class Timed(Protocol):
    """A tap that counted, and when."""

    @property
    def kind(self) -> TapKind:
        """What it says."""

    @property
    def at(self) -> Moment:
        """When it was made."""

    @property
    def before(self) -> Place:
        """The place where it was made."""


class UnderWay(Protocol):
    """A piece with its log."""

    @property
    def piece(self) -> Piece:
        """The piece."""

    @property
    def decks(self) -> Decks:
        """Its cards."""

    @property
    def place(self) -> Place:
        """Where the weaver is."""

    @property
    def log(self) -> Sequence[Timed]:
        """The taps that counted, oldest first."""


def minutes_per_pick(weaving: UnderWay) -> float | None:
    """The middle one of what her last rows took, raising included, by the pick; None: too few were timed.

    A row counts from when the row before it was done, if there was nothing but raising and weaving between
    the two: no walk, no break that she announced, no correction. A break that she did not announce makes one
    row long, and does not move the middle.
    """
    decks, ends = weaving.decks, list[tuple[Moment, int]]()
    times: list[float] = []
    for entry in weaving.log[-LOOKED_AT:]:
        if entry.before.status != "on the loom" or entry.kind not in ("next", "pick", "checked"):
            ends.clear()
            continue
        card = decks.at(entry.before)
        if entry.before.again is not None or entry.before.out or card.kind not in ("raise", "weave"):
            ends.clear()
        elif isinstance(card.step, Weave) and _ends_row(entry, card.before.picks + card.step.picks):
            ends.append((entry.at, card.step.picks))
            times += [
                (later - sooner).total_seconds() / 60 / picks
                for (sooner, _), (later, picks) in pairwise(ends)
            ]
            ends = ends[-1:]
    return median(times) if len(times) >= FEWEST_ROWS else None


def _ends_row(entry: Timed, picks: int) -> bool:
    """Whether a tap on a card that weaves is that the row is woven."""
    return entry.kind == "next" or (entry.kind == "pick" and entry.before.pick + 1 == picks)


def minutes_to_next_walk(weaving: UnderWay) -> float | None:
    """Minutes of weaving until she must rise, at her own pace; None: not known, or no walk is to come."""
    each, picks = minutes_per_pick(weaving), picks_to_next_walk(weaving)
    return None if each is None or picks is None else each * picks


def picks_to_next_walk(weaving: UnderWay) -> int | None:
    """Picks to be woven until the next walk; None: no walk is to come, or picks are to be taken out first."""
    walk = weaving.decks.next_walk(weaving.place) if weaving.place.status == "on the loom" else None
    card = weaving.decks.at(weaving.place)
    if walk is None or card.kind in ("reopen", "take_out"):
        return None
    before_walk = picks_before_row(weaving.piece.picks_per_row, walk.row + 1) + walk.before.picks
    return max(0, before_walk - next_pick(weaving.piece, weaving.place, card))
