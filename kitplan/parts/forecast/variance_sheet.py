"""Past months: what was spent against what would have been forecast, and because of what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from kitplan.write.book import Book
from kitplan.write.charts import Line, line_chart, place

if TYPE_CHECKING:
    from kitplan.parts.forecast.variance import Variance
    from kitplan.planning import Plan

TITLE = "Past months"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Past months, where the plan explains them."""
    view = plan.forecast
    if view.variance is not None:
        add_variance(book, view.variance, dict(zip(plan.unit.items["item"], plan.unit.items["description"])))


def add_variance(book: Book, variance: Variance, called: Mapping[str, str]) -> None:
    """Add the sheet Past months. called: description of each item."""
    page = book.page(
        TITLE, "Why past months cost what they did, to the cent", (28, 15, 12, 12, 13, 13, 12, 14)
    )
    page.title(
        "Why past months cost what they did",
        "Forecast plus the five effects is what was spent, to the cent. Each effect is a step on the way from the "
        "forecast to the money spent, in this order. Forecast: what a person would have expected from the months "
        "before (the last three, and the same month of last year where known). Census: more or fewer airways. How "
        "often: re-secures an airway. Use per event: kinds of airway that take more or less. Unexplained: what "
        "none of these accounts for.",
    )
    for sentence in (*variance.sentences, *variance.notes):
        page.spread(sentence, "wrap")
    page.skip()
    if not len(variance.by_month):
        return
    kinds = ("text", *("money",) * 7)
    page.header(
        (
            "Month",
            f"Forecast ({book.currency})",
            "Census",
            "How often",
            "Use per event",
            "Unexplained",
            "Price",
            "Spent",
        ),
        kinds,
        frozen_columns=1,
    )
    rows = [
        page.row(
            (
                row.month,
                row.forecast_value,
                row.census,
                row.frequency,
                row.use_per_event,
                row.unexplained,
                row.price,
                row.actual_value,
            ),
            kinds,
        )
        for row in variance.by_month.itertuples()
    ]
    sums = variance.by_month.iloc[:, 1:].sum().round(2)
    page.total(("All", *(float(v) for v in sums)), kinds)
    page.skip()
    page.new_printed_page()
    months = (1, rows[0], rows[-1])
    chart = line_chart(
        page,
        [
            Line("Forecast", months, (2, rows[0], rows[-1]), marker="diamond", dash="dash"),
            Line("Spent", months, (8, rows[0], rows[-1])),
        ],
        "Month",
        f"Money ({book.currency})",
    )
    place(page, chart, rows=16)
    if len(variance.named):
        few = ("wrap", "text", "number", "number", "share", "money")
        page.header(
            ("Item to ask about", "Months", "Explained units", "Issued units", "Unexplained", "Money"),
            few,
            freeze=False,
        )
        for row in variance.named.itertuples():
            page.row(
                (
                    called.get(row.item, row.item),
                    row.months,
                    row.expected_units,
                    row.actual_units,
                    row.unexplained_share,
                    row.unexplained_value,
                ),
                few,
            )
            page.spread(row.say, "note")
