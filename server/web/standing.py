"""In the loom now: each temporary, its cords, since when and until when; and every handle not home."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.loom.state import temporary_order
from server.loom.steps import Insert
from server.session.wording import after_row, carrier_words, due_out, numbers_text
from server.store.weavings import Weaving
from server.web.drawings import Sight, Strip, loom_map, strip
from server.web.rendering import page, preferences_of, store_of, weaving_of
from server.web.walks import drawn_out

router = APIRouter()


@dataclass(frozen=True, slots=True)
class StandingLine:
    """One temporary that is in the loom now."""

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
    naming, place = sight.naming, weaving.place
    done = (*weaving.cards[: place.card], *(weaving.cards[number] for number in sorted(place.ahead)))
    found = []
    for temporary in weaving.state.temporaries:
        put_in = [
            card for card in done if isinstance(card.step, Insert) and card.step.temporary == temporary.name
        ]
        out = drawn_out(weaving.cards, temporary.name, weaving.place.card)
        found.append(
            StandingLine(
                name=naming.name(temporary.name),
                shaft=naming.shaft(temporary.parent),
                units=numbers_text(naming.unit_numbers(temporary.units)),
                number=len(temporary.units),
                handle=naming.carrier(weaving.state.handle_on(temporary.name)) or "",
                since=after_row(put_in[-1].row) if put_in else "before the plan was made anew",
                due=due_out(out.row, len(weaving.piece.rows)),
                strip=strip(weaving.piece.loom, temporary.units, sight),
            )
        )
    return sorted(found, key=lambda line: temporary_order(line.name))


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
