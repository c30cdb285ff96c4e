"""The pages: what they say, what they refuse, and that nothing changes when they refuse."""

from __future__ import annotations

import csv
import io
import json
import re
from html.parser import HTMLParser

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.loom.state import State
from server.loom.steps import Insert, MoveCords, Withdraw
from server.plan.replay import Mismatch
from server.plan.workorder import WorkOrder, read_workorder
from server.session.cards import Card
from server.session.naming import Naming
from server.session.place import Tap
from server.store.database import Store, StoreFailure
from server.web.card_views import things_by_shaft
from server.web.drawings import Sight, cord_runs, loom_map
from server.web.log import harmless
from tests.conftest import Clock
from tests.examples import ORDER, PIECE, piece_order, piece_text

MARKUP = "<script>alert('x')</script>\u202e&\"" + "w" * 150
HOSTILE = ["", "x", "-1", "1.0", "1e9", "9" * 400, "0x1", "１", "' OR 1=1", "\x00", "null"]
NOT_ON_SCREEN = re.compile(
    r"(?i:carrier|proven|work order|\bsession\b|\bstep\b|\berror\b|\bcards?\b)|None|undefined"
)


class Text(HTMLParser):
    """The words of a page, and what a Content-Security-Policy would refuse in it."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words = ""
        self.refused: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self._inside = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._inside = tag
        names = dict(attrs)
        if names.get("id"):
            self.ids.append(names["id"] or "")
        if tag == "style" or (tag == "script" and "src" not in names):
            self.refused.append(tag)
        self.refused += [name for name in names if name == "style" or name.startswith("on")]

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""
        if tag in ("dt", "dd", "p", "li", "div", "h1", "h2", "td", "th"):
            self.words += " "

    def handle_data(self, data: str) -> None:
        if self._inside == "script":
            self.refused += [data] if data.strip() else []
        self.words += data


def words(answer: Response) -> str:
    return re.sub(r"\s+", " ", Text(answer.text).words)


def form_of(answer: Response) -> dict[str, str]:
    """The hidden fields that every form of the page sends."""
    fields = dict(re.findall(r'<input type="hidden" name="(card|turn)" value="(\d+)">', answer.text))
    assert fields.keys() == {"card", "turn"}
    return fields


def heading(answer: Response) -> str:
    found = re.search(r'<h1 id="instruction".*?>(.*?)</h1>', answer.text, re.DOTALL)
    assert found
    return re.sub(r"<.*?>", "", found[1]).replace("\u00a0", " ")


def begin(client: TestClient, piece_id: int) -> Response:
    answer = client.post(f"/pieces/{piece_id}/begin", data=form_of(client.get(f"/pieces/{piece_id}")))
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/pieces/{piece_id}/loom"
    return client.get(answer.headers["location"])


def tap(client: TestClient, piece_id: int, kind: str, shown: Response, **more: str) -> Response:
    return client.post(f"/pieces/{piece_id}/{kind}", data=form_of(shown) | more)


def done(client: TestClient, piece_id: int, shown: Response) -> Response:
    answer = tap(client, piece_id, "next", shown, left_end="on", right_end="on")
    assert answer.status_code == 303
    return client.get(answer.headers["location"])


def weave_to(client: TestClient, store: Store, piece_id: int, kind: str, times: int = 1) -> Response:
    """Go on until a card of that kind is up."""
    shown = begin(client, piece_id)
    for _ in range(100):
        weaving = store.weaving(piece_id)
        assert weaving is not None
        if weaving.cards[weaving.place.card].kind == kind:
            times -= 1
            if times == 0:
                return shown
        shown = done(client, piece_id, shown)
    raise AssertionError(f"no card {kind}")


def turns(store: Store, piece_id: int) -> int:
    weaving = store.weaving(piece_id)
    assert weaving is not None
    return weaving.place.turn


# --- all pages ---------------------------------------------------------------------------------------


def test_the_whole_piece_is_woven_without_scripts(client: TestClient, piece_id: int) -> None:
    """By forms and redirects alone; every page on the way keeps to the policy and to the trade's words."""
    shown = begin(client, piece_id)
    headings = []
    while 'id="instruction"' in shown.text:
        for path in ("", "/standing", "/log", "/log?only=temporaries", "/end"):
            page = Text(client.get(f"/pieces/{piece_id}{path}").text)
            assert page.refused == []
            assert not NOT_ON_SCREEN.search(page.words)
        page = Text(shown.text)
        assert page.refused == []
        assert len(page.ids) == len(set(page.ids))
        assert not NOT_ON_SCREEN.search(page.words), page.words
        headings.append(heading(shown))
        shown = done(client, piece_id, shown)
    assert headings == [
        "Pull 3 and 4; then the cords",
        "Weave 5 picks",
        "Go behind the loom",
        "Tape a number on shaft 2",
        "Insert temporary 2a",
        "Move the cords of handle 2 to temporary 2a",
        "Pull handle 2 alone",
        "Pull 2 and 3",
        "Weave 5 picks",
        "Pull 4, let go of 2",
        "Weave 5 picks",
        "Go behind the loom",
        "Move the cords of handle 2 back to shaft 2",
        "Draw out temporary 2a",
        "Pull handle 2 alone",
        "Look the loom over: the piece is woven",
    ]
    assert "Finished" in words(client.get("/"))


