"""The sheets printed by a real browser on both sizes of paper, and the PDF read back."""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import pytest
from playwright.sync_api import Page
from pypdf import PageObject, PdfReader

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.web.rendering import Preferences
from server.web.sheets import RowToTick, WalkToTick, all_leaves, temporary_blocks
from tests.browser.conftest import House, NewTablet, Runner
from tests.browser.device import set_device

pytestmark = pytest.mark.browser

PAPERS = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""Millimetres (ISO 216; ANSI/ASME Y14.1)."""
MARGIN = 14.0
_POINT = 25.4 / 72


@dataclass(frozen=True)
class Printed:
    """One page of the PDF.

    Attributes:
        lines: its text, line by line as read.
        places: millimetres from the left and from the top of each piece of text.
    """

    lines: tuple[str, ...]
    places: tuple[tuple[float, float, str], ...]


def printed(tablet: Page, paper: str) -> list[Printed]:
    """What comes out of the printer."""
    content = tablet.pdf(format=paper)
    pages = PdfReader(io.BytesIO(content)).pages
    for page in pages:
        size = (float(page.mediabox.width) * _POINT, float(page.mediabox.height) * _POINT)
        assert size == pytest.approx(PAPERS[paper], abs=0.6)
    return [_read(page, PAPERS[paper][1]) for page in pages]


def _read(page: PageObject, height: float) -> Printed:
    places: list[tuple[float, float, str]] = []

    def visit(text: str, current: list[float], matrix: list[float], *_: Any) -> None:
        if text.strip():
            x = matrix[4] * current[0] + matrix[5] * current[2] + current[4]
            y = matrix[4] * current[1] + matrix[5] * current[3] + current[5]
            places.append((x * _POINT, height - y * _POINT, text.strip()))

    text = page.extract_text(visitor_text=visit)
    return Printed(tuple(line.strip() for line in text.splitlines() if line.strip()), tuple(places))


def wide_piece() -> str:
    """Many units and handles, long names of bands, several leashes to a unit, hostile names."""
    leashes = [*range(1, 41), *range(39, 0, -1)] * 5
    rows = ["".join("#" if (shaft * 7 + row) % 3 else "." for shaft in leashes) for row in range(60)]
    return json.dumps(
        {
            "format": "spareshaft-piece",
            "version": 1,
            "name": "A name that is very long " * 8,
            "loom": {
                "name": "<b>Loom</b> & \u202e" + "w" * 120,
                "pattern_shafts": 40,
                "treadles": 8,
                "extra": {"leashes_per_unit": [1 + unit % 3 for unit in range(len(leashes))]},
            },
            "leashes": leashes,
            "rows": rows,
            "picks_per_row": [8, 7, 40],
            "extra": {"bands": [{"name": "Border of the long kind " * 8, "rows": 30, "times": 2}]},
        }
    )


def bring(house: House, text: str) -> Runner:
    return Runner(house, house.store.add_piece(text, plan(read_piece(text))))


@pytest.mark.parametrize("paper", PAPERS)
def test_every_row_is_printed_once_in_order_with_its_heading_on_each_page(
    runner: Runner, new_tablet: NewTablet, paper: str
) -> None:
    tablet = new_tablet()
    tablet.goto(f"{runner.url}/sheets?sheet=lift")
    pages = printed(tablet, paper)
    leaves = all_leaves(runner.weaving(), Preferences(), ["lift"], 1, 55)
    assert len(pages) == len(leaves)
    rows: list[int] = []
    for number, (page, leaf) in enumerate(zip(pages, leaves, strict=True), 1):
        assert page.lines[1].startswith("Harbour runner")
        assert leaf.title in page.lines
        assert any(line.startswith("In Row Picks") for line in page.lines)
        assert f"{number} / {len(pages)}" in page.lines
        told = [line for line in leaf.lines if isinstance(line, RowToTick)]
        starts = [re.match(r"(\d+) (\d+) ((?:\d )+)", line) for line in page.lines]
        found = [match for match in starts if match]
        assert [int(match[1]) for match in found] == [line.row for line in told]
        rows += [int(match[1]) for match in found]
        text = " ".join(page.lines)
        for line in told:
            assert f"{line.row} {line.picks} {line.treadles} {line.handles} {line.cords}" in text
        for walk in (line for line in leaf.lines if isinstance(line, WalkToTick)):
            assert all(thing in text for thing in (walk.text, *walk.things))
    assert rows == list(range(1, 56))


@pytest.mark.parametrize("paper", PAPERS)
def test_nothing_runs_over_the_edge_of_the_paper_and_nothing_else_is_printed(
    runner: Runner, new_tablet: NewTablet, paper: str
) -> None:
    tablet = new_tablet()
    set_device(tablet, runner.url, look="dark", size="largest")
    for piece in (runner, bring(runner.house, wide_piece())):
        tablet.goto(f"{piece.url}/sheets")
        leaves = tablet.locator(".leaf").count()
        pages = printed(tablet, paper)
        assert len(pages) == leaves
        for page in pages:
            text = "\n".join(page.lines)
            assert not re.search(r"Spareshaft|Preferences|Show these|Print \d|On paper", text)
            for x, y, _ in page.places:
                assert MARGIN < x < PAPERS[paper][0] - MARGIN
                assert MARGIN < y < PAPERS[paper][1] - 5


def test_all_of_a_leaf_is_within_the_paper_in_black_on_white(runner: Runner, new_tablet: NewTablet) -> None:
    """Measured on the page as it is laid out for printing: 180 mm across, what Letter has room for down."""
    tablet = new_tablet(width=700)
    set_device(tablet, runner.url, look="dark", size="largest")
    tablet.emulate_media(media="print")
    room = PAPERS["Letter"][1] - 29
    for piece in (runner, bring(runner.house, wide_piece())):
        tablet.goto(f"{piece.url}/sheets")
        wrong = tablet.evaluate(
            """room => [...document.querySelectorAll('.leaf')].flatMap(leaf => {
                const box = leaf.getBoundingClientRect(), mm = 25.4 / 96, wrong = [];
                const title = leaf.querySelector('h2').textContent;
                if (box.height * mm > room) wrong.push(`${title} is ${box.height * mm} mm high`);
                for (const part of leaf.querySelectorAll('*')) {
                    const {left, right, bottom} = part.getBoundingClientRect();
                    if (left < box.left - 2 || right > box.right + 2 || bottom > box.bottom + 2)
                        wrong.push(`${title}: ${part.outerHTML.slice(0, 80)}`);
                    if (!['rgb(0, 0, 0)', 'rgb(255, 255, 255)'].includes(getComputedStyle(part).color))
                        wrong.push(`${title}: ${getComputedStyle(part).color}`);
                }
                return wrong;
            })""",
            room,
        )
        assert wrong == []
        assert (
            tablet.evaluate("getComputedStyle(document.documentElement).backgroundColor")
            == "rgb(255, 255, 255)"
        )


def test_each_row_and_each_thing_to_do_has_a_box_to_tick(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    tablet.goto(f"{runner.url}/sheets?sheet=lift")
    tablet.emulate_media(media="print")
    boxes = tablet.locator(".box")
    leaves = all_leaves(runner.weaving(), Preferences(), ["lift"], 1, 55)
    lines = [line for leaf in leaves for line in leaf.lines]
    wanted = sum(len(line.things) for line in lines if isinstance(line, WalkToTick))
    wanted += sum(isinstance(line, RowToTick) for line in lines)
    assert boxes.count() == wanted
    for steps in tablet.locator(".walk-line ol").all():  # one below the other
        places = steps.locator("li").evaluate_all(
            "found => found.map(one => one.getBoundingClientRect()).map(({left, top}) => [left, top])"
        )
        assert len({left for left, _ in places}) == 1
        assert all(below - above > 3.9 * 96 / 25.4 for (_, above), (_, below) in pairwise(places))
    sizes = {
        (round(box["width"]), round(box["height"]))
        for box in boxes.evaluate_all("found => found.map(box => box.getBoundingClientRect().toJSON())")
    }
    assert len(sizes) == 1
    width, height = sizes.pop()
    assert width == height
    assert width * 25.4 / 96 > 3.5  # millimetres, for a pencil


@pytest.mark.parametrize("paper", PAPERS)
def test_labels_are_twenty_millimetres_high_once_folded_and_stand_on_their_heads_once(
    runner: Runner, new_tablet: NewTablet, paper: str
) -> None:
    tablet = new_tablet()
    tablet.goto(f"{runner.url}/sheets?sheet=labels")
    text = " ".join(" ".join(page.lines) for page in printed(tablet, paper))
    names = {block.name for block in temporary_blocks(runner.weaving(), Preferences())}
    names |= {re.sub("[a-z]", "", name) for name in names}
    body = text.split("foot of the number.", 1)[1]
    for name in names:
        assert len(re.findall(rf"(?<!\w){name}(?!\w)", body)) >= 2, name
    tablet.emulate_media(media="print")
    halves = tablet.locator(".label-half").evaluate_all(
        """found => found.map(half => [half.getBoundingClientRect().height * 25.4 / 96,
            getComputedStyle(half.firstElementChild).transform])"""
    )
    assert len(halves) == 2 * len(names)
    for (over, turned), (under, upright) in zip(halves[::2], halves[1::2], strict=True):
        assert over == pytest.approx(20, abs=0.1)
        assert under == pytest.approx(20, abs=0.1)
        assert turned == "matrix(-1, 0, 0, -1, 0, 0)"
        assert upright == "none"


def test_the_other_sheets_are_printed_whole(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    tablet.goto(f"{runner.url}/sheets?sheet=order&sheet=temporaries&sheet=cloth")
    text = "\n".join("\n".join(page.lines) for page in printed(tablet, "A4"))
    for shaft in range(1, 15):
        assert re.search(rf"^Shaft {shaft} \d+ \d+ \d", text, re.M)
    for block in temporary_blocks(runner.weaving(), Preferences()):
        (told,) = re.split(rf"\b{block.name}\s*on shaft {block.shaft}\s*(?:unit|\d+ units)", text)[1:]
        flat = re.sub(r"\s+", " ", told)
        assert flat.index(" ".join(stretch.text for stretch in block.stretches)) < 300
        assert all(words[1:] in flat for words in block.cords)
    assert re.search(r"Units\s+63\s+Rows\s+55\s+Picks\s+247\s+Ends\s+\d+", text)


def test_a_button_prints_where_there_are_scripts_and_is_not_there_where_there_are_none(
    runner: Runner, new_tablet: NewTablet
) -> None:
    tablet = new_tablet()
    tablet.add_init_script("window.print = () => { window.printed = (window.printed ?? 0) + 1; }")
    tablet.goto(f"{runner.url}/sheets")
    tablet.get_by_role("button", name=re.compile(r"Print \d+ pages")).click()
    assert tablet.evaluate("window.printed") == 1
    without = new_tablet(scripts=False)
    without.goto(f"{runner.url}/sheets")
    assert without.get_by_role("button", name="Print").count() == 0
    without.get_by_role("checkbox", name="The cloth").uncheck()
    without.get_by_role("button", name="Show these").click()
    without.wait_for_url("**chosen=yes**")
    assert without.locator(".leaf-cloth").count() == 0
