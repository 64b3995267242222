"""The pages of the desk: begin, census, plan, par levels, curve. The week, class and months have files of their own."""

from __future__ import annotations

import secrets
import threading
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from flask import Flask, Response, abort, redirect, render_template, request, send_file, url_for
from werkzeug.exceptions import HTTPException

import kitplan
from kitplan.commands.check import report_lines
from kitplan.commands.common import PART_WORDS
from kitplan.desk import class_pages, month_pages, week_pages
from kitplan.desk import units as shelf
from kitplan.desk.drawing import curve_chart, demand_chart
from kitplan.desk.guard import guard
from kitplan.desk.jobs import Jobs
from kitplan.desk.units import Opened, plan_folder
from kitplan.read.catalogue import spoken_names
from kitplan.read.findings import Findings
from kitplan.read.headers import column_meant
from kitplan.read.money import figure
from kitplan.read.problems import InputError, UnsafePlan
from kitplan.read.source import Source
from kitplan.read.workbook import CENSUS_TABLES
from kitplan.resources import caution, sample_units
from kitplan.write.shelf import order_rule
from kitplan.write.sides import isolated
from kitplan.write.writer import checksum

PAGES = (("unit_page", "This unit"), ("census_page", "Census"), ("par_page", "Par levels"),
         ("curve_page", "Readiness and cost"), ("week_page", "The week"),
         ("class_page", "The class"), ("months_page", "The months"))


MEND = "kitplan book UNIT --mend"
_AT_THE_DESK = {
    f"run {MEND}": "press Take the book as it stands", MEND: "press Take the book as it stands",
    "kitplan plan UNIT": "open This unit and press Plan", "kitplan order UNIT": "The button under Wanted since",
    "kitplan forecast": "The months", " with --out": "",
    "keep a log and run kitplan rates": "put a log into the unit's folder and plan again",
    "kitplan new FOLDER --sample birch_house": "the invented unit Birch House, to be copied on the first page,",
}
"""Command that a sentence names -> what does the same here."""
MOST_SHOWN = 200
"""Faults that a page shows."""
IN_WORKBOOK = "This unit is a workbook: change it there, save and close it, and load this page again. It is {}"


def create_app(folder: Path, secret: str, port: int, note: str = "") -> Flask:
    """The desk on one folder: a unit, or a folder that holds units. note: shown on every page."""
    app = Flask(__name__)
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.finalize = _at_the_desk
    app.jinja_env.filters |= {"figure": figure, "isolated": isolated}
    app.jinja_env.globals["not_yet_own"] = _not_yet_own
    guard(app, secret, port)
    home, jobs = shelf.Home(folder.resolve()), Jobs()
    opened = Opened()
    app.extensions["desk"] = {"home": home, "jobs": jobs, "opened": opened}

    @app.context_processor
    def _furniture() -> dict[str, Any]:
        name = (request.view_args or {}).get("name")
        unit = home.unit(name) if name else None
        return {"pages": PAGES if unit else (), "name": name, "note": note, "caution": caution(),
                "called": home.called(name) if name else "",
                "in_workbook": IN_WORKBOOK.format(unit) if unit is not None and unit.is_file() else ""}

    app.register_error_handler(Exception, _error_page)
    _begin_pages(app, home)
    _plan_pages(app, home, jobs, opened)
    week_pages.add(app, home)
    class_pages.add(app, home)
    month_pages.add(app, home, opened)
    return app


def _at_the_desk(shown: Any) -> Any:
    """What a page shows, with buttons and pages in place of the commands that a sentence names."""
    if isinstance(shown, str):
        for command, here in _AT_THE_DESK.items():
            shown = shown.replace(command, here)
    return shown


def _not_yet_own(unit: Any) -> list[str]:
    from kitplan.parts.par.summary import not_yet_own

    return not_yet_own(unit)


