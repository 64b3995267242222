"""The proof: par levels played out, compared with rules of thumb and with what the planner said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.item_choice import fill_roles
from kitplan.demand.posterior import fit_posterior
from kitplan.parts.par.values import ParPlan, Readiness
from kitplan.parts.simulate import issue_play, model
from kitplan.parts.simulate.future_play import play_future
from kitplan.parts.simulate.issue_play import load, play_issues, stock_clock, windows
from kitplan.parts.simulate.model import rules, share_interval, share_interval_of_means, simulate, tune
from kitplan.read.values import StockPolicy
from kitplan.solve.values import SolverReport


def par_plan(unit, packs, verified=0.95) -> ParPlan:
    """A plan that holds `packs` of every item and says that it is ready with chance `verified`."""
    levels = unit.items[["item", "pack"]].assign(
        par_packs=packs, par_units=packs * unit.items["pack"], floor_packs=0.0, shortage_chance=0.0
    )
    readiness = Readiness(0.95, verified, verified, verified - 0.002, verified + 0.002, 20_000)
    solver = SolverReport("none", "optimal", 0, 0, 0, 0, 0)
    return ParPlan(levels, readiness, 0.0, 0.0, 0.0, solver, pd.DataFrame(), pd.DataFrame())


@pytest.fixture(scope="module")
def unit():
    from tests.conftest import make_unit

    return make_unit()


@pytest.fixture(scope="module")
def item_choice(unit):
    return fill_roles(unit)


@pytest.fixture(scope="module")
def ample(unit):
    return np.ceil(500 / unit.items["pack"].to_numpy())


def test_ample_stock_is_always_ready_and_says_so_with_an_honest_interval(unit, item_choice, ample):
    result = simulate(unit, item_choice, par_plan(unit, ample), years=1, replications=8)
    plan = result.summary.iloc[0]
    assert plan["readiness"] == 1.0
    assert plan["stockouts_per_year"] == 0
    assert plan["low"] < 0.7, "eight replications without a miss do not prove 100 %"


def test_rules_of_thumb_hold_the_floors_that_the_plan_holds(unit, item_choice, ample, monkeypatch):
    """One mask of a pack of five, not five: rules that had to hold whole packs needed more stock than they do."""
    packed = replace(unit, items=unit.items.assign(pack=5))
    floors = []
    monkeypatch.setattr(model, "_by_rule", lambda room, past, floor, level: floors.append(floor) or {})
    par = par_plan(packed, ample)
    simulate(packed, item_choice, replace(par, levels=par.levels.assign(floor_packs=1)), years=1, replications=2)
    assert set(floors[0].tolist()) == {0, 1, 2}, "two of the mask, one of other emergency equipment, none of the rest"


def test_an_empty_shelf_is_never_ready(unit, item_choice, ample):
    result = simulate(unit, item_choice, par_plan(unit, 0 * ample), years=1, replications=4)
    assert result.summary.iloc[0]["readiness"] == 0.0


def test_a_planner_who_promises_too_much_is_found_out(unit, item_choice, ample):
    tight = np.ceil(ample / 5)
    result = simulate(unit, item_choice, par_plan(unit, tight, verified=0.999), years=1, replications=32)
    assert not bool(result.agreement.iloc[0]["agrees"])
    assert "disagree" in " ".join(result.sentences("USD"))


def test_of_very_many_airways_fewer_copies_are_played_some_at_a_time_and_it_is_said(
    unit, item_choice, ample, monkeypatch
):
    """Fifty airways that stay two hours are 600 a day: 256 copies of a year took 3 GB. What is played is small here."""
    short = replace(unit, census=replace(unit.census, mean_stay_days=1 / 12, rows=unit.census.rows.assign(airways=17)))
    days, posterior = 407, fit_posterior(short)
    here = posterior.mean_airways.sum()
    assert here == pytest.approx(51, rel=0.1)
    assert load(posterior, days) == pytest.approx(here * (1 + 12 * days + days / 3), rel=0.02)
    sizes = []
    monkeypatch.setattr(issue_play, "play_future", lambda p, copies, *rest: sizes.append(len(copies)) or play_future(
        p, copies, *rest))
    monkeypatch.setattr(issue_play, "MOST_AT_ONCE", 2.5 * load(posterior, 46))
    assert play_issues(short, item_choice, 46, 5, 1, "simulate", posterior).shape[1] == 5
    assert sizes == [2, 2, 1]
    monkeypatch.undo()
    monkeypatch.setattr(model, "MOST_PLAYED", 3.5 * load(fit_posterior(unit), 365.25 + 4 * 9))
    few = simulate(unit, item_choice, par_plan(unit, ample), years=1, replications=8)
    assert (few.replications, few.asked) == (3, 8)
    assert "3 copies were played, and not 8" in " ".join(few.sentences("USD"))


def test_the_same_seed_plays_the_same_years(unit, item_choice, ample):
    one, two = (simulate(unit, item_choice, par_plan(unit, ample), years=1, replications=4, seed=9) for _ in "ab")
    for name, frame in one.tables().items():
        pd.testing.assert_frame_equal(frame, two.tables()[name])


def test_present_par_is_played_where_the_unit_has_one(unit, item_choice, ample):
    present = pd.DataFrame({"item": ["saline-5"], "par_packs": [3.0]})
    result = simulate(
        replace(unit, present_par=present), item_choice, par_plan(unit, ample), years=1, replications=4
    )
    row = result.summary.set_index("plan").loc["present par"]
    pack, price = unit.items.set_index("item").loc["saline-5", ["pack", "price"]]
    assert row["par_value"] == pytest.approx((3 * pack + (pack - 1) / 2) / pack * price)
    assert row["readiness"] == 0.0, "everything else has no par at all"


def test_present_par_is_judged_with_the_items_that_it_holds(unit, item_choice, ample):
    """A shelf of long rolls is not unready because the plan would buy short ones."""
    held = replace(item_choice, frame=item_choice.frame.replace({"item": {"tape-25-short": "tape-25-long"}}))
    packs = pd.DataFrame(
        {"item": unit.items["item"], "par_packs": np.where(unit.items["item"] == "tape-25-short", 0, ample)}
    )
    stocked = replace(unit, present_par=packs)
    plan = par_plan(unit, ample)
    blind = simulate(stocked, item_choice, plan, years=1, replications=4)
    seeing = simulate(stocked, item_choice, plan, present_item_choice=held, years=1, replications=4)
    assert blind.summary.iloc[1]["readiness"] == 0.0
    assert seeing.summary.iloc[1]["readiness"] == 1.0
    pd.testing.assert_series_equal(blind.summary.iloc[0], seeing.summary.iloc[0])


def test_tuned_rules_are_as_ready_as_the_plan_and_no_cheaper_factor_is(unit, item_choice, ample):
    packs = np.ceil(0.16 * ample)
    result = simulate(unit, item_choice, par_plan(unit, packs), years=1, replications=16)
    summary = result.summary
    target = summary.iloc[0]["covered"]
    assert 0 < target < 1
    tuned = summary[summary["tuned"]]
    assert len(tuned) == 3
    assert (tuned["covered"] >= target - 1e-12).all(), "the same share, added up in another order"


def test_dated_stock_that_hardly_moves_is_thrown_away(unit, item_choice, ample):
    items = unit.items.assign(shelf_life_days=365.0)
    result = simulate(replace(unit, items=items), item_choice, par_plan(unit, ample), years=2, replications=4)
    rows = result.items.set_index("item")
    slow = rows.loc["scissors"]
    assert slow["expired_units"] == pytest.approx(slow["par_units"] - slow["use_per_year"], rel=0.1)
    assert rows.loc["wipe-prep", "expired_units"] == 0


def test_steps_are_days_where_they_can_be(unit):
    assert stock_clock(unit).steps_per_day == 1
    odd = replace(unit, stock=StockPolicy(3.5, 1.25, 0.95))
    clock = stock_clock(odd)
    assert (clock.step_checks, clock.review_steps, clock.lead_steps) == (1, 14, 5)


def test_items_side_by_side_share_the_uses(unit, item_choice):
    issued = play_issues(unit, item_choice, 365, 16, 1, "gloves", fit_posterior(unit))
    names = unit.items["item"].tolist()
    small, medium = (issued[:, :, names.index(n)].sum() for n in ("gloves-small", "gloves-medium"))
    saline = issued[:, :, names.index("saline-5")].sum()
    assert small + medium == 2 * saline
    assert small / (small + medium) == pytest.approx(0.5, abs=0.01)


def test_kits_topped_up_less_often_take_the_same_in_the_end(unit, item_choice):
    daily = play_issues(unit, item_choice, 400, 8, 1, "kits", fit_posterior(unit))
    later = play_issues(
        replace(unit, bedside=replace(unit.bedside, restock_hours=72)), item_choice, 400, 8, 1, "kits",
        fit_posterior(unit),
    )
    assert later.sum() == pytest.approx(daily.sum(), rel=0.02)
    assert ((later[:, :, 3] > 0).any(axis=1)).sum() <= 400 // 3 + 1, "issues on restock days only"


def test_tuning_finds_the_smallest_factor():
    each = rules(np.full((10, 1, 1), 8.0) + np.arange(10)[:, None, None], 5, np.array([0.0]))
    times_mean = next(iter(each.values()))[0]
    found = tune([times_mean], lambda par: (par[:, 0] >= 25).astype(float), 1.0)
    assert times_mean(found[0]).item() == 25
    assert times_mean(found[0] - 1e-3).item() < 25
    assert tune([times_mean], lambda par: np.zeros(1), 0.5) == [None]


def test_intervals_widen_when_replications_differ():
    same = np.tile([True] * 9 + [False], (20, 10))
    apart = np.repeat([[True]] * 18 + [[False]] * 2, 100, axis=1)
    assert share_interval(same)[0] == pytest.approx(share_interval(apart)[0]) == pytest.approx(0.9)
    narrow, wide = share_interval(same), share_interval(apart)
    assert wide[2] - wide[1] > narrow[2] - narrow[1]


def test_a_share_never_seen_is_as_sure_as_its_neighbours_allow():
    """64 copies of 208 intervals without one shortage: not "up to 5.7 %" beside an item known to 0.1 %."""
    never = np.zeros(64)
    alone, beside = share_interval_of_means(never, 208), share_interval_of_means(never, 208, 64 * 208 / 3)
    assert alone[2] == pytest.approx(0.0566, abs=1e-4)
    assert beside[2] == pytest.approx(3.841 / (64 * 208 / 3 + 3.841), rel=1e-3)


def test_windows_lie_back_to_back():
    issued = np.arange(20).reshape(10, 2, 1)
    assert [w.sum() for w in windows(issued, 4)] == [issued[:4].sum(), issued[4:8].sum()]
