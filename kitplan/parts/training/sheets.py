"""Sheets of a practice class: what to buy, the stations, the rounds, the cutting, and what is left over."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping
from typing import TYPE_CHECKING

import pandas as pd

from kitplan.parts.training.lists import piece_text
from kitplan.read.round_sheets import DAY_LABELS, SHEETS
from kitplan.write.book import Book, Page

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan
    from kitplan.planning import Plan

PRACTICE_ONLY = "PRACTICE ONLY, NOT FOR PATIENTS. What a class opens or cuts never goes back to a bedside."


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheets of the classes."""
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


def _start(page: Page, title: str, subtitle: str) -> None:
    page.title(title, subtitle)
    page.spread(PRACTICE_ONLY, "strong")
    page.skip()


def _shopping(book: Book, training: TrainingPlan) -> None:
    page = book.page("Class to buy", "What the practice classes need and cost", (44, 10, 9, 11, 10, 9, 8, 10, 13, 44))
    each = training.value / training.learners
    _start(
        page, "What to buy for the class",
        f"{training.value:,.2f} {book.currency} for {training.learners} learners, {each:,.2f} {book.currency} each. "
        "Stock past its date is used first, then what the class has.",
    )
    kinds = ("wrap", "whole", "text", "whole", "whole", "whole", "whole", "whole", "money", "wrap")
    page.header((
        "Item", "Needed", "Unit", "Practice only", "Class has", "To get", "Pack", "Packs", f"Value ({book.currency})",
        "Because",
    ), kinds)
    for kind, heading in (("used up", "Used up"), ("durable", "Kept: not used up")):
        rows = training.shopping[training.shopping["kind"] == kind]
        if len(rows):
            page.group((heading,))
        for row in rows.to_dict("records"):
            page.row((
                row["description"], row["units"], row["unit"], _blank(row["practice_only_units"]),
                _blank(row["own_units"]), _blank(row["buy_units"]), row["pack"], _whole(row["packs"]), row["value"],
                row["because"],
            ), kinds)
    page.total(("Total", None, None, None, None, None, None, None, training.value, None), ("strong", *kinds[1:]))
    page.skip()
    _classes(page, book, training)


def _sessions(book: Book, training: TrainingPlan) -> None:
    widths = (44, 12, 14, 11, 11, 9, 9, 9, 13, 9)
    page = book.page("Class sessions", "What each session takes, and what goes on", widths)
    _start(
        page, f"What each of the {training.called} takes",
        "Takes is the sum of the four columns after it. From before: what an earlier one opened, bought or used. Goes "
        "on: put it into the class box. Order by: to be there the day before.",
    )
    kinds = ("wrap", "whole", "text", "whole", "whole", "whole", "whole", "whole", "text", "whole")
    page.header((
        "What", "Takes", "Unit", "From before", "Practice only", "Class has", "New", "Packs", "Order by", "Goes on",
    ), kinds)
    for lesson, group in training.sessions.groupby("lesson", sort=True):
        course = training.lessons[lesson]
        where = course.when_and_where
        page.group((f"{course.title}{': ' if where else ''}{where}",))
        for row in group.to_dict("records"):
            page.row((
                row["description"], _blank(row["units"]), row["unit"], _blank(row["from_before_units"]),
                _blank(row["practice_only_units"]), _blank(row["own_units"]), _blank(row["new_units"]),
                _blank(row["packs"]), row["order_by"].isoformat() if row["order_by"] else None,
                _blank(row["goes_on_units"]),
            ), kinds)


def _from_stock(book: Book, training: TrainingPlan, catalogue: Container[str]) -> None:
    """What is new for the class and may come from the stock room; read back by `to-class`."""
    title = SHEETS["to_class"]
    page = book.page(title, "Type in what the class took from the shelf", (24, 44, 10, 12, 10, 16, 14))
    _start(
        page, title, "Where the class takes something from the stock room instead of buying it, type the single items "
        "here, save, and run kitplan to-class UNIT: the order book then knows that no patient used them. A lot that is "
        "recalled is found in the class as well.",
    )
    row = page.next_row
    page.put(row, 3, DAY_LABELS["to_class"], "label", "free")
    page.put(row, 4, None, "input_text")
    page.skip(2)
    kinds = ("text", "wrap", "whole", "text", "input", "input_text", "input_text")
    page.header(("Item", "Description", "To get", "Unit", "Taken", "Lot", "Expires"), kinds)
    first = page.next_row
    for entry in training.shopping.to_dict("records"):
        if entry["item"] in catalogue and entry["buy_units"]:
            page.row((entry["item"], entry["description"], entry["buy_units"], entry["unit"], None, None, None), kinds)
    page.whole_numbers_only(f"E{first}:E{max(page.next_row - 1, first)}", "Taken")
    page.protect()


