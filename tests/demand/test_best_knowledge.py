"""Which knowledge of the re-secure rate is used: log, counts, issues, guess, in that order, and said."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.best_knowledge import as_use_taught, said_of_rate, with_best_knowledge
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.resecure import hazard_factors, long_run_rates, rate_ratios
from kitplan.read.unit import load_unit
from kitplan.read.values import Doubt, UseRate
from tests.bench.worlds import world as truth

GUESSED = next(w for w in truth.grid() if w.name == "counts-18-guess-calm-level-0")


def weekly_issues(world, weeks=60):
    """What the stores issued week by week, in whole packs, for what the world used."""
    used = np.diff(truth.future(world, 3, 1).upto[:weeks, 0], axis=0)
    packs = np.ceil(np.cumsum(used, axis=0) / truth.PACK)
    out = np.diff(packs, axis=0, prepend=0) * truth.PACK
    lines = ["date,item,units"]
    for week, row in enumerate(out):
        day = (truth.FIRST_DAY + timedelta(days=7 * week)).date()
        lines += [f"{day},{name},{int(units)}" for name, units in zip(truth.NAMES, row) if units]
    return "\n".join(lines) + "\n"


@pytest.fixture(params=[0.35, 0.9])
def world_and_unit(request, tmp_path):
    """A unit of known rate that logs nothing but knows what the stores issued."""
    world = truth.write_unit(replace(GUESSED, rate=request.param), tmp_path)
    (tmp_path / "stock_issues.csv").write_text(weekly_issues(world), encoding="utf-8")
    return world, load_unit(tmp_path)


def test_stock_issues_tell_the_rate_where_there_is_no_log(world_and_unit):
    world, unit = world_and_unit
    best = with_best_knowledge(unit)
    told = best.doubt.use_rate
    low, high = np.exp(told.log_mean + np.array([-2.0, 2.0]) * told.log_sd)
    assert best.doubt.rate_from == "issues"
    assert low < world.rate < high
    assert told.log_sd < 0.5 * np.log(1.0 / 0.3) / 3.29, "half as wide as the guess, or narrower"
    assert "stock issues" in said_of_rate(best)


def test_beds_that_may_come_took_nothing_of_what_was_issued(world_and_unit):
    """Three beds more do not make the airways of the past fewer re-secures each."""
    _, unit = world_and_unit
    more = pd.DataFrame({"stratum": [0], "mean_airways": [3.0]})
    asked = replace(unit, census=replace(unit.census, expected=more))
    assert with_best_knowledge(asked).doubt.use_rate == with_best_knowledge(unit).doubt.use_rate


def test_the_hazards_stand_at_the_mean_of_what_was_learnt_so_that_all_parts_plan_on_it(world_and_unit):
    _, unit = world_and_unit
    best = with_best_knowledge(unit)
    told = best.doubt.use_rate
    mean = np.exp(told.log_mean + told.log_sd**2 / 2)
    assert long_run_rates(best)["re_secures_per_day"].mean() == pytest.approx(mean, rel=0.02)
    assert fit_posterior(best).rate.mean() == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("frequency", [{}, {"flat_per_check": 0.1}], ids=["hazards", "one chance a check"])
def test_a_guess_is_planned_at_the_mean_of_its_range(unit_maker, frequency_maker, frequency):
    rates = frequency_maker(unit_maker().n_strata, **frequency)
    unit = replace(unit_maker(frequency=rates), doubt=Doubt(rate_range=(0.3, 1.0)))
    best = with_best_knowledge(unit)
    middle, spread = np.log(0.3) / 2, np.log(1 / 0.3) / 3.29
    assert long_run_rates(best)["re_secures_per_day"].mean() == pytest.approx(np.exp(middle + spread**2 / 2), rel=0.02)
    assert best.doubt.rate_from == "guess"
    assert with_best_knowledge(best) is best


@pytest.mark.parametrize("hours", [24.0, 48.0])
def test_a_routine_change_comes_beside_the_guess_of_renewals_for_cause(unit_maker, frequency_maker, hours):
    """The guess of 0.3 to 1.0 a day is of causes: a unit that renews every day besides was planned below a renewal a
    day and what its causes add, for the range was taken to hold the routine as well.
    """
    causes = Doubt(rate_range=(0.3, 1.0), guessed=("loose", "soiled", "skin", "moved", "changed"), for_cause=True)
    unit = replace(unit_maker(frequency=frequency_maker(3, planned_hours=hours)), doubt=causes)
    plain = replace(unit, frequency=unit.frequency.assign(planned_hours=0.0))
    rate = {name: long_run_rates(each)["re_secures_per_day"].mean() for name, each in (
        ("as read", unit), ("planned on", with_best_knowledge(unit)), ("causes", plain),
        ("causes planned on", with_best_knowledge(plain)))}
    assert (rate["planned on"] > rate["as read"]) == (rate["causes planned on"] > rate["causes"])
    same = long_run_rates(replace(with_best_knowledge(plain), frequency=with_best_knowledge(plain).frequency.assign(
        planned_hours=hours)))["re_secures_per_day"].mean()
    assert rate["planned on"] == pytest.approx(same, rel=0.05), "the hazards of the causes are those without a routine"


def test_what_every_check_renews_by_routine_no_guess_of_causes_renews_oftener(unit_maker, frequency_maker):
    """One check a day and a routine of a day: a renewal a day, whatever else comes loose. The guess had been added on
    top, and drawn hazards stood for rates that no securement can have.
    """
    causes = Doubt(rate_range=(0.3, 1.0), guessed=("loose", "soiled", "skin", "moved", "changed"), for_cause=True)
    unit = replace(unit_maker(frequency=frequency_maker(3, planned_hours=24.0), checks_per_day=1), doubt=causes)
    known = with_best_knowledge(unit)
    assert known.doubt.rate_ratio == pytest.approx(np.ones((1000, 3)), abs=1e-6)
    assert long_run_rates(known)["re_secures_per_day"].tolist() == pytest.approx([1.0] * 3)
    often = replace(unit, checks_per_day=4, frequency=frequency_maker(3, planned_hours=48.0))
    ratio = rate_ratios(often, 1000)
    faster = hazard_factors(often, ratio).mean(axis=1).argsort()[[20, 980]]
    assert ratio[faster[0]].max() < 1.0 < ratio[faster[1]].min()
    assert (ratio * long_run_rates(often)["re_secures_per_day"].to_numpy()).max() < 4.0, "no more than every check"


@pytest.mark.parametrize("changes", [{"redo": 0.3}, {"planned_hours": 24.0}, {"airway_spread": 0.8}])
def test_a_copy_that_is_run_otherwise_has_the_hazards_that_past_use_taught(world_and_unit, changes):
    """Read anew under another routine the same total would come out, and what was asked about be gone."""
    _, unit = world_and_unit
    other = replace(unit, frequency=unit.frequency.assign(**changes))
    known, own = with_best_knowledge(unit), with_best_knowledge(other)
    held = as_use_taught(known, other, np.arange(unit.n_strata))
    pd.testing.assert_frame_equal(*(u.frequency.drop(columns=[*changes]) for u in (held, known)))
    assert (held.frequency[[*changes]] == other.frequency[[*changes]]).all().all()
    assert held.doubt.use_rate == known.doubt.use_rate
    assert with_best_knowledge(held) is held
    if "planned_hours" in changes:
        rates = [long_run_rates(u)["re_secures_per_day"].mean() for u in (known, own, held)]
        assert rates[2] > max(rates[0], 0.95), "a renewal a day, and what comes loose before"
    guess = replace(unit, issues=None)
    assert as_use_taught(with_best_knowledge(guess), other, np.arange(unit.n_strata)) is other


def test_what_the_unit_states_is_left_alone(unit_maker):
    unit = unit_maker()
    assert with_best_knowledge(unit) is unit


def test_counts_come_before_issues_and_learn_false_leaves_both(world_and_unit):
    _, unit = world_and_unit
    counted = replace(unit, doubt=replace(unit.doubt, use_rate=UseRate(np.log(0.7), 0.1, 90)))
    assert with_best_knowledge(counted).doubt.rate_from == "counts"
    still = replace(unit, doubt=replace(unit.doubt, learn=False))
    assert with_best_knowledge(still).doubt.rate_from == "guess"
