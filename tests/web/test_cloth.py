"""The page of the cloth and its pictures: pieces with and without threads, designs, hostile addresses."""

from __future__ import annotations

import gc
import html
import json
import re
import weakref
from dataclasses import replace
from io import BytesIO
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response
from PIL import Image

from server.cloth.crossings import Draft, Window
from server.design.cells import to_cells
from server.design.design import Band, Design
from server.design.piece_file import read_piece
from server.design.threads import Threads, threads_content
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.plan.planner import plan
from server.store.database import Store
from server.web.cloth import GROUNDS, floats_of, moved, ninths
from tests.examples import PIECE, piece_order, piece_text
from tests.web.test_pages import HOSTILE, MARKUP, NOT_ON_SCREEN, Text, words

UNITS = len(PIECE["leashes"])
THREADS = Threads((5,) * UNITS, satin(5, 2), selvedge_ends=(4, 4))


@pytest.fixture
def woven_id(store: Store) -> int:
    """A piece whose file tells its threads."""
    return store.add_piece(piece_text(extra={"threads": threads_content(THREADS)}), piece_order())


@pytest.fixture
def design_id(store: Store) -> int:
    warp = hang("A warp", Loom((), frozenset(), 4), (Part("pointed", 4, ends=(5,)),), satin(5, 2))
    band = Band(1, "Border", (5,), ("#.....#", ".#####."))
    return store.board.add_design(store.board.add_warp(write_warp(warp)), "A design", Design(7, (band,), 1))


def picture_of(client: TestClient, shown: Response) -> Response:
    """The picture on a page, as a browser asks for it."""
    found = re.search(r'<img src="([^"]+)"', shown.text)
    assert found
    return client.get(html.unescape(found[1]))


def links(shown: Response, of: str = "") -> list[str]:
    """Where the page leads to that shows this cloth."""
    return [
        html.unescape(address)
        for address in re.findall(rf'<a [^>]*{of}[^>]*href="([^"]+/cloth\?[^"]*)"', shown.text)
    ]


def test_the_page_tells_the_cloth(client: TestClient, woven_id: int) -> None:
    shown = client.get(f"/pieces/{woven_id}/cloth")
    assert shown.status_code == 200
    told = words(shown)
    assert "2.6 cm wide and 0.8 cm long on the loom: 53 ends, 15 picks, satin on 5 shafts, counter 2." in told
    assert "Supposed" not in told
    assert "in an even area no float is longer than 4" in told
    assert "the left edges of the figure come out clean" in told
    page = Text(shown.text)
    assert page.refused == []
    assert len(page.ids) == len(set(page.ids))
    assert not NOT_ON_SCREEN.search(page.words)
    picture = picture_of(client, shown)
    assert picture.headers["content-type"] == "image/png"
    with Image.open(BytesIO(picture.content)) as opened:
        size = re.search(r'<img src="[^"]+" width="(\d+)" height="(\d+)"', shown.text)
        assert size
        assert opened.size == (int(size[1]), int(size[2]))


def test_where_the_file_tells_no_threads_they_are_supposed_and_can_be_chosen(
    client: TestClient, piece_id: int
) -> None:
    shown = client.get(f"/pieces/{piece_id}/cloth")
    assert (
        "The file does not tell the threads. Supposed: satin on 5 shafts, counter 2, 5 ends to a unit, "
        "20 ends and 20 picks to a centimetre." in words(shown)
    )
    assert not NOT_ON_SCREEN.search(Text(shown.text).words)
    other = client.get(
        f"/pieces/{piece_id}/cloth?ground=twill-4&ends_per_unit=8&ends_per_cm=7,2&picks_per_cm=7.5"
    )
    assert "Supposed: twill on 4 shafts, 8 ends to a unit, 7,2 ends and 7.5 picks to a centimetre." in words(
        other
    )
    assert "10.0 cm wide and 2.0 cm long on the loom: 72 ends, 15 picks" in words(other)
    assert all("ground=twill-4&ends_per_unit=8&ends_per_cm=7%2C2" in address for address in links(other))
    assert picture_of(client, other).status_code == 200


