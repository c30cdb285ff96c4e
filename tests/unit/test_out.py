"""Designs and work orders out: read back by somebody else, and hostile names."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from server.design.cells import Cells, row_of_units, to_cells, to_rows
from server.design.out import MOST_DRAWN, design_csv, design_png, design_svg, runs_lifted, table
from server.design.piece import Piece
from server.design.piece_file import Unusable, read_piece
from server.design.wif import read_wif
from server.loom.steps import Raise
from server.plan.planner import plan
from server.plan.replay import Mismatch
from server.plan.workorder import WorkOrder
from server.session.cards import deal
from server.session.naming import Naming
from server.session.order_out import lift_plan, order_csv, order_png, order_svg, order_text, order_wif
from tests.examples import piece_order, piece_text

ROWS = ("#..###..#", "..##.#...", "...###...")
CELLS = to_cells(ROWS)
LEASHES = (0, 1, 2, 3, 4, 3, 2, 1, 0)
HOSTILE = ["<script>&\"'", "]]><x/>", "a\r\nb\0", "=1+1", "שלום \u202eabc", "\ud800", "\ufffe", "", "x" * 999]
SVG = "{http://www.w3.org/2000/svg}"


def of(cells: Cells) -> list[list[bool]]:
    """A picture's or drawing's cells, rows from the bottom."""
    return [[bool(cell) for cell in row] for row in cells]


@pytest.fixture(scope="module")
def piece() -> Piece:
    return read_piece(piece_text())


@pytest.fixture(scope="module")
def spare() -> tuple[Piece, WorkOrder]:
    """A piece whose plan uses a spare handle, single draw cords and a temporary that comes again."""
    text = piece_text(
        leashes=[1, 2, 3, 2, 1, 1, 2, 3, 2, 1],
        single_cords=[1, 10],
        rows=["##......##", ".##....##.", "..########", "##..##..##", ".##....##.", "#........."],
    )
    found = read_piece(text)
    found = replace(found, loom=replace(found.loom, spare_handles=1))
    return found, plan(found)


# --- designs -------------------------------------------------------------------------------------------


def test_a_design_as_a_table() -> None:
    lines = list(csv.reader(io.StringIO(design_csv(CELLS, LEASHES, [1, 9]))))
    assert lines[0] == ["row", *"123456789"]
    assert lines[1] == ["shaft", *map(str, LEASHES)]
    assert lines[2] == ["single draw cord", *"100000001"]
    assert [line[0] for line in lines[3:]] == ["1", "2", "3"]
    assert tuple("".join(".#"[int(cell)] for cell in line[1:]) for line in lines[3:]) == ROWS


def test_a_table_as_she_counts() -> None:
    head = design_csv(CELLS, LEASHES, unit_number=lambda unit: 10 - unit).splitlines()[0]
    assert head == "row,9,8,7,6,5,4,3,2,1"


@pytest.mark.parametrize("start", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1"])
def test_no_cell_of_a_table_is_a_formula(start: str) -> None:
    ((cell, other, number),) = csv.reader(io.StringIO(table([[start, "a=1", -1]])))
    assert cell == f"'{start}"
    assert (other, number) == ("a=1", "-1")


def path_cells(svg: str, rows: int, units: int, tall: float) -> list[list[bool]]:
    """What a drawing shows, from the runs of its first path, rows from the bottom."""
    found = [[False] * units for _ in range(rows)]
    path = ElementTree.fromstring(svg).find(f"{SVG}path")
    assert path is not None
    foot = 10 + tall * rows
    for x, y, width in re.findall(r"M(\d+) ([\d.]+)h(\d+)V", path.attrib["d"]):
        row = round((foot - float(y)) / tall) - 1
        for unit in range((int(x) - 40) // 10, (int(x) - 40 + int(width)) // 10):
            found[row][unit] = True
    return found


@pytest.mark.parametrize("proportion", [Fraction(1), Fraction(3, 4), Fraction(9, 7)])
def test_a_design_as_a_drawing(proportion: Fraction) -> None:
    svg = design_svg("Harbour", CELLS, proportion)
    assert path_cells(svg, 3, 9, 10 * float(proportion)) == of(CELLS)
    assert design_svg("Harbour", CELLS, proportion) == svg


def test_every_tenth_is_numbered() -> None:
    cells = np.zeros((25, 31), dtype=np.bool_)
    texts = [text.text for text in ElementTree.fromstring(design_svg("", cells)).iter(f"{SVG}text")]
    assert texts == ["10", "20", "10", "20", "30"]
    counted = design_svg("", cells, unit_number=lambda unit: 32 - unit)
    texts = [text.text for text in ElementTree.fromstring(counted).iter(f"{SVG}text")]
    assert texts == ["10", "20", "30", "20", "10"]


@pytest.mark.parametrize("name", HOSTILE)
def test_names_in_a_drawing(name: str, piece: Piece) -> None:
    named = replace(piece, name=name)
    for svg in (design_svg(name, CELLS), order_svg(named, piece_order(), Naming.on(piece.loom))):
        root = ElementTree.fromstring(svg)
        assert {element.tag for element in root.iter()} <= {
            f"{SVG}{tag}" for tag in ("svg", "title", "rect", "path", "text", "circle")
        }
        assert "\u202e" not in svg
        assert len(root.findtext(f"{SVG}title") or "") <= 200


@pytest.mark.parametrize(
    ("dots", "proportion", "width", "edges"),
    [
        (1, Fraction(1), 9, (0, 1, 2, 3)),
        (8, Fraction(1), 72, (0, 8, 16, 24)),
        (4, Fraction(5, 8), 36, (0, 2, 5, 8)),  # rows of 2.5 dots: 7.5 in all, to the dot
        (1, Fraction(1, 4), 36, (0, 1, 2, 3)),  # a row takes a dot
        (2, Fraction(5, 2), 18, (0, 5, 10, 15)),
    ],
)
def test_a_design_as_a_picture(dots: int, proportion: Fraction, width: int, edges: tuple[int, ...]) -> None:
    content = design_png(CELLS, dots, proportion)
    assert design_png(CELLS, dots, proportion) == content
    with Image.open(io.BytesIO(content)) as picture:
        assert (picture.format, picture.size) == ("PNG", (width, edges[-1]))
        seen = [
            {
                tuple(picture.getpixel((x, edges[-1] - 1 - up)) == 0 for x in range(dot, width, width // 9))
                for up in range(*row)
                for dot in range(width // 9)
            }
            for row in pairwise(edges)
        ]
    assert seen == [{tuple(row)} for row in of(CELLS)]


@pytest.mark.parametrize("proportion", [Fraction(0), Fraction(-1), Fraction(1, 101), Fraction(101)])
def test_proportions_that_cannot_be(proportion: Fraction) -> None:
    for draw in (lambda: design_svg("", CELLS, proportion), lambda: design_png(CELLS, 8, proportion)):
        with pytest.raises(Unusable, match="at most a hundred times"):
            draw()


def test_too_large_to_be_drawn() -> None:
    cells = np.zeros((MOST_DRAWN // 1000 + 1, 1000), dtype=np.bool_)
    with pytest.raises(Unusable, match="2,001 rows and 1,000 units"):
        design_svg("", cells)
    with pytest.raises(Unusable, match="fewer dots"):
        design_png(cells, 100)
    with pytest.raises(Unusable, match="one dot"):
        design_png(cells, 0)


def test_runs() -> None:
    assert list(runs_lifted(to_cells(["##.#", "....", "####"]))) == [(0, 0, 2), (0, 3, 4), (2, 0, 4)]


# --- work orders ---------------------------------------------------------------------------------------


def test_an_order_told(piece: Piece) -> None:
    lines = order_text(piece, piece_order(), Naming.on(piece.loom), "behind-left").splitlines()
    assert lines[:4] == [
        "Harbour runner",
        "3 rows, 2 walks behind the loom, about 5.7 minutes besides the weaving.",
        "Shaft 1 is the nearest to the bench. Unit 1 is at your left at the bench.",
        "",
    ]
    told = lines[4:]
    assert [int(line.split(".")[0]) for line in told] == list(range(1, len(told) + 1))
    assert len(told) == len(deal(piece, piece_order()))
    assert told[0] == (
        "1. Row 1: Pull 3 and 4; of the single draw cords pull 1 and 9. "
        "Up in all: handles 3 and 4 and single draw cords 1 and 9."
    )
    assert told[1] == "2. Row 1: Weave 5 picks, treadles 1, 2, 3, 4, 5."
    assert told[2].startswith("3. Go behind the loom after row 1. Unlock and lower every cord first.")
    assert told[4] == (
        "5. Insert temporary 2a, behind the loom, counting from your left. "
        "Of the 2 leashes on shaft 2: pass 1, take 1. That is unit 3."
    )
    assert told[6] == "7. Pull handle 2 alone. 1 unit is up: unit 3 from your left at the bench."
    assert told[7] == "8. Row 2: Pull 2 and 3. Up in all: handles 2 and 3."


def test_leashes_are_counted_not_units(piece: Piece) -> None:
    # unit 7 of shaft 2 hangs in three leashes, unit 3 in two
    several = replace(piece, loom=replace(piece.loom, leashes_per_unit=(1, 1, 2, 1, 1, 1, 3, 1, 1)))
    text = order_text(several, piece_order(), Naming.on(piece.loom), "behind-left")
    assert "Of the 5 leashes on shaft 2: pass 3, take 2. That is unit 3." in text


def test_long_rows_name_every_treadle(piece: Piece) -> None:
    odd = [1, 2, 4, 3, 5, 1, 1, 5, 2, 3, 4, 4, 2, 1, 3, 5, 5, 2, 4, 1, 2, 3, 3, 1, 5, 4, 2, 2, 1, 4, 5, 3]
    for treadling, told in (([1, 2, 3, 4], "1, 2, 3, 4 in turn, 8 times"), (odd, ", ".join(map(str, odd)))):
        long = replace(piece, picks_per_row=(32,), treadling=tuple(treadling))
        text = order_text(long, plan(long), Naming.on(piece.loom), "behind-left")
        assert f"Row 1: Weave 32 picks, treadles {told}." in text


def test_an_order_told_as_she_counts(piece: Piece) -> None:
    text = order_text(piece, piece_order(), Naming.on(piece.loom, "back", "right"), "behind-right")
    assert (
        "Insert temporary 3a, behind the loom, counting from your right. "
        "Of the 2 leashes on shaft 3: take 1, pass 1. That is unit 7."
    ) in text
    assert "Shaft 1 is the farthest from the bench. Unit 1 is at your right" in text


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_takes_one_line(name: str, piece: Piece) -> None:
    named = replace(piece, name=name)
    lines = order_text(named, piece_order(), Naming.on(piece.loom), "behind-left").split("\n")
    assert lines[1].startswith("3 rows")
    assert not set(lines[0]) & set("\r\0\u202e")


def test_an_order_as_a_table(piece: Piece) -> None:
    lines = list(csv.DictReader(io.StringIO(order_csv(piece_order(), Naming.on(piece.loom)))))
    assert [line["step"] for line in lines] == [str(number) for number in range(1, 15)]
    assert [line["what"] for line in lines[:6]] == [
        *("raise", "weave", "go behind", "tape numbers on", "put in", "move cords"),
    ]
    assert lines[0] == dict.fromkeys(lines[0], "") | {
        **{"step": "1", "row": "1", "what": "raise", "handles": "3 4", "single draw cords": "1 9"},
    }
    assert (lines[1]["picks"], lines[1]["treadles"]) == ("5", "1 2 3 4 5")
    assert (lines[4]["shaft"], lines[4]["temporary"], lines[4]["units"]) == ("2", "2a", "3")
    assert (lines[5]["handles"], lines[5]["from"], lines[5]["to"]) == ("2", "2", "2a")


def test_a_lift_plan_lifts_the_rows(spare: tuple[Piece, WorkOrder]) -> None:
    piece, order = spare
    found = lift_plan(piece, order, Naming.on(piece.loom))
    raised = [step for step in order.steps if isinstance(step, Raise)]
    assert [row.row for row in found.rows] == [step.row for step in raised]
    for row, step in zip(found.rows, raised, strict=True):
        assert set(row.marks) == {*step.handles, *(f"c{unit}" for unit in step.single_cords)}
    assert any(row.marks.get("S1", "")[:-1].isdigit() for row in found.rows)
    assert max(row.walk for row in found.rows) + bool(found.last_changes) == order.totals.walks
    assert found.columns[:4] == ("1", "2", "3", "4")
    assert set(found.columns[4:]) == {name for row in found.rows for name in row.marks if not name.isdigit()}


def marks_in(svg: str, columns: Sequence[str], rows: int) -> set[tuple[int, str]]:
    """Row and column of every dot and ring of a lift plan."""
    return {
        (
            round((24 + 20 * rows - float(circle.attrib["cy"])) / 20 + 0.5),
            columns[round((float(circle.attrib["cx"]) - 44) / 22 - 0.5)],
        )
        for circle in ElementTree.fromstring(svg).iter(f"{SVG}circle")
    }


def test_a_lift_plan_as_a_drawing(spare: tuple[Piece, WorkOrder]) -> None:
    piece, order = spare
    naming = Naming.on(piece.loom, "back")
    found = lift_plan(piece, order, naming)
    svg = order_svg(piece, order, naming)
    assert svg == order_svg(piece, order, naming)
    assert marks_in(svg, found.columns, len(found.rows)) == {
        (row.row, name) for row in found.rows for name in row.marks
    }
    words = [text.text or "" for text in ElementTree.fromstring(svg).iter(f"{SVG}text")]
    assert sum(word.startswith("walk ") for word in words) == order.totals.walks


def test_a_lift_plan_as_a_picture(spare: tuple[Piece, WorkOrder]) -> None:
    piece, order = spare
    naming = Naming.on(piece.loom)
    found, content = lift_plan(piece, order, naming), order_png(piece, order, naming)
    assert content == order_png(piece, order, naming)
    with Image.open(io.BytesIO(content)) as picture:
        assert picture.format == "PNG"
        dots = picture.convert("L")
        for row in found.rows:
            for number, name in enumerate(found.columns):
                at = (48 + 22 * number + 11, 24 + 20 * (len(found.rows) - row.row) + 10)
                if row.marks.get(name) == "":
                    assert dots.getpixel(at) < 60
                elif name not in row.marks:
                    assert dots.getpixel(at) == 255


def test_an_order_as_wif(spare: tuple[Piece, WorkOrder]) -> None:
    for piece, order in (spare, (read_piece(piece_text()), piece_order())):
        text = order_wif(piece, order)
        wif = read_wif(text.encode())
        assert (wif.name, wif.leashes) == (piece.name, piece.loom.leashes)
        assert (wif.pattern_shafts, wif.single_cords) == (piece.loom.pattern_shafts, piece.loom.single_cords)
        assert to_rows(wif.rows) == tuple(row_of_units(row, len(piece.loom.leashes)) for row in piece.rows)
        assert wif.notes == ()
        assert "temporary 2a of pattern shaft 2" in text
        assert order_wif(piece, order) == text


def test_what_does_not_weave_the_piece_is_not_drawn(piece: Piece) -> None:
    order = piece_order()
    first = order.steps[0]
    assert isinstance(first, Raise)
    wrong = replace(order, steps=(replace(first, handles=("3",)), *order.steps[1:]))
    for out in (order_svg, order_png):
        with pytest.raises(Mismatch):
            out(piece, wrong, Naming.on(piece.loom))
    with pytest.raises(Mismatch):
        order_wif(piece, wrong)


def test_a_lift_plan_too_large(piece: Piece) -> None:
    wide = replace(piece, loom=replace(piece.loom, pattern_shafts=100_000))
    for draw in (order_svg, order_png):
        with pytest.raises(Unusable, match=r"3 rows and 100,00\d columns"):
            draw(wide, piece_order(), Naming.on(wide.loom))


def test_a_picture_too_large(piece: Piece, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("server.session.order_out.MOST_DOTS", 1000)
    with pytest.raises(Unusable, match="take the drawing instead"):
        order_png(piece, piece_order(), Naming.on(piece.loom))
