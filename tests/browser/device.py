"""Setting a device as its preferences page does, and hearing what a tablet says aloud."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from urllib.parse import urlencode, urlsplit

from playwright.sync_api import Page, expect

from server.web.device import COOKIE, Device, settings_of

HELD = re.compile("[6-9][0-9]|[1-9][0-9][0-9]")

RECORDER = """() => {
  window.heard = [];
  const voice = {
    speak: words => window.heard.push(words.text),
    cancel: () => window.heard.push('(cancelled)'),
    getVoices: () => [{name: 'recorder', lang: 'en'}],
    addEventListener: () => {},
  };
  Object.defineProperty(window, 'speechSynthesis', {value: voice, configurable: true});
}"""
"""Takes the place of the browser's voice and writes down what it is given."""


def set_device(tablet: Page, address: str, **settings: str) -> None:
    """Set a tablet as its preferences page would.

    Args:
        address: any page of the house.
        settings: as the form sends them.
    """
    cookie = urlencode(settings_of(Device()) | settings)
    host = urlsplit(address).hostname or ""
    tablet.context.add_cookies([{"name": COOKIE, "value": cookie, "domain": host, "path": "/"}])


def wait_for_hold(tablet: Page) -> None:
    """Wait until at least 60 instructions are held, which the page says on its root element."""
    expect(tablet.locator("html")).to_have_attribute("data-held", HELD)


def stop_the_clock(tablet: Page) -> None:
    """On pages to come no time passes but what `clock.run_for` says, however slow this computer is."""
    tablet.clock.install()
    tablet.clock.pause_at(datetime.now() + timedelta(hours=1))


def hear(tablet: Page) -> None:
    """Write down what is read aloud from the next page on."""
    tablet.add_init_script(f"({RECORDER})()")


def heard(tablet: Page) -> list[str]:
    """What was read aloud on this page so far."""
    found: list[str] = tablet.evaluate("window.heard")
    return [text for text in found if text != "(cancelled)"]
