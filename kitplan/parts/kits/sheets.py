"""Bedside kits: which kit, how many to build, what lies in each and why; and for whoever checks, what they cost."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.kits.model import KitPlan
from kitplan.parts.kits.tables import kit_lookup, served_lines
from kitplan.planning import Plan
from kitplan.read.values import STRATUM_KEY
from kitplan.write.book import Book
from kitplan.write.charts import Line, place, scatter
from kitplan.write.layout import sheet_notes
from kitplan.write.shelf import role_title

_ROOM = 1.4
"""Rows of room that a row of a kit takes on a printed page: some take two lines."""


def add_sheets(book: Book, plan: Plan) -> None:
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
    held = [r for name in plan.unit.strata["route"].unique() for r in plan.unit.route(name).emergency]
    roles = [role_title(role).lower() for role in dict.fromkeys(held)]
    named = " and ".join(filter(None, (", ".join(roles[:-1]), *roles[-1:])))
    page.note("no such size, emergency" if named else "no such size", "wrap", held=named)


def _add_kits(book: Book, plan: Plan, kits: KitPlan) -> None:
    policy = plan.unit.bedside
    page = book.sheet("Kits", hours=policy.restock_hours, sure=100 * policy.readiness)
    page.table(kits.builds.assign(kit="Kit " + kits.builds["design"], because=[
        f"{row.mean_arrivals:.1f} arrivals and {row.mean_top_up_sets:.1f} restocks expected; "
        f"{row.at_bedsides:.1f} at bedsides" for row in kits.builds.itertuples()]), "kits to build")
    page.note("kits for the week", sure=100 * policy.readiness, days=plan.unit.stock.review_days)
    page.skip()
    page.another_table(int(_ROOM * max(kits.contents["design"].value_counts(), default=0)) + 2)
    page.note("kit contents", "strong")
    served = served_lines(kits.strata, {name: t.title for name, t in plan.unit.techniques.items()})
    page.header("kit contents")
    for design, rows in kits.contents.groupby("design", sort=False):
        page.keep_together(_ROOM * len(rows) + 2)
        page.group((f"Kit {design}: serves {'; '.join(served[design])}",))
        page.lines(rows.assign(mark=rows["emergency"].map({"yes": "EM"})))
        page.total((None, f"Kit {design}", None, int(rows["quantity"].sum()), float(rows["value"].sum()),
                    float(rows["litres"].sum()), None))


def add_costs(book: Book, plan: Plan) -> None:
    """Add the accounts of the kits, the curve of designs, and the choice of rolls."""
    kits: KitPlan = plan.kits
    left = "kits left planned" if plan.unit.bedside.kits_in_par else "kits left not planned"
    page = book.sheet("Kits and the stock room", planned=sheet_notes()[left])
    page.table(kits.accounts, "kit accounts", freeze=True)
    _add_curve(book, kits)
    _add_rolls(book, plan.unit.words.one, kits)


def _add_curve(book: Book, kits: KitPlan) -> None:
    page = book.sheet("Kit designs and cost")
    first, last = page.table(kits.curve.assign(note=kits.curve["note"].str.capitalize()), "kit designs", freeze=True)
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
    page = book.sheet("Roll choice")
    page.spread("One item for the whole unit", "strong")
    page.table(kits.opened.single.assign(does=kits.opened.single["role"].map(role_title)), "one item for all")
    page.skip()
    page.spread(f"{one.capitalize()} by {one}", "strong")
    rolls = kits.opened.tape.rename(columns={"uses_per_roll": "uses_per_item", "rolls_per_stay": "items_per_stay"})
    both = pd.concat([rolls, kits.opened.opened], ignore_index=True)
    both = both[both["choice"].isin(["best", "suits", "piece too long"])].copy()
    wording = both["choice"].replace({"best": "BEST", "suits": ""})
    both["told"] = [", ".join(filter(None, (told, "in the kit" * held))) for told, held in zip(wording, both["in_kit"])]
    own = dict(iter(both.groupby(STRATUM_KEY, sort=False)))
    keys = kits.strata.set_index(STRATUM_KEY)["label"].items()
    page.table([(label, own[key]) for key, label in keys if key in own], "roll by roll", freeze=True)
