"""What a class uses up: sets of supplies, tape pieces, dressing pieces, and whole items bought at least money.

Every go at a practice takes one fresh set. Roles that the class lists as durable things are not used up. A learner
who works alone has the instructor as partner, so that a set is the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitplan.demand.fit import fitting_items, item_of
from kitplan.demand.tape import cut_pieces
from kitplan.demand.values import ItemChoice
from kitplan.demand.whole import whole_up
from kitplan.parts.training.timetable import sets_at_stations
from kitplan.read.catalogue import item_fits
from kitplan.read.class_values import Practice, TrainingClass, courses
from kitplan.read.problems import Problem
from kitplan.read.values import Unit
from kitplan.solve.program import Program

SUPPLY_COLUMNS = ["lesson", "practice", "role", "item", "sets", "units"]
PIECE_COLUMNS = [
    "lesson", "practice", "width_mm", "shape", "length_mm", "width_share", "uncut_mm", "bridge_mm", "tab_mm", "use",
    "count",
]


@dataclass(frozen=True)
class ClassNeeds:
    """What the classes of a season need, before anything is bought. lesson: index of the class.

    sets: frame lesson, practice, station, learners, goes, sets. pieces: tape, PIECE_COLUMNS (count over all sets).
    dressings: frame lesson, practice, width_mm, length_mm, count. roles: frame lesson, practice, role, need (use
    units a set), sets. problems: what cannot be had. warnings: sentences.
    """

    sets: pd.DataFrame
    pieces: pd.DataFrame
    dressings: pd.DataFrame
    roles: pd.DataFrame
    problems: tuple[Problem, ...]
    warnings: tuple[str, ...]


def rows_of(frame: pd.DataFrame, lesson: int, practice: int) -> pd.DataFrame:
    """The rows of one practice of one class in a frame of ClassNeeds."""
    return frame[(frame["lesson"] == lesson) & (frame["practice"] == practice)]


def class_needs(
    unit: Unit, lessons: Sequence[TrainingClass], item_choice: ItemChoice | None = None
) -> ClassNeeds:
    """Count sets, pieces and use units of every practice of every class. item_choice: of the bedsides, if known."""
    sets, pieces, dressings, roles, warnings = [], [], [], [], []
    problems: list[Problem] = []
    for index, lesson in enumerate(lessons):
        durable = durable_roles(unit, lesson)
        for number, practice in enumerate(lesson.practices):
            goes, dealt = sets_at_stations(lesson, practice)
            total = int(dealt.sum())
            sets += [
                (index, number, s, lesson.learners_at(s), int(g), int(n)) for s, (g, n) in enumerate(zip(goes, dealt))
            ]
            tape, said, problem = _tape_pieces(unit, lesson, practice, total, item_choice)
            pieces += [(index, number, *row) for row in tape]
            warnings += said
            problems += problem
            for role, need in unit.techniques[practice.technique].needs(practice.skin).items():
                if role in durable:
                    continue
                sheets = fitting_items(unit, "barrier", practice.size)[["width_mm", "length_mm"]].dropna()
                if role == "barrier" and len(sheets):
                    box = practice.size["barrier_width_mm"], practice.size["barrier_length_mm"]
                    dressings.append((index, number, *map(float, box), int(whole_up(need * total))))
                else:
                    roles.append((index, number, role, need, total))
                    if not len(fitting_items(unit, role, practice.size)):
                        fault = f"no item in the catalogue fills the role {role} for {practice.size_text or 'any size'}"
                        problems.append(Problem(
                            lesson.file, fault, "Add an item of that role to items.csv, or change the practice.",
                            column="practice.technique", value=practice.technique))
    return ClassNeeds(
        pd.DataFrame(sets, columns=["lesson", "practice", "station", "learners", "goes", "sets"]),
        pd.DataFrame(pieces, columns=PIECE_COLUMNS),
        pd.DataFrame(dressings, columns=["lesson", "practice", "width_mm", "length_mm", "count"]),
        pd.DataFrame(roles, columns=["lesson", "practice", "role", "need", "sets"]),
        tuple(problems), tuple(dict.fromkeys(warnings)),
    )


def durable_roles(unit: Unit, lesson: TrainingClass) -> set[str]:
    """Roles served by the durable things of a class (named by role, by item, or by the role's own word)."""
    by_item = dict(zip(unit.items["item"], unit.items["role"]))
    known = set(unit.items["role"])
    found = {d.role for d in lesson.durables if d.role} | {by_item[d.item] for d in lesson.durables if d.item}
    return found | {d.name.casefold() for d in lesson.durables if d.name.casefold() in known}


def practice_name(unit: Unit, practice: Practice) -> str:
    """A practice as a person calls it: "Oral, two Y pieces, 3.5 mm, barrier"."""
    skin = ", barrier" if practice.skin == "barrier" else ""
    title = unit.techniques[practice.technique].title
    several = len(unit.techniques[practice.technique].routes) > 1
    return f"{title}{f', {practice.route}' if several else ''}, {practice.size_text}{skin}"


def _tape_pieces(
    unit: Unit, lesson: TrainingClass, practice: Practice, total: int, item_choice: ItemChoice | None
) -> tuple[list[tuple[object, ...]], list[str], list[Problem]]:
    technique = unit.techniques[practice.technique]
    if not technique.pieces:
        return [], [], []
    name = practice_name(unit, practice)
    width = tape_width(unit, practice, item_choice)
    if width is None:
        return [], [], [Problem(lesson.file, f"no tape in the catalogue serves {name}",
                                "Add a tape to items.csv that fits this size, or change the practice.",
                                column="practice", value=practice.size_text)]
    cut = cut_pieces(technique, practice.size, width)
    longest = float(to_be_had(unit, rolls_of_width(unit, width))["length_mm"].max())
    problems = [
        Problem(lesson.file, f"a {shape} piece of {length:g} mm is longer than every roll of {width:g} mm tape"
                f" (the longest is {longest:g} mm)", "Add a longer roll to items.csv, or shorten the piece.",
                column="practice.technique", value=practice.technique)
        for shape, length in zip(cut["shape"], cut["length_mm"]) if length > longest + 1e-9
    ]
    columns = ["shape", "length_mm", "width_share", "uncut_mm", "bridge_mm", "tab_mm", "use"]
    rows = [
        (width, *(row[c] for c in columns), int(row["count"]) * total) for row in cut.to_dict("records")
    ]
    return rows, [f"{name}: {w}" for w in cut["warning"] if w], problems


def as_at_bedsides(unit: Unit, lessons: Sequence[TrainingClass], item_choice: ItemChoice) -> Unit:
    """The unit with the catalogue that a class practises with: what its bedsides hold, and what the class has.

    A role keeps all its items where the bedsides hold none of it, or none that fits some practice; tape keeps every
    roll of a width that is cut at bedsides, because a class may share long rolls; a role that a class may practise
    loose keeps what is not sterile.
    """
    if not all(lesson.bedside_items for lesson in lessons):
        return unit
    items = unit.items
    own = {name for lesson in lessons for name in (*lesson.have, *lesson.expired, *lesson.sizes_worn)}
    there = items[items["item"].isin(item_choice.frame["item"])]
    kept = items["item"].isin(own) | items["item"].isin(there["item"])
    widths = there.loc[there["role"] == "tape", "width_mm"]
    kept |= (items["role"] == "tape") & items["width_mm"].isin(widths)
    kept |= items["role"].isin([role for lesson in lessons for role in lesson.loose]) & ~items["sterile"].astype(bool)
    sizes = [practice.size for lesson in lessons for practice in lesson.practices]
    for role, group in items[kept].groupby("role"):
        if not all(item_fits_any(group, size) for size in sizes if item_fits_any(items[items["role"] == role], size)):
            kept |= items["role"] == role
    kept |= ~items["role"].isin(items.loc[kept, "role"])
    return replace(unit, items=items[kept].reset_index(drop=True))


def item_fits_any(items: pd.DataFrame, size: pd.Series) -> bool:
    airway = size.to_dict()
    return any(item_fits(item, airway) for item in items.to_dict("records"))


def tape_width(unit: Unit, practice: Practice, item_choice: ItemChoice | None) -> float | None:
    """Width of tape for a practice: what the bedside of its kind of airway cuts, or of the nearest size of its recipe
    whose width suits this size too.

    A recipe that no bedside uses takes the recipe's width or the next wider; one that names none, the cheapest tape.
    """
    technique = unit.techniques[practice.technique]
    alike = unit.strata[unit.strata["technique"] == practice.technique]
    alike = alike[alike["scale"] == practice.size["scale"]] if len(alike) else alike
    if item_choice is not None and len(alike):
        away = (alike["size_number"] - practice.size["size_number"]).abs() + (alike["route"] != practice.route)
        for stratum in away.sort_values(kind="stable").index:
            roll = item_of(unit, item_choice, int(stratum), "tape")
            if roll is not None and item_fits_any(rolls_of_width(unit, roll["width_mm"]), practice.size):
                return float(roll["width_mm"])
    found = fitting_items(unit, "tape", practice.size)
    if technique.tape_width_mm is not None:
        found = found[found["width_mm"] >= technique.tape_width_mm - 1e-9]
        found = found[found["width_mm"] == found["width_mm"].min()]
    by_metre = found["price"] / found["pack"] / found["length_mm"]
    return float(found.loc[by_metre.idxmin(), "width_mm"]) if len(found) else None


def rolls_of_width(unit: Unit, width_mm: float) -> pd.DataFrame:
    items = unit.items
    return items[(items["role"] == "tape") & np.isclose(items["width_mm"].astype(float), width_mm)]


def to_be_had(unit: Unit, items: pd.DataFrame) -> pd.DataFrame:
    """Those of the rows that are to be had; all where none is."""
    had = items[~items["item"].isin(unit.stock.unavailable)]
    return had if len(had) else items


def choose_items(unit: Unit, lessons: Sequence[TrainingClass], roles: pd.DataFrame) -> pd.DataFrame:
    """Which item serves each role of each practice: least money in whole packs over the season, own stock first.

    roles: ClassNeeds.roles. Returns SUPPLY_COLUMNS: sets served by the item, units (whole items, or parts of one
    that is shared) taken. Items with a share (glove sizes) are used side by side.
    """
    rows: list[tuple[object, ...]] = []
    for _, wanted in roles.groupby("role", sort=False):
        rows += _choose_role(unit, lessons, wanted)
    return pd.DataFrame(rows, columns=SUPPLY_COLUMNS)


@dataclass(frozen=True)
class _Choice:
    lesson: int
    practice: int
    item: str
    each: float
    sets: int


def _choose_role(unit: Unit, lessons: Sequence[TrainingClass], wanted: pd.DataFrame) -> Iterator[tuple[object, ...]]:
    """Integer program of one role.

    x[k] sets served by choice k (a practice with an item), b[c, i] items bought for course c, n[i] packs:
    least sum price[i] n[i], with every practice's sets served, each[k] x[k] within the course's own stock and what is
    bought, and what is bought within the packs.
    """
    role = str(wanted["role"].iloc[0])
    shared: list[tuple[object, ...]] = []
    choices: list[_Choice] = []
    for row in wanted.to_dict("records"):
        practice = lessons[row["lesson"]].practices[row["practice"]]
        found = _candidates(unit, lessons[row["lesson"]], role, practice.size)
        sided = found[found["share"] > 0]
        worn = sided["item"].isin(lessons[row["lesson"]].sizes_worn)
        sided = sided[worn] if worn.any() else sided
        if len(sided):
            shared += _side_by_side(row, role, sided)
            continue
        choices += [
            _Choice(row["lesson"], row["practice"], str(item["item"]), _each(item, row["need"]), int(row["sets"]))
            for item in found.to_dict("records")
        ]
    yield from shared
    if choices:
        served = _serve(unit, lessons, choices)
        for choice, sets in zip(choices, served):
            if sets:
                yield choice.lesson, choice.practice, role, choice.item, sets, choice.each * sets


def _candidates(unit: Unit, lesson: TrainingClass, role: str, size: pd.Series) -> pd.DataFrame:
    """Items that may serve; where the unit prefers one, that one, what the class has, and loose ones it may use."""
    found = fitting_items(unit, role, size)
    wanted = unit.prefer.get(role)
    if wanted not in set(found["item"]):
        return found
    loose = ~found["sterile"].astype(bool) & (role in lesson.loose)
    return found[(found["item"] == wanted) | found["item"].isin([*lesson.have, *lesson.expired]) | loose]


def _each(item: Mapping[str, object], need: float) -> float:
    """Items that one set takes: whole ones, or a part of one that is shared until empty."""
    part = need / float(item["contains"])  # type: ignore[arg-type]
    return float(whole_up(part)) if item["scope"] == "event" else part


def _side_by_side(row: Mapping[str, object], role: str, sided: pd.DataFrame) -> list[tuple[object, ...]]:
    share = (sided["share"] / sided["share"].sum()).to_numpy(float)
    units = [float(row["need"]) * int(row["sets"]) * s / c for s, c in zip(share, sided["contains"])]  # type: ignore
    return [
        (row["lesson"], row["practice"], role, item, row["sets"], float(u)) for item, u in zip(sided["item"], units)
    ]


def _serve(unit: Unit, lessons: Sequence[TrainingClass], choices: Sequence[_Choice]) -> list[int]:
    items = list(dict.fromkeys(c.item for c in choices))
    catalogue = unit.items.set_index("item")
    course = {lesson: number for number, group in enumerate(courses(lessons)) for lesson in group}
    program = Program("supplies", "min")
    serve = program.variables("serve", len(choices), integer=True)
    packs = program.variables("packs", len(items), integer=True)
    program.objective(packs, [float(catalogue.at[i, "price"]) for i in items])
    # Between plans of equal money: own stock before bought items, then the catalogue's first before the next.
    nudge = [1e-7 * c.each * (1.0 + 0.01 * items.index(c.item)) for c in choices]
    program.objective(serve, nudge)
    for lesson, practice in dict.fromkeys((c.lesson, c.practice) for c in choices):
        mine = [k for k, c in enumerate(choices) if (c.lesson, c.practice) == (lesson, practice)]
        sets = float(choices[mine[0]].sets)
        program.row(f"sets_{lesson}_{practice}", [serve[k] for k in mine], 1.0, low=sets, high=sets)
    for number, item in enumerate(items):
        bought = []
        for box in dict.fromkeys(course[c.lesson] for c in choices if c.item == item):
            (buy,) = program.variables(f"buy_{number}_{box}_", 1)
            bought.append(buy)
            program.objective([buy], 1e-5)
            mine = [k for k, c in enumerate(choices) if c.item == item and course[c.lesson] == box]
            first = lessons[choices[mine[0]].lesson]
            own = float(first.have.get(item, 0) + first.expired.get(item, 0))
            program.row(
                f"stock_{number}_{box}", [*(serve[k] for k in mine), buy], [*(choices[k].each for k in mine), -1.0],
                high=own,
            )
        pack = float(catalogue.at[item, "pack"])
        program.row(f"packs_{number}", [*bought, packs[number]], [*[1.0] * len(bought), -pack], high=0.0)
    solution = program.solve(integer=True, gap=1e-9, time_limit=10.0)
    return [round(v) for v in solution.values(serve)]
