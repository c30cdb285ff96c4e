"""Preferences: of the loom and its weaver, on all devices; and of the device that asks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from server.loom.counting import STANCES
from server.session.wording import STANCE_WORDS
from server.store.database import Store
from server.web import device
from server.web.device import Device, NotSettable, device_of
from server.web.rendering import (
    page,
    preferences_of,
    shafts_from_of,
    side_of,
    stance_of,
    store_of,
)

router = APIRouter()

Choices = tuple[tuple[str, str], ...]
"""What can be chosen: (as a form sends it, in words)."""

LOOKS: Choices = (
    ("system", "As the device is set"),
    ("light", "Light"),
    ("dark", "Dark"),
    ("contrast", "High contrast"),
)
SIZES: Choices = (("small", "Small"), ("normal", "Normal"), ("large", "Large"), ("largest", "Very large"))
HANDS: Choices = (("right", "Right"), ("left", "Left"))
VIEWS: Choices = (("bench", "From the bench"), ("behind", "From behind the loom"))
SAYS: Choices = (
    ("action", "Every action by itself"),
    ("shaft", "Everything at one shaft, as a list to tick"),
    ("walk", "A whole walk, as a list to tick"),
)
RESTS: Choices = tuple(
    (str(tenths), f"{tenths / 10:g} seconds") for tenths in (0, 3, 5, 10, 15, 20, 30, 40, 50)
)
YES_OR_NO: Choices = (("on", "Yes"), ("off", "No"))

_READ: dict[str, tuple[Callable[[str], str | None], str]] = {
    "stance": (stance_of, "Choose one of the four places to stand"),
    "first_side": (side_of, "Choose left or right for the first shuttle"),
    "shafts_from": (shafts_from_of, "Choose one of the two ends to count shafts from"),
    "units_from": (side_of, "Choose left or right to count units from"),
}
"""How each preference is read, and what is said if it is none that there is."""


async def _sent(request: Request) -> dict[str, str]:
    form = await request.form(max_files=0, max_fields=50)
    return {name: text for name, text in form.items() if isinstance(text, str)}


Sent = Annotated[dict[str, str], Depends(_sent)]
"""What a form sent, unread."""


@router.get("/preferences")
def show_preferences(request: Request) -> Response:
    """The preferences as they are."""
    return _preferences_page(request)


@router.post("/preferences")
def keep_preferences(request: Request, sent: Sent) -> Response:
    """Keep what was chosen for the device that asks and for all, or nothing of it.

    What was left out stays as it is, and so does what a page shows otherwise than it is by now, where nobody
    touched it there: `shown_stance` is the stance that it showed.
    """
    before, chosen = device_of(request), dict(sent)
    shown = {name: chosen.pop(f"{SHOWN}{name}", "") for name in _READ}
    here = {name: chosen.pop(name) for name in device.settings_of(before) if name in chosen}
    for name, text in chosen.items():
        read, what_to_do = _READ.get(name, (lambda _: None, "That is none of the choices there are"))
        if read(text) is None:
            return _preferences_page(request, f"{what_to_do}; nothing was changed.", 422)
    try:
        now = device.changed(before, here)
    except NotSettable as refusal:
        return _preferences_page(request, str(refusal), 422)
    everywhere = {name: text for name, text in chosen.items() if text != shown[name]}
    where = ["on this device"] * (now != before) + ["for all devices"] * bool(everywhere)
    kept = f"Kept, {' and '.join(where or ['as it was'])}."
    store = store_of(request)
    shafts_from = preferences_of(store).shafts_from
    if everywhere:
        store.set_preferences(everywhere)
    if preferences_of(store).shafts_from != shafts_from and _is_taped(store):
        kept = f"{kept} {TAPED_OTHERWISE}"
    return _kept_here(request, now, kept) if now != before else _preferences_page(request, kept)


SHOWN = "shown_"
"""Before the name of a preference: what the page showed of it."""

TAPED_OTHERWISE = (
    "The tape on the shafts says otherwise now: it was counted from the other end. "
    "Tape the numbers anew before the next walk, or count as before."
)


def _is_taped(store: Store) -> bool:
    """Whether a piece is on a loom whose shafts carry numbers on tape."""
    on_loom = (store.weaving(line.id) for line in store.pieces() if line.status == "on the loom")
    return any(weaving is not None and weaving.state.labelled for weaving in on_loom)


@router.post("/preferences/device")
def keep_device(request: Request, sent: Sent) -> Response:
    """Keep what was chosen for the device that asks, or nothing of it; what was left out stays as it is."""
    try:
        now = device.changed(device_of(request), sent)
    except NotSettable as refusal:
        return _preferences_page(request, str(refusal), 422)
    return _kept_here(request, now, "Kept, on this device.")


def _kept_here(request: Request, now: Device, message: str) -> Response:
    device.asking.set(now)
    answer = _preferences_page(request, message)
    device.keep(answer, now)
    return answer


def _preferences_page(request: Request, message: str = "", status: int = 200) -> Response:
    return page(
        "preferences.html",
        status=status,
        chosen=preferences_of(store_of(request)),
        is_taped=_is_taped(store_of(request)),
        here_set=device.settings_of(device.asking.get()),
        stances=[(stance, STANCE_WORDS[stance][0].upper() + STANCE_WORDS[stance][1:]) for stance in STANCES],
        looks=LOOKS,
        sizes=SIZES,
        hands=HANDS,
        views=VIEWS,
        says=SAYS,
        rests=RESTS,
        yes_or_no=YES_OR_NO,
        shown=SHOWN,
        message=message,
    )