def test_a_treadling_that_makes_the_order_is_taken_as_it_is(client: TestClient, store: Store) -> None:
    text = json.loads(piece_text(treadling=[1, 3, 5, 2, 4], name="Trodden in satin order"))
    order = piece_order()
    steps = tuple(
        replace(step, treadles=(1, 3, 5, 2, 4)) if type(step).__name__ == "Weave" else step
        for step in order.steps
    )
    piece = store.add_piece(json.dumps(text), replace(order, steps=steps))
    told = words(client.get(f"/pieces/{piece}/cloth"))
    assert "Supposed: as the file treads it" in told
    assert "satin on 5 shafts, counter 2." in told


def test_every_ground_weave_that_is_offered_can_be_supposed(client: TestClient, piece_id: int) -> None:
    for ground in GROUNDS:
        shown = client.get(f"/pieces/{piece_id}/cloth?ground={ground}")
        assert shown.status_code == 200
        assert f'<option value="{ground}" selected>' in shown.text


def test_a_design_is_shown_as_it_is_drawn_now(client: TestClient, store: Store, design_id: int) -> None:
    shown = client.get(f"/designs/{design_id}/cloth")
    assert shown.status_code == 200
    assert "35 ends, 10 picks, satin on 5 shafts" in words(shown)
    before = picture_of(client, shown)
    store.board.draw(design_id, 1, [(1, 2, 6, True)], "")
    after = client.get(str(before.url), headers={"if-none-match": before.headers["etag"]})
    assert after.status_code == 200
    assert after.content != before.content


def test_a_design_without_rows_has_no_cloth_yet(client: TestClient, store: Store, design_id: int) -> None:
    kept = store.board.design(design_id)
    assert kept is not None
    empty = store.board.add_design(kept.warp_id, "Nothing yet", Design(7, ()))
    shown = client.get(f"/designs/{empty}/cloth")
    assert shown.status_code == 200
    assert "There is no row yet, so there is no cloth to be seen." in words(shown)
    assert client.get(f"/designs/{empty}/cloth.png?width=100").status_code == 422


def test_names_are_text(client: TestClient, store: Store) -> None:
    piece = store.add_piece(piece_text(name=MARKUP), piece_order())
    assert "<script>alert" not in client.get(f"/pieces/{piece}/cloth").text


@pytest.mark.parametrize(
    "asked", ["/pieces/999/cloth", "/pieces/x/cloth.png", "/designs/999/cloth", "/designs/%00/cloth"]
)
def test_what_is_not_there_is_not_found(client: TestClient, woven_id: int, asked: str) -> None:
    assert client.get(asked).status_code == 404


# --- going closer and coming back ------------------------------------------------------------------------


def test_every_link_shows_a_part_of_the_cloth(client: TestClient, woven_id: int) -> None:
    shown = client.get(f"/pieces/{woven_id}/cloth")
    addresses = links(shown)
    assert len(addresses) >= 9 + 7 + 4
    for address in set(addresses):
        answer = client.get(address.split("#")[0])
        assert answer.status_code == 200, address
    closer = client.get(links(shown, 'data-way="closer"')[0].split("#")[0])
    assert "Ends 15–40, picks 5–11" in words(closer)
    assert picture_of(client, closer).content != picture_of(client, shown).content


def test_the_place_of_a_float_is_marked_and_shown_on_its_side(client: TestClient, woven_id: int) -> None:
    shown = client.get(f"/pieces/{woven_id}/cloth")
    addresses = [address for address in links(shown) if "mark_ends" in address]
    assert len(addresses) == 4
    assert [("side=back" in address) for address in addresses] == [False, False, True, True]
    there = client.get(addresses[0].split("#")[0])
    unmarked = re.sub(r"&?mark_(ends|picks)=[0-9-]+", "", str(picture_of(client, there).url))
    assert client.get(unmarked).content != picture_of(client, there).content


