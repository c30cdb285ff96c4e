"""Bringing in pictures, charts and files: what comes of them, what is kept, and what is refused."""

from __future__ import annotations

import json
import re
import struct
import threading
import zipfile
import zlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from fractions import Fraction
from io import BytesIO
from typing import Any

import numpy as np
import pytest
from fastapi.testclient import TestClient
from httpx import Response
from PIL import Image

from server.design.cells import Cells, to_cells, to_rows
from server.design.design import Band, Design, write_design
from server.design.pictures import right_side
from server.design.warp import Part, Warp, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.store.board import KeptDesign
from server.store.database import Store
from server.web import bring
from server.web.guard import MOST_PICTURE
from server.web.turn_to_plan import turn_to_read
from tests.outside.glyphs import glyphs
from tests.web.test_pages import HOSTILE, MARKUP, NOT_ON_SCREEN, Text, words
from tests.wif_files import POINTED

CHART = b"####.\n##...\n#....\n"
STEPS = ("#....", "##...", "####.")
SCRIPT = {"hx-request": "true"}


def a_warp(name: str = "Linen", *parts: Part) -> Warp:
    loom = Loom((), frozenset(), 5, spare_shafts=4)
    return hang(name, loom, parts or (Part("straight", 5, times=4),), satin(5, 2))


@pytest.fixture
def warp_id(store: Store) -> int:
    return store.board.add_warp(write_warp(a_warp()))


@pytest.fixture
def design_id(store: Store, warp_id: int) -> int:
    bands = (Band(1, "Edge", (4,), ("#." * 10,)), Band(2, "Ground", (40,)))
    return store.board.add_design(warp_id, "Runner", Design(20, bands, 2))


def send(
    client: TestClient,
    address: str,
    content: bytes | None = None,
    called: str = "a.bin",
    *,
    script: bool = True,
    **fields: str,
) -> Response:
    files = {} if content is None else {"file": (called, content)}
    return client.post(address, data=fields, files=files, headers=SCRIPT if script else {})


def kept(store: Store, design: int) -> KeptDesign:
    found = store.board.design(design)
    assert found is not None
    return found


def all_that_is_kept(store: Store) -> tuple[object, ...]:
    board = store.board
    return (
        board.warps(),
        [board.design(line.id) for line in board.designs()],
        board.figures(),
        store.pieces(),
    )


def file_of(picture: Image.Image, kind: str = "PNG", **how: Any) -> bytes:
    out = BytesIO()
    picture.save(out, kind, **how)
    return out.getvalue()


def a_picture(cells: Cells, dots: int = 2) -> bytes:
    """Black on white; the first row at the bottom."""
    large = np.repeat(np.repeat(cells[::-1], dots, axis=0), dots, axis=1)
    return file_of(Image.fromarray(np.where(large, np.uint8(0), np.uint8(255))))


def new_band(
    client: TestClient, store: Store, design: int, content: bytes, called: str = "a.bin", **fields: str
) -> Band:
    answer = send(client, f"/designs/{design}/bring", content, called, do="band", **fields)
    assert answer.status_code == 204, words(answer)
    found = re.fullmatch(rf"/designs/{design}\?band=(\d+)", answer.headers["hx-redirect"])
    assert found
    return kept(store, design).design.band(int(found[1]))


def test_the_page_asks_for_a_file_and_says_where_it_goes(client: TestClient, design_id: int) -> None:
    shown = client.get(f"/designs/{design_id}/bring")
    text = Text(shown.text)
    assert shown.status_code == 200
    assert text.refused == []
    assert not NOT_ON_SCREEN.search(text.words)
    assert "a band of “Runner”, on a warp of 20 units" in words(shown)
    assert 'name="picks" value="4"' in shown.text
    keys = {re.findall(r'name="key" value="(\w+)"', client.get(shown.url).text)[0] for _ in range(2)}
    assert len(keys) == 2
    assert client.get("/designs/99/bring").status_code == 404
    assert client.get("/designs/x/bring").status_code == 404
    assert send(client, "/designs/99/bring", CHART, do="band").status_code == 404


