"""The answers where weaving has begun, from random legal states, against exhaustive search."""

from __future__ import annotations

import json
import random
from contextlib import suppress
from fractions import Fraction
from itertools import combinations, product
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece_file import read_piece
from server.plan.no_plan import NoPlan
from server.ways.few_cells import few_cells
from server.ways.figures import Block, Move, check_block
from server.ways.more import more, most_temporaries, own_numbers
from server.ways.places import places
from server.ways.questions import answer
from server.ways.rest import Rest, rest_of, state_option
from server.ways.why_not import WhyNot
from server.ways.why_not import from_json as why_not_json
from tests.outside.courses import Course, is_within_a_row, random_course, state_of
from tests.outside.exhaustive import Best, TooLarge, best_order
from tests.outside.pieces import examples, small_piece
from tests.outside.test_ways_cells import MOST, free_cells, turned
from tests.outside.test_ways_more import on
from tests.outside.test_ways_places import check_costs, corners, laid_anew
from tests.outside.test_ways_why_not import (
    CanBe,
    check_all_rooms,
    check_conflict,
    check_rooms,
    check_staying,
    check_walks,
    with_room,
)
from tests.unit.test_questions import Silent

CLOSE = Fraction(3, 10**6)

LARGEST = 400
"""States of a shaft in the exhaustive search."""

Json = dict[str, Any]


def begun_piece(rng: random.Random, **options: Any) -> tuple[Json, Course]:
    """A small piece, and a legal state in the middle of it with the way from there to its end."""
    while True:
        piece = small_piece(rng, **options)
        course = random_course(rng, piece) | {"until_bare": True, "free_now": False}
        row, picks, rows = course["row"], course["picks"], len(piece["rows"])
        if row == rows or (course["phase"] == "reopened" and not picks):
            continue
        of = piece["picks_per_row"]
        course["visits"] = [
            [r, picks if r == row + 1 else 0, of[(r - 1) % len(of)]] for r in range(row + 1, rows + 1)
        ]
        return piece, course


def rest(piece: Json, course: Course) -> Rest:
    """Ours."""
    return rest_of(read_piece(json.dumps(piece)), state_of(course))


class Searched:
    """Exhaustive search from a state, with a walk in the middle of the row only if there must be one."""

    def __init__(self, course: Course, largest: int = LARGEST) -> None:
        self._course, self._largest = course, largest

    def best(self, piece: Json) -> Best | None:
        """The least minutes from there, of the piece or of one like it."""
        calm = self.without_walk_now(piece) if is_within_a_row(self._course) else None
        return calm or self.with_walk_now(piece)

    def without_walk_now(self, piece: Json) -> Best | None:
        """Those without a walk before the first row."""
        return best_order(piece, largest=self._largest, course=self._course, walk_now=False)

    def with_walk_now(self, piece: Json) -> Best | None:
        """Those if one may be made there."""
        return best_order(piece, largest=self._largest, course=self._course)


@examples(60)
@given(st.integers(0, 2**63))
def test_one_more_buys_from_here_what_exhaustive_search_says(seed: int) -> None:
    piece, course = begun_piece(random.Random(seed))
    ours = rest(piece, course)
    stands = ours.task(ours.piece).begin
    own = own_numbers(ours.piece, stands)
    most = min(most_temporaries(ours.piece, stands), max(3, own[0]))
    found = more(ours.piece, most, max(min(2, most), own[1]), limit=60, task_of=ours.task)
    assert found.in_use == (len(course["temporaries"]), sum(h.startswith("S") for h in course["cords"]))
    searched = Searched(course)
    for shafts, row in enumerate(found.rows):
        for handles, cell in enumerate(row):
            if shafts < found.in_use[0] or handles < found.in_use[1]:
                assert not cell.is_possible
                assert cell.minutes is None
                continue
            try:
                best = searched.best(on(piece, shafts, handles))
            except TooLarge:
                continue
            assert cell.is_possible == (best is not None), (shafts, handles)
            if best is not None:
                assert cell.minutes is not None
                assert cell.is_exact
                assert abs(Fraction(cell.minutes) - best.minutes) <= CLOSE, (shafts, handles)
                assert cell.walks == best.walks, (shafts, handles)


