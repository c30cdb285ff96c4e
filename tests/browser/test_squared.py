"""Squared paper in a browser: drawn by finger, pen, mouse and keys, kept through all, planned and woven."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import pytest
from playwright.sync_api import CDPSession, Page, Route, expect

from server.design.cells import row_of_units
from server.design.design import Band, Design, piece_of, piece_text
from server.design.warp import Part, Warp, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.session.naming import Naming
from server.web.drawings import cells_needing_temporaries
from server.web.static_files import static_url
from tests.browser.conftest import Complaints, House, NewTablet, Runner
from tests.browser.device import set_device
from tests.browser.literal_weaver import LiteralWeaver
from tests.browser.screen import read, tick_both, wait_for_turn, wait_until
from tests.browser.test_axe import TAGS, violations
from tests.browser.test_looks import look
from tests.traditions import TRADITIONS

pytestmark = pytest.mark.browser

EMPTY = ("............",) * 6
UNITS, ROWS = len(EMPTY[0]), len(EMPTY)

Square = tuple[int, int]
"""Row and unit, from 1."""


def warp_of(units: int = UNITS, *, cords: tuple[int, ...] = (3,)) -> Warp:
    """Pointed on four shafts, single cords at both edges, and on some units besides their shafts."""
    loom = Loom((), frozenset(), 4, name="Narrow", spare_shafts=4, spare_handles=1)
    hung = [0, *((1, 2, 3, 4, 3, 2) * units)[: units - 2], 0]
    parts = tuple(Part("free", leashes=(shaft,), corded=unit in cords) for unit, shaft in enumerate(hung, 1))
    return hang("Narrow", loom, parts, satin(5, 2))


@dataclass
class Paper:
    """The sheet of one tablet, and the design it shows, read past the server."""

    house: House
    tablet: Page
    design: int
    high: int = ROWS

    def open(self) -> None:
        self.tablet.goto(f"{self.house.url}/designs/{self.design}")
        self.tablet.locator("#paper[data-squares]").wait_for()

    def at(self, square: Square) -> tuple[float, float]:
        """The middle of a square on the screen."""
        place = self.tablet.locator("#paper")
        left, top, size, ratio = map(float, (place.get_attribute("data-squares") or "").split())
        box = place.bounding_box()
        assert box
        row, unit = square
        return (
            box["x"] + (left + (unit - 0.5) * size) / ratio,
            box["y"] + (top + (self.high - row + 0.5) * size) / ratio,
        )

    def drag(self, *squares: Square, button: Any = "left") -> None:
        """With the mouse, from square to square."""
        mouse = self.tablet.mouse
        mouse.move(*self.at(squares[0]))
        mouse.down(button=button)
        for square in squares[1:]:
            mouse.move(*self.at(square))
        mouse.up(button=button)

    def press(self, name: str) -> None:
        self.tablet.get_by_role("button", name=name, exact=True).click()

    def choose(self, name: str) -> None:
        self.tablet.get_by_role("radio", name=name, exact=True).check()

    def kept(self) -> None:
        """Wait until the server has all."""
        expect(self.tablet.locator("html")).to_have_attribute("data-kept", "0")

    def rows(self) -> list[str]:
        """The rows that are kept, the first woven first."""
        self.kept()
        design = self.house.store.board.design(self.design)
        assert design
        return list(design.design.band(1).rows)

    def colour(self, square: Square) -> str:
        """What a square looks like, beside its middle: "lifted", "act" or "paper"."""
        row, unit = square
        found: str = self.tablet.evaluate(LOOKS_LIKE, [row, unit, self.high])
        return found


LOOKS_LIKE = """async ([row, unit, rows]) => {
  await new Promise(requestAnimationFrame); // the paper is drawn then
  const [left, top, size] = document.getElementById('paper').dataset.squares.split(' ').map(Number);
  const at = [left + (unit - 1 + 0.3) * size, top + (rows - row + 0.3) * size];
  const pen = new OffscreenCanvas(1, 1).getContext('2d', { willReadFrequently: true });
  pen.drawImage(document.getElementById('drawn'), ...at.map(Math.floor), 1, 1, 0, 0, 1, 1);
  const [r, g, b] = pen.getImageData(0, 0, 1, 1).data;
  const probe = document.body.appendChild(document.createElement('i'));
  const found = ['lifted', 'act', 'paper'].find((name) => {
    probe.style.color = `var(--${name})`;
    return getComputedStyle(probe).color === `rgb(${r}, ${g}, ${b})`;
  });
  probe.remove();
  return found ?? `rgb(${r}, ${g}, ${b})`;
}"""


def new_paper(house: House, tablet: Page, rows: Iterable[str] = EMPTY) -> Paper:
    """A sheet on a warp of its own, open on a tablet."""
    board = house.store.board
    warp = board.add_warp(write_warp(warp_of()))
    name = f"Design {len(board.designs()) + 1}"
    drawn = tuple(rows)
    design = board.add_design(warp, name, Design(UNITS, (Band(1, "Figure", (4,), drawn),), 1))
    paper = Paper(house, tablet, design, len(drawn))
    paper.open()
    return paper


@pytest.fixture
def paper(shared_house: House, new_tablet: NewTablet) -> Paper:
    return new_paper(shared_house, new_tablet())


def fingers(session: CDPSession, kind: str, *points: tuple[float, float]) -> None:
    """Fingers on the glass."""
    touches = [{"x": x, "y": y, "id": number} for number, (x, y) in enumerate(points)]
    session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})


def stroke_by_finger(paper: Paper, session: CDPSession, *squares: Square) -> None:
    fingers(session, "touchStart", paper.at(squares[0]))
    for square in squares[1:]:
        fingers(session, "touchMove", paper.at(square))
    fingers(session, "touchEnd")


def test_a_figure_is_drawn_by_touch_seen_marked_planned_and_woven(
    shared_house: House, new_tablet: NewTablet
) -> None:
    tablet = new_tablet()
    paper = new_paper(shared_house, tablet, EMPTY[:3])
    session = tablet.context.new_cdp_session(tablet)
    scrolled = tablet.evaluate("scrollY")
    stroke_by_finger(paper, session, (1, 3), (3, 3), (3, 5))
    stroke_by_finger(paper, session, (2, 12))
    assert tablet.evaluate("scrollY") == scrolled
    drawn = ["..#.........", "..#........#", "..###......."]
    assert paper.rows() == drawn
    kept = shared_house.store.board.design(paper.design)
    assert kept
    needing = cells_needing_temporaries(piece_of("x", kept.design, kept.warp))
    assert needing == {3: {4, 5}}, "unit 3 has a single cord"
    for row in range(1, 4):
        for unit in range(1, UNITS + 1):
            looks = (
                "act"
                if unit in needing.get(row, ())
                else "lifted"
                if drawn[row - 1][unit - 1] == "#"
                else "paper"
            )
            assert paper.colour((row, unit)) == looks, (row, unit)
    expect(tablet.locator("#takes")).to_have_text(re.compile(r"walks?, [\d.]+ minutes? besides the weaving"))
    tablet.locator("#plan-it").tap()
    tablet.wait_for_url("**/pieces/*")
    runner = Runner(shared_house, int(tablet.url.rsplit("/", 1)[1]))
    file = json.loads(piece_text("x", kept.design, kept.warp))
    assert file["rows"] == drawn
    tablet.get_by_role("button", name="Put it on the loom").first.tap()
    tablet.wait_for_url("**/loom")
    weaver = LiteralWeaver(file)
    set_device(tablet, runner.url, rest="0")
    tablet.reload()
    for card in runner.weaving().cards:
        screen = read(tablet)
        assert screen.kind == card.kind
        weaver.do(screen)
        tick_both(tablet, screen)
        tablet.touchscreen.tap(*screen.done_middle)
        if screen.kind != "done":
            wait_for_turn(tablet, screen.turn + 1)
    tablet.get_by_role("heading", name="The piece is woven", exact=True).wait_for()
    assert [row_of_units(up, UNITS) for up in weaver.cloth] == drawn


def test_the_script_marks_what_the_planner_would(paper: Paper) -> None:
    """Random drawings on random leash orders, against server/plan/demands.py."""
    chance = random.Random(11)
    module = static_url("squared_sheet.js")
    for _ in range(40):
        units, shafts = chance.randint(1, 12), chance.randint(1, 4)
        leashes = [chance.randint(0, shafts) for _ in range(units)]
        cords = {unit for unit, shaft in enumerate(leashes, 1) if not shaft or chance.random() < 0.3}
        parts = tuple(Part("free", leashes=(s,), corded=u in cords) for u, s in enumerate(leashes, 1))
        warp = hang("x", Loom((), frozenset(), shafts), parts, satin(5, 2))
        rows = tuple(
            row_of_units((unit for unit in range(1, units + 1) if chance.random() < 0.6), units)
            for _ in range(5)
        )
        piece = piece_of("x", Design(units, (Band(1, "x", (1,), rows),)), warp)
        wanted = sorted(
            [row, unit] for row, needing in cells_needing_temporaries(piece).items() for unit in needing
        )
        hanging = {
            "units": units,
            "leashes": leashes,
            "cords": sorted(cords),
            "shafts": shafts,
            "shaftsFrom": "weaver",
            "unitsFrom": "left",
        }
        found = paper.tablet.evaluate(MARKED, [module, hanging, rows])
        assert found == {"drawn": wanted, "redrawn": wanted}, (leashes, cords, rows)


def test_the_script_counts_as_she_does(paper: Paper) -> None:
    loom = warp_of().loom
    for shafts_from, units_from in TRADITIONS:
        naming = Naming.on(loom, shafts_from, units_from)
        hanging = {
            "units": UNITS,
            "leashes": loom.leashes,
            "cords": sorted(loom.single_cords),
            "shafts": loom.pattern_shafts,
            "shaftsFrom": shafts_from,
            "unitsFrom": units_from,
        }
        found = paper.tablet.evaluate(NAMES, [static_url("squared_sheet.js"), hanging])
        assert found == [
            [naming.unit(unit), naming.shaft(shaft)] for unit, shaft in enumerate(loom.leashes, 1)
        ]


NAMES = """async ([module, hanging]) => {
  const { Hanging } = await import(module);
  const hung = new Hanging(hanging);
  return hanging.leashes.map((_, unit) => [hung.unitName(unit), hung.shaftName(unit)]);
}"""

MARKED = """async ([module, hanging, rows]) => {
  const { Hanging, Sheet } = await import(module);
  const marked = (sheet) => {
    const found = [];
    for (let r = 0; r < sheet.rows; r += 1) {
      for (let u = 0; u < sheet.units; u += 1) if (sheet.isMarked(r, u)) found.push([r + 1, u + 1]);
    }
    return found;
  };
  const sheet = new Sheet(new Hanging(hanging), { number: 1, name: '', rows });
  const drawn = marked(sheet);
  const all = Array.from(sheet.cells.keys());
  sheet.turn(all); // all over, and back: what is counted along stays right
  sheet.turn(all.reverse());
  return { drawn, redrawn: marked(sheet) };
}"""


def test_every_way_to_draw(paper: Paper) -> None:
    paper.choose("Run")
    paper.drag((1, 1), (1, 4))
    paper.drag((1, 6), (3, 8))
    assert paper.rows()[:3] == ["####.#......", "......#.....", ".......#...."]
    paper.drag((1, 2), (1, 3), button="right")
    paper.choose("Rub out")
    paper.drag((1, 6), (3, 8))
    assert paper.rows()[:3] == ["#..#........", "............", "............"]
    paper.choose("Ink")
    paper.choose("Outline")
    paper.drag((2, 2), (5, 6))
    box = [".#####......", ".#...#......", ".#...#......", ".#####......"]
    assert paper.rows()[1:5] == box
    paper.choose("Inside")
    paper.drag((3, 4), (3, 4))
    assert paper.rows()[1:5] == [".#####......"] * 4, "the closed area is filled"
    paper.drag((6, 11), (5, 12))
    assert paper.rows()[4:] == [".#####....##", "..........##"]
    paper.choose("Rub out")
    paper.drag((3, 3), (3, 3))
    assert paper.rows()[1:4] == ["............"] * 3
    for _ in range(7):
        paper.press("Take back")
    assert paper.rows()[0] == "####........"
    paper.press("Take back")
    assert paper.rows() == list(EMPTY)


def test_a_block_is_copied_turned_over_repeated_and_kept_in_the_box(paper: Paper) -> None:
    tablet = paper.tablet
    paper.drag((1, 1), (1, 3), (2, 3))
    paper.choose("Block")
    paper.drag((1, 1), (2, 4))
    paper.press("Mirror left–right")
    assert paper.rows()[:2] == [".###........", ".#.........."]
    paper.press("Mirror top–bottom")
    assert paper.rows()[:2] == [".#..........", ".###........"]
    paper.press("Repeat to the right")
    assert paper.rows()[:2] == [".#...#...#..", ".###.###.###"]
    paper.press("Repeat upwards")
    assert paper.rows()[2:] == [".#..........", ".###........"] * 2
    paper.press("Take back")
    paper.press("Take back")
    tablet.get_by_label("Keep it in the box as").fill("Gull")
    paper.press("Keep")
    tablet.get_by_role("button", name="Gull 4 × 2").click()
    tablet.mouse.move(*paper.at((5, 10)))
    tablet.mouse.down()
    tablet.mouse.up()
    assert paper.rows()[3:] == ["........#...", "........###.", "............"]
    paper.press("Take back")
    tablet.locator("#sheet").focus()
    tablet.keyboard.press("ArrowUp")
    tablet.keyboard.press("Enter")
    assert paper.rows()[3:] == ["............", "........#...", "........###."], "moved by keys"
    tablet.keyboard.press("Escape")
    expect(tablet.locator("#with-figure")).to_be_hidden()
    paper.press("Take back")
    paper.press("Rub out")
    assert paper.rows() == list(EMPTY)


def test_through_the_loom_a_stroke_is_in_every_unit_that_hangs_on_the_same_shaft(paper: Paper) -> None:
    tablet = paper.tablet
    tablet.get_by_label("Through the loom").check()
    paper.drag((1, 3), (1, 4))
    assert paper.rows()[0] == "..##.##.##..", "all of shafts 2 and 3"
    assert paper.colour((1, 3)) == "lifted"
    paper.drag((2, 1), (2, 1))
    assert paper.rows()[1] == "#...........", "a unit on its single cord only is alone"


def test_all_is_done_by_keys_and_said(paper: Paper) -> None:
    tablet = paper.tablet
    tablet.locator("#sheet").focus()
    tablet.keyboard.press("Space")
    for key in ("ArrowRight", "ArrowUp"):
        tablet.keyboard.press(key)
    tablet.keyboard.down("Shift")
    tablet.keyboard.press("ArrowRight")
    tablet.keyboard.press("ArrowUp")
    tablet.keyboard.up("Shift")
    assert paper.rows()[:3] == ["#...........", ".##.........", "..#........."]
    spoken = tablet.locator("#spoken")
    expect(spoken).to_have_text("Row 3, unit 3, shaft 2 and a single cord, filled")
    tablet.keyboard.press("Control+z")
    assert paper.rows()[:3] == ["#...........", "............", "............"]
    tablet.keyboard.press("Control+y")
    assert paper.rows()[:3] == ["#...........", ".##.........", "..#........."]
    tablet.keyboard.press("Delete")
    assert paper.rows()[2] == "............"
    paper.choose("Inside")
    tablet.locator("#sheet").focus()
    tablet.keyboard.press("Space")
    for key in ("ArrowRight", "ArrowUp", "ArrowRight", "Enter"):
        tablet.keyboard.press(key)
    assert paper.rows()[2:4] == ["..###.......", "..###......."]


def test_what_was_drawn_is_taken_back_after_the_page_was_loaded_again(paper: Paper) -> None:
    for row in (1, 2, 3):
        paper.drag((row, 1), (row, 4))
    paper.kept()
    paper.open()
    paper.press("Take back")
    paper.press("Take back")
    assert paper.rows()[:3] == ["####........", "............", "............"]
    expect(paper.tablet.locator("html")).to_have_attribute("data-kept", "0")
    assert paper.colour((2, 1)) == "paper"
    paper.press("Make again")
    assert paper.rows()[1] == "####........"
    paper.drag((6, 6), (6, 6))
    paper.press("Take back")
    paper.press("Take back")
    assert paper.rows() == ["####........", *EMPTY[1:]]
    assert [paper.colour((row, 2)) for row in (1, 2, 6)] == ["act", "paper", "paper"]


def test_two_fingers_move_and_bring_closer_and_draw_nothing(
    shared_house: House, new_tablet: NewTablet
) -> None:
    tall = EMPTY * 10
    paper = new_paper(shared_house, new_tablet(), tall)
    tablet = paper.tablet
    session = tablet.context.new_cdp_session(tablet)
    size = "Number(document.getElementById('paper').dataset.squares.split(' ')[2])"
    paper.press("Whole")
    paper.kept()
    before = tablet.evaluate(size)
    one, other = paper.at((30, 5)), paper.at((30, 8))
    fingers(session, "touchStart", paper.at((30, 4)))
    fingers(session, "touchMove", one)
    fingers(session, "touchStart", one, other)
    for far in (0, 20, 40, 60):
        fingers(session, "touchMove", (one[0] - far, one[1]), (other[0] + far, other[1]))
    fingers(session, "touchEnd")
    wait_until(tablet, lambda: tablet.evaluate(size) > before)
    assert paper.rows() == list(tall)
    stroke_by_finger(paper, session, (30, 6))
    assert paper.rows()[29] == ".....#......", "one finger draws again, where it is now"


def test_once_a_pen_was_seen_a_palm_draws_nothing(paper: Paper) -> None:
    session = paper.tablet.context.new_cdp_session(paper.tablet)

    def pen(kind: str, square: Square, buttons: int) -> None:
        x, y = paper.at(square)
        event = {"type": kind, "x": x, "y": y, "button": "left", "buttons": buttons, "clickCount": 1}
        session.send("Input.dispatchMouseEvent", event | {"pointerType": "pen"})

    stroke_by_finger(paper, session, (1, 1))
    fingers(session, "touchStart", paper.at((5, 5)))  # a palm that is there before the pen
    fingers(session, "touchMove", paper.at((5, 6)))
    pen("mousePressed", (2, 2), 1)
    fingers(session, "touchMove", paper.at((4, 7)))
    pen("mouseMoved", (2, 4), 1)
    fingers(session, "touchEnd")
    pen("mouseReleased", (2, 4), 0)
    stroke_by_finger(paper, session, (4, 4), (4, 8))
    assert paper.rows() == ["#...........", ".###........", *EMPTY[2:]]


def test_strokes_wait_for_the_net_and_outlive_the_page(paper: Paper, complaints: Complaints) -> None:
    complaints.net_drops = True
    tablet = paper.tablet
    tablet.route("**/strokes", lambda route: route.abort())
    paper.drag((1, 1), (1, 3))
    paper.drag((2, 1), (2, 3))
    expect(tablet.locator("#kept")).to_contain_text("2 strokes are kept on this tablet")
    paper.press("Take back")
    paper.drag((3, 1), (3, 3))
    assert paper.colour((2, 2)) == "paper"
    tablet.reload()
    tablet.locator("#paper[data-squares]").wait_for()
    expect(tablet.locator("#kept")).to_contain_text("kept on this tablet")
    assert [paper.colour((row, 2)) for row in (1, 2, 3)] == ["act", "paper", "act"]
    tablet.locator("#plan-it").click()
    expect(tablet.locator("#told")).to_contain_text("Not all strokes are kept yet")
    tablet.unroute("**/strokes")
    assert paper.rows()[:3] == ["###.........", "............", "###........."]
    expect(tablet.locator("#kept")).to_have_text("All is kept.")


def test_two_tablets_draw_on_one_sheet(paper: Paper, new_tablet: NewTablet) -> None:
    other = Paper(paper.house, new_tablet(768, 1024), paper.design)
    other.open()
    paper.drag((1, 1), (1, 3))
    paper.kept()
    other.drag((1, 5), (1, 6))
    other.kept()
    assert other.rows()[0] == "###.##......"
    expect(other.tablet.locator("#told")).to_contain_text("changed on another device")
    assert [other.colour((1, unit)) for unit in (2, 4, 5)] == ["act", "paper", "act"]
    paper.press("Take back")
    expect(paper.tablet.locator("#told")).to_contain_text("changed on another device")
    assert paper.rows()[0] == "....##......", "her own stroke is taken back, the other’s is not"


def test_what_is_taken_back_away_from_the_net_is_never_the_others(
    paper: Paper, new_tablet: NewTablet, complaints: Complaints
) -> None:
    complaints.net_drops = True
    other = Paper(paper.house, new_tablet(768, 1024), paper.design)
    other.open()
    paper.tablet.context.set_offline(True)
    paper.drag((1, 1), (1, 3))
    paper.press("Take back")
    other.drag((1, 1), (1, 6))
    other.kept()
    paper.tablet.context.set_offline(False)
    assert paper.rows()[0] == "...###......", "only the squares that she took back"
    expect(paper.tablet.locator("#told")).to_contain_text("changed on another device")
    assert [paper.colour((1, unit)) for unit in (1, 4)] == ["paper", "act"]


def test_what_another_tab_took_back_stays_so_when_it_was_closed(paper: Paper, complaints: Complaints) -> None:
    complaints.net_drops = True
    tablet = paper.tablet
    tablet.context.set_offline(True)
    paper.drag((1, 1), (1, 3))
    paper.drag((2, 1), (2, 3))
    paper.press("Take back")
    expect(tablet.locator("#kept")).to_contain_text("3 strokes are kept on this tablet")
    paper.tablet = tablet.context.new_page()
    tablet.close()
    paper.tablet.context.set_offline(False)
    paper.open()
    assert paper.rows()[:2] == ["###.........", "............"]


def test_strokes_on_a_design_that_was_thrown_away_are_kept(paper: Paper, complaints: Complaints) -> None:
    board = paper.house.store.board
    board.throw_design_away(paper.design)
    paper.drag((1, 1), (1, 3))
    expect(paper.tablet.locator("#kept")).to_have_text(
        "This design was thrown away. 1 stroke is kept on this tablet until it is brought back."
    )
    board.throw_design_away(paper.design, False)
    assert paper.rows()[0] == "###........."
    expect(paper.tablet.locator("#kept")).to_have_text("All is kept.")
    complaints.heard[:] = [said for said in complaints.heard if "404 (Not Found)" not in said]


def test_who_comes_back_and_draws_at_once_sees_what_she_drew(paper: Paper) -> None:
    tablet = paper.tablet
    held = []

    def hold(route: Route) -> None:
        held.append((route, route.fetch()))

    tablet.route("**/state", hold, times=1)
    with tablet.expect_request("**/state"):
        tablet.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    while not held:
        tablet.wait_for_timeout(20)
    paper.drag((1, 1), (1, 3))
    paper.kept()
    route, answer = held[0]
    with tablet.expect_response("**/state"):
        route.fulfill(response=answer)
    expect(tablet.locator("#kept")).to_have_text("All is kept.")
    assert paper.colour((1, 2)) == "act"


def test_a_corner_set_by_keys_holds_nothing_up(paper: Paper) -> None:
    paper.drag((6, 6), (6, 7))
    paper.choose("Run")
    paper.tablet.locator("#sheet").focus()
    for key in ("Space", "ArrowRight"):
        paper.tablet.keyboard.press(key)
    paper.press("Take back")
    assert paper.rows() == list(EMPTY)


def test_without_scripts_the_band_can_be_looked_at(shared_house: House, new_tablet: NewTablet) -> None:
    tablet = new_tablet(scripts=False)
    board = shared_house.store.board
    warp = board.add_warp(write_warp(warp_of()))
    rows = ("##..........", *EMPTY[1:])
    design = board.add_design(warp, "Still", Design(UNITS, (Band(1, "Figure", (4,), rows),), 1))
    tablet.goto(f"{shared_house.url}/designs/{design}")
    expect(tablet.locator(".sq-none .said")).to_be_visible()
    assert "Drawing needs scripts" in tablet.locator(".sq-none").inner_text()
    picture = tablet.locator(".sq-none svg")
    expect(picture).to_be_visible()
    assert "12 units wide and 6 rows high" in (picture.get_attribute("aria-label") or "")
    expect(tablet.locator(".sq-tools")).to_be_hidden()


def in_sight(tablet: Page, name: str) -> bool:
    """Whether a button is all on the screen."""
    box = tablet.get_by_role("button", name=name, exact=True).bounding_box()
    size = tablet.viewport_size
    assert size
    return box is not None and box["y"] >= 0 and box["y"] + box["height"] <= size["height"]


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (390, 844)])
def test_a_wide_sheet_begins_with_squares_that_a_finger_hits(
    shared_house: House, new_tablet: NewTablet, width: int, height: int
) -> None:
    tablet = new_tablet(width, height)
    board = shared_house.store.board
    warp = warp_of(151)
    number = board.add_warp(write_warp(warp))
    empty = ("." * 151,) * 60
    design = board.add_design(number, "Wide", Design(151, (Band(1, "Figure", (4,), empty),), 1))
    paper = Paper(shared_house, tablet, design, len(empty))
    paper.open()
    session = tablet.context.new_cdp_session(tablet)
    for unit in (74, 75, 77):  # about the middle; in the lowest row
        stroke_by_finger(paper, session, (1, unit))
    assert paper.rows()[0] == row_of_units((74, 75, 77), 151)
    place = tablet.locator("#paper")
    assert float((place.get_attribute("data-squares") or "").split()[2]) == 24
    box = place.bounding_box()
    assert box
    assert box["height"] > 0.5 * height, "the paper has most of the height"
    paper.press("Whole")
    expect(place).to_have_attribute("data-squares", re.compile(r"^\S+ \S+ [0-5](\.\d+)?( |$)"))
    paper.open()
    expect(tablet.locator("#place")).to_have_text("Touch a square.")


def test_what_of_a_figure_does_not_fit_is_said_before_and_after(paper: Paper) -> None:
    tablet = paper.tablet
    said = tablet.locator("#beyond")
    paper.drag((1, 1), (2, 1), (2, 2), (3, 2))
    paper.choose("Block")
    paper.drag((1, 1), (3, 2))
    paper.press("Copy")
    expect(said).to_have_text("")
    tablet.mouse.move(*paper.at((6, 12)))
    expect(said).to_have_text("1 row does not fit.")
    tablet.mouse.down()
    tablet.mouse.up()
    expect(said).to_have_text("Put down. 1 row did not fit.")
    expect(tablet.locator("#place")).to_have_text("Put down. 1 row did not fit.")
    assert paper.rows()[3:] == ["............", "..........#.", "..........##"]
    tablet.mouse.move(*paper.at((5, 12)))
    expect(said).to_have_text("")


def test_the_words_lead_to_the_row_that_asks_for_too_much(shared_house: House, new_tablet: NewTablet) -> None:
    tablet = new_tablet(390, 844)
    board = shared_house.store.board
    warp = board.add_warp(
        write_warp(hang("None", Loom((), frozenset(), 3), (Part("pointed", 3),), satin(5, 2)))
    )
    high = ((".....",) * 60) + ("#....",)
    bands = (Band(1, "Low", (4,), (".....",) * 4), Band(2, "High", (4,), high))
    design = board.add_design(warp, "x", Design(5, bands, 2))
    paper = Paper(shared_house, tablet, design, 61)
    paper.open()
    tablet.get_by_role("button", name="To “High”, row 61").click()
    expect(tablet.locator("#place")).to_have_text("Row 61 · unit 1 · shaft 1 · filled, needs a temporary")
    expect(tablet.locator("#band")).to_have_value("2")
    assert paper.colour((61, 1)) == "act"
    expect(tablet.get_by_role("button", name="To row 61", exact=True)).to_be_visible()
    expect(tablet.locator("#plan-it")).to_have_css("background-color", "rgba(0, 0, 0, 0)")


@pytest.mark.parametrize(
    ("width", "height", "chosen"),
    [
        (1024, 768, {"look": "light"}),
        (768, 1024, {"look": "dark", "hand": "left"}),
        (390, 844, {"size": "largest", "look": "contrast"}),
    ],
    ids=str,
)
def test_the_sheet_can_be_read_and_hit(
    shared_house: House, new_tablet: NewTablet, width: int, height: int, chosen: dict[str, str]
) -> None:
    tablet = new_tablet(width, height)
    set_device(tablet, shared_house.url, **chosen)
    paper = new_paper(shared_house, tablet, ("##..........", *EMPTY[1:]))
    shared_house.store.board.add_figure("Anchor", ["#.#", ".#."])
    expect(tablet.locator("#takes")).to_contain_text("besides the weaving")
    wrong = look(tablet, "the sheet")
    tablet.get_by_text("Box of figures").click()
    paper.choose("Block")
    tablet.evaluate("scrollTo(0, 0)")
    paper.drag((1, 1), (3, 4))
    tablet.get_by_role("button", name="Anchor 3 × 2").first.wait_for()
    for name in ("Take back", "Closer", "Further"):
        assert in_sight(tablet, name), f"{name} is not at the paper"
    wrong += look(tablet, "with a block")
    wrong += violations(tablet, {"runOnly": {"type": "tag", "values": TAGS}})
    paper.press("Copy")
    wrong += look(tablet, "with a copy in the hand")
    wrong += violations(tablet, {"runOnly": {"type": "tag", "values": TAGS}})
    assert wrong == []
