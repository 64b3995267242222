"""The budget year as sheets: months, quarters and the year, then the items and prices that drive it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, line_chart, place

if TYPE_CHECKING:
    from kitplan.parts.forecast.budget import BudgetYear
    from kitplan.planning import Plan

YEAR, ITEMS = "Budget year", "What drives it"
_WIDTHS = (22, 22, 12, 12, 12, 12, 12, 13)


def add_budget(book: Book, plan: Plan, year: BudgetYear) -> None:
    """Add the sheets Budget year and What drives it."""
    page = book.page(YEAR, "Spent to date, where the year lands, what is left", _WIDTHS, landscape=False)
    page.title(f"{plan.unit.name}: the budget year", "Money for supplies. Emergency equipment is never planned away to "
               "meet a budget. Quantities for planning, no clinical advice.", year.sentences)
    _periods(page, year, book.currency)
    page.on_one_page()
    _items(book, year)


def _periods(page: Page, year: BudgetYear, currency: str) -> None:
    frame = year.periods.set_index("kind")
    columns = (
        ("Month", "text", "period"), ("Where it comes from", "text", "source"),
        (f"Budget ({currency})", "money", "budget"), ("Spent", "money", "spent"), ("Landing", "money", "landing"),
        ("80 % from", "whole", "low_landing"), ("80 % to", "whole", "high_landing"),
        ("Over or under", "money", "over_budget"),
    )
    kinds = tuple(kind for _, kind, _ in columns)
    rows = page.table(frame.loc["month"], columns)
    for row in frame.loc["quarter"].to_dict("records"):
        page.row([row[name] for _, _, name in columns], ("strong", *kinds[1:]))
    page.total([frame.loc["year", name] for _, _, name in columns], kinds)
    page.spread("Landing: what was spent, and for the other months what is expected. Months add up to quarters and the "
                "year to the cent; bands do not, because months do not all err one way.", "note")
    page.skip()
    lines = [Line("Landing", (1, *rows), (5, *rows)),
             Line("80 % from", (1, *rows), (6, *rows), marker=None, dash="dash"),
             Line("80 % to", (1, *rows), (7, *rows), marker=None, dash="dash")]
    if frame["budget"].notna().all():
        lines.append(Line("Budget", (1, *rows), (3, *rows), marker="x", dash="round_dot"))
    place(page, line_chart(page, lines, f"Money ({currency})"), rows=16)


def _items(book: Book, year: BudgetYear) -> None:
    page = book.page(ITEMS, "Which items and prices move the year away from its budget",
                     (44, 12, 13, 13, 13, 13, 13, 13))
    page.title("What drives the year", "Budget plus volume, mix and price is the landing, to the cent. Volume: all "
               "items used more or less alike. Mix: this item more or less than the others. Price: paid and expected "
               "against the list. A budget that is not by item is shared out as expected use takes items, "
               "at list prices.")
    named = year.items.assign(name=[d or i for d, i in zip(year.items["description"], year.items["item"])])
    page.table(named, (
        ("Item", "wrap", "name"), ("Units", "whole", "landing_units"), (f"Budget ({book.currency})", "money", "budget"),
        ("Volume", "money", "volume"), ("Mix", "money", "mix"), ("Price", "money", "price"),
        ("Landing", "money", "landing"), ("Over or under", "money", "over_budget"),
    ), freeze=True, frozen_columns=1)
    sums = [float(named[c].sum(min_count=1)) for c in ("budget", "volume", "mix", "price", "landing", "over_budget")]
    page.total(("All", None, *sums), ("text", "whole", *("money",) * 6))
    if len(year.prices):
        _prices(page, year)


def _prices(page: Page, year: BudgetYear) -> None:
    """Items with a price of their own; a rise that all others share is one sentence."""
    own = year.prices["last_paid"].notna()
    common = year.prices.loc[~own, "over_list"].round(6)
    usual = common.mode().iloc[0] if len(common) else None
    shown = year.prices[own | (year.prices["over_list"].round(6) != usual)]
    page.skip()
    if len(shown):
        page.another_table(len(shown))
        page.table(shown.assign(name=shown["description"].where(shown["description"] != "", shown["item"]),
                                day=shown["paid_on"].dt.strftime("%Y-%m-%d")), (
            ("Price of a pack", "wrap", "name"), ("List", "money", "list_price"), ("Last paid", "money", "last_paid"),
            ("On", "text", "day"), ("At the end", "money", "expected_price"), ("Over list", "share", "over_list"),
        ))
    if usual is not None:
        page.spread(f"{(common == usual).sum()} other items: {100 * usual:+.1f} % against the list at the end of the "
                    "year, by the rises in prices.csv.", "note")
