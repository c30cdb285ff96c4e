"""The cloth against published facts, a slow loom written from TRADE.md, and the picture brought in."""

from __future__ import annotations

import json
from collections.abc import Sequence
from fractions import Fraction
from io import BytesIO

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from server.cloth.crossings import Crossings, Draft, from_below, weave
from server.cloth.edges import EDGES, crossed, with_offset
from server.cloth.floats import bound
from server.design.cells import Cells, to_cells, to_rows
from server.design.pictures import Reading, read_picture, right_side, turned_over
from server.design.piece_file import read_piece
from server.design.threads import Threads
from server.loom.ground import Ground, Treadle, order_by_counter, satin
from server.plan.planner import plan
from server.plan.workorder import write_workorder
from tests.outside.glyphs import glyphs
from tests.outside.pieces import examples
from tests.outside.slow_loom import TieUp, longest, woven
from tests.unit.test_ground import WOLFENSBERGER

SATINS = [(shafts, counter) for shafts, counters in WOLFENSBERGER.items() for counter in counters]


def draft_of(
    cells: Cells,
    ground: Ground,
    ends_per_unit: Sequence[int],
    picks_per_row: Sequence[int],
    treadling: Sequence[int] = (),
    selvedge_ends: tuple[int, int] = (0, 0),
) -> Draft:
    treadling = treadling or range(1, len(ground.treadles) + 1)
    threads = Threads(tuple(ends_per_unit), ground, selvedge_ends=selvedge_ends)
    return Draft(cells, tuple(picks_per_row), tuple(treadling), threads)


# --- SOURCES 1 and 5: what lifted units weave, and what the others do ------------------------------------


def test_wolfensbergers_worked_satin_end_for_end() -> None:
    """SOURCES 1, counter 2: pick 1 end 1, pick 2 end 3, pick 3 end 5, pick 4 end 2, pick 5 end 4.

    Where nothing is lifted the raised end is the only one over the pick; where all is, by SOURCES 5, all ends
    are but the one that is pulled down, here the next to the raised one.
    """
    ground = satin(5, 2, offset=1)
    plain = weave(draft_of(to_cells(["."]), ground, [10], [5]))
    assert [list(np.flatnonzero(pick[:5]) + 1) for pick in plain] == [[1], [3], [5], [2], [4]]
    assert (plain[:, 5:] == plain[:, :5]).all()
    figure = weave(draft_of(to_cells(["#"]), ground, [10], [5]))
    assert [list(np.flatnonzero(~pick[:5]) + 1) for pick in figure] == [[2], [4], [1], [3], [5]]


