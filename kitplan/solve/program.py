"""Linear and mixed-integer programs: the only module that knows PuLP.

Works with PuLP 3.3 and 4, and HiGHS solves. A program is collected in plain lists and handed to PuLP once, when it is
first solved.

Three habits of the libraries shape this module: a run stopped by its time limit may still be called
optimal, so status and solution status are both read; an infeasible model still holds numbers, so
nothing is read before the status; names are cleaned and may collide, so variables are named by index.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pulp

from kitplan.solve.values import SolverReport

SOLVER = "highs"

INTEGRAL = 1e-6
"""How far from a whole number a value may be and still count as whole (the solvers' own tolerance)."""

FEASIBLE = 1e-5
"""How far outside a row or bound a returned solution may lie before it is refused."""

_PLAIN_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z")
_PULP_4 = not hasattr(pulp.LpProblem(), "sol_status")


class NoSolution(RuntimeError):
    """Values were asked of a program that ended without a solution; the text says how it ended."""


@dataclass(frozen=True)
class Solution:
    """How a solve ended, and its values if it ended well.

    A dual is the change of the objective, in the program's own sense, when the row's limit rises by one. So a limit on
    spending in a minimisation has a dual of at most 0 (more room never costs more), a requirement one of at least 0.
    """

    report: SolverReport
    column_values: np.ndarray | None = None
    row_duals: Mapping[str, float] | None = None

    @property
    def solved(self) -> bool:
        """True if there are values to read: status "optimal" or "feasible"."""
        return self.column_values is not None

    def values(self, handles: Sequence[int] | np.ndarray) -> np.ndarray:
        """Return the values of `handles`. Raises NoSolution unless the program was solved."""
        if self.column_values is None:
            raise NoSolution(f"{self.report.name} ended {self.report.status}: it has no values")
        return self.column_values[np.asarray(handles, dtype=np.intp)]

    def dual(self, row: str) -> float:
        """Return the dual of `row`. Raises NoSolution for a result that is not a linear program's."""
        if self.row_duals is None:
            raise NoSolution(f"{self.report.name} has no duals: only a linear program has")
        return self.row_duals[row]


@dataclass(frozen=True)
class Row:
    """One linear row: sum of coefficient * variable against a limit. sense: 1 for no less, -1 for no more, 0 equal."""

    handles: list[int]
    coefficients: list[float]
    sense: int
    limit: float


class Program:
    """A linear or mixed-integer program under construction. Handles are column numbers, from 0."""

    def __init__(self, name: str, sense: str = "min") -> None:
        if sense not in ("min", "max"):
            raise ValueError(f"sense is 'min' or 'max', not {sense!r}")
        self.name = _plain(name)
        self.sense = sense
        self._sign = 1.0 if sense == "min" else -1.0
        self._column_names: list[str] = []
        self._low: list[float] = []
        self._high: list[float | None] = []
        self._integer: list[bool] = []
        self._costs: dict[int, float] = {}
        self._constant = 0.0
        self._rows: dict[str, Row] = {}
        self._built: tuple[Any, list[Any]] | None = None

    def variables(
        self, name: str, count: int, low: Any = 0.0, high: Any = None, integer: bool = False
    ) -> list[int]:
        """Add `count` variables called name0, name1, ... and return their handles.

        low, high: one limit for all, or one a variable; high None is no limit.
        """
        self._built = None
        prefix, first = _plain(name), len(self._column_names)
        self._column_names += [f"{prefix}{k}" for k in range(count)]
        self._low += _coefficients(low, count)
        self._high += _limits(high, count)
        self._integer += [integer] * count
        return list(range(first, first + count))

    def objective(self, handles: Sequence[int], coefficients: Any, constant: float = 0.0) -> None:
        """Add terms to the objective; calls add up."""
        self._built = None
        for handle, cost in zip(handles, _coefficients(coefficients, len(handles))):
            self._costs[int(handle)] = self._costs.get(int(handle), 0.0) + cost
        self._constant += float(constant)

    def row(
        self,
        name: str,
        handles: Sequence[int],
        coefficients: Any,
        low: float | None = None,
        high: float | None = None,
    ) -> None:
        """Add the row coefficients . handles >= low, or <= high; both, which are equal, make an equation."""
        self._built = None
        if name in self._rows:
            raise ValueError(f"row {name!r} is there already")
        limits = {float(end) for end in (low, high) if end is not None}
        if len(limits) != 1:
            raise ValueError(f"row {name!r} limits nothing, or has two limits")
        sense = (low is not None) - (high is not None)
        self._rows[_plain(name)] = Row(list(handles), _coefficients(coefficients, len(handles)), sense, *limits)

    def solve(
        self,
        integer: bool = True,
        gap: float = 0.0,
        time_limit: float | None = None,
        relaxation: Solution | None = None,
    ) -> Solution:
        """Solve the linear relaxation, then (if asked, and if it is not whole already) the integer program.

        gap: relative gap at which the integer solve may stop. time_limit: seconds for each of the two solves.
        relaxation: an earlier result of `solve(integer=False)` on this same program, to save solving it again.
        """
        relaxed = relaxation or self._run(0.0, time_limit)
        whole = not any(self._integer)
        if not integer or relaxed.report.status != "optimal" or whole or self._is_whole(relaxed):
            return relaxed
        return self._run(gap, time_limit, relaxed.report)

    def searched(self, gap: float) -> Solution:
        """Solve the integer program alone, where nobody asks what its relaxation says."""
        nothing = SolverReport(SOLVER, "optimal", np.nan, -self._sign * np.inf, np.nan, np.nan, 0.0)
        return self._run(gap, None, nothing)

    def _is_whole(self, solution: Solution) -> bool:
        values = solution.values(np.flatnonzero(self._integer))
        return bool(np.all(np.abs(values - np.round(values)) <= INTEGRAL))

    def _model(self) -> tuple[Any, list[Any]]:
        """Return the PuLP problem and its variables, built on first use.

        PuLP before 4 hands columns to the solver in order of name, so the column number goes before each name: with
        the same order, the same answer among equals under every PuLP.
        """
        if self._built is None:
            problem = pulp.LpProblem(self.name, pulp.LpMinimize)
            add = getattr(problem, "add_variable", pulp.LpVariable)  # PuLP before 3.3.1 has LpVariable only
            columns = zip(self._column_names, self._low, self._high, self._integer)
            variables = [
                add(f"c{k:07d}_{name}", low, high, "Integer" if whole else "Continuous")
                for k, (name, low, high, whole) in enumerate(columns)
            ]
            terms = [(variables[k], self._sign * cost) for k, cost in self._costs.items()]
            problem.setObjective(_expression(terms))
            for name, row in self._rows.items():
                terms = [(variables[k], c) for k, c in zip(row.handles, row.coefficients)]
                problem.addConstraint(_constraint(terms, row.sense, row.limit), name)
            self._built = problem, variables
        return self._built

    def _run(self, gap: float, time_limit: float | None, relaxed: SolverReport | None = None) -> Solution:
        """Solve the relaxation; with `relaxed`, how that ended, the integer program."""
        started = time.perf_counter()
        if not self._column_names:
            return self._without_columns()
        problem, variables = self._model()
        status, told = _solve_quietly(problem, relaxed is not None, gap, time_limit)
        values = self._read_values(variables) if status in ("optimal", "feasible") else None
        if values is not None and self._violation(values) > FEASIBLE:
            status, values = "failed", None
        seconds = time.perf_counter() - started + (relaxed.seconds if relaxed else 0.0)
        if values is None:
            lp_bound = relaxed.lp_bound if relaxed else np.nan
            return Solution(SolverReport(SOLVER, status, np.nan, lp_bound, np.nan, np.nan, seconds))
        objective = self._value_of(values)
        bound = self._bound(status, objective, told, gap, relaxed)
        width = abs(objective - bound) / abs(objective) if abs(objective) > 1e-12 else 0.0
        lp_bound = relaxed.lp_bound if relaxed else bound
        report = SolverReport(SOLVER, status, objective, lp_bound, bound, width, seconds)
        return Solution(report, values, None if relaxed else self._read_row_duals(problem))

    def _without_columns(self) -> Solution:
        """The answer of a program without variables: every row sums to 0."""
        if self._rows and self._violation(np.empty(0)) > FEASIBLE:
            return Solution(SolverReport("none", "infeasible", np.nan, np.nan, np.nan, np.nan, 0.0))
        worth = self._constant
        report = SolverReport("none", "optimal", worth, worth, worth, 0.0, 0.0)
        return Solution(report, np.empty(0), dict.fromkeys(self._rows, 0.0))

    def _bound(
        self, status: str, objective: float, told: float | None, gap: float, relaxed: SolverReport | None
    ) -> float:
        """What is proven of the objective. told: by the solver of an integer program, without the constant."""
        if relaxed is None:
            return objective if status == "optimal" else -self._sign * np.inf
        known = self._sign * relaxed.lp_bound
        if told is not None:
            known = max(known, told + self._sign * self._constant)
        elif status == "optimal":
            inner = self._sign * objective
            known = max(known, inner - gap * abs(inner))
        return self._sign * known

    def _read_values(self, variables: list[Any]) -> np.ndarray:
        """Return the values; a variable that no row mentions stays at its lower bound."""
        values = np.array([low if v.varValue is None else v.varValue for v, low in zip(variables, self._low)])
        whole = np.array(self._integer)
        rounded = np.round(values)
        return np.where(whole & (np.abs(values - rounded) <= INTEGRAL), rounded, values)

    def _violation(self, values: np.ndarray) -> float:
        """Return how far `values` lie outside the worst row or bound, relative to the limit's size."""
        high = np.array([np.inf if limit is None else limit for limit in self._high])
        worst = float(max(np.max(self._low - values, initial=0.0), np.max(values - high, initial=0.0)))
        if not self._rows:
            return worst
        rows = list(self._rows.values())
        length = [len(row.handles) for row in rows]
        columns = np.fromiter((k for row in rows for k in row.handles), dtype=np.intp, count=sum(length))
        weights = np.fromiter((c for row in rows for c in row.coefficients), dtype=float, count=sum(length))
        number = np.repeat(np.arange(len(rows)), length)
        totals = np.bincount(number, weights * values[columns], minlength=len(rows))
        sense, limit = (np.array([getattr(row, name) for row in rows]) for name in ("sense", "limit"))
        outside = np.where(sense == 0, np.abs(limit - totals), sense * (limit - totals))
        return float(max(worst, np.max(outside / np.maximum(1.0, np.abs(limit)))))

    def _value_of(self, values: np.ndarray) -> float:
        columns = np.fromiter(self._costs.keys(), dtype=np.intp, count=len(self._costs))
        costs = np.fromiter(self._costs.values(), dtype=float, count=len(self._costs))
        return float(costs @ values[columns]) + self._constant

    def _read_row_duals(self, problem: Any) -> dict[str, float]:
        rows = problem.constraints
        found = {c.name: c.pi or 0.0 for c in (rows() if callable(rows) else rows.values())}
        return {name: self._sign * found.get(name, 0.0) for name in self._rows}


def _solve_quietly(
    problem: Any, integer: bool, gap: float, time_limit: float | None
) -> tuple[str, float | None]:
    """Run the solver so that it repeats itself exactly (one thread, fixed seed); return our status and the bound proven
    on an integer program (None if not told).
    """
    engine = pulp.HiGHS(
        mip=integer, msg=False, gapRel=gap, timeLimit=time_limit, threads=1, random_seed=0, output_flag=False)
    with _banner_hidden():
        status = _status(problem, problem.solve(engine))
    if status == "failed":
        # HiGHS refuses to run if something else in this process started its scheduler with more threads,
        # and its presolve may stop at "infeasible or unbounded": start afresh and let it decide.
        problem.solverModel.resetGlobalScheduler(True)
        engine.optionsDict["presolve"] = "off"
        status = _status(problem, problem.solve(engine))
    bound = None
    if integer and status in ("optimal", "feasible"):
        reported = float(problem.solverModel.getInfo().mip_dual_bound)
        bound = reported if np.isfinite(reported) else None
    return status, bound


def _status(problem: Any, outcome: Any) -> str:
    """Return "optimal", "feasible", "infeasible", "unbounded" or "failed" from both of PuLP's statuses."""
    if _PULP_4:
        code, names = outcome.status, pulp.LpSolveStatus
        infeasible, unbounded, found = names.Infeasible, names.Unbounded, outcome.has_solution
        proven = found and code in (names.Optimal, names.GapLimit)
    else:
        code, infeasible, unbounded = problem.status, pulp.LpStatusInfeasible, pulp.LpStatusUnbounded
        proven = problem.sol_status == pulp.LpSolutionOptimal
        found = proven or problem.sol_status == pulp.LpSolutionIntegerFeasible
    if code == infeasible:
        return "infeasible"
    if code == unbounded:
        return "unbounded"
    if not found:
        return "failed"
    return "optimal" if proven else "feasible"


_started = False


@contextmanager
def _banner_hidden() -> Iterator[None]:
    """Keep the solver library's own start-up line, written once a process, out of the user's output."""
    global _started
    if _started:
        yield
        return
    _started = True
    kept = os.dup(1)
    try:
        with open(os.devnull, "wb") as nowhere:
            os.dup2(nowhere.fileno(), 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def _expression(terms: list[tuple[Any, float]]) -> Any:
    return pulp.LpAffineExpression.from_list(terms) if _PULP_4 else pulp.LpAffineExpression(terms)


def _constraint(terms: list[tuple[Any, float]], sense: int, limit: float) -> Any:
    if not _PULP_4:
        return pulp.LpConstraint(_expression(terms), sense, None, limit)
    left = _expression(terms)
    if sense == 0:
        return left == limit
    return left <= limit if sense < 0 else left >= limit


def _limits(limit: Any, count: int) -> list[float | None]:
    given = [limit] * count if limit is None or np.ndim(limit) == 0 else list(limit)
    limits = [None if b is None or not np.isfinite(b) else float(b) for b in given]
    if len(limits) != count:
        raise ValueError(f"{count} variables but {len(limits)} limits")
    return limits


def _coefficients(coefficients: Any, count: int) -> list[float]:
    if np.ndim(coefficients) == 0:
        return [float(coefficients)] * count
    found = [float(c) for c in coefficients]
    if len(found) != count:
        raise ValueError(f"{count} variables but {len(found)} coefficients")
    return found


def _plain(name: str) -> str:
    if not _PLAIN_NAME.match(name):
        raise ValueError(f"{name!r} would be changed by the solver's file formats: use letters, digits and _")
    return name
