"""The demo woven in a browser by tapping: to the last row, through a power cut, on two tablets."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from server.plan.workorder import write_workorder
from tests.browser.conftest import Complaints, NewTablet, Runner, bring_in, planned, run_house
from tests.browser.device import set_device, wait_for_hold
from tests.browser.literal_weaver import LiteralWeaver
from tests.browser.screen import Screen, fits, press_done, read, tick_both, wait_for_turn, wait_until_counted
from tests.demo import demo_text
from tests.traditions import renumbered

pytestmark = pytest.mark.browser

RUNNER = json.loads(demo_text("harbour_runner.json"))


def at_loom(runner: Runner, tablet: Page) -> Screen:
    tablet.goto(f"{runner.url}/loom")
    return read(tablet)


def tap_done(tablet: Page, screen: Screen) -> None:
    """Put a finger where the large button was seen."""
    assert screen.done_in_sight, screen
    tablet.touchscreen.tap(*screen.done_middle)


def weave_to_the_end(
    runner: Runner, tablet: Page, piece: dict[str, Any], *, units_from: str = "left", power_cut: bool = False
) -> None:
    """Weave a whole piece by the screen alone, and compare the cloth with the design.

    Args:
        piece: its file, numbered as the weaver counts.
        units_from: the side from which she counts units.
    """
    weaver = LiteralWeaver(piece, units_from)
    tablet.goto(runner.url)
    tablet.get_by_role("button", name="Put it on the loom").first.tap()
    wait_for_turn(tablet, 1)
    cards = runner.weaving().cards
    set_device(tablet, runner.url, rest="0")  # to wait before each of two hundred taps proves nothing
    tablet.reload()
    wait_for_hold(tablet)
    wrong: list[str] = []
    tops = set()
    for card in cards:
        screen = read(tablet)
        assert (screen.card, screen.kind) == (card.number, card.kind)
        wrong += fits(screen)
        tops.add(round(screen.done_top))
        weaver.do(screen)
        if card is cards[-1]:
            break
        tick_both(tablet, screen)
        if power_cut and card.number == len(cards) // 2:
            with tablet.expect_response(lambda answer: answer.request.method == "POST"):
                tap_done(tablet, screen)
            runner.house.kill()
            runner.house.start()
        else:
            tap_done(tablet, screen)
        tablet.locator(f"#done-form [name=turn][value='{screen.turn + 1}']").wait_for(state="attached")
    assert wrong == []
    assert len(tops) == 1, "“done” is always in the same place"
    wait_until_counted(tablet)
    press_done(tablet, screen)
    tablet.get_by_role("heading", name="The piece is woven", exact=True).wait_for()
    assert runner.weaving().place.status == "finished"
    assert len(runner.weaving().log) == len(cards) + 1
    lifted = [{unit for unit, cell in enumerate(row, 1) if cell == "#"} for row in piece["rows"]]
    assert weaver.cloth == lifted
    picks, treadles = piece["picks_per_row"], piece["treadling"]
    woven = sum(picks[row % len(picks)] for row in range(len(lifted)))
    assert weaver.treadles == [treadles[pick % len(treadles)] for pick in range(woven)]


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (390, 844)])
def test_the_whole_runner_is_woven_by_tapping_and_a_power_cut_loses_nothing(
    own_runner: Runner, new_tablet: NewTablet, width: int, height: int
) -> None:
    weave_to_the_end(own_runner, new_tablet(width, height), RUNNER, power_cut=True)


def test_the_whole_boat_is_woven_with_spare_handles_by_one_who_counts_from_the_back_and_the_right(
    tmp_path: Path, new_tablet: NewTablet
) -> None:
    for house in run_house(tmp_path):
        boat, tablet = bring_in(house, "net_mender.json"), new_tablet(768, 1024)
        counts = {"shafts_from": "back", "units_from": "right"}
        tablet.request.post(f"{house.url}/preferences", form=counts, headers={"origin": house.url})
        content, order = planned("net_mender.json")
        hers, _ = renumbered(json.dumps(content), write_workorder(order), "back", "right")
        weave_to_the_end(boat, tablet, json.loads(hers), units_from="right")


def test_a_tap_that_is_held_nowhere_says_so_without_an_answer_and_counts_once_the_server_is_back(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(3)
    tablet = new_tablet()
    tablet.route("**/ahead?*", lambda route: route.abort())  # nothing is held
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    press_done(tablet, screen)
    tablet.get_by_role("status").get_by_text("your place is kept").wait_for()
    assert read(tablet).card == screen.card
    own_runner.house.start()
    tablet.unroute("**/ahead?*")
    tablet.locator(".net-strip").wait_for(state="hidden")
    press_done(tablet, screen)
    wait_for_turn(tablet, screen.turn + 1)
    wait_until_counted(tablet)
    assert own_runner.weaving().place.card == screen.card + 1


@pytest.mark.parametrize("scripts", [True, False])
def test_a_double_tap_is_done_once(runner: Runner, new_tablet: NewTablet, scripts: bool) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet(scripts=scripts)
    screen = at_loom(runner, tablet)
    tablet.locator("button.done").dblclick()
    wait_for_turn(tablet, screen.turn + 1)
    tablet.wait_for_load_state("networkidle")
    if scripts:
        wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 1
    assert read(tablet).card == screen.card + 1


def test_a_quick_second_click_on_the_next_card_is_not_lost(runner: Runner, new_tablet: NewTablet) -> None:
    """A browser counts clicks half a second apart as one double click; the page does not go by that."""
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.locator("button.done").click()
    wait_for_turn(tablet, screen.turn + 1)
    tablet.mouse.down(click_count=2)
    tablet.mouse.up(click_count=2)
    wait_for_turn(tablet, screen.turn + 2)
    wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 2


def test_a_double_tap_on_back_is_one_step_back(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(5)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.locator("button.back").dblclick()
    wait_for_turn(tablet, screen.turn + 1)
    wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card - 1


def test_of_two_tablets_the_slower_tap_changes_nothing(runner: Runner, new_tablet: NewTablet) -> None:
    """Without scripts a page does not follow; with them, see `test_screens`."""
    runner.put_on_loom(4)
    quick, slow = new_tablet(), new_tablet(390, 844, scripts=False)
    screen = at_loom(runner, quick)
    assert at_loom(runner, slow).card == screen.card
    press_done(quick, screen)
    wait_for_turn(quick, screen.turn + 1)
    wait_until_counted(quick)
    press_done(slow, screen)
    slow.get_by_role("status").wait_for()
    expect_nothing_changed(runner, slow, screen.turn + 1, screen.card + 1)


@pytest.mark.parametrize("scripts", [True, False])
@pytest.mark.parametrize("button", ["button.done", "button.back"])
def test_a_page_kept_from_before_changes_nothing(
    runner: Runner, new_tablet: NewTablet, scripts: bool, button: str
) -> None:
    """As a browser shows it that brings a page back from its history without asking for it."""
    runner.put_on_loom(4)
    tablet = new_tablet(scripts=scripts)
    screen = at_loom(runner, tablet)
    age = "turn => document.querySelectorAll('[name=turn]').forEach(field => field.value = turn)"
    tablet.evaluate(age, screen.turn - 1)
    tablet.locator(button).tap()
    tablet.get_by_role("status").wait_for()
    expect_nothing_changed(runner, tablet, screen.turn, screen.card)


def expect_nothing_changed(runner: Runner, tablet: Page, turn: int, card: int) -> None:
    seen = read(tablet)
    assert (seen.card, seen.turn) == (card, turn), "the page shows where the piece is"
    assert "Another tap was first" in seen.message
    assert fits(seen) == []
    place = runner.weaving().place
    assert (place.card, place.turn) == (card, turn)


@pytest.mark.parametrize("scripts", [True, False])
def test_the_browsers_own_back_button_shows_where_the_piece_is(
    runner: Runner, new_tablet: NewTablet, scripts: bool
) -> None:
    runner.put_on_loom(6)
    tablet = new_tablet(scripts=scripts)
    screen = at_loom(runner, tablet)
    press_done(tablet, screen)
    wait_for_turn(tablet, screen.turn + 1)
    if scripts:
        wait_until_counted(tablet)
    tablet.goto(f"{runner.url}/log")
    other = new_tablet()
    press_done(other, at_loom(runner, other))
    wait_for_turn(other, screen.turn + 2)
    wait_until_counted(other)
    tablet.go_back()
    wait_for_turn(tablet, screen.turn + 2)
    assert read(tablet).card == screen.card + 2
    press_done(tablet, read(tablet))
    wait_for_turn(tablet, screen.turn + 3)
    if scripts:
        wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 3


def test_back_goes_one_card_back_and_the_log_keeps_both(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(5)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.locator("button.back").tap()
    wait_for_turn(tablet, screen.turn + 1)
    assert read(tablet).card == screen.card - 1
    wait_until_counted(tablet)
    assert [entry.kind for entry in runner.weaving().log][-2:] == ["next", "back"]


def test_enter_is_as_good_as_a_tap(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom()
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    for turn in range(screen.turn + 1, screen.turn + 6):
        tablet.keyboard.press("Enter")
        wait_for_turn(tablet, turn)
    wait_until_counted(tablet)
    assert runner.weaving().place.card == screen.card + 5


@pytest.mark.parametrize("key", ["Home", "End", "Shift+Space"])
def test_keys_that_only_scroll_count_nothing(runner: Runner, new_tablet: NewTablet, key: str) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.keyboard.press(key)
    wait_until_counted(tablet)
    assert (read(tablet).turn, runner.weaving().place.turn) == (screen.turn, screen.turn)


def test_in_a_drawing_that_scrolls_the_keys_scroll(runner: Runner, new_tablet: NewTablet) -> None:
    first = next(card.number for card in runner.weaving().cards if card.kind == "insert")
    runner.put_on_loom(first)
    tablet = new_tablet(390, 600)
    screen = at_loom(runner, tablet)
    drawing = tablet.locator(".drawing")
    work = tablet.locator(".work")
    assert work.evaluate("e => e.scrollHeight - e.clientHeight") > 100
    drawing.focus()
    for key in ("Enter", "PageDown", "Space"):
        tablet.keyboard.press(key)
    work.evaluate("e => e.scrollTop || new Promise(done => e.addEventListener('scroll', done))")
    assert (read(tablet).turn, runner.weaving().place.turn) == (screen.turn, screen.turn)
    tablet.locator("h1").focus()
    tablet.keyboard.press("Enter")
    wait_for_turn(tablet, screen.turn + 1)


HIDE = """hidden => {
  Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
  document.dispatchEvent(new Event('visibilitychange'));
}"""


@pytest.mark.parametrize(("minutes", "is_asked"), [(45, True), (2, False)])
def test_a_page_that_stayed_open_is_asked_for_again_when_she_is_back(
    runner: Runner, new_tablet: NewTablet, minutes: int, is_asked: bool
) -> None:
    """A break may be due by then, which no screen tells another."""
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.evaluate("window.isThatPage = true")
    tablet.evaluate(HIDE, True)
    tablet.evaluate(f"const now = Date.now; Date.now = () => now() + {minutes} * 60000")
    if is_asked:
        with tablet.expect_event("framenavigated"):
            tablet.evaluate(HIDE, False)
    else:
        tablet.evaluate(HIDE, False)
    tablet.wait_for_load_state("networkidle")
    assert tablet.evaluate("Boolean(window.isThatPage)") != is_asked
    assert read(tablet).turn == screen.turn


def test_a_page_that_comes_back_while_the_server_is_away_waits_for_it(
    own_runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    tablet.evaluate("dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))")
    tablet.locator(".net-strip").get_by_text("Not connected").wait_for()
    assert read(tablet).card == screen.card
    own_runner.house.start()
    tablet.locator(".net-strip").wait_for(state="hidden")
    wait_for_turn(tablet, screen.turn)


def test_without_scripts_the_first_forty_cards_can_be_woven(runner: Runner, new_tablet: NewTablet) -> None:
    weaver = LiteralWeaver(RUNNER)
    tablet = new_tablet(scripts=False)
    tablet.goto(runner.url)
    tablet.get_by_role("button", name="Put it on the loom").first.tap()
    wait_for_turn(tablet, 1)
    kinds = set()
    for _ in range(44):
        screen = read(tablet)
        assert fits(screen) == []
        kinds.add(screen.kind)
        weaver.do(screen)
        press_done(tablet, screen)
        wait_for_turn(tablet, screen.turn + 1)
    assert kinds >= {"raise", "weave", "walk", "label", "insert", "move_cords"}
    assert runner.weaving().place.card == 44
    assert len(weaver.cloth) >= 18


def test_cords_are_not_done_before_both_ends_are_ticked(runner: Runner, new_tablet: NewTablet) -> None:
    cards = runner.weaving().cards
    first = next(card.number for card in cards if card.kind == "move_cords")
    runner.put_on_loom(first)
    tablet = new_tablet(390, 844)
    screen = at_loom(runner, tablet)
    assert screen.kind == "move_cords"
    tablet.locator(".ticks label").first.tap()
    tablet.locator("button.done").tap()
    tablet.get_by_role("status").get_by_text("tick each").wait_for()
    wait_for_turn(tablet, screen.turn)
    assert read(tablet).card == screen.card
    assert runner.weaving().place.card == first
    tablet.locator(".ticks label").last.tap()  # the first is ticked still
    tablet.locator("button.done").tap()
    wait_for_turn(tablet, screen.turn + 1)


def test_a_wrong_test_lift_opens_the_insertion_again(runner: Runner, new_tablet: NewTablet) -> None:
    cards = runner.weaving().cards
    lift = next(card for card in cards if card.kind == "test_lift")
    runner.put_on_loom(lift.number)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.get_by_role("button", name="Not like this").tap()
    wait_for_turn(tablet, screen.turn + 1)
    again = read(tablet)
    assert again.kind == cards[lift.redo or 0].kind == "insert"
    assert again.heading.startswith("Again:")
    assert fits(again) == []
    press_done(tablet, again)
    wait_for_turn(tablet, screen.turn + 2)
    assert read(tablet).kind == "test_lift"
    assert read(tablet).card == lift.number


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (390, 844)])
@pytest.mark.parametrize(("hours", "said"), [(0.75, "45 minutes"), (72, "3 days")])
def test_after_a_break_she_is_shown_how_everything_should_stand(
    runner: Runner, new_tablet: NewTablet, width: int, height: int, hours: float, said: str
) -> None:
    cards = runner.weaving().cards
    behind_her = next(card.number for card in cards if card.kind == "weave" and card.row == 22)
    runner.put_on_loom(behind_her, ago=timedelta(hours=hours))
    tablet = new_tablet(width, height)
    tablet.goto(f"{runner.url}/loom")
    shown = tablet.locator("section[aria-labelledby=instruction]").inner_text()
    assert said in shown
    temporaries = runner.weaving().state.temporaries
    assert len(temporaries) > 4
    assert all(temporary.name in shown for temporary in temporaries)
    yes = tablet.get_by_role("button", name="Yes, it stands like this")
    box = yes.bounding_box()
    assert box is not None
    assert box["y"] >= 0
    assert box["y"] + box["height"] <= height
    yes.tap()
    wait_for_turn(tablet, runner.weaving().cards[behind_her].number + 2)
    screen = read(tablet)
    assert (screen.kind, screen.card) == ("weave", behind_her)
    wait_until_counted(tablet)
    assert [entry.kind for entry in runner.weaving().log][-1] == "stands"
