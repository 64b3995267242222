"""Cutting stock against published instances and the literature's bound.

Sources: a paper-mill example with rolls of 5600 mm that is widely published as a cutting-stock demonstration
(73 rolls; bound and pattern count recomputed); an instance of stock length 20 from a public unit test (relaxation
600.375, integer answer recomputed). The bound is the relaxation of Gilmore & Gomory, Operations Research 1961;9:849
(from memory): a plan never uses fewer rolls than its ceiling. The three-length instance whose best plan is one roll
above that ceiling (3 against 259/132) is of a kind described by Fieldhouse (Math. Program. 1990;47) and by
Scheithauer & Terno (EJOR 1995;84:562), from memory; both figures are recomputed here by exhaustive search.
"""

import itertools
import math

import numpy as np
import pytest
from scipy.optimize import linprog

from kitplan.solve.cutting import Stock, cut_stock
from tests.solve.listed_patterns import all_patterns

MILL_WIDTHS = [1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200]
MILL_DEMAND = [22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20]


def relaxation_over_all_patterns(sizes, demand, capacity):
    patterns = all_patterns(sizes, capacity)
    return linprog(np.ones(len(patterns)), A_ub=-patterns.T, b_ub=-np.asarray(demand), method="highs").fun


def test_the_paper_mill_example_takes_73_rolls_at_a_bound_of_72_916667():
    plan = cut_stock(MILL_WIDTHS, MILL_DEMAND, [Stock("mill", 5600)])
    assert plan.n_rolls == 73
    assert plan.lp_bound == pytest.approx(72.916667, abs=1e-6)
    assert plan.ceiling == 73
    assert plan.waste_share == pytest.approx(0.00401, abs=5e-6)


def test_the_paper_mill_example_has_308_patterns():
    assert len(all_patterns(MILL_WIDTHS, 5600)) == 308


def test_the_paper_mill_bound_agrees_with_the_relaxation_over_all_308_patterns():
    assert relaxation_over_all_patterns(MILL_WIDTHS, MILL_DEMAND, 5600) == pytest.approx(72.916667, abs=1e-6)


def test_the_instance_of_stock_length_20_has_bound_600_375_and_takes_601():
    plan = cut_stock([9, 8, 7, 6], [511, 301, 263, 383], [Stock("twenty", 20)])
    assert plan.lp_bound == pytest.approx(600.375, abs=1e-6)
    assert plan.n_rolls == 601


def test_the_textbook_instance_with_raws_of_100_inches_takes_453_at_a_bound_of_452_25():
    """Chvatal, Linear Programming (1983), chapter 13: finals of 45, 36, 31, 14 inches (from memory; recomputed)."""
    plan = cut_stock([45, 36, 31, 14], [97, 610, 395, 211], [Stock("raw", 100)])
    assert plan.lp_bound == pytest.approx(452.25, abs=1e-6)
    assert plan.n_rolls == 453


def test_an_instance_known_to_need_one_roll_above_the_ceiling_is_solved_to_that_roll():
    sizes, demand = [44, 33, 12], [2, 3, 6]
    plan = cut_stock(sizes, demand, [Stock("gap", 132)])
    assert plan.lp_bound == pytest.approx(259 / 132, abs=1e-9)
    assert plan.n_rolls == fewest_by_search(sizes, demand, 132) == 3


def fewest_by_search(sizes, demand, capacity):
    patterns = [tuple(p) for p in all_patterns(sizes, capacity, maximal=True)]
    for rolls in range(1, sum(demand) + 1):
        for chosen in itertools.combinations_with_replacement(patterns, rolls):
            if all(sum(column) >= d for column, d in zip(zip(*chosen), demand)):
                return rolls
    return None


@pytest.mark.parametrize("seed", range(6))
def test_the_bound_agrees_with_the_relaxation_over_every_pattern(seed):
    rng = np.random.default_rng(seed)
    sizes = np.unique(rng.integers(18, 60, 5))[::-1]
    demand = rng.integers(1, 30, sizes.size)
    plan = cut_stock(sizes, demand, [Stock("r", 100)])
    assert plan.lp_bound == pytest.approx(relaxation_over_all_patterns(sizes, demand, 100), abs=1e-6)
    assert plan.n_rolls >= math.ceil(plan.lp_bound - 1e-6)


def test_pieces_of_160_220_and_290_mm_from_a_1371_6_mm_roll_are_8_6_and_4():
    """Common pieces from a 1.37 m roll, recomputed: floor(1371.6 / l)."""
    for length, pieces in ((160, 8), (220, 6), (290, 4)):
        assert cut_stock([length], [pieces], [Stock("r", 1371.6)]).n_rolls == 1
        assert cut_stock([length], [pieces + 1], [Stock("r", 1371.6)]).n_rolls == 2