def _blank(number: int) -> int | None:
    return int(number) or None


def _whole(number: float) -> int | None:
    return None if math.isnan(number) else int(number)


def _classes(page: Page, book: Book, training: TrainingPlan) -> None:
    kinds = ("wrap", "text", "text", "whole", "whole", "whole", "whole", "whole", "money", "money")
    page.header((
        "Class", "Day", "Place", "Learners", "Stations", "Tries", "Sets", "Minutes", f"Value ({book.currency})",
        f"{book.currency} a learner",
    ), kinds, freeze=False)
    for row in training.classes.to_dict("records"):
        course = training.lessons[row["lesson"]]
        page.row((
            course.title, course.day.isoformat() if course.day else "", course.place or None, row["learners"],
            row["stations"], row["goes"], row["sets"], row["minutes"], row["value"], round(row["value_per_learner"], 2),
        ), kinds)


def _stations(book: Book, training: TrainingPlan) -> None:
    page = book.page("Class stations", "What to lay out at each station", (16, 66, 11, 10, 9), landscape=False)
    _start(page, "What stands at each station", "Lay out and tick. Pieces include the spare ones.")
    kinds = ("text", "wrap", "whole", "text", "tick")
    page.header(("Kind", "What", "Quantity", "Unit", "Laid out"), kinds)
    for (lesson, station), group in training.stations.groupby(["lesson", "station"], sort=False):
        title = f"{training.lessons[lesson].title}: " if len(training.lessons) > 1 else ""
        learners = training.lessons[lesson].learners_at(station - 1)
        page.group((f"{title}Station {station}, {learners} learners",))
        for row in group.to_dict("records"):
            what = f"{row['item']}: {row['description']}" if "piece" in row["kind"] else row["description"]
            page.row((row["kind"].capitalize(), what, row["quantity"], row["unit"], None), kinds)


def _rounds(book: Book, training: TrainingPlan) -> None:
    page = book.page("Class rounds", "Who practises what, and when", (10, 10, 10, 52, 10, 9, 9), landscape=False)
    _start(page, "Set-up plan", "Every station does every practice once. Learners stay at their station.")
    kinds = ("text", "whole", "text", "wrap", "whole", "whole", "whole")
    page.header(("Starts", "Round", "Station", "Practice", "Learners", "Tries", "Sets"), kinds)
    for index, lesson in enumerate(training.lessons):
        table = training.timetables[index]
        page.group((f"{lesson.title}: {table.minutes:.0f} minutes",))
        for row in training.setup[training.setup["lesson"] == index].to_dict("records"):
            page.row((
                row["starts"], row["round"], str(row["station"]), row["practice"], row["learners"], row["goes"],
                row["sets"],
            ), kinds)
    page.skip()
    page.spread("What to carry, and when", "lead")
    carried = ("text", "text", "text", "wrap", "whole")
    page.header(("Before round", "From", "To", "What", "How many"), carried, freeze=False)
    for index, lesson in enumerate(training.lessons):
        if len(training.lessons) > 1:
            page.group((lesson.title,))
        for row in training.timetables[index].moves.to_dict("records"):
            source = "store" if row["from_station"] == 0 else f"station {row['from_station']}"
            page.row((
                str(row["before_round"]), source, f"station {row['to_station']}", row["thing"], row["count"],
            ), carried)


def _cutting(book: Book, training: TrainingPlan, called: Mapping[str, str]) -> None:
    page = book.page("Class cutting", "Who cuts which rolls, and into what", (10, 40, 15, 60, 9, 10, 9))
    _start(page, "Cut the tape the day before", "One line is one way to cut a roll: number x length in mm.")
    if len(training.cut_work):
        _who_cuts(page, training, called)
        _pieces(page, training)
        _how_good(page, book, training)
    if training.sheets:
        _dressings(page, training, called)


