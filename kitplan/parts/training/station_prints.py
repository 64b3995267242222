"""Prints of a session: station cards to lay out from, what it takes, boxes to tick, and a card of each practice."""

from __future__ import annotations

import re
from collections.abc import Hashable, Sequence
from dataclasses import replace
from functools import partial

import pandas as pd
from reportlab.platypus import Flowable

from kitplan.parts.training.lists import piece_text
from kitplan.parts.training.model import TrainingPlan
from kitplan.parts.training.practice_page import BLANK, PrintSet, fits_a_page, grid, head, practice_pdf, text
from kitplan.parts.training.requirements import rows_of
from kitplan.parts.training.sessions import handed_on
from kitplan.read.problems import counted
from kitplan.read.values import Technique, Unit

_HEADINGS = {
    "tape piece": "Tape pieces, cut and folded", "dressing piece": "Dressing pieces, cut", "supplies": "Supplies",
    "durable": "Stays for the next class or session",
}
_MOST_BOXES = 12
_ROLE_WORDS = {
    "prep_wipe": "barrier-film wipe", "remover_wipe": "adhesive-remover wipe", "surface_wipe": "surface wipe",
    "barrier": "barrier dressing",
}
"""Words for roles of the shipped recipes; any other role is said as it is written."""


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
    rounds, here = (_at(frame, lesson, station) for frame in (training.setup, training.stations))
    told = rounds[["round", "minutes", "practice", "goes"]].to_csv(), here.drop(columns="lesson").to_csv()
    return course.learners_at(station - 1), course.pairs, course.places_per_station, course.change_minutes, *told


def _at(frame: pd.DataFrame, lesson: int, station: int) -> pd.DataFrame:
    return frame[(frame["lesson"] == lesson) & (frame["station"] == station)].reset_index(drop=True)


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
    rounds = _at(training.setup, lessons[0], station).to_dict("records")
    rows = [[r["round"], start, r["practice"], r["goes"]] for r, start in zip(rounds, _starts(training, lessons))]
    flowables.append(grid(rows, (18, 24, 112, 18), ("body", "body", "body", "right"),
                          ("Round", "Starts", "Practice", "Tries"), pad=0.8))
    here = _at(training.stations, lessons[0], station)
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


def session_sheets_pdf(prints: PrintSet) -> bytes:
    """One page a session."""
    pages = [[
        *head(prints, f"Session {course.session}",
              (f"Session {course.session} of {len(prints.lessons)}   {prints.days([lesson])}",
               f"Packed by {BLANK}   Checked by {BLANK}"), [lesson], "strong"),
        text(f"{course.learners} learners at {counted(course.stations, 'station')}, "
             f"{prints.training.timetables[lesson].minutes:.0f} minutes.", "note"),
        *_session_rounds(prints, lesson), *_takes(prints.training, lesson),
    ] for lesson, course in zip(prints.lessons, prints.of(prints.lessons))]
    return practice_pdf("Session sheets", prints.foot, pages, prints.paper)


def _session_rounds(prints: PrintSet, lesson: int) -> list[Flowable]:
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


def _takes(training: TrainingPlan, lesson: int) -> list[Flowable]:
    """What the session takes, where it comes from, and what is to be put back for the next one."""
    mine = training.sessions[training.sessions["lesson"] == lesson]
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
        text(f"{handed_on(training.lessons)}{told}", "note"),
    ]


def tick_list_pdf(prints: PrintSet) -> bytes:
    """One page a station; one box a go. Wide classes go on in further tables; sessions that are alike share a page."""
    pages = []
    for station in range(max(c.stations for c in prints.of(prints.lessons))):
        for lessons, (learners, columns) in prints.alike(
                prints.lessons, partial(_boxes, prints.training, station)):
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
                page += _box_table(learners, columns[at:at + _MOST_BOXES])
            pages.append(page)
    return practice_pdf("Practices done", prints.foot, pages, prints.paper)


def _boxes(training: TrainingPlan, station: int, lesson: int) -> tuple[int, tuple[tuple[str, int, int], ...]] | None:
    """Learners at the station, and (practice, its number, go) of each box."""
    course = training.lessons[lesson]
    if station >= course.stations:
        return None
    return course.learners_at(station), tuple(
        (training.names[lesson][p], p, go) for p, practice in enumerate(course.practices)
        for go in range(1, practice.goes_per_learner + 1)
    )


