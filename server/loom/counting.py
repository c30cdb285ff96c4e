"""Leashes of a shaft counted as the weaver meets them: take some, pass some by.

Behind the loom left is right: what is at the weaver's left at the bench is at her right behind it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Literal, get_args

Stance = Literal["behind-left", "behind-right", "left-side", "right-side"]
"""Where she stands to put a temporary in, and where she begins to count: behind the loom from her left,
behind it from her right, or at the loom's left or right side (as seen from the bench) from the nearest."""

STANCES: tuple[Stance, ...] = get_args(Stance)


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


def as_met(units: Iterable[int], stance: Stance) -> tuple[int, ...]:
    """Units in the order in which she meets their leashes."""
    return tuple(sorted(units, reverse=not counts_from_unit_one(stance)))


def take_and_pass(hung: Iterable[int], taken: Iterable[int], stance: Stance) -> tuple[Run, ...]:
    """The runs of leashes to take and to pass by, first to last.

    Args:
        hung: the units on the shaft.
        taken: those of them whose leashes are taken.

    Raises:
        ValueError: if a unit to be taken does not hang there.
    """
    hung, taken = set(hung), set(taken)
    if strays := sorted(taken - hung):
        raise ValueError(f"Unit {strays[0]} has no leash on this shaft.")
    marks = [unit in taken for unit in as_met(hung, stance)]
    return tuple(Run(take, len(list(run))) for take, run in groupby(marks))


def units_taken(hung: Iterable[int], runs: Iterable[Run], stance: Stance) -> frozenset[int]:
    """The units whose leashes are taken, counted like this: the inverse of `take_and_pass`.

    Leashes after the last run are passed by.

    Args:
        hung: the units on the shaft.

    Raises:
        ValueError: if the runs are of more leashes than hang there.
    """
    met, at, taken = as_met(hung, stance), 0, set[int]()
    for run in runs:
        if at + run.leashes > len(met):
            raise ValueError(f"More than the {len(met)} leashes of this shaft are counted.")
        if run.take:
            taken |= set(met[at : at + run.leashes])
        at += run.leashes
    return frozenset(taken)
