"""Time stays bounded: fewer scenarios for a crowd, a clear refusal beyond."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.bounds import FEWEST_SCENARIOS, MOST_AIRWAYS, at_most, table_bytes, within_bounds
from kitplan.demand.rate_grid import rising_counts
from kitplan.demand.resecure import frailty_nodes
from kitplan.demand.stays import learn_stays
from kitplan.read.problems import InputError
from kitplan.read.values import StockPolicy


def crowd(small_unit, airways: int):
    return replace(
        small_unit,
        census=replace(small_unit.census, rows=pd.DataFrame({"stratum": [0], "airways": [airways]})),
    )


def test_an_ordinary_unit_is_planned_as_asked(small_unit):
    unit, told = within_bounds(small_unit)
    assert told is None
    assert unit.planning == small_unit.planning


def test_a_crowd_is_planned_on_fewer_scenarios_and_it_is_said(small_unit):
    unit, told = within_bounds(crowd(small_unit, 10_000))
    # 10,000 present and 10,000 / 6 x 9 = 15,000 arriving in an interval; what is drawn is a little more
    assert unit.planning.scenarios == pytest.approx(MOST_AIRWAYS / 25_000, rel=0.01)
    assert unit.planning.max_scenarios <= MOST_AIRWAYS // 25_000
    assert told is not None
    assert "instead of 4,000" in told


def test_a_crowd_beyond_any_unit_is_refused(small_unit):
    with pytest.raises(InputError, match="plan the unit in parts"):
        within_bounds(crowd(small_unit, MOST_AIRWAYS // FEWEST_SCENARIOS))


def test_a_review_of_a_year_is_refused_and_one_of_a_quarter_is_not(small_unit):
    assert within_bounds(replace(small_unit, stock=StockPolicy(90, 10, 0.95)))[1] is None
    with pytest.raises(InputError, match=r"stock\.review_days.*1504 checks"):
        within_bounds(replace(small_unit, stock=StockPolicy(366, 10, 0.95)))


def test_a_restock_or_a_shortage_of_a_year_is_refused_as_well(small_unit):
    with pytest.raises(InputError, match=r"bedside\.restock_hours"):
        within_bounds(replace(small_unit, bedside=replace(small_unit.bedside, restock_hours=24 * 366)))
    away = replace(small_unit.stock, unavailable=("wipe-prep",), unavailable_weeks=52)
    with pytest.raises(InputError, match=r"stock\.unavailable_weeks"):
        within_bounds(replace(small_unit, stock=away))


@pytest.mark.parametrize("change", [{"redo": 0.9}, {"redo": 0.0}, {"airway_spread": 3.0}, {"loosening_shape": 10.0}])
@pytest.mark.parametrize(("n_short", "n_long", "nodes"), [(36, 160, 8), (128, 160, 16), (1, 160, 1)])
def test_the_size_of_the_tables_is_bounded_before_they_are_made(small_unit, change, n_short, n_long, nodes):
    row = small_unit.frequency.assign(**change).iloc[0]
    factor = frailty_nodes(float(row["airway_spread"]), nodes)[0].max()
    counts = rising_counts(row, 4, n_short, n_long, factor)
    assert counts.fresh.nbytes + counts.present.nbytes <= table_bytes(row, 4, n_short, n_long, factor)


@pytest.mark.parametrize(("more", "told"), [(0, False), (1, True)])
def test_fewer_scenarios_only_where_they_do_not_fit(small_unit, more, told):
    most = at_most(10**9, crowd(small_unit, 10_000), small_unit.stock.protection_interval_days)
    scenarios = most + more
    planning = replace(small_unit.planning, scenarios=scenarios, verify_scenarios=100, max_scenarios=scenarios)
    unit, said = within_bounds(replace(crowd(small_unit, 10_000), planning=planning))
    assert (said is not None) == told
    assert unit.planning.scenarios == most
    assert unit.planning.verify_scenarios == 100


def test_the_fewest_scenarios_still_fit(small_unit):
    airways = MOST_AIRWAYS // FEWEST_SCENARIOS // 5 * 2
    unit, _ = within_bounds(crowd(small_unit, int(airways * 0.998)))
    assert unit.planning.scenarios == pytest.approx(FEWEST_SCENARIOS, rel=0.01)


def test_a_part_draws_no_more_scenarios_than_time_allows(small_unit):
    many = crowd(small_unit, 12_000)
    # 12,000 present and 12,000 / 6 x 7 = 14,000 arriving in a week
    assert at_most(5000, many, 7.0) == pytest.approx(MOST_AIRWAYS / 26_000, rel=0.01)
    assert at_most(5000, small_unit, 7.0) == 5000


def test_where_nobody_has_left_yet_nobody_is_taken_to_stay_for_ever():
    law = learn_stays(np.array([2.0, 3.0, 5.0]), np.zeros(3, dtype=bool), 5.0, 1000, 1)
    assert law.mean.max() <= 1000.0
    assert np.median(law.mean) > 5.0, "it may still be long"
    old = learn_stays(np.array([900.0, 1500.0]), np.zeros(2, dtype=bool), 5.0, 1000, 1)
    assert old.mean.max() > 1500.0, "where stays of years are seen they are believed"