def _box_table(learners: int, columns: Sequence[tuple[str, int, int]]) -> list[Flowable]:
    names = {p: name for name, p, _ in columns}
    letters = {p: chr(ord("A") + p % 26) + ("" if p < 26 else str(p // 26)) for p in names}
    keys: list[Flowable] = [text(f"{letter}: {names[p]}", "small") for p, letter in letters.items()]
    boxes, width = len(columns), min(18.0, 156.0 / len(columns))
    table = grid([[number, *[""] * boxes] for number in range(1, learners + 1)], (22, *[width] * boxes),
                 ("body", *["box"] * boxes), ("Learner", *(f"{letters[p]}{go}" for _, p, go in columns)), row_mm=10,
                 full=False)
    return [text("Tries", "head"), *keys, table]


def step_cards_pdf(unit: Unit, prints: PrintSet) -> bytes:
    """One card for each practice, whichever sessions of a course practise it."""
    training, pages = prints.training, []
    cards = {
        (training.names[lesson][number], course.pairs): (lesson, number)
        for lesson, course in reversed(list(zip(prints.lessons, prints.of(prints.lessons))))
        for number in reversed(range(len(course.practices)))
    }
    for lesson, number in reversed(cards.values()):
        for words, pad in (("body", 1.6), ("small", 1.6), ("small", 0.4)):
            card = _step_card(unit, training, lesson, number, words, pad)
            if fits_a_page(card, prints.paper):
                break
        pages.append(card)
    return practice_pdf("Step cards", prints.foot, pages, prints.paper)


def _step_card(unit: Unit, training: TrainingPlan, lesson: int, number: int, words: str, pad: float) -> list[Flowable]:
    """One card; words: the style that its lists are written in, body or small; pad: points above and below a line."""
    course = training.lessons[lesson]
    practice = course.practices[number]
    technique = unit.techniques[practice.technique]
    lines = steps(technique, practice.skin, course.pairs) or [
        "No steps are written for this recipe: work as the instructor and your unit's policy say. (Whoever keeps "
        "the recipe: write steps under its name in techniques.toml.)"]
    several = f", at least {technique.people} of them," if technique.people > 1 else ""
    alone = [text("A learner without a partner works with the instructor as partner.", "note")] if course.pairs else []
    return [
        text(training.names[lesson][number], "title"),
        text("Practice on a manikin. Your unit's policy and your instructor come before this card: where they say "
             "otherwise, do as they say. Ask whenever you are unsure.", "strong"),
        text("You need", "head"),
        grid(_needed(unit, training, lesson, number), (24, 148), (words, words), pad=pad),
        text("Steps", "head"),
        grid([[n, line, ""] for n, line in enumerate(lines, 1)], (10, 150, 12), ("strong", words, "box"), pad=pad),
        *alone,
        text(f"Tick as you go. On a patient this is done by trained, licensed staff{several} under local policy;"
             " this card is not for the bedside.", "note"),
    ]


def _needed(unit: Unit, training: TrainingPlan, lesson: int, number: int) -> list[list[str]]:
    """What one go takes: how much, and of what."""
    needs, practice = training.needs, training.lessons[lesson].practices[number]
    technique = unit.techniques[practice.technique]
    sets = int(rows_of(needs.sets, lesson, number)["sets"].sum())
    pieces = rows_of(needs.pieces, lesson, number)
    rows = [[f"{int(p['count']) // sets} x", f"{p['width_mm']:g} mm tape: {piece_text(p)}"]
            for p in pieces.to_dict("records")]
    units = dict(zip(unit.items["role"], unit.items["use_unit"]))
    return rows + [[_amount(quantity, str(units.get(role, ""))), _ROLE_WORDS.get(role, role.replace("_", " "))]
                   for role, quantity in technique.needs(practice.skin).items()]


def _amount(quantity: float, use_unit: str) -> str:
    """How much of a role one go takes: "3 pairs", "5 mL", and "1 x" of a thing that is used again, as scissors are."""
    if use_unit == "use":
        return f"{quantity:g} x"
    measured = use_unit in ("mL", "L", "g", "mm", "") or quantity % 1
    return f"{quantity:g} {use_unit}".strip() if measured else counted(int(quantity), use_unit)


def steps(technique: Technique, skin: str, pairs: bool) -> list[str]:
    """The words of one practice, from its recipe: those that stand for this skin and for pairs or a learner alone."""
    partner = "your partner" if pairs else "the instructor"
    here = {"", "barrier" if skin == "barrier" else "no barrier", "pairs" if pairs else "alone"}
    said = [step.say.replace("{partner}", partner) for step in technique.steps if step.only in here]
    return [re.sub(r"(^|\. )([a-z])", lambda m: m[1] + m[2].upper(), line) for line in said]
