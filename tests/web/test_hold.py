"""The instructions that a screen holds, and the taps that it hands in."""

from __future__ import annotations

import itertools
import json
import re
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.plan.from_here import plan_from_here
from server.plan.visits import way
from server.session.cards import Course
from server.session.place import MOST_WORDS, Tap
from server.store.database import Store, StoreFailure
from server.store.weavings import Weaving
from server.web.hold import MOST_AHEAD, MOST_AT_ONCE, MOST_TAPS, MOST_TOLD
from tests.conftest import Clock
from tests.examples import piece_order, piece_text

KEYS = (f"{number:032x}" for number in range(10**6))


def weaving(store: Store, piece_id: int) -> Weaving:
    found = store.weaving(piece_id)
    assert found is not None
    return found


def begin(store: Store, piece_id: int, cards: int = 0) -> None:
    store.tap(piece_id, Tap("begin", 0, 0))
    for _ in range(cards):
        place = weaving(store, piece_id).place
        answer = store.tap(piece_id, Tap("next", place.card, place.turn))
        assert answer is not None
        assert answer.counted


def ahead(client: TestClient, piece_id: int, turn: int, **asked: int) -> dict[str, Any]:
    answer = client.get(f"/pieces/{piece_id}/ahead", params={"turn": turn} | asked)
    assert answer.status_code == 200
    found: dict[str, Any] = answer.json()
    for held in found["held"]:
        held["html"] = "\n".join(found["lines"][number] for number in held["html"])
    return found


def shown(client: TestClient, piece_id: int) -> str:
    page = client.get(f"/pieces/{piece_id}/loom").text
    return page[page.index("<main") : page.index("</main>") + len("</main>")]


def sent(kind: str, card: int, turn: int, **more: Any) -> dict[str, Any]:
    return {"key": next(KEYS), "kind": kind, "card": card, "turn": turn, "age": 0} | more


def hand_in(client: TestClient, piece_id: int, *taps: dict[str, Any]) -> Response:
    return client.post(f"/pieces/{piece_id}/taps", json=list(taps))


def kinds(store: Store, piece_id: int) -> list[str]:
    return [entry.kind for entry in weaving(store, piece_id).log]


# --- the instructions ahead ----------------------------------------------------------------------------


@pytest.mark.parametrize("taps", ["row", "pick"])
@pytest.mark.parametrize("shed", ["asked", "always"])
def test_each_instruction_held_is_the_one_that_as_many_taps_lead_to(
    client: TestClient, store: Store, piece_id: int, taps: str, shed: str
) -> None:
    client.post(f"/pieces/{piece_id}/settings", data={"taps": taps, "shed": shed})
    begin(store, piece_id)
    answer = ahead(client, piece_id, 1, most=MOST_AT_ONCE)
    assert (answer["turn"], answer["since"]) == (1, "")
    assert {held["tap"] for held in answer["held"]} == {"next"} | ({"pick"} if taps == "pick" else set()) | (
        {"checked"} if shed == "always" else set()
    )
    for held in answer["held"]:
        place = weaving(store, piece_id).place
        assert held["card"] == place.card
        assert held["html"].strip() == shown(client, piece_id).strip()
        assert hand_in(client, piece_id, sent(held["tap"], place.card, place.turn)).status_code == 200
    assert weaving(store, piece_id).place.status == "finished", "all there are were held"


def test_what_is_asked_for_later_goes_on_where_the_first_ended(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id)
    whole = ahead(client, piece_id, 1, most=12)["held"]
    parts = [held for first in (0, 5, 8) for held in ahead(client, piece_id, 1, first=first, most=5)["held"]]
    assert len(whole) == 12
    assert [held["html"] for held in parts[:8] + parts[10:14]] == [held["html"] for held in whole]


