"""A fumbling weaver, and hostile requests: what is believed stays true, and nothing falls over."""

from __future__ import annotations

import json
import os
import random
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from server.app import create_app
from server.design.piece_file import read_piece
from server.loom.actions import apply
from server.loom.state import Loom, State, Temporary
from server.loom.steps import Insert, MoveCords, Withdraw
from server.plan.from_here import check_start
from server.plan.planner import plan
from server.plan.visits import Position, position_of
from server.plan.workorder import kind_of
from server.session.cards import Card, deal, deal_course
from server.session.place import TAP_KINDS, Decks, NotNow, Place, Tap, TapKind, after_tap, card_up
from server.session.put_right import course_of, cut_out, standing, take_out
from server.session.treadling import picks_of, side_before
from server.session.wishes import Wishes
from server.settings import Settings
from server.store.database import Store
from tests.examples import piece_text
from tests.outside.fumbling_weaver import Fumbler
from tests.visitor import Visitor


def seeds(number: int) -> Iterator[int]:
    """So many, the same ones on every run; SPARESHAFT_EXAMPLES multiplies them, with new ones."""
    times = int(os.environ.get("SPARESHAFT_EXAMPLES", "0"))
    first = random.SystemRandom().randrange(10**9) if times else 0
    yield from range(first, first + number * max(times, 1))


@contextmanager
def told(seed: int) -> Iterator[None]:
    """Say with what goes wrong which seed it was."""
    try:
        yield
    except BaseException as wrong:
        wrong.add_note(f"seed {seed}")
        raise


def browser(store: Store, path: Path) -> TestClient:
    """A browser on the computer that the server runs on; a fault within is an answer of 500."""
    settings = Settings(data=path.parent)
    return Visitor(
        create_app(settings, store),
        base_url=f"http://127.0.0.1:{settings.port}",
        client=("127.0.0.1", 50000),
        follow_redirects=False,
    )


# --- the weaver ----------------------------------------------------------------------------------------


def test_whatever_she_fumbles_what_is_believed_is_so_and_the_cloth_comes_out_right(tmp_path: Path) -> None:
    kinds: set[str] = set()
    noticed = 0
    for seed in seeds(8):
        path = tmp_path / f"{seed}.sqlite"
        # half of them ask for what is planned anew on the pages, the others with the functions behind them
        asks = partial(browser, path=path) if seed % 2 else None
        with closing(Fumbler(random.Random(seed), path, browser=asks)) as weaver, told(seed):
            weaver.weave(taps=80)
            kinds |= {entry.kind for entry in weaver.weaving.log}
            noticed += weaver.noticed
    assert noticed, "no temporary went in wrongly"
    assert kinds >= {*TAP_KINDS} - {"end", "settle"}


PAGES = [
    "/loom",
    "/loom?look=shed",
    "/standing",
    "/log",
    "/log.csv",
    "/put-right",
    "/put-right/too-far",
    "/put-right/wrong",
    "/put-right/put-in",
    "/put-right/treadles",
    "/put-right/treadles?treadle=1",
    "/put-right/loom",
    "/walks-ahead",
    "/walks-ahead/now",
    "/notes",
    "/settings",
    "/ahead?turn=0",
    "/ahead?turn=3&most=9",
    "/put-right/take-out?picks=2",
    "/put-right/take-out?row=1",
    "/put-right/take-out?picks=1&now=1",
    "/put-right/cut-out?row=0",
    "",
]


def test_every_page_can_be_looked_at_in_the_middle_of_every_fumble(tmp_path: Path) -> None:
    for seed in seeds(3):
        rng, path = random.Random(seed), tmp_path / f"{seed}.sqlite"

        def look(store: Store, piece_id: int, rng: random.Random = rng, path: Path = path) -> None:
            client = browser(store, path)
            choose_something(rng, client, piece_id)
            for address in rng.sample(PAGES, 6):
                answer = client.get(f"/pieces/{piece_id}{address}")
                assert answer.status_code in (200, 303, 422), (address, answer.text)
                assert "The fault is Spareshaft" not in answer.text, address

        with closing(Fumbler(rng, path, look)) as weaver, told(seed):
            weaver.weave(taps=60, fumbles=0.4)


