"""The drawing board: warps, designs with every change, and the box; what was answered is on the disk."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from server.design.design import Band, BandsChanged, Design, Run, mark_of
from server.design.piece_file import Unusable
from server.design.warp import Part, Warp, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.settings import DATABASE_NAME
from server.store import board
from server.store.board import ChangedMeanwhile, NotKept
from server.store.database import Store
from tests.conftest import Clock

DESIGN = Design(4, (Band(1, "Hem", (40,)), Band(2, "Border", (4,), ("....", "....", "...."))), 2)


def warp(units: int = 4, name: str = "Small") -> Warp:
    loom = Loom((), frozenset(), units, spare_shafts=2)
    return hang(name, loom, (Part("straight", units),), satin(5, 2))


@pytest.fixture
def warp_id(store: Store) -> int:
    return store.board.add_warp(write_warp(warp()))


@pytest.fixture
def design_id(store: Store, warp_id: int) -> int:
    return store.board.add_design(warp_id, "Runner", DESIGN)


def rows_of(store: Store, design_id: int) -> tuple[str, ...]:
    kept = store.board.design(design_id)
    assert kept
    return kept.design.band(2).rows


def stroke(store: Store, design_id: int, *runs: Run, key: str = "") -> tuple[int, int]:
    kept = store.board.draw(design_id, 2, runs, key)
    assert kept
    return kept.at, kept.made


# --- warps ---------------------------------------------------------------------------------------------


def test_a_warp_is_kept_changed_and_thrown_away(store: Store, warp_id: int, clock: Clock) -> None:
    clock.pass_by(minutes=2)
    other = store.board.add_warp(write_warp(warp(6, "Wide")))
    assert [(kept.id, kept.name, kept.designs) for kept in store.board.warps()] == [
        (other, "Wide", 0),
        (warp_id, "Small", 0),
    ]
    clock.pass_by(minutes=2)
    store.board.change_warp(warp_id, write_warp(warp(5, "Changed")))
    assert [kept.name for kept in store.board.warps()] == ["Changed", "Wide"]
    store.board.throw_warp_away(other)
    assert store.board.warp(other) is None
    store.board.throw_warp_away(other, away=False)
    kept = store.board.warp(other)
    assert kept
    assert kept.warp == warp(6, "Wide")


def test_the_same_warp_again_within_a_minute_is_the_same_form(
    store: Store, warp_id: int, clock: Clock
) -> None:
    assert store.board.add_warp(write_warp(warp())) == warp_id
    clock.pass_by(minutes=2)
    assert store.board.add_warp(write_warp(warp())) != warp_id


def test_a_warp_that_is_drawn_on_keeps_its_units_and_stays(
    store: Store, warp_id: int, design_id: int
) -> None:
    with pytest.raises(NotKept, match="A design is drawn on this warp, 4 units wide"):
        store.board.change_warp(warp_id, write_warp(warp(5)))
    with pytest.raises(NotKept, match="throw those away first"):
        store.board.throw_warp_away(warp_id)
    store.board.change_warp(warp_id, write_warp(warp(4, "Renamed")))
    kept = store.board.warp(warp_id)
    assert kept
    assert (kept.name, kept.designs) == ("Renamed", 1)
    store.board.throw_design_away(design_id)
    store.board.throw_warp_away(warp_id)
    assert store.board.warps() == []


def test_a_design_that_was_thrown_away_still_fits_its_warp_when_it_comes_back(
    store: Store, warp_id: int, design_id: int
) -> None:
    store.board.throw_design_away(design_id)
    with pytest.raises(NotKept, match="counting what was thrown away"):
        store.board.change_warp(warp_id, write_warp(warp(5)))
    store.board.throw_warp_away(warp_id)
    store.board.throw_design_away(design_id, away=False)
    kept = store.board.design(design_id)
    assert kept
    assert kept.design.units == kept.warp.units
    assert store.board.warp(warp_id), "the warp came back with it"


def test_of_two_tablets_that_change_a_warp_at_once_one_is_told(store: Store, warp_id: int) -> None:
    store.board.change_warp(warp_id, write_warp(warp(4, "Mine")), before=warp())
    with pytest.raises(ChangedMeanwhile):
        store.board.change_warp(warp_id, write_warp(warp(4, "Yours")), before=warp())
    assert [kept.name for kept in store.board.warps()] == ["Mine"]


def test_what_is_no_warp_is_not_kept(store: Store, warp_id: int) -> None:
    for text in ("", "{", "[]", "null", '{"format": "spareshaft-warp"}', "\x00", "9" * 5000):
        with pytest.raises(Unusable):
            store.board.add_warp(text)
        with pytest.raises(Unusable):
            store.board.change_warp(warp_id, text)
    assert [kept.warp for kept in store.board.warps()] == [warp()]


@pytest.mark.parametrize("number", [0, -1, 99, 2**63, 10**30])
def test_of_what_there_is_not_nothing_is_done(store: Store, warp_id: int, number: int) -> None:
    there = store.board
    assert there.warp(number) is None
    assert there.design(number) is None
    assert there.draw(number, 1, [(1, 1, 1, True)], "") is None
    assert there.take_back(number, 1) is None
    assert there.make_again(number, 0) is None
    assert not there.rename_design(number, "x")
    assert not there.throw_design_away(number)
    assert not there.throw_figure_away(number)
    for refused in (
        lambda: there.change_warp(number, write_warp(warp())),
        lambda: there.throw_warp_away(number),
        lambda: there.add_design(number, "x", DESIGN),
    ):
        with pytest.raises(NotKept):
            refused()


# --- designs -------------------------------------------------------------------------------------------


def test_a_design_is_kept_listed_renamed_and_thrown_away(store: Store, warp_id: int, design_id: int) -> None:
    assert store.board.add_design(warp_id, "Runner", DESIGN) == design_id, "the same form, sent twice"
    store.board.rename_design(design_id, "Towel")
    (line,) = store.board.designs()
    assert (line.name, line.warp_name, line.units, line.rows) == ("Towel", "Small", 4, 4)
    assert store.board.designs(warp_id) == [line]
    assert store.board.designs(warp_id + 1) == []
    store.board.throw_design_away(design_id)
    assert store.board.designs() == []
    assert store.board.design(design_id) is None
    assert store.board.draw(design_id, 2, [(1, 1, 1, True)], "") is None
    store.board.throw_design_away(design_id, away=False)
    assert store.board.designs() == [line]


def test_a_design_that_does_not_fit_is_not_kept(store: Store, warp_id: int) -> None:
    with pytest.raises(NotKept, match="not as wide"):
        store.board.add_design(warp_id, "x", Design(5, ()))
    with pytest.raises(ValueError, match="3 cells for 4 units"):
        store.board.add_design(warp_id, "x", Design(4, (Band(1, "x", (4,), ("...",)),)))
    assert store.board.designs() == []


def test_every_stroke_can_be_taken_back_after_the_file_was_opened_anew(
    store: Store, design_id: int, tmp_path: Path
) -> None:
    seen = [rows_of(store, design_id)]
    for row, unit in ((1, 1), (2, 2), (3, 3), (1, 4)):
        stroke(store, design_id, (row, unit, unit, True))
        seen.append(rows_of(store, design_id))
    again = Store(tmp_path / "data" / DATABASE_NAME)
    try:
        for at in range(4, 0, -1):
            kept = again.board.take_back(design_id, at)
            assert kept
            assert (kept.at, kept.made) == (at - 1, 4)
            assert rows_of(again, design_id) == seen[at - 1]
        assert again.board.take_back(design_id, 0) == again.board.design(design_id), "there is no more"
        for at in range(4):
            again.board.make_again(design_id, at)
            assert rows_of(again, design_id) == seen[at + 1]
        assert again.board.make_again(design_id, 4) == again.board.design(design_id)
    finally:
        again.close()


def test_what_was_taken_back_is_gone_when_something_else_is_drawn(store: Store, design_id: int) -> None:
    stroke(store, design_id, (1, 1, 1, True))
    stroke(store, design_id, (1, 2, 2, True))
    store.board.take_back(design_id, 2)
    assert stroke(store, design_id, (3, 1, 4, True)) == (2, 2)
    store.board.make_again(design_id, 2)
    assert rows_of(store, design_id) == ("#...", "....", "####")


def test_a_step_from_a_page_that_is_behind_changes_nothing(store: Store, design_id: int) -> None:
    stroke(store, design_id, (1, 1, 1, True))
    stroke(store, design_id, (1, 2, 2, True))
    for at in (1, 3, 0, -1, 10**30):
        store.board.take_back(design_id, at)
        store.board.make_again(design_id, at)
    assert rows_of(store, design_id) == ("##..", "....", "....")


def test_a_stroke_counts_once_under_its_name_and_one_that_changes_nothing_is_none(
    store: Store, design_id: int
) -> None:
    assert stroke(store, design_id, (1, 1, 1, True), key="a") == (1, 1)
    assert stroke(store, design_id, (1, 2, 2, True), key="b") == (2, 2)
    store.board.take_back(design_id, 2)
    assert stroke(store, design_id, (1, 1, 1, True), key="a") == (1, 2)
    assert stroke(store, design_id, (1, 2, 2, True), key="b") == (1, 2), "it stays taken back"
    assert stroke(store, design_id, (1, 1, 1, True), key="c") == (1, 2)
    assert rows_of(store, design_id) == ("#...", "....", "....")


def test_what_is_refused_leaves_no_trace(store: Store, design_id: int) -> None:
    for band, run in ((9, (1, 1, 1, True)), (1, (1, 1, 1, True)), (2, (1, 1, 5, True)), (2, (4, 1, 1, True))):
        with pytest.raises(ValueError, match=r"\.$"):
            store.board.draw(design_id, band, [(1, 1, 1, True), run], "k")
    with pytest.raises(ValueError, match="at least once"):
        store.board.change(design_id, lambda d: BandsChanged(d.bands, (Band(3, "x", (4,), ("....",), 0),)))
    assert stroke(store, design_id, (1, 1, 1, True), key="k") == (1, 1), "its name was not used up"


def test_bands_and_strokes_are_taken_back_in_their_order(store: Store, design_id: int) -> None:
    stroke(store, design_id, (1, 1, 4, True))
    store.board.change(design_id, lambda d: BandsChanged(d.bands, d.bands[:1]))
    with pytest.raises(ValueError, match="not in the design any more"):
        stroke(store, design_id, (1, 1, 1, False))
    assert store.board.change(design_id, lambda _: None) == store.board.design(design_id)
    store.board.take_back(design_id, 2)
    assert rows_of(store, design_id) == ("####", "....", "....")


def test_strokes_of_two_tablets_at_once_are_all_kept(store: Store, warp_id: int) -> None:
    design = store.board.add_design(warp_id, "x", Design(4, (Band(2, "x", (4,), ("....",) * 20),), 2))

    def draw(unit: int) -> None:
        for row in range(1, 21):
            stroke(store, design, (row, unit, unit, True), key=f"{row}-{unit}")

    threads = [threading.Thread(target=draw, args=(unit,)) for unit in (1, 4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kept = store.board.design(design)
    assert kept
    assert (kept.at, set(kept.design.rows())) == (40, {"#..#"})


# --- the box -------------------------------------------------------------------------------------------


def test_figures_are_kept_by_name_and_thrown_away(store: Store) -> None:
    ship = store.board.add_figure("ship", ["#.#", ".#."])
    anchor = store.board.add_figure("Anchor", ["#"])
    assert [(one.name, one.rows) for one in store.board.figures()] == [
        ("Anchor", ("#",)),
        ("ship", ("#.#", ".#.")),
    ]
    assert store.board.throw_figure_away(anchor)
    assert [one.id for one in store.board.figures()] == [ship]
    assert store.board.throw_figure_away(anchor, away=False)
    assert len(store.board.figures()) == 2


def test_a_figure_that_was_sent_twice_is_in_the_box_once(store: Store, clock: Clock) -> None:
    first = store.board.add_figure("ship", ["#.#"])
    assert store.board.add_figure("ship", ["#.#"]) == first
    assert store.board.add_figure("ship", [".#."]) != first
    clock.pass_by(minutes=2)
    assert store.board.add_figure("ship", [".#."]) != first
    assert len(store.board.figures()) == 3


def test_the_box_is_full_at_some_time(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board, "MOST_FIGURES", 3)
    for name in "xyz":
        last = store.board.add_figure(name, ["#"])
    with pytest.raises(NotKept, match="throw some away first"):
        store.board.add_figure("a", ["#"])
    store.board.throw_figure_away(last)
    store.board.add_figure("a", ["#"])
    assert len(store.board.figures()) == 3


def test_the_box_is_not_filled_beyond_what_a_page_can_fetch(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(board, "MOST_IN_BOX", 10)
    store.board.add_figure("Fish", ["###", "#.#"])
    with pytest.raises(NotKept, match="holds 10 squares in all"):
        store.board.add_figure("Net", ["##", "##"])
    assert [figure.name for figure in store.board.figures()] == ["Fish"]


def test_nothing_is_taken_back_that_is_drawn_otherwise_than_the_page_says(
    store: Store, design_id: int
) -> None:
    """As many changes hold, but they are others."""
    first = store.board.draw(design_id, 2, [(1, 1, 1, True)], "a")
    assert first
    shown = mark_of(first.design)
    store.board.take_back(design_id, 1)
    other = store.board.draw(design_id, 2, [(1, 2, 2, True)], "b")
    assert other
    assert store.board.take_back(design_id, 1, shown) == other
    assert store.board.make_again(design_id, 1, shown) == other
    bare = store.board.take_back(design_id, 1, mark_of(other.design))
    assert bare
    assert bare.design == DESIGN
