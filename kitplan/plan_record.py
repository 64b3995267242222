"""plan.json: what a plan rests on and what came out, for other programs and for the next run."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from kitplan.parts.par.values import ParPlan
from kitplan.planning import Plan
from kitplan.write.writer import checksum

_DIGITS = 10


def record_bytes(record: Mapping[str, Any]) -> bytes:
    """A record as JSON bytes that repeat: keys in the order given, floats to ten digits, UTF-8."""
    text = json.dumps(_rounded(record), indent=2, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def head(plan: Plan) -> dict[str, Any]:
    """The lines every record begins with, for plan.json and for the record of a single part alike."""
    return {
        "version": plan.version,
        "plan_number": plan.number,
        "unit": plan.unit.name,
        "currency": plan.unit.currency,
        "seed": plan.seed,
        "inputs": plan.inputs,
    }


def outputs(files: Mapping[str, bytes]) -> dict[str, str]:
    """SHA-256 of each output by its name, so that a file which a person has changed is known."""
    return {name: checksum(content) for name, content in sorted(files.items())}


def plan_json(plan: Plan, files: Mapping[str, bytes]) -> bytes:
    """plan.json for a plan and the other files written with it."""
    par, changes = plan.par, plan.changes if "changes" in plan.parts else None
    record = head(plan) | {
        "parts": ["par", *sorted(set(plan.parts) - {"par"})],
        "answer": par.answer,
        "readiness": asdict(par.readiness),
        "value": par.value,
        "mean_value": par.mean_value,
        "litres": par.litres,
        "solver": {name: value for name, value in asdict(par.solver).items() if name != "seconds"},
        "binding": list(par.binding),
        "notes": list(par.notes),
        "warnings": [*(str(w) for w in plan.unit.warnings), *plan.warnings],
        "skipped": dict(plan.skipped),
        "changes": None if changes is None else {"before": changes.before, "causes": list(changes.causes)},
        "par_packs": _by_item(par, "par_packs"),
        "par_units": _by_item(par, "par_units"),
        "outputs": outputs(files),
    }
    return record_bytes(record)


def _by_item(par: ParPlan, column: str) -> dict[str, int]:
    return {str(i): int(p) for i, p in zip(par.levels["item"], par.levels[column])}


def _rounded(value: Any) -> Any:
    """Plain Python values; floats to ten significant digits; a number that does not exist becomes null."""
    if isinstance(value, Mapping):
        return {str(k): _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}") if abs(value) < float("inf") else None
    return value
