"""A program too large to be solved at once: its bound, block by block, and where its walks seem to fall.

Every row has a price (its multiplier). A row may be left out of the program if what it is violated by is
paid for at its price: that can only make the optimum lower, so the optimum of what is left is a bound, at any
prices. Here the rows between two blocks of stages are priced, and the blocks fall apart. Then the blocks are
laid half a block further, and the rows that lay between are priced anew, the others held: no sweep lowers the
bound, and after a few it is close to that of the whole relaxation, which would take far longer to solve.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from server.plan.solver import Again, Linear, Outcome, Program

VARIABLES = 4_000
"""Of one block, about."""

FAR = 8
"""How well a stage is set apart where figures lie apart."""

AT_ONCE = min(2, os.cpu_count() or 1)
"""Blocks solved at the same time."""

Stop = Callable[[], bool]


@dataclass(frozen=True, slots=True)
class _Block:
    """Some stages: which rows and variables of the program are theirs, and these as a program."""

    rows: np.ndarray
    columns: np.ndarray
    program: Linear
    again: Again


class Blocks:
    """The linear relaxation of a program whose variables each belong to a stage.

    Attributes:
        bound: no solution has a lower objective.
        are_apart: whether every block is far from the one before.
        values: of the variables, where a sweep has come by; close to those of an optimum, and no solution.
    """

    def __init__(self, program: Program, apart: Sequence[int], stop: Stop | None = None) -> None:
        """Lay the blocks.

        Args:
            apart: per stage, how well it is set apart from the one before: there blocks are parted by choice.
            stop: asked now and then; true ends a sweep.
        """
        self._stop = stop
        self._known: dict[tuple[int, int], _Block] = {}
        self._all = program.linear()
        self._prices = np.zeros(len(self._all.row_lower))
        self.values = np.zeros(len(self._all.costs))
        stages = np.array(program.stages)
        self._stages = stages
        self._last = int(stages.max()) + 1
        touched = np.repeat(np.arange(len(self._prices)), np.diff(self._all.starts))
        self._touched = touched
        here = stages[self._all.columns]
        anywhere = here < 0
        self._first_of_row = np.full(len(self._prices), self._last)
        np.minimum.at(self._first_of_row, touched, np.where(anywhere, self._last, here))
        self._last_of_row = np.full(len(self._prices), -1)
        np.maximum.at(self._last_of_row, touched, here)
        size = max(2, round(VARIABLES * self._last / len(stages)))
        self._edges = _parted(apart, size, self._last)
        self.are_apart = all(apart[edge] >= FAR for edge in self._edges[1:-1])
        self.bound = self._bound_at(self._prices)

    def sweep(self, *, between: bool, seconds: float) -> None:
        """Price the rows within blocks anew.

        Args:
            between: lay the blocks so that they go from the middle of one to the middle of the next.
            seconds: time for all of them.
        """
        edges = self._edges
        if between:
            edges = [0, *((a + b) // 2 for a, b in pairwise(edges)), self._last]
        prices = self._prices.copy()
        seconds *= min(1.0, 4 * AT_ONCE / (len(edges) - 1))  # some take several times as long as others
        with ThreadPoolExecutor(AT_ONCE) as pool:
            for rows, found in pool.map(
                lambda first, end: self._price(first, end, seconds), edges[:-1], edges[1:]
            ):
                if found is not None:
                    prices[rows] = found
        # a price on the side that a row does not have says nothing
        prices[np.isinf(self._all.row_lower) & (prices > 0)] = 0.0
        prices[np.isinf(self._all.row_upper) & (prices < 0)] = 0.0
        if (bound := self._bound_at(prices)) > self.bound:
            self.bound, self._prices = bound, prices

    def _price(self, first: int, end: int, seconds: float) -> tuple[np.ndarray, np.ndarray | None]:
        """The rows within one block, and the prices at which its relaxation is solved."""
        block = self._block(first, end)
        if self._stop is not None and self._stop():
            return block.rows, None
        solved = block.again.relax(self._left_of_costs(self._without(block.rows))[block.columns], seconds)
        if solved is None:
            return block.rows, None
        self.values[block.columns] = solved.values
        return block.rows, solved.row_prices

    def settle(self, *, seconds: float, grain: float) -> np.ndarray | None:
        """Solve every block with what must be whole, and raise the bound by that.

        Args:
            seconds: time for all of them.
            grain: as for the model.

        Returns:
            The blocks' values together; rows between blocks may not hold. None: a block has none in the time.
        """
        blocks = [self._block(first, end) for first, end in pairwise(self._edges)]
        prices = self._without(np.concatenate([block.rows for block in blocks]))
        costs = self._left_of_costs(prices)
        costs[self._stages < 0] = 0.0  # they belong to no block, and are fixed
        scale = 1 / grain if grain else 1.0

        each = seconds * AT_ONCE / len(blocks)

        def solved(block: _Block) -> Outcome:
            part = replace(block.program, costs=costs[block.columns])
            return part.solve(seconds=each, gap=grain / 8, scale=scale, stop=self._stop)

        with ThreadPoolExecutor(AT_ONCE) as pool:
            found = list(pool.map(solved, blocks))
        all_, fixed = self._all, self._stages < 0
        bound = self._paid(prices) + (self._left_of_costs(prices) * all_.lower)[fixed].sum()
        bound += sum(outcome.bound for outcome in found)
        if not any(outcome.impossible for outcome in found):
            self.bound = max(self.bound, float(bound))
        values = np.zeros(len(costs))
        for block, outcome in zip(blocks, found, strict=True):
            if outcome.values is None:
                return None
            values[block.columns] = outcome.values
        return values

    def _without(self, rows: np.ndarray) -> np.ndarray:
        """The prices, none on these rows."""
        others = self._prices.copy()
        others[rows] = 0.0
        return others

    def _block(self, first: int, end: int) -> _Block:
        if (first, end) not in self._known:
            rows = np.flatnonzero((self._first_of_row >= first) & (self._last_of_row < end))
            columns = np.flatnonzero((self._stages < 0) | ((self._stages >= first) & (self._stages < end)))
            part = self._all.part(rows, columns)
            self._known[first, end] = _Block(rows, columns, part, Again(part, stop=self._stop))
        return self._known[first, end]

    def _left_of_costs(self, prices: np.ndarray) -> np.ndarray:
        """Costs less what the rows pay for, a variable each."""
        paid = np.bincount(
            self._all.columns,
            self._all.coefficients * prices[self._touched],
            minlength=len(self._all.costs),
        )
        return np.asarray(self._all.costs - paid)

    def _bound_at(self, prices: np.ndarray) -> float:
        """What no solution is below, at any prices: every variable at the better of its own bounds."""
        left = self._left_of_costs(prices)
        return self._paid(prices) + float(
            np.where(left > 0, left * self._all.lower, left * self._all.upper).sum()
        )

    def _paid(self, prices: np.ndarray) -> float:
        """What the bounds of all rows are worth at these prices."""
        lower, upper = self._all.row_lower, self._all.row_upper
        return float((lower[prices > 0] @ prices[prices > 0]) + (upper[prices < 0] @ prices[prices < 0]))


def _parted(apart: Sequence[int], size: int, last: int) -> list[int]:
    """Where one block ends and the next begins, 0 and the end included: where stages are best set apart."""
    edges = [0]
    while last - edges[-1] > size * 3 // 2:
        here = range(edges[-1] + max(size // 2, 1), edges[-1] + size * 3 // 2 + 1)
        edges.append(max(here, key=lambda place: (apart[place], -abs(place - edges[-1] - size))))
    return [*edges, last]
