"""The door: the join page, what it takes to come in, and pages that say one sentence."""

from __future__ import annotations

import math
import secrets
import time
from collections import deque
from collections.abc import Callable

from fastapi import APIRouter, Request
from itsdangerous import BadData, URLSafeTimedSerializer
from starlette.responses import HTMLResponse, RedirectResponse, Response

from server.settings import CODE_ALPHABET, Settings
from server.web.rendering import environment

router = APIRouter()

COOKIE = "spareshaft_device"
A_YEAR = 365 * 24 * 3600
WINDOW = 600.0
"""Seconds for which a wrong code is remembered."""
TRIES_EACH = 5
TRIES_ALL = 40
"""Wrong codes in `WINDOW` from one address, and from all. The codes number 22⁸, about 5 · 10¹⁰."""


class Tries:
    """Wrong codes of late. Asked by one thread at a time: the server's event loop."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._wrong: deque[tuple[float, str]] = deque()

    def wait(self, address: str) -> int:
        """Minutes until this address may try again; 0: it may now."""
        now = self._clock()
        while self._wrong and self._wrong[0][0] <= now - WINDOW:
            self._wrong.popleft()
        own = [at for at, who in self._wrong if who == address]
        waits = [0.0]
        if len(own) >= TRIES_EACH:
            waits.append(own[-TRIES_EACH] + WINDOW - now)
        if len(self._wrong) >= TRIES_ALL:
            waits.append(self._wrong[-TRIES_ALL][0] + WINDOW - now)
        return math.ceil(max(waits) / 60)

    def note_wrong(self, address: str) -> None:
        """Remember a wrong code."""
        self._wrong.append((self._clock(), address))


def _serializer(settings: Settings) -> URLSafeTimedSerializer:
    return URLSafeTimedSerializer(settings.secret, salt="spareshaft-device")


def has_joined(settings: Settings, cookie: str | None) -> bool:
    """Whether a device's cookie is one of ours, and younger than a year."""
    if cookie is None:
        return False
    try:
        _serializer(settings).loads(cookie, max_age=A_YEAR)
    except BadData:
        return False
    return True


def is_right(settings: Settings, code: str) -> bool:
    """Whether this is the join code, however it is grouped and whether or not in capitals."""
    if settings.join_code is None:
        return False

    def bare(text: str) -> bytes:
        return "".join(letter for letter in text.upper() if letter in CODE_ALPHABET).encode()

    return len(code) <= 40 and secrets.compare_digest(bare(code), bare(settings.join_code))


def join_page(settings: Settings, *, code: str = "", message: str = "", status: int = 403) -> HTMLResponse:
    """All that a device sees that has not joined."""
    page = environment().get_template("join.html")
    html = page.render(code=code[:40], message=message, shared=settings.share)
    # a piece of a page that htmx asked for cannot show this; the whole page can
    return HTMLResponse(html, status, {"HX-Refresh": "true"} if status == 403 and not message else None)


def sentence_page(status: int, title: str, sentence: str) -> HTMLResponse:
    """A page that says one thing, for whatever could not be done."""
    page = environment().get_template("sentence.html")
    return HTMLResponse(page.render(title=title, sentence=sentence), status)


def is_this_computer(request: Request) -> bool:
    """Whether the request comes from the computer that the server runs on."""
    address = request.client.host if request.client else ""
    return address.startswith("127.") or address in ("::1", "::ffff:127.0.0.1")


@router.get("/join", include_in_schema=False)
def ask_for_code(request: Request, code: str = "") -> Response:
    """The join page, the code filled in where the address carries it."""
    settings: Settings = request.app.state.settings
    if is_this_computer(request) or has_joined(settings, request.cookies.get(COOKIE)):
        return RedirectResponse("/", 303)
    return join_page(settings, code=code)


@router.post("/join", include_in_schema=False)
async def join(request: Request) -> Response:
    """Let a device in that knows the code, and remember it for a year."""
    settings: Settings = request.app.state.settings
    tries: Tries = request.app.state.tries
    address = request.client.host if request.client else ""
    if wait := tries.wait(address):
        return join_page(
            settings,
            message=f"Too many wrong codes. Try again in {wait} minute{'s' * (wait > 1)}.",
            status=429,
        )
    form = await request.form(max_files=0, max_fields=10)
    code = form.get("code")
    if not isinstance(code, str) or not is_right(settings, code):
        tries.note_wrong(address)
        return join_page(
            settings,
            message="That is not the code. It stands in the window where Spareshaft was started.",
        )
    answer = RedirectResponse("/", 303)
    device = _serializer(settings).dumps(secrets.token_hex(8))
    answer.set_cookie(COOKIE, device, max_age=A_YEAR, httponly=True, samesite="lax")
    return answer
