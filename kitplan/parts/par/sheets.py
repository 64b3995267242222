"""The par levels, grouped by role, each with the reason for its number."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.par.summary import not_yet_own
from kitplan.planning import Plan
from kitplan.read.catalogue import marked
from kitplan.write.book import Book, Page
from kitplan.write.shelf import by_role, role_title, stock_lines

TITLE = "Par levels"
_WIDTHS = (8, 33, 12, 8, 9, 10, 10, 11, 10, 58)
_KINDS = ("strong", "wrap", "wrap", "whole", "whole", "number", "share2", "money", "litres", "wrap")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Par levels."""
    days = plan.unit.stock.protection_interval_days
    page = book.page(TITLE, "How much of each item to hold, and why", _WIDTHS)
    page.title(
        f"Par levels: {plan.unit.name}",
        "Par, in single items: when shelf and order together are under it, order the fewest whole packs that reach it. "
        f"Expected use and the chance of running short are for {days:g} days, from one count until the order "
        "of the next count arrives. EM marks emergency equipment: no limit lowers it.",
    )
    for sentence in not_yet_own(plan.unit):
        page.spread(sentence, "strong_wrap")
    page.header(
        ("Bin", "Item", "Unit of issue", "Par: order when under", "At most after ordering",
         "Expected use (units)", "Chance it runs short", f"Value at most ({book.currency})", "Shelf at most",
         "Because"),
        _KINDS, frozen_columns=2,
    )
    lines = stock_lines(plan)
    held = lines[lines["par_packs"] > 0]
    for role, rows in by_role(held):
        page.group(
            (None, role_title(role), None, None, None, None, None, float(rows["value"].sum()),
             float(rows["litres"].sum()), None),
            ("strong", "strong", "text", "text", "text", "text", "text", "money", "litres", "text"),
        )
        _rows(page, rows)
    page.total(
        (None, f"All {len(held)} items", None, None, None, None, None,
         float(held["value"].sum()), float(held["litres"].sum()), None),
        ("strong", "strong", "text", "whole", "text", "text", "text", "money", "litres", "text"),
    )
    _left_out(page, lines[lines["par_packs"] == 0], plan.unit.words.one)


def _rows(page: Page, rows: pd.DataFrame) -> None:
    for row in rows.itertuples():
        name = marked(str(row.spoken), row.critical)
        page.row(
            (row.bin, name, row.unit_of_issue, row.par_units, row.largest_units, row.expected_units,
             row.shortage_chance, row.value, row.litres, row.because),
            _KINDS,
        )


def _left_out(page: Page, rows: pd.DataFrame, one: str) -> None:
    if not len(rows):
        return
    page.skip()
    page.spread(f"Not held by this plan (no {one} in the census needs them, or another item does the same for less): "
                + "; ".join(str(s) for s in rows["spoken"]) + ".", "note")
