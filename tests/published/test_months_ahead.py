"""Months ahead against the textbook's definitions, and against a reference library for the same law."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.arrivals import Season, correlation, correlation_of_arrivals, waves
from kitplan.demand.stays import StayLaw
from kitplan.parts.forecast import fitted, timeseries
from kitplan.parts.forecast.fitted import MonthLaw


def level_only(n, chance, drift, monkeypatch):
    """No swing, no bursts, one known drift (share of the level a month) and chance (variance over the mean)."""
    monkeypatch.setattr(fitted, "DRIFT_GRID", np.array([drift]))
    monkeypatch.setattr(fitted, "DRIFT_WEIGHT", np.ones(1))
    alone = np.append(chance, np.zeros(n - 1))
    still = Season(0.0, True, stated=np.zeros(4))
    return MonthLaw(np.zeros((n, 4)), np.ones(n, dtype=bool), alone, 0 * alone, np.zeros(1), still)


def test_a_level_that_drifts_is_followed_as_by_the_kalman_filter_on_the_flow_of_the_nile(monkeypatch):
    """Durbin & Koopman, Time Series Analysis by State Space Methods, 2e 2012, ch. 2 (the local level model; variances
    15,099 and 1,469.1 from memory), data and filter as carried by statsmodels."""
    from statsmodels.datasets import nile
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    flow = nile.load_pandas().data["volume"].to_numpy(float)
    said = UnobservedComponents(flow, "llevel").smooth([15099.0, 1469.1]).get_forecast(5)
    level = flow.mean()
    law = level_only(len(flow) + 5, 15099.0 / level, np.sqrt(1469.1) / level, monkeypatch)
    chance, _, left = law.ways(flow, 5)
    assert chance == pytest.approx([1.0])
    np.testing.assert_allclose(law.ahead(flow, 5), said.predicted_mean, rtol=2e-3)
    np.testing.assert_allclose(np.sqrt(np.diag(left[0])) * level, said.se_mean, rtol=2e-3)


def test_a_month_that_was_not_counted_is_passed_over_as_by_the_kalman_filter(monkeypatch):
    from statsmodels.datasets import nile
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    flow = nile.load_pandas().data["volume"].to_numpy(float)
    gap = np.isin(np.arange(len(flow)), (*range(20, 40), 99))
    said = UnobservedComponents(np.where(gap, np.nan, flow), "llevel").smooth([15099.0, 1469.1]).get_forecast(3)
    law = level_only(len(flow) + 3, 15099.0 / flow.mean(), np.sqrt(1469.1) / flow.mean(), monkeypatch)
    law = MonthLaw(law.waves, ~gap, law.alone, law.shared, law.bursts, law.season)
    np.testing.assert_allclose(law.ahead(flow, 3), said.predicted_mean, rtol=2e-3)


def test_airways_of_exponential_stays_are_correlated_as_in_an_m_m_infinity_unit():
    """Covariance of a Poisson number of airways k days apart: exp(-k / mean stay) of its mean (M/M/infinity; Riordan,
    Stochastic Service Systems, 1962, from memory)."""
    alone, _ = correlation(StayLaw(np.zeros(1), np.full((1, 1), 1 / 6.0)), 40)
    np.testing.assert_allclose(alone, np.exp(-np.arange(40) / 6.0), atol=1e-6)


def test_arrivals_go_with_the_airways_after_them_and_not_before_them_as_in_an_m_m_infinity_unit():
    """One who came on a day is still there k days later with chance exp(-k / mean stay), here averaged over the day; no
    airway tells of arrivals to come, which are Poisson (Riordan, Stochastic Service Systems, 1962, from memory)."""
    there, _, came, _ = correlation_of_arrivals(StayLaw(np.zeros(1), np.full((1, 1), 1 / 6.0)), 40)
    k = np.arange(1, 40)
    np.testing.assert_allclose(there[40:], 6 * (np.exp(-(k - 0.5) / 6) - np.exp(-(k + 0.5) / 6)), atol=1e-9)
    assert there[:39] == pytest.approx(0)
    assert came.nonzero()[0].tolist() == [39]


def test_months_of_arrivals_and_airways_vary_together_as_in_a_unit_played_day_by_day():
    """Poisson arrivals of 2 a day, exponential stays of 20 days, played over 4,000 months of 30 days."""
    rng, months, mean = np.random.default_rng(5), 4000, 20.0
    start = np.sort(rng.uniform(-400, 30 * months, int(2 * (30 * months + 400))))
    end = start + rng.exponential(mean, len(start))
    came = np.histogram(start, np.arange(months + 1) * 30.0)[0] / 60.0
    at = np.arange(30 * months) + 0.5
    there = (np.searchsorted(start, at) - np.searchsorted(np.sort(end), at)).reshape(months, 30).mean(axis=1) / 40.0
    alone, _ = fitted._arrivals_by_month(StayLaw(np.zeros(1), np.full((1, 1), 1 / mean)), 3)
    for later in range(3):
        played = np.cov(came[: months - later], there[later:])[0, 1]
        assert played * 40 == pytest.approx(alone[0][0, later], abs=0.03)
    assert came.var() * 40 == pytest.approx(alone[1][0, 0], rel=0.1)


def test_arrivals_to_come_are_as_uneven_as_counts_and_not_as_airways(monkeypatch):
    """Of two years in which 60 came a month and 40 were in place: those to come are Poisson, no more and no less."""
    n, law = 26, StayLaw(np.zeros(1), np.full((1, 1), 1 / 20.0))
    still = level_only(n, 0.0, 0.0, monkeypatch)
    came = fitted.Came(np.zeros((n, 4)), np.full(24, 2.0), *fitted._arrivals_by_month(law, n))
    chance = fitted._by_month(law, n)
    months = MonthLaw(still.waves, np.ones(24, dtype=bool), *chance, still.bursts, still.season, 0.0, came)
    airways, arrivals = months.draw(np.full(24, 40.0), 2, 20000, np.random.default_rng(2))
    of_level = 1 + 1 / 24
    assert arrivals.mean() == pytest.approx(40, rel=0.01)
    assert (arrivals / 40).var(axis=0) == pytest.approx(of_level / 60, rel=0.05)
    assert 0.2 < np.corrcoef(arrivals[:, 0], airways[:, 0])[0, 1] < 0.8


def test_a_pure_wave_is_foretold(monkeypatch):
    law = level_only(36, 0.05, 0.0, monkeypatch)
    middle = 15.2 + 30.4375 * np.arange(36)
    law = MonthLaw(waves(middle), law.known, law.alone, law.shared, law.bursts, Season(0.0, True))
    wave = 20 * (1 + 0.3 * np.cos(2 * np.pi * middle / 365.25))
    np.testing.assert_allclose(law.ahead(wave[:24], 12), wave[24:], rtol=0.05)


def test_the_baselines_are_what_their_names_say():
    # Mean and seasonal naive methods as defined in the book (3rd ed., sec. 5.2).
    series = np.arange(1.0, 25.0)
    assert timeseries.last_three(series, 2).tolist() == [23.0, 23.0]
    assert timeseries.same_month_last_year(series, 14).tolist() == [*range(13, 25), 13, 14]


def test_scaled_error_of_the_one_month_naive_is_one_by_definition():
    # Hyndman & Koehler, Int. J. Forecasting 2006;22:679: the in-sample mean absolute change is the yardstick.
    rng = np.random.default_rng(1)
    series = 20 + rng.normal(0, 2, 30).cumsum() * 0.1
    scale = np.abs(np.diff(series)).mean()
    for row in timeseries.back_test(series).table.itertuples():
        assert row.mase == pytest.approx(row.mean_absolute_error / scale)
