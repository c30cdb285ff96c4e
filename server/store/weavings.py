"""What the store hands out: pieces with their log, and where each of them is."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import overload

from server.design.piece import Piece
from server.loom.state import State
from server.plan.visits import position_of
from server.plan.workorder import WorkOrder
from server.session.cards import Card, Course
from server.session.place import Decks, Place, Status, TapKind, state_now


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One tap that counted.

    Attributes:
        turn: its number in the piece's log, from 1.
        detail: JSON of what it said besides.
        key: its name; "" for none.
        at: when, in UTC.
        before: the place where it was made.
        longest: the longest time between two taps, in seconds, since she last said that all stands as shown.
        was_off: whether the loom was let down since then: the piece came off it, or was woven to its end.
    """

    turn: int
    kind: TapKind
    detail: str
    key: str
    at: datetime
    before: Place
    longest: float
    was_off: bool

    @property
    def card(self) -> int:
        """The number of the first card that was not done."""
        return self.before.card


class Log(Sequence[LogEntry]):
    """The taps that counted, oldest first: a view on a list that is only added to, up to a length."""

    __slots__ = ("_entries", "_length")

    def __init__(self, entries: list[LogEntry] | None = None) -> None:
        self._entries: list[LogEntry] = [] if entries is None else entries
        self._length = len(self._entries)

    def __len__(self) -> int:
        return self._length

    @overload
    def __getitem__(self, index: int) -> LogEntry: ...

    @overload
    def __getitem__(self, index: slice) -> tuple[LogEntry, ...]: ...

    def __getitem__(self, index: int | slice) -> LogEntry | tuple[LogEntry, ...]:
        if isinstance(index, slice):
            return tuple(self._entries[i] for i in range(*index.indices(self._length)))
        if not -self._length <= index < self._length:
            raise IndexError(index)
        return self._entries[index if index >= 0 else self._length + index]

    def __iter__(self) -> Iterator[LogEntry]:
        return (self._entries[i] for i in range(self._length))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    __hash__ = None  # type: ignore[assignment]

    def with_one(self, entry: LogEntry) -> Log:
        """This log and one entry more. The list is shared; where it has gone on otherwise, it is copied."""
        if len(self._entries) != self._length:
            return Log([*self, entry])
        self._entries.append(entry)
        return Log(self._entries)


@dataclass(frozen=True, slots=True)
class Weaving:
    """A piece with everything that has happened to it.

    Attributes:
        order: the plan that it came with.
        dealt: gives the cards of all its courses.
        courses: the plans made on the way; she follows number `place.course` − 1 of them, or `order`.
        log: the taps that counted, oldest first.
        place: where the weaver is; it follows from the log.
        design: id of the design that it was drawn as; None: it came as a file.
    """

    id: int
    piece: Piece
    order: WorkOrder
    log: Log
    place: Place
    dealt: Callable[[], Decks] = field(repr=False, compare=False)
    courses: tuple[Course, ...] = field(default=(), repr=False)
    design: int | None = None

    @property
    def decks(self) -> Decks:
        """The cards of all its courses. Of a long order that takes seconds the first time."""
        return self.dealt()

    @property
    def cards(self) -> tuple[Card, ...]:
        """The cards of the course that she follows."""
        return self.decks.of(self.place)

    @property
    def state(self) -> State:
        """What stands in the loom now, as far as this piece is concerned."""
        return state_now(self.decks, self.place)

    @property
    def rows_woven(self) -> int:
        """Rows that are woven to the last pick."""
        return rows_woven(self.decks, self.place)


@dataclass(frozen=True, slots=True)
class PieceLine:
    """A piece in the list of pieces.

    Attributes:
        last_at: when the last tap that counted was made, in UTC; None before the first.
        walks: walks to the back of the loom in the whole piece.
        minutes: minutes the changes take in the whole piece, besides the weaving.
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
        counted: whether it counts, now or since it came before.
        message: a sentence where nothing changed, else "".
        stale: whether another tap was first.
    """

    weaving: Weaving
    counted: bool
    message: str
    stale: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """What she noted on a row.

    Attributes:
        row: the row it is about; 0: before the first.
        media_type: of the picture; "" where there is none.
    """

    id: int
    row: int
    words: str
    media_type: str
    at: datetime


def rows_woven(decks: Decks, place: Place) -> int:
    """Rows that are woven to the last pick; of a piece given up, those woven until then."""
    card = decks.at(place)
    state = card.after if place.status == "finished" else replace(card.before, picks=place.pick)
    return position_of(state).row