@pytest.mark.parametrize(("shafts", "counter"), SATINS)
def test_lifted_units_are_warp_satin_and_the_others_weft_satin(shafts: int, counter: int) -> None:
    """SOURCES 1, the whole table, and SOURCES 5: each end over all picks but one of the repeat, or under."""
    rng = np.random.default_rng(shafts * 100 + counter)
    order = order_by_counter(shafts, counter)
    for offset in {1, counter, shafts - counter, shafts - 1, shafts // 2}:
        cells = rng.random((6, 7)) < 0.5
        draft = draft_of(cells, satin(shafts, counter, offset), [shafts] * 7, [shafts])
        over = weave(draft)
        for row in range(6):
            for unit in range(7):
                block = over[row * shafts : (row + 1) * shafts, unit * shafts : (unit + 1) * shafts]
                bound_at = [(order[pick] - 1 + offset * cells[row, unit]) % shafts for pick in range(shafts)]
                expected = np.full((shafts, shafts), bool(cells[row, unit]))
                for pick, end in enumerate(bound_at):
                    expected[pick, end] = not cells[row, unit]
                assert (block == expected).all(), (offset, row, unit)


@pytest.mark.parametrize(("shafts", "counter"), SATINS)
@pytest.mark.parametrize("lifted", [False, True])
def test_no_float_in_an_even_area_is_longer_than_the_repeat_less_one(
    shafts: int, counter: int, lifted: bool
) -> None:
    """SOURCES 1: a satin binds each end once in as many picks as it has shafts."""
    cells = np.full((9, 5), lifted)
    found = bound(draft_of(cells, satin(shafts, counter), [shafts] * 5, [shafts]))
    lengths = {key: floats.longest and floats.longest.length for key, floats in found.floats.items()}
    long, short = ("front", "back") if lifted else ("back", "front")
    other = {"front": "back", "back": "front"}
    assert lengths["warp", long] == shafts - 1
    assert lengths["warp", short] == 1
    assert lengths["weft", other[long]] == shafts - 1
    assert lengths["weft", other[short]] == 1
    assert found.loose_ends == found.loose_picks == ()


def test_satin_order_on_the_treadles_or_in_the_tie_up_is_the_same_cloth() -> None:
    """A straight tie-up trodden in satin order is the satin tied up and trodden in turn. No source."""
    cells = to_cells(["##.#.", ".#.##"])
    straight = Ground(5, tuple(Treadle((t,), (t % 5 + 1,)) for t in range(1, 6)), (1, 2, 3, 4, 5))
    trodden = draft_of(cells, straight, [4, 5, 6, 5, 3], [4, 5], order_by_counter(5, 2))
    tied_up = draft_of(cells, satin(5, 2), [4, 5, 6, 5, 3], [4, 5])
    assert (weave(trodden) == weave(tied_up)).all()


# --- the slow loom ---------------------------------------------------------------------------------------


@st.composite
def any_draft(draw: st.DrawFn) -> tuple[Draft, list[list[bool]]]:
    """Any warp with any tie-up, free and neutral shafts among them, and the slow loom's cloth of it."""
    shafts = draw(st.integers(1, 6))
    shaft = st.integers(1, shafts)
    moves = st.lists(st.sampled_from("+-0"), min_size=shafts, max_size=shafts)
    tie_ups = [
        TieUp(
            frozenset(number for number, move in enumerate(each, 1) if move == "+"),
            frozenset(number for number, move in enumerate(each, 1) if move == "-"),
        )
        for each in draw(st.lists(moves, min_size=1, max_size=6))
    ]
    units = draw(st.integers(1, 6))
    ends_per_unit = draw(st.lists(st.integers(1, 4), min_size=units, max_size=units))
    row = st.text("#.", min_size=units, max_size=units)
    rows = draw(st.lists(row, min_size=1, max_size=6))
    picks = draw(st.lists(st.integers(1, 4), min_size=1, max_size=3))
    treadling = draw(st.lists(st.integers(1, len(tie_ups)), min_size=1, max_size=7))
    threading = draw(st.lists(shaft, min_size=1, max_size=7))
    selvedge = draw(st.lists(shaft, max_size=3))
    selvedge_ends = draw(st.tuples(st.integers(0, 5), st.integers(0, 5)))
    treadles = tuple(Treadle(tuple(sorted(each.up)), tuple(sorted(each.down))) for each in tie_ups)
    ground = Ground(shafts, treadles, tuple(threading), tuple(selvedge))
    draft = draft_of(to_cells(rows), ground, ends_per_unit, picks, treadling, selvedge_ends)
    slow = woven(rows, picks, treadling, ends_per_unit, tie_ups, threading, selvedge, selvedge_ends)
    return draft, slow


@examples(150)
@given(any_draft())
def test_the_cloth_is_the_slow_looms(made: tuple[Draft, list[list[bool]]]) -> None:
    draft, slow = made
    assert weave(draft).tolist() == slow


@examples(100)
@given(any_draft())
def test_floats_are_those_counted_one_by_one(made: tuple[Draft, list[list[bool]]]) -> None:
    draft, slow = made
    found = bound(draft)
    along = [list(line) for line in zip(*slow, strict=True)]
    counted = {
        ("warp", "front"): longest(along, True),
        ("warp", "back"): longest(along, False),
        ("weft", "front"): longest(slow, False),
        ("weft", "back"): longest(slow, True),
    }
    assert {
        key: floats.longest.length if floats.longest else 0 for key, floats in found.floats.items()
    } == counted
    assert list(found.loose_ends) == [end for end, line in enumerate(along) if len(set(line)) == 1]
    assert list(found.loose_picks) == [pick for pick, line in enumerate(slow) if len(set(line)) == 1]
    for (thread, side), floats in found.floats.items():
        if floats.longest is None:
            continue
        at, over = floats.longest, (thread == "warp") == (side == "front")
        for step in range(at.length):
            end, pick = (at.end, at.pick + step) if thread == "warp" else (at.end + step, at.pick)
            assert slow[pick][end] == over
        assert floats.longer_than(at.length) == 0
        assert floats.longer_than(at.length - 1) >= 1
    # every crossing is in one float by warp and in one by weft
    for thread in ("warp", "weft"):
        counts = [found.floats[thread, side].how_many for side in ("front", "back")]
        assert sum(n * length for count in counts for length, n in enumerate(count)) == draft.whole.crossings


# --- edges: the rule against a block woven in the ground -------------------------------------------------


@pytest.mark.parametrize(("shafts", "counter"), [(5, 2), (7, 3), (8, 3), (8, 1)])
def test_edges_of_a_block_at_every_place_are_those_that_are_told(shafts: int, counter: int) -> None:
    """A lifted block stands in the ground, begun at every end and every pick of the repeat."""
    order = order_by_counter(shafts, counter)
    tied_up = Ground(
        shafts, tuple(Treadle((up,), (up % shafts + 1,)) for up in order), tuple(range(1, shafts + 1))
    )
    treadling = tuple(range(1, shafts + 1))
    for offset in range(1, shafts):
        ground = with_offset(tied_up, offset)
        runs_on = dict.fromkeys(EDGES, 0)
        for first_end in range(1, shafts + 1):
            for first_pick in range(1, shafts + 1):
                over = _block(ground, treadling, first_end, first_pick)
                left, right = first_end, first_end + shafts
                first, last = first_pick, first_pick + shafts
                figure_picks, figure_ends = slice(first, last), slice(left, right)
                runs_on["left"] += _alike(over[figure_picks, left - 1], over[figure_picks, left])
                runs_on["right"] += _alike(over[figure_picks, right - 1], over[figure_picks, right])
                runs_on["first"] += _alike(over[first - 1, figure_ends], over[first, figure_ends])
                runs_on["last"] += _alike(over[last - 1, figure_ends], over[last, figure_ends])
        made = crossed(ground, treadling)
        told = {edge: Fraction(made.times[edge], made.of[edge]) for edge in EDGES}
        assert {edge: Fraction(times, shafts**3) for edge, times in runs_on.items()} == told
        # the formula that the simulation bears out
        assert ("left" in made.clean) == (offset == 1)
        assert ("right" in made.clean) == (offset == shafts - 1)
        assert ("first" in made.clean) == (offset == shafts - counter)
        assert ("last" in made.clean) == (offset == counter)


def _block(ground: Ground, treadling: tuple[int, ...], ends_before: int, picks_before: int) -> Crossings:
    n = ground.shafts
    cells = to_cells(["...", ".#.", "..."])
    ends, picks = (ends_before, n, n), (picks_before, n, n)
    return weave(draft_of(cells, ground, ends, picks, treadling))


def _alike(one: Crossings, other: Crossings) -> int:
    return int((one == other).sum())


# --- the picture that was brought in, seen on the right side of the cloth --------------------------------


def shown(draft: Draft, over: Crossings, *, below: bool) -> Cells:
    """What the cloth shows on one side, cell by cell: warp effect where most ends lie over most picks."""
    units, rows = draft.unit_of_end, draft.row_of_pick
    if below:
        over, units = from_below(over), draft.cells.shape[1] - 1 - units[::-1]
    return np.array(
        [
            [over[np.ix_(rows == row, units == unit)].mean() > 0.5 for unit in range(draft.cells.shape[1])]
            for row in range(draft.cells.shape[0])
        ]
    )


def lifted_by(leashes: list[int], corded: list[int], cells: Cells) -> Cells:
    """Plan the rows on this leash order, do to the letter what the plan says, and tell what was lifted."""
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "From a picture",
        "loom": {"pattern_shafts": max(1, *leashes), "spare_shafts": 40, "temporaries_per_shaft": 20},
        "leashes": leashes,
        "single_cords": corded,
        "rows": list(to_rows(cells)),
    }
    order = json.loads(write_workorder(plan(read_piece(json.dumps(content)), limit=5.0)))
    hung = {str(shaft): {u for u, leash in enumerate(leashes, 1) if leash == shaft} for shaft in set(leashes)}
    on_handle = {str(shaft): str(shaft) for shaft in set(leashes)}
    found = np.zeros_like(cells)
    for step in order["steps"]:
        match step["kind"]:
            case "insert":
                hung[step["temporary"]] = set(step["units"])
            case "move_cords":
                on_handle[step["handle"]] = step["to"]
            case "raise":
                up = set(step["single_cords"]).union(*(hung[on_handle[handle]] for handle in step["handles"]))
                found[step["row"] - 1, [unit - 1 for unit in up]] = True
    return found


