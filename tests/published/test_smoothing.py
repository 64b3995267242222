"""Smoothing against worked examples of Hyndman & Athanasopoulos, Forecasting: Principles and Practice."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.parts.forecast import timeseries

# Annual oil production of Saudi Arabia 1996 to 2007, millions of tonnes: the book's example of simple exponential
# smoothing (1st ed., sec. 7.1), as carried by statsmodels' own tests.
OIL = [
    446.6565,
    454.4733,
    455.6630,
    423.6322,
    456.2713,
    440.5881,
    425.3325,
    485.1494,
    506.0482,
    526.7920,
    514.2689,
    494.2110,
]

# International visitor nights in Australia, quarterly 1999 to 2015 (R package fpp2), as carried by statsmodels' tests.
VISITORS = [
    30.052513, 19.148496, 25.317692, 27.591437, 32.076456, 23.487961, 28.47594, 35.123753, 36.838485, 25.007017,
    30.72223, 28.693759, 36.640986, 23.824609, 29.311683, 31.770309, 35.177877, 19.775244, 29.60175, 34.538842,
    41.273599, 26.655862, 28.279859, 35.191153, 42.20566386, 24.64917133, 32.66733514, 37.25735401, 45.24246027,
    29.35048127, 36.34420728, 41.78208136, 49.27659843, 31.27540139, 37.85062549, 38.83704413, 51.23690034,
    31.83855162, 41.32342126, 42.79900337, 55.70835836, 33.40714492, 42.31663797, 45.15712257, 59.57607996,
    34.83733016, 44.84168072, 46.9712496, 60.01903094, 38.37117851, 46.97586413, 50.73379646, 61.64687319,
    39.29956937, 52.67120908, 54.33231689, 66.83435838, 40.87118847, 51.82853579, 57.49190993, 65.25146985,
    43.06120822, 54.76075713, 59.83447494, 73.25702747, 47.69662373, 61.09776802, 66.05576122,
]  # fmt: skip


def test_oil_production_is_smoothed_to_the_published_forecast():
    # alpha 0.892 and first level 447.5 by least squares give 496.4935 for every year ahead.
    np.testing.assert_allclose(timeseries.smoothed(np.array(OIL), 3), 496.4935, rtol=2e-5)


def test_no_smoothing_by_a_reference_library_has_smaller_errors():
    # statsmodels, first level and weight estimated: its local search may stop short of the least squares, ours may not.
    from statsmodels.tsa.holtwinters import SimpleExpSmoothing

    rng = np.random.default_rng(3)
    same = 0
    for _ in range(30):
        series = 20 + np.cumsum(rng.normal(0, 0.5, 24)) + rng.normal(0, 1, 24)
        fit = SimpleExpSmoothing(series, initialization_method="estimated").fit()
        weight, first, ahead = timeseries.least_squares(series)
        ours = SimpleExpSmoothing(series, initialization_method="known", initial_level=first)
        mine = ours.fit(smoothing_level=weight, optimized=False)
        np.testing.assert_allclose(mine.forecast(1)[0], ahead, rtol=1e-9)
        assert mine.sse <= fit.sse * (1 + 1e-6)
        same += abs(ahead - fit.forecast(1)[0]) < 1e-3
    assert same >= 15


def test_visitor_nights_are_smoothed_with_season_as_by_r():
    # R's ets(model = "ANA") on the same series: 75.329, 50.167, 62.210 (maximum likelihood; ours least squares).
    ahead = timeseries.smoothed_with_season(np.array(VISITORS), 3, period=4)
    np.testing.assert_allclose(ahead, [75.329, 50.167, 62.210], rtol=1e-3)


def test_the_baselines_are_what_their_names_say():
    # Mean and seasonal naive methods as defined in the book (3rd ed., sec. 5.2).
    series = np.arange(1.0, 25.0)
    assert timeseries.last_three(series, 2).tolist() == [23.0, 23.0]
    assert timeseries.same_month_last_year(series, 14).tolist() == [*range(13, 25), 13, 14]


def test_scaled_error_of_the_one_month_naive_is_one_by_definition():
    # Hyndman & Koehler, Int. J. Forecasting 2006;22:679: the in-sample mean absolute change is the yardstick.
    rng = np.random.default_rng(1)
    series = 20 + rng.normal(0, 2, 30).cumsum() * 0.1
    outlook = timeseries.forecast_series(series, 3)
    scale = np.abs(np.diff(series)).mean()
    for row in outlook.backtest.itertuples():
        assert row.mase == pytest.approx(row.mean_absolute_error / scale)