def _error_page(error: Exception) -> tuple[str, int]:
    """An error as a page that says what to do; a defect is called one."""
    if isinstance(error, HTTPException):
        text, code = error.description or error.name, error.code or 500
        if code == 413:
            text = "This file is larger than any table that is read here. Drop the census alone, as CSV or .xlsx."
    elif isinstance(error, InputError | UnsafePlan | OSError | ValueError):
        text, code = str(error), 409
    else:
        text, code = f"A defect of kitplan, not of your files: {type(error).__name__}: {error}", 500
    back = urlsplit(request.referrer or "")
    own = back.netloc == request.host and (request.method == "POST" or back.path != request.path)
    path = back.path if own else ""
    return render_template("error.html", text=text, mend=MEND in text,
                           back=path and f"{path}?{back.query}".rstrip("?")), code


def _begin_pages(app: Flask, home: shelf.Home) -> None:
    making = threading.Lock()
    clicked: list[Any] = []  # the last form that made a unit, as its page showed it, and that unit

    @app.get("/")
    def begin() -> str | Response:
        if home.single:
            return redirect(url_for("unit_page", name=home.names()[0]))  # type: ignore[return-value]
        units = {name: home.called(name) for name in home.names()}
        samples = {name: shelf.read_toml(unit, "unit.toml")["name"] for name, unit in sample_units().items()}
        return render_template("begin.html", units=units, samples=samples, folder=home.folder,
                               page=secrets.token_hex(8))

    @app.post("/new")
    def new_unit() -> Response:
        if home.single:
            abort(409, "This desk serves one unit alone. Start it on a folder that is to hold units.")
        sample = request.form.get("sample") or None
        try:
            file = request.files.get("census")
            given = (file.filename, file.read()) if file and file.filename else ()
            asked, page = (request.form.get("unit_name", ""), sample, *given), request.form.get("page")
            with making:  # a second click comes while the first one is still at work
                made = clicked[1] if page and clicked[:1] == [(page, asked)] else shelf.make_unit(home, *asked)
                clicked[:] = [(page, asked), made]
        except InputError as error:
            raise InputError(error.problems, f"{error.during}. No unit was made") from None
        except ValueError as error:
            abort(409, f"No unit was made: {error}. Give another name.")
        return redirect(url_for("unit_page" if sample else "census_page", name=made))  # type: ignore[return-value]

    @app.get("/unit/<name>/census")
    def census_page(name: str) -> str:
        folder = shelf.unit_of(home, name)
        return render_template("census.html", **_checked(folder), before=shelf.census_before(folder))

    @app.post("/unit/<name>/census")
    def drop_census(name: str) -> Response:
        folder, file = shelf.unit_of(home, name), request.files.get("census")
        if folder.is_file():
            abort(409, IN_WORKBOOK.format(folder))
        if not file or not file.filename:
            abort(409, "No file was chosen. Choose the census, as CSV or .xlsx.")
        content = file.read()
        if shelf.holds_unit(file.filename, content):
            abort(409, f"{file.filename} is a whole unit with settings of its own. Make a unit of it on the first "
                       "page; or save its census alone and give that.")
        shelf.take_in(folder, file.filename, content)
        return redirect(url_for("census_page", name=name))  # type: ignore[return-value]

    @app.post("/unit/<name>/census/back")
    def census_back(name: str) -> Response:
        folder = shelf.unit_of(home, name)
        shelf.put_back(folder)
        return redirect(url_for("census_page", name=name))  # type: ignore[return-value]

    @app.post("/unit/<name>/correct")
    def correct(name: str) -> Response | tuple[str, int]:
        folder, file = shelf.unit_of(home, name), request.form.get("file", "")
        if file not in _own_tables(folder):
            abort(404, "This table is not in the unit's folder.")
        cells = {(int(row), int(column)): text for key, text in request.form.items() if key.startswith("cell.")
                 for _, row, column in [key.split(".")]}
        try:
            same = shelf.correct(folder, file, cells, request.form.get("seen", ""),
                                 request.form.getlist("delete", type=int))
        except InputError as error:  # with what was typed, so that the cell at fault alone is typed again
            return render_template("census.html", **_checked(folder), before=None, refused=error), 409
        if not same:
            abort(409, f"{file} has changed since this page was shown. Open the page again: nothing was written.")
        return redirect(url_for("census_page", name=name))  # type: ignore[return-value]


