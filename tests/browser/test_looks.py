"""Every page in a browser: nothing too wide, too pale or too small, and nothing that the browser refuses.

What is chosen on a device, and its shape, change where things are and how large, never what is said.
"""

from __future__ import annotations

import json
from itertools import groupby
from pathlib import Path

import pytest
from playwright.sync_api import Page

from server.settings import resource_dir
from tests.browser.conftest import Complaints, NewTablet, Runner, kinds_of
from tests.browser.device import set_device
from tests.browser.scenes import COMPLAINTS, PAGES, SCENES
from tests.browser.screen import (
    fits,
    pale_texts,
    read,
    small_targets,
    wait_for_turn,
    wait_until,
    wait_until_counted,
)

pytestmark = pytest.mark.browser

LOOKS: list[tuple[int, int, dict[str, str]]] = [
    (1024, 768, {"look": "light"}),
    (1024, 768, {"look": "dark", "size": "large"}),
    (768, 1024, {"hand": "left"}),
    (390, 844, {}),
    (360, 640, {"size": "small", "view": "behind"}),
    (390, 844, {"size": "largest"}),
    (844, 390, {"hand": "left", "look": "contrast"}),
    (1920, 1080, {"size": "large"}),
]
"""Width and height of the screen, and what is set on the device."""

ON_PAGES: list[tuple[int, int, dict[str, str]]] = [
    (1024, 768, {}),
    (390, 844, {"look": "dark"}),
    (320, 568, {}),
    (320, 568, {"size": "large"}),
]
"""The same for the pages besides the instruction."""


def look(tablet: Page, where: str) -> list[str]:
    """What is wrong with the looks of a page."""
    too_wide = tablet.evaluate("document.documentElement.scrollWidth - innerWidth")
    wrong = [f"{too_wide} px too wide"] if too_wide > 0 else []
    wrong += [f"small: {target}" for target in small_targets(tablet)]
    wrong += [f"pale: {text}" for text in pale_texts(tablet)]
    if tablet.locator("h1").count() != 1:
        wrong.append("it should have one h1")
    return [f"{where}: {line}" for line in wrong]


def wear(tablet: Page, width: int, height: int, chosen: dict[str, str]) -> None:
    """Show the page that is open on another device, as the server would have sent it there.

    Args:
        chosen: what only the styles go by: the look, the size, the hand.
    """
    tablet.set_viewport_size({"width": width, "height": height})
    usual = {"look": "system", "size": "normal", "hand": "right"}
    tablet.evaluate("chosen => Object.assign(document.documentElement.dataset, chosen)", usual | chosen)


def test_what_is_chosen_stands_on_the_page_for_the_styles_alone(
    runner: Runner, new_tablet: NewTablet
) -> None:
    """So that a page can be shown as on another device without asking for it anew."""
    tablet = new_tablet()
    runner.put_on_loom(1)
    usual, chosen = "", {"look": "dark", "size": "large", "hand": "left"}
    for settings in ({}, chosen):
        set_device(tablet, runner.url, **settings)
        tablet.goto(f"{runner.url}/loom")
        wear(tablet, 1024, 768, chosen)
        shown = tablet.evaluate(
            "[document.documentElement.cloneNode(), document.body].map(one => one.outerHTML).join('')"
        )
        assert shown == (usual or shown)
        usual = shown


@pytest.mark.parametrize("looks", [LOOKS[::2], LOOKS[1::2]], ids=["one half", "the other"])
def test_every_kind_of_card_can_be_read_and_hit(
    runner: Runner, new_tablet: NewTablet, looks: list[tuple[int, int, dict[str, str]]]
) -> None:
    tablet = new_tablet()
    wrong: list[str] = []
    spots: dict[str, set[tuple[int, int]]] = {}
    for kind, number in kinds_of(runner):
        runner.put_on_loom(number)
        for view, on_it in groupby(looks, key=lambda one: one[2].get("view", "bench")):
            set_device(tablet, runner.url, view=view)
            tablet.goto(f"{runner.url}/loom")
            assert read(tablet).kind == kind
            for width, height, chosen in on_it:
                wear(tablet, width, height, {name: chosen[name] for name in chosen if name != "view"})
                where = f"{kind}, {width} × {height}, {chosen}"
                wrong += [f"{where}: {line}" for line in fits(read(tablet)) + look(tablet, kind)]
                box = tablet.locator("button.done").bounding_box()
                assert box
                spots.setdefault(str((width, height, chosen)), set()).add((round(box["x"]), round(box["y"])))
    assert wrong == []
    for width, height, chosen in looks:
        spot, *others = spots[str((width, height, chosen))]
        assert others == [], "the large button is always in the same place"
        if width >= 1.25 * height:
            assert (spot[0] < width / 2) == (chosen.get("hand") == "left"), "it is at her hand"


