"""The range of readiness over what is not known, where it can be worked out exactly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kitplan.solve.positions import Packing
from kitplan.solve.verify import readiness_range, shortage_risk

DRAWS, EACH = 500, 40


def ranged(mean, units, level, pack):
    """The range of one item's readiness from EACH scenarios a draw."""
    draw = np.repeat(np.arange(DRAWS), EACH)
    one = Packing(("saline",), np.array([pack]), np.ones(1, dtype=int))
    risk = shortage_risk(units[:, None], draw, mean[:, None], np.array([level]), one.pack)
    return readiness_range(one.lasting(units[:, None], np.array([level])), draw, risk)


def exactly(mean, level, pack, cdf):
    """Readiness of each draw: the position is level, ... level + pack - 1, each alike."""
    return np.mean([cdf(level + k, mean) for k in range(pack)], axis=0)


@pytest.mark.parametrize("pack", [1, 12])
@pytest.mark.parametrize("spread", [0.1, 0.4])
def test_poisson_use_of_a_mean_that_is_not_known(pack, spread):
    """Readiness of a draw is the Poisson distribution function (scipy); forty scenarios a draw find its ends."""
    rng = np.random.default_rng(3)
    mean = 30 * np.exp(spread * stats.norm.ppf((rng.permutation(DRAWS) + 0.5) / DRAWS))
    level = int(np.quantile(rng.poisson(mean), 0.98)) - pack // 2
    units = rng.poisson(np.repeat(mean, EACH))
    low, high = np.quantile(exactly(mean, level, pack, stats.poisson.cdf), [0.05, 0.95])
    found = ranged(mean, units, level, pack)
    assert found[0] == pytest.approx(low, abs=0.015)
    assert found[1] == pytest.approx(high, abs=0.003)


def test_what_the_mean_does_not_tell_widens_the_range():
    """Half of the draws have bursts that their mean does not show: negative binomial use (scipy)."""
    rng = np.random.default_rng(4)
    mean = 30 * np.exp(0.1 * stats.norm.ppf((rng.permutation(DRAWS) + 0.5) / DRAWS))
    bursts = np.arange(DRAWS) % 2 * 0.15
    factor = rng.gamma(1 / np.maximum(np.repeat(bursts, EACH), 1e-6), np.maximum(np.repeat(bursts, EACH), 1e-6))
    units = rng.poisson(np.repeat(mean, EACH) * factor)
    level = int(np.quantile(units, 0.95))
    size = 1 / 0.15
    exact = np.where(bursts > 0, stats.nbinom.cdf(level, size, size / (size + mean)), stats.poisson.cdf(level, mean))
    low, high = np.quantile(exact, [0.05, 0.95])
    found = ranged(mean, units, level, 1)
    assert found[0] == pytest.approx(low, abs=0.025)
    assert found[1] == pytest.approx(high, abs=0.005)


def test_where_nothing_is_open_there_is_no_range():
    mean = np.full(DRAWS, 20.0)
    units = np.random.default_rng(5).poisson(np.repeat(mean, EACH))
    assert ranged(mean, units, 30, 1) is None


def test_the_chance_that_a_level_lasts_is_that_of_the_uniform_residual():
    """Level 10 in packs of 4: the position is 10, 11, 12 or 13; not stocked, nothing lasts but no use at all."""
    packing = Packing(("a", "b"), np.array([4, 1]), np.ones(2, dtype=int))
    units = np.array([[10, 0], [12, 0], [13, 0], [14, 0], [0, 1]])
    assert packing.lasting(units, np.array([10, 0])) == pytest.approx([1.0, 0.5, 0.25, 0.0, 0.0])
