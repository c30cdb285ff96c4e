"""Walks ahead: when, what is done, what can be done early, and her wishes of them."""

from __future__ import annotations

import re
from urllib.parse import urlencode

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.store.database import Store
from tests.conftest import Clock
from tests.examples import piece_text
from tests.web.test_pages import HOSTILE, NOT_ON_SCREEN, Text, begin, done, form_of, turns, words
from tests.web.test_put_right import (
    last_words,
    mark_of,
    now,
    same_but_turn,
    undo,
    weave_on_to,
    weave_to_the_end,
)

PLAIN = "#..###..#"
PART = "..##.#..."
"""A row that asks for a part of shaft 2."""


@pytest.fixture
def long_id(store: Store) -> int:
    """Eight rows, of which the sixth needs a temporary."""
    text = piece_text(rows=[PLAIN] * 5 + [PART] + [PLAIN] * 2)
    return store.add_piece(text, plan(read_piece(text)))


def walks(store: Store, piece_id: int) -> list[int]:
    """Rows after which she walks, from here on."""
    weaving = now(store, piece_id)
    return [card.row for card in weaving.cards[weaving.place.card :] if card.kind == "walk"]


def wish(client: TestClient, piece_id: int, **asked: str) -> Response:
    shown = client.get(f"/pieces/{piece_id}/walks-ahead")
    return client.post(f"/pieces/{piece_id}/walks-ahead", data=form_of(shown) | asked)


def take_wish(client: TestClient, piece_id: int, **asked: str) -> Response:
    shown = wish(client, piece_id, **asked)
    assert shown.status_code == 200, words(shown)
    written = re.search(r'name="free" value="([^"]*)"', shown.text)
    assert written
    sent = {key: value for key, value in asked.items() if key != "now"} | {"free": written[1]}
    data = form_of(shown) | sent | {"do": "take", "mark": mark_of(shown)}
    answer = client.post(f"/pieces/{piece_id}/walks-ahead", data=data)
    assert answer.status_code == 303, words(answer)
    return shown


def test_each_walk_to_come_is_told(client: TestClient, store: Store, long_id: int, clock: Clock) -> None:
    begin(client, long_id)
    weave_on_to(client, store, long_id, "weave", 1)
    shown = client.get(f"/pieces/{long_id}/walks-ahead")
    text = Text(shown.text)
    assert text.refused == []
    assert not NOT_ON_SCREEN.search(text.words)
    rows = walks(store, long_id)
    assert len(rows) == 2
    for row in rows:
        assert f"After row {row} " in words(shown)
    assert f"{rows[0]} rows until then" in words(shown)
    assert "Insert temporary 2a" in words(shown)
    assert "is not known yet" in words(shown)
    for row in range(1, 5):
        clock.pass_by(minutes=6)
        weave_on_to(client, store, long_id, "raise", row + 1)
        weave_on_to(client, store, long_id, "weave", row + 1)
    left = rows[0] - 4
    expected = f"{left} row{'s' if left > 1 else ''}, about {6 * left} minutes until then"
    assert expected in words(client.get(f"/pieces/{long_id}/walks-ahead"))


def test_on_a_walk_nothing_is_done_early(client: TestClient, store: Store, long_id: int) -> None:
    begin(client, long_id)
    row = walks(store, long_id)[0]
    weave_on_to(client, store, long_id, "insert", row)
    ahead = words(client.get(f"/pieces/{long_id}/walks-ahead"))
    assert "the walk that you are on" in ahead
    assert "You are on a walk already" in ahead
    assert "minutes" not in words(client.get(f"/pieces/{long_id}/loom"))
    answer = client.get(f"/pieces/{long_id}/walks-ahead/now")
    assert answer.status_code == 422
    assert "You are on a walk by now" in words(answer)


def test_behind_already_the_next_walk_is_saved_and_it_can_be_taken_back(
    client: TestClient, store: Store, long_id: int
) -> None:
    begin(client, long_id)
    before = weave_on_to(client, store, long_id, "raise", 2)
    shown = client.get(f"/pieces/{long_id}/walks-ahead/now")
    assert "Insert temporary 2a" in words(shown)
    assert "It saves 1.5 minutes" in words(shown)
    data = form_of(shown) | {"mark": mark_of(shown)}
    assert client.post(f"/pieces/{long_id}/walks-ahead/now", data=data).status_code == 303
    assert walks(store, long_id)[0] == 1
    assert last_words(client, long_id).startswith("Behind the loom anyway")
    assert same_but_turn(undo(client, store, long_id)) == same_but_turn(before.place)
    client.post(
        f"/pieces/{long_id}/walks-ahead/now", data=data | form_of(client.get(f"/pieces/{long_id}/loom"))
    )
    weave_to_the_end(client, store, long_id)


def test_nothing_is_gained_where_no_walk_is_to_come(client: TestClient, store: Store) -> None:
    text = piece_text(rows=[PLAIN] * 3)
    piece_id = store.add_piece(text, plan(read_piece(text)))
    begin(client, piece_id)
    assert "No more walks are to come" in words(client.get(f"/pieces/{piece_id}/walks-ahead"))
    shown = client.get(f"/pieces/{piece_id}/walks-ahead/now")
    assert "Nothing is gained" in words(shown)
    assert 'name="mark"' not in shown.text


