"""Files taken away: each can be read back, has a safe name, and says why where there is none."""

from __future__ import annotations

import csv
import io
import json
import re
from fractions import Fraction
from urllib.parse import unquote
from xml.etree import ElementTree

import numpy as np
import pytest
from fastapi.testclient import TestClient
from PIL import Image

from server.design.cells import to_cells, to_rows
from server.design.chart_text import read_chart
from server.design.design import Band, Design, read_design
from server.design.piece_file import Unusable, read_piece
from server.design.threads import Threads
from server.design.warp import Part, hang, read_warp, write_warp
from server.design.wif import read_wif
from server.loom.ground import satin
from server.loom.state import Loom
from server.plan.workorder import read_workorder
from server.session.naming import Naming
from server.store.database import Store
from server.web import files
from server.web.files import DESIGN_FILES, MOST_DOTS, ORDER_FILES, Drawn, disposition
from tests.examples import ORDER, PIECE, piece_order, piece_text
from tests.web.test_pages import HOSTILE, MARKUP, NOT_ON_SCREEN, Text, words

CELLS = to_cells(PIECE["rows"])


@pytest.fixture
def design_id(store: Store) -> int:
    """A design of two bands on a pointed warp, 4 ends to a unit, 5 picks to a row."""
    loom = Loom((), frozenset(), pattern_shafts=4, name="Small", spare_shafts=2)
    warp = hang("Table linen", loom, (Part("pointed", 4),), satin(5, 2))
    figure = Band(1, "Figure", (5,), ("#.....#", ".#...#.", "..#.#.."), 2)
    design = Design(7, (figure, Band(2, "Plain", (12,))), 2)
    return store.board.add_design(store.board.add_warp(write_warp(warp)), "Fir tree", design)


def taken(client: TestClient, address: str) -> bytes:
    answer = client.get(address)
    assert answer.status_code == 200, words(answer)
    assert answer.headers["content-disposition"].startswith("attachment; ")
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["content-security-policy"] == "default-src 'none'; sandbox"
    return answer.content


# --- what is in them -----------------------------------------------------------------------------------