def test_floats_longer_than_asked_are_counted(client: TestClient, woven_id: int) -> None:
    usual = words(client.get(f"/pieces/{woven_id}/cloth"))
    assert "longer than 4" in usual
    asked = words(client.get(f"/pieces/{woven_id}/cloth?longer=0"))
    assert len(re.findall(r"[1-9][\d,]* longer than 0", asked)) == 4


def test_parts_next_to_a_part() -> None:
    draft = Draft(to_cells(["#." * 10] * 20), (5,), (1, 2, 3, 4, 5), Threads((5,) * 20, satin(5, 2)))
    part = Window(range(40, 60), range(40, 60))
    assert moved(draft, part, "closer", "front") == Window(range(45, 55), range(45, 55))
    assert moved(draft, part, "farther", "front") == Window(range(30, 70), range(30, 70))
    assert moved(draft, part, "left", "front") == Window(range(30, 50), part.picks)
    assert moved(draft, part, "right", "front") == Window(range(50, 70), part.picks)
    assert moved(draft, part, "left", "back") == Window(range(50, 70), part.picks)
    assert moved(draft, part, "up", "front") == Window(part.ends, range(50, 70))
    assert moved(draft, part, "down", "front") == Window(part.ends, range(30, 50))
    assert moved(draft, draft.whole, "farther", "front") == draft.whole
    assert moved(draft, Window(range(4), range(4)), "closer", "front") == Window(range(4), range(4))
    assert moved(draft, Window(range(4), range(4)), "left", "front") == Window(range(4), range(4))
    front, back = ninths(draft, draft.whole, "front"), ninths(draft, draft.whole, "back")
    assert front[0] == Window(range(50), range(50, 100))
    assert front[8] == Window(range(50, 100), range(50))
    assert back[0] == front[2]


def test_a_cloth_too_large_for_one_picture_is_shown_in_part(
    client: TestClient, woven_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("server.web.cloth.MOST_CROSSINGS", 400)
    monkeypatch.setattr("server.web.cloth.MOST_GONE_THROUGH", 400)
    shown = client.get(f"/pieces/{woven_id}/cloth")
    assert "Ends 1–53, picks 1–7" in words(shown)
    assert "This cloth is too large to look through for floats." in words(shown)
    assert "data-cloth" not in shown.text
    for address in set(links(shown)):
        assert client.get(address.split("#")[0]).status_code == 200


# --- addresses that nobody should send -------------------------------------------------------------------

FIELDS = ["side", "warp", "weft", "ends", "picks", "mark_ends", "mark_picks", "longer"]
SUPPOSED = ["ground", "ends_per_unit", "ends_per_cm", "picks_per_cm"]


@pytest.mark.parametrize("field", [*FIELDS, *SUPPOSED])
def test_hostile_values_are_refused_in_a_sentence(client: TestClient, piece_id: int, field: str) -> None:
    is_one = {"1.0"} if field.endswith("_per_cm") else set()
    for value in set(HOSTILE) - {""} - is_one:
        shown = client.get(f"/pieces/{piece_id}/cloth", params={field: value})
        assert shown.status_code == 422, value
        assert 'class="said"' in shown.text
        assert not NOT_ON_SCREEN.search(Text(shown.text).words)
        refused = client.get(f"/pieces/{piece_id}/cloth.png", params={field: value, "width": "100"})
        assert refused.status_code == 422, value
        assert refused.headers["content-type"].startswith("text/plain")
        assert refused.text.endswith((".", "?"))
    assert picture_of(client, shown).status_code == 200  # the page of a refusal shows the cloth all the same


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"ends": "0-5"}, "There are no such ends in this cloth: it has 53."),
        ({"ends": "5-4"}, "no such ends"),
        ({"ends": "1-54"}, "no such ends"),
        ({"picks": "16-16"}, "There are no such picks in this cloth: it has 15."),
        ({"picks": "1–5"}, "no such picks"),
        ({"picks": "9999999-9999999"}, "no such picks"),
        ({"side": "FRONT"}, "A cloth has two sides"),
        ({"weft": "gold"}, "Choose one of the yarns"),
        ({"longer": "-1"}, "Enter a whole number"),
    ],
)
def test_what_is_out_of_bounds_is_told(
    client: TestClient, woven_id: int, asked: dict[str, str], says: str
) -> None:
    shown = client.get(f"/pieces/{woven_id}/cloth", params=asked)
    assert shown.status_code == 422
    assert says in words(shown)


