"""Station cards: one page a station, to lay out from and to leave on the table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reportlab.platypus import Flowable, PageBreak

from kitplan.parts.training.practice_page import (
    BODY,
    HEAD,
    NOTE,
    RIGHT,
    STRONG,
    TITLE,
    grid,
    practice_pdf,
    text,
)
from kitplan.write.shelf import counted

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan

_HEADINGS = {
    "tape piece": "Tape pieces, cut and folded", "dressing piece": "Dressing pieces, cut", "supplies": "Supplies",
    "durable": "Stays for the next class",
}


def station_cards_pdf(training: TrainingPlan, lesson: int, paper: str, foot: str) -> bytes:
    """All stations of one class."""
    flowables: list[Flowable] = []
    for station in range(1, training.lessons[lesson].stations + 1):
        flowables += [*_card(training, lesson, station), PageBreak()]
    return practice_pdf("Station cards", foot, flowables[:-1], paper)


def _card(training: TrainingPlan, lesson: int, station: int) -> list[Flowable]:
    course = training.lessons[lesson]
    learners = course.learners_at(station - 1)
    how = "in pairs: one renews, one holds, then change over" if course.pairs else "each on her own"
    places = course.places_per_station
    who = ("pair" if course.pairs else "learner") + ("s" if places > 1 else "")
    flowables = [
        text(f"Station {station}", TITLE), text(course.title, STRONG),
        text(f"{learners} learners, {how}. {places} {who} at work at one time.", NOTE),
    ]
    mine = training.setup[(training.setup["lesson"] == lesson) & (training.setup["station"] == station)]
    rows = [[text(h, STRONG) for h in ("Round", "Starts", "Practice", "Tries")]]
    rows += [
        [text(r["round"]), text(r["starts"]), text(r["practice"]), text(r["goes"], RIGHT)]
        for r in mine.to_dict("records")
    ]
    flowables.append(grid(rows, (18, 24, 112, 18), pad=1.3))
    here = training.stations[(training.stations["lesson"] == lesson) & (training.stations["station"] == station)]
    for kind, heading in _HEADINGS.items():
        group = here[here["kind"] == kind]
        if not len(group):
            continue
        flowables.append(text(heading, HEAD))
        flowables.append(grid([
            [text(row["description"], BODY), text(counted(int(row["quantity"]), str(row["unit"])), RIGHT), ""]
            for row in group.to_dict("records")
        ], (128, 32, 12), head=False, boxes=(2,), pad=1.3))
    flowables.append(text(
        "Spare ones are counted in. Whatever is opened here stays for practice. Spoiled pieces go to the waste.", NOTE
    ))
    return flowables
