"""What each kind of card shows, beside its words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from server.design.piece import Piece
from server.loom.actions import and_list
from server.loom.counting import begins_at_her_left, leashes_in, take_and_pass
from server.loom.state import carried_units, handle_order, parent_of, units_up
from server.loom.steps import Insert, Label, MoveCords, Raise, Withdraw
from server.session.cards import Card
from server.session.checks import insertion_check
from server.session.place import card_up, picks_done, walk_of
from server.session.spoken import shed_spoken
from server.session.treadling import Side, other_side, picks_of
from server.session.wording import (
    LONGEST_LIST,
    STANCE_WORDS,
    Change,
    brief_words,
    carrier_words,
    cord_change,
    end_words,
    handle_change,
    handle_entries,
    handles_text,
    heading,
    insertion_check_words,
    look_alike_words,
    numbers_text,
    part_words,
    pick_heading,
    pulled,
    runs_words,
    treadles_text,
)
from server.store.weavings import Weaving
from server.web.drawings import (
    cloth,
    cord_runs,
    handle_row,
    leash_groups,
    loom_map,
    strip,
)
from server.web.rendering import Preferences
from server.web.walks import things_behind


def things_by_shaft(cards: Sequence[Card]) -> list[tuple[str, tuple[str, ...]]]:
    """What is done on a walk, in order: ("Shaft 7", what is done there); ("", …) where no shaft is meant.

    Cords that move straight from one shaft to another stand under both, in the order of the way.
    """
    found = []
    for stops, group in groupby(cards, _stops_of):
        name = f"Shaft{'s' if len(stops) > 1 else ''} {and_list(list(stops))}" if stops else ""
        found.append((name, tuple(brief_words(card) for card in group)))
    return found


def _stops_of(card: Card) -> tuple[str, ...]:
    match card.step:
        case Insert(shaft=shaft):
            return (str(shaft),)
        case Withdraw(temporary=name):
            return (str(parent_of(name)),)
        case MoveCords(source=source, target=target):
            stops = [str(parent_of(carrier)) for carrier in (source, target) if carrier is not None]
            return tuple(dict.fromkeys(stops))
    return ()


def _shafts_of(cards: Sequence[Card]) -> set[str]:
    """The shafts and temporaries that these cards have to do with, as a map names them."""
    names: set[str] = set()
    for card in cards:
        match card.step:
            case Label(shafts=shafts):
                names |= {str(shaft) for shaft in shafts}
            case Insert(shaft=shaft, temporary=name):
                names |= {str(shaft), name}
            case Withdraw(temporary=name):
                names.add(name)
            case MoveCords(source=source, target=target):
                names |= {name for name in (source, target) if name}
    return names


def _raise_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert isinstance(card.step, Raise)
    loom, sight = weaving.piece.loom, chosen.sight(weaving.piece.loom)
    told = sight.naming.card(card)
    pull, let_go, leave = cord_change(told)
    change = handle_change(told)
    up = units_up(loom, card.before, card.step.handles, card.step.single_cords)
    is_long = max(len(handle_entries(change.pull)), len(handle_entries(change.let_go))) > LONGEST_LIST
    return {
        "handles": handle_row(loom, card.before, handle_change(card), sight),
        "listed": [
            (word, handles_text(handles))
            for word, handles in (("pull", change.pull), ("let go", change.let_go))
            if handles and is_long
        ],
        "cords": [
            (word, numbers_text(units))
            for word, units in (("pull", pull), ("let go", let_go), ("leave", leave))
            if units
        ],
        "cord_runs": cord_runs(*cord_change(card), sight),
        "strip": strip(loom, up, sight),
        "up": len(up),
    }


def _weave_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    picks = picks_of(weaving.piece, weaving.place, card, chosen.first_side)
    start: Side = other_side(picks[0].to)
    end = picks[-1].to
    out = card.kind == "take_out"
    done = max(0, min(picks_done(card, weaving.place), len(picks)))
    upcoming = picks[done] if done < len(picks) else picks[-1]
    first, last = sorted((picks[0].number, picks[-1].number))
    of = weaving.piece.picks(card.row)
    treadles = weaving.piece.loom.treadles > 1
    now = other_side(upcoming.to)
    skipped = 0 if len(picks) <= MOST_PICKS_DRAWN else min(max(0, done - 2), len(picks) - PICKS_OF_MANY)
    drawn = picks[skipped : skipped + (PICKS_OF_MANY if len(picks) > MOST_PICKS_DRAWN else len(picks))]
    return {
        "picks": picks,
        "drawn": drawn,
        "skipped": skipped,
        "to_come": len(picks) - skipped - len(drawn),
        "is_plain": not card.before.raised and not card.before.pulled,
        "start": start,
        "end": end,
        "out": out,
        "done": done,
        "now": now,
        "upcoming": upcoming,
        "of": of,
        "part": part_words(first, last, of),
        "treadles": treadles,
        "treadles_text": lambda: treadles_text([pick.treadle for pick in picks]),
        "pick_heading": pick_heading(upcoming.number, of, upcoming.treadle if treadles else None, out=out),
        "check": f"The shuttle ends on your {end}.",
    }


MOST_PICKS_DRAWN = 24
"""Of a row with more, those about the next one are drawn."""
PICKS_OF_MANY = 10


def shed_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    """What to look over before the first pick of a row: the units, each handle, the cords, the last rows."""
    loom, state, sight = weaving.piece.loom, card.before, chosen.sight(weaving.piece.loom)
    up = units_up(loom, state, state.raised, state.pulled)
    cords = sight.naming.unit_numbers(state.pulled)
    return {
        "strip": strip(loom, up, sight),
        "up": len(up),
        "units": numbers_text(sight.naming.unit_numbers(up)) if up else "none",
        "touch": [sight.naming.name(handle) for handle in sorted(state.raised, key=handle_order)],
        "cords": len(cords),
        "cord_units": numbers_text(cords) if cords else "",
        "cloth": cloth(weaving.piece, card.row, ROWS_SHOWN, sight),
        "spoken": shed_spoken(up, sight.naming),
    }


ROWS_SHOWN = 12
"""Rows of the cloth that are shown below the shed."""


def _walk_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    cards = things_behind(weaving.cards, card.number)
    sight = chosen.sight(weaving.piece.loom)
    return {
        "down": pulled(sight.naming.state(card.before)),
        "things": things_by_shaft([sight.naming.card(thing) for thing in cards]),
        "number": len(cards),
        "map": loom_map(weaving.piece.loom, card.before, _shafts_of(cards), None, sight),
    }


def _label_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    loom = weaving.piece.loom
    return {"map": loom_map(loom, card.before, _shafts_of([card]), chosen.stance, chosen.sight(loom))}


def _insert_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert isinstance(card.step, Insert)
    loom, step = weaving.piece.loom, card.step
    naming = chosen.naming(loom)
    hung = loom.units_of(step.shaft)
    runs = take_and_pass(hung, step.units, chosen.stance, loom.leashes_of)
    check = insertion_check(loom, step.shaft, runs)
    others = [naming.name(t.name) for t in card.before.temporaries_of(step.shaft)]
    return {
        "shaft": naming.shaft(step.shaft),
        "temporary": naming.name(step.temporary),
        "take": leashes_in(loom, step.units),
        "of": leashes_in(loom, hung),
        "spoken": runs_words(runs),
        "groups": leash_groups(hung, runs, chosen.stance, naming, loom.leashes_of),
        "from_left": begins_at_her_left(chosen.stance),
        "behind": chosen.stance.startswith("behind"),
        "stance": STANCE_WORDS[chosen.stance],
        "check": insertion_check_words(check, chosen.stance),
        "look_alike": look_alike_words(map(naming.shaft, check.look_alikes), naming.shaft(step.shaft)),
        "others": others,
    }


def _move_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    step = chosen.naming(weaving.piece.loom).card(card).step
    assert isinstance(step, MoveCords)
    return {
        "handle": step.handle,
        "source": step.source,
        "target": step.target,
        "ticks": tuple(
            f"Cord {where} hangs free" if step.target is None else f"Cord {where} is on {step.target}"
            for where in end_words(chosen.stance)
        ),
    }


def _withdraw_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert isinstance(card.step, Withdraw)
    temporary = card.before.temporary(card.step.temporary)
    assert temporary is not None
    loom, naming = weaving.piece.loom, chosen.naming(weaving.piece.loom)
    name, hung = naming.name(temporary.name), loom.units_of(temporary.parent)
    runs = take_and_pass(hung, temporary.units, chosen.stance, loom.leashes_of)
    return {
        "temporary": name,
        "shaft": naming.shaft(temporary.parent),
        "take": leashes_in(loom, temporary.units),
        "of": leashes_in(loom, hung),
        "groups": leash_groups(hung, runs, chosen.stance, naming, loom.leashes_of),
        "from_left": begins_at_her_left(chosen.stance),
        "ticks": tuple(f"{name} is clear {where}" for where in end_words(chosen.stance)),
    }


def _test_lift_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert card.handle is not None
    loom, sight = weaving.piece.loom, chosen.sight(weaving.piece.loom)
    carrier = card.before.carrier(loom, card.handle)
    up = carried_units(loom, card.before, carrier)
    return {
        "handles": handle_row(loom, card.before, Change((card.handle,), (), ()), sight, alone=True),
        "strip": strip(loom, up, sight),
        "units": numbers_text(sight.naming.unit_numbers(up)),
        "carrier": carrier_words(sight.naming.carrier(carrier)),
    }


def _done_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    loom, sight = weaving.piece.loom, chosen.sight(weaving.piece.loom)
    let_go = Change((), tuple(card.before.raised), ())
    return {
        "down": pulled(sight.naming.state(card.before)),
        "handles": handle_row(loom, card.before, let_go, sight),
    }


VIEWS = {
    "raise": _raise_view,
    "reopen": _raise_view,
    "weave": _weave_view,
    "take_out": _weave_view,
    "walk": _walk_view,
    "label": _label_view,
    "insert": _insert_view,
    "move_cords": _move_view,
    "withdraw": _withdraw_view,
    "test_lift": _test_lift_view,
    "done": _done_view,
}


# --- a list to tick ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing to do on a walk.

    Attributes:
        number: of its card.
        text: what to do.
        how: how, in a line; "" where the words say it all.
        is_done: whether it is ticked.
        is_next: whether the large button ticks it.
        detail: what a tap on it says.
    """

    number: int
    text: str
    how: str
    is_done: bool
    is_next: bool
    detail: str


