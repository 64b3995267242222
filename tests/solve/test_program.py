"""One layer over the solvers: what a result may be trusted for, whichever PuLP and solver is installed."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kitplan.solve.program import NoSolution, Program, SolverReport

from .cbc import SOLVERS, needs_cbc, solving_by


def diet(sense="min"):
    """min 2a + 3b with a + b >= 3 and a <= 2: 7 at (2, 1)."""
    program = Program("diet", sense)
    a, b = program.variables("x", 2)
    program.objective([a, b], [2, 3] if sense == "min" else [-2, -3])
    program.row("need", [a, b], [1, 1], low=3)
    program.row("room", [a], [1], high=2)
    return program, [a, b]


@pytest.mark.parametrize("solver", SOLVERS)
def test_a_linear_program_gives_values_bound_and_duals(solver):
    program, x = diet()
    with solving_by(solver):
        solution = program.solve()
    assert solution.report.status == "optimal"
    assert solution.report.objective == pytest.approx(7)
    assert solution.report.bound == solution.report.lp_bound == pytest.approx(7)
    assert solution.report.gap == 0
    assert solution.values(x) == pytest.approx([2, 1])


@pytest.mark.parametrize("solver", SOLVERS)
@pytest.mark.parametrize(("sense", "sign"), [("min", 1), ("max", -1)])
def test_a_dual_is_the_change_of_the_objective_for_one_more_of_the_limit(solver, sense, sign):
    program, _ = diet(sense)
    with solving_by(solver):
        solution = program.solve()
    assert solution.dual("need") == pytest.approx(3 * sign)
    assert solution.dual("room") == pytest.approx(-1 * sign)


def test_a_dual_foretells_what_one_more_unit_does():
    program, _ = diet()
    before = program.solve()
    more = Program("more")
    a, b = more.variables("x", 2)
    more.objective([a, b], [2, 3])
    more.row("need", [a, b], [1, 1], low=4)
    more.row("room", [a], [1], high=2)
    assert more.solve().report.objective == pytest.approx(before.report.objective + before.dual("need"))


@pytest.mark.parametrize("solver", SOLVERS)
def test_an_infeasible_program_has_no_values_to_read(solver):
    program, x = diet()
    program.row("never", x, [1, 1], high=1)
    with solving_by(solver):
        solution = program.solve()
    assert solution.report.status == "infeasible"
    assert not solution.solved
    with pytest.raises(NoSolution, match="infeasible"):
        solution.values(x)


@pytest.mark.parametrize("solver", SOLVERS)
def test_an_unbounded_program_says_so(solver):
    program = Program("endless", "max")
    x = program.variables("x", 2)
    program.objective(x, 1.0)
    program.row("apart", x, [1, -1], high=3)
    with solving_by(solver):
        assert program.solve().report.status == "unbounded"


def test_a_run_stopped_by_its_time_limit_is_not_called_optimal():
    """Market split (Cornuejols & Dawande 1998, from memory): tiny to state, hopeless to close in a moment."""
    draw = np.random.default_rng(3)
    program = Program("split")
    x = program.variables("x", 40, high=1, integer=True)
    for row in range(5):
        weights = draw.integers(0, 100, 40)
        half = float(weights.sum() // 2)
        over = program.variables(f"over{row}_", 1)
        under = program.variables(f"under{row}_", 1)
        program.objective([*over, *under], 1.0)
        program.row(f"split{row}", [*x, *over, *under], [*weights.tolist(), -1, 1], low=half, high=half)
    report = program.solve(time_limit=0.3).report
    assert report.status in ("feasible", "failed")
    assert not report.gap <= 1e-6


def test_an_integer_program_reports_the_relaxation_and_its_own_bound():
    program = Program("knapsack", "max")
    x = program.variables("x", 3, high=1, integer=True)
    program.objective(x, [60, 100, 120])
    program.row("weight", x, [10, 20, 30], high=50)
    solution = program.solve()
    assert solution.report.objective == pytest.approx(220)
    assert solution.report.lp_bound == pytest.approx(240)
    assert solution.report.bound == pytest.approx(220)
    with pytest.raises(NoSolution, match="duals"):
        solution.dual("weight")


@pytest.mark.parametrize(("sense", "sign"), [("min", 1), ("max", -1)])
def test_an_integer_program_alone_finds_the_same_and_the_solver_tells_its_bound(sense, sign):
    """Three halves are needed, so two whole ones: 4, where the relaxation says 3."""
    program = Program("whole", sense)
    x = program.variables("x", 1, integer=True)
    program.objective(x, 2 * sign)
    program.row("need", x, 2, low=3)
    alone = program.searched(0.0)
    assert alone.values(x) == pytest.approx([2])
    assert (alone.report.status, alone.report.gap) == ("optimal", pytest.approx(0))
    assert alone.report.objective == alone.report.bound == pytest.approx(4 * sign)


def test_a_program_without_variables_costs_its_constant():
    program = Program("nothing")
    program.objective([], [], constant=4.5)
    assert program.solve().report.objective == 4.5


def test_a_program_without_variables_still_keeps_its_rows():
    program = Program("nothing")
    program.row("never", [], [], low=1)
    assert program.solve().report.status == "infeasible"


@pytest.mark.parametrize("name", ["size 4-0", "1st", "a[1]", ""])
def test_names_that_a_file_format_would_change_are_refused(name):
    with pytest.raises(ValueError, match="letters"):
        Program("named").variables(name, 1)


def test_two_rows_may_not_share_a_name():
    program, x = diet()
    with pytest.raises(ValueError, match="there already"):
        program.row("need", x, [1, 1], low=1)


@needs_cbc
@given(seed=st.integers(0, 10_000))
@settings(max_examples=12, deadline=None)
def test_cbc_and_highs_find_the_same_optimum(seed):
    draw = np.random.default_rng(seed)
    costs, rows = draw.integers(1, 20, 6), draw.integers(0, 9, (4, 6))
    program = Program("both")
    x = program.variables("x", 6, high=4, integer=True)
    program.objective(x, costs.tolist())
    for k, row in enumerate(rows):
        program.row(f"need{k}", x, row.tolist(), low=float(min(25, 4 * row.sum())))
    by_highs = program.solve().report.objective
    with solving_by("cbc"):
        assert program.solve().report.objective == pytest.approx(by_highs)


def test_the_same_program_gives_the_same_values_twice():
    def answer():
        draw = np.random.default_rng(5)
        program = Program("again")
        x = program.variables("x", 30, high=1, integer=True)
        program.objective(x, draw.integers(1, 9, 30).tolist())
        for k in range(10):
            program.row(f"r{k}", x, draw.integers(0, 3, 30).tolist(), low=8)
        return program.solve().values(x)

    assert np.array_equal(answer(), answer())


def test_other_use_of_the_solver_in_the_same_process_does_no_harm():
    import highspy

    other = highspy.Highs()
    other.setOptionValue("output_flag", False)
    highspy.Highs.resetGlobalScheduler(True)
    other.setOptionValue("threads", 2)
    other.addVar(0, 1)
    other.run()
    program, _ = diet()
    assert program.solve().report.status == "optimal"


def test_solving_prints_nothing():
    code = (
        "from kitplan.solve.program import Program\n"
        "p = Program('quiet'); x = p.variables('x', 2, integer=True, high=3); p.objective(x, [1, 2])\n"
        "p.row('r', x, [2, 2], low=3); p.solve(); print('done')\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert (ran.stdout, ran.stderr) == ("done\n", "")


def test_a_program_without_variables_is_its_constant_or_cannot_be():
    program = Program("empty")
    program.row("none", [], [], high=2.0)
    found = program.solve()
    assert found.report == SolverReport("none", "optimal", 0.0, 0.0, 0.0, 0.0, 0.0)
    assert (found.dual("none"), len(found.values([]))) == (0.0, 0)
    program.row("some", [], [], low=1.0)
    refused = program.solve().report
    assert (refused.status, refused.seconds) == ("infeasible", 0.0)
    assert np.isnan([refused.objective, refused.bound, refused.lp_bound, refused.gap]).all()
