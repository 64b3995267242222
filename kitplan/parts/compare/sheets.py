"""Two units, or two versions of one, side by side, and which difference moved what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from kitplan.parts.compare.model import Comparison
from kitplan.planning import Plan
from kitplan.read.values import Route
from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, line_chart, place

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
    comparison: Comparison = plan.comparison
    words = plan.unit.words
    page = book.sheet("Compared", comparison.sentences(), a=comparison.name_a, b=comparison.name_b)
    page.header("compared", freeze=False)
    for row in comparison.money.itertuples():
        kind = _KIND.get(row.measure, "money")
        page.row((words.told(row.measure), row.a, row.b, row.difference, row.low_difference, row.high_difference),
                 ("text", *(kind,) * 5))
    page.note("compared band")
    page.skip()
    causes = comparison.causes
    _causes(page, causes.assign(cause=causes["cause"].map(words.told)), words, book.currency)
    _items(book, comparison)
    _kits(page, comparison, words, {name: t.title for name, t in plan.unit.techniques.items()})


def _causes(page: Page, causes: DataFrame, words: Route, currency: str) -> None:
    page.another_table(len(causes) + 3)
    rows = page.table(causes, "compare causes")
    sums = causes.iloc[:, 1:].sum(min_count=1)
    page.total(("All causes together", *(float(v) for v in sums)))
    page.note("causes")
    if not sums["monthly_value"]:  # a chart of nothing
        return
    line = Line("Money a month", (1, *rows), (2, *rows))
    place(page, line_chart(page, [line], f"B less A ({currency})", bars=True), rows=16)


def _items(book: Book, comparison: Comparison) -> None:
    page = book.sheet("Compared by item")
    page.table(comparison.items, "compare items", freeze=True, frozen_columns=1)


def _kits(page: Page, comparison: Comparison, words: Route, titles: Mapping[str, str]) -> None:
    if not len(comparison.kits):
        return
    page.skip()
    page.another_table(len(comparison.kits))
    kinds = comparison.kits["route"].str.replace("_", " ") + " " + comparison.kits["size"] + ", " + comparison.kits[
        "technique"].replace(titles) + comparison.kits["skin"].map({"barrier": ", barrier"}).fillna("")
    page.table(comparison.kits.assign(kind=kinds).fillna({"a_design": "", "b_design": ""}), "compared kits")
