"""Plan worlds of known truth and judge the plans by their true futures: what is claimed, what is true, at what price.

    python tests/bench/worlds/measure.py [--copies 1] [--only stays-6] [--burst-weeks 1] [--grown 1] [--out rows.csv]

A plan is made by the command that people use and read from the files that it writes. Prints one line a cell; --out
keeps one line a world.
"""

from __future__ import annotations

import argparse
import io
import json
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import world as truth

COLUMNS = ["world", "shape", "months", "burst", "swing", "knowledge", "rate", "claimed", "low", "high", "true",
           "value", "seconds"]


def plan_levels(folder: Path, readiness: float | None = None) -> tuple[np.ndarray, dict]:
    """Return the par levels (single items, in the order of truth.NAMES) and plan.json of a unit's folder."""
    from kitplan.cli import main

    with tempfile.TemporaryDirectory() as out:
        asked = [] if readiness is None else ["--readiness", str(readiness)]
        words = io.StringIO()
        try:
            with redirect_stdout(words), redirect_stderr(words):
                main(["par", str(folder), "--out", out, *asked], standalone_mode=False)
        except SystemExit as end:
            if end.code:
                raise RuntimeError(words.getvalue()) from end
        table = pd.read_csv(Path(out) / "tables" / "par_levels.csv").set_index("item")
        said = json.loads((Path(out) / "plan.json").read_text(encoding="utf-8"))
    return table["par_units"].reindex(truth.NAMES).fillna(0).to_numpy(int), said


def judge(world: truth.World, years: float = 400.0) -> dict[str, object]:
    """Plan one world and return its row."""
    with tempfile.TemporaryDirectory() as folder:
        world = truth.write_unit(world, Path(folder))
        started = time.perf_counter()
        level, said = plan_levels(Path(folder))
        seconds = time.perf_counter() - started
    ready = said["readiness"]
    return {
        "world": world.name, "shape": world.shape, "months": world.months, "burst": world.burst,
        "swing": world.swing, "knowledge": world.knowledge, "rate": world.rate,
        "claimed": 100 * ready["verified"], "low": 100 * ready["low"], "high": 100 * ready["high"],
        "true": 100 * truth.future(world, years).ready(level), "value": truth.mean_value(level), "seconds": seconds,
    }


def cells(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a cell: shape and length, then each other way to divide the worlds."""
    rows = rows.assign(history=rows["shape"] + " " + rows["months"].map("{:g}".format), all="all")
    parts = []
    for by in (["all"], ["history"], ["knowledge"], ["burst"], ["swing"], ["history", "knowledge"]):
        for key, cell in rows.groupby(by, sort=False):
            held = (cell["low"] <= cell["true"]) & (cell["true"] <= cell["high"])
            parts.append({
                "cell": " ".join(f"{name}={value}" for name, value in zip(by, key)), "worlds": len(cell),
                "claimed": cell["claimed"].mean(), "true_mean": cell["true"].mean(),
                "true_se": cell["true"].std() / np.sqrt(len(cell)), "true_lowest": cell["true"].min(),
                "spread": cell["true"].std(), "range_holds": 100 * held.mean(), "value": cell["value"].mean(),
                "seconds": cell["seconds"].mean(),
            })
    return pd.DataFrame(parts)


def main_measure() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--copies", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    parser.add_argument("--burst-weeks", type=int, default=1, help="weeks on end that a burst holds")
    parser.add_argument("--grown", type=float, default=1.0, help="times as many in the last four months as before")
    parser.add_argument("--procs", type=int, default=1)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    worlds = [replace(w, burst_weeks=asked.burst_weeks, grown=asked.grown) for w in truth.grid(asked.copies, asked.seed)
              if asked.only in w.name]
    if asked.procs == 1:
        found = [judge(world) for world in worlds]
    else:
        with ProcessPoolExecutor(asked.procs) as pool:
            found = list(pool.map(judge, worlds))
    rows = pd.DataFrame(found, columns=COLUMNS)
    if asked.out:
        rows.to_csv(asked.out, index=False)
    print(cells(rows).to_string(index=False, float_format=lambda x: f"{x:.2f}"))


if __name__ == "__main__":
    main_measure()
