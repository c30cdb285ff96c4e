"""Preferences: of all devices in the database, of one in its cookie; hostile values change nothing."""

from __future__ import annotations

import re
from http.cookies import SimpleCookie

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.store.database import Store
from server.web.device import DEFAULT, Device, read_cookie, settings_of
from tests.web.test_pages import begin, done, weave_to, words

HOSTILE = ["", "x", "dark\x00", "<script>", "９", "-1", "a" * 100_000, "DARK", "null", "light; Path=/x"]


def root(page: Response) -> dict[str, str]:
    """What the page's root says is set on this device."""
    tag = re.search(r"<html[^>]*>", page.text)
    assert tag
    said = dict(re.findall(r'data-([a-z-]+)="([^"]*)"', tag[0]))
    said.pop("database", None)  # whose pages these are is said as well, but not of pages that hold nothing
    return {name.replace("-", "_"): value for name, value in said.items()}


def set_on(answer: Response) -> Device:
    return read_cookie(SimpleCookie(answer.headers["set-cookie"])["device"].value)


def test_a_device_is_as_nobody_has_set_it_until_it_is_set(client: TestClient) -> None:
    assert root(client.get("/")) == settings_of(DEFAULT)


def test_what_is_set_on_a_device_shows_at_once_and_from_then_on(client: TestClient, piece_id: int) -> None:
    chosen = {"look": "contrast", "size": "largest", "hand": "left", "keys_next": "a Space", "tick": "on"}
    answer = client.post("/preferences/device", data=chosen)
    assert answer.status_code == 200
    assert "Kept, on this device." in words(answer)
    assert set_on(answer) == Device(
        look="contrast", size="largest", hand="left", keys_next=("a", "Space"), tick=True
    )
    pages = ["/", f"/pieces/{piece_id}", "/pieces/999", "/nowhere"]
    for page in (answer, *map(client.get, pages), begin(client, piece_id)):
        assert chosen.items() <= root(page).items()
    shown = client.get("/preferences").text
    for name, value in (("look", "contrast"), ("size", "largest"), ("hand", "left"), ("tick", "on")):
        assert f'name="{name}" value="{value}" checked' in shown


def test_one_setting_alone_leaves_the_others(client: TestClient) -> None:
    client.post("/preferences/device", data={"look": "dark", "rest": "25"})
    assert set_on(client.post("/preferences/device", data={"size": "small"})) == Device(
        look="dark", rest=25, size="small"
    )
    assert re.search(r'<option value="25" selected>2.5 seconds', client.get("/preferences").text)


@pytest.mark.parametrize("value", HOSTILE)
def test_a_device_is_not_set_to_what_there_is_not(client: TestClient, value: str) -> None:
    for name in ("look", "size", "hand", "view", "say", "speak", "tick", "rest", "hold_back"):
        answer = client.post("/preferences/device", data={"look": "dark", name: value})
        assert answer.status_code == 422, name
        assert "nothing was changed" in words(answer)
        assert "set-cookie" not in answer.headers
        assert root(answer) == settings_of(DEFAULT)


def as_chosen(page: Response) -> dict[str, str]:
    """What the form of the page sends if nothing on it is touched, less what is chosen by hand."""
    form = re.search(r'<form[^>]*action="/preferences".*?</form>', page.text, re.DOTALL)
    assert form
    chosen = re.findall(r'name="([a-z_]+)" value="([^"]*)" checked', form[0])
    rest = re.findall(r'<option value="([^"]*)" selected', form[0])
    hidden = re.findall(r'type="hidden" name="([a-z_]+)" value="([^"]*)"', form[0])
    return dict(chosen) | dict(hidden) | {"rest": rest[0]}


def test_the_page_is_one_form_so_that_nothing_chosen_on_it_is_lost(client: TestClient, store: Store) -> None:
    page = client.get("/preferences")
    assert len(re.findall(r"<form", page.text)) == 1
    answer = client.post("/preferences", data=as_chosen(page) | {"look": "dark", "stance": "right-side"})
    assert "Kept, on this device and for all devices." in words(answer)
    assert set_on(answer) == Device(look="dark")
    assert store.preferences() == {"stance": "right-side"}
    again = as_chosen(answer)
    assert (again["look"], again["stance"]) == ("dark", "right-side")
    assert "Kept, for all devices." in words(client.post("/preferences", data=again | {"first_side": "left"}))
    assert "Kept, on this device." in words(client.post("/preferences", data=again | {"size": "small"}))
    assert store.preferences() == {"stance": "right-side", "first_side": "left"}


