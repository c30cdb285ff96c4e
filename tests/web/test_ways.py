"""The ways to weave a piece: side by side, without temporaries, other methods; what is taken and refused."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from fastapi.testclient import TestClient

from server.design.design import Band, Design
from server.design.design import piece_text as text_of
from server.design.piece_file import read_piece
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.plan.demands import troubles
from server.plan.planner import plan
from server.store.database import Store
from server.ways.methods import Assumptions, KeptIn, WithPlans
from server.web import ways_methods
from server.web.ways_methods import assumed_for
from tests.conftest import Clock
from tests.examples import PIECE, piece_order, piece_text
from tests.web.test_designs import sound
from tests.web.test_pages import HOSTILE, MARKUP, begin, words

PAGES = ["", "/unaided", "/methods"]
FEW = {"cord": "10", "hand": "0.1", "weavings": "1", "copies": "6"}


def added(store: Store, **changed: Any) -> int:
    text = piece_text(**changed)
    return store.add_piece(text, plan(read_piece(text)))


@pytest.fixture
def drawn(store: Store) -> int:
    """A piece of a design that was drawn here; its figure is on one side of the turning point."""
    loom = Loom((), frozenset(), 4, spare_shafts=2)
    warp = hang("A warp", loom, (Part("pointed", 4, ends=(5,)),), satin(5, 2))
    bands = (
        Band(1, "Ground", (9,)),
        Band(2, "Figure", (4, 5), ("##....#", "##.....", ".#...#."), 2),
    )
    design = Design(7, bands, 2)
    kept = store.board.add_design(store.board.add_warp(write_warp(warp)), "Fish", design)
    text = text_of("Fish", design, warp)
    return store.add_piece(text, plan(read_piece(text)), design=kept)


# --- side by side ----------------------------------------------------------------------------------------


def test_the_ways_stand_side_by_side_under_the_advice(client: TestClient, piece_id: int) -> None:
    shown = client.get(f"/pieces/{piece_id}/ways")
    assert shown.status_code == 200
    sound(shown)
    said = words(shown)
    assert "Pick the units up by hand: they are few. 1 row lacks at most 1 unit for a pick" in said
    assert "takes about 0.6 minutes in all, and the plan 5.7 minutes" in said
    assert "with temporary shafts, no plan takes fewer minutes. 5.7 minutes 2 walks" in said
    assert (
        "the loom weaves as it hangs: 1 cell changes. Nothing of what needs a temporary remains. 0.1" in said
    )
    assert (
        "1 cord to string once, 10 minutes; up to 2 pulled for a row. 0.2 minutes once strung, no walk"
        in said
    )
    assert "Up to 1 unit for a pick, in 5 picks. 0.6 minutes no walk" in said
    here = f"/pieces/{piece_id}/ways"
    for way in ("more", "places", "cells", "unaided", "methods#cords", "methods#by-hand", "methods#set"):
        assert f'href="{here}/{way}"' in shown.text
    assert shown.text.count('class="go"') == 1
    assert f'href="{here}" aria-current="page">Ways<' in shown.text


def test_where_nothing_is_needed_there_is_nothing_to_decide(client: TestClient, store: Store) -> None:
    piece = added(store, rows=["#..###..#", "...###..."])
    shown = client.get(f"/pieces/{piece}/ways")
    sound(shown)
    assert "There is nothing to decide" in words(shown)
    assert "To be worked out" not in words(shown)
    for page in PAGES[1:]:
        answer = client.get(f"/pieces/{piece}/ways{page}")
        assert answer.status_code == 200
        sound(answer)
        assert "Take this one" not in words(answer)
    assert "no cell has to change" in words(client.get(f"/pieces/{piece}/ways/unaided"))


def test_the_wrong_method_is_called_so_with_the_figures(client: TestClient, store: Store) -> None:
    # two parts of one shaft in turn, and one spare shaft
    loom = PIECE["loom"] | {"spare_shafts": 1}
    piece = added(store, rows=[".#.......", ".......#."] * 9, loom=loom)
    client.post(f"/pieces/{piece}/ways/methods", data=FEW | {"hand": "60"})
    shown = client.get(f"/pieces/{piece}/ways")
    sound(shown)
    said = words(shown)
    assert "Temporary shafts are the wrong method for this." in said
    assert "There would be 19 walks in 18 rows." in said
    assert re.search(
        r"It would take 1 hour \d+ minutes besides the weaving, \d\.\d minutes for each row.", said
    )
    assert re.search(
        r"2 single draw cords, strung and pulled, take 2\d(\.\d)? minutes; the plan takes 1 hour", said
    )
    assert "Without any temporary 18 of 162 cells change, and nothing of what needs one remains." in said
    assert "symmetric" not in said
    assert "This is our judgement, not a rule of the trade" in said
    assert "See the other methods" in said


@pytest.mark.parametrize("page", PAGES)
def test_a_name_is_shown_as_text(client: TestClient, store: Store, page: str) -> None:
    shown = client.get(f"/pieces/{store.add_piece(piece_text(name=MARKUP), piece_order())}/ways{page}")
    sound(shown)
    assert "<script>alert" not in shown.text


@pytest.mark.parametrize("page", [*PAGES, "/methods/planned"])
def test_no_such_piece(client: TestClient, page: str) -> None:
    for piece in ("99", "0", "-1", "x", "9" * 400, "1.0"):
        assert client.get(f"/pieces/{piece}/ways{page}").status_code == 404
    assert client.post("/pieces/99/ways/unaided/take").status_code == 404
    assert client.post("/pieces/99/ways/methods/planned").status_code == 404


# --- without temporaries ---------------------------------------------------------------------------------


def test_the_nearest_design_is_shown_with_its_differences(client: TestClient, piece_id: int) -> None:
    shown = client.get(f"/pieces/{piece_id}/ways/unaided")
    sound(shown)
    said = words(shown)
    assert "1 of 27 cells changes, in 1 row. No design without temporaries is nearer" in said
    assert "Once it was even" in said
    assert "The other way 2 cells are lifted instead of kept down; as many change as now." in said
    assert 'class="way-gone" d="M2.22 1.22h' in shown.text  # unit 3 of row 2 is not lifted any more
    assert "It becomes a new piece; this piece stays as it is." in said


def test_where_it_is_even_she_can_have_it_the_other_way(
    client: TestClient, store: Store, piece_id: int
) -> None:
    here = f"/pieces/{piece_id}/ways/unaided"
    assert f'href="{here}?even=whole">Lift it whole there<' in client.get(here).text
    shown = client.get(here, params={"even": "whole", "stay": "1-1-1-1"})
    sound(shown)
    assert "1 of 27 cells changes" in words(shown)
    assert "All of them are lifted now, and not as drawn." in words(shown)
    assert f'href="{here}?stay=1-1-1-1">Let it do as in the row before<' in shown.text
    for even in HOSTILE:
        assert "and not now." in words(client.get(here, params={"even": even}))
    client.post(f"{here}/take", data={"even": "whole"})
    assert json.loads(store.piece_text(2) or "")["rows"][1] == "..##.##.."


def test_where_nothing_of_the_figure_is_left_that_is_said_and_not_offered(
    client: TestClient, piece_id: int
) -> None:
    here = f"/pieces/{piece_id}/ways/unaided"
    shown = client.get(here)
    assert "Nothing of what needs a temporary remains." in words(shown)
    assert re.findall(r'class="(go[a-z-]*)">Take this one', shown.text) == ["go-quiet"]
    lifted = client.get(here, params={"even": "whole"})
    assert "Nothing of what needs" not in words(lifted)
    assert re.findall(r'class="(go[a-z-]*)">Take this one', lifted.text) == ["go"]


def test_what_stays_is_asked_for_where_nothing_was_written(client: TestClient, piece_id: int) -> None:
    empty = {"row": "", "to_row": " ", "unit": "", "to_unit": ""}
    shown = client.get(f"/pieces/{piece_id}/ways/unaided", params=empty | {"stay": "1-1-1-1"})
    assert shown.status_code == 422
    assert "What shall stay? Write its rows and units first." in words(shown)
    assert 'name="stay" value="1-1-1-1"' in shown.text


def test_what_stays_is_left_alone(client: TestClient, piece_id: int) -> None:
    here = f"/pieces/{piece_id}/ways/unaided"
    shown = client.get(here, params={"row": "2", "unit": "3"})
    sound(shown)
    assert "1 of 27 cells changes" in words(shown)
    assert 'class="way-added" d="M6.5 1.5h0"' in shown.text  # so unit 7 is lifted, too
    assert "Row 2, unit 3" in words(shown)
    assert shown.text.count('name="stay" value="2-2-3-3"') == 2
    more = client.get(
        here, params={"stay": "2-2-3-3", "row": "3", "to_row": "2", "unit": "9", "to_unit": "7"}
    )
    sound(more)
    assert "With what stays there is no such design." in words(more)
    assert "shaft 2 in row 2" in words(more)
    assert "Take this one" not in words(more)
    assert f'href="{here}?stay=2-2-3-3"' in more.text


def test_units_are_counted_as_she_does(client: TestClient, piece_id: int) -> None:
    client.post("/preferences", data={"units_from": "right", "shafts_from": "back"})
    here = f"/pieces/{piece_id}/ways"
    shown = client.get(f"{here}/unaided", params={"row": "2", "unit": "7"})
    assert 'value="2-2-3-3"' in shown.text
    assert "Row 2, unit 7" in words(shown)
    stuck = client.get(f"{here}/unaided", params={"row": "2", "unit": "1", "to_unit": "9"})
    assert "shaft 3 in row 2" in words(stuck)
    assert "Units to be strung 7 " in words(client.get(f"{here}/methods"))


@pytest.mark.parametrize("field", ["row", "to_row", "unit", "to_unit", "stay"])
def test_what_cannot_stay_is_refused(client: TestClient, piece_id: int, field: str) -> None:
    for value in [*HOSTILE, "0", "10", "1-1"]:
        asked = {"row": "1", "to_row": "1", "unit": "1", "to_unit": "1"} | {field: value}
        shown = client.get(f"/pieces/{piece_id}/ways/unaided", params=asked)
        is_left_out = field.startswith("to_") and not value
        assert shown.status_code == (200 if is_left_out else 422), (field, value)
        sound(shown)
        assert is_left_out or 'class="said"' in shown.text


def test_a_block_outside_of_the_design_is_refused(client: TestClient, piece_id: int) -> None:
    here = f"/pieces/{piece_id}/ways/unaided"
    for stay in ("0-1-1-1", "1-4-1-1", "2-1-1-1", "1-1-3-2", "1-1-1-10", "1-1-1", "1-1-1-1-1", "9" * 30):
        assert client.get(here, params={"stay": stay}).status_code == 422
        assert client.post(f"{here}/take", data={"stay": stay}).status_code == 422
    files = {"stay": ("1-1-1-1", b"x")}
    assert client.post(f"{here}/take", files=files).status_code >= 400


def test_too_many_blocks_are_refused(client: TestClient, piece_id: int) -> None:
    stay = [f"{row}-{row}-{unit}-{unit}" for row in (1, 2, 3) for unit in range(1, 9)]
    shown = client.get(f"/pieces/{piece_id}/ways/unaided", params={"stay": stay})
    assert shown.status_code == 422
    assert "At most 20 blocks" in words(shown)


def test_taken_it_is_a_new_piece_and_this_one_stays(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    before = store.weaving(piece_id), store.piece_text(piece_id)
    answers = [client.post(f"/pieces/{piece_id}/ways/unaided/take") for _ in range(2)]
    assert [(one.status_code, one.headers["location"]) for one in answers] == [(303, "/pieces/2")] * 2
    assert len(store.pieces()) == 2
    taken = store.weaving(2)
    assert taken is not None
    assert taken.piece.name == "Harbour runner, without temporaries"
    assert troubles(taken.piece) == []
    assert taken.order.totals.walks == 0
    assert json.loads(store.piece_text(2) or "")["leashes"] == PIECE["leashes"]
    assert (store.weaving(piece_id), store.piece_text(piece_id)) == before


def test_what_stays_stays_in_what_is_taken(client: TestClient, store: Store, piece_id: int) -> None:
    client.post(f"/pieces/{piece_id}/ways/unaided/take", data={"stay": "2-2-3-3"})
    assert json.loads(store.piece_text(2) or "")["rows"] == ["#..###..#", "..##.##..", "...###..."]
    answer = client.post(f"/pieces/{piece_id}/ways/unaided/take", data={"stay": ["2-2-3-3", "2-2-7-7"]})
    assert answer.status_code == 422
    assert "Nothing was made" in words(answer)
    assert len(store.pieces()) == 2


def test_a_piece_that_was_drawn_here_becomes_a_design(
    client: TestClient, store: Store, clock: Clock, drawn: int
) -> None:
    weaving = store.weaving(drawn)
    assert weaving is not None
    assert "a new design on the same warp" in words(client.get(f"/pieces/{drawn}/ways/unaided"))
    answers = [client.post(f"/pieces/{drawn}/ways/unaided/take") for _ in range(2)]
    assert [(one.status_code, one.headers["location"]) for one in answers] == [(303, "/designs/2")] * 2
    taken, first = store.board.design(2), store.board.design(1)
    assert taken is not None
    assert first is not None
    assert (taken.name, taken.warp_id) == ("Fish, without temporaries", first.warp_id)
    assert [(band.name, band.times, band.rows) for band in taken.design.bands] == [
        ("Ground", 1, ()),
        ("Figure", 2, ("#.....#", "#.....#", ".#...#.")),
    ]
    assert taken.design.picks() == first.design.picks()
    piece = read_piece(text_of("Fish", taken.design, taken.warp))
    assert troubles(piece) == []
    assert len(store.pieces()) == 1
    clock.pass_by(minutes=2)
    assert client.post(f"/pieces/{drawn}/ways/unaided/take").headers["location"] == "/designs/3"


def test_where_the_warp_hangs_otherwise_by_now_it_becomes_a_piece(
    client: TestClient, store: Store, drawn: int
) -> None:
    other = hang(
        "A warp", Loom((), frozenset(), 7, spare_shafts=2), (Part("straight", 7, ends=(5,)),), satin(5, 2)
    )
    store.board.change_warp(1, write_warp(other))
    assert "It becomes a new piece" in words(client.get(f"/pieces/{drawn}/ways/unaided"))
    assert client.post(f"/pieces/{drawn}/ways/unaided/take").headers["location"] == "/pieces/2"


def test_where_the_design_was_thrown_away_it_becomes_a_piece(
    client: TestClient, store: Store, drawn: int
) -> None:
    store.board.throw_design_away(1)
    assert client.post(f"/pieces/{drawn}/ways/unaided/take").headers["location"] == "/pieces/2"


# --- other methods ---------------------------------------------------------------------------------------


def test_the_other_methods_with_their_figures(client: TestClient, piece_id: int) -> None:
    shown = client.get(f"/pieces/{piece_id}/ways/methods")
    sound(shown)
    said = words(shown)
    assert "1 cord to string, 10 minutes once" in said
    assert "That pays if you weave it 2 times or more." in said
    assert "Units to be strung 3 " in said
    assert (
        "In 5 picks that is 5 to be picked up, and 0.6 minutes with all pulls; the plan takes 5.7 minutes"
        in said
    )
    assert "Which units, row by row Row Units to be picked up at each pick 2 3 " in said
    assert "10 minutes a cord is a guess from memory" in said
    assert "6 seconds a unit is a guess from memory" in said


def test_what_it_takes_her_is_kept_for_this_piece(client: TestClient, store: Store, piece_id: int) -> None:
    here = f"/pieces/{piece_id}/ways/methods"
    other = added(store, name="Another")
    answer = client.post(here, data={"cord": "2,5", "hand": " 0 ", "weavings": "3", "copies": "12"})
    assert (answer.status_code, answer.headers["location"]) == (303, f"{here}?kept=yes")
    assert assumed_for(store, piece_id) == Assumptions(2.5, 0.0, 3, 12)
    assert assumed_for(store, other) == Assumptions()
    shown = client.get(answer.headers["location"])
    assert "Kept." in words(shown)
    assert 'name="cord" value="2.5"' in shown.text
    assert "2.5 minutes a cord." in words(shown)
    assert "That pays the first time already." in words(shown)


def test_how_many_in_a_row_follows_how_often_until_she_says_otherwise(
    client: TestClient, store: Store, piece_id: int
) -> None:
    here = f"/pieces/{piece_id}/ways/methods"

    def kept(weavings: str, copies: str) -> int:
        client.post(here, data=FEW | {"weavings": weavings, "copies": copies})
        return assumed_for(store, piece_id).copies

    assert assumed_for(store, piece_id).copies == 2
    assert kept("8", "2") == 8
    assert kept("3", "8") == 3
    assert kept("200", "3") == 100
    assert kept("5", "4") == 4
    assert kept("6", "4") == 4
    assert kept("6", "6") == 6
    assert kept("1", "6") == 2


def test_why_what_takes_fewer_minutes_is_not_advised(client: TestClient, store: Store) -> None:
    rows = ["############", ".#.#.#.#.#..", "############", "............", "############"]
    piece = added(store, leashes=[1, 2] * 6, single_cords=[], rows=rows, picks_per_row=[1])
    said = words(client.get(f"/pieces/{piece}/ways"))
    assert "Weave it with temporary shafts, as it is planned." in said
    assert (
        "Picked up by hand it would take 0.6 minutes, but up to 5 units for a pick, in 1 pick: "
        "beyond 4 units, or 120 picks, one goes wrong." in said
    )


@pytest.mark.parametrize(
    ("minutes", "proven", "said"),
    [
        (53.0, True, "Each one from the second on takes 3.5 minutes less."),
        (53.0, False, "Each one from the second on takes at least 3.5 minutes less."),
        (67.0, True, "Each one from the second on takes 3.5 minutes more: where one ends"),
        (67.0, False, "Each one from the second on takes at most 3.5 minutes more: where one ends"),
        (60.0, True, "Nothing is saved: each begins where"),
        (60.0, False, "Nothing was found that would be saved"),
    ],
)
def test_what_a_set_takes_beside_each_by_itself(
    client: TestClient,
    piece_id: int,
    monkeypatch: pytest.MonkeyPatch,
    minutes: float,
    proven: bool,
    said: str,
) -> None:
    kept = KeptIn(3, minutes, 9, 60.0, 12, proven)
    monkeypatch.setattr(ways_methods, "from_json", lambda content: WithPlans(kept, ()))
    assert said in words(client.get(f"/pieces/{piece_id}/ways/methods/planned"))


def test_what_she_says_is_kept_where_she_has_more_worked_out_at_once(
    client: TestClient, store: Store, piece_id: int
) -> None:
    here = f"/pieces/{piece_id}/ways/methods"
    page = client.get(here).text
    form = re.search(r'<form id="([^"]+)" method="post" action="[^"]+/methods">.*?</form>', page, re.DOTALL)
    assert form
    assert f'form="{form[1]}" formaction="{here}/planned"' in page
    assert page.index(form[0]) < page.index("formaction"), "the Enter key keeps"
    answer = client.post(f"{here}/planned", data=FEW | {"copies": "2"})
    assert answer.headers["location"] == f"{here}/planned#set"
    assert assumed_for(store, piece_id).copies == 2
    assert "2 in a row take" in words(client.get(f"{here}/planned"))
    refused = client.post(f"{here}/planned", data=FEW | {"copies": "many", "hand": "0.25"})
    assert refused.status_code == 422
    assert "Nothing was changed." in words(refused)
    assert 'name="copies" value="many"' in refused.text
    assert 'name="hand" value="0.25"' in refused.text
    assert assumed_for(store, piece_id).copies == 2


@pytest.mark.parametrize("field", FEW)
def test_what_cannot_be_read_changes_nothing(
    client: TestClient, store: Store, piece_id: int, field: str
) -> None:
    before = store.preferences()
    for value in [*HOSTILE, "inf", "nan", "1e400", "1000000", "½"]:
        if value == "1.0" and field in ("cord", "hand"):
            continue
        answer = client.post(f"/pieces/{piece_id}/ways/methods", data=FEW | {field: value})
        assert answer.status_code == 422, (field, value)
        assert store.preferences() == before
        sound(answer)
        assert "Nothing was changed." in words(answer)
        told = re.search(r'class="said"[^>]*>([^<]*?): ', answer.text)
        assert told
        assert f'<span>{told[1]}</span><input name="{field}"' in answer.text, "it is named as on its label"


def test_a_form_without_fields_changes_nothing(client: TestClient, store: Store, piece_id: int) -> None:
    before = store.preferences()
    assert client.post(f"/pieces/{piece_id}/ways/methods", data={}).status_code == 422
    assert store.preferences() == before


def test_what_was_kept_and_is_not_understood_is_as_never_said(
    client: TestClient, store: Store, piece_id: int
) -> None:
    for kept in (
        "",
        "x",
        "[]",
        '{"cord": "much"}',
        "{",
        '{"cord": -1}',
        '{"copies": 10000000}',
        '{"cord": NaN}',
    ):
        store.set_preferences({f"methods:{piece_id}": kept})
        assert assumed_for(store, piece_id) == Assumptions()
    assert client.get(f"/pieces/{piece_id}/ways/methods").status_code == 200


def test_a_set_and_some_rows_by_hand_are_worked_out_and_kept(client: TestClient, store: Store) -> None:
    piece = added(store, rows=["##.####.#", "..##.#...", "...###...", "..#......"], single_cords=[1, 9])
    here = f"/pieces/{piece}/ways/methods"
    client.post(here, data=FEW | {"copies": "2"})
    answer = client.post(f"{here}/planned")
    assert answer.status_code == 303
    assert answer.headers["location"].startswith(f"{here}/planned"), "quick enough to be answered at once"
    shown = client.get(f"{here}/planned")
    assert shown.status_code == 200
    sound(shown)
    assert "2 in a row take" in words(shown)
    assert "With single draw cords, strung and pulled, 2 of them would take" in words(shown)
    assert "rows that lack at most 1 unit" in words(shown)
    client.post(here, data=FEW | {"copies": "3"})
    assert "3 in a row take" in words(client.get(f"{here}/planned"))


def test_a_set_of_too_many_rows_is_refused(client: TestClient, store: Store) -> None:
    piece = added(store, rows=PIECE["rows"] * 40)
    here = f"/pieces/{piece}/ways/methods"
    client.post(here, data=FEW | {"copies": "100"})
    answer = client.post(f"{here}/planned")
    assert answer.status_code == 422
    assert "Choose fewer." in words(answer)
    sound(answer)
