"""The ground harness: which ground shaft each end is in, and which of them a treadle raises and sinks.

An end in a raised ground shaft goes up, in a sunk one down, whatever else happens; in a neutral one it
follows the pattern harness. Treadles and ground shafts are counted from 1, ends from the weaver's left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import gcd

MOST_GROUND_SHAFTS = 64
"""Far above any ground harness."""

IRREGULAR_SATIN_ON_SIX = (1, 3, 5, 2, 6, 4)
"""The order in which an irregular satin on six raises its shafts. From memory; common practice, no source."""

BROKEN_TWILL_ON_FOUR = (1, 2, 4, 3)
"""The order in which a broken twill on four shafts raises them. From memory; common practice, no source."""

BROKEN_TWILL_ON_SIX = (1, 2, 3, 6, 5, 4)
"""The same on six, three by three. From memory; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Treadle:
    """What a treadle does to the ground shafts; those it does not name stay neutral.

    Raises:
        ValueError: if it is to raise and to sink the same shaft.
    """

    rises: tuple[int, ...] = ()
    sinks: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if both := sorted(set(self.rises) & set(self.sinks)):
            raise ValueError(f"A treadle cannot both raise and sink ground shaft {both[0]}; strike one out.")


@dataclass(frozen=True, slots=True)
class Ground:
    """A ground weave on its harness.

    Attributes:
        shafts: ground shafts.
        treadles: what each does, treadle 1 first.
        threading: the ground shaft of each end of the units, used in turn from the first end of unit 1.
        selvedge: the same for selvedge ends, from the outer end at either side; empty: the threading of the
            units' ends runs on through both.

    Raises:
        ValueError: with a sentence, if a shaft is named that is not there, or there is no treadle.
    """

    shafts: int
    treadles: tuple[Treadle, ...]
    threading: tuple[int, ...]
    selvedge: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not 1 <= self.shafts <= MOST_GROUND_SHAFTS:
            raise ValueError(f"A ground harness has 1 to {MOST_GROUND_SHAFTS} shafts, not {self.shafts}.")
        if not self.treadles:
            raise ValueError("A ground weave takes at least one treadle.")
        if not self.threading:
            raise ValueError("Say through which ground shafts the ends go.")
        for shaft in (*self.threading, *self.selvedge):
            if not 1 <= shaft <= self.shafts:
                raise ValueError(f"An end is put in ground shaft {shaft}; there are {self.shafts}.")
        for number, treadle in enumerate(self.treadles, 1):
            for shaft in (*treadle.rises, *treadle.sinks):
                if not 1 <= shaft <= self.shafts:
                    raise ValueError(
                        f"Treadle {number} moves ground shaft {shaft}; there are {self.shafts} of them."
                    )

    @property
    def offsets(self) -> tuple[int | None, ...]:
        """Per treadle, how many shafts further the sinking one is than the rising one, counted round.

        None where a treadle does not raise one shaft and sink one.
        """
        return tuple(
            (treadle.sinks[0] - treadle.rises[0]) % self.shafts
            if len(treadle.rises) == len(treadle.sinks) == 1
            else None
            for treadle in self.treadles
        )


