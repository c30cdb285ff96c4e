"""Designs: every change of the squares can be made, taken back and made again; what cannot be is refused."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.design.design import (
    MOST_BANDS,
    Band,
    BandsChanged,
    CellsTurned,
    Design,
    Run,
    bands_of_rows,
    changed,
    check,
    next_number,
    piece_of,
    piece_text,
    read_bands,
    read_change,
    read_design,
    setting,
    taken_back,
    turned,
    write_change,
    write_design,
)
from server.design.piece_file import Unusable
from server.design.warp import Part, Warp, hang
from server.loom.ground import satin
from server.loom.state import Loom

HEM = Band(1, "Hem", (40,))
BORDER = Band(2, "Border", (4, 5), ("##..", ".##.", "..##"), 2)
FIGURE = Band(5, "Figure", (4,), ("....", "...."))
DESIGN = Design(4, (HEM, BORDER, FIGURE), 7)


def warp(units: int = 4) -> Warp:
    loom = Loom((), frozenset(), units, spare_shafts=2)
    return hang("Small", loom, (Part("straight", units),), satin(5, 2))


# --- what a design is ----------------------------------------------------------------------------------


def test_the_rows_and_picks_follow_from_the_bands() -> None:
    assert DESIGN.rows() == ("....", *("##..", ".##.", "..##") * 2, "....", "....")
    assert DESIGN.picks() == (40, 4, 5, 4, 4, 5, 4, 4, 4), "each time a band begins its own turn"


def test_the_piece_of_a_design_has_its_rows_its_picks_and_its_bands() -> None:
    piece = piece_of("Runner", DESIGN, warp())
    assert [sorted(row) for row in piece.rows[:4]] == [[], [1, 2], [2, 3], [3, 4]]
    assert [piece.picks(row) for row in range(1, 10)] == list(DESIGN.picks())
    assert piece.bands == bands_of_rows(DESIGN)
    assert [(band.name, band.rows, band.times) for band in piece.bands] == [
        ("Hem", 1, 1),
        ("Border", 3, 2),
        ("Figure", 2, 1),
    ]


@given(st.lists(st.integers(1, 2), min_size=1, max_size=12))
def test_the_picks_of_a_piece_are_the_shortest_list_that_gives_those_of_the_design(picks: list[int]) -> None:
    design = Design(4, (Band(1, "x", tuple(picks), ("....",) * len(picks)),))
    turn = json.loads(piece_text("x", design, warp()))["picks_per_row"]
    fits = [n for n in range(1, 13) if all(pick == picks[row % n] for row, pick in enumerate(picks))]
    assert turn == picks[: fits[0]]


def test_a_long_piece_is_told_without_trying_every_turn() -> None:
    """Each half of it tried as a turn, row by row, took minutes."""
    fours, fives = Band(1, "x", (4,), ("#...",), 10_000), Band(2, "y", (5,), ("....",))
    content = json.loads(piece_text("x", Design(4, (fours,) * 8 + (fives,)), warp()))
    assert content["picks_per_row"] == [4] * 80_000 + [5]


def test_a_design_without_rows_or_on_another_warp_is_no_piece() -> None:
    with pytest.raises(Unusable, match="no band"):
        piece_text("x", Design(4, ()), warp())
    with pytest.raises(Unusable, match="4 units wide, and the warp has 6"):
        piece_text("x", DESIGN, warp(6))


def test_a_design_is_read_as_it_was_written() -> None:
    assert read_design(write_design(DESIGN)) == DESIGN


def test_no_number_is_given_twice() -> None:
    assert next_number(DESIGN) == 8
    fewer = changed(DESIGN, BandsChanged(DESIGN.bands, (HEM,)))
    assert next_number(fewer) == 8
    more = changed(fewer, BandsChanged((HEM,), (HEM, Band(8, "New", (4,), ("....",)))))
    gone = taken_back(more, BandsChanged((HEM,), more.bands))
    assert next_number(gone) == 9, "a stroke that is still on its way must not fall on another band"
    assert next_number(Design(4, ())) == 1


# --- limits --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("band", "said"),
    [
        (replace(BORDER, times=0), "at least once"),
        (replace(BORDER, times=10_001), "at most 10,000 times"),
        (replace(BORDER, picks=()), "at least 1 pick"),
        (replace(BORDER, picks=(0,)), "at least 1 pick"),
        (replace(BORDER, picks=(4, -1)), "at least 1 pick"),
        (replace(BORDER, picks=(10_001,)), "at most 10,000"),
        (replace(BORDER, picks=(1, 2, 3, 4)), "has 3 rows, and picks for 4"),
        (replace(HEM, number=3, picks=(4, 5)), "as one number"),
        (replace(BORDER, name="x" * 201), "at most 200 letters"),
        (replace(BORDER, rows=("##.", ".##.")), "3 cells for 4 units"),
        (replace(BORDER, picks=(4,), rows=("##.#.",)), "5 cells for 4 units"),
        (replace(BORDER, picks=(4,), rows=("##x.",)), "something else"),
        (replace(BORDER, picks=(4,), rows=("##.\n",)), "something else"),
        (replace(FIGURE, number=1), "one number"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_band_that_cannot_be_is_refused_with_a_sentence(band: Band, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        check(Design(4, (HEM, band)))


def test_no_design_is_larger_than_can_be_kept() -> None:
    check(DESIGN)
    with pytest.raises(ValueError, match="at most 500 bands"):
        check(Design(4, tuple(Band(number, "x") for number in range(1, MOST_BANDS + 2))))
    row = "." * 1000
    check(Design(1000, (Band(1, "x", (4,), (row,) * 1000),)))
    with pytest.raises(ValueError, match="more than 1,000,000 cells"):
        check(Design(1000, (Band(1, "x", (4,), (row,) * 1001),)))
    with pytest.raises(ValueError, match="weave it as several pieces"):
        check(Design(4, (Band(1, "x", (4,), ("....",) * 11, 10_000),)))
    with pytest.raises(ValueError, match="would be 1,000,100 picks"):
        check(Design(4, (Band(1, "x", (100,), (), 10_000), Band(2, "y", (100,)))))


# --- strokes -------------------------------------------------------------------------------------------


def test_a_stroke_turns_only_the_squares_that_are_otherwise() -> None:
    assert setting(DESIGN, 2, [(1, 1, 4, True), (3, 4, 4, True)]) == CellsTurned(2, ((1, 3, 4),))
    assert setting(DESIGN, 2, [(1, 1, 2, True)]) == CellsTurned(2, ())
    assert setting(DESIGN, 2, [(2, 1, 4, True), (2, 2, 3, False)]).runs == ((2, 1, 4),), "the last counts"


@pytest.mark.parametrize(
    "run",
    [
        (0, 1, 1, True),
        (4, 1, 1, True),
        (-1, 1, 1, True),
        (1, 0, 1, True),
        (1, 1, 5, True),
        (1, 3, 2, True),
        (10**30, 1, 1, True),
        (1, 1, 10**30, True),
        (1, -(10**30), 4, False),
    ],
)
def test_a_stroke_over_the_edge_is_refused_whole(run: Run) -> None:
    with pytest.raises(ValueError, match="over the edge"):
        setting(DESIGN, 2, [(1, 1, 1, False), run])


def test_no_stroke_falls_on_plain_ground_or_on_a_band_that_is_gone() -> None:
    with pytest.raises(ValueError, match="over the edge"):
        setting(DESIGN, 1, [(1, 1, 1, True)])
    with pytest.raises(ValueError, match="not in the design any more"):
        setting(DESIGN, 3, [(1, 1, 1, True)])


def test_bands_that_another_changed_meanwhile_stay_as_they_are() -> None:
    drawn = changed(DESIGN, setting(DESIGN, 2, [(1, 4, 4, True)]))
    with pytest.raises(ValueError, match="another device"):
        changed(drawn, BandsChanged(DESIGN.bands, (HEM,)))


@st.composite
def strokes(draw: st.DrawFn) -> list[tuple[int, list[Run]]]:
    run = st.tuples(st.integers(1, 2), st.integers(1, 4), st.integers(0, 3), st.booleans()).map(
        lambda found: (found[0], found[1], min(4, found[1] + found[2]), found[3])
    )
    return draw(st.lists(st.tuples(st.sampled_from([2, 5]), st.lists(run, max_size=4)), max_size=12))


@settings(max_examples=40)
@given(strokes())
def test_everything_can_be_taken_back_one_by_one_and_made_again(drawn: list[tuple[int, list[Run]]]) -> None:
    designs, changes = [DESIGN], []
    for number, runs in drawn:
        wanted = {(row, unit): lifted for row, first, last, lifted in runs for unit in range(first, last + 1)}
        change = setting(designs[-1], number, runs)
        designs.append(changed(designs[-1], change))
        changes.append(read_change(write_change(change)))
        rows = designs[-1].band(number).rows
        assert all((rows[row - 1][unit - 1] == "#") is lifted for (row, unit), lifted in wanted.items())
        others = [band for band in designs[-1].bands if band.number != number]
        assert others == [band for band in designs[-2].bands if band.number != number]
    design = designs[-1]
    for before, change in zip(reversed(designs[:-1]), reversed(changes), strict=True):
        design = taken_back(design, change)
        assert design == before
    for after, change in zip(designs[1:], changes, strict=True):
        design = changed(design, change)
        assert design == after


@settings(max_examples=40)
@given(strokes())
def test_what_is_turned_between_two_designs_leads_from_one_to_the_other(
    drawn: list[tuple[int, list[Run]]],
) -> None:
    after = DESIGN
    for number, runs in drawn:
        after = changed(after, setting(after, number, runs))
    changes = turned(DESIGN, after)
    assert changes is not None
    design = DESIGN
    for change in changes:
        design = changed(design, change)
    assert design == after
    assert len({change.band for change in changes}) == len(changes)


def test_between_other_bands_or_other_rows_nothing_can_be_turned() -> None:
    assert turned(DESIGN, DESIGN) == ()
    assert turned(DESIGN, replace(DESIGN, bands=(BORDER, HEM, FIGURE))) is None
    longer = replace(FIGURE, rows=(*FIGURE.rows, "...."))
    assert turned(DESIGN, replace(DESIGN, bands=(HEM, BORDER, longer))) is None
    assert turned(DESIGN, replace(DESIGN, units=5)) is None


def test_bands_changed_are_taken_back_from_their_text() -> None:
    change = BandsChanged(DESIGN.bands, (FIGURE, replace(BORDER, name="Rand”#", times=3)))
    after = changed(DESIGN, change)
    assert after.bands == change.after
    assert taken_back(after, read_change(write_change(change))) == DESIGN


@pytest.mark.parametrize(
    "content", [None, 3, "x", [3], [{}], [{"number": "x", "name": "y"}], {"number": 1}, [[1, "x"]] * 2]
)
def test_what_is_no_bands_is_refused(content: object) -> None:
    with pytest.raises(ValueError, match="no bands"):
        read_bands(content)


def test_a_stroke_over_all_squares_of_a_large_band_is_one_change() -> None:
    chance = random.Random(3)
    rows = tuple("".join(chance.choice("#.") for _ in range(300)) for _ in range(300))
    large = Design(300, (Band(1, "Panel", (4,), rows),), 1)
    full = changed(large, setting(large, 1, [(row, 1, 300, True) for row in range(1, 301)]))
    assert set(full.rows()) == {"#" * 300}
    assert taken_back(full, setting(large, 1, [(row, 1, 300, True) for row in range(1, 301)])) == large
