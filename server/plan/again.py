"""A linear program that is solved many times: within other limits, or with some rows in and others out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable

import highspy
import numpy as np

from server.plan.solver import BASIC, ENDLESS, Basis, Linear, Relaxed

Solved = tuple[np.ndarray, float]
"""(values, objective)"""


class Again:
    """The program, and the solver as it was left: it goes on from there.

    Attributes:
        is_impossible: whether the last time has proved that there is no solution, or none so cheap.
    """

    def __init__(self, program: Linear, scale: float = 1.0, stop: Callable[[], bool] | None = None) -> None:
        """Begin with a program.

        Args:
            scale: costs are multiplied by this for the solver.
            stop: asked now and then; true ends the search.
        """
        self._scale, self._first = scale, program
        self._numbers: dict[tuple[bytes, bytes], list[int]] = defaultdict(list)
        self._here = np.arange(len(program.row_lower))
        self.is_impossible = False
        self._highs = highspy.Highs()  # type: ignore[no-untyped-call]
        self._highs.setOptionValue("output_flag", False)
        if stop is not None:

            def look(event: highspy.highs.HighsCallbackEvent) -> None:
                event.interrupt(stop())

            self._highs.cbSimplexInterrupt.subscribe(look)
        self._highs.passModel(program.model(scale))

    def solve(self, seconds: float, most: float = ENDLESS) -> Solved | None:
        """Solve it without asking for whole variables; None where that has no solution, or not in time.

        Args:
            most: a solution that costs more is none.
        """
        highs, of = self._highs, highspy.HighsModelStatus
        # the solver counts the seconds of all runs together
        highs.setOptionValue("time_limit", highs.getRunTime() + max(seconds, 0.01))
        highs.setOptionValue("objective_bound", most * self._scale)
        highs.run()
        status = highs.getModelStatus()
        objective = float(highs.getInfo().objective_function_value) / self._scale
        is_dearer = status == of.kOptimal and objective > most
        self.is_impossible = is_dearer or status in (of.kInfeasible, of.kObjectiveBound)
        if status != of.kOptimal or is_dearer:
            return None
        return np.asarray(highs.getSolution().col_value), objective

    def relax(self, seconds: float, begin: Basis | None = None) -> Relaxed | None:
        """`solve`, and all there is to know of it.

        Args:
            begin: where to begin; a basis of any program that this one was.
        """
        if begin is not None:
            self._go_to(begin)
        solved = self.solve(seconds)
        if solved is None:
            return None
        solution, basis = self._highs.getSolution(), self._highs.getBasis()
        return Relaxed(
            *solved,
            np.asarray(solution.col_dual) / self._scale,
            np.asarray(solution.row_dual)[self._here] / self._scale,
            Basis(
                np.array([int(status) for status in basis.col_status]),
                np.array([int(status) for status in basis.row_status]),
            ),
        )

    def hold(self, variable: int, lower: float, upper: float) -> None:
        """Take other limits for a variable."""
        self._highs.changeColBounds(variable, lower, upper)

    def become(self, program: Linear) -> None:
        """Go over to another program of as many variables, at the same costs.

        The rows that both have stay where they are, so that any basis there was fits.
        """
        if not self._numbers:
            for number in range(len(self._first.row_lower)):
                self._numbers[_row(self._first, number)].append(number)
        highs, count = self._highs, self._highs.getNumRow()
        alike = _begin_alike(program, self._first)
        numbers, taken = list(range(alike)), set[int]()
        for row in range(alike, len(program.row_lower)):
            same = self._numbers[_row(program, row)]
            number = next((n for n in same if n >= alike and n not in taken), count)
            if number == count:
                at = slice(program.starts[row], program.starts[row + 1])
                columns = program.columns[at].astype(np.int32)
                highs.addRow(-ENDLESS, ENDLESS, len(columns), columns, program.coefficients[at])
                same.append(number)
                count += 1
            numbers.append(number)
            taken.add(number)
        self._here = np.array(numbers)
        lower, upper = np.full(count, -ENDLESS), np.full(count, ENDLESS)
        lower[self._here], upper[self._here] = program.row_lower, program.row_upper
        rows, variables = np.arange(count, dtype=np.int32), np.arange(len(program.costs), dtype=np.int32)
        highs.changeRowsBounds(count, rows, lower, upper)  # type: ignore[attr-defined]
        highs.changeColsBounds(len(variables), variables, program.lower, program.upper)

    def _go_to(self, place: Basis) -> None:
        """Rows that were put in since then do not hold anything there."""
        fresh = self._highs.getNumRow() - len(place.rows)
        basis = highspy.HighsBasis()
        basis.col_status = [_STATUS[status] for status in place.variables.tolist()]
        basis.row_status = [_STATUS[status] for status in place.rows.tolist()] + [_STATUS[BASIC]] * fresh
        basis.valid = True
        self._highs.setBasis(basis)


_STATUS = {int(status): status for status in highspy.HighsBasisStatus.__members__.values()}


def _row(program: Linear, number: int) -> tuple[bytes, bytes]:
    """What a row says, whatever its limits: rows that say the same have the same."""
    first, end = program.starts[number : number + 2]
    return program.columns[first:end].tobytes(), program.coefficients[first:end].tobytes()


def _begin_alike(one: Linear, other: Linear) -> int:
    """How many rows they have alike from the first on, whatever their limits."""
    most = min(len(one.starts), len(other.starts))
    rows = _first_difference(one.starts[:most], other.starts[:most]) - 1
    end = int(one.starts[rows])
    end = min(
        _first_difference(one.columns[:end], other.columns[:end]),
        _first_difference(one.coefficients[:end], other.coefficients[:end]),
    )
    return int(np.searchsorted(one.starts[: rows + 1], end, side="right")) - 1


def _first_difference(one: np.ndarray, other: np.ndarray) -> int:
    """The first place where two arrays of the same length differ; their length where they do not."""
    places = np.flatnonzero(one != other)
    return int(places[0]) if len(places) else len(one)
