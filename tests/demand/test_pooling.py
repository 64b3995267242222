"""Partial pooling of rates: what is believed of few events and of many."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kitplan.demand.partial_pooling import count_dispersion, pool_rates


def test_nine_events_are_not_believed_like_nine_hundred():
    pooled = pool_rates(np.array([900, 9, 450]), np.array([1800.0, 9.0, 1000.0]))
    assert pooled.own_share[0] > 0.75
    assert pooled.own_share[1] < 0.3
    assert pooled.mean[0] == pytest.approx(0.5, rel=0.02)
    assert 0.47 < pooled.mean[1] < 0.75
    assert (pooled.high - pooled.low)[1] > 3 * (pooled.high - pooled.low)[0]


def test_a_stratum_without_airway_days_gets_the_units_average_and_its_spread():
    pooled = pool_rates(np.array([300, 120, 0]), np.array([600.0, 300.0, 0.0]))
    assert pooled.own_share[2] == 0
    assert 0.35 < pooled.mean[2] < 0.55
    assert pooled.high[2] - pooled.low[2] > (pooled.high - pooled.low)[:2].max()


def test_a_single_stratum_is_all_its_own():
    pooled = pool_rates(np.array([100]), np.array([200.0]))
    assert pooled.own_share[0] == 1
    assert pooled.mean[0] == pytest.approx(0.5, rel=0.01)
    # Exact Poisson interval for 100 events (chi-square): 81.4 to 121.6.
    assert pooled.low[0] == pytest.approx(81.4 / 200, rel=0.02)
    assert pooled.high[0] == pytest.approx(121.6 / 200, rel=0.02)


def test_over_dispersion_widens_the_interval_and_keeps_the_rate():
    even = pool_rates(np.array([400, 300]), np.array([800.0, 700.0]))
    uneven = pool_rates(np.array([400, 300]), np.array([800.0, 700.0]), 4.0)
    assert uneven.mean[0] == pytest.approx(even.mean[0], rel=0.03)
    assert (uneven.high - uneven.low)[0] > 1.5 * (even.high - even.low)[0]


def test_draws_follow_the_reported_interval():
    pooled = pool_rates(np.array([40, 9, 80]), np.array([100.0, 30.0, 130.0]))
    drawn = pooled.draw(40_000, np.random.default_rng(1))
    np.testing.assert_allclose(np.quantile(drawn, 0.025, axis=0), pooled.low, rtol=0.03)
    np.testing.assert_allclose(np.quantile(drawn, 0.975, axis=0), pooled.high, rtol=0.03)
    np.testing.assert_allclose(pooled.quantile(0.5), np.median(drawn, axis=0), rtol=0.02)


def test_nothing_to_pool_is_refused():
    with pytest.raises(ValueError, match="at least one event"):
        pool_rates(np.zeros(3), np.ones(3))


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), st.floats(5, 900)), min_size=2, max_size=8))
def test_pooled_rates_lie_inside_their_intervals_and_in_any_order(rows):
    events, days = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    if events.sum() == 0:
        events[0] = 1
    pooled = pool_rates(events, days)
    assert (pooled.low < pooled.mean).all()
    assert (pooled.mean < pooled.high).all()
    assert ((pooled.own_share >= 0) & (pooled.own_share <= 1)).all()
    turned = pool_rates(events[::-1], days[::-1])
    np.testing.assert_allclose(turned.mean[::-1], pooled.mean, rtol=1e-9)


def test_dispersion_finds_evenness_and_spread_between_airways():
    rng = np.random.default_rng(3)
    mean = rng.uniform(0.5, 8, 6000)
    alike = rng.poisson(mean)
    frail = rng.poisson(mean * rng.gamma(4, 0.25, len(mean)))
    assert count_dispersion(alike, mean)[1] < 0.02
    a, v = count_dispersion(frail, mean)
    assert a == pytest.approx(1, abs=0.15)
    assert v == pytest.approx(0.25, abs=0.05)
