"""WIF 1.1, the open interchange format for drafts, read and written as a profile draft: a thread is a unit.

What is said here of the format is from memory of its specification of 1997, not looked up.

- *Which side thread 1 is on* the format leaves open. Drafts are mostly written with thread 1 at the right, so
  that is how files are read and written where nobody says otherwise (`first_thread`). Pick 1 is woven first.
- *Rows* come from the lift plan, or else from treadling and tie-up. Where sheds sink (Rising Shed=no), what
  no treadle pulls down is lifted; without a treadle no shed opens and nothing is. A lift plan names what is
  lifted.
- *A thread on several shafts* rises with each of them. A unit hangs on one pattern shaft only, so the first
  is its leash, and its rows stay as the file has them.
- *Shafts of our own beyond the pattern shafts.* The format knows no temporaries and no single draw cords.
  Units that hang together and do not rise together get further shafts; what those stand for is told in
  [NOTES], and in a private section, as the format allows, from which we read the loom again as it was. That
  section holds only for the threading that it was written with.
- The key Developers of [WIF] is left out: it would be somebody's address.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import chain
from typing import Literal

import numpy as np
import numpy.typing as npt

from server.design.cells import Cells
from server.design.piece_file import MOST, MOST_CELLS, Unusable
from server.design.wif_sections import Entry, Notes, Section, Sections, key_of, one_line, read_sections, shown
from server.loom.leashes import NO_SHAFT

FirstThread = Literal["left", "right"]
"""The side of the loom, as seen by the weaver, that thread 1 is on."""

MOST_SHAFTS = 10_000
MOST_TREADLES = 1_000

MOST_WORK = 500_000_000
"""Shafts to be looked at in all rows together: a few seconds, and far above any draft."""

PRIVATE = "PRIVATE SPARESHAFT LEASHES"

_READ = (
    "CONTENTS",
    "TEXT",
    "WEAVING",
    "WARP",
    "WEFT",
    "THREADING",
    "TIEUP",
    "TREADLING",
    "LIFTPLAN",
    PRIVATE,
)
_WANTED = {key_of(name): name for name in _READ}
_SAYS_NOTHING_HERE = {key_of(name) for name in ("WIF", "NOTES", "COLOR PALETTE", "COLOR TABLE")}
_CM = {
    **dict.fromkeys(("centimeters", "centimeter", "centimetres", "centimetre", "cm"), Fraction(1)),
    **dict.fromkeys(("inches", "inch", "in"), Fraction(254, 100)),
    **dict.fromkeys(("decipoints", "decipoint"), Fraction(254, 72000)),  # 720 to the inch
}
_BOOLEANS = dict.fromkeys(("true", "yes", "on", "1", "t", "y"), True) | dict.fromkeys(
    ("false", "no", "off", "0", "f", "n"), False
)
_NUMBER = re.compile("([0-9]+)(?:-([0-9]+))?")
_DECIMAL = re.compile(r"[0-9]{0,12}[.,]?[0-9]{1,20}")


@dataclass(frozen=True, slots=True, eq=False)
class Wif:
    """What a WIF file says of a loom and a design.

    Attributes:
        leashes: per unit, from the weaver's left, its pattern shaft; 0 for none.
        single_cords: units (from 1) on a single draw cord; foreign files: those on no shaft.
        rows: rows × units, the first row woven first.
        notes: sentences on all that could not be used or was mended.
        units_per_cm: threads of the file to a centimetre, where it says so: a thread is a unit.
        rows_per_cm: its picks to a centimetre: a pick is a row.
    """

    name: str
    leashes: tuple[int, ...]
    single_cords: frozenset[int]
    pattern_shafts: int
    rows: Cells
    notes: tuple[str, ...] = ()
    units_per_cm: Fraction | None = None
    rows_per_cm: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Draft:
    """A draft as WIF has it, before it is written.

    Attributes:
        threading: per unit, from the weaver's left, the shafts that it rises with, its pattern shaft first.
        pattern_shafts: shafts beyond these are no pattern shafts.
        lifted: per row, the first woven first, the shafts that are up.
        beyond: per shaft beyond the pattern shafts the one its units hang on (0: none), and what it is.
        single_cords: units (from 1) that have a single draw cord.
    """

    name: str
    threading: Sequence[Sequence[int]]
    pattern_shafts: int
    lifted: Iterable[Iterable[int]]
    beyond: Mapping[int, tuple[int, str]] = field(default_factory=dict)
    single_cords: Iterable[int] = ()
    units_per_cm: Fraction | None = None
    rows_per_cm: Fraction | None = None


# --- read ----------------------------------------------------------------------------------------------


def read_wif(content: bytes, first_thread: FirstThread = "right") -> Wif:
    """Read a WIF file as a profile draft.

    Args:
        first_thread: the side thread 1 is on; a file that we wrote says it itself.

    Raises:
        Unusable: with one sentence that says where the file goes wrong, and why.
    """
    notes = Notes()
    sections = read_sections(content, _WANTED, notes)
    wanted = sections.wanted
    if not wanted and not sections.others:
        raise Unusable("This is not a WIF file: it has no section, such as [THREADING], in it.")
    threading = _threading(wanted, notes)
    own = _own(wanted, threading, notes)
    if own is not None:
        leashes, corded, pattern_shafts = own
        if (side := _own_side(wanted)) != first_thread:
            notes.add("side", f"The file says itself that thread 1 is at the {side}; that was taken.")
            first_thread = side
    else:
        leashes, pattern_shafts = threading.first, threading.shafts
        _note_several_shafts(threading, notes)
        corded = {thread for thread, shaft in enumerate(leashes, 1) if shaft == NO_SHAFT}
        if corded:
            notes.add(
                "no shaft",
                f"Threads on no shaft: {len(corded)}, the first is thread {min(corded)}. "
                "Their units hang on single draw cords.",
            )
    rows = _rows(wanted, threading, notes)
    _note_contents(wanted, notes)
    _note_passed_over(sections, notes)
    units = len(leashes)
    if first_thread == "right":
        leashes, rows = leashes[::-1], np.ascontiguousarray(rows[:, ::-1])
        corded = {units + 1 - thread for thread in corded}
    return Wif(
        name=_name(wanted),
        leashes=leashes,
        single_cords=frozenset(corded),
        pattern_shafts=pattern_shafts,
        rows=rows,
        units_per_cm=_sett(wanted, "WARP", notes),
        rows_per_cm=_sett(wanted, "WEFT", notes),
        notes=notes.sentences(),
    )


@dataclass(frozen=True, slots=True)
class _Threading:
    """Per thread, from thread 1, all its shafts; `shafts`: how many there are in all."""

    of_thread: tuple[tuple[int, ...], ...]
    lines: Mapping[int, int]
    shafts: int

    @property
    def first(self) -> tuple[int, ...]:
        return tuple(shafts[0] if shafts else NO_SHAFT for shafts in self.of_thread)


def _threading(wanted: Mapping[str, Section], notes: Notes) -> _Threading:
    section = wanted.get("THREADING")
    if section is None:
        raise Unusable("This file has no [THREADING] section: which thread hangs on which shaft is not told.")
    entries = _listed(section, "THREADING", "thread", notes)
    if not entries:
        raise Unusable(f"Line {section.line}: no thread is listed in [THREADING].")
    threads = max(entries)
    most = _most(wanted, "WEAVING", "shafts", MOST_SHAFTS, notes)
    of_thread: list[tuple[int, ...]] = [()] * threads
    several = 0
    for thread, entry in entries.items():
        runs = _numbers(entry, "THREADING", notes)
        if (last := max(chain.from_iterable(runs), default=0)) > MOST_SHAFTS:
            raise Unusable(
                f"Line {entry.line}: thread {thread} is on shaft {_much(last)}; {MOST_SHAFTS:,} are the most."
            )
        several += max(sum(abs(first - last) + 1 for first, last in runs) - 1, 0)
        if several > MOST_CELLS // 20:
            raise Unusable(f"Line {entry.line}: too many threads are on several shafts at once.")
        shafts = tuple(dict.fromkeys(shaft for run in runs for shaft in _counted(run)))
        of_thread[thread - 1] = shafts
        if shafts and most is not None and max(shafts) > most:
            notes.add(
                "beyond shafts",
                f"Line {entry.line}: thread {thread} is on shaft {max(shafts)}, but [WEAVING] says there are "
                f"{most} shafts. It was taken as it stands.",
            )
    _note_count(wanted, "WARP", "thread", threads, notes)
    _note_gaps(entries, threads, "thread", "They were taken to be on no shaft.", notes)
    used = max(chain.from_iterable(of_thread), default=0)
    lines = {thread: entry.line for thread, entry in entries.items()}
    return _Threading(tuple(of_thread), lines, max(used, most or 0, 1))


def _note_several_shafts(threading: _Threading, notes: Notes) -> None:
    for thread, shafts in enumerate(threading.of_thread, 1):
        if len(shafts) > 1:
            notes.add(
                "several shafts",
                f"Line {threading.lines[thread]}: thread {thread} is on several shafts. A unit hangs on one: "
                f"shaft {shafts[0]} was taken, and the rows stay as the file has them.",
            )


def _rows(wanted: Mapping[str, Section], threading: _Threading, notes: Notes) -> Cells:
    """Rows × threads, thread 1 first."""
    plan, treadling, tie_up = (wanted.get(name) for name in ("LIFTPLAN", "TREADLING", "TIEUP"))
    if _lifts_nothing(plan) and treadling is not None and treadling.numbered and tie_up is not None:
        notes.add("both", "The file’s lift plan lifts nothing in any row; its treadling was taken.")
        plan = None
    if plan is not None and plan.numbered:
        entries = _listed(plan, "LIFTPLAN", "row", notes)
        if treadling is not None and treadling.numbered:
            notes.add("both", "The file has a lift plan and a treadling; the lift plan was taken.")
        if not _rising(wanted, notes):
            notes.add("sinks", "Its sheds sink, it says; its lift plan was taken to name what is lifted.")
    elif treadling is not None and treadling.numbered:
        if tie_up is None or not tie_up.numbered:
            raise Unusable("This file has a treadling but no [TIEUP], so what a treadle lifts is not told.")
        entries = _listed(treadling, "TREADLING", "row", notes)
    else:
        raise Unusable("This file has no lift plan and no treadling, so what is lifted in a row is not told.")
    if not entries:
        raise Unusable("This file lists no row.")
    rows, threads = max(entries), len(threading.of_thread)
    if rows * threads > MOST_CELLS:
        raise Unusable(f"{rows:,} rows of {threads:,} units are more than {MOST_CELLS:,} cells.")
    _note_count(wanted, "WEFT", "row", rows, notes)
    _note_gaps(entries, rows, "row", "Nothing is lifted in them.", notes)
    if plan is not None and plan.numbered:
        return _woven(_lifted(entries, threading.shafts, notes), rows, threading)
    assert tie_up is not None
    rising = _rising(wanted, notes)
    if not rising:
        notes.add("sinks", "Its sheds sink: what no treadle pulls down was taken as lifted.")
    moved = _trodden(entries, tie_up, threading.shafts, notes)
    return _woven(((row, on, not rising and is_trodden) for row, on, is_trodden in moved), rows, threading)


def _lifts_nothing(plan: Section | None) -> bool:
    """Whether a lift plan is there and empty, as some hands write what a draft does not use."""
    entries = plan.numbered.values() if plan is not None else ()
    return bool(entries) and all(re.fullmatch(r"[0\s,]*", entry.plain) for entry in entries)


_Shafts = npt.NDArray[np.bool_]
"""Per shaft, from 0 for none, whether it is moved."""


def _woven(moved: Iterable[tuple[int, _Shafts, bool]], rows: int, threading: _Threading) -> Cells:
    """What is lifted, from the shafts moved in each row, and whether they sink."""
    leashes = np.array(threading.first, dtype=np.intp)
    pairs = [(at, shaft) for at, shafts in enumerate(threading.of_thread) for shaft in shafts[1:]]
    if rows * len(pairs) > MOST_WORK:
        raise Unusable("Too many threads are on several shafts at once for so many rows.")
    more_at, more_on = np.array(pairs, dtype=np.intp).reshape(-1, 2).T
    cells = np.zeros((rows, len(leashes)), dtype=np.bool_)
    for row, shafts, sinks in moved:
        line = shafts[leashes]
        if pairs:
            line[more_at[shafts[more_on]]] = True
        cells[row - 1] = ~line & (leashes != NO_SHAFT) if sinks else line
    return cells


def _lifted(entries: Mapping[int, Entry], shafts: int, notes: Notes) -> Iterator[tuple[int, _Shafts, bool]]:
    for row, entry in entries.items():
        yield row, _marked(entry, shafts, "LIFTPLAN", "shaft", notes), False


def _trodden(
    entries: Mapping[int, Entry], tie_up: Section, shafts: int, notes: Notes
) -> Iterator[tuple[int, _Shafts, bool]]:
    """Per row the shafts that its treadles move, and whether any treadle is down."""
    tied = _listed(tie_up, "TIEUP", "treadle", notes, MOST_TREADLES)
    treadles = max(tied, default=0)
    ties: _Shafts = np.zeros((treadles + 1, shafts + 1), dtype=np.bool_)
    for treadle, entry in tied.items():
        ties[treadle] = _marked(entry, shafts, "TIEUP", "shaft", notes)
    work = 0
    for row, entry in entries.items():
        down = np.flatnonzero(_marked(entry, treadles, "TREADLING", "treadle", notes))
        work += (len(down) + 1) * shafts
        if work > MOST_WORK:
            raise Unusable(f"Line {entry.line}: the rows up to here have too many treadles at once.")
        yield row, np.logical_or.reduce(ties[down], axis=0), len(down) > 0


def _marked(entry: Entry, most: int, section: str, what: str, notes: Notes) -> _Shafts:
    """Per number up to `most` whether it is listed."""
    marks = np.zeros(most + 1, dtype=np.bool_)
    runs = _numbers(entry, section, notes)
    marks[[first for first, last in runs if first == last <= most]] = True
    for first, last in runs:
        if first != last:
            marks[min(first, last) : max(first, last) + 1] = True
        if (high := max(first, last)) > most:
            notes.add(
                f"beyond {section}",
                f"Line {entry.line}: {what} {_much(high)} was passed over; the last is {most}.",
            )
    marks[0] = False
    return marks


def _numbers(entry: Entry, section: str, notes: Notes) -> list[tuple[int, int]]:
    """The numbers of a list, as runs, first to last as they stand; 0, for none, is left out."""
    listed = re.sub(r"(?<=[0-9])[ \t]*-[ \t]*(?=[0-9])", "-", entry.plain).replace(",", " ")
    runs: list[tuple[int, int]] = []
    for word in dict.fromkeys(listed.split()):
        if found := _NUMBER.fullmatch(word):
            first = _number(found[1])
            last = _number(found[2]) if found[2] else first
            if first or last:
                runs.append((max(first, 1), max(last, 1)))
        else:
            notes.add(
                f"word {section}", f"Line {entry.line}: {shown(word)} is no number and was passed over."
            )
    return runs


def _number(figures: str) -> int:
    """A whole number; beyond 10 figures just a large one."""
    figures = figures.lstrip("0") or "0"
    return int(figures) if len(figures) < 11 else 10**10


def _counted(run: tuple[int, int]) -> range:
    first, last = run
    return range(first, last + 1) if first <= last else range(first, last - 1, -1)


def _much(number: int) -> str:
    return f"{number:,}" if number < 10**10 else "with more than 10 figures"


def _listed(section: Section, name: str, what: str, notes: Notes, most: int = MOST) -> dict[int, Entry]:
    """The numbered entries of a section, in order of their numbers."""
    for number, entry in section.numbered.items():
        if number > most:
            raise Unusable(
                f"Line {entry.line}: {what} {_much(number)} is beyond {most:,}, the most that are read."
            )
        if number == 0:
            notes.add(f"zeroth {name}", f"Line {entry.line}: there is no {what} 0 in [{name}]; passed over.")
    for word, entry in section.named.items():
        notes.add(
            f"named {name}", f"Line {entry.line}: {shown(word)} is no {what}’s number and was passed over."
        )
    return {number: section.numbered[number] for number in sorted(section.numbered) if number > 0}


def _named(wanted: Mapping[str, Section], section: str, key: str) -> Entry | None:
    return wanted[section].named.get(key) if section in wanted else None


def _most(wanted: Mapping[str, Section], section: str, key: str, most: int, notes: Notes) -> int | None:
    """A count that a file states; None where it states none that can be."""
    entry = _named(wanted, section, key)
    if entry is None:
        return None
    figures = entry.plain
    if not (figures.isascii() and figures.isdigit()) or not 1 <= _number(figures) <= most:
        notes.add(
            f"count {section} {key}",
            f"Line {entry.line}: {key.title()}={one_line(figures, 20)} cannot be; what is listed counts.",
        )
        return None
    return _number(figures)


def _note_count(wanted: Mapping[str, Section], section: str, what: str, there: int, notes: Notes) -> None:
    stated = _most(wanted, section, "threads", MOST, notes)
    if stated is not None and stated != there:
        notes.add(
            f"count {section}",
            f"[{section}] says {stated}, the last {what} listed is {there}; {there} were taken.",
        )


def _note_gaps(entries: Mapping[int, Entry], last: int, what: str, meaning: str, notes: Notes) -> None:
    if missing := last - len(entries):
        first = next(number for number in range(1, last + 1) if number not in entries)
        many = f"{missing} {what}{'s' if missing > 1 else ''}"
        notes.add(f"gaps {what}", f"Not listed: {many}, the first is {what} {first}. {meaning}")


def _rising(wanted: Mapping[str, Section], notes: Notes) -> bool:
    entry = _named(wanted, "WEAVING", "rising shed")
    if entry is None:
        return True
    rising = _BOOLEANS.get(entry.plain.casefold())
    if rising is None:
        notes.add(
            "rising", f"Line {entry.line}: {shown(entry.plain)} is not yes or no; a rising shed was taken."
        )
    return rising is not False


def _name(wanted: Mapping[str, Section]) -> str:
    entry = _named(wanted, "TEXT", "title")
    return one_line(entry.text) if entry else ""


def _sett(wanted: Mapping[str, Section], section: str, notes: Notes) -> Fraction | None:
    """Threads to a centimetre: Spacing is from one to the next, in Units."""
    entry, units = _named(wanted, section, "spacing"), _named(wanted, section, "units")
    if entry is None:
        return None
    cm = _CM.get(units.plain.casefold()) if units else None
    if cm is None:
        why = (
            "it does not say in which units"
            if units is None
            else f"{shown(units.plain)} is no unit known here"
        )
        notes.add(f"units {section}", f"Line {entry.line}: the spacing was passed over; {why}.")
        return None
    spacing = cm * Fraction(entry.plain.replace(",", ".")) if _DECIMAL.fullmatch(entry.plain) else Fraction(0)
    if not Fraction(1, 1000) <= spacing <= 100:
        notes.add(
            f"spacing {section}",
            f"Line {entry.line}: a spacing of {shown(entry.plain)} cannot be; passed over.",
        )
        return None
    return (1 / spacing).limit_denominator(1000)


def _note_contents(wanted: Mapping[str, Section], notes: Notes) -> None:
    """Where [CONTENTS] says otherwise of what matters here."""
    for name in ("THREADING", "TIEUP", "TREADLING", "LIFTPLAN"):
        entry = _named(wanted, "CONTENTS", name.casefold())
        says = entry and _BOOLEANS.get(entry.plain.casefold())
        if entry is not None and says is not None and says != (name in wanted):
            notes.add(
                f"contents {name}",
                f"Line {entry.line}: [CONTENTS] says that there is {'a' if says else 'no'} [{name}], "
                f"and there is {'none' if says else 'one'}.",
            )


def _note_passed_over(sections: Sections, notes: Notes) -> None:
    names = [name for name in sections.others if key_of(name) not in _SAYS_NOTHING_HERE]
    if names:
        rest = f" and {len(names) - 12} more" if len(names) > 12 else ""
        notes.add("sections", f"Passed over: {', '.join(f'[{name}]' for name in names[:12])}{rest}.")
    if not any(key_of(name) == "wif" for name in sections.others):
        notes.add("no head", "The file has no [WIF] section; it was read as WIF all the same.")


def _own(
    wanted: Mapping[str, Section], threading: _Threading, notes: Notes
) -> tuple[tuple[int, ...], set[int], int] | None:
    """Leashes and corded threads, from thread 1, and pattern shafts, as our own section has them."""
    section = wanted.get(PRIVATE)
    if section is None:
        return None
    pattern_shafts = _most(wanted, PRIVATE, "pattern shafts", MOST_SHAFTS, notes) or 0
    written_with = _named(wanted, PRIVATE, "threading")
    leashes: list[int] = []
    for first in threading.first:
        parent = section.numbered.get(first)
        if (
            first > pattern_shafts
            and parent is not None
            and parent.plain.isascii()
            and parent.plain.isdigit()
        ):
            first = _number(parent.plain)
        leashes.append(first)
    cords = _named(wanted, PRIVATE, "single cords")
    corded = {
        n for run in (_numbers(cords, PRIVATE, notes) if cords else ()) for n in _few(run, len(leashes))
    }
    fits = (
        written_with is not None
        and written_with.plain == _mark(threading.of_thread)
        and pattern_shafts > 0
        and max(leashes) <= pattern_shafts
        and all(thread in corded for thread, shaft in enumerate(leashes, 1) if shaft == NO_SHAFT)
    )
    if not fits:
        notes.add(
            "own",
            f"Line {section.line}: [{PRIVATE}] does not fit the threading any more and was passed over.",
        )
        return None
    return tuple(leashes), corded, pattern_shafts


def _few(run: tuple[int, int], most: int) -> range:
    return range(min(run), min(max(run), most) + 1)


def _own_side(wanted: Mapping[str, Section]) -> FirstThread:
    side = _named(wanted, PRIVATE, "first thread")
    return "left" if side is not None and side.plain.casefold() == "left" else "right"


def _mark(threading: Sequence[Sequence[int]]) -> str:
    """A mark of the threading that our own section was written with."""
    return str(zlib.crc32("\n".join(",".join(map(str, shafts)) for shafts in threading).encode()))


# --- write ---------------------------------------------------------------------------------------------


def write_wif(
    name: str,
    leashes: Sequence[int],
    pattern_shafts: int,
    cells: Cells,
    *,
    single_cords: Iterable[int] | None = None,
    units_per_cm: Fraction | None = None,
    rows_per_cm: Fraction | None = None,
    first_thread: FirstThread = "right",
) -> str:
    """A design as a WIF file: the leash order as threading, the rows as lift plan.

    Args:
        leashes: per unit, from the weaver's left, its pattern shaft; 0 for none.
        cells: rows × units.
        single_cords: units (from 1) that have a single draw cord; None: those on no shaft.
        units_per_cm: how many units to a centimetre: a unit is a thread of the file.
        first_thread: the side thread 1 is on.

    Returns:
        The file, to be written as UTF-8.

    Raises:
        Unusable: if it would take more shafts than are read again.
    """
    threading, lifted, beyond = _shafts_for(leashes, pattern_shafts, cells)
    if single_cords is None:
        single_cords = [unit for unit, shaft in enumerate(leashes, 1) if shaft == NO_SHAFT]
    draft = Draft(
        name=name,
        threading=[(shaft,) for shaft in threading],
        pattern_shafts=pattern_shafts,
        lifted=lifted,
        beyond=beyond,
        single_cords=single_cords,
        units_per_cm=units_per_cm,
        rows_per_cm=rows_per_cm,
    )
    return write_draft(draft, first_thread)


def _shafts_for(
    leashes: Sequence[int], pattern_shafts: int, cells: Cells
) -> tuple[list[int], Iterator[Iterable[int]], dict[int, tuple[int, str]]]:
    """Each unit's shaft, each row's lift, and the shafts beyond the pattern shafts.

    Of the units on a pattern shaft, those that rise in the same rows stay together: the most of them (of as
    many, the leftmost) keep its number, the others get further numbers, from the left. A unit on its single
    cord only is always by itself.
    """
    columns = np.packbits(cells, axis=0).T.copy()
    alike: dict[tuple[int, bytes], list[int]] = {}
    for at, shaft in enumerate(leashes):
        alone = at.to_bytes(8, "big") if shaft == NO_SHAFT else columns[at].tobytes()
        alike.setdefault((shaft, alone), []).append(at)
    keeps: dict[int, list[int]] = {}
    for (shaft, _), units in alike.items():
        if shaft != NO_SHAFT and len(units) > len(keeps.get(shaft, ())):
            keeps[shaft] = units
    threading, stands_for = [0] * len(leashes), dict[int, int]()
    beyond: dict[int, tuple[int, str]] = {}
    for (shaft, _), units in alike.items():
        if keeps.get(shaft) is units:
            number = shaft
        else:
            number = pattern_shafts + len(beyond) + 1
            hung = (
                f"some of the units of pattern shaft {shaft}" if shaft else "a unit on its single draw cord"
            )
            beyond[number] = (shaft, hung)
        stands_for[number] = units[0]
        for at in units:
            threading[at] = number
    numbers = np.array(sorted(stands_for), dtype=np.intp)
    up = cells[:, [stands_for[number] for number in sorted(stands_for)]]
    return threading, (numbers[row].tolist() for row in up), beyond


def write_draft(draft: Draft, first_thread: FirstThread = "right") -> str:
    """A draft as a WIF file.

    Raises:
        Unusable: if it has more shafts than are read again.
    """
    threading = draft.threading if first_thread == "left" else draft.threading[::-1]
    units, shafts = len(threading), max(draft.pattern_shafts, *draft.beyond, 0)
    if shafts > MOST_SHAFTS:
        raise Unusable(f"This takes {shafts:,} shafts, and WIF is written with at most {MOST_SHAFTS:,}.")
    cords = (unit if first_thread == "left" else units + 1 - unit for unit in draft.single_cords)
    plan = [_list(lifted) for lifted in draft.lifted]
    noted = _notes_lines(draft, first_thread)
    name = one_line(draft.name)
    if len(name) > 1 and name[0] == name[-1] and name[0] in "\"'":
        name = f'"{name}"'
    sections: dict[str, list[str]] = {
        "TEXT": [f"Title={name}"],
        "WEAVING": [f"Shafts={shafts}", f"Treadles={shafts}", "Rising Shed=true"],
        "WARP": [f"Threads={units}", "Color=2", *_spacing(draft.units_per_cm)],
        "WEFT": [f"Threads={len(plan)}", "Color=1", *_spacing(draft.rows_per_cm)],
        "COLOR PALETTE": ["Entries=2", "Form=RGB", "Range=0,255"],
        "COLOR TABLE": ["1=255,255,255", "2=0,0,0"],
        "NOTES": [f"{number}={line}" for number, line in enumerate(noted, 1)],
        "THREADING": [f"{thread}={_list(on)}" for thread, on in enumerate(threading, 1)],
        "LIFTPLAN": [f"{row}={up}" for row, up in enumerate(plan, 1)],
        PRIVATE: [
            f"Pattern Shafts={draft.pattern_shafts}",
            f"First Thread={first_thread}",
            f"Single Cords={_list(sorted(cords))}",
            f"Threading={_mark(threading)}",
            *(f"{number}={shaft}" for number, (shaft, _) in draft.beyond.items()),
        ],
    }
    head = {
        "WIF": ["Version=1.1", "Date=April 20, 1997", "Source Program=Spareshaft"],
        "CONTENTS": [f"{section}=true" for section in sections],
    }
    blocks = ["\r\n".join([f"[{section}]", *lines]) for section, lines in (head | sections).items()]
    return "\r\n\r\n".join(blocks) + "\r\n"


def _list(numbers: Iterable[int]) -> str:
    return ",".join(map(str, numbers)) or "0"


def _spacing(per_cm: Fraction | None) -> list[str]:
    """Written so finely that `_sett` reads the same again."""
    return [] if per_cm is None else ["Units=Centimeters", f"Spacing={float(1 / per_cm):.12f}"]


def _notes_lines(draft: Draft, first_thread: FirstThread) -> list[str]:
    lines = [
        f"A profile draft: a thread is a unit, a pick is a row. Thread 1 is at the weaver's {first_thread}."
    ]
    if draft.beyond:
        lines.append(
            f"Shafts 1 to {draft.pattern_shafts} are pattern shafts; those beyond them are not on the loom:"
        )
    return lines + [f"Shaft {number}: {what}." for number, (_, what) in draft.beyond.items()]
