"""Two units, or two versions of one, side by side, and which difference moved what."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, bar_chart, place

if TYPE_CHECKING:
    from kitplan.parts.compare.model import Comparison
    from kitplan.planning import Plan

TITLE = "Compared"
_KIND = {
    "readiness verified": "share",
    "readiness target": "share",
    "litres at par": "litres",
    "re-secures a month": "number",
    "airways in place": "number",
    "kit designs": "whole",
}


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Compared."""
    comparison: Comparison = plan.comparison
    page = book.page(
        TITLE, "Two units side by side, and which cause moved what", (44, 15, 15, 15, 15, 13, 13)
    )
    page.title("Compared", f"A: {comparison.name_a}. B: {comparison.name_b}.")
    for sentence in comparison.sentences():
        page.spread(sentence, "lead")
    page.skip()
    page.header(("Measure", "A", "B", "B less A"), ("text", "number", "number", "number"), freeze=False)
    for row in comparison.money.itertuples():
        kind = _KIND.get(row.measure, "money")
        page.row((row.measure, row.a, row.b, row.difference), ("text", kind, kind, kind))
    page.skip()
    _causes(page, comparison, book.currency)
    _items(page, comparison, book.currency)
    _kits(page, comparison, {name: t.title for name, t in plan.unit.techniques.items()})


def _causes(page: Page, comparison: Comparison, currency: str) -> None:
    kinds = ("text", "money", "number", "money", "litres")
    page.header(
        (f"Cause ({currency})", "Money a month", "Re-secures a month", "Stock at par", "Litres at par"),
        kinds,
        freeze=False,
    )
    rows = [
        page.row((row.cause, row.monthly_value, row.re_secures, row.par_value, row.par_litres), kinds)
        for row in comparison.causes.itertuples()
    ]
    sums = comparison.causes[["monthly_value", "re_secures", "par_value", "par_litres"]].sum(min_count=1)
    page.total(("All causes together", *(float(v) for v in sums)), kinds)
    page.spread(
        "Each cause is the step it makes on the way from A to B, in this order; together they are the whole "
        "difference. In another order, what two causes do only together would stand elsewhere.",
        "note",
    )
    page.new_printed_page()
    causes = (1, rows[0], rows[-1])
    chart = bar_chart(
        page, [Line("Money a month", causes, (2, rows[0], rows[-1]))], "Cause", f"B less A ({currency})"
    )
    place(page, chart, rows=16)


def _items(page: Page, comparison: Comparison, currency: str) -> None:
    kinds = ("text", "number", "number", "money", "money", "whole", "whole")
    page.header(
        (
            "Item",
            "A units a month",
            "B units a month",
            f"A money ({currency})",
            f"B money ({currency})",
            "A par (packs)",
            "B par (packs)",
        ),
        kinds,
        freeze=False,
    )
    for row in comparison.items.itertuples():
        page.row(
            (row.item, row.a_units, row.b_units, row.a_value, row.b_value, row.a_par_packs, row.b_par_packs),
            kinds,
        )


def _kits(page: Page, comparison: Comparison, titles: Mapping[str, str]) -> None:
    if not len(comparison.kits):
        return
    page.skip()
    page.new_printed_page()
    kinds = ("wrap", "text", "text", "whole", "whole")
    labels = ("Kind of airway", "A design", "B design", "A re-secures held", "B re-secures held")
    page.header(labels, kinds, freeze=False)
    for row in comparison.kits.itertuples():
        kind = f"{row.route} {row.tube_mm:g} mm, {titles.get(row.technique, row.technique)}" + (
            ", barrier" if row.skin == "barrier" else ""
        )
        designs = [d if isinstance(d, str) else "" for d in (row.a_design, row.b_design)]
        page.row((kind, *designs, row.a_re_secures, row.b_re_secures), kinds)
