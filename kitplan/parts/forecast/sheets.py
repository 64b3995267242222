"""One page for the manager, then the months by item."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts.forecast import budget_sheet as budget
from kitplan.parts.forecast import variance_sheet as variance
from kitplan.write.book import Book, Page, lines_needed
from kitplan.write.charts import Line, line_chart, place

if TYPE_CHECKING:
    from kitplan.parts.forecast.model import ManagerView
    from kitplan.parts.forecast.months_ahead import Forecast
    from kitplan.planning import Plan
    from kitplan.read.values import Route

MANAGER, ITEMS = "Months ahead", "Use by month"
_WIDTHS = (14, 14, 14, 14, 14, 14, 14, 14)


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the budget year, the manager's page, use by month, and past months where issues are known."""
    view: ManagerView = plan.forecast
    if view.budget is not None:
        budget.add_budget(book, plan, view.budget)
    _manager_page(book, plan, view)
    _use_by_month(book, view.forecast)
    if view.variance is not None:
        called = dict(zip(plan.unit.items["item"], plan.unit.items["description"]))
        variance.add_variance(book, view.variance, called)


def _manager_page(book: Book, plan: Plan, view: ManagerView) -> None:
    forecast = view.forecast
    page = book.page(MANAGER, "One page for the manager: money by month, top items, what changed", _WIDTHS,
                     landscape=False)
    page.title(
        f"{plan.unit.name}: supplies for the months ahead",
        f"Supplies for {plan.unit.words.acts} only, at prices as last paid, else the catalogue's. Quantities for "
        "planning, no clinical advice.",
        forecast.sentences,
    )
    rows = _money(page, forecast, book.currency, plan.unit.words)
    chart = line_chart(page, _money_lines(rows, forecast), f"Money ({book.currency})")
    place(page, chart, rows=16)
    _quarters(page, forecast, book.currency)
    _top_five(page, forecast, book.currency)
    _what_changed(page, view)
    page.on_one_page()


def _money(page: Page, forecast: Forecast, currency: str, words: Route) -> tuple[int, int]:
    total = forecast.total.assign(re_secures=forecast.total["re_secures"].round(),
                                  over=forecast.total["value"] - forecast.total["last_year_value"])
    rows = page.table(total, (
        ("Month", "text", "month"), (f"{words.one.capitalize()}-days", "whole", "airway_days"),
        (words.acts.capitalize(), "whole", "re_secures"),
        (f"Expected ({currency})", "whole", "value"), ("80 % from", "whole", "low_value"),
        ("80 % to", "whole", "high_value"), ("Year before", "whole", "last_year_value"),
        ("Over or under", "whole", "over"),
    ))
    mean, low, high = forecast.year_value
    spent = float(total["last_year_value"].sum(skipna=False))
    days, events = float(total["airway_days"].sum()), round(forecast.total["re_secures"].sum())
    page.total(("All", days, events, mean, low, high, spent, mean - spent), ("text", *("whole",) * 7))
    source = {
        "issued": "Year before: issued from stock.",
        "worked out from the census": "Year before: worked out from the census by rate and recipe, no issues known.",
    }.get(forecast.before_source, "Year before: not known.")
    page.spread(
        f"{source} Over or under: expected less year before. The band of the total is not the sum of the months' "
        "bands: months do not all err one way.",
        "note",
    )
    return rows


def _money_lines(rows: tuple[int, int], forecast: Forecast) -> list[Line]:
    months = (1, *rows)
    lines = [
        Line("Expected", months, (4, *rows)),
        Line("80 % from", months, (5, *rows), marker=None, dash="dash"),
        Line("80 % to", months, (6, *rows), marker=None, dash="dash"),
    ]
    if forecast.total["last_year_value"].notna().any():
        lines.append(Line("Year before", months, (7, *rows), marker="x", dash="round_dot"))
    return lines


def _quarters(page: Page, forecast: Forecast, currency: str) -> None:
    quarters = forecast.periods[forecast.periods["kind"] == "quarter"]
    page.table(quarters, (("By quarter", "text", "period"), ("Months in it", "whole", "months"), ("", "text", ""),
                          (f"Expected ({currency})", "whole", "value"), ("80 % from", "whole", "low_value"),
                          ("80 % to", "whole", "high_value"), ("95 % from", "whole", "low_95_value"),
                          ("95 % to", "whole", "high_95_value")))
    page.skip()


def _top_five(page: Page, forecast: Forecast, currency: str) -> None:
    kinds = ("wrap", "text", "text", "whole", "whole", "whole", "share", "text")
    page.header(("Top five items", "", "", "Units", "Packs", f"Money ({currency})", "Share", ""), kinds, freeze=False)
    for row in forecast.item_year.head(5).itertuples():
        name, at = row.description or row.item, page.next_row
        page.row((None, None, None, round(row.expected_units), row.expected_packs, row.value, row.share, None), kinds)
        page.merge(at, 1, 3, name, "wrap")
        page.height(at, lines_needed(name, sum(_WIDTHS[:3]) - 1.5))
    page.skip()


def _what_changed(page: Page, view: ManagerView) -> None:
    page.spread("What changed, and what to know", "strong")
    sentences = list(view.variance.sentences) if view.variance else []
    for sentence in [*sentences, *view.notes()][:8]:
        page.spread(sentence, "wrap")


def _use_by_month(book: Book, forecast: Forecast) -> None:
    months = list(dict.fromkeys(forecast.use["month"]))
    page = book.page(
        ITEMS,
        "Every item by month, in units, with its 80 % band over all months",
        (42, *(9.5,) * len(months), 11, 11, 11, 10, 12),
    )
    page.title(
        "Use by month",
        "Expected single items leaving the stock room (gloves in pairs); the last columns are all months together.",
    )
    units = forecast.use.pivot(index="item", columns="month", values="expected_units").round().reset_index()
    year = forecast.item_year.assign(name=[d or i for d, i in zip(forecast.item_year["description"],
                                                                  forecast.item_year["item"])])
    page.table(year.assign(expected_units=year["expected_units"].round()).merge(units, on="item", how="left"), (
        ("Item", "wrap", "name"), *((month, "whole", month) for month in months), ("All", "whole", "expected_units"),
        ("80 % from", "whole", "low_units"), ("80 % to", "whole", "high_units"),
        ("Packs", "number", "expected_packs"), (f"Money ({book.currency})", "whole", "value"),
    ), freeze=True, frozen_columns=1)
    kinds = ("text", *("whole",) * (len(months) + 3), "number", "whole")
    page.total(("Total", *[None] * (len(months) + 4), float(forecast.item_year["value"].sum())), kinds)
    page.spread("tables/monthly_use.csv holds the 80 and 95 % bands of every item and month.", "note")
