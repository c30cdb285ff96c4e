"""The sections of a WIF file from many hands: bytes in, named entries out, with what had to be mended.

WIF is written like the INI files of its time: [SECTION], then key=value, and ; before a comment. Python's
configparser does not fit: it forgets on which line an entry stands, takes an indented line for the end of the
one before, and gives up at the first line that it does not know. So the few lines of a parser are our own.
"""

from __future__ import annotations

import codecs
import re
import unicodedata
from dataclasses import dataclass, field

from server.design.piece_file import Unusable

MOST_BYTES = 8_000_000
"""Lift plans of a thousand shafts and more, and what we write ourselves, stay below it."""

MOST_LINES = 500_000

LONGEST_LINE = 200_000
"""Characters; a row that lists 10,000 shafts has a quarter of them."""

LONGEST_SHOWN = 40

_LINE_END = re.compile("\r\r\n|\r\n|\n|\r")
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_LEFT_OUT = set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufffe\uffff")
"""The first turn the direction of all that follows them on a page; the last two no drawing may contain."""


class Notes:
    """Sentences on what could not be used or was mended; of each kind the first is told, the rest counted."""

    def __init__(self) -> None:
        self._first: dict[str, str] = {}
        self._number: dict[str, int] = {}

    def add(self, kind: str, sentence: str) -> None:
        """One more thing of a kind."""
        self._first.setdefault(kind, sentence)
        self._number[kind] = self._number.get(kind, 0) + 1

    def sentences(self) -> tuple[str, ...]:
        """One sentence a kind, in the order in which they came up."""
        return tuple(f"{sentence}{_again(self._number[kind] - 1)}" for kind, sentence in self._first.items())


def _again(more: int) -> str:
    return ("", " The same once more.")[more] if more < 2 else f" The same {more} times more."


@dataclass(frozen=True, slots=True)
class Entry:
    """What stands after an “=”, and on which line."""

    line: int
    value: str

    @property
    def text(self) -> str:
        """As words: without the quotes around it."""
        value = self.value
        is_quoted = len(value) > 1 and value[0] == value[-1] and value[0] in "\"'"
        return value[1:-1].strip() if is_quoted else value

    @property
    def plain(self) -> str:
        """As numbers and the like: without a comment behind it, or quotes around it."""
        return Entry(self.line, self.value.split(";")[0].strip()).text


@dataclass(slots=True)
class Section:
    """A section: where it begins, and its entries by number and by name (small letters, single blanks)."""

    line: int
    numbered: dict[int, Entry] = field(default_factory=dict)
    named: dict[str, Entry] = field(default_factory=dict)


@dataclass(slots=True)
class Sections:
    """What a file has.

    Attributes:
        wanted: the sections asked for, by the names they were asked for by.
        others: the names of all others, as they stand in the file.
    """

    wanted: dict[str, Section] = field(default_factory=dict)
    others: list[str] = field(default_factory=list)


def one_line(text: str, longest: int = 200) -> str:
    """A name on one line: no control characters, nothing that turns a page’s direction, cut to a length."""
    kept = text[: 10 * longest]
    if not (kept.isascii() and kept.isprintable()):
        kept = "".join(
            " " if unicodedata.category(letter) in ("Cc", "Zl", "Zp") else letter
            for letter in kept
            if letter not in _LEFT_OUT and unicodedata.category(letter) != "Cs"
        )
    return " ".join(kept.split())[:longest].strip()


def shown(text: str) -> str:
    """Text from the file, quoted and cut short."""
    text = one_line(text, LONGEST_SHOWN + 1)
    return f"“{text if len(text) <= LONGEST_SHOWN else text[: LONGEST_SHOWN - 1] + '…'}”"


def key_of(name: str) -> str:
    """A section's name as it is looked up: “Lift Plan” is “LIFTPLAN”."""
    return re.sub(r"[\s_-]+", "", name).casefold()


