"""Piece files: what is read, and what is refused, with a sentence that says where and why."""

from __future__ import annotations

import copy
import json
import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.design.piece import Minutes
from server.design.piece_file import MOST_CELLS, Unusable, read_piece
from tests.outside.pieces import examples, small_pieces

GOOD: dict[str, Any] = {
    "format": "spareshaft-piece",
    "version": 1,
    "name": "Harbour runner",
    "loom": {"name": "The big loom", "pattern_shafts": 4, "treadles": 5, "spare_shafts": 3},
    "leashes": [0, 1, 2, 3, 4, 3, 2, 1, 0],
    "single_cords": [1, 9],
    "rows": ["#..###..#", "..##.#...", "...###..."],
    "picks_per_row": [5],
    "treadling": [1, 2, 3, 4, 5],
    "free_walks": [0, 3],
    "no_walks": [2],
    "minutes": {"walk": 2, "pull": 0.01},
}


def refusal_of(text: str | bytes) -> str:
    with pytest.raises(Unusable) as refusal:
        read_piece(text)
    sentence = str(refusal.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert len(sentence) < 400
    return sentence


def changed(path: str, value: Any) -> dict[str, Any]:
    piece = copy.deepcopy(GOOD)
    *outer, key = path.split(".")
    content = piece
    for part in outer:
        content = content[part]
    content[key] = value
    return piece


def test_what_a_file_says_is_read() -> None:
    piece = read_piece(json.dumps(GOOD))
    assert piece.name == "Harbour runner"
    assert piece.loom.leashes == (0, 1, 2, 3, 4, 3, 2, 1, 0)
    assert piece.loom.single_cords == {1, 9}
    assert (piece.loom.name, piece.loom.pattern_shafts, piece.loom.spare_shafts) == ("The big loom", 4, 3)
    assert piece.rows == ({1, 4, 5, 6, 9}, {3, 4, 6}, {4, 5, 6})
    assert (piece.free_walks, piece.no_walks) == ({0, 3}, {2})
    assert piece.minutes == Minutes(walk=2, pull=0.01)
    assert (piece.picks(2), piece.treadles(2)) == (5, (1, 2, 3, 4, 5))


def test_the_defaults_of_the_contract() -> None:
    """WORKORDER.md names them; the minutes are a guess from memory."""
    piece = read_piece(
        json.dumps(
            {
                "format": "spareshaft-piece",
                "version": 1,
                "name": "",
                "loom": {"pattern_shafts": 2},
                "leashes": [0, 2, 0],
                "rows": ["..."],
            }
        )
    )
    loom = piece.loom
    assert (loom.name, loom.treadles, loom.spare_shafts, loom.spare_handles) == ("", 1, 0, 0)
    assert (loom.temporaries_per_shaft, loom.temporaries_may_stay) == (2, True)
    assert loom.single_cords == {1, 3}
    assert (piece.picks(1), piece.treadles(1)) == (1, (1,))
    assert (piece.free_walks, piece.no_walks) == (frozenset(), frozenset())
    minutes = {"walk": 1.5, "insert": 1.0, "take": 0.05, "withdraw": 0.5, "move_cords": 0.5, "pull": 0.02}
    assert piece.minutes == Minutes(**minutes)


def test_treadles_are_walked_in_order_where_no_treadling_is_given() -> None:
    piece = copy.deepcopy(GOOD)
    del piece["treadling"]
    piece["picks_per_row"] = [4, 5]
    assert read_piece(json.dumps(piece)).treadles(2) == (5, 1, 2, 3, 4)


@pytest.mark.parametrize("where", ["", "loom."])
def test_extra_is_carried_and_not_looked_at(where: str) -> None:
    plain = read_piece(json.dumps(GOOD))
    assert read_piece(json.dumps(changed(where + "extra", {"format": 3, "rows": [None]}))) == plain


def test_bytes_with_a_mark_at_the_front_are_read() -> None:
    assert read_piece(b"\xef\xbb\xbf" + json.dumps(GOOD).encode()) == read_piece(json.dumps(GOOD))


def test_a_name_with_markup_in_it_stays_what_it_is() -> None:
    name = "<script>alert(1)</script>&amp; 𝔥 ‮"
    assert read_piece(json.dumps(changed("name", name))).name == name


HOSTILE: dict[str, tuple[str, Any, str]] = {
    "wrong format": ("format", "spareshaft-workorder", 'its "format" should be "spareshaft-piece"'),
    "format no text": ("format", 1, 'its "format"'),
    "wrong version": ("version", 2, "version: this Spareshaft reads version 1 of piece files, not 2"),
    "version 1.0": ("version", 1.0, "not 1.0"),
    "version true": ("version", True, "not true"),
    "version a text": ("version", "1", 'not "1"'),
    "version nothing": ("version", None, "not null"),
    "version a long list": ("version", [0] * 500, "…"),
    "unknown key": ("colour", "red", "colour: is not a key of a piece file"),
    "unknown key with markup": ("<b>", 1, "<b>: is not a key of a piece file"),
    "unknown key in the loom": ("loom.color", 1, "loom.color: is not a key"),
    "unknown key in the minutes": ("minutes.run", 1, "minutes.run: is not a key"),
    "extra in the minutes": ("minutes.extra", {}, "minutes.extra: is not a key"),
    "extra no object": ("extra", [], "extra: should be an object"),
    "loom's extra no object": ("loom.extra", "x", "loom.extra: should be an object"),
    "name no text": ("name", 7, "name: should be text in quotes, not 7"),
    "name nothing": ("name", None, "name: should be text"),
    "name without end": ("name", "x" * 100_000, "name: is too long (200"),
    "loom's name without end": ("loom.name", "x" * 201, "loom.name: is too long"),
    "loom no object": ("loom", 3, "loom: should be an object"),
    "loom a list": ("loom", [], "loom: should be an object"),
    "loom empty": ("loom", {}, "loom.pattern_shafts: is missing"),
    "no shafts": ("loom.pattern_shafts", 0, "loom.pattern_shafts: should be at least 1, not 0"),
    "shafts below nothing": ("loom.pattern_shafts", -4, "at least 1, not -4"),
    "shafts not whole": ("loom.pattern_shafts", 4.0, "should be a whole number, not 4.0"),
    "shafts true": ("loom.pattern_shafts", True, "should be a whole number, not true"),
    "shafts a text": ("loom.pattern_shafts", "4", 'whole number, not "4"'),
    "shafts without end": ("loom.pattern_shafts", 10**9, "should be at most 100,000, not 1000000000"),
    "shafts beyond any machine's numbers": ("loom.pattern_shafts", 10**40, "at most 100,000"),
    "no treadles": ("loom.treadles", 0, "loom.treadles: should be at least 1"),
    "spare shafts below nothing": ("loom.spare_shafts", -1, "loom.spare_shafts: should be at least 0"),
    "spare shafts not whole": ("loom.spare_shafts", 2.5, "loom.spare_shafts: should be a whole number"),
    "spare handles below nothing": ("loom.spare_handles", -1, "at least 0"),
    "spare handles true": ("loom.spare_handles", True, "loom.spare_handles: should be a whole number"),
    "temporaries below nothing": ("loom.temporaries_per_shaft", -2, "at least 0"),
    "temporaries nothing": ("loom.temporaries_per_shaft", None, "should be a whole number, not null"),
    "may stay 1": (
        "loom.temporaries_may_stay",
        1,
        "loom.temporaries_may_stay: should be true or false, not 1",
    ),
    "may stay a text": ("loom.temporaries_may_stay", "yes", "should be true or false"),
    "no leashes": ("leashes", [], "leashes: needs at least one entry"),
    "leashes a text": ("leashes", "123", "leashes: should be a list"),
    "shaft out of range": (
        "leashes",
        [0, 1, 2, 3, 5, 3, 2, 1, 0],
        "unit 5 hangs on shaft 5, but the loom has 4",
    ),
    "shaft below nothing": (
        "leashes",
        [0, -1, 2, 3, 4, 3, 2, 1, 0],
        "leashes[2]: should be at least 0, not -1",
    ),
    "leash not whole": ("leashes", [0, 1, 2, 3, 4.0, 3, 2, 1, 0], "leashes[5]: should be a whole number"),
    "leash true": ("leashes", [0, True, 2, 3, 4, 3, 2, 1, 0], "leashes[2]: should be a whole number"),
    "a leash too many": ("leashes", [0, 1, 2, 3, 4, 3, 2, 1, 1, 0], "unit 10 hangs on no shaft"),
    "cords of no unit": ("single_cords", [1, 9, 10], "single_cords: there is no unit 10; the piece has 9"),
    "cord of unit 0": ("single_cords", [0, 1, 9], "single_cords[1]: should be at least 1"),
    "cords out of order": ("single_cords", [9, 1], "unit 1 comes after unit 9"),
    "cords twice": ("single_cords", [1, 1, 9], "list each once, ascending"),
    "cords left out": ("single_cords", [1], "unit 9 hangs on no shaft, so it must be listed here"),
    "no rows": ("rows", [], "rows: needs at least one entry"),
    "rows nothing": ("rows", None, "rows: should be a list"),
    "rows a text": ("rows", "#..###..#", "rows: should be a list"),
    "row a number": ("rows", [5], "rows[1]: should be text"),
    "row a list": ("rows", [["#"] * 9], "rows[1]: should be text"),
    "row too short": ("rows", ["#..###..#", "#..###.."], "row 2 has 8 cells, but there are 9 units"),
    "row too long": ("rows", ["#..###..##"], "row 1 has 10 cells"),
    "row empty": ("rows", [""], "row 1 has 0 cells"),
    "row of other characters": (
        "rows",
        ["#..###..#", "#..xxx..#"],
        "row 2 has 'x'; a cell is # (lifted) or . (not)",
    ),
    "row with a blank": ("rows", ["#..### .#"], "row 1 has ' '"),
    "row of look-alikes": ("rows", ["#..###․․#"], "row 1 has '․'"),
    "row with a line break": ("rows", ["#..###..\n"], "row 1 has '\\n'"),
    "no picks in the list": ("picks_per_row", [], "picks_per_row: needs at least one entry"),
    "0 picks": ("picks_per_row", [5, 0], "picks_per_row[2]: should be at least 1, not 0"),
    "picks below nothing": ("picks_per_row", [-1], "picks_per_row[1]: should be at least 1, not -1"),
    "picks not whole": ("picks_per_row", [4.5], "picks_per_row[1]: should be a whole number, not 4.5"),
    "picks 5.0": ("picks_per_row", [5.0], "should be a whole number"),
    "picks true": ("picks_per_row", [True], "should be a whole number"),
    "picks a number": ("picks_per_row", 5, "picks_per_row: should be a list"),
    "picks without end": ("picks_per_row", [10**12], "picks_per_row[1]: should be at most 100,000"),
    "no treadles in the list": ("treadling", [], "treadling: needs at least one entry"),
    "no such treadle": ("treadling", [1, 6], "there is no treadle 6; the loom has 5"),
    "treadle 0": ("treadling", [0], "treadling[1]: should be at least 1"),
    "minutes a number": ("minutes", 3, "minutes: should be an object"),
    "minutes NaN": ("minutes", {"walk": float("nan")}, "NaN is not a number that JSON knows"),
    "minutes endless": ("minutes", {"walk": float("inf")}, "Infinity is not a number that JSON knows"),
    "minutes endlessly little": ("minutes", {"walk": float("-inf")}, "-Infinity is not a number"),
    "minutes below nothing": ("minutes", {"pull": -0.01}, "minutes.pull: should be at least 0, not -0.01"),
    "minutes true": ("minutes", {"pull": True}, "minutes.pull: should be a number"),
    "minutes a text": ("minutes", {"pull": "1"}, "minutes.pull: should be a number"),
    "minutes nothing": ("minutes", {"pull": None}, "minutes.pull: should be a number"),
    "minutes beyond reason": ("minutes", {"pull": 1e300}, "minutes.pull: should be at most 1,000,000"),
    "minutes a whole number beyond reason": ("minutes", {"pull": 10**400}, "minutes.pull: "),
    "free walk after no row": ("free_walks", [4], "free_walks: there is no row 4; the piece has 3"),
    "free walk before all": ("free_walks", [-1], "free_walks[1]: should be at least 0"),
    "no walk after no row": ("no_walks", [17], "no_walks: there is no row 17"),
    "no walk after a row and a half": ("no_walks", [1.5], "no_walks[1]: should be a whole number"),
    "no walks a number": ("no_walks", 1, "no_walks: should be a list"),
    "half a character in a name": ("name", "\ud800", "half a character"),
    "half a character in extra": ("extra", {"a": ["\udfff"]}, "half a character"),
    "half a character in a key": ("extra", {"\ud800": 1}, "half a character"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_values(name: str) -> None:
    path, value, why = HOSTILE[name]
    assert why in refusal_of(json.dumps(changed(path, value)))


@pytest.mark.parametrize("key", ["format", "version", "name", "loom", "leashes", "rows"])
def test_what_must_be_there(key: str) -> None:
    piece = {k: value for k, value in GOOD.items() if k != key}
    why = {"format": 'its "format"', "version": "version: this"}.get(key, f"{key}: is missing")
    assert why in refusal_of(json.dumps(piece))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "The file is empty."),
        (" ", "The file is empty."),
        ("{", "not JSON: line 1"),
        ("rows: 3", "not JSON"),
        ('{"a": 1,}', "not JSON"),
        ('{"name": "a\nb"}', "not JSON: line 1"),
        ("[]", "one JSON object"),
        ("null", "one JSON object"),
        ("3", "one JSON object"),
        ('"spareshaft-piece"', "one JSON object"),
        ("{}", 'its "format"'),
        ('{"a": 1, "a": 2}', 'The key "a" stands twice'),
        ('{"extra": {"a": 1, "a": 1}}', 'The key "a" stands twice'),
        ("[" * 200_000, "nested too deeply"),
        ('{"a":' * 100_000, "nested too deeply"),
        ("7" * 10_000, "thousands of digits"),
        ('{"version": -' + "7" * 10_000 + "}", "thousands of digits"),
        ('{"a": NaN}', "NaN"),
        (b"\xff\xfe{\x00}\x00", "not UTF-8 text (byte 1)"),
        (b'{"name": "\xc3"}', "not UTF-8 text (byte 11)"),
        (b"\x89PNG\r\n\x1a\n" + bytes(2000), "not UTF-8"),
        ('"\ud800"', "half a character"),
        (r'{"name": "\ud800"}', "half a character"),
        ("\x00", "not JSON"),
    ],
)
def test_what_is_no_piece_file_at_all(text: str | bytes, why: str) -> None:
    assert why in refusal_of(text)