def test_the_picks_it_begins_with_are_those_that_new_rows_get(client: TestClient, store: Store) -> None:
    # four ends at 15 to a centimetre, 18 picks: 4 × 18 / 15 = 4.8 picks make a cell square
    setts = {"ends_per_cm": Fraction(15), "picks_per_cm": Fraction(18)}
    loom = Loom((), frozenset(), 5)
    warp = hang("Fine", loom, (Part("straight", 5, times=4, ends=(4,)),), satin(5, 2), **setts)
    design = store.board.add_design(store.board.add_warp(write_warp(warp)), "Runner", Design(20, ()))
    for page in ("bring", "bands"):
        assert 'name="picks" value="4, 5, 5, 5, 5"' in client.get(f"/designs/{design}/{page}").text, page


def test_what_comes_of_a_chart_is_shown_and_nothing_is_kept(
    client: TestClient, store: Store, design_id: int
) -> None:
    before = all_that_is_kept(store)
    shown = send(client, f"/designs/{design_id}/bring/preview", CHART, "my_steps.txt")
    said = words(shown)
    assert shown.status_code == 200
    assert "<html" not in shown.text
    assert "5 units × 3 rows. Of 15 cells 7 are lifted." in said
    # 5 of 20 units of 4 ends at 20 to a centimetre; 3 rows of 4 picks
    assert "1.0 cm wide. 12 picks, 0.6 cm high." in said
    assert "3 of 3 drawn rows need temporaries." in said
    assert 'data-kind="chart" data-name="my steps"' in shown.text
    # four ends to a unit and four picks to a row, the first at the bottom; on the warp from unit 8 on
    assert 'd="M0 8H4v4H0zM0 4H8v4H0zM0 0H16v4H0z"' in shown.text
    assert 'viewBox="0 0 20 12.0000"' in shown.text
    assert 'd="M28 8H32v4H28zM28 4H36v4H28zM28 0H44v4H28z"' in shown.text
    assert 'viewBox="0 0 80 12.0000"' in shown.text
    assert all_that_is_kept(store) == before


def test_without_scripts_it_is_shown_on_the_page_and_can_be_kept_from_there(
    client: TestClient, store: Store, design_id: int
) -> None:
    address = f"/designs/{design_id}/bring"
    shown = send(
        client, f"{address}/preview", CHART, "steps.txt", script=False, side="wrong", swapped="yes", picks="6"
    )
    assert shown.status_code == 200
    assert "choose the file again" in words(shown)
    assert re.search(r'name="side" value="wrong" checked', shown.text)
    carried = re.search(r'<textarea name="read"[^>]*>\s*(.*?)</textarea>', shown.text, re.DOTALL)
    assert carried
    read = carried[1].replace("&#34;", '"')
    fields = dict(
        re.findall(
            r'<input type="hidden" name="(read_kind|read_side|read_name|key)" value="([^"]*)">', shown.text
        )
    )
    chosen = {"place": "left", "side": "wrong", "swapped": "yes", "after": "1", "name": "Steps", "do": "band"}
    answer = send(client, address, script=False, read=read, **fields, **chosen)
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/designs/{design_id}?band=3"
    design = kept(store, design_id).design
    assert [band.name for band in design.bands] == ["Edge", "Steps", "Ground"]
    seen = to_rows(right_side(to_cells(design.band(3).rows), True))
    assert [row[-5:] for row in seen] == [".####", "..###", "....#"]
    assert design.band(3).picks == (6,)
    # and the same form once more does not count again
    assert send(client, address, script=False, read=read, **fields, **chosen).status_code == 303
    assert kept(store, design_id).design == design


