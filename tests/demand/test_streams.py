"""Random numbers by name: uniform, independent, and the same whoever else is there."""

import numpy as np
import pytest
from scipy import stats

from kitplan.demand import streams
from kitplan.demand.posterior import fit_posterior
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


def test_the_mixing_function_gives_the_published_outputs():
    """SplitMix64 from 1234567: the first five outputs as widely published for the reference code (from memory)."""
    from kitplan.demand.streams import _GOLDEN, _mix

    state = np.uint64(1234567) + np.arange(5, dtype=np.uint64) * _GOLDEN
    assert _mix(state).tolist() == [
        6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821,
    ]


def test_every_bit_of_a_counter_matters():
    near = uniforms(1, "plan", np.arange(4096))
    far = uniforms(1, "plan", np.arange(4096).astype(np.uint64) << np.uint64(50))
    assert len(np.unique(near)) == len(np.unique(far)) == 4096


def test_the_order_of_counters_matters():
    a, b = np.arange(30)[:, None], np.arange(30)[None, :]
    u = uniforms(1, "plan", a, b)
    assert not np.allclose(u, u.T)
    assert len(np.unique(u)) == u.size


def test_planning_and_verifying_share_no_draw_of_what_is_not_known_and_leave_none_out(small_unit):
    """A plan verified on draws that it was made on would look readier than it is."""
    fitted = fit_posterior(small_unit)
    of = {stream: {row.tobytes() for row in fitted.of_stream(stream).arrivals} for stream in ("plan", "verify")}
    assert not of["plan"] & of["verify"]
    assert len(of["plan"]) + len(of["verify"]) == len({row.tobytes() for row in fitted.arrivals})


@pytest.mark.parametrize(("bits", "number"), [(0, 2.0**-53), (2**64 - 1, 1 - 2.0**-53), (2**63, 0.5 + 2.0**-53)])
def test_the_lowest_and_the_highest_hash_lie_equally_far_inside_0_and_1(monkeypatch, bits, number):
    """A number of exactly 0 or 1 has no quantile."""
    monkeypatch.setattr(streams, "_mix", lambda state: np.full_like(state, bits))
    assert uniforms(1, "plan", np.arange(2)).tolist() == [number] * 2
