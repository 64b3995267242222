"""Par levels by period of the year."""

from __future__ import annotations

import calendar

from kitplan.parts.seasons.model import Seasons
from kitplan.planning import Plan
from kitplan.write.book import Book


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Seasons: when to change par levels, and to what."""
    seasons: Seasons = plan.seasons
    chosen = seasons.choice[seasons.choice["chosen"]].iloc[0]
    spans = str(chosen["when"]).split(", ")
    page = book.page("Seasons", "Par levels by time of year, and when it pays to change them",
                     (26, *(14 for _ in range(max(len(spans), 7)))))
    todo = ("Change the labels on the first day of each period." if len(spans) > 1 else
            "One set of par levels serves the whole year: no label needs changing with the season.")
    page.title("Seasons", f"{todo} The sheet Par levels suits the mean of the year; these suit every month.",
               seasons.sentences(book.currency), "wrap")
    kinds = ("text", *("whole" for _ in spans))
    page.header(("Item, par in single items", *spans), kinds)
    period = dict(zip(seasons.months["month"], seasons.months["period"]))
    wide = seasons.levels.assign(period=seasons.levels["month"].map(period))
    wide = wide.pivot_table(index="item", columns="period", values="period_units", aggfunc="max", sort=False)
    for item, row in wide.sort_index(axis=1).iterrows():
        page.row((item, *row.tolist()), kinds)
    page.skip()
    kinds = ("text", "whole", "money", "money", "share")
    page.header(("Month", "Period of the year", f"Value of its own par ({book.currency})",
                 f"Value held ({book.currency})", "Ready with the plan's par levels"), kinds, freeze=False)
    for row in seasons.months.itertuples(index=False):
        page.row((calendar.month_name[row.month], row.period, row.own_value, row.period_value,
                  row.year_round_readiness), kinds)
    page.skip()
    kinds = ("wrap", "whole", "money", "money", "money", "money", "tick")
    page.header(("Sets of par levels", "Changes a year", f"Value on the mean ({book.currency})", "Holding a year",
                 "Changing a year", "Both", "Choice"), kinds, freeze=False)
    for row in seasons.choice.itertuples(index=False):
        page.row((f"{row.periods}: {row.when}", row.changes, row.mean_value, row.holding_cost, row.change_cost,
                  row.total_cost, "chosen" if row.chosen else None), (*kinds[:-1], "text"))
    page.spread("Cost of holding and of a change: see [seasons] on the sheet Assumptions.", "note")
