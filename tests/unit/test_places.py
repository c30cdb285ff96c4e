"""Where else a figure could sit: the ground it leaves, where it may go, and what comes along."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.state import Loom
from server.plan.demands import troubles
from server.plan.planner import Stopped
from server.plan.task import Task
from server.plan.workorder import WorkOrder
from server.ways import places as places_module
from server.ways.figures import (
    STAYS,
    Block,
    Figure,
    Move,
    Where,
    company_of,
    laid,
    moved,
    suggested_block,
    where_in_order,
    with_company,
    without,
)
from server.ways.places import answer_places, as_json, from_json, places

POINTED = (1, 2, 3, 4, 3, 2, 1, 2, 3, 4, 3, 2, 1)
"""Two repeated points on four shafts, hung once: it turns at units 4, 7 and 10."""


def piece_of(rows: list[str], leashes: tuple[int, ...], cords: tuple[int, ...] = (), **loom: Any) -> Piece:
    """A piece of rows as the file has them, the first woven first."""
    own = frozenset(unit for unit, shaft in enumerate(leashes, 1) if shaft == 0) | set(cords)
    drawn = tuple(frozenset(unit for unit, cell in enumerate(row, 1) if cell == "#") for row in rows)
    return Piece("Small", Loom(leashes, own, max(leashes), **({"spare_shafts": 4} | loom)), drawn)


def drawn(piece: Piece) -> list[str]:
    """Its rows as a file has them."""
    units = range(1, len(piece.loom.leashes) + 1)
    return ["".join("#" if unit in row else "." for unit in units) for row in piece.rows]


# A hook in the straight run from unit 4 to unit 7, in plain ground.
HOOK = piece_of(
    [
        ".............",
        "....##.......",
        ".....#.......",
        ".............",
    ],
    POINTED,
)
HOOK_BLOCK = Block(2, 3, 5, 6)


# --- the ground ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("leashes", "cords", "row", "units", "closed"),
    [
        pytest.param((1, 2, 1, 2, 1), (), "#..#.", (1, 2), ".#.#.", id="as most of the shaft do"),
        pytest.param((1, 2, 1, 2, 1), (), ".##.#", (1, 2), "#.#.#", id="as most of the shaft do, lifted"),
        pytest.param((1, 1, 1, 2), (), "##.#", (2, 2), "#..#", id="even and the sides differ: it rests"),
        pytest.param((1, 2, 1, 2, 3), (), "#.#..", (2, 2), "#.#..", id="the shaft speaks before the sides"),
        pytest.param((1, 2, 1), (), "#.#", (2, 2), "###", id="none of the shaft outside: as both sides"),
        pytest.param((1, 2, 3), (), "##.", (2, 2), "#..", id="none of the shaft outside, the sides differ"),
        pytest.param((1, 2), (), "##", (2, 2), "##", id="only one side is on the cloth"),
        pytest.param((1, 2), (), "##", (1, 2), "..", id="the whole width has no sides"),
        pytest.param((1, 0, 1), (), "#.#", (2, 2), "###", id="a cord of its own: as both sides"),
        pytest.param((1, 0, 1), (), "##.", (2, 2), "#..", id="a cord of its own, the sides differ"),
        pytest.param((1, 1, 1, 1, 2), (1, 2), "##..#", (3, 3), "##..#", id="cords do not speak for others"),
        pytest.param((1, 1, 1, 2), (1, 2), "##.#", (3, 3), "####", id="only cords outside, all lifted"),
        pytest.param((1, 1, 1, 2), (1, 2), "#.##", (3, 3), "#..#", id="only cords outside, one lifted"),
    ],
)
def test_the_ground_closes_over_a_block(
    leashes: tuple[int, ...], cords: tuple[int, ...], row: str, units: tuple[int, int], closed: str
) -> None:
    piece = piece_of([row], leashes, cords)
    assert drawn(without(piece, Block(1, 1, *units))) == [closed]


def test_rows_beside_the_block_stay() -> None:
    piece = piece_of(["#..", "#..", "#.."], (1, 2, 1))
    assert drawn(without(piece, Block(2, 2, 1, 1))) == ["#..", "...", "#.."]


# --- moved ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("move", "rows"),
    [
        (STAYS, drawn(HOOK)),
        (Move(units_by=-4), [".............", "##...........", ".#...........", "............."]),
        (Move(units_by=7), [".............", "...........##", "............#", "............."]),
        (Move(rows_by=-1), ["....##.......", ".....#.......", ".............", "............."]),
        (Move(1, 1), [".............", ".............", ".....##......", "......#......"]),
        (Move(mirrored=True), [".............", "....##.......", "....#........", "............."]),
        (Move(0, 2, True), [".............", "......##.....", "......#......", "............."]),
    ],
)
def test_a_figure_is_laid_somewhere_else(move: Move, rows: list[str]) -> None:
    assert drawn(moved(HOOK, HOOK_BLOCK, move)) == rows


def test_it_is_laid_over_what_is_there_with_its_resting_cells() -> None:
    piece = piece_of(["#..#....#", "#.......#"], (1, 2, 3, 4, 5, 6, 7, 8, 9))
    assert drawn(moved(piece, Block(1, 2, 1, 2), Move(units_by=7))) == ["...#...#.", ".......#."]


def test_what_it_is_laid_over_is_counted() -> None:
    piece = piece_of(["#..#....#", "#.......#"], (1, 2, 3, 4, 5, 6, 7, 8, 9))
    found = places(piece, Block(1, 2, 1, 2), mirrored=False)
    assert [place.covered for place in found.places] == [0, 0, 1, 0, 0, 0, 0, 2]


@pytest.mark.parametrize(
    ("move", "words"),
    [
        (Move(units_by=-5), "only 4 units to its left"),
        (Move(units_by=8), "only 7 units to its right"),
        (Move(rows_by=-2), "only 1 row before it"),
        (Move(rows_by=2), "only 1 row after it"),
        (Move(units_by=10**9), "only 7 units to its right"),
    ],
)
def test_a_figure_off_the_cloth_is_refused(move: Move, words: str) -> None:
    for ask in (moved, with_company):
        with pytest.raises(ValueError, match=words):
            ask(HOOK, HOOK_BLOCK, move)


@pytest.mark.parametrize(
    ("block", "words"),
    [
        (Block(3, 2, 1, 1), "empty"),
        (Block(1, 1, 2, 1), "empty"),
        (Block(0, 1, 1, 1), "over the edge"),
        (Block(1, 5, 1, 1), "4 rows and 13 units"),
        (Block(1, 1, 1, 14), "over the edge"),
        (Block(1, 1, 1, 3), "no figure in that block"),
        (Block(4, 4, 1, 13), "no figure in that block"),
    ],
)
def test_what_is_no_figure_is_refused(block: Block, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        places(HOOK, block)
    with pytest.raises(ValueError, match=words):
        moved(HOOK, block, STAYS)


def test_a_figure_of_resting_cells_is_one() -> None:
    piece = piece_of(["####", "#.##"], (1, 2, 1, 2))
    assert drawn(moved(piece, Block(2, 2, 2, 2), Move(units_by=2))) == ["####", "###."]


def test_swapped_corners_are_the_same_block() -> None:
    assert Block.between(3, 2, 6, 5) == HOOK_BLOCK


# --- the block that is suggested -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "block"),
    [
        (drawn(HOOK), HOOK_BLOCK),
        (["....#.....#..", "....#.....##."], Block(1, 2, 5, 12)),
        (["....#........", "............#"], Block(1, 2, 5, 13)),
        (["#############", "####.########"], Block(2, 2, 5, 5)),  # resting where most are lifted
        (["...#.........", ".............", "..##........."], Block(1, 3, 3, 4)),  # shaft 4 has two units
        ([".............", "#.....#.....#"], None),  # a whole shaft
    ],
)
def test_the_block_suggested_holds_what_needs_temporaries(rows: list[str], block: Block | None) -> None:
    assert suggested_block(piece_of(rows, POINTED)) == block


# --- where in the leash order --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("leashes", "units", "where"),
    [
        (POINTED, (5, 6), Where((4, 7), (), (True, True))),
        (POINTED, (1, 3), Where((1, 4), (), (False, True))),
        (POINTED, (3, 5), Where(None, ((4, 4),))),
        (POINTED, (3, 11), Where(None, ((4, 4), (7, 7), (10, 10)))),
        (POINTED, (4, 7), Where((4, 7), (), (True, True))),
        (POINTED, (4, 10), Where(None, ((7, 7),))),
        ((1, 2, 3, 3, 2, 1), (3, 4), Where(None, ((3, 4),))),  # turning points hung twice
        ((1, 2, 3, 3, 2, 1), (4, 6), Where((4, 6), (), (True, False))),
        ((1, 2, 3, 1, 2, 3), (3, 4), Where(None, ())),  # straight: from one repeat into the next
        ((1, 2, 3, 1, 2, 3), (4, 6), Where((4, 6), ())),
        ((0, 0, 1, 2), (2, 3), Where(None, ())),
    ],
)
def test_where_units_lie_in_the_leash_order(
    leashes: tuple[int, ...], units: tuple[int, int], where: Where
) -> None:
    assert where_in_order(piece_of(["." * len(leashes)], leashes).loom, *units) == where


# --- what comes along ----------------------------------------------------------------------------------


def test_in_a_straight_run_it_comes_out_whole_with_its_mirror_images_and_repeats() -> None:
    together = with_company(HOOK, HOOK_BLOCK, STAYS)
    assert drawn(together) == [".............", ".##.##.##.##.", ".#...#.#...#.", "............."]
    company = company_of(Figure(HOOK, HOOK_BLOCK), STAYS)
    assert (company.repeats, company.mirror_images, company.pieces) == (1, 2, False)
    assert (company.spoilt, company.is_free) == (0, True)
    assert all(type(row) is frozenset for row in together.rows), "as in every piece"
    assert troubles(together) == []


def test_over_a_turning_point_it_is_spoilt() -> None:
    move = Move(units_by=2)  # units 7 and 8: shafts 1 and 2
    company = company_of(Figure(HOOK, HOOK_BLOCK), move)
    assert company.spoilt == 0  # the turning point itself belongs to the run on either side
    over = Move(units_by=-2, mirrored=True)
    wide = Block(2, 3, 5, 7)
    piece = replace(HOOK, rows=(HOOK.rows[0], frozenset({5, 6, 7}), frozenset({5}), HOOK.rows[3]))
    spoilt = company_of(
        Figure(piece, wide), over
    )  # units 3, 4 and 5, shafts 3, 4, 3; row 3 lifts unit 5 only
    assert (spoilt.spoilt, spoilt.is_free) == (1, False)


def test_what_is_symmetrical_about_a_turning_point_needs_no_company() -> None:
    piece = piece_of([".#.#.", "..#.."], (1, 2, 3, 2, 1))
    company = company_of(Figure(piece, Block(1, 2, 2, 4)), STAYS)
    assert (company.repeats, company.mirror_images, company.pieces, company.spoilt) == (0, 0, False, 0)
    assert company.is_free


def test_cords_lift_without_company() -> None:
    piece = piece_of(["..#..", "....."], (1, 2, 1, 2, 1), (3,))
    found = Figure(piece, Block(1, 1, 3, 3))
    assert company_of(found, STAYS).repeats == 0
    assert company_of(found, Move(units_by=2)).repeats == 2


def test_it_is_not_free_where_something_else_needs_a_temporary() -> None:
    rows = [*drawn(HOOK)[:3], "...#........."]
    assert not company_of(Figure(piece_of(rows, POINTED), HOOK_BLOCK), STAYS).is_free


def test_at_an_edge_pieces_of_it_come_along() -> None:
    # shafts 1 2 3 and then 2 again at the edge: of the mirror image only one unit is on the cloth
    piece = piece_of(["##...", "....."], (1, 2, 3, 2, 3))
    company = company_of(Figure(piece, Block(1, 1, 1, 2)), STAYS)
    assert (company.repeats, company.mirror_images, company.pieces) == (0, 0, True)


# --- all places ----------------------------------------------------------------------------------------


def test_every_place_on_the_cloth_is_told_once() -> None:
    found = places(HOOK, HOOK_BLOCK, rows_by=range(-5, 6))
    assert len(found.places) == 2 * 3 * 12 == len({place.move for place in found.places})
    for place in found.places:
        lies = laid(HOOK_BLOCK, place.move)
        assert lies.first_row >= 1
        assert lies.last_row <= 4
        assert lies.first_unit >= 1
        assert lies.last_unit <= 13
    assert found.now is not None
    assert found.now.minutes is not None
    assert all(place.is_exact for place in found.places)


def test_a_symmetrical_figure_has_no_mirror_image_of_its_own() -> None:
    piece = piece_of([".##..", "....."], (1, 2, 3, 4, 1))
    found = places(piece, Block(1, 1, 2, 3))
    assert found.same_mirrored
    assert not any(place.move.mirrored for place in found.places)


def test_a_free_place_is_told() -> None:
    piece = piece_of(["#....", "....."], (1, 2, 1, 2, 3))
    free = {place.move.units_by for place in places(piece, Block(1, 1, 1, 1)).places if place.is_free}
    assert free == {4}  # nothing else hangs on shaft 3


def test_where_the_loom_does_not_suffice_a_place_is_impossible() -> None:
    piece = piece_of(["#....", "....."], (1, 2, 1, 2, 3), spare_shafts=0)
    possible = {place.move.units_by for place in places(piece, Block(1, 1, 1, 1)).places if place.is_possible}
    assert possible == {4}


def test_without_time_the_places_are_told_and_no_minutes_are_invented() -> None:
    found = places(HOOK, HOOK_BLOCK, limit=1e-9)
    assert len(found.places) == 24
    for place in found.places:
        assert place.minutes is None
        assert not place.is_exact
        assert place.is_possible
        assert place.at_least > 0


def test_a_planner_that_finds_nothing_in_the_time_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the hand rule finds nothing either, nobody knows."""

    def search(*_: object, stop: Callable[[], bool], **more: object) -> None:
        while not stop():
            pass
        raise Stopped

    monkeypatch.setattr(places_module, "cheapest", search)
    monkeypatch.setattr(places_module, "GLANCE", 0.001)
    monkeypatch.setattr(places_module, "CLOSER_LOOK", 0.001)
    assert all(place.minutes is not None for place in places(HOOK, HOOK_BLOCK).places)
    monkeypatch.setattr(places_module, "hand_order", lambda _: None)
    for place in places(HOOK, HOOK_BLOCK).places:
        assert (place.minutes, place.walks, place.is_possible) == (None, None, True)
        assert place.at_least > 0


