"""Prints of the classes: station cards, tick lists, step cards, cutting lists, cut cards and box labels."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from reportlab.platypus import Flowable, PageBreak

from kitplan.demand.tape import cut_pieces
from kitplan.parts.kits.cut_card import CutJob, cut_cards, face_sentence
from kitplan.parts.training.box_label import box_labels_pdf, labels_of
from kitplan.parts.training.lists import piece_text
from kitplan.parts.training.practice_page import (
    HEAD,
    NOTE,
    PRACTICE_ONLY,
    RIGHT,
    STRONG,
    TITLE,
    grid,
    practice_pdf,
    text,
)
from kitplan.parts.training.sheet_card import sheet_cards_pdf
from kitplan.parts.training.station_card import station_cards_pdf
from kitplan.parts.training.step_card import step_cards_pdf
from kitplan.parts.training.tick_list import tick_list_pdf

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan
    from kitplan.planning import Plan
    from kitplan.read.values import Unit


def prints(plan: Plan) -> dict[str, bytes]:
    """File name -> PDF, on the unit's paper; one set a class, numbered where there are several."""
    training: TrainingPlan = plan.training
    number, paper = plan.number, plan.unit.paper
    files: dict[str, bytes] = {}
    for lesson, course in enumerate(training.lessons):
        tag = f"-{lesson + 1}" if len(training.lessons) > 1 else ""
        foot = f"{course.title}   {plan.unit.name}   Plan {number}"
        called = dict(zip(plan.unit.items["item"], plan.unit.items["description"]))
        files[f"station-cards{tag}.pdf"] = station_cards_pdf(training, lesson, paper, foot)
        files[f"tick-list{tag}.pdf"] = tick_list_pdf(training, lesson, paper, foot)
        files[f"step-cards{tag}.pdf"] = step_cards_pdf(plan.unit, training, lesson, paper, foot)
        files[f"box-labels{tag}.pdf"] = box_labels_pdf(labels_of(training, lesson), paper)
        sheets = [cut for cut in training.sheets if cut.lesson == lesson]
        if sheets:
            note = f"{PRACTICE_ONLY}. Two pieces out of one sheet may go to different learners."
            files[f"sheet-cards{tag}.pdf"] = sheet_cards_pdf(sheets, called, note, paper, foot)
        jobs = cut_jobs(plan.unit, training, lesson)
        if jobs:
            files[f"class-cut-cards{tag}.pdf"] = cut_cards(jobs, paper, foot)
            files[f"cutting-list{tag}.pdf"] = cutting_list_pdf(training, lesson, called, paper, foot)
    return files


def cut_jobs(unit: Unit, training: TrainingPlan, lesson: int) -> list[CutJob]:
    """Cards with the pieces of one try at true scale, one for each technique and size of the class."""
    jobs: dict[tuple[str, str, str], CutJob] = {}
    needs = training.needs
    for number, practice in enumerate(training.lessons[lesson].practices):
        technique = unit.techniques[practice.technique]
        mine = needs.pieces[(needs.pieces["lesson"] == lesson) & (needs.pieces["practice"] == number)]
        if not len(mine):
            continue
        sets = needs.sets[(needs.sets["lesson"] == lesson) & (needs.sets["practice"] == number)]["sets"].sum()
        note = f"{PRACTICE_ONLY}. These pieces are for one try; the class takes {sets} sets."
        sheet = None
        if practice.skin == "barrier" and technique.uses_with_barrier.get("barrier"):
            sides = float(practice.size["barrier_width_mm"]), float(practice.size["barrier_length_mm"])
            sheet = (round(technique.uses_with_barrier["barrier"]), *sides, "")
        key = (practice.technique, practice.route, practice.size_text)
        width = float(mine["width_mm"].iloc[0])
        known = jobs.get(key)
        jobs[key] = CutJob(
            technique.title, practice.size_text, practice.route, cut_pieces(technique, practice.size, width),
            width, (), known.roll if known else note,
            (known.sheet if known else None) or sheet, face=face_sentence(technique, practice.size),
        )
    return list(jobs.values())


def cutting_list_pdf(training: TrainingPlan, lesson: int, called: dict[str, str], paper: str, foot: str) -> bytes:
    """One page a cutter: which rolls, into what; then what each length becomes."""
    flowables: list[Flowable] = []
    work = training.cut_work[training.cut_work["lesson"] == lesson]
    ends = _ends(training, lesson)
    for cutter, rolls in work.groupby("cutter", sort=True):
        flowables += [
            text(f"Cutting list, cutter {cutter}", TITLE), text(training.lessons[lesson].title, STRONG),
            text("Cut each roll as its line says. Measure twice; keep the lengths apart in marked bags.", NOTE),
        ]
        heads = ("Roll", "From", "Cut from one (number x mm)", "The end", "Rolls", "Pieces", "")
        rows = [[text(h, STRONG) for h in heads]]
        rows += [
            [text(called.get(r["roll"], r["roll"])), text(r["from"]), text(r["pattern"]),
             text(ends[r["width_mm"], r["roll"], r["pattern"]]), text(r["count"], RIGHT),
             text(r["pieces"], RIGHT), ""] for r in rolls.to_dict("records")
        ]
        flowables.append(grid(rows, (38, 20, 44, 29, 14, 17, 12), boxes=(6,)))
        flowables += [*_becomes(training, lesson, rolls["pattern"]), PageBreak()]
    return practice_pdf("Cutting lists", foot, flowables[:-1], paper)


def _ends(training: TrainingPlan, lesson: int) -> dict[tuple[float, str, str], str]:
    """What to do with the end of a roll, by width, roll and pattern: waste is what gives no piece of this class."""
    said = {}
    for cut in (c for c in training.tape if c.lesson == lesson):
        shortest = float(cut.plan.lengths_mm.min())
        for row in cut.plan.plan.to_dict("records"):
            end = row["waste_mm"]
            fate = "none" if end == 0 else f"{'waste' if end < shortest - 1e-9 else 'keep'} {end:,.0f} mm"
            said[cut.width_mm, cut.source[row["roll"]][0], row["pattern"]] = fate
    return said


def _becomes(training: TrainingPlan, lesson: int, patterns: Iterable[str]) -> list[Flowable]:
    """What the lengths in these patterns are for."""
    lengths = {float(part.split(" x ")[1]) for pattern in patterns for part in pattern.split(" + ")}
    pieces = training.pieces()
    mine = pieces[(pieces["lesson"] == lesson) & pieces["length_mm"].isin(lengths)]
    mine = mine.sort_values("length_mm", ascending=False, kind="stable")
    rows = [[text(h, STRONG) for h in ("Length", "Becomes", "For", "Pieces")]]
    rows += [
        [text(f"{p['length_mm']:g} mm"), text(piece_text(p)), text(p["practice"]), text(p["count"], RIGHT)]
        for p in mine.to_dict("records")
    ]
    return [text("What these lengths become, pieces for the whole class", HEAD), grid(rows, (20, 78, 59, 17))]