def satin_counters(shafts: int) -> tuple[int, ...]:
    """The counters that give a satin on so many shafts, the smaller of each pair; empty where there is none.

    Source: A. Wolfensberger, *Theory of Silk Weaving*, 2nd ed., 1921: two unequal parts of the number of
    shafts without common divisor, neither of them 1.
    """
    return tuple(counter for counter in range(2, (shafts + 1) // 2) if gcd(counter, shafts) == 1)


def is_satin_counter(shafts: int, counter: int) -> bool:
    """Whether this counter gives a satin on so many shafts; either part of a pair does."""
    return min(counter, shafts - counter) in satin_counters(shafts)


def order_by_counter(shafts: int, counter: int) -> tuple[int, ...]:
    """The order in which the shafts are raised, pick by pick: shaft 1, then always `counter` further, round.

    Wolfensberger's worked satin on 5 with counter 2 is 1, 3, 5, 2, 4.
    """
    return tuple((pick * counter) % shafts + 1 for pick in range(shafts))


def in_order(order: Sequence[int], offset: int) -> Ground:
    """A weave whose treadle t raises one shaft, the t-th of an order, and sinks one `offset` further, round.

    Source of the action: J. T. Taylor, *Cotton Weaving and Designing*, 6th ed., on the pressure harness.
    Lifted units then weave by warp and the others by weft, both in this order.

    Raises:
        ValueError: if the order is none of all shafts, or a treadle would raise and sink the same one.
    """
    shafts = len(order)
    if sorted(order) != list(range(1, shafts + 1)):
        raise ValueError(f"The order must name each of the {shafts} ground shafts once.")
    return Ground(
        shafts,
        tuple(Treadle((up,), ((up - 1 + offset) % shafts + 1,)) for up in order),
        tuple(range(1, shafts + 1)),
    )


def satin(shafts: int, counter: int, offset: int = 1) -> Ground:
    """A satin by its counter, warp satin where units are lifted and weft satin elsewhere.

    Raises:
        ValueError: if the counter gives no satin, saying which would.
    """
    if not is_satin_counter(shafts, counter):
        there_are = satin_counters(shafts)
        if not there_are:
            raise ValueError(f"No counter gives a regular satin on {shafts} shafts; take another number.")
        would = ", ".join(map(str, there_are))
        raise ValueError(f"Counter {counter} gives no satin on {shafts} shafts. These do: {would}.")
    return in_order(order_by_counter(shafts, counter), offset)


def twill(shafts: int, offset: int = 1) -> Ground:
    """A twill: one shaft after the other.

    Raises:
        ValueError: on fewer than three shafts.
    """
    if shafts < 3:
        raise ValueError("A twill takes at least 3 ground shafts.")
    return in_order(order_by_counter(shafts, 1), offset)


def plain_weave() -> Ground:
    """Plain weave on two ground shafts: one up, the other down, whatever the pattern does."""
    return in_order((1, 2), 1)


def shaft_of_end(threading: Sequence[int], ends: Iterable[int]) -> tuple[int, ...]:
    """The ground shaft of each end (from 1), the threading used in turn."""
    return tuple(threading[(end - 1) % len(threading)] for end in ends)


def weave_name(ground: Ground, treadling: Sequence[int]) -> str:
    """The weave of the treadles trodden in this cycle, "twill on 4 shafts"; "" if it has no name."""
    trodden = [ground.treadles[treadle - 1] for treadle in treadling]
    if None in ground.offsets or period(trodden) != ground.shafts:
        return ""
    if period(ground.threading) != ground.shafts or len(set(ground.threading)) != ground.shafts:
        return ""
    # the ends that rise, pick by pick, counted in one repeat of the threading
    order = [ground.threading.index(treadle.rises[0]) for treadle in trodden[: ground.shafts]]
    steps = {(after - before) % ground.shafts for before, after in pairwise([*order, order[0]])}
    if len(set(order)) != ground.shafts or len(steps) != 1:
        return ""
    if ground.shafts == 2:
        return "plain weave"
    counter = min(*steps, ground.shafts - max(steps))
    return (
        f"twill on {ground.shafts} shafts"
        if counter == 1
        else f"satin on {ground.shafts} shafts, counter {counter}"
    )


def period(cycle: Sequence[object]) -> int:
    """The length of the shortest cycle that is the same as this one, used in turn."""
    whole = list(cycle)
    return next(
        length
        for length in range(1, len(whole) + 1)
        if len(whole) % length == 0 and whole[:length] * (len(whole) // length) == whole
    )


def cautions(ground: Ground, treadling: Sequence[int]) -> tuple[str, ...]:
    """What is odd about a ground weave under a treadling, in sentences.

    An end is bound where some treadle of the cycle raises its ground shaft and some sinks it: else it floats
    over or under all picks, wherever the pattern leaves it lifted or not. A selvedge end is bound where some
    treadle raises its shaft and some does not.
    """
    used = sorted(set(treadling))
    if strays := [number for number in used if number > len(ground.treadles)]:
        return (f"There is no treadle {strays[0]}: the ground weave ties up {len(ground.treadles)}.",)
    raised = {shaft for number in used for shaft in ground.treadles[number - 1].rises}
    sunk = {shaft for number in used for shaft in ground.treadles[number - 1].sinks}
    threaded = sorted({*ground.threading, *ground.selvedge})
    told = []
    for shaft in threaded:
        if shaft not in raised and shaft not in sunk:
            told.append(f"No treadle moves ground shaft {shaft}: its ends are bound nowhere.")
        elif (
            shaft not in ground.threading
        ):  # no pattern lifts selvedge ends: what does not raise them sinks them
            raising = [shaft in ground.treadles[number - 1].rises for number in used]
            if all(raising) or not any(raising):
                all_or_none = "Every treadle" if all(raising) else "No treadle"
                told.append(
                    f"{all_or_none} raises ground shaft {shaft}: its selvedge ends are bound nowhere."
                )
        elif shaft not in raised:
            told.append(
                f"No treadle raises ground shaft {shaft}: where its ends are not lifted, nothing binds them."
            )
        elif shaft not in sunk:
            told.append(
                f"No treadle sinks ground shaft {shaft}: where its ends are lifted, nothing binds them."
            )
    told += [
        f"Ground shaft {shaft} has no ends in it."
        for shaft in range(1, ground.shafts + 1)
        if shaft not in threaded
    ]
    told += [
        f"Treadle {number} is not in the treadling."
        for number in range(1, len(ground.treadles) + 1)
        if number not in used
    ]
    trodden, in_turn = weave_name(ground, treadling), weave_name(ground, range(1, len(ground.treadles) + 1))
    if in_turn.startswith("satin") and not trodden.startswith("satin"):
        told.append(
            f"The tie-up is that of a {in_turn}, if the treadles are trodden one after the other. "
            f"In the order of this treadling they make {f'a {trodden}' if trodden else 'no satin'}."
        )
    return tuple(told)
