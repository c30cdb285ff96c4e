"""Preferences: where she stands to put temporaries in, and where the shuttle starts."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from server.loom.counting import STANCES
from server.session.wording import STANCE_WORDS
from server.web.rendering import page, preferences_of, side_of, stance_of, store_of

router = APIRouter()


@router.get("/preferences")
def show_preferences(request: Request) -> Response:
    """The preferences as they are."""
    return _preferences_page(request)


@router.post("/preferences")
def keep_preferences(
    request: Request,
    stance: Annotated[str, Form()] = "",
    first_side: Annotated[str, Form()] = "",
) -> Response:
    """Keep both, or neither."""
    chosen_stance, chosen_side = stance_of(stance), side_of(first_side)
    if chosen_stance is None:
        return _preferences_page(request, "Choose one of the four places to stand; nothing was changed.", 422)
    if chosen_side is None:
        return _preferences_page(
            request, "Choose left or right for the first shuttle; nothing was changed.", 422
        )
    store_of(request).set_preferences({"stance": chosen_stance, "first_side": chosen_side})
    return _preferences_page(request, "Kept.")


def _preferences_page(request: Request, message: str = "", status: int = 200) -> Response:
    return page(
        "preferences.html",
        status=status,
        chosen=preferences_of(store_of(request)),
        stances=[(stance, STANCE_WORDS[stance]) for stance in STANCES],
        message=message,
    )