def test_back_is_held_only_where_it_leads_to_what_was_shown_before(
    client: TestClient, store: Store, piece_id: int
) -> None:
    client.post(f"/pieces/{piece_id}/settings", data={"taps": "pick", "shed": "asked"})
    begin(store, piece_id)
    held = ahead(client, piece_id, 1)["held"]
    assert held[0]["back"] is False
    assert sum(one["back"] for one in held) > 10
    turn = re.compile(r'(data-turn|name="turn" value)="\d+"')
    for before, one in itertools.pairwise(held):
        place = weaving(store, piece_id).place
        hand_in(client, piece_id, sent(before["tap"], place.card, place.turn))
        if one["back"]:
            hand_in(client, piece_id, sent("back", one["card"], place.turn + 1))
            assert turn.sub("", shown(client, piece_id)).strip() == turn.sub("", before["html"]).strip()
            place = weaving(store, piece_id).place
            hand_in(client, piece_id, sent(before["tap"], place.card, place.turn))


def test_nothing_is_held_beyond_a_question_that_is_due(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    begin(store, piece_id, 2)
    clock.pass_by(minutes=45)
    (only,) = ahead(client, piece_id, 3)["held"]
    assert only["tap"] == "stands"
    assert "Yes, it stands like this" in only["html"]


def test_instructions_for_another_turn_are_not_added_to_a_hold(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id, 2)
    assert ahead(client, piece_id, 1, first=3)["held"] == []
    answer = ahead(client, piece_id, 1)
    assert (answer["turn"], answer["since"]) == (3, "Row 1 woven")
    assert answer["held"][0]["card"] == 2
    assert ahead(client, piece_id, 3)["since"] == ""


def test_a_piece_that_is_not_on_the_loom_has_nothing_to_hold(
    client: TestClient, store: Store, piece_id: int
) -> None:
    assert ahead(client, piece_id, 0) | {"mark": ""} == {
        "turn": 0,
        "mark": "",
        "since": "",
        "lines": [],
        "held": [],
    }


@pytest.mark.parametrize(
    "asked",
    [
        "",
        "turn=",
        "turn=x",
        "turn=-1",
        "turn=1.5",
        f"turn={10**30}",
        "turn=1&first=-1",
        f"turn=1&first={MOST_AHEAD + 1}",
        "turn=1&most=0",
        f"turn=1&most={MOST_AT_ONCE + 1}",
        "turn=1&first=<script>",
    ],
)
def test_what_cannot_be_asked_for(client: TestClient, store: Store, piece_id: int, asked: str) -> None:
    begin(store, piece_id)
    answer = client.get(f"/pieces/{piece_id}/ahead?{asked}")
    assert answer.status_code == 422
    assert "<script>" not in answer.text


@pytest.mark.parametrize("address", ["/pieces/7/ahead?turn=0", "/pieces/x/ahead?turn=0"])
def test_no_such_piece(client: TestClient, piece_id: int, address: str) -> None:
    assert client.get(address).status_code == 404


def test_lines_are_sent_once_and_pages_are_compressed(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id)
    answer = client.get(f"/pieces/{piece_id}/ahead?turn=1")
    lines = answer.json()["lines"]
    assert len(lines) == len(set(lines))
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) < len(answer.content) / 4


# --- taps handed in ------------------------------------------------------------------------------------


def test_taps_are_taken_in_order_and_answered_with_the_turn(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id)
    answer = hand_in(
        client, piece_id, sent("next", 0, 1), sent("next", 1, 2), sent("back", 2, 3), sent("next", 1, 4)
    )
    assert (answer.status_code, answer.json()) == (200, {"counted": 4, "turn": 5, "asks": False})
    assert kinds(store, piece_id) == ["begin", "next", "next", "back", "next"]
    assert weaving(store, piece_id).place.card == 2


def test_what_is_handed_in_again_counts_once(client: TestClient, store: Store, piece_id: int) -> None:
    """As when the answer was lost: some of the taps are new by then."""
    begin(store, piece_id)
    taps = [sent("next", card, card + 1) for card in range(4)]
    assert hand_in(client, piece_id, *taps[:3]).json()["turn"] == 4
    for _ in range(2):
        answer = hand_in(client, piece_id, *taps)
        assert (answer.status_code, answer.json()["counted"], answer.json()["turn"]) == (200, 4, 5)
    assert kinds(store, piece_id) == ["begin", *["next"] * 4]


def test_a_key_counts_for_its_own_piece_only(client: TestClient, store: Store, piece_id: int) -> None:
    other = store.add_piece(piece_text(name="Other", loom_name="Other"), piece_order())
    begin(store, piece_id)
    begin(store, other)
    tap = sent("next", 0, 1)
    for piece in (piece_id, other):
        assert hand_in(client, piece, tap).json()["turn"] == 2


