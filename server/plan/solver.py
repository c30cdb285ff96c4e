"""A mixed-integer program, row by row, and HiGHS to solve it."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
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
    """

    values: np.ndarray | None
    bound: float
    impossible: bool


@dataclass(frozen=True, slots=True)
class Relaxed:
    """The optimum where variables need not be whole.

    Attributes:
        bound: its objective: none with whole variables is lower.
        reduced_costs: per variable, by how much at least the objective rises when it leaves its bound by 1:
            above 0 at the lower bound, below 0 at the upper.
    """

    values: np.ndarray
    bound: float
    reduced_costs: np.ndarray


class Program:
    """Minimise cost · x over 0 ≤ x ≤ 1 (or other bounds), subject to rows."""

    def __init__(self) -> None:
        self.costs: list[float] = []
        self.lower: list[float] = []
        self.upper: list[float] = []
        self.whole: list[bool] = []
        self._row_lower: list[float] = []
        self._row_upper: list[float] = []
        self._starts: list[int] = [0]
        self._columns: list[int] = []
        self._coefficients: list[float] = []

    def variable(self, cost: float = 0.0, *, whole: bool = True, upper: float = 1.0) -> int:
        """A new variable between 0 and `upper`; its number."""
        self.costs.append(cost)
        self.lower.append(0.0)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.costs) - 1

    def fix(self, variable: int, value: float) -> None:
        """Hold a variable at a value."""
        self.lower[variable] = self.upper[variable] = value

    def row(self, terms: Sequence[Term], lower: float = -ENDLESS, upper: float = ENDLESS) -> None:
        """lower ≤ Σ coefficient · variable ≤ upper. A variable may stand in it once only."""
        assert len({column for column, _ in terms}) == len(terms), "the solver may never end on such a row"
        for column, coefficient in terms:
            self._columns.append(column)
            self._coefficients.append(coefficient)
        self._starts.append(len(self._columns))
        self._row_lower.append(lower)
        self._row_upper.append(upper)

    def objective(self, values: Sequence[float] | np.ndarray) -> float:
        """cost · values."""
        return float(np.dot(self.costs, values))

    def relax(self, *, seconds: float, scale: float = 1.0) -> Relaxed | None:
        """Solve it without asking for whole variables; None where that has no solution, or not in time."""
        highs = _highs(seconds)
        model = self._model(scale)
        model.integrality_ = []
        highs.passModel(model)
        highs.run()
        if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        solution = highs.getSolution()
        return Relaxed(
            np.asarray(solution.col_value),
            float(highs.getInfo().objective_function_value) / scale,
            np.asarray(solution.col_dual) / scale,
        )

    def are_whole(self, values: np.ndarray) -> bool:
        """Whether the variables that must be whole are."""
        whole = values[np.array(self.whole)]
        return bool(np.all(np.abs(whole - np.round(whole)) < CLOSE_TO_WHOLE))

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
    ) -> Outcome:
        """Solve it.

        Args:
            seconds: time limit.
            gap: stop when objective − bound is no more than this.
            scale: costs are multiplied by this for the solver, which likes whole numbers.
            start: values of a known solution to begin from.
            watch: called now and then with (best objective so far, bound).
        """
        highs = _highs(seconds)
        highs.setOptionValue("mip_rel_gap", 0.0)
        highs.setOptionValue("mip_abs_gap", gap * scale)
        highs.setOptionValue("mip_feasibility_tolerance", 1e-7)
        highs.setOptionValue("primal_feasibility_tolerance", 1e-8)
        highs.passModel(self._model(scale))
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
        )

    def _model(self, scale: float) -> highspy.HighsLp:
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.costs), len(self._row_lower)
        lp.col_cost_ = np.array(self.costs) * scale
        lp.col_lower_, lp.col_upper_ = np.array(self.lower), np.array(self.upper)
        lp.row_lower_, lp.row_upper_ = np.array(self._row_lower), np.array(self._row_upper)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.array(self._starts)
        lp.a_matrix_.index_ = np.array(self._columns)
        lp.a_matrix_.value_ = np.array(self._coefficients)
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        lp.integrality_ = [kinds[whole] for whole in self.whole]
        return lp


def _highs(seconds: float) -> highspy.Highs:
    """A solver that keeps quiet and stops in time."""
    highs = highspy.Highs()  # type: ignore[no-untyped-call]
    highs.setOptionValue("output_flag", False)
    highs.setOptionValue("time_limit", max(seconds, 0.01))
    return highs
