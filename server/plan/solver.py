"""A mixed-integer program, row by row, and HiGHS to solve it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import highspy
import numpy as np

ENDLESS = highspy.kHighsInf

CLOSE_TO_WHOLE = 1e-6

Term = tuple[int, float]
"""(variable, coefficient)"""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the solver found.

    Attributes:
        values: one value a variable, or None where it found no solution.
        bound: no solution has a lower objective.
        impossible: whether it has proved that there is no solution.
        is_settled: whether it came to its end before the time did.
    """

    values: np.ndarray | None
    bound: float
    impossible: bool
    is_settled: bool = True


@dataclass(frozen=True, slots=True)
class Basis:
    """Where the solver left a linear program, to go on from: HiGHS's numbers for variables and rows.

    A row that is `BASIC` does not hold anything; a variable `AT_LOWER` is at its lower bound.
    """

    variables: np.ndarray
    rows: np.ndarray


AT_LOWER, BASIC = (int(highspy.HighsBasisStatus.kLower), int(highspy.HighsBasisStatus.kBasic))

_STATUS = {int(status): status for status in highspy.HighsBasisStatus.__members__.values()}


@dataclass(frozen=True, slots=True)
class Relaxed:
    """The optimum where variables need not be whole.

    Attributes:
        bound: its objective: none with whole variables is lower.
        reduced_costs: per variable, by how much at least the objective rises when it leaves its bound by 1:
            above 0 at the lower bound, below 0 at the upper.
        row_prices: per row, by how much the objective rises when its bound does by 1: above 0 where its lower
            bound holds, below 0 where its upper does.
        basis: where the solver ended.
    """

    values: np.ndarray
    bound: float
    reduced_costs: np.ndarray
    row_prices: np.ndarray
    basis: Basis


@dataclass(frozen=True, slots=True)
class Linear:
    """Minimise cost · x over lower ≤ x ≤ upper and row_lower ≤ A x ≤ row_upper; A row by row.

    Attributes:
        whole: which variables must be whole.
        starts: where each row's columns and coefficients begin; at the end, where the last one's end.
    """

    costs: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    whole: np.ndarray
    row_lower: np.ndarray
    row_upper: np.ndarray
    starts: np.ndarray
    columns: np.ndarray
    coefficients: np.ndarray

    def part(self, rows: np.ndarray, columns: np.ndarray) -> Linear:
        """These rows, which touch none but these columns."""
        lengths = (self.starts[1:] - self.starts[:-1])[rows]
        at = np.repeat(self.starts[:-1][rows] - np.cumsum(lengths) + lengths, lengths) + np.arange(
            lengths.sum()
        )
        number = np.zeros(len(self.costs), dtype=np.int64)
        number[columns] = np.arange(len(columns))
        return Linear(
            self.costs[columns],
            self.lower[columns],
            self.upper[columns],
            self.whole[columns],
            self.row_lower[rows],
            self.row_upper[rows],
            np.concatenate([[0], np.cumsum(lengths)]),
            number[self.columns[at]],
            self.coefficients[at],
        )

    def model(self, scale: float) -> highspy.HighsLp:
        """As the solver takes it, with costs multiplied, and without what must be whole."""
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.costs), len(self.row_lower)
        lp.col_cost_ = self.costs * scale
        lp.col_lower_, lp.col_upper_ = self.lower, self.upper
        lp.row_lower_, lp.row_upper_ = self.row_lower, self.row_upper
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = self.starts
        lp.a_matrix_.index_ = self.columns
        lp.a_matrix_.value_ = self.coefficients
        return lp

    def relax(
        self,
        *,
        seconds: float,
        scale: float = 1.0,
        stop: Callable[[], bool] | None = None,
        begin: Basis | None = None,
    ) -> Relaxed | None:
        """Solve it without asking for whole variables; None where that has no solution, or not in time.

        Args:
            scale: costs are multiplied by this for the solver.
            stop: asked now and then; true ends the search.
            begin: where to begin; any will do, if it is one of a program with as many variables and rows.
        """
        highs = _highs(seconds, stop)
        highs.passModel(self.model(scale))
        if begin is not None:
            basis = highspy.HighsBasis()
            basis.col_status = [_STATUS[status] for status in begin.variables.tolist()]
            basis.row_status = [_STATUS[status] for status in begin.rows.tolist()]
            basis.valid = True
            highs.setBasis(basis)
        highs.run()
        if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        solution, ended = highs.getSolution(), highs.getBasis()
        return Relaxed(
            np.asarray(solution.col_value),
            float(highs.getInfo().objective_function_value) / scale,
            np.asarray(solution.col_dual) / scale,
            np.asarray(solution.row_dual) / scale,
            Basis(
                np.array([int(status) for status in ended.col_status]),
                np.array([int(status) for status in ended.row_status]),
            ),
        )

    def solve(
        self,
        *,
        seconds: float,
        gap: float,
        scale: float = 1.0,
        start: Sequence[float] | None = None,
        watch: Callable[[float, float], None] | None = None,
        stop: Callable[[], bool] | None = None,
    ) -> Outcome:
        """Solve it with what must be whole; as `Program.solve`."""
        highs = _highs(seconds, stop)
        highs.setOptionValue("mip_rel_gap", 0.0)
        highs.setOptionValue("mip_abs_gap", gap * scale)
        highs.setOptionValue("mip_feasibility_tolerance", 1e-7)
        highs.setOptionValue("primal_feasibility_tolerance", 1e-8)
        lp = self.model(scale)
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[int(whole)] for whole in self.whole]
        highs.passModel(lp)
        if start is not None:
            solution = highspy.HighsSolution()
            solution.col_value = list(start)
            highs.setSolution(solution)
        if watch is not None:
            last = [time.monotonic()]

            def look(event: highspy.highs.HighsCallbackEvent) -> None:
                if time.monotonic() - last[0] >= 0.5:
                    last[0] = time.monotonic()
                    watch(event.data_out.mip_primal_bound / scale, event.data_out.mip_dual_bound / scale)

            highs.cbMipInterrupt.subscribe(look)
        highs.run()
        status, info = highs.getModelStatus(), highs.getInfo()
        found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
        return Outcome(
            np.asarray(highs.getSolution().col_value) if found else None,
            float(info.mip_dual_bound) / scale,
            status == highspy.HighsModelStatus.kInfeasible,
            status in (highspy.HighsModelStatus.kOptimal, highspy.HighsModelStatus.kInfeasible),
        )


