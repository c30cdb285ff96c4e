"""Following: every open screen hears of each tap that counted, by server-sent events.

Nothing is asked of the database meanwhile, and no thread waits: whoever takes a tap tells the event loop,
and that wakes the screens.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, Response, StreamingResponse

from server.web.rendering import weaving_of

router = APIRouter()

MOST_SCREENS = 60
"""Screens that may follow at once. A browser that was turned away taps as well as any, but hears nothing."""
HEARTBEAT = 15.0
"""Seconds after which a silent stream says that it is still there."""
RETRY_MS = 1000
"""After how long a browser asks again when the stream ends."""


@dataclass(eq=False)
class _Screen:
    """One open page: the turn it is to hear of next."""

    piece: int
    turn: int = -1
    woken: asyncio.Event = field(default_factory=asyncio.Event)


class Followers:
    """The screens that follow. All of it happens in the event loop's thread, but for `tell`."""

    def __init__(self, heartbeat: float = HEARTBEAT) -> None:
        """Nobody follows yet.

        Args:
            heartbeat: seconds.
        """
        self._screens: set[_Screen] = set()
        self._heartbeat = heartbeat
        self._loop: asyncio.AbstractEventLoop | None = None
        self._is_closed = False

    @property
    def number(self) -> int:
        """How many screens follow."""
        return len(self._screens)

    def tell(self, piece: int, turn: int) -> None:
        """A tap has counted; from any thread.

        Args:
            piece: its piece's id.
            turn: how many taps have counted by now.
        """
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake, piece, turn)

    def _wake(self, piece: int, turn: int) -> None:
        for screen in self._screens:
            if screen.piece == piece and screen.turn < turn:
                screen.turn = turn
                screen.woken.set()

    def close(self) -> None:
        """Let every stream end; new ones end at once."""
        self._is_closed = True
        for screen in self._screens:
            screen.woken.set()

    async def events(self, piece: int, turn_now: Callable[[], Awaitable[int]]) -> AsyncIterator[str]:
        """What one screen hears: the turn now, then each new one.

        Args:
            turn_now: asks how many taps have counted by now.
        """
        self._loop = asyncio.get_running_loop()
        screen = _Screen(piece)
        self._screens.add(screen)
        try:
            yield f"retry: {RETRY_MS}\n\n"
            # asked when the screen is among those that are told, so that no tap falls in between
            self._wake(piece, await turn_now())
            while not self._is_closed:
                try:
                    async with asyncio.timeout(self._heartbeat):
                        await screen.woken.wait()
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                screen.woken.clear()
                if not self._is_closed:
                    yield f"data: {screen.turn}\n\n"
        finally:
            self._screens.discard(screen)


def followers_of(request: Request) -> Followers:
    """The screens that follow on this server."""
    followers: Followers = request.app.state.followers
    return followers


@router.get("/pieces/{piece}/follow")
async def follow(request: Request, piece: str) -> Response:
    """A stream of turns, for as long as the page is open."""
    followers = followers_of(request)
    if followers.number >= MOST_SCREENS:
        return PlainTextResponse("Too many screens follow already; this one does not.", 503)
    weaving = await run_in_threadpool(weaving_of, request, piece)

    async def turn_now() -> int:
        return (await run_in_threadpool(weaving_of, request, piece)).place.turn

    return StreamingResponse(followers.events(weaving.id, turn_now), media_type="text/event-stream")
