"""How often a securement is renewed, one row a stratum: the unit's settings with its modifiers applied."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.blocks import keys_of, read_block
from kitplan.read.findings import Findings, key_of
from kitplan.read.policy import Policy
from kitplan.read.values import FREQUENCY_COLUMNS, Assumption

MATCHES = ("route", "size", "technique", "skin", "tube_from_mm", "tube_to_mm")
FACTORS: Mapping[str, tuple[str, ...]] = {
    "loosening": ("loosening",), "soiled": ("soiled_per_day",), "skin_trouble": ("skin_per_day",),
    "moved": ("moved_per_day",),
    "all": ("loosening", "soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"),
}
"""Factor of a modifier -> the hazards it multiplies. "loosening" acts on the Weibull cumulative hazard."""


def frequency_table(strata: pd.DataFrame, policy: Policy, findings: Findings) -> tuple[pd.DataFrame, list[Assumption]]:
    """Return FREQUENCY_COLUMNS for every stratum, and one assumption a modifier.

    A factor f on loosening multiplies the cumulative hazard (t/scale)^shape, so the scale becomes
    scale * f^(-1/shape); a factor of 0 makes it endless. With flat_per_check no modifier acts.
    """
    settings = policy.block("resecure")
    table = pd.DataFrame({c: float(settings.get(c, np.nan)) for c in FREQUENCY_COLUMNS}, index=strata.index)
    lines = []
    for number, (file, block) in enumerate(policy.modifiers, 1):
        where = f"resecure.modifier[{number}]" if file == policy.file else f"modifiers[{number}]"
        before = len(findings.faults)
        given = read_block(file, where, block, keys_of("modifier"), findings)
        factors = {name: given[name] for name in block if name in FACTORS and name in given}
        if len(findings.faults) > before:
            continue
        if not factors:
            findings.fault(file, "has no factor", f"Give one of {', '.join(FACTORS)}.", column=where)
            continue
        mask = _matching(strata, given)
        if "flat_per_check" in settings:
            findings.warn(file, "does nothing while flat_per_check is set", "Remove one of the two.", column=where)
            continue
        if not mask.any():
            findings.warn(file, "matches no airway of this unit", "Check route, technique, skin and sizes.",
                          column=where)
        _apply(table, mask, factors)
        kind = ", ".join(f"{k.replace('_', ' ')} {block[k]}" for k in MATCHES if k in block) or "every airway"
        what = ", ".join(f"{k.replace('_', ' ')} x {v:g}" for k, v in factors.items())
        source = str(block.get("provenance", "")) or f"this unit's own {file}"
        lines.append(Assumption("How often", f"modifier: {kind}", what, "factor", source))
    return table, lines


def _matching(strata: pd.DataFrame, given: Mapping[str, Any]) -> np.ndarray:
    mask = np.ones(len(strata), dtype=bool)
    for key in [key for key in ("route", "size", "technique", "skin") if key in given]:
        mask &= strata[key].map(key_of).to_numpy() == key_of(given[key])
    size = strata["tube_mm"].to_numpy(float)
    if "tube_from_mm" in given:
        mask &= size >= given["tube_from_mm"] - 1e-9
    if "tube_to_mm" in given:
        mask &= size <= given["tube_to_mm"] + 1e-9
    return mask


def _apply(table: pd.DataFrame, mask: np.ndarray, factors: Mapping[str, float]) -> None:
    for name, factor in factors.items():
        for hazard in FACTORS[name]:
            if hazard != "loosening":
                table.loc[mask, hazard] *= factor
            elif factor == 0:
                table.loc[mask, "loosening_scale_hours"] = np.inf
            else:
                table.loc[mask, "loosening_scale_hours"] *= factor ** (-1.0 / table.loc[mask, "loosening_shape"])
