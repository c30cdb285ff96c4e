"""Pictures of every kind of card, to be looked at: `python -m tests.browser.shots FOLDER [PART]`.

With a part of a name only the pictures whose name has it in it are made.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from server.web.device import Device, settings_of
from tests.browser.conftest import FLAGS, House, bring_in, chromium_path, free_port
from tests.browser.device import set_device
from tests.browser.scenes import SCENES, kinds_of

SIZES = ((390, 844), (768, 1024), (1024, 768), (1920, 1080))
EXTRA_SIZES = ((360, 640), (844, 390), (1280, 800))


@dataclass(frozen=True)
class Shot:
    """One way to look at the cards."""

    name: str
    width: int
    height: int
    device: Device
    scheme: str = "light"
    forced: bool = False


def shots() -> Iterator[Shot]:
    """All ways: four sizes in three looks, other sizes, the left hand, the sizes of text, from behind."""
    for width, height in SIZES:
        for look in ("light", "dark", "contrast"):
            yield Shot(f"{look}", width, height, Device(look=look))
    for width, height in EXTRA_SIZES:
        yield Shot("light", width, height, Device(look="light"))
    for width, height in ((768, 1024), (1280, 800)):
        yield Shot("left", width, height, Device(look="light", hand="left"))
    for size in ("small", "large", "largest"):
        for width, height in ((390, 844), (1024, 768)):
            yield Shot(size, width, height, Device(look="light", size=size))
    yield Shot("behind", 390, 844, Device(look="light", view="behind"))
    yield Shot("contrast-dark", 1024, 768, Device(look="contrast"), scheme="dark")
    yield Shot("forced", 1024, 768, Device(), forced=True)


def open_page(browser: Browser, house: House, shot: Shot) -> Page:
    """A page on a device that is set like this."""
    context = browser.new_context(
        viewport={"width": shot.width, "height": shot.height},
        color_scheme=shot.scheme,  # type: ignore[arg-type]
        forced_colors="active" if shot.forced else "none",
        has_touch=True,
    )
    page = context.new_page()
    set_device(page, house.url, **settings_of(shot.device))
    return page


def picture(page: Page, folder: Path, shot: Shot, what: str) -> None:
    """One picture."""
    page.screenshot(path=folder / f"{shot.name}-{shot.width}x{shot.height}-{what}.png")


def take(folder: Path, part: str) -> None:
    """Make the pictures."""
    with tempfile.TemporaryDirectory() as data, sync_playwright() as playwright:
        house = House(Path(data), free_port())
        house.start()
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        try:
            chosen = [shot for shot in shots() if part in f"{shot.name}-{shot.width}x{shot.height}"]
            pages = [(shot, open_page(browser, house, shot)) for shot in chosen]
            runner = bring_in(house)
            for kind, number in kinds_of(runner):
                runner.put_on_loom(number)
                for shot, page in pages:
                    page.goto(f"{runner.url}/loom")
                    picture(page, folder, shot, kind)
            for scene, show in SCENES.items():
                runner, there = bring_in(house), ""
                for shot, page in pages:
                    say = "walk" if scene == "things" else "action"
                    set_device(page, house.url, **(settings_of(shot.device) | {"say": say}))
                    if not there:
                        show(runner, page)
                        there = page.url
                    else:
                        page.goto(there)
                    picture(page, folder, shot, scene)
        finally:
            browser.close()
            house.kill()


if __name__ == "__main__":
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    take(target, sys.argv[2] if len(sys.argv) > 2 else "")
