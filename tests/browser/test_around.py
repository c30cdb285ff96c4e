"""Around the instruction, in a browser: a list to tick, a break on a walk, a row pick by pick."""

from __future__ import annotations

from datetime import timedelta

import pytest
from playwright.sync_api import Page

from tests.browser.conftest import NewTablet, Runner
from tests.browser.device import set_device
from tests.browser.screen import press_done, read, wait_for_turn, wait_until_counted

pytestmark = pytest.mark.browser


def card_number(runner: Runner, kind: str, nth: int = 1) -> int:
    """The number of the nth card of a kind."""
    return [card.number for card in runner.weaving().cards if card.kind == kind][nth - 1]


def ticked(tablet: Page) -> list[bool]:
    return [box.get_attribute("aria-pressed") == "true" for box in tablet.locator(".thing-tick").all()]


def test_a_walk_as_a_list_is_broken_off_and_goes_on_with_its_ticks(
    runner: Runner, new_tablet: NewTablet
) -> None:
    runner.put_on_loom(card_number(runner, "label"))
    tablet = new_tablet()
    set_device(tablet, runner.house.url, say="walk")
    tablet.goto(f"{runner.url}/loom")
    screen = read(tablet)
    assert ticked(tablet)[:3] == [False, False, False]
    press_done(tablet, screen)
    wait_for_turn(tablet, screen.turn + 1)
    tablet.locator(".thing-tick").nth(1).tap()
    wait_for_turn(tablet, screen.turn + 2)
    assert ticked(tablet)[:3] == [True, True, False]
    tablet.get_by_text("More", exact=True).tap()
    tablet.get_by_role("button", name="Take a break").tap()
    tablet.get_by_role("heading", name="Have a good break").wait_for()
    tablet.goto(f"{runner.house.url}/")
    other = new_tablet(390, 844)
    other.goto(f"{runner.url}/loom")
    other.get_by_role("button", name="I am back").tap()
    wait_for_turn(other, screen.turn + 4)
    assert read(other).card == screen.card + 2
    tablet.goto(f"{runner.url}/loom")
    assert ticked(tablet)[:3] == [True, True, False]
    tablet.locator(".thing-tick").nth(1).tap()
    wait_for_turn(tablet, screen.turn + 5)
    assert ticked(tablet)[:3] == [True, False, False]
    wait_until_counted(tablet)
    assert runner.weaving().state.temporaries == ()


def test_a_row_pick_by_pick_is_left_and_found_again_at_its_pick(
    runner: Runner, new_tablet: NewTablet
) -> None:
    runner.put_on_loom(card_number(runner, "weave"), ago=timedelta(hours=3))
    tablet = new_tablet()
    tablet.goto(f"{runner.url}/settings")
    tablet.get_by_text("Once a pick").tap()
    tablet.get_by_role("button", name="Keep these").tap()
    tablet.get_by_text("Kept.").wait_for()
    tablet.goto(f"{runner.url}/loom")
    turn = runner.weaving().place.turn
    tablet.get_by_role("button", name="Yes, it stands like this").tap()
    wait_for_turn(tablet, turn + 1)
    for number in (1, 2):
        screen = read(tablet)
        assert tablet.locator("button.done").inner_text() == f"Pick {number} is in"
        press_done(tablet, screen)
        wait_for_turn(tablet, screen.turn + 1)
    wait_until_counted(tablet)
    assert runner.weaving().place.pick == 2
    other = new_tablet(390, 844)
    other.goto(f"{runner.url}/loom")
    assert "Pick 3 of 4" in read(other).heading
    other.locator("button.back").tap()
    wait_for_turn(other, turn + 4)
    wait_until_counted(other)
    assert runner.weaving().place.pick == 1


def test_the_shed_is_looked_over_on_demand(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(card_number(runner, "weave", 3))
    tablet = new_tablet()
    tablet.goto(f"{runner.url}/loom")
    screen = read(tablet)
    tablet.get_by_role("link", name="Check the shed").tap()
    tablet.get_by_role("heading", name="Check the shed").wait_for()
    boxes = tablet.locator(".touch input")
    assert boxes.count() == len(runner.weaving().state.raised)
    for box in boxes.all():
        box.check()
    tablet.get_by_role("button", name="The shed is right").tap()
    wait_for_turn(tablet, screen.turn + 1)
    assert read(tablet).card == screen.card
    assert runner.weaving().place.checked
