"""A chart as plain text, one character a cell, the row woven last at the top; read as people write it.

Read are:

- any encoding a text editor makes (UTF-8, UTF-16, Latin-1), any ends of lines;
- the characters of `FIGURE` and `GROUND`; one other character takes the place that is free; of two others it
  is asked which is lifted;
- cells with a tab, a comma or a blank between each two (an empty one is ground);
- lines between two upright strokes, with or without a row number outside them.

Left out are lines that begin with two strokes, ``//``, empty lines at both ends, and those in between unless
blanks are cells. Lines too short are filled up with ground at the right.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from server.design.cells import LIFTED, NOT_LIFTED, Cells, to_cells, to_rows
from server.design.piece_file import HALF_A_CHARACTER, MOST, MOST_CELLS, Unusable

FIGURE = "#Xx1*@+•■█▓●◆◼⬛"
"""Characters that are lifted, if nothing else is said."""
GROUND = " .0-–_·□░○◇▫◻⬜"
"""Characters that are not."""

MOST_CONTENT = 1_048_576
"""Bytes of a chart's file."""

_NO_CELL = "There is no cell in that chart."
_REMARK = "//"
_IN_A_FRAME = re.compile(r"(?:\d+[ \t]*)?\|([^|]*)\|(?:[ \t]*\d+)?")
_SPACED_OUT = re.compile(r"\S(?: \S)*")
_UNSEEN = re.compile("[\u200b-\u200d\u2060\ufe0e\ufe0f\ufeff]")
_NO_LETTER = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


@dataclass(frozen=True)
class ChartRead:
    """A chart that was read.

    Attributes:
        notes: sentences that name what was filled up or left out.
    """

    cells: Cells
    notes: tuple[str, ...] = ()


class WhichIsLifted(Unusable):
    """It cannot be told which of the characters are lifted; say so, and read it again.

    Attributes:
        characters: all that the chart is written with.
    """

    def __init__(self, characters: str) -> None:
        super().__init__(
            f"The chart is written with {_quoted(characters)}; say which of them stand for lifted units."
        )
        self.characters = characters


class _Line(NamedTuple):
    number: int  # in the file, from 1
    text: str


def read_chart(content: str | bytes, lifted: str = "") -> ChartRead:
    """Read a chart.

    Args:
        content: the file.
        lifted: the characters that are the figure; all others are ground. Empty: as described above.

    Raises:
        WhichIsLifted: if that has to be said.
        Unusable: with one sentence that says where it goes wrong, and why.
    """
    if len(content) > MOST_CONTENT:
        raise Unusable("The chart is larger than 1 MB, the most that can be brought in here.")
    notes: list[str] = []
    lines, blanks_are_cells = _only_cells(_lines(_text(content), notes), notes)
    rows = _told_apart([line.text for line in lines], lifted)
    units = max(len(row) for row in rows)
    if units == 0:
        raise Unusable(_NO_CELL)
    if units > MOST or units * len(rows) > MOST_CELLS:
        raise Unusable(
            f"{len(rows):,} rows of {units:,} units are more than any cloth has; look at the file."
        )
    short = [line.number for line, row in zip(lines, rows, strict=True) if len(row) < units]
    if short and not blanks_are_cells:  # else a blank at the end is as good as none
        notes.append(
            f"Ground was put in at the right of what is shorter than {units} cells: {_named(short)}."
        )
    return ChartRead(to_cells([row.ljust(units, NOT_LIFTED) for row in reversed(rows)]), tuple(notes))


def write_chart(cells: Cells) -> str:
    """The chart of these cells, a line a row, the row woven last at the top; # lifted, . not."""
    return "".join(row + "\n" for row in reversed(to_rows(cells)))


def _text(content: str | bytes) -> str:
    text = content if isinstance(content, str) else _decoded(content)
    text = _UNSEEN.sub("", text).replace("\xa0", " ").removesuffix("\x1a")
    if HALF_A_CHARACTER.search(text) or _NO_LETTER.search(text):
        raise Unusable("That file is not plain text; save the chart as plain text, one character a cell.")
    return text