def _own_tables(folder: Path) -> list[str]:
    return [p.name for p in folder.glob("*.csv")] if folder.is_dir() else []


def _checked(folder: Path) -> dict[str, Any]:
    """What reading the unit says: faults beside their rows, warnings, and what was read."""
    from kitplan.planning import ready_to_plan

    faults: tuple[Any, ...] = ()
    report: list[str] = []
    if not shelf.has_census(folder):
        return {"missing": True, "tables": [], "others": [], "report": []}
    try:
        unit = kitplan.load_unit(folder)
        ready_to_plan(unit)
        faults, report = unit.faults, report_lines(unit)
    except kitplan.InputError as error:
        faults = error.problems
    tables, others = _by_table(folder, faults)
    return {"missing": False, "tables": tables, "others": others, "report": report,
            "more": max(0, len(faults) - MOST_SHOWN)}


def _by_table(folder: Path, faults: tuple[Any, ...]) -> tuple[list[dict[str, Any]], list[Any]]:
    """Faults that stand in a cell of a table, with the row that they stand in; and the others."""
    own, others = _own_tables(folder), []
    tables: dict[str, dict[str, Any]] = {}
    for fault in faults[:MOST_SHOWN]:
        if fault.file not in own or fault.row is None:
            others.append(fault)
            continue
        table = tables.get(fault.file) or tables.setdefault(fault.file, _table_shown(folder, fault.file))
        cells = table["text"].cells[fault.row - 1] if fault.row <= len(table["text"].cells) else ()
        cells += ("",) * (len(table["head"]) - len(cells))  # of a row that ends early, so that they can be filled in
        row = table["rows"].setdefault(fault.row, {"cells": cells, "faults": [], "columns": set()})
        known = {name: c for name, c in table["known"].items() if name == fault.column}
        at = {k for k, title in enumerate(table["head"]) if column_meant(title, known)}
        row["columns"] |= at
        row["faults"].append((" or ".join(table["head"][k] for k in at) or fault.column, fault))
    return list(tables.values()), others


def _table_shown(folder: Path, file: str) -> dict[str, Any]:
    """A table with its headings, and the column that each of them means, by whatever word it is called."""
    content, stem = (folder / file).read_bytes(), Path(file).stem.casefold()
    known = Source(folder, Findings()).columns("census" if stem in CENSUS_TABLES else stem)
    text = shelf.TextTable.read(content)
    head = max(text.cells[:40], key=lambda row: len({column_meant(title, known) for title in row}), default=())
    return {"file": file, "seen": checksum(content), "text": text, "rows": {}, "head": head, "known": known}


