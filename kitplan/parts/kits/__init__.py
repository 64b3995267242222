"""Bedside kits: contents, designs, builds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.kits.model import KitPlan
    from kitplan.parts.work import Work


def _run(work: Work) -> KitPlan | None:
    from kitplan.parts.kits.model import solve_kits

    if work.designs is None:
        return None
    return solve_kits(work.unit, work.tables, work.seed, work.designs)


PART = Part("kits", "Bedside kits: contents, builds, rolls", "kitplan.parts.kits.model:KitPlan", _run)
