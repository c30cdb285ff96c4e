"""The ways where weaving has begun: what they are asked of, what is refused, and more time for an answer."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from itertools import count
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.piece_file import read_piece
from server.plan.planner import plan
from server.plan.workorder import WorkOrder
from server.session.place import Tap
from server.store.database import Store
from server.store.weavings import Weaving
from server.store.worked_out import Kept
from server.ways import few_cells, more, places
from server.ways.few_cells import Takes
from server.ways.more import Cell, More
from server.ways.rest import rest_of
from server.web import ways_cells, ways_more, ways_places
from server.web.proposals import left_now
from server.web.rendering import NotUnderstood
from server.web.ways_more import Line, knee_words, lines_of
from server.web.ways_places import sentence_of, summary_of, takes_words
from server.web.ways_reckoned import Time, reckoned_for
from tests.web.test_designs import sound
from tests.web.test_pages import HOSTILE, form_of, words

PLAIN, GROUND = "#############", "............."
HOOK = ["....##.......", ".....#......."]
ROWS = [PLAIN, GROUND, *HOOK, GROUND, PLAIN, GROUND, *HOOK, GROUND]
"""The same hook twice, in rows 3 and 4, and in rows 8 and 9."""

FIGURE = {"first_row": "8", "last_row": "9", "first_unit": "5", "last_unit": "6"}
PAGES = ["", "/more", "/cells", "/places"]
ASKED = {"/more": {"shafts": "", "handles": ""}, "/cells": {"most": "1"}, "/places": FIGURE}


def file_of() -> str:
    content = {
        "format": "spareshaft-piece",
        "version": 1,
        "name": "Two hooks",
        "loom": {"pattern_shafts": 4, "spare_shafts": 3},
        "leashes": [1, 2, 3, 4, 3, 2, 1, 2, 3, 4, 3, 2, 1],
        "rows": ROWS,
        "picks_per_row": [2],
    }
    return json.dumps(content)


@cache
def order() -> WorkOrder:
    """Its plan, made once."""
    return plan(read_piece(file_of()))


@pytest.fixture
def hooks(store: Store) -> int:
    return store.add_piece(file_of(), order())


def weaving_of(store: Store, piece: int) -> Weaving:
    weaving = store.weaving(piece)
    assert weaving is not None
    return weaving


def tap(store: Store, piece: int, kind: Any = "next") -> Weaving:
    place = weaving_of(store, piece).place
    answer = store.tap(piece, Tap(kind, place.card, place.turn))
    assert answer is not None
    assert answer.counted, answer.message
    return answer.weaving


def weave_to(store: Store, piece: int, rows: int) -> Weaving:
    """Go on until so many rows are woven, and the next thing is up."""
    weaving = weaving_of(store, piece)
    if weaving.place.status == "waiting":
        weaving = tap(store, piece, "begin")
    while weaving.rows_woven < rows:
        weaving = tap(store, piece)
    return weaving


@pytest.fixture
def midway(store: Store, hooks: int) -> int:
    """The first hook is woven to its first row, with temporaries in the loom."""
    weaving = weave_to(store, hooks, 3)
    assert weaving.state.temporaries
    return hooks


def turn_of(store: Store, piece: int) -> str:
    return str(weaving_of(store, piece).place.turn)


def asked(store: Store) -> list[Kept]:
    """All that was ever asked of this database."""

    def them() -> Iterator[Kept]:
        for number in count(1):
            kept = store.worked_out.question(number)
            if kept is None:
                return
            yield kept

    return list(them())


def get(client: TestClient, piece: int, page: str, turn: str = "", **more: str) -> Response:
    return client.get(f"/pieces/{piece}/ways{page}", params=more | ({"from": turn} if turn else {}))


def which_holds(shown: Response) -> list[str]:
    """Of the two that a page can be for, the one that it is for."""
    choice = re.search(r'<nav class="reckoned".*?</nav>', shown.text, re.DOTALL)
    if choice is None:
        return []
    assert choice[0].count("<a ") == 2
    return re.findall(r'<a [^>]*aria-current="true">([^<]*)</a>', choice[0])


# --- what is asked of ------------------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
def test_where_nothing_is_woven_only_the_whole_piece_is_asked_of(
    client: TestClient, store: Store, hooks: int, page: str
) -> None:
    assert which_holds(get(client, hooks, page)) == []
    tap(store, hooks, "begin")
    assert which_holds(get(client, hooks, page)) == []
    early = get(client, hooks, page, "0")
    assert early.status_code == 422
    assert "Weaving has not begun, so this is the whole piece." in words(early)


@pytest.mark.parametrize("page", PAGES)
def test_where_weaving_has_begun_both_can_be_asked_of(
    client: TestClient, store: Store, midway: int, page: str
) -> None:
    shown = get(client, midway, page)
    sound(shown)
    assert which_holds(shown) == ["The whole piece"]
    there = f"/pieces/{midway}/ways{page}?from={turn_of(store, midway)}"
    assert f'href="{there}"' in shown.text
    shown = client.get(there)
    assert shown.status_code == 200
    sound(shown)
    assert which_holds(shown) == ["From here on: row 4, as the loom stands"]
    assert "Rows 4 to 10 are asked about, from how the loom stands now. What is woven stays." in words(shown)
    assert asked(store) == [], "to look is not to ask"


def test_of_a_row_that_is_begun_it_is_said_that_it_stays(
    client: TestClient, store: Store, hooks: int
) -> None:
    weave_to(store, hooks, 1)
    while weaving_of(store, hooks).cards[weaving_of(store, hooks).place.card].kind != "weave":
        tap(store, hooks)
    tap(store, hooks, "pick")
    shown = get(client, hooks, "/cells", turn_of(store, hooks))
    assert "What is woven stays, and so does row 2, which is begun." in words(shown)
    refused = get(client, hooks, "/places", turn_of(store, hooks), **FIGURE | {"first_row": "2"})
    assert "row 1 is woven, and row 2 is begun" in words(refused)


@pytest.mark.parametrize("page", PAGES)
def test_from_where_on_that_cannot_be_is_refused_and_nothing_is_begun(
    client: TestClient, store: Store, midway: int, page: str
) -> None:
    before = asked(store)
    for told in (*HOSTILE[1:], "0", "-0", "1", "999", "000000001"):
        shown = get(client, midway, page, told, **ASKED.get(page, {}))
        assert shown.status_code == 422, told
        sound(shown)
        assert "so this is the whole piece." in words(shown)
    twice = f"/pieces/{midway}/ways{page}?from={turn_of(store, midway)}&from=2"
    assert client.get(twice).status_code == 422
    assert asked(store) == before


@pytest.mark.parametrize("page", PAGES)
def test_of_a_piece_that_is_woven_nothing_is_left_to_ask(
    client: TestClient, store: Store, midway: int, page: str
) -> None:
    turn = turn_of(store, midway)
    while weaving_of(store, midway).place.status != "finished":
        tap(store, midway)
    assert which_holds(get(client, midway, page)) == []
    shown = get(client, midway, page, turn, **ASKED.get(page, {}))
    assert shown.status_code == 422
    assert "Nothing is left to be woven of it, so this is the whole piece." in words(shown)
    assert asked(store) == []


@pytest.mark.parametrize("page", PAGES)
def test_once_she_has_gone_on_it_is_asked_anew_only_if_she_says_so(
    client: TestClient, store: Store, midway: int, page: str
) -> None:
    turn = turn_of(store, midway)
    weave_to(store, midway, 4)
    shown = get(client, midway, page, turn, **ASKED.get(page, {}))
    assert shown.status_code == 200
    sound(shown)
    assert which_holds(shown) == []
    assert "This was asked at row 4. You have gone on since" in words(shown)
    assert shown.text.count('class="go"') == 1
    assert asked(store) == []
    anew = re.search(r'<a class="go" href="([^"]*)">Ask anew from row 5 on</a>', shown.text)
    assert anew
    told = dict(parse_qsl(urlsplit(anew[1].replace("&amp;", "&")).query))
    assert told["from"] == turn_of(store, midway)
    for name, value in ASKED.get(page, {}).items():
        assert told[name] == value or not value
    shown = client.get(anew[1].replace("&amp;", "&"))
    assert which_holds(shown) == ["From here on: row 5, as the loom stands"]
    assert len(asked(store)) == (page in ASKED)


@pytest.mark.parametrize("page", list(ASKED))
def test_what_was_answered_is_shown_still_when_she_has_gone_on(
    client: TestClient, store: Store, midway: int, page: str
) -> None:
    turn = turn_of(store, midway)
    then = get(client, midway, page, turn, **ASKED[page])
    assert then.status_code == 200
    weave_to(store, midway, 4)
    now = get(client, midway, page, turn, **ASKED[page])
    assert "You have gone on since" in words(now)
    assert "What is told below was so then." in words(now)
    assert re.findall(r'class="go"[^>]*>([^<]*)<', now.text) == ["Ask anew from row 5 on"]
    sums = re.compile(r'<p class="plan-sum">.*?</p>', re.DOTALL)
    assert sums.findall(now.text) == sums.findall(then.text) != []
    assert len(asked(store)) == 1


def test_how_the_loom_stood_is_found_again_by_its_turn(store: Store, hooks: int) -> None:
    """At the bench and behind the loom, whatever was woven since; and from each the rest can be asked of."""
    here = {}
    weaving = tap(store, hooks, "begin")
    while weaving.place.status == "on the loom":
        reckoned, refused = reckoned_for(weaving, [str(weaving.place.turn)])
        if not refused:
            assert reckoned.asked == reckoned.now
            assert not reckoned.has_gone_on
            here[weaving.place.turn] = reckoned.asked
            assert reckoned.asked is not None
            left = rest_of(reckoned.piece, reckoned.asked.start)
            assert (left.woven, left.begun) == (reckoned.asked.at.row, reckoned.is_begun)
            assert left.task(left.piece).begin == reckoned.stands
            last = weaving
        weaving = tap(store, hooks)
    phases = {one.start.phase for one in here.values() if one is not None}
    assert phases == {"behind", "down", "raised", "woven"}
    assert len(here) > 30
    for turn, then in here.items():
        assert reckoned_for(last, [str(turn)])[0].asked == then


def test_a_break_moves_nothing(client: TestClient, store: Store, midway: int) -> None:
    turn = turn_of(store, midway)
    tap(store, midway, "pause")
    assert which_holds(get(client, midway, "/more", turn)) == ["From here on: row 4, as the loom stands"]


def test_all_on_the_page_keeps_from_where_on(client: TestClient, store: Store, midway: int) -> None:
    turn = turn_of(store, midway)
    for page, query in ASKED.items():
        here = f"/pieces/{midway}/ways{page}"
        for shown in (get(client, midway, page, turn), get(client, midway, page, turn, **query)):
            forms = re.findall(rf'<form [^>]*action="{here}[^"]*".*?</form>', shown.text, re.DOTALL)
            assert forms
            for form in forms:
                assert f'name="from" value="{turn}"' in form, form
            for link in re.findall(rf'href="({here}[^"]*)"', shown.text):
                assert f"from={turn}" in link or link == here, link
            assert f'href="/pieces/{midway}/ways?from={turn}"' in shown.text


def test_the_page_of_what_is_being_worked_out_leads_back_to_it(
    client: TestClient, store: Store, midway: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client.app.state.workroom, "patience", 0.0)  # type: ignore[attr-defined]
    monkeypatch.setattr(client.app.state.workroom, "_wake", lambda: None)  # type: ignore[attr-defined]
    turn = turn_of(store, midway)
    for page, query in ASKED.items():
        gone = get(client, midway, page, turn, **query)
        assert gone.status_code == 303
        back = dict(parse_qsl(urlsplit(gone.headers["location"]).query))["back"]
        assert back.startswith(f"/pieces/{midway}/ways{page}?")
        assert dict(parse_qsl(urlsplit(back).query))["from"] == turn
        assert get(client, midway, page, turn, **query).headers["location"] == gone.headers["location"]
    shown = get(client, midway, "", turn)
    assert shown.text.count("Being worked out") == 3
    assert f"from%3D{turn}" in shown.text
    assert "Being worked out" not in get(client, midway, "").text, "that is not the whole piece"


# --- what is answered ------------------------------------------------------------------------------------


def test_the_ways_side_by_side_tell_what_the_plan_that_she_follows_still_takes(
    client: TestClient, store: Store, midway: int
) -> None:
    shown = get(client, midway, "", turn_of(store, midway))
    left, whole = left_now(weaving_of(store, midway)), weaving_of(store, midway).order.totals
    assert left.minutes < whole.minutes
    assert f"{left.minutes:.1f} minutes {left.walks} walk" in words(shown)
    assert "Picked up by hand" not in words(shown)
    assert "A set of them" not in words(shown)


def test_one_more_is_reckoned_for_what_is_left(client: TestClient, store: Store, midway: int) -> None:
    weaving = weaving_of(store, midway)
    shown = get(client, midway, "/more", turn_of(store, midway), shafts="4", handles="1")
    said = words(shown)
    left = rest_of(weaving.piece, weaving.state)
    found = more.more(left.piece, 4, 1, task_of=left.task)
    own = found.own_cell
    assert f"what is left takes {own.minutes:.1f} minutes and {own.walks} walk" in said
    assert found.in_use == (len(weaving.state.temporaries), 0)
    assert f"0 to {found.in_use[0] - 1} more in use now" in said or "0 more in use now" in said
    assert "no plan" not in said
    assert "for what is left" in said


def test_only_cells_ahead_change(client: TestClient, store: Store, midway: int) -> None:
    shown = get(client, midway, "/cells", turn_of(store, midway), most="1")
    cells = re.search(r'name="cells" value="([0-9]+)\.([0-9]+)"', shown.text)
    assert cells
    assert int(cells[1]) > 3
    said = words(shown)
    assert "As drawn what is left takes" in said
    assert "It becomes a new piece, woven from its first row on." in said
    assert "The piece that you are weaving goes on as it is." in said
    [kept] = asked(store)
    assert kept.options["here"]["row"] >= 3
    data = {"cells": f"{cells[1]}.{cells[2]}", "from": turn_of(store, midway)}
    assert client.post(f"/pieces/{midway}/ways/cells/take", data=data).status_code == 303
    woven = client.post(f"/pieces/{midway}/ways/cells/take", data=data | {"cells": f"1.1 {cells[1]}.1"})
    assert woven.status_code == 422
    assert "Only cells in rows that lie ahead change here. Nothing was made." in words(woven)
    for told in (*HOSTILE[1:], "999"):
        refused = client.post(f"/pieces/{midway}/ways/cells/take", data=data | {"from": told})
        assert refused.status_code == 422
        assert "Nothing was made." in words(refused)


def test_only_a_figure_ahead_can_sit_elsewhere(client: TestClient, store: Store, midway: int) -> None:
    turn = turn_of(store, midway)
    fields = re.findall(r'<input name="(\w+)" value="([^"]*)"', get(client, midway, "/places", turn).text)
    assert dict(fields)["first_row"] == "4", "what is woven is not framed"
    woven = get(client, midway, "/places", turn, **FIGURE | {"first_row": "3"})
    assert woven.status_code == 422
    assert "Only a figure that lies ahead can sit elsewhere: rows 1 to 3 are woven." in words(woven)
    shown = get(client, midway, "/places", turn, **FIGURE, earlier="20")
    assert shown.status_code == 200
    assert "4 rows earlier" in words(shown)
    assert "5 rows earlier" not in words(shown)
    for told in (*HOSTILE[1:], "999"):
        data = FIGURE | {"to": "1,0", "from": told}
        assert client.post(f"/pieces/{midway}/ways/places", data=data).status_code == 422
    data = FIGURE | {"to": "1,0", "from": turn}
    assert client.post(f"/pieces/{midway}/ways/places", data=data).status_code == 303


def wish_walks(client: TestClient, midway: int) -> None:
    """She rises anyway after rows 5 and 9, and not after row 6, and follows the plan made for that."""
    here = f"/pieces/{midway}/walks-ahead"
    shown = client.post(here, data=form_of(client.get(here)) | {"free": "5, 9", "none": "6", "do": "show"})
    mark = re.search(r'name="mark" value="([^"]*)"', shown.text)
    assert mark
    taken = client.post(
        here, data=form_of(shown) | {"free": "5, 9", "none": "6", "do": "take", "mark": mark[1]}
    )
    assert taken.status_code == 303


def test_what_is_worked_out_with_her_wishes_is_listed_with_its_piece(
    client: TestClient, store: Store, midway: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    wish_walks(client, midway)
    monkeypatch.setattr(client.app.state.workroom, "patience", 0.0)  # type: ignore[attr-defined]
    monkeypatch.setattr(client.app.state.workroom, "_wake", lambda: None)  # type: ignore[attr-defined]
    turn = turn_of(store, midway)
    get(client, midway, "/more", turn, shafts="3", handles="0")
    assert "Being worked out" in get(client, midway, "", turn).text
    assert "Being worked out" not in get(client, midway, "").text, "that is not the whole piece"
    listed = re.findall(r'href="(/working/[^"]*)"', client.get("/").text)
    assert any(f"pieces%2F{midway}%2Fways" in address for address in listed), listed


def test_her_wishes_of_the_walks_count(client: TestClient, store: Store, midway: int) -> None:
    wish_walks(client, midway)
    get(client, midway, "/more", turn_of(store, midway), shafts="3", handles="0")
    [kept] = asked(store)
    weaving = weaving_of(store, midway)
    reckoned, _ = reckoned_for(weaving, [turn_of(store, midway)])
    assert reckoned.piece.free_walks == {5, 9}
    assert reckoned.piece.no_walks == {6}
    left = rest_of(reckoned.piece, weaving.state)
    own = more.more(left.piece, 3, 0, task_of=left.task).own_cell
    assert more.from_json(kept.content).own_cell == own
    as_filed = rest_of(weaving.piece, weaving.state)
    assert more.more(as_filed.piece, 3, 0, task_of=as_filed.task).own_cell.minutes > own.minutes
    whole = get(client, midway, "/more", shafts="3", handles="0")
    assert whole.status_code == 200
    assert reckoned_for(weaving, [])[0].piece == weaving.piece


# --- in words --------------------------------------------------------------------------------------------

NEVER = Cell(None, 0.0, None, is_possible=False)


def cell(minutes: float, walks: int) -> Cell:
    return Cell(minutes, minutes, walks, is_possible=True)


def test_looms_with_less_than_is_in_use_now_are_told_from_those_without_a_plan() -> None:
    rows = (
        (NEVER, NEVER, NEVER),
        (NEVER, NEVER, NEVER),
        (NEVER, NEVER, NEVER),
        (NEVER, cell(9, 1), cell(8, 1)),
    )
    lines = lines_of(More((3, 1), rows, (2, 1)))
    assert lines[0] == Line("0 to 1", is_own=False, cells=(), why="more in use now")
    assert lines[1] == Line("2", is_own=False, cells=(), why="no plan")
    assert [one.walks for one in lines[2].cells] == ["more in use now", "1 walk", "1 walk"]
    assert [one.is_own for one in lines[2].cells] == [False, True, False]


@pytest.mark.parametrize(
    ("line", "own", "said"),
    [
        (
            [NEVER, NEVER, cell(20, 6), cell(15, 4), cell(15, 4)],
            2,
            "Beyond the 2 spare shafts in use now, one more spare shaft saves 2 walks and 5 minutes; "
            "a second saves nothing.",
        ),
        ([NEVER, NEVER, cell(20, 6), cell(20, 6)], 2, "2 spare shafts are in use now."),
    ],
)
def test_what_is_in_use_is_not_said_to_have_no_plan(line: list[Cell], own: int, said: str) -> None:
    told = knee_words(line, own, "spare shaft", 2)
    assert told[0] == said
    assert not any("no plan" in sentence for sentence in told)
    assert "no plan" in knee_words(line, own, "spare shaft")[0]


def test_where_all_is_in_use_and_no_more_was_asked_about_there_is_nothing_to_choose() -> None:
    line = [NEVER, NEVER, cell(20, 6)]
    assert knee_words(line, 2, "spare handle", 2) == ["2 spare handles are in use now."]
    assert knee_words([NEVER, cell(20, 6)], 1, "spare shaft", 1) == ["1 spare shaft is in use now."]


def test_a_place_that_asks_for_no_temporary_is_not_free_while_some_must_come_out(
    store: Store, midway: int
) -> None:
    weaving = weaving_of(store, midway)
    left = rest_of(weaving.piece, weaving.state)
    block = ways_places.Block(5, 6, 5, 6)
    found = places.places(left.piece, block, stay=0, limit=20, task_of=left.task)
    some = next(place for place in found.places if place.walks)
    with_none = replace(some, is_free=True)
    assert takes_words(with_none) != "free"
    assert "what stands in the loom must come out" in sentence_of(with_none, None)
    assert "free" not in summary_of(replace(found, places=(with_none, *found.places[1:])))
    assert takes_words(replace(with_none, walks=0)) == "free"


# --- how long --------------------------------------------------------------------------------------------


def test_the_time_grows_up_to_the_most() -> None:
    time, seconds = Time(60.0, 600.0), list[float]()
    step: Time | None = time
    while step is not None:
        assert time.read(str(step.longer)) == step
        seconds.append(step.seconds)
        step = step.next
    assert seconds == [60.0, 240.0, 600.0]
    assert time.read("") == time
    for told in (*HOSTILE[1:], "3", "-1", "01", "1.5"):
        if told != "1":
            with pytest.raises(NotUnderstood, match="It takes 1 minute at most as a rule"):
                time.read(told)


@pytest.mark.parametrize("page", list(ASKED))
def test_a_time_that_cannot_be_is_refused(client: TestClient, store: Store, hooks: int, page: str) -> None:
    for told in (*HOSTILE[1:], "9", "-1"):
        shown = get(client, hooks, page, longer=told, **ASKED[page])
        assert shown.status_code == 422, told
        assert "How long it may take could not be read." in words(shown)
        sound(shown)
    assert asked(store) == []


def open_more(content: dict[str, Any]) -> More:
    found = more.from_json(content)
    rows = tuple(tuple(replace(one, at_least=0.0) for one in row) for row in found.rows)
    return replace(found, rows=rows)


def open_cells(content: dict[str, Any]) -> few_cells.FewCells:
    return replace(few_cells.from_json(content), drawn=Takes(9.0, 3, 1), unsure=(1,))


def open_places(content: dict[str, Any]) -> places.Places:
    found = places.from_json(content)
    return replace(found, places=tuple(replace(place, at_least=0.0) for place in found.places))


@pytest.mark.parametrize(
    ("page", "module", "cut_short", "limits"),
    [
        ("/more", ways_more, open_more, [60.0, 240.0, 600.0]),
        ("/cells", ways_cells, open_cells, [150.0, 600.0]),
        ("/places", ways_places, open_places, [20.0, 80.0, 320.0, 600.0]),
    ],
)
def test_an_answer_that_the_time_cut_short_can_be_worked_on_longer(
    client: TestClient,
    store: Store,
    midway: int,
    monkeypatch: pytest.MonkeyPatch,
    page: str,
    module: Any,
    cut_short: Any,
    limits: list[float],
) -> None:
    turn = turn_of(store, midway)
    shown = get(client, midway, page, turn, **ASKED[page])
    assert "Work on it longer" not in shown.text
    monkeypatch.setattr(module, "from_json", cut_short)
    shown = get(client, midway, page, turn, **ASKED[page])
    for number in count(1):
        sound(shown)
        form = re.search(r'<form class="work-longer" .*?</form>', shown.text, re.DOTALL)
        if form is None:
            break
        fields = dict(re.findall(r'name="(\w+)" value="([^"]*)"', form[0]))
        assert fields["longer"] == str(number)
        assert fields["from"] == turn
        shown = client.get(f"/pieces/{midway}/ways{page}", params=fields)
        assert shown.status_code == 200
    kept = asked(store)
    assert [one.options["limit"] for one in kept] == limits
    same = [{name: value for name, value in one.options.items() if name != "limit"} for one in kept]
    assert all(options == same[0] for options in same)


def test_the_usual_table_is_worked_out_when_she_says_so_and_then_shown_at_once(
    client: TestClient, store: Store, hooks: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = get(client, hooks, "/more")
    sound(shown)
    assert asked(store) == []
    assert 'name="shafts" value="5"' in shown.text
    assert '<button class="go">Work it out</button>' in shown.text
    assert "1 minute at most" in words(shown)
    table = get(client, hooks, "/more", shafts="5", handles="2")
    assert "more-own" in table.text
    assert get(client, hooks, "/more").text == table.text
    assert len(asked(store)) == 1
    monkeypatch.setattr(ways_more, "from_json", open_more)
    get(client, hooks, "/more", shafts="5", handles="2", longer="1")
    assert "In 4 minutes not all of it could be settled" in words(get(client, hooks, "/more"))
    assert len(asked(store)) == 2


def test_of_a_table_that_was_stopped_the_form_is_shown(
    client: TestClient, store: Store, hooks: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(client.app.state.workroom, "patience", 0.0)  # type: ignore[attr-defined]
    monkeypatch.setattr(client.app.state.workroom, "_wake", lambda: None)  # type: ignore[attr-defined]
    assert get(client, hooks, "/more", shafts="", handles="").status_code == 303
    assert get(client, hooks, "/more").status_code == 303, "it is being worked out"
    [kept] = asked(store)
    store.worked_out.end(kept.id, "stopped", {})
    assert "Work it out" in words(get(client, hooks, "/more"))


def test_a_refusal_names_the_field_as_its_label_does(client: TestClient, hooks: int) -> None:
    for query in (
        {"shafts": "x", "handles": "0"},
        {"shafts": "3", "handles": "x"},
        {"shafts": "99", "handles": "0"},
        {"shafts": "3", "handles": "4"},
        {"shafts": "2", "handles": "0"},
    ):
        shown = get(client, hooks, "/more", **query)
        told = re.search(r'<p class="said" role="alert">“([^”]*)”', shown.text)
        assert told, query
        assert f"<span>{told[1]}</span><input name=" in shown.text
