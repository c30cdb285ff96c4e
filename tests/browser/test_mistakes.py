"""Mistakes put right in a browser, each taken back again; and rows taken out by the screen alone."""

from __future__ import annotations

import re
from contextlib import closing
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.plan.workorder import WorkOrder
from server.session.place import Place, Tap
from server.settings import DATABASE_NAME
from server.store.database import Store
from tests.browser.conftest import Complaints, House, NewTablet, Runner
from tests.browser.literal_weaver import LiteralWeaver
from tests.browser.screen import (
    Screen,
    pale_texts,
    press_done,
    read,
    small_targets,
    wait_for_turn,
    wait_until_counted,
)
from tests.browser.test_axe import TAGS, violations
from tests.examples import PIECE, piece_order, piece_text
from tests.web.test_notes import PNG

pytestmark = pytest.mark.browser


def put_on_loom(house: House, order: WorkOrder, **changes: Any) -> Runner:
    """The small piece, changed, on a loom of its own."""
    with closing(Store(house.data / DATABASE_NAME)) as store:
        loom = PIECE["loom"] | {"name": f"Loom {len(store.pieces()) + 1}"}
        number = store.add_piece(piece_text(loom=loom, **changes), order)
        assert store.tap(number, Tap("begin", 0, 0))
    return Runner(house, number)


@pytest.fixture
def small(shared_house: House) -> Runner:
    """The small piece, put on the loom."""
    return put_on_loom(shared_house, piece_order())


def go_on_to(small: Runner, kind: str, row: int) -> Place:
    """Past the browser: tap on until the instruction of that kind and row is up."""
    with closing(Store(small.house.data / DATABASE_NAME)) as store:
        weaving = store.weaving(small.id)
        assert weaving is not None
        while (weaving.decks.at(weaving.place).kind, weaving.decks.at(weaving.place).row) != (kind, row):
            answer = store.tap(small.id, Tap("next", weaving.place.card, weaving.place.turn))
            assert answer is not None
            assert answer.counted
            weaving = answer.weaving
    return weaving.place


def quick_tablet(new_tablet: NewTablet, small: Runner, *, scripts: bool = True) -> Page:
    """A tablet that takes one tap right after the other."""
    tablet = new_tablet(scripts=scripts)
    tablet.context.add_cookies([{"name": "device", "value": "rest=0", "url": small.house.url}])
    return tablet


def something_went_wrong(small: Runner, tablet: Page, choice: str, *, scripts: bool = True) -> None:
    """From the instruction, by what is to be seen there, to one of the choices."""
    tablet.goto(f"{small.url}/loom")
    tablet.locator(".band-more summary").click()
    tablet.get_by_role("link", name="Something went wrong").first.click()
    tablet.get_by_role("link", name=choice).click()
    look_over(tablet, scripts=scripts)


def look_over(tablet: Page, *, scripts: bool = True) -> None:
    """What every one of these pages keeps to."""
    tablet.wait_for_load_state("load")
    assert tablet.get_by_role("link", name="Back to the instruction, nothing changed").is_visible()
    assert small_targets(tablet) == []
    assert pale_texts(tablet) == []
    if scripts:  # axe is one
        assert violations(tablet, {"runOnly": {"type": "tag", "values": TAGS}}) == []
    assert tablet.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def back_at_loom(small: Runner, tablet: Page) -> Screen:
    """The instruction, once the correction has led to it."""
    tablet.wait_for_url(f"{small.url}/loom")
    tablet.locator("button.done:enabled").wait_for()
    return read(tablet)


def take_it_back(small: Runner, tablet: Page, before: Place) -> None:
    """Undo it on the instruction page; then all is exactly as before."""
    back_at_loom(small, tablet)
    turn = small.weaving().place.turn
    tablet.get_by_role("button", name="Take it back").click()
    wait_for_turn(tablet, turn + 1)
    assert replace(small.weaving().place, turn=0) == replace(before, turn=0)
    assert tablet.get_by_role("button", name="Take it back").count() == 0


@pytest.mark.parametrize("scripts", [True, False])
def test_tapped_too_far(small: Runner, new_tablet: NewTablet, scripts: bool) -> None:
    before = go_on_to(small, "raise", 2)
    tablet = quick_tablet(new_tablet, small, scripts=scripts)
    something_went_wrong(small, tablet, "I tapped too far", scripts=scripts)
    tablet.get_by_role("button", name="I am here: Insert temporary 2a").click()
    assert back_at_loom(small, tablet).heading == "Insert temporary 2a"
    take_it_back(small, tablet, before)