def test_a_typed_chart_is_put_in_where_it_is_wanted(client: TestClient, store: Store, design_id: int) -> None:
    address = f"/designs/{design_id}/bring"
    chosen = {"do": "band", "after": "0", "place": "at", "at": "2", "picks": "4, 5", "name": " New\x00 "}
    answer = send(client, address, chart=CHART.decode().replace("\n", "\r\n"), **chosen)
    assert answer.headers["hx-redirect"] == f"/designs/{design_id}?band=3"
    first = kept(store, design_id).design.bands[0]
    assert first == Band(3, "New", (4, 5), tuple(f".{row}{'.' * 14}" for row in STEPS))
    taken_back = store.board.take_back(design_id, 1)
    assert taken_back is not None
    assert [band.name for band in taken_back.design.bands] == ["Edge", "Ground"]


def test_a_picture_is_read_as_is_chosen(client: TestClient, store: Store, design_id: int) -> None:
    cells = to_cells([row * 4 for row in STEPS])
    band = new_band(client, store, design_id, a_picture(cells), "harbour.png")
    assert (band.name, band.rows) == ("harbour", to_rows(cells))
    five = new_band(client, store, design_id, a_picture(to_cells(STEPS)), across="5", place="right")
    assert five.rows == tuple("." * 15 + row for row in STEPS)
    high = new_band(client, store, design_id, a_picture(cells), picks="2")
    assert len(high.rows) == 6
    grey = file_of(Image.new("L", (20, 20), 100))
    lifted = {
        level: new_band(client, store, design_id, grey, level_by=level, level="90").rows[0][0]
        for level in ("middle", "hand")
    }
    assert lifted == {"middle": "#", "hand": "."}
    dots = new_band(client, store, design_id, grey, how="dots")
    assert 0.5 < "".join(dots.rows).count("#") / 400 < 0.7


def test_lettering_brought_in_wrong_side_up_is_read_on_the_right_side_of_the_cloth(
    client: TestClient, store: Store, design_id: int
) -> None:
    """The glyphs of Pillow's built-in bitmap font, in a row as wide as the warp."""
    word = np.zeros((11, 20), dtype=np.bool_)
    for place, letter in enumerate("Rf5"):
        figure = np.array(dict(glyphs())[letter])
        word[: figure.shape[0], 6 * place + 1 : 6 * place + 1 + figure.shape[1]] = figure
    cells = word[::-1]
    band = new_band(client, store, design_id, a_picture(cells, 5), side="wrong")
    lifted = to_cells(band.rows)
    assert np.array_equal(right_side(lifted, True), cells)
    assert not np.array_equal(lifted, cells)
    shown = send(client, f"/designs/{design_id}/bring/preview", a_picture(cells, 5), side="wrong")
    paths = re.findall(r' d="([^"]*)"', shown.text)
    right = send(client, f"/designs/{design_id}/bring/preview", a_picture(cells, 5))
    assert len(paths) == 2
    assert re.findall(r' d="([^"]*)"', right.text) == paths[1:]


def test_a_chart_of_strange_characters_is_asked_about(
    client: TestClient, store: Store, design_id: int
) -> None:
    address = f"/designs/{design_id}/bring"
    asked = send(client, f"{address}/preview", b"ab\nba\n")
    assert asked.status_code == 422
    assert "say which of them stand for lifted units" in words(asked)
    assert 'data-kind="chart"' in asked.text
    band = new_band(client, store, design_id, b"ab\nba\n", lifted="a", place="left")
    assert [row[:2] for row in band.rows] == [".#", "#."]


def test_what_is_wider_than_the_warp_goes_into_the_box_or_in_part_into_the_design(
    client: TestClient, store: Store, design_id: int
) -> None:
    address, wide = f"/designs/{design_id}/bring", b"#." * 20
    shown = send(client, f"{address}/preview", wide)
    assert shown.status_code == 200
    assert "40 units wide, and the warp has 20. Take some of its units only." in words(shown)
    assert 'value="band"' not in shown.text
    assert 'value="box"' in shown.text
    refused = send(client, address, wide, do="band")
    assert refused.status_code == 422
    assert "40 units wide" in words(refused)
    assert len(kept(store, design_id).design.bands) == 2
    boxed = send(client, address, wide, "hatch.txt", do="box")
    assert "in the box" in words(boxed)
    assert "40 units × 1 row." in words(boxed)
    (figure,) = store.board.figures()
    assert (figure.name, figure.rows) == ("hatch", ("#." * 20,))
    band = new_band(client, store, design_id, wide, take_from="2", take_to="4", place="left")
    assert band.rows == (".#." + "." * 17,)
    plain = send(client, address, wide, script=False, do="box", name="Again")
    assert plain.status_code == 303
    assert "in the box" in words(client.get(plain.headers["location"]))


