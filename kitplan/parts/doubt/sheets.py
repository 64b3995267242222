"""What the plan rests on, what knowing more would save, and how plans of the past would have held."""

from __future__ import annotations

from kitplan.planning import Plan
from kitplan.write.book import Book


def add_sheets(book: Book, plan: Plan) -> None:
    doubt = plan.doubt
    page = book.sheet("What is not known", doubt.sentences(book.currency), "wrap")
    page.table(doubt.prices, "worth of knowing", freeze=True)
    if len(doubt.backtest):
        page.skip()
        page.table(doubt.backtest, "back-test")
