"""Leashes counted from where the weaver stands. TRADE.md: behind the loom left is right (common practice)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.loom.counting import (
    STANCES,
    Run,
    Stance,
    as_met,
    begins_at_her_left,
    counts_from_unit_one,
    take_and_pass,
)

HUNG = (2, 5, 8, 11, 14, 17, 20, 23)


def words(runs: tuple[Run, ...]) -> str:
    return ", ".join(f"{'take' if run.take else 'pass'} {run.leashes}" for run in runs)


@pytest.mark.parametrize(
    ("stance", "met_first", "counts"),
    [
        ("behind-left", 23, "take 1, pass 1, take 2, pass 4"),
        ("behind-right", 2, "pass 4, take 2, pass 1, take 1"),
        ("left-side", 2, "pass 4, take 2, pass 1, take 1"),
        ("right-side", 23, "take 1, pass 1, take 2, pass 4"),
    ],
)
def test_the_same_leashes_from_each_place(stance: Stance, met_first: int, counts: str) -> None:
    """The example of TRADE.md: of 8 leashes take 1, pass 1, take 2, pass 4."""
    assert as_met(HUNG, stance)[0] == met_first
    assert words(take_and_pass(HUNG, {14, 17, 23}, stance)) == counts


def test_behind_the_loom_her_left_is_the_benchs_right() -> None:
    assert begins_at_her_left("behind-left")
    assert not counts_from_unit_one("behind-left")
    assert not begins_at_her_left("behind-right")
    assert counts_from_unit_one("behind-right")


def test_a_unit_of_another_shaft_is_refused() -> None:
    with pytest.raises(ValueError, match="Unit 3 has no leash"):
        take_and_pass(HUNG, {2, 3}, "behind-left")


@st.composite
def insertions(draw: st.DrawFn) -> tuple[set[int], set[int]]:
    hung = draw(st.sets(st.integers(1, 300), min_size=2, max_size=40))
    taken = draw(st.sets(st.sampled_from(sorted(hung)), min_size=1, max_size=len(hung) - 1))
    return hung, taken


@given(insertions(), st.sampled_from(STANCES))
def test_one_who_counts_as_told_takes_exactly_those_leashes(
    insertion: tuple[set[int], set[int]], stance: Stance
) -> None:
    hung, taken = insertion
    leashes = list(as_met(hung, stance))
    got: set[int] = set()
    for run in take_and_pass(hung, taken, stance):
        assert run.leashes >= 1
        here, leashes = leashes[: run.leashes], leashes[run.leashes :]
        if run.take:
            got |= set(here)
    assert got == taken
    assert leashes == []


@given(insertions())
def test_from_the_other_end_the_counts_come_in_reverse(insertion: tuple[set[int], set[int]]) -> None:
    hung, taken = insertion
    from_left = take_and_pass(hung, taken, "behind-left")
    assert take_and_pass(hung, taken, "behind-right") == tuple(reversed(from_left))


@given(insertions(), st.sampled_from(STANCES))
def test_neighbouring_runs_differ(insertion: tuple[set[int], set[int]], stance: Stance) -> None:
    runs = take_and_pass(*insertion, stance)
    assert all(one.take != other.take for one, other in pairwise(runs))
