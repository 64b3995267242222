"""The budget year, one page for the manager, the months by item, past months explained, and how it was forecast."""

from __future__ import annotations

from collections.abc import Mapping

from kitplan.parts.forecast.budget import BudgetYear
from kitplan.parts.forecast.model import ManagerView
from kitplan.parts.forecast.months_ahead import Forecast
from kitplan.parts.forecast.variance import Variance
from kitplan.planning import Plan
from kitplan.write.book import Book, Page, lines_needed
from kitplan.write.charts import Line, line_chart, place


def add_sheets(book: Book, plan: Plan) -> None:
    view: ManagerView = plan.forecast
    if view.budget is not None:
        _budget_year(book, view.budget)
        _budget_items(book, view.budget)
    _manager_page(book, plan, view)
    _use_by_month(book, view.forecast)
    if view.variance is not None:
        called = dict(zip(plan.unit.items["item"], plan.unit.items["description"]))
        _past_months(book, view.variance, called)


def _manager_page(book: Book, plan: Plan, view: ManagerView) -> None:
    forecast = view.forecast
    page = book.sheet("Months ahead", forecast.sentences)
    rows = _money(page, forecast)
    months = (1, *rows)
    lines = [
        Line("Expected", months, (4, *rows)),
        Line("80 % from", months, (5, *rows), marker=None, dash="dash"),
        Line("80 % to", months, (6, *rows), marker=None, dash="dash"),
    ]
    if forecast.total["last_year_value"].notna().any():
        lines.append(Line("Year before", months, (7, *rows), marker="x", dash="round_dot"))
    place(page, line_chart(page, lines, f"Money ({book.currency})"), rows=16)
    page.table(forecast.periods[forecast.periods["kind"] == "quarter"], "quarters")
    page.skip()
    page.header("top items", freeze=False)
    for row in forecast.item_year.head(5).itertuples():
        name, at = row.description, page.next_row
        page.row((None, None, None, round(row.expected_units), row.expected_packs, row.value, row.share, None))
        page.merge(at, 1, 3, name, "wrap")
        page.height(at, lines_needed(name, sum(page.widths[:3]) - 1.5))
    page.skip()
    _what_changed(page, view)
    page.on_one_page()


def _money(page: Page, forecast: Forecast) -> tuple[int, int]:
    total = forecast.total.assign(re_secures=forecast.total["re_secures"].round(),
                                  over=forecast.total["value"] - forecast.total["last_year_value"])
    rows = page.table(total, "months ahead")
    mean, low, high = forecast.year_value
    spent = float(total["last_year_value"].sum(skipna=False))
    days, events = float(total["airway_days"].sum()), round(forecast.total["re_secures"].sum())
    page.total(("All", days, events, mean, low, high, spent, mean - spent))
    source = {
        "issued": "Year before: issued from stock.",
        "worked out from the census": "Year before: worked out from the census by rate and recipe, no issues known.",
    }.get(forecast.before_source, "Year before: not known.")
    page.note("band of a total", source=source)
    return rows


def _what_changed(page: Page, view: ManagerView) -> None:
    page.spread("What changed, and what to know", "strong")
    sentences = list(view.variance.sentences) if view.variance else []
    for sentence in [*sentences[:4], *view.notes()][:8]:  # the sheet Items to ask about names every one
        page.spread(sentence, "wrap")


def _use_by_month(book: Book, forecast: Forecast) -> None:
    months = list(dict.fromkeys(forecast.use["month"]))
    page = book.page(
        "Use by month",
        "Every item by month, in units, with its 80 % band over all months",
        (42, *(9.5,) * len(months), 11, 11, 11, 10, 12),
    )
    page.title(
        "Use by month",
        "Expected single items leaving the stock room (gloves in pairs); the last columns are all months together.",
    )
    units = forecast.use.pivot(index="item", columns="month", values="expected_units").round().reset_index()
    year = forecast.item_year
    page.table(year.assign(expected_units=year["expected_units"].round()).merge(units, on="item", how="left"), (
        ("Item", "wrap", "description"), *((month, "whole", month) for month in months),
        ("All", "whole", "expected_units"), ("80 % from", "whole", "low_units"), ("80 % to", "whole", "high_units"),
        ("Packs", "number", "expected_packs"), (f"Money ({book.currency})", "whole", "value"),
    ), freeze=True, frozen_columns=1)
    page.total(("Total", *[None] * (len(months) + 4), float(year["value"].sum())), ("text", *page.kinds[1:]))
    page.note("all bands")


