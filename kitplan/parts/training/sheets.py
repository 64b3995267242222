"""Sheets of a practice class: what to buy, the stations, the rounds, the cutting, and what is left over."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping
from typing import Any

import pandas as pd

from kitplan.parts.training.lists import piece_text
from kitplan.parts.training.model import TrainingPlan
from kitplan.parts.training.sessions import handed_on
from kitplan.planning import Plan
from kitplan.read.money import exact
from kitplan.read.problems import counted
from kitplan.read.round_sheets import DAY_LABELS, SHEETS
from kitplan.write.book import Book, Page


def add_sheets(book: Book, plan: Plan) -> None:
    training: TrainingPlan = plan.training
    _shopping(book, training)
    if len(training.lessons) > 1:
        _sessions(book, training)
    _from_stock(book, training, set(plan.unit.items["item"]))
    _stations(book, training)
    _rounds(book, training)
    if len(training.cut_work) or training.sheets:
        _cutting(book, training, dict(zip(plan.unit.items["item"], plan.unit.items["description"])))
    _left(book, training)


def _sheet(book: Book, name: str, **more: Any) -> Page:
    page = book.sheet(name, **more)
    page.note("practice only", "strong")
    page.skip()
    return page


def _without_zeros(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    return frame.assign(**{name: frame[name].where(frame[name] != 0) for name in columns})


def _of_class(training: TrainingPlan, lesson: int, words: str) -> str:
    """A group's line, with the title of its class before it where there are several."""
    return f"{training.lessons[lesson].title}: {words}" if len(training.lessons) > 1 else words


def _shopping(book: Book, training: TrainingPlan) -> None:
    each = training.value / training.learners
    page = _sheet(book, "Class to buy", money=exact(training.value, book.currency), places=training.places,
                  each=exact(each, book.currency))
    rows = _without_zeros(training.shopping, "practice_only_units", "own_units", "buy_units")
    groups = [(heading, rows[rows["kind"] == kind]) for kind, heading in
              (("used up", "Used up"), ("durable", "Kept: not used up")) if kind in set(rows["kind"])]
    page.table(groups, "to buy", freeze=True)
    page.total(("Total", *[None] * 7, training.value, None), ("strong", *page.kinds[1:]))
    page.skip()
    classes = training.classes.assign(
        title=[lesson.title for lesson in training.lessons],
        place=[lesson.place or None for lesson in training.lessons],
        day=[lesson.day.isoformat() if lesson.day else "" for lesson in training.lessons],
        each=[round(value, 2) for value in training.classes["value_per_learner"]])
    page.another_table(len(classes))
    page.table(classes, "classes")


def _sessions(book: Book, training: TrainingPlan) -> None:
    page = _sheet(book, "Class sessions", sessions=training.called, handed_on=handed_on(training.lessons))
    rows = _without_zeros(training.sessions, "units", "from_before_units", "practice_only_units", "own_units",
                          "new_units", "packs", "goes_on_units")
    rows["order_by"] = [day.isoformat() if day else None for day in rows["order_by"]]
    groups = [(": ".join(filter(None, (training.lessons[key].title, training.lessons[key].when_and_where))), mine)
              for key, mine in rows.groupby("lesson", sort=True)]
    page.table(groups, "sessions", freeze=True)


def _from_stock(book: Book, training: TrainingPlan, catalogue: Container[str]) -> None:
    """What is new for the class and may come from the stock room; read back by `to-class`."""
    page = _sheet(book, SHEETS["to_class"])
    row = page.next_row
    page.put(row, 3, DAY_LABELS["to_class"], "label", "free")
    page.put(row, 4, None, "input_text")
    page.skip(2)
    rows = training.shopping
    rows = rows[rows["item"].isin(catalogue) & (rows["buy_units"] != 0)]
    first, last = page.table(rows, "from stock",
        freeze=True)
    page.numbers_only(first, max(last, first), 5, "Taken")
    page.protect()


