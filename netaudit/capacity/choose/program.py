"""A mixed-integer program, and its optimum by HiGHS: the only module that knows the solver."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import highspy
import numpy as np

from netaudit.errors import NoSolution

if TYPE_CHECKING:
    from collections.abc import Mapping


class _Solver(highspy.Highs):  # type: ignore[misc]  # the package has no types
    """HiGHS without its callbacks: switching them on is what prints a banner on the process's own output."""

    def enableCallbacks(self) -> None:  # noqa: N802 - the package's name
        """Leave them off."""


@dataclass(slots=True)
class Program:
    """
    Minimise the sum of costs over whole numbers, under rows `sum(coefficient * variable) <= most` (or >= least).

    Variables are numbers from 0 on, in the order in which they were added.
    """

    costs: list[float] = field(default_factory=list)
    most: list[float] = field(default_factory=list)
    rows: list[tuple[dict[int, float], float, float]] = field(default_factory=list)

    def variable(self, cost: float = 0.0, most: float = 1.0) -> int:
        """Add a whole number from 0 to `most`; give its index."""
        self.costs.append(cost)
        self.most.append(most)
        return len(self.costs) - 1

    def at_most(self, terms: Mapping[int, float], bound: float) -> None:
        """Add a row that may not exceed its bound."""
        self.rows.append((dict(terms), -highspy.kHighsInf, bound))

    def exactly(self, terms: Mapping[int, float], value: float) -> None:
        """Add a row that must equal a value."""
        self.rows.append((dict(terms), value, value))

    def solve(self) -> tuple[int, ...] | None:
        """
        Find the optimum, proven with gap 0; None when no solution exists.

        Raises:    NoSolution: the solver gave up.
        """
        if not self.costs:
            return ()
        solver = _Solver()
        # One thread and no gap: the same plan gives the same set on every machine, and the proof is complete.
        for option, value in (("output_flag", False), ("threads", 1), ("mip_rel_gap", 0.0), ("mip_abs_gap", 1e-6)):
            solver.setOptionValue(option, value)
        solver.passModel(self._model())
        solver.run()
        status = solver.getModelStatus()
        if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
            return None
        if status != highspy.HighsModelStatus.kOptimal:
            raise NoSolution(f"the solver ended without an answer: {solver.modelStatusToString(status)}")
        return tuple(round(value) for value in solver.getSolution().col_value)

    def _model(self) -> highspy.HighsLp:
        model = highspy.HighsLp()
        count = len(self.costs)
        model.num_col_, model.num_row_ = count, len(self.rows)
        model.col_cost_ = np.array(self.costs)
        model.col_lower_ = np.zeros(count)
        model.col_upper_ = np.array(self.most, dtype=float)
        model.integrality_ = [highspy.HighsVarType.kInteger] * count
        model.row_lower_ = np.array([least for _, least, _ in self.rows])
        model.row_upper_ = np.array([most for _, _, most in self.rows])
        model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        model.a_matrix_.start_ = np.cumsum([0, *(len(terms) for terms, _, _ in self.rows)])
        model.a_matrix_.index_ = np.array([column for terms, _, _ in self.rows for column in terms], dtype=np.int32)
        model.a_matrix_.value_ = np.array([value for terms, _, _ in self.rows for value in terms.values()], dtype=float)
        return model
