"""What a page shows: where things are on it, how large and how dark, and what an instruction says."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from playwright.sync_api import Page, expect

PATIENCE = 60.0
"""Seconds for a server to come up, or a page to follow a tap. Far more than either takes."""

READ = """() => {
  const one = selector => document.querySelector(selector);
  const all = selector => [...document.querySelectorAll(selector)];
  const text = element => element ? element.innerText.replace(/\\s+/g, ' ').trim() : '';
  const inside = element => {
    const box = element.getBoundingClientRect();
    return box.width > 0 && box.left >= -0.5 && box.top >= -0.5
      && box.right <= innerWidth + 0.5 && box.bottom <= innerHeight + 0.5;
  };
  const done = one('button.done'), heading = one('#instruction'), spot = done.getBoundingClientRect();
  const hit = document.elementFromPoint((spot.left + spot.right) / 2, (spot.top + spot.bottom) / 2);
  const bank = all('.bank').filter(side => /starts/.test(side.innerText)).map(text);
  const end = all('.bank').filter(side => /ends/.test(side.innerText)).map(text);
  return {
    card: Number(one('#done-form [name=card]').value),
    turn: Number(one('#done-form [name=turn]').value),
    kind: one('main').className.match(/kind-([a-z-]+)/)[1].replace('-', '_'),
    heading: text(heading),
    message: all('[role=status]').map(text).join(' ').trim(),
    sub: text(one('.sub')),
    handles: all('.handle').map(h => ['.visually-hidden', '.doing'].map(part => text(h.querySelector(part)))),
    cords: all('.cord-changes dt').map(doing => [text(doing), text(doing.nextElementSibling)]),
    counts: all('.group-text').map(text).filter(words => words !== '…'),
    counting: text(one('.leash-start')),
    strip: text(one('.strip figcaption')),
    treadles: all('.treadle').map(t => Number(text(t))),
    starts: bank.join(), ends: end.join(),
    strip_height: one('.strip-cells') ? one('.strip-cells').getBoundingClientRect().height : 0,
    sideways: document.documentElement.scrollWidth - innerWidth,
    heading_in_sight: inside(heading),
    heading_size: parseFloat(getComputedStyle(heading).fontSize),
    done_in_sight: inside(done) && (hit === done || done.contains(hit)),
    done_top: spot.top,
    done_middle: [(spot.left + spot.right) / 2, (spot.top + spot.bottom) / 2],
    done_height: spot.height,
  };
}"""


@dataclass(frozen=True)
class Screen:
    """The instruction that is up, as it is shown. Lengths are in CSS pixels."""

    card: int
    turn: int
    kind: str
    heading: str
    message: str
    sub: str
    handles: list[list[str]]
    cords: list[list[str]]
    counts: list[str]
    counting: str
    strip: str
    treadles: list[int]
    starts: str
    ends: str
    strip_height: float
    sideways: float
    heading_in_sight: bool
    heading_size: float
    done_in_sight: bool
    done_top: float
    done_middle: list[float]
    done_height: float


def read(page: Page) -> Screen:
    """The instruction on this page."""
    found: dict[str, Any] = page.evaluate(READ)
    return Screen(**found)


def fits(screen: Screen) -> list[str]:
    """What is wrong with where things are; nothing on a good page."""
    wrong = []
    if screen.sideways > 0:
        wrong.append(f"it is {screen.sideways} px too wide")
    if not screen.heading_in_sight:
        wrong.append("the heading is out of sight")
    if screen.heading_size < 28:
        wrong.append(f"the heading is only {screen.heading_size} px")
    if not screen.done_in_sight:
        wrong.append("“done” is out of sight, or something lies over it")
    if screen.done_height < 64:
        wrong.append(f"“done” is only {screen.done_height} px high")
    if screen.kind in ("raise", "test_lift") and screen.strip_height < 12:
        wrong.append(f"the units that rise are only {screen.strip_height} px high")
    return [f"{screen.kind} card {screen.card}: {line}" for line in wrong]


def wait_for_turn(page: Page, turn: int) -> None:
    """Wait until the page shows the instruction after so many taps, and takes the next tap."""
    page.locator(f"#done-form [name=turn][value='{turn}']").wait_for(state="attached")
    page.locator("main:not([data-resting]) button.done:enabled").wait_for()


def wait_until_counted(page: Page) -> None:
    """Wait until the server has counted all taps of this page, which shows the next instruction before."""
    expect(page.locator("html")).to_have_attribute("data-kept", "0")


def wait_until(page: Page, holds: Callable[[], bool], *, pause: float = 50) -> None:
    """Ask again and again until something holds.

    Playwright's own `wait_for_function` asks from within the page, where our policy forbids to run a text as
    script: it answers only if what it waits for holds at once.

    Args:
        pause: milliseconds between two times.
    """
    end = time.monotonic() + PATIENCE
    while not holds():
        if time.monotonic() > end:
            pytest.fail("What was waited for did not come.")
        page.wait_for_timeout(pause)


def press_done(page: Page, screen: Screen) -> None:
    """Tick what is to be ticked and tap the large button once."""
    tick_both(page, screen)
    page.locator("button.done").tap()


def tick_both(page: Page, screen: Screen) -> None:
    """Tick both ends on the cards that ask for it."""
    if screen.kind in ("move_cords", "withdraw"):
        for box in page.locator(".ticks label").all():
            box.tap()


SMALL = """() => [...document.querySelectorAll('a, button, input, select, summary')].flatMap(e => {
  if (e.type === 'hidden') return [];
  const target = e.closest('label') || e;
  const box = target.getBoundingClientRect();
  if (!box.width || !box.height || !e.checkVisibility({visibilityProperty: true})) return [];
  const sentence = e.tagName === 'A' && getComputedStyle(e).display === 'inline'
    && e.parentElement.innerText.trim().length > e.innerText.trim().length;
  const large = box.width >= 43.5 && box.height >= 43.5;
  const name = `${e.tagName} “${(e.innerText || e.name).trim()}”`;
  return sentence || large ? [] : [`${name} ${box.width} × ${box.height}`];
})"""

PALE = """least => {
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = 1;
  const pen = canvas.getContext('2d', {willReadFrequently: true});
  const painted = colour => {
    pen.clearRect(0, 0, 1, 1);
    pen.fillStyle = colour;
    pen.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = pen.getImageData(0, 0, 1, 1).data;
    return [r, g, b, a / 255];
  };
  const colours = new Map(), grounds = new Map();
  const once = (known, key, make) => {
    if (!known.has(key)) known.set(key, make());
    return known.get(key);
  };
  const rgba = colour => once(colours, colour, () => painted(colour));
  const over = (top, under) => top.slice(0, 3).map((part, i) => part * top[3] + under[i] * (1 - top[3]));
  const ground = element => element ? once(grounds, element, () =>
    over(rgba(getComputedStyle(element).backgroundColor), ground(element.parentElement))) : rgba('Canvas');
  const light = colour => {
    const [r, g, b] = colour.map(part => part / 255)
      .map(part => part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const pale = [];
  let seen = 0;
  while (walker.nextNode()) {
    const words = walker.currentNode.textContent.trim(), element = walker.currentNode.parentElement;
    if (!words || element.closest('svg, script, [disabled], .visually-hidden')) continue;
    if (!element.checkVisibility({visibilityProperty: true, opacityProperty: true})) continue;
    const under = ground(element), ink = over(rgba(getComputedStyle(element).color), under);
    const [lighter, darker] = [light(ink), light(under)].sort((a, b) => b - a);
    const contrast = (lighter + 0.05) / (darker + 0.05);
    seen += 1;
    if (contrast < least) pale.push(`“${words.slice(0, 40)}” ${contrast.toFixed(2)}`);
  }
  return {seen, pale};
}"""


def small_targets(page: Page) -> list[str]:
    """What can be tapped and is smaller than 44 × 44 px (WCAG 2.2, 2.5.5; links in a sentence excepted)."""
    found: list[str] = page.evaluate(SMALL)
    return found


def pale_texts(page: Page, least: float = 7.0) -> list[str]:
    """Texts with less contrast than this (WCAG 2.2, 1.4.6: 7 : 1); at least one text must be there."""
    found = page.evaluate(PALE, least)
    assert found["seen"] > 0
    pale: list[str] = found["pale"]
    return pale
