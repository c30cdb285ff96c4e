"""A real server process and a real Chromium. What a page shows is read in `tests.browser.screen`."""

from __future__ import annotations

import json
import os
import shutil
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from functools import cache, cached_property
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, expect, sync_playwright

from server.plan.workorder import WorkOrder
from server.serving import draw_demo
from server.session.place import Tap
from server.settings import DATABASE_NAME
from server.store.database import Store, utc_now
from server.store.weavings import Weaving
from tests.browser.screen import PATIENCE
from tests.demo import demo_order, demo_text
from tests.forks import free_port, split_off

FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    f"--host-resolver-rules=MAP {socket.gethostname()}.local 127.0.0.1",
]
CHROMIUMS = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
NO_CHROMIUM = "There is no Chromium here. On Debian, `apt-get install chromium` brings it."
expect.set_options(timeout=PATIENCE * 1000)

# for all requests, each on a connection of its own: a new client reads certificates, longer than a page takes
ASKING = httpx.Client(timeout=PATIENCE, limits=httpx.Limits(max_keepalive_connections=0))


@dataclass
class House:
    """One server process on a data folder of its own; it can be killed and started again.

    Attributes:
        options: of the command, such as "--share".
        ago: how long ago is what is written past the server.
    """

    data: Path
    port: int
    process: BaseProcess | None = None
    options: tuple[str, ...] = ()
    ago: timedelta = timedelta()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @cached_property
    def store(self) -> Store:
        """The server's file, opened past the server."""
        return Store(self.data / DATABASE_NAME, clock=lambda: utc_now() - self.ago)

    def start(self) -> None:
        """Start the server and wait until it answers."""
        log = self.data / "server.log"
        command = ["--port", str(self.port), "--data", str(self.data), *self.options]
        self.process = split_off(command, log)
        deadline = time.monotonic() + PATIENCE
        while time.monotonic() < deadline:
            try:
                if ASKING.get(f"{self.url}/help").status_code == 200:
                    return
            except httpx.TransportError:
                pass
            if not self.process.is_alive():
                break
            time.sleep(0.05)
        pytest.fail(f"The server did not come up: {log.read_text()[-2000:] if log.exists() else ''}")

    def kill(self) -> None:
        """What a power cut does: no time to tidy up."""
        if self.process is not None:
            self.process.kill()
            self.process.join(PATIENCE)
            self.process = None


@dataclass(frozen=True)
class Runner:
    """A demo piece in a house, the harbour runner as a rule, on a loom of its own."""

    house: House
    id: int

    @property
    def url(self) -> str:
        return f"{self.house.url}/pieces/{self.id}"

    def weaving(self) -> Weaving:
        """What the log on disk says, read past the server."""
        weaving = self.house.store.weaving(self.id)
        assert weaving is not None
        return weaving

    def put_on_loom(self, cards: int = 0, *, ago: timedelta = timedelta()) -> None:
        """Past the browser: begin it if need be, and go on until so many cards are done, some time ago."""
        self.house.ago = ago
        answer = self.house.store.tap(self.id, Tap("begin", 0, 0))
        assert answer is not None
        for number in range(answer.weaving.place.card, cards):
            answer = self.house.store.tap(self.id, Tap("next", number, number + 1))
            assert answer is not None
            assert answer.counted
        assert answer.weaving.place.card == cards


@cache
def planned(demo: str) -> tuple[dict[str, Any], WorkOrder]:
    """A demo piece's file, and its plan."""
    return json.loads(demo_text(demo)), demo_order(demo)


def bring_in(house: House, demo: str = "harbour_runner.json") -> Runner:
    """A piece more in this house; the loom's name makes it a loom of its own."""
    content, order = planned(demo)
    name = f"Loom {len(house.store.pieces()) + 1}"
    text = json.dumps(content | {"loom": content["loom"] | {"name": name}})
    return Runner(house, house.store.add_piece(text, order))


def run_house(data: Path) -> Iterator[House]:
    house = House(data, free_port())
    house.start()
    draw_demo(house.store.board)
    yield house
    house.kill()
    house.store.close()


@pytest.fixture(scope="module")
def shared_house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """One server for all tests of a file that do it no harm."""
    yield from run_house(tmp_path_factory.mktemp("shared"))


@pytest.fixture
def runner(shared_house: House) -> Runner:
    """A runner that waits to be put on its loom."""
    return bring_in(shared_house)


def kinds_of(runner: Runner) -> list[tuple[str, int]]:
    """The kinds of cards of a piece, with the number of the first of each, in order."""
    first = {card.kind: card.number for card in reversed(runner.weaving().cards)}
    return sorted(first.items(), key=lambda entry: entry[1])


@pytest.fixture(scope="module")
def nearly_woven(shared_house: House) -> Runner:
    """One runner for all pages of a file that are only looked at."""
    runner = bring_in(shared_house)
    runner.put_on_loom(kinds_of(runner)[-2][1])
    return runner


@pytest.fixture
def own_runner(tmp_path: Path, complaints: Complaints) -> Iterator[Runner]:
    """A runner in a house of its own, whose server may be killed."""
    complaints.net_drops = True
    for house in run_house(tmp_path):
        yield bring_in(house)


def chromium_path() -> str | None:
    """Chromium without a screen, which loads a page with a third of the work, or any that is there."""
    found = (shutil.which(name) for name in CHROMIUMS)
    return next((path for path in found if path), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests."""
    path = chromium_path()
    if path is None and os.environ.get("SPARESHAFT_BROWSER_REQUIRED") == "1":
        pytest.fail(NO_CHROMIUM)
    if path is None:
        pytest.skip(NO_CHROMIUM)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Complaints:
    """What browsers complained of: console errors, scripts that failed, breaches of the CSP.

    Attributes:
        net_drops: whether the server is killed in this test; what was on its way then may be missing.
    """

    heard: list[str] = field(default_factory=list)
    net_drops: bool = False

    def listen(self, page: Page) -> None:
        """Hear what this page complains of from now on."""
        page.on("pageerror", lambda error: self.heard.append(str(error)))
        page.on("console", self._console)

    def _console(self, said: ConsoleMessage) -> None:
        if said.type in ("error", "warning"):
            self.heard.append(f"{said.text} ({said.location['url']})")

    def forgive(self, *expected: str) -> None:
        """Forget what a test provokes; each must have been heard."""
        for text in expected:
            assert any(text in heard for heard in self.heard), f"{text} was not heard: {self.heard}"
        self.heard = [heard for heard in self.heard if not any(text in heard for text in expected)]


@pytest.fixture
def complaints() -> Iterator[Complaints]:
    """The complaints of all tablets of a test; at its end there may be none."""
    complaints = Complaints()
    yield complaints
    missing = ("Failed to load resource: net::", "An unknown error occurred when fetching the script")
    forgiven = missing if complaints.net_drops else ()
    assert [said for said in complaints.heard if not said.startswith(forgiven)] == []


NewTablet = Callable[..., Page]


@pytest.fixture
def new_tablet(browser: Browser, complaints: Complaints) -> Iterator[NewTablet]:
    """Open a tablet: a page with a browser profile of its own."""
    contexts: list[BrowserContext] = []

    def open_tablet(
        width: int = 1024, height: int = 768, *, scripts: bool = True, dark: bool = False
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            has_touch=True,
            java_script_enabled=scripts,
            color_scheme="dark" if dark else "light",
        )
        contexts.append(context)
        context.set_default_timeout(PATIENCE * 1000)
        context.on("page", complaints.listen)
        return context.new_page()

    yield open_tablet
    for context in contexts:
        context.close()
