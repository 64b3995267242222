"""The par levels by role, each with the reason for its number; and what readiness costs."""

from __future__ import annotations

import math
from typing import Any

from kitplan.parts.par.summary import not_yet_own
from kitplan.planning import Plan
from kitplan.read.catalogue import marked
from kitplan.read.money import money
from kitplan.write.book import Book
from kitplan.write.charts import Line, place, round_step, scatter
from kitplan.write.shelf import role_title, stock_lines


def add_sheets(book: Book, plan: Plan) -> None:
    page = book.sheet("Par levels", days=plan.unit.stock.protection_interval_days)
    for sentence in not_yet_own(plan.unit):
        page.spread(sentence, "strong_wrap")
    page.header("par levels", frozen_columns=2)
    lines = stock_lines(plan)
    held = lines[lines["par_packs"] > 0]
    for role, rows in held.groupby("role", sort=False):
        page.group(
            (None, role_title(str(role)), None, None, None, None, None, float(rows["value"].sum()),
             float(rows["litres"].sum()), None),
            ("strong", "strong", "text", "text", "text", "text", "text", "money", "litres", "text"),
        )
        page.lines(rows.assign(description=list(map(marked, rows["description"], rows["critical"]))))
    page.total(
        (None, f"All {len(held)} items", None, None, None, None, None,
         float(held["value"].sum()), float(held["litres"].sum()), None),
        ("strong", "strong", "text", "whole", "text", "text", "text", "money", "litres", "text"),
    )
    left_out = "; ".join(str(s) for s in lines.loc[lines["par_packs"] == 0, "description"])
    if left_out:
        page.skip()
        page.note("not held", items=left_out)


def add_frontier(book: Book, plan: Plan) -> None:
    """Add the sheet Readiness and cost."""
    par = plan.par
    if not len(par.frontier):
        return
    page = book.sheet("Readiness and cost", days=plan.unit.stock.protection_interval_days)
    value_title = f"Value at par ({book.currency})"
    page.header("frontier")
    first = page.next_row
    before: Any = None
    for row in par.frontier.sort_values("value", kind="stable").itertuples():
        more = "" if before is None else (f"{100 * (row.readiness - before.readiness):+.1f} points of readiness for "
                                          f"{money(row.value - before.value, book.currency)}")
        page.row(("Cheapest stock", row.readiness, row.value, row.litres, more))
        before = row
    last = page.next_row - 1
    lines = [Line("Cheapest stock for each readiness", (3, first, last), (2, first, last))]
    for name, readiness, value, litres, marker in _points(plan):
        at = page.row((name, readiness, value, litres, None), ("strong", *page.kinds[1:]))
        lines.append(Line(name, (3, at, at), (2, at, at), marker=marker, dash=None))
    page.skip()
    for sentence in par.prices["sentence"] if len(par.prices) else ():
        page.spread(f"Price of a limit: {sentence}", "wrap")
    page.skip()
    lowest = min(float(par.frontier["readiness"].min()), *(readiness for _, readiness, _, _, _ in _points(plan)))
    step = round_step((1.0 - lowest) / 6 + 1e-6)
    low = max(1.0 - step * math.ceil((1.0 - lowest) / step + 0.2), 0.0)
    chart = scatter(page, lines, x_title=value_title, y_title="Readiness", y_format="0 %", y_range=(low, 1.0))
    place(page, chart, rows=24)


def _points(plan: Plan) -> list[tuple[str, float, float, float, str]]:
    """The plan itself and, where the unit gave its own, today's par: name, readiness, value, litres, marker."""
    par = plan.par
    points = [("This plan", par.readiness.verified, par.value, par.litres, "diamond")]
    today = plan.audit.present if "audit" in plan.parts else par.present
    if today is not None:
        points.append(("Your par today", today.readiness.verified, today.value, today.litres, "square"))
    return points
