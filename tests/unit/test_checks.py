"""The check of an insertion: each likely mistake is made, and what the check names is counted on it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from server.loom.counting import STANCES, Run, Stance, as_met, take_and_pass
from server.loom.state import Loom
from server.session.checks import InsertionCheck, framed, insertion_check, neighbours
from server.session.wording import insertion_check_words, look_alike_words


def loom_of(leashes: Sequence[int]) -> Loom:
    cords = frozenset(unit for unit, shaft in enumerate(leashes, 1) if shaft == 0)
    return Loom(tuple(leashes), cords, pattern_shafts=max(leashes))


def runs_of(marks: Sequence[bool]) -> tuple[Run, ...]:
    return tuple(Run(take, len(list(group))) for take, group in groupby(marks))


def marks_of(runs: Sequence[Run]) -> list[bool]:
    return [run.take for run in runs for _ in range(run.leashes)]


def counted(runs: Sequence[Run], run: int, from_end: bool) -> int | None:
    """What a weaver finds when she counts that run on the loom; None if there is no such run."""
    lengths = framed(runs[::-1] if from_end else runs)
    return lengths[run] if run < len(lengths) else None


def shows(check: InsertionCheck, found: Sequence[Run]) -> bool:
    """Whether one of the named counts comes out differently on what is found at the loom."""
    return any(counted(found, count.run, count.from_end) != count.leashes for count in check.counts)


def carried_out(lengths: Sequence[int], leashes: int) -> tuple[Run, ...] | None:
    """Take and pass these lengths (passed first, the rest left over); None if the leashes run out."""
    marks: list[bool] = []
    for place, length in enumerate(lengths):
        marks += [place % 2 == 1] * length
    if len(marks) > leashes:
        return None
    return runs_of(marks + [False] * (leashes - len(marks)))


@st.composite
def looms(draw: st.DrawFn) -> tuple[Loom, int, set[int]]:
    leashes = draw(st.lists(st.integers(0, 5), min_size=2, max_size=40))
    assume(any(leashes))
    loom = loom_of(leashes)
    shafts = [shaft for shaft, units in loom.units_by_shaft.items() if len(units) > 1]
    assume(shafts)
    shaft = draw(st.sampled_from(shafts))
    hung = sorted(loom.units_of(shaft))
    taken = draw(st.sets(st.sampled_from(hung), min_size=1, max_size=len(hung) - 1))
    return loom, shaft, taken


@given(looms(), st.sampled_from(STANCES))
def test_a_right_insertion_passes_its_own_check(case: tuple[Loom, int, set[int]], stance: Stance) -> None:
    loom, shaft, taken = case
    runs = take_and_pass(loom.units_of(shaft), taken, stance)
    assert not shows(insertion_check(loom, shaft, runs), runs)


@given(looms(), st.sampled_from(STANCES))
def test_begun_at_the_wrong_side(case: tuple[Loom, int, set[int]], stance: Stance) -> None:
    loom, shaft, taken = case
    hung = loom.units_of(shaft)
    runs = take_and_pass(hung, taken, stance)
    check = insertion_check(loom, shaft, runs)
    met = as_met(hung, stance)
    wrong = {met[-1 - place] for place, take in enumerate(marks_of(runs)) if take}
    found = take_and_pass(hung, wrong, stance)
    assert shows(check, found) == (wrong != taken)  # alike from both sides it is no mistake


@given(looms(), st.sampled_from(STANCES), st.data())
def test_one_leash_off_anywhere_on_the_way(
    case: tuple[Loom, int, set[int]], stance: Stance, data: st.DataObject
) -> None:
    loom, shaft, taken = case
    hung = loom.units_of(shaft)
    runs = take_and_pass(hung, taken, stance)
    lengths = list(framed(runs))
    slip = data.draw(st.integers(0, len(lengths) - 2))  # what is left over at the end is not counted out
    lengths[slip] += data.draw(st.sampled_from([1, -1] if lengths[slip] else [1]))
    marks = [place % 2 == 1 for place, length in enumerate(lengths[:-1]) for _ in range(length)]
    marks += [False] * (len(hung) - len(marks))
    # where the leashes run out before the counts do, the last group comes out shorter
    found = runs_of(marks[: len(hung)])
    assert shows(insertion_check(loom, shaft, runs), found) == (found != runs)


@given(looms(), st.sampled_from(STANCES))
def test_on_a_neighbouring_shaft(case: tuple[Loom, int, set[int]], stance: Stance) -> None:
    loom, shaft, taken = case
    runs = take_and_pass(loom.units_of(shaft), taken, stance)
    check = insertion_check(loom, shaft, runs)
    for other in neighbours(loom, shaft):
        found = carried_out(framed(runs)[:-1], len(loom.units_of(other)))
        if found is None:
            continue  # too few leashes there: the counts cannot be carried out
        assert shows(check, found) == (other not in check.look_alikes)


@given(looms(), st.sampled_from(STANCES))
def test_what_counting_cannot_tell_is_said(case: tuple[Loom, int, set[int]], stance: Stance) -> None:
    loom, shaft, taken = case
    check = insertion_check(loom, shaft, take_and_pass(loom.units_of(shaft), taken, stance))
    text = look_alike_words(check.look_alikes, shaft)
    assert bool(text) == bool(check.look_alikes)
    if text:
        assert "tape" in text
        assert "test lift" in text
        assert all(str(other) in text for other in check.look_alikes)


def test_neighbours_are_the_next_that_carry_leashes() -> None:
    loom = Loom((1, 1, 4, 4, 6), frozenset(), pattern_shafts=8)
    assert neighbours(loom, 4) == (1, 6)
    assert neighbours(loom, 1) == (4,)
    assert neighbours(loom, 6) == (4,)


@pytest.mark.parametrize(
    ("stance", "left", "right"),
    [
        ("behind-left", "at your left", "at your right"),
        ("behind-right", "at your right", "at your left"),
        ("left-side", "at the loom’s left", "at the loom’s right"),
        ("right-side", "at the loom’s right", "at the loom’s left"),
    ],
)
def test_ends_are_named_by_their_side(stance: Stance, left: str, right: str) -> None:
    """Who began at the wrong side would also look from there: "where you began" would not help."""
    loom = loom_of([1] * 8)
    check = insertion_check(loom, 1, runs_of([False, True, False, True, True, False, False, False]))
    assert insertion_check_words(check, stance) == f"Passed by: 1 {left}, 3 {right}."


def test_ends_alike_but_not_the_middle() -> None:
    """Passed by 1 at both ends; the groups taken differ, and that is what is counted."""
    loom = loom_of([1] * 7)
    check = insertion_check(loom, 1, runs_of([False, True, True, False, False, True, False]))
    text = insertion_check_words(check, "behind-left")
    assert text == (
        "Passed by: 1 at your left, 1 at your right. The first group taken at your left has 2 leashes "
        "and the first group taken at your right has 1 leash."
    )
