"""How the months ahead were forecast, for whoever checks: which method did best on past months, and the history."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, bar_chart, line_chart, place

if TYPE_CHECKING:
    from kitplan.parts.forecast.months_ahead import Forecast
    from kitplan.planning import Plan
    from kitplan.read.values import Route

TITLE = "How it was forecast"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet How it was forecast."""
    forecast = plan.forecast.forecast
    page = book.page(TITLE, "Which way of forecasting did best on past months", (34, 10, 10, 10, 12, 12, 12, 12))
    page.title("How it was forecast", f"Census: {forecast.reason}.")
    if len(forecast.backtest):
        _methods(page, forecast, plan.unit.words.many)
    page.skip()
    _history(page, forecast, plan.unit.words)


def _methods(page: Page, forecast: Forecast, many: str) -> None:
    tried = forecast.backtest.assign(used=forecast.backtest["chosen"].map({True: "yes", False: ""}))
    rows = page.table(tried, (
        ("Method", "text", "method"), ("Used", "text", "used"), ("Tried from", "whole", "origins"),
        ("Months compared", "whole", "months_compared"), ("Scaled error", "number2", "mase"),
        (f"Mean error ({many})", "number2", "mean_absolute_error"), ("80 % band held", "share", "coverage_80"),
        ("95 % band held", "share", "coverage_95"),
    ))
    page.spread(
        "Each method forecast past months from what was known before them. Scaled error: mean error over the mean "
        "change from one month to the next; under 1 is better than saying 'as this month'. Bands are those that the "
        "other back-tests would have given.", "note")
    scaled = Line("Scaled error (1: as this month)", (1, *rows), (5, *rows))
    place(page, bar_chart(page, [scaled], "Scaled error", y_format="0.0"), rows=14)


def _history(page: Page, forecast: Forecast, words: Route) -> None:
    months = forecast.history.assign(whole=forecast.history["complete"].map({True: "yes", False: "no"}))
    rows = page.table(months, (
        ("Month of the census", "text", "month"), ("Complete", "text", "whole"), ("Days known", "whole", "known_days"),
        (f"Mean {words.many}", "number2", "mean_airways"), (f"{words.one.capitalize()}-days", "number", "airway_days"),
    ))
    page.skip()
    if len(months) > 1:
        page.new_printed_page()
        line = Line(f"Mean {words.many} in place", (1, *rows), (4, *rows))
        place(page, line_chart(page, [line], words.many.capitalize(), y_format="0.0"), rows=16)
