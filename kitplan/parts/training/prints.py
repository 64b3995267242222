"""Prints of the classes: session sheets, station cards, tick lists, step cards, cutting lists and cards, box labels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from kitplan.demand.tape import cut_pieces
from kitplan.parts.kits.cut_card import CutJob, cut_cards, face_sentence
from kitplan.parts.training.box_label import box_labels_pdf, labels_of
from kitplan.parts.training.cutting_list import cutting_list_pdf
from kitplan.parts.training.practice_page import PRACTICE_ONLY
from kitplan.parts.training.print_set import BLANK, PrintSet
from kitplan.parts.training.requirements import rows_of
from kitplan.parts.training.session_sheet import session_sheets_pdf
from kitplan.parts.training.sheet_card import sheet_cards_pdf
from kitplan.parts.training.station_card import station_cards_pdf
from kitplan.parts.training.step_card import step_cards_pdf
from kitplan.parts.training.tick_list import tick_list_pdf
from kitplan.read.class_values import courses

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan
    from kitplan.planning import Plan
    from kitplan.read.values import Unit


def prints(plan: Plan) -> dict[str, bytes]:
    """File name -> PDF, on the unit's paper; one set a class or course, numbered where there are several."""
    training: TrainingPlan = plan.training
    called = dict(zip(plan.unit.items["item"], plan.unit.items["description"]))
    groups = courses(training.lessons)
    files: dict[str, bytes] = {}
    for number, group in enumerate(groups, 1):
        title = training.lessons[group[0]].course or training.lessons[group[0]].title
        mine = PrintSet(training, tuple(group), plan.unit.paper, f"{title}   {plan.unit.name}   Plan {plan.number}")
        tag = f"-{number}" if len(groups) > 1 else ""
        files |= {f"{name}{tag}.pdf": content for name, content in _one_set(plan.unit, mine, called).items()}
    return files


def _one_set(unit: Unit, mine: PrintSet, called: dict[str, str]) -> dict[str, bytes]:
    """The prints of one class or course."""
    training, made = mine.training, {}
    if len(mine.lessons) > 1:
        made["session-sheets"] = session_sheets_pdf(mine)
    made["station-cards"] = station_cards_pdf(mine)
    made["tick-list"] = tick_list_pdf(mine)
    made["step-cards"] = step_cards_pdf(unit, mine)
    made["box-labels"] = box_labels_pdf(labels_of(mine), mine.paper)
    foot = f"{mine.foot}   {mine.days(mine.lessons)}   Cut by {BLANK}"
    several = len(mine.lessons) > 1
    sheets = [(f"session {training.lessons[cut.lesson].session}" if several and len(cut.covers) == 1 else "", cut)
              for cut in training.sheets if cut.lesson in mine.lessons]
    if sheets:
        notes = (f"{mine.days(mine.lessons)}   Cut by {BLANK}",
                 f"{PRACTICE_ONLY}. Two pieces out of one sheet may go to different learners.")
        made["sheet-cards"] = sheet_cards_pdf(sheets, called, notes, mine.paper, mine.foot)
    jobs = cut_jobs(unit, training, mine.lessons)
    if jobs:
        made["class-cut-cards"] = cut_cards(jobs, mine.paper, foot)
        made["cutting-list"] = cutting_list_pdf(mine, called)
    return made


def cut_jobs(unit: Unit, training: TrainingPlan, lessons: Sequence[int]) -> list[CutJob]:
    """Cards with the pieces of one try at true scale, one for each technique and size of a class or course."""
    jobs: dict[tuple[str, str, str], CutJob] = {}
    needs, taken = training.needs, dict[tuple[str, str, str], int]()
    for lesson, number in [(i, n) for i in lessons for n in range(len(training.lessons[i].practices))]:
        practice = training.lessons[lesson].practices[number]
        technique = unit.techniques[practice.technique]
        mine = rows_of(needs.pieces, lesson, number)
        if not len(mine):
            continue
        sheet = None
        if practice.skin == "barrier" and technique.uses_with_barrier.get("barrier"):
            sides = float(practice.size["barrier_width_mm"]), float(practice.size["barrier_length_mm"])
            sheet = (round(technique.uses_with_barrier["barrier"]), *sides, "")
        key = (practice.technique, practice.route, practice.size_text)
        sets = rows_of(needs.sets, lesson, number)["sets"].sum()
        taken[key] = taken.get(key, 0) + int(sets)
        note = f"{PRACTICE_ONLY}. These pieces are for one try; {taken[key]} sets are taken in all."
        width = float(mine["width_mm"].iloc[0])
        jobs[key] = CutJob(
            technique.title, practice.size_text, practice.route, cut_pieces(technique, practice.size, width),
            width, (), note, (jobs[key].sheet if key in jobs else None) or sheet,
            face=face_sentence(technique, practice.size, "the manikin"),
        )
    return list(jobs.values())
