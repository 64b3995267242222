"""Daily counts as stays: the counts stand, nobody's seat decides who leaves, turnover is the mean stay's."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.history import history_stays
from kitplan.read.values import Census

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})


def unit_of(unit_maker, counts, mean_stay):
    days, strata = counts.shape
    rows = pd.DataFrame([(d, g, counts[d, g]) for d in range(days) for g in range(strata)],
                        columns=["day", "stratum", "airways"])
    first = date(2026, 1, 1)
    census = Census("counts", rows, first, first + timedelta(days=days - 1), mean_stay, 1.0, NOBODY)
    return unit_maker(census=census)


@pytest.mark.parametrize("mean_stay", [None, 2.0, 9.0])
def test_every_day_has_the_airways_that_were_counted(unit_maker, mean_stay):
    counts = np.random.default_rng(3).integers(0, 7, size=(60, 3))
    stays = history_stays(unit_of(unit_maker, counts, mean_stay))
    assert stays is not None
    assert (stays.end > stays.start).all()
    for replica in range(stays.n_replicas):
        for day in range(60):
            there = (stays.replica == replica) & (stays.start <= day + 0.5) & (stays.end > day + 0.5)
            assert np.bincount(stays.stratum[there], minlength=3).tolist() == counts[day].tolist()


def test_when_one_of_two_leaves_it_is_either(unit_maker):
    """Two present, one on the next day, over and over: the one that stays on is not always the one that came first."""
    counts = np.tile([[2], [1]], (100, 1))
    stays = history_stays(unit_of(unit_maker, counts, None))
    assert stays is not None
    length = stays.end - np.maximum(stays.start, 0)
    # last in, first out would make every stay but one last a day; by lot half of them stay on
    assert 0.35 < (length > 1.5).mean() < 0.65
    assert length.sum() == counts.sum()


def test_the_longest_stay_is_not_the_whole_history(unit_maker):
    counts = np.random.default_rng(4).integers(1, 5, size=(200, 1))
    stays = history_stays(unit_of(unit_maker, counts, None))
    assert stays is not None
    assert (stays.end - np.maximum(stays.start, 0)).max() < 60
