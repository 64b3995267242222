"""The learnt model as a file that can be pasted into unit.toml."""

from __future__ import annotations

from kitplan.demand.learnt_block import block_text
from kitplan.planning import Plan

LEARNT_FILE = "resecure_learnt.toml"


def prints(plan: Plan) -> dict[str, bytes]:
    """resecure_learnt.toml, or nothing where the defaults stay."""
    learnt = plan.rates
    return {LEARNT_FILE: block_text(plan.unit, learnt).encode("utf-8")} if learnt.used else {}
