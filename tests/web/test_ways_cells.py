"""What a few cells are worth, and why not: the pages, what they refuse, and what is taken."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any
from urllib.parse import quote

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.design import Band, Design
from server.design.design import piece_text as text_of
from server.design.piece_file import read_piece
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.plan.planner import plan
from server.session.naming import Naming
from server.store.database import Store
from server.ways.few_cells import Better, FewCells, Takes
from server.ways.unaided import Changed
from server.ways.why_not import from_json, lacking_elsewhere, why_not
from server.web import ways_why_not
from server.web.ways_cells import cells_picture, none_words, rest_words, window_of, worth_drawing
from tests.examples import PIECE, piece_text
from tests.web.test_designs import sound
from tests.web.test_pages import HOSTILE, MARKUP, words

FOURTEEN = " ".join(f"{row}.{unit}" for row in (1, 2) for unit in range(1, 8))


@pytest.fixture
def drawn(store: Store) -> int:
    """A piece of a design that was drawn here; its figure is on one side of the turning point."""
    loom = Loom((), frozenset(), 4, spare_shafts=2)
    warp = hang("A warp", loom, (Part("pointed", 4, ends=(5,)),), satin(5, 2))
    bands = (Band(1, "Ground", (9,)), Band(2, "Figure", (4, 5), ("##....#", "##.....", ".#...#."), 2))
    design = Design(7, bands, 2)
    kept = store.board.add_design(store.board.add_warp(write_warp(warp)), "Fish", design)
    text = text_of("Fish", design, warp)
    return store.add_piece(text, plan(read_piece(text)), design=kept)


# --- what a few cells are worth --------------------------------------------------------------------------


def test_the_page_asks_how_many_cells(client: TestClient, piece_id: int) -> None:
    shown = client.get(f"/pieces/{piece_id}/ways/cells")
    assert shown.status_code == 200
    sound(shown)
    assert 'name="most" value="3"' in shown.text
    assert "Take this one" not in shown.text


def test_the_best_designs_stand_side_by_side(client: TestClient, piece_id: int) -> None:
    shown = client.get(f"/pieces/{piece_id}/ways/cells?most=2")
    sound(shown)
    said = words(shown)
    assert "1 cell drawn otherwise saves 5.6 minutes and 2 walks." in said
    assert "As drawn it takes 2 walks and 5.7 minutes." in said
    assert "It takes no walk and 0.1 minutes." in said
    assert "Row 2, unit 3: not lifted" in said
    assert "Then no temporary is needed any more" in said
    assert shown.text.count("Take this one") == 1
    assert client.get(f"/pieces/{piece_id}/ways/cells?most=2&stay=2-2-3-3").text.count("unit 7: lifted") == 1


def test_units_are_called_as_she_counts(client: TestClient, store: Store, piece_id: int) -> None:
    store.set_preferences({"units_from": "right"})
    shown = client.get(f"/pieces/{piece_id}/ways/cells?most=1")
    assert "Row 2, unit 7: not lifted" in words(shown)
    shown = client.get(f"/pieces/{piece_id}/ways/cells?first_row=2&first_unit=7")
    assert "Row 2, unit 7" in words(shown)
    assert 'value="2-2-3-3"' in shown.text


def test_a_block_that_stays_is_kept_on_the_page_until_it_may_change_again(
    client: TestClient, piece_id: int
) -> None:
    here = f"/pieces/{piece_id}/ways/cells"
    shown = client.get(here, params={"first_row": "1", "last_row": "2", "first_unit": "9", "last_unit": "3"})
    assert "Rows 1–2, units 3–9" in words(shown)
    assert f'href="{here}"' in shown.text
    best = client.get(here, params={"stay": "1-3-1-9", "most": "1"})
    assert "So few cells are worth nothing here." in words(best)
    assert "1 cell saves nothing." in words(best)


@pytest.mark.parametrize("text", [text for text in HOSTILE if text] + ["0", "13", "1.5", "-0"])
def test_a_number_of_cells_that_is_none_is_refused(client: TestClient, piece_id: int, text: str) -> None:
    shown = client.get(f"/pieces/{piece_id}/ways/cells", params={"most": text})
    assert shown.status_code == 422
    assert "Changed cells, at most: it must be a number from 1 to 12." in words(shown)
    sound(shown)


def test_what_stays_must_be_of_the_piece(client: TestClient, piece_id: int) -> None:
    for text in (*HOSTILE, "1-1-1-10", "0-1-1-1", "4-4-1-1", "2-1-1-1", MARKUP):
        shown = client.get(f"/pieces/{piece_id}/ways/cells", params={"most": "1", "stay": text})
        assert shown.status_code == 422, text
        sound(shown)


def test_a_piece_that_is_not_there_has_no_such_page(client: TestClient) -> None:
    for piece in ("9", "x", "-1", "9" * 30):
        assert client.get(f"/pieces/{piece}/ways/cells").status_code == 404
        assert client.post(f"/pieces/{piece}/ways/cells/take", data={"cells": "1.1"}).status_code == 404


def test_what_is_taken_becomes_a_design_on_the_same_warp(
    client: TestClient, store: Store, drawn: int
) -> None:
    shown = client.get(f"/pieces/{drawn}/ways/cells?most=1")
    cells = re.search(r'name="cells" value="([0-9. ]+)"', shown.text)
    assert cells
    assert "It becomes a new design on the same warp" in words(shown)
    weaving = store.weaving(drawn)
    assert weaving is not None
    taken = client.post(f"/pieces/{drawn}/ways/cells/take", data={"cells": cells[1]})
    assert taken.status_code == 303
    design = store.board.design(int(taken.headers["location"].removeprefix("/designs/")))
    assert design is not None
    assert design.name == "Fish, 1 cell changed"
    old = ["".join(".#"[unit in row] for unit in range(1, 8)) for row in weaving.piece.rows]
    differ = [
        f"{row}.{unit}"
        for row, (a, b) in enumerate(zip(old, design.design.rows(), strict=True), 1)
        for unit in range(1, 8)
        if a[unit - 1] != b[unit - 1]
    ]
    assert " ".join(differ) == cells[1]
    again = client.post(f"/pieces/{drawn}/ways/cells/take", data={"cells": cells[1]})
    assert again.headers["location"] == taken.headers["location"]


def test_a_piece_that_was_not_drawn_here_becomes_another_piece(
    client: TestClient, store: Store, piece_id: int
) -> None:
    taken = client.post(f"/pieces/{piece_id}/ways/cells/take", data={"cells": "2.3"})
    assert taken.status_code == 303
    weaving = store.weaving(int(taken.headers["location"].removeprefix("/pieces/")))
    assert weaving is not None
    assert weaving.piece.name == "Harbour runner, 1 cell changed"
    assert weaving.order.totals.walks == 0


@pytest.mark.parametrize(
    "text",
    [*HOSTILE, MARKUP, "0.1", "4.1", "1.10", "1.1,2.2", "1.1  2.2", " 1.1", "1.-1", FOURTEEN, "1.1 " * 50],
)
def test_cells_that_are_none_make_nothing(client: TestClient, store: Store, piece_id: int, text: str) -> None:
    shown = client.post(f"/pieces/{piece_id}/ways/cells/take", data={"cells": text})
    assert shown.status_code == 422
    assert "Nothing was made." in words(shown)
    sound(shown)
    assert [line.id for line in store.pieces()] == [piece_id]


# --- which are drawn, and what is said of the others -----------------------------------------------------


def better(cells: int, minutes: float, walks: int = 2) -> Better:
    return Better(tuple(Changed(row, 1, True) for row in range(1, cells + 1)), Takes(minutes, walks, 1), True)


def test_what_saves_a_pull_only_is_told_and_not_drawn() -> None:
    found = FewCells(
        Takes(10, 3, 2), True, (better(1, 9.98, 3), better(2, 7), better(4, 6.98)), (5,), 6, "time"
    )
    drawn = worth_drawing(found)
    assert [len(one.cells) for one in drawn] == [2]
    assert rest_words(found, drawn) == [
        "1 cell saves nothing, but for a pull or two.",
        "3 cells save no more than 2.",
        "4 cells save no more than 2, but for a pull or two.",
        "With 5 cells nothing better was found in the time.",
        "6 cells save no more than 2.",
        "More cells could not be looked at in the time.",
    ]


def test_that_few_cells_are_worth_nothing_is_said_where_it_is_known() -> None:
    takes = Takes(10, 3, 2)
    known = "So few cells are worth nothing here."
    assert none_words(FewCells(takes, True, (), (), 3, "asked")) == known
    for open_one in (
        FewCells(takes, True, (), (2,), 3, "asked"),
        FewCells(takes, True, (), (), 1, "time"),
        FewCells(takes, False, (), (), 3, "asked"),
    ):
        assert none_words(open_one) == (
            "Nothing better was found in the time. Whether so few cells are worth something is not known."
        )


@pytest.mark.parametrize(
    ("units", "told"),
    [
        ([28, 29, 30], ["28–30"]),
        ([28], ["28"]),
        ([28, 29, 36], ["28 and 29", "36"]),
        ([28, 31, 34], ["28", "31", "34"]),
    ],
)
def test_every_changed_cell_has_its_number_at_the_edge(units: list[int], told: list[str]) -> None:
    piece = read_piece(piece_text(leashes=[1] * 60, single_cords=[], rows=["#" * 60] * 60))
    cells = [Changed(unit, unit, False) for unit in units]
    picture = cells_picture(piece, cells, window_of(piece, cells), Naming.on(piece.loom))
    assert [tick.text for tick in picture.unit_ticks] == told
    numbers = [text.replace(" and ", "–").split("–") for text in (tick.text for tick in picture.row_ticks)]
    first_last = {int(number) for group in numbers for number in group}
    assert {min(units), max(units)} <= first_last <= set(units)


@pytest.mark.parametrize("cells", [[(1, 1)], [(3, 9)], [(1, 1), (3, 9)], [(2, 5)]])
def test_the_window_lies_in_the_design_and_has_all_cells_in_it(cells: list[tuple[int, int]]) -> None:
    piece = read_piece(piece_text())
    window = window_of(piece, [Changed(row, unit, True) for row, unit in cells])
    assert (window.left, window.top, window.units, window.rows) == (0, 0, 9, 3)


def test_the_window_of_a_large_design_is_about_the_cells() -> None:
    rows = ["#" * 200] * 100
    content = piece_text(leashes=[1] * 200, single_cords=[], rows=rows)
    window = window_of(read_piece(content), [Changed(50, 100, False), Changed(52, 198, True)])
    assert (window.left, window.left + window.units) == (91, 200)
    assert window.rows == 25
    assert 100 - 52 in range(window.top, window.top + window.rows)
    assert 100 - 50 in range(window.top, window.top + window.rows)


# --- why not ---------------------------------------------------------------------------------------------

NO_PLAN: dict[str, Any] = PIECE | {
    "name": "Too much at once",
    "loom": PIECE["loom"] | {"spare_shafts": 1},
    "rows": ["#..###..#", ".##.#....", "...###..."],
}
"""Row 2 asks for parts of shafts 1 and 2, and there is one spare shaft."""


def brought(client: TestClient, content: dict[str, Any]) -> Response:
    files = {"file": ("piece.json", json.dumps(content), "application/json")}
    answer: Response = client.post("/pieces", files=files)
    return answer


def why_not_of(answer: Response) -> str:
    found = re.search(r'href="(/working/[0-9]+/why-not[^"]*)"', answer.text)
    assert found
    return str(found[1])


def test_where_there_is_no_plan_a_link_leads_to_what_would_do(client: TestClient) -> None:
    shown = client.get(why_not_of(brought(client, NO_PLAN)))
    assert shown.status_code == 200
    sound(shown)
    said = words(shown)
    assert "Each of these would do" in said
    assert "2 spare shafts (1 now)" in said
    assert "1 cell drawn otherwise" in said
    assert (
        "With 1 spare shaft and no spare handle, these are enough that there is no plan. Without any one"
        in said
    )
    assert "Row 2 asks of shaft 1 for unit 2." in said
    assert "Row 2 asks of shaft 2 for unit 3." in said


def test_a_block_that_stays_is_asked_for_where_none_was_written(client: TestClient, piece_id: int) -> None:
    empty = {"first_row": "", "last_row": "", "first_unit": " ", "last_unit": ""}
    shown = client.get(f"/pieces/{piece_id}/ways/cells", params=empty)
    assert shown.status_code == 422
    assert "What shall stay? Write its rows and units first." in words(shown)


def test_that_other_rows_lack_something_too_is_said_first(client: TestClient) -> None:
    rows = [NO_PLAN["rows"][1], "...###...", NO_PLAN["rows"][1], "...###...", NO_PLAN["rows"][1]]
    said = words(client.get(why_not_of(brought(client, NO_PLAN | {"rows": rows}))))
    more = "2 more rows lack something, too; to mend only what stands here is not enough."
    assert said.index(more) < said.index("With 1 spare shaft and no spare handle, these are enough")
    assert "more row" not in words(client.get(why_not_of(brought(client, NO_PLAN))))


def test_rows_in_conflict_are_not_counted_among_the_others() -> None:
    piece = read_piece(json.dumps(NO_PLAN))
    assert lacking_elsewhere(piece, why_not(piece).conflict) == 0
    assert lacking_elsewhere(piece, ()) == 1


def test_where_the_loom_is_changed_stands_with_what_it_lacks(
    client: TestClient, store: Store, drawn: int
) -> None:
    shown = client.get(why_not_of(brought(client, NO_PLAN)))
    assert "change it there, under “loom”, and bring the file in once more." in words(shown)
    assert re.findall(r">(Take [^<]*)</button>", shown.text) == ["Take it with this cell changed"]
    kept = store.board.design(1)
    assert kept is not None
    loom = replace(kept.warp.loom, spare_shafts=0)
    store.board.change_warp(kept.warp_id, write_warp(replace(kept.warp, loom=loom)))
    page = client.post("/designs/1/piece")
    assert page.status_code == 422
    shown = client.get(why_not_of(page))
    assert f'<a href="/warps/{kept.warp_id}">the warp</a>' in shown.text


def test_that_the_time_was_up_is_said(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    address = why_not_of(brought(client, NO_PLAN))
    assert "The time was up" not in words(client.get(address))
    monkeypatch.setattr(ways_why_not, "from_json", lambda content: from_json(content | {"in_time": False}))
    assert "The time was up before all was worked out" in words(client.get(address))


def test_why_not_counts_as_she_does(client: TestClient, store: Store) -> None:
    store.set_preferences({"units_from": "right", "shafts_from": "back"})
    said = words(client.get(why_not_of(brought(client, NO_PLAN))))
    assert "Row 2 asks of shaft 4 for unit 8." in said
    assert "Row 2 asks of shaft 3 for unit 7." in said


def test_the_cells_that_would_do_can_be_taken(client: TestClient, store: Store) -> None:
    here = why_not_of(brought(client, NO_PLAN))
    address = re.search(r'action="(/working/[0-9]+/why-not/take[^"]*)"', client.get(here).text)
    assert address
    taken = client.post(address[1])
    assert taken.status_code == 303
    weaving = store.weaving(int(taken.headers["location"].removeprefix("/pieces/")))
    assert weaving is not None
    assert weaving.piece.name == "Too much at once, 1 cell changed"


@pytest.mark.parametrize("question", [*HOSTILE[1:], "99"])
def test_why_not_of_what_was_not_asked_is_not_there(client: TestClient, question: str) -> None:
    for address in (f"/working/{question}/why-not", f"/working/{question}/why-not/take"):
        address = quote(address)
        answer = client.get(address) if address.endswith("not") else client.post(address)
        assert answer.status_code in (404, 405)


def test_why_not_of_a_plan_that_is_there_is_not_there(client: TestClient) -> None:
    brought(client, PIECE)
    assert client.get("/working/1/why-not").status_code == 404
