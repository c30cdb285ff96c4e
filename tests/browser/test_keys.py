"""Keys and pedals: next, back, a foot that rests on the pedal, taps that come too early, learning a key."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import NewTablet, Runner
from tests.browser.device import set_device, stop_the_clock, wait_for_hold
from tests.browser.screen import Screen, press_done, read, wait_for_turn, wait_until_counted

pytestmark = pytest.mark.browser


def at_loom(runner: Runner, tablet: Page) -> Screen:
    tablet.goto(f"{runner.url}/loom")
    wait_for_hold(tablet)
    return read(tablet)


@pytest.mark.parametrize("key", ["PageDown", "ArrowRight", "ArrowDown", "Space", "Enter"])
def test_each_key_for_next_goes_on_once(runner: Runner, new_tablet: NewTablet, key: str) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.keyboard.press(key)
    wait_for_turn(tablet, screen.turn + 1)
    assert read(tablet).card == screen.card + 1
    wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 1


@pytest.mark.parametrize("key", ["PageUp", "ArrowLeft", "ArrowUp"])
def test_each_key_for_back_goes_back_once(runner: Runner, new_tablet: NewTablet, key: str) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.keyboard.press(key)
    wait_for_turn(tablet, screen.turn + 1)
    assert read(tablet).card == screen.card - 1


def test_keys_that_she_has_set_replace_the_usual_ones(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, keys_next="b F13", keys_back="Backspace")
    screen = at_loom(runner, tablet)
    for key in ("PageDown", "ArrowRight", "Space", "PageUp"):
        tablet.keyboard.press(key)
    assert read(tablet).turn == screen.turn
    tablet.keyboard.press("b")
    wait_for_turn(tablet, screen.turn + 1)
    tablet.keyboard.press("Backspace")
    wait_for_turn(tablet, screen.turn + 2)
    assert read(tablet).card == screen.card


def test_a_key_that_stays_down_counts_once(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, rest="0")
    screen = at_loom(runner, tablet)
    for _ in range(20):
        tablet.keyboard.down("PageDown")  # after the first, the browser calls it repeated
    tablet.keyboard.up("PageDown")
    wait_for_turn(tablet, screen.turn + 1)
    wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 1


def test_a_pedal_that_never_lets_go_counts_once(runner: Runner, new_tablet: NewTablet) -> None:
    """Some send one press after another without letting go and do not call them repeated."""
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, rest="0")
    screen = at_loom(runner, tablet)
    press = "document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'PageDown', bubbles: true}))"
    for _ in range(5):
        tablet.evaluate(press)
    assert read(tablet).turn == screen.turn + 1
    tablet.evaluate(press.replace("keydown", "keyup"))
    wait_for_turn(tablet, screen.turn + 1)
    tablet.evaluate(press)
    assert read(tablet).turn == screen.turn + 2


def test_enter_held_on_the_button_itself_counts_once(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, rest="0")
    screen = at_loom(runner, tablet)
    tablet.locator("button.done").focus()
    for _ in range(10):
        tablet.keyboard.down("Enter")
    tablet.keyboard.up("Enter")
    wait_for_turn(tablet, screen.turn + 1)
    wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 1


def wait_and_rest(tablet: Page, turn: int) -> None:
    """Wait until so many taps are shown, and let the rest after the last one pass; the clock stands."""
    tablet.locator(f"#done-form [name=turn][value='{turn}']").wait_for(state="attached")
    tablet.clock.run_for(3_000)
    wait_for_turn(tablet, turn)


def test_a_key_for_next_that_is_held_goes_back(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, hold_back="on", rest="0")
    stop_the_clock(tablet)
    screen = at_loom(runner, tablet)
    tablet.keyboard.down("PageDown")
    assert read(tablet).turn == screen.turn, "it may be held yet"
    tablet.clock.run_for(800)
    wait_and_rest(tablet, screen.turn + 1)
    assert read(tablet).card == screen.card - 1
    for _ in range(5):
        tablet.keyboard.down("PageDown")
    tablet.keyboard.up("PageDown")
    wait_until_counted(tablet)
    assert read(tablet).turn == screen.turn + 1, "letting go does not go on"
    tablet.keyboard.press("PageDown")
    wait_and_rest(tablet, screen.turn + 2)
    assert read(tablet).card == screen.card, "a short press does"


def test_a_tap_that_comes_too_early_is_seen_to_be_refused(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, rest="30")
    stop_the_clock(tablet)
    screen = at_loom(runner, tablet)
    tablet.keyboard.press("PageDown")
    tablet.locator(f"#done-form [name=turn][value='{screen.turn + 1}']").wait_for(state="attached")
    tablet.clock.run_for(1_500)
    done = tablet.locator("button.done")
    spot, place = done.bounding_box(), tablet.locator("h1").bounding_box()
    tablet.keyboard.press("PageDown")
    expect(done).to_contain_text("too soon")
    heading = tablet.locator("h1").bounding_box()
    assert done.bounding_box() == spot, "the mark moves nothing"
    assert heading == place, "and what is read out takes no room"
    assert "did not count" in read(tablet).message
    assert read(tablet).turn == screen.turn + 1
    tablet.clock.run_for(3_000)
    expect(done).not_to_contain_text("too soon")
    tablet.keyboard.press("PageDown")
    wait_until_counted(tablet)
    wait_and_rest(tablet, screen.turn + 2)
    assert runner.weaving().place.card == screen.card + 2


def test_with_no_rest_quick_taps_all_count(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, rest="0")
    screen = at_loom(runner, tablet)
    for _ in range(8):
        tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, screen.turn + 8)
    wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 8


def test_on_a_page_too_small_for_its_instruction_the_pedal_goes_on(
    runner: Runner, new_tablet: NewTablet
) -> None:
    """The heading has the focus after each tap, inside what scrolls."""
    insert = next(card.number for card in runner.weaving().cards if card.kind == "insert")
    runner.put_on_loom(insert)
    tablet = new_tablet(360, 480)
    screen = at_loom(runner, tablet)
    tablet.locator("h1").focus()
    assert tablet.locator(".work").evaluate("e => e.scrollHeight - e.clientHeight") > 1
    tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, screen.turn + 1)


@pytest.mark.parametrize("key", ["Control+ArrowRight", "Alt+ArrowRight", "Shift+Space", "a", "F5x", "Home"])
def test_other_keys_count_nothing(runner: Runner, new_tablet: NewTablet, key: str) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    if key == "F5x":  # a key that no keyboard has
        tablet.evaluate(
            "document.body.dispatchEvent(new KeyboardEvent('keydown', {key: '<b>', bubbles: true}))"
        )
    else:
        tablet.keyboard.press(key)
    wait_until_counted(tablet)
    assert (read(tablet).turn, runner.weaving().place.turn) == (screen.turn, screen.turn)


def test_the_help_card_comes_by_its_key_and_lists_the_keys_as_they_are(
    runner: Runner, new_tablet: NewTablet
) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet(390, 844)
    set_device(tablet, runner.url, keys_next="PageDown n", keys_back="<", hold_back="on", rest="15")
    at_loom(runner, tablet)
    tablet.keyboard.press("?")
    tablet.get_by_role("heading", name="Keys and help").wait_for()
    rows = [row.inner_text().split("\t") for row in tablet.get_by_role("row").all()]
    told = {
        what: [key.inner_text() for key in row.locator("kbd").all()]
        for (what, *_), row in zip(rows, tablet.get_by_role("row").all(), strict=True)
    }
    assert told["Next: the instruction is done"] == ["Page Down", "n"]
    assert told["Back: to the instruction before"] == ["<"]
    text = tablet.locator("main").inner_text()
    assert "hold a key for “next”" in text
    assert "1.5 seconds" in text


def test_keys_are_learnt_by_pressing_them_and_forgotten_again(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    tablet.goto(f"{runner.house.url}/help")
    tablet.get_by_role("button", name="Learn a key for “next”").click()
    tablet.get_by_role("status").get_by_text("Press the key").wait_for()
    tablet.keyboard.press("Shift")
    with tablet.expect_navigation():
        tablet.keyboard.press("ArrowUp")  # until now it went back
    back = tablet.locator("tr", has_text="Back:").locator("kbd").all_inner_texts()
    assert "↑" not in back
    assert "↑" in tablet.locator("tr", has_text="Next:").locator("kbd").all_inner_texts()
    screen = at_loom(runner, tablet)
    tablet.keyboard.press("ArrowUp")
    wait_for_turn(tablet, screen.turn + 1)
    assert read(tablet).card == screen.card + 1
    tablet.goto(f"{runner.house.url}/help")
    with tablet.expect_navigation():
        tablet.get_by_role("button", name="Forget ↑ for next").click()
    assert tablet.locator("kbd", has_text="↑").count() == 0
    with tablet.expect_navigation():
        tablet.get_by_role("button", name="Set the usual keys again").click()
    tablet.goto(f"{runner.house.url}/help")
    assert tablet.locator("tr", has_text="Back:").locator("kbd").all_inner_texts() == ["Page Up", "←", "↑"]


@pytest.mark.parametrize("key", ["Escape", "?", "Tab", "r"])
def test_keys_with_another_use_are_not_learnt(runner: Runner, new_tablet: NewTablet, key: str) -> None:
    tablet = new_tablet()
    tablet.goto(f"{runner.house.url}/help")
    tablet.get_by_role("button", name="Learn a key for “back”").click()
    tablet.keyboard.press(key)
    tablet.get_by_role("status").get_by_text("Nothing was changed").wait_for()
    assert tablet.locator("tr", has_text="Back:").locator("kbd").all_inner_texts() == ["Page Up", "←", "↑"]


def test_a_tap_on_the_screen_and_a_key_are_one_and_the_same(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(4)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    press_done(tablet, screen)
    wait_for_turn(tablet, screen.turn + 1)
    tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, screen.turn + 2)
    wait_until_counted(tablet)
    assert [entry.kind for entry in runner.weaving().log][-2:] == ["next", "next"]


def test_a_pedal_alone_does_not_end_a_break(runner: Runner, new_tablet: NewTablet) -> None:
    """A foot on its way off the bench; it asks for a second press, or for something ticked."""
    runner.put_on_loom(4)
    tablet = new_tablet()
    set_device(tablet, runner.url, rest="0")
    screen = at_loom(runner, tablet)
    for tick_first in (False, True):
        tablet.locator(".band-more summary").click()
        tablet.get_by_role("button", name="Take a break").click()
        tablet.get_by_role("heading", name="Have a good break").wait_for()
        turn = read(tablet).turn
        if tick_first:
            tablet.locator(".stands label").first.click()
            tablet.locator("h1").focus()
        else:
            tablet.keyboard.press("PageDown")
            tablet.get_by_text("Press once more").wait_for()
            assert runner.weaving().place.paused
        tablet.keyboard.press("PageDown")
        wait_for_turn(tablet, turn + 1)
        wait_until_counted(tablet)
        assert not runner.weaving().place.paused
    assert read(tablet).card == screen.card
