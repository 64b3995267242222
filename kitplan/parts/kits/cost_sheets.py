"""Bedside kits for whoever checks: what is issued and thrown away, and what designs and rolls cost."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.kits.model import KitPlan
from kitplan.planning import Plan
from kitplan.read.values import STRATUM_KEY
from kitplan.write.book import Book
from kitplan.write.charts import Line, place, scatter
from kitplan.write.shelf import role_title

ACCOUNTS_TITLE, CURVE_TITLE, ROLLS_TITLE = "Kits and the stock room", "Kit designs and cost", "Roll choice"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the accounts of the kits, the curve of designs, and the choice of rolls."""
    kits: KitPlan = plan.kits
    _add_accounts(book, plan, kits)
    _add_curve(book, kits)
    _add_rolls(book, plan.unit.words.one, kits)


def _add_accounts(book: Book, plan: Plan, kits: KitPlan) -> None:
    words = plan.unit.words
    page = book.page(ACCOUNTS_TITLE,
                     f"What kits take from the stock room, and what is left over when the {words.one} ends",
                     (30, 14, 16, 16, 16, 14, 16, 16))
    policy = plan.unit.bedside
    planned = "Par levels plan both (kits_in_par = true in unit.toml). " if policy.kits_in_par else (
        "Par levels plan what is used. They do not plan what is left in a kit: where it is thrown away, add the last "
        "column to par, or write kits_in_par = true under [bedside] in unit.toml and plan again. ")
    page.title(
        "Kits and the stock room",
        f"Issued to kits = used by {words.acts} + left in kits when their {words.one} ends. " + planned + "Kits at "
        "bedsides and kits built ahead stand outside the stock room and are in no par level. Admission secures come "
        "straight from the stock room and are in the par levels.")
    page.table(kits.accounts, (
        ("Item", "text", "item"), ("Used a month", "number", "used_per_month"),
        ("Left over a month", "number", "left_per_month"), ("Issued a month", "number", "issued_per_month"),
        ("At bedsides", "number", "at_bedsides"), ("In built kits", "whole", "in_built_kits"),
        ("Left over, one interval", "number", "left_per_interval"), ("Add to par (units)", "whole", "add_to_par_units"),
    ), freeze=True)


def _add_curve(book: Book, kits: KitPlan) -> None:
    page = book.page(CURVE_TITLE, "What one kit design more or fewer costs", (12, 18, 18, 10, 16, 18, 20, 30),
                     landscape=False)
    page.title("Kit designs and cost", "Money a month for what kits use and throw away. Few designs are easy to build "
                                       "and waste more; many fit better.")
    first, last = page.table(kits.curve.assign(note=kits.curve["note"].str.capitalize()), (
        ("Designs", "whole", "designs"), (f"A month ({book.currency})", "money", "monthly_cost"),
        ("Cannot cost less than", "money", "bound"), ("Gap", "share2", "gap"),
        ("Largest kit", "litres", "largest_litres"), ("Saved by one more design", "money", "saved"),
        ("Most sizes in a kit", "wrap", "sizes"), ("", "strong_wrap", "note"),
    ), freeze=True)
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


def _add_rolls(book: Book, one: str, kits: KitPlan) -> None:
    page = book.page(ROLLS_TITLE, "Which tape roll, dressing sheet and other single-patient item wastes least",
                     (26, 20, 14, 14, 14, 14, 20, 34))
    page.title("Roll choice", f"What is opened for one patient is thrown away when the {one} ends: long rolls waste "
                              "then, short rolls waste the remnants. Figures are exact expectations.")
    page.spread("One item for the whole unit", "strong")
    page.table(kits.opened.single.assign(does=kits.opened.single["role"].map(role_title)), (
        ("Item", "text", "item"), ("What it does", "text", "does"), ("Serves kinds", "whole", "serves"),
        ("of kinds", "whole", "strata"), ("Thrown away", "share", "discarded_share"),
        (f"A month ({book.currency})", "money", "monthly_cost"), ("Above best", "money", "extra_monthly_cost"),
        ("Remark", "wrap", "remark"),
    ))
    page.skip()
    page.spread(f"{one.capitalize()} by {one}", "strong")
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
