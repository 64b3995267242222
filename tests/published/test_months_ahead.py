"""Months ahead against the textbook's definitions, and against a reference library for the same law."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.arrivals import Season, correlation, waves
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
