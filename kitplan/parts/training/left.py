"""What a class leaves over and where it can go: never to patients once it is opened or cut."""

from __future__ import annotations

from collections.abc import Container, Sequence

import pandas as pd

from kitplan.parts.training.cuts import TapeCut
from kitplan.parts.training.lists import Taken, one_of
from kitplan.parts.training.requirements import ClassNeeds
from kitplan.read.class_values import TrainingClass
from kitplan.read.values import Unit

PRACTICE_BOX = "Practice box, marked 'practice only, not for patients'"
BACK = "Class box, or back to the lender"
NEXT_CLASS = "Class box, for the next class; not for patients"
CLASS_BOX = "Class box, unopened"
WASTE = "Waste"
COLUMNS = ["lesson", "thing", "quantity", "unit", "state", "goes_to"]


def left_over(
    unit: Unit, lessons: Sequence[TrainingClass], needs: ClassNeeds, taken: Sequence[Taken], shopping: pd.DataFrame,
    tape: Sequence[TapeCut],
) -> pd.DataFrame:
    """One row a thing; lesson -1 is the season as a whole (what is left of the packs bought)."""
    season = -1 if len(lessons) > 1 else 0
    rows = [*_unopened(shopping, season)]
    kept = shopping[shopping["kind"] == "durable"]
    if len(kept):
        text = f"Things that are not used up ({len(kept)} kind{'s' if len(kept) > 1 else ''})"
        rows.append((season, text, int(kept["units"].sum()), "piece", "used in the class", BACK))
    for index, lesson in enumerate(lessons):
        rows += _spare_sets(index, needs)
        rows += [row for cut in tape if cut.lesson == index for row in _remnants(cut)]
        rows += _part_used(unit, index, taken)
        rows += _stock_left(unit, index, lesson, taken, set(kept["item"]))
    return pd.DataFrame(rows, columns=COLUMNS)


def _unopened(shopping: pd.DataFrame, lesson: int) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for row in shopping[shopping["packs"] > 0].to_dict("records"):
        rest = int(row["packs"] * row["pack"] - row["buy_units"])
        if rest:
            rows.append((lesson, row["description"], rest, row["unit"], "rest of an opened pack", NEXT_CLASS))
    return rows


def _spare_sets(lesson: int, needs: ClassNeeds) -> list[tuple[object, ...]]:
    mine = needs.sets[needs.sets["lesson"] == lesson]
    spare = int((mine["sets"] - mine["goes"]).sum())
    text = "Spare sets of pieces and supplies, if no go is spoiled"
    return [(lesson, text, spare, "set", "cut or opened", PRACTICE_BOX)] if spare else []


def _remnants(cut: TapeCut) -> list[tuple[object, ...]]:
    """Ends of rolls that still give the shortest piece of the class, and what is too short for any."""
    plan = cut.plan
    shortest = float(plan.lengths_mm.min())
    useful = plan.plan[plan.plan["waste_mm"] >= shortest - 1e-9]
    scrap = plan.plan[(plan.plan["waste_mm"] < shortest - 1e-9) & (plan.plan["waste_mm"] > 0)]
    name = f"Tape {cut.width_mm:g} mm"
    rows: list[tuple[object, ...]] = [
        (cut.lesson, f"{name}, rest of a roll, {row['waste_mm']:,.0f} mm", int(row["count"]), "roll end", "opened",
         PRACTICE_BOX)
        for row in useful.to_dict("records")
    ]
    if len(scrap):
        total = float((scrap["waste_mm"] * scrap["count"]).sum())
        text = f"{name}, ends shorter than any piece, {total:,.0f} mm in all"
        rows.append((cut.lesson, text, int(scrap["count"].sum()), "roll end", "opened", WASTE))
    half = f"{name}, other halves of half-width strips"
    return rows if not cut.halves else [*rows, (cut.lesson, half, cut.halves, "piece", "cut", WASTE)]


def _part_used(unit: Unit, lesson: int, taken: Sequence[Taken]) -> list[tuple[object, ...]]:
    """Items that are shared until empty (a tub of wipes) and are seldom empty after a class."""
    catalogue = unit.items.set_index("item")
    return [
        (lesson, catalogue.at[t.item, "description"], t.units, "item", "opened, perhaps not empty", PRACTICE_BOX)
        for t in taken if t.lesson == lesson and catalogue.at[t.item, "scope"] == "unit"
    ]


def _stock_left(
    unit: Unit, index: int, lesson: TrainingClass, taken: Sequence[Taken], kept: Container[str]
) -> list[tuple[object, ...]]:
    catalogue = unit.items.set_index("item")
    used = {t.item: t for t in taken if t.lesson == index}
    rows: list[tuple[object, ...]] = []
    for item, count in lesson.expired.items():
        rest = count - (used[item].practice_only if item in used else 0)
        if rest:
            rows.append((index, catalogue.at[item, "description"], rest, one_of(catalogue.loc[item]), "past its date",
                         PRACTICE_BOX))
    for item, count in lesson.have.items():
        rest = count - (used[item].own if item in used else 0)
        if rest and item not in kept:
            rows.append((index, catalogue.at[item, "description"], rest, one_of(catalogue.loc[item]), "not opened",
                         CLASS_BOX))
    return rows
