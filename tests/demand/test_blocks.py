"""Scenarios are drawn a block at a time: memory does not grow with the unit, and no number depends on the blocks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import kitplan
from kitplan.demand import intervals as of_intervals
from kitplan.demand import scenarios
from kitplan.demand.intervals import intervals
from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.scenarios import arrivals_by_stratum, draw_days, draw_demand
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units

CENSUS = "route,tube_mm,technique,skin,airways\noral,3.5,oral_two_y,none,{}\noral,4.5,oral_two_y,barrier,{}\n"


OF_A_DAY = pd.DataFrame({"stratum": [0, 1], "airways": [4, 3]})


def as_known(unit):
    return replace(unit, doubt=replace(unit.doubt, rate_range=None, rate_ratio=None))


def with_few_beds(unit):
    return replace(unit, bedside=replace(unit.bedside, beds=9))


def who_never_leaves(unit):
    return replace(unit, census=replace(unit.census, shape="snapshot", rows=OF_A_DAY, mean_stay_days=None))


@pytest.mark.parametrize(("name", "change", "pilot"), [
    ("harbour_wing", None, None), ("harbour_wing", None, 2000), ("harbour_wing", with_few_beds, None),
    ("mill_lane", as_known, None), ("mill_lane", as_known, 700), ("mill_lane", who_never_leaves, None),
])
def test_the_same_seed_draws_the_same_whatever_the_size_of_a_block(monkeypatch, name, change, pilot):
    """Nor does it matter for a unit so large that only part of its scenarios is looked at first (pilot: airways)."""
    if pilot:
        monkeypatch.setattr(of_intervals, "_PILOT_AIRWAYS", pilot)
    unit = load_unit(sample_units()[name])
    unit = change(unit) if change else unit
    monkeypatch.setattr(scenarios, "DAYS_SCENARIOS", 701)
    tables = attempt_tables(unit)
    choice, days = fill_roles(unit, tables), unit.stock.protection_interval_days
    seen = []
    for at_once in (of_intervals.AIRWAYS_AT_ONCE, 3000, 500):
        monkeypatch.setattr(of_intervals, "AIRWAYS_AT_ONCE", at_once)
        scenarios._kept_airways.__wrapped__.cache_clear()
        scenarios._drawn_days.__wrapped__.cache_clear()
        one = draw_demand(unit, choice, days, 701, 3, "plan", tables, by_day=True)
        two = draw_demand(unit, choice, days, 701, 3, "plan", tables)
        told = draw_days(unit, choice, 3)
        seen.append((one.units, one.re_secures, one.path.units, one.path.kits, two.units, two.re_secures,
                     arrivals_by_stratum(unit, days, 701, 3, "any"), told.arrived, told.re_secures, told.opened))
    for other in seen[1:]:
        for mine, theirs in zip(seen[0], other, strict=True):
            assert np.array_equal(mine, theirs)
    assert np.array_equal(one.units, two.units), "the last day of a path is the interval's end"
    assert np.array_equal(one.units, one.path.units[:, -1])


@pytest.mark.parametrize("change", [None, with_few_beds])
def test_arrivals_alone_are_those_of_the_airways(change):
    unit = load_unit(sample_units()["mill_lane"])
    unit = change(unit) if change else unit
    asked = intervals(unit, 7, 300, 1, "t")
    episodes = asked.episodes()
    assert np.array_equal(asked.arrivals(), episodes.by_stratum(unit.n_strata, episodes.fresh))


def test_airways_too_many_to_keep_are_drawn_again_and_are_the_same(monkeypatch):
    unit = load_unit(sample_units()["mill_lane"])
    tables = attempt_tables(unit)
    choice, days = fill_roles(unit, tables), unit.stock.protection_interval_days
    kept = draw_demand(unit, choice, days, 400, 3, "plan", tables)
    scenarios._kept_airways.__wrapped__.cache_clear()
    monkeypatch.setattr(scenarios, "_MOST_KEPT", 0)
    scenarios.draw_ahead(unit, 400, 3, "plan", tables)
    assert np.array_equal(draw_demand(unit, choice, days, 400, 3, "plan", tables).units, kept.units)
    assert not scenarios._kept_airways.__wrapped__.cache_info().currsize


def test_a_house_of_three_thousand_airways_is_planned(tmp_path: Path):
    """On few scenarios, for the time. A hundred times a ward's airways use a hundred times as much on the mean."""
    plans = []
    for airways in (30, 3000):
        folder = tmp_path / str(airways)
        folder.mkdir()
        (folder / "unit.toml").write_text('name = "Grown"\ncurrency = "USD"\nmean_stay_days = 6\n', encoding="utf-8")
        (folder / "census.csv").write_text(CENSUS.format(airways // 2, airways // 2), encoding="utf-8")
        unit = load_unit(folder)
        few = replace(unit.planning, scenarios=250, verify_scenarios=250, max_scenarios=250)
        plans.append(kitplan.plan(replace(unit, planning=few), parts=["par"]))
    ward, house = plans
    used = ward.demand().mean_by_draw.mean(axis=0)
    assert house.demand().mean_by_draw.mean(axis=0) == pytest.approx(100 * used, rel=0.1)
    assert house.demand().units.mean(axis=0).sum() == pytest.approx(100 * used.sum(), rel=0.1)
    assert house.par.readiness.verified >= 0.9
