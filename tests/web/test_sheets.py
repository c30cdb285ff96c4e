"""Sheets to print: what is on each, how it is dealt out on leaves, and what of a choice is refused."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import replace
from math import ceil
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from server.design.piece_file import read_piece
from server.design.threads import Threads, threads_content
from server.loom.ground import satin
from server.loom.leashes import pointed
from server.loom.state import Loom
from server.loom.steps import Insert, Label, MoveCords, Withdraw
from server.plan.planner import plan
from server.session.naming import Naming, ShaftsFrom
from server.session.place import Tap
from server.session.treadling import Side
from server.settings import resource_dir
from server.store.database import Store
from server.web import sheets
from server.web.rendering import Preferences
from server.web.sheets import (
    MOST_ROWS,
    SHEETS,
    BandBegins,
    Leaf,
    OrderDrawing,
    RowToTick,
    ShaftTable,
    TemporaryBlock,
    WalkToTick,
    all_leaves,
    column_widths,
    lift_leaves,
    order_drawings,
    order_leaves,
    shaft_lines,
    stretches_of,
    temporary_blocks,
    treadles_text,
)
from tests.examples import PIECE, piece_order
from tests.traditions import PIECES
from tests.web.test_pages import HOSTILE, MARKUP, NOT_ON_SCREEN, Text, begin, words
from tests.web.test_put_right import now, take_out, weave_on_to
from tests.web.test_traditions import every_tradition, mirrored, two_houses

LOOM: dict[str, Any] = {"name": "Small", "pattern_shafts": 5, "treadles": 3, "spare_shafts": 4}


def long_piece(rows: int, **extra: Any) -> str:
    """A piece without temporaries, of so many rows."""
    leashes = [1, 2, 3, 4, 5, 4, 3, 2, 1]
    shown = ["#...#...#", "..#...#..", "....#....", "........."]
    return json.dumps(
        {
            "format": "spareshaft-piece",
            "version": 1,
            "name": "Long towel",
            "loom": LOOM,
            "leashes": leashes,
            "rows": [shown[row % 4] for row in range(rows)],
            "picks_per_row": [3, 2],
            "extra": extra,
        }
    )


def bring(store: Store, text: str) -> int:
    return store.add_piece(text, plan(read_piece(text)))


def leaves_of(store: Store, piece: int, *names: str, chosen: Preferences | None = None) -> list[Leaf]:
    weaving = store.weaving(piece)
    assert weaving
    wanted = [name for name in SHEETS if name in names]
    return all_leaves(weaving, chosen or Preferences(), wanted, 1, min(MOST_ROWS, len(weaving.piece.rows)))


def lines_of(leaves: list[Leaf], kind: type) -> list[Any]:
    return [line for leaf in leaves for line in leaf.lines if isinstance(line, kind)]


# --- the lift plan -------------------------------------------------------------------------------------


def test_the_lift_plan_says_row_by_row_what_the_work_order_of_the_contract_says(
    store: Store, piece_id: int
) -> None:
    leaves = leaves_of(store, piece_id, "lift")
    assert [leaf.title for leaf in leaves] == ["Lift plan, rows 1–3"]
    assert list(leaves[0].lines) == [  # WORKORDER.md
        RowToTick(1, "5", "1 2 3 4 5", "3, 4", "1, 9", ""),
        WalkToTick(
            "Walk 1, after row 1",
            (
                "Tape a number on shaft 2",
                "Insert temporary 2a",
                "Move the cords of handle 2 to temporary 2a",
                "Test lift of handle 2 alone",
            ),
        ),
        RowToTick(2, "5", "1 2 3 4 5", "2, 3", "", "2a"),
        RowToTick(3, "5", "1 2 3 4 5", "3, 4", "", ""),
        WalkToTick(
            "Walk 2, after row 3",
            (
                "Move the cords of handle 2 back to shaft 2",
                "Draw out temporary 2a",
                "Test lift of handle 2 alone",
            ),
        ),
    ]


def test_every_row_stands_once_and_in_order_and_each_leaf_says_which(store: Store) -> None:
    leaves = leaves_of(store, bring(store, long_piece(200)), "lift")
    rows = [line.row for line in lines_of(leaves, RowToTick)]
    assert rows == list(range(1, 201))
    assert len(leaves) > 3
    for leaf in leaves:
        here = [line.row for line in leaf.lines if isinstance(line, RowToTick)]
        assert leaf.title == f"Lift plan, rows {here[0]}–{here[-1]}"
    # each is filled before the next is begun
    assert len({len(leaf.lines) for leaf in leaves[:-1]}) == 1
    assert len(leaves[-1].lines) <= len(leaves[0].lines)
    assert len(leaves[0].lines) > 30


def test_bands_are_named_where_they_begin_and_where_a_leaf_goes_on_with_one(store: Store) -> None:
    bands = [{"name": "Border", "rows": 4, "times": 2}, {"name": " ", "rows": 92}]
    leaves = leaves_of(store, bring(store, long_piece(100, bands=bands)), "lift")
    text = [line.text for line in lines_of(leaves, BandBegins)]
    assert text[:3] == [
        "Border, rows 1–4, time 1 of 2",
        "Border, rows 5–8, time 2 of 2",
        "A band without a name, rows 9–100",
    ]
    assert text[3:] == ["A band without a name, rows 9–100, goes on"] * (len(leaves) - 1)
    assert leaves[0].lines[0] == BandBegins(text[0])


def test_no_walk_and_no_band_is_parted_from_the_row_after_it(store: Store) -> None:
    bands = [{"name": "B", "rows": 1, "times": 80}]
    leaves = leaves_of(store, bring(store, long_piece(80, bands=bands)), "lift")
    assert len(leaves) > 1
    assert all(isinstance(leaf.lines[-1], RowToTick) for leaf in leaves)


def harbour_runner(store: Store) -> int:
    return bring(store, (resource_dir("demo_data") / "harbour_runner.json").read_text("utf-8"))


def test_a_walk_is_numbered_through_and_parted_only_in_the_midst_of_it(store: Store) -> None:
    piece = harbour_runner(store)
    weaving = store.weaving(piece)
    assert weaving
    leaves = leaves_of(store, piece, "lift")
    walks: dict[str, list[WalkToTick]] = {}
    for walk in lines_of(leaves, WalkToTick):
        walks.setdefault(walk.text, []).append(walk)
    steps = sum(isinstance(card.step, Label | Insert | MoveCords | Withdraw) for card in weaving.cards)
    told = [thing for parts in walks.values() for walk in parts for thing in walk.things]
    assert sum(not thing.startswith("Test lift") for thing in told) == steps
    assert any(len(parts) > 1 for parts in walks.values())
    for parts in walks.values():
        done = 0
        for part in parts:
            assert part.first == done + 1
            done += len(part.things)
            assert len(parts) == 1 or len(part.things) >= 5
    for leaf in leaves:
        first = next(line for line in leaf.lines if not isinstance(line, BandBegins))
        assert all(line.first == 1 for line in leaf.lines if isinstance(line, WalkToTick) and line != first)


def test_each_step_of_a_walk_stands_on_a_line_of_its_own_with_its_number(
    client: TestClient, store: Store
) -> None:
    piece = harbour_runner(store)
    html = client.get(f"/pieces/{piece}/sheets?sheet=lift").text
    walks = lines_of(leaves_of(store, piece, "lift"), WalkToTick)
    found = re.findall(
        r'<li><span class="box"></span> <span class="walk-number">(\d+)\.</span> <span>([^<]*)</span></li>',
        html,
    )
    assert found == [
        (str(number), thing) for walk in walks for number, thing in enumerate(walk.things, walk.first)
    ]
    heads = re.findall(r'<tr class="walk-line"><td colspan="\d+"><strong>([^<]*)</strong>', html)
    assert heads == [walk.text + ", goes on" * (walk.first > 1) for walk in walks]


def test_a_leaf_with_nothing_but_the_rest_of_a_walk_is_called_after_it(
    store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "_LEAF", 34.0)
    leaves = leaves_of(store, piece_id, "lift")
    assert leaves[-1].title == "Lift plan, walk 2, after row 3"


@pytest.mark.parametrize(
    ("handles", "cords", "away", "widths"),
    [
        ("none", "", "", (118, 0, 0)),
        ("none", "", "7a", (40, 0, 78)),
        ("26–35", "", "26a, 27a, 28a, 29a, 30a, 31a, 32a, 33a, 34a, 35a", (40, 0, 78)),
        ("1, 3, 5, 7, 9, 11, 13, 15, 17, 19", "", "7a", (80, 0, 38)),
        ("none", "1, 3, 5, 7, 9, 11", "", (40, 78, 0)),
        ("none", "1, 9", "7a", (40, 30, 48)),
    ],
)
def test_columns_are_as_wide_as_what_is_in_them_needs(
    handles: str, cords: str, away: str, widths: tuple[int, int, int]
) -> None:
    row = RowToTick(1, "5", "1 2 3 4 5", handles, cords, away)
    assert column_widths([row, WalkToTick("Walk 1", ())]) == widths
    wider = column_widths([replace(row, treadles="")])
    assert sum(wider) == 143


def test_every_width_of_a_column_is_in_the_style_sheet() -> None:
    css = (resource_dir("static") / "sheets.css").read_text("utf-8")
    known = {int(one) for one in re.findall(r"\.mm-(\d+) \{ width: \1mm; \}", css)}
    assert known == set(range(30, 120, 10))
    for handles in range(1, 60, 3):
        for cords in range(0, 60, 5):
            text = ", ".join(map(str, range(101, 101 + handles)))
            row = RowToTick(1, "5", "", text, ", ".join(map(str, range(cords))), "7a, 8a")
            widths = column_widths([row])
            assert {widths.handles, *([widths.cords] if cords else [])} <= known


def test_some_rows_of_the_lift_plan_come_with_the_walks_that_belong_to_them(
    store: Store, piece_id: int
) -> None:
    weaving = store.weaving(piece_id)
    assert weaving

    def told(first: int, last: int) -> list[str | int]:
        leaves = lift_leaves(weaving, Preferences(), first, last)
        return [getattr(line, "row", 0) or line.text for leaf in leaves for line in leaf.lines]  # type: ignore[attr-defined]

    assert told(1, 1) == [1]
    assert told(2, 2) == ["Walk 1, after row 1", 2]
    assert told(3, 3) == [3, "Walk 2, after row 3"]


def test_a_plan_made_on_the_way_is_what_is_printed(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "walk", 1)
    take_out(client, piece_id, row="0")
    shown = client.get(f"/pieces/{piece_id}/sheets?sheet=lift")
    assert "made anew on the way" in words(shown)
    rows = [(line.row, line.picks) for line in lines_of(leaves_of(store, piece_id, "lift"), RowToTick)]
    assert rows == [(1, "take out 5"), (1, "5"), (2, "5"), (3, "5")]


def test_of_a_row_that_is_begun_the_picks_that_are_still_to_come_are_told(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    take_out(client, piece_id, picks="3")
    rows = [(line.row, line.picks) for line in lines_of(leaves_of(store, piece_id, "lift"), RowToTick)]
    assert rows == [(2, "take out 3"), (2, "3 more"), (3, "5")]


def test_a_spare_handle_says_what_it_lifts(store: Store) -> None:
    away = [line.away for line in lines_of(leaves_of(store, bring(store, PIECES[0]), "lift"), RowToTick)]
    assert any(re.search(r"S1: \d[a-z]", text) for text in away)
    assert any(re.match(r"\d[a-z]", text) for text in away)


def test_the_treadles_of_a_long_row_are_told_by_its_ends() -> None:
    assert treadles_text((1, 2, 3)) == "1 2 3"
    assert treadles_text(tuple(range(1, 41))) == "1 2 3 4 5 6 … 38 39 40"


# --- the leash order -----------------------------------------------------------------------------------


def dots_of(drawing: Any) -> set[tuple[float, float]]:
    return {(float(x), float(y)) for x, y in re.findall(r"M([\d.]+) ([\d.]+)h0", drawing.dots)}


@pytest.mark.parametrize("units_from", ["left", "right"])
@pytest.mark.parametrize("shafts_from", ["weaver", "back"])
def test_each_unit_is_a_dot_on_the_line_of_its_shaft(shafts_from: Any, units_from: Any) -> None:
    piece = read_piece(PIECES[1])
    naming = Naming.on(piece.loom, shafts_from, units_from)
    (drawing,) = order_drawings(piece.loom, naming)
    line_of = {tick.text: tick.at for tick in drawing.shafts}
    hers = naming.loom(piece.loom).leashes
    units = range(1, len(hers) + 1)
    across = {unit: (unit if units_from == "left" else len(hers) + 1 - unit) - 0.5 for unit in units}
    assert dots_of(drawing) == {(across[unit], line_of[str(hers[unit - 1])]) for unit in units}
    lowest = max(line_of, key=lambda name: line_of[name])
    assert lowest == ("1" if shafts_from == "weaver" else str(piece.loom.pattern_shafts))
    for tick in drawing.ticks:
        assert across[int(tick.text)] == tick.at


def test_units_on_single_draw_cords_only_have_no_dot(store: Store, piece_id: int) -> None:
    weaving = store.weaving(piece_id)
    assert weaving
    (drawing,) = order_drawings(weaving.piece.loom, Naming.on(weaving.piece.loom))
    assert len(dots_of(drawing)) == 7
    assert drawing.cords.count("M") == 2
    assert drawing.cord_y is not None


@pytest.mark.parametrize("units", [1, 40, 70, 71, 500, 5_000])
def test_a_wide_warp_is_drawn_in_stretches_of_nearly_the_same_width(units: int) -> None:
    stretches = stretches_of(units)
    assert [unit for stretch in stretches for unit in stretch] == list(range(1, units + 1))
    assert max(map(len, stretches)) <= 70
    assert max(map(len, stretches)) - min(map(len, stretches)) <= len(stretches)


def test_the_table_counts_units_and_leashes_of_each_shaft() -> None:
    extra = {"leashes_per_unit": [1, 2, 2, 2, 3, 2, 2, 2, 1]}
    piece = read_piece(json.dumps(PIECE | {"loom": PIECE["loom"] | {"extra": extra}}))
    told = [
        (line.name, line.units, line.leashes, line.which)
        for line in shaft_lines(piece.loom, Naming.on(piece.loom))
    ]
    assert told == [
        ("Shaft 1", "2", "4", "2, 8"),
        ("Shaft 2", "2", "4", "3, 7"),
        ("Shaft 3", "2", "4", "4, 6"),
        ("Shaft 4", "1", "3", "5"),
        ("Single draw cords", "2", "", "1, 9"),
    ]


def test_a_shaft_with_very_many_leashes_has_several_lines_each_unit_in_one() -> None:
    order = pointed(2, 1_000)
    piece = read_piece(
        json.dumps(
            {
                "format": "spareshaft-piece",
                "version": 1,
                "name": "",
                "loom": {"pattern_shafts": 2},
                "leashes": list(order.leashes),
                "rows": ["." * len(order)],
            }
        )
    )
    lines = shaft_lines(piece.loom, Naming.on(piece.loom))
    assert len(lines) > 10
    assert sum(len(line.which.split(", ")) for line in lines) == len(order)
    assert len(order_leaves(piece.loom, Naming.on(piece.loom))) > 2


def shafts_of_two(shafts: int) -> Loom:
    """Each shaft carries two units."""
    return Loom(
        leashes=(*range(1, shafts + 1), *range(shafts, 0, -1)),
        single_cords=frozenset(),
        pattern_shafts=shafts,
    )


def test_the_table_shares_a_page_with_the_drawing_where_both_fit() -> None:
    loom = shafts_of_two(14)
    (leaf,) = order_leaves(loom, Naming.on(loom))
    assert leaf.title == "Leash order, units 1–28, and shaft by shaft"
    drawing, table = leaf.lines
    assert isinstance(drawing, OrderDrawing)
    assert isinstance(table, ShaftTable)
    assert [len(column) for column in table.columns] == [14]


@pytest.mark.parametrize("shafts", [1, 2, 14, 40, 60, 75, 100, 150, 400])
def test_a_long_table_stands_in_two_columns_with_every_shaft_once_and_in_order(shafts: int) -> None:
    loom = shafts_of_two(shafts)
    tables = [
        line
        for leaf in order_leaves(loom, Naming.on(loom))
        for line in leaf.lines
        if isinstance(line, ShaftTable)
    ]
    told = [line for table in tables for column in table.columns for line in column]
    assert told == shaft_lines(loom, Naming.on(loom))
    assert all(table.columns and all(table.columns) for table in tables)
    assert [len(table.columns) for table in tables[:-1]] == [2] * (len(tables) - 1)
    assert len(tables) == ceil(shafts / 64)  # 32 lines to a column


# --- the temporaries, the labels, the cloth ------------------------------------------------------------


def test_a_temporary_is_told_in_full(store: Store, piece_id: int) -> None:
    weaving = store.weaving(piece_id)
    assert weaving
    (block,) = temporary_blocks(weaving, Preferences())
    assert (block.name, block.shaft, block.units, block.number) == ("2a", 2, "3", 1)
    assert block.counting == "Of the 2 leashes on shaft 2, behind the loom, counting from your left:"
    assert [(each.take, each.text) for each in block.stretches] == [(False, "pass 1"), (True, "take 1")]
    assert block.goes_in == "after row 1"
    assert block.cords == (
        "after row 1: move the cords of handle 2 to temporary 2a",
        "after row 3: move the cords of handle 2 back to shaft 2",
    )
    assert block.comes_out == "at the end, after the last row"
    assert "Counting cannot tell shaft 2 from 1 and 3" in block.check


@pytest.mark.parametrize("stance", ["behind-left", "behind-right", "left-side"])
def test_temporaries_are_counted_as_on_the_card(client: TestClient, store: Store, stance: str) -> None:
    piece = bring(store, PIECES[1])
    client.post("/preferences", data={"stance": stance})
    begin(client, piece)
    weaving = store.weaving(piece)
    assert weaving
    paper = words(client.get(f"/pieces/{piece}/sheets?sheet=temporaries"))
    for card in weaving.cards:
        if card.kind == "insert":
            for number in range(now(store, piece).place.card, card.number):
                store.tap(piece, Tap("next", number, number + 1))
            runs = re.search(
                r"(?:take|pass) \d+(?:, (?:take|pass) \d+)+", words(client.get(f"/pieces/{piece}/loom"))
            )
            assert runs
            assert runs[0].replace(", ", " ") in paper


def test_the_sheet_of_temporaries_warns_once_and_refers_to_the_loom_maker(
    client: TestClient, piece_id: int
) -> None:
    text = words(client.get(f"/pieces/{piece_id}/sheets?sheet=temporaries"))
    for caution in (
        "Nobody at the handles while you are behind.",
        "See the loom maker’s instructions.",
        "Prop the shaft, do not hold it.",
        "The cords must be unlocked and slack before you unhook them.",
    ):
        assert text.count(caution) == 1
    assert "Lift shaft 2 by hand and prop it" in text


def test_each_shaft_that_takes_part_and_each_temporary_has_a_label_to_be_read_from_both_sides(
    client: TestClient, store: Store
) -> None:
    piece = bring(store, PIECES[1])
    weaving = store.weaving(piece)
    assert weaving
    names = {line.name for line in temporary_blocks(weaving, Preferences())}
    names |= {re.sub("[a-z]", "", name) for name in names}
    html = client.get(f"/pieces/{piece}/sheets?sheet=labels").text
    labels = re.findall(
        r'label-half[^>]*><span>([^<]*)</span></span><span class="label-half[^>]*><span>([^<]*)<', html
    )
    assert {one for one, _ in labels} == names
    assert len(labels) == len(names)
    assert all(one == other for one, other in labels)


def test_a_piece_without_temporaries_has_neither_sheets_of_them_nor_labels(
    client: TestClient, store: Store
) -> None:
    piece = bring(store, long_piece(8))
    answer = client.get(f"/pieces/{piece}/sheets")
    assert answer.status_code == 200
    assert "The temporaries, with what to take and to pass (this plan has none)" in words(answer)
    assert 'class="leaf leaf-temporaries"' not in answer.text
    assert 'class="leaf leaf-labels"' not in answer.text
    alone = client.get(f"/pieces/{piece}/sheets?sheet=labels")
    assert alone.status_code == 200
    assert 'id="print"' not in alone.text


def test_the_cloth_is_a_picture_with_its_measures_where_the_piece_tells_its_threads(
    client: TestClient, store: Store
) -> None:
    text = long_piece(40, threads=threads_content(Threads((4,) * 9, satin(5, 2))))
    content = json.loads(text)
    content["loom"] = LOOM | {"treadles": 5}
    piece = bring(store, json.dumps(content))
    answer = client.get(f"/pieces/{piece}/sheets?sheet=cloth")
    text = words(answer)
    for fact in (
        "Units 9",
        "Rows 40",
        "Picks 100",
        "Ends 36",
        "Width in the reed 1.8 cm",
        "Height as woven 5.0 cm",
    ):
        assert fact in text
    picture = re.search(r'<img class="woven" src="([^"]+)" width="(\d+)" height="(\d+)"', answer.text)
    assert picture
    assert int(picture[3]) / int(picture[2]) == pytest.approx(5 / 1.8, rel=0.01)
    drawn = client.get(picture[1])
    assert (drawn.status_code, drawn.headers["content-type"]) == (200, "image/png")


def test_without_threads_the_cloth_is_the_design(client: TestClient, piece_id: int) -> None:
    answer = client.get(f"/pieces/{piece_id}/sheets?sheet=cloth")
    assert '<svg class="design' in answer.text
    assert "Ends" not in words(answer)


# --- the page ------------------------------------------------------------------------------------------


def test_all_sheets_are_shown_at_first_and_then_those_that_are_chosen(
    client: TestClient, piece_id: int
) -> None:
    def kinds(query: str) -> list[str]:
        return re.findall(
            r'<div class="leaf leaf-(\w+)"', client.get(f"/pieces/{piece_id}/sheets{query}").text
        )

    assert kinds("") == ["lift", "order", "temporaries", "labels", "cloth"]
    assert kinds("?sheet=labels&sheet=order&chosen=yes") == ["order", "labels"]


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("?chosen=yes", "Choose a sheet"),
        ("?sheet=x", "There is no such sheet"),
        ("?sheet=lift&first=0", "The first row: it must be a number from 1 to 3."),
        ("?sheet=lift&first=3&last=2", "The last row: it must be 3."),
        ("?sheet=lift&last=4", "The last row: it must be a number from 1 to 3."),
    ],
)
def test_what_cannot_be_printed_is_said(client: TestClient, piece_id: int, query: str, said: str) -> None:
    answer = client.get(f"/pieces/{piece_id}/sheets{query}")
    assert answer.status_code == 422
    assert said in words(answer)
    assert 'class="leaf' not in answer.text


@pytest.mark.parametrize("value", [value for value in HOSTILE if value.strip()] + [MARKUP])
def test_nonsense_in_the_address_is_answered_with_a_sentence(
    client: TestClient, piece_id: int, value: str
) -> None:
    for name in ("sheet", "first", "last"):
        answer = client.get(f"/pieces/{piece_id}/sheets", params={name: value})
        assert answer.status_code == 422, (name, value)
        assert 'role="alert"' in answer.text
        assert "<script>alert" not in answer.text
    assert client.get("/pieces/999/sheets").status_code == 404


def test_a_very_long_piece_is_printed_in_parts(
    client: TestClient, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheets, "MOST_ROWS", 50)
    piece = bring(store, long_piece(60))
    answer = client.get(f"/pieces/{piece}/sheets?sheet=lift")
    assert answer.text.count('<tr class="row-line') == 50
    refused = client.get(f"/pieces/{piece}/sheets?sheet=lift&first=1&last=51")
    assert refused.status_code == 422
    assert "At most 50 rows" in words(refused)
    rest = client.get(f"/pieces/{piece}/sheets?sheet=lift&first=51")
    assert rest.text.count('<tr class="row-line') == 10


def test_the_sheets_are_in_her_words_and_within_the_policy_of_the_pages(
    client: TestClient, store: Store
) -> None:
    text = json.dumps(PIECE | {"name": MARKUP, "loom": PIECE["loom"] | {"name": MARKUP}})
    piece = store.add_piece(text, piece_order())
    answer = client.get(f"/pieces/{piece}/sheets")
    found = Text(answer.text)
    assert found.refused == []
    assert "<script>alert" not in answer.text
    assert not NOT_ON_SCREEN.search(words(answer).replace(MARKUP, ""))
    assert len(set(found.ids)) == len(found.ids)
    assert "{{" not in answer.text


def test_no_date_stands_on_a_sheet(client: TestClient, piece_id: int) -> None:
    assert not re.search(r"20\d\d", client.get(f"/pieces/{piece_id}/sheets").text.split('class="papers"')[1])


def test_a_temporary_that_was_in_when_the_plan_was_made_is_said_to_be_in(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    take_out(client, piece_id, row="1")
    blocks = lines_of(leaves_of(store, piece_id, "temporaries"), TemporaryBlock)
    assert [(block.name, block.goes_in, block.stretches) for block in blocks] == [("2a", "", ())]
    assert "It is in already." in words(client.get(f"/pieces/{piece_id}/sheets?sheet=temporaries"))


@every_tradition
def test_the_sheets_count_as_she_does(tmp_path: Path, tradition: tuple[ShaftsFrom, Side], text: str) -> None:
    """As tests/web/test_traditions.py, with the same piece renumbered in its file."""
    with two_houses(tmp_path, tradition, text) as (mine, other, is_mirrored):
        for name in SHEETS:
            path = f"/sheets?sheet={name}"
            one, two = mirrored(mine.words(path), is_mirrored), other.words(path)
            assert one - two == two - one == Counter(), name
