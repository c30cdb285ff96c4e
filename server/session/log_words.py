"""The log in words: what a tap that counted says."""

from __future__ import annotations

from typing import Any

from server.loom.actions import and_list
from server.session.cards import Card
from server.session.naming import Naming
from server.session.place import Decks, Place, TapKind, card_up, read_detail, walk_of
from server.session.wording import after_row, done_words, several

_SIMPLE: dict[TapKind, str] = {
    "begin": "Put on the loom",
    "stands": "After a break: all stood as shown",
    "checked": "Shed looked over",
    "aside": "Taken off the loom, to go on later",
    "resume": "Put on the loom again",
    "end": "Given up; the loom is cleared",
}


def log_words(decks: Decks, kind: TapKind, detail: str, before: Place, naming: Naming) -> str:
    """One entry of the log.

    Args:
        detail: what the tap said besides.
        before: the place where it was made.
        naming: how she counts.
    """
    if kind in _SIMPLE:
        return _SIMPLE[kind]
    card, said = naming.card(card_up(decks, before)), read_detail(detail)
    match kind:
        case "next":
            return _next_words(card, before)
        case "pick":
            return f"Row {card.row}: one pick {'taken out' if card.kind == 'take_out' else 'woven'}"
        case "back" if before.again is not None:
            return "Back: not done again"
        case "back" if before.status == "finished":
            return "Back from the end"
        case "back":
            return "Back: tapped too far"
        case "tick":
            ticked = decks.of(before)[said["card"]]
            was_done = ticked.number < before.card or ticked.number in before.ahead
            return f"{done_words(naming.card(ticked))}: {'not done after all' if was_done else 'done'}"
        case "again" if said:
            return f"{naming.name(said['temporary'])} was put in wrongly; to be put in again"
        case "again":
            return f"Test lift of handle {card.handle}: not right"
        case "pause":
            return f"A break; {_spot(card, said.get('picks', before.pick))}"
        case "too_far":
            return f"Tapped too far: back to {_spot(decks.of(before)[said['card']], said['pick'])}"
        case "settle":
            return (
                f"Two screens went apart; she is here: {_spot(decks.of(before)[said['card']], said['pick'])}"
            )
        case "picks":
            return f"Row {card.row}: {several(said['picks'], 'pick')} of it in"
        case "unweave":
            return f"Row {card.row}: {several(said['picks'], 'pick')} to be taken out again"
        case "shift":
            return _shift_words(said)
        case "left_in":
            words = said.get("words", "")
            where = f" of row {said['row']}" if "row" in said else ""
            return f"A mistake{where} stays in{': ' + words if words else ''}"
        case "course":
            why = _COURSE_WORDS.get(said.get("why", ""), _COURSE_WORDS[""])
            return f"{why} ({after_row(said['row'])})" if "row" in said else why
        case "undo":
            undone = before.corrections[-1]
            return f"Taken back: “{log_words(decks, undone.kind, undone.detail, undone.before, naming)}”"
    raise AssertionError(kind)


_COURSE_WORDS = {
    "taken out": "Woven wrong: rows to be taken out, then woven again",
    "cut out": "Woven wrong: the weft was cut out; planned anew from there",
    "stands differently": "The loom stood differently; planned anew from there",
    "walks": "Planned anew for other walks",
    "behind": "Behind the loom anyway: planned anew",
    "": "Planned anew",
}
"""By what a tap of kind "course" gives as its reason."""


def _next_words(card: Card, before: Place) -> str:
    if before.again is not None:
        return f"{done_words(card)}, done again"
    if before.out:
        return f"Row {card.row}: {several(before.out, 'pick')} taken out"
    return done_words(card)


def _spot(card: Card, pick: int) -> str:
    if card.kind in ("weave", "take_out"):
        return f"row {card.row}, {several(pick, 'pick')} in"
    if card.kind in ("raise", "reopen"):
        return f"the shed of row {card.row}"
    return f"{after_row(card.row)}, {_FIRST_WORDS.get(card.kind, 'behind the loom')}"


_FIRST_WORDS = {"walk": "before the walk", "test_lift": "at the test lift", "done": "at the end"}


def _shift_words(said: dict[str, Any]) -> str:
    why = {"too many": "One pick too many", "too few": "One pick too few"}.get(str(said.get("why")), "")
    parts = []
    if number := said.get("treadles", 0):
        parts.append(f"the treadles go on {abs(number)} {'further' if number > 0 else 'earlier'}")
    if said.get("passages"):
        parts.append("the shuttle is on the other side")
    text = and_list(parts)
    return f"{why}: {text}" if why else text[:1].upper() + text[1:]


def is_about_temporaries(decks: Decks, kind: TapKind, before: Place) -> bool:
    """Whether an entry of the log has to do with a temporary or with where cords hang."""
    if kind in ("tick", "course") or before.again is not None:
        return True
    if kind not in ("next", "again", "back"):
        return False
    number = before.card
    return (
        decks.of(before)[number].kind == "test_lift"
        or bool(walk_of(decks.of(before), number))
        or kind == "again"
    )
