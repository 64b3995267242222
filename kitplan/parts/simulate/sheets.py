"""The proof: years of the stock room played out, under the plan and under other ways of setting par levels."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.simulate.model import SimulationResult
from kitplan.planning import Plan
from kitplan.read.problems import counted
from kitplan.write.book import Book
from kitplan.write.charts import Line, place, scatter


def add_sheets(book: Book, plan: Plan) -> None:
    result: SimulationResult = plan.simulation
    page = book.sheet("Played out", result.sentences(book.currency), copies=result.replications,
                      years=counted(result.years, "new year"))
    first, _ = page.table(result.summary, "played", freeze=True)
    rows = {str(name): first + k for k, name in enumerate(result.summary["plan"])}
    page.skip()
    value = f"Mean value with orders ({book.currency})"
    chart = scatter(page, _lines(result.summary, rows), x_title=value, y_title="Readiness", y_format="0 %",
                    y_range=(0.0, 1.0))
    place(page, chart, rows=20)
    page.new_printed_page()
    used = result.items[(result.items["par_units"] > 0) | (result.items["use_per_year"] > 0)]
    page.table(used, "played items")
    page.note("short, planned and played")


def _lines(summary: pd.DataFrame, rows: dict[str, int]) -> list[Line]:
    groups = {"The plan": ["plan"], "Present par": ["present par"]}
    others = summary[~summary["plan"].isin(["plan", "present par"])]
    groups["Rules of thumb as they are"] = others.loc[~others["tuned"].astype(bool), "plan"].tolist()
    groups["Rules of thumb tuned to the plan's readiness"] = others.loc[others["tuned"].astype(bool), "plan"].tolist()
    lines = []
    for (name, plans), marker in zip(groups.items(), ("diamond", "square", "x", "triangle")):
        at = [rows[p] for p in plans if p in rows]
        if at:
            lines.append(Line(name, (10, min(at), max(at)), (2, min(at), max(at)), marker=marker, dash=None))
    return lines