def _who_cuts(page: Page, training: TrainingPlan, called: Mapping[str, str]) -> None:
    kinds = ("text", "wrap", "wrap", "wrap", "whole", "whole", "tick")
    page.header(("Cutter", "Roll", "From", "Cut from one roll", "Rolls", "Pieces", "Done"), kinds)
    for (lesson, width), group in training.cut_work.groupby(["lesson", "width_mm"], sort=False):
        title = f"{training.lessons[lesson].title}: " if len(training.lessons) > 1 else ""
        page.group((f"{title}tape {width:g} mm wide",))
        for row in group.to_dict("records"):
            page.row((
                str(row["cutter"]), called[row["roll"]], row["from"], row["pattern"], row["count"], row["pieces"], None,
            ), kinds)
    page.skip()


def _pieces(page: Page, training: TrainingPlan) -> None:
    page.spread("What the pieces become", "lead")
    kinds = ("text", "wrap", "text", "wrap", "whole")
    page.header(("Width", "Practice", "Length", "Shape", "Pieces"), kinds, freeze=False)
    for row in training.pieces().to_dict("records"):
        page.row((
            f"{row['width_mm']:g} mm", row["practice"], f"{row['length_mm']:g} mm", piece_text(row), row["count"],
        ), kinds)
    page.skip()


def _how_good(page: Page, book: Book, training: TrainingPlan) -> None:
    page.spread("How good the plan is", "lead")
    for row in training.bounds.to_dict("records"):
        title = f"{training.lessons[row['lesson']].title}: " if len(training.lessons) > 1 else ""
        rolls = "" if math.isnan(row["least_rolls"]) else f"; no plan can do with fewer than {row['least_rolls']:.0f}"
        page.spread(
            f"{title}tape {row['width_mm']:g} mm: {row['pieces']} pieces from {row['rolls']} rolls{rolls}. "
            f"{row['opened_mm'] / 1000:,.2f} m opened. From these kinds of rolls no plan can open less than "
            f"{row['least_mm'] / 1000:,.2f} m (bound of the linear program {row['lp_mm'] / 1000:,.2f} m, in whole "
            f"rolls): a gap of {100 * row['gap']:.1f} %."
        )
    kinds = ("text", "wrap", "whole", "text", "share", "money")
    value = f"Value ({book.currency})"
    page.header(("", "Way of cutting", "Rolls", "Tape opened", "Waste", value), kinds, freeze=False)
    for row in training.comparison.to_dict("records"):
        opened = f"{row['opened_mm'] / 1000:,.2f} m"
        page.row(("", row["method"], row["rolls"], opened, row["waste_share"], row["value"]), kinds)
    page.spread(
        "Every way cuts the lengths of roll that the plan opens. Value: the rolls opened, each at its share of a "
        "pack's price; what is to be bought comes in whole packs.", "note",
    )
    page.skip()


def _dressings(page: Page, training: TrainingPlan, called: Mapping[str, str]) -> None:
    page.spread("Dressing pieces from sheets", "lead")
    kinds = ("text", "wrap", "wrap", "wrap", "whole", "text", "tick")
    page.header(("Class", "Sheet", "From", "Cut from one sheet (mm)", "Sheets", "Left", "Done"), kinds, freeze=False)
    for row in training.sheet_plan().to_dict("records"):
        page.row((
            training.lessons[row["lesson"]].title, called[row["sheet"]], row["from"], row["pattern"], row["count"],
            f"{row['waste_mm2'] / 100:.1f} cm2", None,
        ), kinds)


def _left(book: Book, training: TrainingPlan) -> None:
    page = book.page("Class left over", "What is left, and where it goes", (50, 10, 10, 24, 50))
    _start(page, "What is left over, and where it goes", "Nothing here goes to patients.")
    kinds = ("wrap", "whole", "text", "wrap", "wrap")
    page.header(("What", "Quantity", "Unit", "State", "Goes to"), kinds)
    for lesson, group in training.left.groupby("lesson", sort=True):
        if len(training.lessons) > 1:
            whole = "All sessions" if training.called == "sessions" else "Season"
            page.group((whole if lesson < 0 else training.lessons[lesson].title,))
        for row in pd.DataFrame(group).to_dict("records"):
            page.row((row["thing"], row["quantity"], row["unit"], row["state"], row["goes_to"]), kinds)
