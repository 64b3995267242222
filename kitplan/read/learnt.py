"""A learnt re-secure model, read from the file that `rates` writes, in place of the unit's own settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from kitplan.read.blocks import Setting, read_block
from kitplan.read.findings import Findings
from kitplan.read.frequency import frequency_table
from kitplan.read.policy import HAZARDS, Policy
from kitplan.read.policy_keys import keys_of
from kitplan.read.settings import parse_toml
from kitplan.read.values import FREQUENCY_COLUMNS, Assumption, Unit

NEEDED = ("loosening_scale_hours", "loosening_shape", "soiled_per_day", "skin_per_day", "moved_per_day",
          "changed_per_day")
"""Hazards come as a set: one of them from elsewhere would count events twice or not at all."""
_KNOWN = {key: setting for key, setting in keys_of("resecure").items() if key != "flat_per_check"}


def with_learnt(unit: Unit, path: Path) -> Unit:
    """Return the unit with the re-secure frequency of a learnt block.

    The block and its modifiers take the place of the unit's [resecure] settings and modifiers; what the block does
    not speak of (planned_hours, admission_secures and the like) stays. Raises InputError, or OSError when the file
    cannot be read.
    """
    findings = Findings()
    content = path.read_bytes()
    settings = parse_toml(path.name, content, findings) or {}
    findings.stop_if_faulty("reading the learnt model")
    block = read_block(path.name, "", settings, {"resecure": Setting("any", default={})}, findings)["resecure"]
    if not isinstance(block, Mapping) or not block:
        findings.fault(path.name, "has no block [resecure]", "Give the file that `kitplan rates` wrote.")
        findings.stop_if_faulty("reading the learnt model")
    values = _values(path.name, block, findings)
    findings.stop_if_faulty("reading the learnt model")
    frequency, lines = frequency_table(unit.strata, _as_policy(path.name, unit, block, values), findings)
    findings.stop_if_faulty("reading the learnt model")
    wording = [Assumption("How often", name, f"{value:g}", _KNOWN[name].unit, f"learnt: {path.name}")
               for name, value in values.items()]
    gone = {*values, "flat_per_check"}
    kept = [a for a in unit.assumptions
            if a.topic != "How often" or (a.name not in gone and not a.name.startswith("modifier:"))]
    checks = int(values.get("checks_per_day", unit.checks_per_day))
    low, high = block.get("rate_range", (None, None))
    rate_range = None if low is None else (float(low), float(high))
    return replace(
        unit,
        frequency=frequency,
        checks_per_day=checks,
        doubt=replace(unit.doubt, rate_range=rate_range, guessed=tuple(HAZARDS.values()) if rate_range else (),
                      learn=False),
        assumptions=(*kept, *wording, *lines),
        checksums=MappingProxyType({**unit.checksums, path.name: sha256(content).hexdigest()}),
        warnings=(*unit.warnings, *findings.warnings),
    )


def _values(file: str, block: Mapping[str, Any], findings: Findings) -> dict[str, float]:
    values = read_block(file, "resecure", block, _KNOWN | {"modifier": Setting("any")}, findings)
    for key in NEEDED:
        if key not in block:
            findings.fault(file, "is missing", "Give the whole block that `kitplan rates` wrote.",
                           column=f"resecure.{key}")
    return {key: float(value) for key, value in values.items()
            if key in _KNOWN and _KNOWN[key].kind in ("number", "integer")}


def _as_policy(file: str, unit: Unit, block: Mapping[str, Any], values: Mapping[str, float]) -> Policy:
    """The learnt settings over what the unit has, as the frequency table wants them."""
    own = unit.frequency.iloc[0]
    whole = {f"resecure.{name}": float(own[name]) for name in FREQUENCY_COLUMNS
             if name != "flat_per_check" and not np.isnan(own[name])}
    whole |= {f"resecure.{name}": value for name, value in values.items()}
    modifiers = block.get("modifier", [])
    rows = tuple(dict(m) | {"_file": file} for m in modifiers) if isinstance(modifiers, list) else ()
    return Policy(file, whole, frozenset(whole), rows, (), {}, ())
