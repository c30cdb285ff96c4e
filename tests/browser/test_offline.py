"""The net drops: sixty steps without it, a reload in between, the server killed; two stories afterwards."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error, Page, Route, expect

from server.web.static_files import static_url
from tests.browser.conftest import ASKING, Complaints, House, NewTablet, Runner, bring_in, free_port
from tests.browser.device import set_device, stop_the_clock, wait_for_hold
from tests.browser.screen import Screen, press_done, read, tick_both, wait_for_turn, wait_until

pytestmark = pytest.mark.browser

STEPS = 60
NEEDS = "That needs Spareshaft’s computer; your place is kept."


@pytest.fixture
def shared_runner(tmp_path: Path, complaints: Complaints) -> Iterator[Runner]:
    """A runner in a house that other devices reach by its name, over plain http."""
    complaints.net_drops = True
    house = House(tmp_path, free_port(), options=("--share",))
    house.start()
    yield bring_in(house)
    house.kill()


def at_loom(runner: Runner, tablet: Page, url: str = "") -> Screen:
    set_device(tablet, url or runner.url, rest="0")
    tablet.goto(f"{url or runner.url}/loom")
    wait_for_hold(tablet)
    return read(tablet)


def by_name(runner: Runner) -> str:
    """The runner's address by the computer's name: no secure origin, so no service worker."""
    return runner.url.replace("127.0.0.1", f"{socket.gethostname()}.local")


def go_on(tablet: Page, steps: int) -> list[Screen]:
    """Tap so many times, and look at each instruction before."""
    seen = []
    for _ in range(steps):
        screen = read(tablet)
        seen.append(screen)
        tick_both(tablet, screen)
        tablet.keyboard.press("PageDown")
        tablet.locator(f"#done-form [name=turn][value='{screen.turn + 1}']").wait_for(state="attached")
    return seen


def rested(tablet: Page) -> None:
    """Wait until another button than before may be tapped, too."""
    tablet.locator("main:not([data-resting])").wait_for()


def strip(tablet: Page) -> str:
    line = tablet.locator(".net-strip")
    line.wait_for()
    return line.inner_text()


def wait_until_connected(tablet: Page) -> None:
    tablet.locator(".net-strip").wait_for(state="hidden")
    expect(tablet.locator("html")).to_have_attribute("data-kept", "0")


def expect_each_counted_once(runner: Runner, screens: list[Screen], begun: int) -> None:
    """In the log stands what was tapped on the screens, in that order, and nothing else."""
    weaving = runner.weaving()
    log = weaving.log[begun:]
    assert [(entry.kind, entry.before.card, entry.before.turn) for entry in log] == [
        ("next", screen.card, screen.turn) for screen in screens
    ]
    keys = [entry.key for entry in log]
    assert len(set(keys)) == len(keys)
    times = [entry.at for entry in weaving.log]
    assert times == sorted(times)
    assert all(screen.kind == weaving.cards[screen.card].kind for screen in screens)


def test_sixty_steps_without_the_net_and_a_reload_and_each_counts_once_and_in_order(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    tablet.locator("html[data-stores]").wait_for()  # the worker can give the page out
    own_runner.house.kill()
    assert "Not connected – keep weaving" in strip(tablet)
    seen = go_on(tablet, STEPS // 2)
    tablet.reload()
    wait_for_turn(tablet, screen.turn + STEPS // 2)
    assert strip(tablet) == f"Not connected – keep weaving, {STEPS // 2} taps kept here."
    seen += go_on(tablet, STEPS - STEPS // 2)
    last = read(tablet)
    assert f"{STEPS} taps kept" in strip(tablet)
    own_runner.house.start()
    wait_until_connected(tablet)
    assert read(tablet).card == last.card == own_runner.weaving().place.card
    assert f"Taps handed in: {STEPS}" in read(tablet).message
    expect_each_counted_once(own_runner, seen, begun=screen.turn)


def test_what_was_handed_in_is_still_said_when_the_net_is_lost_once_more(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    at_loom(own_runner, tablet)
    own_runner.house.kill()
    go_on(tablet, 3)
    tablet.route("**/follow", lambda route: route.abort())
    own_runner.house.start()
    tablet.locator("html[data-kept='0']").wait_for()
    for _ in range(2):  # the stream does not come back, so it looks again and again
        with tablet.expect_response(re.compile(r"/ahead\?.*most=1(&|$)")):
            pass
    tablet.unroute("**/follow")
    wait_until_connected(tablet)
    assert "Taps handed in: 3" in read(tablet).message
    own_runner.house.kill()
    strip(tablet)
    own_runner.house.start()
    wait_until_connected(tablet)
    assert "Taps handed in: 3" in read(tablet).message, "whichever hears first that the net is back"


def test_over_plain_http_the_taps_outlive_a_reload_though_the_page_cannot(
    shared_runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    shared_runner.put_on_loom(2)
    tablet = new_tablet()
    address = by_name(shared_runner)
    screen = at_loom(shared_runner, tablet, address)
    assert tablet.evaluate("[isSecureContext, 'serviceWorker' in navigator]") == [False, False]
    assert tablet.evaluate("getComputedStyle(document.documentElement).overscrollBehaviorY") == "none"
    shared_runner.house.kill()
    seen = go_on(tablet, STEPS // 2)
    assert "Do not load this page again: this browser cannot do so without the net." in strip(tablet)
    asked: list[str] = []
    tablet.once("dialog", lambda dialog: (asked.append(dialog.type), dialog.dismiss()))
    tablet.evaluate("setTimeout(() => location.reload())")
    expect(tablet.locator("main")).to_be_visible()
    seen += go_on(tablet, STEPS - STEPS // 2)
    assert asked == ["beforeunload"], "she is asked, and stays"
    tablet.once("dialog", lambda dialog: dialog.accept())
    with pytest.raises(Error, match="ERR_CONNECTION_REFUSED"):  # and if she does it all the same
        tablet.reload()
    shared_runner.house.start()
    tablet.goto(f"{address}/loom")
    wait_until_connected(tablet)
    wait_for_turn(tablet, screen.turn + STEPS)
    assert shared_runner.weaving().place.card == screen.card + STEPS
    expect_each_counted_once(shared_runner, seen, begun=screen.turn)


def test_when_nothing_more_is_held_that_is_said_and_nothing_is_lost(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    held = int(tablet.locator("html").get_attribute("data-held") or 0)
    assert held >= STEPS
    seen = go_on(tablet, held)
    assert "no further instruction is held here" in strip(tablet)
    last = read(tablet)
    tick_both(tablet, last)
    tablet.keyboard.press("PageDown")
    tablet.get_by_role("status").get_by_text(NEEDS).wait_for()
    assert read(tablet).turn == last.turn
    own_runner.house.start()
    wait_until_connected(tablet)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)
    wait_for_hold_or_end(tablet)
    tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, last.turn + 1)


def wait_for_hold_or_end(tablet: Page) -> None:
    expect(tablet.locator("html")).not_to_have_attribute("data-held", "0")


def test_back_without_the_net_goes_along_what_was_shown(own_runner: Runner, new_tablet: NewTablet) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    for key in ("PageDown", "PageDown", "PageUp", "PageUp", "PageDown"):
        tablet.keyboard.press(key)
        rested(tablet)
    last = read(tablet)
    assert (last.card, last.turn) == (screen.card + 1, screen.turn + 5)
    own_runner.house.start()
    wait_until_connected(tablet)
    log = own_runner.weaving().log[screen.turn :]
    assert [entry.kind for entry in log] == ["next", "next", "back", "back", "next"]
    assert own_runner.weaving().place.card == last.card


def test_what_is_not_held_waits_for_the_net_and_changes_nothing(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    lift = next(card.number for card in own_runner.weaving().cards if card.kind == "test_lift")
    own_runner.put_on_loom(lift - 1)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    go_on(tablet, 1)
    rested(tablet)
    tablet.get_by_role("button", name="Not like this").tap()
    tablet.get_by_role("status").get_by_text(NEEDS).wait_for()
    assert read(tablet).turn == screen.turn + 1
    own_runner.house.start()
    wait_until_connected(tablet)
    tablet.get_by_role("button", name="Not like this").tap()
    wait_for_turn(tablet, screen.turn + 2)
    assert read(tablet).heading.startswith("Again:")


def test_unticked_ends_are_asked_for_without_the_net_too(own_runner: Runner, new_tablet: NewTablet) -> None:
    move = next(card.number for card in own_runner.weaving().cards if card.kind == "move_cords")
    own_runner.put_on_loom(move)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    tablet.keyboard.press("PageDown")
    tablet.get_by_role("status").get_by_text("tick each").wait_for()
    assert read(tablet).turn == screen.turn
    go_on(tablet, 1)


def test_the_tablet_alone_leaves_the_net_and_comes_back(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    complaints.net_drops = True
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.context.set_offline(True)
    assert "Not connected" in strip(tablet)
    seen = go_on(tablet, 5)
    assert runner.weaving().place.card == screen.card
    tablet.context.set_offline(False)
    wait_until_connected(tablet)
    expect_each_counted_once(runner, seen, begun=screen.turn)


def test_taps_outlive_a_clock_that_stood_wrong(own_runner: Runner, new_tablet: NewTablet) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    tablet.evaluate("window.now = Date.now; Date.now = () => 365 * 24 * 3600 * 1000")
    seen = go_on(tablet, 3)
    tablet.evaluate("Date.now = window.now")
    own_runner.house.start()
    wait_until_connected(tablet)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)


def test_without_the_net_no_link_leads_away(own_runner: Runner, new_tablet: NewTablet) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    go_on(tablet, 2)
    tablet.get_by_text("More", exact=True).tap()
    tablet.get_by_role("link", name="Something went wrong").tap()
    tablet.get_by_role("status").get_by_text(NEEDS).wait_for()
    rested(tablet)
    tablet.get_by_role("button", name="Take a break").tap()
    tablet.keyboard.press("?")
    assert (tablet.url, read(tablet).turn) == (f"{own_runner.url}/loom", screen.turn + 2)
    own_runner.house.start()
    wait_until_connected(tablet)
    tablet.keyboard.press("?")
    tablet.get_by_role("link", name="Back to the instruction").wait_for()
    tablet.keyboard.press("Escape")
    wait_for_turn(tablet, screen.turn + 2)


def test_kept_taps_are_handed_in_before_a_correction_is_offered(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    seen = go_on(tablet, 4)
    tablet.close()
    own_runner.house.start()
    page = tablet.context.new_page()
    page.goto(f"{own_runner.url}/put-right/too-far")
    page.locator(f"[name=turn][value='{screen.turn + 4}']").first.wait_for(state="attached")
    expect_each_counted_once(own_runner, seen, begun=screen.turn)
    own_runner.house.kill()


def test_where_kept_taps_cannot_be_handed_in_a_correction_leads_back_to_the_instruction(
    own_runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    tablet.context.set_offline(True)
    strip(tablet)
    go_on(tablet, 2)
    tablet.close()
    ASKING.post(f"{own_runner.url}/next", data={"card": screen.card, "turn": screen.turn})
    page = tablet.context.new_page()
    tablet.context.set_offline(False)
    page.goto(f"{own_runner.url}/put-right/too-far")
    told = page.get_by_role("alert").get_by_text("2 taps of this screen were not handed in yet")
    told.wait_for()
    assert page.locator("#main").is_hidden()
    assert page.get_by_role("main").count() == 1
    page.get_by_role("link", name="Back to the instruction").tap()
    page.get_by_role("dialog", name="Two screens went apart").wait_for()
    assert own_runner.weaving().place.turn == screen.turn + 1
    complaints.forgive("409")


def test_taps_that_were_kept_while_the_piece_was_woven_elsewhere_can_be_noted_down(
    own_runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    at_loom(own_runner, tablet)
    tablet.context.set_offline(True)
    strip(tablet)
    go_on(tablet, 2)
    tablet.close()
    cards = own_runner.weaving().cards
    own_runner.put_on_loom(len(cards) - 1)
    place = own_runner.weaving().place
    ASKING.post(f"{own_runner.url}/next", data={"card": place.card, "turn": place.turn})
    page = tablet.context.new_page()
    tablet.context.set_offline(False)
    page.goto(f"{own_runner.url}/loom")
    page.get_by_role("alert").get_by_text("They no longer fit: the piece is woven.").wait_for()
    page.get_by_role("button", name="Keep them as a note").tap()
    page.get_by_role("heading", name="The piece is woven", exact=True).wait_for()
    (note,) = own_runner.house.store.notes(own_runner.id)
    assert note.words.count(";") == 1
    assert page.get_by_role("alert").count() == 0
    complaints.forgive("409")


# --- what a browser keeps, and does not ----------------------------------------------------------------


NO_ROOM = """() => {
  const real = Storage.prototype.setItem;
  Storage.prototype.setItem = function (name, what) {
    if (name.startsWith('held ')) throw new DOMException('full', 'QuotaExceededError');
    return real.call(this, name, what);
  };
}"""
"""From now on this browser has room for taps, but not for instructions."""


def test_a_browser_without_room_for_instructions_shows_none_rather_than_a_wrong_one(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    tablet.locator("html[data-stores]").wait_for()
    tablet.evaluate(NO_ROOM)
    tablet.evaluate("delete document.documentElement.dataset.held")
    ASKING.post(f"{own_runner.url}/back", data={"card": screen.card, "turn": screen.turn})
    wait_for_turn(tablet, screen.turn + 1)  # the hold is begun anew, and cannot be kept
    wait_for_hold(tablet)
    own_runner.house.kill()
    strip(tablet)
    go_on(tablet, 3)
    assert "Do not load this page again" in strip(tablet)
    tablet.reload()
    tablet.get_by_role("heading", name="The instruction is not held here").wait_for()
    assert "3 taps kept here" in strip(tablet)
    assert tablet.locator("button.done").count() == 0
    own_runner.house.start()
    wait_until_connected(tablet)
    wait_for_turn(tablet, screen.turn + 4)
    assert read(tablet).card == own_runner.weaving().place.card


def test_taps_without_held_instructions_lead_to_where_the_piece_is(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    tablet.add_init_script(f"({NO_ROOM})()")
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    go_on(tablet, 4)
    own_runner.house.start()
    wait_until_connected(tablet)
    own_runner.house.kill()
    strip(tablet)
    go_on(tablet, 2)
    own_runner.house.start()
    tablet.reload()
    wait_for_turn(tablet, screen.turn + 6)
    assert read(tablet).card == own_runner.weaving().place.card == screen.card + 6


def test_a_correction_whose_instructions_never_came_is_not_covered_by_older_ones(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    tablet.locator("html[data-stores]").wait_for()
    go_on(tablet, 5)
    expect(tablet.locator("html")).to_have_attribute("data-kept", "0")
    tablet.context.route("**/ahead?*", lambda route: route.abort())
    tablet.goto(f"{own_runner.url}/put-right/too-far")
    tablet.locator(".spots li").nth(3).get_by_role("button").tap()
    tablet.wait_for_url("**/loom")
    wait_for_turn(tablet, screen.turn + 6)
    corrected = read(tablet)
    assert corrected.card == own_runner.weaving().place.card
    own_runner.house.kill()
    tablet.reload()
    strip(tablet)
    assert (read(tablet).heading, read(tablet).card) == (corrected.heading, corrected.card)
    tablet.context.unroute("**/ahead?*")
    own_runner.house.start()
    wait_until_connected(tablet)
    wait_for_hold(tablet)
    assert (read(tablet).heading, read(tablet).card) == (corrected.heading, corrected.card)


def test_a_full_browser_does_not_stand_in_the_way_of_a_server_that_answers(
    runner: Runner, new_tablet: NewTablet
) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.locator("html[data-stores]").wait_for()
    tablet.reload()  # by the worker
    wait_for_hold(tablet)
    quota = {"origin": runner.house.url, "quotaSize": 1}
    tablet.context.new_cdp_session(tablet).send("Storage.overrideQuotaForOrigin", quota)
    ASKING.post(f"{runner.url}/next", data={"card": screen.card, "turn": screen.turn})
    tablet.goto(f"{runner.url}/loom")
    assert tablet.locator("html").get_attribute("data-stored") is None
    assert read(tablet).turn == screen.turn + 1
    other = bring_in(runner.house)
    other.put_on_loom(3)
    answer = tablet.goto(f"{other.url}/loom")
    assert answer is not None
    assert answer.status == 200
    assert read(tablet).card == 3


def test_taps_that_were_kept_for_another_database_wait_for_it(
    own_runner: Runner, new_tablet: NewTablet, tmp_path_factory: pytest.TempPathFactory
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    own_runner.house.kill()
    strip(tablet)
    seen = go_on(tablet, 3)
    tablet.close()
    elsewhere = House(tmp_path_factory.mktemp("elsewhere"), own_runner.house.port)
    elsewhere.start()
    other = bring_in(elsewhere)
    assert other.url == own_runner.url
    other.put_on_loom(2)
    page = tablet.context.new_page()
    at_loom(other, page)
    page.wait_for_load_state("networkidle")
    assert (read(page).turn, other.weaving().place.turn) == (screen.turn, screen.turn)
    elsewhere.kill()
    elsewhere.store.close()
    own_runner.house.start()
    page.goto(f"{own_runner.url}/loom")
    wait_for_turn(page, screen.turn + 3)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)


GROW = """async address => {
  const { Hold } = await import(address);
  const hold = new Hold();
  const lengths = [];
  let step = 0;
  for (let fill = 0; fill < 40; fill += 1) {
    const lines = [], held = [];
    for (let one = 0; one < 30; one += 1, step += 1) {
      lines.push('in all', `only in ${step} ${'.'.repeat(1000)}`);
      held.push({card: step, tap: 'next', back: true, ahead: [], html: [2 * one, 2 * one + 1]});
    }
    hold.add({lines, held}, 30);
    while (hold.left > 5) hold.goBy(1);
    lengths.push(JSON.stringify([hold.lines, hold.held]).length);
    if (!hold.now.html.startsWith(`in all\nonly in ${hold.now.card} `)) return [];
  }
  return lengths;
}"""
"""Twelve hundred steps with one page open: how much is kept after every thirty."""


def test_what_is_held_does_not_grow_with_the_steps(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet()
    tablet.goto(f"{runner.house.url}/help")
    lengths = tablet.evaluate(GROW, static_url("hold.js"))
    assert len(lengths) == 40
    assert max(lengths[10:]) < 1.2 * max(lengths[:10])


# --- a link that dies without a word -------------------------------------------------------------------


def freeze(house: House, stopped: bool) -> None:
    """The server's computer falls asleep, or wakes: connections stay open, and nothing comes."""
    assert house.process is not None
    assert house.process.pid is not None
    os.kill(house.process.pid, signal.SIGSTOP if stopped else signal.SIGCONT)


