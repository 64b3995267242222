"""Random numbers by name: uniform, independent, and the same whoever else is there."""

import numpy as np
from scipy import stats

from kitplan.demand.streams import name_key, uniforms


def test_they_are_uniform_and_neighbours_are_uncorrelated():
    u = uniforms(7, "attempts", np.arange(400)[:, None], np.arange(500)[None, :])
    assert stats.kstest(u.ravel(), "uniform").pvalue > 1e-4
    for a, b in ((u[:, 1:], u[:, :-1]), (u[1:], u[:-1])):
        assert abs(np.corrcoef(a.ravel(), b.ravel())[0, 1]) < 4 / np.sqrt(a.size)


def test_other_counters_do_not_change_a_number():
    wide = uniforms(7, "attempts", np.arange(100), np.uint64(5))
    narrow = uniforms(7, "attempts", np.array([42]), np.uint64(5))
    assert wide[42] == narrow[0]


def test_seed_and_stream_name_change_every_number():
    base = uniforms(1, "plan", np.arange(50))
    assert not np.isin(base, uniforms(2, "plan", np.arange(50))).any()
    assert not np.isin(base, uniforms(1, "verify", np.arange(50))).any()
    assert name_key("a", "b") != name_key("ab")