@pytest.mark.parametrize("script", [True, False])
def test_what_is_too_large_for_the_box_with_all_its_repeats_is_refused(
    client: TestClient, store: Store, design_id: int, script: bool
) -> None:
    lines = tuple(Band(number, "Line", (4,), ("#." * 10,), 10_000) for number in (1, 2))
    often = write_design(Design(20, lines, 2))
    address = f"/designs/{design_id}/bring"
    refused = send(client, address, often.encode(), script=script, do="box")
    assert refused.status_code == 422
    assert "A figure in the box has at most 250,000 squares; this would have 400,000." in words(refused)
    assert store.board.figures() == []


def test_our_own_files_bring_all_their_bands(client: TestClient, store: Store, design_id: int) -> None:
    other = Design(5, (Band(1, "Steps", (4, 5), STEPS, 3), Band(2, "", (40,))), 2)
    content = write_design(other).encode()
    shown = send(client, f"/designs/{design_id}/bring/preview", content)
    assert "5 units × 10 rows. Of 50 cells 21 are lifted." in words(shown)
    assert "2 bands, one after another" in words(shown)
    new_band(client, store, design_id, content, place="left", name="Rest")
    bands = kept(store, design_id).design.bands
    assert bands[2:] == (
        Band(3, "Steps", (4, 5), tuple(row + "." * 15 for row in STEPS), 3),
        Band(4, "Rest", (40,)),
    )


# --- WIF -------------------------------------------------------------------------------------------------


def test_a_wif_file_on_a_warp_that_hangs_otherwise(client: TestClient, store: Store, design_id: int) -> None:
    address = f"/designs/{design_id}/bring"
    shown = send(client, f"{address}/preview", POINTED.encode(), "x.wif")
    assert 'data-kind="wif" data-name="Little point"' in shown.text
    assert "a loom with 5 units; this warp has 20" in words(shown)
    assert 'value="hang"' in shown.text
    band = new_band(client, store, design_id, POINTED.encode(), place="left")
    assert len(band.rows[0]) == 20
    hung = send(client, address, POINTED.encode(), do="hang", name="As it came")
    assert hung.status_code == 204
    new = kept(store, int(hung.headers["hx-redirect"].rsplit("/", 1)[1]))
    assert new.warp.loom.leashes == (1, 2, 3, 2, 1)
    assert (new.name, new.warp.name, new.design.units) == ("As it came", "As it came", 5)
    assert new.design.bands[0].rows == tuple(row[:5] for row in band.rows)
    shown = send(client, f"/designs/{new.id}/bring/preview", POINTED.encode())
    assert 'value="hang"' not in shown.text
    assert "The loom weaves every row as it hangs." in words(shown)
    for content, chosen, sentence in (
        (CHART, {}, "Only a WIF file"),
        (POINTED.encode(), {"take_from": "2"}, "all of its units are taken"),
    ):
        refused = send(client, address, content, do="hang", **chosen)
        assert refused.status_code == 422
        assert sentence in words(refused)
    assert len(store.board.warps()) == 2


WIF = "[WIF]\nVersion=1.1\n[THREADING]\n1=1\n2=2\n3=3\n4=1\n5=5\n[LIFTPLAN]\n1=1\n2=2,3\n"


