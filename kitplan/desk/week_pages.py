"""The week: receive, count, questions, order, build kits, recall. What is typed goes the way of the printed sheets."""

from __future__ import annotations

import contextlib
import csv
import secrets
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from hashlib import sha256
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Flask, Response, abort, redirect, render_template, request, url_for
from werkzeug.utils import secure_filename

from kitplan.desk.units import NO_PLAN, Home, papers, plan_folder, unit_of
from kitplan.read.catalogue import in_words, spoken_names
from kitplan.read.columns import columns_of
from kitplan.read.problems import InputError, Problem
from kitplan.read.round_sheets import TYPED

if TYPE_CHECKING:
    from kitplan.parts.orders.round_command import Session

_TABLES = {"receive": "receive", "count": "count", "answers": "answers", "build": "kits"}
"""Step -> the table of the round that its form is, field by field."""
_PAPERS = ("order.pdf", "expiry-list.pdf")
"""Prints that the page of the week hands out."""


@dataclass(frozen=True)
class Done:
    """The last form that was taken in of a unit. form: its mark, so that the same one, sent twice, counts once, as long
    as the book holds as many lines as it left there.
    """

    form: str
    number: str
    step: str
    told: list[str]
    lines: int


def add(app: Flask, home: Home) -> None:
    done: dict[Path, Done] = {}

    def once(folder: Path, step: str, take: Callable[[Session], list[str]]) -> str:
        """Take a form in, unless it is the one that was taken in last; what the page that follows is asked for."""
        sent = [*sorted(request.form.lists()), *((f.filename, f.read()) for f in request.files.values())]
        form = sha256(repr((step, sent)).encode()).hexdigest()
        with _round(folder) as work:
            last = done.get(folder)
            if last is None or last.form != form or len(work.book.lines) < last.lines:
                if request.form.get("entries", type=int) != len(work.book.lines):
                    abort(409, "The book has grown since this page was shown: another page or person wrote in it. What "
                               "you typed is kept in your browser: go back, load the page again, and look at it before "
                               "you save.")
                told = take(work)
                done[folder] = Done(form, secrets.token_hex(4), step, told, len(work.book.lines))
        return done[folder].number

    for step, page in (("", "week"), ("/receive", "receive"), ("/count", "count"), ("/kits", "kits")):
        app.add_url_rule(f"/unit/<name>/week{step}", f"{page}_page",
                         lambda name, page=page: _shown(unit_of(home, name), f"{page}.html"))

    @app.post("/unit/<name>/week/<step>")
    def take_step(name: str, step: str) -> Response:
        if step not in (*_TABLES, "workbook", "order"):
            abort(404, "There is no such step.")
        number = once(unit_of(home, name), step, lambda work: _take(work, step))
        return redirect(url_for("week_page", name=name, done=number))  # type: ignore[return-value]

    @app.post("/unit/<name>/book/mend")
    def mend_book(name: str) -> Response:
        from kitplan.parts.orders import round_command as rounds

        folder = unit_of(home, name)
        try:
            with _round(folder):  # a second click: what was found the first time stays beside the book
                return redirect(url_for("week_page", name=name))  # type: ignore[return-value]
        except InputError:
            with _round(folder, mend=True) as work:
                rounds.mend_book(work)
        done[folder] = Done("", secrets.token_hex(4), "mend", work.told, len(work.book.lines))
        return redirect(url_for("week_page", name=name, done=done[folder].number))  # type: ignore[return-value]

    @app.get("/unit/<name>/recall")
    def recall_page(name: str) -> str:
        lot = request.args.get("lot", "").strip()
        with _round(unit_of(home, name)) as work:
            found, entries = work.recalled(lot) if lot else None, len(work.book.lines)
            spoken = spoken_names(work.unit.items)
        left = found is not None and not found.places[found.places["where"].isin(["shelf", "bedside"])].empty
        return render_template("recall.html", lot=lot, found=found, entries=entries, left=left,
                               in_words=in_words(spoken))

    @app.post("/unit/<name>/recall")
    def taken_away(name: str) -> Response:
        lot = request.form.get("lot", "").strip()
        once(unit_of(home, name), "recall", lambda work: _taken_away(work, lot))
        return redirect(url_for("recall_page", name=name, lot=lot))  # type: ignore[return-value]

    @app.context_processor
    def _last_words() -> dict[str, Any]:
        last = done.get(home.unit((request.view_args or {}).get("name", "")))  # type: ignore[arg-type]
        asked = last is not None and last.number == request.args.get("done")
        return {"done": last if asked else None, "today": date.today().isoformat()}


