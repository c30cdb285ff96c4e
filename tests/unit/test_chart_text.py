"""Charts as plain text: what is read as which cells, what is named, what is asked, what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.design.cells import Cells, to_rows
from server.design.chart_text import FIGURE, GROUND, MOST_CONTENT, WhichIsLifted, read_chart, write_chart
from server.design.piece_file import Unusable

STEPS = ["#....", "##...", "###..", "#####"]
"""From the top; the last is woven first."""


def lines_of(text: str | bytes, lifted: str = "") -> list[str]:
    """From the top."""
    return list(reversed(to_rows(read_chart(text, lifted).cells)))


def refusal_of(text: str | bytes, lifted: str = "") -> str:
    with pytest.raises(Unusable) as refusal:
        read_chart(text, lifted)
    sentence = str(refusal.value)
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert len(sentence) < 300
    return sentence


@st.composite
def figures(draw: st.DrawFn) -> Cells:
    rows, units = draw(st.integers(1, 12)), draw(st.integers(1, 12))
    bits = draw(st.lists(st.booleans(), min_size=rows * units, max_size=rows * units))
    return np.array(bits, dtype=np.bool_).reshape(rows, units)


@settings(max_examples=60)
@given(figures())
def test_what_is_written_is_read_again(cells: Cells) -> None:
    read = read_chart(write_chart(cells))
    assert np.array_equal(read.cells, cells)
    assert read.notes == ()


@settings(max_examples=60)
@given(
    figures(), st.sampled_from(FIGURE), st.sampled_from(GROUND.strip()), st.sampled_from(["", " ", "\t", ","])
)
def test_any_character_that_is_known_and_anything_between(
    cells: Cells, figure: str, ground: str, between: str
) -> None:
    lines = [between.join(line) for line in write_chart(cells).splitlines()]
    text = "\n".join(lines).replace("#", "F").replace(".", "G").replace("F", figure).replace("G", ground)
    # a blank between cells of one kind only is taken for ground
    if between != " " or (cells.any() and not cells.all()):
        assert np.array_equal(read_chart(text).cells, cells)


def test_the_top_is_woven_last() -> None:
    assert to_rows(read_chart("\n".join(STEPS)).cells) == tuple(reversed(STEPS))


def test_known_characters_are_on_one_side_only() -> None:
    assert not set(FIGURE) & set(GROUND)
    assert len(FIGURE + GROUND) == len(set(FIGURE + GROUND))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_ends_of_lines(encoding: str, end: str) -> None:
    text = (end.join(STEPS) + end).replace(".", "·")
    assert lines_of(text.encode(encoding)) == STEPS


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_squares_as_pictures_of_letters(encoding: str) -> None:
    assert lines_of("⬛️⬜️⬜️\n⬜️⬛️⬜️\n".encode(encoding)) == ["#..", ".#."]


def test_blanks_as_ground() -> None:
    read = read_chart("  X\n X X\n\nX\n")
    assert list(reversed(to_rows(read.cells))) == ["..#.", ".#.#", "....", "#..."]
    assert read.notes == ()
    assert lines_of("X  \n   \n  X\n") == ["#..", "...", "..#"]
    assert lines_of(" X \n X \n") == [".#.", ".#."]
    assert lines_of("#. \n.##\n") == ["#..", ".##"]


def test_lines_too_short_are_filled_up_and_named() -> None:
    read = read_chart("#.#.\n#\n.#.#\n##\n")
    assert list(reversed(to_rows(read.cells))) == ["#.#.", "#...", ".#.#", "##.."]
    assert read.notes == ("Ground was put in at the right of what is shorter than 4 cells: lines 2 and 4.",)
    (one,) = read_chart("#.\n#").notes
    assert one.endswith("2 cells: line 2.")
    (many,) = read_chart("#.\n" + "#\n" * 20).notes
    assert many.endswith("lines 2, 3, 4, 5, 6, 7, 8, 9 and 12 more.")


def test_blanks_around_the_chart_are_no_cells() -> None:
    assert lines_of("   #..  \n   .#. \n") == ["#..", ".#."]
    assert read_chart("   #..  \n   .#. \n").notes == ()


def test_remarks_and_empty_lines_are_left_out_and_named() -> None:
    read = read_chart("// a border, from an old towel\n\n#..\n\n.#.\n // end\n\n\n")
    assert list(reversed(to_rows(read.cells))) == ["#..", ".#."]
    assert read.notes == (
        "Left out: 2 lines of remarks.",
        "Left out: 3 empty lines above or below the chart.",
        "Left out: 1 empty line between rows.",
    )


def test_a_chart_between_upright_strokes() -> None:
    read = read_chart("12 |#..|\n11 |.#.| 11\n")
    assert list(reversed(to_rows(read.cells))) == ["#..", ".#."]
    assert read.notes == ("Left out: the upright strokes, and what stands outside them.",)
    assert lines_of("| # |\n|#  |\n") == [".#.", "#.."]


def test_a_table_from_a_spreadsheet() -> None:
    assert lines_of("X,,X\n,X,\n,,\nX,,\n") == ["#.#", ".#.", "...", "#.."]
    assert lines_of('"1"\t"0"\n"0"\t"1"\n') == ["#.", ".#"]
    assert lines_of("\tX\nX\t\n") == [".#", "#."]
    read = read_chart("1,0,1\n1\n")
    assert list(reversed(to_rows(read.cells))) == ["#.#", "#.."]
    assert "line 2" in read.notes[0]


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("#", ["#"]),
        (".", ["."]),
        ("##\n##", ["##", "##"]),
        ("XO\nOX", ["#.", ".#"]),
        ("o.\n.o", ["#.", ".#"]),
        ("Q  Q\n QQ", ["#..#", ".##."]),
        ("#x.", ["##."]),
        ("-0#", ["..#"]),
        ("#.\x1a", ["#."]),
        ("#\u200b.\ufeff", ["#."]),
        ("#\xa0#\n###", ["#.#", "###"]),
    ],
)
def test_one_other_character_takes_the_place_that_is_free(text: str, lines: list[str]) -> None:
    assert lines_of(text) == lines


@pytest.mark.parametrize(
    ("text", "characters"), [("ab\nba", "ab"), ("#.q", "#.q"), ("#aB", "#Ba"), ("x#", "#x"), ("0.\n.0", ".0")]
)
def test_it_is_asked_what_stands_for_lifted(text: str, characters: str) -> None:
    with pytest.raises(WhichIsLifted) as asked:
        read_chart(text)
    assert asked.value.characters == characters
    assert all(f"“{one}”" in str(asked.value) for one in characters)


def test_what_is_said_to_be_lifted_is() -> None:
    assert lines_of("ab\nba", "a") == ["#.", ".#"]
    assert lines_of("#.q", "#q") == ["#.#"]
    assert lines_of("#.#", ".") == [".#."]
    assert lines_of("abcdef", "fbz") == [".#...#"]
    assert "Nothing in the chart is written with “z”" in refusal_of("ab", "z")
    refusal_of("# #", " ")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no cell"),
        (b"", "no cell"),
        ("\n \n\n", "no cell"),
        ("// only a remark", "no cell"),
        ("||\n||", "no cell"),
        ("aaa", "All cells of the chart are “a”"),
        ("abc", "“a”, “b” and “c”"),
        ("Dear weaver, this is a letter.", "more too"),
        ("#\t.#\n.#.", "Line 1 has a tab"),
        ("#..\n##\t.\n", "Line 2 has a tab"),
        ("#.\x00\x01", "plain text"),
        (b"\x89PNG\r\n\x1a\n\0\0", "plain text"),
        ("#.\x1b[2J", "plain text"),
        ("#\ud800", "plain text"),
        ("\u202e#.\u202d\u2066", "U+202D, U+202E and U+2066"),
        (b"\xff\xfe#", "All cells"),
        ("#" * (MOST_CONTENT + 1), "1 MB"),
        (" " * 1_000_000 + "a|", "“a” and “|”"),
        ("\n" * 1_000_000 + "#.", "more than any cloth"),
        ("1" * 1_000_000 + "|a", "“1”, “a” and “|”"),
        ("#" * 100_001, "more than any cloth"),
        ("#" * 90_000 + "\n#" * 90_000, "more than any cloth"),
    ],
)
def test_what_is_no_chart_is_refused_in_a_sentence(text: str | bytes, words: str) -> None:
    assert words in refusal_of(text)


@settings(max_examples=150)
@given(
    st.one_of(st.binary(max_size=60), st.text("#.x \t,|\r\n/a0\x00é⬛", max_size=60)),
    st.sampled_from(["", "a#"]),
)
def test_anything_is_read_or_refused_and_nothing_else(content: str | bytes, lifted: str) -> None:
    try:
        read = read_chart(content, lifted)
    except Unusable:
        return
    assert read.cells.size > 0
    assert read.cells.dtype == np.bool_
