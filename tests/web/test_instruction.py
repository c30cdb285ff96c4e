"""Around the instruction: picks, the shed looked over, lists to tick, breaks, reminders, settings."""

from __future__ import annotations

import re
from urllib.parse import urlencode

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.store.database import Store
from server.web.device import COOKIE, Device, settings_of
from tests.conftest import Clock
from tests.web.test_pages import (
    HOSTILE,
    MARKUP,
    NOT_ON_SCREEN,
    Text,
    begin,
    done,
    form_of,
    heading,
    tap,
    weave_to,
    words,
)


def set_device(client: TestClient, **settings: str) -> None:
    client.cookies.set(COOKIE, urlencode(settings_of(Device()) | settings))


def settle(client: TestClient, piece_id: int, **settings: str) -> None:
    answer = client.post(f"/pieces/{piece_id}/settings", data={"taps": "row", "shed": "asked"} | settings)
    assert answer.status_code == 200
    assert "Kept." in words(answer)


def button(answer: Response) -> tuple[str, str]:
    """What the large button says, and to which address it taps."""
    form = re.search(r'<form id="done-form" method="post" action="([^"]+)"', answer.text)
    text = re.search(r'<button class="done"[^>]*>(.*?)</button>', answer.text, re.DOTALL)
    assert form
    assert text
    return text[1].strip(), form[1].rsplit("/", 1)[1]


def press(client: TestClient, piece_id: int, shown: Response) -> Response:
    answer = tap(client, piece_id, button(shown)[1], shown, left_end="on", right_end="on")
    assert answer.status_code == 303
    return client.get(answer.headers["location"])


# --- picks ---------------------------------------------------------------------------------------------


def test_pick_by_pick_the_page_says_which_pick_treadle_and_side(
    client: TestClient, store: Store, piece_id: int
) -> None:
    settle(client, piece_id, taps="pick")
    shown = weave_to(client, store, piece_id, "weave")
    seen = []
    for _ in range(5):
        found = re.search(
            r"Pick (\d) of 5: treadle (\d).*? goes from your (\w+) to your (\w+)\.", words(shown)
        )
        assert found
        seen.append((*found.groups(), button(shown)[0]))
        shown = press(client, piece_id, shown)
    assert seen == [
        ("1", "1", "right", "left", "Pick 1 is in"),
        ("2", "2", "left", "right", "Pick 2 is in"),
        ("3", "3", "right", "left", "Pick 3 is in"),
        ("4", "4", "left", "right", "Pick 4 is in"),
        ("5", "5", "right", "left", "Pick 5 is in"),
    ]
    assert heading(shown) == "Go behind the loom"


