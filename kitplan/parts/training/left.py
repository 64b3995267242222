"""What a class leaves over and where it can go: never to patients once it is opened or cut."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence

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
    rows = [(-1 if len(lessons) > 1 else 0, *row) for row in _of_all(shopping)]
    kept = set(shopping.loc[shopping["kind"] == "durable", "item"])
    for course in courses(lessons):
        last = course[-1]
        for index in course:
            mine = needs.sets[needs.sets["lesson"] == index]
            if spare := int((mine["sets"] - mine["goes"]).sum()):
                rows.append((index, "Spare sets of pieces and supplies, if no go is spoiled", spare, "set",
                             "cut or opened", PRACTICE_BOX if index == last else NEXT_SESSION))
            rows += [(index, *row) for cut in tape if cut.lesson == index for row in _scrap(cut)]
        # Ends of rolls that still give the shortest piece, when the class or its last session is over.
        rows += [(last, f"Tape {cut.width_mm:g} mm, rest of a roll, {mm:,.0f} mm", count, "roll end", "opened",
                  PRACTICE_BOX) for cut in tape if last in cut.covers for mm, count in cut.ends]
        rows += [(last, *row) for row in _of_stock(unit, lessons[last], taken[taken["lesson"].isin(course)], kept)]
    return pd.DataFrame(rows, columns=COLUMNS)


def _of_all(shopping: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """The rest of opened packs, and what is not used up."""
    for _, mine in shopping[shopping["packs"].notna()].groupby("item", sort=False):
        rest, first = int((mine["packs"] * mine["pack"] - mine["buy_units"]).sum()), mine.iloc[0]
        if rest:
            yield first["description"], rest, first["unit"], "rest of an opened pack", NEXT_CLASS
    kept = shopping[shopping["kind"] == "durable"]
    if len(kept):
        yield (f"Things that are not used up ({len(kept)} kind{'s' if len(kept) > 1 else ''})",
               int(kept["units"].sum()), "thing", "used in the class", BACK)


def _scrap(cut: Cut) -> Iterator[tuple[object, ...]]:
    """Ends that are too short for any piece of the class, or of its course, and what half-width strips leave."""
    plan, name = cut.plan.plan, f"Tape {cut.width_mm:g} mm"
    scrap = plan[(plan["waste_mm"] < cut.keep_mm - 1e-9) & (plan["waste_mm"] > 0)]
    if len(scrap):
        total = float((scrap["waste_mm"] * scrap["count"]).sum())
        yield (f"{name}, ends shorter than any piece, {total:,.0f} mm in all", int(scrap["count"].sum()), "roll end",
               "opened", WASTE)
    if cut.halves:
        yield f"{name}, other halves of half-width strips", cut.halves, "strip", "cut", WASTE


def _of_stock(
    unit: Unit, lesson: TrainingClass, taken: pd.DataFrame, kept: Container[str]
) -> Iterator[tuple[object, ...]]:
    """What is shared until empty (a tub of wipes) and seldom empty after a class; what the class had and did not use.

    taken: by the course. kept: what is not used up.
    """
    catalogue = unit.items.set_index("item")
    used = taken.groupby("item", sort=False)[[*FROM.values()]].sum()
    shared = used[used.index.map(catalogue["scope"]) == "unit"].sum(axis=1)
    left = [(item, units, "opened, perhaps not empty", PRACTICE_BOX) for item, units in shared.items()]
    for stock, column, state, goes_to in ((lesson.expired, "practice_only", "past its date", PRACTICE_BOX),
                                          (lesson.have, "own", "not opened", CLASS_BOX)):
        left += [(item, count - used[column].get(item, 0), state, goes_to) for item, count in stock.items()
                 if column != "own" or item not in kept]
    return ((catalogue.at[item, "description"], units, catalogue.at[item, "counted_as"], state, goes_to)
            for item, units, state, goes_to in left if units)
