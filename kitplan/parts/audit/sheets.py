"""Today's par levels on trial: where they stand, and the changes in the order in which to make them."""

from __future__ import annotations

import math

from kitplan.parts.audit.model import Audit
from kitplan.planning import Plan
from kitplan.read.catalogue import spoken_names
from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, place, scatter

_MISSING_SHOWN = 8
_GROUPS = (
    ("floor", "First: emergency equipment and minimum stock that is not held today"),
    ("raise", "What readiness asks for, best bargain first"),
    ("lower", "Last: what stands idle once the rest is in place"),
)


def add_sheets(book: Book, plan: Plan) -> None:
    audit: Audit = plan.audit
    named = spoken_names(plan.unit.items)
    page = book.sheet("Audit of today's par", audit.sentences(book.currency), "wrap",
                      days=plan.unit.stock.protection_interval_days)
    _write_steps(page, audit, named)
    page.skip()
    _write_missing(page, audit, named)
    _write_chart(book, plan)


def _write_steps(page: Page, audit: Audit, named: dict[str, str]) -> None:
    page.header("audit steps", frozen_columns=2)
    page.row(
        (0, "today", None, None, None, None, None, None, None, audit.present.readiness.verified, audit.present.value,
         audit.present.litres, None), ("whole", "strong", *page.kinds[2:12], "text"),
    )
    for kind, heading in _GROUPS:
        rows = audit.steps[audit.steps["kind"] == kind]
        if len(rows):
            page.group((heading,))
        page.lines(rows.assign(named=rows["item"].map(named)))
    if not len(audit.steps):
        page.spread("No change is needed: today's par levels are as good as the plan.", "strong_wrap")


def _write_chart(book: Book, plan: Plan) -> None:
    """The frontier, where she stands today, and the way there step by step."""
    page = book.sheet("Where you stand")
    value_title = f"Value at par ({book.currency})"
    page.header("audit points")
    frontier = [("Cheapest stock", r.readiness, r.value, r.litres)
                for r in plan.par.frontier.sort_values("value", kind="stable").itertuples(index=False)]
    audit: Audit = plan.audit
    now = audit.present
    path = [("Today", now.readiness.verified, now.value, now.litres),
            *((f"Step {r.step}: {r.item}", r.readiness_after, r.value_after, r.litres_after)
              for r in audit.steps.itertuples(index=False))]
    start = page.next_row
    for point in [*frontier, *path]:
        page.row(point)
    here = start + len(frontier)
    lines = [Line("You are here today", (3, here, here), (2, here, here), marker="square", dash=None)]
    if len(path) > 1:
        end = here + len(path) - 1
        lines.insert(0, Line("Step by step", (3, here, end), (2, here, end), marker="x", dash="round_dot"))
    if frontier:
        lines.insert(0, Line("Cheapest stock for each readiness", (3, start, here - 1), (2, start, here - 1)))
    low = max(math.floor(20 * min(point[1] for point in [*frontier, *path]) - 0.2) / 20, 0.0)
    page.skip()
    place(page, scatter(page, lines, x_title=value_title, y_title="Readiness", y_format="0 %", y_range=(low, 1.0)),
          rows=22)


def _write_missing(page: Page, audit: Audit, named: dict[str, str]) -> None:
    """The items that are short when anything is short, most frequent first."""
    missing = audit.table[audit.table["missing_share"] > 0].sort_values(
        "missing_share", ascending=False, kind="stable"
    )
    if not len(missing):
        return
    page.another_table(min(len(missing), _MISSING_SHOWN))
    page.spread("What is missing when something runs short today", "strong")
    page.table(missing.assign(named=missing["item"].map(named)).head(_MISSING_SHOWN), "missing today")
    page.note("missing today")