def test_too_many_places_are_refused() -> None:
    piece = piece_of(["#" + "." * 99] + ["." * 100] * 99, tuple(range(1, 51)) * 2)
    with pytest.raises(ValueError, match="3,000 at most"):
        places(piece, Block(1, 1, 1, 1), rows_by=range(-100, 101))


def test_an_answer_is_read_back_as_it_was() -> None:
    found = places(HOOK, HOOK_BLOCK, rows_by=range(2))
    assert from_json(json.loads(json.dumps(as_json(found)))) == found


class _Heard:
    """Told how far it is; has enough after some words."""

    def __init__(self, most: int = 1000) -> None:
        self.words: list[tuple[str, float | None]] = []
        self._most = most

    def __call__(
        self,
        words: str = "",
        share: float | None = None,
        /,
        *,
        minutes: float | None = None,
        bound: float | None = None,
    ) -> None:
        self.words.append((words, share))

    def is_enough(self) -> bool:
        return len(self.words) >= self._most


def test_the_question_is_answered_and_tells_how_far_it_is() -> None:
    heard = _Heard()
    answer = answer_places(HOOK, {"block": [2, 3, 6, 5], "rows_by": [1, 0]}, heard)
    assert from_json(answer) == places(HOOK, HOOK_BLOCK, rows_by=range(-1, 1))
    assert all(share is not None and 0 <= share <= 1 for _, share in heard.words)
    told = [re.fullmatch(r"([0-9]+) of 48 places looked at", words) for words, _ in heard.words]
    assert all(told), "places, and not what they have in common"


