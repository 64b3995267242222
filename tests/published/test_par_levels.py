"""Par levels and readiness against textbooks, tables and reference libraries.

With one item, joint readiness is that item's own chance of lasting, so the par level is the order-up-to level of
the textbooks. Scenarios are stratified (the k-th is the quantile at (k - 1/2) / n), so no random number is involved.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from kitplan.demand.proportion import wilson_interval
from kitplan.demand.values import Demand
from kitplan.read.values import PlanningPolicy, StockPolicy
from kitplan.solve.par_program import cheapest
from kitplan.solve.program import Program
from kitplan.solve.verify import joint_readiness, shortage_chances

N = 20_000


def stratified(quantile):
    """Return N scenarios of one item, shape (N, 1), that stand evenly for a distribution."""
    return np.asarray(quantile((np.arange(N) + 0.5) / N), dtype=float).reshape(-1, 1)


def par_of(units, readiness, step=1.0):
    """Return the cheapest level of one item counted in steps of `step` units."""
    steps = np.ceil(units / step - 1e-9).astype(int)
    found = cheapest(steps, np.array([1.0]), int(np.ceil(readiness * len(units) - 1e-9)), np.array([0]), 0.0, 20.0)
    return found.par[0] * step


def test_normal_newsvendor_of_the_textbook():
    """Snyder & Shen, Fundamentals of Supply Chain Theory 2e (2019), Example 4.3 [S]: h 0.18, p 0.70, N(50, 8):
    critical ratio p / (p + h), S = 56.60395592743389."""
    ratio = 0.70 / (0.70 + 0.18)
    units = stratified(stats.norm(50, 8).ppf)
    assert par_of(units, ratio, step=0.001) == pytest.approx(56.60395592743389, abs=0.01)


def newsvendor_program(demand, holding, shortage, level=None):
    """State min over S of the mean of holding (S - D)+ + shortage (D - S)+ on equally likely demands; return (S, cost).

    The linear program of stochastic programming texts (Birge & Louveaux, Introduction to Stochastic Programming, ch. 1,
    from memory), stated through the project's own layer. level: S, where it is given.
    """
    n = len(demand)
    program = Program("newsvendor")
    stock = program.variables("stock", 1, low=level or 0.0, high=level)
    over, short = program.variables("over", n), program.variables("short", n)
    program.objective(over, [holding / n] * n)
    program.objective(short, [shortage / n] * n)
    for k, d in enumerate(demand):
        program.row(f"demand_{k}", [*stock, over[k], short[k]], [1.0, -1.0, 1.0], low=float(d), high=float(d))
    solution = program.solve(integer=False)
    return float(solution.values(stock)[0]), solution.report.objective


def test_newsvendor_programs_cost_what_the_textbook_says():
    """Snyder & Shen, Example 4.3 [S]: S = 56.604, cost 1.9976051931766445 for N(50, 8); Poisson(6), h 1, p 4: S = 8,
    cost 3.570106945770941 [from memory, recomputed]. On 2,000 stratified demands."""
    at = (np.arange(2000) + 0.5) / 2000
    level, cost = newsvendor_program(stats.norm(50, 8).ppf(at), 0.18, 0.70)
    assert level == pytest.approx(56.604, abs=0.02)
    assert cost == pytest.approx(1.9976051931766445, rel=1e-3)
    level, cost = newsvendor_program(stats.poisson(6).ppf(at), 1.0, 4.0)
    assert level == 8
    assert cost == pytest.approx(3.570106945770941, rel=2e-3)


@pytest.mark.parametrize(("z", "loss"), [(0, 0.39894), (0.5, 0.19780), (1, 0.08332), (1.5, 0.02931), (2, 0.00849)])
def test_expected_shortage_follows_the_normal_loss_table(z, loss):
    """L(z), the standard normal loss function (standard tables, recomputed)."""
    at = (np.arange(2000) + 0.5) / 2000
    assert newsvendor_program(stats.norm.ppf(at), 0.0, 1.0, level=float(z))[1] == pytest.approx(loss, abs=2e-4)


def test_poisson_newsvendor():
    """h 1, p 4, Poisson(6): critical ratio 0.8, S = 8. From memory, recomputed."""
    assert par_of(stratified(stats.poisson(6).ppf), 4 / 5) == 8


@pytest.mark.parametrize(
    ("mean", "levels"), [(3.5, (7, 8, 8)), (7, (12, 13, 14)), (12.4, (18, 20, 21))], ids=["3.5", "7", "12.4"]
)
def test_order_up_to_levels_of_the_poisson_tables(mean, levels):
    """Poisson quantiles at .95, .98, .99 (standard tables, recomputed)."""
    units = stratified(stats.poisson(mean).ppf)
    assert tuple(par_of(units, r) for r in (0.95, 0.98, 0.99)) == levels


@pytest.mark.parametrize(("mean", "level", "ready"), [(2, 4, 0.947347), (2, 5, 0.983436), (5, 9, 0.968172),
                                                     (5, 10, 0.986305), (10, 15, 0.951260)])
def test_readiness_of_a_level_is_the_distribution_function_of_the_tables(mean, level, ready):
    """F(S) of Poisson(mean) (standard tables, recomputed)."""
    units = stratified(stats.poisson(mean).ppf)
    assert joint_readiness(units, [level]) == pytest.approx(ready, abs=1 / N)
    assert 1 - shortage_chances(units, [level])[0] == pytest.approx(ready, abs=1 / N)


def test_levels_of_an_over_dispersed_item():
    """Negative binomial k = 2, mean 4: quantiles .90, .95, .99 = 9, 11, 15 (recomputed)."""
    units = stratified(stats.nbinom(2, 2 / 6).ppf)
    assert [par_of(units, r) for r in (0.90, 0.95, 0.99)] == [9, 11, 15]


def shared_cause():
    """Scenarios of X = A + B, Y = A + C with A, B, C Poisson 2, 3, 1, in proportion to their chance."""
    rows, weights = [], []
    for a, b, c in itertools.product(range(14), range(16), range(10)):
        rows.append((a + b, a + c))
        weights.append(stats.poisson.pmf(a, 2) * stats.poisson.pmf(b, 3) * stats.poisson.pmf(c, 1))
    copies = np.round(np.array(weights) * 2_000_000).astype(int)
    return np.repeat(np.array(rows), copies, axis=0)


def test_joint_readiness_lies_above_the_product_and_the_bonferroni_bound():
    """Esary, Proschan & Walkup, Ann Math Stat 1967;38:1466 (from memory; values recomputed): associated demands.
    P(X <= 8, Y <= 6) = .911616 >= product .900680 >= Bonferroni .898398."""
    units = shared_cause()
    joint = joint_readiness(units, [8, 6])
    short = shortage_chances(units, [8, 6])
    assert joint == pytest.approx(0.911616, abs=5e-4)
    assert np.prod(1 - short) == pytest.approx(0.900680, abs=5e-4)
    assert 1 - short.sum() == pytest.approx(0.898398, abs=5e-4)
    assert joint > np.prod(1 - short) > 1 - short.sum()


def test_eight_independent_items_at_98_percent_are_85_percent_together():
    """0.98 ** 8 = .851 (recomputed): why the target is joint."""
    draws = np.random.default_rng(8).random((200_000, 8))
    units = (draws > 0.98).astype(int)
    assert joint_readiness(units, np.zeros(8)) == pytest.approx(0.98**8, abs=0.003)


def test_planning_items_one_by_one_costs_more_than_planning_them_together():
    """Splitting the target by Bonferroni (each item at 1 - (1 - r)/m) is safe and never cheaper than the joint plan."""
    units = shared_cause()[:: 40]
    cost = np.array([3.0, 5.0])
    required = int(np.ceil(0.95 * len(units)))
    together = cheapest(units, cost, required, np.array([0, 0]), 0.0, 20.0).par
    apart = np.array([par_of(units[:, [i]], 0.975) for i in (0, 1)])
    assert joint_readiness(units, apart) >= 0.95
    assert cost @ together <= cost @ apart


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_wilson_interval_of_the_published_comparison(successes, trials, low, high):
    """Newcombe, Statistics in Medicine 1998;17:857, table I, method 3 (from memory, recomputed)."""
    assert wilson_interval(successes, trials) == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.parametrize("successes", [0, 1, 9, 490, 977, 999, 1000])
def test_the_wilson_interval_of_two_reference_libraries(successes):
    """statsmodels proportion_confint(method="wilson") and scipy binomtest(...).proportion_ci("wilson")."""
    ours = wilson_interval(successes, 1000)
    assert ours == pytest.approx(proportion_confint(successes, 1000, method="wilson"), abs=1e-12)
    theirs = stats.binomtest(successes, 1000).proportion_ci(method="wilson")
    assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_a_whole_plan_of_one_item_is_the_order_up_to_level(unit_maker):
    """Poisson(7) over the protection interval, target .95: 12 (standard tables), through `solve_par` itself.

    The planning target is raised a little for verification, which here does not reach the next level: F(12) = .973."""
    from kitplan.parts.par.model import solve_par

    unit = unit_maker(
        stock=StockPolicy(7, 2, 0.95), planning=PlanningPolicy(1, N, N, N, 0.001, 20.0, 8, (0.95,))
    )
    units = np.zeros((N, len(unit.items)), dtype=np.int32)
    units[:, 0] = stratified(stats.poisson(7).ppf)[:, 0]
    items = unit.items.assign(pack=1.0, min_stock=0.0, critical=False)
    demand = Demand(tuple(items["item"]), units, np.zeros((N, 1), dtype=np.int32), 9.0, 1, "stratified")
    plan = solve_par(unit_maker(items=items, stock=unit.stock, planning=unit.planning), demand, demand)
    assert plan.levels["par_packs"].tolist() == [12] + [0] * (len(items) - 1)
    assert plan.readiness.verified == pytest.approx(stats.poisson.cdf(12, 7), abs=1e-4)
