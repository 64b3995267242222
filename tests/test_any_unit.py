"""Any valid unit plans: a seeded set of random units through every command. Thousands: tests/bench/many_units.py."""

from __future__ import annotations

import os
import shutil

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from .random_units import units
from .unit_runs import marks_of, run, runs_of

COUNT = int(os.environ.get("KITPLAN_UNITS", "4"))
"""Units of each test: few in the suite."""

SEEDED = settings(
    max_examples=COUNT, derandomize=True, deadline=None, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
OTHERS = ("explain", "labels", "kits", "forecast", "rates", "simulate", "compare", "audit", "training", "order")


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    return tmp_path_factory.mktemp("units")


def fresh(place, name: str = "one"):
    folder = place / name
    shutil.rmtree(folder, ignore_errors=True)
    return folder


@SEEDED
@given(units(), st.permutations(OTHERS))
def test_every_command_ends_well_and_every_plan_owes_nothing(place, drawn, others):
    """check, plan and three other commands of each unit; the bench runs them all."""
    wrong = [run for run in runs_of(drawn, fresh(place), only=tuple(others[:3])) if run.wrong]
    assert not wrong


@SEEDED
@given(units(scenarios=200), st.integers(0, 2**32 - 1))
def test_rows_or_items_in_another_order_give_the_same_plan_and_the_same_rows_the_same_bytes(place, drawn, seed):
    levels = []
    for name, unit in (("one", drawn), ("same", drawn), ("shuffled", drawn.with_rows_shuffled(seed))):
        folder = unit.write(fresh(place, name))
        run("par", "par", folder, "--out", folder / "plan")
        table = folder / "plan" / "tables" / "par_levels.csv"
        levels.append(pd.read_csv(table).set_index("item").sort_index() if table.exists() else None)
    assert marks_of(place / "one" / "plan") == marks_of(place / "same" / "plan")
    assert (levels[0] is None) == (levels[2] is None)
    if levels[0] is not None:
        pd.testing.assert_series_equal(levels[0]["par_units"], levels[2]["par_units"])