def test_picks_of_the_row_that_is_on_come_out(small: Runner, new_tablet: NewTablet) -> None:
    before = go_on_to(small, "weave", 2)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I wove it wrong")
    tablet.get_by_label("Picks of row 2 that are in by now").fill("4")
    tablet.get_by_label("So many picks come out").fill("2")
    tablet.get_by_role("button", name="Show what that means").first.click()
    look_over(tablet)
    tablet.get_by_role("button", name="Take them out").click()
    screen = back_at_loom(small, tablet)
    assert (screen.heading, screen.treadles) == ("Take out 2 picks", [4, 3])
    take_it_back(small, tablet, before)


class UnweavingWeaver(LiteralWeaver):
    """She keeps her cloth pick by pick, so that picks can come out again."""

    picks: list[tuple[frozenset[int], int]]

    def _shed(self) -> frozenset[int]:
        return frozenset(self.cords.union(*(self.lifted(handle) for handle in self.pulled)))

    def _weave(self, screen: Screen) -> None:
        assert re.fullmatch(rf"Weave {len(screen.treadles)} picks?", screen.heading)
        self._to_and_fro(screen)
        self.picks += [(self._shed(), treadle) for treadle in screen.treadles]

    def _reopen(self, screen: Screen) -> None:
        self._raise(screen)
        assert self._shed() == self.picks[-1][0], "another shed than the one it was woven in"

    def _take_out(self, screen: Screen) -> None:
        assert re.fullmatch(rf"Take out {len(screen.treadles)} picks?", screen.heading)
        self._to_and_fro(screen)
        for treadle in screen.treadles:
            assert self.picks.pop() == (self._shed(), treadle)

    def _to_and_fro(self, screen: Screen) -> None:
        assert self.shuttle in screen.starts
        if len(screen.treadles) % 2:
            self.shuttle = "left" if self.shuttle == "right" else "right"
        assert self.shuttle in screen.ends


def test_rows_come_out_over_walks_and_are_woven_again_by_the_screen_alone(
    shared_house: House, new_tablet: NewTablet
) -> None:
    """To row 3, back to the middle of row 1 over the two walks between them, and on to the end.

    Rows 1 and 3 lift the whole of shaft 2, row 2 a part.
    """
    rows = ["..#####..", "..##.#...", "..#####.."]
    small = put_on_loom(shared_house, plan(read_piece(piece_text(rows=rows))), rows=rows)
    woven = [
        (frozenset(unit for unit, cell in enumerate(row, 1) if cell == "#"), treadle)
        for row in rows
        for treadle in (1, 2, 3, 4, 5)
    ]
    go_on_to(small, "raise", 3)
    weaver = UnweavingWeaver(PIECE)  # the loom is bare again, and the shuttle where it began
    weaver.picks = woven[:10]
    tablet = quick_tablet(new_tablet, small)

    def weave_until(kind: str, row: int) -> None:
        while True:
            screen = read(tablet)
            if screen.kind == kind and tablet.inner_text(".band-row strong").startswith(f"Row {row} of"):
                return
            weaver.do(screen)
            press_done(tablet, screen)
            wait_for_turn(tablet, screen.turn + 1)

    something_went_wrong(small, tablet, "I wove it wrong")
    tablet.get_by_label("So many picks come out").fill("7")
    tablet.get_by_role("button", name="Show what that means").first.click()
    assert "3 picks of row 1 stay in" in tablet.inner_text("main")
    assert "Go behind the loom" in tablet.inner_text("main")
    look_over(tablet)
    tablet.get_by_role("button", name="Take them out like this").click()
    back_at_loom(small, tablet)
    weave_until("weave", 1)
    assert len(weaver.picks) == 3
    weave_until("done", 3)
    weaver.do(read(tablet))
    assert weaver.picks == woven


def test_the_weft_is_cut_out(small: Runner, new_tablet: NewTablet) -> None:
    before = go_on_to(small, "weave", 3)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I wove it wrong")
    tablet.get_by_label("The last row that stays in (0 for none)").fill("1")
    tablet.get_by_role("button", name="Show what that means").last.click()
    look_over(tablet)
    tablet.get_by_role("button", name="It is cut out").click()
    back_at_loom(small, tablet)
    assert "Row 2 of 3" in tablet.inner_text(".band-row")
    assert small.weaving().state.temporaries
    take_it_back(small, tablet, before)


