"""A learner's step card for each technique: practice on a manikin, in our own words, from the recipe.

The words and their order are the recipe's (techniques.toml). The card defers to local policy and the instructor; it
says how the practice goes, not how or when to treat anyone.
"""

from __future__ import annotations

import re

from reportlab.platypus import Flowable

from kitplan.parts.training.lists import piece_text
from kitplan.parts.training.model import TrainingPlan
from kitplan.parts.training.practice_page import PrintSet, fits_a_page, grid, practice_pdf, text
from kitplan.parts.training.requirements import rows_of
from kitplan.read.problems import counted
from kitplan.read.values import Technique, Unit

_ROLE_WORDS = {
    "prep_wipe": "barrier-film wipe", "remover_wipe": "adhesive-remover wipe", "surface_wipe": "surface wipe",
    "barrier": "barrier dressing",
}
"""Words for roles of the shipped recipes; any other role is said as it is written."""


def step_cards_pdf(unit: Unit, prints: PrintSet) -> bytes:
    """One card for each practice, whichever sessions of a course practise it."""
    training, pages = prints.training, []
    cards = {
        (training.names[lesson][number], course.pairs): (lesson, number)
        for lesson, course in reversed(list(zip(prints.lessons, prints.of(prints.lessons))))
        for number in reversed(range(len(course.practices)))
    }
    for lesson, number in reversed(cards.values()):
        for words, pad in (("body", 1.6), ("small", 1.6), ("small", 0.4)):
            card = _card(unit, training, lesson, number, words, pad)
            if fits_a_page(card, prints.paper):
                break
        pages.append(card)
    return practice_pdf("Step cards", prints.foot, pages, prints.paper)


def _card(unit: Unit, training: TrainingPlan, lesson: int, number: int, words: str, pad: float) -> list[Flowable]:
    """One card; words: the style that its lists are written in, body or small; pad: points above and below a line."""
    course = training.lessons[lesson]
    practice = course.practices[number]
    technique = unit.techniques[practice.technique]
    lines = steps(technique, practice.skin, course.pairs) or [
        "No steps are written for this recipe: work as the instructor and your unit's policy say. (Whoever keeps "
        "the recipe: write steps under its name in techniques.toml.)"]
    several = f", at least {technique.people} of them," if technique.people > 1 else ""
    alone = [text("A learner without a partner works with the instructor as partner.", "note")] if course.pairs else []
    return [
        text(training.names[lesson][number], "title"),
        text("Practice on a manikin. Your unit's policy and your instructor come before this card: where they say "
             "otherwise, do as they say. Ask whenever you are unsure.", "strong"),
        text("You need", "head"),
        grid(_needed(unit, training, lesson, number), (24, 148), (words, words), pad=pad),
        text("Steps", "head"),
        grid([[n, line, ""] for n, line in enumerate(lines, 1)], (10, 150, 12), ("strong", words, "box"), pad=pad),
        *alone,
        text(f"Tick as you go. On a patient this is done by trained, licensed staff{several} under local policy;"
             " this card is not for the bedside.", "note"),
    ]


def _needed(unit: Unit, training: TrainingPlan, lesson: int, number: int) -> list[list[str]]:
    """What one go takes: how much, and of what."""
    needs, practice = training.needs, training.lessons[lesson].practices[number]
    technique = unit.techniques[practice.technique]
    sets = int(rows_of(needs.sets, lesson, number)["sets"].sum())
    pieces = rows_of(needs.pieces, lesson, number)
    rows = [[f"{int(p['count']) // sets} x", f"{p['width_mm']:g} mm tape: {piece_text(p)}"]
            for p in pieces.to_dict("records")]
    units = dict(zip(unit.items["role"], unit.items["use_unit"]))
    return rows + [[_amount(quantity, str(units.get(role, ""))), _ROLE_WORDS.get(role, role.replace("_", " "))]
                   for role, quantity in technique.needs(practice.skin).items()]


def _amount(quantity: float, use_unit: str) -> str:
    """How much of a role one go takes: "3 pairs", "5 mL", and "1 x" of a thing that is used again, as scissors are."""
    if use_unit == "use":
        return f"{quantity:g} x"
    measured = use_unit in ("mL", "L", "g", "mm", "") or quantity % 1
    return f"{quantity:g} {use_unit}".strip() if measured else counted(int(quantity), use_unit)


def steps(technique: Technique, skin: str, pairs: bool) -> list[str]:
    """The words of one practice, from its recipe: those that stand for this skin and for pairs or a learner alone."""
    partner = "your partner" if pairs else "the instructor"
    here = {"", "barrier" if skin == "barrier" else "no barrier", "pairs" if pairs else "alone"}
    said = [step.say.replace("{partner}", partner) for step in technique.steps if step.only in here]
    return [re.sub(r"(^|\. )([a-z])", lambda m: m[1] + m[2].upper(), line) for line in said]
