"""Binary search in many short lists at once: as one search after another finds it."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand import search
from kitplan.demand.rate_grid import reach
from kitplan.demand.search import passed


@pytest.mark.parametrize("length", [0, 1, 2, 3, 4, 5, 7, 8, 21, 64])
@pytest.mark.parametrize("equal", [False, True])
def test_as_one_search_after_another_finds_it(monkeypatch, length, equal):
    monkeypatch.setattr(search, "_AT_ONCE", 100)
    rng = np.random.default_rng(length)
    lists = np.sort(rng.integers(0, 12, (6, length)), axis=1).astype(float)
    row, value = rng.integers(0, 6, 250), rng.integers(-1, 13, 250).astype(float)
    one_by_one = [np.searchsorted(lists[r], v, side="right" if equal else "left") for r, v in zip(row, value)]
    assert passed(lists.ravel(), row * length, 1, length, value, equal).tolist() == one_by_one
    assert passed(lists.T.ravel(), row, 6, length, value, equal).tolist() == one_by_one, "counts first"


def test_one_list_for_all():
    assert passed(np.array([0.2, 0.5]), 0, 1, 2, np.array([0.1, 0.2, 0.3, 0.9])).tolist() == [0, 0, 1, 2]


def test_tables_reach_to_the_next_sixteen_checks_but_never_further_than_a_stay_nor_too_short():
    assert [reach(n, 160) for n in (1, 16, 36, 40, 44, 48, 159, 160, 200)] == [16, 16, 48, 48, 48, 48, 160, 160, 200]
    assert reach(150, 155) == 155
