"""The proof: years of the stock room played out, under the plan and under other ways of setting par levels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, place, scatter

if TYPE_CHECKING:
    from kitplan.parts.simulate.model import SimulationResult
    from kitplan.planning import Plan

TITLE = "Played out"
_WIDTHS = (34, 11, 11, 11, 12, 12, 11, 12, 13, 13)
_KINDS = ("text", "share", "share2", "share2", "number", "number", "number", "number", "money", "money")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Played out."""
    result: SimulationResult = plan.simulation
    page = book.page(TITLE, "Whether the par levels hold when years are played day by day", _WIDTHS)
    page.title(
        "Do the par levels hold?",
        f"{result.replications} copies of the unit played check by check for {result.years} new years each, none of "
        "them seen before: what the history leaves open is drawn first for each copy, then admissions, re-secures, "
        "restocks, counts, orders in whole packs, lead time, dates. The play shares no formula with the planner.",
    )
    for line in result.sentences(book.currency):
        page.spread(line, "lead")
    page.skip()
    rows = _summary(page, result, book.currency)
    page.skip()
    value = f"Mean value with orders ({book.currency})"
    chart = scatter(page, _lines(result.summary, rows), x_title=value, y_title="Readiness", y_format="0%",
                    y_range=(0.0, 1.0))
    place(page, chart, rows=20)
    page.new_printed_page()
    _items(page, result)


def _summary(page: Page, result: SimulationResult, currency: str) -> dict[str, int]:
    """The table of plans; returns the row of each."""
    page.header(
        ("Par levels set by", "Ready", "from", "to", "Stock-outs a year", "Orders a year", "Lines a year",
         "Expired a year", f"Mean value on shelf ({currency})", f"Mean value with orders ({currency})"),
        _KINDS,
    )
    rows = {}
    for row in result.summary.itertuples(index=False):
        rows[str(row.plan)] = page.row(
            (row.plan, row.readiness, row.low, row.high, row.stockouts_per_year, row.orders_per_year,
             row.order_lines_per_year, row.expired_units, row.mean_value, row.par_value),
            _KINDS,
        )
    return rows


def _lines(summary: pd.DataFrame, rows: dict[str, int]) -> list[Line]:
    """One series of points a kind of plan."""
    groups = {"The plan": ["plan"], "Present par": ["present par"]}
    others = summary[~summary["plan"].isin(["plan", "plan, the past again", "present par"])]
    groups["Rules of thumb as they are"] = others.loc[~others["tuned"].astype(bool), "plan"].tolist()
    groups["Rules of thumb tuned to the plan's readiness"] = others.loc[others["tuned"].astype(bool), "plan"].tolist()
    lines = []
    for (name, plans), marker in zip(groups.items(), ("diamond", "square", "x", "triangle")):
        at = [rows[p] for p in plans if p in rows]
        if at:
            lines.append(Line(name, (10, min(at), max(at)), (2, min(at), max(at)), marker=marker, dash=None))
    return lines


def _items(page: Page, result: SimulationResult) -> None:
    page.header(
        ("Item", "Par (items)", "Used a year", "Short, planned", "Short, played", "from", "to", "Mean on shelf",
         "Expired a year", ""),
        freeze=False,
    )
    kinds = ("text", "whole", "number", "share2", "share2", "share2", "share2", "number", "number", "text")
    for row in result.items.itertuples(index=False):
        if row.par_units or row.use_per_year:
            page.row(
                (row.item, row.par_units, row.use_per_year, row.shortage_chance_planned, row.shortage_chance_played,
                 row.low, row.high, row.mean_on_hand, row.expired_units, None),
                kinds,
            )
    page.spread(
        "Short, planned: use over review and lead time above what is on the shelf and on order after ordering. Short, "
        "played: the shelf was empty when asked. They differ by dates and chance only.",
        "note",
    )
