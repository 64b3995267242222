"""What the plan rests on, what knowing more would save, and how plans of the past would have held."""

from __future__ import annotations

from kitplan.planning import Plan
from kitplan.write.book import Book

TITLE = "What is not known"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet What is not known."""
    doubt = plan.doubt
    page = book.page(TITLE, "What the history leaves open, and what knowing it would save", (44, 18, 18, 14))
    page.title("What is not known", "The plan carries stock for what the history leaves open. Here is how much.",
               doubt.sentences(book.currency), "wrap")
    kinds = ("text", "money", "money", "share")
    page.header(("As if known", f"Mean stock value ({book.currency})", "Saved", "Share"), kinds)
    for row in doubt.prices.itertuples():
        page.row((row.unknown, row.mean_value, row.saved, row.saved_share), kinds)
    if len(doubt.backtest):
        page.skip()
        kinds = ("text", "text", "whole", "share")
        page.header(("Judged from", "to", "Intervals", "Ready"), kinds, freeze=False)
        for row in doubt.backtest.itertuples():
            page.row((row.first_day, row.last_day, row.intervals, row.ready), kinds)
