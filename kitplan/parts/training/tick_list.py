"""A tick list of practices without names: learners are numbered by their place at the station."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from reportlab.platypus import Flowable

from kitplan.parts.training.practice_page import grid, head, practice_pdf, text
from kitplan.parts.training.print_set import BLANK, PrintSet

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan

_MOST_BOXES = 12


def tick_list_pdf(prints: PrintSet) -> bytes:
    """One page a station; one box a go. Wide classes go on in further tables; sessions that are alike share a page."""
    pages = []
    for station in range(max(c.stations for c in prints.of(prints.lessons))):
        for lessons, (learners, columns) in prints.alike(
                prints.lessons, partial(_content, prints.training, station)):
            copies = (f" For {len(lessons)} sessions: print or copy it {len(lessons)} times, and write the session on "
                      "each.") if len(lessons) > 1 else ""
            which = f"Session {'_' * 6}   Date {BLANK[:12]}" if len(lessons) > 1 else prints.days(lessons)
            page = [
                *head(prints, f"Practices done, station {station + 1}",
                      (f"Station {station + 1}   {which}", f"Trainer {BLANK}")),
                text("Write no names: learner 1 is whoever sits first. One box is one try; tick it when the instructor "
                     f"has seen it. The list counts practice, it certifies nobody.{copies}", "note"),
            ]
            for at in range(0, len(columns), _MOST_BOXES):
                page += _table(learners, columns[at:at + _MOST_BOXES])
            pages.append(page)
    return practice_pdf("Practices done", prints.foot, pages, prints.paper)


def _content(training: TrainingPlan, station: int, lesson: int) -> tuple[int, tuple[tuple[str, int, int], ...]] | None:
    """Learners at the station, and (practice, its number, go) of each box."""
    course = training.lessons[lesson]
    if station >= course.stations:
        return None
    return course.learners_at(station), tuple(
        (training.names[lesson][p], p, go) for p, practice in enumerate(course.practices)
        for go in range(1, practice.goes_per_learner + 1)
    )


def _table(learners: int, columns: Sequence[tuple[str, int, int]]) -> list[Flowable]:
    names = {p: name for name, p, _ in columns}
    letters = {p: chr(ord("A") + p % 26) + ("" if p < 26 else str(p // 26)) for p in names}
    keys: list[Flowable] = [text(f"{letter}: {names[p]}", "small") for p, letter in letters.items()]
    boxes, width = len(columns), min(18.0, 156.0 / len(columns))
    table = grid([[number, *[""] * boxes] for number in range(1, learners + 1)], (22, *[width] * boxes),
                 ("body", *["box"] * boxes), ("Learner", *(f"{letters[p]}{go}" for _, p, go in columns)), row_mm=10,
                 full=False)
    return [text("Tries", "head"), *keys, table]