@pytest.mark.parametrize("path", ["/pieces/7", "/pieces/x", "/pieces/-1", "/pieces/" + "9" * 30])
def test_a_piece_that_is_not_there(client: TestClient, piece_id: int, path: str) -> None:
    for below in ("", "/loom", "/standing", "/log", "/log.csv", "/end"):
        answer = client.get(path + below)
        assert answer.status_code == 404
        assert "no such piece" in words(answer)
    for below in ("begin", "next", "back", "again", "stands", "aside", "resume", "end"):
        assert client.post(f"{path}/{below}", data={"card": "0", "turn": "0"}).status_code == 404


def test_a_name_with_anything_in_it_is_shown_as_it_is_and_isolated(client: TestClient, store: Store) -> None:
    piece = store.add_piece(piece_text(name=MARKUP, loom_name="<b>loom</b>\u202e"), piece_order())
    begin(client, piece)
    for path in ("/", *(f"/pieces/{piece}{below}" for below in ("", "/loom", "/standing", "/log", "/end"))):
        answer = client.get(path)
        assert answer.status_code == 200
        assert "<script>alert" not in answer.text
        assert "<b>loom" not in answer.text
        assert re.search(r"<bdi[^>]*>&lt;script&gt;alert", answer.text)
        assert MARKUP in Text(answer.text).words


# --- bringing a piece in ------------------------------------------------------------------------------


def bring(client: TestClient, content: bytes, name: str = "piece.json") -> Response:
    return client.post("/pieces", files={"file": (name, content, "application/json")})


def test_a_piece_file_is_planned_and_kept(client: TestClient, store: Store) -> None:
    answer = bring(client, piece_text().encode())
    assert answer.status_code == 303
    page = client.get(answer.headers["location"])
    assert "No plan takes fewer minutes" in words(page)
    assert [line.name for line in store.pieces()] == ["Harbour runner"]


