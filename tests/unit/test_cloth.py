"""Cloth: what is refused, parts of it, its pictures, and what is told of it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from server.cloth import crossings
from server.cloth.crossings import Draft, Window, from_below, weave
from server.cloth.edges import crossed, narrow_across, narrow_along, offsets_to_choose, repeat_along
from server.cloth.floats import bound
from server.cloth.picture import MOST_DOTS, View, draw, height_of, png
from server.cloth.runs import runs
from server.cloth.yarns import YARNS
from server.design.cells import to_cells
from server.design.threads import Threads
from server.loom.ground import (
    BROKEN_TWILL_ON_FOUR,
    Ground,
    Treadle,
    in_order,
    plain_weave,
    satin,
    twill,
    weave_name,
)
from server.loom.picks import treadles_of_row
from server.session.naming import Naming
from server.web.cloth_words import (
    Counting,
    around,
    edges_told,
    even_area_words,
    float_lines,
    warnings,
)

VIEW = View(YARNS["bleached"], YARNS["indigo"])


def draft_of(
    *rows: str, ground: Ground | None = None, ends: int = 5, picks: int = 5, **more: object
) -> Draft:
    """Rows in weaving order on a satin on 5, or another ground weave."""
    ground = ground or satin(5, 2)
    cells = to_cells(rows)
    threads = Threads((ends,) * cells.shape[1], ground, **more)  # type: ignore[arg-type]
    return Draft(cells, (picks,), tuple(range(1, len(ground.treadles) + 1)), threads)


def counting(draft: Draft, units_from: str = "left") -> Counting:
    units = draft.cells.shape[1]
    return Counting(draft, Naming(1, units, "weaver", "right" if units_from == "right" else "left"))


# --- drafts --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "picks", "treadling", "says"),
    [
        ((), (5,), (1,), "no row yet"),
        (("##",), (5,), (1,), "2 units wide, and the warp has 3"),
        (("###",), (5,), (1, 6), "no treadle 6: the ground weave ties up 5"),
        (("###",), (5,), (0,), "no treadle 0"),
        (("###",), (1_000_001,), (1,), "more than 1,000,000 picks"),
    ],
)
def test_what_does_not_fit_together_is_refused(
    rows: tuple[str, ...], picks: tuple[int, ...], treadling: tuple[int, ...], says: str
) -> None:
    with pytest.raises(ValueError, match=says):
        Draft(to_cells(rows), picks, treadling, Threads((5, 5, 5), satin(5, 2)))


def test_the_treadles_are_those_of_the_rule() -> None:
    threads = Threads((5,), satin(5, 2))
    draft = Draft(to_cells(["#", ".", "#", "."]), (4, 5, 3), (1, 3, 5, 2, 4, 4), threads)
    by_rule = [t for row in range(1, 5) for t in treadles_of_row(draft.treadling, draft.picks_per_row, row)]
    assert list(draft.treadle_of_picks(range(draft.picks)) + 1) == by_rule
    assert draft.picks == len(by_rule) == 16


def test_equal_drafts_are_equal_and_others_are_not() -> None:
    one = draft_of("#.", ".#")
    assert one == draft_of("#.", ".#")
    assert hash(one) == hash(draft_of("#.", ".#"))
    others = [
        draft_of("#.", "##"),
        draft_of("#..#"),
        draft_of("#.", ".#", picks=4),
        draft_of("#.", ".#", ends=4),
        draft_of("#.", ".#", ground=satin(5, 2, 2)),
        draft_of("#.", ".#", selvedge_ends=(1, 0)),
    ]
    assert all(one != other for other in others)
    assert len({one, *others}) == 7


@settings(max_examples=60)
@given(st.data())
def test_a_part_is_cut_out_of_the_whole(data: st.DataObject) -> None:
    draft = draft_of("#..#.#", ".##..#", "#.#.#.", ends=3, picks=4, selvedge_ends=(2, 5))
    ends = sorted(data.draw(st.lists(st.integers(0, draft.ends), min_size=2, max_size=2, unique=True)))
    picks = sorted(data.draw(st.lists(st.integers(0, draft.picks), min_size=2, max_size=2, unique=True)))
    part = weave(draft, Window(range(*ends), range(*picks)))
    assert (part == weave(draft)[picks[0] : picks[1], ends[0] : ends[1]]).all()


def test_a_cloth_gone_through_in_strips_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    draft = draft_of("#..#.#", ".##..#", "#.#.#.", ends=3, picks=4)
    whole = bound(draft)
    narrow = narrow_across(draft), narrow_along(draft)
    monkeypatch.setattr(crossings, "AT_ONCE", 30)
    monkeypatch.setattr("server.cloth.edges.AT_ONCE", 5)
    assert bound(draft) == whole
    assert (narrow_across(draft), narrow_along(draft)) == narrow
    assert None not in narrow
    assert len(list(crossings.strips_of_ends(draft))) > 3
    assert len(list(crossings.strips_of_picks(draft))) > 3


def test_turned_over_twice_it_is_as_it_was() -> None:
    over = weave(draft_of("#..#.#", ".##..#"))
    assert (from_below(from_below(over)) == over).all()
    assert (from_below(over)[:, 0] == ~over[:, -1]).all()


def test_size() -> None:
    draft = draft_of("##", "..", selvedge_ends=(3, 3), ends_per_cm=Fraction(8), picks_per_cm=Fraction(5))
    assert (draft.ends, draft.picks, draft.width_cm, draft.height_cm) == (16, 10, 2.0, 2.0)


# --- runs ----------------------------------------------------------------------------------------------


@settings(max_examples=60)
@given(
    st.integers(1, 5).flatmap(lambda n: st.lists(st.lists(st.booleans(), min_size=n, max_size=n), min_size=1))
)
def test_runs_put_together_are_the_lines(lines: list[list[bool]]) -> None:
    array = np.array(lines)
    found = runs(array)
    again = np.zeros_like(array)
    for run, (length, value) in enumerate(zip(found.length, found.value, strict=True)):
        line, start = found.where(run)
        assert start + length <= array.shape[1]
        again[line, start : start + length] = value
        if start:
            assert array[line, start - 1] != value
    assert (again == array).all()
    assert found.length.sum() == array.size


# --- floats and loose threads --------------------------------------------------------------------------


def test_floats_are_counted_by_length_and_the_first_of_the_longest_is_named() -> None:
    """Plain weave but for a treadle that lifts nothing: its pick lies over what is not lifted."""
    ground = Ground(2, (Treadle((1,), (2,)), Treadle((2,), (1,)), Treadle()), (1, 2))
    draft = Draft(to_cells(["..#"]), (3,), (1, 2, 3), Threads((2, 2, 2), ground))
    found = bound(draft)
    by_weft = found.floats["weft", "front"]
    assert by_weft.longest is not None
    assert (by_weft.longest.length, by_weft.longest.end, by_weft.longest.pick) == (4, 0, 2)
    assert by_weft.longer_than(3) == 1
    assert by_weft.longer_than(4) == 0
    assert sum(by_weft.how_many) == 7  # three picks of one end each, twice, and the long one


def test_threads_that_nothing_binds_are_named() -> None:
    ground = Ground(3, (Treadle((1,), (2,)), Treadle((2,), (1,))), (1, 2, 3))
    draft = Draft(to_cells(["#."]), (4,), (1, 2), Threads((3, 3), ground))
    assert bound(draft).loose_ends == (2, 5)
    told = warnings(draft, bound(draft), counting(draft))
    assert "No treadle moves ground shaft 3: its ends are bound nowhere." in told
    assert (
        "Ends 3 and 6 lie over or under every pick, from the first to the last: nothing binds them." in told
    )
    from_right = warnings(draft, bound(draft), counting(draft, "right"))
    assert (
        "Ends 1 and 4 lie over or under every pick, from the first to the last: nothing binds them."
        in from_right
    )


def test_a_pick_that_nothing_binds_is_named() -> None:
    ground = Ground(2, (Treadle((1,), (2,)), Treadle((2,), (1,)), Treadle((1, 2))), (1, 2))
    draft = Draft(to_cells(["."]), (3,), (1, 2, 3), Threads((6,), ground))
    assert bound(draft).loose_picks == (2,)
    assert "Pick 3 lies over or under every end: nothing binds it." in warnings(
        draft, bound(draft), counting(draft)
    )


def test_many_loose_threads_are_counted() -> None:
    ground = Ground(2, (Treadle((1,)), Treadle((), (1,))), (1, 2))
    draft = Draft(to_cells(["." * 20]), (2,), (1, 2), Threads((2,) * 20, ground))
    told = warnings(draft, bound(draft), counting(draft))
    assert any(sentence.startswith("20 ends, the first of them 2, lie over") for sentence in told)


def test_float_lines_name_places_as_she_counts() -> None:
    draft = draft_of("#.", "##", selvedge_ends=(5, 0))
    lines = {(line.thread, line.side): line for line in float_lines(bound(draft), counting(draft), 4)}
    by_warp = lines["by warp", "front"]
    assert by_warp.length == 4
    assert by_warp.longer == 0
    assert by_warp.mark is not None
    assert by_warp.window is not None
    part = weave(draft, by_warp.mark)
    assert part.shape == (4, 1)
    assert part.all()
    unit = int(draft.unit_of_end[by_warp.mark.ends.start]) + 1
    end, pick = by_warp.mark.ends.start + 1, by_warp.mark.picks.start + 1
    assert by_warp.place.startswith(f"end {end} (unit {unit}), from pick {pick} (row ")
    others = {
        (line.thread, line.side): line for line in float_lines(bound(draft), counting(draft, "right"), 4)
    }
    assert others["by warp", "front"].place.startswith(f"end {16 - end} (unit {3 - unit}), from pick {pick} ")
    assert lines["by weft", "front"].place.startswith("pick ")
    assert "(a selvedge end)" in lines["by warp", "back"].place


def test_a_thread_that_does_not_show_on_a_side_has_no_float_there() -> None:
    ground = Ground(1, (Treadle((1,)),), (1,))
    draft = Draft(to_cells(["#"]), (2,), (1,), Threads((2,), ground))
    lines = {(line.thread, line.side): line for line in float_lines(bound(draft), counting(draft), 1)}
    assert (lines["by weft", "front"].length, lines["by weft", "front"].window) == (0, None)
    assert lines["by warp", "front"].length == 2


def test_around_a_place_stays_on_the_cloth() -> None:
    draft = draft_of("#.", "##")
    corner = Window(range(9, 10), range(6, 10))
    seen = around(draft, corner)
    assert seen.ends.start <= 9 < seen.ends.stop <= draft.ends
    assert seen.picks.start <= 6
    assert seen.picks.stop == draft.picks


# --- edges ---------------------------------------------------------------------------------------------


def test_offsets_that_give_clean_edges_are_told() -> None:
    told = edges_told(draft_of("#.", ground=satin(8, 3)))
    assert told.now == (
        "Each treadle sinks the shaft 1 beyond the one it raises, counted round. "
        "As it is tied up now, the left edges of the figure come out clean."
    )
    assert [(line.offset, line.is_now) for line in told.lines] == [
        (1, True),
        (3, False),
        (5, False),
        (7, False),
    ]
    assert told.lines[1].sentence == "With 3 beyond, the last rows of the figure come out clean."
    assert told.lines[0].edges == ("clean", "1 in 4 run on", "1 in 4 run on", "1 in 4 run on")
    assert told.none == "No edge comes out clean with 2, 4 and 6."


def test_an_offset_without_clean_edges_is_told_where_it_is_tied_up() -> None:
    told = edges_told(draft_of("#.", ground=satin(8, 3, 2)))
    assert told.now.endswith("floats run on across every edge of the figure.")
    assert [line.offset for line in told.lines if line.is_now] == [2]


def test_plain_weave_cannot_choose() -> None:
    """Both shafts move at every pick, so the pattern shows nowhere, and all neighbours differ."""
    told = edges_told(draft_of("#.", ground=plain_weave()))
    assert told.now.endswith("every edge of the figure comes out clean.")
    assert [line.offset for line in told.lines] == [1]


def test_free_tie_ups_are_told_as_they_are() -> None:
    ground = Ground(3, (Treadle((1, 2), (3,)), Treadle((3,), (1,))), (1, 2, 3))
    draft = draft_of("#.", ground=ground)
    assert offsets_to_choose(ground, (1, 2)) == {}
    told = edges_told(draft)
    assert [line.offset for line in told.lines] == [None]
    assert told.none == ""
    assert not told.now.startswith("Each treadle")


def test_the_treadling_counts_for_the_edges() -> None:
    straight = twill(5)
    assert crossed(straight, (1, 3, 5, 2, 4)).clean == crossed(satin(5, 2), (1, 2, 3, 4, 5)).clean
    assert crossed(straight, (1, 2, 3, 4, 5)).clean != crossed(straight, (1, 3, 5, 2, 4)).clean


def test_a_weave_without_end_is_not_laid_side_by_side() -> None:
    ground = Ground(2, (Treadle((1,), (2,)), Treadle((2,), (1,))), (*([1, 2] * 1_000), 1))
    treadling = (*([1, 2] * 1_000), 2)
    draft = Draft(to_cells(["#"]), (4,), treadling, Threads((4,), ground))
    told = edges_told(draft)
    assert told.now == "The ground weave repeats on 2,001 ends and 2,001 picks; that is too much."
    assert told.lines == ()
    again = Draft(to_cells(["#"]), (4,), (1, 2) * 5_000, Threads((4,), plain_weave()))
    assert len(edges_told(again).lines) == 1


# --- too narrow ----------------------------------------------------------------------------------------


def test_narrow_stretches_are_counted_and_the_narrowest_named() -> None:
    draft = draft_of("#..##", "#####", ends=3, picks=4)
    across = narrow_across(draft)
    assert across is not None
    assert (across.repeat, across.lifted, across.not_lifted) == (5, 1, 0)
    assert (across.least, across.row, across.unit) == (3, 0, 0)
    along = narrow_along(draft)
    assert along is not None
    assert (along.repeat, along.lifted, along.not_lifted, along.least) == (5, 2, 2, 4)
    told = warnings(draft, bound(draft), counting(draft, "right"))
    assert (
        "1 place of the figure is fewer than 5 ends wide, too little to show the weave whole. "
        "The narrowest, 3 ends, is at unit 5, row 1." in told
    )
    assert any(
        sentence.startswith("2 places of the figure and 2 places of the ground are") for sentence in told
    )


def test_nothing_is_narrow_where_each_cell_holds_the_weave() -> None:
    draft = draft_of("#.#", ".#.")
    assert narrow_across(draft) is None
    assert narrow_along(draft) is None
    assert warnings(draft, bound(draft), counting(draft)) == []


def test_the_repeat_is_that_of_what_is_trodden() -> None:
    threads = Threads((4,), twill(4))
    assert repeat_along(Draft(to_cells(["#"]), (4,), (1, 2, 1, 2), threads)) == 2
    assert repeat_along(Draft(to_cells(["#"]), (4,), (1, 2, 3, 4, 3, 2), threads)) == 6


def test_a_satin_tied_up_and_trodden_in_satin_order_is_cautioned() -> None:
    threads = Threads((5,), satin(5, 2))
    draft = Draft(to_cells(["#"]), (5,), (1, 3, 5, 2, 4), threads)
    assert warnings(draft, bound(draft), counting(draft)) == [
        "The tie-up is that of a satin on 5 shafts, counter 2, if the treadles are trodden one after the "
        "other. "
        "In the order of this treadling they make a twill on 5 shafts."
    ]
    backwards = Draft(to_cells(["#"]), (5,), (5, 4, 3, 2, 1), threads)
    assert warnings(backwards, bound(backwards), counting(backwards)) == []


@pytest.mark.parametrize(
    ("ground", "treadling", "says"),
    [
        (satin(5, 2), (1, 2, 3, 4, 5), "satin on 5 shafts, counter 2"),
        (satin(5, 3), (1, 2, 3, 4, 5), "satin on 5 shafts, counter 2"),
        (satin(5, 2), (1, 3, 5, 2, 4), "twill on 5 shafts"),
        (twill(8), (1, 4, 7, 2, 5, 8, 3, 6), "satin on 8 shafts, counter 3"),
        (twill(5), (5, 4, 3, 2, 1), "twill on 5 shafts"),
        (plain_weave(), (1, 2), "plain weave"),
        (in_order(BROKEN_TWILL_ON_FOUR, 1), (1, 2, 3, 4), ""),
        (Ground(3, (Treadle((1, 2), (3,)),), (1, 2, 3)), (1,), ""),
        (twill(4), (1, 2, 1, 2), ""),
    ],
)
def test_the_weave_is_named_by_what_is_trodden(ground: Ground, treadling: tuple[int, ...], says: str) -> None:
    draft = Draft(to_cells(["#"]), (4,), treadling, Threads((4,), ground))
    assert weave_name(draft.threads.ground, draft.treadling) == says
    assert ("no float is longer" in even_area_words(draft)) == bool(says)


def test_how_long_floats_are_is_promised_only_where_every_ground_shaft_has_its_turn() -> None:
    doubled = replace(satin(5, 2), threading=(1, 1, 2, 3, 4))
    even = draft_of(".....", ground=doubled)
    longest = bound(even).floats["weft", "front"].longest
    assert longest is not None
    assert longest.length > 4, "no end is in shaft 5, so no end binds the pick that raises it"
    assert even_area_words(even) == "The ground weave repeats on 5 ends and 5 picks."
    mixed = draft_of(".....", ground=replace(satin(5, 2), threading=(3, 1, 5, 2, 4)))
    assert even_area_words(mixed) == "The ground weave repeats on 5 ends and 5 picks.", "it has no name"
    in_satin_order = draft_of(".....", ground=replace(twill(5), threading=(1, 3, 5, 2, 4)))
    assert "no float is longer than 4" in even_area_words(in_satin_order)


# --- pictures ------------------------------------------------------------------------------------------


def test_pictures_are_at_true_proportion() -> None:
    threads = Threads((5, 5), satin(5, 2), Fraction(20), Fraction(10))
    assert height_of(threads, Window(range(10), range(10)), 100) == 200
    assert height_of(threads, Window(range(10), range(1)), 1) == 1


@pytest.mark.parametrize("width", [1, 3, 7, 10, 14, 16, 33, 100, 777])
@pytest.mark.parametrize("side", ["front", "back"])
def test_a_picture_has_the_size_that_was_asked_for(width: int, side: str) -> None:
    draft = draft_of("#.", ".#")
    view = View(YARNS["linen"], YARNS["madder"], "back" if side == "back" else "front")
    picture = draw(draft, Window(range(2, 9), range(1, 8)), width, view)
    assert picture.shape == (width, width, 3)
    assert picture.dtype == np.uint8


@pytest.mark.parametrize("width", [40, 400])
def test_the_picture_shows_lifted_in_the_warps_colour_first_pick_at_the_foot(width: int) -> None:
    """From afar and thread by thread: one lifted cell, at the left of the first row."""
    draft = draft_of("#...", "....", "....", "....", ends=10, picks=10)
    half = width // 2
    quarter = width // 4
    for side, left in (("front", True), ("back", False)):
        view = View(YARNS["bleached"], YARNS["black"], "front" if side == "front" else "back")
        light = draw(draft, draft.whole, width, view).mean(axis=2)
        if side == "back":
            light = 255 - light  # there the other yarn shows
        cell = light[-quarter:, :quarter] if left else light[-quarter:, -quarter:]
        assert cell.mean() > light[:half].mean() + 60
        assert cell.mean() > light.mean() + 60


def test_from_afar_the_mixture_is_that_of_the_threads() -> None:
    """A satin on 5: where nothing is lifted a fifth of what shows is warp, elsewhere four fifths."""
    draft = draft_of(".", "#", ends=20, picks=20)
    picture = draw(draft, draft.whole, 1, VIEW)
    plain, figure = picture[1, 0].astype(float), picture[0, 0].astype(float)
    all_weft, all_warp = (
        draw(one, one.whole, 1, VIEW)[0, 0].astype(float)
        for one in (
            Draft(to_cells(["."]), (4,), (1,), Threads((4,), Ground(1, (move,), (1,))))
            for move in (Treadle((), (1,)), Treadle((1,)))
        )
    )
    assert plain == pytest.approx(0.8 * all_weft + 0.2 * all_warp, abs=1.5)
    assert figure == pytest.approx(0.2 * all_weft + 0.8 * all_warp, abs=1.5)


def test_drawn_in_strips_it_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    draft = draft_of("#..#.#", ".##..#", "#.#.#.", ends=7, picks=9)
    whole = draw(draft, draft.whole, 13, VIEW)
    monkeypatch.setattr("server.cloth.picture.AT_ONCE", 50)
    assert np.abs(draw(draft, draft.whole, 13, VIEW).astype(int) - whole).max() <= 2


def test_close_up_and_from_afar_are_alike_on_the_whole() -> None:
    draft = draft_of("#..#", ".##.", ends=10, picks=10)
    near = draw(draft, draft.whole, 400, VIEW).mean(axis=(0, 1))
    far = draw(draft, draft.whole, 40, VIEW).mean(axis=(0, 1))
    assert near == pytest.approx(far, abs=14)


def test_one_yarn_for_both_still_shows_the_figure() -> None:
    draft = draft_of("#.", ends=20, picks=20)
    white = View(YARNS["bleached"], YARNS["bleached"])
    picture = draw(draft, draft.whole, 20, white).astype(int)
    assert picture[:, :10].mean() > picture[:, 10:].mean() + 4


def test_a_mark_is_drawn_around_its_place_only() -> None:
    draft = draft_of("#..#", "....", ends=10, picks=10)
    mark = Window(range(20, 22), range(5, 9))
    for side in ("front", "back"):
        plain = View(YARNS["linen"], YARNS["indigo"], "front" if side == "front" else "back")
        marked = View(plain.warp, plain.weft, plain.side, mark)
        changed = (draw(draft, draft.whole, 400, plain) != draw(draft, draft.whole, 400, marked)).any(axis=2)
        rows, columns = np.flatnonzero(changed.any(axis=1)), np.flatnonzero(changed.any(axis=0))
        left, right = (200, 220) if side == "front" else (180, 200)
        assert left - 8 <= columns[0] < left
        assert right <= columns[-1] < right + 8
        assert 110 - 8 <= rows[0] < 110
        assert 150 <= rows[-1] < 158
        assert not changed[110:150, left:right].any()
    elsewhere = View(VIEW.warp, VIEW.weft, "front", Window(range(30, 31), range(15, 16)))
    part = Window(range(5), range(5))
    assert (draw(draft, part, 100, elsewhere) == draw(draft, part, 100, VIEW)).all()


def test_too_large_pictures_are_refused_before_anything_is_drawn() -> None:
    draft = draft_of("#")
    with pytest.raises(ValueError, match=r"dots; 4,000,000 are the most"):
        draw(draft, draft.whole, MOST_DOTS, VIEW)
    long = Draft(
        to_cells(["."]), (1_000_000,), (1,), Threads((101,), satin(5, 2), Fraction(1), Fraction(1000))
    )
    with pytest.raises(ValueError, match="does not go into one picture"):
        draw(long, long.whole, 10, VIEW)


def test_a_png_can_be_opened_and_is_the_picture() -> None:
    picture = draw(draft_of("#.", ".#"), Window(range(10), range(10)), 60, VIEW)
    with Image.open(BytesIO(png(picture))) as opened:
        assert opened.format == "PNG"
        assert (np.asarray(opened) == picture).all()
