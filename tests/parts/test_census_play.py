"""The past played over: who is there agrees with what the census says."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.simulate.census_play import play_past
from kitplan.read.values import Census

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})
FIRST = date(2026, 1, 1)


def census_of(shape, rows, n_days, mean_stay=6.0, expected=NOBODY, unknown=()):
    return Census(shape, rows, FIRST, FIRST + timedelta(days=n_days - 1), mean_stay, 1.0, expected, unknown)


def present(airways, day, replications, n_strata=3):
    """Airways in place at a moment, shape (replications, n_strata)."""
    there = (
        (airways.start <= day)
        & (airways.end > day)
        & (airways.counted_from <= day)
        & (airways.counted_to > day)
    )
    count = np.zeros((replications, n_strata), dtype=int)
    np.add.at(count, (airways.replication[there], airways.stratum[there]), 1)
    return count


def test_daily_counts_are_met_on_every_day(unit_maker):
    rng = np.random.default_rng(2)
    path = rng.integers(0, 6, size=(40, 2))
    rows = pd.DataFrame(
        [(d, g, path[d, g]) for d in range(40) for g in range(2)], columns=["day", "stratum", "airways"]
    )
    unit = unit_maker(census=census_of("counts", rows, 40))
    airways = play_past(unit, 80, 7, np.random.default_rng(3))
    for r in range(7):
        seen = np.array([present(airways, d + 0.5, 7)[r, :2] for d in range(80)])
        starts = [s for s in range(40) if (seen == path[(s + np.arange(80)) % 40]).all()]
        assert starts, "the counts of a replication are not the census from any day on"


def test_daily_counts_turn_over_at_the_mean_stay(unit_maker):
    rows = pd.DataFrame({"day": np.arange(60), "stratum": 0, "airways": 10})
    unit = unit_maker(census=census_of("counts", rows, 60, mean_stay=5.0))
    airways = play_past(unit, 1000, 20, np.random.default_rng(4))
    arrivals = ((airways.start >= 0) & (airways.start < 1000)).sum()
    assert 10 * 1000 * 20 / arrivals == pytest.approx(5.0, rel=0.12)


def test_unknown_days_are_left_out(unit_maker):
    rows = pd.DataFrame({"day": [0, 1, 3], "stratum": 0, "airways": 4})
    unit = unit_maker(census=census_of("counts", rows, 4, unknown=(2,)))
    airways = play_past(unit, 30, 3, np.random.default_rng(4))
    assert all((present(airways, d + 0.5, 3)[:, 0] == 4).all() for d in range(30))


def test_a_stay_list_is_played_as_it_was(unit_maker):
    """Airway-days a day in the play are those of the list after its first days."""
    rng = np.random.default_rng(5)
    start = np.sort(rng.uniform(0, 300, 400))
    end = start + rng.exponential(4, 400)
    rows = pd.DataFrame(
        {
            "airway": [f"a{i}" for i in range(400)],
            "stratum": 0,
            "start": start,
            "end": np.where(end > 300, np.nan, end),
        }
    )
    unit = unit_maker(census=census_of("stays", rows, 300))
    airways = play_past(unit, 900, 30, np.random.default_rng(6))
    counted = np.minimum(airways.end, airways.counted_to) - np.maximum(airways.start, airways.counted_from)
    played = counted[counted > 0].sum() / 900 / 30
    close = np.minimum(end, 300)
    settled = np.maximum(close - np.maximum(start, 12), 0)[close > 12].sum() / 288
    assert played == pytest.approx(settled, rel=0.02)
