"""Several screens on one piece: all follow, any may tap, who was first counts."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import ASKING, Complaints, NewTablet, Runner
from tests.browser.device import wait_for_hold
from tests.browser.screen import Screen, press_done, read, wait_for_turn, wait_until_counted

pytestmark = pytest.mark.browser

HIDE = """hidden => {
  Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
  document.dispatchEvent(new Event('visibilitychange'));
}"""


def at_loom(runner: Runner, tablet: Page) -> Screen:
    tablet.goto(f"{runner.url}/loom")
    wait_for_hold(tablet)
    return read(tablet)


HEARD = """() => {
  window.heard = [];
  const place = document.getElementById("said");
  const note = () => place.textContent && window.heard.push(place.textContent);
  new MutationObserver(note).observe(place, { childList: true, characterData: true, subtree: true });
}"""
"""Notes every message of another screen; one that is seen goes away by itself."""


def test_all_screens_follow_without_asking_and_are_told_whose_tap_it_was(
    runner: Runner, new_tablet: NewTablet
) -> None:
    """How soon they follow is measured in `tests.bench.tablet`."""
    runner.put_on_loom(2)
    tablet, phone, desktop = new_tablet(), new_tablet(390, 844), new_tablet(1920, 1080)
    screen = at_loom(runner, tablet)
    for other in (phone, desktop):
        at_loom(runner, other)
    asked: list[str] = []
    for page in (phone, desktop):
        page.wait_for_load_state("networkidle")
        page.on("request", lambda request: asked.append(urlsplit(request.url).path.rsplit("/", 1)[-1]))
        page.evaluate(HEARD)
    for step in range(1, 6):
        press_done(tablet, read(tablet))
        turn = screen.turn + step
        for page in (tablet, phone, desktop):
            wait_for_turn(page, turn)
    assert set(asked) <= {"ahead"}, "they are told, and ask for nothing but what they do not hold"
    for page in (phone, desktop):
        assert page.evaluate("window.heard").count("Another screen went on: Row 4: shed raised.") == 1
    assert read(tablet).message == ""
    wait_until_counted(tablet)
    assert read(phone).card == read(tablet).card == runner.weaving().place.card
    # after a moment; it must not cover the page
    expect(phone.locator("#said:not(.visually-hidden):not(:empty)")).to_have_count(0)
    press_done(tablet, read(tablet))
    wait_for_turn(phone, screen.turn + 6)
    expect(phone.locator("#said.visually-hidden")).to_contain_text("Another screen went on")  # only read out
    tablet.evaluate(HEARD)
    press_done(phone, read(phone))
    wait_for_turn(tablet, screen.turn + 7)
    assert tablet.evaluate("window.heard")[-1].startswith("Another screen went on: Row 5: shed raised")
    assert read(phone).message == ""


def test_what_is_chosen_on_another_device_shows_at_once_and_on_all_that_is_held(
    own_runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    runner, house = own_runner, own_runner.house
    runner.put_on_loom()
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    marks = set()
    for end in ("back", "weaver"):
        ASKING.post(f"{house.url}/preferences", data={"shafts_from": end})
        tablet.get_by_role("status").get_by_text("was changed on another screen").wait_for()
        assert read(tablet).turn == screen.turn
        sent = ASKING.get(f"{runner.url}/loom").text
        marks.add(tablet.locator("main").get_attribute("data-mark"))
        assert f'data-mark="{tablet.locator("main").get_attribute("data-mark")}"' in sent
        wait_for_hold(tablet)
        tablet.evaluate("document.getElementById('said').textContent = ''")
    assert len(marks) == 2
    complaints.net_drops = True
    last = tablet.locator("main").get_attribute("data-mark") or ""
    house.kill()
    tablet.locator(".net-strip").wait_for()
    house.store.set_preferences({"units_from": "right"})  # meanwhile, on another screen
    house.start()
    expect(tablet.locator("main")).not_to_have_attribute("data-mark", last)


TAP_AT = """([moment, turn]) => {
  window.hasTapped = new Promise(tell => setTimeout(() => {
    const isUp = Number(document.querySelector('#done-form [name=turn]').value) === turn;
    if (isUp) document.querySelector('button.done').click();
    tell(isUp);
  }, moment - Date.now()));
}"""
"""Taps at this moment, unless it has heard by then that the other was first: that would be the next tap."""


def test_of_screens_that_race_one_counts_and_the_others_are_told(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    runner.put_on_loom(2)
    one, two = new_tablet(), new_tablet()
    at_loom(runner, one)
    at_loom(runner, two)
    races = 0
    while races < 6:
        before = runner.weaving().place
        start = time.time() * 1000 + 300
        for page in (one, two):  # both tap at the same moment
            page.evaluate(TAP_AT, [start, before.turn])
        tapped = [page.evaluate("window.hasTapped") for page in (one, two)]
        races += all(tapped)
        for page in (one, two):
            page.locator(f"#done-form [name=turn][value='{before.turn + 1}']").wait_for(state="attached")
            wait_until_counted(page)
            wait_for_turn(page, before.turn + 1)
        after = runner.weaving().place
        assert (after.turn, after.card) == (before.turn + 1, before.card + 1), f"race {races}"
        assert read(one).card == read(two).card == after.card
        told = [read(page).message for page in (one, two)]
        assert any(told), "who came second is told"
    complaints.heard = [said for said in complaints.heard if "409" not in said]


def test_after_a_form_that_the_server_answered_instructions_are_held_again(
    runner: Runner, new_tablet: NewTablet
) -> None:
    lift = next(card.number for card in runner.weaving().cards if card.kind == "test_lift")
    runner.put_on_loom(lift)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.get_by_role("button", name="Not like this").tap()
    wait_for_turn(tablet, screen.turn + 1)
    wait_for_hold(tablet)
    assert read(tablet).heading.startswith("Again:")


def test_back_on_one_screen_is_followed_by_the_other(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(6)
    one, two = new_tablet(), new_tablet()
    screen = at_loom(runner, one)
    at_loom(runner, two)
    one.keyboard.press("PageUp")
    wait_for_turn(two, screen.turn + 1)
    assert read(two).card == screen.card - 1
    assert "Back" in read(two).message


def test_a_screen_that_nobody_saw_catches_up_when_it_is_seen(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(2)
    one, two = new_tablet(), new_tablet()
    screen = at_loom(runner, one)
    at_loom(runner, two)
    two.evaluate(HIDE, True)
    press_done(one, screen)
    wait_for_turn(one, screen.turn + 1)
    wait_until_counted(one)
    assert read(two).turn == screen.turn
    two.evaluate(HIDE, False)
    wait_for_turn(two, screen.turn + 1)
    assert read(two).message.startswith("Another screen went on")


def test_other_pages_are_not_torn_away(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(2)
    one, two = new_tablet(), new_tablet()
    screen = at_loom(runner, one)
    two.goto(f"{runner.url}/settings")
    two.get_by_role("radio").first.focus()
    press_done(one, screen)
    wait_for_turn(one, screen.turn + 1)
    wait_until_counted(one)
    assert two.url.endswith("/settings")
    assert two.evaluate("document.activeElement.type") == "radio"


def test_a_screen_goes_along_when_the_piece_comes_off_the_loom(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom()
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    answer = ASKING.post(f"{runner.url}/aside", data={"card": screen.card, "turn": screen.turn})
    assert answer.status_code == 303
    tablet.wait_for_url(runner.url)


def test_a_storm_of_taps_from_everywhere_counts_each_turn_once(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)

    def tap(number: int) -> int:
        body = [{"key": f"{number:032x}", "kind": "next", "card": screen.card, "turn": screen.turn, "age": 0}]
        return ASKING.post(f"{runner.url}/taps", json=body).status_code

    with ThreadPoolExecutor(8) as crowd:
        answers = list(crowd.map(tap, range(24)))
    assert sorted(answers) == [200, *[409] * 23]
    wait_for_turn(tablet, screen.turn + 1)
    assert runner.weaving().place.turn == screen.turn + 1
