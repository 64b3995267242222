"""Wilson's interval for a proportion against published examples and a reference library."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.proportion import wilson_interval
from kitplan.parts.simulate.model import share_interval


@pytest.mark.parametrize(
    ("hits", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_published_examples(hits, trials, low, high):
    """Newcombe, Statistics in Medicine 1998;17:857, table I, score method (from memory)."""
    found = wilson_interval(hits, trials)
    assert found == pytest.approx((low, high), abs=6e-5)


def test_all_and_none_end_at_one_and_nought():
    assert wilson_interval(20, 20)[1] == 1.0
    assert wilson_interval(0, 20)[0] == 0.0
    assert wilson_interval(20, 20)[0] == pytest.approx(1 - wilson_interval(0, 20)[1])


@pytest.mark.parametrize(("hits", "trials"), [(19_640, 20_000), (3, 7), (500, 1000), (1, 1)])
def test_it_agrees_with_statsmodels(hits, trials):
    from statsmodels.stats.proportion import proportion_confint

    assert wilson_interval(hits, trials) == pytest.approx(proportion_confint(hits, trials, method="wilson"), abs=1e-9)


def test_the_play_says_the_same_for_independent_intervals():
    """Independent trials split over replications: the effective number is close to all of them."""
    hits = np.random.default_rng(1).random((200, 500)) < 0.97
    share, low, high = share_interval(hits)
    assert (low, high) == pytest.approx(wilson_interval(int(hits.sum()), hits.size), abs=4e-4)
    assert share == pytest.approx(hits.mean())
