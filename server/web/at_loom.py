"""At the loom: one instruction at a time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, pairwise
from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from server.loom.actions import and_list
from server.loom.counting import begins_at_her_left, take_and_pass
from server.loom.state import State, carried_units, parent_of, units_up
from server.loom.steps import Insert, Label, MoveCords, Raise, Weave, Withdraw
from server.session.cards import Card, CardKind
from server.session.checks import insertion_check
from server.session.place import TapKind, card_up
from server.session.wording import (
    LONGEST_LIST,
    STANCE_WORDS,
    Change,
    brief_words,
    carrier_words,
    cautions,
    check_words,
    cord_change,
    cord_words,
    end_words,
    handle_change,
    handle_entries,
    handle_words,
    handles_text,
    heading,
    insertion_check_words,
    look_alike_words,
    numbers_text,
    order_of_work,
    other_side,
    runs_words,
    several,
    shuttle_sides,
    span_text,
    undo_first,
)
from server.store.weavings import Weaving, rows_woven
from server.web.drawings import cord_runs, handle_row, leash_groups, loom_map, strip, tape
from server.web.rendering import (
    NotUnderstood,
    Preferences,
    Shown,
    go_to,
    is_htmx,
    page,
    preferences_of,
    store_of,
    tap_of,
    weaving_of,
    when_text,
)
from server.web.walks import BEHIND, things_behind, walk_cards

router = APIRouter()

SHORT_BREAK = 30 * 60
"""Seconds after which she is asked, in a line, whether everything stands as it should."""
LONG_BREAK = 12 * 3600
"""Seconds after which she is asked in full."""

BOTH_ENDS: tuple[CardKind, ...] = ("move_cords", "withdraw")
"""Cards on which both ends are ticked before they are done."""


@dataclass(frozen=True, slots=True)
class Band:
    """What is always in sight.

    Attributes:
        row: "Row 12 of 40".
        walk: how far the next walk is.
        temporaries: (name, handle or "") of each temporary in the loom now.
    """

    row: str
    walk: str
    temporaries: tuple[tuple[str, str], ...]


def band(weaving: Weaving, card: Card) -> Band:
    """What is always in sight, for a card."""
    rows = len(weaving.piece.rows)
    if card.kind in ("raise", "weave"):
        row = f"Row {card.row} of {rows}"
    elif card.row == 0:
        row = f"Before row 1 of {rows}"
    else:
        row = f"Row {card.row} of {rows} woven"
    state = weaving.state
    return Band(
        row=row,
        walk=_to_next_walk(weaving, card),
        temporaries=tuple((t.name, state.handle_on(t.name) or "") for t in state.temporaries),
    )


def _to_next_walk(weaving: Weaving, card: Card) -> str:
    if weaving.place.again is not None:
        return "behind the loom once more"
    if card.kind == "walk":
        return "walk now"
    if card.kind in BEHIND:
        return f"{several(len(things_behind(weaving.cards, card.number - 1)), 'thing')} left on this walk"
    walk = next((later for later in walk_cards(weaving.cards) if later.number > card.number), None)
    if walk is None:
        return "no more walks"
    rows = walk.row - card.row + (card.kind in ("raise", "weave"))
    return (
        "walk after this row"
        if rows == 1 and card.kind in ("raise", "weave")
        else (f"{several(rows, 'row')} to the next walk")
    )


def things_by_shaft(cards: list[Card]) -> list[tuple[str, tuple[str, ...]]]:
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


def _shafts_of(cards: list[Card]) -> set[str]:
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


# --- what each kind of card shows ----------------------------------------------------------------------


def _raise_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert isinstance(card.step, Raise)
    loom = weaving.piece.loom
    pull, let_go, leave = cord_change(card)
    change = handle_change(card)
    up = units_up(loom, card.before, card.step.handles, card.step.single_cords)
    is_long = max(len(handle_entries(change.pull)), len(handle_entries(change.let_go))) > LONGEST_LIST
    return {
        "handles": handle_row(loom, card.before, change),
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
        "cord_runs": cord_runs(pull, let_go, leave),
        "strip": strip(loom, up),
        "up": len(up),
    }


@dataclass(frozen=True, slots=True)
class Pick:
    """One passage of the shuttle: its treadle, and the side it goes to."""

    treadle: int
    to: str


def _weave_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert isinstance(card.step, Weave)
    start, end = shuttle_sides(weaving.piece, card.row, chosen.first_side)
    picks, side = [], start
    for treadle in card.step.treadles:
        side = other_side(side)
        picks.append(Pick(treadle, side))
    return {"picks": picks, "start": start, "end": end, "treadles": weaving.piece.loom.treadles > 1}


def _walk_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    cards = things_behind(weaving.cards, card.number)
    return {
        "down": _pulled(card.before),
        "things": things_by_shaft(cards),
        "number": len(cards),
        "map": loom_map(weaving.piece.loom, card.before, _shafts_of(cards), None),
    }


def _label_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    return {"map": loom_map(weaving.piece.loom, card.before, _shafts_of([card]), chosen.stance)}


def _insert_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert isinstance(card.step, Insert)
    loom, step = weaving.piece.loom, card.step
    hung = loom.units_of(step.shaft)
    runs = take_and_pass(hung, step.units, chosen.stance)
    check = insertion_check(loom, step.shaft, runs)
    others = [t.name for t in card.before.temporaries_of(step.shaft)]
    return {
        "shaft": step.shaft,
        "temporary": step.temporary,
        "take": len(step.units),
        "of": len(hung),
        "spoken": runs_words(runs),
        "groups": leash_groups(hung, runs, chosen.stance),
        "from_left": begins_at_her_left(chosen.stance),
        "behind": chosen.stance.startswith("behind"),
        "stance": STANCE_WORDS[chosen.stance],
        "check": insertion_check_words(check, chosen.stance),
        "look_alike": look_alike_words(check, step.shaft),
        "others": others,
    }


def _move_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert isinstance(card.step, MoveCords)
    step = card.step
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
    loom = weaving.piece.loom
    hung = loom.units_of(temporary.parent)
    runs = take_and_pass(hung, temporary.units, chosen.stance)
    return {
        "temporary": temporary.name,
        "shaft": temporary.parent,
        "take": len(temporary.units),
        "of": len(hung),
        "groups": leash_groups(hung, runs, chosen.stance),
        "from_left": begins_at_her_left(chosen.stance),
        "ticks": tuple(f"{temporary.name} is clear {where}" for where in end_words(chosen.stance)),
    }


def _test_lift_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    assert card.handle is not None
    loom = weaving.piece.loom
    carrier = card.before.carrier(loom, card.handle)
    up = carried_units(loom, card.before, carrier)
    return {
        "handles": handle_row(loom, card.before, Change((card.handle,), (), ()), alone=True),
        "strip": strip(loom, up),
        "units": numbers_text(up),
        "carrier": carrier_words(carrier),
    }


def _done_view(weaving: Weaving, card: Card, chosen: Preferences) -> dict[str, Any]:
    return {
        "down": _pulled(card.before),
        "handles": handle_row(weaving.piece.loom, card.before, Change((), tuple(card.before.raised), ())),
    }


_VIEWS = {
    "raise": _raise_view,
    "weave": _weave_view,
    "walk": _walk_view,
    "label": _label_view,
    "insert": _insert_view,
    "move_cords": _move_view,
    "withdraw": _withdraw_view,
    "test_lift": _test_lift_view,
    "done": _done_view,
}


def _pulled(state: State) -> list[str]:
    """What is up, to be let down."""
    found = []
    if state.raised:
        found.append(handle_words(state.raised))
    if state.pulled:
        found.append(cord_words(state.pulled))
    return found


# --- coming back after a break -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pause:
    """Where everything should stand after a break.

    Attributes:
        why: what is said before the lines.
        in_full: whether everything is told; else a line does.
        lines: (what, how it should stand).
    """

    why: str
    in_full: bool
    lines: tuple[tuple[str, str], ...]


def pause_of(weaving: Weaving, now: datetime, chosen: Preferences) -> Pause | None:
    """What to confirm before she goes on; None if nothing has happened since she last did.

    That is after a break until now, after a long one that ended with a tap on a page left open, and
    whenever the piece has been off the loom: all was let down then, and others may have been at it.
    """
    if weaving.place.status != "on the loom":
        return None
    last = max(n for n, entry in enumerate(weaving.log) if entry.kind in ("begin", "stands"))
    since = weaving.log[last:]
    idle = (now - since[-1].at).total_seconds()
    tapped_after = max(((b.at - a.at).total_seconds() for a, b in pairwise(since)), default=0.0)
    if any(entry.kind == "resume" for entry in since):
        why = "Everything was let down when the piece came off the loom. Set it up as it stood then:"
        return Pause(why, True, tuple(_standing_in_full(weaving, chosen)))
    # no shorter break is asked about after a tap: one slow row, or one long walk, is no break
    away = max(idle, tapped_after if tapped_after >= LONG_BREAK else 0.0)
    if away < SHORT_BREAK:
        return None
    why = f"You were away for {span_text(away)}."
    if away < LONG_BREAK:
        return Pause(why, False, tuple(_standing_in_short(weaving, chosen)))
    lines = _standing_in_full(weaving, chosen)
    if idle >= tapped_after:
        lines.append(("So since", when_text(since[-1].at)))
    return Pause(f"{why} This is how everything should stand:", True, tuple(lines))


def _standing_in_short(weaving: Weaving, chosen: Preferences) -> list[tuple[str, str]]:
    card, state = weaving.cards[weaving.place.card], weaving.state
    lines = [("Row", _row_standing(weaving, card))]
    lines += _shuttle_standing(weaving, card, chosen)
    lines.append(("Pulled", " and ".join(_pulled(state)) or "nothing"))
    lines.append(("Temporaries in", ", ".join(t.name for t in state.temporaries) or "none"))
    return lines


def _standing_in_full(weaving: Weaving, chosen: Preferences) -> list[tuple[str, str]]:
    card, state = weaving.cards[weaving.place.card], weaving.state
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
    rows = len(weaving.piece.rows)
    if card.before.phase == "raised":
        return f"{card.row} of {rows} is on; count the picks of it that are woven"
    if card.kind in BEHIND:
        return f"{card.before.row} of {rows} woven; you are behind the loom"
    if card.before.row == 0:
        return f"none of {rows} woven yet"
    return f"{card.before.row} of {rows} woven"


def _shuttle_standing(weaving: Weaving, card: Card, chosen: Preferences) -> list[tuple[str, str]]:
    piece = weaving.piece
    raised = card.before.phase == "raised"
    row = card.row if raised else card.before.row + 1
    if row > len(piece.rows):
        return [("Shuttle", f"on your {shuttle_sides(piece, len(piece.rows), chosen.first_side)[1]}")]
    start = shuttle_sides(piece, row, chosen.first_side)[0]
    treadles = piece.treadles(row)
    if not raised:
        return [("Shuttle", f"on your {start}"), ("Next treadle", str(treadles[0]))]
    first, then = f"your {start} before its first pick", f"your {other_side(start)} after one pick"
    order = ", ".join(map(str, treadles[:12])) + (" …" if len(treadles) > 12 else "")
    return [("Shuttle", f"on {first}, on {then}, and so on"), ("Treadles of this row", order)]


# --- pages and taps ------------------------------------------------------------------------------------


@router.get("/pieces/{piece}/loom")
def show_loom(request: Request, piece: str) -> Response:
    """The instruction that is up, or the plan if the piece is not on the loom."""
    weaving = weaving_of(request, piece)
    if weaving.place.status not in ("on the loom", "finished"):
        return RedirectResponse(f"/pieces/{weaving.id}", 303)
    return _loom_page(request, weaving)


def _loom_page(request: Request, weaving: Weaving, message: str = "", status: int = 200) -> Response:
    if weaving.place.status == "finished":
        return page("finished.html", status=status, weaving=weaving, message=message)
    store = store_of(request)
    chosen = preferences_of(store, weaving.id)
    card = card_up(weaving.cards, weaving.place)
    walks_after = [walk.row for walk in walk_cards(weaving.cards)]
    again = weaving.place.again is not None
    view = {
        "check": check_words(weaving.piece, card, chosen.first_side),
        "look_alike": "",
        "ticks": (),
    } | _VIEWS[card.kind](weaving, card, chosen)
    return page(
        "loom.html",
        status=status,
        weaving=weaving,
        card=card,
        again=again,
        undo=undo_first(card, weaving.state) if again else (),
        heading=heading(card),
        cautions=cautions(card),
        order_of_work=order_of_work(card),
        band=band(weaving, card),
        tape=tape(len(weaving.piece.rows), rows_woven(weaving.cards, weaving.place), walks_after),
        pause=pause_of(weaving, store.now(), chosen),
        message=message,
        view=view,
    )


def _tap(
    request: Request,
    piece: str,
    kind: TapKind,
    shown: tuple[str, str],
    ends: tuple[str, str] | None = None,
) -> Response:
    weaving = weaving_of(request, piece)
    try:
        tap = tap_of(kind, shown)
        if ends is not None:
            _need_both_ends(weaving, tap.card, tap.turn, ends)
    except NotUnderstood as refusal:
        return _again_at_loom(request, weaving, str(refusal), 422)
    answer = store_of(request).tap(weaving.id, tap)
    assert answer is not None  # pieces are never removed
    if answer.counted and not is_htmx(request):
        return RedirectResponse(f"/pieces/{weaving.id}/loom", 303)
    return _again_at_loom(request, answer.weaving, answer.message, 200)


def _again_at_loom(request: Request, weaving: Weaving, message: str, status: int) -> Response:
    if weaving.place.status == "finished" and is_htmx(request):
        return go_to(request, f"/pieces/{weaving.id}/loom")  # another page, not another card
    if weaving.place.status not in ("on the loom", "finished"):
        return go_to(request, f"/pieces/{weaving.id}")
    return _loom_page(request, weaving, message, status)


def _need_both_ends(weaving: Weaving, card: int, turn: int, ends: tuple[str, str]) -> None:
    """Refuse to count a card as done whose ends are not both ticked; a stale tap is left to the store."""
    place = weaving.place
    if (card, turn) != (place.card, place.turn) or place.status != "on the loom":
        return
    if card_up(weaving.cards, place).kind in BOTH_ENDS and ends != ("on", "on"):
        raise NotUnderstood("Look at both ends and tick each of them; then it is done.")


@router.post("/pieces/{piece}/next")
def done_next(
    request: Request,
    piece: str,
    shown: Shown,
    left_end: Annotated[str, Form()] = "",
    right_end: Annotated[str, Form()] = "",
) -> Response:
    """The card is done."""
    return _tap(request, piece, "next", shown, (left_end, right_end))


@router.post("/pieces/{piece}/back")
def back(request: Request, piece: str, shown: Shown) -> Response:
    """To the card before."""
    return _tap(request, piece, "back", shown)


@router.post("/pieces/{piece}/again")
def again(request: Request, piece: str, shown: Shown) -> Response:
    """A test lift was not as shown: open its card again."""
    return _tap(request, piece, "again", shown)


@router.post("/pieces/{piece}/stands")
def stands(request: Request, piece: str, shown: Shown) -> Response:
    """After a break, everything stands as shown."""
    return _tap(request, piece, "stands", shown)
