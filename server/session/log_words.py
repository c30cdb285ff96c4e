"""The log in words: what a tap that counted says."""

from __future__ import annotations

from typing import Any

from server.loom.actions import and_list
from server.loom.steps import TakeOut, Weave
from server.plan.visits import position_of
from server.session.cards import Card
from server.session.naming import Naming
from server.session.place import (
    PULL,
    Decks,
    LeftIn,
    Place,
    TapKind,
    can_undo,
    card_up,
    is_done_again,
    read_detail,
    walk_of,
)
from server.session.wording import after_row, after_words, done_words, pulled, several

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
        case "back" if is_done_again(before):
            return "Back: not done again"
        case "back" if before.out:
            return "Back: not to be taken out"
        case "back" if before.status == "finished":
            return "Back from the end"
        case "back":
            return "Back: tapped too far"
        case "tick":
            ticked = decks.of(before)[said["card"]]
            was_done = ticked.number < before.card or ticked.number in before.ahead
            return f"{done_words(naming.card(ticked))}{': not done after all' if was_done else ''}"
        case "again" if said:
            return f"{naming.name(said['temporary'])} was put in wrongly; to be put in again"
        case "again":
            return f"Test lift of handle {card.handle}: not right"
        case "pause":
            return f"A break; {_spot(card, before.pick)}"
        case "too_far":
            return f"Tapped too far: back to {_spot(decks.of(before)[said['card']], said['pick'])}"
        case "settle":
            here = _spot(decks.of(before)[said["card"]], said["pick"])
            return f"Two screens went apart; gone on from here: {here}"
        case "picks":
            return f"Row {card.row}: {several(said['picks'], 'pick')} of it in"
        case "unweave":
            return f"Row {card.row}: {several(said['picks'], 'pick')} to be taken out again"
        case "shift":
            return _shift_words(said)
        case "left_in":
            return mistake_words(LeftIn(before.turn, said.get("row", 0), said.get("words", "")))
        case "strike":
            (mistake,) = (m for m in before.mistakes if m.turn == said["turn"])
            how = "Counts again" if mistake.struck else "Struck out"
            return f"{how}: “{mistake_words(mistake)}”"
        case "course":
            why = _COURSE_WORDS.get(said.get("why", ""), _COURSE_WORDS[""])
            return f"{why} ({after_row(said['row'])})" if "row" in said else why
        case "undo":
            undone = can_undo(before)
            assert undone is not None  # it counted
            return f"Taken back: “{log_words(decks, undone.kind, undone.detail, undone.before, naming)}”"
    raise AssertionError(kind)


def mistake_words(mistake: LeftIn) -> str:
    """A mistake that stays in: "A mistake of row 3 stays in: an end crossed"."""
    where = f" of row {mistake.row}" if mistake.row else ""
    return f"A mistake{where} stays in{': ' + mistake.words if mistake.words else ''}"


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
    if before.again == PULL:
        return f"Pulled again: {and_list(pulled(card.after))}"
    if is_done_again(before):
        return f"{done_words(card)}, done again"
    if before.out:
        return f"Row {card.row}: {several(before.out, 'pick')} taken out"
    return done_words(card)


def _spot(card: Card, pick: int) -> str:
    if isinstance(card.step, Weave | TakeOut):
        # of a row that is to come out, 0 tells that none is out yet
        whole = card.step.picks + card.step.left if isinstance(card.step, TakeOut) else 0
        return f"row {card.row}, {several(pick or whole, 'pick')} in"
    if card.kind in ("raise", "reopen"):
        return f"the shed of row {card.row}"
    return f"{after_words(position_of(card.before))}, {_FIRST_WORDS.get(card.kind, 'behind the loom')}"


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
