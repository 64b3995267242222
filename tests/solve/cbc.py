"""CBC (COIN-OR branch and cut) in the place of HiGHS, with which it shares no code: for a second opinion."""

import contextlib
import warnings
from unittest import mock

import pulp
import pytest

from kitplan.solve import program


def _engine(*given, **named):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        return getattr(pulp, "COIN_CMD" if program._PULP_4 else "PULP_CBC_CMD")(*given, **named)


def _solve(problem, integer, gap, time_limit):
    engine = _engine(mip=integer, msg=False, gapRel=gap, timeLimit=time_limit, threads=1)
    return program._status(problem, problem.solve(engine)), None


def solving_by(name):
    """While it is entered all programs are solved by "highs" or "cbc"."""
    return mock.patch.multiple(program, SOLVER=name, _solve_quietly=_solve) if name == "cbc" else (
        contextlib.nullcontext())


needs_cbc = pytest.mark.skipif(not _engine().available(), reason="this PuLP ships no CBC and none is installed")
SOLVERS = ["highs", pytest.param("cbc", marks=needs_cbc)]
