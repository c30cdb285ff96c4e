"""The loom on paper in a browser: the drawing follows what is typed, and where she was in the form stays."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Complaints, NewTablet, Runner
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


def test_what_was_typed_is_asked_about_and_is_back_until_it_is_kept_or_dropped(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet = open_form(runner, new_tablet())
    asked: list[str] = []
    tablet.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    back = tablet.locator("#warp-draft")
    name = tablet.locator("#name")
    tablet.goto(f"{runner.house.url}/designs")  # nothing was typed
    tablet.goto(f"{runner.house.url}/warps/new")
    assert asked == []
    name.fill("Towels")
    tablet.get_by_role("button", name="Borders at both sides").click()
    expect(tablet.locator(".warp-part")).to_have_count(3)
    tablet.locator("#part-2-kind").select_option("single")
    tablet.get_by_role("link", name="Designs").click()  # at once, with no time to draw it
    expect(tablet.get_by_role("heading", level=1)).to_have_text("Designs")
    assert asked == ["beforeunload"]
    tablet.go_back()
    expect(back).to_contain_text("What you typed here before is back.")
    expect(name).to_have_value("Towels")
    expect(tablet.locator(".warp-part")).to_have_count(3)
    expect(tablet.locator("#part-2-kind")).to_have_value("single")
    # refused, it is still there; kept, it is not offered again
    tablet.locator("#picks_per_cm").fill("x")
    tablet.get_by_role("button", name="Keep this warp").click()
    expect(tablet.locator("#wrong")).to_be_visible()
    complaints.forgive("422")
    tablet.locator("#picks_per_cm").fill("21")
    tablet.get_by_role("button", name="Keep this warp").click()
    expect(tablet.get_by_role("heading", level=1)).to_have_text("Towels")
    assert asked == ["beforeunload"]
    tablet.goto(f"{runner.house.url}/warps/new")
    expect(name).to_have_value("")
    expect(back).to_be_hidden()
    # dropped, it is gone
    name.fill("Other")
    tablet.reload()
    expect(name).to_have_value("Other")
    assert asked == ["beforeunload"] * 2
    back.get_by_role("button", name="Drop it and begin anew").click()
    expect(name).to_have_value("")
    expect(back).to_be_hidden()
    assert asked == ["beforeunload"] * 2


def test_a_draft_that_cannot_be_read_is_passed_over(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = open_form(runner, new_tablet())
    for odd in (
        "{",
        "7",
        '{"entries": 7}',
        '{"entries": [null, "ab", ["a"]]}',
        '{"entries": [["name", {}]]}',
    ):
        tablet.goto(f"{runner.house.url}/warps")
        tablet.evaluate(
            """odd => {
              const { database } = document.documentElement.dataset;
              localStorage.setItem(`warp ${database} /warps/new`, odd);
            }""",
            odd,
        )
        tablet.goto(f"{runner.house.url}/warps/new")
        tablet.locator("#part-1-shafts").fill("3")
        expect(tablet.locator(".hanging-line")).to_have_count(3)
        expect(tablet.locator("#warp-draft")).to_be_hidden()
        tablet.locator("#part-1-shafts").fill("8")
        expect(tablet.locator(".hanging-line")).to_have_count(8)


def test_a_draft_that_cannot_be_put_back_now_waits(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet = open_form(runner, new_tablet())
    tablet.on("dialog", lambda dialog: dialog.accept())
    tablet.get_by_label("Name of the warp").fill("Towels")
    tablet.get_by_role("button", name="Keep this warp").click()
    heading = tablet.get_by_role("heading", level=1)
    expect(heading).to_have_text("Towels")
    address = tablet.url.partition("?")[0]
    tablet.locator("#part-1-shafts").fill("9")
    tablet.goto(f"{runner.house.url}/warps")
    tablet.route(
        address, lambda route: route.abort() if route.request.method == "POST" else route.continue_()
    )
    tablet.goto(address)
    expect(tablet.locator("#warp-draft")).to_contain_text("could not be put back just now")
    complaints.forgive("net::ERR_FAILED")
    tablet.locator("#part-1-shafts").fill("5")  # does not write over it
    expect(tablet.locator(".hanging-line")).to_have_count(5)
    tablet.unroute(address)
    tablet.goto(address)
    expect(tablet.locator("#part-1-shafts")).to_have_value("9")
    tablet.get_by_role("button", name="Drop it, and show the warp as it is kept").click()
    expect(tablet.locator("#part-1-shafts")).to_have_value("8")
    expect(tablet.locator("#warp-draft")).to_be_hidden()
    expect(tablet.locator("#pattern_shafts")).to_have_attribute("placeholder", "as needed: 8")


def test_a_draft_of_another_page_is_left_alone(runner: Runner, new_tablet: NewTablet) -> None:
    idle = open_form(runner, new_tablet())
    tablet = idle.context.new_page()
    tablet.on("dialog", lambda dialog: dialog.accept())
    open_form(runner, tablet)
    tablet.locator("#name").fill("Towels")
    tablet.goto(f"{runner.house.url}/designs")
    idle.goto(f"{runner.house.url}/designs")
    open_form(runner, idle)
    expect(idle.locator("#name")).to_have_value("Towels")


def test_the_drawing_takes_little_room_and_shows_what_is_marked(
    runner: Runner, new_tablet: NewTablet
) -> None:
    tablet = open_form(runner, new_tablet(1024, 768))
    tablet.locator("#part-1-shafts").fill("90")
    expect(tablet.locator(".hanging-line")).to_have_count(90)
    scroll = tablet.locator(".hanging-scroll")
    at_foot = "part => Math.abs(part.scrollHeight - part.clientHeight - part.scrollTop) < 2"
    assert scroll.evaluate(at_foot)  # the nearest shafts are seen first
    tablet.locator("#mark").select_option("85")
    seen = """line => {
      const part = line.closest(".hanging-scroll").getBoundingClientRect();
      const dots = line.querySelector(".hanging-dots").getBoundingClientRect();
      const isAcross = dots.left > part.left && dots.left < part.right;
      return isAcross && dots.top > part.top && dots.bottom < part.bottom;
    }"""
    assert tablet.locator(".hanging-line.is-marked").evaluate(seen)
    tablet.locator("#mark").select_option("2")
    assert tablet.locator(".hanging-line.is-marked").evaluate(seen)
    # what is wrong is told beside its field, and the drawing above it leaves room for it
    counter = tablet.get_by_label("Counter", exact=True)
    counter.fill("4")
    expect(tablet.locator("#wrong")).to_have_text("Counter 4 gives no satin on 5 shafts. These do: 2.")
    expect(counter).to_have_accessible_description("Counter 4 gives no satin on 5 shafts. These do: 2.")
    expect(tablet.locator("#wrong")).to_be_in_viewport()
    assert (
        tablet.locator("#warp-seen").evaluate("part => part.getBoundingClientRect().bottom / innerHeight")
        < 0.42
    )
    counter.fill("3")
    expect(tablet.locator("#wrong")).to_have_count(0)


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