def test_a_mistake_stays_in(small: Runner, new_tablet: NewTablet) -> None:
    before = go_on_to(small, "raise", 3)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I wove it wrong")
    tablet.get_by_label("What is wrong").fill("an end crossed")
    tablet.get_by_role("button", name="Leave it in").click()
    back_at_loom(small, tablet)
    tablet.goto(f"{small.url}/notes")
    assert "an end crossed" in tablet.inner_text("main")
    tablet.goto(f"{small.url}/loom")
    take_it_back(small, tablet, before)


def test_a_mistake_that_stays_in_is_struck_out_some_taps_later(small: Runner, new_tablet: NewTablet) -> None:
    go_on_to(small, "raise", 2)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I wove it wrong")
    tablet.get_by_label("What is wrong").fill("an end crossed")
    tablet.get_by_role("button", name="Leave it in").click()
    back_at_loom(small, tablet)
    there = go_on_to(small, "weave", 3)
    tablet.goto(f"{small.url}/notes")
    tablet.get_by_role("button", name="Strike out: row 1").click()
    expect(tablet.locator(".note")).to_contain_text("Struck out:")
    look_over(tablet)
    tablet.get_by_role("button", name="It is a mistake after all").click()
    tablet.get_by_role("button", name="Strike out: row 1").wait_for()
    assert small.weaving().place.spot == there.spot


def test_in_the_middle_of_a_row_treadle_and_shuttle_tell_the_picks(
    small: Runner, new_tablet: NewTablet
) -> None:
    before = go_on_to(small, "weave", 2)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I am in the middle of row 2")
    tablet.get_by_role("button", name="3 in: treadle 4 is next").click()
    assert back_at_loom(small, tablet).heading == "Weave 5 picks"
    assert small.weaving().place.pick == 3
    take_it_back(small, tablet, before)


def test_a_plan_made_anew_is_taken_back_some_taps_later(small: Runner, new_tablet: NewTablet) -> None:
    """Back, tap by tap, to where it led; there it is offered."""
    before = go_on_to(small, "weave", 3)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I wove it wrong")
    tablet.get_by_label("The last row that stays in (0 for none)").fill("1")
    tablet.get_by_role("button", name="Show what that means").last.click()
    tablet.get_by_role("button", name="It is cut out").click()
    back_at_loom(small, tablet)
    go_on_to(small, "raise", 3)
    tablet.goto(f"{small.url}/put-right")
    look_over(tablet)
    assert "until you are where it led" in tablet.inner_text("main")
    tablet.goto(f"{small.url}/loom")
    while small.weaving().place.card:
        turn = small.weaving().place.turn
        tablet.get_by_role("button", name="Back", exact=True).click()
        wait_for_turn(tablet, turn + 1)
        wait_until_counted(tablet)
    take_it_back(small, tablet, before)


def test_one_was_put_in_wrongly(small: Runner, new_tablet: NewTablet) -> None:
    before = go_on_to(small, "weave", 2)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I put one in wrongly")
    tablet.get_by_role("button", name="Put 2a in again").click()
    screen = back_at_loom(small, tablet)
    assert screen.heading == "Again: insert temporary 2a"
    take_it_back(small, tablet, before)


def test_one_put_in_wrongly_is_put_in_again_lifted_alone_and_woven_on_by_the_screen(
    small: Runner, new_tablet: NewTablet
) -> None:
    go_on_to(small, "weave", 2)
    weaver = LiteralWeaver(PIECE)
    weaver.temporaries, weaver.carries["2"] = {"2a": {7}}, "2a"  # through the other leash of shaft 2
    weaver.pulled, weaver.shuttle = {"2", "3"}, "left"
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "I put one in wrongly")
    tablet.get_by_role("button", name="Put 2a in again").click()
    screen = back_at_loom(small, tablet)
    assert tablet.locator(".undo li").all_inner_texts() == [
        "Let go of handles 2 and 3. Go behind; nobody at the handles.",
        "Unhook both cords of handle 2 from 2a.",
        "Prop shaft 2, turn the hooks of 2a down and draw it out.",
        "Put 2a in as shown here.",
        "Hang both cords of handle 2 on 2a again.",
    ]
    weaver.pulled.clear()
    weaver.behind, weaver.temporaries = True, {}
    weaver.do(replace(screen, heading="Insert temporary 2a"))
    kinds = []
    for _ in range(4):
        press_done(tablet, screen)
        wait_for_turn(tablet, screen.turn + 1)
        screen = read(tablet)
        kinds.append(screen.kind)
        if len(kinds) < 4:
            weaver.do(screen)
    assert kinds == ["test_lift", "raise", "weave", "raise"]
    assert weaver.cloth == [{unit for unit, cell in enumerate(PIECE["rows"][1], 1) if cell == "#"}]


