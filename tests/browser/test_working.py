"""The page of what takes long goes on by itself, and without scripts by a link."""

from __future__ import annotations

import os
import re

from playwright.sync_api import expect

from server.plan.workorder import write_workorder
from server.store.worked_out import Kept, Wanted
from tests.browser.conftest import NewTablet, Runner, planned


def asked(runner: Runner, picks: int) -> tuple[Kept, str]:
    """A question for a plan that this process works out, not the server; and the address of its page."""
    store = runner.house.store
    text = (store.piece_text(runner.id) or "").replace('"name": "', f'"name": "{picks} ', 1)
    kept, come = store.worked_out.ask(
        str(picks), "plan", text, {}, server=os.getpid(), most=99, serves=lambda _: True, wanted=Wanted(text)
    )
    return kept, f"{runner.house.url}/working/{kept.id}?piece={come}"


def answer(runner: Runner, kept: Kept) -> None:
    order = write_workorder(planned("harbour_runner.json")[1])
    content = {"order": order, "proven": True, "limit": 10.0}
    assert runner.house.store.worked_out.end(kept.id, "answered", content)


def test_when_the_plan_is_there_the_page_leads_to_the_piece(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet(1024, 768)
    kept, address = asked(runner, 1)
    tablet.goto(address)
    expect(tablet.get_by_role("status")).to_have_text("It waits until it is its turn.")
    expect(tablet.get_by_role("button", name="Take the best so far")).to_be_hidden()
    answer(runner, kept)
    tablet.wait_for_url(re.compile(r"/pieces/\d+$"))
    expect(tablet.get_by_role("heading", level=1)).to_contain_text("1 ")


def test_what_comes_first_is_shown_until_it_has_ended(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet(390, 844)
    first, address_of_first = asked(runner, 4)
    _, address = asked(runner, 5)
    tablet.goto(address)
    other = tablet.get_by_role("link", name="The plan: 4 ")
    expect(other).to_have_attribute("href", address_of_first.removeprefix(runner.house.url))
    answer(runner, first)
    expect(other).to_have_count(0)
    expect(tablet.get_by_text("It is begun in a moment.")).to_be_visible()


def test_stopped_on_another_screen_this_one_says_so(runner: Runner, new_tablet: NewTablet) -> None:
    one, other = new_tablet(), new_tablet()
    _, address = asked(runner, 2)
    for tablet in (one, other):
        tablet.goto(address)
    one.get_by_role("button", name="Stop").click()
    for tablet in (one, other):
        tablet.get_by_text("It was stopped, and nothing was kept.").wait_for()
    expect(one.get_by_role("button", name="Begin anew")).to_be_visible()


def test_without_scripts_there_is_a_link_to_look_again(runner: Runner, new_tablet: NewTablet) -> None:
    tablet = new_tablet(scripts=False)
    kept, address = asked(runner, 3)
    tablet.goto(address)
    tablet.get_by_role("link", name="Look again").click()
    expect(tablet.get_by_role("link", name="Look again")).to_be_visible()
    answer(runner, kept)
    tablet.get_by_role("link", name="Look again").click()
    tablet.wait_for_url(re.compile(r"/pieces/\d+$"))