OUT_OF_REACH = """() => {
  const work = document.querySelector('.work'), wrong = [];
  const name = e => e.className.baseVal ?? (e.className || e.tagName);
  const shown = e => e.checkVisibility() && e.getBoundingClientRect().width > 1;
  const told = 'h1, .sub, .changes, .group-text, .leash-group svg, .undo li, .order-of-work li, .handle,'
    + '.cord-run, .strip, .pick, .bank, .cords-drawing, .things li, .map-name, .stand, .thing, .cloth';
  for (const e of [...work.querySelectorAll(told)].filter(shown)) {
    e.style.scrollMargin = '0';
    e.scrollIntoView({block: 'nearest'});
    const box = e.getBoundingClientRect();
    const top = work.getBoundingClientRect().top, end = top + work.clientHeight;
    if (box.left < -1 || box.right > innerWidth + 1) wrong.push(`${name(e)} is cut off at the side`);
    const isWhole = box.top >= top - 1 && box.bottom <= end + 1;
    if (box.height < end - top && !isWhole) wrong.push(`${name(e)} is cut off`);
  }
  work.scrollTop = 0;
  if (work.scrollWidth > work.clientWidth + 1) wrong.push('it scrolls sideways');
  const apart = '.say > *, .drawing > *, .foot > *, .band > *, .handle, .cord-run';
  const parts = [...document.querySelectorAll(apart)]
    .filter(e => shown(e) && getComputedStyle(e).position !== 'absolute');
  for (const one of parts) {
    for (const other of parts) {
      if (one === other || one.contains(other) || other.contains(one)) continue;
      const a = one.getBoundingClientRect(), b = other.getBoundingClientRect();
      const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
      const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      const isClipped = work.contains(one) !== work.contains(other);
      if (wide > 2 && high > 2 && !isClipped) wrong.push(`${name(one)} lies over ${name(other)}`);
    }
  }
  for (const e of document.querySelectorAll('.whole')) {
    if (e.getClientRects().length > 1) wrong.push(`“${e.textContent}” is broken`);
  }
  for (const e of document.querySelectorAll('.handle > .doing:not(.visually-hidden)')) {
    const over = e.scrollWidth - e.parentElement.clientWidth;
    if (over > 2) wrong.push(`“${e.textContent}” is ${over} px wider than its handle`);
  }
  return wrong;
}"""
"""What of the work can neither be seen nor be scrolled to, and what lies over something else."""

NOTICE = "Another screen went on: row 27, 5 picks woven: done."


def say(tablet: Page, text: str) -> None:
    """Put a notice where the page puts it."""
    tablet.evaluate("text => { document.querySelector('[role=status]').textContent = text; }", text)


SIZES = [(360, 740), (390, 844), (768, 1024), (1024, 768), (1920, 1080)]


def out_of_reach(tablet: Page, where: str) -> list[str]:
    """What is wrong in any size of the window, with a notice and without."""
    wrong = []
    for width, height in SIZES:
        tablet.set_viewport_size({"width": width, "height": height})
        for text in (NOTICE, ""):
            say(tablet, text)
            found = tablet.evaluate(OUT_OF_REACH)
            too_wide = tablet.evaluate("document.documentElement.scrollWidth - innerWidth")
            found += [f"{too_wide} px too wide"] if too_wide > 0 else []
            wrong += [f"{where} {width} × {height}: {line}" for line in found]
    return wrong


def fullest(runner: Runner) -> int:
    """The row with most temporaries in the loom: most tags, and single cords besides."""
    raised = [card for card in runner.weaving().cards if card.kind == "raise"]
    return max(raised, key=lambda card: len(card.before.temporaries)).number