def test_the_loom_stands_differently(small: Runner, new_tablet: NewTablet, complaints: Complaints) -> None:
    before = go_on_to(small, "raise", 2)
    state = small.weaving().state
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "The loom stands differently")
    counts = tablet.get_by_label("Takes and passes").first
    assert not counts.is_visible()
    tablet.locator("summary", has_text="2a as the log says").click()
    look_over(tablet)
    assert counts.input_value() == "pass 1, take 1"
    counts.fill("take 3")
    counts.press("Enter")
    look_over(tablet)
    assert "Shaft 2 has 2 leashes" in tablet.inner_text("main")
    assert counts.input_value() == "take 3"
    complaints.forgive("422")
    counts.fill("take 1")
    counts.press("Enter")  # shows, and never takes
    look_over(tablet)
    assert "Read as: take 1, pass 1" in tablet.inner_text("main")
    assert small.weaving().place.course == 0
    tablet.get_by_role("button", name="Yes, it stands like this").click()
    back_at_loom(small, tablet)
    assert [t.units for t in small.weaving().state.temporaries] == [frozenset({7})]
    take_it_back(small, tablet, before)
    assert small.weaving().state == state


def test_the_treadles_are_off(small: Runner, new_tablet: NewTablet) -> None:
    before = go_on_to(small, "weave", 2)
    tablet = quick_tablet(new_tablet, small)
    something_went_wrong(small, tablet, "The treadles are off")
    tablet.get_by_label("My next treadle is (1 to 5)").fill("3")
    tablet.get_by_role("button", name="Show how it goes on").click()
    look_over(tablet)
    tablet.get_by_role("button", name="3 4 5 1 2").click()
    assert back_at_loom(small, tablet).treadles == [3, 4, 5, 1, 2]
    take_it_back(small, tablet, before)
    assert read(tablet).treadles == [1, 2, 3, 4, 5]


def test_a_photograph_is_put_on_a_row_thrown_away_and_taken_back(
    small: Runner, new_tablet: NewTablet
) -> None:
    tablet = quick_tablet(new_tablet, small)
    tablet.goto(f"{small.url}/notes")
    look_over(tablet)
    # one pixel, black
    pixel = PNG[:8] + bytes.fromhex(
        "0000000d4948445200000001000000010800000000"
        "3a7e9b550000000a49444154789c6360000000020001e221bc330000000049454e44ae426082"
    )
    photograph = {"name": "IMG_1.png", "mimeType": "image/png", "buffer": pixel}
    tablet.get_by_label("Row (0: before the first)").fill("2")
    tablet.get_by_label("Take a photograph").set_input_files([photograph])  # type: ignore[list-item]
    tablet.get_by_role("button", name="Keep it").click()
    picture = tablet.locator(".note img")
    expect(picture).to_have_js_property("naturalWidth", 1)
    look_over(tablet)
    tablet.get_by_role("button", name="Throw away").click()
    expect(picture).to_have_count(0)
    tablet.get_by_role("button", name="Take it back").click()
    picture.wait_for()


def test_behind_already_what_can_be_done_is_done(small: Runner, new_tablet: NewTablet) -> None:
    before = go_on_to(small, "raise", 1)
    tablet = quick_tablet(new_tablet, small)
    tablet.goto(f"{small.url}/walks-ahead")
    look_over(tablet)
    tablet.get_by_role("button", name="Show what can be done now").click()
    look_over(tablet)
    tablet.get_by_role("button", name="Do it now").click()
    assert back_at_loom(small, tablet).heading == "Go behind the loom"
    take_it_back(small, tablet, before)