def test_a_link_that_goes_silent_is_noticed_without_a_tap_and_comes_back_without_a_reload(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    tablet.evaluate("window.isStillThere = true")
    freeze(own_runner.house, stopped=True)
    assert "Not connected – keep weaving" in strip(tablet)
    seen = go_on(tablet, 2)
    assert "2 taps kept here" in strip(tablet)
    freeze(own_runner.house, stopped=False)
    wait_until_connected(tablet)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)
    ASKING.post(f"{own_runner.url}/next", data={"card": screen.card + 2, "turn": screen.turn + 2})
    wait_for_turn(tablet, screen.turn + 3)  # it follows again
    assert tablet.evaluate("window.isStillThere")


def test_taps_on_a_frozen_server_show_the_next_instruction_and_are_handed_in_later(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    lift = next(card.number for card in own_runner.weaving().cards if card.kind == "test_lift")
    own_runner.put_on_loom(lift - 3)
    tablet = new_tablet()
    stop_the_clock(tablet)
    screen = at_loom(own_runner, tablet)
    freeze(own_runner.house, stopped=True)
    seen = go_on(tablet, 3)
    assert tablet.locator(".net-strip").is_hidden(), "nobody knows yet"
    tablet.clock.run_for(300)
    rested(tablet)
    tablet.get_by_role("button", name="Not like this").tap()  # takes the server
    tablet.clock.run_for(6_000)
    tablet.get_by_role("status").get_by_text("Not connected").wait_for()
    tablet.clock.resume()
    rested(tablet)
    seen += go_on(tablet, 1)
    assert "4 taps kept here" in strip(tablet)
    freeze(own_runner.house, stopped=False)
    wait_until_connected(tablet)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)