def _plan_pages(app: Flask, home: shelf.Home, jobs: Jobs, opened: Opened) -> None:

    @app.get("/unit/<name>/")
    def unit_page(name: str) -> str:
        folder = shelf.unit_of(home, name)
        job = jobs.of(folder)
        if job is not None and not job.end:
            return render_template("working.html", doing=job.doing, seconds=job.seconds)
        ended = job.end if job is not None and job.end.get("end") not in ("done", None) else None
        try:
            plan = opened.plan(folder)
        except InputError as error:  # damaged, or of another version: it is planned anew from here
            plan, ended = None, ended or {"end": "unread", "text": str(error)}
        if plan is None:
            return render_template("unplanned.html", ended=ended, ready=shelf.has_census(folder))
        from kitplan.parts.par.summary import three_sentences

        return render_template(
            "unit.html", plan=plan, said=three_sentences(plan), ended=ended,
            left_out=[(", ".join(PART_WORDS[part] for part in fault.stops), fault) for fault in plan.unit.faults],
            changed=opened.changed(folder), papers=shelf.papers(folder), warnings=plan.warnings,
            changes=plan.changes.sentences() if "changes" in plan.parts else (),
        )

    @app.post("/unit/<name>/plan")
    def start_plan(name: str) -> Response:
        folder = shelf.unit_of(home, name)
        jobs.start(folder, plan_folder(folder))
        return redirect(url_for("unit_page", name=name))  # type: ignore[return-value]

    @app.post("/unit/<name>/cancel")
    def cancel_plan(name: str) -> Response:
        jobs.cancel(shelf.unit_of(home, name))
        return redirect(url_for("unit_page", name=name))  # type: ignore[return-value]

    @app.get("/unit/<name>/par")
    def par_page(name: str) -> str:
        plan = opened.needed(shelf.unit_of(home, name))
        sort, named = request.args.get("by", ""), spoken_names(plan.unit.items)
        levels = plan.par.levels[plan.par.levels["par_units"] > 0]
        if sort in levels.columns:
            down = request.args.get("down") == "1"
            levels = levels.assign(item=levels["item"].map(named)) if sort == "item" else levels
            order = levels.sort_values([sort, "item"], ascending=[not down, True], kind="stable").index
            levels = plan.par.levels.loc[order]
        return render_template("par.html", plan=plan, rows=levels.to_dict("records"), by=sort,
                               named=named,
                               down=request.args.get("down") == "1", rule=order_rule)

    @app.get("/unit/<name>/par/<item>")
    def item_page(name: str, item: str) -> str:
        plan = opened.needed(shelf.unit_of(home, name))
        row = plan.par.levels[plan.par.levels["item"] == item]
        if row.empty:
            abort(404, "There is no such item in this plan.")
        level, demand = int(row["par_units"].iloc[0]), plan.demand()
        units = demand.units[:, demand.items.index(item)]
        chart = demand_chart(units, level, f"Use of {item} in one interval, and its level {level}")
        return render_template("item.html", plan=plan, row=row.iloc[0], story=kitplan.explain(plan, item), chart=chart)

    @app.get("/unit/<name>/curve")
    def curve_page(name: str) -> str:
        plan = opened.needed(shelf.unit_of(home, name))
        curve = plan.par.frontier.reset_index(drop=True)
        step = request.args.get("step", type=int)
        near = int((curve["target"] - plan.readiness.target).abs().idxmin())
        step = near if step is None or not 0 <= step < len(curve) else step
        chart = curve_chart(curve["mean_value"].tolist(), curve["readiness"].tolist(), step, "Readiness against money")
        rows = curve.to_dict("records")
        return render_template("curve.html", plan=plan, rows=rows, step=step, near=near, chart=chart,
                               moved=_moved(plan, float(curve["target"][step])))

    @app.get("/unit/<name>/paper/<path:file>")
    def paper(name: str, file: str) -> Response:
        folder = shelf.unit_of(home, name)
        whole = shelf.papers(folder, lambda name: name == file).get(file)
        if whole is None:
            abort(404, "This plan has no such paper.")
        if not whole and file.endswith(".pdf"):
            abort(409, f"{file} is not as it was written: it is damaged, or was changed by hand. Do not print it. Plan "
                       "again, or do the step again that it is of, to write it anew.")
        place = plan_folder(folder) / file
        return send_file(place, as_attachment=not file.endswith(".pdf"))


def _moved(plan: Any, target: float) -> list[dict[str, Any]]:
    """Items whose level another plan of the curve sets otherwise, the largest change of money first."""
    held = plan.par.frontier_levels
    if held.empty:
        return []
    other = held[held["target"] == target].set_index("item")["par_units"]
    levels = plan.par.levels.set_index("item")
    frame = levels[["description", "par_units", "pack"]].assign(then=other)
    frame = frame[frame["then"] != frame["par_units"]].reset_index()
    prices = dict(zip(plan.unit.items["item"], plan.unit.items["price"] / plan.unit.items["pack"]))
    frame["money"] = (frame["then"] - frame["par_units"]) * frame["item"].map(prices)
    rows: list[dict[str, Any]] = frame.sort_values("money", key=abs, ascending=False, kind="stable").to_dict("records")
    return rows
