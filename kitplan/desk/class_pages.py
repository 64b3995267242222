"""The classes: a form over each class*.toml, and the lists and prints that come of them."""

from __future__ import annotations

import datetime
import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, redirect, render_template, request, url_for

import kitplan
from kitplan.desk.units import Home, class_faults, number, papers, plan_folder, read_toml, unit_of, write_toml
from kitplan.read.classes import class_files
from kitplan.read.money import exact
from kitplan.read.problems import Problem
from kitplan.write.layout import table_columns
from kitplan.write.writer import write_outputs

LEAST_ROWS = 3
"""Practices shown even where fewer are known; sessions to fill in."""

_PAPERS = ("session-sheets.pdf", "station-cards.pdf", "step-cards.pdf", "tick-list.pdf", "cutting-list.pdf",
           "class-cut-cards.pdf", "box-labels.pdf", "sheet-cards.pdf", "class.xlsx")
_NUMBERS = (
    ("learners", "Learners", True), ("learners_per_station", "Learners at one station", True),
    ("attempts", "Goes of each learner at each practice", True),
    ("spare_share", "Spare for spoiled goes, 0.1 for 10 %", False),
    ("minutes_per_attempt", "Minutes for one go", False),
)
"""Key of a class file, its words, and whether it is a whole number."""

_LISTS = {"training_list": ("To buy and to take", "to buy"), "station_list": ("For each station", "stations"),
          "cut_plan": ("To cut", "who cuts"), "training_moves": ("What moves", "moves"),
          "training_left": ("Left over", "left over")}
"""Table of a class -> its title, and the table of a sheet that has its headings."""

_OF_A_SESSION = (("date", "Date", "date"), ("start", "Starts", "time"), ("place", "Place", "text"),
                 ("trainer", "Trainer", "text"), ("learners", "Learners", "number"))
"""Key of a session, its words, and what is typed."""


def add(app: Flask, home: Home) -> None:
    @app.get("/unit/<name>/class")
    def class_page(name: str) -> str:
        folder = unit_of(home, name)
        return render_template("class.html", **_form(folder, read_toml(folder, _file(folder))), **_result(folder))

    @app.post("/unit/<name>/class")
    def save_class(name: str) -> Response | tuple[str, int]:
        folder = unit_of(home, name)
        file = _file(folder)
        made = _settings(read_toml(folder, file))
        if faults := class_faults(folder, file, made):  # with what was typed, so that the fault alone is typed again
            return render_template("class.html", **_form(folder, made, faults), **_result(folder)), 409
        write_toml(folder, file, made)
        _plan_class(folder)
        return redirect(url_for("class_page", name=name, file=file) + "#lists")  # type: ignore[return-value]


def _files(folder: Path) -> list[str]:
    """The class files, class.toml first; where there is none, that one."""
    return sorted([path.name for path in class_files(folder)] or ["class.toml"], key=lambda name: name != "class.toml")


def _file(folder: Path) -> str:
    """The class file that is asked for: one of those that are there, else the first."""
    files = _files(folder)
    asked = request.values.get("file", "")
    return asked if asked in files else files[0]


def _form(folder: Path, now: dict[str, Any], faults: Sequence[Problem] = ()) -> dict[str, Any]:
    """What the form shows: the class as it is now, the techniques and the items to choose from. faults: what keeps it
    from being saved.
    """
    try:
        unit = kitplan.load_unit(folder)
    except kitplan.InputError as error:
        abort(409, f"Correct the unit's files first. {error}")
    sessions = [*(s for s in now.get("session", []) if isinstance(s, dict)), *[{}] * LEAST_ROWS]
    held = [(item, stock.get("units", "") if isinstance(stock, dict) else stock)
            for item, stock in now.get("have", {}).items()]
    techniques = {key: technique.title for key, technique in unit.techniques.items()}
    items = list(zip(unit.items["item"], unit.items["description"]))
    return {
        "file": _file(folder), "files": _files(folder), "now": now, "numbers": _NUMBERS, "techniques": techniques,
        "items": items, "of_a_session": _OF_A_SESSION, "sessions": [(s, _shown(s, 1)) for s in sessions],
        "practices": _shown(now, LEAST_ROWS),
        "held": held + [("", "")] * 3, "faults": faults or unit.faults_of("training"),
    }


