"""Which parts of a shaft a temporary need carry for the cheapest plan to be among the candidates."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

from server.loom.state import Loom
from server.plan.demands import Part
from server.plan.schedule import Borrowed
from server.plan.stages import Stage

MOST_PARTS = 96
"""Candidates for one shaft; beyond that the plan is not claimed to be the cheapest."""

ALL_PARTS = 4096
"""Candidates for one shaft where it must be known whether there is any plan at all."""


Breadth = Literal["lawful", "bounding", "split"]
"""Which parts are candidates where there are spare handles; without, it makes no difference.

lawful: unions of classes of units that are interchangeable, short of the whole shaft · bounding: the whole
shaft as well, as if a temporary could take it, so that no plan is cheaper than the best with these; not where
these are all parts there are · split: each class parted into one unit and the rest, so that there is "all but
one unit"; on a small shaft all parts.
"""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Parts to choose temporaries from.

    Attributes:
        parts: non-empty parts of the shaft; proper ones but where they are `bounding`.
        complete: whether no other part could make a plan cheaper.
        suffice: whether there is a plan with these, if there is any.
    """

    parts: tuple[Part, ...]
    complete: bool
    suffice: bool = True

    def with_those(self, parts: Iterable[Part]) -> Candidates:
        """These candidates and some more."""
        return replace(self, parts=tuple(sorted({*self.parts, *parts}, key=_order)))


def several_bars_at_once(loom: Loom) -> bool:
    """Whether more than one of a shaft and its temporaries can be up in a row."""
    return loom.spare_handles > 0 and loom.temporaries_may_stay


def candidates_of(
    loom: Loom,
    shafts: Sequence[int],
    cut: Sequence[Stage],
    most: int = MOST_PARTS,
    standing: Iterable[Borrowed] = (),
    breadth: Breadth = "split",
) -> dict[int, Candidates]:
    """The candidates of each of these shafts, given all that the stages ask of it; `most` for one shaft.

    Args:
        standing: temporaries that stand at the start.
    """
    there: dict[int, list[Part]] = {}
    for shaft, part in standing:
        there.setdefault(shaft, []).append(frozenset(part))
    return {
        shaft: candidates(
            loom,
            shaft,
            [stage.asked.get(shaft, ()) for stage in cut],
            most,
            there.get(shaft, ()),
            breadth,
        )
        for shaft in shafts
    }


def candidates(
    loom: Loom,
    shaft: int,
    asked: Sequence[Iterable[Part]],
    most: int = MOST_PARTS,
    standing: Iterable[Part] = (),
    breadth: Breadth = "split",
) -> Candidates:
    """The parts of a shaft worth a temporary, given all that the rows of each stage ask of it.

    DEVELOPERS.md, "The model and why it is right", has the arguments.

    Args:
        standing: parts that temporaries carry at the start: units that one of them takes and others that it
            does not are not interchangeable.
    """
    units = loom.units_of(shaft)
    together = [frozenset(part for part in stage if part) for stage in asked]
    wanted = frozenset[Part]().union(*together)
    if several_bars_at_once(loom):
        return _with_spare_handles(units, loom.single_cords, wanted, together, most, standing, breadth)
    return _without_spare_handles(units, loom.single_cords, wanted)


def _without_spare_handles(units: Part, single_cords: Part, wanted: frozenset[Part]) -> Candidates:
    # One temporary at a time lifts for this shaft, so it holds what the cords cannot lift in each row it
    # serves, and of the corded units either none or all that these rows have in common.
    by_need: dict[Part, set[Part]] = {}
    for part in wanted:
        by_need.setdefault(part - single_cords, set()).add(part)
    found: set[Part] = set()
    complete = True
    for need, parts in by_need.items():
        common, closed = _intersections(parts)
        complete &= closed
        found |= common | {need}
    # a temporary for one corded unit saves nothing: its cord lifts it at the same one pull
    found = {part for part in found if len(part) > 1 or not part <= single_cords}
    return Candidates(_proper(found, units), complete)


def _intersections(parts: set[Part]) -> tuple[set[Part], bool]:
    """All intersections of some of the parts, and whether there was room for all."""
    closed = set(parts)
    fresh = set(parts)
    while fresh:
        fresh = {a & b for a in fresh for b in parts} - closed
        closed |= fresh
        if len(closed) > MOST_PARTS:
            return set(sorted(closed, key=_order)[:MOST_PARTS]) | parts, False
    return closed, True


def _with_spare_handles(
    units: Part,
    single_cords: Part,
    wanted: frozenset[Part],
    together: Sequence[frozenset[Part]],
    most: int,
    standing: Iterable[Part],
    breadth: Breadth,
) -> Candidates:
    classes = alike(units, single_cords, wanted.union(standing))
    if units in wanted and breadth == "split":
        # Units that are always asked for alike may still be parted, by a temporary that takes all of the
        # shaft but one unit: as good as the whole shaft on a spare handle.
        if 2 ** len(units) - 2 <= min(most, MOST_PARTS):
            classes = [(unit,) for unit in sorted(units)]
        else:
            classes = [half for c in classes for half in (c[:1], c[1:]) if half]
    if 2 ** len(classes) - 2 <= most:
        found = {
            frozenset(unit for c in chosen for unit in c)
            for count in range(1, len(classes) + 1)
            for chosen in combinations(classes, count)
        }
        found = {p for p in found if any(p <= part for part in wanted)}
        all_there = units not in wanted or len(classes) == len(units)
        if breadth == "bounding" and not all_there:
            return Candidates(tuple(sorted(found, key=_order)), True)
        return Candidates(_proper(found, units), all_there)
    # From the single classes every row can be put together, if there are handles enough. What a temporary
    # serves without a walk between, it serves as well if it has all that these rows have in common.
    basic = {*wanted, *(part - single_cords for part in wanted), *(frozenset(c) for c in classes)}
    suffice = True
    for parts in set(together):
        common, closed_too = _intersections(set(parts))
        basic |= common
        suffice &= closed_too
    if units in wanted:  # instead of the whole shaft
        basic |= {units - {unit} for unit in units}
    basic.discard(frozenset())
    closed = set(basic)
    fresh = set(basic)
    while fresh and len(closed) <= most:
        fresh = {p for a in fresh for b in wanted for p in (a & b, a - b, b - a)} - closed
        closed |= fresh
    room = max(most - len(basic), 0)
    rest = sorted(closed - basic, key=lambda part: (-len(part), _order(part)))[:room]
    return Candidates(_proper(basic | set(rest), units), False, suffice)


def alike(units: Part, single_cords: Part, wanted: Iterable[Part]) -> list[tuple[int, ...]]:
    """The units in classes: those that every row asks for alike, and that have cords or not alike."""
    rows = sorted(set(wanted), key=_order)
    classes: dict[tuple[bool, ...], list[int]] = {}
    for unit in sorted(units):
        classes.setdefault((unit in single_cords, *(unit in part for part in rows)), []).append(unit)
    return [tuple(c) for c in classes.values()]


def _proper(parts: Iterable[Part], units: Part) -> tuple[Part, ...]:
    return tuple(sorted((part for part in set(parts) if part and part != units), key=_order))


def _order(part: Part) -> tuple[int, ...]:
    return tuple(sorted(part))
