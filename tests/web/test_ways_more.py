"""The page of what one more buys: the table, what it says in words, and what it refuses."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from fastapi.testclient import TestClient

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.store.database import Store
from server.ways.more import Cell, More, more
from server.web.ways_more import Line, knee_words, lines_of, saved_words
from tests.web.test_pages import HOSTILE, NOT_ON_SCREEN, Text, words

NEVER = Cell(None, 0.0, None, is_possible=False)
OPEN = Cell(None, 3.0, None, is_possible=True)


def cell(minutes: float, walks: int, at_least: float | None = None) -> Cell:
    return Cell(minutes, minutes if at_least is None else at_least, walks, is_possible=True)


# --- in words ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "other", "said"),
    [
        (cell(20, 6), cell(12, 2), "4 walks and 8 minutes"),
        (cell(20, 3), cell(19, 2), "1 walk and 1 minute"),
        (cell(20, 2), cell(18.5, 2), "no walk, but 1.5 minutes"),
        (cell(20, 2), cell(18.5, 3), "no walk, but 1.5 minutes"),
        (cell(20, 3), cell(20, 2), "1 walk"),
        (cell(20, 2), cell(20, 2), "nothing"),
        (cell(20, 2), cell(19.98, 2), "next to nothing"),
        (OPEN, cell(19, 2), "nothing"),
    ],
)
def test_what_is_saved(one: Cell, other: Cell, said: str) -> None:
    assert saved_words(one, other) == said


@pytest.mark.parametrize(
    ("line", "own", "said"),
    [
        (  # the example of the issue
            [cell(20, 6), cell(15, 4), cell(11, 2), cell(11, 2)],
            2,
            [
                "Two spare handles save 4 walks and 9 minutes; a third saves nothing.",
                "With one spare handle fewer than it has you would lose 2 walks and 4 minutes.",
                "Two, as now, is best.",
            ],
        ),
        (
            [cell(20, 6), cell(15, 4), cell(11, 2), cell(10, 2), cell(9.9, 2)],
            0,
            [
                "Two spare handles save 4 walks and 9 minutes; a third saves no walk, but 1 minute.",
                "One spare handle more than your loom has would save 2 walks and 5 minutes.",
                "Two would be best.",
            ],
        ),
        (
            [cell(20, 6), cell(15, 4), cell(15, 4), cell(15, 4)],
            3,
            [
                "One spare handle saves 2 walks and 5 minutes; a second saves nothing.",
                "Of the three that your loom has, one does as well.",
            ],
        ),
        (
            [NEVER, NEVER, cell(20, 6), cell(15, 4), cell(15, 4)],
            2,
            [
                "Beyond the 2 spare handles without which there is no plan, one more spare handle saves "
                "2 walks and 5 minutes; a second saves nothing.",
                "One spare handle more than your loom has would save 2 walks and 5 minutes.",
                "Three would be best.",
            ],
        ),
        (
            [NEVER, cell(20, 6), cell(20, 6)],
            1,
            [
                "There is no plan with fewer than 1 spare handle.",
                "More spare handles than your loom has would save nothing.",
                "One, as now, is best.",
            ],
        ),
        (  # of what was not worked out nothing is claimed
            [NEVER, OPEN, cell(20, 6), cell(15, 4), cell(15, 4)],
            3,
            [
                "Beyond the 2 spare handles with which a plan was found, one more spare handle saves 2 walks "
                "and 5 minutes; a second saves nothing.",
                "Three, as now, is best.",
                "That is as far as it could be worked out in the time.",
            ],
        ),
        (
            [cell(20, 6), OPEN, cell(15, 4), OPEN],
            2,
            [
                "Two spare handles save 2 walks and 5 minutes.",
                "That is as far as it could be worked out in the time.",
            ],
        ),
        (
            [OPEN, cell(20, 6), OPEN],
            1,
            [
                "No plan was found in the time with fewer than 1 spare handle.",
                "That is as far as it could be worked out in the time.",
            ],
        ),
        (
            [NEVER, OPEN, cell(20, 6)],
            0,
            ["With 2 spare handles there is a plan, and with fewer none was found in the time."],
        ),
        ([NEVER, OPEN], 0, ["What it takes with up to 1 spare handle could not be worked out in the time."]),
        (
            [NEVER, NEVER, cell(20, 6)],
            0,
            ["With 2 spare handles there is a plan, and with fewer there is none."],
        ),
        ([NEVER, NEVER], 0, ["With up to 1 spare handle there is no plan."]),
        ([cell(20, 6)], 0, []),
        (
            [cell(20, 6), cell(15, 4), cell(15, 4)],
            1,
            [
                "One spare handle saves 2 walks and 5 minutes; a second saves nothing.",
                "One, as now, is best.",
            ],
        ),
        (
            [cell(20, 6), cell(20, 6, 11)],
            0,
            [
                "With more spare handles than your loom has nothing better was found.",
                "That is as far as it could be worked out in the time.",
            ],
        ),
        (
            [cell(20, 6), cell(20, 6)],
            0,
            [
                "More spare handles than your loom has would save nothing.",
                "No spare handle, as now, is best.",
            ],
        ),
        (
            [cell(5, 0), cell(5, 0), cell(5, 0)],
            2,
            ["Your loom’s 2 spare handles save nothing."],
        ),
    ],
)
def test_the_knee_in_words(line: list[Cell], own: int, said: list[str]) -> None:
    assert knee_words(line, own, "spare handle") == said


def test_every_line_of_a_table_can_be_said() -> None:
    """However lines fall, there is a sentence, and none says “None” or saves less than nothing."""
    falls = [NEVER, OPEN, cell(30, 9), cell(30, 8), cell(12, 9), cell(11.99, 9), cell(2, 0)]
    for first in range(len(falls)):
        for last in range(first, len(falls)):
            line = [*falls[: first + 1], *falls[last:]]
            for own in range(len(line)):
                said = " ".join(knee_words(line, own, "spare shaft"))
                assert "None" not in said
                assert "-" not in said
                assert not said or said.endswith(".")


# --- the table -----------------------------------------------------------------------------------------


def test_numbers_of_shafts_without_any_plan_are_drawn_together_up_to_her_own() -> None:
    table = More((2, 0), ((NEVER, NEVER), (NEVER, NEVER), (NEVER, NEVER), (cell(9, 1), cell(8, 1))))
    assert [line.words for line in lines_of(table)] == ["0 to 1", "2", "3"]
    assert lines_of(table)[0] == Line("0 to 1", is_own=False, cells=(), why="no plan")
    assert lines_of(table)[1].cells[0].walks == "no plan"
    assert lines_of(table)[1].cells[0].is_own


def test_cells_say_what_they_are_beside_her_own_loom() -> None:
    rows = ((OPEN, cell(12, 3)), (cell(10, 2), cell(10, 2)), (cell(9.5, 2, 9), cell(4, 0)))
    lines = lines_of(More((1, 0), rows))
    shown = [[(one.minutes, one.walks, one.beside) for one in line.cells] for line in lines]
    assert shown == [
        [("", "not worked out", ""), ("12", "3 walks", "2 more")],
        [("10", "2 walks", ""), ("10", "2 walks", "as yours")],
        [("9.5", "2 walks", "0.5 less"), ("4", "no walk", "6 less")],
    ]
    assert [one.is_exact for one in lines[2].cells] == [False, True]


# --- the page ------------------------------------------------------------------------------------------


@pytest.fixture
def figure(store: Store) -> int:
    content: dict[str, Any] = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A small figure",
        "loom": {"pattern_shafts": 3, "spare_shafts": 1},
        "leashes": [1, 2, 3, 2, 1],
        "rows": ["#....", ".#...", "....#", "#...#", "#....", ".#...", "...#."],
    }
    text = json.dumps(content)
    return store.add_piece(text, plan(read_piece(text)))


def test_the_page_shows_the_table_with_her_own_loom_marked(
    client: TestClient, store: Store, figure: int
) -> None:
    answer = client.get(f"/pieces/{figure}/ways/more?shafts=3&handles=2")
    assert answer.status_code == 200
    told = words(answer)
    assert "On your loom, with 1 spare shaft and no spare handle, it takes" in told
    assert answer.text.count("more-own") == 1
    own = re.search(r'<td class="more-own">(.*?)</td>', answer.text, re.DOTALL)
    weaving = store.weaving(figure)
    assert own is not None
    assert weaving is not None
    assert "Your loom" in own[1]
    assert f"{weaving.order.totals.walks} walks" in own[1]
    found = more(weaving.piece, 3, 2)
    for row in found.rows[1:]:
        for one in row:
            assert f"{one.walks} walk" in told
    assert not NOT_ON_SCREEN.search(told), told
    assert not Text(answer.text).refused


def test_another_size_can_be_asked_for(client: TestClient, figure: int) -> None:
    answer = client.get(f"/pieces/{figure}/ways/more", params={"shafts": " 4 ", "handles": "4"})
    assert answer.status_code == 200
    assert "4 spare handles" in words(answer)
    fewer = client.get(f"/pieces/{figure}/ways/more", params={"shafts": "1"})
    assert fewer.status_code == 200
    assert "2 spare handles" not in words(fewer)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"shafts": "5"}, "This loom can use at most 4 spare shafts"),
        ({"shafts": "3", "handles": "4"}, "with up to 3 spare shafts, at most 3 spare handles are of use"),
        ({"shafts": "0", "handles": "0"}, "Your own loom must be in the table"),
        ({"shafts": "-1"}, "whole numbers from 0 on"),
        ({"shafts": "2", "handles": "-1"}, "whole numbers from 0 on"),
        ({"shafts": "two"}, "whole numbers from 0 on"),
        ({"shafts": "2", "handles": "1.5"}, "whole numbers from 0 on"),
        ({"shafts": "٣"}, "whole numbers from 0 on"),
        ({"shafts": "<b>9</b>"}, "whole numbers from 0 on"),
        ({"shafts": "9" * 400}, "whole numbers from 0 on"),
    ],
)
def test_what_makes_no_sense_is_refused_in_a_sentence(
    client: TestClient, figure: int, asked: dict[str, str], said: str
) -> None:
    answer = client.get(f"/pieces/{figure}/ways/more", params=asked)
    assert answer.status_code == 422
    assert said in words(answer)
    assert "more-own" not in answer.text
    assert "<b>9" not in answer.text
    assert "Work it out" in answer.text


@pytest.mark.parametrize("field", ["shafts", "handles"])
def test_hostile_values_are_refused_and_never_a_fault(client: TestClient, figure: int, field: str) -> None:
    for value in HOSTILE:
        answer = client.get(
            f"/pieces/{figure}/ways/more", params={"shafts": "2", "handles": "1", field: value}
        )
        assert answer.status_code == (422 if value else 200), value
        assert len(answer.text) < 20_000


def test_a_piece_that_is_not_here(client: TestClient) -> None:
    assert client.get("/pieces/999/ways/more").status_code == 404


def test_a_loom_that_takes_no_temporary(client: TestClient, store: Store) -> None:
    content: dict[str, Any] = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Plain",
        "loom": {"pattern_shafts": 2, "spare_shafts": 3, "spare_handles": 2, "temporaries_per_shaft": 0},
        "leashes": [1, 2, 1],
        "rows": ["#.#", ".#."],
    }
    text = json.dumps(content)
    piece = store.add_piece(text, plan(read_piece(text)))
    answer = client.get(f"/pieces/{piece}/ways/more?shafts=&handles=")
    assert answer.status_code == 200
    assert "Your loom has more than could ever be used" in words(answer)
    assert answer.text.count("<td") == 1
