"""Following: who hears of which tap, and how streams end."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from concurrent.futures import ThreadPoolExecutor

import pytest
from fastapi import Request
from fastapi.testclient import TestClient
from starlette.requests import ClientDisconnect

from server.session.place import Tap
from server.store.database import Store
from server.web import follow
from server.web.follow import Followers

PATIENCE = 60.0
"""Seconds for something to be heard. Far more than it takes."""


async def heard(stream: AsyncIterator[str]) -> str:
    async with asyncio.timeout(PATIENCE):
        return await anext(stream)


def run(scene: Callable[[], Coroutine[None, None, None]]) -> None:
    # in a thread of its own: in this one, tests in a browser may have left a loop running
    with ThreadPoolExecutor(1) as thread:
        thread.submit(asyncio.run, scene()).result()


def entered(followers: Followers, piece: int) -> follow._Screen:
    screen = followers.enter(piece)
    assert screen is not None
    return screen


async def begun(
    followers: Followers, piece: int, turn: int = 0, marks: Sequence[str] = ("m",)
) -> AsyncIterator[str]:
    """A stream that has told the mark and the turn at which it began."""
    left = iter(marks)

    async def now() -> tuple[int, str]:
        return turn, next(left)

    stream = followers.events(entered(followers, piece), now)
    assert "event: every\ndata: " in await heard(stream)
    assert (await heard(stream)).startswith("event: mark\ndata: ")
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

        async def now() -> tuple[int, str]:
            followers.tell(1, 4)  # after the turn was read, before it is told
            await asyncio.sleep(0)
            return 3, "m"

        stream = followers.events(entered(followers, 1), now)
        await heard(stream)
        await heard(stream)
        # the turn that was read is heard first, or the newer one at once
        while (told := await heard(stream)) != "data: 4\n\n":
            assert told == "data: 3\n\n"

    run(scene)


def test_a_silent_stream_tells_its_turn_again_as_often_as_it_said() -> None:
    async def scene() -> None:
        followers = Followers(heartbeat=0.025)

        async def now() -> tuple[int, str]:
            return 4, "m"

        stream = followers.events(entered(followers, 1), now)
        assert (await heard(stream)).endswith("event: every\ndata: 25\n\n"), "in milliseconds"
        await heard(stream)
        for _ in range(3):
            assert await heard(stream) == "data: 4\n\n", "a page hears data; a comment it would not"
        followers.tell(1, 5)
        while (line := await heard(stream)) == "data: 4\n\n":
            pass
        assert line == "data: 5\n\n"

    run(scene)


def test_streams_end_when_the_server_does() -> None:
    async def scene() -> None:
        followers = Followers()
        streams = [await begun(followers, piece) for piece in (1, 1, 2)]
        followers.close()
        for stream in streams:
            with pytest.raises(StopAsyncIteration):
                await heard(stream)

    run(scene)


def test_a_change_of_what_is_chosen_is_told_to_the_screens_of_every_piece() -> None:
    async def scene() -> None:
        followers = Followers()
        one = await begun(followers, 1, marks=("old", "new"))
        other = await begun(followers, 2, marks=("old", "new"))
        followers.tell_of_change()
        for stream in (one, other):
            assert "event: mark\ndata: new\n\n" in (await heard(stream), await heard(stream))

    run(scene)


def test_a_screen_that_leaves_is_forgotten_though_it_never_heard_anything() -> None:
    async def scene() -> None:
        followers = Followers()
        screen = entered(followers, 1)

        async def now() -> tuple[int, str]:
            return 0, "m"

        async def gone(*_: object) -> None:
            raise OSError

        stream = follow._Stream(followers.events(screen, now), lambda: followers.leave(screen))
        with pytest.raises((ClientDisconnect, ExceptionGroup)):
            await stream({"type": "http", "asgi": {"spec_version": "2.4"}}, gone, gone)
        assert followers.number == 0
        followers.tell(1, 1)

    run(scene)


def test_before_anybody_follows_and_after_the_loop_is_gone_telling_does_nothing() -> None:
    followers = Followers()
    followers.tell(1, 1)

    async def scene() -> None:
        await begun(followers, 1)

    run(scene)
    followers.tell(1, 2)  # raises nothing, and those who follow later are told

    async def anew() -> None:
        stream = await begun(followers, 1, 2)
        followers.tell(1, 3)
        assert await heard(stream) == "data: 3\n\n"

    run(anew)


def test_too_many_screens_are_turned_away(
    client: TestClient, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(follow, "MOST_SCREENS", 0)
    answer = client.get(f"/pieces/{piece_id}/follow")
    assert answer.status_code == 503
    assert "Too many screens" in answer.text


def test_no_more_screens_than_there_are_places_follow_though_they_ask_at_once(
    client: TestClient, store: Store, piece_id: int
) -> None:
    followers: Followers = client.app.state.followers  # type: ignore[attr-defined]

    async def scene() -> None:
        request = Request({"type": "http", "app": client.app, "headers": [], "method": "GET", "path": "/"})
        asked = (follow.follow(request, str(piece_id)) for _ in range(follow.MOST_SCREENS + 5))
        answers = await asyncio.gather(*asked)
        codes = sorted(answer.status_code for answer in answers)
        assert codes == [200] * follow.MOST_SCREENS + [503] * 5
        assert followers.number == follow.MOST_SCREENS

    run(scene)


def test_the_store_tells_of_changes_that_were_kept(store: Store, piece_id: int) -> None:
    told: list[None] = []
    store.listen_to_changes(lambda: told.append(None))
    changes: list[tuple[Callable[[], object], int]] = [
        (lambda: store.set_preferences({"stance": "bench-left"}), 1),
        (lambda: store.change_preference("reminders:1", str), 2),
        (lambda: store.add_note(piece_id, 1, "A knot", None, ""), 3),
        (lambda: store.throw_note_away(piece_id, 1), 4),
        (lambda: store.throw_note_away(piece_id, 7), 4),
    ]
    for change, times in changes:
        change()
        assert len(told) == times


def test_the_head_of_a_stream_is_answered_at_once_and_takes_no_place(
    client: TestClient, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def events(*_: object) -> None:
        pytest.fail("it was followed")

    monkeypatch.setattr(Followers, "events", events)
    answer = client.head(f"/pieces/{piece_id}/follow")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert client.head(f"/pieces/{piece_id + 1}/follow").status_code == 404
    assert client.app.state.followers.number == 0  # type: ignore[attr-defined]


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
