"""What emergency equipment belongs at the bedside of each kind of airway, to check by eye."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from kitplan.export.look import Book
from kitplan.export.sheets.shelf import role_title

if TYPE_CHECKING:
    from kitplan.plan import Plan

TITLE = "Bedside emergency"
_WIDTHS = (34, 14, 44, 10, 8)
_KINDS = ("wrap", "text", "wrap", "whole", "tick")


def bedside_list(plan: Plan) -> pd.DataFrame:
    """Columns stratum, label, role, item, description, at_bedside: emergency equipment of each kind of airway.

    An item belongs to an airway when the filling gives it to that airway, or fits its tube and fills a role that
    the filling leaves open there; at_bedside is the catalogue's floor for each bedside, at least 1.
    """
    items = plan.unit.items
    emergency = items[items["critical"].astype(bool) | (items["min_bedside"] > 0)]
    filled = plan.filling.frame[plan.filling.frame["item"].isin(emergency["item"])]
    rows = []
    for stratum, label, tube_mm in zip(
        plan.unit.strata.index, plan.unit.strata["label"], plan.unit.strata["tube_mm"]
    ):
        given = set(filled.loc[filled["stratum"] == stratum, "item"])
        roles = set(emergency.loc[emergency["item"].isin(given), "role"])
        for item in emergency.itertuples():
            fits = not (item.fits_from_mm > tube_mm or item.fits_to_mm < tube_mm)
            if item.item in given or (item.role not in roles and fits and item.min_bedside > 0):
                at_bedside = max(int(item.min_bedside or 0), 1)
                rows.append((stratum, label, item.role, item.item, item.description or item.item, at_bedside))
    return pd.DataFrame(rows, columns=["stratum", "label", "role", "item", "description", "at_bedside"])


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Bedside emergency."""
    rows = bedside_list(plan)
    page = book.page(TITLE, "Mask, bag and what else must hang at each bedside", _WIDTHS, landscape=False)
    page.title(
        "Emergency equipment at each bedside",
        "Find the airway, see that each thing hangs there, unopened, in date and of this size. "
        "No limit or budget takes anything off this list; local policy may ask for more.",
    )
    page.header(("Airway", "What", "Item", "At bedside", "Seen"), _KINDS)
    for _, group in rows.groupby("stratum", sort=False):
        for number, row in enumerate(group.itertuples()):
            page.row(
                (row.label if number == 0 else None, role_title(row.role), row.description, row.at_bedside, None),
                ("strong_wrap", *_KINDS[1:]),
            )