# --- ticks on a walk’s list ----------------------------------------------------------------------------


AS_SENT = """async () => {
  const told = main => [
    ...[...main.querySelectorAll('.thing')].map(thing => [thing.className, thing.innerHTML]),
    main.querySelector('h1').textContent, main.querySelector('.done').textContent.trim(),
    main.dataset.card, main.dataset.say, main.querySelector('.band-row').textContent,
  ].join('\\n').replace(/value="\\d+"/g, '').replace(/name="turn" /g, '');
  const answer = await fetch(location.pathname);
  const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
  return [told(document.querySelector('main')), told(page.querySelector('main'))];
}"""
"""What stands on the page, and what the server would send; all but the turn."""


def on_a_walk(runner: Runner, new_tablet: NewTablet, say: str = "walk") -> tuple[Page, int, int]:
    """A tablet that shows the first walk's list; the first thing's card, and how many things there are."""
    cards = runner.weaving().cards
    first = next(card.number for card in cards if card.kind == "label")
    after = next(card.number for card in cards if card.number > first and card.kind == "test_lift")
    runner.put_on_loom(first)
    tablet = new_tablet()
    set_device(tablet, runner.url, rest="0", say=say)
    tablet.goto(f"{runner.url}/loom")
    wait_for_hold(tablet)
    return tablet, first, after - first


