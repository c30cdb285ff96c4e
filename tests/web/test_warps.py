"""The loom on paper: what is typed, drawn, counted and kept; what cannot be hung, and hostile values."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from fractions import Fraction
from html import unescape
from itertools import pairwise
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response
from hypothesis import given
from hypothesis import strategies as st

from server.design.design import Band, Design
from server.design.warp import MOST_PARTS, MOST_UNITS, Part, Warp, hang, read_warp, write_warp
from server.loom.ground import Ground, Treadle, satin
from server.loom.state import Loom
from server.session.naming import Naming
from server.store.database import Store
from server.web.guard import MOST_UPLOAD
from server.web.warp_drawing import FOLDED_FROM, figures, hanging, shape_of, square_words
from server.web.warp_form import (
    MINUTE_WORDS,
    PART_FIELDS,
    WORDS,
    NotRead,
    PartSheet,
    WarpSheet,
    new_sheet,
    read_list,
    read_sheet,
    sheet_of,
    sheet_sent,
    write_list,
)
from tests.conftest import Clock
from tests.web.test_pages import words


def sent(sheet: WarpSheet, **more: str) -> dict[str, Any]:
    """A form as a browser sends it: a box that is not ticked is not sent."""
    fields: dict[str, Any] = {name: text for name, text in sheet.words.items() if text}
    fields["part"] = [str(part.key) for part in sheet.parts]
    for part in sheet.parts:
        said = {f"part-{part.key}-{name}": getattr(part, name) for name in PART_FIELDS}
        fields |= {name: text for name, text in said.items() if text}
    return fields | more


def sheet(*parts: PartSheet, **more: str) -> WarpSheet:
    return WarpSheet({**WORDS, **more}, parts or (PartSheet(1),))


def read(*parts: PartSheet, **more: str) -> Warp:
    return read_sheet(sheet(*parts, **more), "weaver")


def refusal(*parts: PartSheet, **more: str) -> NotRead:
    with pytest.raises(NotRead) as refused:
        read(*parts, **more)
    return refused.value


def keep(client: TestClient, form: WarpSheet, address: str = "/warps/new", **more: str) -> Response:
    return client.post(address, data=sent(form, do="keep", **more))


# --- reading what is typed -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("", ()),
        ("1 2 3 4–8 8–4 0", (1, 2, 3, 4, 5, 6, 7, 8, 8, 7, 6, 5, 4, 0)),
        ("1-3, 3-1; 2", (1, 2, 3, 3, 2, 1, 2)),
        ("1 to 3", (1, 2, 3)),
        ("3×(1 2) 5", (1, 2, 1, 2, 1, 2, 5)),
        ("2 x (1–3)", (1, 2, 3, 1, 2, 3)),
        ("(1 2)", (1, 2)),
        ("  7\n\t8 ", (7, 8)),
    ],
)
def test_lists_as_weavers_write_them(text: str, numbers: tuple[int, ...]) -> None:
    assert read_list(text, "The list", "", 0, 9, 100) == numbers


@pytest.mark.parametrize(
    "text",
    ["a", "1 a", "-3", "1–", "–3", "½", "1.5", "९", "１", "1–999999999", "9" * 40, "3×(1 (2))", "((", "3×",
     "1e3", "NaN", "\u202e12", "99×(1–9)", "999999×(1)", "<b>", "1\x002"],
)  # fmt: skip
def test_lists_that_cannot_be_read_are_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(NotRead, match=r"^The list: [^\n\u202e]+\.$"):
        read_list(text, "The list", "", 0, 9, 100)


@given(st.lists(st.integers(0, 12), max_size=40))
def test_a_list_that_is_written_is_read_again(numbers: list[int]) -> None:
    assert read_list(write_list(numbers), "The list", "", 0, 12, 40) == tuple(numbers)


def test_runs_are_drawn_together() -> None:
    assert write_list((1, 2, 3, 2, 1, 5, 6, 8)) == "1–3 2 1 5 6 8"


def test_a_comma_is_a_point() -> None:
    warp = read(ends_per_cm=" 7,5 ", picks_per_cm="18.25", pull="0,05")
    assert (warp.threads.ends_per_cm, warp.threads.picks_per_cm) == (Fraction("7.5"), Fraction("18.25"))
    assert warp.minutes.pull == 0.05


def test_what_is_left_empty_is_as_usual() -> None:
    warp = read(spare_shafts="", selvedge_left="", offset="", walk="", pattern_shafts="", may_stay="")
    usual = read()
    assert warp == replace(usual, loom=replace(usual.loom, spare_shafts=0, temporaries_may_stay=False))
    assert warp.loom.pattern_shafts == 8


HOSTILE = [
    "x",
    "-1",
    "½",
    "1e9",
    "NaN",
    "inf",
    "९",
    "9" * 31,
    "7 5",
    "1,2,3",
    "0x10",
    "\u202e3",
    "<script>",
    "٣",
]


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize(
    "field",
    ["pattern_shafts", "spare_shafts", "spare_handles", "temporaries_per_shaft", "selvedge_left",
     "selvedge_right", "ends_per_cm", "picks_per_cm", "ground_shafts", "counter", "offset", "threading",
     "selvedge_threading", "treadling", "ground", *MINUTE_WORDS],
)  # fmt: skip
def test_hostile_numbers_are_refused_at_their_field(field: str, text: str) -> None:
    takes_lists = {"threading", "selvedge_threading", "treadling"}
    if field in takes_lists and text in ("7 5", "1,2,3"):
        return  # that is a list
    told = refusal(**{field: text})
    assert told.field == field
    assert re.fullmatch(r"[^\n\u202e]{1,200}\.", str(told))


@pytest.mark.parametrize("text", ["", "0", *HOSTILE])
@pytest.mark.parametrize("field", ["shafts", "first", "times", "hung", "ends", "kind"])
def test_hostile_numbers_in_a_part_are_refused_at_their_field(field: str, text: str) -> None:
    if field == "ends" and text in ("7 5", "1,2,3"):
        return
    told = refusal(PartSheet(1), replace(PartSheet(7), **{field: text}))
    assert told.field == f"part-7-{field}"
    assert str(told).startswith("Part 2")


def test_hostile_lists_in_a_part_are_refused_at_their_field() -> None:
    for text in ("", "a", "-1", "1–9999", "9" * 31, "5001×(1)"):
        assert refusal(PartSheet(1, "free", leashes=text)).field == "part-1-leashes"
    assert refusal(PartSheet(1, "free", leashes="1–9"), pattern_shafts="8").field == "part-1-leashes"
    assert refusal(PartSheet(1, each="0")).field == "part-1-each"


def test_names_are_not_too_long_and_of_any_script() -> None:
    assert read(name=" שטיח הנמל ", loom="\u202eelbat").name == "שטיח הנמל"
    assert refusal(name="x" * 201).field == "name"
    assert refusal(loom="x" * 201).field == "loom"


def test_more_than_a_loom_holds_is_refused() -> None:
    assert (
        str(refusal(*[PartSheet(key) for key in range(1, 202)])) == "More than 200 parts; put some together."
    )
    assert "more than any loom holds" in str(refusal(PartSheet(1, "straight", shafts="100", times="51")))
    assert "more than 5,000 units" in str(refusal(PartSheet(1, "single", "5000"), PartSheet(2)))
    assert str(refusal(PartSheet(1, "straight", shafts="4", first="9"), pattern_shafts="11")) == (
        "Part 1 goes up to shaft 12; the loom has 11."
    )
    assert read(PartSheet(1, "single", "5000")).units == MOST_UNITS
    with pytest.raises(NotRead, match="at least one part"):
        read_sheet(WarpSheet(WORDS, ()), "weaver")


# --- the ground weave ------------------------------------------------------------------------------------


def ground(**more: str) -> Ground:
    return read(**more).threads.ground


def test_the_ground_weaves_of_the_list() -> None:
    assert ground(ground="satin", ground_shafts="8", counter="3", offset="2") == satin(8, 3, 2)
    assert ground(ground="plain").shafts == 2
    assert ground(ground="twill", ground_shafts="4").offsets == (1, 1, 1, 1)
    # from memory; common practice, no source
    six = ground(ground="six", offset="3")
    assert [treadle.rises for treadle in six.treadles] == [(1,), (3,), (5,), (2,), (6,), (4,)]
    assert [treadle.rises for treadle in ground(ground="broken-four").treadles] == [(1,), (2,), (4,), (3,)]
    assert len(ground(ground="broken-six").treadles) == 6


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"ground_shafts": "8", "counter": "2"}, "Counter 2 gives no satin on 8 shafts. These do: 3."),
        ({"ground_shafts": "7", "counter": "1"}, "These do: 2, 3."),
        ({"ground_shafts": "6", "counter": "2"}, "No counter gives a regular satin on 6 shafts"),
        ({"ground": "twill", "ground_shafts": "2"}, "at least 3"),
        ({"offset": "0"}, "cannot both raise and sink"),
        ({"offset": "5"}, "cannot both raise and sink"),
        ({"threading": "6"}, "An end is put in ground shaft 6; there are 5."),
        ({"treadling": "1 6"}, "There is no treadle 6"),
        ({"ground": "kept"}, "Choose the ground weave."),
        ({"ground": "free", "treadles": "0"}, "Treadles: write a whole number"),
        ({"ground": "free", "ground_shafts": "25"}, "Ground shafts: write a whole number from 1 to 24"),
        ({"ground": "free", "tie-1-1": "both"}, "Treadle 1, ground shaft 1"),
    ],
)
def test_a_ground_that_cannot_be_is_refused(more: dict[str, str], why: str) -> None:
    assert why in str(refusal(**more))


def test_a_tie_up_of_her_own() -> None:
    tie = {
        "ground": "free",
        "ground_shafts": "3",
        "treadles": "2",
        "tie-1-1": "up",
        "tie-3-1": "down",
        "tie-2-2": "up",
    }
    made = ground(**tie, threading="1 2 3 2")
    assert made == Ground(3, (Treadle((1,), (3,)), Treadle((2,))), (1, 2, 3, 2))
    assert sheet_of(read(**tie), "weaver").words.items() >= tie.items()


def test_ends_that_are_bound_nowhere_are_warned_of(client: TestClient) -> None:
    form = sheet(ground="free", ground_shafts="2", treadles="2", **{"tie-1-1": "up", "tie-1-2": "down"})
    shown = words(client.post("/warps/preview", data=sent(form)))
    assert "No treadle moves ground shaft 2: its ends are bound nowhere." in shown
    assert "Treadle 4 is not in the treadling." in words(
        client.post("/warps/preview", data=sent(sheet(treadling="1–3 5")))
    )


# --- a warp in the form and out of it --------------------------------------------------------------------

PARTS = st.builds(
    Part,
    kind=st.sampled_from(["straight", "pointed"]),
    shafts=st.integers(1, 5),
    first=st.integers(1, 8),
    times=st.integers(1, 3),
    hung=st.just(1),
    corded=st.booleans(),
    falling=st.booleans(),
    mirrored=st.booleans(),
    ends=st.lists(st.integers(1, 6), min_size=1, max_size=3).map(tuple),
    leashes_each=st.lists(st.integers(1, 3), min_size=1, max_size=3).map(tuple),
) | st.builds(
    Part,
    kind=st.just("free"),
    leashes=st.lists(st.integers(0, 12), min_size=1, max_size=9).map(tuple),
    mirrored=st.booleans(),
)
GROUNDS = st.sampled_from(
    [
        read(ground=kind).threads.ground
        for kind in ("satin", "six", "twill", "broken-four", "broken-six", "plain")
    ]
    + [satin(9, 7, 3), Ground(3, (Treadle((1, 2), (3,)), Treadle()), (3, 1), (2,))]
)


@given(st.lists(PARTS, min_size=1, max_size=4), GROUNDS, st.sampled_from(["weaver", "back"]), st.booleans())
def test_a_warp_in_its_form_is_the_same_warp(
    parts: list[Part], made: Ground, counted: Any, stays: bool
) -> None:
    loom = Loom((), frozenset(), 12, name="The big loom", spare_handles=1, temporaries_may_stay=stays)
    warp = hang("A warp", loom, tuple(parts), made, ends_per_cm=Fraction("7.2"), selvedge_ends=(1, 2))
    assert read_sheet(sheet_of(warp, counted), counted) == warp


def test_a_ground_that_is_too_large_to_fill_in_stays_as_it_is_kept(client: TestClient, store: Store) -> None:
    made = Ground(30, tuple(Treadle((n,)) for n in range(1, 31)), (1, 30))
    warp = hang("", Loom((), frozenset(), 4), (Part("straight", shafts=4),), made)
    number = store.board.add_warp(write_warp(warp))
    form = sheet_of(warp, "weaver")
    assert form.words["ground"] == "kept"
    assert "As it is kept" in client.get(f"/warps/{number}").text
    seen = mark_on(client.get(f"/warps/{number}"))
    answer = keep(client, form.saying(name="Other", seen=seen), f"/warps/{number}")
    assert answer.status_code == 303
    kept = store.board.warp(number)
    assert kept is not None
    assert (kept.name, kept.warp.threads.ground) == ("Other", made)


def test_shafts_are_typed_as_she_counts_them() -> None:
    form = sheet(
        PartSheet(1, "straight", shafts="3"), PartSheet(2, "free", leashes="1 5 0"), pattern_shafts="6"
    )
    assert read_sheet(form, "weaver").loom.leashes == (1, 2, 3, 1, 5, 0)
    assert read_sheet(form, "back").loom.leashes == (6, 5, 4, 6, 2, 0)
    assert "goes up to shaft 8" in str(refusal(PartSheet(1, "straight", shafts="8"), pattern_shafts="6"))


def test_everything_typed_comes_back_whatever_it_is(client: TestClient) -> None:
    marks = ['"><script>alert(1)</script>', "½", "\u202eabc", "&amp;", "x" * 300]
    for text in marks:
        form = WarpSheet(dict.fromkeys(WORDS, text), (PartSheet(4, *[text] * len(PART_FIELDS)),))
        answer = keep(client, form)
        assert answer.status_code == 422
        values = [unescape(value) for value in re.findall(r'value="([^"]*)"', answer.text)]
        assert values.count(text) >= len(WORDS) - 6
        assert "<script>alert" not in answer.text


# --- buttons that change the form ------------------------------------------------------------------------


def parts_on(answer: Response) -> list[str]:
    return re.findall(r'name="part" value="(\d+)"', answer.text)


def value_on(answer: Response, name: str) -> str:
    found = re.search(rf'name="{name}"[^>]* value="([^"]*)"', answer.text)
    assert found
    return unescape(found[1])


def mark_on(answer: Response) -> str:
    return value_on(answer, "seen")


def test_parts_are_added_moved_and_taken_out(client: TestClient) -> None:
    form = sheet(PartSheet(1, shafts="5"), PartSheet(2, shafts="6"), PartSheet(9, shafts="7"))
    for do, order in (
        ("add", ["1", "2", "9", "10"]),
        ("borders", ["10", "1", "2", "9", "11"]),
        ("away:2", ["1", "9"]),
        ("left:9", ["1", "9", "2"]),
        ("right:1", ["2", "1", "9"]),
        ("left:1", ["1", "2", "9"]),
        ("right:9", ["1", "2", "9"]),
        ("away:77", ["1", "2", "9"]),
        ("show", ["1", "2", "9"]),
        ("nonsense", ["1", "2", "9"]),
        ("left:" + "9" * 40, ["1", "2", "9"]),
    ):
        answer = client.post("/warps/new", data=sent(form, do=do))
        assert answer.status_code == 200
        assert parts_on(answer) == order, do
        assert value_on(answer, "part-1-shafts") == "5"


def test_borders_hang_on_shafts_of_their_own_and_mirror_each_other() -> None:
    form = sheet(PartSheet(1, "pointed", shafts="8"), PartSheet(2, "free", leashes="1–10")).with_borders()
    warp = read_sheet(form, "weaver")
    assert warp.loom.leashes[:4] == (11, 12, 13, 14)
    assert warp.loom.leashes[-4:] == (14, 13, 12, 11)


def test_a_counter_that_is_offered_can_be_taken(client: TestClient) -> None:
    answer = client.post("/warps/new", data=sent(sheet(ground_shafts="8", counter="2"), do="counter:3"))
    assert value_on(answer, "counter") == "3"
    offered = re.findall(
        r'value="counter:(\d+)"', client.post("/warps/new", data={"ground_shafts": "11"}).text
    )
    # Wolfensberger's table (SOURCES.md, 1)
    assert offered == ["2", "3", "4", "5"]


def test_a_form_of_200_parts_is_kept_and_none_is_added(client: TestClient, store: Store) -> None:
    form = sheet(*[PartSheet(key, "straight", shafts="2") for key in range(1, MOST_PARTS + 1)])
    answer = client.post("/warps/new", data=sent(form, do="add"))
    assert answer.status_code == 422
    assert "200 parts are the most" in words(answer)
    assert len(parts_on(answer)) == MOST_PARTS
    assert keep(client, form).status_code == 303
    assert len(store.board.warps()[0].warp.parts) == MOST_PARTS


def test_what_was_sent_in_no_order_or_twice() -> None:
    odd = [("part", "2"), ("part", "1"), ("part", "2"), ("part", "x"), ("part", "-1"), ("part", "9" * 20),
           ("name", "first"), ("name", "second"), ("part-1-shafts", "7"), ("tie-1-1", "up"),
           ("nonsense", "1")]  # fmt: skip
    form = sheet_sent(odd)
    assert [part.key for part in form.parts] == [2, 1]
    assert (form.words["name"], form.parts[1].shafts, form.words["tie-1-1"]) == ("first", "7", "up")
    assert "nonsense" not in form.words


# --- keeping ---------------------------------------------------------------------------------------------


def test_a_warp_is_kept_shown_changed_and_kept_as_another(client: TestClient, store: Store) -> None:
    answer = keep(client, sheet(name="Linen"))
    assert (answer.status_code, answer.headers["location"]) == (303, "/warps/1?said=kept")
    page = client.get("/warps/1?said=kept")
    assert "Kept." in words(page)
    assert '/designs/new?warp=1"' in page.text
    form = sheet_of(read(name="Linen"), "weaver").saying(
        seen=mark_on(page), name="Linen, fine", ends_per_cm="24"
    )
    assert keep(client, form, "/warps/1").headers["location"] == "/warps/1?said=kept"
    assert [kept.name for kept in store.board.warps()] == ["Linen, fine"]
    answer = client.post("/warps/1", data=sent(form.saying(name="Wool"), do="another"))
    assert answer.headers["location"] == "/warps/2?said=kept"
    assert {kept.name for kept in store.board.warps()} == {"Linen, fine", "Wool"}


def test_a_form_sent_twice_is_kept_once(client: TestClient, store: Store) -> None:
    assert keep(client, new_sheet()).headers["location"] == keep(client, new_sheet()).headers["location"]
    form = new_sheet().saying(name="Other", seen=mark_on(client.get("/warps/1")))
    for _ in range(2):
        assert keep(client, form, "/warps/1").status_code == 303
    assert [kept.name for kept in store.board.warps()] == ["Other"]


def test_what_cannot_be_hung_is_not_kept_and_said_beside_its_field(client: TestClient, store: Store) -> None:
    answer = keep(client, sheet(name="Linen", picks_per_cm="½"))
    assert answer.status_code == 422
    assert store.board.warps() == []
    assert value_on(answer, "name") == "Linen"
    assert re.search(
        r'id="picks_per_cm"[^>]* aria-invalid="true" aria-describedby="wrong" autofocus', answer.text
    )
    assert words(answer).count("Picks to a cm: write a number above 0 to 1,000, as 7.5, not “½”.") == 2


def test_what_another_screen_changed_is_not_overwritten_unasked(client: TestClient, store: Store) -> None:
    keep(client, sheet(name="Linen"))
    seen = mark_on(client.get("/warps/1"))
    assert keep(client, sheet(name="Hers", seen=seen), "/warps/1").status_code == 303
    answer = keep(client, sheet(name="Mine", seen=seen), "/warps/1")
    assert answer.status_code == 422
    assert "changed elsewhere" in words(answer)
    assert value_on(answer, "name") == "Mine"
    assert store.board.warps()[0].name == "Hers"
    assert keep(client, sheet(name="Mine", seen=mark_on(answer)), "/warps/1").status_code == 303
    assert store.board.warps()[0].name == "Mine"


def draw_on(store: Store, number: int, units: int) -> None:
    design = Design(units, (Band(1, "", rows=("." * units,)),))
    store.board.add_design(number, "Anchors", design)


def test_a_warp_with_designs_keeps_its_units(client: TestClient, store: Store) -> None:
    keep(client, sheet(name="Linen"))
    draw_on(store, 1, 15)
    page = client.get("/warps/1")
    assert "1 design is drawn on it" in words(page)
    wider = sheet(PartSheet(1, shafts="9"), name="Linen", seen=mark_on(page))
    answer = keep(client, wider, "/warps/1")
    assert answer.status_code == 422
    assert "Keep the new leash order as another warp." in words(answer)
    assert value_on(answer, "part-1-shafts") == "9"
    answer = client.post("/warps/1/away")
    assert answer.status_code == 422
    assert "Designs are drawn on this warp" in words(answer)


def test_a_warp_is_thrown_away_and_brought_back(client: TestClient, store: Store) -> None:
    keep(client, sheet(name="Linen"))
    answer = client.post("/warps/1/away")
    assert answer.headers["location"] == "/warps?away=1"
    page = client.get("/warps?away=1")
    assert 'action="/warps/1/back"' in page.text
    assert store.board.warps() == []
    assert client.get("/warps/1").status_code == 404
    assert client.post("/warps/1/back").headers["location"] == "/warps/1"
    assert "Bring it back" not in client.get("/warps?away=1").text
    assert store.board.warps()[0].name == "Linen"


def test_warps_that_are_not_there(client: TestClient) -> None:
    for number in ("0", "7", "-1", "x", "9" * 30, "½", "1 ", "%00"):
        assert client.get(f"/warps/{number}").status_code == 404
        for address in (f"/warps/{number}", f"/warps/{number}/away"):
            assert client.post(address, data={"do": "keep"}).status_code == 404
        assert client.post(f"/warps/{number}/back").status_code in (404, 422)
        assert client.get("/warps", params={"away": number}).status_code == 200
        assert client.post("/warps/preview", data=sent(sheet(), of=number)).status_code == 200


def test_the_list_tells_what_each_warp_is(client: TestClient) -> None:
    assert "Hang a warp" in words(client.get("/warps"))
    keep(client, sheet(name="<b>Linen</b>", loom="The big loom", selvedge_left="4"))
    keep(client, sheet(name="  "))
    page = client.get("/warps")
    assert "<b>Linen" not in page.text
    for fact in (
        "<b>Linen</b>",
        "The big loom",
        "15 units · 64 ends · 8 shafts · 3.2 cm wide · no design yet",
    ):
        assert fact in words(page)
    assert "Warp without a name" in words(page)
    assert 'href="/designs/new?warp=1"' in page.text


def test_a_form_that_is_no_form(client: TestClient) -> None:
    assert client.post("/warps/new", data={"do": "keep"}).status_code == 422
    assert client.post("/warps/new", content=b"\xff\xfe", headers={"content-type": "x"}).status_code == 200
    many = {f"field-{number}": "1" for number in range(6_000)}
    assert client.post("/warps/new", data=many).status_code == 400
    assert client.post("/warps/new", files={"name": b"x"}).status_code == 400


def test_as_many_shafts_as_are_needed_stays_that(client: TestClient, store: Store) -> None:
    keep(client, sheet(PartSheet(1, shafts="60")))
    page = client.get("/warps/1")
    assert value_on(page, "pattern_shafts") == ""
    assert 'placeholder="as needed: 60"' in page.text
    assert keep(client, sheet(PartSheet(1, shafts="64"), seen=mark_on(page)), "/warps/1").status_code == 303
    assert store.board.warps()[0].warp.loom.pattern_shafts == 64


def test_shafts_beyond_what_is_needed_stay_as_typed(client: TestClient) -> None:
    keep(client, sheet(PartSheet(1, shafts="6"), pattern_shafts="8"))
    page = client.get("/warps/1")
    assert value_on(page, "pattern_shafts") == "8"
    assert 'placeholder="as needed: 6"' in page.text
    client.post("/preferences", data={"shafts_from": "back", "units_from": "left"})
    # from the back the part is on 3 to 8, which takes 8
    assert (value_on(page := client.get("/warps/1"), "pattern_shafts"), value_on(page, "part-1-first")) == (
        "",
        "3",
    )


# --- bringing a warp file in ------------------------------------------------------------------------------


def bring(client: TestClient, content: bytes | str, name: str = "warp.json") -> Response:
    return client.post("/warps/bring", files={"file": (name, content)})


def test_a_warp_file_is_brought_in(client: TestClient, store: Store) -> None:
    warp = read(
        PartSheet(1, "free", leashes="1 9 0", ends="4 5", each="2"),
        PartSheet(2, "single", mirrored="on"),
        name="שטיח",
        selvedge_left="3",
        pattern_shafts="40",
        walk="9",
    )
    answer = bring(client, b"\xef\xbb\xbf" + write_warp(warp).encode())
    assert (answer.status_code, answer.headers["location"]) == (303, "/warps/1?said=kept")
    assert [kept.warp for kept in store.board.warps()] == [warp]
    assert value_on(client.get("/warps/1"), "part-1-leashes") == "1 9 0"
    assert bring(client, write_warp(warp)).headers["location"] == "/warps/1?said=kept"  # pressed twice


def test_warps_of_the_same_name_are_told_apart(client: TestClient, store: Store, clock: Clock) -> None:
    text = write_warp(read(name="Linen"))
    assert bring(client, text).headers["location"] == "/warps/1?said=kept"
    assert "of this name" not in words(client.get("/warps"))
    clock.pass_by(minutes=5)
    assert bring(client, text).headers["location"] == "/warps/2?said=kept"
    bring(client, write_warp(read(name="Wool")))
    shown = client.get("/warps").text
    said = re.findall(r'href="/warps/(\d)">(?:(?!</li>).)*?piece-which">([^<]*)<', shown, re.DOTALL)
    assert sorted(said) == [("1", "Warp 1 of 2 of this name"), ("2", "Warp 2 of 2 of this name, the newest")]
    for address in ("/designs/new", "/bring"):  # where one of them is chosen
        options = re.findall(r'<option value="(\d)"[^>]*>([^<]*)<', client.get(address).text)
        chosen = {number: text.split("units")[1] for number, text in options}
        assert chosen == {
            "1": ", warp 1 of 2 of this name",
            "2": ", warp 2 of 2 of this name, the newest",
            "3": "",
        }


def test_a_warp_too_large_to_fill_in_is_brought_in_as_it_is(client: TestClient, store: Store) -> None:
    made = Ground(30, tuple(Treadle((n,)) for n in range(1, 31)), (1, 30))
    warp = hang("", Loom((), frozenset(), 4), (Part("straight", shafts=4),), made)
    assert bring(client, write_warp(warp)).status_code == 303
    assert store.board.warps()[0].warp == warp


def told_of(**changes: Any) -> str:
    return json.dumps(json.loads(write_warp(read())) | changes)


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ("", "The file is empty."),
        ("{", "JSON"),
        ("[]", ""),
        ("null", ""),
        (b"\xff\xfe\x00", "UTF-8"),
        (b"PK\x03\x04", "a packed file"),
        ("#..\n.#.", "That is a chart in plain text. It belongs under “From a picture or a file”"),
        ("[" * 100_000, ""),
        ('{"format": "spareshaft-warp", "format": "x"}', "twice"),
        (told_of(format="spareshaft-piece"), "That is the file of a piece. Bring it in on the page Pieces."),
        (told_of(format="x"), "format"),
        (told_of(format=["spareshaft-piece"]), "format"),
        (told_of(version=2), "version"),
        (told_of(version=1e400), ""),
        (told_of(name="x" * 201), "name"),
        (told_of(name="\ud800"), ""),
        (told_of(brush=1), "brush"),
        (told_of(parts=[]), "parts"),
        (told_of(parts=[{"kind": "pointed"}] * 201), "parts"),
        (told_of(parts=[{"kind": "straight", "shafts": 5000, "times": 5000}]), "more than any loom holds"),
        (told_of(parts=[{"kind": "free", "leashes": [10**30]}]), ""),
        (told_of(loom={"pattern_shafts": 3}), "the loom has 3"),
        (told_of(loom={"pattern_shafts": 1001}), "Pattern shafts: write a whole number from 1 to 1,000"),
        (told_of(treadling=[9]), "no treadle 9"),
        (told_of(ends_per_cm=float("nan")), ""),
        (told_of(ends_per_cm=1e300), ""),
        (told_of(selvedge_ends=[1]), "selvedge_ends"),
        (told_of(minutes={"walk": -1}), "walk"),
        (told_of(minutes={"walk": 1e300}), ""),
        (b" " * (MOST_UPLOAD + 1), "larger than 1 MB"),
    ],
)
def test_a_hostile_warp_file_is_refused_in_a_sentence(
    client: TestClient, store: Store, content: bytes | str, why: str
) -> None:
    answer = bring(client, content)
    assert answer.status_code == 422
    said = re.search(r'class="said" role="alert">(.*?)</p>', answer.text, re.DOTALL)
    assert said
    assert why in unescape(said[1])
    assert unescape(said[1]).strip().endswith(".")
    assert store.board.warps() == []


def test_no_warp_file_at_all(client: TestClient, store: Store) -> None:
    for answer in (
        client.post("/warps/bring"),
        client.post("/warps/bring", data={"file": "warp.json"}),
        client.post("/warps/bring", files={"file": ("", b"")}),
    ):
        assert answer.status_code in (400, 422)
        assert "Choose a warp file first" in words(answer) or answer.status_code == 400
    large = client.post("/warps/bring", files={"file": ("warp.json", b" " * 2_000_000)})
    assert large.status_code == 413
    assert client.get("/warps/bring").status_code == 404
    assert store.board.warps() == []


# --- drawn and counted -----------------------------------------------------------------------------------


def dots(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"M([\d.]+) ([\d.]+)h0", path)]


def test_units_are_dots_on_the_lines_of_their_shafts_the_nearest_lowest() -> None:
    warp = read(PartSheet(1, "straight", shafts="3"), PartSheet(2, "free", leashes="2 0"))
    drawn = hanging(warp, Naming.on(warp.loom))
    assert [line.key for line in drawn.lines] == ["cords", "3", "2", "1"]
    assert [line.units for line in drawn.lines] == [1, 1, 2, 1]
    heights = [line.y for line in drawn.lines]
    assert heights == sorted(heights)
    across = {}
    for line in drawn.lines:
        assert {y for _, y in dots(line.dots)} == {line.y}
        across[line.key] = [x for x, _ in dots(line.dots)]
    first, second = across["2"]
    assert across["1"][0] < first < across["3"][0] < second < across["cords"][0]
    assert [mark.text for mark in drawn.parts] == ["1", "2"]


@pytest.mark.parametrize("shafts", ["1", "8", "12", "24", "25", "60", "100"])
def test_names_of_lines_are_clear_of_each_other(shafts: str) -> None:
    warp = read(PartSheet(1, "single", "4"), PartSheet(2, shafts=shafts, corded="on"))
    drawn = hanging(warp, Naming.on(warp.loom)).lines
    named = [line.y for line in drawn if line.label]
    assert drawn[0].label == "cords"
    assert min(after - before for before, after in pairwise(named)) >= 15  # letters are 13 high
    edges = [(line.y - line.height / 2, line.y + line.height / 2) for line in drawn]
    assert all(before[1] == pytest.approx(after[0]) for before, after in pairwise(edges))


def test_a_mirror_image_is_offered_where_it_can_differ(client: TestClient) -> None:
    assert PartSheet(1, "single", ends="4", each="").is_even
    assert PartSheet(1, "single", ends="4 4", each="2 2").is_even
    assert not PartSheet(1, "single", ends="4 5").is_even
    assert not PartSheet(1, "single", each="1, 2").is_even
    page = client.post(
        "/warps/new",
        data=sent(sheet(PartSheet(1, "single"), PartSheet(2, "single", ends="4 5"))),
    ).text
    assert re.findall(r'warp-tick of-mirror( not-single)?"', page) == [" not-single", ""]


def test_the_offset_is_told_of_with_the_cloth_of_a_design(client: TestClient, store: Store) -> None:
    assert "the cloth of a design tells which." in words(client.get("/warps/new"))
    keep(client, sheet(name="Linen"))
    draw_on(store, 1, 15)
    assert '<a href="/designs/1/cloth">the cloth</a> tells which.' in client.get("/warps/1").text
    assert client.get("/designs/1/cloth").status_code == 200


def test_numbers_are_hers() -> None:
    warp = read(PartSheet(1, "straight", shafts="3", times="2"))
    from_back = hanging(warp, Naming.on(warp.loom, "back", "right"))
    assert [line.key for line in from_back.lines] == ["1", "2", "3"]
    assert from_back.lines[2].says == "Shaft 3 lifts 2 units together: 3 and 6."
    assert [line.dots for line in from_back.lines] == [
        line.dots for line in hanging(warp, Naming.on(warp.loom)).lines
    ]


def test_her_way_of_counting_shows_on_the_page(client: TestClient) -> None:
    keep(client, sheet(PartSheet(1, "straight", shafts="3"), pattern_shafts="8"))
    client.post("/preferences", data={"shafts_from": "back", "units_from": "right"})
    page = client.get("/warps/1")
    assert value_on(page, "part-1-first") == "6"
    assert "Shaft 8 lifts unit 3 alone." in unescape(page.text)
    assert "counted from the back" in words(page)
    form = sheet_of(read(PartSheet(1, "straight", shafts="3"), pattern_shafts="8"), "back")
    assert keep(client, form, "/warps/1").status_code == 303


def test_repeats_that_are_alike_are_folded_and_drawn_where_that_is_asked() -> None:
    parts = PartSheet(1, "straight", shafts="12", times="40"), PartSheet(2, "single", shafts="300")
    warp = read(*parts)
    naming = Naming.on(warp.loom)
    folded, whole = hanging(warp, naming), hanging(warp, naming, unfold=True)
    assert [mark.text for mark in folded.folds] == ["+ 38 ×", "+ 284"]
    assert whole.folds == ()
    assert sum(len(dots(line.dots)) for line in whole.lines) == warp.units == 780
    assert sum(len(dots(line.dots)) for line in folded.lines) == 24 + 16
    assert [line.units for line in folded.lines] == [line.units for line in whole.lines]
    small = read(PartSheet(1, "straight", shafts="12", times="10"))
    assert small.units <= FOLDED_FROM
    assert hanging(small, naming).folds == ()


@given(st.integers(1, 6), st.integers(1, 60), st.integers(1, 2), st.sampled_from(["straight", "pointed"]))
def test_what_is_folded_is_like_what_is_drawn(shafts: int, times: int, hung: int, kind: str) -> None:
    warp = read(PartSheet(1, kind, str(shafts), "1", str(times), str(hung)), PartSheet(2, "single", "130"))
    drawn = hanging(warp, Naming.on(warp.loom))
    seen = sum(len(dots(line.dots)) for line in drawn.lines)
    told = [mark.text for mark in drawn.folds]
    units = warp.units - 130
    if any(text.endswith("×") for text in told):
        period = shafts if kind == "straight" else 2 * shafts if hung == 2 else 2 * shafts - 2
        assert told[0] == f"+ {times - 2} ×"
        assert seen == units - (times - 2) * period + 16
    else:
        assert seen == units + 16


def test_five_thousand_units_are_drawn() -> None:
    warp = read(PartSheet(1, "free", leashes="500×(1 9 3 7 5 2 8 4 6 10)"))
    drawn = hanging(warp, Naming.on(warp.loom))
    assert warp.units == MOST_UNITS
    assert sum(len(dots(line.dots)) for line in drawn.lines) == MOST_UNITS
    assert drawn.is_long


def test_of_a_loom_of_a_thousand_shafts_those_are_drawn_that_carry_something() -> None:
    warp = read(PartSheet(1, "free", leashes="1 700 1000"), pattern_shafts="1000")
    assert [line.key for line in hanging(warp, Naming.on(warp.loom)).lines] == ["1000", "700", "1"]


def test_the_shape_of_an_order_turns_where_it_turns() -> None:
    warp = read(PartSheet(1, "pointed", shafts="4"), PartSheet(2, "straight", shafts="2"))
    assert shape_of(warp) == "M0.5 3.5h0L3.5 0.5L6.5 3.5L7.5 3.5L8.5 2.5"


def test_what_is_counted() -> None:
    warp = read(
        PartSheet(1, "straight", shafts="4", times="2", ends="4 5", each="1 2"),
        PartSheet(2, "single", shafts="2"),
        selvedge_left="6",
        selvedge_right="4",
        pattern_shafts="6",
        ends_per_cm="9",
    )
    assert dict(figures(warp, Naming.on(warp.loom))) == {
        "Units": "10",
        "Ends": "54, 10 of them in the selvedges",
        "Ends to a unit": "4 in 6 units, 5 in 4 units",
        "Width in the reed": "6 cm",
        "Pattern shafts": "4 of 6 in use",
        "Single draw cords": "2",
        "Leashes": "14",
        "Ground, as trodden": "satin on 5 shafts, counter 2",
    }
    twill = read(ground="twill", ground_shafts="4", treadling="4–1")
    assert dict(figures(twill, Naming.on(twill.loom)))["Ground, as trodden"] == "twill on 4 shafts"
    broken = read(ground="broken-four")
    assert "Ground, as trodden" not in dict(figures(broken, Naming.on(broken.loom)))
    lines = {line.key: (line.units, line.leashes) for line in hanging(warp, Naming.on(warp.loom)).lines}
    assert lines == {
        "cords": (2, 2),
        "6": (0, 0),
        "5": (0, 0),
        "4": (2, 4),
        "3": (2, 2),
        "2": (2, 4),
        "1": (2, 2),
    }


@pytest.mark.parametrize(
    ("ends", "setts", "said"),
    [
        ("4", ("20", "20"), "A cell comes out square with 4 picks to a row."),
        ("1", ("20", "20"), "A cell comes out square with 1 pick to a row."),
        ("1", ("20", "10"), "Even a single pick to a row makes a cell higher than wide"),
        ("4", ("20", "19,3"), "nearly square with 3, 4, 4 and 4 picks, row by row in turn"),
        ("4 5 5", ("20", "20"), "with 5 picks to a row. Reckoned for units of 5 ends."),
    ],
)
def test_picks_for_square_cells_are_offered(ends: str, setts: tuple[str, str], said: str) -> None:
    warp = read(PartSheet(1, "straight", shafts="3", ends=ends), ends_per_cm=setts[0], picks_per_cm=setts[1])
    assert said in square_words(warp)


def test_the_preview_is_drawn_and_keeps_nothing(client: TestClient, store: Store) -> None:
    answer = client.post("/warps/preview", data=sent(sheet(PartSheet(1, shafts="12"))))
    assert answer.status_code == 200
    assert answer.text.count('class="hanging-line') == 12
    assert "23" in words(answer)
    refused = client.post("/warps/preview", data=sent(sheet(counter="4")))
    assert 'data-field="counter"' in refused.text
    assert "hanging-line" not in refused.text
    assert "Counter 4 gives no satin on 5 shafts. These do: 2." in words(refused)
    assert store.board.warps() == []


def test_a_marked_shaft_is_marked_without_scripts_too(client: TestClient) -> None:
    answer = client.post("/warps/new", data=sent(sheet(mark="3"), do="show"))
    assert "Shaft 3 lifts 2 units together: 3 and 13." in words(answer)
    assert re.findall(r'hanging-line is-marked" data-line="(\d+)"', answer.text) == ["3"]


def test_every_field_has_a_label(client: TestClient) -> None:
    page = client.post("/warps/new", data=sent(new_sheet(), do="borders")).text
    fields = re.findall(r"<(?:input|select)\b[^>]*>", page)
    labels = set(re.findall(r'<label for="([^"]+)"', page))
    bare = [
        field
        for field in fields
        if 'type="hidden"' not in field
        and 'type="checkbox"' not in field  # these are inside their labels
        and "aria-label" not in field
        and (found := re.search(r'id="([^"]+)"', field)) is not None
        and found[1] not in labels
    ]
    assert bare == []
    assert all("id=" in field or "aria-label" in field or "hidden" in field for field in fields)


def test_what_is_kept_can_be_read_again(client: TestClient, store: Store) -> None:
    keep(client, sheet(name="\u202eelbat", selvedge_threading="1 2"))
    kept = store.board.warps()[0].warp
    assert read_warp(write_warp(kept)) == kept
    assert kept.threads.ground.selvedge == (1, 2)
