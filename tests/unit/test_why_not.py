"""Why not: worked examples of what is in conflict and of what would do."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import pytest

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.no_plan import can_be_woven
from server.plan.task import Task, whole_task
from server.ways import why_not as why_not_module
from server.ways.unaided import Changed
from server.ways.why_not import Ask, Room, answer_why_not, as_json, from_json, why_not
from tests.unit.test_few_cells import Listener


def piece(rows: Iterable[str], leashes: list[int], **changes: Any) -> Piece:
    loom = {"pattern_shafts": max(leashes), "spare_shafts": 1} | changes.pop("loom", {})
    content = {"format": "spareshaft-piece", "version": 1, "name": "Why", "loom": loom, "leashes": leashes}
    return read_piece(json.dumps(content | {"rows": list(rows)} | changes))


TWO_AT_ONCE = piece(["####", "#.#.", "...."], [1, 1, 2, 2])
"""Row 2 asks for parts of two shafts, and there is one spare shaft."""


def test_two_shafts_in_one_row_are_in_conflict() -> None:
    found = why_not(TWO_AT_ONCE)
    assert found.conflict == (Ask(2, 1), Ask(2, 2))
    assert found.conflict_sure
    assert found.rooms == (Room(2, 0, 2),)
    assert found.rooms_sure
    assert (len(found.cells), found.cells_sure) == (1, True)
    assert found.cells[0] in {Changed(2, unit, unit in (2, 4)) for unit in (1, 2, 3, 4)}
    assert not found.may_stay
    assert found.walks == ()
    assert found.in_time


def test_where_no_walk_may_be_made_a_walk_would_do() -> None:
    # Rows 1 and 2 ask for different parts of the shaft: both on spare handles, or a walk between.
    found = why_not(piece(["#..", ".#.", "###"], [1, 1, 1], no_walks=[1], loom={"spare_shafts": 1}))
    assert found.conflict == (Ask(1, 1), Ask(2, 1))
    assert found.rooms == (Room(2, 1, 2),)
    assert found.walks == ((1,),)
    assert len(found.cells) == 1


def test_only_several_walks_together_would_do() -> None:
    found = why_not(piece(["#.", ".#", "##"], [1, 1], no_walks=[0, 1, 2, 3]))
    # in before row 1, other units before row 2, the whole shaft before row 3
    assert found.walks == ((0, 1, 2),)
    assert found.rooms == ()
    assert found.rooms_sure


def test_more_temporaries_of_a_shaft_where_these_bind() -> None:
    loom = {"spare_shafts": 4, "spare_handles": 4, "temporaries_per_shaft": 1}
    found = why_not(piece(["#..", ".#.", "..#"], [1, 1, 1], no_walks=[1, 2], loom=loom))
    assert found.rooms == (Room(4, 4, 3),)


def test_temporaries_that_stay_would_do() -> None:
    loom = {"spare_shafts": 1, "spare_handles": 1, "temporaries_may_stay": False}
    found = why_not(piece(["#.", "##"], [1, 1], no_walks=[1], loom=loom))
    assert found.may_stay


def test_no_room_helps_where_no_walk_may_be_made_at_all() -> None:
    found = why_not(piece(["#.", "##"], [1, 1], no_walks=[0, 1, 2]))
    assert (found.rooms, found.rooms_sure) == ((), True)
    assert found.conflict == (Ask(1, 1),)
    assert found.cells[0].row == 1


def test_a_piece_with_a_plan_is_refused() -> None:
    with pytest.raises(ValueError, match="There is a plan for this piece"):
        why_not(piece(["##", ".."], [1, 1]))


def test_what_is_found_can_be_kept_and_is_a_question() -> None:
    listener = Listener()
    content = json.loads(json.dumps(answer_why_not(TWO_AT_ONCE, {}, listener)))
    assert as_json(from_json(content)) == content
    assert listener.said[0] == "Whether there is no plan at all."
    with pytest.raises(ValueError, match="validation error"):
        from_json({"conflict": "x"})


def test_where_the_time_is_up_it_says_so() -> None:
    found = why_not(TWO_AT_ONCE, tell=Listener(enough=0))
    assert not found.in_time
    assert not found.conflict_sure
    assert (2, 1) in {(ask.row, ask.shaft) for ask in found.conflict}


def test_what_is_not_known_of_fewer_is_not_said_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the planner does not know whether one row less could be lifted."""
    known = can_be_woven

    def all_or_nothing(some: Task, seconds: float) -> bool | None:
        return known(some, seconds) if sum(map(len, some.asked.rows)) >= 4 else None

    monkeypatch.setattr(why_not_module, "can_be_woven", all_or_nothing)
    rows = ["##....", "..##..", "....##"]
    found = why_not(piece(rows, [1] * 6, no_walks=[1, 2]))
    assert len(found.conflict) == 2
    assert not found.conflict_sure
    assert found.in_time
    monkeypatch.setattr(why_not_module, "can_be_woven", lambda *_: None)
    assert not why_not(piece(rows, [1] * 6, no_walks=[1, 2])).conflict_sure


def test_where_the_time_for_a_part_of_it_is_up_it_says_so_too(monkeypatch: pytest.MonkeyPatch) -> None:
    part = why_not_module._Clock.part
    monkeypatch.setattr(why_not_module._Clock, "part", lambda clock, _: part(clock, 0.0))
    assert not why_not(TWO_AT_ONCE).in_time


def test_a_large_piece_is_told_apart_quickly() -> None:
    units, shafts = 120, 30
    rows = [("#" * units, "#" + "." * (units - 1))[row % 2] for row in range(200)]
    rows[100] = "#" * shafts + "." * (units - shafts)
    found = why_not(
        piece(rows, [1 + unit % shafts for unit in range(units)], loom={"spare_shafts": 8}), limit=20
    )
    assert {ask.row for ask in found.conflict} == {101}
    assert len(found.conflict) == 9
    assert found.rooms == (Room(30, 0, 2),)


def test_whether_it_can_be_woven() -> None:
    assert can_be_woven(whole_task(piece(["##"], [1, 1])), 5.0)
    assert can_be_woven(whole_task(piece(["#."], [1, 1])), 5.0)
    assert can_be_woven(whole_task(TWO_AT_ONCE), 5.0) is False
