"""All that can be shown: the addresses, the kinds of cards, and what stands beside the cards at the loom."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

from playwright.sync_api import Page

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.store.worked_out import State, Wanted
from server.ways.questions import key_of, outcome
from server.web.ways_cells import SECONDS
from server.working import Job
from tests.browser.conftest import ASKING, Runner, kinds_of
from tests.browser.device import set_device, wait_for_hold
from tests.examples import PIECE, piece_order, piece_text

PAGES = [
    "/",
    "/preferences",
    "/help",
    "/warps",
    "/warps/new",
    "/designs",
    "/designs/new",
    "/designs/1",
    "/designs/1/bands",
    "/designs/1/bring",
    "/bring",
    "{piece}",
    "{piece}/standing",
    "{piece}/log",
    "{piece}/sheets",
    "{piece}/files",
    "{piece}/settings",
    "{piece}/notes",
    "{piece}/put-right",
    "{piece}/put-right/too-far",
    "{piece}/put-right/wrong",
    "{piece}/put-right/take-out?row=10",
    "{piece}/put-right/cut-out?row=10",
    "{piece}/put-right/put-in",
    "{piece}/put-right/picks",
    "{piece}/put-right/treadles",
    "{piece}/put-right/loom",
    "{piece}/walks-ahead",
    "{piece}/walks-ahead/now",
    "{piece}/end",
    "{piece}/cloth",
    "{piece}/ways",
    "{piece}/ways/unaided",
    "{piece}/ways/cells",
    "{piece}/ways/methods",
    "{piece}/ways/more",
    "{piece}/ways/places",
    "/pieces/999",
]
"""Every page but the instruction; {piece} is the address of a piece that is on the loom."""


def _at(runner: Runner, tablet: Page, kind: str, beyond: int = 0, look: str = "") -> None:
    runner.put_on_loom(dict(kinds_of(runner))[kind] + beyond)
    tablet.goto(f"{runner.url}/loom{look}")


def _by_pick(runner: Runner, tablet: Page) -> None:
    tablet.request.post(
        f"{runner.url}/settings", form={"taps": "pick", "shed": "asked"}, headers={"origin": runner.house.url}
    )
    _at(runner, tablet, "weave")
    tablet.get_by_role("button", name="Pick 1 is in").click()
    tablet.get_by_role("button", name="Pick 2 is in").wait_for()


def _list_of_things(runner: Runner, tablet: Page) -> None:
    set_device(tablet, runner.url, say="walk")
    _at(runner, tablet, "insert", beyond=1)


def _more(runner: Runner, tablet: Page) -> None:
    _at(runner, tablet, "weave")
    tablet.locator(".band-more summary").click()


def _break(runner: Runner, tablet: Page) -> None:
    _at(runner, tablet, "insert")
    tablet.locator(".band-more summary").click()
    tablet.get_by_role("button", name="Take a break").click()
    tablet.get_by_role("heading", name="break").wait_for()


def _once_more(runner: Runner, tablet: Page) -> None:
    _at(runner, tablet, "test_lift")
    tablet.get_by_role("button", name="Not like this").click()
    tablet.get_by_role("heading", name="Again:").wait_for()


def _reopened(runner: Runner, tablet: Page) -> None:
    """The shed of a row that is to be taken out; what was put right can be taken back."""
    runner.put_on_loom(dict(kinds_of(runner))["walk"])
    tablet.goto(f"{runner.url}/put-right/take-out?row=16")
    tablet.get_by_role("button", name="Take them out like this").click()
    tablet.wait_for_url("**/loom")


def _taken_out(runner: Runner, tablet: Page) -> None:
    _reopened(runner, tablet)
    tablet.locator("button.done").click()
    tablet.get_by_role("heading", name="Take out").wait_for()


def _finished(runner: Runner, tablet: Page) -> None:
    _at(runner, tablet, "done")
    tablet.locator("button.done").click()
    tablet.get_by_role("heading", name="The piece is woven", exact=True).wait_for()


def _went_apart(runner: Runner, tablet: Page) -> None:
    """Two screens went on from the same place; the tablet, which was not connected, is asked."""
    _at(runner, tablet, "weave")
    wait_for_hold(tablet)
    place = runner.weaving().place
    tablet.context.set_offline(True)
    tablet.locator(".net-strip").wait_for()
    tablet.locator("button.done").click()
    tablet.locator(f"#done-form [name=turn][value='{place.turn + 1}']").wait_for(state="attached")
    ASKING.post(f"{runner.url}/back", data={"card": place.card, "turn": place.turn})
    tablet.context.set_offline(False)
    tablet.get_by_role("dialog", name="Two screens went apart").wait_for()


def _not_held(runner: Runner, tablet: Page) -> None:
    """A tap was kept, but not the instruction after it; the page was loaded anew, and no tap gets through."""
    _at(runner, tablet, "weave")
    wait_for_hold(tablet)
    tablet.locator("html[data-stores]").wait_for()
    turn = runner.weaving().place.turn
    tablet.context.route("**/taps", lambda route: route.abort())
    tablet.locator("button.done").click()
    tablet.locator(f"#done-form [name=turn][value='{turn + 1}']").wait_for(state="attached")
    tablet.locator(".net-strip").wait_for()
    tablet.evaluate(
        "Object.keys(localStorage).forEach(name => name.startsWith('held ') && localStorage.removeItem(name))"
    )
    tablet.reload()
    tablet.get_by_role("heading", name="The instruction is not held here").wait_for()


def _asked(runner: Runner, state: State) -> str:
    """The address of a question for a plan, which another server works out: this process."""
    worked_out, sentence = runner.house.store.worked_out, {"words": "{rows} for a part of shaft {}."}
    text = runner.house.store.piece_text(runner.id) or ""
    kept, come = worked_out.ask(
        state, "plan", text, {}, server=os.getpid(), most=99, serves=lambda _: True, wanted=Wanted(text)
    )
    if state != "waiting":
        told = [sentence | {"shafts": [shaft], "rows": [3, 4, shaft + 9], "short": ""} for shaft in (2, 5, 7)]
        worked_out.end(kept.id, state, {"sentences": told})
    return f"{runner.house.url}/working/{kept.id}?piece={come}"


def _answered(runner: Runner, kind: str, text: str, options: dict[str, Any]) -> int:
    """The id of a question of a small piece that is answered, or refused, as the server would have done."""
    worked_out = runner.house.store.worked_out
    kept, _ = worked_out.ask(
        key_of(kind, read_piece(text), options),
        kind,
        text,
        options,
        server=os.getpid(),
        most=99,
        serves=lambda _: True,
    )
    if kept.is_unfinished:
        ended = outcome(kind, text, options, Job(kept))
        worked_out.end(kept.id, ended.state, ended.content)
    return kept.id


def _few_cells(runner: Runner, tablet: Page) -> None:
    piece = runner.house.store.add_piece(piece_text(), piece_order())
    _answered(runner, "cells", piece_text(), {"most": 2, "stay": [[3, 3, 1, 2]], "limit": SECONDS})
    tablet.goto(f"{runner.house.url}/pieces/{piece}/ways/cells?most=2&stay=3-3-1-2")
    tablet.get_by_role("button", name="Take this one").first.wait_for()


def _why_not(runner: Runner, tablet: Page) -> None:
    text = piece_text(loom={**PIECE["loom"], "spare_shafts": 0})
    asked = _answered(runner, "plan", text, {"limit": 10.0})
    _answered(runner, "why not", text, {})
    tablet.goto(f"{runner.house.url}/working/{asked}/why-not")
    tablet.get_by_role("heading", name="would do", exact=False).nth(1).wait_for()


def _part(runner: Runner, tablet: Page) -> None:
    """A piece so long that a part of it is shown."""
    rows = [*[".........", "#..###..#"] * 1_100, "..##.#..."]
    text = piece_text(rows=rows)
    piece = runner.house.store.add_piece(text, plan(read_piece(text)))
    tablet.goto(f"{runner.house.url}/pieces/{piece}/ways/cells?show_row=1000")
    tablet.get_by_role("link", name="Later rows").wait_for()


def _from_here(runner: Runner, tablet: Page) -> None:
    """What one more buys of what is left, with temporaries in the loom."""
    _at(runner, tablet, "test_lift")
    turn = runner.weaving().place.turn
    tablet.goto(f"{runner.url}/ways/more?shafts=9&handles=0&from={turn}")
    tablet.get_by_text("Your loom", exact=True).wait_for()


COMPLAINTS = {"apart": "409", "not_held": "net::"}
"""What the browser complains of in a scene."""

SCENES: dict[str, Callable[[Runner, Page], None]] = {
    "shed": lambda runner, tablet: _at(runner, tablet, "weave", look="?look=shed"),
    "by_pick": _by_pick,
    "things": _list_of_things,
    "more": _more,
    "break": _break,
    "once_more": _once_more,
    "reopen": _reopened,
    "take_out": _taken_out,
    "finished": _finished,
    "planning": lambda runner, tablet: tablet.goto(_asked(runner, "waiting")) and None,
    "no_plan": lambda runner, tablet: tablet.goto(_asked(runner, "refused")) and None,
    "not_planned": lambda runner, tablet: tablet.goto(_asked(runner, "dropped")) and None,
    "few_cells": _few_cells,
    "from_here": _from_here,
    "why_not": _why_not,
    "part": _part,
    "apart": _went_apart,
    "not_held": _not_held,
}
"""What the page at the loom shows besides the cards of a piece woven straight through; and planning."""
