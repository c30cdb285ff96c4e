"""Following: who hears of which tap, and how streams end."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable, Coroutine
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi.testclient import TestClient

from server.session.place import Tap
from server.store.database import Store
from server.web import follow
from server.web.follow import Followers

PATIENCE = 10.0
"""Seconds for something to be heard. Far more than it takes."""


async def heard(stream: AsyncIterator[str]) -> str:
    async with asyncio.timeout(PATIENCE):
        return await anext(stream)


def run(scene: Callable[[], Coroutine[None, None, None]]) -> None:
    # in a thread of its own: in this one, tests in a browser may have left a loop running
    with ThreadPoolExecutor(1) as thread:
        thread.submit(asyncio.run, scene()).result()


async def begun(followers: Followers, piece: int, turn: int = 0) -> AsyncIterator[str]:
    """A stream that has told the turn at which it began."""

    async def turn_now() -> int:
        return turn

    stream = followers.events(piece, turn_now)
    assert (await heard(stream)).startswith("retry: ")
    assert await heard(stream) == f"data: {turn}\n\n"
    return stream


def test_every_screen_of_a_piece_hears_of_each_tap_and_no_other_screen_does() -> None:
    async def scene() -> None:
        followers = Followers()
        one, two = await begun(followers, 1, 4), await begun(followers, 1, 4)
        other = await begun(followers, 2)
        followers.tell(1, 5)
        assert await heard(one) == await heard(two) == "data: 5\n\n"
        followers.tell(2, 9)
        assert await heard(other) == "data: 9\n\n"

    run(scene)


def test_a_tap_is_told_from_any_thread() -> None:
    async def scene() -> None:
        followers = Followers()
        stream = await begun(followers, 1)
        threads = [threading.Thread(target=followers.tell, args=(1, turn)) for turn in range(1, 9)]
        for thread in threads:
            thread.start()
        last = ""
        while last != "data: 8\n\n":
            now = await heard(stream)
            assert now > last, "a turn is never told after a later one"
            last = now

    run(scene)


def test_a_tap_made_while_a_screen_begins_to_follow_is_not_missed() -> None:
    async def scene() -> None:
        followers = Followers()

        async def turn_now() -> int:
            followers.tell(1, 4)  # after the turn was read, before it is told
            await asyncio.sleep(0)
            return 3

        stream = followers.events(1, turn_now)
        await heard(stream)
        told = await heard(stream)
        assert "data: 4\n\n" in (told, told if told == "data: 4\n\n" else await heard(stream))

    run(scene)


def test_a_silent_stream_says_that_it_is_still_there() -> None:
    async def scene() -> None:
        followers = Followers(heartbeat=0.01)
        stream = await begun(followers, 1)
        assert await heard(stream) == ": still here\n\n"
        followers.tell(1, 1)
        while (line := await heard(stream)).startswith(":"):
            pass
        assert line == "data: 1\n\n"

    run(scene)


def test_streams_end_when_the_server_does() -> None:
    async def scene() -> None:
        followers = Followers()
        streams = [await begun(followers, piece) for piece in (1, 1, 2)]
        assert followers.number == 3
        followers.close()
        for stream in streams:
            with pytest.raises(StopAsyncIteration):
                await heard(stream)
        assert followers.number == 0

    run(scene)


def test_a_screen_that_leaves_is_forgotten() -> None:
    async def scene() -> None:
        followers = Followers()
        stream = await begun(followers, 1)
        assert followers.number == 1
        await stream.aclose()  # type: ignore[attr-defined]
        assert followers.number == 0
        followers.tell(1, 1)

    run(scene)


def test_before_anybody_follows_and_after_the_loop_is_gone_telling_does_nothing() -> None:
    followers = Followers()
    followers.tell(1, 1)

    async def scene() -> None:
        await begun(followers, 1)

    run(scene)
    followers.tell(1, 2)
    assert followers.number <= 1


def test_too_many_screens_are_turned_away(
    client: TestClient, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(follow, "MOST_SCREENS", 0)
    answer = client.get(f"/pieces/{piece_id}/follow")
    assert answer.status_code == 503
    assert "Too many screens" in answer.text


@pytest.mark.parametrize("piece", ["7", "x", "-1", "1e3", "9" * 40])
def test_there_is_nothing_to_follow_of_no_piece(client: TestClient, piece_id: int, piece: str) -> None:
    assert client.get(f"/pieces/{piece}/follow").status_code == 404


def test_the_store_tells_of_taps_that_counted_and_of_no_others(store: Store, piece_id: int) -> None:
    told: list[tuple[int, int]] = []
    store.listen(lambda piece, turn: told.append((piece, turn)))
    store.tap(piece_id, Tap("begin", 0, 0))
    store.tap(piece_id, Tap("next", 0, 0))
    store.tap(piece_id, Tap("next", 0, 1, key="a"))
    store.tap(piece_id, Tap("next", 0, 1, key="a"))
    assert told == [(piece_id, 1), (piece_id, 2)]