def _budget_year(book: Book, year: BudgetYear) -> None:
    page = book.sheet("Budget year", year.sentences)
    frame = year.periods.set_index("kind")
    rows, columns = page.table(frame.loc["month"], "budget year"), page.book.columns("budget year")
    for row in frame.loc["quarter"].to_dict("records"):
        page.row([row[name] for _, _, name in columns], ("strong", *page.kinds[1:]))
    page.total([frame.loc["year", name] for _, _, name in columns])
    page.note("landing")
    page.skip()
    lines = [Line("Landing", (1, *rows), (5, *rows)),
             Line("80 % from", (1, *rows), (6, *rows), marker=None, dash="dash"),
             Line("80 % to", (1, *rows), (7, *rows), marker=None, dash="dash")]
    if frame["budget"].notna().all():
        lines.append(Line("Budget", (1, *rows), (3, *rows), marker="x", dash="round_dot"))
    place(page, line_chart(page, lines, f"Money ({book.currency})"), rows=16)
    page.on_one_page()


def _budget_items(book: Book, year: BudgetYear) -> None:
    page = book.sheet("What drives it")
    page.table(year.items, "budget items", freeze=True, frozen_columns=1)
    sums = year.items[["budget", "volume", "mix", "price", "landing", "over_budget"]].sum(min_count=1).round(2) + 0.0
    page.total(("All", None, *sums.tolist()), ("text", *page.kinds[1:]))
    if len(year.prices):
        _price_rises(page, year)


def _price_rises(page: Page, year: BudgetYear) -> None:
    """Items with a price of their own; a rise that all others share is one sentence."""
    own = year.prices["last_paid"].notna()
    common = year.prices.loc[~own, "over_list"].round(6)
    usual = common.mode().iloc[0] if len(common) else None
    shown = year.prices[own | (year.prices["over_list"].round(6) != usual)]
    page.skip()
    if len(shown):
        page.another_table(len(shown))
        page.table(shown.assign(day=shown["paid_on"].dt.strftime("%Y-%m-%d")), "price rises")
    if usual is not None:
        page.spread(f"{(common == usual).sum()} other items: {100 * usual:+.1f} % against the list at the end of the "
                    "year, by the rises in prices.csv.", "note")


def _past_months(book: Book, variance: Variance, called: Mapping[str, str]) -> None:
    """Add the sheet Past months. called: description of each item."""
    page = book.sheet("Past months", (*variance.sentences, *variance.notes), "wrap")
    if not len(variance.by_month):
        return
    rows = page.table(variance.by_month, "past months", freeze=True, frozen_columns=1)
    sums = variance.by_month.iloc[:, 1:].sum().round(2)
    page.total(("All", *(float(v) for v in sums)))
    page.skip()
    months = (1, *rows)
    lines = [Line("Forecast", months, (2, *rows), marker="diamond", dash="dash"), Line("Spent", months, (8, *rows))]
    place(page, line_chart(page, lines, f"Money ({book.currency})"), rows=16)
    if len(variance.named):  # a sheet of their own: of two long tables on one, one goes on without its heading
        page = book.sheet("Items to ask about")
        page.header("items to ask about")
        for row in variance.named.itertuples():
            page.row((called.get(row.item, row.item), row.months, row.expected_units, row.actual_units,
                      row.unexplained_share, row.unexplained_value))
            page.spread(row.say, "note")


def add_method(book: Book, plan: Plan) -> None:
    """Add the sheet How it was forecast."""
    forecast = plan.forecast.forecast
    page = book.sheet("How it was forecast", reason=forecast.reason)
    if len(forecast.backtest):
        tried = forecast.backtest.assign(used=forecast.backtest["chosen"].map({True: "yes", False: ""}))
        rows = page.table(tried, "forecast methods")
        page.note("forecast methods")
        scaled = Line("Scaled error (1: as this month)", (1, *rows), (5, *rows))
        place(page, line_chart(page, [scaled], "Scaled error", y_format="0.0", bars=True), rows=14)
    page.skip()
    months, many = forecast.history, plan.unit.words.many
    rows = page.table(months.assign(whole=months["complete"].map({True: "yes", False: "no"})), "census months")
    page.skip()
    if len(months) > 1:
        line = Line(f"Mean {many} in place", (1, *rows), (4, *rows))
        place(page, line_chart(page, [line], many.capitalize(), y_format="0.0"), rows=16)