def test_the_plan_walks_where_she_rises_anyway(client: TestClient, store: Store, long_id: int) -> None:
    begin(client, long_id)
    before = weave_on_to(client, store, long_id, "raise", 2)
    shown = take_wish(client, long_id, free="3", every="7", measure="rows")
    assert "That saves 3 minutes" in words(shown)
    assert walks(store, long_id) == [3, 7]
    later = client.get(f"/pieces/{long_id}/walks-ahead")
    assert "(you rise there anyway)" in words(later)
    assert 'name="free" value="3"' in later.text
    assert 'name="every" value="7"' in later.text
    assert last_words(client, long_id).startswith("Planned anew for other walks")
    assert same_but_turn(undo(client, store, long_id)) == same_but_turn(before.place)
    assert (
        'name="every" value=""' in client.get(f"/pieces/{long_id}/walks-ahead").text
    )  # her wishes as before


def test_every_so_many_picks_and_the_end_of_the_day(client: TestClient, store: Store, long_id: int) -> None:
    begin(client, long_id)
    weave_on_to(client, store, long_id, "weave", 2)
    shown = take_wish(client, long_id, every="35", measure="picks", now="on")
    assert 'name="free" value="2"' in shown.text
    assert walks(store, long_id) == [2, 7]
    weave_to_the_end(client, store, long_id)


def test_no_walk_where_none_may_be_and_later_courses_keep_to_it(
    client: TestClient, store: Store, long_id: int
) -> None:
    begin(client, long_id)
    weave_on_to(client, store, long_id, "raise", 2)
    take_wish(client, long_id, none="3–7")
    assert len(walks(store, long_id)) == 2
    assert not set(walks(store, long_id)) & set(range(3, 8))
    weave_on_to(client, store, long_id, "raise", 3)
    shown = client.get(f"/pieces/{long_id}/put-right/take-out", params={"row": "1"})
    data = form_of(shown) | {"row": "1", "mark": mark_of(shown)}
    assert client.post(f"/pieces/{long_id}/put-right/take-out", data=data).status_code == 303
    assert not set(walks(store, long_id)) & set(range(3, 8))
    weave_to_the_end(client, store, long_id)


def test_wishes_that_leave_no_way_are_refused_with_the_reason(
    client: TestClient, store: Store, long_id: int
) -> None:
    begin(client, long_id)
    before = turns(store, long_id)
    answer = wish(client, long_id, none="0 to 5")
    assert answer.status_code == 422
    assert "no walk may be made" in words(answer)
    assert 'name="none" value="0 to 5"' in answer.text
    assert turns(store, long_id) == before


def test_wishes_are_kept_when_another_process_reads_them(
    client: TestClient, store: Store, long_id: int
) -> None:
    begin(client, long_id)
    take_wish(client, long_id, free="3")
    again = Store(store.path)
    try:
        weaving = again.weaving(long_id)
        assert weaving is not None
        assert weaving.courses == now(store, long_id).courses
        assert weaving.courses[0].wishes.free == {3}
        assert weaving.cards == now(store, long_id).cards
    finally:
        again.close()


def test_a_stale_page_and_another_plan_change_nothing(client: TestClient, store: Store, long_id: int) -> None:
    begin(client, long_id)
    for page, asked in (("walks-ahead", {"free": "3", "do": "take"}), ("walks-ahead/now", {})):
        shown = client.get(f"/pieces/{long_id}/walks-ahead/now")
        data = form_of(shown) | asked
        done(client, long_id, client.get(f"/pieces/{long_id}/loom"))
        before = turns(store, long_id)
        stale = client.post(f"/pieces/{long_id}/{page}", data=data | {"mark": mark_of(shown)})
        assert stale.status_code == 422
        assert "Another tap was first" in words(stale)
        fresh = data | form_of(client.get(f"/pieces/{long_id}/loom")) | {"mark": "0" * 64}
        other = client.post(f"/pieces/{long_id}/{page}", data=fresh)
        assert other.status_code == 422
        assert "otherwise than you saw it" in words(other)
        assert turns(store, long_id) == before


def test_hostile_values_are_answered_with_a_sentence(client: TestClient, store: Store, long_id: int) -> None:
    begin(client, long_id)
    weave_on_to(client, store, long_id, "raise", 2)
    sound = form_of(client.get(f"/pieces/{long_id}/walks-ahead")) | {"do": "take"}
    before = turns(store, long_id)
    kind = {"content-type": "application/x-www-form-urlencoded"}
    for field in ("free", "every", "measure", "none", "now", "do", "mark", "card", "turn"):
        for bad in (*HOSTILE, "\ud83d", "-5", "0–99999999", "1 " * 3000):
            body = urlencode(sound | {"every": "3"} | {field: bad}, errors="surrogatepass")
            answer = client.post(f"/pieces/{long_id}/walks-ahead", content=body, headers=kind)
            assert answer.status_code == 422 or (field == "do" and answer.status_code == 200), (field, bad)
    assert client.post(f"/pieces/{long_id}/walks-ahead", content=b"\xff=%ff", headers=kind).status_code == 200
    assert client.post(f"/pieces/{long_id}/walks-ahead/now", content=b"\xff", headers=kind).status_code == 422
    assert turns(store, long_id) == before


def test_a_piece_that_is_not_on_the_loom(client: TestClient, long_id: int) -> None:
    for page in ("walks-ahead", "walks-ahead/now"):
        answer = client.get(f"/pieces/{long_id}/{page}")
        assert (answer.status_code, answer.headers["location"]) == (303, f"/pieces/{long_id}")
