"""The simulated stock room against exact and published results for periodic review."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.parts.simulate.stock_ledger import ReviewRule, order_packs, play_ledger

STEPS, REPLICATIONS, WARM = 1500, 100, 200


def play(mean: float, pars: list[int], *, review: int, lead: int, lost: bool = False, seed: int = 5):
    demand = np.random.default_rng(seed).poisson(mean, size=(STEPS, REPLICATIONS, 1))
    rule = ReviewRule(review, lead, np.array([1]), np.array([np.inf]), lost)
    return play_ledger(demand, np.array(pars)[:, None], rule, WARM)


def within_three_errors(samples: np.ndarray, exact: float) -> None:
    """samples: one mean a replication. The test fails for a right program once in 370 seeds; the seed is
    fixed.
    """
    error = samples.std(ddof=1) / np.sqrt(len(samples))
    assert abs(samples.mean() - exact) < 3 * error


@pytest.mark.parametrize(
    ("mean", "level", "no_stockout", "loss"),
    [
        (2, 4, 0.947347, 0.075141),
        (2, 5, 0.983436, 0.022488),
        (5, 9, 0.968172, 0.054016),
        (5, 10, 0.986305, 0.022188),
        (10, 15, 0.951260, 0.103479),
    ],
)
def test_order_up_to_level_meets_the_poisson_tables(mean, level, no_stockout, loss):
    """Order-up-to with back orders: P(ready) = F(S), mean back order before a receipt = loss function at S.

    Source: standard Poisson tables, recomputed.
    """
    run = play(mean, [level], review=1, lead=0)
    within_three_errors(run.ready[0].mean(axis=1), no_stockout)
    within_three_errors(run.short_units[0, :, 0] / run.steps, loss)  # all that is owed comes with the next step


def test_ready_share_depends_on_review_plus_lead_time_only():
    """Mean 0.5 a day over 7 + 3 days is Poisson(5): F(9) = .968172 whatever the split. Source: Poisson
    tables.
    """
    for review, lead in ((7, 3), (3, 7), (10, 0), (1, 9)):
        run = play(0.5, [9], review=review, lead=lead)
        within_three_errors(run.ready[0].mean(axis=1), 0.968172)


def test_newsvendor_cost_and_best_level():
    """Poisson mean 6, holding 1, shortage 4: best level 8, cost 3.570106945770941.

    Source: Snyder & Shen, Fundamentals of Supply Chain Theory 2e, newsvendor (from memory; recomputed).
    """
    run = play(6, [7, 8, 9], review=1, lead=0)
    cost = run.mean_on_hand[:, :, 0] + 4 * run.short_units[:, :, 0] / run.steps
    within_three_errors(cost[1], 3.570106945770941)
    assert cost.mean(axis=1).argmin() == 1


def test_order_up_to_rule_worked_example():
    """Use 100 a month, lead 1, review 3, safety 100, on hand 150, on order 0: order 350.

    Source: Management Sciences for Health, MDS-3, chapter 23 (from memory, constructed).
    """
    par = np.array([100 * (1 + 3) + 100])
    assert order_packs(par, np.array([150]), np.array([0]), np.array([1])).item() == 350


@pytest.mark.parametrize(
    ("lead", "penalty", "level", "published"),
    [
        (1, 4, 12, 4.16),
        (1, 9, 13, 5.55),
        (1, 19, 15, 6.73),
        (2, 4, 16, 4.64),
        (2, 9, 19, 6.32),
        (2, 19, 21, 7.84),
    ],
)
def test_lost_sales_base_stock_costs_as_published(lead, penalty, level, published):
    """Lost sales, Poisson demand of mean 5, holding 1: average cost of the best base-stock policy.

    Source: Zipkin, Operations Research 2008;56:1256, table of base-stock costs (from memory); the six values
    were recomputed exactly with the policy's Markov chain: 4.1628 5.5475 6.7278 4.6386 6.3163 7.8422.
    """
    exact = base_stock_cost(level, lead, penalty)
    assert round(exact, 2) == published
    run = play(5, [level], review=1, lead=lead, lost=True)
    cost = run.mean_on_hand[0, :, 0] + penalty * run.short_units[0, :, 0] / run.steps
    within_three_errors(cost, exact)


def base_stock_cost(level: int, lead: int, penalty: float, mean: float = 5.0) -> float:
    """Exact average cost by the stationary distribution of (on hand, on order) under a base-stock level."""
    from scipy.stats import poisson

    chance = poisson.pmf(np.arange(26), mean)
    chance[-1] += 1 - chance.sum()
    places = {(level,) + (0,) * (lead - 1): 0}
    todo, moves, costs = [next(iter(places))], [], []
    for state in todo:
        coming = (*state, max(0, level - sum(state)))
        after: dict[int, float] = {}
        cost = 0.0
        for demand, p in enumerate(chance):
            left = max(0, coming[0] - demand)
            cost += p * (left + penalty * max(0, demand - coming[0]))
            following = (left + coming[1], *coming[2:])
            if following not in places:
                places[following] = len(places)
                todo.append(following)
            after[places[following]] = after.get(places[following], 0.0) + p
        moves.append(after)
        costs.append(cost)
    step = np.zeros((len(places), len(places)))
    for row, after in enumerate(moves):
        for column, p in after.items():
            step[row, column] = p
    there = np.full(len(places), 1 / len(places))
    for _ in range(400):
        there = there @ step
    return float(there @ np.array(costs))
