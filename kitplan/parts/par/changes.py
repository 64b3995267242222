"""What a new plan changed against the one before, and because of what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.read.last_plan import Earlier, moves_par

CHANGE_COLUMNS = ["item", "before_units", "after_units", "change_units", "before_packs", "after_packs", "change_packs",
                  "change_value", "because"]
NOTABLE_SHARE = 0.02
"""Change of expected use worth naming as a cause."""


@dataclass(frozen=True, repr=False)
class Changes(Result, writes={"changes": "items"}):
    """Par levels that changed. items: CHANGE_COLUMNS. before: the earlier plan number. causes: sentences."""

    items: pd.DataFrame
    before: str
    causes: tuple[str, ...]

    def sentences(self) -> list[str]:
        """What changed, and because of what."""
        count = len(self.items)
        head = f"Since plan {self.before}: {count} par level{'' if count == 1 else 's'} changed."
        return [head if count else f"Since plan {self.before}: no par level changed.", *self.causes]


def compare_with(earlier: Earlier, levels: pd.DataFrame, head: Mapping[str, Any], target: float) -> Changes:
    """Compare new par levels with an earlier plan's.

    levels: ParPlan.levels. head: the new record's head (kitplan, seed, inputs). target: its readiness target.
    """
    both = earlier.levels.merge(levels, on="item", how="outer", suffixes=("_before", ""), sort=False)
    order = {item: k for k, item in enumerate([*levels["item"], *earlier.levels["item"]][::-1])}
    both = both.sort_values("item", key=lambda c: -c.map(order), kind="stable").reset_index(drop=True)
    packs, units = (
        [both[f"{name}_before"].fillna(0).astype(int), both[name].fillna(0).astype(int)]
        for name in ("par_packs", "par_units")
    )
    before, after = units
    moved = (before != after) | ((both["pack_before"] != both["pack"]) & (after > 0))
    causes = _causes(earlier.record, head, target)
    frame = pd.DataFrame({
        "item": both["item"], "before_units": before, "after_units": after, "change_units": after - before,
        "before_packs": packs[0], "after_packs": packs[1], "change_packs": packs[1] - packs[0],
        "change_value": (both["value"].fillna(0.0) - both["value_before"].fillna(0.0)).round(2),
        "because": [_because(row, bool(causes)) for row in both.itertuples()],
    })[moved]
    return Changes(frame[CHANGE_COLUMNS].reset_index(drop=True), earlier.number, causes)


def _causes(before: Mapping[str, Any], after: Mapping[str, Any], target: float) -> tuple[str, ...]:
    """What went into the two plans differently, one sentence a cause."""
    old, new = ({name: code for name, code in (record.get("inputs") or {}).items() if moves_par(name)}
                for record in (before, after))
    causes = [f"{name} is new." for name in sorted(set(new) - set(old))]
    causes += [f"{name} is gone." for name in sorted(set(old) - set(new))]
    causes += [f"{name} changed." for name in sorted(set(new) & set(old)) if new[name] != old[name]]
    was = (before.get("readiness") or {}).get("target")
    if was is not None and not np.isclose(was, target):
        causes.append(f"The readiness target went from {was:g} to {target:g}.")
    for key, what in (("version", "The program's version"), ("seed", "The seed")):
        if before.get(key) != after.get(key):
            causes.append(f"{what} went from {before.get(key)} to {after.get(key)}.")
    return tuple(causes)


def _because(row: Any, inputs_changed: bool) -> str:
    parts = []
    if np.isnan(row.par_packs_before):
        parts.append("new in the catalogue")
    elif np.isnan(row.par_packs):
        parts.append("no longer in the catalogue")
    else:
        if row.pack_before != row.pack:
            parts.append(f"pack of {row.pack:.0f}, was {row.pack_before:.0f}")
        if row.floor_packs_before != row.floor_packs:
            parts.append(f"floor {row.floor_packs:.0f} packs, was {row.floor_packs_before:.0f}")
        was, now = row.expected_units_before, row.expected_units
        if abs(now - was) > NOTABLE_SHARE * max(was, 1e-9):
            change = f" ({100 * (now / was - 1):+.0f} %)" if was > 0.005 else ""
            parts.append(f"expected use {now:.1f}, was {was:.1f}{change}")
    if not parts:
        parts.append("expected use about as before; how far it may vary, or the cheapest way to the target, is another"
                     if inputs_changed else "other scenarios")
    return "; ".join(parts)
