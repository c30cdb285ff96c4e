"""Every page in a browser: nothing too wide, too pale or too small, and nothing that the browser refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from playwright.sync_api import Page

from server.settings import resource_dir
from tests.browser.conftest import Complaints, NewTablet, Runner
from tests.browser.screen import fits, pale_texts, read, small_targets

pytestmark = pytest.mark.browser

LOOKS = [(1024, 768, False), (768, 1024, False), (390, 844, False), (1024, 768, True)]
PLACES = ["/", "/preferences", "{piece}", "{piece}/standing", "{piece}/log", "{piece}/end"]


def look(tablet: Page, where: str) -> list[str]:
    """What is wrong with the looks of a page."""
    too_wide = tablet.evaluate("document.documentElement.scrollWidth - innerWidth")
    wrong = [f"{too_wide} px too wide"] if too_wide > 0 else []
    wrong += [f"small: {target}" for target in small_targets(tablet)]
    wrong += [f"pale: {text}" for text in pale_texts(tablet)]
    if tablet.locator("h1").count() != 1:
        wrong.append("it should have one h1")
    return [f"{where}: {line}" for line in wrong]


@pytest.mark.parametrize(("width", "height", "dark"), LOOKS)
def test_every_page_and_every_kind_of_card_can_be_read_and_hit(
    runner: Runner, new_tablet: NewTablet, width: int, height: int, dark: bool
) -> None:
    tablet = new_tablet(width, height, dark=dark)
    cards = runner.weaving().cards
    first = {card.kind: card.number for card in reversed(cards)}
    wrong: list[str] = []
    for kind, number in sorted(first.items(), key=lambda entry: entry[1]):
        runner.put_on_loom(number)
        tablet.goto(f"{runner.url}/loom")
        assert read(tablet).kind == kind
        wrong += fits(read(tablet)) + look(tablet, kind)
    for place in PLACES:
        answer = tablet.goto(runner.house.url + place.format(piece=f"/pieces/{runner.id}"))
        assert answer is not None
        assert answer.status == 200, place
        wrong += look(tablet, place)
    assert wrong == []


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
    before = tablet.locator("li.piece").count()
    bad = tmp_path / "bad.json"
    bad.write_text('{"format": "spareshaft-piece", "version": 7}', "utf-8")
    tablet.locator("input[type=file]").set_input_files(bad)
    tablet.locator(".bring-in button").tap()
    tablet.get_by_role("alert").get_by_text("version").wait_for()
    complaints.forgive("422")
    assert tablet.locator("li.piece").count() == before
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
    assert tablet.locator("li.piece").count() == before + 1
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