def _decoded(content: bytes) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\x00" in content:  # UTF-16 without a mark: the empty halves tell which way round
        big = content[::2].count(0) > content[1::2].count(0)
        return content.decode("utf-16-be" if big else "utf-16-le", errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _lines(text: str, notes: list[str]) -> list[_Line]:
    """Without remarks, and without what is empty at both ends."""
    texts = re.split(r"\r\n|\r|\n", text)
    if len(texts) > MOST:
        raise Unusable(f"{len(texts):,} lines are more than any cloth has rows; look at the file.")
    every = [_Line(number, line) for number, line in enumerate(texts, 1)]
    if not every[-1].text:
        every.pop()  # the end of the last line, no line
    lines = [line for line in every if not line.text.lstrip().startswith(_REMARK)]
    if remarks := len(every) - len(lines):
        notes.append(f"Left out: {remarks} {'line' if remarks == 1 else 'lines'} of remarks.")
    full = [place for place, line in enumerate(lines) if line.text.strip(" ")]
    if not full:
        raise Unusable(_NO_CELL)
    kept = lines[full[0] : full[-1] + 1]
    if empty := len(lines) - len(kept):
        notes.append(f"Left out: {empty} empty {'line' if empty == 1 else 'lines'} above or below the chart.")
    return kept


def _only_cells(lines: list[_Line], notes: list[str]) -> tuple[list[_Line], bool]:
    """What of the lines is cells, one character each, and whether blanks are among them."""
    full = [line for line in lines if line.text.strip(" ")]
    framed = [_IN_A_FRAME.fullmatch(line.text.strip()) for line in full]
    if all(framed):
        notes.append("Left out: the upright strokes, and what stands outside them.")
        inside = [line._replace(text=found[1]) for line, found in zip(full, framed, strict=True) if found]
        return inside, any(" " in line.text for line in inside)
    for between in ("\t", ","):
        if any(between in line.text for line in full):
            fields = [[field.strip(' "') for field in line.text.split(between)] for line in full]
            if all(len(field) <= 1 for line in fields for field in line):
                texts = ["".join(field or " " for field in line) for line in fields]
                return _with_texts(full, texts), False
    for line in full:
        if "\t" in line.text:
            raise Unusable(
                f"Line {line.number} has a tab in it; put one between each two cells, or none at all."
            )
    if len({character for line in full for character in line.text} - {" "}) > 1:
        indent = min(len(line.text) - len(line.text.lstrip(" ")) for line in full)
        bare = [line.text[indent:].rstrip(" ") for line in full]
        spaced_out = all(_SPACED_OUT.fullmatch(text) for text in bare) and max(map(len, bare)) > 1
        if spaced_out or not any(" " in text for text in bare):
            if empty := len(lines) - len(full):
                notes.append(f"Left out: {empty} empty {'line' if empty == 1 else 'lines'} between rows.")
            return _with_texts(full, [text[::2] for text in bare] if spaced_out else bare), False
    if len({len(line.text) for line in lines}) > 1:
        lines = _with_texts(lines, [line.text.rstrip(" ") for line in lines])
    return lines, True


def _with_texts(lines: list[_Line], texts: list[str]) -> list[_Line]:
    return [line._replace(text=text) for line, text in zip(lines, texts, strict=True)]


def _told_apart(texts: Sequence[str], lifted: str) -> list[str]:
    """The texts in the characters of a piece file."""
    characters = set().union(*texts)
    if lifted:
        figure = (characters & set(lifted)) - {" "}
        if not figure:
            raise Unusable(f"Nothing in the chart is written with {_quoted(lifted)}.")
    else:
        figure = _figure_among(characters)
    marks = {ord(character): LIFTED if character in figure else NOT_LIFTED for character in characters}
    return [text.translate(marks) for text in texts]


def _figure_among(characters: set[str]) -> set[str]:
    figure, ground = characters & set(FIGURE), characters & set(GROUND)
    strange = characters - figure - ground
    if len(strange) > 2:
        raise Unusable(
            f"A chart has one character a cell, # for lifted and . for not; here are {_quoted(strange)} too."
        )
    if len(strange) == 1:
        if figure and not ground:
            return figure
        if ground and not figure:
            return strange
    if strange == characters and len(strange) == 1:
        raise Unusable(f"All cells of the chart are {_quoted(strange)}; nothing can be told apart in it.")
    all_alike = (len(figure) > 1 and not ground) or (len(ground - {" "}) > 1 and not figure)
    if strange or all_alike:
        raise WhichIsLifted("".join(sorted(characters)))
    return figure


_SHOWN = 8
"""So many of anything are named; of more it is said that there are more."""


def _quoted(characters: str | set[str]) -> str:
    every = sorted(set(characters))
    shown = [f"“{one}”" if one.isprintable() else f"U+{ord(one):04X}" for one in every[:_SHOWN]]
    return _in_words(shown, len(every))


def _named(numbers: Sequence[int]) -> str:
    return ("line " if len(numbers) == 1 else "lines ") + _in_words(
        list(map(str, numbers[:_SHOWN])), len(numbers)
    )


def _in_words(shown: list[str], many: int) -> str:
    if many > len(shown):
        return f"{', '.join(shown)} and {many - len(shown)} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)