def checklist(weaving: Weaving, chosen: Preferences, whole_walk: bool) -> tuple[str, tuple[Thing, ...]]:
    """What is to be done at this shaft, or on the whole walk: title and things; none at the bench."""
    cards, place = weaving.cards, weaving.place
    up = card_up(weaving.decks, place)
    walk = walk_of(cards, up.number)
    if not walk or place.again is not None:
        return "", ()
    numbers = list(walk)
    naming = chosen.naming(weaving.piece.loom)
    title = "On this walk"
    if not whole_walk:
        stops = _stops_of(cards[up.number])
        first = last = up.number
        while first - 1 in walk and _stops_of(cards[first - 1]) == stops:
            first -= 1
        while last + 1 in walk and _stops_of(cards[last + 1]) == stops:
            last += 1
        numbers = list(range(first, last + 1))
        named = [naming.name(stop) for stop in stops]
        title = f"At shaft{'s' if len(stops) > 1 else ''} {and_list(named)}" if stops else "First of all"
    found = []
    for number in numbers:
        card = cards[number]
        is_done = number < place.card or number in place.ahead
        is_next = number == up.number and not is_done
        found.append(
            Thing(
                number=number,
                text=heading(naming.card(card)),
                how=_how(weaving.piece, card, chosen),
                is_done=is_done,
                is_next=is_next,
                detail=f'{{"card": {number}}}',
            )
        )
    return title, tuple(found)


def _how(piece: Piece, card: Card, chosen: Preferences) -> str:
    """How a thing is done, in a line: counts for an insertion, both ends for cords."""
    match card.step:
        case Insert(shaft=shaft, units=units):
            loom = piece.loom
            hung = loom.units_of(shaft)
            runs = runs_words(take_and_pass(hung, units, chosen.stance, loom.leashes_of))
            named, leashes = chosen.naming(loom).shaft(shaft), leashes_in(loom, hung)
            return f"of the {leashes} leashes on shaft {named}, {STANCE_WORDS[chosen.stance]}: {runs}"
        case MoveCords() | Withdraw():
            return f"{and_list(list(end_words(chosen.stance)))}, both ends"
    return ""
