"""Every command on one random unit, in this process: how each ended, and what was wrong about it."""

from __future__ import annotations

import hashlib
import shutil
import time
import traceback
import warnings
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from kitplan.cli import main

from .plan_checks import faults_of
from .random_units import RandomUnit

RENEWED = {"order": {"stock-room.xlsx", "order.pdf"}}
"""Command -> what it writes anew of what `plan` wrote: an order has its number once made."""

ENDINGS = (0, 1, 2)
"""Done, held by limits, an input to be mended; anything else is a defect."""


@dataclass(frozen=True)
class Run:
    """One command on one unit. cpu: seconds. wrong: what was wrong about how it ended, "" for nothing."""

    command: str
    code: int
    cpu: float
    wrong: str


def runs_of(drawn: RandomUnit, place: Path, *, only: tuple[str, ...] | None = None) -> list[Run]:
    """Write the unit into `place` and run every command on it (or `only` some), `check` and `plan` first.

    place: a new folder. Beside exit codes and warnings of libraries: check passes exactly when plan does, a refusal
    writes nothing, a plan owes `faults_of` nothing, and no other command changes what plan wrote.
    """
    unit = drawn.write(place / "unit")
    plan = unit / "plan"
    found = [run("check", "check", unit), run("plan", "plan", unit)]
    check, planned = found[0].code, found[1].code
    if (check == 2) != (planned == 2):
        found.append(Run("check against plan", planned, 0.0, f"check ends with {check}, plan with {planned}"))
    if planned == 2 and plan.exists():
        found.append(Run("plan", planned, 0.0, "wrote although it refused"))
    if (plan / "plan.json").exists():
        found += [Run("plan", planned, 0.0, fault) for fault in faults_of(unit, plan)]
    before = marks_of(plan)
    for name, arguments in _others(drawn, unit, place):
        if only is None or name in only:
            found.append(run(name, *arguments))
            after = marks_of(plan, before)
            changed = {file for file, mark in before.items() if after.get(file) != mark}
            if changed - RENEWED.get(name, set()):
                found.append(Run(name, found[-1].code, 0.0, "changed the plan's own files"))
    return found


def _others(drawn: RandomUnit, unit: Path, place: Path) -> list[tuple[str, tuple]]:
    other = place / "other"
    if not other.exists():
        shutil.copytree(unit, other)
        settings = drawn.files["unit.toml"].replace("Invented random unit", "Invented other unit")
        (other / "unit.toml").write_text(settings, encoding="utf-8")
    out = {name: place / f"{name}-out" for name in ("kits", "forecast", "rates", "audit", "training")}
    commands: list[tuple[str, tuple]] = [
        ("explain", ("explain", unit, drawn.item)), ("labels", ("labels", unit)),
        *((name, (name, unit, "--out", out[name])) for name in ("kits", "forecast", "rates")),
        ("simulate", ("simulate", unit, "--years", 1, "--copies", 2)),
        ("compare", ("compare", unit, other, "--out", place / "compare-out")),
    ]
    needs = {"audit": "present_par.csv", "training": "class.toml", "order": "on_hand.csv"}
    for name in (n for n, file in needs.items() if file in drawn.files):
        commands.append((name, (name, unit, *(("--out", out[name]) if name in out else ()))))
    return commands


def run(name: str, *arguments: object) -> Run:
    started = time.process_time()
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        result = CliRunner().invoke(main, [str(a) for a in arguments])
    wrong = "; ".join(sorted({f"{w.category.__name__}: {w.message}"[:120] for w in caught}))
    if result.exit_code not in ENDINGS:
        wrong = _where(result.exc_info) or result.output[-300:]
    return Run(name, result.exit_code, time.process_time() - started, wrong)


def _where(found: tuple | None) -> str:
    """Kind and place of what was raised; run with KITPLAN_DEBUG=1 to have it raised."""
    if found is None or issubclass(found[0], SystemExit):
        return ""
    inner = [f for f in traceback.extract_tb(found[2]) if "kitplan" in f.filename][-2:]
    places = ", ".join(f"{Path(f.filename).name}:{f.name}" for f in inner)
    return f"{found[0].__name__}: {str(found[1])[:160]} at {places}"


def marks_of(folder: Path, of: dict[str, str] | None = None) -> dict[str, str]:
    """Checksum of every file of a folder (of those named, where `of` is given)."""
    files = [p for p in sorted(folder.rglob("*")) if p.is_file()] if folder.exists() else []
    marks = {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
    return marks if of is None else {name: mark for name, mark in marks.items() if name in of}
