"""What a program answers, and how: its gap, its quiet, and variables that nothing asks about. By hand throughout."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

import kitplan.solve.program as program_module
from kitplan.solve.collapse import _distinct_rows
from kitplan.solve.cutting import Stock, cut_stock
from kitplan.solve.program import Program
from kitplan.solve.verify import _logistic_line


@pytest.mark.parametrize(("low", "high"), [(2.0, None), (1.0, 4.0), (-5.0, -3.0)])
def test_a_variable_that_nothing_asks_about_lies_at_its_lower_bound(low, high):
    """Beside it 3 x is least where x is at least 2: 6, whatever the other is."""
    program = Program("p", "min")
    (x,) = program.variables("x", 1)
    (free,) = program.variables("free", 1, low=low, high=high)
    program.objective([x], 3.0)
    program.row("enough", [x], 1.0, low=2.0)
    solution = program.solve()
    assert solution.report.status == "optimal"
    assert solution.values([x, free]).tolist() == [2.0, low]
    assert solution.report.objective == 6.0


@pytest.mark.parametrize("bound", [9.0, 11.0])
def test_the_gap_is_what_lies_between_answer_and_bound_as_a_part_of_the_answer(bound, monkeypatch):
    """10 x is least where x is at least a half: 5, and 10 where x is whole; the solver tells another bound."""
    program, solve = Program("p", "min"), program_module._solve_quietly
    x = program.variables("x", 1, integer=True)
    program.objective(x, 10.0)
    program.row("half", x, 1.0, low=0.5)
    monkeypatch.setattr(program_module, "_solve_quietly", lambda problem, integer, *rest: (
        solve(problem, integer, *rest)[0], bound if integer else None))
    report = program.solve().report
    assert (report.objective, report.bound) == (10.0, bound)
    assert report.gap == pytest.approx(0.1)


def test_the_solver_prints_nothing(capfd):
    program = Program("p", "max")
    x = program.variables("x", 3, integer=True, high=7.0)
    program.objective(x, np.array([5.0, 4.0, 3.0]))
    program.row("room", x, [2.0, 3.0, 1.0], high=5.0)
    assert program.solve().report.objective > 0
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize(("code", "found", "said"), [
    ("Optimal", True, "optimal"), ("GapLimit", True, "optimal"), ("TimeLimit", True, "feasible"),
    ("Optimal", False, "failed"), ("TimeLimit", False, "failed"), ("Infeasible", False, "infeasible"),
    ("Unbounded", False, "unbounded"),
])
def test_what_the_newer_pulp_says_of_a_program_is_understood(code, found, said, monkeypatch):
    """PuLP 4 tells a status and whether it has a solution: only both together make an answer."""
    monkeypatch.setattr(program_module, "_PULP_4", True)
    names = SimpleNamespace(**{name: name for name in ("Optimal", "GapLimit", "Infeasible", "Unbounded")})
    monkeypatch.setattr(program_module.pulp, "LpSolveStatus", names, raising=False)
    assert program_module._status(None, SimpleNamespace(status=code, has_solution=found)) == said


def test_where_every_interval_lasted_the_line_lies_near_one_and_where_none_did_near_nought():
    place, seen = np.linspace(-1.0, 1.0, 5), np.full(5, 100.0)
    assert _logistic_line(place, seen, seen).tolist() == pytest.approx([1.0] * 5, abs=1e-3)
    assert _logistic_line(place, 0 * seen, seen).tolist() == pytest.approx([0.0] * 5, abs=1e-3)


def test_waste_is_what_ends_in_no_piece_and_pieces_that_are_missing_are_none():
    """Ten pieces of 100 mm wanted, one roll of 250 mm: two are cut, eight missing, and a fifth of the roll is waste."""
    plan = cut_stock([100.0], [10], [Stock("end", 250.0, 0.0, available=1)])
    assert (plan.short.tolist(), plan.opened_mm) == ([8], 250.0)
    assert plan.waste_share == pytest.approx(0.2)


def test_rows_whose_marks_are_alike_are_told_apart_all_the_same(monkeypatch):
    """All weights one: (1, 2) and (2, 1) have one mark, 3, and are two rows, the first of them seen twice."""
    rows = np.array([[1, 2], [2, 1], [1, 2]])
    plain, number = _distinct_rows(rows)
    monkeypatch.setattr(np.random, "default_rng", lambda seed: SimpleNamespace(
        integers=lambda low, high, size, dtype: np.zeros(size, dtype)))
    found, counts = _distinct_rows(rows)
    for told, times in ((plain, number), (found, counts)):
        assert dict(zip(map(tuple, told.tolist()), times.tolist())) == {(1, 2): 2, (2, 1): 1}


class Left:
    """A linear expression that says what it is compared with."""

    def __init__(self, terms):
        self.terms = terms

    def __le__(self, limit):
        return self.terms, "<=", limit

    def __ge__(self, limit):
        return self.terms, ">=", limit

    def __eq__(self, limit):
        return self.terms, "=", limit


@pytest.mark.parametrize(("low", "high", "made"), [
    (1.0, 1.0, ("=", 1.0)), (1.0, None, (">=", 1.0)), (None, 2.0, ("<=", 2.0))])
def test_a_row_is_written_for_the_newer_pulp_as_it_stands(low, high, made, monkeypatch):
    """PuLP 4 makes constraints by comparing expressions, which it makes from a list of terms."""
    monkeypatch.setattr(program_module, "_PULP_4", True)
    monkeypatch.setattr(program_module.pulp, "LpAffineExpression", SimpleNamespace(from_list=Left))
    program = Program("p")
    program.row("r", program.variables("x", 1), 1.0, low=low, high=high)
    row = program._rows["r"]
    assert program_module._constraint([("x", 3.0)], row.sense, row.limit)[1:] == made