def choose_something(rng: random.Random, client: TestClient, piece_id: int) -> None:
    """Settings of all kinds, now and then."""
    chosen: dict[str, dict[str, list[str]]] = {
        "/preferences": {
            "stance": ["behind-left", "behind-right", "left-side", "right-side"],
            "first_side": ["left", "right"],
            "shafts_from": ["weaver", "back"],
            "units_from": ["left", "right"],
        },
        "/preferences/device": {"say": ["action", "shaft", "walk"]},
        f"/pieces/{piece_id}/settings": {"taps": ["row", "pick"], "shed": ["asked", "always"]},
    }
    for address, fields in chosen.items():
        if rng.random() < 0.3:
            client.post(address, data={name: rng.choice(values) for name, values in fields.items()})


# --- hostile requests ----------------------------------------------------------------------------------

HOSTILE = [
    "",
    " ",
    "0",
    "1",
    "-1",
    "7",
    "2a",
    "own",
    "S1",
    "S" + "9" * 30,
    "9" * 9,
    "9" * 30,
    "9" * 5_000,
    "1e9",
    "1.5",
    "NaN",
    "inf",
    "null",
    "true",
    "٣",
    "²",
    "１２",
    "1\x00",
    "\x00",
    "\r\n",
    "\u202e1",
    "\ufeff1",
    "🧵" * 900,
    "a" * 70_000,
    "<script>alert(1)</script>",
    "' OR 1=1 --",
    "{{ 7 * 7 }}",
    "%s%n",
    "../../etc/passwd",
    "take 1, pass 1",
    "take 999999",
    "pass 1 take",
    "1-999999999",
    "1–3, 2",
    "5-1",
    "pick",
    "row",
    "take",
    "too many",
    "treadle",
    "on",
    "[]",
    "{}",
    "{",
    "[" * 50_000,
    '{"a":' * 5_000,
    '{"card": 1}',
    '{"card": -1}',
    '{"card": 1e999}',
    '{"card": ' + "9" * 5_000 + "}",
    '{"card": ' + "9" * 40 + "}",
    '{"card": "1"}',
    '{"card": null, "pick": true}',
    '{"card": NaN}',
    '{"\\ud800": "\\ud800"}',
]

FIELDS = [
    "detail",
    "left_end",
    "right_end",
    "to",
    "picks",
    "row",
    "now",
    "mark",
    "words",
    "temporary",
    "treadle",
    "why",
    "place",
    "free",
    "every",
    "measure",
    "none",
    "do",
    "handles",
    "cords",
    "where",
    "taps",
    "shed",
    "picks_per_cm",
    "stance",
    "first_side",
    "shafts_from",
    "units_from",
    "code",
    "name_0",
    "shaft_0",
    "counts_0",
    "cords_0",
    "name_1",
    "shaft_1",
    "counts_1",
    "cords_1",
    "shaft_39",
    "counts_39",
    "turn_",
    "look",
    "size",
    "hand",
    "say",
    "aloud",
    "early",
    "hold",
    "keys",
    "photograph",
    "picture",
    "file",
    "next",
]


def routes(store: Store, path: Path) -> list[tuple[str, str]]:
    """(method, address) of everything that is answered; streams, which never end, left out."""
    app = create_app(Settings(data=path.parent), store)
    found = {
        (method, route.path)
        for route in app.routes
        if isinstance(route, APIRoute)
        for method in sorted(route.methods)
    }
    return sorted((m, p) for m, p in found if not p.endswith("/follow"))


def hostile_address(rng: random.Random, route: str, piece_id: int) -> str:
    """Mostly of a piece that is there."""
    strange = ["0", "-1", "٣", "9" * 9, "9" * 30, "1%00", "%F0%9F%A7%B5", "1.0", " 1", "1%2F2"]
    piece = str(piece_id) if rng.random() < 0.9 else rng.choice(strange)
    address = route.replace("{piece}", piece)
    for name in ("{note}", "{asked}", "{path:path}"):
        address = address.replace(name, rng.choice(["1", *strange]))
    return address


