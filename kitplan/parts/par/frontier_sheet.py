"""What readiness costs: the frontier as a table and a chart, with the plan and today's par marked on it."""

from __future__ import annotations

import math
from typing import Any

from kitplan.planning import Plan
from kitplan.read.money import money
from kitplan.read.values import READINESS
from kitplan.write.book import Book
from kitplan.write.charts import Line, place, round_step, scatter

TITLE = "Readiness and cost"
_WIDTHS = (18, 12, 16, 12, 42)
_KINDS = ("text", "share", "money", "litres", "wrap")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Readiness and cost."""
    par = plan.par
    if not len(par.frontier):
        return
    page = book.page(TITLE, "What a little more or less readiness would cost", _WIDTHS, landscape=False)
    page.title(
        "What readiness costs",
        f"Readiness is {READINESS} ({plan.unit.stock.protection_interval_days:g} days). "
        "Each line is the cheapest stock that reaches it. Past the bend, money buys little.",
    )
    value_title = f"Value at par ({book.currency})"
    page.header(("Point", "Readiness", value_title, "Shelf", "Compared with the line above"), _KINDS)
    first = page.next_row
    before: Any = None
    for row in par.frontier.sort_values("value", kind="stable").itertuples():
        page.row(("Cheapest stock", row.readiness, row.value, row.litres, _step(before, row, book.currency)), _KINDS)
        before = row
    last = page.next_row - 1
    lines = [Line("Cheapest stock for each readiness", (3, first, last), (2, first, last))]
    for name, readiness, value, litres, marker in _points(plan):
        at = page.row((name, readiness, value, litres, None), ("strong", *_KINDS[1:]))
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


def _step(before: Any, row: Any, currency: str) -> str:
    if before is None:
        return ""
    points = 100 * (row.readiness - before.readiness)
    return f"{points:+.1f} points of readiness for {money(row.value - before.value, currency)}"


def _points(plan: Plan) -> list[tuple[str, float, float, float, str]]:
    """The plan itself and, where the unit gave its own, today's par: name, readiness, value, litres, marker."""
    par = plan.par
    points = [("This plan", par.readiness.verified, par.value, par.litres, "diamond")]
    today = plan.audit.present if "audit" in plan.parts else par.present
    if today is not None:
        points.append(("Your par today", today.readiness.verified, today.value, today.litres, "square"))
    return points