def test_a_page_from_before_does_not_undo_what_was_chosen_on_another_device_since(
    client: TestClient, store: Store
) -> None:
    before = as_chosen(client.get("/preferences"))
    store.set_preferences({"stance": "left-side", "units_from": "right"})
    client.post("/preferences", data=before | {"look": "dark"})
    assert store.preferences() == {"stance": "left-side", "units_from": "right"}
    client.post("/preferences", data=before | {"units_from": "left", "stance": "right-side"})
    assert store.preferences() == {"stance": "right-side", "units_from": "right"}


@pytest.mark.parametrize(
    "wrong", [{"look": "loud"}, {"stance": "on the roof"}, {"shown_stance": "x", "rest": "x"}]
)
def test_of_a_page_all_is_kept_or_nothing(client: TestClient, store: Store, wrong: dict[str, str]) -> None:
    chosen = as_chosen(client.get("/preferences")) | {"size": "small", "first_side": "left"}
    answer = client.post("/preferences", data=chosen | wrong)
    assert answer.status_code == 422
    assert "nothing was changed" in words(answer)
    assert "set-cookie" not in answer.headers
    assert store.preferences() == {}


def test_a_device_is_set_from_our_own_pages_only(client: TestClient) -> None:
    answer = client.post(
        "/preferences/device", data={"look": "dark"}, headers={"origin": "http://evil.example"}
    )
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_no_cookie_breaks_a_page(client: TestClient) -> None:
    for cookie in ("look=dark", "look%3Ddark", '"look=dark', "look=dark;;=", "\x01look=dark"):
        page = client.get("/", headers={"cookie": f"device={cookie}"})
        assert page.status_code == 200
        assert root(page)["look"] in ("dark", "system")


@pytest.mark.parametrize("value", HOSTILE)
def test_a_preference_there_is_not_is_refused_and_none_is_kept(
    client: TestClient, store: Store, value: str
) -> None:
    for name in ("stance", "first_side", "shafts_from", "units_from"):
        answer = client.post("/preferences", data={"stance": "right-side", name: value})
        assert answer.status_code == 422, name
        assert "nothing was changed" in words(answer)
        assert store.preferences() == {}


def test_a_preference_of_another_name_is_refused(client: TestClient, store: Store) -> None:
    answer = client.post("/preferences", data={"stance": "right-side", "first_side:1": "left"})
    assert answer.status_code == 422
    assert store.preferences() == {}


def test_the_table_counts_as_the_file_and_says_so(client: TestClient, store: Store, piece_id: int) -> None:
    """The example has four shafts: temporary 2a is 3a from the back."""
    client.post("/preferences", data={"shafts_from": "back", "units_from": "right"})
    shown = weave_to(client, store, piece_id, "insert")
    assert "Insert temporary 3a" in words(shown)
    done(client, piece_id, shown)
    assert "3a put in" in words(client.get(f"/pieces/{piece_id}/log"))
    table = client.get(f"/pieces/{piece_id}/log.csv").text
    assert "2a put in" in table
    assert "3a" not in table
    assert "shafts counted from the weaver, units from her left" in table.splitlines()[0]


def test_from_behind_drawings_say_from_where_they_are_seen(
    client: TestClient, store: Store, piece_id: int
) -> None:
    client.post("/preferences/device", data={"view": "behind"})
    shown = begin(client, piece_id)
    assert words(shown).count("een from behind the loom") == 2, "the handles and the strip"
    names = re.findall(r'<span class="visually-hidden">Handle (\d+)', shown.text)
    assert names == sorted(names, reverse=True, key=int)
    while "Go behind the loom" not in words(shown):
        shown = done(client, piece_id, shown)
    assert "you, behind the loom" in words(shown)
    client.post("/preferences/device", data={"view": "bench"})
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert "you, behind the loom" not in words(shown)


def test_counting_the_other_way_says_so_where_numbers_are_taped_already(
    client: TestClient, store: Store, piece_id: int
) -> None:
    weave_to(client, store, piece_id, "label")
    answer = client.post("/preferences", data={"shafts_from": "back"})
    assert "Kept, for all devices." in words(answer)
    assert "tape" not in words(answer), "nothing is taped yet"
    client.post("/preferences", data={"shafts_from": "weaver"})
    done(client, piece_id, client.get(f"/pieces/{piece_id}/loom"))
    assert "Numbers are taped on shafts already" in words(client.get("/preferences"))
    answer = client.post("/preferences", data={"shafts_from": "back"})
    assert "The tape on the shafts says otherwise now" in words(answer)
    answer = client.post("/preferences", data={"shafts_from": "back", "units_from": "right"})
    assert "otherwise now" not in words(answer), "the shafts are counted as before"
