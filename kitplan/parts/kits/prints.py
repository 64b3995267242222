"""Prints of the kits: build cards, cut cards, and the lookup for the wall, on the unit's paper."""

from __future__ import annotations

from collections.abc import Callable

from kitplan.parts.kits.build_card import build_cards
from kitplan.parts.kits.cut_card import cut_cards, cut_jobs
from kitplan.parts.kits.emergency_sheet import emergency_pdf
from kitplan.parts.kits.model import KitPlan
from kitplan.parts.kits.tables import Lookup, kit_lookup
from kitplan.planning import Plan
from kitplan.write.page import FOOT_MM, MARGIN_MM, Card, draw_pages, fitting_size


def prints(plan: Plan) -> dict[str, bytes]:
    """File name -> PDF. Cut cards are left out where no technique of the unit uses tape."""
    kits: KitPlan = plan.kits
    foot = f"{plan.unit.name}   Plan {plan.number}"
    lookup = kit_lookup(kits.strata, plan.unit)
    jobs = cut_jobs(plan.unit, kits.item_choice, kits.strata)
    paper = plan.unit.paper
    files = {
        "build-cards.pdf": build_cards(plan.unit, kits.contents, kits.strata, kits.builds, paper, foot),
        "which-kit.pdf": which_kit(lookup, paper, foot),
    }
    if kits.contents["emergency"].eq("yes").any():
        files["emergency-sheet.pdf"] = emergency_pdf(plan, foot)
    return files | ({"cut-cards.pdf": cut_cards(jobs, paper, foot)} if jobs else {})


def which_kit(lookup: Lookup, paper: str, foot: str) -> bytes:
    """The wall chart: tube size down, route across, the letter of the kit as large as the page allows."""

    def pages(new_page: Callable[[], Card]) -> None:
        card = new_page()
        head = 30.0
        room = card.height_mm - MARGIN_MM - head - FOOT_MM - 12
        step = max(min(room / len(lookup.sizes), 24.0), 10.0)
        _wall_head(card, lookup)
        for size in lookup.sizes:
            if card.top - step < FOOT_MM + 6:
                card = new_page()
                _wall_head(card, lookup)
            _wall_row(card, lookup, size, step)

    return draw_pages("Which kit", paper, foot, True, pages)


def _column_mm(card: Card, lookup: Lookup, k: int) -> float:
    """Middle of the k-th route's column."""
    wide = (card.room_mm - 36) / len(lookup.routes)
    return MARGIN_MM + 36 + wide * (k + 0.5)


def _wall_head(card: Card, lookup: Lookup) -> None:
    card.top -= 12
    card.text(MARGIN_MM, card.top, "Which kit?", 34, bold=True)
    card.top -= 12
    card.text(MARGIN_MM, card.top, lookup.heading, 13, bold=True)
    for k, route in enumerate(lookup.routes):
        size = fitting_size(route.upper(), (card.room_mm - 36) / len(lookup.routes) - 3, 16, 7)
        card.text(_column_mm(card, lookup, k), card.top, route.upper(), size, bold=True, anchor="centre")
    card.top -= 3
    card.line(MARGIN_MM, card.top, card.width_mm - MARGIN_MM, card.top, 1.6)


def _wall_row(card: Card, lookup: Lookup, size: str, step: float) -> None:
    middle = card.top - step / 2
    letter = min(step * 1.9, 34.0)
    shown = fitting_size(size, 34, letter * 0.85, 8.0)
    card.text(MARGIN_MM, middle - shown * 0.14, size, shown, bold=True)
    for k, route in enumerate(lookup.routes):
        lines = lookup.cells.get((size, route))
        x = _column_mm(card, lookup, k)
        if lines is None:
            card.text(x, middle - 1.5, "-", 12, anchor="centre")
            continue
        lift = 1.6 * (len(lines) - 1)
        shown = letter if len(lines) == 1 else letter * 0.7
        card.text(x, middle - shown * 0.12 + lift, lines[0], shown, bold=True, anchor="centre")
        for n, line in enumerate(lines[1:]):
            card.text(x, middle - shown * 0.12 + lift - 3.8 - 3.4 * n, line, 8, bold=True, anchor="centre")
    card.top -= step
    card.line(MARGIN_MM, card.top, card.width_mm - MARGIN_MM, card.top, 0.5)