def tick(tablet: Page, card: int, turn: int) -> None:
    """Tick a thing, or take its tick away, once the page has so many taps."""
    rested(tablet)
    tablet.locator(f".thing:has([value='{{\"card\": {card}}}']) button").tap()
    wait_for_turn(tablet, turn)


def ticked(tablet: Page) -> list[int]:
    """Which things on the list are ticked, by their place."""
    pressed = tablet.locator(".thing-tick").evaluate_all("all => all.map(one => one.ariaPressed === 'true')")
    return [place for place, is_done in enumerate(pressed) if is_done]


def test_a_whole_walk_is_ticked_without_the_net_in_any_order_and_the_rows_after_it_are_woven(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    tablet, first, things = on_a_walk(own_runner, new_tablet)
    turn = read(tablet).turn
    tablet.locator("html[data-stores]").wait_for()
    own_runner.house.kill()
    strip(tablet)
    taps = [0, 3, 7, 1, 7, 8]  # the fifth takes the tick of 7 away; then 8 needs it
    for number in taps[:5]:
        turn += 1
        tick(tablet, first + number, turn)
    assert ticked(tablet) == [0, 1, 3]
    rested(tablet)
    tablet.locator(".thing-tick").nth(8).tap()  # cords to what is not in
    tablet.get_by_role("status").get_by_text(NEEDS).wait_for()
    assert read(tablet).turn == turn
    tablet.reload()
    wait_for_turn(tablet, turn)
    assert ticked(tablet) == [0, 1, 3]
    assert "5 taps kept here" in strip(tablet)
    rested(tablet)
    tablet.keyboard.press("PageUp")  # the last that was done out of its turn
    wait_for_turn(tablet, turn + 1)
    assert ticked(tablet) == [0, 1]
    tick(tablet, first + 3, turn + 2)
    tablet.keyboard.press("PageDown")
    wait_for_turn(tablet, turn + 3)
    assert ticked(tablet) == [0, 1, 2, 3]
    steps = things - 4 + 12  # the rest of the walk, then test lifts
    go_on(tablet, steps)
    last = read(tablet)
    own_runner.house.start()
    wait_until_connected(tablet)
    weaving = own_runner.weaving()
    kinds = ["tick"] * 5 + ["back", "tick"] + ["next"] * (steps + 1)
    assert [entry.kind for entry in weaving.log[-len(kinds) :]] == kinds
    assert (weaving.place.turn, weaving.place.card, last.card) == (last.turn, last.card, first + things + 12)
    assert read(tablet).turn == last.turn


@pytest.mark.parametrize(
    ("say", "taps"), [("walk", [0, 3, 1, 3, 5, 6, 6, 2, 3]), ("shaft", [0, 1, 1, 1, 2, 3])]
)
def test_a_list_that_is_ticked_here_looks_as_the_server_would_show_it(
    runner: Runner, new_tablet: NewTablet, say: str, taps: list[int]
) -> None:
    tablet, first, _ = on_a_walk(runner, new_tablet, say)
    turn = read(tablet).turn
    for number in taps:
        turn += 1
        tick(tablet, first + number, turn)
        expect(tablet.locator("html")).to_have_attribute("data-kept", "0")
        here, sent = tablet.evaluate(AS_SENT)
        assert here == sent, f"after {number}"


IN_SIGHT = """() => {
  const box = document.querySelector('.thing-next .thing-tick').getBoundingClientRect();
  const room = document.querySelector('.work').getBoundingClientRect();
  return box.top >= room.top - 1 && box.bottom <= room.bottom + 1;
}"""


@pytest.mark.parametrize(("width", "height"), [(1024, 768), (360, 740)])
def test_the_thing_to_do_next_is_always_in_sight(
    runner: Runner, new_tablet: NewTablet, width: int, height: int
) -> None:
    tablet, _, things = on_a_walk(runner, new_tablet)
    tablet.set_viewport_size({"width": width, "height": height})
    turn = read(tablet).turn
    for step in range(things - 1):
        rested(tablet)
        tablet.keyboard.press("PageDown")
        wait_for_turn(tablet, turn + step + 1)
        assert tablet.evaluate(IN_SIGHT), f"after {step + 1}"
    expect(tablet.locator("html")).to_have_attribute("data-kept", "0")
    tablet.reload()
    wait_for_turn(tablet, turn + things - 1)
    assert tablet.evaluate(IN_SIGHT)
    assert ticked(tablet) == list(range(things - 1))


# --- lost answers --------------------------------------------------------------------------------------


@pytest.fixture
def no_worker(browser: Browser, complaints: Complaints) -> Iterator[Page]:
    """A tablet whose browser has no service worker, so that what it sends can be caught on its way."""
    context = browser.new_context(viewport={"width": 1024, "height": 768}, service_workers="block")
    context.on("page", complaints.listen)
    complaints.net_drops = True
    yield context.new_page()
    context.close()
    complaints.forgive("Service Worker registration blocked")


def test_a_tap_whose_answer_was_lost_is_handed_in_again_and_counts_once(
    runner: Runner, no_worker: Page
) -> None:
    runner.put_on_loom(2)
    screen = at_loom(runner, no_worker)
    sent: list[str] = []

    def lose(route: Route) -> None:
        sent.append(route.request.post_data or "")
        if len(sent) <= 2:
            route.fetch()  # the server counts it
            route.abort("connectionreset")
        else:
            route.continue_()

    no_worker.route("**/taps", lose)
    seen = go_on(no_worker, 3)
    wait_until_connected(no_worker)
    assert json.loads(sent[0])[0]["key"] == json.loads(sent[1])[0]["key"] == json.loads(sent[2])[0]["key"]
    expect_each_counted_once(runner, seen, begun=screen.turn)
    assert read(no_worker).turn == screen.turn + 3


def test_ends_are_asked_for_while_an_earlier_tap_is_on_its_way_and_none_is_lost(
    runner: Runner, no_worker: Page
) -> None:
    move = next(card.number for card in runner.weaving().cards if card.kind == "move_cords")
    runner.put_on_loom(move - 1)
    screen = at_loom(runner, no_worker)
    held: list[Route] = []
    no_worker.route("**/taps", lambda route: route.continue_() if held else held.append(route))
    seen = go_on(no_worker, 1)
    no_worker.keyboard.press("PageDown")
    no_worker.get_by_role("status").get_by_text("tick each").wait_for()
    assert read(no_worker).card == move
    held[0].continue_()
    wait_until_connected(no_worker)
    expect_each_counted_once(runner, seen, begun=screen.turn)


def test_a_server_that_fails_counts_as_no_net(
    runner: Runner, no_worker: Page, complaints: Complaints
) -> None:
    runner.put_on_loom(2)
    screen = at_loom(runner, no_worker)
    no_worker.route("**/taps", lambda route: route.fulfill(status=503, body="The disk is full."))
    seen = go_on(no_worker, 2)
    assert "Not connected – keep weaving, 2 taps kept here." in strip(no_worker)
    no_worker.unroute("**/taps")
    full = {"sentence": "The disk is full; make room."}
    no_worker.route("**/taps", lambda route: route.fulfill(status=503, json=full))
    said = no_worker.locator(".net-strip", has_text="The computer answers: The disk is full; make room.")
    said.wait_for()
    assert "Keep weaving, 2 taps kept here." in said.inner_text()
    no_worker.unroute("**/taps")
    no_worker.route("**/taps", lambda route: route.fulfill(status=422, json={"sentence": "Unreadable."}))
    no_worker.locator(".net-strip", has_text="Unreadable.").wait_for()
    seen += go_on(no_worker, 1)
    assert "3 taps kept" in strip(no_worker), "who has not counted them throws none away"
    no_worker.unroute("**/taps")
    wait_until_connected(no_worker)
    expect_each_counted_once(runner, seen, begun=screen.turn)
    complaints.forgive("503", "422")


def test_what_is_said_of_a_change_stays_though_two_have_asked_what_is_up(
    own_runner: Runner, no_worker: Page
) -> None:
    """The page is about to hold instructions, and hears meanwhile that something was chosen elsewhere."""
    own_runner.put_on_loom()
    held_up: list[Route] = []
    goes_on: list[bool] = []
    no_worker.route("**/ahead?*", lambda route: route.continue_() if goes_on else held_up.append(route))
    no_worker.goto(f"{own_runner.url}/loom")
    wait_until(no_worker, lambda: len(held_up) == 1)
    ASKING.post(f"{own_runner.house.url}/preferences", data={"shafts_from": "back"})
    wait_until(no_worker, lambda: len(held_up) == 2)
    with no_worker.expect_response("**/ahead?*"):
        held_up[0].continue_()
    no_worker.evaluate("fetch('/help').then(answer => answer.text())")  # by now it has read that answer
    goes_on.append(True)
    for route in held_up[1:]:
        with no_worker.expect_response("**/ahead?*"):
            route.continue_()
    wait_for_hold(no_worker)
    assert "was changed on another screen" in read(no_worker).message


def test_taps_of_a_tab_that_was_closed_are_handed_in_by_the_next(
    own_runner: Runner, new_tablet: NewTablet
) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    tablet.locator("html[data-stores]").wait_for()
    own_runner.house.kill()
    seen = go_on(tablet, 4)
    tablet.close()
    next_tab = tablet.context.new_page()
    next_tab.goto(f"{own_runner.url}/loom")  # still without the net: she goes on where she was
    wait_for_turn(next_tab, screen.turn + 4)
    seen += go_on(next_tab, 2)
    own_runner.house.start()
    wait_until_connected(next_tab)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)


