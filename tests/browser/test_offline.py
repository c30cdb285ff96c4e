"""The net drops: sixty steps without it, a reload in between, the server killed; two stories afterwards."""

from __future__ import annotations

import json
import socket
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser, Error, Page, Route, expect

from tests.browser.conftest import Complaints, House, NewTablet, Runner, bring_in, free_port
from tests.browser.device import set_device, wait_for_hold
from tests.browser.screen import Screen, press_done, read, tick_both, wait_for_turn

pytestmark = pytest.mark.browser

STEPS = 60


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
    tablet.get_by_role("status").get_by_text("when the computer answers again").wait_for()
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
    tablet.get_by_role("status").get_by_text("Nothing was changed").wait_for()
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


def test_a_server_that_fails_counts_as_no_net(
    runner: Runner, no_worker: Page, complaints: Complaints
) -> None:
    runner.put_on_loom(2)
    screen = at_loom(runner, no_worker)
    no_worker.route("**/taps", lambda route: route.fulfill(status=503, body="The disk is full."))
    seen = go_on(no_worker, 2)
    assert "2 taps kept" in strip(no_worker)
    no_worker.unroute("**/taps")
    wait_until_connected(no_worker)
    expect_each_counted_once(runner, seen, begun=screen.turn)
    complaints.forgive("503")


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
    httpx.post(
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
        answer = httpx.post(
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
    assert "do not count: 3" in read(tablet).message
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
