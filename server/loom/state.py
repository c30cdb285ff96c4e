"""The loom and what stands in it now."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import count, product
from string import ascii_lowercase
from typing import Literal

from server.loom.leashes import NO_SHAFT

Phase = Literal["down", "behind", "raised", "woven", "done"]
"""down: nothing raised, weaver at the bench · behind: on a walk · raised: a row's shed stands, to be woven or
taken out of · woven: that is done, the shed still stands · done: the piece is finished."""

TEMPORARY_NAME = re.compile(r"([1-9][0-9]*)[a-z]+")
SPARE_HANDLE_NAME = re.compile(r"S([1-9][0-9]*)")
HOME_HANDLE_NAME = re.compile(r"[1-9][0-9]*")


@dataclass(frozen=True)
class Loom:
    """A drawloom as it is hung, before any temporary goes in.

    Attributes:
        leashes: per unit, from the weaver's left, its pattern shaft; 0 for none.
        single_cords: units (from 1) with a single draw cord.
        pattern_shafts: shafts, numbered 1 … n from the weaver.
        spare_shafts: how many temporaries can be in the loom at once.
        spare_handles: handles S1 … Sn with draw cords that hang free.
        temporaries_per_shaft: how many temporaries one shaft takes at once.
        temporaries_may_stay: whether a shaft may be lifted while a temporary of it lies unused.
        leashes_per_unit: in how many leashes each unit hangs; empty: in one each.
    """

    leashes: tuple[int, ...]
    single_cords: frozenset[int]
    pattern_shafts: int
    name: str = ""
    treadles: int = 1
    spare_shafts: int = 0
    spare_handles: int = 0
    temporaries_per_shaft: int = 2
    temporaries_may_stay: bool = True
    leashes_per_unit: tuple[int, ...] = ()

    @cached_property
    def units_by_shaft(self) -> dict[int, frozenset[int]]:
        """The units on each pattern shaft that carries any."""
        units: dict[int, set[int]] = {}
        for unit, shaft in enumerate(self.leashes, 1):
            if shaft != NO_SHAFT:
                units.setdefault(shaft, set()).add(unit)
        return {shaft: frozenset(units[shaft]) for shaft in sorted(units)}

    def units_of(self, shaft: int) -> frozenset[int]:
        """The units on a pattern shaft; empty where nothing hangs."""
        return self.units_by_shaft.get(shaft, frozenset())

    def leashes_of(self, unit: int) -> int:
        """In how many leashes a unit hangs."""
        return self.leashes_per_unit[unit - 1] if self.leashes_per_unit else 1

    def home(self, handle: str) -> str | None:
        """What a handle's cords are on when the loom is as it was; None for a spare handle.

        Raises:
            KeyError: if the loom has no such handle.
        """
        if spare := SPARE_HANDLE_NAME.fullmatch(handle):
            if int(spare[1]) <= self.spare_handles:
                return None
        elif HOME_HANDLE_NAME.fullmatch(handle) and int(handle) <= self.pattern_shafts:
            return handle
        raise KeyError(handle)


@dataclass(frozen=True, slots=True)
class Temporary:
    """A temporary shaft in the loom: its name, the pattern shaft it borrows from, the units it carries."""

    name: str
    parent: int
    units: frozenset[int]


def parent_of(carrier: str) -> int:
    """The pattern shaft that a shaft's or a temporary's name ("7", "7a") belongs to."""
    return int(carrier.rstrip("abcdefghijklmnopqrstuvwxyz"))


def handle_order(handle: str) -> tuple[bool, int]:
    """Sort key: pattern shafts' handles by number, then the spare ones."""
    return (handle.startswith("S"), int(handle.removeprefix("S")))


def temporary_order(name: str) -> tuple[int, int, str]:
    """Sort key: by parent, then a … z, aa …"""
    return (parent_of(name), len(name), name)


def temporary_names(shaft: int | str) -> Iterator[str]:
    """Names for temporaries of a shaft, without end: 7a, 7b … 7z, 7aa …"""
    for length in count(1):
        for letters in product(ascii_lowercase, repeat=length):
            yield f"{shaft}{''.join(letters)}"


@dataclass(frozen=True, slots=True)
class State:
    """What stands in the loom: an immutable value.

    Attributes:
        phase: where in the work the weaver is.
        row: rows that are in to their last pick; while a shed is raised, the row it is of.
        temporaries: those in the loom, in order of their names.
        away: (handle, carrier) for every handle whose cords are not home, in order; None: hanging free.
        raised: handles that are up.
        pulled: single cords (units) that are up.
        labelled: shafts with a number taped on; None until the first walk has labelled any.
        walk_after: the row after which a walk was made since a shed was last raised; None: none.
        busy: whether anything has been done on this walk.
        reopened: whether the shed that is raised is of picks that are in, to take them out.
        picks: picks that are in of the row after `row`, begun and not finished; while a shed is raised, of
            the row it is of. 0 for a reopened row that is in to its last pick.
    """

    phase: Phase = "down"
    row: int = 0
    temporaries: tuple[Temporary, ...] = ()
    away: tuple[tuple[str, str | None], ...] = ()
    raised: frozenset[str] = frozenset()
    pulled: frozenset[int] = frozenset()
    labelled: frozenset[int] | None = None
    walk_after: int | None = None
    busy: bool = False
    reopened: bool = False
    picks: int = 0

    def temporary(self, name: str) -> Temporary | None:
        """The temporary of that name, if it is in the loom."""
        for temporary in self.temporaries:
            if temporary.name == name:
                return temporary
        return None

    def temporaries_of(self, shaft: int) -> tuple[Temporary, ...]:
        """The temporaries that borrow from a pattern shaft."""
        return tuple(t for t in self.temporaries if t.parent == shaft)

    def carrier(self, loom: Loom, handle: str) -> str | None:
        """What a handle's cords are on now; None: they hang free. KeyError: no such handle."""
        home = loom.home(handle)
        for away, carrier in self.away:
            if away == handle:
                return carrier
        return home

    def handle_on(self, carrier: str) -> str | None:
        """The handle whose cords are on a temporary, if any."""
        return next((handle for handle, on in self.away if on == carrier), None)

    def is_bare(self) -> bool:
        """Whether every temporary is out, every shaft's cords are home and every spare handle is empty."""
        return not self.temporaries and not self.away


def carried_units(loom: Loom, state: State, carrier: str | None) -> frozenset[int]:
    """The units that rise when a handle on this carrier is pulled."""
    if carrier is None:
        return frozenset()
    temporary = state.temporary(carrier)
    return temporary.units if temporary else loom.units_of(int(carrier))


def units_up(loom: Loom, state: State, handles: Iterable[str], single_cords: Iterable[int]) -> frozenset[int]:
    """The units that these handles and single cords lift together, as the loom stands."""
    up = set(single_cords)
    for handle in handles:
        up |= carried_units(loom, state, state.carrier(loom, handle))
    return frozenset(up)
