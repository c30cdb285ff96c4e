"""One program after another in one solver, from where the one before ended, and the search from there."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from server.design.piece_file import read_piece
from server.plan.again import Again
from server.plan.solver import ENDLESS, Linear, Program
from server.ways import looms
from server.ways.more import more
from tests.outside.pieces import pointed_piece

VARIABLES = 12


def program(rng: random.Random, kept: list[tuple[list[tuple[int, float]], float]]) -> Program:
    """A covering program: the rows kept, at other limits, and some of its own behind and between them."""
    made = Program()
    costs = random.Random(1)
    for _ in range(VARIABLES):
        made.variable(float(costs.randint(1, 9)), upper=float(rng.choice([1, 2, 2])))
    for terms, lower in kept:
        if rng.random() < 0.3:
            made.row(own_row(rng), upper=float(rng.randint(2, 5)))
        if rng.random() < 0.9:
            made.row(terms, lower=lower - rng.choice([0, 0, 1]))
    for _ in range(rng.randint(0, 3)):
        made.row(own_row(rng), lower=1.0)
    return made


def own_row(rng: random.Random) -> list[tuple[int, float]]:
    return [(column, float(rng.randint(1, 2))) for column in rng.sample(range(VARIABLES), 4)]


@pytest.mark.parametrize("seed", range(20))
def test_a_program_gone_over_to_has_the_optimum_it_has_by_itself(seed: int) -> None:
    rng = random.Random(seed)
    kept = [(own_row(rng), float(rng.randint(1, 3))) for _ in range(8)]
    kept += kept[:2]  # rows that say the same
    again, bases = None, []
    for linear in (program(rng, kept).linear() for _ in range(6)):
        if again is None:
            again = Again(linear, 2.0)
        else:
            again.become(linear)
        found = again.relax(60, rng.choice([None, *bases]))
        alone = linear.relax(seconds=60)
        assert again.is_impossible == (found is None) == (alone is None)
        if found is not None and alone is not None:
            bases.append(found.basis)
            assert found.bound == pytest.approx(alone.bound)
            assert lagrangian(linear, found.row_prices) == pytest.approx(alone.bound)
    assert len(bases) > 1


def lagrangian(linear: Linear, prices: np.ndarray) -> float:
    """What no solution is below, with the rows at these prices: the optimum, if they are right."""
    bound, reduced = 0.0, linear.costs.copy()
    for row, (first, end) in enumerate(pairwise(linear.starts)):
        reduced[linear.columns[first:end]] -= prices[row] * linear.coefficients[first:end]
        if abs(prices[row]) > 1e-9:
            bound += prices[row] * (linear.row_lower if prices[row] > 0 else linear.row_upper)[row]
    return bound + float(np.where(reduced > 0, reduced * linear.lower, reduced * linear.upper).sum())


def test_what_is_held_is_held_until_it_is_let_go() -> None:
    made = Program()
    one, other = made.variable(1.0), made.variable(2.0)
    made.row([(one, 1.0), (other, 1.0)], lower=1.0)
    again = Again(made.linear())
    assert again.solve(60) == (pytest.approx([1.0, 0.0]), pytest.approx(1.0))
    again.hold(one, 0.0, 0.0)
    assert again.solve(60) == (pytest.approx([0.0, 1.0]), pytest.approx(2.0))
    assert again.solve(60, most=1.5) is None
    assert again.is_impossible
    again.hold(other, 0.0, 0.0)
    assert again.solve(60) is None
    assert again.is_impossible
    again.hold(one, 0.0, 1.0)
    solved = again.solve(60, most=ENDLESS)
    assert solved is not None
    assert solved[1] == pytest.approx(1.0)


def test_a_search_that_is_stopped_proves_nothing() -> None:
    rng = random.Random(3)
    made = program(rng, [(own_row(rng), 2.0) for _ in range(8)])
    again = Again(made.linear(), stop=lambda: True)
    assert again.solve(60) is None
    assert not again.is_impossible


@pytest.mark.parametrize(("seed", "shafts", "rows"), [(3, 5, 16), (20, 5, 16), (9, 4, 24)])
def test_walks_held_one_by_one_find_what_the_solver_finds(
    seed: int, shafts: int, rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The relaxation of these has parts of walks, or (the last) of temporaries only."""
    content = pointed_piece(seed, shafts, 1, rows)
    content["loom"] |= {"temporaries_may_stay": True, "temporaries_per_shaft": 2, "spare_shafts": 4}
    piece = read_piece(json.dumps(content))
    asked = {"held": 0, "solver": 0}

    def counted(name: str, what: str, of: object) -> None:
        real: Callable[..., object] = getattr(of, what)

        def count(*args: object) -> object:
            asked[name] += 1
            return real(*args)

        monkeypatch.setattr(of, what, count)

    counted("held", "grow", looms._Tree)
    counted("solver", "_least", looms)
    one_by_one = more(piece, 4, 3)
    assert asked["held"] > 0 == asked["solver"]
    monkeypatch.setattr(looms, "MOST_HELD", -1)
    at_once = more(piece, 4, 3)
    assert asked["solver"] > 0
    for row, other in zip(one_by_one.rows, at_once.rows, strict=True):
        assert all(cell.is_as(same) for cell, same in zip(row, other, strict=True))
        assert all(cell.is_exact or not cell.is_possible for cell in row)
