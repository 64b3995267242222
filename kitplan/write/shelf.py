"""Items in the order in which a person walks past them, and in the words that stand on the shelf."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from kitplan.read.catalogue import shelf_key

if TYPE_CHECKING:
    from kitplan.planning import Plan


def stock_lines(plan: Plan) -> pd.DataFrame:
    """Par levels with what the catalogue says of each item, in shelf order.

    Columns of ParPlan.levels plus bin, critical (bool) and unit_of_issue ("box of 50"). Rows with the same bin keep the
    catalogue's order.
    """
    catalogue, levels = {row["item"]: row for row in plan.unit.catalogue}, plan.par.levels
    rows = [catalogue[item] for item in levels["item"]]
    lines = levels.assign(bin=[row["bin"] for row in rows], critical=[row["critical"] for row in rows],
                          unit_of_issue=[unit_of_issue(int(p)) for p in levels["pack"]])
    return lines.iloc[sorted(range(len(lines)), key=lambda at: shelf_key(rows[at]["bin"]))].reset_index(drop=True)


def unit_of_issue(pack: int) -> str:
    """What comes off the shelf in one piece: "each", or "pack of 50"."""
    return "each" if pack == 1 else f"pack of {pack}"


def order_rule(level: int, pack: int) -> str:
    """The one rule of an item, as it stands on its shelf: "UNDER 39: order. Comes in 12s."."""
    return f"UNDER {level:,}: order." + (f" Comes in {pack:,}s." if pack > 1 else "")


def role_title(role: str) -> str:
    """A role as a heading: prep_wipe -> Prep wipe."""
    return role.replace("_", " ").strip().capitalize()
