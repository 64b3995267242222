"""Memory stays bounded: fewer scenarios for a crowd, a clear refusal beyond."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from kitplan.demand.bounds import FEWEST_SCENARIOS, MOST_AIRWAYS, within_memory
from kitplan.read.problems import InputError
from kitplan.read.values import StockPolicy


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


def test_each_further_frequency_model_takes_its_share_of_the_checks(small_unit):
    """Tables of m models over n checks take m n^2 cells: with four models half the checks."""
    frequency = small_unit.frequency.assign(soiled_per_day=[0.1, 0.2, 0.3])
    three = replace(small_unit, frequency=frequency)
    assert within_memory(replace(three, stock=StockPolicy(55, 2, 0.95)))[1] is None
    with pytest.raises(InputError, match="231 checks"):
        within_memory(replace(three, stock=StockPolicy(56, 2, 0.95)))


@pytest.mark.parametrize(("scenarios", "told"), [(MOST_AIRWAYS // 5000, False), (MOST_AIRWAYS // 5000 + 1, True)])
def test_fewer_scenarios_only_where_they_do_not_fit(small_unit, scenarios, told):
    planning = replace(small_unit.planning, scenarios=scenarios, verify_scenarios=100, max_scenarios=scenarios)
    unit, said = within_memory(replace(crowd(small_unit, 2000), planning=planning))
    assert (said is not None) == told
    assert unit.planning.scenarios == MOST_AIRWAYS // 5000
    assert unit.planning.verify_scenarios == 100


def test_the_fewest_scenarios_still_fit(small_unit):
    airways = MOST_AIRWAYS // FEWEST_SCENARIOS // 5 * 2
    unit, _ = within_memory(crowd(small_unit, airways))
    assert unit.planning.scenarios == FEWEST_SCENARIOS
