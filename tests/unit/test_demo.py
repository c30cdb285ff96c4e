"""The demo pieces are what they say they are: figures that no symmetric hanging can weave."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from functools import cache

import pytest

from server.design.design import Design, piece_of, read_design
from server.design.piece import Piece
from server.design.warp import Warp, read_warp
from server.loom.leashes import LeashOrder, pointed, single
from server.plan.hand_rule import hand_rule
from server.plan.planner import plan
from server.plan.replay import verify
from server.serving import draw_demo
from server.session.bands import in_band
from server.session.cards import deal
from server.settings import resource_dir
from server.store.database import Store
from tests.demo import BOAT, RUNNER, demo_order, demo_piece


def parts(piece: Piece, row: int) -> dict[int, frozenset[int]]:
    """The shafts of which a row lifts a part only, with the units; counted here from the design alone."""
    up = piece.rows[row - 1]
    asked = {shaft: up & units for shaft, units in piece.loom.units_by_shaft.items()}
    return {shaft: units for shaft, units in asked.items() if units and units != piece.loom.units_of(shaft)}


def rows_asking_for_parts(piece: Piece) -> list[int]:
    return [row for row in range(1, len(piece.rows) + 1) if parts(piece, row)]


def test_every_demo_file_can_be_read() -> None:
    names = {path.name for path in resource_dir("demo_data").glob("*.json")}
    assert names == {RUNNER, BOAT}
    assert {demo_piece(name).name for name in names} == {"Harbour runner", "The net mender’s boat"}
    assert len({demo_piece(name).loom.name for name in names}) == 2, "both pieces can be on a loom at once"


@pytest.mark.parametrize("name", [RUNNER, BOAT])
def test_the_orders_weave_the_pieces(name: str) -> None:
    verify(demo_piece(name), demo_order(name))
    by_hand = hand_rule(demo_piece(name))
    assert by_hand is not None
    assert demo_order(name).totals.minutes < by_hand.totals.minutes


def test_the_runner_is_large_and_hung_on_repeated_points_between_single_cords() -> None:
    runner = demo_piece(RUNNER)
    assert len(runner.loom.leashes) >= 40
    assert len(runner.rows) >= 40
    border = single(5)
    assert border + pointed(14, 2) + border == LeashOrder(
        runner.loom.leashes, tuple(unit in runner.loom.single_cords for unit in range(1, 64))
    )


def test_the_borders_of_the_runner_are_no_mirror_images() -> None:
    """So they need their single cords: a border on shafts would come out mirrored at the other side."""
    runner = demo_piece(RUNNER)
    left, right = frozenset(range(1, 6)), frozenset(range(59, 64))
    assert any({64 - unit for unit in row & right} != row & left for row in runner.rows)


def test_the_crab_sits_across_one_turning_point_and_lifts_one_big_claw() -> None:
    runner = demo_piece(RUNNER)
    middle = 32
    assert runner.loom.leashes[middle - 1] == 1, "a turning point"
    crab = rows_asking_for_parts(runner)
    assert crab == list(range(crab[0], crab[-1] + 1)), "one band of rows"
    assert 14 <= len(crab) <= 24
    cells = {(row, unit) for row in crab for units in parts(runner, row).values() for unit in units}
    units = {unit for _, unit in cells}
    assert max(abs(unit - middle) for unit in units) < 13, "within one repeat"
    left = sum(unit < middle for _, unit in cells)
    right = sum(unit > middle for _, unit in cells)
    assert left - right >= 40, "the claw is at the left, and nothing like it at the right"


def test_the_runner_is_woven_in_a_few_walks_and_one_sitting_of_taps() -> None:
    assert 3 <= demo_order(RUNNER).totals.walks <= 8
    assert demo_order(RUNNER).proven
    assert len(deal(demo_piece(RUNNER), demo_order(RUNNER))) <= 260


def test_the_boat_is_small_and_in_one_repeat_only() -> None:
    boat = demo_piece(BOAT)
    assert 24 <= len(boat.loom.leashes) <= 30
    assert 20 <= len(boat.rows) <= 36
    borrowed = [units for row in rows_asking_for_parts(boat) for units in parts(boat, row).values()]
    assert borrowed
    assert all(units <= set(range(1, 15)) for units in borrowed), "the second repeat is woven by whole shafts"


def test_the_boat_takes_several_times_as_many_walks_without_spare_handles() -> None:
    boat = demo_piece(BOAT)
    assert boat.loom.spare_handles == 2
    without = plan(replace(boat, loom=replace(boat.loom, spare_handles=0)))
    assert without.proven
    assert without.totals.walks >= 3 * demo_order(BOAT).totals.walks
    assert without.totals.minutes > 1.5 * demo_order(BOAT).totals.minutes


def test_a_handle_that_hangs_free_is_never_lifted_for_a_test() -> None:
    boat = demo_piece(BOAT)
    lifts = [card for card in deal(boat, demo_order(BOAT)) if card.handle is not None]
    assert any(card.handle == "S1" for card in lifts)
    assert all(card.before.carrier(boat.loom, card.handle or "") is not None for card in lifts)


# --- the cloth and the bands ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", [RUNNER, BOAT])
def test_the_pieces_tell_their_threads_and_bands(name: str) -> None:
    """And their cells are square: 5 ends at 16 to the cm and 4½ picks at 14.4, or 4 and 4 at 12."""
    one = demo_piece(name)
    assert one.threads is not None
    picks = Fraction(sum(one.picks_per_row), len(one.picks_per_row))
    assert one.threads.proportion(picks) == 1
    assert sum(band.rows * band.times for band in one.bands) == len(one.rows)
    assert len(one.bands) >= 3


def test_the_crab_and_the_boat_are_in_bands_of_their_own() -> None:
    for name, rows in (
        (RUNNER, rows_asking_for_parts(demo_piece(RUNNER))),
        (BOAT, rows_asking_for_parts(demo_piece(BOAT))),
    ):
        inside = {in_band(demo_piece(name), row) for row in rows}
        assert len({place.name for place in inside if place}) == 1


@cache
def drawn() -> tuple[str, Design, Warp]:
    folder = resource_dir("demo_data") / "board"
    content = json.loads((folder / "flag.json").read_text("utf-8"))
    warp = read_warp((folder / content["warp"]).read_text("utf-8"))
    return content["name"], read_design(json.dumps(content["design"])), warp


def test_the_demo_design_is_a_few_bands_on_the_loom_of_the_runner() -> None:
    _, design, warp = drawn()
    assert 3 <= len(design.bands) <= 5
    assert {band.is_plain for band in design.bands} == {True, False}
    assert any(band.times > 1 for band in design.bands)
    assert warp.loom.leashes == demo_piece(RUNNER).loom.leashes
    assert warp.threads == replace(demo_piece(RUNNER).threads, ground=warp.threads.ground)


def test_the_flag_flies_to_one_side_and_is_woven_in_three_walks() -> None:
    name, design, warp = drawn()
    made = piece_of(name, design, warp)
    asking = rows_asking_for_parts(made)
    assert {place.name for row in asking if (place := in_band(made, row))} == {"The signal flag"}
    cells = {unit for row in asking for units in parts(made, row).values() for unit in units}
    assert sum(unit > 32 for unit in cells) > 2 * sum(unit < 32 for unit in cells), "to the right of its mast"
    planned = plan(made)
    verify(made, planned)
    assert planned.proven
    assert planned.totals.walks == 3


def test_the_demo_is_drawn_where_no_warp_hangs(store: Store) -> None:
    assert draw_demo(store.board) == "Drew “A flag over the waves” on a warp of its own."
    (line,) = store.board.designs()
    assert (line.name, line.warp_name, line.units) == (drawn()[0], "The harbour warp", 63)
