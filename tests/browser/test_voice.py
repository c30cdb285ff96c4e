"""Reading aloud and the tick: what is said, when, and that it stands alone."""

from __future__ import annotations

import pytest
from playwright.sync_api import Page

from server.session.naming import Naming
from server.session.place import card_up
from server.session.spoken import spoken
from tests.browser.conftest import NewTablet, Runner
from tests.browser.device import hear, heard, set_device, wait_for_hold
from tests.browser.screen import press_done, read, wait_for_turn, wait_until_counted

pytestmark = pytest.mark.browser

NO_VOICE = "Object.defineProperty(window, 'speechSynthesis', {value: undefined, configurable: true});"
COUNT_TICKS = """() => {
  window.ticks = 0;
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function () { window.ticks += 1; return start.call(this); };
}"""


def listening(runner: Runner, tablet: Page, **settings: str) -> None:
    hear(tablet)
    set_device(tablet, runner.url, **settings)
    tablet.goto(f"{runner.url}/loom")
    wait_for_hold(tablet)


def aloud(runner: Runner) -> str:
    """What is to be said where the piece is now."""
    weaving = runner.weaving()
    card = card_up(weaving.decks, weaving.place)
    names = Naming.on(weaving.piece.loom)
    return spoken(weaving.piece, weaving.place, card, "behind-left", "right", names)


def test_nothing_is_read_aloud_unless_she_has_set_it(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    listening(runner, tablet)
    tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, 4)
    wait_until_counted(tablet)
    assert heard(tablet) == []
    tablet.keyboard.press("r")
    assert heard(tablet) == [aloud(runner)], "but on demand"


def test_each_instruction_is_read_aloud_once_when_it_comes_up(runner: Runner, new_tablet: NewTablet) -> None:
    cards = runner.weaving().cards
    first = next(card.number for card in cards if card.kind == "walk")
    runner.put_on_loom(first - 1)
    tablet = new_tablet()
    listening(runner, tablet, speak="on")
    said = [aloud(runner)]
    assert heard(tablet) == said
    for _ in range(5):  # a row, the walk, and what is done behind the loom
        screen = read(tablet)
        press_done(tablet, screen)
        wait_for_turn(tablet, screen.turn + 1)
        wait_until_counted(tablet)
        said.append(aloud(runner))
    assert heard(tablet) == said
    assert any("Behind the loom, counting from your left: of " in text for text in said)
    tablet.keyboard.press("r")
    assert heard(tablet) == [*said, said[-1]]


def test_the_next_tap_breaks_off_what_is_being_read(runner: Runner, new_tablet: NewTablet) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    listening(runner, tablet, speak="on")
    tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, 4)
    assert [text == "(cancelled)" for text in tablet.evaluate("window.heard")] == [True, False, True, False]


def test_what_is_read_aloud_is_held_for_when_the_net_drops(own_runner: Runner, new_tablet: NewTablet) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    listening(own_runner, tablet, speak="on")
    own_runner.house.kill()
    for turn in (4, 5, 6):
        tablet.keyboard.press("PageDown")
        wait_for_turn(tablet, turn)
    texts = heard(tablet)
    assert len(texts) == 4
    own_runner.house.start()
    tablet.locator("html[data-kept='0']").wait_for()  # all taps are handed in
    assert texts[-1] == aloud(own_runner)


@pytest.mark.parametrize(("setting", "ticks"), [("on", 2), ("off", 0)])
def test_a_tick_at_every_tap_if_she_wants_it(
    runner: Runner, new_tablet: NewTablet, setting: str, ticks: int
) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    tablet.add_init_script(f"({COUNT_TICKS})()")
    listening(runner, tablet, tick=setting)
    for turn in (4, 5):
        tablet.keyboard.press("PageDown")
        wait_for_turn(tablet, turn)
    assert tablet.evaluate("window.ticks") == ticks


def test_without_a_voice_the_help_card_says_so_and_the_page_works(
    runner: Runner, new_tablet: NewTablet
) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    tablet.add_init_script(NO_VOICE)
    set_device(tablet, runner.url, speak="on")
    tablet.goto(f"{runner.house.url}/help")
    tablet.get_by_text("this browser has no voice").wait_for()
    tablet.goto(f"{runner.url}/loom")
    wait_for_hold(tablet)
    tablet.keyboard.press("r")
    tablet.get_by_role("status").get_by_text("This browser has no voice").wait_for()
    tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, 4)


GIVES_A_LOCK = """
window.asked = [];
const wakeLock = { request: async (kind) => window.asked.push(kind) };
Object.defineProperty(Navigator.prototype, "wakeLock", { value: wakeLock, configurable: true });
"""
"""A Chromium without a screen has none of its own to give."""


@pytest.mark.parametrize(
    ("lacks", "way", "said"),
    [
        (GIVES_A_LOCK, "lock", "while the page is seen"),
        ("delete Navigator.prototype.wakeLock;", "video", "by a video that nobody sees"),
        (
            "delete Navigator.prototype.wakeLock; delete HTMLCanvasElement.prototype.captureStream;",
            "none",
            "own display",
        ),
    ],
)
def test_the_screen_is_kept_on_in_the_way_that_there_is(
    runner: Runner, new_tablet: NewTablet, lacks: str, way: str, said: str
) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    tablet.add_init_script(lacks)
    tablet.goto(f"{runner.url}/loom")
    tablet.keyboard.press("PageDown")
    tablet.locator(f"html[data-awake={way}]").wait_for()
    if way == "lock":
        assert tablet.evaluate("asked") == ["screen"]
    if way == "video":
        video = tablet.locator("video.awake-video")
        assert video.evaluate("v => !v.paused && v.muted && v.readyState > 0")
        before = video.evaluate("v => v.currentTime")
        video.evaluate("(v, t) => v.currentTime > t || new Promise(go => v.ontimeupdate = go)", before)
    tablet.goto(f"{runner.house.url}/help")
    tablet.get_by_text(said).wait_for()
