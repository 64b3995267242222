"""The stock room by itself: counts, whole packs, lead time, dates, back orders."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kitplan.parts.simulate.stock_ledger import ReviewRule, order_packs, play_ledger

NO_DATE = np.array([np.inf])


def one_item(demand, par, *, review=7, lead=2, pack=1, life=np.inf, warm=0, lost=False):
    """Play one item in one replication; demand is a list of units a step."""
    rule = ReviewRule(review, lead, np.array([pack]), np.array([life]), lost)
    return play_ledger(np.array(demand).reshape(-1, 1, 1), np.array([[par]]), rule, warm)


def test_what_lacks_is_ordered_in_whole_packs():
    got = order_packs(
        np.array([100, 100, 100, 100]), np.array([100, 71, 99, -5]), np.array([0, 10, 5, 0]), np.array([10])
    )
    assert got.tolist() == [0, 2, 0, 11]


def test_an_order_arrives_after_the_lead_time_and_not_before():
    # par 10, all gone on day 0; ordered at the count of day 7, on the shelf on day 9
    run = one_item([10] + [0] * 6 + [0, 1, 1] + [0] * 8, 10, review=7, lead=2)
    # intervals begin with receipts on days 2 and 9: short on day 8, not on day 9
    assert run.ready[0, 0].tolist() == [False, True]
    assert run.short_units.sum() == 1


def test_a_shelf_that_is_never_asked_is_always_ready_and_full():
    run = one_item([0] * 70, 5)
    assert run.ready.all()
    assert run.covered.all()
    assert run.mean_on_hand.item() == 5
    assert run.order_lines.sum() == 0


def test_back_orders_wait_and_lost_demand_does_not():
    demand = [6] + [0] * 20
    waiting = one_item(demand, 4, review=7, lead=0)
    lost = one_item(demand, 4, review=7, lead=0, lost=True)
    assert waiting.short_units.item() == lost.short_units.item() == 2
    # from the receipt of day 2 on nothing is asked for, but two are owed until that of day 9
    assert not one_item(demand, 4).ready[0, 0, 0]
    assert one_item(demand, 4, lost=True).ready[0, 0, 0]


def test_stock_past_its_date_is_thrown_away_and_bought_again():
    run = one_item([0] * 800, 12, review=7, lead=2, life=100, warm=100)
    # every unit lives 100 days, so 12 units are thrown away about every 100 to 109 days
    years = run.steps / 365
    assert 12 * 365 / 110 <= run.expired.sum() / years <= 12 * 365 / 99


def test_stock_that_moves_faster_than_its_date_is_not_thrown_away():
    run = one_item([1] * 700, 12, review=7, lead=2, life=30, warm=30)
    assert run.expired.sum() == 0


def test_the_oldest_lot_goes_first():
    # 10 on the shelf, use 1 a day: each lot is at most ten days old when its last unit goes
    kept = one_item([1] * 400, 10, review=1, lead=0, life=11, warm=20)
    lost = one_item([1] * 400, 10, review=1, lead=0, life=9, warm=20)
    assert kept.expired.sum() == 0
    assert lost.expired.sum() > 0


def test_too_short_a_play_is_refused():
    with pytest.raises(ValueError, match="no whole interval"):
        one_item([1] * 8, 5, review=7, lead=2)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 6), min_size=30, max_size=90),
    st.integers(0, 40),
    st.integers(1, 9),
    st.integers(0, 12),
    st.integers(0, 20),
)
def test_without_packs_and_dates_ready_is_use_within_par(demand, par, review, lead, warm):
    """The identity behind par levels: net stock before a receipt = par - use over review + lead time."""
    if (len(demand) - lead) // review - -(-max(warm - lead, 0) // review) < 1:
        return
    run = one_item(demand, par, review=review, lead=lead, warm=warm)
    assert (run.ready == run.covered).all()


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 9), min_size=40, max_size=80), st.integers(1, 30), st.integers(1, 12))
def test_with_whole_packs_ready_is_use_within_what_was_there_and_on_order(demand, par, pack):
    """The play orders by the printed rule, count by count; `covered` knows where whole packs leave it by arithmetic."""
    run = one_item(demand, par, review=5, lead=3, pack=pack)
    assert (run.ready == run.covered).all()


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(0, 9), min_size=60, max_size=90),
    st.integers(0, 25),
    st.integers(1, 6),
    st.integers(9, 50),
)
def test_a_higher_par_is_never_less_ready(demand, par, pack, life):
    both = ReviewRule(7, 2, np.array([pack]), np.array([np.inf]))
    run = play_ledger(np.array(demand).reshape(-1, 1, 1), np.array([[par], [par + life]]), both)
    assert (run.ready[1] >= run.ready[0]).all()


def test_plans_and_replications_played_together_are_as_if_played_alone():
    rng = np.random.default_rng(3)
    demand = rng.poisson(2, size=(120, 3, 2))
    rule = ReviewRule(7, 2, np.array([5, 1]), np.array([40.0, np.inf]))
    pars = np.array([[30, 20], [10, 25]])
    whole = play_ledger(demand, pars, rule, 20)
    for p in range(2):
        for r in range(3):
            # the opening dates look at mean use over all replications, so it is held equal here
            alone = play_ledger(demand[:, [r, r, r]] * 0 + demand, pars[[p]], rule, 20)
            assert (alone.ready[0, r] == whole.ready[p, r]).all()
            assert (alone.expired[0, r] == whole.expired[p, r]).all()