def test_it_can_be_enough() -> None:
    heard = _Heard(1)
    assert len(from_json(answer_places(HOOK, {"block": [2, 3, 5, 6]}, heard)).places) == 24
    assert len(heard.words) == 1


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"block": [1, 2, 3]},
        {"block": [1, 2, 3, "4"]},
        {"block": [2, 3, 5, True]},
        {"block": "abcd"},
        {"block": None},
        {"block": [2, 3, 5, 6.0]},
        {"block": [2, 3, 5, 10**30]},
        {"block": [-2, 3, 5, 6]},
        {"block": [2, 3, 5, 6], "rows_by": [-1, 0]},
        {"block": [2, 3, 5, 6], "rows_by": [0, 10**9]},
        {"block": [2, 3, 5, 6], "rows_by": 3},
        {"block": [2, 3, 5, 6], "limit": 0},
        {"block": [2, 3, 5, 6], "limit": float("nan")},
        {"block": [2, 3, 5, 6], "limit": "ten"},
    ],
)
def test_options_that_are_none_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"^[A-Z].*\.$"):
        answer_places(HOOK, options, _Heard())


def test_the_demo_pieces_have_a_figure_that_can_be_moved() -> None:
    with open("demo_data/harbour_runner.json") as file:
        piece = read_piece(file.read())
    block = suggested_block(piece)
    assert block == Block(19, 40, 24, 40)  # the crab, by eye on the drawing
    assert troubles(without(piece, block)) == []
    assert moved(piece, block, STAYS).rows == piece.rows


