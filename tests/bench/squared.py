"""In Chromium, its processor slowed four times: what drawing on 200 × 200 squares costs.

`python -m tests.bench.squared` prints, of each event of the pencil (down, each move, up), how long our
scripts take to handle it and to draw its squares in the next frame, and how long it is until that is painted.
"""

from __future__ import annotations

import random
import statistics
from pathlib import Path
from tempfile import TemporaryDirectory

from playwright.sync_api import Page, sync_playwright

from server.design.design import Band, Design
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from tests.bench.tablet import SLOWED, slow_down
from tests.browser.conftest import FLAGS, House, chromium_path, free_port
from tests.browser.screen import wait_until

SIDE = 200
STROKES = 6
POINTS = 30
"""Of one stroke."""
MOST_MS = 16

WATCH = """() => {
  const channel = new MessageChannel();
  let began = 0, handled = 0, frame = 0;
  window.scripts = [];
  window.painted = [];
  window.inFrame = 0;
  // a message that was sent in a frame arrives when it has been painted
  channel.port1.onmessage = () => {
    window.scripts.push(handled + window.inFrame);
    window.painted.push(handled + performance.now() - frame);
  };
  for (const kind of ['pointerdown', 'pointermove', 'pointerup']) {
    addEventListener(kind, () => {
      began = performance.now();
      window.inFrame = 0;
      requestAnimationFrame(() => { frame = performance.now(); channel.port2.postMessage(0); });
    }, true);
    addEventListener(kind, () => { handled = performance.now() - began; });
  }
}"""
"""The first listener of all, and the last: in between the page does its work."""

FRAMES = """
  const ask = window.requestAnimationFrame.bind(window);
  window.requestAnimationFrame = (call) => ask((time) => {
    const start = performance.now();
    call(time);
    window.inFrame += performance.now() - start;
  });
"""
"""Adds up what is done in frames; it goes into the page before its own scripts."""


def design_on(house: House) -> int:
    """200 × 200 squares, half of them filled at random, on a pointed leash order."""
    loom = Loom((), frozenset(), 51, name="Loom", spare_shafts=8)
    warp = hang("Wide", loom, (Part("pointed", 51, times=2, hung=1), Part("straight", 1)), satin(5, 2))
    chance = random.Random(4)
    units = warp.units
    rows = tuple("".join(chance.choice("#.") for _ in range(units)) for _ in range(SIDE))
    board = house.store.board
    design = Design(units, (Band(1, "Panel", (4,), rows),), 1)
    return board.add_design(board.add_warp(write_warp(warp)), "Large", design)


def costs_of(page: Page) -> dict[str, list[float]]:
    """Milliseconds of each event of some strokes across the paper, one event a frame.

    Returns:
        "scripts": what our scripts take; "painted": all until it is painted.
    """
    page.evaluate(WATCH)
    box = page.locator("#paper").bounding_box()
    assert box
    chance = random.Random(5)
    count = 0

    def settle() -> None:
        nonlocal count
        count += 1
        wait_until(page, lambda: page.evaluate("window.painted.length") >= count, pause=10)

    for _ in range(STROKES):
        x, y = (
            box[side] + box[length] * chance.uniform(0.3, 0.5)
            for side, length in (("x", "width"), ("y", "height"))
        )
        page.mouse.move(x, y)
        settle()
        page.mouse.down()
        settle()
        for _ in range(POINTS):
            x, y = x + chance.uniform(-4, 9), y + chance.uniform(-7, 7)
            page.mouse.move(x, y)
            settle()
        page.mouse.up()
        settle()
    return {kind: page.evaluate(f"window.{kind}") for kind in ("scripts", "painted")}


def told(times: list[float]) -> str:
    """What is printed of many."""
    nineteen_of_twenty = statistics.quantiles(times, n=20)[-1]
    return (
        f"median {statistics.median(times):.1f} ms, 95 of 100 below {nineteen_of_twenty:.1f} ms, "
        f"longest {max(times):.1f} ms of {len(times)}"
    )


def main() -> None:
    """The command."""
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        house = House(Path(folder), free_port())
        house.start()
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        try:
            number = design_on(house)
            for through in (False, True):
                for closer in (0, 4):
                    page = browser.new_page(viewport={"width": 1024, "height": 768})
                    page.add_init_script(FRAMES)
                    page.goto(f"{house.url}/designs/{number}")
                    page.locator("#paper[data-squares]").wait_for()
                    page.get_by_label("Through the loom").set_checked(through)
                    page.get_by_role("button", name="Whole").click()
                    for _ in range(closer):
                        page.get_by_role("button", name="Closer").click()
                    slowed = slow_down(page)
                    costs = costs_of(page)
                    slowed.send("Emulation.setCPUThrottlingRate", {"rate": 1})
                    page.close()
                    how = "through the loom" if through else "square by square"
                    print(f"{SIDE} × {SIDE} squares, {how}, {'close' if closer else 'the whole'}:", end=" ")
                    print("; ".join(f"{kind} {told(times)}" for kind, times in costs.items()))
            print(f"All {SLOWED} times slowed; at most {MOST_MS} ms a stroke is asked for.")
        finally:
            browser.close()
            house.kill()


if __name__ == "__main__":
    main()
