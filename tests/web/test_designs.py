"""The list of designs, and a new one: what is kept, what is refused, and that nothing is lost."""

from __future__ import annotations

import re

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.serving import draw_demo
from server.settings import resource_dir
from server.store.database import Store
from tests.conftest import Clock
from tests.web.test_pages import HOSTILE, MARKUP, NOT_ON_SCREEN, Text, words

WARP = (resource_dir("demo_data") / "board" / "harbour_warp.json").read_text("utf-8")


def sound(answer: Response) -> None:
    """What holds for every page: no style or script in it, each id once, no word of ours."""
    page = Text(answer.text)
    assert page.refused == []
    assert len(set(page.ids)) == len(page.ids)
    assert not NOT_ON_SCREEN.search(words(answer))


@pytest.fixture
def warp(store: Store) -> int:
    return store.board.add_warp(WARP)


def new(client: TestClient, warp: int | str, **fields: str) -> Response:
    data = {"warp": str(warp), "name": "Fish", "rows": "12", "picks": ""} | fields
    return client.post("/designs", data=data)


def test_where_no_warp_hangs_one_is_to_be_hung_first(client: TestClient) -> None:
    shown = client.get("/designs/new")
    sound(shown)
    assert 'href="/warps/new"' in shown.text
    assert "<form" not in shown.text.split("<main")[1]
    listed = client.get("/designs")
    sound(listed)
    assert 'href="/designs/new"' in listed.text


def test_empty_paper_is_kept_on_its_warp(client: TestClient, store: Store, warp: int) -> None:
    shown = client.get(f"/designs/new?warp={warp}")
    sound(shown)
    assert f'href="/bring?warp={warp}"' in shown.text
    answer = new(client, warp)
    assert (answer.status_code, answer.headers["location"]) == (303, "/designs/1")
    kept = store.board.design(1)
    assert kept is not None
    (band,) = kept.design.bands
    assert (kept.name, kept.design.units, band.rows) == ("Fish", 63, ("." * 63,) * 12)
    assert band.picks == (4, 5), "five ends at 16 to the cm, 14.4 picks to the cm: four and a half are square"
    listed = client.get("/designs")
    sound(listed)
    assert "on The harbour warp · 63 units × 12 rows" in words(listed)


def test_the_same_form_sent_twice_is_one_design(client: TestClient, store: Store, warp: int) -> None:
    assert [new(client, warp).headers["location"] for _ in range(2)] == ["/designs/1"] * 2
    assert len(store.board.designs()) == 1


def test_picks_may_be_told(client: TestClient, store: Store, warp: int) -> None:
    assert new(client, warp, picks=" 6, 7;8 ").status_code == 303
    kept = store.board.design(1)
    assert kept is not None
    assert kept.design.bands[0].picks == (6, 7, 8)


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        *[({"rows": text}, "Rows: it must be a number from 1 to 100000.") for text in HOSTILE],
        *[({"warp": text}, "Choose the warp that it is drawn on.") for text in [*HOSTILE, "99"]],
        *[({"picks": text}, "Picks per row:") for text in HOSTILE if text and text != "\x00"],
        ({"picks": "0"}, "Picks per row: “0” is not a number from 1 to 10,000."),
        ({"picks": "4 " * 1001}, "Picks per row: write a number"),
        ({"picks": "1 " * 13}, "“Band 1” has 12 rows, and picks for 13."),
        ({"rows": "100000"}, "100,000 rows of 63 units are more than 1,000,000 cells."),
        ({"name": "n" * 201}, "A name has at most 200 letters; this one has 201."),
    ],
)
def test_what_cannot_be_kept_is_refused_and_nothing_is_lost(
    client: TestClient, store: Store, warp: int, fields: dict[str, str], sentence: str
) -> None:
    answer = new(client, warp, **fields) if "warp" not in fields else new(client, fields["warp"])
    assert answer.status_code == 422
    assert sentence in words(answer)
    if "name" not in fields:
        assert 'value="Fish"' in answer.text, "what was typed is still there"
    sound(answer)
    assert store.board.designs() == []


def test_a_name_is_shown_as_it_is_and_never_run(client: TestClient, store: Store, warp: int) -> None:
    assert new(client, warp, name=f"{MARKUP[:120]}\r\n\x00 \x07end").status_code == 303
    kept = store.board.design(1)
    assert kept is not None
    assert kept.name.startswith("<script>alert('x')</script>")
    assert kept.name.endswith(" end")
    assert not re.search(r"[\x00-\x1f\u202e]", kept.name)
    for path in ("/designs", "/designs/1/bands"):
        shown = client.get(path)
        assert "<script>alert" not in shown.text
        sound(shown)


def test_a_design_is_thrown_away_and_brought_back(client: TestClient, store: Store, warp: int) -> None:
    new(client, warp)
    answer = client.post("/designs/1/away")
    assert answer.headers["location"] == "/designs?away=1"
    shown = client.get("/designs?away=1")
    sound(shown)
    assert "The design is thrown away." in words(shown)
    assert store.board.designs() == []
    assert client.get("/designs/1/bands").status_code == 404
    assert 'action="/designs/1/keep"' in shown.text
    client.post("/designs/1/keep")
    assert [line.name for line in store.board.designs()] == ["Fish"]


@pytest.mark.parametrize("number", ["x", "-1", "1e9", "9" * 400, "１", "7"])
def test_a_design_that_is_not_there_is_said_to_be_none(client: TestClient, number: str) -> None:
    for method, path in (("POST", "away"), ("POST", "keep"), ("GET", "bands"), ("POST", "piece")):
        answer = client.request(method, f"/designs/{number}/{path}")
        assert answer.status_code == 404


@pytest.mark.parametrize("away", HOSTILE)
def test_whatever_the_address_says_is_away_the_list_is_shown(client: TestClient, away: str) -> None:
    shown = client.get("/designs", params={"away": away})
    assert shown.status_code == 200
    sound(shown)


def test_the_demo_design_is_listed(client: TestClient, store: Store) -> None:
    assert "A flag over the waves" in draw_demo(store.board)
    assert "A flag over the waves" in words(client.get("/designs"))


def test_designs_of_the_same_name_are_told_apart(
    client: TestClient, store: Store, warp: int, clock: Clock
) -> None:
    """The same way taken twice makes two designs of one name."""
    new(client, warp, name="Sail")
    new(client, warp, name="Waves")
    assert "of this name" not in words(client.get("/designs"))
    clock.pass_by(minutes=5)
    new(client, warp, name="Sail")
    shown = client.get("/designs").text
    said = re.findall(r'href="/designs/(\d)">(?:(?!</li>).)*?piece-which">([^<]*)<', shown, re.DOTALL)
    assert sorted(said) == [
        ("1", "Design 1 of 2 of this name"),
        ("3", "Design 2 of 2 of this name, the newest"),
    ]
