"""Memory stays bounded: fewer scenarios for a crowd, a clear refusal beyond."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from kitplan.demand.bounds import FEWEST_SCENARIOS, MOST_AIRWAYS, within_memory
from kitplan.inputs.problems import InputError
from kitplan.inputs.values import StockPolicy


def crowd(small_unit, airways: int):
    return replace(
        small_unit,
        census=replace(small_unit.census, rows=pd.DataFrame({"stratum": [0], "airways": [airways]})),
    )


def test_an_ordinary_unit_is_planned_as_asked(small_unit):
    unit, told = within_memory(small_unit)
    assert told is None
    assert unit.planning == small_unit.planning


def test_a_crowd_is_planned_on_fewer_scenarios_and_it_is_said(small_unit):
    unit, told = within_memory(crowd(small_unit, 2000))
    # 2000 present and 2000 / 6 x 9 = 3000 arriving in an interval
    assert unit.planning.scenarios == MOST_AIRWAYS // 5000
    assert unit.planning.max_scenarios <= MOST_AIRWAYS // 5000
    assert told is not None
    assert "instead of 4,000" in told


def test_a_crowd_beyond_any_unit_is_refused(small_unit):
    with pytest.raises(InputError, match="plan the unit in parts"):
        within_memory(crowd(small_unit, MOST_AIRWAYS // FEWEST_SCENARIOS))


def test_a_review_of_half_a_year_is_refused_and_one_of_a_quarter_is_not(small_unit):
    assert within_memory(replace(small_unit, stock=StockPolicy(90, 10, 0.95)))[1] is None
    with pytest.raises(InputError, match="400 checks"):
        within_memory(replace(small_unit, stock=StockPolicy(180, 10, 0.95)))
