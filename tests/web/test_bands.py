"""The bands of a design: every change by its form, what is refused, and the piece that comes of it."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from fastapi.testclient import TestClient
from httpx import Response

from server.design.design import Band, CellsTurned, Design
from server.design.piece import BandOfRows
from server.design.warp import Part, hang, write_warp
from server.loom.ground import satin
from server.loom.state import Loom
from server.serving import draw_demo
from server.store.board import KeptDesign
from server.store.database import Store
from server.web import bands as bands_page
from tests.web.test_designs import sound
from tests.web.test_pages import HOSTILE, MARKUP, begin, done, words

pytestmark = pytest.mark.usefixtures("drawn")

NAMES = ["Plain ground", "Waves", "Plain ground", "The signal flag", "Waves to end with"]


@pytest.fixture
def drawn(store: Store) -> None:
    draw_demo(store.board)


def kept(store: Store, number: int = 1) -> KeptDesign:
    found = store.board.design(number)
    assert found is not None
    return found


def names(store: Store) -> list[str]:
    return [band.name for band in kept(store).design.bands]


def hidden(shown: Response) -> dict[str, str]:
    """What every form of the sequence sends along."""
    return dict(re.findall(r'<input type="hidden" name="(mark|token)" value="(\w+)">', shown.text))


def send(client: TestClient, path: str, shown: Response | None = None, **fields: str) -> Response:
    shown = shown or client.get("/designs/1/bands")
    sound(shown)
    return client.post(f"/designs/1/bands{path}", data=hidden(shown) | fields)


def stepping(shown: Response) -> dict[str, str]:
    """What the forms send along that take back and make again."""
    return dict(re.findall(r'<input type="hidden" name="(at|drawn)" value="(\w+)">', shown.text))


def step(client: TestClient, which: str) -> Response:
    shown = client.get("/designs/1/bands")
    return client.post(f"/designs/1/bands-{which}", data=stepping(shown))


def test_the_sequence_is_shown_as_the_cloth_grows(client: TestClient) -> None:
    shown = client.get("/designs/1/bands")
    sound(shown)
    named = re.findall(r'<h3 class="band-name"><bdi>(.*?)</bdi>', shown.text)
    assert named == NAMES[::-1], "the first woven is at the bottom"
    text = words(shown)
    assert "5 bands · 43 rows · 244 picks" in text
    assert "16.9 cm high, 20.7 cm wide in the reed" in text  # 244 / 14.4, and 331 ends / 16
    assert "Waves × 2 16 rows · 72 picks · 5.0 cm" in text
    assert 'href="/designs/1?band=4"' in shown.text
    assert 'href="/designs/1?band=1"' not in shown.text, "nothing is drawn in plain ground"
    assert "/designs/1/piece" in shown.text


@pytest.mark.parametrize(
    ("band", "do", "after"),
    [
        (2, "up", ["Plain ground", "Plain ground", "Waves", "The signal flag", "Waves to end with"]),
        (2, "down", ["Waves", "Plain ground", "Plain ground", "The signal flag", "Waves to end with"]),
        (4, "copy", [*NAMES[:4], "The signal flag (copy)", NAMES[4]]),
        (4, "away", [*NAMES[:3], NAMES[4]]),
    ],
)
def test_each_button_is_one_change_that_can_be_taken_back(
    client: TestClient, store: Store, band: int, do: str, after: list[str]
) -> None:
    answer = send(client, f"/{band}", do=do)
    assert answer.status_code == 303
    assert names(store) == after
    assert step(client, "back").status_code == 303
    assert names(store) == NAMES
    assert step(client, "again").status_code == 303
    assert names(store) == after


def test_name_times_and_picks_are_kept_and_the_sums_follow(client: TestClient, store: Store) -> None:
    answer = send(client, "/2", do="keep", name="High waves", times="3", picks="4, 4, 5")
    assert answer.headers["location"] == "/designs/1/bands#band-2"
    band = kept(store).design.band(2)
    assert (band.name, band.times, band.picks) == ("High waves", 3, (4, 4, 5))
    shown = client.get("/designs/1/bands")
    assert f"24 rows · {3 * (2 * 13 + 8)} picks" in words(shown)
    assert "Square: 4, 5" in words(shown)
    send(client, "/2", shown, do="square")
    assert kept(store).design.band(2).picks == (4, 5)
    assert send(client, "/1", do="keep", name="Ground", times="2", picks="55").status_code == 303
    assert kept(store).design.band(1) == Band(1, "Ground", (55,), (), 2)


@pytest.mark.parametrize(("where", "place"), [("add top", slice(17, 20)), ("add bottom", slice(0, 3))])
def test_rows_come_in(client: TestClient, store: Store, where: str, place: slice) -> None:
    before = kept(store).design.band(4).rows
    send(client, "/4", do="rows", more="3", where=where)
    rows = kept(store).design.band(4).rows
    assert rows[place] == ("." * 63,) * 3
    assert len(rows) == len(before) + 3
    assert set(before) <= set(rows)


def test_rows_go(client: TestClient, store: Store) -> None:
    before = kept(store).design.band(4).rows
    send(client, "/4", do="rows", more="2", where="take bottom")
    send(client, "/4", do="rows", more="1", where="take top")
    assert kept(store).design.band(4).rows == before[2:-1]


def test_bands_are_added_on_top(client: TestClient, store: Store) -> None:
    figure = store.board.add_figure("Star", ["#.#", ".#.", "#.#"])
    assert send(client, "", what="plain", picks="12").headers["location"] == "/designs/1/bands#band-6"
    send(client, "", what="rows", rows="9", picks="", name="")
    send(client, "", what="figure", figure=str(figure), side="right")
    plain, rows, star = kept(store).design.bands[-3:]
    assert (plain.name, plain.picks, plain.is_plain) == ("Plain ground", (12,), True)
    assert (rows.name, rows.picks, len(rows.rows)) == ("Band 7", (4, 5), 9)
    assert (star.name, star.rows) == ("Star", tuple("." * 60 + row for row in ("#.#", ".#.", "#.#")))


@pytest.mark.parametrize(
    ("path", "fields", "sentence"),
    [
        ("/2", {"do": "keep", "name": "n" * 201, "times": "2", "picks": "4"}, "at most 200 letters"),
        ("/2", {"do": "keep", "name": "x", "times": "2", "picks": "4 " * 9}, "has 8 rows, and picks for 9"),
        ("/2", {"do": "keep", "name": "x", "times": "10001", "picks": "4"}, "Times: it must be a number"),
        ("/1", {"do": "keep", "name": "x", "times": "1", "picks": "4, 5"}, "Of plain ground, say how many"),
        ("/1", {"do": "rows", "more": "1", "where": "add top"}, "Plain ground has no rows to draw on"),
        ("/1", {"do": "square"}, "No number of picks makes a cell of this band square."),
        ("/2", {"do": "rows", "more": "8", "where": "take top"}, "“Waves” has 8 rows; one must be left."),
        ("/2", {"do": "rows", "more": "99999", "where": "add top"}, "are more than 1,000,000 cells."),
        ("", {"what": "rows", "rows": "99999"}, "are more than 1,000,000 cells."),
        ("/77", {"do": "up"}, "That band is not in the design any more."),
        ("/x", {"do": "up"}, "That band is not in the design any more."),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence_and_nothing_changes(
    client: TestClient, store: Store, path: str, fields: dict[str, str], sentence: str
) -> None:
    before = kept(store).design
    answer = send(client, path, **fields)
    assert answer.status_code == 422
    assert sentence in words(answer)
    sound(answer)
    assert kept(store).design == before


@pytest.mark.parametrize(
    ("path", "field", "fields", "sentence"),
    [
        ("", "what", {}, "Choose what to add"),
        ("", "picks", {"what": "plain"}, "Picks of plain ground: it must be a number from 1 to 10000."),
        ("", "rows", {"what": "rows"}, "Rows: it must be a number from 1 to 100000."),
        ("", "figure", {"what": "figure"}, "That figure is not in the box any more"),
        ("/2", "do", {}, "That could not be read, so nothing was changed."),
        ("/2", "times", {"do": "keep", "picks": "4"}, "Times: it must be a number from 1 to 10000."),
        ("/2", "picks", {"do": "keep", "times": "2"}, "Picks per row:"),
        ("/1", "picks", {"do": "keep", "times": "2"}, "Picks:"),
        ("/2", "more", {"do": "rows", "where": "add top"}, "Rows: it must be a number from 1 to 100000."),
        ("/2", "where", {"do": "rows", "more": "1"}, "Say where the rows come in, or from where they go."),
    ],
)
def test_no_hostile_text_gets_through_a_field(
    client: TestClient, store: Store, path: str, field: str, fields: dict[str, str], sentence: str
) -> None:
    shown = client.get("/designs/1/bands")
    for text in HOSTILE:
        answer = send(client, path, shown, **fields, **{field: text})
        assert answer.status_code == 422
        assert sentence in words(answer)
    assert names(store) == NAMES
    assert kept(store).made == 0


def test_what_was_typed_stands_beside_the_refusal(client: TestClient) -> None:
    answer = send(client, "/2", do="keep", name="Spray", times="many", picks="7")
    assert 'value="Spray"' in answer.text
    assert 'value="many"' in answer.text
    assert "<details open>" in answer.text


def test_all_woven_together_has_a_limit(client: TestClient, store: Store) -> None:
    answer = send(client, "/2", do="keep", name="Waves", times="10000", picks="4")
    assert answer.status_code == 303, "80,027 rows of 63 units are within it"
    answer = send(client, "/4", do="keep", name="Flag", times="10000", picks="4")
    assert answer.status_code == 422
    assert "weave it as several pieces" in words(answer)
    assert kept(store).design.band(4).times == 1


def test_a_page_of_before_changes_nothing_and_is_told(client: TestClient, store: Store) -> None:
    old = client.get("/designs/1/bands")
    send(client, "/2", do="up")
    moved = names(store)
    for path, fields in (("/2", {"do": "up"}), ("/4", {"do": "away"}), ("", {"what": "plain", "picks": "4"})):
        answer = send(client, path, old, **fields)
        assert answer.status_code == 422
        assert bands_page.STALE in words(answer)
    for at in ("0", "x", ""):
        assert (
            client.post(
                "/designs/1/bands-back", data=stepping(client.get("/designs/1/bands")) | {"at": at}
            ).status_code
            == 422
        )
    assert names(store) == moved


def test_another_tablets_change_is_not_taken_back_by_a_page_of_before(
    client: TestClient, store: Store
) -> None:
    """The other took one back and made one: as many changes hold as the page says, but not the same."""
    send(client, "/2", do="up")
    old = client.get("/designs/1/bands")
    step(client, "back")
    send(client, "/4", do="away")
    now = names(store)
    answer = client.post("/designs/1/bands-back", data=stepping(old))
    assert (answer.status_code, names(store)) == (422, now)
    assert bands_page.STALE in words(answer)


@pytest.mark.parametrize(("do", "after"), [("copy", 6), ("away", 4)])
def test_a_form_sent_twice_counts_once(client: TestClient, store: Store, do: str, after: int) -> None:
    shown = client.get("/designs/1/bands")
    first, second = (send(client, "/2", shown, do=do) for _ in range(2))
    assert (first.status_code, second.status_code) == (303, 303)
    assert len(names(store)) == after


def test_a_stroke_on_another_tablet_takes_nothing_from_a_move(client: TestClient, store: Store) -> None:
    shown = client.get("/designs/1/bands")
    store.board.change(1, lambda design: CellsTurned(4, ((1, 30, 31),)))
    drawn = kept(store).design.band(4).rows
    assert send(client, "/4", shown, do="down").status_code == 303
    assert kept(store).design.band(4).rows == drawn
    assert names(store)[2] == "The signal flag"


def test_names_from_a_form_are_shown_and_never_run(client: TestClient, store: Store) -> None:
    send(client, "/2", do="keep", name=MARKUP[:150], times="2", picks="4")
    shown = client.get("/designs/1/bands")
    sound(shown)
    assert "<script>alert" not in shown.text
    client.post("/designs/1/name", data={"name": MARKUP[:150]})
    shown = client.get("/designs/1/bands")
    sound(shown)
    assert "<script>alert" not in shown.text
    assert kept(store).name.startswith("<script>")
    assert client.post("/designs/1/name", data={"name": "n" * 201}).status_code == 422


def test_a_design_without_bands_asks_for_one_and_is_no_piece(client: TestClient, store: Store) -> None:
    for number in range(1, 6):
        send(client, f"/{number}", do="away")
    shown = client.get("/designs/1/bands")
    sound(shown)
    assert "There is no band yet." in words(shown)
    answer = client.post("/designs/1/piece")
    assert answer.status_code == 422
    assert "There is nothing to weave yet: the design has no band." in words(answer)
    assert store.pieces() == []


def test_many_large_bands_are_a_page_of_bearable_length(client: TestClient, store: Store) -> None:
    units = 63
    chequered = tuple(("#." * units)[row % 2 :][:units] for row in range(500))
    bands = tuple(Band(number, f"Band {number}", (4,), chequered) for number in range(1, 31))
    store.board.add_design(1, "Large", Design(units, bands, 30))
    shown = client.get("/designs/2/bands")
    assert shown.status_code == 200
    assert len(shown.content) < 1_500_000


def test_a_long_narrow_band_is_drawn_coarser_and_not_without_its_units(
    client: TestClient, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bands_page, "MOST_DRAWN_HERE", 400)
    warp = write_warp(hang("Three", Loom((), frozenset(), 3), (Part("straight", 3),), satin(5, 2)))
    lines = Band(1, "Lines", (4,), ("###", "...") * 1_000)
    design = store.board.add_design(store.board.add_warp(warp), "Narrow", Design(3, (lines,), 1))
    shown = client.get(f"/designs/{design}/bands")
    across, up = map(int, re.findall(r'viewBox="0 0 (\d+) (\d+)" preserve', shown.text)[0])
    assert 200 < across * up <= 400


# --- the piece -----------------------------------------------------------------------------------------


def test_the_design_becomes_a_piece_with_its_bands(client: TestClient, store: Store) -> None:
    answer = client.post("/designs/1/piece")
    assert (answer.status_code, answer.headers["location"]) == (303, "/pieces/1")
    weaving = store.weaving(1)
    assert weaving is not None
    design = kept(store)
    assert weaving.design == 1
    assert weaving.piece.name == "A flag over the waves"
    assert weaving.piece.bands == (
        BandOfRows("Plain ground", 1),
        BandOfRows("Waves", 8, 2),
        BandOfRows("Plain ground", 1),
        BandOfRows("The signal flag", 17),
        BandOfRows("Waves to end with", 8),
    )
    assert [weaving.piece.picks(row) for row in (1, 2, 3, 18, 19)] == [40, 4, 5, 20, 4]
    assert weaving.piece.threads == design.warp.threads
    assert 'href="/designs/1"' in client.get("/pieces/1").text
    shown = client.get("/designs/1/bands")
    sound(shown)
    assert 'href="/pieces/1"' in shown.text
    assert client.post("/designs/1/piece").headers["location"] == "/pieces/1", "the same form, sent twice"
    assert client.get("/designs/1/piece").status_code == 405


@pytest.mark.parametrize(
    ("limit", "sentence"),
    [
        ("MOST_ROWS_PLANNED", "With all its repeats it has 43 rows, and a piece has at most 42."),
        ("MOST_CELLS_PLANNED", "43 rows of 63 units are more than a piece has at most, 42 cells."),
    ],
)
def test_what_would_take_minutes_to_plan_is_not_begun(
    client: TestClient, store: Store, monkeypatch: pytest.MonkeyPatch, limit: str, sentence: str
) -> None:
    monkeypatch.setattr(bands_page, limit, 42)
    answer = client.post("/designs/1/piece")
    assert answer.status_code == 422
    sound(answer)
    assert f"{sentence} Make several designs of it." in words(answer)
    assert store.pieces() == []


def test_pieces_are_not_read_where_none_was_made(
    client: TestClient, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    monkeypatch.setattr(store, "pieces", lambda: asked.append("all") or [])
    assert client.get("/designs/1/bands").status_code == 200
    assert asked == []


def test_a_script_that_asks_is_sent_on(client: TestClient) -> None:
    answer = client.post("/designs/1/piece", headers={"HX-Request": "true"})
    assert (answer.status_code, answer.headers["HX-Redirect"]) == (204, "/pieces/1")


def test_what_the_loom_cannot_weave_is_said_on_the_page(client: TestClient, store: Store) -> None:
    """Shafts are named as she counts them: the file’s shaft 1 is her 14."""
    board, demo = store.board, kept(store)
    bare = board.add_warp(write_warp(replace(demo.warp, loom=replace(demo.warp.loom, spare_shafts=0))))
    mast = Band(1, "Mast", (4,), ("." * 31 + "#" + "." * 31,))  # of shaft 1 only the unit in the middle
    design = board.add_design(bare, "No spare", Design(63, (mast,), 1))
    store.set_preferences({"shafts_from": "back"})
    answer = client.post(f"/designs/{design}/piece")
    assert answer.status_code == 422
    sound(answer)
    said = re.search(r'<p class="said" role="alert">(.*?)</p>', answer.text)
    assert said
    assert "spare shaft" in said[1]
    assert "shaft 14" in said[1]
    assert store.pieces() == []


def test_where_too_many_plan_already_it_is_said(client: TestClient, store: Store) -> None:
    client.app.state.workroom.most_unfinished = 0  # type: ignore[attr-defined]
    answer = client.post("/designs/1/piece")
    assert answer.status_code == 422
    assert "Try again in a moment." in words(answer)
    assert store.pieces() == []


# --- the place at the loom -----------------------------------------------------------------------------


def band_of(shown: Response) -> str:
    found = re.search(r'<p class="band-of">(.*?)</p>', shown.text)
    return re.sub(r"<.*?>", "", found[1]) if found else ""


def test_the_instruction_says_which_band_and_which_time(client: TestClient, store: Store) -> None:
    client.post("/designs/1/piece")
    shown = begin(client, 1)
    assert "After row 19 (The signal flag, row 1 of 17)" in words(client.get("/pieces/1/walks-ahead"))
    told = []
    for _ in range(40):
        if (line := band_of(shown)) not in told:
            told.append(line)
        shown = done(client, 1, shown)
    assert told[:3] == ["Plain ground", "Waves · 1 of 2, row 1 of 8", "Waves · 1 of 2, row 2 of 8"]
    assert "Waves · 2 of 2, row 8 of 8" in told


def test_plain_ground_is_one_instruction_without_a_box_for_each_pick(
    client: TestClient, store: Store
) -> None:
    client.post("/designs/1/piece")
    shown = done(client, 1, begin(client, 1))
    text = words(shown)
    assert "Weave 40 picks" in text
    assert "Plain ground: nothing is lifted." in text
    assert "Treadles 1, 2, 3, 4, 5 in turn, 8 times." in text
    assert shown.text.count('class="pick-arrow"') == 10
    assert "30 more" in text
    assert 'data-say="Weave forty picks, treadles one to five in turn, eight times.' in shown.text
    client.post("/pieces/1/settings", data={"taps": "pick", "shed": "asked"})
    for number in range(1, 20):
        shown = client.get("/pieces/1/loom")
        assert f"Pick {number} of 40: treadle {(number - 1) % 5 + 1}" in words(shown)
        assert shown.text.count('class="pick-arrow"') == 10
        form = dict(re.findall(r'<input type="hidden" name="(card|turn)" value="(\d+)">', shown.text))
        assert client.post("/pieces/1/pick", data=form).status_code == 303
    assert "17 before" in words(client.get("/pieces/1/loom"))


def test_ten_thousand_picks_of_plain_ground_are_woven_like_forty(client: TestClient, store: Store) -> None:
    send(client, "/1", do="keep", name="Long ground", times="1", picks="10000")
    client.post("/designs/1/piece")
    shown = done(client, 1, begin(client, 1))
    assert "Weave 10,000 picks" in words(shown)
    assert "in turn, 2,000 times." in words(shown)
    assert len(shown.content) < 40_000
    client.post("/pieces/1/settings", data={"taps": "pick", "shed": "asked"})
    weaving = store.weaving(1)
    assert weaving is not None
    held = client.get(f"/pieces/1/ahead?turn={weaving.place.turn}&most=60").json()["held"]
    assert len(held) == 60
    assert client.get("/pieces/1/put-right/picks").status_code == 200
