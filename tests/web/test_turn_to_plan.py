"""However many ask for plans at once: a tap goes through, and who has to come again is told so."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor, as_completed
from itertools import islice

import pytest
from fastapi.testclient import TestClient

from server.store.database import Store
from server.web import proposals
from server.web.turn_to_plan import AT_ONCE, MOST_WAITING
from tests.web.test_pages import begin, done, words
from tests.web.test_pages import turns as turns_counted

THREADS = 40
"""As many as requests get."""


def test_taps_do_not_wait_for_plans(
    client: TestClient, store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = done(client, piece_id, begin(client, piece_id))
    going_on = threading.Event()
    course_of = proposals.course_of

    def slow(*asked: object, **more: object) -> object:
        assert going_on.wait(60)
        return course_of(*asked, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(proposals, "course_of", slow)
    with ThreadPoolExecutor(THREADS) as pool:
        asked = [pool.submit(client.get, f"/pieces/{piece_id}/walks-ahead/now") for _ in range(THREADS)]
        try:
            # all but those that plan or wait are answered while the plans are still being worked out
            turned_away = list(islice(as_completed(asked, timeout=60), THREADS - AT_ONCE - MOST_WAITING))
            before = turns_counted(store, piece_id)
            done(client, piece_id, shown)
            assert turns_counted(store, piece_id) == before + 1
        finally:
            going_on.set()
        for answer in (one.result() for one in turned_away):
            assert answer.status_code == 422
            assert "Try again in a moment" in words(answer)
        assert all(one.result().status_code == 200 for one in asked if one not in turned_away)
