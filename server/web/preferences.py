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
from server.web.device import NotSettable, device_of
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
    """Keep what was chosen, or nothing of it; what was left out stays as it is."""
    for name, text in sent.items():
        read, what_to_do = _READ.get(name, (lambda _: None, "That is none of the choices there are"))
        if read(text) is None:
            return _preferences_page(request, f"{what_to_do}; nothing was changed.", 422)
    store = store_of(request)
    before = preferences_of(store).shafts_from
    store.set_preferences(sent)
    now = preferences_of(store).shafts_from
    if now != before and _is_taped(store):
        return _preferences_page(request, TAPED_OTHERWISE)
    return _preferences_page(request, "Kept, for all devices.")


TAPED_OTHERWISE = (
    "Kept, for all devices. The tape on the shafts says otherwise now: it was counted from the other end. "
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
        new = device.changed(device_of(request), sent)
    except NotSettable as refusal:
        return _preferences_page(request, str(refusal), 422)
    device.asking.set(new)
    answer = _preferences_page(request, "Kept, on this device.")
    device.keep(answer, new)
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
        message=message,
    )
