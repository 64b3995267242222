"""Long-run rates: reasons add up, redos add attempts, spread between airways counts every one of them."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.resecure import long_run_rates

SHARES = ["share_loose", "share_soiled", "share_skin", "share_moved", "share_changed", "share_planned", "share_any"]


@pytest.mark.parametrize("spread", [0.0, 0.4, 1.5])
@pytest.mark.parametrize("changes", [{}, {"flat_per_check": 0.1}, {"planned_hours": 12.0}, {"redo": 0.0}])
def test_shares_of_reasons_add_up_to_one(unit_maker, frequency_maker, changes, spread):
    unit = unit_maker(frequency=frequency_maker(3, **{"airway_spread": spread, **changes}))
    rates = long_run_rates(unit)
    assert rates[SHARES].sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert (rates[SHARES] >= -1e-12).all().all()


def test_a_flat_chance_has_its_rate_whatever_the_seat_of_the_average(unit_maker, frequency_maker):
    """Chance 0.1 at each of four checks a day, no spread: 0.4 a day, 40 per 100 airway-days, all for any reason."""
    unit = unit_maker(frequency=frequency_maker(3, flat_per_check=0.1, airway_spread=0.0, redo=0.2))
    row = long_run_rates(unit).iloc[0]
    assert row["re_secures_per_day"] == pytest.approx(0.4)
    assert row["per_100_airway_days"] == pytest.approx(40.0)
    assert row["attempts_per_day"] == pytest.approx(0.5)
    assert row["share_any"] == pytest.approx(1.0)


def test_with_spread_the_rate_is_the_mean_over_airways(unit_maker, frequency_maker):
    """1 - (1 - p)^z averaged over gamma z, mean 1 and variance v, is 1 - (1 + h v)^(-1 / v) with h = -log(1 - p)."""
    spread, p = 0.5, 0.2
    unit = unit_maker(frequency=frequency_maker(3, flat_per_check=p, airway_spread=spread, redo=0.0))
    strain = -np.log1p(-p) * spread**2
    exact = 4 * (1 - (1 + strain) ** (-1 / spread**2))
    assert long_run_rates(unit).iloc[0]["re_secures_per_day"] == pytest.approx(exact, rel=1e-6)
