"""The whole road: properties that a person relies on when she changes one number and plans again."""

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.par.model import packing_of
from kitplan.planning import plan_unit
from kitplan.read.values import Census, StockPolicy

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})


def par_of(unit, seed=1):
    return plan_unit(unit, seed=seed, parts={"par"}).par


def snapshot(*airways):
    rows = pd.DataFrame({"stratum": np.arange(len(airways)), "airways": airways})
    return Census("snapshot", rows, None, None, 6.0, 1.0, NOBODY)


def test_more_readiness_never_costs_less(unit_maker):
    values = [par_of(unit_maker(stock=StockPolicy(7, 2, r))).value for r in (0.80, 0.90, 0.95, 0.98)]
    assert values == sorted(values)


@pytest.mark.parametrize("stratum", [0, 1, 2])
def test_one_more_airway_never_lowers_a_par(unit_maker, stratum):
    """Same seed, same scenarios: the other airways keep their draws, so only demand is added.

    The cheapest joint plan may still hold a pack less of one item where others hold more (DEVELOPERS.md)."""
    airways = [4, 2, 3]
    before = par_of(unit_maker(census=snapshot(*airways)))
    airways[stratum] += 1
    after = par_of(unit_maker(census=snapshot(*airways)))
    gained = after.levels["par_packs"].to_numpy() - before.levels["par_packs"].to_numpy()
    assert after.mean_value > before.mean_value
    assert gained.min() >= -1
    assert gained.sum() > 0


def test_scaling_prices_scales_the_value_and_keeps_the_par(unit_maker, small_unit):
    dearer = small_unit.items.assign(price=small_unit.items["price"] * 8)
    one, eight = par_of(small_unit), par_of(unit_maker(items=dearer))
    assert eight.value == pytest.approx(8 * one.value)
    assert eight.readiness.verified >= 0.95 - 0.01


def test_the_order_of_the_catalogue_changes_nothing(unit_maker, small_unit):
    turned = small_unit.items.iloc[::-1].reset_index(drop=True)
    one = par_of(small_unit)
    two = par_of(unit_maker(items=turned))
    assert two.value == pytest.approx(one.value)
    levels = two.levels.set_index("item")["par_packs"]
    assert levels.loc[one.levels["item"]].tolist() == one.levels["par_packs"].tolist()


def test_the_same_unit_and_seed_give_the_same_plan(small_unit):
    one, two = par_of(small_unit, seed=5), par_of(small_unit, seed=5)
    pd.testing.assert_frame_equal(one.levels, two.levels)
    pd.testing.assert_frame_equal(one.frontier, two.frontier)
    assert one.readiness == two.readiness


def test_the_verified_readiness_is_what_a_fresh_sample_shows(small_unit):
    """The reported interval is about scenarios that neither the plan nor its verification saw."""
    from kitplan.demand.scenarios import draw_demand

    plan = plan_unit(small_unit, seed=1, parts={"par"})
    par_units = plan.par.levels["par_units"].to_numpy()
    fresh = draw_demand(small_unit, plan.item_choice, 9, 40_000, 99, "nobody saw this")
    met = (packing_of(small_unit.items).needed(fresh.units, 99, "nobody saw this") <= par_units).all(axis=1).mean()
    assert abs(met - plan.par.readiness.verified) < 4 * np.sqrt(0.95 * 0.05 * (1 / 40_000 + 1 / 4_000))


@pytest.mark.parametrize(("share", "answer"), [(0.15, "unsafe"), (0.85, "limited")])
def test_emergency_equipment_stays_whatever_the_budget(unit_maker, share, answer):
    """A budget takes tape and wipes away before a mask or a bag; less than the emergency equipment is refused."""
    free = par_of(unit_maker(stock=StockPolicy(7, 2, 0.95)))
    plan = par_of(unit_maker(stock=StockPolicy(7, 2, 0.95, budget=share * free.value)))
    levels = plan.levels.set_index("item")
    assert plan.answer == answer
    assert plan.binding
    alone = plan_unit(unit_maker(), seed=1, parts=set()).expected.set_index("item")["expected_units"]
    for item, floor in (("mask-42", 2), ("mask-60", 2), ("bag-450", 1)):
        assert levels.loc[item, "par_units"] >= max(floor, alone[item])
        assert levels.loc[item, "shortage_chance"] <= 0.055, "it lasts on its own as the target asks"


@pytest.mark.parametrize("readiness", [0.5, 0.7])
def test_a_low_target_is_planned_with_a_proven_gap_of_half_a_percent(readiness):
    """Nearly every scenario falls short of something then: the program is large, and cuts bound it (`closure`)."""
    from dataclasses import replace

    from kitplan.read.unit import load_unit
    from kitplan.resources import sample_units

    unit = load_unit(sample_units()["harbour_wing"])
    unit = replace(unit, stock=replace(unit.stock, readiness=readiness))
    par = par_of(unit)
    assert par.readiness.verified >= readiness
    assert par.solver.lp_bound <= par.solver.bound <= par.solver.objective
    assert par.solver.gap <= 0.005
