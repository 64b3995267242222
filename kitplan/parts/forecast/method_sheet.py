"""How the months ahead were forecast, for whoever checks: which method did best on past months, and the history."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, bar_chart, line_chart, place

if TYPE_CHECKING:
    from kitplan.parts.forecast.months_ahead import Forecast
    from kitplan.planning import Plan

TITLE = "How it was forecast"
_METHODS = ("Method", "Used", "Tried from", "Months compared", "Scaled error", "Mean error (airways)", "80 % band held",
            "95 % band held")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet How it was forecast."""
    forecast = plan.forecast.forecast
    page = book.page(TITLE, "Which way of forecasting did best on past months", (34, 10, 10, 10, 12, 12, 12, 12))
    page.title("How it was forecast", f"Census: {forecast.reason}.")
    if len(forecast.backtest):
        _methods(page, forecast)
    page.skip()
    _history(page, forecast)


def _methods(page: Page, forecast: Forecast) -> None:
    kinds = ("text", "text", "whole", "whole", "number2", "number2", "share", "share")
    page.header(_METHODS, kinds, freeze=False)
    first = page.next_row
    for row in forecast.backtest.itertuples():
        page.row((row.method, "yes" if row.chosen else "", row.origins, row.months_compared, row.mase,
                  row.mean_absolute_error, row.coverage_80, row.coverage_95), kinds)
    last = page.next_row - 1
    page.spread(
        "Each method forecast past months from what was known before them. Scaled error: mean error over the mean "
        "change from one month to the next; under 1 is better than saying 'as this month'. Bands are those that the "
        "other back-tests would have given.", "note")
    scaled = Line("Scaled error (1: as this month)", (1, first, last), (5, first, last))
    place(page, bar_chart(page, [scaled], "Method", "Scaled error", y_format="0.0"), rows=14)


def _history(page: Page, forecast: Forecast) -> None:
    kinds = ("text", "text", "whole", "number2", "number")
    page.header(("Month of the census", "Complete", "Days known", "Mean airways", "Airway-days"), kinds, freeze=False)
    first = page.next_row
    for row in forecast.history.itertuples():
        page.row((row.month, "yes" if row.complete else "no", row.known_days, row.mean_airways, row.airway_days), kinds)
    last = page.next_row - 1
    page.skip()
    if last > first:
        page.new_printed_page()
        line = Line("Mean airways in place", (1, first, last), (4, first, last))
        place(page, line_chart(page, [line], "Month", "Airways", y_format="0.0"), rows=16)
