"""How often a securement is renewed, one row a stratum: the unit's settings with its modifiers applied."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.findings import Findings, key_of, suggestion
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
    for number, block in enumerate(policy.modifiers, 1):
        file = str(block["_file"])
        where = f"resecure.modifier[{number}]" if file == policy.file else f"modifiers[{number}]"
        factors = _factors(file, where, block, findings)
        mask = _matching(strata, file, where, block, findings)
        if factors is None or mask is None:
            continue
        if "flat_per_check" in settings:
            findings.warn(file, "does nothing while flat_per_check is set", "Remove one of the two.", column=where)
            continue
        if not mask.any():
            findings.warn(file, "matches no airway of this unit", "Check route, technique, skin and sizes.",
                          column=where)
        _apply(table, mask, factors)
        lines.append(_wording(block, factors, file))
    return table, lines


def _factors(file: str, where: str, block: Mapping[str, Any], findings: Findings) -> dict[str, float] | None:
    before = len(findings.faults)
    factors = {}
    known = [*MATCHES, *FACTORS, "provenance"]
    for key, value in block.items():
        if key not in known and key != "_file":
            findings.fault(file, "is not a setting", suggestion(key, known), column=f"{where}.{key}")
        if key in FACTORS:
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 <= value <= 100:
                findings.fault(file, "is not a factor", "Write a number from 0 to 100; 1 changes nothing.",
                               column=f"{where}.{key}", value=value)
            else:
                factors[key] = float(value)
    if not factors and len(findings.faults) == before:
        findings.fault(file, "has no factor", f"Give one of {', '.join(FACTORS)}.", column=where)
    return factors if len(findings.faults) == before else None


def _matching(
    strata: pd.DataFrame, file: str, where: str, block: Mapping[str, Any], findings: Findings
) -> np.ndarray | None:
    before = len(findings.faults)
    mask = np.ones(len(strata), dtype=bool)
    for key in ("route", "size", "technique", "skin"):
        if key not in block:
            continue
        if not isinstance(block[key], str):
            findings.fault(file, "is not a text", 'Put it in quotation marks: "oral".', column=f"{where}.{key}")
            continue
        mask &= strata[key].map(key_of).to_numpy() == key_of(block[key])
    for key in ("tube_from_mm", "tube_to_mm"):
        if key not in block:
            continue
        if isinstance(block[key], bool) or not isinstance(block[key], (int, float)):
            findings.fault(file, "is not a number", "Write a size in mm, such as 3.5.", column=f"{where}.{key}")
            continue
        size = strata["tube_mm"].to_numpy(float)
        mask &= size >= block[key] - 1e-9 if key == "tube_from_mm" else size <= block[key] + 1e-9
    return mask if len(findings.faults) == before else None


def _apply(table: pd.DataFrame, mask: np.ndarray, factors: Mapping[str, float]) -> None:
    for name, factor in factors.items():
        for hazard in FACTORS[name]:
            if hazard != "loosening":
                table.loc[mask, hazard] *= factor
            elif factor == 0:
                table.loc[mask, "loosening_scale_hours"] = np.inf
            else:
                table.loc[mask, "loosening_scale_hours"] *= factor ** (-1.0 / table.loc[mask, "loosening_shape"])


def _wording(block: Mapping[str, Any], factors: Mapping[str, float], file: str) -> Assumption:
    where = ", ".join(f"{k.replace('_', ' ')} {block[k]}" for k in MATCHES if k in block) or "every airway"
    what = ", ".join(f"{k.replace('_', ' ')} x {v:g}" for k, v in factors.items())
    source = str(block.get("provenance", "")) or f"this unit's own {file}"
    return Assumption("How often", f"modifier: {where}", what, "factor", source)
