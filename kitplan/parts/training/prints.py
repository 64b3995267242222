"""Prints of the classes: session sheets, station cards, tick lists, step cards, cutting lists and cards, box labels."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any

from reportlab.lib import colors
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from kitplan.demand.tape import cut_pieces
from kitplan.parts.kits.cut_card import CutJob, cut_cards, face_sentence
from kitplan.parts.training import station_prints
from kitplan.parts.training.cutting_list import cutting_list_pdf, sheet_cards_pdf
from kitplan.parts.training.model import TrainingPlan
from kitplan.parts.training.practice_page import BLANK, PRACTICE_ONLY, PrintSet, band
from kitplan.parts.training.requirements import rows_of
from kitplan.planning import Plan
from kitplan.read.class_values import courses
from kitplan.read.problems import counted
from kitplan.read.values import Unit
from kitplan.write.letters import draw_text, lines_of
from kitplan.write.page import LabelGrid

Label = tuple[str, str, str]
"""(what the box is, what is in it, class)."""


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
    training, made = mine.training, {}
    if len(mine.lessons) > 1:
        made["session-sheets"] = station_prints.session_sheets_pdf(mine)
    made["station-cards"] = station_prints.station_cards_pdf(mine)
    made["tick-list"] = station_prints.tick_list_pdf(mine)
    made["step-cards"] = station_prints.step_cards_pdf(unit, mine)
    made["box-labels"] = box_labels_pdf(labels_of(mine), mine.paper)
    several = len(mine.lessons) > 1
    sheets = [(f"session {training.lessons[cut.lesson].session}" if several and len(cut.covers) == 1 else "", cut)
              for cut in training.sheets if cut.lesson in mine.lessons]
    if sheets:
        made["sheet-cards"] = sheet_cards_pdf(
            sheets, called, lambda covers: f"{mine.days(covers)}   Cut by {BLANK}",
            f"{PRACTICE_ONLY}. Two pieces out of one sheet may go to different learners.", mine.paper, mine.foot)
    jobs = cut_jobs(unit, mine)
    if jobs:
        made["class-cut-cards"] = cut_cards(jobs, mine.paper, mine.foot)
        made["cutting-list"] = cutting_list_pdf(mine, called)
    return made


def cut_jobs(unit: Unit, prints: PrintSet) -> list[CutJob]:
    """Cards with the pieces of one try at true scale, one for each technique, size and face of a class or course; what
    is cut of it, and a line for whoever cuts, for each day.
    """
    jobs: dict[tuple[Any, ...], CutJob] = {}
    taken: dict[tuple[Any, ...], Counter[int]] = defaultdict(Counter)
    needs = prints.training.needs
    for lesson in prints.lessons:
        for number, practice in enumerate(prints.training.lessons[lesson].practices):
            technique = unit.techniques[practice.technique]
            mine = rows_of(needs.pieces, lesson, number)
            if not len(mine):
                continue
            sheet = None
            if practice.skin == "barrier" and technique.uses_with_barrier.get("barrier"):
                sides = float(practice.size["barrier_width_mm"]), float(practice.size["barrier_length_mm"])
                sheet = (round(technique.uses_with_barrier["barrier"]), *sides, "")
            width = float(mine["width_mm"].iloc[0])
            pieces = cut_pieces(technique, practice.size, width)
            key = practice.technique, practice.route, practice.size_text, tuple(pieces["length_mm"])
            taken[key][lesson] += int(rows_of(needs.sets, lesson, number)["sets"].sum())
            cut = "; ".join(f"{count} sets for {prints.days([i])}, cut by {BLANK}" for i, count in taken[key].items())
            jobs[key] = CutJob(
                technique.title, practice.size_text, practice.route, pieces, width, (),
                f"{PRACTICE_ONLY}. These pieces are for one try. {cut}.",
                (jobs[key].sheet if key in jobs else None) or sheet,
                face=face_sentence(technique, practice.size, "the manikin"),
            )
    return list(jobs.values())


def labels_of(prints: PrintSet) -> list[Label]:
    """A box a station, the class box, and the practice box where stock past its date is used; each once, and with its
    days where other sessions have other learners there.
    """
    found, lessons = [], prints.training.lessons
    for s in range(max(course.stations for course in prints.of(prints.lessons))):
        there = {i: lessons[i].learners_at(s) for i in prints.lessons if s < lessons[i].stations}
        for shared, learners in prints.alike(prints.lessons, there.get):
            when = f" on {prints.days(shared)}" if len(shared) < len(prints.lessons) else ""
            found.append((f"Station {s + 1}", f"Supplies and things for {counted(learners, 'learner')}{when}. See the "
                          "station card.", prints.title))
    found.append(("Class box", "What is left of opened packs, for the next class.", prints.title))
    found.append((
        "Practice box", "Stock past its date, roll ends and spare pieces. Keep it away from the stock room.",
        prints.title,
    ))
    return found


def box_labels_pdf(labels: list[Label], paper: str) -> bytes:
    """Labels on plain paper, eight a page, with cutting lines."""
    return LabelGrid(4, 2, 12.0, 12.0, 4.0, 4.0).draw("Box labels", paper, labels, _draw_label)


def _draw_label(canvas: Canvas, label: Label, left: float, bottom: float, width: float, height: float) -> None:
    what, inside, course = label
    canvas.setLineWidth(0.8)
    canvas.setDash(3, 2)
    canvas.rect(left, bottom, width, height)
    canvas.setDash()
    pad = 4 * mm
    band(canvas, left, bottom + height - 12 * mm, width, 12 * mm, 12)
    canvas.setFillColor(colors.black)
    draw_text(canvas, left + pad, bottom + height - 24 * mm, what, 22, bold=True)
    base = bottom + height - 31 * mm
    for slanted, size, words in ((False, 11, inside), (True, 9, course)):
        for line in lines_of(words, size, width - 2 * pad):
            draw_text(canvas, left + pad, base, line, size, slanted=slanted)
            base -= size * 1.25
        base -= 2 * mm
    canvas.setFont("Helvetica", 8)
    canvas.drawString(left + pad, bottom + pad, "Packed on ____________   checked by ____________")