def test_after_a_break_in_the_middle_of_a_row_the_next_pick_is_named(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    settle(client, piece_id, taps="pick")
    shown = weave_to(client, store, piece_id, "weave")
    for _ in range(3):
        shown = press(client, piece_id, shown)
    clock.pass_by(hours=2)
    text = words(client.get(f"/pieces/{piece_id}/loom"))
    assert "1 of 3 is on, 3 of its 5 picks in" in text
    assert "pick 4, treadle 4, to your right" in text


# --- the shed ------------------------------------------------------------------------------------------


def test_the_shed_is_looked_over_before_the_first_pick_where_she_wants_it(
    client: TestClient, store: Store, piece_id: int
) -> None:
    settle(client, piece_id, shed="always")
    shown = weave_to(client, store, piece_id, "weave")
    assert heading(shown) == "Check the shed"
    assert button(shown) == ("The shed is right", "checked")
    text = words(shown)
    assert "5 units up: 1, 4–6 and 9." in text
    assert "Touch each once, from one side to the other: 3 4" in text
    assert "And 2 single cords: 1 and 9" in text
    assert "newest on top" not in text  # nothing is woven yet
    shown = press(client, piece_id, shown)
    assert heading(shown) == "Weave 5 picks"
    for _ in range(100):
        shown = press(client, piece_id, shown)
        if heading(shown) == "Check the shed":
            break
    assert "Touch each once, from one side to the other: 2 3 Row 1 " in words(shown)


def test_on_demand_it_is_shown_and_nothing_is_tapped(client: TestClient, store: Store, piece_id: int) -> None:
    shown = weave_to(client, store, piece_id, "weave")
    assert heading(shown) == "Weave 5 picks"
    asked = client.get(f"/pieces/{piece_id}/loom?look=shed")
    assert heading(asked) == "Check the shed"
    assert form_of(asked) == form_of(shown)
    assert heading(press(client, piece_id, asked)) == "Weave 5 picks"
    walk = weave_on(client, piece_id, "Go behind the loom")
    assert heading(client.get(f"/pieces/{piece_id}/loom?look=shed")) == heading(walk)


def weave_on(client: TestClient, piece_id: int, until: str) -> Response:
    shown = client.get(f"/pieces/{piece_id}/loom")
    for _ in range(100):
        if heading(shown) == until:
            return shown
        shown = press(client, piece_id, shown)
    raise AssertionError(until)


# --- how much is said ----------------------------------------------------------------------------------


def ticks(shown: Response) -> list[tuple[bool, str]]:
    found = re.findall(r'aria-pressed="(true|false)">.*?<strong>(.*?)</strong>', shown.text, re.DOTALL)
    return [(pressed == "true", text) for pressed, text in found]


WALK = [
    "Tape a number on shaft 2",
    "Insert temporary 2a",
    "Move the cords of handle 2 to temporary 2a",
]


def test_a_walk_as_a_list_keeps_its_ticks_when_she_wants_more_or_less_said(
    client: TestClient, store: Store, piece_id: int
) -> None:
    set_device(client, say="walk")
    shown = weave_to(client, store, piece_id, "label")
    assert ticks(shown) == [(False, text) for text in WALK]
    assert "of the 2 leashes on shaft 2, behind the loom, counting from your left: pass 1, take 1" in words(
        shown
    )
    shown = press(client, piece_id, shown)  # the large button ticks the next
    assert ticks(shown) == [(True, WALK[0]), (False, WALK[1]), (False, WALK[2])]
    set_device(client, say="action")
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert heading(shown) == WALK[1]
    shown = press(client, piece_id, shown)
    set_device(client, say="shaft")
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert heading(shown) == "At shaft 2"
    assert ticks(shown) == [(True, WALK[1]), (False, WALK[2])]
    set_device(client, say="walk")
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert ticks(shown) == [(True, WALK[0]), (True, WALK[1]), (False, WALK[2])]
    details = re.findall(r'name="detail" value="([^"]+)"', shown.text)
    off = tap(client, piece_id, "tick", shown, detail=details[1].replace("&#34;", '"'))
    shown = client.get(off.headers["location"])
    assert ticks(shown) == [(True, WALK[0]), (False, WALK[1]), (False, WALK[2])]
    refused = tap(client, piece_id, "tick", shown, detail='{"card": 5}')
    assert "2a is not in the loom; put it in before its cords are moved." in words(refused)
    assert ticks(refused) == ticks(shown)


def test_a_tick_that_cannot_be_read_changes_nothing(client: TestClient, store: Store, piece_id: int) -> None:
    shown = weave_to(client, store, piece_id, "label")
    before = store.weaving(piece_id)
    for detail in (*HOSTILE, "[]", "{}", '{"card": null}', '{"card": 1e5}', '{"card": 99999999999}'):
        answer = tap(client, piece_id, "tick", shown, detail=detail)
        assert answer.status_code == 200, detail
        assert re.search(r'<p class="said[^"]*" role="status"[^>]*>[^<]+\.', answer.text)
    assert store.weaving(piece_id) == before


# --- breaks --------------------------------------------------------------------------------------------


def test_a_break_says_what_to_see_to_and_coming_back_what_to_look_at(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    shown = weave_to(client, store, piece_id, "weave", 2)
    shown = client.get(tap(client, piece_id, "pause", shown).headers["location"])
    assert heading(shown) == "Have a good break"
    assert "For some minutes everything may stay locked" in words(shown)
    assert button(shown) == ("I am back: it stands like this", "stands")
    clock.pass_by(hours=20)
    shown = client.get(f"/pieces/{piece_id}/loom")
    text = words(shown)
    assert heading(shown) == "Welcome back"
    assert "away for 20 hours" in text
    assert "Temporary 2a" in text
    assert "So since" in text
    assert "Handles pulled 2 and 3" in text
    assert text.index("So since") < text.index("Handles pulled")
    assert heading(press(client, piece_id, shown)) == "Weave 5 picks"


def test_a_walk_broken_off_in_the_middle_goes_on_there(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    shown = weave_to(client, store, piece_id, "move_cords")
    shown = client.get(tap(client, piece_id, "pause", shown).headers["location"])
    assert "Lower any shaft that is propped" in words(shown)
    clock.pass_by(days=7)
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert "you are behind the loom" in words(shown)
    assert f"On this walk 2 of 3 things done Next {WALK[2]}" in words(shown)
    assert "Next treadle" not in words(shown)
    assert heading(press(client, piece_id, shown)) == WALK[2]


def test_with_one_tap_a_row_a_break_within_it_can_be_told_with_its_picks(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    shown = weave_to(client, store, piece_id, "weave", 2)
    shown = client.get(tap(client, piece_id, "pause", shown).headers["location"])
    assert "count the picks of it that are in" in words(shown)
    link = re.search(r'href="([^"]*/put-right/picks)"', shown.text)
    assert link
    data = form_of(client.get(link[1])) | {"picks": "3"}
    assert client.post(link[1], data=data).status_code == 303
    clock.pass_by(hours=20)
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert heading(shown) == "Welcome back"
    assert "Row 2 of 3 is on, 3 of its 5 picks in" in words(shown)
    shown = press(client, piece_id, shown)
    assert "Pick 4 of 5: treadle 4" in words(shown)
    assert "Row 2: 3 picks of it in" in words(client.get(f"/pieces/{piece_id}/log"))


def test_nothing_but_the_number_of_a_tick_is_kept(client: TestClient, store: Store, piece_id: int) -> None:
    shown = weave_to(client, store, piece_id, "label")
    card = form_of(shown)["card"]
    detail = f'{{"card": {card}, "junk": "{"x" * 90_000}"}}'
    assert tap(client, piece_id, "tick", shown, detail=detail).status_code == 303
    weaving = store.weaving(piece_id)
    assert weaving is not None
    assert weaving.log[-1].detail == f'{{"card": {card}}}'


def test_the_shed_asked_for_is_not_shown_again_rows_later(
    client: TestClient, store: Store, piece_id: int
) -> None:
    shown = weave_to(client, store, piece_id, "weave")
    link = re.search(r'href="([^"]*look=shed[^"]*)"', shown.text)
    assert link
    address = link[1].replace("&amp;", "&")
    assert heading(client.get(address)) == "Check the shed"
    for _ in range(20):
        shown = done(client, piece_id, shown)
        if heading(shown) == "Weave 5 picks":
            break
    assert heading(client.get(address)) == "Weave 5 picks"


def test_what_is_noted_on_a_row_is_hinted_at_on_its_instructions(
    client: TestClient, store: Store, piece_id: int
) -> None:
    shown = begin(client, piece_id)
    assert "Noted on row" not in words(shown)
    client.post(f"/pieces/{piece_id}/notes", data={"row": "1", "words": "beat lightly"})
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert "Noted on row 1" in words(shown)
    assert 'id="row-1"' in client.get(f"/pieces/{piece_id}/notes").text
    while store.weaving(piece_id).state.row < 2:  # type: ignore[union-attr]
        shown = done(client, piece_id, shown)
    assert "Noted on row" not in words(shown)


# --- reminders and settings ----------------------------------------------------------------------------


def test_a_reminder_stands_over_the_instruction_until_the_next_tap(
    client: TestClient, store: Store, piece_id: int
) -> None:
    asked = {"words": "Move the temple", "every": "1", "measure": "rows", "picks_per_cm": ""}
    assert "Kept." in words(client.post(f"/pieces/{piece_id}/reminders", data=asked))
    shown = weave_to(client, store, piece_id, "weave")
    assert "Move the temple" not in words(shown)
    shown = press(client, piece_id, shown)
    assert "Move the temple" in words(shown)
    assert "Move the temple" not in words(press(client, piece_id, shown))
    away = client.post(f"/pieces/{piece_id}/reminders/away", data={"words": "Move the temple"})
    assert "Taken away." in words(away)


def test_two_reminders_do_not_have_the_same_words(client: TestClient, store: Store, piece_id: int) -> None:
    asked = {"words": "Next bobbin", "every": "40", "measure": "picks", "picks_per_cm": ""}
    client.post(f"/pieces/{piece_id}/reminders", data=asked)
    before = store.preferences()
    answer = client.post(
        f"/pieces/{piece_id}/reminders", data=asked | {"words": " Next  bobbin ", "every": "60"}
    )
    assert answer.status_code == 422
    assert "use other words" in words(answer)
    assert store.preferences() == before


@pytest.mark.parametrize("bad", [bad for bad in HOSTILE if bad != "1.0"])
def test_settings_that_are_none_are_refused(
    client: TestClient, store: Store, piece_id: int, bad: str
) -> None:
    before = store.preferences()
    for data in ({"taps": bad, "shed": "always"}, {"taps": "pick", "shed": bad}):
        answer = client.post(f"/pieces/{piece_id}/settings", data=data)
        assert answer.status_code == 422
        assert "nothing was changed" in words(answer)
    for name in ("every", "measure", "picks_per_cm"):
        asked = {"words": "x", "every": "3", "measure": "cm", "picks_per_cm": "12"} | {name: bad}
        assert client.post(f"/pieces/{piece_id}/reminders", data=asked).status_code == 422
    assert client.post(f"/pieces/{piece_id}/reminders/away", data={"words": bad}).status_code == 422
    assert store.preferences() == before


def test_words_of_hers_are_shown_as_words(client: TestClient, store: Store, piece_id: int) -> None:
    asked = {"words": MARKUP[:55], "every": "1", "measure": "picks", "picks_per_cm": ""}
    client.post(f"/pieces/{piece_id}/reminders", data=asked)
    shown = weave_to(client, store, piece_id, "weave")
    shown = press(client, piece_id, shown)
    page = Text(shown.text)
    assert page.refused == []
    assert "<script>alert" in page.words
    settings = client.get(f"/pieces/{piece_id}/settings")
    assert Text(settings.text).refused == []
    assert not NOT_ON_SCREEN.search(words(settings).replace("alert", ""))


def test_no_thirteenth_reminder(client: TestClient, piece_id: int) -> None:
    for number in range(12):
        asked = {"words": f"r{number}", "every": "3", "measure": "picks", "picks_per_cm": ""}
        assert client.post(f"/pieces/{piece_id}/reminders", data=asked).status_code == 200
    answer = client.post(f"/pieces/{piece_id}/reminders", data=asked)
    assert answer.status_code == 422
    assert "12 reminders are the most" in words(answer)


def test_begin_is_where_everything_begins(client: TestClient, piece_id: int) -> None:
    assert heading(begin(client, piece_id)).startswith("Pull")