def hostile_taps(rng: random.Random, shown: dict[str, str]) -> bytes:
    """A body for the taps that a screen hands in."""
    tap: dict[str, Any] = {
        "key": f"{rng.randrange(4):032x}",
        "kind": rng.choice(["next", "pick", "back", "checked", "settle", "undo", "end", "", None]),
        "card": int(shown["card"]),
        "turn": int(shown["turn"]),
        "age": 0,
    }
    strange: list[Any] = [None, True, -1, 0, 1, 1.0, 1.5, 10**9, 10**30, "1", "٣", "", [], {}, "\ud800"]
    for _ in range(rng.randint(0, 2)):
        tap[rng.choice([*tap, "ends", "detail", "extra"])] = rng.choice(strange)
    if rng.random() < 0.3:
        tap["detail"] = {rng.choice(["card", "pick", "x"]): rng.choice(strange) for _ in range(2)}
    whole = json.dumps([tap] * rng.choice([0, 1, 1, 2, 201]))
    return rng.choice(
        [
            whole.encode(),
            whole.encode(),
            whole.encode(),
            whole.encode()[:-2],
            whole.encode("utf-16"),
            b"",
            b"null",
            b"[1e999]",
            b"[NaN]",
            b"\xff\xfe",
            b'[{"key":' + b"9" * 10_000 + b"}]",
            b"[" * 200_000,
            b'{"a":' * 50_000,
            b"[" + b"{}," * 50_000 + b"{}]",
            b'[{"card":1,"card":2}]',
        ]
    )


def hostile_request(rng: random.Random, client: TestClient, method: str, address: str, shown: Any) -> Any:
    """Send one."""
    fields = {name: rng.choice(HOSTILE) for name in rng.sample(FIELDS, rng.randint(0, 12))}
    if rng.random() < 0.85:
        fields |= shown
    elif rng.random() < 0.5:
        fields |= {"card": rng.choice(HOSTILE), "turn": rng.choice(HOSTILE)}
    if rng.random() < 0.05:
        method = rng.choice(["PUT", "DELETE", "PATCH", "OPTIONS", "HEAD", "TRACE", "GET", "POST", "BREW"])
    if address.endswith("/taps"):
        return client.request(method, address, content=hostile_taps(rng, shown))
    if method == "GET":
        asked = {name: value[:2_000] for name, value in fields.items()}
        return client.get(address, params=asked | {"turn": rng.choice(["0", *HOSTILE])[:2_000]})
    kind = rng.random()
    if kind < 0.7:
        return client.request(method, address, data=fields)
    if kind < 0.8:
        name = rng.choice(["file", "photograph", "words", "row", "card", "shaft_0", "detail"])
        content = rng.choice(
            [b"", b"{}", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"RIFF0000WEBP", b"\x00" * 999]
        )
        return client.request(
            method, address, data=fields, files={name: (rng.choice(["", "a\x00b", "x"]), content)}
        )
    if kind < 0.9:
        kinds = [
            "application/json",
            "text/plain",
            "multipart/form-data",
            "multipart/form-data; boundary=x",
            "\xff",
        ]
        content = rng.choice(
            [b"", b"[" * 9_000, b"--x\r\n", b"--x\r\nContent-Disposition: form-data\r\n\r\n", b"\xff"]
        )
        header = {"content-type": rng.choice(kinds).encode("latin-1")}
        return client.request(method, address, content=content, headers=header)
    many = "&".join(f"{rng.choice(FIELDS)}={n}" for n in range(3_000))
    header = {"content-type": "application/x-www-form-urlencoded"}
    return client.request(method, address, content=many.encode() + b"&%zz=%ff%fe&card", headers=header)


def test_no_request_whatever_makes_the_server_fail(tmp_path: Path) -> None:
    for seed in seeds(3):
        rng, path = random.Random(seed), tmp_path / f"{seed}.sqlite"
        with closing(Fumbler(rng, path)) as weaver:
            for _ in range(rng.randint(3, 40)):
                weaver.step(0.3)
            store, client = weaver.stores[0], browser(weaver.stores[0], path)
            known = routes(store, path)
            assert len(known) > 40
            for _ in range(120):
                method, route = rng.choice(known)
                found = store.weaving(weaver.id)
                assert found is not None
                if found.place.status == "ended" or (route.endswith("/end") and rng.random() < 0.9):
                    continue
                shown = {"card": str(found.place.card), "turn": str(found.place.turn)}
                address = hostile_address(rng, route, weaver.id)
                answer = hostile_request(rng, client, method, address, shown)
                assert answer.status_code < 500, (seed, method, address, answer.request.content[:300])
            with closing(Store(path)) as anew:
                again, now = anew.weaving(weaver.id), store.weaving(weaver.id)
                assert again is not None
                assert now is not None
                assert again.place == now.place
                assert again.log == now.log


# --- what they found, each once more -------------------------------------------------------------------

