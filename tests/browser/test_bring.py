"""A picture brought in: shown at once, read otherwise, and put in; with scripts and without."""

from __future__ import annotations

import re
from io import BytesIO

import pytest
from PIL import Image, ImageDraw
from playwright.sync_api import FilePayload, Locator, Page, expect

from server.design.design import Design
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from tests.browser.conftest import Complaints, House, NewTablet
from tests.browser.test_axe import wrong_with

pytestmark = pytest.mark.browser


def a_picture() -> FilePayload:
    """A sail that leans to the left, on a light ground with a speck."""
    picture = Image.new("L", (80, 80), 220)
    ImageDraw.Draw(picture).polygon([(10, 70), (50, 5), (50, 70)], fill=40)
    ImageDraw.Draw(picture).rectangle((70, 8, 72, 10), fill=40)
    out = BytesIO()
    picture.save(out, "PNG")
    return {"name": "sail.png", "mimeType": "image/png", "buffer": out.getvalue()}


def a_design(house: House) -> int:
    loom = Loom((), frozenset(), 20, spare_shafts=4)
    warp = hang("Linen", loom, (Part("straight", 20, times=2),), satin(5, 2))
    return house.store.board.add_design(
        house.store.board.add_warp(write_warp(warp)), "Runner", Design(40, ())
    )


def facts(tablet: Page, text: str) -> Locator:
    return tablet.locator(".bring-facts").get_by_text(text)


def drawn(tablet: Page) -> str:
    return tablet.locator(".bring-lifted").first.get_attribute("d") or ""


def test_what_comes_of_a_picture_is_shown_at_once(
    shared_house: House, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet, design = new_tablet(), a_design(shared_house)
    tablet.goto(f"{shared_house.url}/designs/{design}/bring")
    expect(tablet.get_by_role("button", name="Show it")).to_be_hidden()
    expect(tablet.get_by_label("Units across")).to_be_hidden()
    tablet.get_by_label("Choose a picture or a file").set_input_files(a_picture())
    expect(facts(tablet, "40 units × 40 rows")).to_be_visible()
    as_it_is = drawn(tablet)
    for choose in (
        lambda: tablet.get_by_label("Picks per row").fill("8"),
        lambda: tablet.get_by_label("The wrong side").check(),
        lambda: tablet.get_by_text("Figure and ground, and where").click(),
        lambda: tablet.get_by_label("The smallest patch that stays").fill("5"),
    ):
        choose()
    expect(facts(tablet, "40 units × 20 rows")).to_be_visible()
    right_side = tablet.locator(".bring-turned .bring-lifted")
    expect(right_side).to_be_visible()
    # eight picks a row now, and the speck, at the top of the right half, is gone
    expect(right_side).not_to_have_attribute("d", re.compile(r"M1[45]\d 0"))
    assert drawn(tablet) != as_it_is
    tablet.evaluate("scrollTo(0, 0)")
    assert wrong_with(tablet, "bring", at_loom=False) == []
    tablet.get_by_label("Choose a picture or a file").set_input_files(
        {"name": "x.png", "mimeType": "image/png", "buffer": b"PK\x03\x04 no picture"}
    )
    expect(tablet.get_by_role("alert").filter(has_text="packed file")).to_be_visible()
    complaints.forgive("422")
    tablet.get_by_text("Or type a chart").click()
    tablet.get_by_label("One character a cell").fill("####\n#...\n#...")
    expect(facts(tablet, "4 units × 3 rows")).to_be_visible()
    expect(tablet.get_by_label("Units across")).to_be_hidden()
    tablet.get_by_role("radio", name="The right side, as you weave").check()
    tablet.get_by_label("The smallest patch that stays").fill("1")
    tablet.get_by_label("Its name").fill("Corner")
    tablet.get_by_role("button", name="Keep it in the box").click()
    expect(tablet.locator("#shown").get_by_text("It is in the box of figures now.")).to_be_visible()
    tablet.get_by_role("radio", name="at your left", exact=True).check()
    expect(tablet.locator(".bring-across .bring-lifted")).to_have_attribute("d", re.compile("^M0 "))
    tablet.get_by_role("button", name="Put it in as a band").click()
    tablet.wait_for_url(f"**/designs/{design}?band=1")
    kept = shared_house.store.board.design(design)
    assert kept is not None
    (band,) = kept.design.bands
    assert (band.name, band.picks) == ("Corner", (8,))
    assert [row.rstrip(".") for row in band.rows] == ["#", "#", "####"]
    assert [figure.name for figure in shared_house.store.board.figures()] == ["Corner"]


def test_without_scripts_too(shared_house: House, new_tablet: NewTablet) -> None:
    tablet, design = new_tablet(390, 844, scripts=False), a_design(shared_house)
    tablet.goto(f"{shared_house.url}/designs/{design}/bring")
    tablet.get_by_label("Choose a picture or a file").set_input_files(a_picture())
    tablet.get_by_role("button", name="Show it").click()
    expect(facts(tablet, "40 units × 40 rows")).to_be_visible()
    tablet.get_by_role("button", name="Put it in as a band").click()
    tablet.wait_for_url(f"**/designs/{design}?band=1")
    kept = shared_house.store.board.design(design)
    assert kept is not None
    assert [(band.name, len(band.rows)) for band in kept.design.bands] == [("sail", 40)]


def test_what_the_server_says_of_a_file_too_large_is_shown(
    shared_house: House, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet = new_tablet(1024, 768)
    tablet.goto(shared_house.url)
    tablet.get_by_label("Piece file").set_input_files(
        {"name": "piece.json", "mimeType": "application/json", "buffer": b" " * 3_000_000}
    )
    tablet.get_by_role("button", name="Plan it").click()
    said = tablet.get_by_role("alert")
    expect(said).to_contain_text("The file is larger than 1 MB, the most that can be brought in here.")
    expect(said).not_to_contain_text("No answer came")
    complaints.forgive("413")
    tablet.context.set_offline(True)
    tablet.get_by_role("button", name="Plan it").click()
    expect(said).to_contain_text("No answer came, so nothing is counted yet.")
    complaints.forgive("ERR_INTERNET_DISCONNECTED", "htmx:afterRequest", "htmx:sendError")
    tablet.context.set_offline(False)
