"""The loom stands differently: what is told, drawn back, refused, taken and taken back."""

from __future__ import annotations

import re
from collections.abc import Mapping
from html import unescape

from fastapi.testclient import TestClient
from httpx import Response

from server.loom.state import Temporary
from server.store.database import Store
from tests.examples import PIECE, piece_order, piece_text
from tests.web.test_pages import HOSTILE, begin, form_of, turns, words
from tests.web.test_put_right import (
    last_words,
    now,
    same_but_turn,
    undo,
    weave_on_to,
    weave_to_the_end,
)


def form(answer: Response) -> dict[str, str]:
    """All fields as they are filled in."""
    fields = {
        name: unescape(value)
        for name, value in re.findall(r'<input (?:class="long" )?name="(\w+)" value="([^"]*)"', answer.text)
    }
    fields |= dict(re.findall(r'<input type="hidden" name="(name_\d+|mark)" value="([^"]*)"', answer.text))
    for name, options in re.findall(r'<select name="(\w+)">(.*?)</select>', answer.text):
        chosen = re.search(r'<option(?: value="(\w*)")? selected>(\w*)', options)
        fields[name] = (chosen[1] or chosen[2]) if chosen else ""
    where = re.search(r'name="where" value="(\w+)" checked', answer.text)
    assert where
    return fields | {"where": where[1]} | form_of(answer)


def tell(client: TestClient, piece_id: int, fields: Mapping[str, str]) -> Response:
    return client.post(f"/pieces/{piece_id}/put-right/loom", data=dict(fields))


def asked(client: TestClient, piece_id: int) -> dict[str, str]:
    return form(client.get(f"/pieces/{piece_id}/put-right/loom"))


def take(client: TestClient, piece_id: int, fields: Mapping[str, str]) -> None:
    shown = tell(client, piece_id, fields)
    assert shown.status_code == 200, words(shown)
    answer = tell(client, piece_id, form(shown) | {"do": "take"})
    assert answer.status_code == 303, words(answer)


