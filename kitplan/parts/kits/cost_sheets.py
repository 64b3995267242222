"""Bedside kits for whoever checks: what is issued and thrown away, and what designs and rolls cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from kitplan.read.values import STRATUM_KEY
from kitplan.write.book import Book
from kitplan.write.charts import Line, place, scatter
from kitplan.write.shelf import role_title

if TYPE_CHECKING:
    from kitplan.parts.kits.model import KitPlan
    from kitplan.planning import Plan

ACCOUNTS_TITLE, CURVE_TITLE, ROLLS_TITLE = "Kits and the stock room", "Kit designs and cost", "Roll choice"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the accounts of the kits, the curve of designs, and the choice of rolls."""
    kits: KitPlan = plan.kits
    _add_accounts(book, plan, kits)
    _add_curve(book, kits)
    _add_rolls(book, kits)


def _add_accounts(book: Book, plan: Plan, kits: KitPlan) -> None:
    page = book.page(ACCOUNTS_TITLE, "What kits take from the stock room, and what is left over when an airway ends",
                     (30, 14, 16, 16, 16, 14, 16, 16))
    policy = plan.unit.bedside
    planned = "Par levels plan both (kits_in_par = true in unit.toml). " if policy.kits_in_par else (
        "Par levels plan what is used. They do not plan what is left in a kit: where it is thrown away, add the last "
        "column to par, or write kits_in_par = true under [bedside] in unit.toml and plan again. ")
    page.title(
        "Kits and the stock room",
        "Issued to kits = used by re-secures + left in kits when their airway ends. " + planned + "Kits at bedsides "
        "and kits built ahead stand outside the stock room and are in no par level. Admission secures come straight "
        "from the stock room and are in the par levels.")
    kinds = ("text", *["number"] * 4, "whole", "number", "whole")
    page.header(("Item", "Used a month", "Left over a month", "Issued a month", "At bedsides", "In built kits",
                 "Left over, one interval", "Add to par (units)"), kinds)
    for row in kits.accounts.itertuples():
        page.row((row.item, row.used_per_month, row.left_per_month, row.issued_per_month, row.at_bedsides,
                  row.in_built_kits, row.left_per_interval, row.add_to_par_units), kinds)


def _add_curve(book: Book, kits: KitPlan) -> None:
    page = book.page(CURVE_TITLE, "What one kit design more or fewer costs", (12, 18, 18, 10, 16, 18, 26),
                     landscape=False)
    page.title("Kit designs and cost", "Money a month for what kits use and throw away. Few designs are easy to build "
                                       "and waste more; many fit better.")
    kinds = ("whole", "money", "money", "share2", "litres", "money", "strong")
    page.header(("Designs", f"A month ({book.currency})", "Cannot cost less than", "Gap", "Largest kit",
                 "Saved by one more design", ""), kinds)
    first = page.next_row
    for row in kits.curve.itertuples():
        page.row((row.designs, row.monthly_cost, row.bound, row.gap, row.largest_litres, row.saved,
                  row.note.capitalize()), kinds)
    last = page.next_row - 1
    page.skip()
    for note in kits.notes:
        page.spread(note, "wrap")
    page.skip()
    known = kits.curve.index[kits.curve["monthly_cost"].notna()]
    start = first + int(known.min())
    at = first + int(kits.curve.index[kits.curve["note"] == "chosen"][0])
    lines = [Line("Cost of the best designs", (1, start, last), (2, start, last)),
             Line("Chosen", (1, at, at), (2, at, at), marker="diamond", dash=None, marker_size=12)]
    place(page, scatter(page, lines, "Kit designs", f"A month ({book.currency})", y_format="#,##0"), rows=22)


def _add_rolls(book: Book, kits: KitPlan) -> None:
    page = book.page(ROLLS_TITLE, "Which tape roll, dressing sheet and other single-patient item wastes least",
                     (26, 20, 14, 14, 14, 14, 20, 34))
    page.title("Roll choice", "What is opened for one patient is thrown away when the airway ends: long rolls waste "
                              "then, short rolls waste the remnants. Figures are exact expectations.")
    page.spread("One item for the whole unit", "strong")
    kinds = ("text", "text", "whole", "whole", "share", "money", "money", "wrap")
    page.header(("Item", "What it does", "Serves kinds", "of kinds", "Thrown away", f"A month ({book.currency})",
                 "Above best", "Remark"), kinds, freeze=False)
    for row in kits.opened.single.itertuples():
        page.row((row.item, role_title(row.role), row.serves, row.strata, row.discarded_share, row.monthly_cost,
                  row.extra_monthly_cost, row.remark), kinds)
    page.skip()
    page.spread("Airway by airway", "strong")
    own_kinds = ("text", "whole", "number2", "share", "money", "money", "strong")
    page.header(("Item", "Uses from one", "Opened a stay", "Thrown away", "A stay", "A month", "Choice"), own_kinds)
    rolls = kits.opened.tape.rename(columns={"uses_per_roll": "uses_per_item", "rolls_per_stay": "items_per_stay"})
    both = pd.concat([rolls, kits.opened.opened], ignore_index=True)
    both = both[both["choice"].isin(["best", "suits", "piece too long"])]
    for airway in kits.strata.itertuples():
        own = both[(both[STRATUM_KEY] == [getattr(airway, key) for key in STRATUM_KEY]).all(axis=1)]
        if len(own):
            page.group((airway.label,))
        for row in own.itertuples():
            wording = {"best": "BEST", "suits": ""}.get(row.choice, row.choice)
            wording = ", ".join(filter(None, (wording, "in the kit" if row.in_kit else "")))
            page.row((row.item, row.uses_per_item, row.items_per_stay, row.discarded_share, row.cost_per_stay,
                      row.monthly_cost, wording), own_kinds)