@pytest.mark.parametrize(
    "asked",
    [
        {"ground": "satin-6-2"},
        {"ground": "own"},
        {"ends_per_unit": "0"},
        {"ends_per_unit": "101"},
        {"ends_per_cm": "0"},
        {"ends_per_cm": "0.000"},
        {"ends_per_cm": "1001"},
        {"picks_per_cm": "inf"},
        {"picks_per_cm": "1e3"},
        {"picks_per_cm": "-5"},
    ],
)
def test_threads_that_cannot_be_are_not_supposed(
    client: TestClient, piece_id: int, asked: dict[str, str]
) -> None:
    assert client.get(f"/pieces/{piece_id}/cloth", params=asked).status_code == 422


def test_a_picture_takes_a_width_within_bounds(client: TestClient, woven_id: int) -> None:
    for width in ("", "0", "-1", "x", "1.5", "99999999", "9" * 50, "4001", "１００"):
        asked: dict[str, Any] = {"width": width, "ends": "1-4", "picks": "1-4"}
        answer = client.get(f"/pieces/{woven_id}/cloth.png", params=asked)
        assert answer.status_code == 422, width
        assert answer.headers["content-type"].startswith("text/plain")


def test_without_a_width_there_is_no_picture(client: TestClient, woven_id: int) -> None:
    assert client.get(f"/pieces/{woven_id}/cloth.png").status_code == 422


def test_a_picture_that_a_browser_has_is_not_sent_again(client: TestClient, woven_id: int) -> None:
    address = f"/pieces/{woven_id}/cloth.png?width=100"
    first = client.get(address)
    assert first.headers["cache-control"] == "private, no-cache"
    again = client.get(address, headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    for other in ("&side=back", "&warp=madder", "&ends=1-20", "&mark_ends=1-2&mark_picks=1-2"):
        answer = client.get(address + other, headers={"if-none-match": first.headers["etag"]})
        assert answer.status_code == 200
        assert answer.content != first.content


def a_draft(row: str) -> Draft:
    return Draft(to_cells((row,)), (5,), (1, 2, 3, 4, 5), Threads((5,) * len(row), satin(5, 2)))


def test_floats_are_looked_for_once_and_no_cloth_is_held_for_them() -> None:
    draft = a_draft("#.#")
    found, held = floats_of(draft), weakref.ref(draft)
    del draft
    gc.collect()
    assert held() is None, "its arrays are megabytes"
    assert floats_of(a_draft("#.#")) is found
    for other in ("##", "#.", ".#", ".."):
        floats_of(a_draft(other))
    again = floats_of(a_draft("#.#"))
    assert again is not found, "only a few are kept"
    assert again == found


def test_of_many_units_with_many_picks_no_more_ends_are_supposed_than_fit(
    client: TestClient, store: Store
) -> None:
    # 2,000 units and 60 picks to a row: as many ends to a unit would be more than a warp has
    row = "".join("#" if unit % 5 else "." for unit in range(2_000))
    wide = piece_text(leashes=[unit % 5 + 1 for unit in range(2_000)], rows=[row], picks_per_row=[60])
    loom = {"pattern_shafts": 5, "treadles": 5}
    text = json.dumps(json.loads(wide) | {"loom": loom, "single_cords": []})
    shown = client.get(f"/pieces/{store.add_piece(text, plan(read_piece(text)))}/cloth")
    assert shown.status_code == 200
    assert "50 ends to a unit" in words(shown)
    assert picture_of(client, shown).status_code == 200
