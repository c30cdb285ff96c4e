"""The instructions that a screen holds, and the taps that it hands in."""

from __future__ import annotations

import itertools
import json
import re
from datetime import timedelta
from typing import Any

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.plan.from_here import plan_from_here
from server.plan.visits import way
from server.session.cards import Course
from server.session.place import Tap
from server.store.database import Store
from server.store.weavings import Weaving
from server.web.hold import MOST_AHEAD, MOST_AT_ONCE, MOST_TAPS
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
    assert "Yes, so it stands" in only["html"]


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
    assert ahead(client, piece_id, 0) == {"turn": 0, "since": "", "lines": [], "held": []}


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


def test_both_ends_must_be_ticked_as_in_the_form(client: TestClient, store: Store, piece_id: int) -> None:
    cards = weaving(store, piece_id).cards
    move = next(card.number for card in cards if card.kind == "move_cords")
    begin(store, piece_id, move)
    before = sent("next", move, move + 1, ends=False)
    answer = hand_in(client, piece_id, before)
    assert answer.status_code == 422
    assert "tick each of them" in answer.json()["sentence"]
    assert weaving(store, piece_id).place.card == move
    assert hand_in(client, piece_id, before | {"ends": True}).status_code == 200


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
    [GOOD | {"age": 10**12}],
    [GOOD | {"age": None}],
    [GOOD | {"detail": {"course": 1}}],
    [GOOD | {"detail": {"card": "1"}}],
    [GOOD | {"detail": [1]}],
    [GOOD | {"ends": "yes"}],
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


def test_taps_of_a_time_that_the_log_does_not_know_are_counted_up_but_not_told(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """As when the computer's data folder was put back to an older one."""
    begin(store, piece_id)
    found = hand_in(client, piece_id, sent("next", 40, 60), sent("next", 41, 61))
    assert found.status_code == 409
    assert "2 more, which do not fit" in words(found.json()["html"])
    assert settles(found.json()["html"]) is None
