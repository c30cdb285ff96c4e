"""What is told of a cloth, in the weaver's words. Pure text; units and ends are named as she counts them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from server.cloth.crossings import Draft, Window
from server.cloth.edges import (
    EDGES,
    Crossed,
    Edge,
    Narrow,
    crossed,
    narrow_across,
    narrow_along,
    offsets_to_choose,
    repeat_across,
    repeat_along,
)
from server.cloth.floats import SIDES, THREADS, Bound, Float, Side, Thread
from server.loom.actions import and_list
from server.loom.ground import cautions, weave_name
from server.session.naming import Naming
from server.session.wording import entries, several

SIDE_WORDS: dict[Side, str] = {"front": "the side facing you", "back": "the other side"}
THREAD_WORDS: dict[Thread, str] = {"warp": "by warp", "weft": "by weft"}
EDGE_WORDS: dict[Edge, str] = {
    "left": "the left edges",
    "right": "the right edges",
    "first": "the first rows",
    "last": "the last rows",
}

_MOST_LISTED = 12
_AROUND = 12
"""Threads shown on each side of a place."""


@dataclass(frozen=True, slots=True)
class Counting:
    """How she counts on the warp of a draft."""

    draft: Draft
    naming: Naming

    def end(self, end: int) -> int:
        """The number of an end (from 0, from the left)."""
        return self.draft.ends - end if self.naming.units_from == "right" else end + 1

    def unit(self, unit: int) -> int:
        """The number of a unit (from 0, from the left)."""
        return self.naming.unit(unit + 1)


@dataclass(frozen=True, slots=True)
class FloatLine:
    """A line of the table of floats.

    Attributes:
        length: threads that the longest runs over; 0: this thread does not show on this side.
        place: where it is, in words.
        window: what to look at to see it; None where there is none.
        mark: the float itself.
        longer: how many are longer than was asked for.
    """

    thread: str
    side: Side
    length: int
    over: str
    place: str
    window: Window | None
    mark: Window | None
    longer: int


def float_lines(bound: Bound, counting: Counting, longer_than: int) -> list[FloatLine]:
    """The longest floats, by thread and side."""
    lines = []
    for side in SIDES:
        for thread in THREADS:
            floats = bound.floats[thread, side]
            longest = floats.longest
            mark = _float_window(longest, thread) if longest else None
            lines.append(
                FloatLine(
                    thread=THREAD_WORDS[thread],
                    side=side,
                    length=longest.length if longest else 0,
                    over="picks" if thread == "warp" else "ends",
                    place=_float_words(longest, thread, counting) if longest else "",
                    window=around(counting.draft, mark) if mark else None,
                    mark=mark,
                    longer=floats.longer_than(longer_than),
                )
            )
    return lines


def _float_window(longest: Float, thread: Thread) -> Window:
    ends, picks = (1, longest.length) if thread == "warp" else (longest.length, 1)
    return Window(range(longest.end, longest.end + ends), range(longest.pick, longest.pick + picks))


def around(draft: Draft, place: Window) -> Window:
    """A place with some threads on each side, about as wide as high."""
    half = max(len(place.ends), len(place.picks)) // 2 + _AROUND
    end, pick = (part.start + len(part) // 2 for part in (place.ends, place.picks))
    return Window(
        range(max(0, end - half), min(draft.ends, end + half)),
        range(max(0, pick - half), min(draft.picks, pick + half)),
    )


def _float_words(longest: Float, thread: Thread, counting: Counting) -> str:
    draft = counting.draft
    row = int(draft.row_of_pick[longest.pick]) + 1
    if thread == "warp":
        unit = int(draft.unit_of_end[longest.end])
        of = "a selvedge end" if unit < 0 else f"unit {counting.unit(unit)}"
        return f"end {counting.end(longest.end)} ({of}), from pick {longest.pick + 1} (row {row})"
    first, last = sorted(map(counting.end, (longest.end, longest.end + longest.length - 1)))
    ends = f"end {first}" if first == last else f"ends {first}–{last}"
    return f"pick {longest.pick + 1} (row {row}), {ends}"


def even_area_words(draft: Draft) -> str:
    """How long floats are in an even area, so that she knows what is long."""
    across, along = repeat_across(draft), repeat_along(draft)
    ground = draft.threads.ground
    if weave_name(ground, draft.treadling):
        return f"The ground weave repeats on {across}: in an even area no float is longer than {across - 1}."
    return f"The ground weave repeats on {several(across, 'end')} and {several(along, 'pick')}."


# --- what to look at -----------------------------------------------------------------------------------


def warnings(draft: Draft, bound: Bound | None, counting: Counting) -> list[str]:
    """What is odd about this cloth, a sentence each.

    Args:
        bound: its floats; None if it is too large to be gone through.
    """
    told = list(cautions(draft.threads.ground, draft.treadling))
    if bound is not None:
        if bound.loose_ends:
            ends = [counting.end(end) for end in bound.loose_ends]
            told.append(
                f"{_loose('end', ends)} over or under every pick, from the first to the last: nothing binds "
                f"{'it' if len(ends) == 1 else 'them'}."
            )
        if bound.loose_picks:
            picks = [pick + 1 for pick in bound.loose_picks]
            told.append(
                f"{_loose('pick', picks)} over or under every end: nothing binds "
                f"{'it' if len(picks) == 1 else 'them'}."
            )
    across, along = narrow_across(draft), narrow_along(draft)
    if across is not None:
        told.append(_narrow_words(across, counting, "end", "wide"))
    if along is not None:
        told.append(_narrow_words(along, counting, "pick", "high"))
    return told


def _loose(what: str, numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"{what.capitalize()} {numbers[0]} lies"
    listed = entries(numbers)
    if len(listed) > _MOST_LISTED:
        return f"{len(numbers):,} {what}s, the first of them {min(numbers)}, lie"
    return f"{what.capitalize()}s {and_list(listed)} lie"


def _narrow_words(narrow: Narrow, counting: Counting, thread: str, extent: str) -> str:
    places = [
        f"{count:,} {'place' if count == 1 else 'places'} of the {of}"
        for count, of in ((narrow.lifted, "figure"), (narrow.not_lifted, "ground"))
        if count
    ]
    verb = "is" if narrow.lifted + narrow.not_lifted == 1 else "are"
    return (
        f"{and_list(places)} {verb} fewer than {several(narrow.repeat, thread)} {extent}, too little to show "
        f"the weave whole. The narrowest, {several(narrow.least, thread)}, is at unit "
        f"{counting.unit(narrow.unit)}, row {narrow.row + 1}."
    )


# --- edges ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OffsetLine:
    """A line of the table of offsets.

    Attributes:
        offset: how far beyond the rising shaft the sinking one is; None: the treadles have none in common.
        edges: by edge, "clean" or how often floats run on.
        sentence: what it gives.
    """

    offset: int | None
    is_now: bool
    edges: tuple[str, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class EdgesTold:
    """What is said of the edges.

    Attributes:
        now: as the treadles are tied up.
        lines: the offsets that give clean edges, and the one that is tied up; none: it was not found out.
        none: the offsets that give no clean edge.
    """

    now: str
    lines: tuple[OffsetLine, ...]
    none: str


def edges_told(draft: Draft) -> EdgesTold:
    """What the offset between rising and sinking shafts makes of the figure's edges."""
    ground, treadling = draft.threads.ground, draft.treadling
    try:
        now = crossed(ground, treadling)
        choices = offsets_to_choose(ground, treadling)
    except ValueError as why:
        return EdgesTold(str(why), (), "")
    offset = ground.offsets[0] if choices else None
    lines = [
        OffsetLine(each, each == offset, _edge_cells(made), _offset_sentence(each, made))
        for each, made in choices.items()
        if made.clean or each == offset
    ]
    if not choices:
        lines = [OffsetLine(None, True, _edge_cells(now), _clean_words(now))]
    idle = [each for each, made in choices.items() if not made.clean and each != offset]
    tied = (
        f"Each treadle sinks the shaft {offset} beyond the one it raises, counted round. " if choices else ""
    )
    return EdgesTold(
        now=f"{tied}As it is tied up now, {_clean_words(now)}.",
        lines=tuple(lines),
        none=f"No edge comes out clean with {and_list(entries(idle))}." if idle else "",
    )


def _offset_sentence(offset: int, made: Crossed) -> str:
    return f"With {offset} beyond, {_clean_words(made)}."


def _clean_words(made: Crossed) -> str:
    if not made.clean:
        return "floats run on across every edge of the figure"
    if len(made.clean) == len(EDGES):
        return "every edge of the figure comes out clean"
    return f"{and_list([EDGE_WORDS[edge] for edge in made.clean])} of the figure come out clean"


def _edge_cells(made: Crossed) -> tuple[str, ...]:
    cells = []
    for edge in EDGES:
        share = Fraction(made.times[edge], made.of[edge])
        cells.append("clean" if not share else f"{share.numerator} in {share.denominator} run on")
    return tuple(cells)