def _settings(now: dict[str, Any]) -> dict[str, Any]:
    """The class file with what the form holds; keys that the form does not show stay. Raises ValueError."""
    form = request.form
    made = {k: v for k, v in now.items() if k not in ("title", "date")}
    if form.get("title", "").strip():
        made["title"] = form["title"].strip()
    if form.get("date"):
        made["date"] = datetime.date.fromisoformat(form["date"])
    for key, words, whole in _NUMBERS:
        value = number(form.get(key, ""), words, whole=whole)
        made = {k: v for k, v in made.items() if k != key} | ({} if value is None else {key: value})
    if "learners_per_station" in made:
        made.pop("stations", None)
    made["pairs"] = form.get("pairs") == "yes"
    if "session_date" in form:
        made = {k: v for k, v in made.items() if k != "session"} | _sessions(now)
    made["practice"] = _practices("", now)
    have = {item: number(units, item, whole=True) for item, units in zip(form.getlist("item"), form.getlist("units"))
            if item and units.strip()}
    old = now.get("have", {})
    made["have"] = {item: old[item] | {"units": units} if isinstance(old.get(item), dict) else units
                    for item, units in have.items()}
    return made


def _sessions(now: dict[str, Any]) -> dict[str, Any]:
    """The sessions that the form holds, {} for none: what it does not show of each stays. Raises ValueError."""
    columns = [request.form.getlist(f"session_{key}") for key, _, _ in _OF_A_SESSION]
    before = [s for s in now.get("session", []) if isinstance(s, dict)]
    found = []
    for k, row in enumerate(zip(*columns)):
        typed = {key: text.strip() for (key, _, _), text in zip(_OF_A_SESSION, row) if text.strip()}
        old, rows = before[k] if k < len(before) else {}, f"session{k + 1}_"
        practices = _practices(rows, old) if f"{rows}technique" in request.form else old.get("practice", [])
        if not typed and not practices:
            continue
        if "date" in typed:
            typed["date"] = datetime.date.fromisoformat(typed["date"])  # type: ignore[assignment]
        if "learners" in typed:
            typed["learners"] = number(typed["learners"], "Learners", whole=True)  # type: ignore[assignment]
        shown = {"practice", *(key for key, _, _ in _OF_A_SESSION)}
        own = {"practice": practices} if practices else {}
        found.append({key: value for key, value in old.items() if key not in shown} | typed | own)
    return {"session": found} if found else {}


def _shown(settings: dict[str, Any], least: int) -> list[dict[str, Any]]:
    """The practices of a class or of a session, their sizes as one text, and rows to fill in."""
    practices = []
    for practice in (p for p in settings.get("practice", []) if isinstance(p, dict)):
        sizes = next((practice[key] for key in ("tube_mm", "size", "french") if key in practice), "")
        shown = "; ".join(map(str, sizes)) if isinstance(sizes, list) else str(sizes)
        practices.append(practice | {"shown": shown})
    return practices + [{}] * max(1, least - len(practices))


def _practices(rows: str, before: dict[str, Any]) -> list[dict[str, Any]]:
    """The practices that the form holds in fields whose names begin with `rows`. before: the settings as they were."""
    old = [p for p in before.get("practice", []) if isinstance(p, dict)]
    typed = zip(*(request.form.getlist(rows + field) for field in ("technique", "size", "skin")))
    return [_practice(old[k] if k < len(old) else {}, *row) for k, row in enumerate(typed) if row[0]]


