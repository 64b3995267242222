"""Bedside kits: what few designs cost, how sure the bound is, how long many strata take, what rolls waste.

    python tests/bench/bench_kits.py

Costs and shares repeat on any machine; seconds do not.
"""

from __future__ import annotations

import dataclasses
import itertools
import time

import numpy as np
import pandas as pd

from kitplan.demand.item_choice import attempt_tables
from kitplan.parts.kits.contents import choose_kit_items
from kitplan.parts.kits.groups import PriceList
from kitplan.parts.kits.model import KitPlan
from kitplan.parts.kits.model import solve_kits as tell_kits
from kitplan.parts.kits.partition import design_curve
from kitplan.parts.kits.requirements import KitNeeds, kit_needs
from kitplan.parts.kits.slots import build_slots
from kitplan.parts.work import Basis, Work
from kitplan.read.unit import load_unit
from kitplan.read.values import Unit
from kitplan.resources import config_file, sample_units
from tests.millimetres import in_millimetres

LONG_ROLL = "914cm"


def samples() -> None:
    """Cost a month of one design, the chosen ones and one each; and of an item choice of twice the mean."""
    print("| unit | kinds | one design | chosen | one each | gap | twice the mean | its chance to last | ours |")
    for name, path in sample_units().items():
        unit = load_unit(path)
        plan = solve_kits(unit)
        needs = kit_needs(unit, attempt_tables(unit))
        free = dataclasses.replace(unit, bedside=dataclasses.replace(unit.bedside, container_litres=None))
        curve = _curve(free, needs, unit.n_strata)
        chosen = plan.curve[plan.curve["note"] == "chosen"].iloc[0]
        double = _twice_the_mean(needs)
        k = int(chosen["designs"])
        doubled = _curve(free, double, k)[k - 1]
        print(
            f"| {name} | {unit.n_strata} | {curve[0].cost:,.0f} | {k}: {chosen['monthly_cost']:,.0f} |"
            f" {curve[-1].cost:,.0f} | {chosen['gap']:.1e} | {doubled.cost:,.0f} | {_lasting(double).min():.1%} |"
            f" {_lasting(needs).min():.1%} |"
        )


def solve_kits(unit: Unit) -> KitPlan:
    basis = Basis(unit, lambda _: None)
    return tell_kits(Work(unit, unit.planning.seed, basis, basis.item_choice))


def _curve(unit: Unit, needs: KitNeeds, most: int):
    slots = build_slots(unit, needs, choose_kit_items(unit, needs))
    return design_curve(slots, unit.bedside.container_litres, most, 60.0)


def _twice_the_mean(needs: KitNeeds) -> KitNeeds:
    mean = np.array([u.kit_attempts @ np.arange(len(u.kit_attempts)) for u in needs.use])
    return dataclasses.replace(needs, re_secures=np.maximum(np.round(2 * mean), 1).astype(np.int64))


def _lasting(needs: KitNeeds) -> np.ndarray:
    """Chance of each stratum that its kit lasts one restock interval."""
    return np.array([u.kit_attempts[: m + 1].sum() for u, m in zip(needs.use, needs.re_secures)])


def many_strata() -> None:
    """Seconds and gaps for 8, 16 and 40 strata drawn from every size, route, recipe and skin (invented)."""
    print("\n| kinds | items | whole curve | K = 2 | K = 4 | K = 6 | K = n |")
    for count in (8, 16, 40):
        unit = invented(count)
        tables = attempt_tables(unit)
        started = time.perf_counter()
        needs = kit_needs(unit, tables)
        slots = build_slots(unit, needs, choose_kit_items(unit, needs))
        filled = time.perf_counter() - started
        started = time.perf_counter()
        curve = design_curve(slots, None, count, 60.0, wanted=4)
        took = time.perf_counter() - started
        told = " | ".join(f"{curve[k - 1].cost:,.0f}, gap {curve[k - 1].gap:.2%}" for k in (2, 4, 6, count))
        print(f"| {count} | {filled:.1f} s | {took:.1f} s | {told} |")


def invented(count: int, seed: int = 0) -> Unit:
    """A unit of so many strata: the newborn sample's policy on a snapshot of made-up airways."""
    base = load_unit(sample_units()["mill_lane"])
    face = pd.read_csv(config_file("face.csv"))
    kinds = [
        (route, mm, recipe, skin)
        for route, recipe in (("oral", "oral_two_y"), ("nasal", "nasal_two_y"), ("oral", "oral_h_and_y"),
                              ("oral", "ties_two"))
        for skin, mm in itertools.product(("none", "barrier"), np.arange(2.0, 10.1, 0.5))
    ]
    draw = np.random.default_rng(seed)
    rows = [kinds[k] for k in sorted(draw.choice(len(kinds), count, replace=False))]
    strata = pd.DataFrame(rows, columns=["route", "tube_mm", "technique", "skin"])
    strata["patient_kg"], strata["outer_mm"] = np.nan, 1.35 * strata["tube_mm"]
    strata["label"] = [" ".join(map(str, row)) for row in rows]
    band = [face[(face["tube_from_mm"] <= mm) & (face["tube_to_mm"] >= mm)].iloc[0] for mm in strata["tube_mm"]]
    for column in ("span_mid_cheek_mm", "span_tragus_mm", "barrier_width_mm", "barrier_length_mm"):
        strata[column] = [float(b[column]) for b in band]
    frequency = pd.concat([base.frequency.iloc[:1]] * count, ignore_index=True)
    frequency["loosening_scale_hours"] = draw.choice([40.0, 70.0, 100.0], count)
    present = pd.DataFrame({"stratum": range(count), "airways": draw.integers(1, 5, count)})
    census = dataclasses.replace(base.census, rows=present, expected=base.census.expected.iloc[:0])
    strata = in_millimetres(strata).assign(face_for="", face_own=False)
    return dataclasses.replace(base, strata=strata, frequency=frequency, census=census)


def rolls() -> None:
    """Each airway's best roll against one 9.14 m roll each: share thrown away and money a month."""
    print("\n| unit | best thrown away | best a month | 9.14 m thrown away | 9.14 m a month | one length for all |")
    for name, path in sample_units().items():
        unit = load_unit(path)
        single = solve_kits(unit).opened.single
        tape = single[single["role"] == "tape"]
        best = tape.iloc[0]
        able = tape[tape["serves"] == tape["strata"]]
        long = able[able["item"].str.contains(LONG_ROLL)].sort_values("monthly_cost").iloc[0]
        one = able[able["item"] != best["item"]].sort_values("monthly_cost").iloc[0]
        print(
            f"| {name} | {best['discarded_share']:.1%} | {best['monthly_cost']:.2f} | {long['discarded_share']:.1%} |"
            f" {long['monthly_cost']:.2f} | {one['item']}: {one['monthly_cost']:.2f}, {one['discarded_share']:.1%} |"
        )


def evaluation() -> None:
    """Groups evaluated a second: the inner loop of the search."""
    unit = invented(16)
    needs = kit_needs(unit, attempt_tables(unit))
    slots = build_slots(unit, needs, choose_kit_items(unit, needs))
    groups = (np.arange(1, 2**16)[:, None] >> np.arange(16) & 1).astype(bool)
    started = time.perf_counter()
    PriceList(slots).costs(groups)
    print(f"\n{len(groups) / (time.perf_counter() - started):,.0f} groups a second, 16 kinds, {len(slots)} places")


if __name__ == "__main__":
    samples()
    many_strata()
    rolls()
    evaluation()
