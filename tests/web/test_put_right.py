"""Mistakes put right by requests alone: what is shown, what is taken, what it does, and its taking back."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from urllib.parse import urlencode

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.session.place import Place, Tap
from server.store.database import Store
from server.store.weavings import Weaving
from tests.examples import piece_text
from tests.web.test_pages import (
    HOSTILE,
    NOT_ON_SCREEN,
    Text,
    begin,
    done,
    form_of,
    heading,
    turns,
    weave_to,
    words,
)

PAGES = ("", "/too-far", "/wrong", "/put-in", "/picks", "/treadles", "/loom")


def now(store: Store, piece_id: int) -> Weaving:
    weaving = store.weaving(piece_id)
    assert weaving is not None
    return weaving


def mark_of(answer: Response) -> str:
    found = re.search(r'name="mark" value="([0-9a-f]{64})"', answer.text)
    assert found
    return found[1]


def undo(client: TestClient, store: Store, piece_id: int) -> Place:
    """Take the last correction back, by the form of the instruction page."""
    shown = client.get(f"/pieces/{piece_id}/loom")
    assert "Take it back" in words(shown)
    answer = client.post(f"/pieces/{piece_id}/undo", data=form_of(shown))
    assert answer.status_code == 303
    return now(store, piece_id).place


def same_but_turn(place: Place) -> Place:
    return replace(place, turn=0)


def picks_told(store: Store, piece_id: int, picks: int) -> None:
    """Weave so many picks of the row that is on, one tap a pick."""
    for _ in range(picks):
        place = now(store, piece_id).place
        answer = store.tap(piece_id, Tap("pick", place.card, place.turn))
        assert answer is not None
        assert answer.counted


def last_words(client: TestClient, piece_id: int) -> str:
    """The newest entry of the log."""
    found = re.search(
        r'<ol class="log" reversed>\s*<li.*?<span>(.*?)</span>', client.get(f"/pieces/{piece_id}/log").text
    )
    assert found
    return found[1]


# --- all of them ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
def test_every_page_says_how_to_go_back_with_nothing_changed(
    client: TestClient, store: Store, piece_id: int, page: str
) -> None:
    weave_to(client, store, piece_id, "weave", 2)
    before = turns(store, piece_id)
    answer = client.get(f"/pieces/{piece_id}/put-right{page}")
    assert answer.status_code == 200
    text = Text(answer.text)
    assert "Back to the instruction, nothing changed" in text.words
    assert text.refused == []
    assert len(text.ids) == len(set(text.ids))
    assert not NOT_ON_SCREEN.search(text.words), text.words
    assert turns(store, piece_id) == before


def test_the_choices_are_told_apart(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    text = words(client.get(f"/pieces/{piece_id}/put-right"))
    for choice in (
        "I tapped too far",
        "I wove it wrong",
        "The loom stands differently",
        "The treadles are off",
    ):
        assert choice in text
    assert "I put one in wrongly" not in text  # none is in
    store_at = weave_on_to(client, store, piece_id, "raise", 2)
    assert "I put one in wrongly" in words(client.get(f"/pieces/{piece_id}/put-right"))
    assert store_at.state.temporaries


def weave_on_to(client: TestClient, store: Store, piece_id: int, kind: str, row: int) -> Weaving:
    """Go on until the instruction of that kind and row is up."""
    for _ in range(100):
        weaving = now(store, piece_id)
        card = weaving.decks.at(weaving.place)
        if (card.kind, card.row) == (kind, row):
            return weaving
        done(client, piece_id, client.get(f"/pieces/{piece_id}/loom"))
    raise AssertionError(f"no {kind} of row {row}")


@pytest.mark.parametrize("page", [*PAGES, "/take-out?picks=1", "/cut-out?row=0"])
def test_a_piece_that_is_not_on_the_loom_has_nothing_to_put_right(
    client: TestClient, piece_id: int, page: str
) -> None:
    answer = client.get(f"/pieces/{piece_id}/put-right{page}")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/pieces/{piece_id}")
    assert client.get(f"/pieces/9/put-right{page}").status_code == 404


STALE = [
    ("too-far", {"to": "0"}),
    ("take-out", {"picks": "1"}),
    ("cut-out", {"row": "0"}),
    ("left-in", {"row": "1"}),
    ("put-in", {"temporary": "2a"}),
    ("picks", {"picks": "3"}),
    ("treadles", {"why": "too many"}),
]


@pytest.mark.parametrize(("way", "fields"), STALE)
def test_a_page_that_the_piece_has_left_behind_changes_nothing(
    client: TestClient, store: Store, piece_id: int, way: str, fields: dict[str, str]
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    old = form_of(client.get(f"/pieces/{piece_id}/put-right/wrong"))
    picks_told(store, piece_id, 1)
    before = turns(store, piece_id)
    answer = client.post(f"/pieces/{piece_id}/put-right/{way}", data=old | fields)
    assert answer.status_code == 422
    assert "Another tap was first" in words(answer)
    assert turns(store, piece_id) == before


SOUND = {
    "too-far": {"to": "99", "row": "", "picks": ""},
    "take-out": {"row": "1", "picks": "", "now": "", "mark": ""},
    "cut-out": {"row": "1", "mark": ""},
    "left-in": {"row": "99"},
    "put-in": {"temporary": ""},
    "picks": {"picks": "5"},
    "treadles": {"why": "treadle", "treadle": "9", "place": ""},
}
"""Fields of each form, with values that change nothing."""


@pytest.mark.parametrize("way", SOUND)
def test_hostile_values_are_answered_with_a_sentence(
    client: TestClient, store: Store, piece_id: int, way: str
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    sound = SOUND[way] | form_of(client.get(f"/pieces/{piece_id}/put-right/wrong"))
    before = turns(store, piece_id)
    for field in sound:
        for bad in (*HOSTILE, "\ud83d", "🧶" * 300, "-5", "99999999999999999999"):
            body = urlencode(sound | {field: bad}, errors="surrogatepass")
            answer = client.post(
                f"/pieces/{piece_id}/put-right/{way}",
                content=body,
                headers={"content-type": "application/x-www-form-urlencoded"},
            )
            assert answer.status_code == 422, (field, bad)
            assert 'role="alert"' in answer.text
            if way in ("take-out", "cut-out", "treadles"):
                asked = {key: value for key, value in sound.items() if key in ("row", "treadle")} | {
                    field: bad
                }
                address = f"/pieces/{piece_id}/put-right/{way}?{urlencode(asked, errors='surrogatepass')}"
                assert client.get(address).status_code in (200, 422), (field, bad)
    assert turns(store, piece_id) == before


@pytest.mark.parametrize("way", [way for way, _ in STALE])
def test_nothing_sent_and_wrong_encodings_change_nothing(
    client: TestClient, store: Store, piece_id: int, way: str
) -> None:
    begin(client, piece_id)
    before = turns(store, piece_id)
    url = f"/pieces/{piece_id}/put-right/{way}"
    form = "application/x-www-form-urlencoded"
    for content, kind in ((b"", form), (b"\xff\xfe=%ff%fe&row=%ff", form), (b"{}", "application/json")):
        assert client.post(url, content=content, headers={"content-type": kind}).status_code == 422
    assert client.post(url, files={"row": ("x", b"1")}).status_code == 422
    assert turns(store, piece_id) == before


# --- tapped too far ------------------------------------------------------------------------------------


def test_tapped_too_far_moves_the_place_only_and_is_taken_back(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "raise", 3).place
    shown = client.get(f"/pieces/{piece_id}/put-right/too-far")
    buttons = re.findall(r'name="to" value="(\d+)"', shown.text)
    assert [int(number) for number in buttons] == list(range(before.card - 1, -1, -1))[:12]
    answer = client.post(f"/pieces/{piece_id}/put-right/too-far", data=form_of(shown) | {"to": buttons[2]})
    assert answer.headers["location"] == f"/pieces/{piece_id}/loom"
    place = now(store, piece_id).place
    assert place.card == int(buttons[2])
    assert last_words(client, piece_id).startswith("Tapped too far")
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before)


def test_further_back_is_found_by_its_row(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    shown = client.get(f"/pieces/{piece_id}/put-right/too-far")
    client.post(f"/pieces/{piece_id}/put-right/too-far", data=form_of(shown) | {"row": "1"})
    weaving = now(store, piece_id)
    card = weaving.decks.at(weaving.place)
    assert (card.kind, card.row) == ("raise", 1)


def test_a_pick_too_far_within_a_row(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 1)
    picks_told(store, piece_id, 3)
    before = now(store, piece_id).place
    shown = client.get(f"/pieces/{piece_id}/put-right/too-far")
    assert re.findall(r"<option>(\d)</option>", shown.text) == ["0", "1", "2"]
    data = form_of(shown) | {"to": str(before.card), "picks": "1"}
    client.post(f"/pieces/{piece_id}/put-right/too-far", data=data)
    assert now(store, piece_id).place.pick == 1
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before)


# --- woven wrong ---------------------------------------------------------------------------------------


def test_picks_of_the_row_that_is_on_come_out_in_its_shed(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    before = now(store, piece_id).place
    shown = client.get(f"/pieces/{piece_id}/put-right/take-out", params={"now": "4", "picks": "3"})
    assert "over treadles 4 3 2" in words(shown)
    assert "1 pick of row 2 stays in" in words(shown)
    data = form_of(shown) | {"now": "4", "picks": "3"}
    assert client.post(f"/pieces/{piece_id}/put-right/take-out", data=data).status_code == 303
    place = now(store, piece_id).place
    assert (place.card, place.pick, place.out) == (before.card, 4, 3)
    assert "Take out 3 picks" in words(client.get(f"/pieces/{piece_id}/loom"))
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before)


def take_out(client: TestClient, piece_id: int, **asked: str) -> Response:
    """See what it means, and take it."""
    shown = client.get(f"/pieces/{piece_id}/put-right/take-out", params=asked)
    assert shown.status_code == 200, words(shown)
    data = form_of(shown) | asked | {"mark": mark_of(shown)}
    answer = client.post(f"/pieces/{piece_id}/put-right/take-out", data=data)
    assert answer.status_code == 303, words(answer)
    return shown


def test_back_to_a_row_the_sheds_come_in_reverse_and_then_it_goes_forward(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "raise", 3).place
    shown = take_out(client, piece_id, row="1")
    assert "row 1 is the last that stays in" in words(shown)
    assert "Row 2: take out 5 picks, over treadles 5 4 3 2 1" in words(shown)
    weaving = now(store, piece_id)
    assert weaving.place.course == 1
    kinds = [
        (card.kind, card.row)
        for card in weaving.cards
        if card.kind in ("reopen", "take_out", "raise", "weave")
    ]
    assert kinds == [
        ("reopen", 2),
        ("take_out", 2),
        ("raise", 2),
        ("weave", 2),
        ("raise", 3),
        ("weave", 3),
    ]
    assert last_words(client, piece_id).startswith("Woven wrong")
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before)


def test_every_page_can_be_read_all_the_way_back_and_forward_again(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """From the middle of row 3 back to the middle of row 1, then to the end."""
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 3)
    take_out(client, piece_id, now="2", picks="9")
    while True:
        shown = client.get(f"/pieces/{piece_id}/loom")
        if 'id="instruction"' not in shown.text:
            break
        for page in (
            "",
            "/standing",
            "/log",
            "/walks-ahead",
            "/notes",
            *(f"/put-right{page}" for page in PAGES),
        ):
            assert client.get(f"/pieces/{piece_id}{page}").status_code == 200
        done(client, piece_id, shown)
    assert now(store, piece_id).place.status == "finished"
    assert [entry.kind for entry in now(store, piece_id).log].count("course") == 1


def weave_to_the_end(client: TestClient, store: Store, piece_id: int) -> None:
    for _ in range(100):
        shown = client.get(f"/pieces/{piece_id}/loom")
        if 'id="instruction"' not in shown.text:
            break
        done(client, piece_id, shown)
    assert now(store, piece_id).place.status == "finished"


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({}, "Fill in one of the two"),
        ({"picks": "11"}, "Picks to take out"),
        ({"row": "2"}, "The last row that stays"),
        ({"now": "6", "row": "0"}, "Picks of row 2 that are in"),
        ({"picks": "1", "row": "1"}, "Say either"),
    ],
)
def test_what_cannot_come_out_is_refused(
    client: TestClient, store: Store, piece_id: int, asked: dict[str, str], sentence: str
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    answer = client.get(f"/pieces/{piece_id}/put-right/take-out", params={"now": "0"} | asked)
    assert answer.status_code == 422
    assert sentence in words(answer)


def test_a_row_woven_to_its_end_and_not_told_yet_can_be_taken_out(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    take_out(client, piece_id, now="5", picks="2")
    weaving = now(store, piece_id)
    kinds = [(card.kind, card.row) for card in weaving.cards[:4]]
    assert kinds == [("reopen", 2), ("take_out", 2), ("raise", 2), ("weave", 2)]
    assert weaving.cards[3].before.picks == 3
    weave_to_the_end(client, store, piece_id)


def test_what_was_shown_is_what_is_taken(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    shown = client.get(f"/pieces/{piece_id}/put-right/take-out", params={"row": "1"})
    before = turns(store, piece_id)
    data = form_of(shown) | {"row": "0", "mark": mark_of(shown)}  # another row than the one shown
    answer = client.post(f"/pieces/{piece_id}/put-right/take-out", data=data)
    assert answer.status_code == 422
    assert "otherwise than you saw it" in words(answer)
    assert turns(store, piece_id) == before


def test_cut_out_leaves_the_loom_as_it_is(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "weave", 3)
    shown = client.get(f"/pieces/{piece_id}/put-right/cut-out", params={"row": "1"})
    assert "Row 1 is the last that stays in" in words(shown)
    assert "in the loom: 2a" in words(shown)
    data = form_of(shown) | {"row": "1", "mark": mark_of(shown)}
    assert client.post(f"/pieces/{piece_id}/put-right/cut-out", data=data).status_code == 303
    weaving = now(store, piece_id)
    assert weaving.state.temporaries == before.state.temporaries
    assert weaving.state.raised == before.state.raised
    assert (weaving.state.row, weaving.cards[0].kind, weaving.cards[0].row) == (1, "raise", 2)
    assert "It was planned anew on the way, after row 1" in words(client.get(f"/pieces/{piece_id}"))
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before.place)
    assert now(store, piece_id).state == before.state
    assert "planned anew" not in words(client.get(f"/pieces/{piece_id}"))


def test_cut_out_on_a_walk_goes_on_behind(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "withdraw", 3)
    shown = client.get(f"/pieces/{piece_id}/put-right/cut-out", params={"row": "1"})
    data = form_of(shown) | {"row": "1", "mark": mark_of(shown)}
    assert client.post(f"/pieces/{piece_id}/put-right/cut-out", data=data).status_code == 303
    assert now(store, piece_id).state.phase == "behind"
    assert "In since after row 1" in words(client.get(f"/pieces/{piece_id}/standing"))
    weave_to_the_end(client, store, piece_id)


def test_a_mistake_left_in_is_in_the_log_and_among_the_notes(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "raise", 3).place
    shown = client.get(f"/pieces/{piece_id}/put-right/wrong")
    data = form_of(shown) | {"row": "2", "words": "unit 4 <too> high"}
    assert client.post(f"/pieces/{piece_id}/put-right/left-in", data=data).status_code == 303
    assert last_words(client, piece_id) == "A mistake of row 2 stays in: unit 4 &lt;too&gt; high"
    assert "unit 4 <too> high" in words(client.get(f"/pieces/{piece_id}/notes"))
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before)
    assert "Nothing is noted yet" in words(client.get(f"/pieces/{piece_id}/notes"))


def test_too_many_words_are_kept_in_the_form(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 2)
    shown = client.get(f"/pieces/{piece_id}/put-right/wrong")
    data = form_of(shown) | {"row": "1", "words": "wool " * 500}
    answer = client.post(f"/pieces/{piece_id}/put-right/left-in", data=data)
    assert answer.status_code == 422
    assert "at most 2000 characters" in words(answer)
    assert "wool wool wool" in answer.text


def left_in(client: TestClient, piece_id: int) -> None:
    shown = client.get(f"/pieces/{piece_id}/put-right/wrong")
    data = form_of(shown) | {"row": "1", "words": "an end crossed"}
    assert client.post(f"/pieces/{piece_id}/put-right/left-in", data=data).status_code == 303


def strike(client: TestClient, piece_id: int, **sent: str) -> Response:
    shown = client.get(f"/pieces/{piece_id}/notes")
    (mistake,) = re.findall(r'name="mistake" value="(\d+)"', shown.text)
    return client.post(f"/pieces/{piece_id}/notes/strike", data=form_of(shown) | {"mistake": mistake} | sent)


def test_a_mistake_that_stays_in_is_struck_out_in_the_notes_at_any_time(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 2)
    left_in(client, piece_id)
    before = weave_on_to(client, store, piece_id, "weave", 3)
    assert "Take it back" not in words(client.get(f"/pieces/{piece_id}/loom"))
    assert strike(client, piece_id).status_code == 303
    after = now(store, piece_id)
    assert (after.place.spot, after.state) == (before.place.spot, before.state)
    assert "Struck out: A mistake stays in. an end crossed" in words(client.get(f"/pieces/{piece_id}/notes"))
    assert last_words(client, piece_id) == "Struck out: “A mistake of row 1 stays in: an end crossed”"
    weave_to_the_end(client, store, piece_id)
    assert strike(client, piece_id).status_code == 303  # a mistake after all
    assert "Struck out" not in words(client.get(f"/pieces/{piece_id}/notes"))
    assert last_words(client, piece_id).startswith("Counts again: ")
    assert [m.struck for m in now(store, piece_id).place.mistakes] == [False]


def test_only_a_mistake_of_the_record_is_struck_out_and_no_stale_or_hostile_form_does_it(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 2)
    left_in(client, piece_id)
    before = turns(store, piece_id)
    for bad in (*HOSTILE, "0", "99999999999999999999", str(before)):
        answer = strike(client, piece_id, mistake=bad)
        assert answer.status_code == 422, bad
        assert 'role="alert"' in answer.text
    stale = strike(client, piece_id, turn="1")
    assert stale.status_code == 422
    assert "Another tap was first" in words(stale)
    assert turns(store, piece_id) == before


def test_how_a_correction_is_taken_back_is_said_wherever_she_is(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """A course is taken back after going on: Back, tap by tap, to where it led."""
    url = f"/pieces/{piece_id}"
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "raise", 3).place
    assert "Put right last" not in words(client.get(f"{url}/put-right"))
    take_out(client, piece_id, row="1")
    assert "Put right last: Woven wrong" in words(client.get(f"{url}/put-right"))
    for _ in range(5):
        done(client, piece_id, client.get(f"{url}/loom"))
    left_in(client, piece_id)
    text = words(client.get(f"{url}/put-right"))
    assert "Put right last: A mistake of row 1 stays in" in text
    done(client, piece_id, client.get(f"{url}/loom"))
    text = words(client.get(f"{url}/put-right"))
    assert "Put right last, 7 taps ago: Woven wrong" in text
    assert "tap Back at the instruction until you are where it led" in text
    while now(store, piece_id).place.card:
        client.post(f"{url}/back", data=form_of(client.get(f"{url}/loom")))
    place = undo(client, store, piece_id)
    recorded = now(store, piece_id).place.mistakes
    assert [m.words for m in recorded] == ["an end crossed"]
    assert same_but_turn(replace(place, mistakes=())) == same_but_turn(before)


def test_the_band_says_what_comes_before_the_next_walk_on_the_way_back(
    client: TestClient, store: Store
) -> None:
    """Row 3 lifts the whole of shaft 2 and row 2 a part of it: the way back leads over a walk."""
    rows = ["..#####..", "..##.#...", "..#####..", "..#####.."]
    text = piece_text(rows=rows)
    piece_id = store.add_piece(text, plan(read_piece(text)))
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 4)
    take_out(client, piece_id, row="1")
    ahead = words(client.get(f"/pieces/{piece_id}/walks-ahead"))
    assert "picks of 1 row to take out until then" in ahead
    assert "picks of 2 rows to take out, 1 row to weave until then" in ahead
    said = {}
    while (weaving := now(store, piece_id)).place.status == "on the loom":
        shown = client.get(f"/pieces/{piece_id}/loom")
        card = weaving.decks.at(weaving.place)
        said[card.kind, card.row, card.number] = words(shown)
        assert "0 rows" not in words(shown)
        assert "-1 row" not in words(shown)
        done(client, piece_id, shown)
    first = {key[:2]: text for key, text in reversed(said.items())}
    assert "picks of 1 row to take out, then a walk" in first["take_out", 3]
    assert "walk after this row" in first["weave", 2]


# --- in the middle of a row ----------------------------------------------------------------------------


def test_how_many_picks_are_in_is_told_by_treadle_and_shuttle_and_taken_back(
    client: TestClient, store: Store, piece_id: int
) -> None:
    url = f"/pieces/{piece_id}"
    begin(client, piece_id)
    assert "No row is on" in words(client.get(f"{url}/put-right/picks"))
    assert "I am in the middle" not in words(client.get(f"{url}/put-right"))
    before = weave_on_to(client, store, piece_id, "weave", 2).place
    client.post(f"{url}/pause", data=form_of(client.get(f"{url}/loom")))
    assert "Say how many picks are in" in words(client.get(f"{url}/loom"))
    assert "I am in the middle of row 2" in words(client.get(f"{url}/put-right"))
    shown = client.get(f"{url}/put-right/picks")
    assert "No pick in, so far: treadle 1 is next, shuttle on your left" in words(shown)
    assert "3 in: treadle 4 is next, shuttle on your right" in words(shown)
    paused = now(store, piece_id).place
    answer = client.post(f"{url}/put-right/picks", data=form_of(shown) | {"picks": "3"})
    assert answer.status_code == 303
    told = now(store, piece_id).place
    assert (told.card, told.pick, told.paused) == (before.card, 3, True)
    assert "pick 4, treadle 4" in words(client.get(f"{url}/loom"))
    client.post(f"{url}/stands", data=form_of(client.get(f"{url}/loom")))
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(paused)


def test_picks_that_come_out_are_told_too(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    take_out(client, piece_id, row="1")
    weave_on_to(client, store, piece_id, "take_out", 2)
    url = f"/pieces/{piece_id}/put-right/picks"
    shown = client.get(url)
    assert "5 in, so far: treadle 5 comes out next, shuttle on your right" in words(shown)
    assert client.post(url, data=form_of(shown) | {"picks": "2"}).status_code == 303
    assert now(store, piece_id).place.pick == 2


# --- put in wrongly ------------------------------------------------------------------------------------


def test_one_put_in_wrongly_goes_in_again_and_nothing_else(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "weave", 2)
    shown = client.get(f"/pieces/{piece_id}/put-right/put-in")
    assert "Put 2a in again" in words(shown)
    assert "it was lifted in" not in words(shown)
    data = form_of(shown) | {"temporary": "2a"}
    assert client.post(f"/pieces/{piece_id}/put-right/put-in", data=data).status_code == 303
    loom = client.get(f"/pieces/{piece_id}/loom")
    assert "Again: insert temporary 2a" in words(loom)
    assert "Let go of handles 2 and 3. Go behind" in words(loom)
    assert "Row 1 of 3 woven behind the loom once more" in words(loom)
    assert "minutes" not in words(loom)
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before.place)
    data |= form_of(client.get(f"/pieces/{piece_id}/loom"))
    client.post(f"/pieces/{piece_id}/put-right/put-in", data=data)
    shown = done(client, piece_id, client.get(f"/pieces/{piece_id}/loom"))
    assert heading(shown) == "Pull handle 2 alone"
    assert "1 test lift to make" in words(shown)
    shown = done(client, piece_id, client.get(f"/pieces/{piece_id}/loom"))
    assert heading(shown) == "Again: pull 2 and 3"
    assert heading(done(client, piece_id, shown)) == "Weave 5 picks"
    weaving = now(store, piece_id)
    assert (weaving.place.spot, weaving.state) == (before.place.spot, before.state)
    log = words(client.get(f"/pieces/{piece_id}/log"))
    assert "Pulled again: handles 2 and 3" in log
    assert "Test lift of handle 2: as shown" in log


def test_a_break_while_one_is_put_in_again_says_what_stands_then(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    data = form_of(client.get(f"/pieces/{piece_id}/put-right/put-in")) | {"temporary": "2a"}
    client.post(f"/pieces/{piece_id}/put-right/put-in", data=data)
    data = form_of(client.get(f"/pieces/{piece_id}/loom"))
    client.post(f"/pieces/{piece_id}/pause", data=data)
    shown = words(client.get(f"/pieces/{piece_id}/loom"))
    assert "Row 1 of 3 woven; you are behind the loom" in shown
    assert "Once more Insert temporary 2a" in shown
    assert "Handles pulled none" in shown
    assert "everything may stay locked" not in shown


def test_the_band_counts_what_comes_out_and_goes_in_again_on_a_way_back(
    client: TestClient, store: Store
) -> None:
    """To row 3, back to row 1 over a walk; then a walk to the next part again."""
    rows = ["..#####..", "..##.#...", "..#####.."]
    piece_id = store.add_piece(piece_text(rows=rows), plan(read_piece(piece_text(rows=rows))))
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    wrong = client.get(f"/pieces/{piece_id}/put-right/take-out", params={"picks": "7"})
    data = form_of(wrong) | {"picks": "7", "mark": mark_of(wrong)}
    assert client.post(f"/pieces/{piece_id}/put-right/take-out", data=data).status_code == 303
    seen = set()
    for _ in range(40):
        shown = client.get(f"/pieces/{piece_id}/loom")
        card = now(store, piece_id).decks.at(now(store, piece_id).place)
        band = re.search(r'class="band-row">(.*?)</p>', shown.text, re.DOTALL)
        assert band
        assert not re.search(r"-\d|\b0 rows|minute", band[1]), band[1]
        seen.add((card.kind, re.sub(r"<.*?>", "", band[1]).strip()))
        if (card.kind, card.row) == ("weave", 1):
            break
        done(client, piece_id, shown)
    assert ("reopen", "Row 2 of 3 picks of 1 row to take out, then a walk") in seen
    # the walk is made within row 1: some of its picks are in after it
    assert any(kind == "walk" and said.endswith("walk now") for kind, said in seen)


def test_both_fields_empty_ask_for_one_of_them(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 2)
    shown = client.get(f"/pieces/{piece_id}/put-right/take-out")
    assert shown.status_code == 422
    assert "Fill in one of the two" in words(shown)


def test_the_rows_that_were_woven_with_it_are_named_to_be_looked_at(client: TestClient, store: Store) -> None:
    rows = ["..#####..", "..##.#...", "..##.#...", "..#.##..."]
    text = piece_text(rows=rows)
    piece_id = store.add_piece(text, plan(read_piece(text)))
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 3)
    url = f"/pieces/{piece_id}/put-right/put-in"
    assert "since it went in it was lifted in row 2" in words(client.get(url))
    picks_told(store, piece_id, 1)
    assert "since it went in it was lifted in rows 2 and 3" in words(client.get(url))


# --- the treadles --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("why", "treadle", "side"), [("too many", 3, "right"), ("too few", 1, "right"), ("side", 2, "right")]
)
def test_the_treadles_go_on_where_she_is(
    client: TestClient, store: Store, piece_id: int, why: str, treadle: int, side: str
) -> None:
    """One pick of row 1 is in: treadle 2 comes next, and the shuttle is on the left."""
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 1)
    picks_told(store, piece_id, 1)
    before = now(store, piece_id).place
    url = f"/pieces/{piece_id}/put-right/treadles"
    shown = client.get(url)
    assert "treadle 2 comes next, and the shuttle is on your left" in words(shown)
    assert client.post(url, data=form_of(shown) | {"why": why}).status_code == 303
    assert f"treadle {treadle} comes next, and the shuttle is on your {side}" in words(client.get(url))
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before)


def test_another_treadle_is_next_and_the_side_stays(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 1)
    url = f"/pieces/{piece_id}/put-right/treadles"
    shown = client.get(url, params={"treadle": "4"})
    assert "4 5 1 2 3" in words(shown)
    data = form_of(shown) | {"why": "treadle", "treadle": "4", "place": "0"}
    assert client.post(url, data=data).status_code == 303
    assert "treadle 4 comes next, and the shuttle is on your right" in words(client.get(url))
    weaving = now(store, piece_id)
    assert json.loads(weaving.log[-1].detail)["treadles"] == -2  # the smallest way round


def test_a_treadle_that_is_not_there(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    for treadle in ("6", "0", "x"):
        answer = client.get(f"/pieces/{piece_id}/put-right/treadles", params={"treadle": treadle})
        assert answer.status_code == 422
        assert "Your next treadle: it must be a number from 1 to 5" in words(answer)
