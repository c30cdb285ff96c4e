"""The cloth moves under the hand: taps, drags, wheel, keys; and by links where there are no scripts."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import NewTablet, Runner

pytestmark = pytest.mark.browser

PART = re.compile(r"[?&]ends=(\d+)-(\d+)&picks=(\d+)-(\d+)")


def opened(runner: Runner, tablet: Page, more: str = "") -> Locator:
    """The frame, when the page's script has taken it over."""
    tablet.goto(f"{runner.url}/cloth{more}")
    frame = tablet.locator("#frame.cloth-live")
    frame.wait_for()
    return frame


def part_after(tablet: Page, before: str) -> tuple[int, int, int, int]:
    """First and last end, first and last pick, once the address tells another part than before."""
    expect(tablet).not_to_have_url(before)
    found = PART.search(tablet.url)
    assert found, tablet.url
    first_end, last_end, first_pick, last_pick = map(int, found.groups())
    return first_end, last_end, first_pick, last_pick


def settled(tablet: Page) -> str:
    """The address, once the page has told where it is."""
    expect(tablet).to_have_url(re.compile("side="))
    return tablet.url


def test_a_tap_goes_closer_to_that_place_and_a_drag_moves(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    frame = opened(runner, tablet)
    box = frame.bounding_box()
    assert box
    expect(tablet.locator("#seen-words")).to_contain_text("The whole cloth")
    before = settled(tablet)
    tablet.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] * 0.9)
    _, _, first_pick, last_pick = part_after(tablet, before)
    picks = int(frame.get_attribute("data-picks") or 0)
    assert last_pick - first_pick < picks / 2
    assert first_pick + last_pick < picks  # the first picks are at the foot
    before = tablet.url
    tablet.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60)
    tablet.mouse.down()
    tablet.mouse.move(box["x"] + box["width"] / 2, box["y"] + 160, steps=4)
    tablet.mouse.up()
    _, _, first_then, last_then = part_after(tablet, before)
    assert first_then > first_pick
    assert last_then > last_pick


def test_keys_and_wheel_do_the_same(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    frame = opened(runner, tablet)
    frame.focus()
    seen = [settled(tablet)]
    for key in ("+", "+", "+", "ArrowRight"):
        tablet.keyboard.press(key)
        part = part_after(tablet, seen[-1])
        seen.append(tablet.url)
    before = PART.search(seen[-2])
    assert before
    assert part[0] > int(before[1])
    assert part[2:] == (int(before[3]), int(before[4]))
    frame.hover()
    tablet.mouse.wheel(0, 200)
    assert part_after(tablet, seen[-1])[3] > part[3]
    tablet.keyboard.press("0")
    expect(tablet.locator("#seen-words")).to_contain_text("The whole cloth")
    expect(tablet).not_to_have_url(PART)


def test_turned_over_the_same_place_is_seen_in_the_other_yarns(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    opened(runner, tablet)
    before = settled(tablet)
    for _ in range(3):
        tablet.get_by_role("button", name="Closer", exact=True).click()
        part = part_after(tablet, before)
        before = tablet.url
    tablet.get_by_label("The other side").check()
    expect(tablet).to_have_url(re.compile("side=back"))
    there = part_after(tablet, before)
    assert all(abs(now - then) <= 1 for now, then in zip(there, part, strict=True))
    tablet.get_by_label("Warp").select_option("madder")
    expect(tablet).to_have_url(re.compile("warp=madder"))
    # what leads elsewhere on the page keeps her yarns
    assert "warp=madder" in (tablet.locator(".float-lines a").first.get_attribute("href") or "")
    tablet.reload()
    expect(tablet.get_by_label("The other side")).to_be_checked()
    expect(tablet.get_by_label("Warp")).to_have_value("madder")


def test_without_scripts_links_go_closer_and_back(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet(scripts=False)
    tablet.goto(f"{runner.url}/cloth")
    words = tablet.locator("#seen-words")
    expect(words).to_contain_text("The whole cloth")
    tablet.get_by_role("link", name="Closer, lower left").click()
    expect(words).to_contain_text("Ends 1–")
    expect(words).to_contain_text("picks 1–")
    tablet.get_by_label("The other side").check()
    before = tablet.url
    tablet.get_by_role("button", name="Show it").click()
    tablet.wait_for_url(lambda url: url != before)  # the page before says as much
    expect(tablet.get_by_label("The other side")).to_be_checked()
    expect(words).to_contain_text("Ends 1–")
    tablet.get_by_role("link", name="The whole cloth").click()
    expect(words).to_contain_text("The whole cloth")
