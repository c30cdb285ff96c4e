"""What one more buys: what is refused, what follows for the table, and how an answer is kept."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.plan.planner import Lack, plan
from server.ways.looms import Looms, Planned
from server.ways.more import (
    MOST_HANDLES,
    MOST_SHAFTS,
    answer_more,
    as_json,
    check_numbers,
    from_json,
    more,
    most_temporaries,
    own_numbers,
    usual_numbers,
)
from server.ways.questions import QUESTIONS
from tests.outside.pieces import pointed_piece

LEASHES = [1, 2, 3, 2, 1]


def small(rows: tuple[str, ...] = ("#....", ".#...", "....#", "....."), **loom: Any) -> Piece:
    """Shaft 3 has one unit, so it takes no temporary; the others have two."""
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A small one",
        "loom": {"pattern_shafts": 3, "spare_shafts": 1} | loom,
        "leashes": LEASHES,
        "rows": list(rows),
    }
    return read_piece(json.dumps(content))


class Teller:
    """Hears what is told, and has enough after so many times."""

    def __init__(self, enough_after: int = 1_000) -> None:
        self.told: list[tuple[str, float | None]] = []
        self._enough_after = enough_after

    def __call__(self, words: str = "", share: float | None = None, /, **_: float | None) -> None:
        self.told.append((words, share))

    def is_enough(self) -> bool:
        return len(self.told) >= self._enough_after


@pytest.mark.parametrize(
    ("per_shaft", "most"),
    # a shaft of two units has two parts worth a temporary, a shaft of one has none
    [(0, 0), (1, 2), (2, 4), (5, 4)],
)
def test_so_many_temporaries_can_be_of_use(per_shaft: int, most: int) -> None:
    assert most_temporaries(small(temporaries_per_shaft=per_shaft)) == most


def test_her_own_loom_counts_as_far_as_it_can_be_of_use() -> None:
    assert own_numbers(small(spare_shafts=2, spare_handles=1)) == (2, 1)
    assert own_numbers(small(spare_shafts=9, spare_handles=9)) == (4, 4)
    assert own_numbers(small(spare_shafts=1, spare_handles=3)) == (1, 1)
    assert own_numbers(small(spare_shafts=3, temporaries_per_shaft=0)) == (0, 0)


def test_the_usual_table_goes_two_beyond_her_loom_and_never_beyond_what_is_of_use() -> None:
    assert usual_numbers(small()) == (3, 2)
    assert usual_numbers(small(spare_shafts=3, spare_handles=3)) == (4, 4)
    assert usual_numbers(small(temporaries_per_shaft=0)) == (0, 0)


@pytest.mark.parametrize(
    ("shafts", "handles", "said"),
    [
        (-1, 0, "whole numbers from 0 on"),
        (2, -1, "whole numbers from 0 on"),
        ("3", 0, "whole numbers from 0 on"),
        (2, "many", "whole numbers from 0 on"),
        (2.0, 0, "whole numbers from 0 on"),
        (True, 0, "whole numbers from 0 on"),
        (2, False, "whole numbers from 0 on"),
        (None, None, "whole numbers from 0 on"),
        (5, 0, "can use at most 4 spare shafts: a shaft holds at most 2 temporaries"),
        (10**30, 0, "can use at most 4 spare shafts"),
        (3, 4, "with up to 3 spare shafts, at most 3 spare handles"),
        (0, 0, "must be in the table: at least 1 spare shaft and 0 spare handles"),
    ],
)
def test_a_table_that_makes_no_sense_is_refused(shafts: object, handles: object, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        more(small(), shafts, handles)


def test_a_table_must_not_be_too_large_to_read() -> None:
    units = 6 * MOST_SHAFTS
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A wide one",
        "loom": {"pattern_shafts": MOST_SHAFTS, "spare_shafts": 2, "temporaries_per_shaft": 3},
        "leashes": [unit % MOST_SHAFTS + 1 for unit in range(units)],
        "rows": ["." * units],
    }
    wide = read_piece(json.dumps(content))
    assert check_numbers(wide, MOST_SHAFTS, MOST_HANDLES) == (MOST_SHAFTS, MOST_HANDLES)
    for numbers in ((MOST_SHAFTS + 1, 0), (MOST_SHAFTS, MOST_HANDLES + 1)):
        with pytest.raises(ValueError, match=f"at most {MOST_SHAFTS} spare shafts and {MOST_HANDLES}"):
            check_numbers(wide, *numbers)
    rich = replace(wide, loom=replace(wide.loom, spare_shafts=MOST_SHAFTS + 1))
    with pytest.raises(ValueError, match="more than this table shows"):
        check_numbers(rich, MOST_SHAFTS + 1, 0)


@pytest.mark.parametrize("limit", [0, -1, 1e9, float("nan"), float("inf"), "long", None, []])
def test_a_time_that_is_none_is_refused(limit: object) -> None:
    with pytest.raises(ValueError, match="It may take from 0"):
        answer_more(small(), {"shafts": 1, "handles": 0, "limit": limit}, Teller())


def test_options_may_be_missing_and_then_it_is_said_what_is_wanted() -> None:
    with pytest.raises(ValueError, match="whole numbers from 0 on"):
        answer_more(small(), {}, Teller())


def test_it_can_be_asked_and_kept() -> None:
    piece = small()
    found = more(piece, 2, 1)
    content = QUESTIONS["more"].answer(piece, {"shafts": 2, "handles": 1}, Teller())
    assert content == as_json(found)
    assert from_json(json.loads(json.dumps(content))) == found
    with pytest.raises(ValueError, match="own"):
        from_json({"rows": []})


def test_a_loom_of_her_own_takes_what_its_plan_takes() -> None:
    piece = small(spare_shafts=2, spare_handles=1)
    found, order = more(piece, 3, 2), plan(piece)
    assert found.own == (2, 1)
    assert (found.own_cell.minutes, found.own_cell.walks) == (order.totals.minutes, order.totals.walks)
    assert found.own_cell.is_exact
    assert found.by_handles[1] == found.by_shafts[2] == found.own_cell
    assert not found.rows[0][0].is_possible


def test_where_nothing_needs_a_temporary_all_looms_are_alike() -> None:
    found = more(small(("#...#", ".....")), 2, 2)
    assert all(cell.is_exact and cell.walks == 0 for row in found.rows for cell in row)


def test_it_tells_how_far_it_is_and_can_be_ended() -> None:
    piece = read_piece(json.dumps(pointed_piece(2, 5, 1, 10)))
    own = own_numbers(piece)
    telling = Teller()
    full = more(piece, own[0], min(own[0], 2), tell=telling)
    assert telling.told[0][1] == 0
    assert all(share is not None and 0 <= share < 1 for _, share in telling.told)
    ended = more(piece, own[0], min(own[0], 2), tell=Teller(enough_after=1))
    assert any(not cell.is_exact for row in ended.rows for cell in row)
    for row, known in zip(ended.rows, full.rows, strict=True):
        for cell, right in zip(row, known, strict=True):
            assert cell.minutes is None or right.minutes is None or cell.minutes >= right.minutes - 1e-6


@pytest.mark.parametrize("handles", [0, 1, 2])
def test_the_quick_way_finds_what_the_planner_finds(handles: int) -> None:
    """One loom after another, each begun from the one before, against the planner from nothing."""
    piece = read_piece(json.dumps(pointed_piece(4, 5, 1, 10, spare_handles=handles)))
    looms = Looms(piece)
    for shafts in (6, 4, 2):
        loom = replace(piece.loom, spare_shafts=shafts)
        found = looms.plan((shafts, handles), limit=60)
        if isinstance(found, Lack):
            continue
        order = plan(replace(piece, loom=loom), limit=60)
        assert isinstance(found, Planned)
        assert found.is_exact
        assert order.proven
        assert abs(found.minutes - order.totals.minutes) < 1e-6
        assert found.walks == order.totals.walks
        assert found.uses[0] <= shafts
        assert found.uses[1] <= handles