@examples(40)
@given(st.integers(0, 2**63))
def test_from_here_no_design_within_so_many_cells_takes_less(seed: int) -> None:
    rng = random.Random(seed)
    piece, course = begun_piece(rng, most_shafts=2)
    ours = rest(piece, course)
    first = course["row"] + 1 + ours.begun
    touched = {t["shaft"] for t in course["temporaries"]} | {int(h) for h in course["cords"] if h[0] != "S"}
    units = range(1, len(piece["leashes"]) + 1)
    every = [(row, unit) for row in range(first, len(piece["rows"]) + 1) for unit in units]
    on_touched = [cell for cell in every if piece["leashes"][cell[1] - 1] in touched]
    ahead = piece | {"rows": piece["rows"][course["row"] :]}
    free = {(row + course["row"], unit) for row, unit in free_cells(ahead, rng, 5)}
    free = {cell for cell in free if cell[0] >= first}
    free |= set(rng.sample(on_touched, min(2, len(on_touched))))
    fixed = [(row - ours.woven, unit) for row, unit in every if (row, unit) not in free]

    def answer() -> Any:
        return few_cells(ours.piece, MOST, ours.fixed.union(fixed), task_of=ours.task)

    try:
        searched, best = Searched(course), list[Best | None]()
        # as for the design as it is drawn, a walk now is none for all of them, or may be made
        is_calm = is_within_a_row(course) and searched.without_walk_now(piece) is not None
        search = searched.without_walk_now if is_calm else searched.with_walk_now
        for count in range(MOST + 1):
            tried = [search(turned(piece, cells)) for cells in combinations(sorted(free), count)]
            known = [one for one in (*tried, *best[-1:]) if one is not None]
            best.append(min(known, key=lambda one: (one.minutes, one.walks), default=None))
            if best[0] is None:
                with pytest.raises(NoPlan):
                    answer()
                return
        found = answer()
        assert found.unsure == ()
        assert abs(Fraction(found.drawn.minutes) - best[0].minutes) <= CLOSE
        by_cells, takes = {len(one.cells): one for one in found.better}, found.drawn
        for count in range(1, found.most + 1):
            if (one := by_cells.get(count)) is not None:
                takes = one.takes
                cells = tuple((cell.row + ours.woven, cell.unit) for cell in one.cells)
                assert set(cells) <= free
                mine = search(turned(piece, cells))
                assert mine is not None
                assert abs(mine.minutes - Fraction(takes.minutes)) <= CLOSE
                assert takes.walks == best[count].walks
            assert abs(Fraction(takes.minutes) - best[count].minutes) <= CLOSE, (count, takes)
    except TooLarge:
        return


@examples(60)
@given(st.integers(0, 2**63))
def test_from_here_every_place_costs_what_exhaustive_search_says(seed: int) -> None:
    rng = random.Random(seed)
    piece, course = begun_piece(rng)
    ours = rest(piece, course)
    block = corners(rng, piece)
    before = ours.woven + ours.begun
    if block[0] <= before:
        return
    inside = Block(block[0] - ours.woven, block[1] - ours.woven, *block[2:])
    try:
        check_block(ours.piece, inside)
    except ValueError:
        return
    answer = places(
        ours.piece, inside, rows_by=range(-1, 2), stay=int(ours.begun), limit=60, task_of=ours.task
    )
    rows = {}
    for rows_by, units_by, mirrored in product((-1, 0, 1), range(-6, 7), (False, True)):
        laid = laid_anew(piece, block, rows_by, units_by, mirrored)
        if laid is not None and block[0] + rows_by > before and not (mirrored and answer.same_mirrored):
            rows[Move(rows_by, units_by, mirrored)] = laid
    assert {place.move for place in answer.places} == set(rows)
    check_costs(piece, answer, rows, Searched(course).best)


def begun_piece_without_plan(rng: random.Random) -> tuple[Json, Course]:
    """A small piece and a state in the middle of it, with little room and walks that may not be made."""
    piece, course = begun_piece(rng, most_shafts=2)
    if rng.random() < 0.6:
        rows = len(piece["rows"])
        gaps = range(course["row"], rows + 1)
        piece["no_walks"] = sorted(rng.sample(gaps, min(len(gaps), rng.randint(1, 3))))
        piece["free_walks"] = []
    room = max(len(course["temporaries"]), rng.choice([0, 1, 1, 2]))
    return with_room(piece, spare_shafts=room), course


@examples(80)
@given(st.integers(0, 2**63))
def test_from_here_every_way_out_is_one_and_none_is_smaller(seed: int) -> None:
    rng = random.Random(seed)
    piece, course = begun_piece_without_plan(rng)
    row, is_begun = course["row"], course["picks"] > 0
    # what is barred before the first row bars nothing where she is up, or in the middle of it
    first = row if not is_begun and course["phase"] != "behind" else row + 1
    piece["no_walks"] = [gap for gap in piece["no_walks"] if gap >= first]

    def can_be(other: Json) -> bool:
        return Searched(course, largest=3000).with_walk_now(other) is not None

    try:
        if can_be(piece):
            return
    except TooLarge:
        return
    options = {"here": state_option(state_of(course)), "limit": 60}
    found = why_not_json(answer("why not", json.dumps(piece), options, Silent()))
    assert found.in_time
    assert found.conflict_sure
    assert found.rooms_sure
    for check in (check_conflict, check_rooms, check_all_rooms, check_staying, check_walks):
        with suppress(TooLarge):  # for this one; the others may be small enough
            check(piece, found, can_be)
    with suppress(TooLarge):
        check_cells_ahead(piece, found, row + 1 + is_begun, can_be)


def check_cells_ahead(piece: Json, found: WhyNot, first: int, can_be: CanBe) -> None:
    """With these changed there is a plan; with fewer cells ahead, whichever, there is none."""
    if found.cells:
        assert min(cell.row for cell in found.cells) >= first
        assert can_be(turned(piece, tuple((cell.row, cell.unit) for cell in found.cells)))
        assert found.cells_sure
    rows, units = len(piece["rows"]), len(piece["leashes"])
    every = [(row, unit) for row in range(first, rows + 1) for unit in range(1, units + 1)]
    for count in range(1, min(len(found.cells) or 3, 3)):
        some = every if count == 1 else random.Random(0).sample(every, min(len(every), 10))
        assert not any(can_be(turned(piece, cells)) for cells in combinations(some, count))