class Program:
    """Minimise cost · x over 0 ≤ x ≤ 1 (or other bounds), subject to rows.

    Attributes:
        here: the stage that variables made now belong to; -1: to none.
        stages: per variable its stage.
    """

    def __init__(self) -> None:
        self.here = -1
        self.stages: list[int] = []
        self.costs: list[float] = []
        self.lower: list[float] = []
        self.upper: list[float] = []
        self.whole: list[bool] = []
        self._row_lower: list[float] = []
        self._row_upper: list[float] = []
        self._starts: list[int] = [0]
        self._columns: list[int] = []
        self._coefficients: list[float] = []

    def copy(self) -> Program:
        """Another one, the same for now."""
        other = Program()
        for name, value in vars(self).items():
            setattr(other, name, list(value) if isinstance(value, list) else value)
        return other

    def variable(self, cost: float = 0.0, *, whole: bool = True, upper: float = 1.0) -> int:
        """A new variable between 0 and `upper`; its number."""
        self.costs.append(cost)
        self.lower.append(0.0)
        self.upper.append(upper)
        self.whole.append(whole)
        self.stages.append(self.here)
        return len(self.costs) - 1

    @property
    def rows(self) -> int:
        """How many there are."""
        return len(self._row_lower)

    def fix(self, variable: int, value: float) -> None:
        """Hold a variable at a value."""
        self.lower[variable] = self.upper[variable] = value

    def row(self, terms: Sequence[Term], lower: float = -ENDLESS, upper: float = ENDLESS) -> None:
        """lower ≤ Σ coefficient · variable ≤ upper. A variable may stand in it once only."""
        found = dict(terms)
        assert len(found) == len(terms), "the solver may never end on such a row"
        self._columns += found.keys()
        self._coefficients += found.values()
        self._starts.append(len(self._columns))
        self._row_lower.append(lower)
        self._row_upper.append(upper)

    def objective(self, values: Sequence[float] | np.ndarray) -> float:
        """cost · values."""
        return float(np.dot(self.costs, values))

    def relax(
        self, *, seconds: float, scale: float = 1.0, stop: Callable[[], bool] | None = None
    ) -> Relaxed | None:
        """Solve it without asking for whole variables; None where that has no solution, or not in time.

        Args:
            stop: asked now and then; true ends the search.
        """
        return self.linear().relax(seconds=seconds, scale=scale, stop=stop)

    def are_whole(self, values: np.ndarray) -> bool:
        """Whether the variables that must be whole are."""
        whole = values[np.array(self.whole)]
        return bool(np.all(np.abs(whole - np.round(whole)) < CLOSE_TO_WHOLE))

    @contextmanager
    def kept_within(self, objective: float, relaxed: Relaxed) -> Iterator[None]:
        """`keep_within`, for a while."""
        lower, upper = list(self.lower), list(self.upper)
        try:
            self.keep_within(objective, relaxed)
            yield
        finally:
            self.lower, self.upper = lower, upper

    def keep_within(self, objective: float, relaxed: Relaxed) -> None:
        """Fix the variables that cannot change where the objective is no more than this."""
        slack = objective - relaxed.bound + CLOSE_TO_WHOLE
        for variable, reduced in enumerate(relaxed.reduced_costs):
            if reduced > slack:
                self.fix(variable, self.lower[variable])
            elif -reduced > slack:
                self.fix(variable, self.upper[variable])

    def solve(
        self,
        *,
        seconds: float,
        gap: float,
        scale: float = 1.0,
        start: Sequence[float] | None = None,
        watch: Callable[[float, float], None] | None = None,
        stop: Callable[[], bool] | None = None,
    ) -> Outcome:
        """Solve it.

        Args:
            seconds: time limit.
            gap: stop when objective − bound is no more than this.
            scale: costs are multiplied by this for the solver, which likes whole numbers.
            start: values of a known solution to begin from.
            watch: called now and then with (best objective so far, bound).
            stop: asked now and then; true ends the search with what has been found.
        """
        return self.linear().solve(seconds=seconds, gap=gap, scale=scale, start=start, watch=watch, stop=stop)

    def linear(self) -> Linear:
        """The program as arrays."""
        return Linear(
            np.array(self.costs),
            np.array(self.lower),
            np.array(self.upper),
            np.array(self.whole),
            np.array(self._row_lower),
            np.array(self._row_upper),
            np.array(self._starts),
            np.array(self._columns, dtype=np.int64),
            np.array(self._coefficients),
        )


def _highs(seconds: float, stop: Callable[[], bool] | None = None) -> highspy.Highs:
    """A solver that keeps quiet and stops in time, and when it is told to."""
    highs = highspy.Highs()  # type: ignore[no-untyped-call]
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("time_limit", max(seconds, 0.01))
    if stop is not None:

        def look(event: highspy.highs.HighsCallbackEvent) -> None:
            event.interrupt(stop())

        highs.cbMipInterrupt.subscribe(look)
        highs.cbSimplexInterrupt.subscribe(look)
    return highs
