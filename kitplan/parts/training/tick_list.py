"""A tick list of practices without names: learners are numbered by their place at the station."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reportlab.platypus import Flowable, PageBreak

from kitplan.parts.training.practice_page import HEAD, NOTE, SMALL, STRONG, TITLE, grid, practice_pdf, text

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan

_MOST_BOXES = 12


def tick_list_pdf(training: TrainingPlan, lesson: int, paper: str, foot: str) -> bytes:
    """One page a station; one box a go. Wide classes go on with further tables."""
    course = training.lessons[lesson]
    columns = [
        (p, go) for p, practice in enumerate(course.practices) for go in range(1, practice.goes_per_learner + 1)
    ]
    flowables: list[Flowable] = []
    for station in range(1, course.stations + 1):
        flowables += [
            text(f"Practices done, station {station}", TITLE), text(course.title, STRONG),
            text("Write no names: learner 1 is whoever sits first. One box is one try; tick it when the instructor "
                 "has seen it. The list counts practice, it certifies nobody.", NOTE),
        ]
        for at in range(0, len(columns), _MOST_BOXES):
            flowables += _table(training, lesson, course.learners_at(station - 1), columns[at:at + _MOST_BOXES])
        flowables.append(PageBreak())
    return practice_pdf("Practices done", foot, flowables[:-1], paper)


def _table(training: TrainingPlan, lesson: int, learners: int, columns: list[tuple[int, int]]) -> list[Flowable]:
    letters = {p: chr(ord("A") + p % 26) + ("" if p < 26 else str(p // 26)) for p, _ in columns}
    keys: list[Flowable] = [
        text(f"{letter}: {training.names[lesson][p]}", SMALL) for p, letter in letters.items()
    ]
    head = [text("Learner", STRONG), *(text(f"{letters[p]}{go}", STRONG) for p, go in columns)]
    rows = [[text(number), *[""] * len(columns)] for number in range(1, learners + 1)]
    width = min(18.0, 156.0 / len(columns))
    table = grid([head, *rows], (22, *[width] * len(columns)), boxes=range(1, len(columns) + 1), row_mm=10, full=False)
    return [text("Tries", HEAD), *keys, table]
