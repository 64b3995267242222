"""The educator's class: one list to buy, one a station, rounds, cut plans and what is left over (model.md section 9).

Everything here is for practice on manikins. What a class opens or cuts never goes back to patients.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.brief import Brief
from kitplan.demand.values import ItemChoice
from kitplan.parts.training import cuts, lists, requirements
from kitplan.parts.training.left import left_over
from kitplan.parts.training.sessions import overlapping, session_list
from kitplan.parts.training.timetable import Timetable, plan_timetable
from kitplan.parts.work import Work
from kitplan.read.class_values import TrainingClass, courses
from kitplan.read.money import exact, figure
from kitplan.read.problems import InputError, counted
from kitplan.read.values import Unit
from kitplan.solve.cutting import least_tape_mm


@dataclass(frozen=True, repr=False)
class TrainingPlan(Brief):
    """A season of one class or more, or a course. Frames index classes by `lesson` (0, 1, ...); tables() names them.

    shopping: what to bring and buy for all classes. stations: what stands at each station. setup: who does what in
    each round. cut_work: who cuts which rolls. left: what is left over and where it goes. classes: money and time
    by class. sessions: what each class takes and what goes on to the next. comparison: tape against rules of thumb.
    checksums: of the class files.
    """

    currency: str
    lessons: tuple[TrainingClass, ...]
    names: tuple[tuple[str, ...], ...]
    needs: requirements.ClassNeeds
    tape: tuple[cuts.Cut, ...]
    sheets: tuple[cuts.Cut, ...]
    timetables: tuple[Timetable, ...]
    shopping: pd.DataFrame
    stations: pd.DataFrame
    setup: pd.DataFrame
    cut_work: pd.DataFrame
    left: pd.DataFrame
    classes: pd.DataFrame
    comparison: pd.DataFrame
    sessions: pd.DataFrame
    bounds: pd.DataFrame
    warnings: tuple[str, ...] = ()

    @property
    def value(self) -> float:
        """Money for everything with a price that is to be bought."""
        return float(self.shopping["value"].sum())

    @property
    def learners(self) -> int:
        return sum(lesson.learners for lesson in self.lessons)

    @property
    def places(self) -> str:
        """Learners in words; of a course places, for who comes to two sessions is counted in both."""
        course = len(self.lessons) > 1 and self.called == "sessions"
        return counted(self.learners, "place" if course else "learner")

    @property
    def called(self) -> str:
        """What its classes are: sessions of one course, or classes."""
        return "sessions" if len(courses(self.lessons)) == 1 else "classes"

    @property
    def whole(self) -> str:
        """What all classes together are called: the course, or a season of several."""
        return self.lessons[0].course if len(courses(self.lessons)) == 1 else "season"

    def tables(self) -> dict[str, pd.DataFrame]:
        moves = [t.moves.assign(lesson=i) for i, t in enumerate(self.timetables)]
        return {
            "training_list": self.shopping,
            "training_classes": self._titled(self.classes),
            "training_sessions": self._titled(self.sessions),
            "station_list": self._titled(self.stations),
            "training_setup": self._titled(self.setup),
            "training_moves": self._titled(pd.concat(moves, ignore_index=True)),
            "cut_plan": self._titled(self.cut_plan()),
            "cut_work": self._titled(self.cut_work),
            "cut_bounds": self._titled(self.bounds),
            "sheet_plan": self._titled(self.sheet_plan()),
            "training_pieces": self._titled(self.pieces()),
            "training_left": self._titled(self.left),
            "tape_comparison": self.comparison,
        }

    def _titled(self, frame: pd.DataFrame) -> pd.DataFrame:
        titles = [self.whole if i < 0 else self.lessons[i].title for i in frame["lesson"]]
        return frame.drop(columns="lesson").assign(**{"class": titles})

    def cut_plan(self) -> pd.DataFrame:
        """Patterns of tape: lesson, width_mm, roll, from, pattern, count, used_mm, waste_mm."""
        return _patterns(self.tape, "roll", "lesson", "width_mm", "roll", "from", "pattern", "count", "used_mm",
                         "waste_mm")

    def sheet_plan(self) -> pd.DataFrame:
        """Patterns of dressing sheets: lesson, sheet, from, pattern, count, waste_mm2."""
        return _patterns(self.sheets, "sheet", "lesson", "sheet", "from", "pattern", "count", "waste_mm2")

    def pieces(self) -> pd.DataFrame:
        """Tape pieces by practice, with their slits: what each cut length becomes."""
        names = [self.names[i][p] for i, p in zip(self.needs.pieces["lesson"], self.needs.pieces["practice"])]
        return self.needs.pieces.assign(practice=names)

    def sentences(self) -> tuple[str, str, str]:
        """What it costs, how well the tape is used, what to look at first."""
        each = self.value / self.learners
        number = len(self.lessons)
        first = (
            f"Cost: {exact(self.value, self.currency)}, {figure(each, self.currency)} for each of "
            f"{self.places}{f' in {number} {self.called}' if number > 1 else ''}."
        )
        rows = {row["method"]: row for row in self.comparison.to_dict("records")}
        if rows and rows["cut together"]["rolls"]:
            unit = "class" if number == 1 else "course" if self.called == "sessions" else "season"
            ours, theirs = rows["cut together"], rows["every learner her own roll"]
            second = (
                f"Tape: {counted(ours['rolls'], 'roll')} cut for the whole {unit}, {100 * ours['waste_share']:.1f} %"
                f" waste; a roll of her own for every learner would waste {100 * theirs['waste_share']:.1f} %."
            )
        else:
            second = "Tape: none is used."
        past = int(self.shopping["practice_only_units"].sum())
        if self.warnings:
            third = f"Look first at: {self.warnings[0]}"
        elif past:
            third = f"Look first at: {counted(past, 'item')} past the date; keep them apart, for practice only."
        else:
            third = "Look first at: the station lists, then cut the tape the day before."
        return first, second, third


def _patterns(made: Sequence[cuts.Cut], stock: str, *columns: str) -> pd.DataFrame:
    """The patterns of all cuts, with the item of each roll or sheet in the column `stock` and where it comes from."""
    frames = [cut.plan.plan.assign(lesson=cut.lesson, width_mm=cut.width_mm, **{
        place: [cut.told_source(name)[k] for name in cut.plan.plan[stock]] for k, place in enumerate((stock, "from"))})
        for cut in made]
    return pd.concat(frames, ignore_index=True)[list(columns)] if frames else pd.DataFrame(columns=columns)


def planned_classes(work: Work) -> TrainingPlan:
    """The classes of a unit, with the items of its plan."""
    return plan_training(work.unit, work.unit.classes, work.item_choice)


def plan_training(
    unit: Unit, lessons: Sequence[TrainingClass], item_choice: ItemChoice | None = None
) -> TrainingPlan:
    """Plan one class or a season of several, with the items that the bedsides hold where item_choice says which.

    Raises InputError with every practice that cannot be supplied: a piece longer than every roll, a dressing piece
    larger than every sheet, a role or a tube size that no item serves.
    """
    if item_choice is not None:
        unit = requirements.as_at_bedsides(unit, lessons, item_choice)
    needs = requirements.class_needs(unit, lessons, item_choice)
    tables = [plan_timetable(lesson, lists.class_things(unit, lesson)) for lesson in lessons]
    problems = [
        *needs.problems, *cuts.sheet_problems(unit, lessons, needs.dressings), *overlapping(lessons, tables),
    ]
    if problems:
        raise InputError(dict.fromkeys(problems), "planning the class")
    tape, sheets = cuts.cut_tape(unit, lessons, needs.pieces), cuts.cut_dressings(unit, lessons, needs.dressings)
    at_stations = lists.station_supplies(lessons, needs, requirements.choose_items(unit, lessons, needs.roles))
    taken = lists.items_taken(lessons, at_stations, tape, sheets)
    shopping = lists.shopping_list(unit, lessons, needs, taken, tables)
    return TrainingPlan(
        currency=unit.currency, lessons=tuple(lessons),
        names=tuple(tuple(requirements.practice_name(unit, p) for p in lesson.practices) for lesson in lessons),
        needs=needs, tape=tuple(tape), sheets=tuple(sheets), timetables=tuple(tables), shopping=shopping,
        stations=lists.station_lists(unit, lessons, needs, at_stations, tables),
        setup=_setup(unit, lessons, needs, tables),
        cut_work=cuts.share_out_cutting(tape, lessons), left=left_over(unit, lessons, needs, taken, shopping, tape),
        classes=_by_class(lessons, needs, tables, taken, shopping), bounds=_bounds(tape),
        comparison=cuts.compare_with_rules(unit, lessons, needs.pieces, needs.sets, tape),
        sessions=session_list(unit, lessons, at_stations, taken, tape, sheets, tables),
        warnings=needs.warnings,
    )


def _setup(
    unit: Unit, lessons: Sequence[TrainingClass], needs: requirements.ClassNeeds, tables: Sequence[Timetable]
) -> pd.DataFrame:
    """Rounds: lesson, round, station, starts, minutes, practice, learners, goes, sets."""
    rows = []
    for index, (lesson, table) in enumerate(zip(lessons, tables)):
        sets = needs.sets[needs.sets["lesson"] == index].set_index(["practice", "station"])
        for number, practices in enumerate(table.practice):
            when = table.rounds.iloc[number]
            for station, practice in enumerate(practices):
                goes, dealt = sets.loc[(practice, station), ["goes", "sets"]]
                rows.append((
                    index, number + 1, station + 1, lesson.clock(float(when["starts_after_minutes"])),
                    float(when["minutes"]), requirements.practice_name(unit, lesson.practices[practice]),
                    lesson.learners_at(station), int(goes), int(dealt),
                ))
    return pd.DataFrame(rows, columns=[
        "lesson", "round", "station", "starts", "minutes", "practice", "learners", "goes", "sets",
    ])


def _by_class(
    lessons: Sequence[TrainingClass], needs: requirements.ClassNeeds, tables: Sequence[Timetable], taken: pd.DataFrame,
    shopping: pd.DataFrame,
) -> pd.DataFrame:
    """Money by class: each purchase is shared by the units that a class takes of it, durable things by learners."""
    value = np.zeros(len(lessons))
    learners = np.array([lesson.learners for lesson in lessons], dtype=float)
    for row in shopping.to_dict("records"):
        if not row["buy_units"] or math.isnan(row["value"]):
            continue
        if row["kind"] == "used up":
            part = np.bincount(taken["lesson"], taken["buy"] * (taken["item"] == row["item"]), len(lessons))
        else:
            keys = [set(t.things["item"]) | set(t.things["thing"]) for t in tables]
            part = learners * np.array([row["item"] in k for k in keys])
        value += row["value"] * part / part.sum()
    sets = needs.sets.groupby("lesson")[["goes", "sets"]].sum()
    return pd.DataFrame({
        "lesson": range(len(lessons)), "file": [lesson.file for lesson in lessons],
        "date": [lesson.day for lesson in lessons], "learners": learners.astype(int),
        "stations": [lesson.stations for lesson in lessons], "goes": sets["goes"].to_numpy(),
        "sets": sets["sets"].to_numpy(), "minutes": [t.minutes for t in tables],
        "value": value, "value_per_learner": value / learners,
    })


def _bounds(tape: Sequence[cuts.Cut]) -> pd.DataFrame:
    """How good each cut plan is: tape opened against the least that any plan from these kinds of rolls can open.

    lp_mm: bound of the linear program; least_mm: rounded up to whole rolls, which no plan undercuts; least_rolls:
    the same in rolls, where one length of roll is cut. gap: part of the opened tape above least_mm.
    """
    rows = []
    for cut in tape:
        plan = cut.plan
        kinds = [roll for roll in plan.stock if plan.opened[roll.name]]
        lp_mm, least_mm = least_tape_mm(plan.sizes_mm, plan.demand, kinds)
        sizes = {roll.length_mm for roll in kinds}
        least = round(least_mm / sizes.pop()) if len(sizes) == 1 else math.nan
        rows.append((
            cut.lesson, cut.width_mm, int(plan.demand.sum()), plan.n_rolls, least, plan.opened_mm, lp_mm,
            least_mm, 1.0 - least_mm / plan.opened_mm, plan.waste_share, plan.cost,
        ))
    return pd.DataFrame(rows, columns=[
        "lesson", "width_mm", "pieces", "rolls", "least_rolls", "opened_mm", "lp_mm", "least_mm", "gap",
        "waste_share", "value",
    ])
