"""Choosing a way to forecast one series: baselines first, smoothing only where it clearly did better."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.parts.forecast.timeseries import METHODS, Outlook, forecast_series, rolling_errors

BASELINES = {m.name for m in METHODS if m.baseline}


def seasonal(n, swing=0.4, noise=0.03, seed=1):
    rng = np.random.default_rng(seed)
    return 15 * (1 + swing * np.cos(2 * np.pi * np.arange(n) / 12)) * np.exp(rng.normal(0, noise, n))


def test_a_winter_peak_is_forecast_as_a_winter_peak():
    outlook = forecast_series(seasonal(24), 12)
    assert outlook.method in {"same month of last year", "smoothing with yearly season"}
    assert np.argmax(outlook.ahead) in (0, 11)
    assert np.argmin(outlook.ahead) in (5, 6, 7)


def test_both_baselines_are_always_in_the_table_when_there_is_a_year_and_a_half():
    table = forecast_series(seasonal(18, swing=0.0), 6).backtest
    assert set(table["method"]) >= BASELINES
    assert table["chosen"].sum() == 1
    assert table["origins"].nunique() == 1, "every method is judged on the same past moments"


def test_a_smoothing_method_is_used_only_where_it_clearly_beats_the_better_baseline():
    for seed in range(2):
        table = forecast_series(seasonal(20, swing=0.0, noise=0.1, seed=seed), 3).backtest
        chosen = table[table["chosen"]].iloc[0]
        best_baseline = table[table["baseline"]]["mase"].min()
        assert chosen["baseline"] or chosen["mase"] <= 0.97 * best_baseline
        assert chosen["mase"] <= best_baseline


def test_no_forecast_of_the_back_test_has_seen_its_month():
    series = seasonal(16, swing=0.0)
    before = rolling_errors(series)
    changed = series.copy()
    changed[-1] = 1000.0
    after = rolling_errors(changed)
    known = before["origin"] < 16
    np.testing.assert_array_equal(before.loc[known, "forecast"], after.loc[known, "forecast"])


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_with_few_months_the_mean_is_used_and_it_is_said(n):
    outlook = forecast_series(np.linspace(10, 12, n), 4, floor_sd=2.0)
    assert "too few to compare" in outlook.reason
    assert outlook.ahead == pytest.approx(11 if n > 1 else 10)
    assert (outlook.sd >= 2.0).all()
    assert len(outlook.backtest) == 0


def test_bands_widen_with_the_months_and_paths_never_fall_below_zero():
    outlook = forecast_series(seasonal(24, swing=0.1, noise=0.2), 12)
    assert (np.diff(outlook.sd) >= 0).all()
    paths = outlook.draw(2000, np.random.default_rng(1))
    assert paths.shape == (2000, 12)
    assert paths.min() >= 0


def test_months_of_one_path_err_together_so_that_a_year_is_less_sure_than_chance_alone():
    outlook = Outlook("", np.full(12, 10.0), np.full(12, 1.0), 0.5, 1e9, None, None, "")
    year = outlook.draw(20_000, np.random.default_rng(1)).sum(axis=1)
    assert year.std() == pytest.approx(np.sqrt(12 + 12 * 11 * 0.5), rel=0.03)


def test_an_empty_unit_is_forecast_to_be_empty():
    outlook = forecast_series(np.zeros(14), 3)
    assert outlook.ahead == pytest.approx(0)
    assert np.isfinite(outlook.draw(100, np.random.default_rng(1))).all()
