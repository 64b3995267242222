"""A learner's step card for each technique: practice on a manikin, in our own words, from the recipe.

The order of work is [common practice, no source]. The card defers to local policy and the instructor in every step
that touches a tube; it says how the practice goes, not how or when to treat anyone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reportlab.platypus import Flowable, PageBreak

from kitplan.parts.training.lists import piece_text
from kitplan.parts.training.practice_page import HEAD, NOTE, STRONG, TITLE, grid, practice_pdf, text

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan
    from kitplan.read.values import Technique, Unit

_ROLE_WORDS = {
    "prep_wipe": "barrier-film wipe", "remover_wipe": "adhesive-remover wipe", "surface_wipe": "surface wipe",
    "barrier": "barrier dressing",
}


def step_cards_pdf(unit: Unit, training: TrainingPlan, lesson: int, paper: str, foot: str) -> bytes:
    """One page for each practice of the class."""
    flowables: list[Flowable] = []
    for number, practice in enumerate(training.lessons[lesson].practices):
        technique = unit.techniques[practice.technique]
        flowables += [text(training.names[lesson][number], TITLE), text(
            "Practice on a manikin. Your unit's policy and your instructor come before this card: where they say "
            "otherwise, do as they say. Ask whenever you are unsure.", STRONG)]
        flowables += [text("You need", HEAD), *_needed(training, lesson, number, technique, practice.skin)]
        flowables.append(text("Steps", HEAD))
        lines = steps(technique, practice.skin, training.lessons[lesson].pairs)
        flowables.append(grid([[text(n, STRONG), text(line), ""] for n, line in enumerate(lines, 1)], (10, 150, 12),
                          head=False, boxes=(2,)))
        flowables += [text(
            "Tick as you go. On a patient this is done by trained, licensed staff, at least two of them, under local "
            "policy; this card is not for the bedside.", NOTE), PageBreak()]
    return practice_pdf("Step cards", foot, flowables[:-1], paper)


def _needed(
    training: TrainingPlan, lesson: int, number: int, technique: Technique, skin: str
) -> list[Flowable]:
    needs = training.needs
    sets = int(needs.sets[(needs.sets["lesson"] == lesson) & (needs.sets["practice"] == number)]["sets"].sum())
    pieces = needs.pieces[(needs.pieces["lesson"] == lesson) & (needs.pieces["practice"] == number)]
    rows = [[text(f"{int(p['count']) // sets} x"), text(f"{p['width_mm']:g} mm tape: {piece_text(p)}")]
            for p in pieces.to_dict("records")]
    uses = dict(technique.uses)
    if skin == "barrier":
        uses |= {r: uses.get(r, 0) + n for r, n in technique.uses_with_barrier.items()}
    rows += [[text(f"{quantity:g} {_measure(role)}".strip()), text(_said(role))] for role, quantity in uses.items()]
    return [grid(rows, (24, 148), head=False)]


def _measure(role: str) -> str:
    return {"saline": "mL", "gloves": "pairs"}.get(role, "x")


def _said(role: str) -> str:
    return _ROLE_WORDS.get(role, role.replace("_", " "))


def steps(technique: Technique, skin: str, pairs: bool) -> list[str]:
    """The order of work for one technique, from its recipe."""
    uses = set(technique.uses) | (set(technique.uses_with_barrier) if skin == "barrier" else set())
    partner = "your partner" if pairs else "the instructor"
    lines = [
        "Read your unit's policy for this technique. Hear the instructor show it once.",
        f"Clean your hands{' and put on gloves' if 'gloves' in uses else ''}. Agree with {partner} who renews and who "
        "holds the tube.",
    ]
    if "surface_wipe" in uses:
        lines.append("Wipe the work surface and let it dry.")
    lines.append(_lay_out(technique))
    lines.append(
        f"{partner.capitalize()} takes hold of the tube and keeps hold until you both say that the new securement "
        "holds. Say the depth mark at the lips or nostril aloud; both remember it."
    )
    off = " with the remover wipe" if "remover_wipe" in uses else ""
    lines.append(f"Loosen the old securement{off}, from the edges inwards, without a pull on the tube.")
    lines += _skin(uses, skin)
    lines += _fasten(technique)
    lines += [
        "Say the depth mark again: it is the one you remembered. Check the tube as the instructor and policy say.",
        f"Only now {partner} lets go. Look: nothing pulls, skin and lips are free, tabs can be found.",
        "Used things to the waste, opened things to the practice box. Gloves off, clean your hands. Tick the list"
        f"{', change over' if pairs else ''}.",
    ]
    return lines


def _lay_out(technique: Technique) -> str:
    if any(piece.use == "clean surface" for piece in technique.pieces):
        return (
            "Lay out the set. Stick the plain strip to the work surface and park the prepared pieces on it, so that "
            "none touches a dirty surface. Count the pieces."
        )
    return "Lay out the set on a clean surface and count it."


def _skin(uses: set[str], skin: str) -> list[str]:
    clean = [w for role, w in (("saline", "saline"), ("gauze", "gauze"), ("applicator", "applicators")) if role in uses]
    lines = []
    if clean:
        *most, last = clean
        listed = f"{', '.join(most)} and {last}" if most else last
        lines.append(f"Clean the skin with {listed}; let it dry. Look at the skin and say what you see.")
    if "prep_wipe" in uses:
        lines.append("Wipe barrier film where tape will lie and let it dry.")
    if skin == "barrier":
        lines.append("Lay the barrier dressing pieces on the cheeks, flat and without folds.")
    return lines


def _fasten(technique: Technique) -> list[str]:
    lines = []
    for piece in technique.pieces:
        if piece.use == "clean surface":
            continue
        times = "" if piece.count == 1 else " Do the same from the other side."
        turns = f"{piece.turns:g} turn{'' if piece.turns == 1 else 's'}"
        tab = " Leave the folded tab free." if piece.tab_mm else ""
        if piece.shape == "Y":
            lines.append(f"Y piece: the uncut end on one cheek, one leg over the upper lip, the other leg {turns} "
                         f"round the tube.{tab}{times}")
        elif piece.shape == "H":
            lines.append(f"H piece: the uncut middle beside the tube, two legs over the lip and cheeks, two legs "
                         f"{turns} round the tube, as the instructor shows.{tab}{times}")
        else:
            half = "half-width strip" if piece.half_width else "strip"
            lines.append(f"{half.capitalize()}{f' {piece.use}' if piece.use else ''}: smooth it down from the middle "
                         f"outwards.{times}")
    if not lines:
        lines.append(
            "Fasten with what the set holds, in the order that the instructor shows: snug, not tight, and even on both "
            "sides."
        )
    return lines
