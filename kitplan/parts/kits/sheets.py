"""Bedside kits: which kit, how many to build, what lies in each and why; and for whoever checks, what they cost."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.kits.model import KitPlan
from kitplan.parts.kits.tables import kit_lookup, served_lines
from kitplan.planning import Plan
from kitplan.read.values import STRATUM_KEY, Unit
from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, place, scatter
from kitplan.write.shelf import role_title

_ROOM = 1.4
"""Rows of room that a row of a kit takes on a printed page: some take two lines."""


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the look-up that a nurse reads, and the kits to build with their contents."""
    kits: KitPlan = plan.kits
    _add_lookup(book, plan, kits)
    _add_kits(book, plan, kits)


def _add_lookup(book: Book, plan: Plan, kits: KitPlan) -> None:
    lookup = kit_lookup(kits.strata, plan.unit)
    widths = (16, *[max(22, 66 // len(lookup.routes))] * len(lookup.routes))
    page = book.page("Which kit", "Which bedside kit for which size: size down, route across", widths, landscape=False)
    page.title("Which kit?", f"{plan.unit.words.device.capitalize()} size down, route across. The letter is the kit.")
    page.header((lookup.heading, *(r.capitalize() for r in lookup.routes)), ["tick"] * len(widths), frozen_columns=1)
    for size in lookup.sizes:
        cells = [lookup.cells.get((size, route), ("–",)) for route in lookup.routes]
        kinds = ["huge" if len(lines) == 1 else "large" for lines in cells]
        row = page.row((size, *("\n".join(lines) for lines in cells)), ("large", *kinds))
        most = max(len(lines) for lines in cells)
        page.points(row, 34 if most == 1 else 20 + 17 * most)
    page.skip()
    page.spread(_not_on_list(plan.unit), "wrap")


def _not_on_list(unit: Unit) -> str:
    """What to do with a size that no kit was planned for; it names what is sized to the patient, where anything is."""
    held = [r for name in unit.strata["route"].unique() for r in unit.route(name).emergency]
    roles = [role_title(role).lower() for role in dict.fromkeys(held)]
    if not roles:
        return ("A size that is not on this list: use the kit of the nearest size, and tell the coordinator. Check "
                "what lies in it with your own eyes.")
    named = " and ".join(filter(None, (", ".join(roles[:-1]), roles[-1])))
    return (f"A size that is not on this list: use the kit of the nearest size whose {named} fit the patient, and tell "
            f"the coordinator. Check {named} with your own eyes.")


def _add_kits(book: Book, plan: Plan, kits: KitPlan) -> None:
    page = book.page("Kits", "How many kits to build for the week ahead, and what lies in each",
                     (6, 24, 40, 12, 12, 12, 50))
    policy = plan.unit.bedside
    page.title(
        "Bedside kits",
        f"One kit lasts {policy.restock_hours:g} hours with {100 * policy.readiness:.0f} % chance. Count what is built "
        "already and build the difference.")
    _builds(page, plan, kits)
    page.spread(f"A full kit goes to each {plan.unit.words.one} that arrives. A restock set replaces what one "
                f"{plan.unit.words.act} used. The "
                f"numbers are enough for the week ahead with {100 * policy.readiness:.0f} % chance.", "note")
    page.skip()
    page.another_table(int(_ROOM * max(kits.contents["design"].value_counts(), default=0)) + 2)
    page.spread("What lies in each kit: single items, not packs. EM: emergency set, never left out.", "strong")
    titles = {name: t.title for name, t in plan.unit.techniques.items()}
    kinds = ("strong", "text", "wrap", "whole", "money", "litres", "wrap")
    page.header(("", "Item", "Description", "Single items", f"Value ({book.currency})", "Volume", "Because"), kinds)
    for design, rows in kits.contents.groupby("design", sort=False):
        page.keep_together(_ROOM * len(rows) + 2)
        page.group((f"Kit {design}: serves {'; '.join(served_lines(kits.strata, str(design), titles))}",))
        for row in rows.itertuples():
            mark = "EM" if row.emergency == "yes" else None
            page.row((mark, row.item, row.description, row.quantity, row.value, row.litres, row.because), kinds)
        page.total((None, f"Kit {design}", None, int(rows["quantity"].sum()), float(rows["value"].sum()),
                    float(rows["litres"].sum()), None), kinds)


def _builds(page: Page, plan: Plan, kits: KitPlan) -> None:
    """How many full kits and restock sets to have ready."""
    kinds = ("text", "strong", "wrap", "whole", "whole", "whole", "wrap")
    page.header(("", "To build", "", "Full kits", "Restock sets", f"{plan.unit.words.acts.capitalize()} a kit",
                 "Because"), kinds, freeze=False)
    for row in kits.builds.itertuples():
        because = (f"{row.mean_arrivals:.1f} arrivals and {row.mean_top_up_sets:.1f} restocks expected; "
                   f"{row.at_bedsides:.1f} at bedsides")
        page.row((None, f"Kit {row.design}", None, row.build, row.top_up_sets, row.re_secures, because), kinds)


def add_costs(book: Book, plan: Plan) -> None:
    """Add the accounts of the kits, the curve of designs, and the choice of rolls."""
    kits: KitPlan = plan.kits
    _add_accounts(book, plan, kits)
    _add_curve(book, kits)
    _add_rolls(book, plan.unit.words.one, kits)


def _add_accounts(book: Book, plan: Plan, kits: KitPlan) -> None:
    words = plan.unit.words
    page = book.page("Kits and the stock room",
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
    page = book.page("Kit designs and cost", "What one kit design more or fewer costs",
                     (12, 18, 18, 10, 16, 18, 20, 30), landscape=False)
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
    page = book.page("Roll choice", "Which tape roll, dressing sheet and other single-patient item wastes least",
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
