"""What a class leaves over and where it can go: never to patients once it is opened or cut."""

from __future__ import annotations

from collections.abc import Container, Sequence

import pandas as pd

from kitplan.parts.training.cuts import Cut
from kitplan.parts.training.lists import FROM
from kitplan.parts.training.requirements import ClassNeeds
from kitplan.read.class_values import TrainingClass, courses
from kitplan.read.values import Unit

PRACTICE_BOX = "Practice box, marked 'practice only, not for patients'"
BACK = "Class box, or back to the lender"
NEXT_SESSION = "The next session, as more spare sets"
NEXT_CLASS = "Class box, for the next class; not for patients"
CLASS_BOX = "Class box, unopened"
WASTE = "Waste"
COLUMNS = ["lesson", "thing", "quantity", "unit", "state", "goes_to"]


def left_over(
    unit: Unit, lessons: Sequence[TrainingClass], needs: ClassNeeds, taken: pd.DataFrame, shopping: pd.DataFrame,
    tape: Sequence[Cut],
) -> pd.DataFrame:
    """One row a thing; lesson -1 is all classes together (what is left of the packs bought)."""
    season = -1 if len(lessons) > 1 else 0
    rows = [*_unopened(shopping, season)]
    kept = shopping[shopping["kind"] == "durable"]
    if len(kept):
        text = f"Things that are not used up ({len(kept)} kind{'s' if len(kept) > 1 else ''})"
        rows.append((season, text, int(kept["units"].sum()), "thing", "used in the class", BACK))
    for course in courses(lessons):
        last = course[-1]
        for index in course:
            rows += _spare_sets(index, needs, PRACTICE_BOX if index == last else NEXT_SESSION)
            rows += [row for cut in tape if cut.lesson == index for row in _scrap(cut)]
        rows += [row for cut in tape if last in cut.covers for row in _ends(cut, last)]
        rows += _part_used(unit, last, course, taken)
        rows += _stock_left(unit, last, lessons[last], taken[taken["lesson"].isin(course)], set(kept["item"]))
    return pd.DataFrame(rows, columns=COLUMNS)


def _unopened(shopping: pd.DataFrame, lesson: int) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for _, mine in shopping[shopping["packs"].notna()].groupby("item", sort=False):
        rest, first = int((mine["packs"] * mine["pack"] - mine["buy_units"]).sum()), mine.iloc[0]
        if rest:
            rows.append((lesson, first["description"], rest, first["unit"], "rest of an opened pack", NEXT_CLASS))
    return rows


def _spare_sets(lesson: int, needs: ClassNeeds, goes_to: str) -> list[tuple[object, ...]]:
    mine = needs.sets[needs.sets["lesson"] == lesson]
    spare = int((mine["sets"] - mine["goes"]).sum())
    text = "Spare sets of pieces and supplies, if no go is spoiled"
    return [(lesson, text, spare, "set", "cut or opened", goes_to)] if spare else []


def _ends(cut: Cut, last: int) -> list[tuple[object, ...]]:
    """Ends of rolls that still give the shortest piece, when the class or its last session is over."""
    return [
        (last, f"Tape {cut.width_mm:g} mm, rest of a roll, {mm:,.0f} mm", count, "roll end", "opened", PRACTICE_BOX)
        for mm, count in cut.ends
    ]


def _scrap(cut: Cut) -> list[tuple[object, ...]]:
    """Ends that are too short for any piece of the class, or of its course, and what half-width strips leave."""
    plan, name = cut.plan.plan, f"Tape {cut.width_mm:g} mm"
    scrap = plan[(plan["waste_mm"] < cut.keep_mm - 1e-9) & (plan["waste_mm"] > 0)]
    rows: list[tuple[object, ...]] = []
    if len(scrap):
        total = float((scrap["waste_mm"] * scrap["count"]).sum())
        text = f"{name}, ends shorter than any piece, {total:,.0f} mm in all"
        rows.append((cut.lesson, text, int(scrap["count"].sum()), "roll end", "opened", WASTE))
    half = f"{name}, other halves of half-width strips"
    return rows if not cut.halves else [*rows, (cut.lesson, half, cut.halves, "strip", "cut", WASTE)]


def _part_used(
    unit: Unit, last: int, course: Sequence[int], taken: pd.DataFrame
) -> list[tuple[object, ...]]:
    """Items that are shared until empty (a tub of wipes) and are seldom empty after a class."""
    catalogue = unit.items.set_index("item")
    mine = taken[taken["lesson"].isin(course) & (taken["item"].map(catalogue["scope"]) == "unit")]
    total = mine[[*FROM.values()]].sum(axis=1).groupby(mine["item"], sort=False).sum()
    return [
        (last, catalogue.at[item, "description"], units, catalogue.at[item, "counted_as"], "opened, perhaps not empty",
         PRACTICE_BOX) for item, units in total.items() if units
    ]


def _stock_left(
    unit: Unit, index: int, lesson: TrainingClass, taken: pd.DataFrame, kept: Container[str]
) -> list[tuple[object, ...]]:
    catalogue = unit.items.set_index("item")
    used = taken.groupby("item")[["practice_only", "own"]].sum()
    old, own = used["practice_only"], used["own"]
    past = [(item, count - old.get(item, 0), "past its date", PRACTICE_BOX) for item, count in lesson.expired.items()]
    good = [(item, count - own.get(item, 0), "not opened", CLASS_BOX) for item, count in lesson.have.items()
            if item not in kept]
    return [(index, catalogue.at[item, "description"], rest, catalogue.at[item, "counted_as"], state, goes_to)
            for item, rest, state, goes_to in (*past, *good) if rest]
