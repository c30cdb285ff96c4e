"""A loom that weaves one crossing at a time, written from TRADE.md alone; it shares nothing with ours.

"Each treadle raises one of them and sinks another; the rest stay neutral. An end in a raised ground shaft
goes up, in a sunk one down, whatever else happens. In a neutral one it follows the pattern harness." "The
treadles walk on through their cycle all the while, and the cycle runs on across rows."
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class TieUp(NamedTuple):
    """What a treadle does to the ground shafts, from 1."""

    up: frozenset[int]
    down: frozenset[int]


def woven(
    rows: Sequence[str],
    picks_per_row: Sequence[int],
    treadling: Sequence[int],
    ends_per_unit: Sequence[int],
    tie_ups: Sequence[TieUp],
    threading: Sequence[int],
    selvedge_threading: Sequence[int],
    selvedge_ends: tuple[int, int],
) -> list[list[bool]]:
    """Per pick and end: whether the end lies over the pick as the weaver sees it."""
    shafts_and_units: list[tuple[int, int | None]] = []
    for from_outside in range(selvedge_ends[0]):
        if selvedge_threading:
            shaft = selvedge_threading[from_outside % len(selvedge_threading)]
        else:  # backwards from the first end of the units
            before = selvedge_ends[0] - from_outside
            shaft = threading[-1 - (before - 1) % len(threading)]
        shafts_and_units.append((shaft, None))
    place = 0
    for unit, ends in enumerate(ends_per_unit):
        for _ in range(ends):
            shafts_and_units.append((threading[place % len(threading)], unit))
            place += 1
    for after in range(selvedge_ends[1]):
        if selvedge_threading:
            from_outside = selvedge_ends[1] - 1 - after
            shaft = selvedge_threading[from_outside % len(selvedge_threading)]
        else:
            shaft = threading[(place + after) % len(threading)]
        shafts_and_units.append((shaft, None))

    cloth, trodden = [], 0
    for number, row in enumerate(rows):
        for _ in range(picks_per_row[number % len(picks_per_row)]):
            tie_up = tie_ups[treadling[trodden % len(treadling)] - 1]
            trodden += 1
            pick = []
            for shaft, unit in shafts_and_units:
                if shaft in tie_up.up:
                    pick.append(True)
                elif shaft in tie_up.down:
                    pick.append(False)
                else:
                    pick.append(unit is not None and row[unit] == "#")
            cloth.append(pick)
    return cloth


def longest(lines: Sequence[Sequence[bool]], value: bool) -> int:
    """The longest run of a value along any of the lines; 0 if there is none."""
    most = 0
    for line in lines:
        run = 0
        for here in line:
            run = run + 1 if here == value else 0
            most = max(most, run)
    return most
