"""What each session takes, where it comes from, what must be bought by when, and what goes on to the next."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from operator import itemgetter
from typing import Any

import pandas as pd

from kitplan.parts.training.cuts import CARRIED, Cut
from kitplan.parts.training.lists import held_together
from kitplan.parts.training.timetable import Timetable
from kitplan.read.class_values import TrainingClass, courses
from kitplan.read.problems import Problem
from kitplan.read.values import Unit

COLUMNS = [
    "lesson", "kind", "item", "description", "unit", "units", "from_before_units", "practice_only_units", "own_units",
    "new_units", "packs", "order_by", "goes_on_units",
]
ROLL_END = "roll end"


def handed_on(lessons: Sequence[TrainingClass]) -> str:
    """What from before and goes on mean: within the box of one course, or between classes that buy together."""
    if len(courses(lessons)) == 1:
        return ("From before: what an earlier session opened, bought or used. Goes on: put it into the class box for "
                "the next session.")
    return ("From before: what an earlier class of the season opened, bought or used; fetch it there, and where both "
            "are held at one time share it out first. Goes on: to the next class that needs it.")


def session_list(
    unit: Unit, lessons: Sequence[TrainingClass], at_stations: pd.DataFrame, taken: pd.DataFrame,
    tape: Sequence[Cut], sheets: Sequence[Cut], tables: Sequence[Timetable],
) -> pd.DataFrame:
    """One row a class and thing, COLUMNS. units = from_before + practice_only + own + new.

    from_before: what an earlier class opened or bought. packs: to buy for this class. order_by: the last day to order
    them, the lead time before the day of cutting. goes_on: what a later class can still use.
    """
    together = held_together(lessons, [t.minutes for t in tables])
    rows = [*_used_up(unit, lessons, at_stations, taken), *_roll_ends(lessons, tape), *_kept(unit, together, tables)]
    return pd.DataFrame(sorted(rows, key=itemgetter(0)), columns=COLUMNS)


def order_by(unit: Unit, lesson: TrainingClass) -> object:
    """The last day to order for a class: there on the day before it, when its tape is cut."""
    return None if lesson.day is None else lesson.day - timedelta(days=1 + round(unit.stock.lead_days))


def _used_up(
    unit: Unit, lessons: Sequence[TrainingClass], at_stations: pd.DataFrame, taken: pd.DataFrame
) -> Iterator[tuple[object, ...]]:
    opened: Mapping[Any, int] = at_stations.groupby(["lesson", "item"])["begun"].sum().to_dict()
    spare: Counter[str] = Counter()
    order = {item: n for n, item in enumerate(unit.items["item"])}
    catalogue = unit.items.set_index("item", drop=False)
    later = {first: second for group in courses(lessons) for first, second in itertools.pairwise(group)}
    for lesson, name, old, own, buy in sorted(taken.itertuples(index=False), key=lambda t: (t.lesson, order[t.item])):
        item, before = catalogue.loc[name], min(buy, spare[name])
        new = buy - before
        packs = -(-new // int(item["pack"]))
        spare[name] += packs * int(item["pack"]) - buy
        begun = int(opened.get((lesson, name), 0))
        goes_on = opened.get((later.get(lesson), name), 0) + (spare[name] if lesson < len(lessons) - 1 else 0)
        yield (lesson, "used up", name, item["description"], item["counted_as"], old + own + buy + begun,
               before + begun, old, own, new, packs, order_by(unit, lessons[lesson]) if packs else None, int(goes_on))


def _roll_ends(lessons: Sequence[TrainingClass], tape: Sequence[Cut]) -> Iterator[tuple[object, ...]]:
    """Ends of rolls that came from an earlier session, and those that lie in the box for a later one."""
    last = {group[-1] for group in courses(lessons)}
    for cut in tape:
        length = {roll.name: roll.length_mm for roll in cut.plan.stock}
        used = Counter({length[n]: k for n, k in cut.plan.opened.items() if cut.source[n][1] == CARRIED and k})
        ends = {} if last & set(cut.covers) else dict(cut.ends)
        for mm in sorted({*used, *ends}, reverse=True):
            yield (cut.lesson, ROLL_END, f"tape {cut.width_mm:g} mm", f"Tape {cut.width_mm:g} mm, end of a roll, "
                   f"{mm:,.0f} mm", ROLL_END, used[mm], used[mm], 0, 0, 0, 0, None, ends.get(mm, 0))


def _kept(unit: Unit, together: Sequence[int], tables: Sequence[Timetable]) -> Iterator[tuple[object, ...]]:
    """Things that are not used up: counted once, and carried from session to session, but not between those of one
    time. together: held_together.
    """
    called = dict(zip(unit.items["item"], unit.items["counted_as"]))
    there: Counter[tuple[str, str]] = Counter()
    owned: Counter[tuple[str, str]] = Counter()
    in_use: Counter[tuple[str, str, int]] = Counter()
    brought: Counter[tuple[str, str, int]] = Counter()
    for index, (table, time) in enumerate(zip(tables, together)):
        for thing in table.things.to_dict("records"):
            key, needed = (thing["thing"], thing["item"]), int(thing["needed"])
            now = (*key, time)
            free = there[key] - in_use[now]
            before = min(needed, free)
            brought[now] += int(thing["have"])
            own = min(max(brought[now] - owned[key], 0), needed - before)
            there[key] += needed - before
            owned[key] += own
            goes_on = there[key] - in_use[now] if index < len(tables) - 1 else 0
            in_use[now] += needed
            yield (index, "durable", thing["item"] or thing["thing"], thing["thing"],
                   called.get(thing["item"], "piece"), needed, before, 0, own, needed - before - own, 0, None, goes_on)


def overlapping(lessons: Sequence[TrainingClass], tables: Sequence[Timetable]) -> list[Problem]:
    """Sessions of one course that meet in time: one box cannot be in two places."""
    together = held_together(lessons, [t.minutes for t in tables])
    return [
        Problem(lessons[second].file,
                f"is held at the same time as session {lessons[first].session}: one box cannot be in two places",
                "Give one of them another date or start, or a class file of its own.",
                column=f"session {lessons[second].session}", value=lessons[second].when_and_where)
        for group in courses(lessons) for first, second in itertools.pairwise(group)
        if together[first] == together[second]
    ]
