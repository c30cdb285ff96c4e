"""Units that hang in several leashes: what is counted at the loom is leashes, and a unit goes as a whole."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.counting import (
    STANCES,
    MoreThanHang,
    Run,
    Stance,
    UnitSplit,
    leashes_in,
    leashes_met,
    take_and_pass,
    units_taken,
)
from server.loom.state import Loom
from server.loom.steps import Insert
from server.plan.planner import plan
from server.session.cards import Card, deal
from server.session.checks import insertion_check
from server.session.naming import Naming
from server.session.place import Place
from server.session.spoken import spoken
from server.store.database import Store
from server.web.drawings import leash_groups
from tests.web.test_differently import form
from tests.web.test_pages import done, weave_to, words

LEASHES = (1, 2, 3, 4, 3, 2, 1)
EACH = (2, 1, 3, 2, 1, 2, 4)
LOOM = Loom(LEASHES, frozenset(), 4, treadles=2, spare_shafts=2, leashes_per_unit=EACH)
PIECE = Piece("Uneven leashes", LOOM, (frozenset({3, 4}), frozenset({3, 5})), treadling=(1, 2))


@st.composite
def insertions(draw: st.DrawFn) -> tuple[list[int], set[int], dict[int, int]]:
    hung = sorted(draw(st.sets(st.integers(1, 200), min_size=1, max_size=20)))
    taken = draw(st.sets(st.sampled_from(hung)))
    return hung, taken, {unit: draw(st.integers(1, 5)) for unit in hung}


@given(insertions(), st.sampled_from(STANCES))
def test_counting_back_finds_the_units_again(
    insertion: tuple[list[int], set[int], dict[int, int]], stance: Stance
) -> None:
    hung, taken, each = insertion
    runs = take_and_pass(hung, taken, stance, each.__getitem__)
    assert sum(run.leashes for run in runs) == sum(each.values())
    assert sum(run.leashes for run in runs if run.take) == sum(each[unit] for unit in taken)
    assert units_taken(hung, runs, stance, each.__getitem__) == taken


@given(insertions(), st.sampled_from(STANCES), st.data())
def test_whatever_is_counted_a_unit_goes_as_a_whole_or_is_refused(
    insertion: tuple[list[int], set[int], dict[int, int]], stance: Stance, data: st.DataObject
) -> None:
    hung, _, each = insertion
    met = leashes_met(hung, stance, each.__getitem__)
    marks = data.draw(st.lists(st.booleans(), min_size=len(met), max_size=len(met)))
    runs = [Run(take, 1) for take in marks]
    by_unit = {unit: {mark for u, mark in zip(met, marks, strict=True) if u == unit} for unit in hung}
    if any(len(found) > 1 for found in by_unit.values()):
        with pytest.raises(UnitSplit):
            units_taken(hung, runs, stance, each.__getitem__)
    else:
        found = units_taken(hung, runs, stance, each.__getitem__)
        assert found == {unit for unit in hung if by_unit[unit] == {True}}


@pytest.mark.parametrize(
    ("runs", "sentence"),
    [
        ([Run(True, 1)], "Leashes 1 and 2, as you count them, hold one unit; take both or pass both by."),
        ([Run(False, 3), Run(True, 2)], "Leashes 3 to 5, as you count them, hold one unit; take all 3"),
        ([Run(True, 3), Run(False, 2)], "Leashes 3 to 5, as you count them, hold one unit; take all 3"),
    ],
)
def test_a_count_that_ends_within_a_unit_is_refused_with_the_leashes_named(
    runs: list[Run], sentence: str
) -> None:
    with pytest.raises(UnitSplit, match=sentence):
        units_taken([4, 9], runs, "left-side", {4: 2, 9: 3}.__getitem__)


def test_more_than_hang_there_is_another_refusal() -> None:
    with pytest.raises(MoreThanHang, match="More than the 5 leashes"):
        units_taken([4, 9], [Run(True, 6)], "left-side", {4: 2, 9: 3}.__getitem__)


def insertion() -> tuple[Card, Insert]:
    cards = deal(PIECE, plan(PIECE))
    return next((card, card.step) for card in cards if isinstance(card.step, Insert))


@pytest.mark.parametrize("shafts_from", ["weaver", "back"])
@pytest.mark.parametrize("units_from", ["left", "right"])
def test_the_ear_hears_leashes_however_she_counts_units(shafts_from: str, units_from: str) -> None:
    """Shaft 3 carries unit 3 in three leashes and unit 5 in one; row 1 takes unit 3."""
    card, step = insertion()
    assert (step.shaft, step.units) == (3, (3,))
    naming = Naming.on(LOOM, shafts_from, units_from)  # type: ignore[arg-type]
    heard = spoken(PIECE, Place(), card, "left-side", "right", naming)
    assert "of four leashes" in heard
    assert "take three, pass one" in heard
    assert "three leashes are taken in all" in heard


def test_a_loom_renumbered_from_the_right_keeps_each_unit_its_leashes() -> None:
    naming = Naming.on(LOOM, "back", "right")
    told = naming.loom(LOOM)
    assert [told.leashes_of(naming.unit(unit)) for unit in range(1, 8)] == list(EACH)
    assert naming.loom(told) == LOOM


def test_the_drawing_has_a_loop_for_every_leash() -> None:
    naming = Naming.on(LOOM)
    runs = take_and_pass({3, 5}, {3}, "left-side", LOOM.leashes_of)
    groups = leash_groups({3, 5}, runs, "left-side", naming, LOOM.leashes_of)
    assert [(group.text, group.units) for group in groups] == [("take 3", (3, 3, 3)), ("pass 1", (5,))]


def test_a_neighbour_looks_alike_by_its_leashes_not_by_its_units() -> None:
    """Shafts 2 and 4 beside shaft 3 (4 leashes): 3 leashes and 2; with one leash more on unit 2, 4."""
    runs = take_and_pass({3, 5}, {3}, "left-side", LOOM.leashes_of)
    assert insertion_check(LOOM, 3, runs).look_alikes == ()
    more = replace(LOOM, leashes_per_unit=(2, 2, 3, 2, 1, 2, 4))
    assert insertion_check(more, 3, runs).look_alikes == (2,)


def test_what_a_plan_costs_is_counted_in_units() -> None:
    order = plan(PIECE)
    plain = plan(replace(PIECE, loom=replace(LOOM, leashes_per_unit=())))
    assert order.totals == plain.totals
    assert leashes_in(LOOM, (3,)) == 3


def test_the_pages_count_leashes_and_refuse_a_unit_taken_in_part(client: TestClient, store: Store) -> None:
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Uneven leashes",
        "loom": {
            "pattern_shafts": 4,
            "treadles": 2,
            "spare_shafts": 2,
            "extra": {"leashes_per_unit": list(EACH)},
        },
        "leashes": list(LEASHES),
        "rows": ["..##...", "..#.#.."],
    }
    text = json.dumps(content)
    piece = read_piece(text)
    assert piece.loom.leashes_per_unit == EACH
    piece_id = store.add_piece(text, plan(piece))
    shown = weave_to(client, store, piece_id, "insert")
    assert "Take 3 of the 4 leashes on shaft 3" in words(shown)
    assert "pass 1, take 3" in words(shown)  # unit 5 first, behind the loom from her left
    assert shown.text.count('class="loop-taken"') == 3
    done(client, piece_id, shown)
    put_right = client.get(f"/pieces/{piece_id}/put-right/loom")
    assert 'value="pass 1, take 3"' in put_right.text
    refused = client.post(
        f"/pieces/{piece_id}/put-right/loom",
        data=form(put_right) | {"counts_0": "pass 1, take 2"},
    )
    assert "Leashes 2 to 4, as you count them, hold one unit; take all 3 or pass all 3 by." in words(refused)
    too_many = client.post(
        f"/pieces/{piece_id}/put-right/loom",
        data=form(put_right) | {"counts_0": "pass 2, take 3"},
    )
    assert "Shaft 3 has 4 leashes, and more are counted here." in words(too_many)
