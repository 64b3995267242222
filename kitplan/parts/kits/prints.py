"""Prints of the kits on the unit's paper: build cards, cut cards, and the emergency equipment to check."""

from __future__ import annotations

from kitplan.parts.kits.build_card import build_cards
from kitplan.parts.kits.cut_card import cut_cards, cut_jobs
from kitplan.parts.kits.emergency_sheet import emergency_pdf
from kitplan.parts.kits.model import KitPlan
from kitplan.planning import Plan


def prints(plan: Plan) -> dict[str, bytes]:
    """File name -> PDF. Cut cards are left out where no technique of the unit uses tape."""
    kits: KitPlan = plan.kits
    foot = f"{plan.unit.name}   Plan {plan.number}"
    jobs = cut_jobs(plan.unit, kits.item_choice, kits.strata)
    paper = plan.unit.paper
    files = {"build-cards.pdf": build_cards(plan.unit, kits.contents, kits.strata, kits.builds, paper, foot)}
    if kits.contents["emergency"].eq("yes").any():
        files["emergency-sheet.pdf"] = emergency_pdf(plan, foot)
    return files | ({"cut-cards.pdf": cut_cards(jobs, paper, foot)} if jobs else {})
