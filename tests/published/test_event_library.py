"""Planner and play against the same small unit written for a general event-simulation library (SimPy, MIT
licence).
"""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from kitplan.demand.item_choice import fill_roles
from kitplan.demand.scenarios import draw_demand
from kitplan.parts.simulate.issue_play import play_issues
from kitplan.parts.simulate.model import share_interval
from kitplan.parts.simulate.stock_ledger import ReviewRule, play_ledger
from kitplan.solve.positions import Packing

pytest.importorskip("simpy")
RUNS, YEARS = 8, 10


def event_model() -> ModuleType:
    spec = importlib.util.spec_from_file_location("event_model", Path(__file__).with_name("event_model.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["event_model"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def three_ways():
    """Use per nine days and ready share of one par, three times over; scissors have no part in it."""
    from tests.conftest import known, make_unit

    unit = make_unit()
    item_choice = fill_roles(unit)
    names = unit.items["item"].tolist()
    pack = unit.items["pack"].to_numpy(int)
    what = known(unit)
    demand = draw_demand(unit, item_choice, 9, 20_000, 1, "event library", posterior=what).units
    packs = np.ceil(np.quantile(demand, 0.97, axis=0) / pack).astype(int)
    par = packs * pack
    keep = [i for i, name in enumerate(names) if par[i] and name != "scissors"]
    stores = [
        event_model().run(
            {names[i]: int(par[i]) for i in keep}, {names[i]: int(pack[i]) for i in keep}, YEARS, seed
        )
        for seed in range(RUNS)
    ]
    played = play_issues(unit, item_choice, 4 * 365 + 36, 64, 1, "event library", what)[:, :, keep]
    rule = ReviewRule(7, 2, pack[keep], np.full(len(keep), np.inf))
    run = play_ledger(played, par[keep][None], rule, 36)
    return [names[i] for i in keep], par[keep], stores, demand[:, keep], played, run


def test_mean_use_agrees(three_ways):
    """Mean use of every item in nine days: within four standard errors of the event model's runs, all
    items.
    """
    names, _, stores, demand, played, _ = three_ways
    for k, name in enumerate(names):
        runs = np.array([s.used[name] for s in stores]) / (YEARS * 364) * 9
        error = runs.std(ddof=1) / np.sqrt(RUNS) + 0.003 * runs.mean()
        assert abs(played[:, :, k].mean() * 9 - runs.mean()) < 4 * error, name
        assert abs(demand[:, k].mean() - runs.mean()) < 4 * error, name


def test_ready_share_agrees(three_ways):
    """Played with whole packs on both sides: the shares lie within three standard errors of their
    difference.
    """
    *_, run = three_ways
    stores = three_ways[2]
    shares = np.array([np.mean(s.ready) for s in stores])
    share, low, high = share_interval(run.ready[0])
    error = np.hypot(shares.std(ddof=1) / np.sqrt(RUNS), (high - low) / 3.92)
    assert 0.85 < share < 0.99, "the par must be tight enough for the check to mean something"
    assert abs(shares.mean() - share) < 3 * error


def test_planner_and_play_agree_on_use_within_par(three_ways):
    """Both with what whole packs leave above the level, the residual drawn by the planner and played by the play."""
    from tests.conftest import make_unit

    names, par, _, demand, _, run = three_ways
    pack = make_unit().items.set_index("item").loc[names, "pack"].to_numpy(int)
    needs = Packing(tuple(names), pack, np.ones_like(pack)).needed(demand, 1, "event library")
    planned = (needs <= par).all(axis=1).mean()
    share, low, high = share_interval(run.covered[0])
    error = np.hypot(np.sqrt(planned * (1 - planned) / len(demand)), (high - low) / 3.92)
    assert abs(planned - share) < 3 * error