def test_two_tabs_on_one_tablet_keep_their_own_taps(own_runner: Runner, new_tablet: NewTablet) -> None:
    own_runner.put_on_loom(2)
    one = new_tablet()
    screen = at_loom(own_runner, one)
    two = one.context.new_page()
    at_loom(own_runner, two)
    own_runner.house.kill()
    strip(one)
    strip(two)
    one.bring_to_front()
    seen = go_on(one, 3)
    assert read(two).turn == screen.turn
    own_runner.house.start()
    wait_until_connected(one)
    two.bring_to_front()
    wait_for_turn(two, screen.turn + 3)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)


def test_a_page_from_the_store_is_marked_and_asks_anew(own_runner: Runner, new_tablet: NewTablet) -> None:
    own_runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(own_runner, tablet)
    tablet.locator("html[data-stores]").wait_for()
    own_runner.house.kill()
    tablet.evaluate("localStorage.clear()")
    tablet.evaluate("sessionStorage.clear()")
    fresh = tablet.context.new_page()
    tablet.close()
    fresh.evaluate("0")
    fresh.goto(f"{own_runner.url}/loom")
    assert fresh.locator("html").get_attribute("data-stored") is not None
    assert "Not connected" in strip(fresh)
    own_runner.house.start()
    ASKING.post(
        f"{own_runner.url}/next", data={"card": screen.card, "turn": screen.turn}, follow_redirects=False
    )
    fresh.locator(".net-strip").wait_for(state="hidden")
    wait_for_turn(fresh, screen.turn + 1)
    assert read(fresh).card == screen.card + 1


