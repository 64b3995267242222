"""Station cards: one page a station, to lay out from and to leave on the table."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import pandas as pd
from reportlab.platypus import Flowable

from kitplan.parts.training.practice_page import grid, head, practice_pdf, text
from kitplan.parts.training.print_set import BLANK, PrintSet
from kitplan.read.problems import counted

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan

_HEADINGS = {
    "tape piece": "Tape pieces, cut and folded", "dressing piece": "Dressing pieces, cut", "supplies": "Supplies",
    "durable": "Stays for the next class or session",
}


def station_cards_pdf(prints: PrintSet) -> bytes:
    """Every station of every class; stations that are alike on several days have one card."""
    stations = max(c.stations for c in prints.of(prints.lessons))
    pages = [
        _card(prints, lessons, station) for station in range(1, stations + 1)
        for lessons, _ in prints.alike(prints.lessons, partial(_content, prints.training, station))
    ]
    return practice_pdf("Station cards", prints.foot, pages, prints.paper)


def _content(training: TrainingPlan, station: int, lesson: int) -> Hashable | None:
    """What makes a station's card: its learners, its rounds, and what stands there."""
    course = training.lessons[lesson]
    if station > course.stations:
        return None
    rounds, here = _rounds(training, lesson, station), _here(training, lesson, station)
    told = rounds[["round", "minutes", "practice", "goes"]].to_csv(), here.drop(columns="lesson").to_csv()
    return course.learners_at(station - 1), course.pairs, course.places_per_station, course.change_minutes, *told


def _rounds(training: TrainingPlan, lesson: int, station: int) -> pd.DataFrame:
    setup = training.setup
    return setup[(setup["lesson"] == lesson) & (setup["station"] == station)].reset_index(drop=True)


def _here(training: TrainingPlan, lesson: int, station: int) -> pd.DataFrame:
    stations = training.stations
    return stations[(stations["lesson"] == lesson) & (stations["station"] == station)].reset_index(drop=True)


def _card(prints: PrintSet, lessons: Sequence[int], station: int) -> list[Flowable]:
    training, course = prints.training, prints.of(lessons)[0]
    learners = course.learners_at(station - 1)
    how = "in pairs: one renews, one holds, then change over" if course.pairs else "each on her own"
    places = course.places_per_station
    who = ("pair" if course.pairs else "learner") + ("s" if places > 1 else "")
    flowables = [
        *head(prints, f"Station {station}",
              (f"Station {station}   {prints.days(lessons)}", f"Cut by {BLANK}   Laid out by {BLANK}"), lessons),
        text(f"{learners} learner{'' if learners == 1 else 's'}, {how}. {places} {who} at work at one time.", "note"),
    ]
    rounds = _rounds(training, lessons[0], station).to_dict("records")
    rows = [[r["round"], start, r["practice"], r["goes"]] for r, start in zip(rounds, _starts(training, lessons))]
    flowables.append(grid(rows, (18, 24, 112, 18), ("body", "body", "body", "right"),
                          ("Round", "Starts", "Practice", "Tries"), pad=0.8))
    here = _here(training, lessons[0], station)
    for kind, heading in _HEADINGS.items():
        group = here[here["kind"] == kind]
        if not len(group):
            continue
        flowables.append(text(heading, "head"))
        flowables.append(grid([
            [row["description"], counted(int(row["quantity"]), str(row["unit"])), ""]
            for row in group.to_dict("records")
        ], (128, 32, 12), ("body", "right", "box"), pad=0.8))
    flowables.append(text(
        "Spare ones are counted in. Whatever is opened here stays for practice. Spoiled pieces go to the waste.",
        "note"))
    return flowables


def _starts(training: TrainingPlan, lessons: Sequence[int]) -> list[str]:
    """When each round starts: by the clock, or in minutes where sessions that share the card begin at other times."""
    courses = [training.lessons[i] for i in lessons]
    clock = courses[0] if len({c.start_minute for c in courses}) == 1 else replace(courses[0], start_minute=None)
    return [clock.clock(float(m)) for m in training.timetables[lessons[0]].rounds["starts_after_minutes"]]
