"""Par levels by month: a season is believed when it is there, and the year is cut where it is cheapest."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.intervals import intervals
from kitplan.demand.item_choice import fill_roles
from kitplan.demand.scenarios import draw_demand
from kitplan.parts.seasons import model
from kitplan.parts.seasons.model import SeasonTest, _choices, no_season, plan_seasons, season_test
from kitplan.read.values import Census, SeasonPolicy

POLICY = SeasonPolicy(holding_share=0.25, change_cost=1.5, round_cost=20.0, chance=0.01, swing=0.1)


def counts_unit(small_unit, swing, days=800, mean=30.0, seed=5):
    """Daily counts of a unit whose arrivals have a yearly wave that peaks in mid January; stays of five days."""
    rng = np.random.default_rng(seed)
    first, top = -150, mean / 5 * (1 + swing)
    start = rng.uniform(first, days, rng.poisson(top * (days - first)))
    wave = 1 + swing * np.cos(2 * np.pi * (start - 15) / 365.25)
    start = start[rng.random(len(start)) < wave / (1 + swing)]
    end, stratum = start + rng.lognormal(np.log(5) - 0.5, 1.0, len(start)), rng.integers(0, 3, len(start))
    rows = [(d, g, int(n)) for d in range(days)
            for g, n in enumerate(np.bincount(stratum[(start <= d) & (end > d)], minlength=3))]
    census = Census("counts", pd.DataFrame(rows, columns=["day", "stratum", "airways"]), date(2023, 1, 1),
                    date(2023, 1, 1) + timedelta(days=days - 1), 5.0, 1.0,
                    pd.DataFrame({"stratum": np.array([], int), "mean_airways": np.array([], float)}))
    return replace(small_unit, census=census, seasons=POLICY)


def test_each_scenario_has_the_season_of_its_time_of_year(small_unit):
    """Airways in place when an interval begins follow the wave of the counts: cosine regression on that day."""
    unit = counts_unit(small_unit, 0.5)
    episodes = intervals(unit, 9.0, 6000, 1, "plan").episodes()
    present = np.bincount(episodes.scenario[~episodes.fresh], minlength=6000)
    wave = np.cos(2 * np.pi * (episodes.day_of_year - 14) / 365.25)
    slope = np.cov(wave, present)[0, 1] / wave.var() / present.mean()
    assert slope == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize("swing", [0.3, 0.6])
def test_a_wave_is_found_with_its_height_and_its_peak(small_unit, swing):
    unit = counts_unit(small_unit, swing)
    found = season_test(unit)
    assert found.low < swing < found.high
    assert found.swing == pytest.approx(swing, abs=0.1)
    assert found.peak == 1
    assert found.chance < 0.001
    assert no_season(unit) is None


def test_without_a_wave_a_season_is_believed_no_more_often_than_its_level(small_unit):
    """At a level of 0.01: of 60 flat histories at most 3 are taken for seasons (binomial chance of more: 0.003)."""
    believed = sum(season_test(counts_unit(small_unit, 0.0, days=400, seed=s)).chance < 0.01 for s in range(60))
    assert believed <= 3


def test_a_flat_census_is_told_to_have_no_season(small_unit):
    assert "no season" in no_season(counts_unit(small_unit, 0.0))


def test_a_swing_that_rounds_to_none_is_told_without_a_sign(small_unit, monkeypatch):
    monkeypatch.setattr(model, "season_test", lambda unit: SeasonTest(0.1, -0.004, 0.3, 0.12, 1))
    assert "swing 0 % to 30 %" in no_season(counts_unit(small_unit, 0.0))


def test_a_snapshot_and_a_short_census_have_no_season(small_unit):
    short = counts_unit(small_unit, 0.5)
    rows = short.census.rows
    short = replace(short, census=replace(short.census, rows=rows[rows["day"] < 200], last_day=date(2023, 7, 19)))
    assert "shorter than a year" in no_season(short)
    assert "one day" in no_season(replace(short, census=replace(short.census, shape="snapshot")))


def test_winter_holds_more_than_summer_and_every_month_is_covered(small_unit):
    unit = counts_unit(small_unit, 0.6)
    unit = replace(unit, planning=replace(unit.planning, scenarios=9000))
    item_choice = fill_roles(unit)
    demand = draw_demand(unit, item_choice, 9.0, 9000, 1, "plan")
    levels = pd.DataFrame({"par_units": np.quantile(demand.units, 0.99, axis=0, method="higher")})
    par = SimpleNamespace(levels=levels, answer="met")
    found = plan_seasons(SimpleNamespace(unit=unit, demand=lambda _: demand, par=par))
    assert (found.levels["period_packs"] >= found.levels["own_packs"]).all()
    months = found.months.set_index("month")
    price, pack = (unit.items[column].to_numpy(float) for column in ("price", "pack"))
    level = found.levels.pivot(index="month", columns="item", values="own_units").reindex(
        columns=unit.items["item"], fill_value=0)
    mean = np.where(level > 0, level + (pack - 1) / 2, 0) @ (price / pack)
    assert months["own_value"].to_numpy() == pytest.approx(mean), "the money of a plan: on the shelf and on order"
    assert (level @ (price / pack)[:, None])[0].loc[1] > 1.2 * (level @ (price / pack)[:, None])[0].loc[7]
    ready = found.months.set_index("month")["year_round_readiness"]
    assert ready[1] < ready[7]
    assert found.choice["total_cost"].min() == found.choice.loc[found.choice["chosen"], "total_cost"].item()
    assert found.choice["chosen"].sum() == 1


def test_limits_that_keep_the_year_from_its_target_leave_no_season_to_plan(small_unit):
    """Twelve programs within limits, one a month, would take minutes and free nothing."""
    assert plan_seasons(SimpleNamespace(unit=small_unit, par=SimpleNamespace(answer="limited"))) is None


def cost_of(cut, packs, price, policy):
    """Yearly cost of a cut of the circle, by its definition."""
    starts = sorted(cut)
    lengths = [(b - a - 1) % 12 + 1 for a, b in zip(starts, [*starts[1:], starts[0]])]
    held = [packs[[(s + k) % 12 for k in range(n)]].max(axis=0) for s, n in zip(starts, lengths)]
    holding = sum(h @ price * n / 12 for h, n in zip(held, lengths)) * policy.holding_share
    if len(starts) == 1:
        return holding
    moved = sum((a != b).sum() for a, b in zip(held, [*held[1:], held[0]]))
    return holding + policy.change_cost * moved + policy.round_cost * len(starts)


@pytest.mark.parametrize("seed", range(4))
def test_the_cut_of_the_year_is_the_cheapest_of_all_cuts(seed):
    rng = np.random.default_rng(seed)
    packs = rng.integers(0, 8, (12, 5))
    price = rng.uniform(2, 60, 5)
    policy = replace(POLICY, round_cost=float(rng.uniform(0, 5)), change_cost=0.7)
    choice, found = _choices(packs, lambda units: units @ price, policy)
    for periods, (cut, total) in enumerate(zip(found, choice["total_cost"]), 1):
        cuts = [(0,)] if periods == 1 else itertools.combinations(range(12), periods)
        cheapest = min(cost_of(c, packs, price, policy) for c in cuts)
        assert total == pytest.approx(cheapest)
        assert total == pytest.approx(cost_of([months[0] for months in cut], packs, price, policy))


def test_every_month_lies_in_one_period(small_unit):
    _, cuts = _choices(np.random.default_rng(1).integers(0, 9, (12, 4)), lambda units: units.sum(axis=-1), POLICY)
    for periods, cut in enumerate(cuts, 1):
        assert len(cut) == periods
        assert sorted(month for months in cut for month in months) == list(range(12))
