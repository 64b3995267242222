"""Bedside kits in the workbook: which kit, what lies in it and why, what to build, what designs and rolls cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from kitplan.parts.kits.lookup import kit_lookup, served_lines
from kitplan.read.values import STRATUM_KEY
from kitplan.write.book import Book
from kitplan.write.charts import Line, place, scatter
from kitplan.write.shelf import role_title

if TYPE_CHECKING:
    from kitplan.parts.kits.model import KitPlan
    from kitplan.plan import Plan

LOOKUP_TITLE, CONTENTS_TITLE, BUILD_TITLE = "Which kit", "Kit contents", "Kits to build"
CURVE_TITLE, ROLLS_TITLE = "Kit designs and cost", "Roll choice"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the five kit sheets, the one a nurse reads first."""
    kits: KitPlan = plan.kits
    _add_lookup(book, plan, kits)
    _add_contents(book, plan, kits)
    _add_builds(book, plan, kits)
    _add_curve(book, kits)
    _add_rolls(book, kits)


def _add_lookup(book: Book, plan: Plan, kits: KitPlan) -> None:
    titles = {name: t.title for name, t in plan.unit.techniques.items()}
    lookup = kit_lookup(kits.strata, titles)
    widths = (16, *[max(22, 66 // len(lookup.routes))] * len(lookup.routes))
    page = book.page(LOOKUP_TITLE, "Which bedside kit for which tube: size down, route across", widths, landscape=False)
    page.title("Which kit?", "Tube size down, route across. The letter is the kit.")
    page.header(("Tube (mm)", *(r.capitalize() for r in lookup.routes)), ["tick"] * len(widths), frozen_columns=1)
    for size in lookup.sizes:
        cells = [lookup.cells.get((size, route), ("–",)) for route in lookup.routes]
        kinds = ["huge" if len(lines) == 1 else "large" for lines in cells]
        row = page.row((f"{size:.1f}", *("\n".join(lines) for lines in cells)), ("large", *kinds))
        most = max(len(lines) for lines in cells)
        page.points(row, 34 if most == 1 else 20 + 17 * most)
    page.skip()
    page.spread("A tube that is not on this list: use the kit of the nearest size whose mask and bag fit the patient, "
                "and tell the coordinator. Check mask and bag with your own eyes.", "wrap")


def _add_contents(book: Book, plan: Plan, kits: KitPlan) -> None:
    page = book.page(CONTENTS_TITLE, "What lies in each kit design, and why", (6, 24, 40, 12, 12, 10, 50))
    policy, titles = plan.unit.bedside, {name: t.title for name, t in plan.unit.techniques.items()}
    page.title("Kit contents", f"One kit lasts {policy.restock_hours:g} hours with {policy.readiness:.0%} chance. "
                               "Quantities are single items, not packs. EM: emergency set, never left out.")
    kinds = ("strong", "text", "wrap", "whole", "money", "litres", "wrap")
    page.header(("", "Item", "Description", "Single items", f"Value ({book.currency})", "Volume", "Because"), kinds)
    for design, rows in kits.contents.groupby("design", sort=False):
        page.group((f"Kit {design}: serves {'; '.join(served_lines(kits.strata, str(design), titles))}",))
        for row in rows.itertuples():
            mark = "EM" if row.emergency == "yes" else None
            page.row((mark, row.item, row.description, row.quantity, row.value, row.litres, row.because), kinds)
        page.total((None, f"Kit {design}", None, int(rows["quantity"].sum()), float(rows["value"].sum()),
                    float(rows["litres"].sum()), None), kinds)


def _add_builds(book: Book, plan: Plan, kits: KitPlan) -> None:
    page = book.page(BUILD_TITLE, "How many kits and restock sets for the week ahead; kits against the stock room",
                     (30, 14, 16, 16, 16, 14, 16, 16))
    policy = plan.unit.bedside
    chance = f"{policy.readiness:.0%}"
    page.title("Kits to build for the week ahead",
               f"Enough with {chance} chance. Count what is built already and build the difference.")
    page.header(("Design", "Full kits", "Arrivals expected", "Restock sets", "Restock sets expected", "At bedsides",
                 "Re-secures a kit"), ("text", *["whole", "number"] * 2, "number", "whole"), freeze=False)
    for row in kits.builds.itertuples():
        page.row((f"Kit {row.design}", row.build, row.mean_arrivals, row.top_up_sets, row.mean_top_up_sets,
                  row.at_bedsides, row.re_secures), ("strong", *["whole", "number"] * 2, "number", "whole"))
    page.skip()
    page.spread("A full kit goes to each airway that arrives. A restock set replaces what one re-secure used.", "wrap")
    page.skip()
    page.spread("Kits and the stock room", "strong")
    page.spread("Issued to kits = used by re-secures + left in kits when their airway ends. " + (
        "Par levels plan both (kits_in_par = true in unit.toml). " if policy.kits_in_par else
        "Par levels plan what is used. They do not plan what is left in a kit: where it is thrown away, add the last "
        "column to par, or write kits_in_par = true under [bedside] in unit.toml and plan again. "
    ) + "Kits at bedsides and kits built ahead stand outside the stock room and are in no par level. Admission secures "
        "come straight from the stock room and are in the par levels.", "wrap")
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
