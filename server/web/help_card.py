"""The help card: which keys do what as they are set on this device, and what this browser can do."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from server.web.device import DEFAULT, device_of
from server.web.rendering import page

router = APIRouter()

_KEY_WORDS = {
    "ArrowLeft": "←",
    "ArrowRight": "→",
    "ArrowUp": "↑",
    "ArrowDown": "↓",
    "PageDown": "Page Down",
    "PageUp": "Page Up",
}


def key_words(key: str) -> str:
    """A key as it is written on a keyboard."""
    return _KEY_WORDS.get(key, key)


@router.get("/help")
def show_help(request: Request) -> Response:
    """The help card."""
    device = device_of(request)
    return page(
        "help.html",
        here_set=device,
        next_keys=[(key, key_words(key)) for key in device.keys_next],
        back_keys=[(key, key_words(key)) for key in device.keys_back],
        are_usual=(device.keys_next, device.keys_back) == (DEFAULT.keys_next, DEFAULT.keys_back),
        usual=DEFAULT,
    )