PIECE = read_piece(piece_text(treadling=[1, 2, 3, 4], picks_per_row=[5]))
OWN = Decks(PIECE.loom, (deal(PIECE, plan(PIECE)),))


def tapped(decks: Decks, place: Place, kind: TapKind, **detail: Any) -> Place:
    return after_tap(decks, place, Tap(kind, place.card, place.turn, json.dumps(detail) if detail else ""))


def on_to(decks: Decks, place: Place, kind: str, row: int) -> Place:
    """Next, until such a card of such a row is up."""
    while (decks.at(place).kind, decks.at(place).row) != (kind, row):
        place = tapped(decks, place, "next")
    return place


def row_two_begun() -> Place:
    """Two picks of row 2 are in."""
    begun = on_to(OWN, tapped(OWN, Place(), "begin"), "weave", 2)
    return tapped(OWN, begun, "picks", picks=2)


def taken_back(place: Place, to: Position) -> tuple[Decks, Place]:
    """Planned anew to take out so far and weave again; the first card of that is up."""
    start = standing(OWN, place, PIECE)
    course = course_of(PIECE, take_out(PIECE, start, to, Wishes()), {}, limit=5)
    decks = Decks(PIECE.loom, (*OWN.cards, deal_course(PIECE, course)))
    return decks, tapped(decks, place, "course", course=1)


def treadles(decks: Decks, place: Place) -> list[int]:
    return [pick.treadle for pick in picks_of(PIECE, place, card_up(decks, place), "right")]


def test_what_was_odd_about_picks_comes_out_with_them() -> None:
    one_too_many = tapped(OWN, row_two_begun(), "shift", treadles=1, passages=1, pick=7)
    assert treadles(OWN, one_too_many) == [2, 3, 1, 2, 3]
    decks, place = taken_back(tapped(OWN, one_too_many, "next"), Position(1))
    out = on_to(decks, place, "take_out", 2)
    assert treadles(decks, out) == [3, 2, 1, 3, 2]
    three = tapped(decks, tapped(decks, tapped(decks, out, "pick"), "pick"), "pick")
    assert treadles(decks, three) == [3, 2, 1, 3, 2]
    again = on_to(decks, three, "weave", 2)
    assert treadles(decks, again) == [2, 3, 4, 1, 2], "the cycle goes on from what is in"
    assert side_before(PIECE, again, 9, "right") == "left"
    too_far = tapped(decks, again, "too_far", card=out.card, pick=0)
    assert treadles(decks, too_far) == [3, 2, 1, 3, 2], "she tapped too far, and all of it is in"
    odd_again = tapped(decks, again, "shift", treadles=1, passages=1, pick=5)
    assert treadles(decks, odd_again) == [3, 4, 1, 2, 3], "one further, not two"


def test_what_is_below_the_picks_that_come_out_stays_odd() -> None:
    one_too_many = tapped(OWN, row_two_begun(), "shift", treadles=1, passages=1, pick=7)
    decks, place = taken_back(tapped(OWN, one_too_many, "next"), Position(1, 2))
    assert treadles(decks, on_to(decks, place, "weave", 2)) == [1, 2, 3]


@pytest.mark.parametrize(("picks", "then"), [(1, [2, 3, 1, 2, 3]), (2, [2, 3, 4, 1, 2])])
def test_so_it_is_where_picks_come_out_in_the_shed_that_stands(picks: int, then: list[int]) -> None:
    odd = tapped(OWN, tapped(OWN, row_two_begun(), "shift", treadles=1, passages=1, pick=7), "pick")
    out = tapped(OWN, tapped(OWN, odd, "unweave", picks=picks), "next")
    assert treadles(OWN, out) == then


def test_what_was_odd_is_odd_again_where_she_only_tapped_too_far() -> None:
    odd = tapped(OWN, tapped(OWN, row_two_begun(), "shift", treadles=1, passages=1, pick=7), "pick")
    out = tapped(OWN, odd, "unweave", picks=2)
    gone = tapped(OWN, out, "next")
    assert treadles(OWN, gone) == [2, 3, 4, 1, 2]
    assert treadles(OWN, tapped(OWN, gone, "too_far", card=odd.card, pick=3)) == treadles(OWN, odd)
    assert tapped(OWN, gone, "back").shifts == odd.shifts
    woven = tapped(OWN, gone, "picks", picks=3)
    assert treadles(OWN, woven) == [2, 3, 4, 1, 2], "woven anew, they are not odd"
    assert treadles(OWN, tapped(OWN, woven, "too_far", card=odd.card, pick=2)) == [2, 3, 4, 1, 2]
    earlier = tapped(OWN, out, "too_far", card=odd.card - 1, pick=0)
    assert earlier.shifts == odd.shifts, "they have not come out"