def read_sections(content: bytes, wanted: dict[str, str], notes: Notes) -> Sections:
    """The sections of a file.

    Args:
        wanted: those to be read, by `key_of` their names, with the names they shall have.

    Raises:
        Unusable: if it is too large.
    """
    if len(content) > MOST_BYTES:
        raise Unusable(f"The file is larger than {MOST_BYTES // 1_000_000} MB, the most that is read here.")
    text = _text(content, notes)
    if text.count("\n") + text.count("\r") > 2 * MOST_LINES:
        raise Unusable(f"The file has more than {MOST_LINES:,} lines, the most that are read here.")
    found = Sections()
    seen, section, name = set[str](), None, ""
    for number, raw in enumerate(_LINE_END.split(text), 1):
        if len(raw) > LONGEST_LINE:
            notes.add("long", f"Line {number} has more than {LONGEST_LINE:,} characters and was passed over.")
            continue
        line = raw.strip(" \t\v\f\x1a\ufeff\xa0")
        if not line or line[0] in ";#":
            continue
        if line[0] == "[":
            title, bracket, _ = line[1:].partition("]")
            if not bracket:
                title = title.split(";")[0]
                notes.add(
                    "bracket", f"Line {number}: the bracket after {shown(line)} is missing; it was added."
                )
            section, name = _begin(found, title.strip(), number, wanted, seen, notes)
            continue
        key, sign, value = line.partition("=")
        if not sign:
            notes.add("no entry", f"Line {number}: {shown(line)} is no entry and was passed over.")
        elif not seen:
            notes.add(
                "outside", f"Line {number}: {shown(line)} stands before any section and was passed over."
            )
        elif section is not None:
            _put(section, name, key.strip(), Entry(number, value.strip()), notes)
    return found


def _text(content: bytes, notes: Notes) -> str:
    """The file's text; whatever its letters are written in, its figures come out."""
    text = _decoded(content, notes)
    if "\0" in text:
        notes.add("zeros", "The file has zero bytes in it; they were left out.")
        text = text.replace("\0", "")
    return text


def _decoded(content: bytes, notes: Notes) -> str:
    for mark, encoding in _BYTE_ORDER_MARKS:
        if content.startswith(mark):
            return content[len(mark) :].decode(encoding, errors="replace")
    start = content[:4096]
    for encoding, zeros in (("utf-16-le", start[1::2]), ("utf-16-be", start[::2])):
        # letters of our alphabet in two bytes: every other one is 0
        if zeros and zeros.count(0) > 0.4 * len(zeros) and start.count(0) < 1.2 * zeros.count(0):
            return content.decode(encoding, errors="replace")
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        notes.add("letters", "The file does not say how its letters are written; Western European was taken.")
    try:
        return content.decode("cp1252")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def _begin(
    found: Sections, title: str, line: int, wanted: dict[str, str], seen: set[str], notes: Notes
) -> tuple[Section | None, str]:
    """A section begins; None: nobody asked for it."""
    key = key_of(title)
    again = key in seen
    seen.add(key)
    if key not in wanted:
        if not again:
            found.others.append(one_line(title, LONGEST_SHOWN) or " ")
        return None, ""
    name = wanted[key]
    if again:
        notes.add("section twice", f"Line {line}: [{name}] stands twice; both were read as one.")
    return found.wanted.setdefault(name, Section(line)), name


def _put(section: Section, name: str, key: str, entry: Entry, notes: Notes) -> None:
    """An entry of a section. Where a key stands twice the last counts, as for who mends a file by adding."""
    if key.isascii() and key.isdigit():
        number = int(key) if len(key) < 10 else 10**9
        twice = number in section.numbered
        section.numbered[number] = entry
    else:
        word = " ".join(key.casefold().split())[:LONGEST_SHOWN]
        twice = word in section.named
        section.named[word] = entry
    if twice:
        notes.add(
            f"twice {name}", f"Line {entry.line}: {shown(key)} stands twice in [{name}]; the last counts."
        )
