"""Large pieces: a page draws a part of them, says which, and leads to the others."""

from __future__ import annotations

import json
import re

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.piece import Piece
from server.design.piece_file import read_piece
from server.loom.state import Loom
from server.plan.planner import plan
from server.session.naming import Naming
from server.store.database import Store
from server.ways.unaided import Changed
from server.web import drawings
from server.web import plan as plan_page
from server.web.drawings import Drawn, design_picture
from server.web.drawn import drawn_view
from server.web.ways_cells import window_of
from tests.examples import piece_text
from tests.web.test_pages import HOSTILE, NOT_ON_SCREEN, Text, words
from tests.web.test_ways_places import file_of

PLAIN = ["#############", "............."]
ROWS = [*PLAIN * 10, "....##.......", ".....#.......", *PLAIN * 10, ".......#.....", *PLAIN]
"""45 rows of 13 units; in rows 21, 22 and 43 something is asked that the loom cannot lift as it hangs."""

PAGES = ["", "/ways/unaided", "/ways/cells", "/ways/places"]


@pytest.fixture
def long(store: Store, monkeypatch: pytest.MonkeyPatch) -> int:
    """A piece that counts as large: six rows and eight units are drawn at once."""
    monkeypatch.setattr(drawings, "MOST_CELLS_DRAWN", 100)
    monkeypatch.setattr(drawings, "ROWS_AT_ONCE", 6)
    monkeypatch.setattr(drawings, "UNITS_AT_ONCE", 8)
    text = file_of(ROWS)
    return store.add_piece(text, plan(read_piece(text)))


def cells_drawn(shown: Response) -> tuple[float, float]:
    """How many units and rows the drawing of the design has."""
    found = re.search(r'<rect class="design-ground" width="(\d+)" height="(\d+)"/>', shown.text)
    assert found
    return int(found[1]), int(found[2])


def ways_on(shown: Response) -> dict[str, str]:
    """The ways to the other parts, by their words."""
    found = re.search(r'<div class="drawn-ways">.*?<form', shown.text, re.DOTALL)
    assert found
    return {
        said: to.replace("&amp;", "&") for to, said in re.findall(r'href="([^"#]*)#drawn">([^<]*)', found[0])
    }


@pytest.mark.parametrize("page", PAGES)
def test_a_part_is_drawn_about_what_the_loom_lacks_and_every_other_is_a_link_away(
    client: TestClient, long: int, page: str
) -> None:
    shown = client.get(f"/pieces/{long}{page}")
    assert shown.status_code == 200
    assert cells_drawn(shown) == (8, 6)
    found = re.search(r"Rows (\d+) to (\d+) of 45, units (\d+) to (\d+) of 13", words(shown))
    assert found
    first_row, last_row, first_unit, last_unit = map(int, found.groups())
    assert first_row <= 21 <= last_row
    assert first_unit <= 5 <= last_unit
    assert not Text(shown.text).refused
    assert not NOT_ON_SCREEN.search(words(shown))
    to, seen = shown, set(range(first_row, last_row + 1))
    while "Earlier rows" in (ways := ways_on(to)):
        to = client.get(ways["Earlier rows"])
        seen |= rows_said(to)
    while "Later rows" in (ways := ways_on(to)):
        to = client.get(ways["Later rows"])
        seen |= rows_said(to)
    assert seen == set(range(1, 46))


def rows_said(shown: Response) -> set[int]:
    found = re.search(r"Rows (\d+) to (\d+) of 45", words(shown))
    assert found
    return set(range(int(found[1]), int(found[2]) + 1))


@pytest.mark.parametrize("page", PAGES)
@pytest.mark.parametrize("field", ["show_row", "show_unit"])
def test_a_part_that_there_is_not_is_refused_in_a_sentence(
    client: TestClient, long: int, page: str, field: str
) -> None:
    for value in ("0", "46", *(value for value in HOSTILE if value.strip())):
        shown = client.get(f"/pieces/{long}{page}", params={field: value})
        assert shown.status_code == 422, value
        assert "it must be a number from 1 to" in words(shown)
        assert cells_drawn(shown) == (8, 6)


def test_all_that_is_told_row_by_row_is_of_the_rows_that_are_shown(client: TestClient, long: int) -> None:
    said = words(client.get(f"/pieces/{long}?show_row=40"))
    assert "Rows 40 to 45 of 45" in said
    assert "3 rows of 45 ask for something" in said
    assert "43 of shaft 2 only unit 8" in said
    assert "21 of shaft" not in said
    shown = client.get(f"/pieces/{long}?show_row=1").text
    table = re.search(r'<table class="rows-table">.*?</table>', shown, re.DOTALL)
    assert table
    assert re.findall(r'<th scope="row">(\d+)</th>', table[0]) == ["1", "2", "3", "4", "5", "6"]


def test_walks_keep_their_numbers(client: TestClient, long: int) -> None:
    whole = {
        number
        for row in range(1, 46, 6)
        for number in re.findall(r"<h3>Walk (\d+),", client.get(f"/pieces/{long}?show_row={row}").text)
    }
    said = re.search(r"(\d+) walks to the back", words(client.get(f"/pieces/{long}")))
    assert said
    assert whole == set(map(str, range(1, int(said[1]) + 1)))


