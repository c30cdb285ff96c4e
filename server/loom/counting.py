"""Leashes of a shaft counted as the weaver meets them: take some, pass some by.

Behind the loom left is right: what is at the weaver's left at the bench is at her right behind it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal, get_args

from server.loom.state import Loom

Stance = Literal["behind-left", "behind-right", "left-side", "right-side"]
"""Where she stands to put a temporary in, and where she begins to count: behind the loom from her left,
behind it from her right, or at the loom's left or right side (as seen from the bench) from the nearest."""

STANCES: tuple[Stance, ...] = get_args(Stance)


LeashesOf = Callable[[int], int]
"""In how many leashes a unit hangs."""


class MoreThanHang(ValueError):
    """More leashes are counted than hang on the shaft; the message says so in a sentence."""


class UnitSplit(ValueError):
    """Some leashes of a unit are taken and some passed by; the message says which, in a sentence."""


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring leashes that are all taken or all passed by."""

    take: bool
    leashes: int


def counts_from_unit_one(stance: Stance) -> bool:
    """Whether she meets the unit at the weaver's left first."""
    return stance in ("behind-right", "left-side")


def begins_at_her_left(stance: Stance) -> bool:
    """Whether the first leash she counts is at the left of what she sees from there.

    At the side of the loom the shaft is seen as from the bench: she begins at the near end of it.
    """
    return stance in ("behind-left", "left-side")


def leashes_in(loom: Loom, units: Iterable[int]) -> int:
    """How many leashes these units hang in together."""
    return sum(map(loom.leashes_of, units))


def as_met(units: Iterable[int], stance: Stance) -> tuple[int, ...]:
    """Units in the order in which she meets their leashes."""
    return tuple(sorted(units, reverse=not counts_from_unit_one(stance)))


def one_leash(unit: int) -> int:
    """Each unit hangs in one leash."""
    return 1


def leashes_met(hung: Iterable[int], stance: Stance, leashes_of: LeashesOf = one_leash) -> tuple[int, ...]:
    """The unit of each leash, in the order in which she meets the leashes."""
    return tuple(unit for unit in as_met(hung, stance) for _ in range(leashes_of(unit)))


def take_and_pass(
    hung: Iterable[int], taken: Iterable[int], stance: Stance, leashes_of: LeashesOf = one_leash
) -> tuple[Run, ...]:
    """The runs of leashes to take and to pass by, first to last.

    Args:
        hung: the units on the shaft.
        taken: those of them whose leashes are taken, all of each.

    Raises:
        ValueError: if a unit to be taken does not hang there.
    """
    hung, taken = set(hung), set(taken)
    if strays := sorted(taken - hung):
        raise ValueError(f"Unit {strays[0]} has no leash on this shaft.")
    marks = [unit in taken for unit in leashes_met(hung, stance, leashes_of)]
    return tuple(Run(take, len(list(run))) for take, run in groupby(marks))


def units_taken(
    hung: Iterable[int], runs: Iterable[Run], stance: Stance, leashes_of: LeashesOf = one_leash
) -> frozenset[int]:
    """The units whose leashes are taken, counted like this: the inverse of `take_and_pass`.

    Leashes after the last run are passed by.

    Args:
        hung: the units on the shaft.

    Raises:
        MoreThanHang: if the runs are of more leashes than hang there.
        UnitSplit: if a unit is taken by some of its leashes only.
    """
    met = leashes_met(hung, stance, leashes_of)
    at, marks = 0, [False] * len(met)
    for run in runs:
        if at + run.leashes > len(met):
            raise MoreThanHang(f"More than the {len(met)} leashes of this shaft are counted.")
        marks[at : at + run.leashes] = [run.take] * run.leashes
        at += run.leashes
    _no_unit_split(met, marks)
    return frozenset(unit for unit, take in zip(met, marks, strict=True) if take)


def _no_unit_split(met: Sequence[int], marks: Sequence[bool]) -> None:
    at = 0
    for _, group in groupby(met):
        leashes = len(list(group))
        if len(set(marks[at : at + leashes])) > 1:
            both = "both" if leashes == 2 else f"all {leashes}"
            joined = "and" if leashes == 2 else "to"
            raise UnitSplit(
                f"Leashes {at + 1} {joined} {at + leashes}, as you count them, hold one unit; "
                f"take {both} or pass {both} by."
            )
        at += leashes
