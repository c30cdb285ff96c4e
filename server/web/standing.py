"""In the loom now: each temporary, its cords, since when and until when; and every handle not home."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.loom.steps import Insert
from server.session.wording import after_row, carrier_words, due_out, numbers_text
from server.store.weavings import Weaving
from server.web.drawings import Strip, loom_map, strip
from server.web.rendering import page, weaving_of
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


def standing_lines(weaving: Weaving) -> list[StandingLine]:
    """The temporaries in the loom now, in order of their names."""
    found = []
    for temporary in weaving.state.temporaries:
        put_in = next(
            card
            for card in reversed(weaving.cards[: weaving.place.card])
            if isinstance(card.step, Insert) and card.step.temporary == temporary.name
        )
        out = drawn_out(weaving.cards, temporary.name, weaving.place.card)
        found.append(
            StandingLine(
                name=temporary.name,
                shaft=temporary.parent,
                units=numbers_text(temporary.units),
                number=len(temporary.units),
                handle=weaving.state.handle_on(temporary.name) or "",
                since=after_row(put_in.row),
                due=due_out(out.row, len(weaving.piece.rows)),
                strip=strip(weaving.piece.loom, temporary.units),
            )
        )
    return found


@router.get("/pieces/{piece}/standing")
def show_standing(request: Request, piece: str) -> Response:
    """What stands in the loom now."""
    weaving = weaving_of(request, piece)
    return page(
        "standing.html",
        weaving=weaving,
        lines=standing_lines(weaving),
        away=[(handle, carrier_words(carrier)) for handle, carrier in weaving.state.away],
        map=loom_map(weaving.piece.loom, weaving.state, (), None),
    )
