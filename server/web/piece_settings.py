"""How one piece is woven: row by row or pick by pick, whether each shed is looked over, reminders."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import Response

from server.session.reminders import (
    MOST_REMINDERS,
    NoReminder,
    Reminder,
    read_reminders,
    reminder,
    write_reminders,
)
from server.store.database import Store
from server.web.rendering import page, store_of, weaving_of

router = APIRouter()


@dataclass(frozen=True, slots=True)
class PieceSettings:
    """What was chosen for one piece.

    Attributes:
        by_pick: one tap a pick; else one tap a row.
        check_shed: whether the shed is looked over before the first pick of every row.
    """

    by_pick: bool = False
    check_shed: bool = False
    reminders: tuple[Reminder, ...] = ()


def piece_settings_of(store: Store, piece: int) -> PieceSettings:
    """What was chosen for a piece; the default where nothing was."""
    kept = store.preferences()
    return PieceSettings(
        by_pick=kept.get(f"by_pick:{piece}") == "on",
        check_shed=kept.get(f"check_shed:{piece}") == "on",
        reminders=read_reminders(kept.get(f"reminders:{piece}", "")),
    )


@router.get("/pieces/{piece}/settings")
def show_settings(request: Request, piece: str) -> Response:
    """How this piece is woven."""
    return _settings_page(request, piece)


@router.post("/pieces/{piece}/settings")
def keep_settings(
    request: Request, piece: str, taps: Annotated[str, Form()] = "", shed: Annotated[str, Form()] = ""
) -> Response:
    """Keep both, or neither."""
    weaving = weaving_of(request, piece)
    if taps not in ("row", "pick") or shed not in ("asked", "always"):
        return _settings_page(request, piece, "Choose one of the two for each; nothing was changed.", 422)
    store_of(request).set_preferences(
        {
            f"by_pick:{weaving.id}": "on" if taps == "pick" else "off",
            f"check_shed:{weaving.id}": "on" if shed == "always" else "off",
        }
    )
    return _settings_page(request, piece, "Kept.")


@router.post("/pieces/{piece}/reminders")
def add_reminder(
    request: Request,
    piece: str,
    words: Annotated[str, Form()] = "",
    every: Annotated[str, Form()] = "",
    measure: Annotated[str, Form()] = "",
    picks_per_cm: Annotated[str, Form()] = "",
) -> Response:
    """One reminder more."""
    weaving = weaving_of(request, piece)

    def with_it(kept: str) -> str:
        reminders = read_reminders(kept)
        if len(reminders) >= MOST_REMINDERS:
            raise NoReminder(f"{MOST_REMINDERS} reminders are the most; take one away first.")
        new = reminder(words, every, measure, picks_per_cm)
        if new.words in (r.words for r in reminders):
            raise NoReminder(
                "There is a reminder with these words; take that away first, or use other words."
            )
        return write_reminders((*reminders, new))

    try:
        store_of(request).change_preference(f"reminders:{weaving.id}", with_it)
    except NoReminder as refusal:
        asked = {"words": words, "every": every, "measure": measure, "picks_per_cm": picks_per_cm}
        return _settings_page(request, piece, f"{refusal} Nothing was changed.", 422, asked)
    return _settings_page(request, piece, "Kept.")


@router.post("/pieces/{piece}/reminders/away")
def take_reminder_away(request: Request, piece: str, words: Annotated[str, Form()] = "") -> Response:
    """One reminder less."""
    weaving = weaving_of(request, piece)

    def without_it(kept: str) -> str:
        reminders = read_reminders(kept)
        rest = tuple(r for r in reminders if r.words != words)
        if len(rest) == len(reminders):
            raise NoReminder("There is no such reminder; nothing was changed.")
        return write_reminders(rest)

    try:
        store_of(request).change_preference(f"reminders:{weaving.id}", without_it)
    except NoReminder as refusal:
        return _settings_page(request, piece, str(refusal), 422)
    return _settings_page(request, piece, "Taken away.")


def _settings_page(
    request: Request, piece: str, message: str = "", status: int = 200, asked: dict[str, str] | None = None
) -> Response:
    weaving = weaving_of(request, piece)
    return page(
        "piece_settings.html",
        status=status,
        weaving=weaving,
        settings=piece_settings_of(store_of(request), weaving.id),
        asked=asked or {"words": "", "every": "", "measure": "picks", "picks_per_cm": ""},
        message=message,
    )