def _practice(before: dict[str, Any], technique: str, size: str, skin: str) -> dict[str, Any]:
    """One practice: what was there before, with what the form holds; a size keeps the scale that it had."""
    scale = next((key for key in ("size", "french") if key in before), "tube_mm")
    given: dict[str, Any] = {"technique": technique, "skin": skin}
    sizes = [part.strip() for part in size.split(";") if part.strip()]
    try:
        read: list[Any] = [number(part, "Size") for part in sizes]
    except ValueError:
        scale, read = "size", sizes
    if read:
        given[scale] = read if len(read) > 1 else read[0]
    kept = {k: v for k, v in before.items() if k not in ("technique", "skin", "tube_mm", "size", "french")}
    return kept | given


def _plan_class(folder: Path) -> None:
    """Plan the class alone and write its papers into the plan folder. Raises InputError, UnsafePlan, OSError."""
    from kitplan.outputs import part_files

    unit = kitplan.load_unit(folder)
    faults = unit.faults_of("training")
    if faults:
        raise kitplan.InputError(faults, "reading the class")
    plan = kitplan.plan(unit, parts=["training"])
    write_outputs(plan_folder(folder), part_files(plan, "training"), remove_stale=True)


def _result(folder: Path) -> dict[str, Any]:
    place = plan_folder(folder)
    frames, currency, damaged = _tables(place)
    lists: list[tuple[str, list[str], list[list[str]]]] = []
    named: dict[str, str] = {}
    cost = ""
    if "training_list" in frames:
        cost = exact(sum(float(value) for value in frames["training_list"]["value"] if value), currency)
    for name, (title, sheet) in _LISTS.items():
        frame = frames.get(name, ())
        if len(frame):
            if "description" in frame:
                named.update(zip(frame["item"], frame["description"]))
            if "roll" in frame:
                frame["roll"] = frame["roll"].map(named).fillna(frame["roll"])
            lists.append((title, *_table(frame, sheet, currency)))
    lists += _by_session(frames.get("training_sessions"), currency)
    there = papers(folder, lambda name: _place(name)[0] >= 0)
    return {"lists": lists, "prints": {name: there[name] for name in sorted(there, key=_place)}, "cost": cost,
            "damaged": damaged}


def _tables(place: Path) -> tuple[dict[str, Any], str, list[str]]:
    """The tables of the class as they were written, their currency, and the names of those that have changed since."""
    import pandas as pd

    from kitplan.saved.folder import as_written

    frames, currency, damaged = {}, "", []
    for name in (*_LISTS, "training_sessions"):
        if (place / "tables" / f"{name}.csv").is_file():
            found = as_written(place, f"tables/{name}.csv", "training")
            if found is None:
                damaged.append(f"{name}.csv")
            else:
                currency = str(found[1].get("currency", ""))
                frames[name] = pd.read_csv(io.BytesIO(found[0]), dtype=str, keep_default_na=False)
    return frames, currency, damaged


def _place(name: str) -> tuple[int, int, str]:
    """Where a paper stands among those of classes, which carry the number of theirs where there are several; -1: it is
    none of them.
    """
    bare = re.sub(r"-\d+(?=\.)", "", name)
    return _PAPERS.index(bare) if bare in _PAPERS else -1, len(name), name


def _by_session(frame: Any, currency: str) -> list[tuple[str, list[str], list[list[str]]]]:
    """What each session takes and what goes on, a list each; none for a class that stands alone."""
    if frame is None:
        return []
    groups = [(str(name), *_table(group.drop(columns="class"), "sessions", currency))
              for name, group in frame.groupby("class", sort=False)]
    return groups if len(groups) > 1 else []


def _table(frame: Any, sheet: str, currency: str) -> tuple[list[str], list[list[str]]]:
    """(headings, rows) of a table for people, who need no item's key beside its description, nor a number of the store.

    Headings are those of the sheet; what no sheet has is called as its column is.
    """
    stations = frame.columns.intersection(["from_station", "to_station"])
    shown = frame.assign(**frame[stations].replace("0", "store")).drop(columns="item" if "description" in frame else [])
    known = {column: heading.format(currency=currency) for heading, _, column in table_columns()[sheet]}
    return [known.get(c, c.replace("_", " ").capitalize()) for c in shown.columns], shown.to_numpy().tolist()
