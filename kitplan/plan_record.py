"""plan.json: what a plan rests on and what came out, for other programs and for the next run."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from kitplan.write.writer import checksum

if TYPE_CHECKING:
    from kitplan.plan import Plan
    from kitplan.read.values import Unit
    from kitplan.solve.values import ParPlan, Readiness, SolverReport

_DIGITS = 10


def plan_number(unit: Unit, seed: int, version: str) -> str:
    """Eight characters that name a plan: the same for the same inputs, stock policy, seed and version.

    It stands in plan.json and on every sheet, so that a filled-in count can be matched with its plan. A unit that is
    ordered for by an earlier plan carries that plan's number in its `extra`.
    """
    if isinstance(given := unit.extra.get("plan_number"), str):
        return given
    parts = [version, str(seed), repr(unit.stock), *(f"{k}={v}" for k, v in sorted(unit.checksums.items()))]
    code = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:8].upper()
    return f"{code[:4]}-{code[4:]}"


def record_bytes(record: Mapping[str, Any]) -> bytes:
    """A record as JSON bytes that repeat: keys in the order given, floats to ten digits, UTF-8."""
    text = json.dumps(_rounded(record), indent=2, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def head(unit: Unit, seed: int, version: str) -> dict[str, Any]:
    """The lines every record begins with, for plan.json and for the record of a single part alike."""
    return {
        "version": version,
        "plan_number": plan_number(unit, seed, version),
        "unit": unit.name,
        "currency": unit.currency,
        "seed": seed,
        "inputs": dict(sorted(unit.checksums.items())),
    }


def outputs(files: Mapping[str, bytes]) -> dict[str, str]:
    """SHA-256 of each output by its name, so that a file which a person has changed is known."""
    return {name: checksum(content) for name, content in sorted(files.items())}


def plan_json(plan: Plan, files: Mapping[str, bytes]) -> bytes:
    """plan.json for a plan and the other files written with it."""
    par = plan.par
    if par is None:
        raise ValueError("this plan was made without par levels")
    record = head(plan.unit, plan.seed, plan.version) | {
        "inputs": _inputs(plan),
        "parts": ["par", *sorted(plan.parts)],
        "answer": par.answer,
        "readiness": _readiness(par.readiness),
        "value": par.value,
        "litres": par.litres,
        "solver": _solver(par.solver),
        "binding": list(par.binding),
        "notes": list(par.notes),
        "warnings": [*(str(w) for w in plan.unit.warnings), *plan.warnings],
        "skipped": dict(plan.skipped),
        "changes": _changes(plan),
        "par_packs": _par_packs(par),
        "outputs": outputs(files),
    }
    return record_bytes(record)


def _changes(plan: Plan) -> dict[str, Any] | None:
    """Which plan this one is compared with and what went into it differently; null for a first plan."""
    changes = plan.parts.get("changes")
    return None if changes is None else {"before": changes.before, "causes": list(changes.causes)}


def _inputs(plan: Plan) -> dict[str, str]:
    """Checksums of the unit's files and of those that a part read for itself (class files)."""
    known = dict(plan.unit.checksums)
    for part in plan.parts.values():
        known |= getattr(part, "checksums", {})
    return dict(sorted(known.items()))


def _par_packs(par: ParPlan) -> dict[str, int]:
    return {str(i): int(p) for i, p in zip(par.levels["item"], par.levels["par_packs"])}


def _readiness(readiness: Readiness) -> dict[str, float | int]:
    return {
        "target": readiness.target, "planned": readiness.planned, "verified": readiness.verified,
        "low": readiness.low, "high": readiness.high,
        "plan_scenarios": readiness.plan_scenarios, "verify_scenarios": readiness.verify_scenarios,
    }


def _solver(solver: SolverReport) -> dict[str, str | float]:
    return {
        "name": solver.name, "status": solver.status, "objective": solver.objective,
        "bound": solver.bound, "lp_bound": solver.lp_bound, "gap": solver.gap,
    }


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
