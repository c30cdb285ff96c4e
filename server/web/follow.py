"""Following: every open screen hears of each tap that counted, by server-sent events.

Nothing is asked of the database meanwhile, and no thread waits: whoever takes a tap tells the event loop,
and that wakes the screens.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from server.web.at_loom import choices_of
from server.web.rendering import id_of, weaving_of

router = APIRouter()

MOST_SCREENS = 60
"""Screens that may follow at once. A browser that was turned away taps as well as any, but hears nothing."""
HEARTBEAT = 2.0
"""Seconds after which a silent stream tells the turn again.

A link can die without a word: the tablet out of reach, the server's computer asleep. The page notices by this
that it hears nothing more.
"""
RETRY_MS = 1000
"""After how long a browser asks again when the stream ends."""


@dataclass(eq=False)
class _Screen:
    """One open page: the turn it is to hear of next, and whether what is chosen was changed meanwhile."""

    piece: int
    turn: int = -1
    is_changed: bool = False
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

    def tell_of_change(self) -> None:
        """What is chosen or noted was changed; from any thread."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._wake_all)

    def _wake_all(self) -> None:
        for screen in self._screens:
            screen.is_changed = True
            screen.woken.set()

    def enter(self, piece: int) -> _Screen | None:
        """A place for one screen more, to be left again; None: there is none."""
        if self.number >= MOST_SCREENS:
            return None
        self._loop = asyncio.get_running_loop()
        screen = _Screen(piece)
        self._screens.add(screen)
        return screen

    def leave(self, screen: _Screen) -> None:
        """Forget a screen."""
        self._screens.discard(screen)

    def close(self) -> None:
        """Let every stream end; new ones end at once."""
        self._is_closed = True
        for screen in self._screens:
            screen.woken.set()

    async def events(
        self, screen: _Screen, now: Callable[[], Awaitable[tuple[int, str]]]
    ) -> AsyncIterator[str]:
        """What one screen hears.

        First how often it will hear something, the mark of what is chosen, and the turn; then each new one.

        Args:
            now: asks how many taps have counted by now, and for the mark. It is asked when the screen is
                among those that are told, so that nothing falls in between.
        """
        yield f"retry: {RETRY_MS}\nevent: every\ndata: {self._heartbeat * 1000:.0f}\n\n"
        screen.is_changed = True
        while not self._is_closed:
            if screen.is_changed:
                screen.is_changed = False
                turn, mark = await now()
                self._wake(screen.piece, turn)
                yield f"event: mark\ndata: {mark}\n\n"
            with suppress(TimeoutError):
                async with asyncio.timeout(self._heartbeat):
                    await screen.woken.wait()
            screen.woken.clear()
            if not self._is_closed:
                yield f"data: {screen.turn}\n\n"


class _Stream(StreamingResponse):
    """What a screen hears, for as long as it is there; its place is free again however that ends."""

    def __init__(self, events: AsyncIterator[str], leave: Callable[[], None]) -> None:
        super().__init__(events, media_type="text/event-stream")
        self._leave = leave

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One answer."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._leave()


def followers_of(request: Request) -> Followers:
    """The screens that follow on this server."""
    followers: Followers = request.app.state.followers
    return followers


@router.get("/pieces/{piece}/follow")
async def follow(request: Request, piece: str) -> Response:
    """A stream of turns, for as long as the page is open."""
    followers = followers_of(request)
    # before anything is waited for: many may ask at once
    screen = followers.enter(id_of(piece))
    if screen is None:
        return PlainTextResponse("Too many screens follow already; this one does not.", 503)

    def now() -> tuple[int, str]:
        weaving = weaving_of(request, piece)
        return weaving.place.turn, choices_of(request, weaving.id).mark

    try:
        await run_in_threadpool(weaving_of, request, piece)
    except BaseException:
        followers.leave(screen)
        raise
    if request.scope.get("only_head"):  # nothing comes after the head, so it takes no place
        followers.leave(screen)
        return Response(media_type="text/event-stream")
    return _Stream(
        followers.events(screen, partial(run_in_threadpool, now)), partial(followers.leave, screen)
    )