@pytest.mark.parametrize("size", ["normal", "largest"])
def test_all_of_a_card_is_in_sight_or_can_be_scrolled_to(
    runner: Runner, new_tablet: NewTablet, size: str
) -> None:
    tablet = new_tablet()
    set_device(tablet, runner.url, size=size)
    wrong: list[str] = []
    cards = [*kinds_of(runner), ("fullest", fullest(runner))]
    for kind, number in sorted(cards, key=lambda entry: entry[1]):
        runner.put_on_loom(number)
        tablet.goto(f"{runner.url}/loom")
        wrong += out_of_reach(tablet, kind)
    assert wrong == []


@pytest.mark.parametrize("scene", ["shed", "by_pick", "things", "break", "once_more", "reopen", "take_out"])
def test_all_that_stands_beside_the_cards_is_in_sight_or_can_be_scrolled_to(
    runner: Runner, new_tablet: NewTablet, scene: str
) -> None:
    tablet = new_tablet()
    SCENES[scene](runner, tablet)
    assert out_of_reach(tablet, scene) == []


def lower_edge(tablet: Page) -> bytes:
    """A picture of the lowest of what scrolls."""
    box = tablet.locator(".work").bounding_box()
    assert box
    return tablet.screenshot(
        clip={"x": 20, "y": box["y"] + box["height"] - 20, "width": box["width"] - 40, "height": 16}
    )


def test_a_card_that_goes_on_below_shows_it_until_its_end(runner: Runner, new_tablet: NewTablet) -> None:
    numbers = dict(kinds_of(runner))
    tablet = new_tablet(390, 844)
    runner.put_on_loom(numbers["weave"])
    tablet.goto(f"{runner.url}/loom")
    work = tablet.locator(".work")
    hidden = "e => e.scrollHeight - e.clientHeight"
    assert work.evaluate(hidden) <= 0
    fits_whole = lower_edge(tablet)
    runner.put_on_loom(numbers["insert"])
    tablet.goto(f"{runner.url}/loom")
    assert work.evaluate(hidden) > 50
    assert lower_edge(tablet) != fits_whole
    work.evaluate("e => { e.scrollTop = e.scrollHeight; }")
    assert lower_edge(tablet) == fits_whole


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_a_notice_moves_nothing_and_covers_neither_back_nor_the_card(
    runner: Runner, new_tablet: NewTablet, width: int, height: int
) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet(width, height)
    tablet.goto(f"{runner.url}/loom")
    wait_for_turn(tablet, 3)
    parts = [tablet.locator(part) for part in (".back", ".band-more summary", "h1", ".drawing", ".done")]
    before = [part.bounding_box() for part in parts]
    say(tablet, NOTICE)
    assert [part.bounding_box() for part in parts] == before
    notice = tablet.get_by_role("status").bounding_box()
    assert notice
    for box in before:
        assert box
        beside = notice["x"] >= box["x"] + box["width"] or notice["x"] + notice["width"] <= box["x"]
        assert beside or notice["y"] + notice["height"] <= box["y"]


@pytest.mark.parametrize(("width", "height"), [(390, 844), (768, 1024), (1024, 768)])
def test_very_large_draws_larger_handles(
    runner: Runner, new_tablet: NewTablet, width: int, height: int
) -> None:
    runner.put_on_loom(fullest(runner))
    tablet = new_tablet(width, height)
    widths = []
    for size in ("normal", "largest"):
        set_device(tablet, runner.url, size=size)
        tablet.goto(f"{runner.url}/loom")
        box = tablet.locator(".handle").first.bounding_box()
        assert box
        widths.append(box["width"])
    assert widths[1] > widths[0]


@pytest.mark.parametrize("part", range(2))
def test_every_page_can_be_read_and_hit(
    nearly_woven: Runner, new_tablet: NewTablet, complaints: Complaints, part: int
) -> None:
    tablet = new_tablet()
    wrong: list[str] = []
    for place in PAGES[part::2]:
        tablet.goto(nearly_woven.house.url + place.format(piece=f"/pieces/{nearly_woven.id}"))
        for width, height, chosen in ON_PAGES:
            wear(tablet, width, height, chosen)
            wrong += look(tablet, f"{place}, {width} × {height}, {chosen}")
    assert wrong == []
    refused = [code for code in ("404", "422") if any(code in said for said in complaints.heard)]
    complaints.forgive(*refused)


