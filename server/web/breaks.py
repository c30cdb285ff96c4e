"""Breaks: what may be left and what is let down, and where everything stands when she comes back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from server.loom.state import State
from server.session.cards import BEHIND, Card
from server.session.place import card_up
from server.session.treadling import next_pick, picks_of, side_before, treadle_at
from server.session.wording import cord_words, handle_words, numbers_text, several, span_text
from server.store.weavings import Weaving
from server.web.card_views import pulled
from server.web.rendering import Preferences, when_text

SHORT_BREAK = 30 * 60
"""Seconds after which she is asked, in a line, whether everything stands as it should."""
LONG_BREAK = 12 * 3600
"""Seconds after which she is asked in full."""
JUST_NOW = 3 * 60
"""Seconds for which she is told what to see to before she leaves."""


@dataclass(frozen=True, slots=True)
class Pause:
    """Where everything should stand after a break, or when she leaves.

    Attributes:
        title: the heading.
        why: what is said before the lines.
        in_full: whether everything is told; else a line does.
        before: what to see to before she leaves.
        lines: (what, how it should stand).
    """

    title: str
    why: str
    in_full: bool
    before: tuple[str, ...]
    lines: tuple[tuple[str, str], ...]


BACK = "Look once before you go on"


def pause_of(weaving: Weaving, now: datetime, chosen: Preferences) -> Pause | None:
    """What to confirm before she goes on; None if nothing has happened since she last did.

    That is after a break that she announced, after a long one until now or one that ended with a tap on a
    page left open, and whenever the loom was let down meanwhile: others may have been at it.
    """
    if weaving.place.status != "on the loom" or not weaving.log:
        return None
    last = weaving.log[-1]
    idle = (now - last.at).total_seconds()
    if weaving.place.paused:
        return _announced(weaving, idle, last.at, chosen)
    if last.was_off:
        why = "Everything was let down meanwhile. Set it up as it stood then:"
        return Pause(BACK, why, True, (), tuple(_standing_in_full(weaving, chosen)))
    # no shorter break is asked about after a tap: one slow row, or one long walk, is no break
    away = max(idle, last.longest if last.longest >= LONG_BREAK else 0.0)
    if away < SHORT_BREAK:
        return None
    why = f"You were away for {span_text(away)}."
    if away < LONG_BREAK:
        return Pause(BACK, why, False, (), tuple(_standing_in_short(weaving, chosen)))
    lines = _standing_in_full(weaving, chosen)
    if idle >= last.longest:
        lines.append(("So since", when_text(last.at)))
    return Pause(BACK, f"{why} This is how everything should stand:", True, (), tuple(lines))


def _announced(weaving: Weaving, idle: float, since: datetime, chosen: Preferences) -> Pause:
    lines = (*_standing_in_full(weaving, chosen), ("So since", when_text(since)))
    if idle < JUST_NOW:
        why = "Your place is kept. When you are back, everything should stand like this:"
        return Pause("Have a good break", why, True, before_leaving(weaving), lines)
    why = f"You have been away for {span_text(idle)}. This is how everything should stand:"
    return Pause("Welcome back", why, True, (), lines)


def before_leaving(weaving: Weaving) -> tuple[str, ...]:
    """What may be left as it is, and what is to be seen to first (common practice, no source)."""
    card, state = card_up(weaving.decks, weaving.place), weaving.state
    lines = []
    if card.kind in BEHIND:
        lines.append("Lower any shaft that is propped, and put nothing half in: finish the one in your hand.")
    if state.raised or state.pulled:
        lines.append(
            "For some minutes everything may stay locked as it is. For longer, let it down: "
            "it spares the cords, and nobody is hurt. The list below says what to pull again."
        )
    if state.temporaries:
        lines.append("Temporaries and their cords stay where they are.")
    lines.append("Ease the warp if it is for the night, as the loom maker advises.")
    return tuple(lines)


def _standing_in_short(weaving: Weaving, chosen: Preferences) -> list[tuple[str, str]]:
    card = card_up(weaving.decks, weaving.place)
    state = chosen.naming(weaving.piece.loom).state(weaving.state)
    lines = [("Row", _row_standing(weaving, card))]
    lines += _shuttle_standing(weaving, card, chosen)
    lines.append(("Pulled", " and ".join(pulled(state)) or "nothing"))
    lines.append(("Temporaries in", ", ".join(t.name for t in state.temporaries) or "none"))
    return lines


def _standing_in_full(weaving: Weaving, chosen: Preferences) -> list[tuple[str, str]]:
    card = card_up(weaving.decks, weaving.place)
    state = chosen.naming(weaving.piece.loom).state(weaving.state)
    lines = [("Row", _row_standing(weaving, card))]
    lines += _shuttle_standing(weaving, card, chosen)
    lines.append(("Handles pulled", handle_words(state.raised) if state.raised else "none"))
    lines.append(("Single cords pulled", cord_words(state.pulled) if state.pulled else "none"))
    for temporary in state.temporaries:
        lines.append(
            (
                f"Temporary {temporary.name}",
                f"through {several(len(temporary.units), 'leash', 'leashes')} of shaft {temporary.parent}, "
                f"units {numbers_text(temporary.units)}; {_cords_of(state, temporary.name)}",
            )
        )
    if not state.temporaries:
        lines.append(("Temporaries in", "none"))
    away = [
        f"handle {handle} {'hangs free' if carrier is None else 'is on ' + carrier}"
        for handle, carrier in state.away
    ]
    lines.append(("Cords not home", ", ".join(away) or "none"))
    return lines


def _cords_of(state: State, name: str) -> str:
    handle = state.handle_on(name)
    return f"on handle {handle}" if handle else "no cords on it"


def _row_standing(weaving: Weaving, card: Card) -> str:
    rows, place = len(weaving.piece.rows), weaving.place
    if card.kind in ("weave", "take_out"):
        picks = weaving.piece.picks(card.row)
        if place.pick:
            return f"{card.row} of {rows} is on, {place.pick} of its {several(picks, 'pick')} in"
        return f"{card.row} of {rows} is on; count the picks of it that are in"
    begun = f", {several(card.before.picks, 'pick')} of the next in" if card.before.picks else ""
    if card.kind in BEHIND:
        return f"{card.before.row} of {rows} woven{begun}; you are behind the loom"
    if card.before.row == 0:
        return f"none of {rows} woven yet{begun}"
    return f"{card.before.row} of {rows} woven{begun}"


def _shuttle_standing(weaving: Weaving, card: Card, chosen: Preferences) -> list[tuple[str, str]]:
    """Where the shuttle is and which treadle is next: her own check of how many picks are in."""
    piece, place = weaving.piece, weaving.place
    picks = picks_of(piece, place, card, chosen.first_side)
    pick = next_pick(piece, place, card)
    side = side_before(piece, place, pick, chosen.first_side)
    if not picks:
        if card.before.row == len(piece.rows):
            return [("Shuttle", f"on your {side}")]
        return [("Shuttle", f"on your {side}"), ("Next treadle", str(treadle_at(piece, place, pick)))]
    upcoming = next((p for p in picks if p.is_next), picks[-1])
    if place.pick and card.kind == "weave":
        return [
            ("Shuttle", f"on your {side}"),
            ("Next", f"pick {upcoming.number}, treadle {upcoming.treadle}, to your {upcoming.to}"),
        ]
    order = ", ".join(str(p.treadle) for p in picks[:12]) + (" …" if len(picks) > 12 else "")
    first, then = f"your {side} before the first of these picks", f"your {picks[0].to} after one"
    return [("Shuttle", f"on {first}, on {then}, and so on"), ("Treadles", order)]
