"""Par levels by period of the year."""

from __future__ import annotations

import calendar

from kitplan.parts.seasons.model import Seasons
from kitplan.planning import Plan
from kitplan.write.book import Book


def add_sheets(book: Book, plan: Plan) -> None:
    seasons: Seasons = plan.seasons
    chosen = seasons.choice[seasons.choice["chosen"]].iloc[0]
    spans = str(chosen["when"]).split(", ")
    page = book.page("Seasons", "Par levels by time of year, and when it pays to change them",
                     (26, *(12 for _ in range(max(len(spans), 7)))), landscape=False)
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
    page.another_table(len(seasons.months) + len(seasons.choice) + 4)  # with what stands under it
    page.table(seasons.months.assign(name=[calendar.month_name[m] for m in seasons.months["month"]]), "season months")
    page.skip()
    page.header("sets of par levels", freeze=False)
    page.lines(seasons.choice.assign(set=[f"{row.periods}: {row.when}" for row in seasons.choice.itertuples()],
                                     told=seasons.choice["chosen"].map({True: "chosen"})), (*page.kinds[:-1], "text"))
    page.spread("Cost of holding and of a change: see [seasons] on the sheet Assumptions.", "note")
