"""Units of known truth: what a plan promises holds in futures that were simulated without any of its code.

A small fixed set; tests/bench/worlds measures many more. Tolerances are statistical and stated at each test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from tests.bench.worlds import world as truth

NAMES = [
    "stays-18-known-calm-level", "stays-18-log-burst-swing", "stays-18-guess-calm-swing", "stays-18-guess-burst-level",
    "stays-6-known-calm-level", "stays-6-known-burst-level", "counts-18-known-burst-swing",
    "counts-18-guess-calm-level",
    "counts-18-log-calm-swing", "counts-6-known-calm-level",
]


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """(claimed, low, high, true) of each world, shares of 1."""
    found = []
    for world in truth.grid():
        if not any(world.name.startswith(name) for name in NAMES):
            continue
        folder = tmp_path_factory.mktemp("world")
        world = truth.write_unit(world, folder)
        unit = load_unit(folder)
        policy = replace(unit.planning, scenarios=8000, verify_scenarios=8000, max_scenarios=16_000, frontier=())
        plan = plan_unit(replace(unit, planning=policy), parts=("par",))
        levels = plan.par.levels.set_index("item")["par_units"].reindex(truth.NAMES).fillna(0).to_numpy(int)
        ready = plan.par.readiness
        found.append((ready.verified, ready.low, ready.high, truth.future(world, 150, 30).ready(levels)))
    return np.array(found)


def test_plans_are_as_ready_as_they_claim_in_futures_nobody_has_seen(judged):
    """On the mean within 0.7 of a point, and three standard errors of ten worlds (one world spreads about a point)."""
    claimed, true = judged[:, 0].mean(), judged[:, 3].mean()
    assert abs(true - claimed) < 0.007 + 3 * judged[:, 3].std(ddof=1) / np.sqrt(len(judged))


def test_no_plan_is_far_less_ready_than_it_claims(judged):
    """Replaying the past left the worst of such worlds at 79 %."""
    assert judged[:, 3].min() > 0.94


def test_the_printed_range_holds_the_truth(judged):
    """90 % ranges: of ten, fewer than seven hold with chance 0.013 (binomial)."""
    held = (judged[:, 1] - 0.001 <= judged[:, 3]) & (judged[:, 3] <= judged[:, 2] + 0.001)
    assert held.sum() >= 7


def test_whole_packs_played_count_by_count_leave_what_the_arithmetic_says():
    world = truth.grid()[0]
    future = truth.future(world, 20, 2)
    weeks = np.diff(future.upto[:, 0], axis=0)
    level = np.arange(1, len(truth.NAMES) + 1) * 7
    played = truth.fill(np.vstack([weeks, weeks[-1:]]), level, future.start[0])
    assert (played == future.position(level)[:, 0]).all()
