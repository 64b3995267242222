"""The files of a plan, and the files of one part: names and bytes, ready for the writer."""

from __future__ import annotations

import importlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pandas as pd

from kitplan.beside import beside
from kitplan.plan_record import head, outputs, plan_json, record_bytes
from kitplan.planning import Plan, with_changes
from kitplan.read.last_plan import read_earlier
from kitplan.read.problems import UnsafePlan
from kitplan.saved.folder import RECORD, saved_files
from kitplan.write.tables import table_bytes
from kitplan.write.writer import Written, write_outputs

PRINTS = {"forecast": "forecast", "kits": "kits", "order": "orders", "rates": "rates", "training": "training"}
"""Parts with prints, and the folder of each."""


def write_plan(plan: Plan, folder: Path, remove_stale: bool, processes: int = 1) -> tuple[Plan, Written]:
    """Write the outputs of a plan, all or nothing, with what changed since the plan that lies in the folder.

    remove_stale: as in `write_outputs`. processes: with two, prints are made beside the rest. Returns the plan with its
    changes, and what was written. Raises UnsafePlan with nothing written.
    """
    plan, files = files_after(plan, folder, processes=processes)
    return plan, write_outputs(folder, files, remove_stale=remove_stale)


def files_after(plan: Plan, folder: Path, scenarios: bool = True, processes: int = 1) -> tuple[Plan, dict[str, bytes]]:
    """The plan with what it changed since the plan that lies in the folder (EARLIER), and `plan_files` of it.

    Raises UnsafePlan.
    """
    refuse_unsafe(plan)
    plan = with_changes(plan, read_earlier(folder), head(plan))
    return plan, plan_files(plan, scenarios, processes)


def refuse_unsafe(plan: Plan) -> None:
    """Raise UnsafePlan when keeping to the limits would take emergency equipment away."""
    if "par" in plan.parts and plan.par.answer == "unsafe":
        raise UnsafePlan("; ".join(plan.par.binding) or "a limit is below what emergency equipment needs.")


def plan_files(plan: Plan, scenarios: bool = True, processes: int = 1) -> dict[str, bytes]:
    """Everything that `plan` writes: tables, workbook, prints, what opens it again, and plan.json with their checksums.

    scenarios: keep them with the plan, so that an audit need not draw them again. processes: as in `write_plan`.
    """
    from kitplan.workbooks import build_workbooks

    prints = beside(_all_prints, replace(plan, drawn=None)) if processes > 1 else _all_prints(plan)
    files = saved_files(plan, scenarios)
    for part in sorted(plan.parts):
        files |= part_tables(plan.tables_of(part))
    files |= build_workbooks(plan)
    files |= next(prints)
    files[RECORD] = plan_json(plan, files)
    return files


def _all_prints(plan: Plan) -> Iterator[dict[str, bytes]]:
    yield {name: content for part in sorted(plan.parts) for name, content in part_prints(plan, part).items()}


def part_files(plan: Plan, part: str) -> dict[str, bytes]:
    """What the command of one part writes: its tables, its prints, its workbook and PART.json."""
    from kitplan.workbooks import build_part_workbook

    files = part_tables(plan.tables_of(part)) | part_prints(plan, part)
    files |= build_part_workbook(plan, part)
    files[f"{part}.json"] = record_of(plan, part, files)
    return files


def record_of(plan: Plan, part: str, files: Mapping[str, bytes], **more: int) -> bytes:
    """The record of what the command of one part writes."""
    return record_bytes(head(plan) | {
        "parts": [part],
        "warnings": [*(str(w) for w in plan.unit.warnings), *plan.warnings],
        "outputs": outputs(files),
    } | more)


def part_tables(frames: Mapping[str, pd.DataFrame]) -> dict[str, bytes]:
    """Frames by table name as files under tables/."""
    return {f"tables/{name}.csv": table_bytes(name, frame) for name, frame in frames.items()}


def part_prints(plan: Plan, part: str) -> dict[str, bytes]:
    """PDF prints of a part: `prints(plan) -> dict[file name, bytes]` of kitplan/parts/<part>/prints.py, if any."""
    if part not in PRINTS:
        return {}
    prints: dict[str, bytes] = importlib.import_module(f"kitplan.parts.{PRINTS[part]}.prints").prints(plan)
    return prints
