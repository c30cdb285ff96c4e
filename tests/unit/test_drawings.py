"""Drawings show where things are: a tradition changes their labels only, and from behind all is mirrored."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece import Piece
from server.loom.counting import STANCES, Stance, as_met, begins_at_her_left, take_and_pass
from server.loom.state import Loom, State, Temporary
from server.session.naming import Naming
from server.session.wording import Change
from server.web.drawings import (
    Handle,
    HandleRow,
    IdleHandles,
    Sight,
    cloth,
    cord_runs,
    design_picture,
    handle_row,
    leash_groups,
    loom_map,
    strip,
)

LOOM = Loom((0, 1, 2, 3, 4, 5, 2, 1, 3, 1), frozenset({1, 3, 9}), 5, spare_shafts=2, spare_handles=1)
PLAIN = Naming.on(LOOM)
OTHER = Naming.on(LOOM, "back", "right")
STATE = State(
    temporaries=(Temporary("2a", 2, frozenset({3})), Temporary("2b", 2, frozenset({7}))),
    away=(("2", "2a"), ("S1", "2b")),
)
units = st.sets(st.integers(1, 10))


def cells(path: str) -> set[int]:
    """The cells that a row's path runs over, from 1 at the left."""
    found: set[int] = set()
    for start, length in re.findall(r"M(\d+) [\d.]+h(\d+)", path):
        found |= set(range(int(start) + 1, int(start) + int(length) + 1))
    return found


@given(units)
def test_a_strip_stays_as_it_is_and_its_numbers_change(up: set[int]) -> None:
    plain, other = strip(LOOM, up, Sight(PLAIN)), strip(LOOM, up, Sight(OTHER))
    assert cells(plain.up) == cells(other.up) == up
    for shown, naming in ((plain, PLAIN), (other, OTHER)):
        assert [naming.unit(int(tick.text)) - 0.5 for tick in shown.ticks] == [t.at for t in shown.ticks]
    assert plain.ticks[0].text == other.ticks[0].text == "1"
    assert (plain.ticks[0].at, other.ticks[0].at) == (0.5, 9.5)
    assert "bench" in plain.seen


@given(units)
def test_from_behind_a_strip_is_mirrored_with_its_numbers_and_says_so(up: set[int]) -> None:
    for naming in (PLAIN, OTHER):
        bench, behind = strip(LOOM, up, Sight(naming)), strip(LOOM, up, Sight(naming, behind=True))
        assert cells(behind.up) == {11 - cell for cell in cells(bench.up)}
        assert [(t.at, t.text) for t in behind.ticks] == [(10 - t.at, t.text) for t in bench.ticks]
        assert behind.seen == "seen from behind the loom"


def flat(row: HandleRow) -> list[Handle]:
    found: list[Handle] = []
    for item in row.hung:
        found += item.handles if isinstance(item, IdleHandles) else [item]
    return found


def test_handles_hang_where_they_hang() -> None:
    change = Change(pull=("2", "S1"), let_go=("5",), leave=())
    plain = handle_row(LOOM, STATE, change, Sight(PLAIN))
    other = handle_row(LOOM, STATE, change, Sight(OTHER))
    behind = handle_row(LOOM, STATE, change, Sight(PLAIN, behind=True))
    assert [h.name for h in flat(plain)] == ["1", "2", "3", "4", "5", "S1"]
    assert [h.name for h in flat(other)] == ["5", "4", "3", "2", "1", "S1"]
    assert [h.doing for h in flat(plain)] == [h.doing for h in flat(other)]
    assert [h.carries for h in flat(other)] == ["", "4a", "", "", "", "4b"]
    assert flat(behind) == flat(plain)[::-1]
    assert (plain.behind, behind.behind) == (False, True)
    folds = [
        item.text for row in (plain, other, behind) for item in row.hung if isinstance(item, IdleHandles)
    ]
    assert folds == ["3–4", "2–3", "3–4"]


def test_cords_hang_where_they_hang() -> None:
    plain = cord_runs((1, 2, 3), (9,), (), Sight(PLAIN))
    other = cord_runs((1, 2, 3), (9,), (), Sight(OTHER))
    behind = cord_runs((1, 2, 3), (9,), (), Sight(PLAIN, behind=True))
    assert [(run.doing, run.text) for run in plain] == [("pull", "1–3"), ("let go", "9")]
    assert [(run.doing, run.text) for run in other] == [("pull", "8–10"), ("let go", "2")]
    assert behind == plain[::-1]


@pytest.mark.parametrize("stance", STANCES)
def test_leashes_are_drawn_where_they_hang(stance: Stance) -> None:
    hung = LOOM.units_of(1)
    runs = take_and_pass(hung, {8}, stance)
    plain, other = (leash_groups(hung, runs, stance, naming) for naming in (PLAIN, OTHER))
    assert [(g.text, g.take) for g in plain] == [(g.text, g.take) for g in other]
    assert [tuple(map(OTHER.unit, g.units)) for g in other] == [g.units for g in plain]
    met = [
        unit for group in plain for unit in (group.units if begins_at_her_left(stance) else group.units[::-1])
    ]
    assert tuple(met) == as_met(hung, stance)


def test_a_map_shows_the_same_bars_under_her_names() -> None:
    plain = loom_map(LOOM, STATE, ["2a", "4"], None, Sight(PLAIN))
    other = loom_map(LOOM, STATE, ["2a", "4"], None, Sight(OTHER))
    assert [bar.y for bar in plain.bars] == [bar.y for bar in other.bars]
    assert [OTHER.name(bar.name) for bar in other.bars] == [bar.name for bar in plain.bars]
    assert [bar.is_meant for bar in other.bars] == [bar.is_meant for bar in plain.bars]
    assert (plain.bars[-1].name, other.bars[-1].name) == ("1", "5"), "the nearest to the bench"


def test_a_map_is_seen_from_where_the_phone_hangs_unless_she_stands_somewhere() -> None:
    behind = Sight(PLAIN, behind=True)
    seen = loom_map(LOOM, STATE, [], None, behind)
    assert not seen.bench_below
    assert seen.bars[0].name == "1"
    for stance in STANCES:
        assert loom_map(LOOM, STATE, [], stance, behind) == loom_map(LOOM, STATE, [], stance, Sight(PLAIN))


def test_the_cloth_lies_under_the_strip_and_the_design_before_the_weaver() -> None:
    piece = Piece("", LOOM, (frozenset({1, 2, 6}), frozenset({3})))
    bench, behind = (cloth(piece, 2, 12, Sight(PLAIN, behind)) for behind in (False, True))
    assert bench is not None
    assert behind is not None
    assert cells(bench.lifted) == {1, 2, 6}
    assert cells(behind.lifted) == {10, 9, 5}
    plain, other = design_picture(piece, (), PLAIN), design_picture(piece, (), OTHER)
    assert plain.lifted == other.lifted
    assert {t.text: t.at for t in other.unit_ticks} == {t.text: 10 - t.at for t in plain.unit_ticks}
