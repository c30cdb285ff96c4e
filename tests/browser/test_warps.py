"""The loom on paper in a browser: the drawing follows what is typed, and where she was in the form stays."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import NewTablet, Runner
from tests.browser.test_looks import look

pytestmark = pytest.mark.browser


def open_form(runner: Runner, tablet: Page) -> Page:
    tablet.goto(f"{runner.house.url}/warps/new")
    return tablet


def test_the_drawing_follows_what_is_typed_and_a_touched_shaft_is_marked(
    runner: Runner, new_tablet: NewTablet
) -> None:
    tablet = open_form(runner, new_tablet())
    lines = tablet.locator(".hanging-line")
    expect(lines).to_have_count(8)
    expect(tablet.get_by_role("button", name="Show it")).to_be_hidden()
    tablet.locator("#part-1-shafts").fill("12")
    expect(lines).to_have_count(12)
    expect(tablet.locator("#part-1-shafts")).to_be_focused()
    tablet.locator(".hanging-line[data-line='9'] .hanging-touch").tap()
    expect(tablet.locator("#mark-says")).to_have_text("Shaft 9 lifts 2 units together: 9 and 15.")
    expect(tablet.locator(".hanging-line.is-marked")).to_have_count(1)
    # what cannot be hung is said, its field is marked, and the drawing stays as it was
    tablet.get_by_label("Counter", exact=True).fill("4")
    expect(tablet.locator("#warp-said")).to_have_text("Counter 4 gives no satin on 5 shafts. These do: 2.")
    expect(tablet.locator("#counter")).to_have_attribute("aria-invalid", "true")
    expect(lines).to_have_count(12)
    tablet.get_by_role("button", name="Counter 2").click()
    expect(tablet.locator("#warp-said")).to_have_text("")
    expect(tablet.locator("#counter")).to_have_value("2")


def test_parts_are_hung_by_keyboard_and_the_warp_is_kept(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = open_form(runner, new_tablet(390, 844))
    tablet.get_by_label("Name of the warp").fill("Towels")
    tablet.get_by_label("Name of the warp").press("Enter")  # shows it, and keeps nothing yet
    tablet.get_by_role("button", name="Borders at both sides").press("Enter")
    expect(tablet.locator("#part-2-kind")).to_be_focused()
    expect(tablet.locator(".hanging-line")).to_have_count(12)
    tablet.get_by_role("button", name=re.compile("^Right →.*part 1$")).press("Enter")
    expect(tablet.locator("#part-2-right")).to_be_focused()
    expect(tablet.locator(".warp-part legend")).to_have_text(["Part 1", "Part 2", "Part 3"])
    expect(tablet.locator("[name=part]").nth(1)).to_have_value("2")
    tablet.get_by_role("button", name=re.compile("^Take out.*part 3$")).press("Enter")
    expect(tablet.locator("#add-part")).to_be_focused()
    tablet.get_by_role("button", name="Keep this warp").click()
    expect(tablet.get_by_role("heading", level=1)).to_have_text("Towels")
    kept = runner.house.store.board.warps()[0]
    assert (kept.name, kept.warp.units) == ("Towels", 19)
    assert look(tablet, "a warp") == []


def test_all_can_be_done_without_scripts(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = open_form(runner, new_tablet(scripts=False))
    tablet.get_by_label("Weave", exact=True).select_option("free")
    tablet.locator("#treadles").fill("2")
    tablet.get_by_role("button", name="Show it").click()
    tablet.get_by_label("Treadle 2, ground shaft 1").select_option("up")
    tablet.get_by_role("button", name="Add a part at the right").click()
    expect(tablet.locator(".warp-part")).to_have_count(2)
    expect(tablet.locator(".warp-warnings li").first).to_be_visible()
    tablet.get_by_role("button", name="Keep this warp").click()
    kept = runner.house.store.board.warps()[0]
    assert kept.warp.units == 30
    assert kept.warp.threads.ground.treadles[1].rises == (1,)