def test_units_are_counted_as_she_counts(client: TestClient, store: Store, long: int) -> None:
    store.set_preferences({"units_from": "right"})
    shown = client.get(f"/pieces/{long}?show_unit=1")
    assert "units 1 to 8 of 13" in words(shown)
    ticks = re.findall(r'<text x="([\d.]+)" y="[\d.]+" text-anchor="middle">(\d+)</text>', shown.text)
    assert {number: at for at, number in ticks}["1"] == "7.5", "the rightmost unit that is drawn"


def test_what_planning_row_by_row_takes_is_not_worked_out_for_a_large_piece(
    client: TestClient, long: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "each temporary put in when it is needed, it would" in words(client.get(f"/pieces/{long}"))
    monkeypatch.setattr(plan_page, "MOST_CELLS_BY_HAND", 100)
    monkeypatch.setattr(plan_page, "hand_rule", None)
    plan_page.hand_totals.cache_clear()
    for page in ("", "/ways"):
        assert "not worked out for so large a piece" in words(client.get(f"/pieces/{long}{page}"))


def test_the_figure_stays_in_sight_and_the_place_that_is_looked_at_is_kept(
    client: TestClient, long: int
) -> None:
    figure = {"first_row": "21", "last_row": "22", "first_unit": "5", "last_unit": "6", "later": "1"}
    shown = client.get(f"/pieces/{long}/ways/places", params=figure | {"to": "-1,1"})
    assert shown.status_code == 200
    assert re.findall(r'class="place-frame" x="(\d+)" y="(\d+)" width="2" height="2"', shown.text)
    on = client.get(ways_on(shown)["Later rows"])
    assert on.status_code == 200
    assert '<h2 id="chosen">1 unit to the left, 1 row later</h2>' in on.text


def test_a_small_piece_is_drawn_whole_and_nothing_is_said_of_it(client: TestClient, piece_id: int) -> None:
    for page in PAGES:
        shown = client.get(f"/pieces/{piece_id}{page}", params={"show_row": "2"})
        assert shown.status_code == 200
        assert cells_drawn(shown) == (9, 3)
        assert "shown here" not in words(shown)


def large(rows: int, units: int) -> Piece:
    return Piece("", Loom((1,) * units, frozenset(), 1), (frozenset({1}),) * rows)


@pytest.mark.parametrize(("rows", "units"), [(1, 1), (2_000, 100), (2_001, 2), (300, 1_000), (100_000, 200)])
def test_no_more_is_drawn_than_a_browser_bears(rows: int, units: int) -> None:
    for row, unit in ((1, 1), (rows, units), (rows // 2 + 1, units // 2 + 1)):
        drawn = Drawn.about(large(rows, units), [row], [unit])
        assert drawn.shows(row, unit)
        assert len(drawn.rows) * len(drawn.units) <= drawings.MOST_CELLS_DRAWN
        assert 1 <= drawn.rows[0] <= drawn.rows[-1] <= rows
        assert 1 <= drawn.units[0] <= drawn.units[-1] <= units
        is_small = rows * units <= drawings.MOST_CELLS_DRAWN and rows <= drawings.MOST_ROWS_DRAWN
        assert drawn.is_whole == is_small


def test_a_part_is_drawn_as_it_stands_in_the_whole() -> None:
    rows = tuple(frozenset({row % 7 + 1, row % 5 + 3}) for row in range(30))
    piece = Piece("", Loom((1, 2, 3, 2, 1, 2, 3, 2), frozenset(), 3), rows)
    drawn = Drawn(range(11, 16), range(3, 8), 30, 8)
    picture = design_picture(piece, [3, 10, 12, 15, 16], Naming.on(piece.loom), drawn)
    for row in drawn.rows:
        y = 15 - row + 0.5
        cells = {
            unit
            for x, at, length in re.findall(r"M(\d+) ([\d.]+)h(\d+)", picture.lifted)
            for unit in range(int(x) + 3, int(x) + 3 + int(length))
            if float(at) == y
        }
        assert cells == {unit for unit in rows[row - 1] if 3 <= unit <= 7}
    assert [(tick.text, tick.at) for tick in picture.walks] == [("2", 5), ("3", 3), ("4", 0)]


def test_of_a_design_that_is_not_wide_only_rows_are_spoken_of() -> None:
    piece = large(5_000, 10)
    view = drawn_view(Drawn.about(piece, [2_000]), Naming.on(piece.loom), "/x", [("most", "3")])
    assert view is not None
    assert view.words == "Rows 1,881 to 2,120 of 5,000"
    assert [said for said, _ in view.ways] == ["Earlier rows", "Later rows"]
    assert view.ways[1][1] == "/x?most=3&show_row=2121#drawn"
    assert view.unit == ""


def test_a_window_of_cells_that_lie_far_apart_is_about_the_first() -> None:
    content = json.loads(piece_text(leashes=[1] * 300, single_cords=[], rows=["#" * 300] * 400))
    piece = read_piece(json.dumps(content))
    near, far, beside = Changed(10, 20, False), Changed(390, 20, False), Changed(12, 290, False)
    window = window_of(piece, [near, far, beside, near])
    assert window.shows(piece, near)
    assert not window.shows(piece, far)
    assert not window.shows(piece, beside)
    assert max(window.units, window.rows) <= 150
