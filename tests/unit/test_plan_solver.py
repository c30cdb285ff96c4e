"""The program without whole variables, and what its reduced costs say."""

from __future__ import annotations

import pytest

from server.plan.solver import Program


def two_of_three() -> Program:
    """At least two of three things, at 1, 2 and 4."""
    program = Program()
    things = [program.variable(cost) for cost in (1.0, 2.0, 4.0)]
    program.row([(thing, 1.0) for thing in things], lower=2.0)
    return program


def test_the_relaxation_bounds_and_is_whole_where_it_can_be() -> None:
    program = two_of_three()
    relaxed = program.relax(seconds=5)
    assert relaxed is not None
    assert relaxed.bound == pytest.approx(3)
    assert program.are_whole(relaxed.values)
    found = program.solve(seconds=5, gap=0.0)
    assert found.values == pytest.approx(relaxed.values)


def test_what_cannot_change_is_fixed_and_nothing_else() -> None:
    program = two_of_three()
    relaxed = program.relax(seconds=5)
    assert relaxed is not None
    # the third costs 2 more than what it would stand in for: at 3.5 it stays out, at 5 it need not
    program.keep_within(5.0, relaxed)
    assert (program.lower, program.upper) == ([0, 0, 0], [1, 1, 1])
    program.keep_within(3.5, relaxed)
    assert program.upper[2] == 0
    found = program.solve(seconds=5, gap=0.0)
    assert found.values == pytest.approx([1, 1, 0])


def test_scaled_or_not_the_minutes_are_the_same() -> None:
    plain, scaled = two_of_three().relax(seconds=5), two_of_three().relax(seconds=5, scale=100)
    assert plain is not None
    assert scaled is not None
    assert scaled.bound == pytest.approx(plain.bound)
    assert scaled.reduced_costs == pytest.approx(plain.reduced_costs)


def test_half_a_thing_is_not_whole() -> None:
    program = Program()
    things = [program.variable(1.0) for _ in range(3)]
    for one, other in ((0, 1), (1, 2), (0, 2)):
        program.row([(things[one], 1.0), (things[other], 1.0)], lower=1.0)
    relaxed = program.relax(seconds=5)
    assert relaxed is not None
    assert relaxed.bound == pytest.approx(1.5)
    assert not program.are_whole(relaxed.values)


def test_what_has_no_solution_has_no_relaxation() -> None:
    program = two_of_three()
    program.row([(0, 1.0), (1, 1.0), (2, 1.0)], upper=1.0)
    assert program.relax(seconds=5) is None


def test_what_is_done_to_a_copy_does_not_change_the_program() -> None:
    program = two_of_three()
    copy = program.copy()
    copy.costs[0] = 9.0
    copy.row([(copy.variable(1.0), 1.0)], lower=1.0)
    copy.fix(1, 0.0)
    assert (program.rows, copy.rows) == (1, 2)
    before, after = program.relax(seconds=5), copy.relax(seconds=5)
    assert before is not None
    assert after is not None
    assert (before.bound, after.bound) == (pytest.approx(3), pytest.approx(14))


def test_a_variable_stands_in_a_row_once_only() -> None:
    program = Program()
    one = program.variable()
    with pytest.raises(AssertionError):
        program.row([(one, 1.0), (one, -1.0)], lower=0.0)
