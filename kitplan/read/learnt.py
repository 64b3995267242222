"""A learnt re-secure model, read from the file that `rates` writes, in place of the unit's own settings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from kitplan.read.cells import Bad
from kitplan.read.findings import Findings
from kitplan.read.frequency import frequency_table
from kitplan.read.policy import HAZARDS, Policy
from kitplan.read.policy_keys import SETTINGS, checked, keys_of
from kitplan.read.settings import parse_toml, refuse_unknown
from kitplan.read.values import FREQUENCY_COLUMNS, Assumption, Unit

NEEDED = (
    "loosening_scale_hours",
    "loosening_shape",
    "soiled_per_day",
    "skin_per_day",
    "moved_per_day",
    "changed_per_day",
)
"""Hazards come as a set: one of them from elsewhere would count events twice or not at all."""


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
    refuse_unknown(path.name, "", settings, ["resecure"], findings)
    block = settings.get("resecure", {})
    if not isinstance(block, Mapping) or not block:
        findings.fault(path.name, "has no block [resecure]", "Give the file that `kitplan rates` wrote.")
        findings.stop_if_faulty("reading the learnt model")
    values = _values(path.name, block, findings)
    findings.stop_if_faulty("reading the learnt model")
    frequency, lines = frequency_table(unit.strata, _as_policy(path.name, unit, block, values), findings)
    findings.stop_if_faulty("reading the learnt model")
    wording = [
        Assumption("How often", name, f"{value:g}", SETTINGS[f"resecure.{name}"].unit, f"learnt: {path.name}")
        for name, value in values.items()
    ]
    kept = [
        a
        for a in unit.assumptions
        if not (
            a.topic == "How often"
            and (a.name in values or a.name.startswith("modifier:") or a.name == "flat_per_check")
        )
    ]
    checks = int(values.get("checks_per_day", unit.checks_per_day))
    rate_range = _range(block)
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


def _range(block: Mapping[str, Any]) -> tuple[float, float] | None:
    """How unsure the block is of its rate, where it says so (checked by `_values`)."""
    value = block.get("rate_range")
    return None if value is None else (float(value[0]), float(value[1]))


def _values(file: str, block: Mapping[str, Any], findings: Findings) -> dict[str, float]:
    known = [k for k in keys_of("resecure") if k != "flat_per_check"]
    refuse_unknown(file, "resecure", block, [*known, "modifier"], findings)
    values: dict[str, float] = {}
    for key in known:
        if key not in block:
            continue
        value = checked(SETTINGS[f"resecure.{key}"], block[key])
        if isinstance(value, Bad):
            findings.fault(file, value.fault, value.mend, column=f"resecure.{key}", value=block[key])
        elif SETTINGS[f"resecure.{key}"].kind in ("number", "integer"):
            values[key] = float(value)  # type: ignore[arg-type]
    for key in NEEDED:
        if key not in block:
            findings.fault(
                file,
                "is missing",
                "Give the whole block that `kitplan rates` wrote.",
                column=f"resecure.{key}",
            )
    return values


def _as_policy(file: str, unit: Unit, block: Mapping[str, Any], values: Mapping[str, float]) -> Policy:
    """The learnt settings over what the unit has, as the frequency table wants them."""
    own = unit.frequency.iloc[0]
    whole = {
        f"resecure.{name}": float(own[name])
        for name in FREQUENCY_COLUMNS
        if name != "flat_per_check" and not np.isnan(own[name])
    }
    whole |= {f"resecure.{name}": value for name, value in values.items()}
    modifiers = block.get("modifier", [])
    rows = tuple(dict(m) | {"_file": file} for m in modifiers) if isinstance(modifiers, list) else ()
    return Policy(file, whole, frozenset(whole), rows, (), {}, ())