@st.composite
def brought_in(draw: st.DrawFn) -> tuple[Cells, list[int], list[int]]:
    """A picture, and a leash order that need not go with it at all."""
    units, rows = draw(st.integers(2, 9)), draw(st.integers(1, 5))
    picture = draw(st.lists(st.text("#.", min_size=units, max_size=units), min_size=rows, max_size=rows))
    shafts = draw(st.integers(1, 5))
    pointed = [*range(1, shafts + 1), *range(shafts - 1, 1, -1)]
    leashes = draw(
        st.one_of(
            st.just([unit % shafts + 1 for unit in range(units)]),
            st.just([pointed[unit % len(pointed)] for unit in range(units)]),
            st.lists(st.integers(0, shafts), min_size=units, max_size=units),
        )
    )
    corded = draw(st.sets(st.integers(1, units)))
    return to_cells(picture), leashes, sorted(corded | {u for u, leash in enumerate(leashes, 1) if not leash})


def picture_file(cells: Cells) -> bytes:
    """Dark where true, a dot a cell, the first row at the foot: as a picture hangs on the wall."""
    kept = BytesIO()
    Image.fromarray(np.where(cells[::-1], 0, 255).astype(np.uint8)).save(kept, "PNG")
    return kept.getvalue()


@examples(25)
@given(brought_in(), st.booleans(), st.sampled_from(SATINS[:6]), st.data())
def test_the_right_side_of_the_cloth_is_the_picture(
    made: tuple[Cells, list[int], list[int]],
    wrong_side_up: bool,
    weave_of: tuple[int, int],
    data: st.DataObject,
) -> None:
    picture, leashes, corded = made
    rows, units = picture.shape
    reading = Reading(units=units, rows=rows, level=128, wrong_side_up=wrong_side_up)
    cells = read_picture(picture_file(picture), reading)
    assert (right_side(cells, wrong_side_up) == picture).all()
    lifted = lifted_by(leashes, corded, cells)
    ends = data.draw(st.lists(st.integers(3, 8), min_size=units, max_size=units))
    picks = data.draw(st.lists(st.integers(3, 8), min_size=1, max_size=2))
    draft = draft_of(lifted, satin(*weave_of), ends, picks, selvedge_ends=(2, 3))
    assert (shown(draft, weave(draft), below=wrong_side_up) == picture).all()


@pytest.mark.parametrize("wrong_side_up", [False, True])
def test_lettering_can_be_read_on_the_right_side(wrong_side_up: bool) -> None:
    """Sixty glyphs of Pillow's built-in bitmap font, none of them symmetric, side by side."""
    figures = list(glyphs())[:60]
    high = max(len(cells) for _, cells in figures)
    columns = []
    for _, figure in figures:
        block = np.zeros((high, len(figure[0]) + 1), dtype=np.bool_)
        block[: len(figure), :-1] = figure[::-1]
        columns.append(block)
    words = np.concatenate(columns, axis=1)
    cells = turned_over(words) if wrong_side_up else words
    draft = draft_of(cells, satin(5, 2), [5] * cells.shape[1], [5])
    read = shown(draft, weave(draft), below=wrong_side_up)
    assert (read == words).all()
    assert not (read == words[:, ::-1]).all()
