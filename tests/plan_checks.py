"""What every plan owes, read from the files that it wrote: a list of what is wrong, empty for a good plan."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

SLACK = 1e-6


def faults_of(unit: Path, plan: Path) -> list[str]:
    """Everything wrong with the plan of a unit; both are folders."""
    tables = {p.stem: pd.read_csv(p, encoding="utf-8-sig", keep_default_na=False) for p in plan.glob("tables/*.csv")}
    record = json.loads((plan / "plan.json").read_text(encoding="utf-8"))
    return [
        *_numbers(tables), *_levels(tables["par_levels"]), *_sums(tables, record), *_limits(unit, tables, record),
        *_readiness(record), *_bounds(tables, record), *_bands(tables), *_orders(tables),
    ]


def _numbers(tables: dict[str, pd.DataFrame]) -> Iterator[str]:
    """A figure is a number, or its cell is empty; it never reads nan or inf."""
    for name, frame in tables.items():
        for column in frame.columns[frame.astype(str).isin(["nan", "NaN", "inf", "-inf", "None", "NaT"]).any()]:
            yield f"{name}.{column} holds a number that is none"


def _levels(levels: pd.DataFrame) -> Iterator[str]:
    packed = levels["par_packs"] * levels["pack"]
    for wrong, why in (
        (levels["par_packs"] < levels["floor_packs"], "under its floor"),
        (levels["par_packs"] % 1 != 0, "not whole packs"),
        (packed < levels["par_units"], "packs that do not reach the level"),
        (packed - levels["pack"] >= levels["par_units"].clip(lower=1), "a pack too many"),
        ((levels["shortage_chance"] < 0) | (levels["shortage_chance"] > 1), "a chance beyond 0 to 1"),
    ):
        yield from (f"{item}: {why}" for item in levels["item"][wrong])


def _sums(tables: dict[str, pd.DataFrame], record: dict) -> Iterator[str]:
    for key in ("value", "litres"):
        total = float(tables["par_levels"][key].sum())
        if abs(total - record[key]) > SLACK * max(1.0, total):
            yield f"{key}: the items add up to {total}, the plan says {record[key]}"


def _limits(unit: Path, tables: dict[str, pd.DataFrame], record: dict) -> Iterator[str]:
    stock = tomllib.loads((unit / "unit.toml").read_text(encoding="utf-8")).get("stock", {})
    for key, total in (("shelf_litres", "litres"), ("budget", "value")):
        if key in stock and record[total] > stock[key] * (1 + SLACK):
            yield f"{record[total]} {total} where {key} allows {stock[key]}"


def _readiness(record: dict) -> Iterator[str]:
    ready = record["readiness"]
    edges = [-2 * SLACK, ready["low"] - SLACK, ready["verified"], ready["high"] + SLACK, 1 + 2 * SLACK]
    if edges != sorted(edges):
        yield f"readiness {ready['verified']} outside {ready['low']} to {ready['high']}"
    if record["answer"] == "met" and ready["verified"] < ready["target"]:
        yield f"met at {ready['verified']}, under the target of {ready['target']}"
    if record["answer"] == "limited" and not record["binding"]:
        yield "a target that was not reached without a reason"


def _bounds(tables: dict[str, pd.DataFrame], record: dict) -> Iterator[str]:
    solver = record["solver"]
    if solver["gap"] is not None and solver["gap"] < -SLACK:
        yield f"a gap of {solver['gap']}"
    curve = tables.get("kit_designs_curve")
    if curve is not None:
        cost, bound = (pd.to_numeric(curve[c], errors="coerce") for c in ("monthly_cost", "bound"))
        if (bound > cost + SLACK * (1 + cost.abs())).any():
            yield "a bound on kit designs that is none"
        if (np.diff(cost.dropna()) > SLACK * (1 + cost.dropna().to_numpy()[1:])).any():
            yield "more kit designs that cost more"


def _bands(tables: dict[str, pd.DataFrame]) -> Iterator[str]:
    """Bands lie about their middle in order: low_95_x, low_x, high_x, high_95_x; and any low below its high."""
    for name, frame in tables.items():
        pairs = [(c, c.replace("low", "high")) for c in frame if "low" in c.split("_")]
        pairs += [(c, c.replace("low_95_", "low_")) for c in frame if c.startswith("low_95_")]
        pairs += [(c.replace("high_95_", "high_"), c) for c in frame if c.startswith("high_95_")]
        for lower, upper in pairs:
            if upper in frame:
                low, high = (pd.to_numeric(frame[c], errors="coerce") for c in (lower, upper))
                if (low > high + SLACK * (1 + high.abs())).any():
                    yield f"{name}: {lower} above {upper}"


def _orders(tables: dict[str, pd.DataFrame]) -> Iterator[str]:
    lines = tables.get("order")
    if lines is None:
        return
    reached = lines["cover_units"] + lines["on_order_units"] + lines["order_packs"] * lines["pack"]
    uncounted = lines["because"].str.contains("not counted|cannot be had|no count")
    for wrong, why in (
        ((lines["order_packs"] < 0) | (lines["order_packs"] % 1 != 0), "not whole packs ordered"),
        ((reached < lines["par_units"]) & ~uncounted, "an order that does not reach the level"),
    ):
        yield from (f"order of {item}: {why}" for item in lines["item"][wrong])