@pytest.mark.parametrize("text", ["1e999", "-1e999"])
def test_numbers_too_large_for_the_machine(text: str) -> None:
    piece = json.dumps(changed("minutes", {"walk": 12345}))
    assert "minutes.walk: should be" in refusal_of(piece.replace("12345", text))
    piece = json.dumps(changed("picks_per_row", [12345]))
    assert "picks_per_row[1]: should be" in refusal_of(piece.replace("12345", text))


def test_more_cells_than_any_cloth_has() -> None:
    units = 5000
    rows = MOST_CELLS // units + 1
    piece = {**GOOD, "loom": {"pattern_shafts": 1}, "leashes": [1] * units, "rows": ["#"] * rows}
    for key in ("single_cords", "treadling", "free_walks", "no_walks"):
        del piece[key]
    assert f"{rows} rows of {units} units are more than" in refusal_of(json.dumps(piece))


values = st.recursive(
    st.none() | st.booleans() | st.integers(-3, 12) | st.floats() | st.text(max_size=4) | st.just(10**30),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=5,
)
places = st.sampled_from(
    [*GOOD, "extra", "anything", *(f"loom.{key}" for key in [*GOOD["loom"], "spare_handles", "extra"])]
)


@examples(200)
@given(places, values)
def test_any_value_anywhere_is_read_or_refused_in_a_sentence(place: str, value: Any) -> None:
    text = json.dumps(changed(place, value))
    try:
        piece, said = read_piece(text), "It is read."
    except Unusable as refusal:
        piece, said = read_piece(json.dumps(GOOD)), str(refusal)
    assert re.fullmatch(r"[^\n]+[.]", said)
    assert len(piece.rows) >= 1
    assert all(shaft <= piece.loom.pattern_shafts for shaft in piece.loom.leashes)


@examples(100)
@given(small_pieces())
def test_every_good_piece_is_read(content: dict[str, Any]) -> None:
    piece = read_piece(json.dumps(content))
    drawn = ["".join(".#"[u in row] for u in range(1, len(content["leashes"]) + 1)) for row in piece.rows]
    assert drawn == content["rows"]
    assert sorted(piece.loom.single_cords) == content["single_cords"]
    assert sorted(piece.no_walks) == content["no_walks"]
