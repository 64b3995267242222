"""A hand-made plan for the 45 shipped items: numbers chosen by the tests, nothing computed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.values import ItemChoice
from kitplan.parts.par.values import ParPlan, Readiness
from kitplan.planning import Plan, plan_number
from kitplan.read.problems import Problem
from kitplan.read.values import Assumption, StockPolicy, Unit
from kitplan.resources import config_file
from kitplan.solve.values import SolverReport
from tests.millimetres import fits_in_millimetres

PARTS = ("par", "kits", "audit", "order", "seasons", "rates", "forecast", "training", "changes")
NUMBERS = ("contains", "pack", "price", "litres", "fits_from_mm", "fits_to_mm", "min_bedside", "min_stock", "share")


def shipped_items() -> pd.DataFrame:
    items = pd.read_csv(config_file("items.csv"), dtype={"gtin": str})
    for name in NUMBERS:
        items[name] = items[name].astype(float)
    for flag in ("critical", "sterile"):
        items[flag] = items[flag].astype(str).str.lower() == "yes"
    items["counted"] = "items"
    for name in ("description", "bin", "gtin"):
        items[name] = items[name].fillna("")
    return fits_in_millimetres(items)


def make_levels(items: pd.DataFrame) -> pd.DataFrame:
    count = len(items)
    packs = np.where(np.arange(count) % 5 == 3, 0, 1 + np.arange(count) % 7)
    packs = np.where(items["critical"], np.maximum(packs, 4), packs)
    pack = items["pack"].astype(int)
    levels = pd.DataFrame({
        "item": items["item"], "description": items["description"], "role": items["role"], "par_packs": packs,
        "par_units": packs * pack, "pack": pack, "expected_units": 0.55 * packs * pack,
        "shortage_chance": np.where(packs > 0, 0.0004 * (1 + np.arange(count) % 6), 0.0),
        "value": packs * items["price"], "litres": packs * items["litres"],
        "floor_packs": np.where(items["critical"], 3, 0),
        "largest_units": np.where(packs > 0, (packs + 1) * pack - 1, 0),
        "mean_value": np.where(packs > 0, (packs + (pack - 1) / 2 / pack) * items["price"], 0.0),
    })
    levels["because"] = [
        f"Expected use {use:.1f} in 9 days; {par} cover all but {chance:.2%} of intervals, in packs of {size}."
        for use, par, chance, size in zip(
            levels["expected_units"], levels["par_units"], levels["shortage_chance"], levels["pack"])
    ]
    return levels


def make_par(items: pd.DataFrame, **changes: object) -> ParPlan:
    levels = make_levels(items)
    value, litres = float(levels["value"].sum()), float(levels["litres"].sum())
    frontier = pd.DataFrame({
        "target": [0.9, 0.95, 0.97, 0.98, 0.99, 0.995],
        "readiness": [0.902, 0.951, 0.972, 0.981, 0.99, 0.995],
        "mean_value": [0.9 * value * f for f in (0.78, 0.88, 0.95, 1.0, 1.12, 1.3)],
        "value": [value * f for f in (0.78, 0.88, 0.95, 1.0, 1.12, 1.3)],
        "litres": [litres * f for f in (0.8, 0.89, 0.95, 1.0, 1.1, 1.25)],
    })
    prices = pd.DataFrame({"limit": ["readiness"], "price": [61.0],
                           "sentence": ["one more point of readiness costs about 61 USD of stock."]})
    values = {
        "levels": levels, "readiness": Readiness(0.98, 0.9806, 0.9812, 0.9793, 0.983, 20000),
        "value": value, "mean_value": float(levels["mean_value"].sum()), "litres": litres,
        "solver": SolverReport("HiGHS", "optimal", value, value * 0.998, value, 0.0, 0.4),
        "frontier": frontier, "prices": prices,
    } | changes
    return ParPlan(**values)  # type: ignore[arg-type]


def make_plan(base: Unit, **changes: object) -> Plan:
    items = shipped_items()
    unit = replace(
        base, name="Invented unit, 24 beds", items=items, stock=StockPolicy(7, 2, 0.98, 400.0, 6000.0),
        checksums={"unit.toml": "ab" * 32, "census.csv": "cd" * 32},
        assumptions=(
            Assumption("Frequency", "checks_per_day", "4", "checks a day", "[CP] common practice, no source"),
            Assumption("Frequency", "loosening_scale_hours", "70", "hours", "this unit's unit.toml"),
            Assumption("Stock", "readiness", "0.98", "", "this unit's unit.toml"),
        ),
        warnings=(
            Problem("census.csv", "is a large tube for a patient of 3.2 kg", "Check the size.", row=14,
                    column="tube_mm", value="6.5"),
        ),
    )
    item_choice = make_filling(unit)
    rates = pd.DataFrame({
        "stratum": unit.strata.index, "re_secures_per_day": 0.52, "per_100_airway_days": 52.0, "attempts_per_day": 0.55,
        "share_loose": 0.62, "share_soiled": 0.24, "share_skin": 0.06, "share_moved": 0.08,
        "mean_airways": [4.0, 2.0, 3.0], "counted_per_day": 0.52, "arrivals_per_day": [0.6, 0.3, 0.5],
    })
    results = {"par": make_par(items)} | {name: changes.pop(name) for name in set(changes) & set(PARTS)}
    values = {
        "unit": unit, "seed": 7, "version": "0.1.0", "number": plan_number(unit, 7, "0.1.0"),
        "item_choice": item_choice,
        "airways": rates, "expected": pd.DataFrame({"item": items["item"], "expected_units": 10.0}),
        "results": results,
    } | changes
    return Plan(**values)  # type: ignore[arg-type]


def make_filling(unit: Unit) -> ItemChoice:
    rows = []
    for stratum, tube_mm in zip(unit.strata.index, unit.strata["tube_mm"]):
        fits = ~(unit.items["fits_from_mm"] > tube_mm) & ~(unit.items["fits_to_mm"] < tube_mm)
        for role, group in unit.items[fits].groupby("role", sort=False):
            item = group.iloc[0]
            rows.append({"stratum": stratum, "role": role, "item": item["item"], "scope": item["scope"], "need": 2.0,
                         "items_per_use": 2.0, "uses_per_item": np.nan, "share": 1.0, "cost_per_stay": 1.0,
                         "because": "cheapest of 3 that fit"})
    return ItemChoice(pd.DataFrame(rows), {})


@pytest.fixture
def plan(small_unit: Unit) -> Plan:
    return make_plan(small_unit)


@pytest.fixture
def plan_maker(small_unit: Unit):
    """`make_plan`, for tests that change one thing."""
    return lambda **changes: make_plan(small_unit, **changes)


@pytest.fixture
def par_maker():
    return lambda **changes: make_par(shipped_items(), **changes)
