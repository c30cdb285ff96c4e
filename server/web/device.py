"""What is set on one device only: a tablet, a phone, a computer. Kept in a cookie that scripts may read.

Nothing in it is secret or worth forging, so it is not signed. Whatever is not understood counts as not set.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass, fields, replace
from typing import Any, Literal, get_args
from urllib.parse import parse_qsl, urlencode

from fastapi import Request
from starlette.responses import Response

COOKIE = "device"
A_YEAR = 365 * 24 * 3600

Look = Literal["system", "light", "dark", "contrast"]
Size = Literal["small", "normal", "large", "largest"]
Hand = Literal["right", "left"]
View = Literal["bench", "behind"]
Say = Literal["action", "shaft", "walk"]

LONGEST_REST = 50
MOST_KEYS = 12
_LONGEST_KEY = 24
_LONGEST_COOKIE = 2_000


@dataclass(frozen=True, slots=True)
class Device:
    """The settings of one device.

    Attributes:
        look: dark or light; "system": as the device itself is set.
        size: of all that is shown.
        hand: on which side the large buttons and what stands beside a drawing are.
        view: from where drawings of the loom are seen.
        say: how much is said at once: every action, all at one shaft, or a whole walk.
        speak: whether instructions are read aloud.
        tick: whether each pick makes a sound.
        rest: tenths of a second that must pass between two "next".
        keys_next: keys that mean "next", by the names browsers give them ("Space" for the space bar).
        keys_back: keys that mean "back".
        hold_back: whether a "next" key that is held means "back".
    """

    look: Look = "system"
    size: Size = "normal"
    hand: Hand = "right"
    view: View = "bench"
    say: Say = "action"
    speak: bool = False
    tick: bool = False
    rest: int = 3
    keys_next: tuple[str, ...] = ("PageDown", "ArrowRight", "ArrowDown", "Space", "Enter")
    keys_back: tuple[str, ...] = ("PageUp", "ArrowLeft", "ArrowUp")
    hold_back: bool = False

    @property
    def behind(self) -> bool:
        """Whether drawings of the loom are shown as seen from behind it."""
        return self.view == "behind"


DEFAULT = Device()

_CHOICES: dict[str, tuple[str, ...]] = {
    "look": get_args(Look),
    "size": get_args(Size),
    "hand": get_args(Hand),
    "view": get_args(View),
    "say": get_args(Say),
}


class NotSettable(ValueError):
    """A setting that cannot be kept; the message is a sentence for the weaver."""


def settings_of(device: Device) -> dict[str, str]:
    """Each setting as a form or the cookie writes it, by its name."""
    return {field.name: _written(getattr(device, field.name)) for field in fields(device)}


def changed(device: Device, asked: Mapping[str, str]) -> Device:
    """The settings with some of them changed.

    Args:
        asked: as `settings_of` writes them; those left out stay as they are.

    Raises:
        NotSettable: if one of them is none that there is.
    """
    read: dict[str, Any] = {name: _read(name, text) for name, text in asked.items()}
    new = replace(device, **read)
    if both := set(new.keys_next) & set(new.keys_back):
        raise NotSettable(f"The key {min(both)} cannot mean both next and back; nothing was changed.")
    return new


def read_cookie(cookie: str | None) -> Device:
    """The settings in a device's cookie; what is missing or not understood is as nobody has set it."""
    if not cookie or len(cookie) > _LONGEST_COOKIE:
        return DEFAULT
    device = DEFAULT
    try:
        kept = parse_qsl(cookie, keep_blank_values=True, errors="strict", max_num_fields=len(fields(Device)))
    except ValueError:
        return DEFAULT
    # keys together: one may have gone from "back" to "next"
    keys = {name: text for name, text in kept if name in ("keys_next", "keys_back")}
    for asked in (keys, *({name: text} for name, text in kept if name not in keys)):
        try:
            device = changed(device, asked)
        except NotSettable:
            continue
    return device


def keep(answer: Response, device: Device) -> None:
    """Let the browser keep these settings for a year."""
    text = urlencode(settings_of(device))
    answer.set_cookie(COOKIE, text, max_age=A_YEAR, path="/", samesite="strict", httponly=False)


def device_of(request: Request) -> Device:
    """The settings of the device that asks."""
    return read_cookie(request.cookies.get(COOKIE))


asking: ContextVar[Device] = ContextVar("asking", default=DEFAULT)
"""The settings of the device whose request is being answered, for the templates; the guard sets it."""


def _written(value: str | bool | int | tuple[str, ...]) -> str:
    if isinstance(value, bool):
        return "on" if value else "off"
    return " ".join(value) if isinstance(value, tuple) else str(value)


def _read(name: str, text: str) -> str | bool | int | tuple[str, ...]:
    if name in _CHOICES and text in _CHOICES[name]:
        return text
    if name in ("speak", "tick", "hold_back") and text in ("on", "off"):
        return text == "on"
    if name == "rest":
        if text.isascii() and text.isdigit() and len(text) <= 3 and int(text) <= LONGEST_REST:
            return int(text)
        raise NotSettable("The rest between two taps is between 0 and 5 seconds; nothing was changed.")
    if name in ("keys_next", "keys_back"):
        return _keys(text)
    raise NotSettable("That is none of the choices there are; nothing was changed.")


def _keys(text: str) -> tuple[str, ...]:
    keys = tuple(dict.fromkeys(text.split(" "))) if text else ()
    if len(keys) > MOST_KEYS:
        raise NotSettable(f"At most {MOST_KEYS} keys can be set for one thing; nothing was changed.")
    for key in keys:
        is_name = key.isascii() and key.isalnum() and len(key) <= _LONGEST_KEY
        if not (is_name or (len(key) == 1 and key.isprintable() and not key.isspace())):
            raise NotSettable("There is no key of that name; nothing was changed.")
    return keys