def test_the_log_has_the_time_at_which_each_tap_was_made(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    begin(store, piece_id)
    began = clock.time
    clock.pass_by(minutes=60)
    hand_in(
        client,
        piece_id,
        sent("next", 0, 1, age=40 * 60_000),
        sent("next", 1, 2, age=50 * 60_000),  # the tablet's clock was set back in between
        sent("next", 2, 3, age=1_500),
    )
    times = [entry.at - began for entry in weaving(store, piece_id).log[1:]]
    assert times == [timedelta(minutes=20), timedelta(minutes=20), timedelta(minutes=60, seconds=-1.5)]
    hand_in(client, piece_id, sent("next", 3, 4, age=30 * 24 * 3600 * 1000))
    assert weaving(store, piece_id).log[-1].at - began == times[-1], "never before the tap before it"


def test_after_a_night_the_page_that_was_left_open_is_asked_how_all_stands(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    begin(store, piece_id, 2)
    clock.pass_by(hours=13)
    assert hand_in(client, piece_id, sent("next", 2, 3)).json()["asks"] is True
    assert ahead(client, piece_id, 4)["held"][0]["tap"] == "stands"


@pytest.mark.parametrize("age", [60 * 365 * 24 * 3600 * 1000, 10**30, 10**3000])
def test_a_tap_counts_however_wrong_the_tablets_clock_stood(
    client: TestClient, store: Store, piece_id: int, age: int
) -> None:
    begin(store, piece_id)
    answer = hand_in(client, piece_id, sent("next", 0, 1, age=age))
    assert (answer.status_code, answer.json()["counted"]) == (200, 1)
    log = weaving(store, piece_id).log
    assert log[-1].at == log[-2].at, "never before the tap before it"


def test_a_full_disk_is_told_in_a_sentence_and_no_tap_is_thrown_away(
    client: TestClient, store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(store, piece_id)

    def fail(*_: object, **__: object) -> None:
        raise StoreFailure("The disk is full.")

    monkeypatch.setattr(store, "tap", fail)
    answer = hand_in(client, piece_id, sent("next", 0, 1))
    assert (answer.status_code, answer.json()) == (503, {"sentence": "The disk is full."})


def test_taps_for_another_database_do_not_count_in_this_one(
    client: TestClient, store: Store, piece_id: int, tmp_path: Path
) -> None:
    begin(store, piece_id)
    with closing(Store(tmp_path / "other.sqlite")) as other:
        assert other.name != store.name
        headers = {"Database": other.name}
    with closing(Store(tmp_path / "other.sqlite")) as other:
        assert headers["Database"] == other.name, "it is made once"
    assert f'data-database="{store.name}"' in client.get(f"/pieces/{piece_id}/log").text
    for address in ("taps", "dropped"):
        answer = client.post(f"/pieces/{piece_id}/{address}", json=[sent("next", 0, 1)], headers=headers)
        assert answer.status_code == 421
        assert "another data folder" in answer.json()["sentence"]
        assert "counted" not in answer.json(), "so that the page keeps them"
    assert kinds(store, piece_id) == ["begin"]
    assert store.notes(piece_id) == []
    own = {"Database": store.name}
    assert client.post(f"/pieces/{piece_id}/taps", json=[sent("next", 0, 1)], headers=own).status_code == 200


CHANGES: list[tuple[str, dict[str, str]]] = [
    ("/preferences", {"shafts_from": "back"}),
    ("/preferences", {"units_from": "right"}),
    ("/preferences", {"stance": "behind-right"}),
    ("/preferences/device", {"say": "walk"}),
    ("/preferences/device", {"view": "behind"}),
    ("/pieces/1/settings", {"taps": "pick", "shed": "asked"}),
    ("/pieces/1/settings", {"taps": "row", "shed": "always"}),
    ("/pieces/1/reminders", {"words": "Temple", "every": "3", "measure": "picks"}),
    ("/pieces/1/notes", {"row": "1", "words": "A knot"}),
]


@pytest.mark.parametrize(("address", "chosen"), CHANGES)
def test_what_was_rendered_before_a_change_is_told_from_what_comes_after_it(
    client: TestClient, store: Store, piece_id: int, address: str, chosen: dict[str, str]
) -> None:
    begin(store, piece_id)
    before = ahead(client, piece_id, 1)["mark"]
    assert f'data-mark="{before}"' in shown(client, piece_id)
    assert ahead(client, piece_id, 1, first=3)["mark"] == before
    assert client.post(address, data=chosen, follow_redirects=False).status_code in (200, 303)
    after = ahead(client, piece_id, 1, first=3)["mark"]
    assert after != before
    assert f'data-mark="{after}"' in shown(client, piece_id)


def test_what_does_not_show_on_an_instruction_leaves_the_mark(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id)
    before = ahead(client, piece_id, 1)["mark"]
    assert client.post("/preferences/device", data={"rest": "5", "look": "dark"}).status_code == 200
    assert hand_in(client, piece_id, sent("next", 0, 1)).status_code == 200
    assert ahead(client, piece_id, 2)["mark"] == before


def test_all_that_the_instruction_page_asks_can_be_handed_in(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """What is not held is asked for in this way, too; held or not, a tap counts once."""
    cards = weaving(store, piece_id).cards
    lift = next(card.number for card in cards if card.kind == "test_lift")
    label = next(card.number for card in cards if card.kind == "label")
    begin(store, piece_id, label)
    turn = label + 1
    detail = {"card": label}
    taps = [
        sent("tick", label, turn, detail=detail),
        *(sent("next", card, card + 1) for card in range(label + 1, lift)),
        sent("again", lift, lift + 1),
        sent("undo", lift, lift + 2),
        sent("pause", lift, lift + 3),
        sent("stands", lift, lift + 4),
    ]
    for _ in range(2):
        answer = hand_in(client, piece_id, *taps)
        assert (answer.status_code, answer.json()["counted"]) == (200, len(taps))
    told = ["tick", *["next"] * (lift - label - 1), "again", "undo", "pause", "stands"]
    assert kinds(store, piece_id)[turn:] == told
    ahead_now = ahead(client, piece_id, lift + 5)["held"]
    assert ahead_now[0]["ahead"] == []


def test_what_is_done_out_of_its_turn_is_told_with_each_instruction(
    client: TestClient, store: Store, piece_id: int
) -> None:
    client.cookies.set("device", "say=walk")
    cards = weaving(store, piece_id).cards
    label = next(card.number for card in cards if card.kind == "withdraw") - 1
    begin(store, piece_id, label)
    (list_up, *_) = ahead(client, piece_id, label + 1)["held"]
    assert list_up["ahead"] == []
    assert f'data-first="{label}" data-needs="{label + 1}:{label}"' in list_up["html"]


def test_a_tap_that_cannot_be_taken_ends_the_row_of_taps(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id)
    answer = hand_in(client, piece_id, sent("next", 0, 1), sent("pick", 1, 2), sent("checked", 1, 3))
    assert answer.status_code == 200
    answer = hand_in(client, piece_id, sent("back", 1, 4), sent("back", 1, 5), sent("back", 0, 6))
    assert answer.status_code == 422
    assert answer.json()["counted"] == 2
    assert answer.json()["turn"] == weaving(store, piece_id).place.turn
    assert "nothing before it" in answer.json()["sentence"]


GOOD = sent("next", 0, 1)
HOSTILE: list[Any] = [
    b"",
    b"{",
    b"[]",
    b"null",
    b'"next"',
    b"\xff\xfe",
    b"[" * 100_000,
    json.dumps(GOOD).encode(),
    [None],
    [GOOD] * (MOST_TAPS + 1),
    [GOOD | {"extra": 1}],
    [{name: value for name, value in GOOD.items() if name != "key"}],
    [GOOD | {"key": ""}],
    [GOOD | {"key": "x" * 32}],
    [GOOD | {"key": "0" * 65}],
    [GOOD | {"key": "0" * 32 + "\n"}],
    [GOOD | {"key": 7}],
    [GOOD | {"kind": "end"}],
    [GOOD | {"kind": "begin"}],
    [GOOD | {"kind": "course"}],
    [GOOD | {"kind": "'; DROP TABLE taps; --"}],
    [GOOD | {"card": -1}],
    [GOOD | {"card": "0"}],
    [GOOD | {"card": 10**30}],
    [GOOD | {"card": 0.0}],
    [GOOD | {"turn": True}],
    [GOOD | {"age": -1}],
    [GOOD | {"age": None}],
    [GOOD | {"detail": {"course": 1}}],
    [GOOD | {"detail": {"card": "1"}}],
    [GOOD | {"detail": [1]}],
    [GOOD | {"ends": True}],
    [GOOD, GOOD | {"card": "x"}],
]


@pytest.mark.parametrize("body", HOSTILE, ids=lambda body: repr(body)[:60])
def test_a_body_that_cannot_be_read_changes_nothing(
    client: TestClient, store: Store, piece_id: int, body: Any
) -> None:
    begin(store, piece_id)
    content = body if isinstance(body, bytes) else json.dumps(body).encode()
    answer = client.post(
        f"/pieces/{piece_id}/taps", content=content, headers={"content-type": "application/json"}
    )
    assert answer.status_code == 422
    assert "could not be read" in answer.json()["sentence"]
    dropped = client.post(f"/pieces/{piece_id}/dropped", content=content)
    assert dropped.status_code == 422
    assert store.notes(piece_id) == []
    assert kinds(store, piece_id) == ["begin"]


def test_a_body_that_is_too_large(client: TestClient, store: Store, piece_id: int) -> None:
    begin(store, piece_id)
    answer = client.post(f"/pieces/{piece_id}/taps", content=b" " * 2_000_000)
    assert answer.status_code == 413
    assert kinds(store, piece_id) == ["begin"]


def test_another_site_hands_nothing_in(client: TestClient, store: Store, piece_id: int) -> None:
    begin(store, piece_id)
    answer = client.post(
        f"/pieces/{piece_id}/taps", json=[sent("next", 0, 1)], headers={"origin": "http://evil.example"}
    )
    assert answer.status_code == 403
    assert kinds(store, piece_id) == ["begin"]


def test_taps_for_no_piece(client: TestClient, piece_id: int) -> None:
    assert hand_in(client, piece_id + 1, sent("next", 0, 0)).status_code == 404
    assert client.post(f"/pieces/{piece_id + 1}/dropped", json=[sent("next", 0, 0)]).status_code == 404


# --- two screens went apart ----------------------------------------------------------------------------


def words(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def settles(html: str) -> dict[str, int] | None:
    found = re.search(r'data-goes="here" data-card="(\d+)" data-pick="(\d+)"', html)
    return None if found is None else {"card": int(found[1]), "pick": int(found[2])}


def went_apart(client: TestClient, store: Store, piece_id: int) -> Response:
    """Both were at row 1, raised; the other wove one row, this one went back and on again."""
    begin(store, piece_id, 1)
    assert hand_in(client, piece_id, sent("next", 1, 2), sent("next", 2, 3)).status_code == 200
    return hand_in(client, piece_id, sent("back", 1, 2), sent("next", 0, 3))


def test_where_another_screen_went_on_nothing_is_guessed_and_both_stories_are_told(
    client: TestClient, store: Store, piece_id: int
) -> None:
    answer = went_apart(client, store, piece_id)
    assert answer.status_code == 409
    assert (answer.json()["counted"], answer.json()["turn"], answer.json()["card"]) == (0, 4, 3)
    theirs, ours = words(answer.json()["html"]).split("This screen, not connected")
    assert "Row 1 woven Went behind the loom" in theirs
    assert "Back: tapped too far Row 1: shed raised" in ours
    assert "Row 1 of 3: Weave 5 picks" in ours
    assert kinds(store, piece_id) == ["begin", "next", "next", "next"], "nothing was taken"


def test_going_on_from_the_other_screen_notes_down_what_this_one_recorded_once(
    client: TestClient, store: Store, piece_id: int
) -> None:
    answer = went_apart(client, store, piece_id)
    assert "kept as a note on row 1" in words(answer.json()["html"])
    mine = [sent("back", 1, 2), sent("next", 0, 3)]
    for _ in range(2):  # the first answer was lost
        dropped = client.post(f"/pieces/{piece_id}/dropped", json=mine)
        assert dropped.status_code == 200
        assert "2 taps of this screen did not count" in dropped.json()["sentence"]
    (note,) = store.notes(piece_id)
    assert note.row == 1
    assert note.words.endswith("after entry 2 of the log: Back: tapped too far; Row 1: shed raised.")
    assert kinds(store, piece_id) == ["begin", "next", "next", "next"], "nothing was taken"


def test_a_story_too_long_for_one_note_is_kept_in_several(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id, 1)
    store.tap(piece_id, Tap("next", 1, 2))
    there_and_back = [sent("next" if n % 2 else "back", n % 2 == 0, n + 2) for n in range(200)]
    taps = [tap | {"card": int(tap["card"])} for tap in there_and_back]
    assert client.post(f"/pieces/{piece_id}/dropped", json=taps).status_code == 200
    notes = store.notes(piece_id)
    assert len(notes) > 1
    assert all(len(note.words) <= MOST_WORDS for note in notes)
    told = " ".join(note.words for note in notes)
    assert (told.count("tapped too far"), told.count("shed raised")) == (100, 100)


def test_going_on_from_this_screen_is_written_into_the_log(
    client: TestClient, store: Store, piece_id: int
) -> None:
    answer = went_apart(client, store, piece_id).json()
    detail = settles(answer["html"])
    assert detail == {"card": 1, "pick": 0}
    settled = hand_in(client, piece_id, sent("settle", answer["card"], answer["turn"], detail=detail))
    assert settled.json() == {"counted": 1, "turn": 5, "asks": False}
    assert weaving(store, piece_id).place.card == 1
    assert "Two screens went apart" in client.get(f"/pieces/{piece_id}/log").text


def test_the_first_taps_count_where_only_a_later_one_came_second(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id)
    mine = [sent("next", 0, 1), sent("next", 1, 2), sent("next", 2, 3)]
    assert hand_in(client, piece_id, mine[0]).status_code == 200
    assert hand_in(client, piece_id, sent("next", 1, 2)).status_code == 200
    answer = hand_in(client, piece_id, *mine)
    assert answer.status_code == 409
    assert answer.json()["counted"] == 1
    assert "Row 1: shed raised" not in words(answer.json()["html"])


def test_where_the_rest_was_planned_anew_only_the_other_screens_place_is_offered(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id, 2)
    now = weaving(store, piece_id)
    visits = way(now.piece, 1, 0, len(now.piece.rows))
    course = Course(now.state, visits, True, plan_from_here(now.piece, now.state, visits))
    answer = store.tap(piece_id, Tap("course", 2, 3, '{"why": "walks"}'), course=course)
    assert answer is not None
    assert answer.counted
    found = hand_in(client, piece_id, sent("next", 2, 3))
    assert found.status_code == 409
    assert settles(found.json()["html"]) is None
    assert "Compare what stands in the loom" in words(found.json()["html"])
    assert "Planned anew for other walks" in words(found.json()["html"])


def test_where_the_piece_came_off_the_loom_only_the_other_screens_place_is_offered(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(store, piece_id)
    store.tap(piece_id, Tap("end", 0, 1))
    found = hand_in(client, piece_id, sent("next", 0, 1))
    assert found.status_code == 409
    assert settles(found.json()["html"]) is None
    assert "The piece is given up" in words(found.json()["html"])


def test_of_a_long_story_the_end_is_told(client: TestClient, store: Store, piece_id: int) -> None:
    begin(store, piece_id, 1)
    for turn in range(2, MOST_TOLD + 9, 2):
        store.tap(piece_id, Tap("back", 1, turn))
        store.tap(piece_id, Tap("next", 0, turn + 1))
    found = hand_in(client, piece_id, sent("next", 1, 2)).json()
    assert found["html"].count("<li>") == MOST_TOLD + 1
    before = found["turn"] - 2 - MOST_TOLD
    assert f"{before} more before these" in words(found["html"])


def test_taps_of_a_time_that_the_log_does_not_know_are_counted_up_but_not_told(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """As when the computer's data folder was put back to an older one."""
    begin(store, piece_id)
    found = hand_in(client, piece_id, sent("next", 40, 60), sent("next", 41, 61))
    assert found.status_code == 409
    assert "2 more, which do not fit" in words(found.json()["html"])
    assert settles(found.json()["html"]) is None