def test_the_form_holds_what_is_believed(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    fields = asked(client, piece_id)
    assert fields["shaft_0"] == "2"
    assert fields["counts_0"] == "pass 1, take 1"  # unit 7 first, behind the loom from her left
    assert fields["cords_0"] == "own"
    assert (fields["handles"], fields["row"], fields["picks"], fields["where"]) == ("2, 3", "1", "0", "bench")


def folds(answer: Response) -> list[tuple[bool, str]]:
    """(whether it is open, its line) of all that folds, in order."""
    found = re.findall(r"<details class=\"slot[^\"]*\"( open)?>\s*<summary>(.*?)</summary>", answer.text)
    return [(bool(is_open), " ".join(re.sub(r"<.*?>", " ", line).split())) for is_open, line in found]


def test_what_is_as_the_log_says_is_folded_and_what_is_otherwise_is_open(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    one_more = (False, "One more is in")
    as_it_says = (False, "2a as the log says pass 1, take 1")
    up = (False, "as the log says handles 2 and 3 pulled")
    shown = client.get(f"/pieces/{piece_id}/put-right/loom")
    assert folds(shown) == [as_it_says, one_more, one_more, up]
    sound = form(shown)
    assert folds(tell(client, piece_id, sound | {"counts_0": "pass 1 take 1"})) == folds(shown)
    otherwise = folds(tell(client, piece_id, sound | {"counts_0": "take 1", "handles": "2"}))
    assert otherwise == [(True, "2a otherwise"), one_more, one_more, (True, "otherwise")]
    gone = folds(tell(client, piece_id, sound | {"counts_0": "", "shaft_0": "", "cords_0": ""}))
    assert gone[0] == (True, "2a is not in")
    wrong = folds(tell(client, piece_id, sound | {"counts_0": "take 9", "free": "9"}))
    assert (wrong[0], wrong[-1][0]) == ((True, "2a cannot be so"), True)


def test_told_as_it_is_believed_nothing_changes_but_the_plan_begins_anew(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "raise", 3)
    shown = tell(client, piece_id, asked(client, piece_id))
    so_far, from_here = re.findall(r"<td>(\d+)</td><td>(.*?)</td>", shown.text)
    assert so_far == from_here
    take(client, piece_id, asked(client, piece_id))
    after = now(store, piece_id)
    assert after.state.temporaries == before.state.temporaries
    assert after.state.away == before.state.away
    assert after.place.course == 1
    assert last_words(client, piece_id).startswith("The loom stood differently")
    assert same_but_turn(undo(client, store, piece_id)) == same_but_turn(before.place)
    assert now(store, piece_id).state == before.state


def test_a_temporary_that_went_in_otherwise_is_drawn_back_and_put_right(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """2a took unit 7 in place of unit 3: row 2 cannot be lifted with it, so another must go in."""
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 2)
    fields = asked(client, piece_id) | {"counts_0": "take one"}
    shown = tell(client, piece_id, fields)
    assert "Read as: take 1, pass 1" in words(shown)
    assert '<ol class="leashes' in shown.text
    take(client, piece_id, fields)
    weaving = now(store, piece_id)
    assert weaving.state.temporaries == (Temporary("2a", 2, frozenset({7})),)
    assert "insert" in [card.kind for card in weaving.cards]
    weave_to_the_end(client, store, piece_id)


def test_the_plan_names_what_is_in_by_now_as_in_the_loom_now_does(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 2)
    take(client, piece_id, asked(client, piece_id))
    for page in ("", "/standing"):
        shown = client.get(f"/pieces/{piece_id}{page}")
        assert '<span class="tag-name">2a</span>' in shown.text, page
    assert "in already" in words(client.get(f"/pieces/{piece_id}"))


def test_nothing_is_in_and_another_row_is_next(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    fields = asked(client, piece_id) | {
        "shaft_0": "",
        "counts_0": "",
        "cords_0": "",
        "row": "1",
        "picks": "2",
    }
    take(client, piece_id, fields | {"handles": ""})
    weaving = now(store, piece_id)
    assert weaving.state.is_bare()
    assert (weaving.state.row, weaving.state.picks) == (1, 2)
    weave_to_the_end(client, store, piece_id)


def test_behind_the_loom_with_cords_hanging_free(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    fields = asked(client, piece_id) | {"cords_0": "", "handles": "", "free": "2", "where": "behind"}
    take(client, piece_id, fields)
    state = now(store, piece_id).state
    assert (state.phase, state.away) == ("behind", (("2", None),))
    weave_to_the_end(client, store, piece_id)


def test_another_temporary_gets_the_next_letter(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    fields = asked(client, piece_id) | {"shaft_1": "2", "counts_1": "t1"}
    shown = tell(client, piece_id, fields)
    assert form(shown)["name_1"] == "2b"
    take(client, piece_id, fields)
    assert [t.name for t in now(store, piece_id).state.temporaries] == ["2a", "2b"]
    weave_to_the_end(client, store, piece_id)


CANNOT_BE: list[tuple[dict[str, str], str]] = [
    ({"shaft_0": "9"}, "Its pattern shaft: it must be a number from 1 to 4"),
    ({"counts_0": "1 1"}, "Say how it begins"),
    ({"counts_0": "take 2, pass 1"}, "Shaft 2 has 2 leashes"),
    ({"counts_0": "take 2"}, "2a must take some of the leashes"),
    ({"counts_0": ""}, "No leash is counted"),
    ({"cords_0": "S1"}, "Choose a handle that this loom has"),
    ({"shaft_1": "2", "counts_1": "take 1", "cords_1": "own"}, "Handle 2 is said to be on 2a already"),
    ({"free": "2"}, "it cannot hang free as well"),
    ({"free": "3"}, "hang free; hook them on"),
    ({"handles": "9"}, "There is no handle 9"),
    ({"handles": "S3"}, "This loom has no handle S3"),
    ({"cords": "2"}, "Unit 2 has no single draw cord"),
    ({"row": "4"}, "Rows that are in"),
    ({"picks": "5"}, "Picks of row 3 that are in"),
    ({"where": "behind"}, "nothing can be up"),
    (
        {
            "shaft_1": "1",
            "counts_1": "t1",
            "shaft_2": "3",
            "counts_2": "t1",
            "shaft_3": "1",
            "counts_3": "t1",
        },
        "This loom has 3 spare shafts",
    ),
]


def test_what_cannot_be_is_said_beside_its_field_and_nothing_typed_is_lost(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 3)
    client.post(f"/pieces/{piece_id}/next", data=form_of(client.get(f"/pieces/{piece_id}/loom")))
    client.post(f"/pieces/{piece_id}/back", data=form_of(client.get(f"/pieces/{piece_id}/loom")))
    before = turns(store, piece_id)
    fields = asked(client, piece_id)
    for told, sentence in CANNOT_BE:
        answer = tell(client, piece_id, fields | told)
        assert answer.status_code == 422, told
        assert sentence in words(answer)
        assert 'role="alert"' in answer.text
        kept = form(answer)
        for name, value in told.items():
            assert kept[name] == value or (name.startswith("cords_") and value == "S1")
    assert turns(store, piece_id) == before


def test_what_was_shown_is_what_is_taken(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    shown = form(tell(client, piece_id, asked(client, piece_id)))
    before = turns(store, piece_id)
    answer = tell(client, piece_id, shown | {"row": "1", "do": "take"})
    assert answer.status_code == 422
    assert "otherwise than you saw it" in words(answer)
    assert turns(store, piece_id) == before


def test_a_stale_form_changes_nothing_and_keeps_what_was_typed(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    shown = form(tell(client, piece_id, asked(client, piece_id) | {"row": "1"}))
    client.post(f"/pieces/{piece_id}/next", data=form_of(client.get(f"/pieces/{piece_id}/loom")))
    before = turns(store, piece_id)
    answer = tell(client, piece_id, shown | {"do": "take"})
    assert answer.status_code == 422
    assert "Another tap was first" in words(answer)
    assert form(answer)["row"] == "1"
    assert turns(store, piece_id) == before


def test_hostile_values_are_answered_with_a_sentence(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    sound = asked(client, piece_id)
    before = turns(store, piece_id)
    bad = [*HOSTILE, "<b>7a</b>", "take 1, pass 1, " * 10_000, "-5", "🧶" * 400]
    for field in (*sound, "shaft_39", "counts_39", "do"):
        for value in bad:
            answer = tell(client, piece_id, sound | {"do": "take"} | {field: value})
            assert answer.status_code in (200, 422), (field, value)
            assert "<b>" not in answer.text
    url = f"/pieces/{piece_id}/put-right/loom"
    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert client.post(url, content=b"\xff\xfe=%ff&shaft_0=%ff&row=%ff", headers=kind).status_code == 422
    assert client.post(url, files={"shaft_0": ("x", b"1")}).status_code == 422
    assert client.post(url, data={f"f{n}": "1" for n in range(2000)}).status_code == 400
    assert client.post(url, content=b"{}", headers={"content-type": "application/json"}).status_code == 200
    assert turns(store, piece_id) == before


def test_she_counts_shafts_from_the_back_and_units_from_her_right(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """The same loom in the other tradition: shaft 2 is her 3, and counts of leashes do not change."""
    store.set_preferences({"shafts_from": "back", "units_from": "right"})
    begin(client, piece_id)
    before = weave_on_to(client, store, piece_id, "weave", 2)
    fields = asked(client, piece_id)
    assert (fields["name_0"], fields["shaft_0"], fields["counts_0"]) == ("3a", "3", "pass 1, take 1")
    assert fields["handles"] == "2, 3"
    take(client, piece_id, fields)
    after = now(store, piece_id)
    assert after.state.temporaries == before.state.temporaries
    assert after.state.raised == before.state.raised
    refused = tell(client, piece_id, asked(client, piece_id) | {"counts_0": "take 2"})
    assert "3a must take some of the leashes on shaft 3" in words(refused)


def test_a_spare_handle_carries_a_temporary(client: TestClient, store: Store) -> None:
    loom = PIECE["loom"] | {"spare_handles": 1}
    piece_id = store.add_piece(piece_text(loom=loom), piece_order())
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "raise", 3)
    take(client, piece_id, asked(client, piece_id) | {"cords_0": "S1"})
    assert now(store, piece_id).state.away == (("S1", "2a"),)
    assert asked(client, piece_id)["cords_0"] == "S1"
    weave_to_the_end(client, store, piece_id)


def test_what_cannot_be_so_is_named_at_the_top_and_led_to(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    weave_on_to(client, store, piece_id, "weave", 2)
    shown = client.get(f"/pieces/{piece_id}/put-right/loom")
    data = form_of(shown) | {
        "name_0": "2a",
        "shaft_0": "2",
        "counts_0": "take 9",
        "handles": "99",
        "row": "1",
    }
    answer = client.post(f"/pieces/{piece_id}/put-right/loom", data=data)
    assert answer.status_code == 422
    led = re.findall(r'<a href="#(why-[^"]*)">([^<]*)</a>', answer.text)
    assert dict(led) == {"why-slot_0": "2a", "why-handles": "the handles that are pulled"}
    for where, _ in led:
        assert answer.text.count(f'id="{where}"') == 1