def test_with_scripts_the_browser_is_sent_to_the_plan(client: TestClient) -> None:
    file = {"file": ("piece.json", piece_text().encode())}
    answer = client.post("/pieces", files=file, headers={"HX-Request": "true"})
    assert answer.status_code == 204
    assert client.get(answer.headers["hx-redirect"]).status_code == 200


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"", "The file is empty."),
        (b"\x89PNG\r\n\x1a\n", "That is a picture. It belongs under “From a picture or a file”"),
        (b"#..\n.#.\n", "That is a chart in plain text. It belongs under “From a picture or a file”"),
        (b'{"format": "spareshaft-warp"}', "That is the file of a warp. Bring it in on the page Warps."),
        (b"{", "not JSON"),
        (b"\xff\xfe", "not UTF-8"),
        (b"[]", "not a piece file"),
        (piece_text(version=2).encode(), "version"),
        (piece_text(wings=2).encode(), "wings"),
        (piece_text(rows=["#"]).encode(), "row 1 has 1 cells"),
        (piece_text(rows=["#..###..x"] * 3).encode(), "a cell is # (lifted) or . (not)"),
        (piece_text(rows=[]).encode(), "rows"),
        (piece_text(picks_per_row=[0]).encode(), "picks_per_row"),
        (piece_text(leashes=[0, 1, 2, 3, 99, 3, 2, 1, 0]).encode(), "shaft 99"),
        (piece_text(minutes={"walk": float("nan")}).encode(), "NaN"),
        (piece_text(loom=PIECE["loom"] | {"spare_shafts": 0}).encode(), "spare shaft"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_in_a_sentence(
    client: TestClient, store: Store, piece_id: int, content: bytes, sentence: str
) -> None:
    answer = bring(client, content)
    assert answer.status_code == 422
    assert sentence in words(answer)
    assert 'role="alert"' in answer.text
    assert "Harbour runner" in words(answer)  # the rest of the page is there
    assert len(store.pieces()) == 1


def test_a_file_with_markup_in_it_is_refused_as_text(client: TestClient) -> None:
    answer = bring(client, piece_text(**{"<img src=x>": 1}).encode())
    assert answer.status_code == 422
    assert "<img" not in answer.text


def test_without_a_file_she_is_asked_to_choose_one(client: TestClient, store: Store) -> None:
    for answer in (
        client.post("/pieces"),
        client.post("/pieces", data={"file": "text"}),
        bring(client, b"", name=""),
    ):
        assert answer.status_code == 422
        assert "Choose a piece file" in words(answer)
    assert store.pieces() == []


def test_just_over_1_mb_is_refused(client: TestClient, store: Store) -> None:
    answer = bring(client, b" " * (1_048_576 + 1))
    assert answer.status_code == 422
    assert "1 MB" in words(answer)
    assert store.pieces() == []


@pytest.mark.parametrize("fault", [Mismatch("row 2"), ValueError("no such column")])
def test_a_plan_that_comes_out_wrong_is_told_and_nothing_is_kept(
    client: TestClient, store: Store, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    def fail(*args: object, **named: object) -> None:
        raise fault

    monkeypatch.setattr("server.ways.questions.plan", fail)
    answer = bring(client, piece_text().encode())
    assert answer.status_code == 422
    assert "The fault is Spareshaft’s, not the file’s." in words(answer)
    assert str(fault) not in words(answer)
    assert store.pieces() == []


def test_a_piece_whose_form_is_sent_twice_is_kept_once(
    client: TestClient, store: Store, clock: Clock
) -> None:
    file = {"file": ("a.json", piece_text().encode(), "application/json")}
    first, again = (client.post("/pieces", files=file).headers["location"] for _ in range(2))
    assert first == again
    assert len(store.pieces()) == 1
    clock.pass_by(minutes=2)  # later she may weave another one
    assert client.post("/pieces", files=file).headers["location"] != first


def test_a_form_that_came_apart_is_told_of_in_our_words(client: TestClient, store: Store) -> None:
    for body, kind in (
        (b"--x\r\n", "multipart/form-data"),
        (b"--x\r\ngarbage", "multipart/form-data; boundary=x"),
    ):
        answer = client.post("/pieces", content=body, headers={"content-type": kind})
        assert answer.status_code in (400, 422)
        assert "boundary" not in words(answer).lower()
        assert "multipart" not in words(answer).lower()
    assert store.pieces() == []


@pytest.mark.parametrize("path", ["/", "/preferences", "/pieces/1", "/pieces/1/loom", "/pieces/1/log.csv"])
def test_whoever_asks_for_the_head_only_gets_it(client: TestClient, piece_id: int, path: str) -> None:
    begin(client, piece_id)
    whole, head = client.get(path), client.head(path)
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["content-type"] == whole.headers["content-type"]
    assert head.headers["content-security-policy"]
    assert client.head("/pieces/9").status_code == 404
    assert client.head(f"/pieces/{piece_id}/begin").status_code == 405


def test_a_page_has_one_icon(client: TestClient) -> None:
    assert client.get("/").text.count('rel="icon"') == 1
    assert client.get("/nowhere").text.count('rel="icon"') == 1


# --- the plan ----------------------------------------------------------------------------------------


def test_the_plan_tells_what_it_takes(client: TestClient, piece_id: int) -> None:
    page = words(client.get(f"/pieces/{piece_id}"))
    assert "2 walks to the back of the loom and 5.7 minutes besides the weaving itself, for 3 rows" in page
    assert "Walk 1, after row 1" in page
    assert "Insert temporary 2a" in page
    assert "of shaft 2 only unit 3" in page


def test_a_plan_that_may_not_be_the_best_says_how_much_might_be_saved(
    client: TestClient, store: Store
) -> None:
    order = piece_order()
    unsure = type(order)(False, 3.21, order.totals, order.steps)
    page = words(client.get(f"/pieces/{store.add_piece(piece_text(), unsure)}"))
    assert "It may be possible to save up to 2.5 minutes; the search ended before that was known." in page
    assert "No plan takes fewer" not in page


def test_pieces_of_the_same_name_are_told_apart(client: TestClient, store: Store, piece_id: int) -> None:
    """A design that was changed and planned again makes another piece of its name."""
    assert "of this name" not in words(client.get("/"))
    other = store.add_piece(json.dumps(PIECE | {"name": "Another"}), piece_order())
    again = store.add_piece(piece_text(), piece_order())
    page = client.get("/").text
    said = {
        int(number): which
        for number, which in re.findall(
            r'href="/pieces/(\d+)">(?:(?!</li>).)*?class="piece-which">([^<]*)<', page, re.DOTALL
        )
    }
    assert said == {piece_id: "Plan 1 of 2 of this name", again: "Plan 2 of 2 of this name, the newest"}
    assert other not in said


def test_off_the_loom_and_on_again(client: TestClient, store: Store, piece_id: int) -> None:
    begin(client, piece_id)
    shown = client.get(f"/pieces/{piece_id}")
    assert "Take it off the loom" in words(shown)
    assert tap(client, piece_id, "aside", shown).status_code == 303
    assert "Set aside" in words(client.get("/"))
    assert client.get(f"/pieces/{piece_id}/loom").status_code == 303
    shown = client.get(f"/pieces/{piece_id}")
    assert tap(client, piece_id, "resume", shown).headers["location"].endswith("/loom")


@pytest.mark.parametrize("kind", ["raise", "weave"])
def test_on_the_loom_again_she_is_told_all_that_stood_before_she_goes_on(
    client: TestClient, store: Store, clock: Clock, kind: str
) -> None:
    """Everything was let down when it came off, and another piece may have been woven meanwhile.

    Shafts 3 and 4 are up for row 1 and row 2: on the loom again they are not handles to be merely left.
    """
    piece = store.add_piece(piece_text(rows=["#..###..#", "...###...", "..#...#.."]), plan_of_whole_shafts())
    weave_to(client, store, piece, kind, 2)
    shown = client.get(f"/pieces/{piece}")
    assert "Let everything go first." in words(shown)
    tap(client, piece, "aside", shown)
    clock.pass_by(seconds=5)
    tap(client, piece, "resume", client.get(f"/pieces/{piece}"))
    shown = client.get(f"/pieces/{piece}/loom")
    page = words(shown)
    assert heading(shown) == "Look once before you go on"
    assert "Everything was let down meanwhile" in page
    assert "Handles pulled 3 and 4" in page
    assert f"Single cords pulled {'1 and 9' if kind == 'raise' else 'none'}" in page
    # neither a step back nor a tap on an old page gets round it
    tap(client, piece, "back", shown)
    shown = client.get(f"/pieces/{piece}/loom")
    assert heading(shown) == "Look once before you go on"
    shown = done(client, piece, shown)
    assert heading(shown) == "Look once before you go on"
    tap(client, piece, "stands", shown)
    assert heading(client.get(f"/pieces/{piece}/loom")) == (
        "Let go of single cords 1 and 9" if kind == "raise" else "Weave 5 picks"
    )


def plan_of_whole_shafts() -> WorkOrder:
    """Row 1: shafts 3 and 4, cords 1 and 9; row 2: shafts 3 and 4; row 3: shaft 2."""
    up: list[tuple[list[str], list[int]]] = [(["3", "4"], [1, 9]), (["3", "4"], []), (["2"], [])]
    steps: list[dict[str, object]] = []
    for row, (handles, cords) in enumerate(up, 1):
        steps.append({"kind": "raise", "row": row, "handles": handles, "single_cords": cords})
        steps.append({"kind": "weave", "row": row, "picks": 5, "treadles": [1, 2, 3, 4, 5]})
    totals = dict.fromkeys(("walks", "insertions", "units_taken", "withdrawals", "cord_moves"), 0)
    return read_workorder(
        json.dumps(
            ORDER
            | {"totals": totals | {"pulls": 7, "minutes": 0.14}, "bound": 0.14}
            | {"steps": [*steps, {"kind": "done"}]}
        )
    )


def tape_of(answer: Response) -> str:
    found = re.search(r'class="tape".*?aria-label="(.*?)[;"]', answer.text)
    assert found
    return found[1]


def test_the_tape_counts_rows_that_are_woven_also_of_a_piece_given_up(
    client: TestClient, store: Store, piece_id: int
) -> None:
    shown = weave_to(client, store, piece_id, "weave", 2)
    assert tape_of(shown) == "1 of 3 rows woven"
    assert tape_of(client.get(f"/pieces/{piece_id}")) == "1 of 3 rows woven"
    tap(client, piece_id, "end", shown)
    assert tape_of(client.get(f"/pieces/{piece_id}")) == "1 of 3 rows woven"


def test_no_reason_is_made_up_where_planning_row_by_row_would_not_do(
    client: TestClient, store: Store
) -> None:
    """There are spare shafts enough; it is the walk after row 1 that may not be made."""
    text = piece_text(no_walks=[1], rows=["#..###..#", "..##.#...", "...###..."])
    answer = bring(client, text.encode())
    assert answer.status_code == 303
    page = words(client.get(answer.headers["location"]))
    assert "Row by row, as one plans it in one’s head, this loom would not do." in page
    assert "too few" not in page


def test_it_stays_on_the_loom_while_a_temporary_is_in(
    client: TestClient, store: Store, piece_id: int
) -> None:
    weave_to(client, store, piece_id, "move_cords")
    shown = client.get(f"/pieces/{piece_id}")
    assert "Take it off the loom" not in words(shown)
    before = turns(store, piece_id)
    answer = tap(client, piece_id, "aside", client.get(f"/pieces/{piece_id}/end"))
    assert "Temporaries are still in the loom" in words(answer)
    assert turns(store, piece_id) == before


def test_giving_up_lists_what_is_to_be_put_right(client: TestClient, store: Store, piece_id: int) -> None:
    weave_to(client, store, piece_id, "raise", 2)
    asked = client.get(f"/pieces/{piece_id}/end")
    assert "Draw out 2a from shaft 2" in words(asked)
    assert "Move the cords of handle 2 from 2a back to shaft 2" in words(asked)
    assert tap(client, piece_id, "end", asked).status_code == 303
    assert "given up after 1 row" in words(client.get("/"))
    assert client.get(f"/pieces/{piece_id}/end").status_code == 303


def test_one_loom_one_piece(client: TestClient, store: Store, piece_id: int) -> None:
    other = store.add_piece(piece_text(name="Other"), piece_order())
    begin(client, piece_id)
    answer = client.post(f"/pieces/{other}/begin", data={"card": "0", "turn": "0"})
    assert answer.status_code == 200
    assert "Harbour runner" in words(answer)
    assert turns(store, other) == 0


# --- taps --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["next", "back", "again", "stands", "begin", "aside", "resume", "end"])
def test_a_tap_that_cannot_be_read_changes_nothing(
    client: TestClient, store: Store, piece_id: int, kind: str
) -> None:
    if kind not in ("begin", "resume"):
        begin(client, piece_id)
    before = turns(store, piece_id)
    cards, turned = (
        [{"card": "0", "turn": "0"} | {name: value} for value in HOSTILE] for name in ("card", "turn")
    )
    for form in ({}, *cards, *turned):
        answer = client.post(f"/pieces/{piece_id}/{kind}", data=form)
        assert answer.status_code == 422, form
        assert "nothing was changed" in words(answer)
    assert turns(store, piece_id) == before


def test_a_second_tap_on_the_same_card_changes_nothing_and_shows_where_it_is(
    client: TestClient, store: Store, piece_id: int
) -> None:
    shown = begin(client, piece_id)
    done(client, piece_id, shown)
    answer = tap(client, piece_id, "next", shown)
    assert answer.status_code == 200
    assert heading(answer) == "Weave 5 picks"
    assert re.search(r'role="status">[^<]*where the piece is now', answer.text)
    assert turns(store, piece_id) == 2


@pytest.mark.parametrize("kind", ["move_cords", "withdraw"])
@pytest.mark.parametrize(
    "ends", [{}, {"left_end": "on"}, {"right_end": "on"}, {"left_end": "yes", "right_end": "on"}]
)
def test_both_ends_are_ticked_before_it_is_done(
    client: TestClient, store: Store, piece_id: int, kind: str, ends: dict[str, str]
) -> None:
    shown = weave_to(client, store, piece_id, kind)
    before = turns(store, piece_id)
    answer = tap(client, piece_id, "next", shown, **ends)
    assert answer.status_code == 422
    assert "both ends" in words(answer)
    assert turns(store, piece_id) == before
    assert heading(answer) == heading(shown)


def test_a_wrong_test_lift_opens_its_insertion_again(client: TestClient, store: Store, piece_id: int) -> None:
    shown = weave_to(client, store, piece_id, "test_lift")
    assert "Not like this" in words(shown)
    tap(client, piece_id, "again", shown)
    again = client.get(f"/pieces/{piece_id}/loom")
    assert heading(again) == "Again: insert temporary 2a"
    assert "Unhook both cords of handle 2 from 2a." in words(again)
    assert heading(done(client, piece_id, again)) == "Pull handle 2 alone"


def test_back_from_a_finished_piece(client: TestClient, store: Store, piece_id: int) -> None:
    shown = weave_to(client, store, piece_id, "done")
    shown = done(client, piece_id, shown)
    answer = tap(client, piece_id, "back", shown)
    assert answer.status_code == 303
    shown = client.get(answer.headers["location"])  # all was let down at the end
    assert heading(shown) == "Look once before you go on"
    answer = tap(client, piece_id, "stands", shown)
    assert heading(client.get(answer.headers["location"])).startswith("Look the loom over")


def test_a_store_that_fails_is_told_and_nothing_is_counted(
    client: TestClient, store: Store, piece_id: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    shown = begin(client, piece_id)

    def fail(piece: int, tap: Tap) -> None:
        raise StoreFailure("The disk is full.")

    with monkeypatch.context() as patch:
        patch.setattr(store, "tap", fail)
        answer = tap(client, piece_id, "next", shown)
    assert answer.status_code == 503
    assert "The disk is full." in words(answer)
    assert turns(store, piece_id) == 1


# --- what a card shows -------------------------------------------------------------------------------


def test_what_is_always_in_sight(client: TestClient, store: Store, piece_id: int) -> None:
    shown = weave_to(client, store, piece_id, "raise", 2)
    page = words(shown)
    assert "Harbour runner" in page
    assert "Row 2 of 3" in page
    assert "2 rows to the next walk" in page
    assert re.search(r"In the loom\s*2a", page)


def test_a_handle_with_a_temporary_is_marked_and_pulled_after_the_walk(
    client: TestClient, store: Store, piece_id: int
) -> None:
    shown = weave_to(client, store, piece_id, "raise", 2)
    after = shown.text[shown.text.index("Handle 2, on temporary 2a:") :]
    marked = re.search(r'<strong class="doing">(.*?)</strong>', after)
    assert marked
    assert marked[1] == "pull"
    assert re.search(r'<text class="tag-text[^>]*>2a</text>', shown.text)


def test_the_strip_shows_exactly_the_units_that_are_up(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """Row 1 of the example is #..###..#; read back from the drawing."""
    shown = begin(client, piece_id)
    path = re.search(r'class="strip-up" d="(.*?)"', shown.text)
    assert path
    cells = ["."] * 9
    for start, length in re.findall(r"M(\d+) 0.5h(\d+)", path[1]):
        cells[int(start) : int(start) + int(length)] = "#" * int(length)
    assert "".join(cells) == PIECE["rows"][0]


def test_the_picture_marks_exactly_the_cells_that_need_a_temporary(client: TestClient, piece_id: int) -> None:
    """Row 2 asks of shaft 2 (units 3 and 7) unit 3 only; the first row is at the bottom."""
    page = client.get(f"/pieces/{piece_id}").text
    lifted = re.search(r'class="design-lifted" d="(.*?)"', page)
    needing = re.search(r'class="design-needing" d="(.*?)"', page)
    assert lifted
    assert needing
    cells = [["."] * 9 for _ in range(3)]
    for start, y, length in re.findall(r"M(\d+) ([\d.]+)h(\d+)", lifted[1]):
        row = 3 - int(float(y) + 0.5)
        cells[row][int(start) : int(start) + int(length)] = "#" * int(length)
    assert ["".join(row) for row in cells] == PIECE["rows"]
    assert needing[1] == "M2 1.5h1"


@pytest.mark.parametrize(
    ("stance", "counts"),
    [
        ("behind-left", ["pass 1", "take 1"]),
        ("behind-right", ["take 1", "pass 1"]),
        ("left-side", ["take 1", "pass 1"]),
        ("right-side", ["pass 1", "take 1"]),
    ],
)
def test_counts_are_given_as_seen_from_where_she_stands(
    client: TestClient, store: Store, piece_id: int, stance: str, counts: list[str]
) -> None:
    """Unit 3 of shaft 2 (units 3 and 7): behind the loom, from her left, unit 7 comes first."""
    client.post("/preferences", data={"stance": stance, "first_side": "right"})
    shown = weave_to(client, store, piece_id, "insert")
    assert re.findall(r'<strong class="group-text">(.*?)</strong>', shown.text) == counts
    assert "Take 1 of the 2 leashes on shaft 2" in words(shown)
    assert "Check:" in words(shown)


@pytest.mark.parametrize(("first", "start", "end"), [("right", "right", "left"), ("left", "left", "right")])
def test_the_shuttle_starts_where_it_was_left(
    client: TestClient, store: Store, piece_id: int, first: str, start: str, end: str
) -> None:
    client.post("/preferences", data={"stance": "behind-left", "first_side": first})
    page = words(weave_to(client, store, piece_id, "weave"))
    assert f"The shuttle starts on your {start}." in page
    assert f"The shuttle ends on your {end}." in page
    assert "Treadles 1, 2, 3, 4, 5" in page


def test_the_shuttle_of_a_piece_under_way_is_not_turned_by_the_preference(
    client: TestClient, store: Store, piece_id: int
) -> None:
    begin(client, piece_id)
    client.post("/preferences", data={"stance": "right-side", "first_side": "left"})
    other = store.add_piece(piece_text(loom_name="Other"), piece_order())
    done(client, piece_id, client.get(f"/pieces/{piece_id}/loom"))
    assert "The shuttle starts on your right." in words(client.get(f"/pieces/{piece_id}/loom"))
    assert "The shuttle starts on your left." in words(weave_to(client, store, other, "weave"))


def test_a_caution_stands_only_where_the_hazard_is(client: TestClient, store: Store, piece_id: int) -> None:
    shown = begin(client, piece_id)
    assert 'class="cautions"' not in shown.text
    shown = done(client, piece_id, shown)
    assert 'class="cautions"' not in shown.text
    shown = done(client, piece_id, shown)
    assert heading(shown) == "Go behind the loom"
    assert shown.text.index('class="cautions"') < shown.text.index('class="done"')


# --- coming back -------------------------------------------------------------------------------------


def test_after_minutes_nothing_is_asked(client: TestClient, piece_id: int, clock: Clock) -> None:
    begin(client, piece_id)
    clock.pass_by(minutes=29)
    assert "Look once" not in words(client.get(f"/pieces/{piece_id}/loom"))


def test_after_half_an_hour_a_line_is_to_be_confirmed(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    weave_to(client, store, piece_id, "raise", 3)
    clock.pass_by(minutes=40)
    shown = client.get(f"/pieces/{piece_id}/loom")
    page = words(shown)
    assert heading(shown) == "Look once before you go on"
    assert "You were away for 40 minutes" in page
    for line in ("Row: 2 of 3 woven", "Shuttle: on your right", "Next treadle: 1", "Pulled: handles 2 and 3"):
        assert line in page
    assert "Temporaries in: 2a" in page
    assert tap(client, piece_id, "stands", shown).status_code == 303
    assert heading(client.get(f"/pieces/{piece_id}/loom")) == "Pull 4, let go of 2"


def test_after_days_all_of_it(client: TestClient, store: Store, piece_id: int, clock: Clock) -> None:
    weave_to(client, store, piece_id, "raise", 3)
    clock.pass_by(days=3)
    page = words(client.get(f"/pieces/{piece_id}/loom"))
    assert "You were away for 3 days" in page
    for line in (
        "Handles pulled 2 and 3",
        "Single cords pulled none",
        "through 1 leash of shaft 2, unit 3; on handle 2",
        "Cords not home handle 2 is on 2a",
        "So since",
    ):
        assert line in page


def test_in_the_middle_of_a_row_the_picks_are_hers_to_count(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    weave_to(client, store, piece_id, "weave", 2)
    clock.pass_by(hours=1)
    page = words(client.get(f"/pieces/{piece_id}/loom"))
    assert "count the picks of it that are in" in page
    assert "your left before the first of these picks, on your right after one" in page


def test_a_tap_after_days_on_a_page_left_open_counts_and_then_she_is_asked(
    client: TestClient, store: Store, piece_id: int, clock: Clock
) -> None:
    shown = weave_to(client, store, piece_id, "weave", 2)
    clock.pass_by(days=3)
    assert client.post(f"/pieces/{piece_id}/next", data=form_of(shown)).status_code == 303
    answer = client.get(f"/pieces/{piece_id}/loom")
    weaving = store.weaving(piece_id)
    assert weaving is not None
    assert weaving.log[-1].kind == "next"
    assert heading(answer) == "Look once before you go on"
    page = words(answer)
    assert "You were away for 3 days" in page
    assert "Row 2 of 3 woven" in page
    assert "Handles pulled 2 and 3" in page
    assert "So since" not in page
    assert tap(client, piece_id, "stands", answer).status_code == 303
    assert heading(client.get(f"/pieces/{piece_id}/loom")) == "Pull 4, let go of 2"


def test_a_slow_row_is_no_break(client: TestClient, store: Store, piece_id: int, clock: Clock) -> None:
    shown = weave_to(client, store, piece_id, "weave")
    clock.pass_by(hours=2)
    assert heading(done(client, piece_id, shown)) == "Go behind the loom"


def test_a_clock_set_back_is_no_break(client: TestClient, piece_id: int, clock: Clock) -> None:
    begin(client, piece_id)
    clock.pass_by(days=-3)
    assert "Look once" not in words(client.get(f"/pieces/{piece_id}/loom"))


# --- standing, log, preferences ----------------------------------------------------------------------


def test_in_the_loom_now(client: TestClient, store: Store, piece_id: int) -> None:
    assert "No temporary is in the loom." in words(client.get(f"/pieces/{piece_id}/standing"))
    weave_to(client, store, piece_id, "raise", 2)
    page = words(client.get(f"/pieces/{piece_id}/standing"))
    for line in ("2a on shaft 2", "1 unit: 3", "handle 2 lifts it", "after row 1", "at the end"):
        assert line in page
    assert "Handle 2: its cords are on temporary 2a" in page


def test_the_log_newest_first_and_temporaries_only(client: TestClient, store: Store, piece_id: int) -> None:
    weave_to(client, store, piece_id, "raise", 2)
    page = words(client.get(f"/pieces/{piece_id}/log"))
    order = [page.index(text) for text in ("2a put in", "Row 1 woven", "Put on the loom")]
    assert order == sorted(order)
    only = words(client.get(f"/pieces/{piece_id}/log?only=temporaries"))
    assert "2a put in" in only
    assert "Row 1 woven" not in only
    assert client.get(f"/pieces/{piece_id}/log?only=everything").status_code == 422


def test_the_log_as_a_table_holds_no_formula(client: TestClient, store: Store) -> None:
    piece = store.add_piece(piece_text(name='=HYPERLINK("x")'), piece_order())
    weave_to(client, store, piece, "label")
    answer = client.get(f"/pieces/{piece}/log.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    table = list(csv.reader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert [row[0] for row in table] == ["number", "1", "2", "3", "4"]
    assert [row[4] for row in table[1:]] == [
        "Put on the loom",
        "Row 1: shed raised",
        "Row 1 woven",
        "Went behind the loom after row 1",
    ]
    assert {row[2] for row in table[1:]} == {'\'=HYPERLINK("x")'}


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", " ="])
def test_cells_that_a_table_program_would_run(start: str) -> None:
    assert harmless(f"{start}1+1").startswith("'")
    assert harmless("Row 1 woven") == "Row 1 woven"


def test_preferences_are_kept(client: TestClient) -> None:
    answer = client.post("/preferences", data={"stance": "right-side", "first_side": "left"})
    assert answer.status_code == 200
    page = client.get("/preferences").text
    assert re.search(r'value="right-side" checked', page)
    assert re.search(r'value="left" checked', page)


@pytest.mark.parametrize("value", ["", "behind", "RIGHT-SIDE", "x" * 100_000, "<b>", "behind-left\x00"])
def test_an_unknown_preference_is_refused_and_neither_is_kept(client: TestClient, value: str) -> None:
    for form in ({"stance": value, "first_side": "left"}, {"stance": "right-side", "first_side": value}):
        answer = client.post("/preferences", data=form)
        assert answer.status_code == 422
        assert "nothing was changed" in words(answer)
    page = client.get("/preferences").text
    assert re.search(r'value="behind-left" checked', page)
    assert re.search(r'value="right" checked', page)


def test_cords_that_move_straight_to_another_shaft_stand_under_both() -> None:
    def card(step: Insert | MoveCords | Withdraw) -> Card:
        return Card(0, "move_cords", 1, step, State(), State())

    cards = [
        card(Insert(3, "3a", (1,))),
        card(MoveCords("S1", "7a", "3a")),
        card(Withdraw("7a")),
        card(MoveCords("7", "7b", "7")),
    ]
    assert things_by_shaft(cards) == [
        ("Shaft 3", ("put in 3a",)),
        ("Shafts 7 and 3", ("move the cords of handle S1 from 7a to 3a",)),
        ("Shaft 7", ("draw out 7a", "move the cords of handle 7 from 7b to shaft 7")),
    ]


def test_temporaries_of_one_shaft_lie_in_the_order_of_their_names(piece_id: int, store: Store) -> None:
    weaving = store.weaving(piece_id)
    assert weaving is not None
    loom = weaving.piece.loom
    bars = loom_map(loom, State(), ["2aa", "2b", "2"], None, Sight(Naming.on(loom))).bars
    assert [bar.name for bar in bars if bar.is_meant] == ["2", "2aa", "2b"]


def test_single_cords_are_drawn_as_they_hang() -> None:
    sight = Sight(Naming(pattern_shafts=4, units=400))
    runs = cord_runs((9, 1, 2, 3), (4, 12), (5, 6), sight)
    assert [(run.doing, run.text, len(run.across)) for run in runs] == [
        ("pull", "1–3", 3),
        ("let go", "4", 1),
        ("leave", "5, 6", 2),
        ("pull", "9", 1),
        ("let go", "12", 1),
    ]
    for run in runs:
        assert list(run.across) == sorted(run.across)
        assert 0 < run.across[0] <= run.across[-1] < run.width
    assert cord_runs(range(1, 80, 2), (), (), sight) == []
    assert cord_runs(range(1, 400), (), (), sight)[0].width <= 150


def test_the_drawing_of_the_cords_says_what_the_words_say(client: TestClient, piece_id: int) -> None:
    """Row 1 pulls cords 1 and 9."""
    shown = begin(client, piece_id)
    assert re.search(r'change-pull"><dt>pull</dt><dd>1 and 9</dd>', shown.text)
    drawn = re.findall(
        r'cord-run cord-run-pull">.*?class="cord-units">(.*?)</span>\s*<strong class="doing">(.*?)<',
        shown.text,
        re.DOTALL,
    )
    assert drawn == [("1", "pull"), ("9", "pull")]
    assert shown.text.count('class="knob"') == 2


def test_hundreds_of_rows_by_hundreds_of_units_stay_small(client: TestClient, store: Store) -> None:
    """The picture is drawn by runs of cells, not cell by cell."""
    rows = ["#" * 200 if row % 2 else "." * 200 for row in range(300)]
    text = piece_text(
        leashes=[unit % 4 + 1 for unit in range(200)], single_cords=[], rows=rows, picks_per_row=[1]
    )
    answer = bring(client, text.encode())
    assert answer.status_code == 303
    page = client.get(answer.headers["location"]).text
    lifted = re.search(r'class="design-lifted" d="(.*?)"', page)
    assert lifted
    assert lifted[1].count("M") == 150
    assert json.loads(text)["rows"][1] == "#" * 200


def test_at_the_side_of_the_loom_the_ends_are_the_looms(
    client: TestClient, store: Store, piece_id: int
) -> None:
    """Her own left and right run along the warp there."""
    client.post("/preferences", data={"stance": "left-side", "first_side": "right"})
    page = words(weave_to(client, store, piece_id, "move_cords"))
    assert "Cord at the loom’s left is on 2a" in page
    assert "at your left" not in page
