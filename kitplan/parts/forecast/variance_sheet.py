"""Past months: what was spent against what would have been forecast, and because of what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, line_chart, place

if TYPE_CHECKING:
    from kitplan.parts.forecast.variance import Variance

TITLE = "Past months"


def add_variance(book: Book, variance: Variance, called: Mapping[str, str]) -> None:
    """Add the sheet Past months. called: description of each item."""
    page = book.page(TITLE, "Why past months cost what they did, to the cent", (28, 15, 12, 12, 13, 13, 12, 14))
    page.title(
        "Why past months cost what they did",
        "Forecast plus the five effects is what was spent, to the cent. Each effect is a step on the way from the "
        "forecast to the money spent, in this order. Forecast: what a person would have expected from the months "
        "before (the last three, and the same month of last year where known). Census: more or fewer airways. How "
        "often: re-secures an airway. Use per event: kinds of airway that take more or less. Unexplained: what "
        "none of these accounts for.",
        (*variance.sentences, *variance.notes), "wrap",
    )
    if not len(variance.by_month):
        return
    rows = page.table(variance.by_month, (
        ("Month", "text", "month"), (f"Forecast ({book.currency})", "money", "forecast_value"),
        ("Census", "money", "census"), ("How often", "money", "frequency"), ("Use per event", "money", "use_per_event"),
        ("Unexplained", "money", "unexplained"), ("Price", "money", "price"), ("Spent", "money", "actual_value"),
    ), freeze=True, frozen_columns=1)
    sums = variance.by_month.iloc[:, 1:].sum().round(2)
    page.total(("All", *(float(v) for v in sums)), ("text", *("money",) * 7))
    page.skip()
    page.new_printed_page()
    months = (1, *rows)
    lines = [Line("Forecast", months, (2, *rows), marker="diamond", dash="dash"), Line("Spent", months, (8, *rows))]
    place(page, line_chart(page, lines, f"Money ({book.currency})"), rows=16)
    if len(variance.named):
        _named(page, variance, called)


def _named(page: Page, variance: Variance, called: Mapping[str, str]) -> None:
    """Items whose use the months do not explain."""
    kinds = ("wrap", "text", "number", "number", "share", "money")
    page.header(("Item to ask about", "Months", "Explained units", "Issued units", "Unexplained", "Money"), kinds,
                freeze=False)
    for row in variance.named.itertuples():
        page.row((called.get(row.item, row.item), row.months, row.expected_units, row.actual_units,
                  row.unexplained_share, row.unexplained_value), kinds)
        page.spread(row.say, "note")