def test_what_was_told_after_picks_were_out_does_not_go_where_they_are_still_in() -> None:
    odd = tapped(OWN, row_two_begun(), "shift", treadles=1, passages=1, pick=7)
    decks, place = taken_back(tapped(OWN, odd, "next"), Position(1))
    out = on_to(decks, place, "take_out", 2)
    anew = tapped(decks, on_to(decks, out, "weave", 2), "shift", treadles=2, passages=0, pick=5)
    assert treadles(decks, anew) == [4, 1, 2, 3, 4]
    too_far = tapped(decks, anew, "too_far", card=out.card, pick=0)
    assert treadles(decks, too_far) == [3, 2, 1, 3, 2], "as it was woven"
    assert treadles(decks, on_to(decks, too_far, "weave", 2)) == [4, 1, 2, 3, 4]


def test_cutting_out_takes_what_is_odd_with_it() -> None:
    odd = tapped(OWN, row_two_begun(), "shift", treadles=1, passages=1, pick=7)
    course = course_of(PIECE, cut_out(PIECE, standing(OWN, odd, PIECE), 1, Wishes()), {}, limit=5)
    decks = Decks(PIECE.loom, (*OWN.cards, deal_course(PIECE, course)))
    cut = tapped(decks, odd, "course", course=1)
    assert treadles(decks, on_to(decks, cut, "weave", 2)) == [2, 3, 4, 1, 2]
    assert tapped(decks, cut, "undo").shifts == odd.shifts


def test_a_pick_that_is_in_after_all_leaves_a_whole_row_whole() -> None:
    decks, place = taken_back(tapped(OWN, row_two_begun(), "next"), Position(1))
    whole = on_to(decks, place, "take_out", 2)
    here = position_of(standing(decks, whole, PIECE))
    assert here == Position(2)
    for told in (
        tapped(decks, tapped(decks, whole, "pick"), "back"),
        tapped(decks, whole, "picks", picks=5),
        tapped(decks, whole, "pause"),
    ):
        start = standing(decks, told, PIECE)
        assert position_of(start) == here
        check_start(PIECE, start)


def test_many_corrections_are_compared_and_written_out_in_no_time() -> None:
    """Each correction keeps the place before it: gone through in depth, that doubled with each."""
    place = row_two_begun()
    for _ in range(16):
        place = tapped(OWN, place, "left_in")
    assert len(repr(place)) < 5_000
    once_more = row_two_begun()
    for _ in range(200):
        place, once_more = tapped(OWN, place, "left_in"), tapped(OWN, once_more, "left_in")
    assert place.corrections[-200:] == once_more.corrections[-200:]


ROOM_FOR_TWO = Loom((1, 1, 1, 2, 2, 2), frozenset(), 2, spare_shafts=2)
WALK = (
    Withdraw("2b"),
    Insert(2, "2c", (4, 5)),
    MoveCords("2", "2a", "2c"),
    Withdraw("2a"),
    Insert(1, "1a", (1,)),
    MoveCords("1", "1", "1a"),
)


def test_a_tick_that_would_leave_the_rest_impossible_is_refused() -> None:
    state = State(
        phase="behind",
        temporaries=(Temporary("2a", 2, frozenset({4})), Temporary("2b", 2, frozenset({5}))),
        away=(("2", "2a"),),
        labelled=frozenset({1, 2}),
    )
    cards: list[Card] = []
    for step in WALK:
        cards.append(Card(len(cards), kind_of(step), 0, step, state, apply(ROOM_FOR_TWO, state, step)))
        state = cards[-1].after
    decks = Decks(ROOM_FOR_TWO, (tuple(cards),))
    place = tapped(decks, tapped(decks, Place(), "begin"), "next")
    with pytest.raises(NotNow, match=r"rest of this walk could not be done.*2 spare shafts"):
        tapped(decks, place, "tick", card=4)  # 1a would take the room that 2c needs
    for number in (1, 2, 3, 4):
        place = tapped(decks, place, "tick", card=number)
    assert card_up(decks, place).step == WALK[5]