def _stations(book: Book, training: TrainingPlan) -> None:
    page = _sheet(book, "Class stations")
    rows = training.stations
    pieces = rows["kind"].str.contains("piece")
    rows = rows.assign(kind=rows["kind"].str.capitalize(),
                       what=rows["description"].where(~pieces, rows["item"] + ": " + rows["description"]))
    groups = []
    for (lesson, station), mine in rows.groupby(["lesson", "station"], sort=False):
        learners = training.lessons[lesson].learners_at(station - 1)
        groups.append((_of_class(training, lesson, f"Station {station}, {learners} learners"), mine))
    page.table(groups, "stations", freeze=True)


def _rounds(book: Book, training: TrainingPlan) -> None:
    page = _sheet(book, "Class rounds")
    setup = training.setup.astype({"station": str})
    page.table([(f"{lesson.title}: {table.minutes:.0f} minutes", setup[setup["lesson"] == index])
                for index, (lesson, table) in enumerate(zip(training.lessons, training.timetables))],
               "rounds", freeze=True)
    page.skip()
    page.spread("What to carry, and when", "lead")
    moves = []
    for lesson, table in zip(training.lessons, training.timetables):
        source = ["store" if s == 0 else f"station {s}" for s in table.moves["from_station"]]
        told = table.moves.astype({"before_round": str}).assign(
            source=source, target=[f"station {s}" for s in table.moves["to_station"]])
        moves.append((lesson.title if len(training.lessons) > 1 else "", told))
    page.table(moves, "moves")


def _cutting(book: Book, training: TrainingPlan, called: Mapping[str, str]) -> None:
    page = _sheet(book, "Class cutting")
    if len(training.cut_work):
        work = training.cut_work.astype({"cutter": str})
        work["roll"] = work["roll"].map(called)
        page.table([(_of_class(training, lesson, f"tape {width:g} mm wide"), rows) for (lesson, width), rows
                    in work.groupby(["lesson", "width_mm"], sort=False)], "who cuts", freeze=True)
        page.skip()
        _pieces(page, training)
        _how_good(page, training)
    if training.sheets:
        page.spread("Dressing pieces from sheets", "lead")
        plan = training.sheet_plan()
        rows = plan.assign(blank="", sheet=plan["sheet"].map(called),
                           left=[f"{mm2 / 100:.1f} cm2" for mm2 in plan["waste_mm2"]])
        page.table([(training.lessons[int(lesson)].title, of_it) for lesson, of_it in rows.groupby("lesson")],
                   "dressings")


def _pieces(page: Page, training: TrainingPlan) -> None:
    page.spread("What the pieces become", "lead")
    pieces = training.pieces()
    words = pieces.assign(width=[f"{w:g} mm" for w in pieces["width_mm"]],
                          length=[f"{mm:g} mm" for mm in pieces["length_mm"]],
                          becomes=[piece_text(row) for row in pieces.to_dict("records")])
    groups = [(training.lessons[int(lesson)].title, rows) for lesson, rows in words.groupby("lesson")]
    page.table(groups if len(groups) > 1 else words, "pieces")
    page.skip()


def _how_good(page: Page, training: TrainingPlan) -> None:
    page.spread("How good the plan is", "lead")
    for row in training.bounds.to_dict("records"):
        title = f"{training.lessons[row['lesson']].title}: " if len(training.lessons) > 1 else ""
        rolls = "" if math.isnan(row["least_rolls"]) else f"; no plan can do with fewer than {row['least_rolls']:.0f}"
        page.note("how good a cut is", "wrap", class_=title, least=rolls, opened=row["opened_mm"] / 1000,
                  least_m=row["least_mm"] / 1000, bound_m=row["lp_mm"] / 1000, gap=100 * row["gap"],
                  rolls=counted(row["rolls"], "roll"), width_mm=row["width_mm"], pieces=row["pieces"])
    told = training.comparison
    page.table(told.assign(width="", opened=[f"{mm / 1000:,.2f} m" for mm in told["opened_mm"]]), "ways of cutting")
    page.note("ways of cutting")
    page.skip()


def _left(book: Book, training: TrainingPlan) -> None:
    page = _sheet(book, "Class left over")
    whole = "All sessions" if training.called == "sessions" else "Season"
    several = len(training.lessons) > 1
    groups = [("" if not several else whole if lesson < 0 else training.lessons[lesson].title, rows)
              for lesson, rows in training.left.groupby("lesson", sort=True)]
    page.table(groups, "left over", freeze=True)