# --- two stories ---------------------------------------------------------------------------------------


def went_apart(runner: Runner, new_tablet: NewTablet) -> tuple[Page, Screen]:
    """The tablet did three things without the net; meanwhile a phone, which was connected, did five."""
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.context.set_offline(True)
    strip(tablet)
    go_on(tablet, 3)
    for number in range(5):
        answer = ASKING.post(
            f"{runner.url}/next", data={"card": screen.card + number, "turn": screen.turn + number}
        )
        assert answer.status_code == 303
    tablet.context.set_offline(False)
    return tablet, screen


def test_of_two_stories_the_other_screens_can_be_chosen(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet, screen = went_apart(runner, new_tablet)
    both = tablet.get_by_role("dialog", name="Two screens went apart")
    both.wait_for()
    stories = [part.get_by_role("listitem").all_inner_texts() for part in both.locator("section").all()]
    assert [len(story) for story in stories] == [5, 3]
    assert stories[0][:3] == stories[1]
    assert "Row 2 woven" in stories[1]
    assert runner.weaving().place.card == screen.card + 5, "nothing is guessed"
    tablet.keyboard.press("Escape")
    tablet.keyboard.press("PageDown")
    assert both.is_visible(), "she must choose"
    both.get_by_role("button", name="Go on from the other screen’s place").tap()
    wait_for_turn(tablet, screen.turn + 5)
    assert read(tablet).card == screen.card + 5
    assert "3 taps of this screen did not count" in read(tablet).message
    (note,) = runner.house.store.notes(runner.id)
    assert note.row == 2
    assert note.words.endswith("; ".join(stories[1]) + "."), "nothing she tapped is lost"
    assert runner.weaving().place.turn == screen.turn + 5
    press_done(tablet, read(tablet))
    wait_for_turn(tablet, screen.turn + 6)
    complaints.forgive("409")
    complaints.net_drops = True


def test_of_two_stories_this_screens_can_be_chosen_and_the_log_says_so(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet, screen = went_apart(runner, new_tablet)
    tablet.get_by_role("button", name="Go on from where this screen is").tap()
    wait_for_turn(tablet, screen.turn + 6)
    assert read(tablet).card == screen.card + 3
    weaving = runner.weaving()
    assert (weaving.place.card, weaving.place.turn) == (screen.card + 3, screen.turn + 6)
    assert weaving.log[-1].kind == "settle"
    wait_until_connected(tablet)
    tablet.goto(f"{runner.url}/log")
    assert "Two screens went apart" in tablet.locator(".log li").first.inner_text()
    complaints.forgive("409")
    complaints.net_drops = True


def test_two_stories_outlive_a_reload(runner: Runner, new_tablet: NewTablet, complaints: Complaints) -> None:
    tablet, screen = went_apart(runner, new_tablet)
    both = tablet.get_by_role("dialog", name="Two screens went apart")
    both.wait_for()
    tablet.once("dialog", lambda dialog: dialog.accept())
    tablet.reload()
    both.wait_for()
    both.get_by_role("button", name="Go on from where this screen is").tap()
    wait_for_turn(tablet, screen.turn + 6)
    assert runner.weaving().place.card == screen.card + 3
    complaints.forgive("409")
    complaints.net_drops = True


def test_two_stories_are_told_to_their_end_however_long_they_are(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    runner.put_on_loom(2)
    tablet = new_tablet()
    screen = at_loom(runner, tablet)
    tablet.context.set_offline(True)
    strip(tablet)
    go_on(tablet, STEPS)  # more than are handed in at once
    ASKING.post(f"{runner.url}/next", data={"card": screen.card, "turn": screen.turn})
    tablet.context.set_offline(False)
    tablet.get_by_role("dialog").locator("section").last.get_by_role("listitem").nth(STEPS - 1).wait_for()
    tablet.get_by_role("button", name="Go on from where this screen is").tap()
    wait_for_turn(tablet, screen.turn + 2)
    assert read(tablet).card == runner.weaving().place.card == screen.card + STEPS
    complaints.forgive("409")
    complaints.net_drops = True


def test_ticks_outlive_the_choice_between_two_stories(
    runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    tablet, first, _ = on_a_walk(runner, new_tablet)
    turn = read(tablet).turn
    tablet.context.set_offline(True)
    strip(tablet)
    for number in (0, 3, 5):
        turn += 1
        tick(tablet, first + number, turn)
    ASKING.post(f"{runner.url}/next", data={"card": first, "turn": turn - 3})
    tablet.context.set_offline(False)
    both = tablet.get_by_role("dialog", name="Two screens went apart")
    both.get_by_role("button", name="Go on from where this screen is").tap()
    wait_for_turn(tablet, turn - 3 + 1 + 1 + 2)  # theirs, the choice, two ticks again
    assert ticked(tablet) == [0, 3, 5]
    place = runner.weaving().place
    assert (place.card, place.ahead) == (first + 1, {first + 3, first + 5})
    complaints.forgive("409")
    complaints.net_drops = True


def test_two_tabs_of_one_tablet_that_both_went_on_lose_nothing_and_count_nothing_twice(
    own_runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    own_runner.put_on_loom(2)
    one = new_tablet()
    screen = at_loom(own_runner, one)
    one.locator("html[data-stores]").wait_for()
    two = one.context.new_page()
    at_loom(own_runner, two)
    own_runner.house.kill()
    strip(one)
    strip(two)
    go_on(two, 2)
    one.bring_to_front()
    go_on(one, 3)
    one.reload()  # it must not take the other’s for its own
    wait_for_turn(one, screen.turn + 3)
    names = "Object.keys(localStorage).filter(name => name.startsWith('taps ')).length"
    assert one.evaluate(names) == 2
    own_runner.house.start()
    first, second, counted = wait_for_second(one, two)
    wait_until_connected(first)
    both = second.get_by_role("dialog", name="Two screens went apart")
    stories = [part.get_by_role("listitem").count() for part in both.locator("section").all()]
    assert stories == [counted, 5 - counted]
    assert own_runner.weaving().place.turn == screen.turn + counted, "she is asked first"
    both.get_by_role("button", name="Go on from the other screen’s place").tap()
    wait_for_turn(second, screen.turn + counted)
    (note,) = own_runner.house.store.notes(own_runner.id)
    assert note.row == 2
    assert note.words.count(";") == 5 - counted - 1
    keys = [entry.key for entry in own_runner.weaving().log[screen.turn :]]
    assert len(set(keys)) == len(keys) == counted
    complaints.forgive("409")


def wait_for_second(one: Page, two: Page) -> tuple[Page, Page, int]:
    """Of two tabs that went apart, which was first and which is asked, and how many taps counted."""
    asked = {page: page.get_by_role("dialog", name="Two screens went apart") for page in (one, two)}
    while not any(dialog.is_visible() for dialog in asked.values()):
        one.wait_for_timeout(50)
    return (two, one, 2) if asked[one].is_visible() else (one, two, 3)


def test_taps_that_two_tabs_hold_count_once(
    own_runner: Runner, new_tablet: NewTablet, complaints: Complaints
) -> None:
    """A tab that is opened anew goes on from what an open one has kept; both hand it in."""
    own_runner.put_on_loom(2)
    one = new_tablet()
    screen = at_loom(own_runner, one)
    one.locator("html[data-stores]").wait_for()
    own_runner.house.kill()
    strip(one)
    seen = go_on(one, 3)
    two = one.context.new_page()
    two.goto(f"{own_runner.url}/loom")
    wait_for_turn(two, screen.turn + 3)
    seen += go_on(two, 1)
    own_runner.house.start()
    wait_until_connected(two)
    one.bring_to_front()
    wait_until_connected(one)
    wait_for_turn(one, screen.turn + 4)
    expect_each_counted_once(own_runner, seen, begun=screen.turn)