@contextlib.contextmanager
def _round(folder: Path, *, mend: bool = False) -> Iterator[Session]:
    from kitplan.parts.orders import round_command as rounds

    if not (plan_folder(folder) / "plan.json").is_file():
        abort(409, NO_PLAN)
    with rounds.session(folder, None, None, mend=mend, quiet=True) as work:
        yield work


def _shown(folder: Path, template: str) -> str:
    """A page of the week: all that it shows is the round's own result."""
    with _round(folder) as work:
        weekly, entries = work.weekly(keep_order=True), len(work.book.lines)
        since = work.weekly().order  # what is wanted now: an order made after the count keeps its sheet, print and page
        spoken, looks = spoken_names(work.unit.items), (*work.changed, *work.book.warnings)
    orders = [weekly.order, since][:2 if weekly.order and weekly.order.number and since and not since.number else 1]
    return render_template(template, weekly=weekly, now=weekly.now, plan=weekly.plan, entries=entries, spoken=spoken,
                           papers=papers(folder, _PAPERS.__contains__), looks=looks, in_words=in_words(spoken),
                           unit=work.plan.unit, orders=[order for order in orders if order and order.wanted])


def _take(work: Session, step: str) -> list[str]:
    """Take in a form, as the same step's sheet would be. Raises InputError, OutputError."""
    from kitplan.parts.orders import round_command as rounds

    day, older = _day(), request.form.get("older") == "yes"
    typed: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        sheet = Path(place) / f"{step}.csv"
        if step == "workbook":
            sheet = _filled_workbook(Path(place))
        elif step != "order" and not (typed := _write_sheet(sheet, step, spoken_names(work.unit.items))):
            return ["Nothing was typed in."]
        if step != "order":
            with _by_line(typed):
                rounds.take_in(work, step, sheet, day, older=older)
    weekly = work.weekly(keep_order=step != "order")
    if step == "order":
        weekly = rounds.placed(work, weekly, day)
    rounds.keep(work)
    rounds.finish(work, weekly)
    return [told for told in work.told if told] or ["Nothing new was typed in."]


def _filled_workbook(place: Path) -> Path:
    """The workbook that was given, in a folder of its own."""
    file = request.files.get("filled")
    if not file or not file.filename:
        abort(409, "No file was chosen. Choose the workbook that you filled in.")
    file.seek(0)
    content = file.read()
    if not content.startswith(b"PK"):
        raise InputError([Problem(file.filename, "is not an .xlsx workbook", "Save it as .xlsx from a spreadsheet "
                                  "program, without a password.")], "reading a filled-in sheet")
    path = place / f"{Path(secure_filename(file.filename)).stem or 'filled'}.xlsx"
    path.write_bytes(content)
    return path


def _taken_away(work: Session, lot: str) -> list[str]:
    from kitplan.parts.orders import round_command as rounds

    rounds.take_away(work, work.recalled(lot), _day() or date.today())
    return work.told


def _day() -> date | None:
    text = request.form.get("day", "")
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        abort(409, f"{text!r} is not a date.")


def _write_sheet(path: Path, step: str, spoken: Mapping[str, str]) -> list[str]:
    """Write the form as the table that the step reads; what each row is of, [] where nothing was typed.

    Raises InputError for a line that says what came and not how many: dropped in silence, it would be lost.
    """
    head = list(columns_of(_TABLES[step]))
    columns: Sequence[list[str]] = [request.form.getlist(column) for column in head]
    rows = [dict(zip(head, map(str.strip, row))) for row in zip_longest(*columns, fillvalue="")]
    typed = [row for row in rows if any(row[column] for column in TYPED[_TABLES[step]])]
    unsaid = [row for row in rows if row not in typed and (
        row.get("expires") or row.get("lot") or (step == "receive" and row["item"] and not row["order"]))]
    if unsaid:
        raise InputError([Problem(spoken.get(row["item"], row["item"] or "something else that came"), "has no number",
                                  "Type how many, or clear its line.") for row in unsaid], "reading what was typed")
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *(row.values() for row in typed)])
    names = [row.get("item") or row.get("kit") or row.get("design") or (
        f"question {row['no']}" if "no" in row else "something else that came") for row in typed]
    return [spoken.get(name, name) for name in names]


@contextlib.contextmanager
def _by_line(typed: Sequence[str]) -> Iterator[None]:
    """Faults of a form name what stands on its line, for a form has no rows. typed: what each row is of."""
    try:
        yield
    except InputError as error:
        of_row = dict(enumerate(typed, start=2))  # row 1 is the heading
        raise InputError([p if p.row not in of_row else replace(p, file=of_row[p.row], row=None)
                          for p in error.problems], error.during) from None
