"""The week: receive, count, questions, order, build kits, recall. What is typed goes the way of the printed sheets."""

from __future__ import annotations

import contextlib
import csv
import tempfile
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Flask, Response, abort, redirect, render_template, request, url_for

from kitplan.desk.units import NO_PLAN, Home, plan_folder, unit_of

if TYPE_CHECKING:
    from kitplan.parts.orders.round_command import Session

_TABLES = {"receive": "receive", "count": "count", "answers": "answers", "build": "kits"}
"""Step -> the table of the round that its form is, field by field."""


def add(app: Flask, home: Home) -> None:
    """The pages of the week."""
    for step, page in (("", "week"), ("/receive", "receive"), ("/count", "count"), ("/kits", "kits")):
        app.add_url_rule(f"/unit/<name>/week{step}", f"{page}_page",
                         lambda name, page=page: _shown(unit_of(home, name), f"{page}.html"))

    @app.post("/unit/<name>/week/<step>")
    def take_step(name: str, step: str) -> Response:
        folder = unit_of(home, name)
        if step not in (*_TABLES, "order"):
            abort(404, "There is no such step.")
        said = _take(folder, step)
        app.extensions["desk"].setdefault("said", {})[folder] = said
        return redirect(url_for("week_page", name=name))  # type: ignore[return-value]

    @app.get("/unit/<name>/recall")
    def recall_page(name: str) -> str:
        lot = request.args.get("lot", "").strip()
        with _round(unit_of(home, name)) as work:
            found, entries = work.recalled(lot) if lot else None, len(work.book.lines)
        left = found is not None and not found.places[found.places["where"].isin(["shelf", "bedside"])].empty
        return render_template("recall.html", lot=lot, found=found, entries=entries, left=left)

    @app.post("/unit/<name>/recall")
    def taken_away(name: str) -> Response:
        from kitplan.parts.orders import round_command as rounds

        lot = request.form.get("lot", "").strip()
        with _round(unit_of(home, name)) as work:
            _same_book(work)
            rounds.take_away(work, work.recalled(lot), _day() or date.today())
        return redirect(url_for("recall_page", name=name, lot=lot))  # type: ignore[return-value]

    @app.context_processor
    def _last_words() -> dict[str, Any]:
        def last_said() -> list[str]:
            folder = home.unit((request.view_args or {}).get("name", ""))
            said: list[str] = app.extensions["desk"].get("said", {}).pop(folder, [])
            return said

        return {"last_said": last_said, "today": date.today().isoformat()}


@contextlib.contextmanager
def _round(folder: Path) -> Iterator[Session]:
    """The round of a unit that has a plan."""
    from kitplan.parts.orders import round_command as rounds

    if not (plan_folder(folder) / "plan.json").is_file():
        abort(409, NO_PLAN)
    with rounds.session(folder, None, None, quiet=True) as work:
        yield work


def _shown(folder: Path, template: str) -> str:
    """A page of the week: all that it shows is the round's own result."""
    from kitplan.read.catalogue import spoken_names

    with _round(folder) as work:
        weekly, entries = work.weekly(), len(work.book.lines)
        spoken = spoken_names(work.unit.items)
    order = () if weekly.order is None else weekly.order.lines.to_dict("records")
    return render_template(template, weekly=weekly, now=weekly.now, plan=weekly.plan, entries=entries, spoken=spoken,
                           order=[row for row in order if row["order_packs"] > 0])


def _take(folder: Path, step: str) -> list[str]:
    """Take in a form, as the same step's sheet would be. Raises InputError, OutputError."""
    from kitplan.parts.orders import round_command as rounds

    with _round(folder) as work:
        _same_book(work)
        day = _day()
        if step != "order":
            with tempfile.TemporaryDirectory() as place:
                sheet = Path(place) / f"{step}.csv"
                if not _write_sheet(sheet, step):
                    return ["Nothing was typed in."]
                rounds.take_in(work, step, sheet, day, older=request.form.get("older") == "yes")
        weekly = work.weekly(keep_order=step != "order")
        if step == "order":
            weekly = rounds.placed(work, weekly, day)
        rounds.keep(work)
        rounds.finish(work, weekly)
        return [told for told in work.told if told]


def _same_book(work: Session) -> None:
    if request.form.get("entries", type=int) != len(work.book.lines):
        abort(409, "The book has grown since this page was shown: another page or person wrote in it. What you "
                   "typed is kept in your browser: go back, load the page again, and look at it before you save.")


def _day() -> date | None:
    text = request.form.get("day", "")
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        abort(409, f"{text!r} is not a date.")


def _write_sheet(path: Path, step: str) -> bool:
    """The form as the table that the step reads; False where nothing was typed."""
    from kitplan.read.columns import columns_of
    from kitplan.read.round_sheets import TYPED

    head = list(columns_of(_TABLES[step]))
    columns: Sequence[list[str]] = [request.form.getlist(column) for column in head]
    many = max(map(len, columns), default=0)
    rows = [[column[k].strip() if k < len(column) else "" for column in columns] for k in range(many)]
    typed = [row for row in rows if any(row[head.index(column)] for column in TYPED[_TABLES[step]])]
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *typed])
    return bool(typed)
