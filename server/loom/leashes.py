"""Leash orders: which unit hangs on which pattern shaft, read from the weaver's left.

A leash order is composed left to right with `+` from parts: `straight`, `pointed`, `free`
and, for borders, `pointed` on shafts or `corded` on single draw cords or on both.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

NO_SHAFT = 0
"""The leash of a unit that hangs on its single draw cord only."""


@dataclass(frozen=True, slots=True)
class LeashOrder:
    """The units of a warp from the weaver's left.

    Attributes:
        leashes: per unit the pattern shaft it hangs on (from 1), 0 for none.
        corded: per unit whether it has a single draw cord; true wherever the leash is 0.

    Raises:
        ValueError: if the two differ in length, a shaft is negative, or a unit hangs on nothing.
    """

    leashes: tuple[int, ...] = ()
    corded: tuple[bool, ...] = ()

    def __post_init__(self) -> None:
        if len(self.leashes) != len(self.corded):
            raise ValueError("Each unit needs one leash and one word on its single cord.")
        for unit, (shaft, corded) in enumerate(zip(self.leashes, self.corded, strict=True), 1):
            if shaft < 0:
                raise ValueError(f"Unit {unit} hangs on shaft {shaft}; shafts are counted from 1.")
            if shaft == NO_SHAFT and not corded:
                raise ValueError(f"Unit {unit} hangs on nothing: give it a shaft or a single draw cord.")

    def __len__(self) -> int:
        return len(self.leashes)

    def __add__(self, other: LeashOrder) -> LeashOrder:
        """Hang `other` to the right of this one."""
        return LeashOrder(self.leashes + other.leashes, self.corded + other.corded)

    @property
    def single_cords(self) -> tuple[int, ...]:
        """The units that have a single draw cord, ascending, counted from 1."""
        return tuple(unit for unit, corded in enumerate(self.corded, 1) if corded)

    def units_of(self, shaft: int) -> tuple[int, ...]:
        """The units on a pattern shaft, ascending, counted from 1."""
        return tuple(unit for unit, hung in enumerate(self.leashes, 1) if hung == shaft)


def _check(shafts: int, times: int, first: int) -> None:
    if shafts < 1:
        raise ValueError(f"A leash order over {shafts} shafts hangs nothing; it takes at least 1.")
    if times < 1:
        raise ValueError(f"{times} repeats hang nothing; it takes at least 1.")
    if first < 1:
        raise ValueError(f"Pattern shafts are counted from 1, not from {first}.")


def _on_shafts(leashes: Iterable[int]) -> LeashOrder:
    order = tuple(leashes)
    return LeashOrder(order, (False,) * len(order))


def straight(shafts: int, repeats: int = 1, *, first: int = 1) -> LeashOrder:
    """1 2 3 … n, 1 2 3 … n: `repeats` times over `shafts` shafts, beginning at shaft `first`."""
    _check(shafts, repeats, first)
    return _on_shafts(tuple(range(first, first + shafts)) * repeats)


def pointed(shafts: int, points: int = 1, *, turning_points_hung: int = 1, first: int = 1) -> LeashOrder:
    """Up and down again, `points` times side by side.

    Args:
        shafts: pattern shafts from the edge of a point to its middle.
        points: how many points side by side.
        turning_points_hung: 1 or 2. Hung once, the middle is one unit wide and neighbouring points
            share their edge: k (2n − 2) + 1 units. Hung twice, every turning point, between two points
            too, is two units wide: k · 2n units. (TRADE: common practice, no source; the double hanging
            is that of T. F. Bell, *Jacquard Weaving and Designing*, 1895, figures 57 and 58.)
        first: the shaft the point begins on.
    """
    _check(shafts, points, first)
    if turning_points_hung not in (1, 2):
        raise ValueError(f"A turning point is hung once or twice, not {turning_points_hung} times.")
    up = list(range(first, first + shafts))
    if turning_points_hung == 2:
        return _on_shafts((up + up[::-1]) * points)
    if shafts == 1:
        return _on_shafts(up)
    one = up + up[-2:0:-1]
    return _on_shafts(one * points + up[:1])


def free(leashes: Sequence[int], single_cords: Sequence[int] = ()) -> LeashOrder:
    """A list as it comes; `single_cords` are places in this list (from 1) that have a cord as well."""
    extra = set(single_cords)
    beyond = sorted(unit for unit in extra if not 1 <= unit <= len(leashes))
    if beyond:
        raise ValueError(f"There is no unit {beyond[0]} among these {len(leashes)} to hang on a single cord.")
    corded = tuple(shaft == NO_SHAFT or unit in extra for unit, shaft in enumerate(leashes, 1))
    return LeashOrder(tuple(leashes), corded)


def single(units: int) -> LeashOrder:
    """`units` units on single draw cords only, for lettering and free figures."""
    if units < 1:
        raise ValueError(f"A border of {units} units hangs nothing; it takes at least 1.")
    return LeashOrder((NO_SHAFT,) * units, (True,) * units)


def corded(order: LeashOrder) -> LeashOrder:
    """The same units with a single draw cord each beside their shaft."""
    return LeashOrder(order.leashes, (True,) * len(order))


def mirrored(order: LeashOrder) -> LeashOrder:
    """The same units read from the right: the far border of a symmetric cloth."""
    return LeashOrder(order.leashes[::-1], order.corded[::-1])