@pytest.mark.parametrize(
    ("hers", "sentence"),
    [
        # the file's thread 1 is at the right: 5 1 3 2 1, over 1 2 3 4 5
        ({}, "unit 1 is on shaft 5 there, and on shaft 1 here"),
        ({"shafts_from": "back"}, "unit 1 is on shaft 1 there, and on shaft 5 here"),
        ({"units_from": "right"}, "unit 1 is on shaft 1 there, and on shaft 5 here"),
        (
            {"shafts_from": "back", "units_from": "right"},
            "unit 1 is on shaft 5 there, and on shaft 1 here",
        ),
    ],
)
def test_numbers_are_as_she_counts(
    client: TestClient, store: Store, hers: dict[str, str], sentence: str
) -> None:
    store.set_preferences(hers)
    warp = store.board.add_warp(write_warp(a_warp("Five", Part("straight", 5))))
    design = store.board.add_design(warp, "D", Design(5, ()))
    shown = send(client, f"/designs/{design}/bring/preview", WIF.encode())
    assert "4 of 5 units hang otherwise" in words(shown)
    assert sentence in words(shown)
    begin = "1" if "units_from" in hers else "4"
    band = new_band(client, store, design, b"##\n", place="at", at=begin, lifted="#")
    assert band.rows == ("...##",)
    part = new_band(client, store, design, b"#..\n", take_from="1", take_to="2", place="left")
    assert part.rows == (".." + "." * 3 if "units_from" in hers else "#....",)


# --- without a design ------------------------------------------------------------------------------------


def test_a_design_begins_with_what_is_brought_in(client: TestClient, store: Store, warp_id: int) -> None:
    assert "A new design begins with it" in words(client.get(f"/bring?warp={warp_id}"))
    shown = send(client, "/bring/preview", CHART, "steps.txt", warp=str(warp_id))
    assert "Begin the design with it" in words(shown)
    assert store.board.designs() == []
    for _ in range(2):  # pressed twice
        answer = send(client, "/bring", CHART, "steps.txt", warp=str(warp_id), do="band", place="left")
        assert answer.status_code == 204
    (line,) = store.board.designs()
    assert answer.headers["hx-redirect"] == f"/designs/{line.id}"
    new = kept(store, line.id)
    assert (new.name, new.warp_id) == ("steps", warp_id)
    assert new.design == Design(20, (Band(1, "steps", (4,), tuple(row + "." * 15 for row in STEPS)),), 1)


def test_without_a_warp_one_is_to_be_hung_first(client: TestClient, store: Store) -> None:
    shown = client.get("/bring")
    assert "A warp comes first" in words(shown)
    assert 'href="/warps/new"' in shown.text
    for address in ("/bring", "/bring/preview"):
        answer = send(client, address, CHART, do="band")
        assert answer.status_code == 422
        assert "Choose the warp first" in words(answer)


@pytest.mark.usefixtures("warp_id")
def test_a_warp_that_is_not_there_is_asked_for(client: TestClient, store: Store) -> None:
    store.board.add_warp(write_warp(a_warp("Another")))
    for warp in ["7", *HOSTILE]:
        assert client.get("/bring", params={"warp": warp}).status_code == 200
        answer = send(client, "/bring", CHART, warp=warp, do="band")
        assert answer.status_code == 422
        assert "Choose the warp first" in words(answer)
    assert store.board.designs() == []


# --- what is refused -------------------------------------------------------------------------------------

NOISE = Image.fromarray(np.random.default_rng(7).integers(0, 256, (120, 120), dtype=np.uint8))


def chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))


