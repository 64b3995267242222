"""What emergency equipment belongs at the bedside of each kind of airway, to check by eye."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from kitplan.demand.fit import item_fits
from kitplan.demand.item_choice import held_roles
from kitplan.write.book import Book
from kitplan.write.shelf import role_title

if TYPE_CHECKING:
    from kitplan.planning import Plan

TITLE = "Bedside emergency"
_LABEL_WIDTH, _TICK_WIDTH = 44.0, 8.0


def bedside_list(plan: Plan) -> pd.DataFrame:
    """Columns stratum, label, role, item, description, at_bedside: emergency equipment of each kind of airway.

    An item belongs to an airway when the item choice gives it to that airway, or fits its tube and fills a role that
    it leaves open there; at_bedside is the catalogue's floor for each bedside, at least 1.
    """
    items = plan.unit.items
    emergency = items[items["critical"].astype(bool) | (items["min_bedside"] > 0)]
    filled = plan.item_choice.frame[plan.item_choice.frame["item"].isin(emergency["item"])]
    equipment = list(emergency.itertuples())
    rows = []
    for stratum, airway in zip(plan.unit.strata.index, plan.unit.strata.to_dict("records")):
        label, own = airway["label"], held_roles(plan.unit, stratum)
        given = set(filled.loc[filled["stratum"] == stratum, "item"])
        roles = {item.role for item in equipment if item.item in given}
        for item in equipment:
            fits = item.role in own and item_fits(item._asdict(), airway)
            if item.item in given or (item.role not in roles and fits and item.min_bedside > 0):
                at_bedside = max(int(item.min_bedside or 0), 1)
                rows.append((stratum, label, item.role, item.item, item.description or item.item, at_bedside))
    return pd.DataFrame(rows, columns=["stratum", "label", "role", "item", "description", "at_bedside"])


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Bedside emergency: one line an airway, one column a kind of equipment."""
    rows = bedside_list(plan)
    roles = list(dict.fromkeys(rows["role"]))
    widths = (_LABEL_WIDTH, *[28.0] * len(roles), _TICK_WIDTH)
    page = book.page(TITLE, "Mask, bag and what else must hang at each bedside", widths, landscape=len(roles) > 2)
    page.title(
        "Emergency equipment at each bedside",
        "Find the airway; see that each thing hangs there, unopened, in date and of this size. "
        "No limit or budget takes anything off this list; local policy may ask for more.",
    )
    kinds = ("strong_wrap", *["wrap"] * len(roles), "tick")
    page.header(("Airway", *(role_title(role) for role in roles), "Seen"), kinds)
    rows["words"] = [d if n == 1 else f"{n} x {d}" for d, n in zip(rows["description"], rows["at_bedside"])]
    for (_, label), group in rows.groupby(["stratum", "label"], sort=False):
        wording = {role: "; ".join(lines["words"]) for role, lines in group.groupby("role", sort=False)}
        page.row((label, *(wording.get(role) for role in roles), None), kinds)
