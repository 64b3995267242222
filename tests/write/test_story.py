"""The result in three sentences."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from kitplan.parts.par.summary import look_first, percent, three_sentences
from kitplan.parts.par.values import Readiness
from kitplan.read.money import money
from kitplan.read.values import READINESS


def test_the_three_sentences_say_cost_readiness_and_what_to_look_at(plan):
    cost, ready, look = three_sentences(plan)
    held = plan.par.levels[plan.par.levels["par_packs"] > 0]
    assert f"never more than {plan.par.value:,.0f} USD" in cost
    assert f"{len(held)} items worth {plan.par.mean_value:,.0f} USD on the mean" in cost
    assert f"98.1 % is {READINESS} (9 days)" in ready
    assert "meets the target of 98.0 %" in ready
    assert look.startswith("Look first")


def test_readiness_below_the_target_is_not_hidden(plan_maker, par_maker):
    low = Readiness(0.98, 0.981, 0.975, 0.973, 0.977, 20000)
    assert "misses the target of 98.0 %" in three_sentences(plan_maker(par=par_maker(readiness=low)))[1]


def test_a_limit_that_binds_comes_first(plan_maker, par_maker):
    par = par_maker(answer="limited", binding=("needs 38 L more shelf, or readiness 96.1 %",))
    assert look_first(plan_maker(par=par)) == (
        "Look first at your limits: needs 38 L more shelf, or readiness 96.1 %.")


def test_a_present_par_under_an_emergency_floor_comes_before_warnings(plan, plan_maker):
    items = plan.unit.items
    held = pd.DataFrame({"item": items.loc[items["critical"], "item"], "par_packs": 0.4})
    unit = replace(plan.unit, present_par=held, items=items.assign(pack=5, min_stock=3.0))
    told = look_first(plan_maker(unit=unit))
    assert told.startswith("Look first at emergency equipment: ")
    assert "present par of 2, under its floor of 3, and so have " in told
    enough = replace(unit, present_par=unit.present_par.assign(par_packs=0.6))
    assert "present par of" not in look_first(plan_maker(unit=enough)), "three of a pack of five are no less than three"


def test_without_warnings_the_largest_change_of_a_par_comes_first(plan, plan_maker):
    present = plan.par.levels[["item", "par_packs"]].copy()
    present.loc[2, "par_packs"] = 0
    told = look_first(plan_maker(unit=replace(plan.unit, warnings=(), present_par=present)))
    assert told == ("Look first at Cloth tape 12.5 mm x 9.14 m: your par of 0 is 72 under what the plan wants (72).")


def test_without_anything_else_the_tightest_item_comes_first(plan, plan_maker):
    told = look_first(plan_maker(unit=replace(plan.unit, warnings=())))
    assert "the item most likely to run short (0.24 % of intervals)" in told


def test_percent_never_rounds_up_to_certainty():
    assert percent(0.99999) == "99.9 %"
    assert percent(1.0) == "100.0 %"
    assert percent(0.9806) == "98.1 %"


def test_money_shows_cents_only_where_they_matter():
    assert money(1234.5, "USD") == "1,234 USD"
    assert money(12.5, "USD") == "12.50 USD"