def flat_png(side: int, more: bytes = b"") -> bytes:
    """A whole picture of nothing, one bit a dot, small as a file (PNG's specification, from memory)."""
    packed = zlib.compressobj(1)
    line = bytes(1 + side // 8)
    data = b"".join(packed.compress(line) for _ in range(side)) + packed.flush()
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + more + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def a_zip() -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("a.png", file_of(NOISE))
    return out.getvalue()


def bad_design(**changed: object) -> bytes:
    content = {"format": "spareshaft-design", "version": 1, "units": 5, "bands": []}
    return json.dumps(content | changed).encode()


REFUSED: dict[str, tuple[Callable[[], bytes], str]] = {
    "20,000 × 20,000": (lambda: flat_png(20_000), "million dots"),
    "bomb": (
        lambda: flat_png(100, chunk(b"IHDR", struct.pack(">IIBBBBB", 2**31 - 1, 9, 8, 6, 0, 0, 0))),
        ".",
    ),
    "truncated": (lambda: file_of(NOISE)[:5_000], "broken off"),
    "truncated JPEG": (lambda: file_of(NOISE, "JPEG")[:1_000], "broken off"),
    "SVG with a script": (lambda: b"<svg xmlns='a'><script>alert(1)</script></svg>", "SVG"),
    "zip called .png": (a_zip, "packed"),
    "TIFF": (lambda: file_of(NOISE, "TIFF"), "TIFF"),
    "PDF": (lambda: b"%PDF-1.7 ...", "PDF"),
    "empty": (lambda: b"", "empty"),
    "noise": (lambda: bytes(range(256)) * 9, "neither a picture nor text"),
    "a long line": (lambda: b"#" * 1_048_577, "1 MB"),
    "too many cells": (lambda: b"\n".join([b"#." * 500] * 1_001), "1,000,000 cells"),
    "half a chart": (lambda: b"#.\t.#\n", "tab"),
    "half a WIF": (lambda: b"[WIF]\n[THREADING]\n1=1\n", "no lift plan"),
    "many threads": (lambda: b"[WIF]\n[THREADING]\n99999999999=1\n[LIFTPLAN]\n1=1\n", "100,000"),
    "half a piece": (lambda: b'{"format": "spareshaft-piece", ', "not JSON"),
    "deep": (lambda: b'{"a":' * 50_000, "nested"),
    "a design without bands": (lambda: bad_design(), "no band"),
    "bands that are none": (lambda: bad_design(bands=[{"number": "x"}]), "no bands"),
    "units that are none": (lambda: bad_design(units=10**30), "how many units"),
}


def test_what_cannot_be_read_is_refused_in_a_sentence_and_nothing_is_kept(
    client: TestClient, store: Store, design_id: int
) -> None:
    address, before = f"/designs/{design_id}/bring", all_that_is_kept(store)
    for name, (make, sentence) in REFUSED.items():
        content = make()
        for to, do, script in (
            (f"{address}/preview", "", True),
            (address, "band", True),
            (address, "box", False),
            ("/bring", "hang", True),
        ):
            answer = send(client, to, content, "a.png", script=script, do=do)
            assert answer.status_code == 422, name
            assert sentence in words(answer), name
            assert "<script>alert" not in answer.text
    assert all_that_is_kept(store) == before


READ = {
    "1 × 1": file_of(Image.new("L", (1, 1))),
    "animated": file_of(Image.new("L", (9, 9)), "GIF", save_all=True, append_images=[NOISE]),
    "palette, seen through": file_of(Image.new("P", (9, 9)), transparency=0),
    "16 bit": file_of(Image.fromarray(np.full((9, 9), 65_535, dtype=np.uint16))),
    "CMYK": file_of(Image.new("CMYK", (9, 9)), "JPEG"),
    "WebP": file_of(NOISE, "WEBP"),
    "BMP": file_of(NOISE, "BMP"),
}


def test_odd_pictures_are_read_whatever_they_are_called(
    client: TestClient, store: Store, design_id: int
) -> None:
    for name, content in READ.items():
        shown = send(client, f"/designs/{design_id}/bring/preview", content, "a.wif")
        assert shown.status_code == 200, name
        assert 'data-kind="picture"' in shown.text, name
        assert len(new_band(client, store, design_id, content, f"{name}.txt").rows) == 20, name


def test_20_mb_are_taken_and_more_is_not(client: TestClient, store: Store, design_id: int) -> None:
    address = f"/designs/{design_id}/bring/preview"
    jpeg = file_of(NOISE, "JPEG")
    whole = jpeg + bytes(MOST_PICTURE - len(jpeg))
    assert send(client, address, whole).status_code == 200
    one_more = send(client, address, whole + b"j")
    assert one_more.status_code == 422
    assert "larger than 20 MB" in words(one_more)
    assert send(client, address, whole + bytes(100_000)).status_code == 413
    assert send(client, "/bring", whole + bytes(100_000)).status_code == 413


NUMBERS = ["across", "rows", "picks", "smallest", "level", "at", "take_from", "take_to"]
CHOICES = [
    "how",
    "level_by",
    "side",
    "first_thread",
    "place",
    "do",
    "key",
    "after",
    "name",
    "lifted",
    "chart",
]
CARRIED = ["read", "read_kind", "read_side", "read_name"]


def test_numbers_that_are_none_are_refused(client: TestClient, store: Store, design_id: int) -> None:
    before = all_that_is_kept(store)
    usual = {"level_by": "hand", "place": "at", "take_from": "1", "take_to": "2"}
    for field in NUMBERS:
        for value in [*HOSTILE, "½", "NaN", "10 ^ 30", "1,2,3,4,5,6,7,8,9,10,11,12,13"]:
            answer = send(client, f"/designs/{design_id}/bring/preview", CHART, **(usual | {field: value}))
            may_be_empty = value == "" and field not in ("level", "at")
            assert answer.status_code == (200 if may_be_empty else 422), (field, value)
    assert all_that_is_kept(store) == before


def test_no_choice_whatever_is_sent_breaks_anything(client: TestClient, store: Store, design_id: int) -> None:
    address = f"/designs/{design_id}/bring"
    for field in CHOICES + CARRIED:
        for number, value in enumerate(["", "x", "-1", "9" * 400, "\x00", MARKUP]):
            content = CHART if field in CHOICES else None
            to = address if number % 2 else f"{address}/preview"
            answer = send(client, to, content, script=number % 3 > 0, **{field: value})
            assert answer.status_code in (200, 204, 303, 422), (field, value)
            assert "<script>alert" not in answer.text
    design = kept(store, design_id).design
    assert all(len(row) == 20 for band in design.bands for row in band.rows)


def test_a_band_that_is_gone_is_not_come_after(client: TestClient, store: Store, design_id: int) -> None:
    answer = send(client, f"/designs/{design_id}/bring", CHART, do="band", after="9")
    assert answer.status_code == 422
    assert "not in the design any more" in words(answer)
    assert kept(store, design_id).at == 0


def test_a_finer_drawing_is_drawn_coarser(
    client: TestClient, design_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bring, "MOST_RUNS", 4)
    shown = send(client, f"/designs/{design_id}/bring/preview", b"##..#\n##...\n...##\n...##\n.....\n")
    assert "drawn coarser, one square for 2 × 2 cells" in words(shown)
    assert "5 units × 5 rows" in words(shown)


# --- many at once ----------------------------------------------------------------------------------------


@pytest.fixture
def no_place_left() -> Iterator[None]:
    with ExitStack() as taken:
        while turn_to_read.places.acquire(blocking=False):
            taken.callback(turn_to_read.places.release)
        yield


@pytest.mark.usefixtures("no_place_left")
def test_who_comes_while_many_wait_is_told_so(client: TestClient, store: Store, design_id: int) -> None:
    before = all_that_is_kept(store)
    answer = send(client, f"/designs/{design_id}/bring", CHART, do="band")
    assert answer.status_code == 422
    assert "Try again in a moment" in words(answer)
    assert all_that_is_kept(store) == before


def test_other_pages_are_there_while_a_picture_is_read(
    client: TestClient, design_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun, going_on = threading.Event(), threading.Event()
    read, at_once = bring.read_brought, []

    def slow(*asked: Any) -> Any:
        at_once.append(1)
        assert len(at_once) == 1
        begun.set()
        assert going_on.wait(60)
        at_once.pop()
        return read(*asked)

    monkeypatch.setattr(bring, "read_brought", slow)
    with ThreadPoolExecutor(4) as pool:
        address = f"/designs/{design_id}/bring/preview"
        asked = [pool.submit(send, client, address, CHART) for _ in range(3)]
        try:
            assert begun.wait(60)
            assert client.get("/").status_code == 200
        finally:
            going_on.set()
        assert [one.result().status_code for one in asked] == [200, 200, 200]
