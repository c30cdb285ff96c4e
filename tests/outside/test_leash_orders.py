"""Published leash orders, hung through the form of a warp and read again from what is kept of it."""

from __future__ import annotations

from collections import Counter

from server.design.warp import Warp, read_warp, write_warp
from server.loom.picks import alternating_picks, picks_for_square_cells
from server.web.warp_drawing import square_words
from server.web.warp_form import WORDS, PartSheet, WarpSheet, read_sheet


def kept(*parts: PartSheet, **words: str) -> Warp:
    """What is kept of a form filled in like this."""
    return read_warp(write_warp(read_sheet(WarpSheet({**WORDS, **words}, parts), "weaver")))


def units_of(warp: Warp, shaft: int) -> list[int]:
    return sorted(warp.loom.units_of(shaft))


def test_bell_a_border_of_80_in_a_centred_tie_and_a_centre_of_120_four_times() -> None:
    """T. F. Bell, Jacquard Weaving and Designing, 1895, figures 57 and 58 (SOURCES.md, 4)."""
    border = PartSheet(1, "pointed", shafts="80", first="1", hung="2")
    centre = PartSheet(2, "straight", shafts="120", first="81", times="4")
    far = PartSheet(3, "pointed", shafts="80", first="1", hung="2", mirrored="on")
    warp = kept(border, centre, far)
    assert (warp.units, warp.loom.pattern_shafts) == (800, 200)
    assert Counter(warp.loom.leashes) == Counter(dict.fromkeys(range(1, 201), 4))
    # each border hook works both halves of both borders; cords counted within a border of 160
    for border_begins in (0, 640):
        cords = [unit - border_begins for unit in units_of(warp, 1) if 0 < unit - border_begins <= 160]
        assert cords == [1, 160]
        cords = [unit - border_begins for unit in units_of(warp, 2) if 0 < unit - border_begins <= 160]
        assert cords == [2, 159]
    # each hook of the centre works one cord in each of its four repeats
    assert units_of(warp, 81) == [161, 281, 401, 521]
    assert units_of(warp, 200) == [280, 400, 520, 640]


def test_wolfensberger_a_point_draw_of_12_shafts_repeats_on_22() -> None:
    """A. Wolfensberger, Theory of Silk Weaving, 2nd ed., 1921 (SOURCES.md, 2)."""
    warp = kept(PartSheet(1, "pointed", shafts="12", times="4"))
    order = warp.loom.leashes
    assert max(order) == 12
    repeats = [by for by in range(1, 45) if order[:-by] == order[by:]]
    assert repeats == [22, 44]


def test_bell_picks_to_a_card() -> None:
    """T. F. Bell, as above (SOURCES.md, 3): picks for cells as high as they are wide."""
    assert alternating_picks(picks_for_square_cells(3, 100, 150)) == (4, 5)
    for ends, sett, said in (
        ("4", "100", "4 picks to a row"),
        ("2", "150", "3 picks to a row"),
        ("3", "150", "4 and 5 picks, row by row in turn"),
    ):
        warp = kept(PartSheet(1, ends=ends), ends_per_cm="100", picks_per_cm=sett)
        assert square_words(warp) == f"A cell comes out square with {said}."
