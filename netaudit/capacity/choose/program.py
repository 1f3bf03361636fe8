"""A mixed-integer program, and its optimum by HiGHS: the only module that knows the solver."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import highspy
import numpy as np

from netaudit.errors import NoSolution

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

# Below it the solver alone is quicker than the sieve.
_SIEVED_FROM: Final = 1000
# Variables of the first try: the better half of what any closet of a large site can hold; a poor try costs time, nothing else.
_TRIED_FIRST: Final = 800
_TOLERANCE: Final = 1e-4  # a hundredth of a cent: far above the solver's own 1e-7, far below any price


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

    def priced(self, costs: Mapping[int, float]) -> Program:
        """Give the same program with other costs; 0 where none is named."""
        return Program([costs.get(column, 0.0) for column in range(len(self.costs))], self.most, self.rows)

    def solve(self) -> tuple[int, ...] | None:
        """
        Find the optimum, proven with gap 0; None when no solution exists.

        A large program is sieved first: a variable whose reduced cost in the relaxation without whole numbers takes it above
        a solution that is known is 0 in every better one.

        Raises:    NoSolution: the solver gave up.
        Source:    reduced cost fixing: Dantzig, Fulkerson, Johnson 1954.
        """
        everything = range(len(self.costs))
        if len(everything) < _SIEVED_FROM:
            return self._optimum(everything)
        relaxed = self._run(everything, whole=False)
        if relaxed is None:
            return None
        bound, reduced = relaxed.getObjectiveValue(), relaxed.getSolution().col_dual
        promising = sorted(sorted(everything, key=lambda column: reduced[column])[:_TRIED_FIRST])
        known = self._optimum(promising)
        if known is None:
            return self._optimum(everything)
        slack = sum(cost * value for cost, value in zip(self.costs, known, strict=True)) - bound + _TOLERANCE
        left = [column for column in everything if reduced[column] <= slack]
        return known if set(left) <= set(promising) else self._optimum(left, known)

    def _optimum(self, columns: Sequence[int], known: Sequence[int] | None = None) -> tuple[int, ...] | None:
        """Solve with the variables named, from a solution that is known; all others are 0."""
        solver = self._run(columns, whole=True, known=known)
        if solver is None:
            return None
        values = dict(zip(columns, solver.getSolution().col_value, strict=True))
        return tuple(round(values.get(column, 0.0)) for column in range(len(self.costs)))

    def _run(self, columns: Sequence[int], *, whole: bool, known: Sequence[int] | None = None) -> _Solver | None:
        solver = _Solver()
        # One thread and no gap: the same plan gives the same set on every machine, and the proof is complete.
        for option, value in (("output_flag", False), ("threads", 1), ("mip_rel_gap", 0.0), ("mip_abs_gap", 1e-6)):
            solver.setOptionValue(option, value)
        solver.passModel(self._model(columns, whole=whole))
        if known is not None:
            begin = highspy.HighsSolution()
            begin.col_value, begin.value_valid = [float(known[column]) for column in columns], True
            solver.setSolution(begin)
            # What presolve would find the sieve has found; on what is left it takes longer than it spares.
            solver.setOptionValue("presolve", "off")
        solver.run()
        status = solver.getModelStatus()
        if status in (highspy.HighsModelStatus.kInfeasible, highspy.HighsModelStatus.kUnboundedOrInfeasible):
            return None
        if status not in (highspy.HighsModelStatus.kOptimal, highspy.HighsModelStatus.kModelEmpty):
            raise NoSolution(f"the solver ended without an answer: {solver.modelStatusToString(status)}")
        return solver

    def _model(self, columns: Sequence[int], *, whole: bool) -> highspy.HighsLp:
        model = highspy.HighsLp()
        place = {column: index for index, column in enumerate(columns)}
        rows = [
            [(place[column], value) for column, value in terms.items() if column in place] for terms, _, _ in self.rows
        ]
        model.num_col_, model.num_row_ = len(place), len(rows)
        model.col_cost_ = np.array([self.costs[column] for column in columns], dtype=float)
        model.col_lower_ = np.zeros(len(place))
        model.col_upper_ = np.array([self.most[column] for column in columns], dtype=float)
        if whole:
            model.integrality_ = [highspy.HighsVarType.kInteger] * len(place)
        model.row_lower_ = np.array([least for _, least, _ in self.rows], dtype=float)
        model.row_upper_ = np.array([most for _, _, most in self.rows], dtype=float)
        model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        model.a_matrix_.start_ = np.cumsum([0, *map(len, rows)])
        model.a_matrix_.index_ = np.array([index for row in rows for index, _ in row], dtype=np.int32)
        model.a_matrix_.value_ = np.array([value for row in rows for _, value in row], dtype=float)
        return model
