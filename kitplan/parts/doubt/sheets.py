"""What the plan rests on, what knowing more would save, and how plans of the past would have held."""

from __future__ import annotations

from kitplan.planning import Plan
from kitplan.write.book import Book


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet What is not known."""
    doubt = plan.doubt
    page = book.page("What is not known", "What the history leaves open, and what knowing it would save",
                     (44, 18, 18, 14))
    page.title("What is not known", "The plan carries stock for what the history leaves open. Here is how much.",
               doubt.sentences(book.currency), "wrap")
    page.table(doubt.prices, (
        ("As if known", "text", "unknown"), (f"Mean stock value ({book.currency})", "money", "mean_value"),
        ("Saved", "money", "saved"), ("Share", "share", "saved_share")), freeze=True)
    if len(doubt.backtest):
        page.skip()
        page.table(doubt.backtest, (("Judged from", "text", "first_day"), ("to", "text", "last_day"),
                                    ("Intervals", "whole", "intervals"), ("Ready", "share", "ready")))
