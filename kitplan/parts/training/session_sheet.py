"""Session sheets: a page for each session of a course, with all that is its own: when, where, rounds, what it takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reportlab.platypus import Flowable

from kitplan.parts.training.practice_page import grid, head, practice_pdf, text
from kitplan.parts.training.print_set import BLANK, PrintSet
from kitplan.read.problems import counted

if TYPE_CHECKING:
    import pandas as pd


def session_sheets_pdf(prints: PrintSet) -> bytes:
    """One page a session."""
    pages = [[
        *head(prints, f"Session {course.session}",
              (f"Session {course.session} of {len(prints.lessons)}   {prints.days([lesson])}",
               f"Packed by {BLANK}   Checked by {BLANK}"), [lesson], "strong"),
        text(f"{course.learners} learners at {counted(course.stations, 'station')}, "
             f"{prints.training.timetables[lesson].minutes:.0f} minutes.", "note"),
        *_rounds(prints, lesson), *_takes(prints.training.sessions, lesson),
    ] for lesson, course in zip(prints.lessons, prints.of(prints.lessons))]
    return practice_pdf("Session sheets", prints.foot, pages, prints.paper)


def _rounds(prints: PrintSet, lesson: int) -> list[Flowable]:
    """Starts, and the practice of each station in each round."""
    course, setup = prints.training.lessons[lesson], prints.training.setup
    mine = setup[setup["lesson"] == lesson]
    stations = range(1, course.stations + 1)
    rows = []
    for _, group in mine.groupby("round", sort=True):
        practice = dict(zip(group["station"], group["practice"]))
        rows.append([group["starts"].iloc[0], *(practice[s] for s in stations)])
    return [grid(rows, (20, *[152 / course.stations] * course.stations), ["small"] * (course.stations + 1),
                 ("Starts", *(f"Station {s}" for s in stations)), pad=1.0)]


def _takes(sessions: pd.DataFrame, lesson: int) -> list[Flowable]:
    """What the session takes, where it comes from, and what is to be put back for the next one."""
    mine = sessions[sessions["lesson"] == lesson]
    columns = ("from_before_units", "practice_only_units", "own_units", "new_units", "goes_on_units")
    rows = [[row["description"], counted(row["units"], row["unit"]) if row["units"] else "",
             *(row[c] or "" for c in columns), ""] for row in mine.to_dict("records")]
    due = mine[mine["packs"] > 0]
    days = sorted({d for d in due["order_by"] if d is not None})
    told = f" Order what is new by {days[0]:%a} {days[0].day} {days[0]:%B %Y} at the latest." if days else ""
    return [
        text("What this session takes", "head"),
        grid(rows, (62, 30, 15, 15, 15, 12, 13, 10), ("small", "small", *["right"] * 5, "box"),
             ("What", "Takes", "From before", "Past its date", "From the box", "New", "Goes on", ""), pad=0.4),
        text("From before: what an earlier session opened, bought or used. Goes on: put it into the class box for the "
             f"next session.{told}", "note"),
    ]
