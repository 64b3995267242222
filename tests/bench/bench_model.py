"""Building and solving the par program by size.

    python tests/bench/bench_model.py [--items 15 30 60 120] [--scenarios 5000 20000 80000]

Demand is invented: items move together with how busy a scenario is (correlation about 0.5), mean use 1 to
300, packs of 1 to 100. Seconds are for par levels at one readiness, verification included, the frontier left
out; gap is the program's own proven gap; the last column is the value of per-item safety stock (each item
the same chance) tuned to the same readiness.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np
import pandas as pd

from kitplan.demand.values import Demand
from kitplan.parts.par.model import solve_par
from kitplan.read.unit import load_unit
from kitplan.read.values import Unit
from kitplan.resources import sample_units


def invented_unit(n_items: int, seed: int) -> Unit:
    """The small sample with a catalogue of n_items invented items without floors."""
    rng = np.random.default_rng(seed)
    unit = load_unit(sample_units()["mill_lane"])
    row = unit.items.iloc[0]
    items = pd.DataFrame([row] * n_items).reset_index(drop=True)
    items["item"] = [f"item_{k:03d}" for k in range(n_items)]
    items["pack"] = rng.choice([1, 5, 10, 25, 50, 100], n_items).astype(float)
    items["price"] = rng.uniform(2, 60, n_items).round(2)
    items["litres"] = rng.uniform(0.2, 4, n_items).round(1)
    items[["min_bedside", "min_stock"]] = 0.0
    items["critical"] = False
    stock = replace(unit.stock, shelf_litres=None, budget=None)
    return replace(unit, items=items, stock=stock)


def invented_demand(unit: Unit, n_scenarios: int, seed: int) -> Demand:
    """Poisson use around a mean that is shared by all items of a scenario."""
    n_items = len(unit.items)
    mean = np.exp(np.random.default_rng(0).uniform(0, np.log(300), n_items))
    rng = np.random.default_rng([seed, n_scenarios])
    busy = rng.gamma(1 / 0.3**2, 0.3**2, (n_scenarios, 1))
    units = rng.poisson(mean * busy).astype(np.int32)
    return Demand(tuple(unit.items["item"]), units, np.zeros((n_scenarios, 1), np.int32), 9.0, seed, "bench")


def per_item_value(unit: Unit, plan: Demand, verify: Demand, target: float) -> float:
    """Value of the cheapest common per-item chance whose joint readiness reaches `target` on `verify`."""
    pack, price = unit.items["pack"].to_numpy(float), unit.items["price"].to_numpy(float)
    low, high, value = target, 1.0, np.inf
    for _ in range(25):
        chance = (low + high) / 2
        packs = np.ceil(np.quantile(plan.units, chance, axis=0) / pack)
        if (verify.units <= packs * pack).all(axis=1).mean() >= target:
            high, value = chance, float(packs @ price)
        else:
            low = chance
    return value


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--items", type=int, nargs="+", default=[15, 30, 60, 120])
    parser.add_argument("--scenarios", type=int, nargs="+", default=[5_000, 20_000, 80_000])
    given = parser.parse_args()
    head = ("items", 6), ("scenarios", 10), ("readiness", 10), ("seconds", 9), ("gap", 8), ("verified", 9), ("value", 9)
    print("".join(f"{text:>{width}}" for text, width in head) + " per item")
    for n_items in given.items:
        unit = invented_unit(n_items, 1)
        for n_scenarios in given.scenarios:
            demand, verify = (invented_demand(unit, n_scenarios, s) for s in (1, 2))
            for target in (0.95, 0.99):
                began = time.perf_counter()
                par = solve_par(unit, demand, verify, readiness=target, frontier=False)
                seconds = time.perf_counter() - began
                other = per_item_value(unit, demand, verify, par.readiness.verified)
                print(
                    f"{n_items:>6}{n_scenarios:>10,}{target:>10.2f}{seconds:>9.2f}{par.solver.gap:>8.3%}"
                    f"{par.readiness.verified:>9.4f}{par.value:>9,.0f}{other:>9,.0f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
