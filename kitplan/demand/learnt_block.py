"""The learnt model as the unit file takes it: Unit.frequency rows, and a `[resecure]` block of text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from kitplan.demand.resecure import CONSTANT_REASONS, check_hazards, frailty_nodes, hastened, mean_wear_checks
from kitplan.read.values import Unit

if TYPE_CHECKING:
    from kitplan.demand.estimate import Learnt

_NODES = 12
_AGES = 800
_FACTOR_STEP = 0.02
"""Factors are rounded to this step: far inside their doubt, and strata that hardly differ share one model."""
_LEAST_SPREAD = 0.08
"""A smaller spread between airways changes no count by a hundredth and is written as none."""


def learnt_settings(unit: Unit, learnt: Learnt) -> tuple[dict[str, float], np.ndarray]:
    """Keys of the `[resecure]` block, and the hazard factor of each stratum, ndarray (n_strata,).

    With airways followed all come from the fitted curve. With counts only, the constant hazards are events over
    airway-days, and the loosening scale is the one that brings the long-run rate to the unit's own. Planned
    renewals of a unit without planned_hours, and reasons not given, are kept in so that the total use is right.
    """
    days = max(learnt.airway_days, 1e-9)
    events = learnt.reasons.set_index("reason")["events"]
    planned = 0.0 if (unit.frequency["planned_hours"] > 0).any() else float(events["planned"]) / days
    if learnt.curve is not None:
        curve = learnt.curve
        settings = {
            "loosening_scale_hours": curve.scale_hours,
            "loosening_shape": curve.shape,
            **curve.per_day,
            "airway_spread": curve.spread if curve.spread >= _LEAST_SPREAD else 0.0,
        }
        settings["changed_per_day"] += planned
        factor = curve.factor.copy()
    else:
        settings, factor = _from_counts(unit, learnt, planned)
    if learnt.redo is not None:
        settings["redo"] = learnt.redo
    factor[learnt.rates["airway_days"].to_numpy(float) <= 0] = 1.0
    return settings, np.maximum(np.round(factor / _FACTOR_STEP) * _FACTOR_STEP, _FACTOR_STEP)


def _from_counts(unit: Unit, learnt: Learnt, planned: float) -> tuple[dict[str, float], np.ndarray]:
    days = learnt.airway_days
    events = learnt.reasons.set_index("reason")["events"].astype(float)
    default = unit.frequency.mean()
    stated = float(events[["loose", *CONSTANT_REASONS]].sum())
    scaled_up = 1.0 + float(events["other"]) / stated if stated else 1.0
    settings = {name: float(events[reason]) * scaled_up / days for reason, name in CONSTANT_REASONS.items()}
    settings["changed_per_day"] += planned
    target = learnt.events / days
    row = default.to_dict() | settings | {"flat_per_check": np.nan}
    row["loosening_shape"] = max(float(default["loosening_shape"]), 1.0)
    scale = _scale_for(row, unit.checks_per_day, target)
    row["loosening_scale_hours"] = scale
    grid = np.exp(np.linspace(-2.5, 2.5, 31))
    ratio = np.array([rate_of(hastened(pd.DataFrame([row]), m).iloc[0], unit.checks_per_day) for m in grid]) / target
    wanted = learnt.rates["rate_per_day"].to_numpy(float) / target
    factor = np.exp(np.interp(np.log(wanted), np.log(ratio), np.log(grid)))
    return {"loosening_scale_hours": scale, "loosening_shape": row["loosening_shape"], **settings}, factor


def rate_of(row: Mapping[str, Any], checks_per_day: int) -> float:
    """Long-run re-secures per airway-day of one frequency row, frailty mixed in."""
    nodes, weights = frailty_nodes(float(row["airway_spread"]), _NODES)
    wear_checks = mean_wear_checks(check_hazards(row, checks_per_day, nodes, _AGES))
    return float(weights @ (checks_per_day / wear_checks))


def _scale_for(row: Mapping[str, Any], checks_per_day: int, target: float) -> float:
    """Loosening scale, hours, at which the long-run rate is `target`; 10,000 when the other reasons reach it alone."""
    low, high = np.log(2.0), np.log(10_000.0)
    for _ in range(40):
        middle = (low + high) / 2
        too_often = rate_of({**row, "loosening_scale_hours": np.exp(middle)}, checks_per_day) > target
        low, high = (middle, high) if too_often else (low, middle)
    return float(np.exp((low + high) / 2))


def block_text(unit: Unit, learnt: Learnt) -> str:
    """The `[resecure]` block to paste into unit.toml, with the data it rests on in comments."""
    settings, factor = learnt_settings(unit, learnt)
    curve = learnt.curve
    lines = [
        f"# Re-secure frequency learnt from the log of {_plain(learnt.unit_name)}.",
        f"# Data: {learnt.first_day or 'first day'} to {learnt.last_day or 'last day'}, {learnt.events:,} events in "
        f"{learnt.airway_days:,.0f} airway-days; learnt as of {learnt.last_day or 'the end of the log'}.",
        "# Kinds of airway without a modifier below follow the block as it stands.",
        f"# Source: {learnt.source}. Not in the log, and left as it was: admission_secures"
        + (", redo" if learnt.redo is None else "")
        + ("" if curve else ", loosening_shape, airway_spread")
        + ".",
        "# A plan learns this by itself. To hold it still, paste it into unit.toml in place of its [resecure] block.",
        "[resecure]",
    ]
    bounds = {"loosening_scale_hours": "scale_hours", "loosening_shape": "shape", "airway_spread": "spread"}
    for name, value in settings.items():
        key = bounds.get(name)
        note = f"  # 95 % interval {curve.low[key]:.3g} to {curve.high[key]:.3g}" if curve and key else ""
        lines.append(f"{name} = {_number(value)}{note}")
    rows = learnt.rates.reset_index(drop=True)
    for i, row in enumerate(rows.itertuples()):
        if abs(factor[i] - 1) > 1e-9:
            lines += [
                "",
                "[[resecure.modifier]]",
                f"route = {_quoted(row.route)}",
                f"technique = {_quoted(row.technique)}",
                f"skin = {_quoted(row.skin)}",
                f'size = "{row.size}"',
                f"all = {_number(factor[i])}  # {row.events:,.0f} events in {row.airway_days:,.0f} airway-days",
            ]
    return "\n".join(lines) + "\n"


def _number(value: float) -> str:
    return f"{float(value):.4g}"


def _quoted(text: object) -> str:
    escaped = str(text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else " " for c in text)
