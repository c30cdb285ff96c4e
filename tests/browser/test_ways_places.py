"""Marking a figure on its drawing: two taps, one stroke, and what is written moves the frame."""

from __future__ import annotations

import json

import pytest
from playwright.sync_api import Locator, Page, expect

from server.design.piece_file import read_piece
from server.plan.planner import plan
from tests.browser.conftest import NewTablet, Runner

pytestmark = pytest.mark.browser

FIELDS = ("first_row", "last_row", "first_unit", "last_unit")
UNITS, ROWS = 63, 55


def opened(runner: Runner, tablet: Page) -> Locator:
    """The drawing, when the page's script has taken it over."""
    tablet.goto(f"{runner.url}/ways/places")
    drawing = tablet.locator("[data-mark-figure].place-live")
    drawing.wait_for()
    return drawing


def spot(tablet: Page, unit: int, row: int) -> tuple[float, float]:
    """The middle of a square on the screen, by the ground of the drawing; both from 1."""
    ground = tablet.locator("[data-mark-figure] .design-ground").bounding_box()
    assert ground
    across = ground["x"] + ground["width"] * (unit - 0.5) / UNITS
    return across, ground["y"] + ground["height"] * (ROWS - row + 0.5) / ROWS


def told(tablet: Page) -> list[str]:
    return [tablet.locator(f"[data-figure-form] input[name={name}]").input_value() for name in FIELDS]


def frame(tablet: Page) -> list[str | None]:
    place = tablet.locator("[data-mark-figure] .place-frame")
    return [place.get_attribute(name) for name in ("x", "y", "width", "height")]


def test_two_taps_or_a_stroke_mark_a_figure(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    opened(runner, tablet)
    assert told(tablet) == ["19", "40", "24", "40"]
    tablet.touchscreen.tap(*spot(tablet, 30, 35))
    expect(tablet.locator(".place-corner")).to_be_visible()
    expect(tablet.get_by_text("Now the other corner.")).to_be_visible()
    assert told(tablet) == ["19", "40", "24", "40"]
    tablet.touchscreen.tap(*spot(tablet, 26, 22))
    assert told(tablet) == ["22", "35", "26", "30"]
    assert frame(tablet) == ["25", "20", "5", "14"]
    expect(tablet.locator(".place-corner")).to_have_count(0)
    expect(tablet.get_by_text("Now the other corner.")).to_have_count(0)
    tablet.mouse.move(*spot(tablet, 10, 20))
    tablet.mouse.down()
    tablet.mouse.move(*spot(tablet, 12, 25), steps=3)
    tablet.mouse.up()
    assert told(tablet) == ["20", "25", "10", "12"]
    tablet.locator("[data-figure-form] input[name=last_unit]").fill("14")
    assert frame(tablet) == ["9", "30", "5", "6"]


def test_units_are_counted_from_the_right_where_she_does(own_runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    answer = tablet.request.post(
        f"{own_runner.house.url}/preferences",
        form={"shafts_from": "weaver", "units_from": "right", "stance": "behind-left", "first_side": "right"},
        headers={"origin": own_runner.house.url},
    )
    assert answer.ok
    opened(own_runner, tablet)
    tablet.touchscreen.tap(*spot(tablet, 26, 22))
    tablet.touchscreen.tap(*spot(tablet, 30, 35))
    assert told(tablet) == ["22", "35", "34", "38"]
    assert frame(tablet) == ["25", "20", "5", "14"]


def test_on_a_part_of_a_large_design_rows_and_units_are_those_of_the_whole(
    runner: Runner, new_tablet: NewTablet
) -> None:
    rest = "." * 420
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Large",
        "loom": {"pattern_shafts": 4, "spare_shafts": 1},
        "leashes": [1, 2, 3, 4, 3, 2] * 70,
        "rows": [*[rest] * 299, f"{rest[:300]}#{rest[301:]}", *[rest] * 200],
    }
    text, store = json.dumps(content), runner.house.store
    piece = store.add_piece(text, plan(read_piece(text)))
    tablet = new_tablet()
    tablet.goto(f"{runner.house.url}/pieces/{piece}/ways/places?show_row=201&show_unit=11")
    tablet.locator("[data-mark-figure].place-live").wait_for()
    assert told(tablet) == ["300", "300", "301", "301"]
    assert frame(tablet) == ["290", "140", "1", "1"]
    tablet.locator(".place-mark .scroll").scroll_into_view_if_needed()
    ground = tablet.locator("[data-mark-figure] .design-ground").bounding_box()
    assert ground
    for across, down in ((2.5, 3.5), (5.5, 9.5)):
        x, y = ground["x"] + ground["width"] * across / 400, ground["y"] + ground["height"] * down / 240
        tablet.touchscreen.tap(x, y)
    assert told(tablet) == ["431", "437", "13", "16"]
    assert frame(tablet) == ["2", "3", "4", "7"]
