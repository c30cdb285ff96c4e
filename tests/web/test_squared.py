"""Squared paper by requests: every stroke that was answered is kept, and nothing that cannot be drawn is."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.design import Band, BandsChanged, Design
from server.design.piece import Piece
from server.design.warp import Part, Warp, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.plan.no_plan import NoPlan, Sentence
from server.plan.planner import plan
from server.plan.workorder import WorkOrder
from server.settings import DATABASE_NAME
from server.store.database import Store
from server.web import squared, takes_words
from server.web.takes_words import cannot
from server.web.turn_to_plan import AT_ONCE, MOST_WAITING, turn_to_plan
from tests.traditions import TRADITIONS
from tests.web.test_pages import words

HEM = Band(1, "Hem", (40,))
BORDER = Band(2, "Border", (4,), (".#...#.", "..###..", "......."))
FIGURE = Band(3, "Figure", (4,), (".......",) * 4)
DESIGN = Design(7, (HEM, BORDER, FIGURE), 3)
KEY = "0123456789abcdef"
STROKE: dict[str, Any] = {"key": KEY, "band": 2, "runs": [[1, 1, 1, 1]]}


def warp(spare: int = 2) -> Warp:
    """Units 1 and 7 on single cords only; 2 to 6 pointed on three shafts."""
    loom = Loom((), frozenset(), 3, spare_shafts=spare)
    parts = (Part("single", 1), Part("pointed", 3), Part("single", 1))
    return hang("Small", loom, parts, satin(5, 2))


@pytest.fixture
def design_id(store: Store) -> int:
    return store.board.add_design(store.board.add_warp(write_warp(warp())), "Runner", DESIGN)


@pytest.fixture
def page(client: TestClient, design_id: int) -> Drawing:
    return Drawing(client, f"/designs/{design_id}")


class Drawing:
    """A page that draws; what it knows is what the last answer said."""

    def __init__(self, client: TestClient, address: str) -> None:
        self.client, self.address, self.strokes = client, address, 0
        self.knows = self.state()

    def state(self) -> dict[str, Any]:
        answer = self.client.get(f"{self.address}/state")
        assert answer.status_code == 200
        state: dict[str, Any] = answer.json()
        return state

    def post(self, where: str, **sent: Any) -> Response:
        return self.client.post(f"{self.address}/{where}", json=sent)

    def draw(self, *runs: list[Any], band: int = 2, key: str = "") -> dict[str, Any]:
        self.strokes += 1
        answer = self.post("strokes", key=key or f"{self.strokes:016x}", band=band, runs=list(runs))
        assert answer.status_code == 200, answer.text
        self.knows = answer.json()
        return self.knows

    def step(self, where: str, **otherwise: Any) -> dict[str, Any]:
        answer = self.post(where, **({"at": self.knows["at"], "mark": self.knows["mark"]} | otherwise))
        assert answer.status_code == 200, answer.text
        self.knows = answer.json()
        return self.knows

    def rows(self, band: int = 2) -> list[str]:
        rows: list[str] = next(one["rows"] for one in self.state()["bands"] if one["number"] == band)
        return rows


def test_the_page_has_the_bands_with_squares_and_begins_with_the_one_asked_for(
    client: TestClient, design_id: int
) -> None:
    shown = client.get(f"/designs/{design_id}")
    assert shown.status_code == 200
    assert re.findall(r'<option value="(\d+)"( selected)?>(\w+)', shown.text) == [
        ("2", " selected", "Border"),
        ("3", "", "Figure"),
    ]
    assert 'data-band="3"' in client.get(f"/designs/{design_id}?band=3").text
    for band in ("1", "99", "x", "-1", "³", "9" * 5000):
        assert 'data-band="2"' in client.get(f"/designs/{design_id}", params={"band": band}).text


def test_without_scripts_the_band_is_a_picture_and_the_page_says_why(
    client: TestClient, store: Store, design_id: int
) -> None:
    shown = client.get(f"/designs/{design_id}").text
    inside = re.search(r"<noscript>(.*?)</noscript>", shown, re.DOTALL)
    assert inside
    assert "Drawing needs scripts" in inside[1]
    assert 'class="design-lifted" d="M1 2.5h1M5 2.5h1M2 1.5h3"' in inside[1]
    large = Design(7, (Band(1, "Long", (4,), (".......",) * 4000),), 1)
    number = store.board.add_design(1, "Long", large)
    assert "7 × 4000" in client.get(f"/designs/{number}").text


def test_a_design_of_plain_ground_only_leads_to_its_bands(
    client: TestClient, store: Store, page: Drawing
) -> None:
    number = store.board.add_design(1, "Plain", Design(7, (HEM,), 1))
    assert "No band of this design has squares yet" in words(client.get(f"/designs/{number}"))
    number = store.board.add_design(1, "Nothing", Design(7, ()))
    assert client.get(f"/designs/{number}").status_code == 200
    assert client.get(f"/designs/{number}/state").json()["bands"] == []


def test_there_is_no_design_of_that_number(client: TestClient, design_id: int) -> None:
    for number in ("0", "99", "x", "-1", "1.5", "³", "9" * 30, "9" * 5000, "%00"):
        for path in ("", "/state", "/takes"):
            assert client.get(f"/designs/{number}{path}").status_code == 404, number + path
        for path, sent in (
            ("strokes", STROKE),
            ("take-back", {"at": 1, "mark": "00000000"}),
            ("make-again", {"at": 1, "mark": "00000000"}),
        ):
            answer = client.post(f"/designs/{number}/{path}", json=sent)
            assert (answer.status_code, answer.json()) == (404, {"sentence": "There is no such design here."})


# --- strokes -------------------------------------------------------------------------------------------


def test_a_stroke_is_kept_in_its_runs_and_their_letters(page: Drawing) -> None:
    first = page.knows
    answer = page.draw([1, 2, 2, 0], [3, 1, 7, "##..#.#"], [2, 4, 4, 0])
    assert page.rows() == [".....#.", "..#.#..", "##..#.#"]
    assert (answer["at"], answer["made"], answer["before"]) == (1, 1, first["mark"])
    assert answer["mark"] == page.state()["mark"] != first["mark"]


def test_a_stroke_handed_in_again_counts_once(page: Drawing) -> None:
    page.draw([1, 1, 1, 1], key=KEY)
    page.draw([1, 1, 1, 0])
    again = page.draw([1, 1, 1, 1], key=KEY)
    assert (again["at"], again["before"]) == (2, None)
    assert page.rows()[0] == ".#...#."


def test_two_tablets_draw_at_once_and_each_hears_of_the_other(client: TestClient, page: Drawing) -> None:
    other = Drawing(client, page.address)
    page.draw([1, 1, 1, 1], key="a" * 16)
    knew = other.knows["mark"]
    assert other.draw([3, 7, 7, 1], key="b" * 16)["before"] != knew, "something else was drawn meanwhile"
    assert page.rows() == ["##...#.", "..###..", "......#"]
    taken = page.step("take-back")
    assert taken["at"] == 2, "it is the other’s stroke that would be taken back"
    assert taken["before"] != taken["mark"] or taken["turned"] is None
    assert page.rows() == ["##...#.", "..###..", "......#"]
    page.step("take-back")
    assert page.rows() == ["##...#.", "..###..", "......."]


def test_an_answered_stroke_is_on_the_disk(client: TestClient, page: Drawing, tmp_path: Path) -> None:
    """Who opens the file anew, as after a power cut, finds it; nothing waits in the server’s memory."""
    page.draw([3, 1, 7, 1])
    page.step("take-back")
    page.step("make-again")
    again = Store(tmp_path / "data" / DATABASE_NAME)
    try:
        kept = again.board.design(1)
        assert kept
        assert kept.design.band(2).rows == (".#...#.", "..###..", "#######")
        assert (kept.at, kept.made) == (1, 1)
    finally:
        again.close()


def test_every_stroke_can_be_taken_back_and_made_again(page: Drawing) -> None:
    first = page.rows()
    page.draw([1, 1, 7, 1])
    page.draw([2, 1, 1, 1], band=3)
    assert page.step("take-back")["turned"] == [{"band": 3, "runs": [[2, 1, 1]]}]
    assert page.step("take-back")["turned"] == [
        {"band": 2, "runs": [[1, 1, 1], [1, 3, 5], [1, 7, 7]]},
    ]
    assert page.rows() == first
    assert page.step("take-back")["turned"] == [], "there is no more"
    page.step("make-again")
    assert page.step("make-again")["turned"] == [{"band": 3, "runs": [[2, 1, 1]]}]
    assert page.rows(3)[1] == "#......"
    assert page.step("make-again")["at"] == 2


def test_where_bands_were_changed_the_page_must_look_anew(store: Store, page: Drawing) -> None:
    store.board.change(1, lambda design: BandsChanged(design.bands, (BORDER,)))
    refused = page.post("strokes", key=KEY, band=3, runs=[[1, 1, 1, 1]])
    assert (refused.status_code, refused.json()["sentence"]) == (
        422,
        "That band is not in the design any more.",
    )
    page.knows = page.state()
    assert page.step("take-back")["turned"] is None
    assert [band["number"] for band in page.state()["bands"]] == [2, 3]


HOSTILE: list[Any] = [
    STROKE | {"band": 1},
    STROKE | {"band": 99},
    STROKE | {"band": 0},
    STROKE | {"band": "2"},
    STROKE | {"band": 2.5},
    STROKE | {"band": True},
    STROKE | {"band": 10**30},
    STROKE | {"key": ""},
    STROKE | {"key": "x" * 16},
    STROKE | {"key": "a" * 65},
    STROKE | {"key": f"{KEY}\n"},
    STROKE | {"key": None},
    STROKE | {"runs": []},
    STROKE | {"runs": None},
    STROKE | {"runs": "1111"},
    STROKE | {"runs": [[]]},
    STROKE | {"runs": [[1, 1, 1]]},
    STROKE | {"runs": [[1, 1, 1, 1, 1]]},
    STROKE | {"runs": [[1, 1, 1, 2]]},
    STROKE | {"runs": [[1, 1, 1, True]]},
    STROKE | {"runs": [[1, 1, 1, 1.0]]},
    STROKE | {"runs": [[1, 1, 1, None]]},
    STROKE | {"runs": [[1, 1, 1, "#."]]},
    STROKE | {"runs": [[1, 1, 3, "#."]]},
    STROKE | {"runs": [[1, 1, 1, "x"]]},
    STROKE | {"runs": [[1, 1, 1, ""]]},
    STROKE | {"runs": [[1, 1, 1, "#\n"]]},
    STROKE | {"runs": [["1", 1, 1, 1]]},
    STROKE | {"runs": [[1.5, 1, 1, 1]]},
    STROKE | {"runs": [[0, 1, 1, 1]]},
    STROKE | {"runs": [[4, 1, 1, 1]]},
    STROKE | {"runs": [[1, 0, 1, 1]]},
    STROKE | {"runs": [[1, 1, 8, 1]]},
    STROKE | {"runs": [[1, 3, 2, 1]]},
    STROKE | {"runs": [[1, 1, 10**9, 1]]},
    STROKE | {"runs": [[1, 1, 10**9, 1]] * 20_000},
    STROKE | {"runs": [[10**30, 1, 1, 1]]},
    STROKE | {"runs": [[1, 1, 1, 1], [1, 1, 8, 1]]},
    STROKE | {"more": 1},
    {"key": KEY},
    [STROKE],
    STROKE["runs"],
    None,
    "",
    1e308,
]


def test_what_is_no_stroke_is_refused_with_a_sentence_and_leaves_no_trace(page: Drawing) -> None:
    before = page.state()
    for sent in HOSTILE:
        answer = page.client.post(f"{page.address}/strokes", json=sent)
        assert answer.status_code == 422, sent
        assert answer.json()["sentence"].endswith("."), sent
    assert page.state() == before


BODIES = [
    b"",
    b"{",
    b"\xff\xfe",
    b'{"key": "\xff"}',
    b"NaN",
    b'{"key": "0123456789abcdef", "band": NaN, "runs": [[1, 1, 1, 1]]}',
    b'{"key": "0123456789abcdef", "band": 2, "runs": [[1, 1, Infinity, 1]]}',
    b'{"key": "0123456789abcdef", "band": 2, "runs": [[1, 1, 1e9, 1]]}',
    b"[" * 100_000,
    b'{"key": "0123456789abcdef", "band": 2, "runs": [[' + b"9" * 10_000 + b", 1, 1, 1]]}",
    b"key=0123456789abcdef&band=2",
]


@pytest.mark.parametrize("where", ["strokes", "take-back", "make-again"])
def test_a_body_that_is_none_is_refused(page: Drawing, where: str) -> None:
    before = page.state()
    for body in BODIES:
        answer = page.client.post(f"{page.address}/{where}", content=body)
        assert answer.status_code == 422, body[:30]
        assert "could not be read" in answer.json()["sentence"], body[:30]
    assert page.state() == before


def test_a_stroke_too_large_for_one_request_is_refused(page: Drawing) -> None:
    answer = page.client.post(f"{page.address}/strokes", content=b"[" * 1_100_000)
    assert answer.status_code == 413


NO_STEPS: list[dict[str, Any]] = [
    {"at": -1, "mark": "00000000"},
    {"at": 1},
    {"at": "1", "mark": "00000000"},
    {"at": 10**30, "mark": "00000000"},
    {"at": 1, "mark": "0"},
    {"at": 1, "mark": "0000000g"},
    {"at": True, "mark": "00000000"},
]


def test_a_step_that_is_none_is_refused(page: Drawing) -> None:
    page.draw([1, 1, 1, 1])
    for sent in NO_STEPS:
        for where in ("take-back", "make-again"):
            assert page.post(where, **sent).status_code == 422, sent
    assert page.state()["at"] == 1


def test_a_step_that_knows_another_drawing_changes_nothing(page: Drawing) -> None:
    page.draw([1, 1, 1, 1])
    for otherwise in ({"mark": "00000000"}, {"at": 2}, {"at": 0}, {"at": 10**9}):
        knew = page.state()
        assert page.step("take-back", **otherwise)["turned"] is None
        assert page.state() == knew


def test_no_stroke_goes_to_a_design_of_another_data_folder(page: Drawing, store: Store) -> None:
    address, right = f"{page.address}/strokes", {"database": store.name}
    answer = page.client.post(address, json=STROKE, headers={"database": "00000000"})
    assert answer.status_code == 421
    assert page.state()["at"] == 0
    assert page.client.post(address, json=STROKE, headers=right).status_code == 200


def test_another_site_draws_nothing(page: Drawing) -> None:
    answer = page.client.post(
        f"{page.address}/strokes", json=STROKE, headers={"origin": "http://evil.example"}
    )
    assert answer.status_code == 403
    assert page.state()["at"] == 0


# --- how it hangs, and how she counts ------------------------------------------------------------------


def test_the_state_tells_how_the_units_hang(page: Drawing) -> None:
    state = page.state()
    assert (state["leashes"], state["cords"], state["units"]) == ([0, 1, 2, 3, 2, 1, 0], [1, 7], 7)
    assert (state["shafts"], state["shaftsFrom"], state["unitsFrom"]) == (3, "weaver", "left")


@pytest.mark.parametrize(("shafts_from", "units_from"), TRADITIONS)
def test_the_page_hears_how_she_counts(page: Drawing, shafts_from: str, units_from: str) -> None:
    page.client.post("/preferences", data={"shafts_from": shafts_from, "units_from": units_from})
    state = page.state()
    assert (state["shaftsFrom"], state["unitsFrom"]) == (shafts_from, units_from)
    assert state["leashes"] == [0, 1, 2, 3, 2, 1, 0], "where they hang, no counting changes"


# --- what it takes -------------------------------------------------------------------------------------


def test_the_minutes_count_along(page: Drawing) -> None:
    answer = page.client.get(f"{page.address}/takes")
    assert answer.json() == {"said": "No walk, 0.1 minutes besides the weaving.", "can": True}
    tag = {"if-none-match": answer.headers["etag"]}
    again = page.client.get(f"{page.address}/takes", headers=tag)
    assert (again.status_code, again.content) == (304, b"")
    page.draw([1, 2, 2, 0])
    said = page.client.get(f"{page.address}/takes", headers=tag).json()["said"]
    assert re.fullmatch(r"2 walks, [\d.]+ minutes besides the weaving\.", said)


def test_why_the_loom_cannot_weave_it_is_said_as_she_counts(client: TestClient, store: Store) -> None:
    warp_id = store.board.add_warp(write_warp(warp(spare=0)))
    number = store.board.add_design(warp_id, "x", Design(7, (Band(1, "x", (4,), (".#.....",)),), 1))
    answer = client.get(f"/designs/{number}/takes").json()
    assert not answer["can"]
    assert "shaft 1" in answer["said"]
    client.post("/preferences", data={"shafts_from": "back"})
    assert "shaft 3" in client.get(f"/designs/{number}/takes").json()["said"]
    nothing = store.board.add_design(warp_id, "y", Design(7, ()))
    assert "Nothing" not in client.get(f"/designs/{nothing}/takes").json()["said"]
    assert "nothing to weave yet" in client.get(f"/designs/{nothing}/takes").json()["said"]


def test_before_anything_is_drawn_there_is_nothing_to_plan(
    client: TestClient, store: Store, page: Drawing
) -> None:
    number = store.board.add_design(1, "Empty", Design(7, (HEM, FIGURE), 3))
    answer = client.get(f"/designs/{number}/takes").json()
    assert answer == {"said": "Nothing is drawn yet.", "can": True, "empty": True}
    assert "empty" not in client.get(f"{page.address}/takes").json()


def test_why_the_loom_cannot_weave_it_is_said_with_the_band_and_its_row(
    client: TestClient, store: Store
) -> None:
    """No row of the piece is named: she would look for it on the wrong line of the paper."""
    warp_id = store.board.add_warp(write_warp(warp(spare=0)))
    flag = Band(4, "The {}\u00a0signal {0} {flag", (4,), (".......", ".......", ".#....."), times=2)
    number = store.board.add_design(warp_id, "x", Design(7, (HEM, replace(FIGURE, number=5), flag), 5))
    answer = client.get(f"/designs/{number}/takes").json()
    assert answer["said"].startswith("“The {} signal {0} {flag”, row 3, asks for a part of shaft 1.")
    assert "single draw cords on the unit that needs a temporary" in answer["said"]
    assert answer["places"] == [{"band": 4, "row": 3, "words": "To “The {} signal {0} {flag”, row 3"}]
    alone = store.board.add_design(warp_id, "y", Design(7, (HEM, flag), 5))
    answer = client.get(f"/designs/{alone}/takes").json()
    assert answer["said"].startswith("Row 3 asks for a part of shaft 1.")
    assert [place["words"] for place in answer["places"]] == ["To row 3"]


def test_many_shafts_are_counted_and_which_they_are_is_folded_away(client: TestClient, store: Store) -> None:
    loom = Loom((), frozenset(), 40, spare_shafts=2)
    wide = hang("Wide", loom, (Part("pointed", 40),), satin(5, 2))
    row = "#" * 38 + "." * (wide.units - 38)
    warp_id = store.board.add_warp(write_warp(wide))
    number = store.board.add_design(warp_id, "x", Design(wide.units, (Band(1, "x", (4,), (row,)),), 1))
    answer = client.get(f"/designs/{number}/takes").json()
    assert answer["said"] == (
        "Row 1 asks for parts of 38 shafts at once; you have 2 spare. For so much, single draw cords "
        "are the right way: 38 units would need one."
    )
    assert answer["more"].endswith("38 spare shafts would do, everything else as it is.")
    assert "36, 37 and 38" in answer["more"]


@pytest.mark.parametrize(
    ("rows", "told", "places"),
    [
        ((2, 3, 4), "“Border”, rows 1 to 3, ask", [(2, 1), (2, 2)]),
        ((3, 6), "“Border”, row 2, and “Figure”, row 2, ask", [(2, 2), (3, 2)]),
        ((3,), "“Border”, row 2, asks", [(2, 2)]),
        ((), "No walk may be made after it", []),
    ],
)
def test_rows_of_the_piece_are_told_in_their_bands(
    rows: tuple[int, ...], told: str, places: list[tuple[int, int]]
) -> None:
    words = "{rows} for a part of shaft {}." if rows else "No walk may be made after it."
    said = cannot(NoPlan(Sentence(words, (2,), rows)), DESIGN, 20, lambda shaft: shaft)
    assert said["said"].startswith(f"{told} for a part of shaft 2." if rows else f"{told}.")
    assert [(place["band"], place["row"]) for place in said["places"]] == places


def test_with_very_many_temporaries_the_right_way_is_said(
    monkeypatch: pytest.MonkeyPatch, page: Drawing
) -> None:
    page.draw([1, 2, 2, 0])
    assert "single draw cords" not in page.client.get(f"{page.address}/takes").json()["said"]
    monkeypatch.setattr(takes_words, "MANY_TEMPORARIES", 1)
    said = page.client.get(f"{page.address}/takes").json()["said"]
    assert said.endswith(
        "1 times a temporary is put in. "
        "With single draw cords on the unit that needs a temporary it can be woven, too."
    )


def test_while_other_plans_are_worked_out_it_says_so(page: Drawing) -> None:
    for _ in range(AT_ONCE + MOST_WAITING):
        assert turn_to_plan.places.acquire(blocking=False)
    try:
        answer = page.client.get(f"{page.address}/takes")
    finally:
        turn_to_plan.places.release(AT_ONCE + MOST_WAITING)
    assert answer.json() == {"said": "Still working it out.", "again": True}
    assert "etag" not in answer.headers


def test_a_design_is_worked_out_by_one_at_a_time(page: Drawing, monkeypatch: pytest.MonkeyPatch) -> None:
    inside: list[Any] = []

    def slow_plan(piece: Piece, limit: float) -> WorkOrder:
        assert limit == squared.SECONDS_TO_PLAN
        inside.append(page.client.get(f"{page.address}/takes").json())
        return plan(piece, limit=limit)

    monkeypatch.setattr(squared, "plan", slow_plan)
    for _ in range(2):
        assert page.client.get(f"{page.address}/takes").json()["can"]
    assert inside == [{"said": "Still working it out.", "again": True}] * 2


# --- the box of figures --------------------------------------------------------------------------------


def test_figures_are_kept_shown_and_thrown_away(client: TestClient) -> None:
    sent = {"name": "  A  gull ", "rows": ["#.#", ".#."]}
    number = client.post("/figures", json=sent).json()["id"]
    assert client.get("/figures").json() == [{"id": number, "name": "A gull", "rows": ["#.#", ".#."]}]
    assert client.post(f"/figures/{number}/away").status_code == 200
    assert client.get("/figures").json() == []
    assert client.post(f"/figures/{number}/away?back=1").status_code == 200
    assert len(client.get("/figures").json()) == 1
    for other in ("99", "x", "³", "9" * 5000):
        assert client.post(f"/figures/{other}/away").status_code == 404


NO_FIGURES: list[Any] = [
    {"name": "x", "rows": []},
    {"name": "x", "rows": [""]},
    {"name": "x", "rows": ["#", "##"]},
    {"name": "x", "rows": ["x"]},
    {"name": "x", "rows": ["#\n#"]},
    {"name": "x", "rows": [1]},
    {"name": "x", "rows": "#"},
    {"name": "x" * 201, "rows": ["#"]},
    {"name": 1, "rows": ["#"]},
    {"rows": ["#"]},
    {"name": "x", "rows": ["#" * 500] * 501},
    {"name": "x", "rows": ["#"], "id": 3},
    [],
]


def test_what_is_no_figure_is_not_kept(client: TestClient) -> None:
    for sent in NO_FIGURES:
        answer = client.post("/figures", json=sent)
        assert answer.status_code == 422, str(sent)[:60]
        assert answer.json()["sentence"].endswith("."), str(sent)[:60]
    assert client.get("/figures").json() == []


def test_names_from_the_weaver_are_only_words(client: TestClient, store: Store) -> None:
    evil = "<script>alert(1)</script>"
    store.board.add_warp(write_warp(warp()))
    design = Design(7, (Band(1, evil, (4,), (".......",)), Band(2, f"{evil}2", (4,), (".......",))), 2)
    number = store.board.add_design(1, evil, design)
    assert evil not in client.get(f"/designs/{number}").text
