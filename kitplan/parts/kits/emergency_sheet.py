"""What emergency equipment belongs at the bedside of each kind of airway, to check by eye."""

from __future__ import annotations

import math

import pandas as pd

from kitplan.demand.fit import catalogue_records
from kitplan.demand.item_choice import held_roles
from kitplan.parts.kits.requirements import spare_tubes
from kitplan.planning import Plan
from kitplan.read.catalogue import item_fits
from kitplan.read.values import Unit
from kitplan.write.book import Book
from kitplan.write.shelf import role_title

_LABEL_WIDTH, _TICK_WIDTH = 44.0, 8.0


def bedside_list(plan: Plan) -> pd.DataFrame:
    """Columns stratum, label, role, item, description, at_bedside: emergency equipment of each kind of airway.

    An item belongs to an airway when the item choice gives it to that airway, or fits its tube and fills a role that
    it leaves open there; where spare tubes are held, the smaller one belongs to it too. at_bedside is
    the catalogue's floor for each bedside in whole things, at least 1.
    """
    items, chosen = plan.unit.catalogue, plan.item_choice.frame
    equipment, records = [i for i in items if i["critical"] or i["min_bedside"] > 0], catalogue_records(plan.unit)
    filled, rows = set(zip(chosen["stratum"], chosen["item"])), []
    for stratum, airway in enumerate(plan.unit.airways):
        label, own = airway["label"], held_roles(plan.unit, stratum)
        given = {item["item"] for item in equipment if (stratum, item["item"]) in filled}
        roles = {item["role"] for item in equipment if item["item"] in given}
        given |= {items[at]["item"] for at, _ in spare_tubes(plan.unit, airway, records) if at >= 0}
        for item in equipment:
            fits = item["role"] in own and item_fits(item, airway)
            if item["item"] in given or (item["role"] not in roles and fits and item["min_bedside"] > 0):
                at_bedside = max(math.ceil(item["min_bedside"]), 1)
                rows.append((stratum, label, item["role"], item["item"], item["description"], at_bedside))
    return pd.DataFrame(rows, columns=["stratum", "label", "role", "item", "description", "at_bedside"])


def not_listed(unit: Unit) -> list[str]:
    """What the list lacks, in sentences: an emergency list that looks complete and is not can hurt someone."""
    alike: dict[tuple[tuple[str, ...], tuple[str, ...]], list[str]] = {}
    for name in unit.strata["route"].unique():
        route = unit.route(name)
        alike.setdefault((route.outside, route.emergency), []).append(str(name).replace("_", " "))
    sentences = []
    for (outside, emergency), routes in alike.items():
        names = " and ".join(routes)
        if outside:
            but, generic = (", but for what a line above names", "") if unit.bedside.more_equipment else (
                "", ", or switch on the generic ones (more_equipment = true under [bedside] in unit.toml)")
            sentences.append(f"NOT ON THIS LIST ({names}){but}: {', '.join(outside)}. By your policy; not planned "
                             f"here unless you add rows to items.csv{generic}.")
        if not emergency:
            sentences.append(f"The recipes of this unit name no emergency equipment for {names}. That does not say "
                             "that none is needed: your policy decides.")
    in_mm = unit.strata[unit.strata["scale"] == "mm"]
    if len(in_mm) and not in_mm["size"].str.endswith("cuffed").all():
        sentences.append("A size without the word cuffed or uncuffed stands for either: the census does not say. A "
                         "cuffed tube of the same size is in a larger patient. Look at the patient, not at the list "
                         "alone.")
    return sentences


def bedside_rows(plan: Plan) -> tuple[list[str], list[list[str | None]]]:
    """(headings, rows): label, one cell a kind of equipment, everything else in one cell, and room for a tick."""
    critical = {item["role"] for item in plan.unit.catalogue if item["critical"]}
    held: dict[tuple[int, str], dict[str, str]] = {}
    for row in bedside_list(plan).itertuples():
        words = row.description if row.at_bedside == 1 else f"{row.at_bedside} x {row.description}"
        own = held.setdefault((row.stratum, row.label), {})
        own[row.role] = f"{own[row.role]}; {words}" if row.role in own else words
    main = list(dict.fromkeys(role for own in held.values() for role in own if role in critical))
    found: list[list[str | None]] = []
    for (_, label), own in held.items():
        others = "; ".join(words for role, words in own.items() if role not in main)
        found.append([label, *(own.get(role, "-") for role in main), others, None])
    heads = [plan.unit.words.one.capitalize(), *(role_title(role) for role in main), "Also", "Seen"]
    if any(row[-2] for row in found):
        return heads, found
    return [*heads[:-2], "Seen"], [[*row[:-2], None] for row in found]


TITLE_WORDS = "Emergency equipment at each bedside"
DO = ("Find the {one}; see that each thing hangs there, unopened, in date and of this size. No limit or budget takes "
      "anything off this list. It holds what this unit's catalogue and recipes know, and no more.")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Bedside emergency: one line an airway, one column a kind of equipment; then what it lacks."""
    heads, rows = bedside_rows(plan)
    widths = (_LABEL_WIDTH, *[28.0] * (len(heads) - 2), _TICK_WIDTH)
    page = book.page("Bedside emergency", "What emergency equipment must hang at each bedside", widths,
                     landscape=len(widths) > 4)
    page.title(TITLE_WORDS, DO.format(one=plan.unit.words.one))
    kinds = ("strong_wrap", *["wrap"] * (len(heads) - 2), "tick")
    page.header(heads, kinds)
    for row in rows:
        page.row(row, kinds)
    for sentence in not_listed(plan.unit):
        page.skip()
        page.spread(sentence, "strong_wrap")


def emergency_pdf(plan: Plan, foot: str) -> bytes:
    """The same list on paper, with a box to tick at each bedside."""
    from kitplan.write.listing import Column, Listing, listing_pdf

    heads, rows = bedside_rows(plan)
    columns = [Column(heads[0], 52, "strong"), *(Column(h, 60 if h == "Also" else 46) for h in heads[1:-1]),
               Column(heads[-1], 14, "write")]
    listing = Listing(TITLE_WORDS, DO.format(one=plan.unit.words.one), columns, rows, foot,
                      upright=len(columns) <= 5, after=not_listed(plan.unit))
    return listing_pdf(listing, plan.unit.paper)
