"""Plans that lie in their folders, opened once and kept open until the folder holds another."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING

from flask import abort

if TYPE_CHECKING:
    from kitplan.planning import Plan

PLAN_FOLDER = "plan"
NO_PLAN = "There is no plan yet. Open This unit and press Plan."


class Opened:
    """The plan of each unit, opened again only when its record has changed."""

    def __init__(self) -> None:
        self._plans: dict[Path, tuple[tuple[int, int], Plan]] = {}
        self._lock = threading.Lock()

    def plan(self, unit: Path) -> Plan | None:
        """The plan in a unit's folder, None where there is none. Raises InputError for a damaged one."""
        import kitplan

        record = unit / PLAN_FOLDER / "plan.json"
        try:
            state = record.stat()
        except OSError:
            return None
        mark = state.st_mtime_ns, state.st_ino
        with self._lock:
            known = self._plans.get(unit)
            if known is None or known[0] != mark:
                known = self._plans[unit] = mark, kitplan.open_plan(unit / PLAN_FOLDER, unit)
        return known[1]

    def needed(self, unit: Path) -> Plan:
        """As `plan`; a page that says to plan first where there is none."""
        plan = self.plan(unit)
        if plan is None or "par" not in plan.parts:
            abort(409, NO_PLAN)
        return plan

    def changed(self, unit: Path) -> list[str]:
        """What has changed since the plan was made, a sentence each."""
        from kitplan.saved.inputs import changed_inputs, told_changes

        plan = self.plan(unit)
        return told_changes(changed_inputs(plan, unit)) if plan is not None else []
