"""What the store hands out: pieces with their log, and where each of them is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from server.design.piece import Piece
from server.loom.state import State
from server.plan.workorder import WorkOrder
from server.session.cards import Card
from server.session.place import Place, Status, TapKind


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One tap that counted.

    Attributes:
        turn: its number in the piece's log, from 1.
        card: the card that was up when it was made.
        again: the card that was being done once more then; None as a rule.
        at: when, in UTC.
    """

    turn: int
    kind: TapKind
    card: int
    again: int | None
    at: datetime


@dataclass(frozen=True, slots=True)
class Weaving:
    """A piece with everything that has happened to it.

    Attributes:
        log: the taps that counted, oldest first.
        place: where the weaver is; it follows from the log.
    """

    id: int
    piece: Piece
    order: WorkOrder
    cards: tuple[Card, ...]
    log: tuple[LogEntry, ...]
    place: Place

    @property
    def state(self) -> State:
        """What stands in the loom now, as far as this piece is concerned."""
        return state_at(self.cards, self.place)


@dataclass(frozen=True, slots=True)
class PieceLine:
    """A piece in the list of pieces.

    Attributes:
        last_at: when the last tap that counted was made, in UTC; None before the first.
        walks: walks to the back of the loom in the whole piece.
        minutes: minutes the changes take in the whole piece, beside the weaving.
    """

    id: int
    name: str
    loom_name: str
    status: Status
    rows_woven: int
    rows: int
    last_at: datetime | None
    walks: int
    minutes: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a tap.

    Attributes:
        weaving: the piece as it is now, whether or not the tap counted.
        message: a sentence where nothing changed, else "".
    """

    weaving: Weaving
    counted: bool
    message: str


def state_at(cards: tuple[Card, ...], place: Place) -> State:
    """What stands in the loom at a place: nothing once a piece is given up and its loom cleared."""
    if place.status == "ended":
        return State()
    card = cards[place.card]
    return card.after if place.status == "finished" else card.before


def rows_woven(cards: tuple[Card, ...], place: Place) -> int:
    """Rows that are woven to the last pick; of a piece given up, those woven until then."""
    card = cards[place.card]
    state = card.after if place.status == "finished" else card.before
    return state.row - 1 if state.phase == "raised" else state.row
