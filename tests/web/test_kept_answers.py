"""Answers that are kept: damaged since, given up by one and wanted by another, shown while others write."""

from __future__ import annotations

import re
import sqlite3
from contextlib import closing

import pytest
from fastapi.testclient import TestClient

from server.settings import DATABASE_NAME, Settings
from server.store.database import Store
from server.working import Workroom
from tests.examples import PIECE
from tests.web import test_working
from tests.web.test_pages import words
from tests.web.test_working import Planner, bring, do, ended, under_way

planner, room = test_working.planner, test_working.room

NO_ANSWERS = [
    "",
    "no JSON",
    "[" * 100_000,
    "1" * 5_000,
    "[]",
    "null",
    "{}",
    '{"proven": true}',
    '{"limit": 900, "proven": false}',
    '{"limit": "9", "proven": 1, "order": "{}"}',
    '{"limit": 900, "proven": true, "order": 7}',
    '{"limit": 900, "proven": true, "order": "[]"}',
    '{"limit": 900, "proven": true, "order": "{\\"proven\\": true, \\"bound\\": 1, \\"totals\\": 3}"}',
]
PAGES = [
    "more?shafts=&handles=",
    "cells?most=2",
    "methods/planned",
    "places?first_row=2&last_row=2&first_unit=3&last_unit=3",
]


def damage(settings: Settings, answer: str) -> None:
    """Put something else where the answer to every question was."""
    with closing(sqlite3.connect(settings.data / DATABASE_NAME)) as connection, connection:
        assert connection.execute("UPDATE questions SET answer_text = ?", (answer,)).rowcount


@pytest.mark.parametrize("answer", NO_ANSWERS)
def test_a_plan_that_was_damaged_is_worked_out_anew(
    client: TestClient, store: Store, settings: Settings, answer: str
) -> None:
    assert bring(client).headers["location"] == "/pieces/1"
    damage(settings, answer)
    for path in ("/working/1", "/working/1?piece=1", "/working/1/far", "/working/1/why-not"):
        assert client.get(path).status_code < 500
    assert bring(client, name="Another").headers["location"] == "/pieces/2"
    client.app.state.workroom.go_on()  # type: ignore[attr-defined]
    assert len(store.pieces()) == 2


def test_why_there_is_no_plan_is_worked_out_anew_where_it_was_damaged(
    client: TestClient, settings: Settings
) -> None:
    loom = PIECE["loom"] | {"spare_shafts": 0}
    refused = bring(client, loom=loom)
    assert refused.status_code == 422
    assert "/working/1" in refused.text
    for answer in NO_ANSWERS:
        damage(settings, answer)
        for path in ("/working/1", "/working/1/far", "/working/1/why-not"):
            assert client.get(path).status_code < 500
        told = re.sub(r"/working/\d+", "/working/1", words(bring(client, loom=loom)))
        assert told == words(refused), answer[:80]


@pytest.mark.parametrize("page", PAGES)
def test_a_way_that_was_damaged_is_worked_out_anew(
    client: TestClient, settings: Settings, piece_id: int, page: str
) -> None:
    shown = client.get(f"/pieces/{piece_id}/ways/{page}")
    assert shown.status_code == 200
    for answer in NO_ANSWERS:
        damage(settings, answer)
        assert client.get(f"/pieces/{piece_id}/ways/{page}").text == shown.text, answer[:80]


def test_what_was_answered_once_and_is_damaged_cannot_be_begun_from_its_own_page(
    client: TestClient, settings: Settings, store: Store
) -> None:
    bring(client)
    damage(settings, '{"proven": true}')
    bring(client, name="Another")
    shown = client.get("/working/1")
    assert "Something went wrong in Spareshaft" in words(shown)
    assert "Begin anew" not in shown.text
    assert client.post("/working/1/again").status_code == 303
    kept = store.worked_out.question(1)
    assert kept is not None
    assert kept.state == "dropped"


def test_a_piece_given_up_is_not_said_to_have_a_wrong_plan_when_another_gets_that_plan(
    client: TestClient, store: Store, room: Workroom, planner: Planner
) -> None:
    one = under_way(client, planner)
    other = under_way(client, planner, name="Another")
    do(client, one, "stop")
    do(client, other, "again")
    stopped = "It was stopped, and nothing was kept."
    assert stopped in words(client.get(one))
    planner.may.set()
    ended(client, other)
    assert client.get(other).headers["location"] == "/pieces/1"
    assert stopped in words(client.get(one))
    assert "Begin anew" in client.get(one).text
    assert do(client, one, "again").headers["location"] == one
    assert client.get(one).headers["location"] == "/pieces/2"
    assert len(store.pieces()) == 2


def test_a_kept_answer_is_shown_while_another_program_holds_the_file(
    client: TestClient, settings: Settings, piece_id: int
) -> None:
    address = f"/pieces/{piece_id}/ways/more?shafts=&handles="
    shown = client.get(address)
    with closing(sqlite3.connect(settings.data / DATABASE_NAME, isolation_level=None)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        assert client.get(address).text == shown.text
        connection.execute("ROLLBACK")
