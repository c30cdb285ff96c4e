"""The plan of a piece: what it takes, when, and what the loom could not do unaided."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from server.design.piece import Piece
from server.loom.state import State, temporary_order
from server.loom.steps import Insert, Raise, Withdraw
from server.plan.demands import Part, Trouble, troubles
from server.plan.hand_rule import hand_rule
from server.plan.visits import position_of
from server.plan.workorder import Totals, is_free
from server.session.cards import Card
from server.session.naming import Naming
from server.session.place import TapKind
from server.session.wishes import wished
from server.session.wording import (
    after_words,
    cord_words,
    due_out,
    handle_words,
    handles_text,
    heading,
    numbers_text,
)
from server.store.weavings import Weaving
from server.web.drawings import Drawn, design_picture, tape
from server.web.drawn import drawn_or_refusal, drawn_view
from server.web.proposals import wishes_of
from server.web.rendering import (
    NotUnderstood,
    Shown,
    first_side_key,
    naming_of,
    page,
    preferences_of,
    store_of,
    tap_of,
    weaving_of,
)
from server.web.walks import drawn_out, things_behind, walk_cards

router = APIRouter()


@dataclass(frozen=True, slots=True)
class WalkLine:
    """One walk: when, and what is done on it."""

    number: int
    when: str
    things: tuple[str, ...]
    is_free: bool


@dataclass(frozen=True, slots=True)
class TemporaryLine:
    """One temporary: in before a row, out when it is due.

    Attributes:
        first_row: None: it was in when the plan was made.
    """

    name: str
    shaft: int
    units: str
    number: int
    first_row: int | None
    last_row: int
    due: str


@dataclass(frozen=True, slots=True)
class RowLine:
    """What is raised for a row."""

    row: int
    handles: str
    cords: str
    away: str
    walk_before: bool


def walk_lines(
    cards: Sequence[Card], free_walks: Collection[int], rows: range | None = None
) -> list[WalkLine]:
    """Each walk of a piece, with what is done on it.

    Args:
        cards: as she counts.
        free_walks: rows after which a walk costs nothing.
        rows: those before, between and after these rows only; None: all.
    """
    return [
        WalkLine(
            number,
            after_words(position_of(card.before)),
            tuple(heading(thing) for thing in things_behind(cards, card.number)),
            is_free(position_of(card.before), free_walks),
        )
        for number, card in enumerate(walk_cards(cards), 1)
        if rows is None or _is_about(card, rows)
    ]


def _is_about(card: Card, rows: range) -> bool:
    """Whether a card is of one of these rows, or comes before the first or after the last of them."""
    return card.row in rows or card.row + 1 in rows


def temporary_lines(cards: Sequence[Card], rows: int, shown: range | None = None) -> list[TemporaryLine]:
    """Each temporary of a piece of so many rows: those in from before the plan, then as they go in.

    Args:
        cards: as she counts.
        shown: those that are in for one of these rows only; None: all.
    """
    out: list[TemporaryLine] = []
    for there in sorted(cards[0].before.temporaries, key=lambda t: temporary_order(t.name)):
        end = drawn_out(cards, there.name, 0).row
        units = numbers_text(there.units)
        line = TemporaryLine(there.name, there.parent, units, len(there.units), None, end, due_out(end, rows))
        out.append(line)
    for card in cards:
        if isinstance(card.step, Insert):
            name = card.step.temporary
            end = drawn_out(cards, name, card.number).row
            units = numbers_text(card.step.units)
            out.append(
                TemporaryLine(
                    name, card.step.shaft, units, len(card.step.units), card.row + 1, end, due_out(end, rows)
                )
            )
    if shown is None:
        return out
    return [line for line in out if (line.first_row or 1) < shown.stop and line.last_row >= shown.start]


def row_lines(cards: Sequence[Card], rows: range | None = None) -> list[RowLine]:
    """What is raised, row by row.

    Args:
        cards: as she counts.
        rows: in these rows only; None: in all.
    """
    walked = {card.row for card in walk_cards(cards)}
    found = []
    for card in cards:
        if isinstance(card.step, Raise) and (rows is None or card.row in rows):
            away = [
                f"{handle} lifts {carrier}"
                for handle, carrier in card.before.away
                if handle in card.step.handles
            ]
            found.append(
                RowLine(
                    row=card.row,
                    handles=handles_text(card.step.handles) if card.step.handles else "none",
                    cords=numbers_text(card.step.single_cords) if card.step.single_cords else "",
                    away=", ".join(away),
                    walk_before=card.row - 1 in walked,
                )
            )
    return found


@dataclass(frozen=True, slots=True)
class TroubleLine:
    """A row that the loom could not lift as it hangs."""

    row: int
    asks: tuple[str, ...]


def trouble_lines(piece: Piece, naming: Naming, rows: range) -> list[TroubleLine]:
    """Those of some rows that the loom could not lift as it hangs, and of which shaft they ask a part."""
    return [
        TroubleLine(
            trouble.row,
            tuple(
                f"of shaft {shaft} only {'unit' if len(part) == 1 else 'units'} {numbers_text(part)}"
                for shaft, part in sorted(
                    (naming.shaft(shaft), naming.unit_numbers(part)) for shaft, part in trouble.asked.items()
                )
            ),
        )
        for trouble in troubles_of(piece)
        if trouble.row in rows
    ]


@lru_cache(maxsize=8)
def troubles_of(piece: Piece) -> list[Trouble]:
    """The rows that the loom cannot lift as it hangs; worked out once for a piece."""
    return troubles(piece)


def smallest_asked(trouble: Trouble) -> Part:
    """Where in a row to look first: the smallest part that it asks of a shaft."""
    return min(trouble.asked.values(), key=len)


MOST_BY_HAND, MOST_CELLS_BY_HAND = 250_000, 1_000_000
"""Rows times shafts, and times units: above it what planning row by row would take is not worked out; that
would take many seconds."""


@lru_cache(maxsize=32)
def hand_totals(piece: Piece) -> Totals | None:
    """What the piece takes by the hand rule; None where the loom does not suffice for it."""
    order = hand_rule(piece)
    return order.totals if order else None


def is_too_large_by_hand(piece: Piece) -> bool:
    """Whether `hand_totals` would take many seconds."""
    rows, loom = len(piece.rows), piece.loom
    return rows * loom.pattern_shafts > MOST_BY_HAND or rows * len(loom.leashes) > MOST_CELLS_BY_HAND


@router.get("/pieces/{piece}")
def show_plan(request: Request, piece: str) -> Response:
    """The plan."""
    return _plan_page(request, weaving_of(request, piece))


def _plan_page(request: Request, weaving: Weaving, message: str = "", status: int = 200) -> Response:
    piece, state, naming = weaving.piece, weaving.state, naming_of(request, weaving)
    walks_after = [card.row for card in walk_cards(weaving.cards)]
    lacking = troubles_of(piece)
    begin = [weaving.rows_woven + 1] if weaving.rows_woven else [trouble.row for trouble in lacking[:1]]
    begin = [min(row, len(piece.rows)) for row in begin]
    units = [unit for trouble in lacking if trouble.row in begin for unit in smallest_asked(trouble)]
    drawn, refused = drawn_or_refusal(Drawn.about(piece, begin, units), naming, request.query_params)
    if refused and not message:
        message, status = refused, 422
    shown = None if drawn.is_whole else drawn.rows
    cards = _named(weaving.cards, naming, shown)
    too_large = is_too_large_by_hand(piece)
    return page(
        "plan.html",
        status=status,
        weaving=weaving,
        message=message,
        totals=weaving.order.totals,
        could_save=max(0.0, weaving.order.totals.minutes - weaving.order.bound),
        by_hand=None if too_large else hand_totals(piece),
        too_large_by_hand=too_large,
        anew=weaving.courses[weaving.place.course - 1] if weaving.place.course else None,
        drawn=drawn_view(drawn, naming, f"/pieces/{weaving.id}"),
        all_walks=len(walks_after),
        walks=walk_lines(cards, wished(piece, wishes_of(weaving)).free_walks, shown),
        temporaries=temporary_lines(cards, len(piece.rows), shown),
        rows=row_lines(cards, shown),
        rows_lacking=len(lacking),
        troubles=trouble_lines(piece, naming, drawn.rows),
        picture=design_picture(piece, walks_after, naming, drawn),
        tape=tape(len(piece.rows), weaving.rows_woven, walks_after),
        is_bare=state.is_bare(),
    )


def _named(cards: Sequence[Card], naming: Naming, rows: range | None) -> Sequence[Card]:
    """The cards as she counts; where only some rows are shown, as far as that page speaks of them."""
    if naming.as_files:
        return cards
    return [
        naming.card(card)
        if rows is None or _is_about(card, rows) or isinstance(card.step, Insert | Withdraw)
        else card
        for card in cards
    ]


@router.get("/pieces/{piece}/end")
def confirm_end(request: Request, piece: str) -> Response:
    """Ask before a piece is given up, and list what must be put right at the loom."""
    weaving = weaving_of(request, piece)
    if weaving.place.status not in ("on the loom", "aside"):
        return RedirectResponse(f"/pieces/{weaving.id}", 303)
    return page("end.html", weaving=weaving, **_to_clear(naming_of(request, weaving).state(weaving.state)))


def _to_clear(state: State) -> dict[str, Any]:
    return {
        "raised": handle_words(state.raised) if state.raised else "",
        "pulled": cord_words(state.pulled) if state.pulled else "",
        "away": state.away,
        "temporaries": state.temporaries,
    }


def _tap(request: Request, piece: str, kind: TapKind, shown: tuple[str, str]) -> Response:
    weaving, store = weaving_of(request, piece), store_of(request)
    # a later change of the preference must not turn the shuttle of a piece under way
    keep = {first_side_key(weaving.id): preferences_of(store).first_side} if kind == "begin" else None
    try:
        answer = store.tap(weaving.id, tap_of(kind, shown), keep)
    except NotUnderstood as refusal:
        return _plan_page(request, weaving, str(refusal), 422)
    assert answer is not None  # pieces are never removed
    if not answer.counted:
        return _plan_page(request, answer.weaving, answer.message)
    at_loom = kind in ("begin", "resume")
    return RedirectResponse(f"/pieces/{weaving.id}/loom" if at_loom else f"/pieces/{weaving.id}", 303)


@router.post("/pieces/{piece}/begin")
def begin(request: Request, piece: str, shown: Shown) -> Response:
    """Put the piece on the loom."""
    return _tap(request, piece, "begin", shown)


@router.post("/pieces/{piece}/resume")
def resume(request: Request, piece: str, shown: Shown) -> Response:
    """Put the piece on the loom again."""
    return _tap(request, piece, "resume", shown)


@router.post("/pieces/{piece}/aside")
def aside(request: Request, piece: str, shown: Shown) -> Response:
    """Take the piece off the bare loom, to go on later."""
    return _tap(request, piece, "aside", shown)


@router.post("/pieces/{piece}/end")
def end(request: Request, piece: str, shown: Shown) -> Response:
    """Give the piece up."""
    return _tap(request, piece, "end", shown)
