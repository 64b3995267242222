"""Histories that tell little: a plan with a range that says so, or a line that says what is missing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from kitplan.demand.arrivals import season
from kitplan.demand.posterior import fit_posterior
from kitplan.parts.par.summary import three_sentences
from kitplan.planning import plan_unit
from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from tests.bench.worlds import world as truth

FIRST = date(2025, 1, 6)
BASE = next(w for w in truth.grid() if w.name == "counts-6-known-calm-level-0")


@pytest.fixture
def planned(tmp_path):
    """A function: census lines -> (unit, plan of its par levels); few scenarios, invented items."""

    def make(lines, shape="counts", stay=True):
        truth.write_unit(replace(BASE, shape=shape), tmp_path)
        (tmp_path / "census.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
        if not stay:
            toml = (tmp_path / "unit.toml").read_text(encoding="utf-8").splitlines()
            kept = [line for line in toml if "stay" not in line]
            (tmp_path / "unit.toml").write_text("\n".join(kept) + "\n", encoding="utf-8")
        unit = load_unit(tmp_path)
        policy = replace(unit.planning, scenarios=3000, verify_scenarios=3000, max_scenarios=6000, frontier=())
        unit = replace(unit, planning=policy)
        return unit, plan_unit(unit, parts=("par",))

    return make


def counts(days, airways=lambda day: 4, more=()):
    rows = [f"{FIRST + timedelta(days=int(d))},oral,4.0,{airways(d)},none" for d in days]
    return ["date,route,tube_mm,airways,skin", *rows, *more]


def stays(starts, length=5.0, tube=4.0, begun=0):
    def stamp(day):
        return f"{FIRST + timedelta(days=int(day))} {int(day % 1 * 24):02d}:00"

    return [f"A{begun + i},oral,{tube},{stamp(s)},{stamp(s + length)},none" for i, s in enumerate(starts)]


STAYS = "airway,route,tube_mm,start,end,skin"


def width(plan):
    return plan.readiness.high - plan.readiness.low


def test_a_count_of_one_day_gives_a_wide_range_and_says_what_it_does_not_know(planned):
    _, plan = planned(counts([0]))
    assert plan.readiness.verified > 0.97
    assert width(plan) > 0.05
    assert "[[expect]]" in three_sentences(plan)[1]


def test_half_a_year_of_the_same_counts_gives_a_narrower_range(planned):
    _, one = planned(counts([0]))
    _, many = planned(counts(range(180), lambda day: 3 + day % 3))
    assert width(many) < width(one)
    assert "[[expect]]" not in three_sentences(many)[1]


@pytest.mark.parametrize("end", ["", "2025-01-09 10:00"])
def test_one_airway_is_planned_for(planned, end):
    _, plan = planned([STAYS, f"A1,oral,4.0,2025-01-06 10:00,{end},none"], "stays")
    assert plan.readiness.verified > 0.97
    assert plan.readiness.high > 0.99
    assert plan.par.levels.set_index("item").at["mask_70mm", "par_units"] > 0


def test_days_without_a_row_are_unknown_and_the_level_is_that_of_the_days_counted(planned):
    days = [d for d in range(120) if d % 40 < 20]
    unit, plan = planned(counts(days))
    assert fit_posterior(unit).mean_airways.sum() == pytest.approx(4.0, rel=0.1)
    assert any("unknown and not as empty" in str(w) for w in plan.unit.warnings)


def test_a_ward_that_closed_in_between_is_left_out_of_the_arrivals_and_it_is_said(planned):
    rng = np.random.default_rng(1)
    starts = np.sort(rng.uniform(0, 300, 300))
    starts = starts[(starts < 100) | (starts > 170)]
    unit, _ = planned([STAYS, *stays(starts)], "stays")
    fitted = fit_posterior(unit)
    assert fitted.arrivals.sum(axis=1).mean() == pytest.approx(1.0, rel=0.15)
    assert any("taken as closed" in said for said in fitted.knowledge)


def test_a_size_first_seen_last_week_is_planned_for(planned):
    rng = np.random.default_rng(2)
    usual = np.sort(rng.uniform(0, 200, 200))
    unit, plan = planned([STAYS, *stays(usual), *stays([196.2], 3.0, 7.0, begun=1000)], "stays")
    levels = plan.par.levels.set_index("item")["par_units"]
    assert levels["mask_100mm"] > 0
    rare = unit.strata["size_number"].to_numpy(float) == 7.0
    draws = fit_posterior(unit).arrivals[:, rare]
    assert draws.mean() == pytest.approx(1 / 200, rel=0.4)
    assert np.quantile(draws, 0.95) > 2 * draws.mean()


def test_counts_without_a_mean_stay_say_what_is_missing(planned):
    _, plan = planned(counts(range(60)), stay=False)
    assert any("mean_stay_days" in str(w) for w in plan.unit.warnings)
    assert "No mean stay is known" in three_sentences(plan)[1]


def with_settings(folder, *lines):
    toml = folder / "unit.toml"
    toml.write_text("\n".join([*lines, toml.read_text(encoding="utf-8")]), encoding="utf-8")


def test_a_yearly_swing_that_the_unit_states_is_known(planned, tmp_path):
    planned(counts(range(90)))
    with_settings(tmp_path, "yearly_swing = 0.25", "peak_month = 2")
    fitted = fit_posterior(load_unit(tmp_path))
    year = season(fitted.swing[:1], np.arange(365.0))[0]
    assert year.max() == pytest.approx(1.25, abs=0.01)
    assert year.argmax() == pytest.approx(45, abs=2), "the middle of February"
    assert fitted.swing.std(axis=0).max() < 0.01
    assert any("as the unit states" in said for said in fitted.knowledge)


def test_a_history_under_a_year_allows_for_a_modest_swing_and_says_so(planned):
    unit, _ = planned(counts(range(90)))
    fitted = fit_posterior(unit)
    assert 0.02 < np.hypot(fitted.swing[:, 0], fitted.swing[:, 1]).mean() < 0.2
    assert any("modest" in said for said in fitted.knowledge)


def test_half_of_a_stated_swing_is_refused_with_the_mend(planned, tmp_path):
    planned(counts(range(90)))
    with_settings(tmp_path, "peak_month = 2")
    with pytest.raises(InputError, match="yearly_swing"):
        load_unit(tmp_path)
