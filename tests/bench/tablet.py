"""In Chromium, its processor slowed four times: from a tap to the next instruction; and the first load.

`python -m tests.bench.tablet` prints both.
"""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from playwright.sync_api import CDPSession, Page, sync_playwright

from tests.browser.conftest import FLAGS, House, Runner, bring_in, chromium_path, free_port
from tests.browser.device import set_device, wait_for_hold
from tests.browser.screen import press_done, read

SLOWED = 4
TAPS = 44
MOST_BYTES = 60_000
MOST_FOLLOW_MS = 500

WATCH = """() => {
  window.times = [];
  window.shift = 0;
  new PerformanceObserver(list => {
    for (const entry of list.getEntries()) window.shift += entry.value;
  }).observe({type: 'layout-shift', buffered: true});
  let tapped = 0;
  addEventListener('pointerup', event => { tapped = event.timeStamp; }, true);
  new MutationObserver(() => {
    if (!tapped || !document.querySelector('main [name=turn]')) return;
    const began = tapped;
    tapped = 0;
    // in the frame after the next one it has been painted
    requestAnimationFrame(() => setTimeout(() => window.times.push(performance.now() - began)));
  }).observe(document.body, {childList: true});
}"""
"""From the finger leaving the glass to the instruction painted; and what moved without being asked to."""


SEEN = """() => {
  window.seen = {};
  new MutationObserver(() => {
    const turn = document.querySelector('main [name=turn]')?.value;
    if (turn) window.seen[turn] ??= Date.now();
  }).observe(document.body, {childList: true, subtree: true});
}"""
"""Writes down when each turn comes up."""


@dataclass
class Wire:
    """What came over the wire.

    Attributes:
        sizes: bytes of each answer as it was sent, headers included, by its address.
    """

    sizes: dict[str, int]

    @property
    def total(self) -> int:
        """All of them."""
        return sum(self.sizes.values())


def count_wire(page: Page) -> Wire:
    """Count from now on what this page loads."""
    wire = Wire({})
    names: dict[str, str] = {}
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")

    def asked(event: dict[str, Any]) -> None:
        names[event["requestId"]] = event["request"]["url"]

    def came(event: dict[str, Any]) -> None:
        url = names.get(event["requestId"], event["requestId"])
        wire.sizes[url] = wire.sizes.get(url, 0) + int(event["encodedDataLength"])

    session.on("Network.requestWillBeSent", asked)
    session.on("Network.loadingFinished", came)
    return wire


def first_load(page: Page, runner: Runner) -> Wire:
    """Open the page at the loom for the first time, and wait until sixty instructions are held."""
    wire = count_wire(page)
    page.goto(f"{runner.url}/loom")
    wait_for_hold(page)
    page.wait_for_load_state("networkidle")
    page.close()
    return wire


def slow_down(page: Page, times: int = SLOWED) -> CDPSession:
    """Slow the page's processor."""
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": times})
    return session


def tap_times(page: Page, runner: Runner, taps: int = TAPS) -> tuple[list[float], float]:
    """Milliseconds from each tap to the next instruction painted, and the sum of layout shifts meanwhile."""
    set_device(page, runner.url, rest="0")
    page.goto(f"{runner.url}/loom")
    wait_for_hold(page)
    slowed = slow_down(page)
    page.evaluate(WATCH)
    for number in range(1, taps + 1):
        for box in page.locator(".ticks label").all():
            box.tap()
        page.locator("button.done").tap()
        page.evaluate(
            "number => new Promise(go => { const look = () => window.times.length >= number "
            "? go() : setTimeout(look, 20); look(); })",
            number,
        )
    slowed.send("Emulation.setCPUThrottlingRate", {"rate": 1})
    times: list[float] = page.evaluate("window.times")
    shift: float = page.evaluate("window.shift")
    return times, shift


def follow_times(tablet: Page, phone: Page, runner: Runner, taps: int = TAPS) -> list[int]:
    """Milliseconds from each instruction coming up where it was tapped to it coming up on another screen."""
    for page in (tablet, phone):
        set_device(page, runner.url, rest="0")
        page.goto(f"{runner.url}/loom")
        wait_for_hold(page)
        page.evaluate(SEEN)
    delays = []
    for _ in range(taps):
        screen = read(tablet)
        press_done(tablet, screen)
        for page in (tablet, phone):
            page.locator(f"#done-form [name=turn][value='{screen.turn + 1}']").wait_for(state="attached")
        first, second = (page.evaluate(f"window.seen[{screen.turn + 1}]") for page in (tablet, phone))
        delays.append(second - first)
    return delays


def main() -> None:
    """The command."""
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        house = House(Path(folder), free_port())
        house.start()
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        try:
            for width, height in ((390, 844), (1024, 768), (1920, 1080)):
                runner = bring_in(house)
                runner.put_on_loom(2)
                context = browser.new_context(viewport={"width": width, "height": height}, has_touch=True)
                wire = first_load(context.new_page(), runner)
                times, shift = tap_times(context.new_page(), runner)
                context.close()
                print(
                    f"{width} × {height}: tap to instruction, {SLOWED} times slowed: median "
                    f"{statistics.median(times):.0f} ms, longest {max(times):.0f} ms of {len(times)}; "
                    f"layout shift {shift:g}; first load {wire.total} bytes"
                )
            runner = bring_in(house)
            runner.put_on_loom(2)
            contexts = [browser.new_context(has_touch=True) for _ in range(2)]
            delays = follow_times(*(context.new_page() for context in contexts), runner)
            print(
                f"Another screen follows: median {statistics.median(delays):.0f} ms, "
                f"longest {max(delays)} ms of {len(delays)} (at most {MOST_FOLLOW_MS})"
            )
            for url, size in sorted(wire.sizes.items(), key=lambda item: -item[1]):
                print(f"{size:>8}  {url.removeprefix(house.url)}")
        finally:
            browser.close()
            house.kill()


if __name__ == "__main__":
    main()
