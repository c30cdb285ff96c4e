"""What a page of the ways is reckoned for: the whole piece, or what is left of it; and for how long."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from fastapi import Request

from server.design.piece import Piece
from server.loom.state import State
from server.plan.schedule import BARE, Standing
from server.plan.task import standing_of
from server.plan.visits import Position, position_of
from server.session.place import Place
from server.session.put_right import standing
from server.session.wishes import Wishes, wished
from server.store.weavings import Weaving
from server.ways.questions import key_of
from server.ways.rest import state_option, walks_option
from server.web.rendering import NotUnderstood, is_count, store_of
from server.web.working import Working, answer_to, seconds_text

FROM = "from"
"""The turn from which on it is asked, in an address."""

LONGER = "longer"
"""How often the time has been made longer, in an address."""

TIMES_LONGER = 4.0


# --- from where on -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Here:
    """What is left of a piece at one moment.

    Attributes:
        turn: how many taps had counted then.
        start: what stood in the loom.
        piece: the whole of it, with the walks as she wished them then.
    """

    turn: int
    start: State
    piece: Piece

    @property
    def at(self) -> Position:
        """How far the cloth was."""
        return position_of(self.start)

    @property
    def row(self) -> int:
        """The row that is begun, or the next."""
        return self.at.row + 1


@dataclass(frozen=True, slots=True)
class Reckoned:
    """What a page is reckoned for.

    Attributes:
        now: what is left now; None: weaving has not begun, or is done.
        asked: what was left where it is asked from; None: the whole piece is asked about.
    """

    weaving: Weaving
    now: Here | None
    asked: Here | None = None

    @property
    def piece(self) -> Piece:
        """The piece that is asked about."""
        return self.weaving.piece if self.asked is None else self.asked.piece

    @property
    def has_gone_on(self) -> bool:
        """Whether she has woven on since it was asked, so that it is not how the loom stands any more."""
        if self.asked is None or self.now is None:
            return False
        return (self.asked.start, self.asked.piece) != (self.now.start, self.now.piece)

    @property
    def stays(self) -> int:
        """So many rows stay as they are: those that are woven, and one that is begun."""
        return 0 if self.asked is None else self.asked.at.row + (self.asked.at.picks > 0)

    @property
    def is_begun(self) -> bool:
        """Whether picks of the first row that is left are in."""
        return self.asked is not None and self.asked.at.picks > 0

    @property
    def stands(self) -> Standing:
        """What stands in the loom at the start."""
        return BARE if self.asked is None else standing_of(self.piece.loom, self.asked.start)[0]

    @property
    def options(self) -> dict[str, Any]:
        """What a question has to say of it."""
        if self.asked is None:
            return {}
        walks = {} if self.piece == self.weaving.piece else {"walks": walks_option(self.piece)}
        return {"here": state_option(self.asked.start)} | walks

    def is_asked_with(self, options: Mapping[str, Any]) -> bool:
        """Whether a question with these options is asked of it."""
        return all(options.get(name) == self.options.get(name) for name in ("here", "walks"))

    @property
    def fields(self) -> tuple[tuple[str, str], ...]:
        """What an address or a form has to say of it."""
        return () if self.asked is None else ((FROM, str(self.asked.turn)),)


def reckoned_for(weaving: Weaving, told: Sequence[object]) -> tuple[Reckoned, str]:
    """What a page is reckoned for, and "" or why it cannot be what was asked: then it is the whole piece.

    Args:
        told: all that an address or a form says of `FROM`.
    """
    now = _here(weaving, weaving.place)
    whole = Reckoned(weaving, now)
    texts = [text for text in told if isinstance(text, str) and text.strip()]
    if not texts:
        return whole, ""
    turn = texts[0].strip()
    if len(texts) > 1 or not is_count(turn) or int(turn) > weaving.place.turn:
        return whole, "From where on it is asked could not be read, so this is the whole piece."
    if now is None:
        begun = weaving.place.status in ("finished", "ended") or weaving.rows_woven
        why = "Nothing is left to be woven of it" if begun else "Weaving has not begun"
        return whole, f"{why}, so this is the whole piece."
    turn_asked = int(turn)
    at = weaving.place if turn_asked == weaving.place.turn else weaving.log[turn_asked].before
    asked = _here(weaving, at)
    if asked is None:
        return whole, "Weaving had not begun where it is asked from, so this is the whole piece."
    return replace(whole, asked=asked), ""


def _here(weaving: Weaving, place: Place) -> Here | None:
    """What was left where she was; None where weaving had not begun, or was done."""
    if place.status not in ("on the loom", "aside"):
        return None
    wishes = weaving.courses[place.course - 1].wishes if place.course else Wishes()
    here = Here(place.turn, standing(weaving.decks, place, weaving.piece), wished(weaving.piece, wishes))
    is_begun = here.at != Position(0) or not here.start.is_bare()
    return here if is_begun and here.at.row < len(weaving.piece.rows) else None


# --- the answer ----------------------------------------------------------------------------------------


def answer_of(
    request: Request, reckoned: Reckoned, kind: str, options: Mapping[str, Any]
) -> dict[str, Any] | Working | None:
    """The answer to a question, as `answer_to`; None where she has woven on and it was not kept.

    Raises:
        NoPlan, NotUnderstood: as `answer_to`.
    """
    if reckoned.has_gone_on:
        return kept_answer(request, reckoned, kind, options)
    return answer_to(request, _text(request, reckoned), kind, {**options, **reckoned.options})


def _text(request: Request, reckoned: Reckoned) -> str:
    return store_of(request).piece_text(reckoned.weaving.id) or ""


def kept_answer(
    request: Request, reckoned: Reckoned, kind: str, options: Mapping[str, Any]
) -> dict[str, Any] | Working | None:
    """The same without beginning anything; None where it was not asked yet, or was stopped.

    Raises:
        NoPlan, NotUnderstood: as `answer_to`.
    """
    asked = {**options, **reckoned.options}
    if store_of(request).worked_out.find(key_of(kind, reckoned.weaving.piece, asked)) is None:
        return None
    return answer_to(request, _text(request, reckoned), kind, asked)


# --- how long ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Time:
    """How long a question may take.

    Attributes:
        usual: seconds.
        most: however often it is made longer.
        longer: how often it was.
    """

    usual: float
    most: float
    longer: int = 0

    @property
    def seconds(self) -> float:
        """So many."""
        return min(self.usual * TIMES_LONGER**self.longer, self.most)

    @property
    def words(self) -> str:
        """ "1 minute"."""
        return seconds_text(self.seconds)

    @property
    def next(self) -> Time | None:
        """The next longer one; None: this is the longest."""
        return replace(self, longer=self.longer + 1) if self.seconds < self.most else None

    @property
    def fields(self) -> tuple[tuple[str, str], ...]:
        """What an address or a form has to say of it."""
        return ((LONGER, str(self.longer)),) if self.longer else ()

    def read(self, text: str) -> Time:
        """The time that an address asks for.

        Raises:
            NotUnderstood: if it asks for none.
        """
        time: Time | None = replace(self, longer=0)
        asked = text.strip() or "0"
        while time is not None and str(time.longer) != asked:
            time = time.next
        if time is None:
            raise NotUnderstood(
                f"How long it may take could not be read. It takes {self.words} at most as a rule."
            )
        return time
