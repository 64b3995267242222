"""The fitted months against rules of thumb, on months that neither had seen."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.arrivals import Season, waves
from kitplan.parts.forecast.fitted import NAME, MonthLaw
from kitplan.parts.forecast.timeseries import METHODS, Method, back_test, rolling_errors

BASELINES = {m.name for m in METHODS if m.baseline}


def seasonal(n, swing=0.4, noise=0.03, seed=1):
    rng = np.random.default_rng(seed)
    return 15 * (1 + swing * np.cos(2 * np.pi * (np.arange(n) + 0.5) / 12)) * np.exp(rng.normal(0, noise, n))


def law_of(n, chance=0.05):
    middle = 30.4375 * (np.arange(n) + 0.5)
    alone = np.append(chance, np.zeros(n - 1))
    return MonthLaw(waves(middle), np.ones(n, dtype=bool), alone, 0 * alone, np.zeros(1), Season(0.0, True))


def fitted(n):
    return Method(NAME, 1, False, law_of(n).ahead)


def test_a_winter_peak_is_forecast_as_a_winter_peak():
    ahead = law_of(36).ahead(seasonal(24), 12)
    assert np.argmax(ahead) in (0, 11)
    assert np.argmin(ahead) in (5, 6)


def test_rules_of_thumb_are_judged_on_the_same_past_moments_as_the_fitted_months():
    found = back_test(seasonal(20, swing=0.0), fitted(32))
    assert set(found.table["method"]) >= BASELINES | {NAME}
    assert found.table["chosen"].sum() == 1
    assert found.table["origins"].nunique() == 1
    assert "back-tests" in found.reason


def test_where_years_differ_only_by_chance_the_fitted_months_err_less_than_either_rule():
    """On the mean of six series, whose chance the law knows."""
    errors = [back_test(seasonal(28, 0.3, 0.1, seed), Method(NAME, 1, False, law_of(40, 0.15).ahead)).table
              for seed in range(6)]
    mean = sum(table.set_index("method")["mase"] for table in errors) / len(errors)
    assert mean[NAME] < 0.95 * mean[list(BASELINES)].min()


def test_no_forecast_of_the_back_test_has_seen_its_month():
    series = seasonal(16, swing=0.0)
    before = rolling_errors(series, (*METHODS, fitted(28)))
    changed = series.copy()
    changed[-1] = 1000.0
    after = rolling_errors(changed, (*METHODS, fitted(28)))
    known = before["origin"] < 16
    np.testing.assert_array_equal(before.loc[known, "forecast"], after.loc[known, "forecast"])


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_with_few_months_it_is_said_that_nothing_can_be_compared(n):
    found = back_test(np.linspace(10, 12, n), fitted(n + 4))
    assert "too few to compare" in found.reason
    assert len(found.table) == 0


def test_courses_never_fall_below_zero_and_their_mean_is_the_forecast():
    law, series = law_of(36, chance=4.0), seasonal(24, noise=0.2)
    paths, _ = law.draw(series, 12, 4000, np.random.default_rng(1))
    assert paths.shape == (4000, 12)
    assert paths.min() >= 0
    np.testing.assert_allclose(paths.mean(axis=0), law.ahead(series, 12), rtol=1e-9)


def test_months_of_one_course_err_together_so_that_a_year_is_less_sure_than_chance_alone():
    series = seasonal(24, swing=0.1, noise=0.1)
    paths, _ = law_of(36).draw(series, 12, 8000, np.random.default_rng(1))
    alone = np.sqrt(paths.var(axis=0).sum())
    assert alone < paths.sum(axis=1).std() < paths.std(axis=0).sum()


def test_an_empty_unit_is_forecast_to_be_empty():
    law = law_of(17)
    assert law.ahead(np.zeros(14), 3) == pytest.approx(0)
    assert np.isfinite(law.draw(np.zeros(14), 3, 100, np.random.default_rng(1))).all()