def test_the_design_reads_back_from_every_kind_of_file(client: TestClient, piece_id: int) -> None:
    here = f"/pieces/{piece_id}/files/design"
    with Image.open(io.BytesIO(taken(client, f"{here}.png"))) as picture:
        across, high = picture.width // 9, picture.height // 3
        assert across == high == 12
        dots = np.asarray(picture.convert("L"))
        assert np.array_equal(dots[high // 2 :: high, across // 2 :: across][::-1] < 128, CELLS)
    drawing = ElementTree.fromstring(taken(client, f"{here}.svg"))
    assert drawing.tag == "{http://www.w3.org/2000/svg}svg"
    assert np.array_equal(read_chart(taken(client, f"{here}.txt")).cells, CELLS)
    lines = list(csv.reader(io.StringIO(taken(client, f"{here}.csv").decode("utf-8-sig"))))
    rows = [line[1:] for line in lines if line[0] in ("1", "2", "3")]
    assert np.array_equal(np.array(rows) == "1", CELLS)
    wif = read_wif(taken(client, f"{here}.wif"))
    assert np.array_equal(wif.rows, CELLS)
    assert wif.leashes == tuple(PIECE["leashes"])
    assert wif.single_cords == set(PIECE["single_cords"])


def test_the_plan_goes_out_as_it_is(client: TestClient, piece_id: int) -> None:
    here = f"/pieces/{piece_id}/files/order"
    assert read_workorder(taken(client, f"{here}.json")) == piece_order()
    told = taken(client, f"{here}.txt").decode()
    assert "Insert temporary 2a" in told
    lines = list(csv.reader(io.StringIO(taken(client, f"{here}.csv").decode("utf-8-sig"))))
    assert len(lines) == len(ORDER["steps"]) + 1
    assert ElementTree.fromstring(taken(client, f"{here}.svg")).tag.endswith("svg")
    with Image.open(io.BytesIO(taken(client, f"{here}.png"))) as picture:
        picture.load()
        assert picture.format == "PNG"
    assert np.array_equal(read_wif(taken(client, f"{here}.wif")).rows, CELLS)


def test_the_piece_goes_out_letter_for_letter(client: TestClient, store: Store) -> None:
    text = piece_text(extra={"mine": ["ünü", 1.50]}).replace(", ", ",   ")
    piece = store.add_piece(text, piece_order())
    assert taken(client, f"/pieces/{piece}/files/piece.json").decode() == text


def test_a_design_on_the_board_goes_out_with_its_warp(
    client: TestClient, store: Store, design_id: int
) -> None:
    here = f"/designs/{design_id}/files"
    kept = store.board.design(design_id)
    assert kept
    assert read_design(taken(client, f"{here}/design.json").decode()) == kept.design
    assert read_warp(taken(client, f"{here}/warp.json").decode()) == kept.warp
    piece = read_piece(taken(client, f"{here}/piece.json"))
    assert piece.threads == kept.warp.threads
    assert [(band.name, band.rows, band.times) for band in piece.bands] == [("Figure", 3, 2), ("Plain", 1, 1)]
    wif = read_wif(taken(client, f"{here}/design.wif"))
    assert to_rows(wif.rows) == kept.design.rows()
    # 20 ends to a cm, 4 to a unit; 20 picks to a cm, 5 to a row: the plain ground does not stretch the figure
    assert (wif.units_per_cm, wif.rows_per_cm) == (Fraction(5), Fraction(4))
    with Image.open(io.BytesIO(taken(client, f"{here}/design.png"))) as picture:
        assert picture.height / picture.width == pytest.approx(7 * 5 / (7 * 4), rel=0.02)


def test_a_design_of_plain_ground_alone_has_its_own_proportion(client: TestClient, store: Store) -> None:
    warp = hang("", Loom((), frozenset(), pattern_shafts=4), (Part("straight", 4),), satin(5, 2))
    design = Design(4, (Band(1, "Plain", (12,), (), 3),))
    number = store.board.add_design(store.board.add_warp(write_warp(warp)), "x", design)
    with Image.open(io.BytesIO(taken(client, f"/designs/{number}/files/design.png"))) as picture:
        assert picture.height / picture.width == pytest.approx(3 * 12 / (4 * 4), rel=0.02)


def test_pictures_texts_and_tables_count_as_she_does_and_the_rest_as_files(
    client: TestClient, piece_id: int
) -> None:
    here = f"/pieces/{piece_id}/files"
    names = [line.name for line in (*DESIGN_FILES, *ORDER_FILES, files.PIECE_FILE)]
    before = {name: taken(client, f"{here}/{name}") for name in names}
    client.post("/preferences", data={"shafts_from": "back", "units_from": "right"})
    changed = {name for name in names if taken(client, f"{here}/{name}") != before[name]}
    # nothing of nine units is numbered in a drawing, and cells have no numbers
    assert changed == {"design.csv", "order.txt", "order.csv", "order.png", "order.svg"}
    lines = list(csv.reader(io.StringIO(taken(client, f"{here}/design.csv").decode("utf-8-sig"))))
    assert lines[0][1:] == [str(unit) for unit in range(9, 0, -1)]
    assert lines[1][1:] == ["0", "4", "3", "2", "1", "2", "3", "4", "0"]
    assert "Insert temporary 3a" in taken(client, f"{here}/order.txt").decode()


# --- limits --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(1, 1), (3, 9), (2_000, 500), (4_000, 5_000)])
def test_a_picture_has_as_many_dots_to_a_cell_as_its_limit_allows(shape: tuple[int, int]) -> None:
    cells = np.zeros(shape, dtype=np.bool_)
    loom = Loom((1,) * shape[1], frozenset(), 1)
    drawn = Drawn("", cells, loom, (1,) * shape[0], None, Naming.on(loom))
    with Image.open(io.BytesIO(drawn.png())) as picture:
        assert picture.width * picture.height <= MOST_DOTS
        dots = picture.width // shape[1]
        assert picture.size == (shape[1] * dots, shape[0] * dots)
        assert dots == 12 or shape[0] * shape[1] * (dots + 1) ** 2 > MOST_DOTS


def test_a_picture_that_would_be_too_large_even_so_is_refused() -> None:
    loom = Loom((1,) * 5_000, frozenset(), 1)
    threads = Threads((8,) * 5_000, satin(5, 2), Fraction(10), Fraction(20))  # cells 16 times as wide as high
    drawn = Drawn("", np.zeros((4_000, 5_000), dtype=np.bool_), loom, (1,) * 4_000, threads, Naming.on(loom))
    with pytest.raises(Unusable, match="20 million dots; take the table"):
        drawn.png()


def test_what_cannot_be_written_is_said_on_the_page(
    client: TestClient, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object, **__: object) -> str:
        raise Unusable("A drawing like that would be too large; take the picture instead.")

    monkeypatch.setattr(files, "order_svg", refuse)
    answer = client.get(f"/pieces/{piece_id}/files/order.svg")
    assert answer.status_code == 422
    assert "content-disposition" not in answer.headers
    assert "too large; take the picture instead" in words(answer)


def test_a_design_in_which_nothing_is_drawn_has_its_own_files_only(
    client: TestClient, store: Store, design_id: int
) -> None:
    kept = store.board.design(design_id)
    assert kept
    empty = store.board.add_design(kept.warp_id, "Empty", Design(7, ()))
    for line in (*DESIGN_FILES, files.BOARD_FILES[0]):
        answer = client.get(f"/designs/{empty}/files/{line.name}")
        assert answer.status_code == 422, line.name
        assert 'role="alert"' in answer.text
    assert read_design(taken(client, f"/designs/{empty}/files/design.json").decode()).bands == ()


def test_there_are_no_other_files(client: TestClient, piece_id: int, design_id: int) -> None:
    for name in [*HOSTILE, "design.exe", "order", "warp.json", "..%2f..%2fetc%2fpasswd", "design.png.svg"]:
        if name.isprintable() and name:
            assert client.get(f"/pieces/{piece_id}/files/{name}").status_code == 404, name
    assert client.get(f"/designs/{design_id}/files/order.txt").status_code == 404
    for address in (
        "/pieces/999/files",
        "/pieces/999/files/piece.json",
        "/designs/999/files",
        "/designs/x/files",
    ):
        assert client.get(address).status_code == 404


# --- names ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "plain", "full"),
    [
        ("Harbour runner", "Harbour runner design.png", "Harbour runner design.png"),
        ("Häkchen „Ü“", "Hakchen U design.png", "Häkchen „Ü“ design.png"),
        ("", "design.png", "design.png"),
        ("   ", "design.png", "design.png"),
        ("../../etc/passwd", "etc passwd design.png", "etc passwd design.png"),
        ('a"b;c\\d%41', "a b c d 41 design.png", "a b c d 41 design.png"),
        ("x\r\nSet-Cookie: a=b", "x Set-Cookie a b design.png", "x Set-Cookie a=b design.png"),
        ("\u202egnp.exe", "gnp.exe design.png", "gnp.exe design.png"),
        ("\x00\x1f\x7f", "design.png", "design.png"),
        ("\ud800", "design.png", "design.png"),
        ("布", "design.png", "布 design.png"),
        ("...", "design.png", "design.png"),
    ],
)
def test_a_file_is_named_after_the_piece_whatever_its_name(name: str, plain: str, full: str) -> None:
    header = disposition(name, "design", "png")
    found = re.fullmatch(r"attachment; filename=\"([ -~]*)\"; filename\*=UTF-8''([A-Za-z0-9%._~-]+)", header)
    assert found
    assert (found[1], unquote(found[2])) == (plain, full)


def test_the_name_of_a_file_is_short_enough_for_every_disk() -> None:
    for letter in "wä布🧵":
        header = disposition(letter * 5_000, "design", "png")
        assert len(unquote(header.split("''")[1]).encode()) < 200
        assert len(header) < 1_000
        assert "\ufffd" not in unquote(header)


def test_files_of_a_piece_with_a_hostile_name_hold_it_as_text(client: TestClient, store: Store) -> None:
    piece = store.add_piece(json.dumps(PIECE | {"name": MARKUP}), piece_order())
    shown = client.get(f"/pieces/{piece}/files")
    assert "<script>alert" not in shown.text
    for line in (*DESIGN_FILES, *ORDER_FILES, files.PIECE_FILE):
        content = taken(client, f"/pieces/{piece}/files/{line.name}")
        if line.name.endswith(".svg"):
            assert b"<script" not in content
            ElementTree.fromstring(content)
    assert client.get(f"/pieces/{piece}/files/design.png").headers["content-type"] == "image/png"


# --- the pages -----------------------------------------------------------------------------------------


def test_every_file_on_a_page_can_be_taken(client: TestClient, piece_id: int, design_id: int) -> None:
    kinds = {
        "png": "image/png",
        "svg": "image/svg+xml",
        "json": "application/json",
        "csv": "text/csv; charset=utf-8",
    }
    for address, count in ((f"/pieces/{piece_id}/files", 12), (f"/designs/{design_id}/files", 8)):
        shown = client.get(address)
        assert Text(shown.text).refused == []
        assert not NOT_ON_SCREEN.search(words(shown))
        links = re.findall(rf'href="({address}/[^"]+)"', shown.text)
        assert len(links) == len(set(links)) == count
        for link in links:
            assert taken(client, link)
            kind = client.get(link).headers["content-type"]
            assert kind == kinds.get(link.rpartition(".")[2], "text/plain; charset=utf-8")
