"""How good and how fast cut plans are: run with `python tests/bench/bench_cutting.py`; results are in README.md.

1. 200 random instances: rolls above the ceiling of the bound, seconds.
2. A class of 60 learners with 12 piece lengths: seconds, waste, against two rules of thumb.
3. The sample classes: waste against the same rules.
4. 500 random classes (of tests/solve/test_cutting.py): money and rolls against longest piece first and the bound.
"""

from __future__ import annotations

import argparse
import math
import statistics
import sys
import time

import numpy as np

from kitplan.parts.training.model import plan_training
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units
from kitplan.solve.cutting import Stock, cut_stock, first_fit_decreasing
from tests.solve.test_cutting import random_class

ROLLS_MM = (1370.0, 1830.0, 4570.0, 9140.0)


def random_instance(seed: int) -> tuple[float, np.ndarray, np.ndarray]:
    """A roll, 2 to 15 lengths from 3 % of it up to a limit drawn between 10 and 80 %, 1 to 60 pieces of each."""
    rng = np.random.default_rng([20261125, seed])
    roll = float(rng.choice(ROLLS_MM))
    longest = rng.uniform(0.10, 0.80)
    lengths = np.unique(np.round(rng.uniform(0.03, longest, rng.integers(2, 16)) * roll, 1))
    return roll, lengths, rng.integers(1, rng.choice([4, 15, 61]), lengths.size)


def random_instances(count: int) -> None:
    above, seconds, greedy_above = [], [], []
    for seed in range(count):
        roll, lengths, demand = random_instance(seed)
        start = time.perf_counter()
        plan = cut_stock(lengths, demand, [Stock("roll", roll)])
        seconds.append(time.perf_counter() - start)
        made = (plan.cuts * plan.plan["count"].to_numpy()[:, None]).sum(axis=0)
        assert made.tolist() == plan.demand.tolist()
        assert plan.ceiling == math.ceil(plan.lp_bound - 1e-6)
        above.append(plan.n_rolls - int(plan.ceiling))
        greedy = first_fit_decreasing(plan.sizes_mm, plan.demand, roll)
        greedy_above.append(sum(n for _, n in greedy) - int(plan.ceiling))
    print(f"{count} random instances, rolls above the ceiling of the bound")
    print(f"  cut plan: most {max(above)}, at the ceiling {above.count(0)} of {count}")
    print(f"  longest piece first: most {max(greedy_above)}, at the ceiling {greedy_above.count(0)} of {count}")
    print(f"  seconds: median {statistics.median(seconds):.3f}, most {max(seconds):.2f}, in all {sum(seconds):.1f}")


def large_class() -> None:
    """60 learners, 12 lengths: each learner 2 goes at 4 practices of 3 pieces, 10 % spare."""
    rng = np.random.default_rng(60)
    lengths = np.sort(np.round(rng.uniform(80, 300, 12), 1))[::-1]
    own, pieces = np.full(12, 2), np.full(12, math.ceil(60 * 2 * 1.1))
    print("60 learners, 12 lengths:", ", ".join(f"{v:g}" for v in lengths), "mm")
    for roll in ROLLS_MM:
        start = time.perf_counter()
        plan = cut_stock(lengths, pieces, [Stock("roll", roll)])
        seconds = time.perf_counter() - start
        greedy = sum(n for _, n in first_fit_decreasing(lengths, pieces, roll))
        each = sum(n for _, n in first_fit_decreasing(lengths, own, roll))
        spare = sum(n for _, n in first_fit_decreasing(lengths, pieces - 60 * own, roll))
        used = float((lengths * pieces).sum())
        told = ", ".join(
            f"{name} {rolls} rolls ({1 - used / (rolls * roll):.1%} waste)"
            for name, rolls in (("cut plan", plan.n_rolls), ("longest first", greedy), ("own rolls", 60 * each + spare))
        )
        print(f"  {roll:g} mm: {told}; ceiling {plan.ceiling:g}, {seconds:.2f} s")
    start = time.perf_counter()
    kinds = [Stock(f"{roll:g}", roll, price, pack) for roll, price, pack in
             zip(ROLLS_MM, (29.0, 35.0, 13.2, 21.6), (50, 50, 12, 12))]
    plan = cut_stock(lengths, pieces, [Stock("past its date", 9140.0, 0.0, 1, 5, first=True), *kinds])
    print(f"  five kinds, packs and own stock: {plan.opened}, {plan.cost:.2f}, {time.perf_counter() - start:.2f} s")


def random_classes(count: int) -> None:
    """How often a plan is dearer, or of more rolls of its one length, than longest piece first; or under the bound."""
    dearer, more, under, saved, seconds = 0, 0, 0, 0, []
    for seed in range(count):
        lengths, demand, rolls = random_class(seed)
        start = time.perf_counter()
        plan = cut_stock(lengths, demand, rolls)
        seconds.append(time.perf_counter() - start)
        under += plan.cost < plan.lp_bound - 1e-6 or bool(plan.short.any())
        opened = {roll.length_mm for roll in rolls if plan.opened[roll.name]}
        least = math.inf
        for roll in (r for r in rolls if r.available is None):
            greedy = sum(n for _, n in first_fit_decreasing(plan.sizes_mm, plan.demand, roll.length_mm))
            least = min(least, -(-greedy // roll.pack) * roll.price)
            more += opened == {roll.length_mm} and plan.n_rolls > greedy
        dearer += plan.cost > least + 1e-6
        saved += plan.cost < least - 1e-6
    print(f"{count} random classes against longest piece first: dearer {dearer}, cheaper {saved}")
    print(f"  more rolls of one length {more}, under the bound {under}")
    print(f"  seconds: median {statistics.median(seconds):.2f}, most {max(seconds):.1f}")


def sample_classes() -> None:
    for name, path in sample_units().items():
        unit = load_unit(path)
        if not unit.classes:
            continue
        start = time.perf_counter()
        training = plan_training(unit, unit.classes)
        seconds = time.perf_counter() - start
        told = "; ".join(
            f"{r['method']}: {r['rolls']} rolls, {r['waste_share']:.1%} waste, {r['value']:.2f}"
            for r in training.comparison.to_dict("records")
        )
        print(f"{name}: {told}; {seconds:.2f} s")


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instances", type=int, default=200)
    parser.add_argument("--classes", type=int, default=500)
    asked = parser.parse_args(arguments)
    random_classes(asked.classes)
    random_instances(asked.instances)
    large_class()
    sample_classes()


if __name__ == "__main__":
    main(sys.argv[1:])