@pytest.mark.parametrize("scene", SCENES)
def test_what_stands_beside_the_cards_can_be_read_and_hit(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints, scene: str
) -> None:
    """On a tablet, and on a phone with large letters."""
    complaints.net_drops = scene in COMPLAINTS
    tablet = new_tablet()
    SCENES[scene](runner, tablet)
    wrong = look(tablet, scene)
    set_device(tablet, runner.url, size="large", say="walk" if scene == "things" else "action")
    tablet.set_viewport_size({"width": 390, "height": 844})
    tablet.reload()
    wrong += look(tablet, scene)
    assert wrong == []
    if scene in COMPLAINTS:
        complaints.forgive(COMPLAINTS[scene])


def test_sizes_are_four(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    runner.put_on_loom(1)
    sizes = []
    for size in ("small", "normal", "large", "largest"):
        set_device(tablet, runner.url, size=size)
        tablet.goto(f"{runner.url}/loom")
        sizes.append(
            tablet.evaluate("parseFloat(getComputedStyle(document.querySelector('.check')).fontSize)")
        )
    assert sizes == sorted(set(sizes))
    assert sizes[3] >= 1.3 * sizes[0]


def test_nothing_moves_where_no_motion_is_wanted(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    tablet.emulate_media(reduced_motion="reduce")
    runner.put_on_loom(1)
    tablet.goto(f"{runner.url}/loom")
    button = tablet.locator("button.done")
    before = button.bounding_box()
    button.hover()
    tablet.mouse.down()
    assert button.bounding_box() == before
    moving = tablet.evaluate(
        """[...document.querySelectorAll('*')].filter(e => {
          const style = getComputedStyle(e);
          return style.transitionDuration !== '0s' || style.animationName !== 'none';
        }).map(e => e.className)"""
    )
    assert moving == []
    tablet.mouse.move(0, 0)
    tablet.mouse.up()


def test_left_handed_nothing_that_is_drawn_or_counted_changes_sides(
    runner: Runner, new_tablet: NewTablet
) -> None:
    tablet = new_tablet(1280, 800)
    places: dict[str, list[list[float]]] = {}
    for kind, selector in (("raise", ".handle"), ("insert", ".group-text"), ("move_cords", ".tick")):
        runner.put_on_loom(dict(kinds_of(runner))[kind])
        for hand in ("right", "left"):
            set_device(tablet, runner.url, hand=hand)
            tablet.goto(f"{runner.url}/loom")
            found = [box["x"] for box in (e.bounding_box() for e in tablet.locator(selector).all()) if box]
            order = sorted(range(len(found)), key=lambda n, xs=found: xs[n])
            places.setdefault(kind, []).append([float(n) for n in order])
    for kind, (right, left) in places.items():
        assert right == left, kind


def focus_is_seen(tablet: Page) -> bool:
    """Whether what has the focus has a frame around it."""
    seen: bool = tablet.evaluate("parseFloat(getComputedStyle(document.activeElement).outlineWidth) >= 2")
    return seen


def tab_to(tablet: Page, selector: str) -> None:
    """Press the tabulator until something has the focus, as one does who has a keyboard only."""
    for _ in range(40):
        tablet.keyboard.press("Tab")
        if tablet.evaluate("selector => document.activeElement.matches(selector)", selector):
            assert focus_is_seen(tablet)
            return
    raise AssertionError(f"{selector} cannot be reached")


@pytest.mark.parametrize("scripts", [True, False])
def test_a_keyboard_is_enough(runner: Runner, new_tablet: NewTablet, scripts: bool) -> None:
    """From the plan through a row, a walk, an insertion and moved cords, by tabulator, Enter and space."""
    numbers = dict(kinds_of(runner))
    runner.put_on_loom(numbers["walk"] - 1)
    tablet = new_tablet(scripts=scripts)
    set_device(tablet, runner.url, rest="0")
    tablet.goto(runner.url)
    tab_to(tablet, "a.go")
    tablet.keyboard.press("Enter")
    tablet.wait_for_url("**/loom")
    for number in range(numbers["walk"] - 1, numbers["move_cords"] + 1):
        turn = number + 1
        wait_for_turn(tablet, turn)
        if scripts:
            focused = tablet.evaluate("document.activeElement.id")
            assert focused == "instruction", "the new instruction is read out"
        for name in ("left_end", "right_end"):
            if tablet.locator(f"[name={name}]").count():
                tab_to(tablet, f"[name={name}]")
                tablet.keyboard.press("Space")
        tab_to(tablet, "button.done")
        tablet.keyboard.press("Enter")
    wait_for_turn(tablet, numbers["move_cords"] + 2)
    if scripts:
        wait_until_counted(tablet)
    assert runner.weaving().place.card == numbers["move_cords"] + 1


def test_a_message_is_announced_once_in_a_place_that_stays(runner: Runner, new_tablet: NewTablet) -> None:
    """A tap that another screen made meanwhile is told; the place where it is told was there before."""
    runner.put_on_loom(2)
    tablet = new_tablet()
    tablet.goto(f"{runner.url}/loom")
    wait_for_turn(tablet, 3)
    tablet.evaluate(
        """() => {
          window.announced = [];
          window.places = [...document.querySelectorAll('[role=status]')];
          const note = () => {
            const text = window.places[0].textContent.trim();
            if (text && text !== window.announced.at(-1)) window.announced.push(text);
          };
          const all = {childList: true, characterData: true, subtree: true};
          new MutationObserver(note).observe(window.places[0], all);
        }"""
    )
    assert tablet.evaluate("window.places.length") == 1
    other = new_tablet()
    other.goto(f"{runner.url}/loom")
    wait_for_turn(other, 3)
    other.locator("button.done").tap()
    wait_for_turn(tablet, 4)
    wait_until(tablet, lambda: tablet.evaluate("window.announced.length") > 0)
    assert len(tablet.evaluate("window.announced")) == 1
    same = tablet.evaluate("window.places[0] === document.querySelector('[role=status]')")
    assert same
    assert tablet.locator("[role=status], [aria-live]").count() == 1


def test_a_page_that_is_not_there_is_a_page_too(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet = new_tablet(390, 844)
    tablet.goto(f"{runner.house.url}/pieces/999")
    assert look(tablet, "not there") == []
    complaints.forgive("404")


@pytest.mark.parametrize("scripts", [True, False])
def test_a_piece_is_brought_in_by_its_file_and_a_bad_one_is_not(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints, tmp_path: Path, scripts: bool
) -> None:
    tablet = new_tablet(scripts=scripts)
    tablet.goto(runner.house.url)
    pieces = tablet.locator("li.piece h3 a[href^='/pieces/']")
    before = pieces.count()
    bad = tmp_path / "bad.json"
    bad.write_text('{"format": "spareshaft-piece", "version": 7}', "utf-8")
    tablet.locator("input[type=file]").set_input_files(bad)
    tablet.locator(".bring-in button").tap()
    tablet.get_by_role("alert").get_by_text("version").wait_for()
    complaints.forgive("422")
    assert pieces.count() == before
    good = json.loads((resource_dir("demo_data") / "net_mender.json").read_text("utf-8"))
    good["name"] = "<img src=x onerror=alert(1)> \u202e" + "long " * 33
    file = tmp_path / "good.json"
    file.write_text(json.dumps(good), "utf-8")
    tablet.locator("input[type=file]").set_input_files(file)
    tablet.locator(".bring-in button").tap()
    tablet.wait_for_url("**/pieces/*")
    assert tablet.locator("main img").count() == 0
    assert look(tablet, "the plan") == []
    tablet.goto(runner.house.url)
    assert pieces.count() == before + 1
    assert look(tablet, "pieces") == []


BAD = """<!doctype html><html lang="en"><body style="background:#fff"><h1>Bad</h1>
<p style="color:#767676">grey on white</p><p style="color:#000; opacity:1">black on white</p>
<div style="background:#333"><p style="color:rgba(255, 255, 255, 0.4)">thin on dark</p></div>
<button style="width:30px; height:60px">thin</button><button style="width:60px; height:60px">good</button>
<div style="width:3000px">wide</div></body></html>"""


def test_what_looks_bad_is_found(new_tablet: NewTablet) -> None:
    """The measures above, on a page that is known to be bad."""
    tablet = new_tablet()
    tablet.set_content(BAD)
    wrong = look(tablet, "bad")
    assert len(wrong) == 4
    for found in ("1984 px", "small: BUTTON “thin” 30", "pale: “grey on white” 4.54", "pale: “thin on dark”"):
        assert any(line.startswith(f"bad: {found}") for line in wrong), (found, wrong)
