"""What the same true readiness costs by other ways: rules of thumb at their best, and another version of the program.

    python tests/bench/worlds/rules.py [--only stays-18] [--other CHECKOUT]

Every rule knows the true mean, spread and quantiles of use (from a future of its own, as long as the one it is judged
by) and its factor is tuned until it is as ready as the plan, in truth. The other version plans at several targets;
its value is read off at the plan's true readiness. Prints money on the shelf and on order over the plan's.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))
import measure
import world as truth

OTHER_TARGETS = (0.9, 0.95, 0.97, 0.98, 0.99, 0.995, 0.998)
Rule = Callable[[float], np.ndarray]


def rules(world: truth.World) -> dict[str, Rule]:
    """Name -> levels by factor, from the truth."""
    known = truth.future(world, seed=world.seed + 1).interval.reshape(-1, len(truth.NAMES))
    mean, spread, ranked = known.mean(axis=0), known.std(axis=0), np.sort(known, axis=0)

    def quantile(factor: float) -> np.ndarray:
        return ranked[min(int(len(ranked) * (1 - np.exp(-factor))), len(ranked) - 1)]

    return {
        "k x mean": lambda k: np.ceil(k * mean).astype(int),
        "mean + z sd": lambda z: np.ceil(mean + z * spread).astype(int),
        "same quantile for each": quantile,
    }


def tuned(rule: Rule, future: truth.Future, wanted: float) -> float:
    """Value of the least factor that is as ready as wanted."""
    low, high = 0.0, 30.0
    for _ in range(25):
        middle = (low + high) / 2
        low, high = (low, middle) if future.ready(rule(middle)) >= wanted else (middle, high)
    return truth.mean_value(rule(high))


def other_value(folder: Path, checkout: Path, future: truth.Future, wanted: float) -> float:
    """Value at which another version of the program is as ready as wanted, between its plans for OTHER_TARGETS."""
    ready, value = [], []
    for target in OTHER_TARGETS:
        with tempfile.TemporaryDirectory() as out:
            subprocess.run(
                [sys.executable, "-m", "kitplan.cli", "par", str(folder), "--out", out, "--readiness", str(target)],
                env={**os.environ, "PYTHONPATH": str(checkout)}, check=True, capture_output=True, cwd=out,
            )
            table = pd.read_csv(Path(out) / "tables" / "par_levels.csv").set_index("item")
        level = table["par_units"].reindex(truth.NAMES).fillna(0).to_numpy(int)
        ready.append(future.ready(level))
        value.append(truth.mean_value(level))
    order = np.argsort(ready)
    odds = np.log(np.array(ready)[order] / (1 - np.array(ready)[order]))
    at = np.log(wanted / (1 - wanted))
    return float(np.interp(at, odds, np.array(value)[order])) if odds[0] <= at <= odds[-1] else np.nan


def row(world: truth.World, other: Path | None) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        world = truth.write_unit(world, folder)
        level, _ = measure.plan_levels(folder)
        future = truth.future(world)
        wanted, value = future.ready(level), truth.mean_value(level)
        found = {"true": 100 * wanted, "value": value}
        found |= {name: tuned(rule, future, wanted) / value for name, rule in rules(world).items()}
        if other is not None:
            found["other version"] = other_value(folder, other, future, wanted) / value
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="")
    parser.add_argument("--copies", type=int, default=1)
    parser.add_argument("--other", type=Path)
    asked = parser.parse_args()
    worlds = [w for w in truth.grid(asked.copies) if asked.only in w.name]
    rows = pd.DataFrame([row(w, asked.other) for w in worlds], index=[w.name for w in worlds])
    print(rows.to_string(float_format=lambda x: f"{x:.3f}"))
    print(rows.mean().to_string(float_format=lambda x: f"{x:.3f}"))


if __name__ == "__main__":
    main()
