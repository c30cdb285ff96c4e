"""In the loom now: each temporary, its cords, since when and until when; and every handle not home."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.loom.state import temporary_order
from server.loom.steps import Insert
from server.plan.visits import position_of
from server.session.place import read_detail, state_now
from server.session.wording import after_words, carrier_words, due_out, numbers_text
from server.store.weavings import Weaving
from server.web.drawings import Sight, Strip, loom_map, strip
from server.web.rendering import page, preferences_of, store_of, weaving_of
from server.web.walks import drawn_out

router = APIRouter()


@dataclass(frozen=True, slots=True)
class StandingLine:
    """One temporary that is in the loom now.

    Attributes:
        number: how many units it takes.
        since: after which row it went in.
    """

    name: str
    shaft: int
    units: str
    number: int
    handle: str
    since: str
    due: str
    strip: Strip


def standing_lines(weaving: Weaving, sight: Sight) -> list[StandingLine]:
    """The temporaries in the loom now, in order of their names."""
    naming = sight.naming
    found = []
    for temporary in weaving.state.temporaries:
        out = drawn_out(weaving.cards, temporary.name, weaving.place.card)
        found.append(
            StandingLine(
                name=naming.name(temporary.name),
                shaft=naming.shaft(temporary.parent),
                units=numbers_text(naming.unit_numbers(temporary.units)),
                number=len(temporary.units),
                handle=naming.carrier(weaving.state.handle_on(temporary.name)) or "",
                since=_since(weaving, temporary.name),
                due=due_out(out.row, len(weaving.piece.rows)),
                strip=strip(weaving.piece.loom, temporary.units, sight),
            )
        )
    return sorted(found, key=lambda line: temporary_order(line.name))


def _since(weaving: Weaving, temporary: str) -> str:
    """When a temporary that is in the loom went in, by the plan that it went in by."""
    decks, place = weaving.decks, weaving.place
    while state_now(decks, place).temporary(temporary) is not None:
        cards = decks.of(place)
        for card in reversed((*cards[: place.card], *(cards[number] for number in sorted(place.ahead)))):
            if isinstance(card.step, Insert) and card.step.temporary == temporary:
                return after_words(position_of(card.before))
        if not place.course:
            break
        place = next(
            entry.before
            for entry in weaving.log
            if entry.kind == "course" and read_detail(entry.detail)["course"] == place.course
        )
    return "you told how the loom stands"


@router.get("/pieces/{piece}/standing")
def show_standing(request: Request, piece: str) -> Response:
    """What stands in the loom now."""
    weaving = weaving_of(request, piece)
    sight = preferences_of(store_of(request)).sight(weaving.piece.loom)
    told = sight.naming.state(weaving.state)
    return page(
        "standing.html",
        weaving=weaving,
        lines=standing_lines(weaving, sight),
        away=[(handle, carrier_words(carrier)) for handle, carrier in told.away],
        map=loom_map(weaving.piece.loom, weaving.state, (), None, sight),
    )
