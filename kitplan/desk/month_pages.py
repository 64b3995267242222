"""The months: money ahead with its bands, what drives it, and what would change if one thing were changed."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, redirect, render_template, request, url_for

from kitplan.desk.units import ORIGINALS, Home, Opened, number, read_toml, unit_of, write_toml

CHANGES = {
    "readiness": ("stock", "readiness", "Readiness target, 0.98 for 98 %"),
    "review": ("stock", "review_days", "Days between counts"),
    "lead": ("stock", "lead_days", "Days from order to shelf"),
    "checks": ("resecure", "checks_per_day", "Checks a day"),
    "redo": ("resecure", "redo", "Share of re-secures done again"),
    "designs": ("bedside", "designs", "Kit designs at most"),
}
"""Name in the form -> table and key of unit.toml, and its words."""


def add(app: Flask, home: Home, opened: Opened) -> None:
    """The pages of the manager."""

    @app.get("/unit/<name>/months")
    def months_page(name: str) -> str:
        from kitplan.desk.drawing import band_chart

        folder = unit_of(home, name)
        plan = opened.needed(folder)
        if "forecast" not in plan.parts:
            abort(409, f"No months ahead: {plan.skipped.get('forecast', 'plan again')}.")
        ahead = plan.forecast.forecast
        total, year = ahead.total, plan.forecast.budget
        chart = band_chart([str(m)[2:] for m in total["month"]], total["low_value"].tolist(), total["value"].tolist(),
                           total["high_value"].tolist(), f"Money by month, {plan.unit.currency}")
        return render_template(
            "months.html", plan=plan, ahead=ahead, year=year,
            periods=[] if year is None else year.periods.to_dict("records"), rows=total.to_dict("records"), chart=chart,
            changes=CHANGES, drivers=ahead.item_year.head(12).to_dict("records"), answer=None,
        )

    @app.post("/unit/<name>/what-if")
    def what_if(name: str) -> str | Response:
        folder = unit_of(home, name)
        asked = request.form.get("change", "")
        if asked not in CHANGES or folder.is_file():
            return redirect(url_for("months_page", name=name))  # type: ignore[return-value]
        table, key, words = CHANGES[asked]
        value = number(request.form.get("value", ""), words)
        if value is None:
            abort(409, f"{words}: type the number to try.")
        return render_template("what_if.html", words=words, value=value, **_answer(folder, table, key, value))


def _answer(folder: Path, table: str, key: str, value: float) -> dict[str, Any]:
    """Compare the unit with a copy of it in which one setting is another; nothing of it is kept."""
    import kitplan
    from kitplan.parts.compare import model as compare

    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "copy"
        shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("plan", ORIGINALS, "book"))
        settings = read_toml(copy, "unit.toml")
        value = int(value) if float(value).is_integer() and key in ("designs", "checks_per_day") else value
        write_toml(copy, "unit.toml", settings | {table: settings.get(table, {}) | {key: value}})
        here, there = kitplan.load_unit(folder), kitplan.load_unit(copy)

        def planned(unit: Any) -> Any:
            plan = kitplan.plan(unit, here.planning.seed, parts=("kits", "par"))
            return compare.Planned(plan.item_choice, plan.par, plan.kits if "kits" in plan.parts else None)

        comparison = compare.compare_units(here, there, planned)
    return {"said": comparison.sentences(), "tables": {
        title: (list(frame.columns), frame.head(60).to_numpy().tolist()) for title, frame in comparison.tables().items()
        if len(frame)}}
