"""Breaks: what may be left and what is let down, and where everything stands when she comes back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from server.loom.counting import leashes_in
from server.loom.state import State
from server.loom.steps import TakeOut
from server.plan.visits import position_of
from server.session.cards import BEHIND, Card
from server.session.naming import Naming
from server.session.place import card_up, standing_by_now, still_in, walk_of
from server.session.treadling import next_pick, picks_of, side_before, treadle_at
from server.session.wording import handles_text, heading, numbers_text, pulled, several, span_text
from server.store.weavings import Weaving
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
        since: since when it stands so; "" where that is not known.
    """

    title: str
    why: str
    in_full: bool
    before: tuple[str, ...]
    lines: tuple[tuple[str, str], ...]
    since: str = ""


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
    since = when_text(last.at) if idle >= last.longest else ""
    return Pause(BACK, f"{why} This is how everything should stand:", True, (), tuple(lines), since)


def _announced(weaving: Weaving, idle: float, since: datetime, chosen: Preferences) -> Pause:
    lines, at = tuple(_standing_in_full(weaving, chosen)), when_text(since)
    if idle < JUST_NOW:
        why = "Your place is kept. When you are back, everything should stand like this:"
        return Pause("Have a good break", why, True, before_leaving(weaving), lines, at)
    why = f"You have been away for {span_text(idle)}. This is how everything should stand:"
    return Pause("Welcome back", why, True, (), lines, at)


def before_leaving(weaving: Weaving) -> tuple[str, ...]:
    """What may be left as it is, and what is to be seen to first (common practice, no source)."""
    card, state = card_up(weaving.decks, weaving.place), standing_by_now(weaving.decks, weaving.place)
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


def _where_standing(weaving: Weaving, chosen: Preferences) -> tuple[State, list[tuple[str, str]]]:
    """What stands, as she counts; and how far she is in the row or on the walk."""
    card, naming = card_up(weaving.decks, weaving.place), chosen.naming(weaving.piece.loom)
    lines = [("Row", _row_standing(weaving, card))]
    if card.kind in BEHIND:
        lines += _walk_standing(weaving, card, naming)
    else:
        lines += _shuttle_standing(weaving, card, chosen)
    return naming.state(standing_by_now(weaving.decks, weaving.place)), lines


def _standing_in_short(weaving: Weaving, chosen: Preferences) -> list[tuple[str, str]]:
    state, lines = _where_standing(weaving, chosen)
    lines.append(("Pulled", " and ".join(pulled(state)) or "nothing"))
    lines.append(("Temporaries in", ", ".join(t.name for t in state.temporaries) or "none"))
    return lines


def _standing_in_full(weaving: Weaving, chosen: Preferences) -> list[tuple[str, str]]:
    state, lines = _where_standing(weaving, chosen)
    loom = chosen.naming(weaving.piece.loom).loom(weaving.piece.loom)  # as the state is
    lines.append(("Handles pulled", handles_text(state.raised) or "none"))
    lines.append(("Single cords pulled", numbers_text(state.pulled) or "none"))
    for temporary in state.temporaries:
        leashes = leashes_in(loom, temporary.units)
        lines.append(
            (
                f"Temporary {temporary.name}",
                f"through {several(leashes, 'leash', 'leashes')} of shaft {temporary.parent}, "
                f"{'unit' if len(temporary.units) == 1 else 'units'} {numbers_text(temporary.units)}; "
                f"{_cords_of(state, temporary.name)}",
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
        told = still_in(card.step, place) if isinstance(card.step, TakeOut) else place.pick
        if told:
            return f"{card.row} of {rows} is on, {told} of its {several(picks, 'pick')} in"
        return f"{card.row} of {rows} is on; count the picks of it that are in"
    at = position_of(card.before)
    begun = f", {several(at.picks, 'pick')} of row {at.row + 1} in" if at.picks else ""
    behind = "; you are behind the loom" if card.kind in BEHIND else ""
    return f"{at.row or 'none'} of {rows} woven{begun}{behind}"


def _walk_standing(weaving: Weaving, card: Card, naming: Naming) -> list[tuple[str, str]]:
    """What is done on this walk, and what comes next."""
    place = weaving.place
    if place.again is not None:
        return [("Once more", heading(naming.card(card)))]
    walk = walk_of(weaving.cards, card.number)
    done = sum(number < place.card or number in place.ahead for number in walk)
    return [
        ("On this walk", f"{done} of {several(len(walk), 'thing')} done"),
        ("Next", heading(naming.card(card))),
    ]


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
