"""Where ordering in whole packs leaves the stock, against exact Markov chains and the textbook's (nQ, r) system.

Hadley & Whitin, Analysis of Inventory Systems (1963), periodic review, (nQ, r): after ordering the position is uniform
on the level and the Q - 1 items above it; from memory. The chains here are solved exactly, on small cases.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from kitplan.parts.simulate.stock_ledger import ReviewRule, play_ledger
from kitplan.solve.positions import Packing
from kitplan.solve.verify import joint_readiness


def chain_of(use_of_a_week: np.ndarray, level: int, pack: int) -> np.ndarray:
    """Stationary chances of the position after ordering, by the rule itself: shape (pack,), from level upwards.

    From position y a week uses d; if y - d < level, the fewest packs are ordered that bring it to level or more.
    """
    step = np.zeros((pack, pack))
    for over in range(pack):
        for used, chance in enumerate(use_of_a_week):
            left = level + over - used
            packs = max(0, -(-(level - left) // pack))
            step[over, left + packs * pack - level] += chance
    walls = np.vstack([step.T - np.eye(pack), np.ones(pack)])
    return np.linalg.lstsq(walls, np.append(np.zeros(pack), 1.0), rcond=None)[0]


WEEKS = {
    "Poisson 3": stats.poisson.pmf(np.arange(40), 3),
    "Poisson 0.4": stats.poisson.pmf(np.arange(20), 0.4),
    "negative binomial": stats.nbinom.pmf(np.arange(200), 2, 2 / 6),
    "pairs only": np.where(np.arange(41) % 2 == 0, stats.poisson.pmf(np.arange(41) // 2, 2), 0.0),
}


@pytest.mark.parametrize("pack", [2, 5, 12])
@pytest.mark.parametrize("week", ["Poisson 3", "Poisson 0.4", "negative binomial"])
def test_the_position_after_ordering_is_uniform(week, pack):
    chance = chain_of(WEEKS[week] / WEEKS[week].sum(), level=7, pack=pack)
    assert chance == pytest.approx(np.full(pack, 1 / pack), abs=1e-6)


def test_demand_in_steps_that_divide_the_pack_is_the_exception():
    """Gloves taken in twos from boxes of 12: the position keeps its parity, so only every other place is reached."""
    chain = np.zeros((12, 12))
    use = WEEKS["pairs only"] / WEEKS["pairs only"].sum()
    for over in range(12):
        for used, chance in enumerate(use):
            chain[over, (over - used) % 12] += chance
    start = np.eye(12)[0] @ np.linalg.matrix_power(chain, 400)
    assert start[::2] == pytest.approx(np.full(6, 1 / 6), abs=1e-6)
    assert start[1::2] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("level", "pack"), [(9, 5), (14, 12), (1, 6), (20, 1)])
def test_readiness_of_a_level_is_the_exact_one_of_the_chain(level, pack):
    """P(D <= position) over the chain, D Poisson(9 a nine-day interval), against 200,000 scenarios."""
    week, interval = stats.poisson.pmf(np.arange(60), 7), stats.poisson(9)
    over = chain_of(week / week.sum(), level, pack)
    exact = float(over @ interval.cdf(level + np.arange(pack)))
    use = interval.rvs(200_000, random_state=1)[:, None]
    packing = Packing(("gloves",), np.array([pack]), np.array([1]))
    assert joint_readiness(packing.needed(use, 1, "chain"), [level]) == pytest.approx(exact, abs=0.004)


@pytest.mark.parametrize(("level", "pack"), [(12, 5), (15, 12), (18, 1)])
def test_the_play_of_counts_and_orders_gives_the_same_readiness(level, pack):
    """Counts every 7 days, 2 days to the shelf, Poisson 1 a day: the ledger orders count by count."""
    week, interval = stats.poisson.pmf(np.arange(60), 7), stats.poisson(9)
    exact = float(chain_of(week / week.sum(), level, pack) @ interval.cdf(level + np.arange(pack)))
    use = np.random.default_rng(2).poisson(1.0, size=(7 * 800 + 9, 40, 1))
    rule = ReviewRule(7, 2, np.array([pack]), np.array([np.inf]))
    run = play_ledger(use, np.array([[level]]), rule, 70)
    assert run.ready.mean() == pytest.approx(exact, abs=0.006)


def test_counted_by_unopened_packs_the_level_is_a_number_of_packs():
    """The open pack lies above the level; what is needed is rounded up to packs after it is taken off."""
    packing = Packing(("wipes",), np.array([10]), np.array([10]))
    needed = packing.needed(np.arange(1, 400)[:, None], 3, "packs")[:, 0]
    assert (needed % 10 == 0).all()
    use = np.arange(1, 400)
    assert ((needed >= use - 9) & (needed <= use + 9)).all()
    assert needed.min() == 10


def test_an_item_without_a_level_is_not_stocked_and_no_residual_helps_it():
    packing = Packing(("rare",), np.array([50]), np.array([1]))
    needed = packing.needed(np.array([[0], [1], [3]]), 1, "rare")[:, 0]
    assert needed[0] == 0
    assert (needed[1:] >= 1).all()
    assert packing.largest(np.array([0]))[0] == 0
    assert packing.mean(np.array([0]))[0] == 0.0
    assert packing.largest(np.array([1]))[0] == 50


def test_what_lies_above_the_level_hangs_on_the_items_name_alone():
    use = np.random.default_rng(1).poisson(30, size=(500, 2))
    both = Packing(("a", "b"), np.array([20, 20]), np.array([1, 1]))
    turned = Packing(("b", "a"), np.array([20, 20]), np.array([1, 1]))
    assert (both.needed(use, 1, "s") == turned.needed(use[:, ::-1], 1, "s")[:, ::-1]).all()
