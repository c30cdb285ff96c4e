"""A program too large to be solved at once: its relaxation and a bound, block by block.

Every row has a price (its multiplier). A row may be left out of the program if what it is violated by is
paid for at its price: that can only make the optimum lower, so the optimum of what is left is a bound, at any
prices. Here the rows between two blocks of stages are left out, and the blocks fall apart.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise

import numpy as np

from server.plan.solver import AT_LOWER, BASIC, CLOSE_TO_WHOLE, Basis, Program, Relaxed

VARIABLES = 2_000
"""Of one of the smallest blocks, about."""

AT_ONCE = min(2, os.cpu_count() or 1)
"""Blocks solved at the same time."""

Stop = Callable[[], bool]


class Blocks:
    """The linear relaxation of a program whose variables each belong to a stage.

    Attributes:
        bound: no solution has a lower objective.
        values: of the variables where the relaxation has been solved; close to those of its optimum.
        relaxed: the whole relaxation's optimum, where the time sufficed for it.
    """

    def __init__(self, program: Program, apart: Sequence[int], stop: Stop | None = None) -> None:
        """Lay the blocks.

        Args:
            apart: per stage and for the end, how well it is set apart from the stage before: there blocks are
                parted by choice.
            stop: asked now and then; true ends the search.
        """
        self._stop = stop
        self._all = program.linear()
        self._prices = np.zeros(len(self._all.row_lower))
        self._basis = Basis(np.full(len(self._all.costs), AT_LOWER), np.full(len(self._prices), BASIC))
        self.values = np.zeros(len(self._all.costs))
        self.relaxed: Relaxed | None = None
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
        self.bound = self._bound_at(self._prices)

    def relax(self, until: float) -> Iterator[None]:
        """Solve the relaxation of each block, then of each two as one, and so on until one block is all.

        Each time the solver begins from where it ended for the smaller ones, and little is left to do but
        where these meet. Where the time will not suffice for the next, larger ones, blocks from the middle of
        one to the middle of the next come last, with the prices of all others held.

        Args:
            until: when to end, on the monotonic clock.

        Yields:
            Whenever the bound may be higher.
        """
        edges = self._edges
        while True:
            began = time.monotonic()
            self._solve(edges, until)
            yield
            now = time.monotonic()
            if len(edges) == 2 or now + (now - began) > until or self._is_stopped():
                return
            if now + AS_LONG_AGAIN * (now - began) > until:
                self._solve([0, *((a + b) // 2 for a, b in pairwise(edges)), self._last], until, held=True)
                yield
                return
            edges = [*edges[:-1:2], self._last]

    def settle(self, known: np.ndarray, *, grain: float, until: float) -> Iterator[None]:
        """Solve the blocks with what must be whole, to raise the bound; then each two as one, and so on.

        Of a block only that is looked for which costs less than the known solution there. It differs little
        from the relaxation, and what no such thing can have otherwise is fixed.

        Args:
            known: values of a solution.
            grain: as for the model.
            until: when to end, on the monotonic clock.

        Yields:
            Whenever the bound may be higher.
        """
        edges, at_least = self._edges, dict[tuple[int, int], float]()
        while not self._is_stopped() and time.monotonic() < until:
            at_least = self._settle(edges, known, grain, until, at_least)
            yield
            if len(edges) == 2:
                return
            edges = [*edges[:-1:2], self._last]

    def _settle(
        self,
        edges: Sequence[int],
        known: np.ndarray,
        grain: float,
        until: float,
        within: dict[tuple[int, int], float],
    ) -> dict[tuple[int, int], float]:
        """`settle` for the blocks between these stages.

        Args:
            within: what no solution of a block is below, for the smaller ones that these consist of; or none.

        Returns:
            The same for these.
        """
        parts = {(first, end): self._part(first, end) for first, end in pairwise(edges)}
        between = self._without(np.concatenate([rows for rows, _ in parts.values()]))
        costs = self._left_of_costs(between)
        fixed = np.flatnonzero(self._stages < 0)  # in every block; what they cost is counted once
        paid = self._paid(between) + self._at_best(costs, fixed)
        costs[fixed] = 0.0
        each = SHARE_OF_ONE * (until - time.monotonic()) * AT_ONCE / len(parts)

        def at_least(place: tuple[int, int]) -> float:
            rows, columns = parts[place]
            own = self._prices - self._without(rows)
            reduced = costs - self._paid_for(own)
            relaxed = self._paid(own) + self._at_best(reduced, columns)
            bound = max(relaxed, self._of_smaller(place, rows, fixed, within))
            most = float(costs[columns] @ known[columns])
            seconds = min(until - time.monotonic(), each)
            if most - bound < max(grain / 2, CLOSE_TO_WHOLE) or seconds <= 0:
                return bound
            linear = self._all.part(rows, columns)
            slack = most - relaxed + CLOSE_TO_WHOLE
            program = replace(
                linear,
                costs=costs[columns],
                upper=np.where(reduced[columns] > slack, linear.lower, linear.upper),
                lower=np.where(reduced[columns] < -slack, linear.upper, linear.lower),
            )
            found = program.solve(
                seconds=seconds,
                gap=grain / 8,
                scale=1 / grain if grain else 1.0,
                start=known[columns],
                stop=self._stop,
            )
            return bound if found.impossible else max(bound, min(found.bound, most))

        with ThreadPoolExecutor(AT_ONCE) as pool:
            found = dict(zip(parts, pool.map(at_least, parts), strict=True))
        self.bound = max(self.bound, paid + sum(found.values()))
        return found

    def _of_smaller(
        self,
        place: tuple[int, int],
        rows: np.ndarray,
        fixed: np.ndarray,
        within: dict[tuple[int, int], float],
    ) -> float:
        """What no solution of a block is below, by what is known of the smaller ones that it consists of."""
        smaller = [(first, end) for first, end in within if place[0] <= first and end <= place[1]]
        if not smaller:
            return -math.inf
        between = np.zeros(len(rows), dtype=bool)
        for first, _ in smaller:
            between |= (self._first_of_row[rows] < first) & (self._last_of_row[rows] >= first)
        own = np.zeros(len(self._prices))
        own[rows[between]] = self._prices[rows[between]]
        paid = self._paid(own) + self._at_best(-self._paid_for(own), fixed)
        return paid + sum(within[those] for those in smaller)

    def _solve(self, edges: Sequence[int], until: float, *, held: bool = False) -> None:
        """Solve the relaxation of the blocks between these stages.

        Args:
            held: whether the rows that they leave out have the prices that they had, or none.
        """
        before = self._prices if held else np.zeros(len(self._prices))
        prices = self._prices.copy()
        with ThreadPoolExecutor(AT_ONCE) as pool:
            found = pool.map(lambda first, end: self._relax(first, end, before, until), edges[:-1], edges[1:])
            for (first, end), relaxed in zip(pairwise(edges), found, strict=True):
                if relaxed is None:
                    continue
                rows, columns = self._part(first, end)
                own = self._stages[columns] >= 0
                self.values[columns] = relaxed.values
                self._basis.variables[columns[own]] = relaxed.basis.variables[own]
                self._basis.rows[rows] = relaxed.basis.rows
                prices[rows] = relaxed.row_prices
                if (first, end) == (0, self._last):
                    self.relaxed = relaxed
        # a price on the side that a row does not have says nothing
        prices[np.isinf(self._all.row_lower) & (prices > 0)] = 0.0
        prices[np.isinf(self._all.row_upper) & (prices < 0)] = 0.0
        if (bound := self._bound_at(prices)) > self.bound:
            self.bound, self._prices = bound, prices

    def _relax(self, first: int, end: int, prices: np.ndarray, until: float) -> Relaxed | None:
        rows, columns = self._part(first, end)
        others = prices.copy()
        others[rows] = 0.0
        part = replace(self._all.part(rows, columns), costs=self._left_of_costs(others)[columns])
        begin = Basis(self._basis.variables[columns], self._basis.rows[rows])
        if self._is_stopped() or time.monotonic() > until:
            return None
        return part.relax(seconds=until - time.monotonic(), stop=self._stop, begin=begin)

    def _part(self, first: int, end: int) -> tuple[np.ndarray, np.ndarray]:
        """The rows and the variables of the stages from the first to before the end."""
        rows = np.flatnonzero((self._first_of_row >= first) & (self._last_of_row < end))
        columns = np.flatnonzero((self._stages < 0) | ((self._stages >= first) & (self._stages < end)))
        return rows, columns

    def _without(self, rows: np.ndarray) -> np.ndarray:
        """The prices, none on these rows."""
        others = self._prices.copy()
        others[rows] = 0.0
        return others

    def _left_of_costs(self, prices: np.ndarray) -> np.ndarray:
        """Costs less what the rows pay for, a variable each."""
        return np.asarray(self._all.costs - self._paid_for(prices))

    def _paid_for(self, prices: np.ndarray) -> np.ndarray:
        paid = self._all.coefficients * prices[self._touched]
        return np.bincount(self._all.columns, paid, minlength=len(self._all.costs))

    def _bound_at(self, prices: np.ndarray) -> float:
        """What no solution is below, at any prices: every variable at the better of its own bounds."""
        return self._paid(prices) + self._at_best(self._left_of_costs(prices), np.arange(len(self._stages)))

    def _at_best(self, costs: np.ndarray, columns: np.ndarray) -> float:
        """The least that these variables can cost within their own bounds."""
        lower, upper = self._all.lower * costs, self._all.upper * costs
        return float(np.minimum(lower, upper)[columns].sum())

    def _paid(self, prices: np.ndarray) -> float:
        """What the bounds of all rows are worth at these prices."""
        lower, upper = self._all.row_lower, self._all.row_upper
        return float((lower[prices > 0] @ prices[prices > 0]) + (upper[prices < 0] @ prices[prices < 0]))

    def _is_stopped(self) -> bool:
        return self._stop is not None and self._stop()


SHARE_OF_ONE = 4
"""Times the time for one block that one of them may take."""

AS_LONG_AGAIN = 2.5
"""Times what the last took that the next is expected to take, at most."""


def _parted(apart: Sequence[int], size: int, last: int) -> list[int]:
    """Where one block ends and the next begins, 0 and the end included: where stages are best set apart."""
    edges = [0]
    while last - edges[-1] > size * 3 // 2:
        here = range(edges[-1] + max(size // 2, 1), edges[-1] + size * 3 // 2 + 1)
        edges.append(max(here, key=lambda place: (apart[place], -abs(place - edges[-1] - size))))
    return [*edges, last]
