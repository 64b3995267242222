"""The months: money ahead with its bands, what drives it, and what would change if one thing were changed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, redirect, render_template, request, url_for

import kitplan
from kitplan.desk.drawing import band_chart
from kitplan.desk.units import Home, Opened, number, unit_of

CHANGES = {
    "readiness": ("stock", "readiness", "Readiness target, 0.98 for 98 %"),
    "review": ("stock", "review_days", "Days between counts"),
    "lead": ("stock", "lead_days", "Days from order to shelf"),
    "checks": ("resecure", "checks_per_day", "Checks a day"),
    "redo": ("resecure", "redo", "Share of re-secures done again"),
    "designs": ("bedside", "designs", "Kit designs at most"),
}
"""Name in the form -> table and key of unit.toml, and its words."""

_SIDES = {"a": "Now", "b": "As asked", "difference": "Difference"}
_ANSWERS = (
    ("compare_money", "All together", {"measure": "What", **_SIDES, "low_difference": "8 in 10 from",
                                       "high_difference": "to"}),
    ("compare_causes", "Why", {"cause": "Cause", "yearly_value": "Money a year", "par_value": "Stock at par",
                               "par_litres": "Litres"}),
    ("compare_items", "Items that differ", {
        "description": "Item", "a_value": "Money a month now", "b_value": "as asked", "a_par_packs": "Packs at par now",
        "b_par_packs": "as asked"}),
    ("compare_kits", "Kits that differ", {"route": "Route", "size": "Size", "technique": "Technique", "skin": "Skin",
                                          "a_design": "Kit now", "b_design": "as asked",
                                          "a_re_secures": "Re-secures in it now", "b_re_secures": "as asked"}),
)
"""Table of a comparison, its title, and its columns with their headings."""
_MOVES = ("yearly_value", "par_value", "par_litres", "re_secures")
"""Columns that are themselves a difference."""


def add(app: Flask, home: Home, opened: Opened) -> None:
    @app.get("/unit/<name>/months")
    def months_page(name: str) -> str:
        folder = unit_of(home, name)
        plan = opened.needed(folder)
        if "forecast" not in plan.parts:
            abort(409, f"No months ahead: {plan.skipped.get('forecast', 'plan again')}.")
        ahead = plan.forecast.forecast
        total, year = ahead.total, plan.forecast.budget
        months = [str(m).removeprefix("20").removeprefix("month ") for m in total["month"]]
        chart = band_chart(months, total["low_value"].tolist(), total["value"].tolist(), total["high_value"].tolist(),
                           f"Money by month, {plan.unit.currency}")
        return render_template(
            "months.html", plan=plan, ahead=ahead, year=year,
            periods=[] if year is None else year.periods.to_dict("records"), rows=total.to_dict("records"), chart=chart,
            changes=CHANGES, drivers=ahead.item_year.head(12).to_dict("records"), answer=None,
        )

    @app.post("/unit/<name>/what-if")
    def what_if(name: str) -> str | Response:
        folder = unit_of(home, name)
        asked = request.form.get("change", "")
        if asked not in CHANGES:
            return redirect(url_for("months_page", name=name))  # type: ignore[return-value]
        table, key, words = CHANGES[asked]
        value = number(request.form.get("value", ""), words)
        if value is None:
            abort(409, f"{words}: type the number to try.")
        return render_template("what_if.html", words=words, value=request.form["value"].strip(),
                               **_answer(folder, table, key, value, opened.plan(folder)))


def _answer(folder: Path, table: str, key: str, value: float, known: Any) -> dict[str, Any]:
    """Compare the unit with itself under another setting; nothing of it is kept. known: the plan in use."""
    from kitplan.parts.compare import model as compare

    here = kitplan.load_unit(folder)
    there = kitplan.load_unit(folder, what_if={table: {key: int(value) if float(value).is_integer() else value}})

    there = replace(there, name=f"{here.name} as asked")
    asked = compare.asked_of(here, there)
    comparison = compare.compare_units(
        here, asked or there, lambda unit: kitplan.plan(unit, here.planning.seed, parts=("kits", "par")),
        asked is not None, compare.expected(known.results if known else {}))
    return {"said": comparison.sentences(), "tables": [
        (title, list(heads.values()), rows) for name, title, heads in _ANSWERS
        if (rows := _differing(comparison.tables()[name], list(heads), all_of_it=name == "compare_money"))]}


def _differing(frame: Any, columns: list[str], *, all_of_it: bool) -> list[list[str]]:
    """The rows of a comparison as texts; of those by item, cause and kit only such as differ."""
    shown = []
    for row in frame.to_dict("records"):
        told = {key: _told(key, value, row) for key, value in row.items()}
        apart = any(told[key] != told[f"b_{key[2:]}"] for key in row if key.startswith("a_"))
        if all_of_it or apart or any(told.get(key, "0.00").strip("-") not in ("0.00", "") for key in _MOVES):
            shown.append([told[key] for key in columns])
    return shown


def _told(column: str, value: Any, row: dict[str, Any]) -> str:
    """A cell for people: shares in percent, packs whole, nothing where nothing is known."""
    if not isinstance(value, float):
        return str(value).replace("_", " ")
    if value != value:
        return ""
    share = str(row.get("measure", "")).startswith("readiness")
    return f"{round(100 * value, 1) + 0.0:,.1f} %" if share else f"{value:,.{0 if column.endswith('packs') else 2}f}"
