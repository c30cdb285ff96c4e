"""The page of where else a figure could sit: marking it, all places, one place, and taking it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.design import Band, Design, piece_text
from server.design.piece_file import read_piece
from server.design.warp import Part, hang, read_warp, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.plan.planner import plan
from server.session.naming import Naming, ShaftsFrom
from server.session.treadling import Side
from server.store.database import Store
from server.ways.figures import STAYS, Block, Move
from server.ways.places import places as answer
from server.web import ways_places
from server.web.ways_places import lines_of, move_text, move_words, shared_words
from tests.traditions import TRADITIONS
from tests.web.test_pages import HOSTILE, NOT_ON_SCREEN, Text, begin, turns, words
from tests.web.test_traditions import mirrored, two_houses

LEASHES = [1, 2, 3, 4, 3, 2, 1, 2, 3, 4, 3, 2, 1]
ROWS = [
    "#############",
    ".............",
    "....##.......",
    ".....#.......",
    ".............",
]
FIGURE = {"first_row": "3", "last_row": "4", "first_unit": "5", "last_unit": "6"}


def file_of(rows: list[str], **loom: Any) -> str:
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "A hook",
        "loom": {"pattern_shafts": 4, "spare_shafts": 4} | loom,
        "leashes": LEASHES,
        "rows": rows,
    }
    return json.dumps(content)


@pytest.fixture
def hook(store: Store) -> int:
    """A hook in plain ground, in the straight run from unit 4 to unit 7."""
    text = file_of(ROWS)
    return store.add_piece(text, plan(read_piece(text)))


@pytest.fixture
def drawn(store: Store) -> int:
    """The same, drawn here as two bands; the second is woven twice."""
    warp_text = write_warp(
        hang(
            "A warp",
            Loom((), frozenset(), 4, spare_shafts=4),
            (Part("pointed", 4, times=2, ends=(5,)),),
            satin(5, 2),
        )
    )
    warp = store.board.add_warp(warp_text)
    bands = (Band(1, "Hook", (4,), tuple(ROWS)), Band(2, "Border", (4, 5), (ROWS[0], ROWS[1]), times=2))
    design = Design(13, bands, 2)
    text = piece_text("Drawn", design, read_warp(warp_text))
    return store.add_piece(text, plan(read_piece(text)), design=store.board.add_design(warp, "Drawn", design))


def places(client: TestClient, piece: int, **more: str) -> Response:
    return client.get(f"/pieces/{piece}/ways/places", params=FIGURE | more)


def take(client: TestClient, piece: int, **more: str) -> Response:
    return client.post(f"/pieces/{piece}/ways/places", data=FIGURE | more)


def told(shown: Response) -> str:
    """What a refusal says."""
    assert shown.status_code == 422
    found = re.search(r'<p class="said" role="alert">(.*?)</p>', shown.text)
    assert found
    return found[1]


def fields_of(shown: Response) -> dict[str, str]:
    """What stands in the fields in which a figure is marked."""
    form = shown.text[shown.text.index("data-figure-form") :]
    return dict(re.findall(r'<input name="(\w+)" value="([^"]*)"', form))


def rows_of(store: Store, piece: int) -> list[str]:
    text = store.piece_text(piece)
    assert text is not None
    rows: list[str] = json.loads(text)["rows"]
    return rows


# --- marking -------------------------------------------------------------------------------------------


def test_what_the_loom_cannot_lift_is_framed_to_begin_with(client: TestClient, hook: int) -> None:
    shown = client.get(f"/pieces/{hook}/ways/places")
    assert shown.status_code == 200
    assert fields_of(shown) == FIGURE | {"earlier": "0", "later": "0"}
    assert "The frame holds what this loom cannot lift" in words(shown)


def test_where_the_loom_lifts_all_she_marks_the_figure_herself(client: TestClient, store: Store) -> None:
    text = file_of([ROWS[0], ROWS[1]])
    piece = store.add_piece(text, plan(read_piece(text)))
    shown = client.get(f"/pieces/{piece}/ways/places")
    assert set(fields_of(shown).values()) == {"", "0"}
    assert "Mark the figure" in words(shown)


@pytest.mark.parametrize("path", ["", "?first_row=3&last_row=4&first_unit=5&last_unit=6"])
def test_nothing_is_shown_that_a_browser_would_refuse(client: TestClient, hook: int, path: str) -> None:
    page = Text(client.get(f"/pieces/{hook}/ways/places{path}").text)
    assert page.refused == []
    assert len(page.ids) == len(set(page.ids))
    assert not NOT_ON_SCREEN.search(page.words), page.words


@pytest.mark.parametrize("field", ["first_row", "last_row", "first_unit", "last_unit", "earlier", "later"])
def test_what_is_no_number_of_a_row_or_unit_is_refused(client: TestClient, hook: int, field: str) -> None:
    for value in (*HOSTILE, "0", "14", "3.0", "drei"):
        shown = places(client, hook, **{field: value})
        if field in ("earlier", "later") and value in ("", "0", "14"):
            assert shown.status_code == 200
            continue
        assert told(shown).endswith("."), value
        assert f"{field.replace('_', ' ').capitalize()}" in told(shown) or field in ("earlier", "later")
        assert take(client, hook, **{field: value}, to="1,0").status_code == 422, value


def test_a_field_that_is_missing_is_refused(client: TestClient, hook: int) -> None:
    shown = client.get(f"/pieces/{hook}/ways/places", params={"first_row": "3"})
    assert "Last row: it must be a number from 1 to 5" in told(shown)


def test_swapped_corners_are_accepted(client: TestClient, hook: int) -> None:
    swapped = {"first_row": "4", "last_row": "3", "first_unit": "6", "last_unit": "5"}
    assert words(places(client, hook, **swapped)) == words(places(client, hook))


def test_a_block_without_a_figure_is_refused_and_what_was_typed_stays(client: TestClient, hook: int) -> None:
    shown = places(client, hook, first_row="2", last_row="2", later="3")
    assert "There is no figure in that block" in told(shown)
    assert fields_of(shown) == FIGURE | {"first_row": "2", "last_row": "2", "earlier": "", "later": "3"} | {
        "earlier": "0"
    }


def test_there_is_no_such_page_of_no_piece(client: TestClient) -> None:
    assert client.get("/pieces/999/ways/places").status_code == 404
    assert client.post("/pieces/x/ways/places", data={"to": "1,0"}).status_code == 404


# --- places --------------------------------------------------------------------------------------------


def test_every_place_is_told_and_the_free_ones_first(client: TestClient, hook: int) -> None:
    text = words(places(client, hook))
    assert "At none of 23 other places does it take less" in text
    assert "Without any temporary" in text
    assert "no temporary, if 1 repeat and 2 mirror images may come along; in the straight run" in text
    assert "between the turning points at 4 and 7" in text


def test_places_are_counted_and_not_lines(
    client: TestClient, hook: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ways_places, "MOST_LINES", 3)
    monkeypatch.setattr(ways_places, "LINES_AT_ONCE", 2)
    monkeypatch.setattr(ways_places, "MOST_FREE", 1)
    text = words(places(client, hook))
    counted = re.findall(r"([0-9]+) places? more", text)
    piece = read_piece(file_of(ROWS))
    lines = lines_of(piece, answer(piece, Block(3, 4, 5, 6)), STAYS, Naming.on(piece.loom))
    assert sum(line.places for line in lines) == 24
    in_fold, beyond = lines[2].places, sum(line.places for line in lines[3:])
    without_any = [line for line in lines[:3] if line.free]
    assert counted == [str(sum(line.places for line in without_any[1:])), str(in_fold), str(beyond)]
    assert "stretch" not in text


def test_what_follows_from_the_leash_order_is_said(client: TestClient, hook: int) -> None:
    assert "There no two of its units hang on the same shaft." in words(places(client, hook))
    wide = read_piece(file_of([ROWS[1], "....##..#....", ROWS[1]]))
    assert shared_words(wide, Block(2, 2, 5, 9), STAYS).startswith("There some of its units hang on the same")
    assert shared_words(wide, Block(2, 2, 5, 6), STAYS) == "There no two of its units hang on the same shaft."


def test_one_place_is_told_beside_where_the_figure_is(client: TestClient, hook: int) -> None:
    text = words(places(client, hook, to="-4,0"))
    assert "4 units to the left" in text
    assert "as long as where it is" in text
    assert "The figure comes out whole, and 1 repeat and 2 mirror images come along." in words(
        places(client, hook, to="-4,0")
    ).replace("the figure", "The figure")


def test_rows_are_moved_only_as_far_as_was_asked(client: TestClient, hook: int) -> None:
    assert "3 units to the left, 1 row earlier" in words(places(client, hook, to="-3,-1", earlier="1"))
    assert "ask for more rows" in told(places(client, hook, to="-3,-1"))


@pytest.mark.parametrize(
    ("to", "said"),
    [
        ("-5,0", "only 4 units to its left"),
        ("8,0,mirrored", "only 7 units to its right"),
        ("0,2", "only 1 row after it"),
        ("0,-3", "only 2 rows before it"),
        ("999999,0", "would go off the cloth"),
        ("1", "could not be read"),
        ("1,2,3", "could not be read"),
        ("a,b", "could not be read"),
        ("１,0", "could not be read"),
        ("1" * 400 + ",0", "could not be read"),
    ],
)
def test_a_place_off_the_cloth_is_refused(client: TestClient, hook: int, to: str, said: str) -> None:
    assert said in told(places(client, hook, to=to))
    assert said in told(take(client, hook, to=to))


def test_where_it_takes_more_than_the_loom_has_that_is_said(client: TestClient, store: Store) -> None:
    text = file_of(["#" + "." * 12, *ROWS[1:2], "#.....#.....#", *ROWS[1:2]], spare_shafts=0)
    content = json.loads(text) | {"leashes": [5, *LEASHES[1:]]}
    content["loom"]["pattern_shafts"] = 5
    piece = store.add_piece(json.dumps(content), plan(read_piece(json.dumps(content))))
    block = {"first_row": "1", "last_row": "1", "first_unit": "1", "last_unit": "1"}
    shown = words(client.get(f"/pieces/{piece}/ways/places", params=block | {"to": "1,0"}))
    assert "There is no plan for it there" in shown
    assert "At 12 places the figure alone would need more" in shown


def test_a_figure_as_wide_as_the_cloth_has_no_other_place(client: TestClient, store: Store) -> None:
    text = file_of(["#...........#", ROWS[1]])
    piece = store.add_piece(text, plan(read_piece(text)))
    block = {"first_row": "1", "last_row": "1", "first_unit": "1", "last_unit": "13"}
    shown = client.get(f"/pieces/{piece}/ways/places", params=block)
    assert "There is no other place for it on this cloth" in words(shown)


def test_words_of_places() -> None:
    assert move_words(Move()) == "where it is"
    assert move_words(Move(mirrored=True)) == "where it is, mirrored"
    assert move_words(Move(0, -1)) == "1 unit to the left"
    assert move_words(Move(2, 0)) == "2 rows later"
    assert move_words(Move(-1, 3, True)) == "3 units to the right, 1 row earlier, mirrored"
    assert move_words(Move(0, -5), Move(0, -2)) == "2 to 5 units to the left"
    assert move_words(Move(0, 0), Move(0, 2)) == "0 to 2 units to the right"
    assert move_words(Move(0, -1), Move(0, 2)) == "from 1 unit to the left to 2 units to the right"
    assert move_text(Move(-1, 3, True)) == "3,-1,mirrored"


# --- taking --------------------------------------------------------------------------------------------


def test_a_place_of_a_piece_from_a_file_becomes_a_new_piece(
    client: TestClient, store: Store, hook: int
) -> None:
    answer = take(client, hook, to="-4,1")
    assert answer.status_code == 303
    assert rows_of(store, hook) == ROWS
    new = int(answer.headers["location"].rsplit("/", 1)[1])
    assert rows_of(store, new) == [ROWS[0], ROWS[1], ROWS[1], "##...........", ".#..........."]
    weaving = store.weaving(new)
    assert weaving is not None
    assert weaving.piece.name == "A hook, moved 4 units to the left, 1 row later"


def test_a_place_can_be_taken_with_what_comes_along(client: TestClient, store: Store, hook: int) -> None:
    answer = take(client, hook, to="0,0", company="yes")
    new = int(answer.headers["location"].rsplit("/", 1)[1])
    assert rows_of(store, new)[2:4] == [".##.##.##.##.", ".#...#.#...#."]


def test_where_it_is_there_is_nothing_to_take(client: TestClient, store: Store, hook: int) -> None:
    before = len(store.pieces())
    assert "nothing to take" in told(take(client, hook, to="0,0"))
    assert len(store.pieces()) == before


def test_a_place_of_a_piece_drawn_here_becomes_a_design_on_the_same_warp(
    client: TestClient, store: Store, drawn: int
) -> None:
    answer = take(client, drawn, to="7,0,mirrored")
    assert answer.status_code == 303
    kept = store.board.design(int(answer.headers["location"].rsplit("/", 1)[1]))
    weaving = store.weaving(drawn)
    assert kept is not None
    assert weaving is not None
    assert weaving.design is not None
    before = store.board.design(weaving.design)
    assert before is not None
    assert kept.warp_id == before.warp_id
    assert [band.name for band in kept.design.bands] == ["Hook", "Border"]
    assert kept.design.bands[0].rows == (ROWS[0], ROWS[1], "...........##", "...........#.", ROWS[4])
    assert kept.design.bands[1].times == 2
    assert before.design.bands[0].rows == tuple(ROWS)


def test_of_a_piece_on_the_loom_the_page_only_looks(client: TestClient, store: Store, hook: int) -> None:
    begin(client, hook)
    before = turns(store, hook)
    assert places(client, hook, to="1,0").status_code == 200
    assert take(client, hook, to="1,0").status_code == 303
    assert turns(store, hook) == before
    assert rows_of(store, hook) == ROWS


# --- as she counts -------------------------------------------------------------------------------------


@pytest.mark.parametrize("tradition", TRADITIONS, ids=["from the back", "from the right", "from both"])
def test_places_are_told_as_she_counts(tmp_path: Path, tradition: tuple[ShaftsFrom, Side]) -> None:
    rows = [*ROWS[:3], "....#...##...", ROWS[4]]
    with two_houses(tmp_path, tradition, file_of(rows)) as (mine, other, is_mirrored):
        asked = []
        for house in (mine, other):
            path = "/ways/places"
            fields = fields_of(house.client.get(f"/pieces/{house.piece}{path}"))
            assert fields["first_unit"]
            query = "&".join(f"{name}={value}" for name, value in fields.items())
            asked.append((path, f"{path}?{query}"))
        for one, two in zip(*asked, strict=True):
            said, instead = mirrored(mine.words(one), is_mirrored), other.words(two)
            assert said - instead == instead - said, (said - instead, instead - said)
