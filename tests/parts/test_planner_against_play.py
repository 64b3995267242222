"""The three samples: mean use and readiness of one par, planner against play. A difference is a defect."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.scenarios import draw_demand
from kitplan.parts.simulate.issue_play import play_issues, stock_clock, windows
from kitplan.parts.simulate.model import share_interval
from kitplan.parts.simulate.stock_ledger import ReviewRule, within_position
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units
from kitplan.solve.positions import Packing

YEARS, COPIES, SCENARIOS = 1, 256, 20_000


@pytest.fixture(scope="module", params=list(sample_units()))
def both(request):
    """(items in use, planner's scenarios, play's issues, clock) of one sample."""
    unit = load_unit(sample_units()[request.param])
    tables = attempt_tables(unit)
    item_choice = fill_roles(unit, tables)
    days = unit.stock.protection_interval_days
    drawn = draw_demand(unit, item_choice, days, SCENARIOS, 3, "against play", tables).units
    issued = play_issues(unit, item_choice, int(365 * YEARS), COPIES, 3, "against plan", fit_posterior(unit))
    used = np.flatnonzero(drawn.any(axis=0))
    return unit.items.iloc[used], drawn[:, used], issued[:, :, used], stock_clock(unit)


def test_mean_use_of_every_item_agrees(both):
    """Within 4.5 standard errors plus 1.5 %: about twenty items a sample, one seed."""
    items, drawn, issued, clock = both
    per_copy = windows(issued, clock.interval_steps).mean(axis=0)
    error = np.hypot(per_copy.std(axis=0, ddof=1) / np.sqrt(COPIES), drawn.std(axis=0) / np.sqrt(SCENARIOS))
    apart = np.abs(per_copy.mean(axis=0) - drawn.mean(axis=0))
    assert (apart <= 4.5 * error + 0.015 * drawn.mean(axis=0)).all(), items["item"][apart > 4.5 * error].tolist()


def test_readiness_of_one_par_agrees(both):
    items, drawn, issued, clock = both
    pack = items["pack"].to_numpy(int)
    par = np.maximum(np.quantile(drawn, 0.985, axis=0).astype(int), 1)
    needs = Packing(tuple(items["item"]), pack, np.ones_like(pack)).needed(drawn, 3, "against play")
    planned = (needs <= par).all(axis=1).mean()
    rule = ReviewRule(clock.review_steps, clock.lead_steps, pack, np.full(len(pack), np.inf))
    over = np.random.default_rng(7).integers(0, pack, issued.shape[1:])
    share, low, high = share_interval(within_position(issued, par[None], rule, 0, over)[0])
    error = np.hypot((high - low) / 3.92, np.sqrt(planned * (1 - planned) / SCENARIOS))
    assert 0.9 < share < 0.999
    assert abs(planned - share) < 3.5 * error