# --- what the loom lacks -------------------------------------------------------------------------------


def test_rows_that_are_alike_are_looked_at_once() -> None:
    piece = piece_of([".#...........", "............."] * 20, POINTED)
    found = troubles(piece)
    assert [trouble.row for trouble in found] == list(range(1, 41, 2))
    assert all(trouble.asked is found[0].asked for trouble in found)


# --- long pieces -------------------------------------------------------------------------------------

LONG = replace(HOOK, rows=HOOK.rows * 175, free_walks=frozenset({0, 700}))


def test_how_long_a_place_takes_is_measured_on_some_rows_of_a_long_piece(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = list[Piece]()
    clock = iter([10.0, 10.5])

    def measured(task: Task, *, limit: float, stop: Callable[[], bool]) -> WorkOrder:
        assert limit == 0.0
        assert stop()
        asked.append(task.piece)
        raise Stopped

    monkeypatch.setattr(places_module, "cheapest", measured)
    monkeypatch.setattr(places_module.time, "monotonic", lambda: next(clock))
    assert places_module._least_seconds(replace(LONG, rows=LONG.rows[:600])) == 0.0
    assert asked == []
    assert places_module._least_seconds(LONG) == pytest.approx(0.5 * 700 / 300)
    assert asked[0].rows == LONG.rows[:100] + LONG.rows[300:400] + LONG.rows[600:]


def test_no_place_is_begun_that_could_not_end_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the planner does before its search is not broken off; of a huge piece it alone takes longer."""
    block = Block(2, 3, 5, 6)
    known = places(HOOK, block)
    assert known.now is not None
    assert known.now.minutes is not None
    monkeypatch.setattr(places_module, "_least_seconds", lambda piece: 20.5)
    monkeypatch.setattr(places_module, "cheapest", None)
    monkeypatch.setattr(places_module, "hand_order", None)
    found = places(HOOK, block, limit=20.0)
    assert [place.move for place in found.places] == [place.move for place in known.places]
    for place, before in zip(found.places, known.places, strict=True):
        assert place.minutes is None
        assert place.is_possible
        assert (place.is_free, place.company) == (before.is_free, before.company)
        assert before.minutes is None or place.at_least <= before.minutes
