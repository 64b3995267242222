"""Two units, or two versions of one, side by side, and which difference moved what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from kitplan.parts.compare.model import Comparison
from kitplan.planning import Plan
from kitplan.read.values import Route
from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, bar_chart, place

if TYPE_CHECKING:
    from pandas import DataFrame

_KIND = {
    "readiness verified": "share",
    "readiness target": "share",
    "litres at par": "litres",
    "re-secures a month": "number",
    "airways in place": "number",
    "kit designs": "whole",
}


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheets Compared and Compared by item."""
    comparison: Comparison = plan.comparison
    words = plan.unit.words
    page = book.sheet("Compared", comparison.sentences(), a=comparison.name_a, b=comparison.name_b)
    page.header(("Measure", "A", "B", "B less A", "80 % from", "80 % to"), ("text", *("number",) * 5), freeze=False)
    for row in comparison.money.itertuples():
        kind = _KIND.get(row.measure, "money")
        page.row((words.told(row.measure), row.a, row.b, row.difference, row.low_difference, row.high_difference),
                 ("text", *(kind,) * 5))
    page.spread("Sums are of a mean year of the census. The band is of the difference in the next twelve months: both "
                "sides are drawn with the same numbers where they rest on the same census, log or guess, so that what "
                "is alike in both cancels.", "note")
    page.skip()
    causes = comparison.causes
    _causes(page, causes.assign(cause=causes["cause"].map(words.told)), words, book.currency)
    _items(book, comparison)
    _kits(page, comparison, words, {name: t.title for name, t in plan.unit.techniques.items()})


def _causes(page: Page, causes: DataFrame, words: Route, currency: str) -> None:
    page.another_table(len(causes) + 3)
    rows = page.table(causes, "compare causes")
    sums = causes.iloc[:, 1:].sum(min_count=1)
    kinds = ("text", "money", "money", "number", "money", "litres")
    page.total(("All causes together", *(float(v) for v in sums)), kinds)
    page.spread(
        "Each cause is the step it makes on the way from A to B, in this order; together they are the whole "
        "difference. In another order, what two causes do only together would stand elsewhere.",
        "note",
    )
    if not sums["monthly_value"]:  # a chart of nothing
        return
    line = Line("Money a month", (1, *rows), (2, *rows))
    place(page, bar_chart(page, [line], f"B less A ({currency})"), rows=16)


def _items(book: Book, comparison: Comparison) -> None:
    page = book.sheet("Compared by item")
    named = comparison.items["description"].where(comparison.items["description"].fillna("") != "",
                                                  comparison.items["item"])
    page.table(comparison.items.assign(name=named), "compare items", freeze=True, frozen_columns=1)


def _kits(page: Page, comparison: Comparison, words: Route, titles: Mapping[str, str]) -> None:
    if not len(comparison.kits):
        return
    page.skip()
    page.another_table(len(comparison.kits))
    kinds = ("wrap", "text", "text", "whole", "whole")
    labels = ("Kind", "A design", "B design", *(words.told(f"{side} re-secures held") for side in "AB"))
    page.header(labels, kinds, freeze=False)
    for row in comparison.kits.itertuples():
        kind = f"{row.route.replace('_', ' ')} {row.size}, {titles.get(row.technique, row.technique)}" + (
            ", barrier" if row.skin == "barrier" else ""
        )
        designs = [d if isinstance(d, str) else "" for d in (row.a_design, row.b_design)]
        page.row((kind, *designs, row.a_re_secures, row.b_re_secures), kinds)
