"""Build cards: one page a kit design, contents in packing order, counted twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
from reportlab.lib.units import mm

from kitplan.parts.kits.tables import served_lines
from kitplan.read.catalogue import marked
from kitplan.read.problems import counted
from kitplan.read.values import Unit
from kitplan.write.letters import cut_lines
from kitplan.write.page import FOOT_MM, MARGIN_MM, Card, draw_pages, fitting_size

_ROW_MM, _LEAST_ROW_MM, _BOX_MM = 8.2, 6.6, 5.4
_SIGN_MM = 30.0
_SMALL = 7.5  # points; a longer name stands on two lines, or is cut where the sizes stand under it


def build_cards(
    unit: Unit, contents: pd.DataFrame, strata: pd.DataFrame, builds: pd.DataFrame, paper: str, foot: str
) -> bytes:
    """All designs as one PDF. contents, strata, builds: frames of the kit plan."""

    def pages(new_page: Callable[[], Card]) -> None:
        for design, rows in contents.groupby("design", sort=False):
            _one_design(unit, str(design), rows, strata, builds, new_page)

    return draw_pages("Build cards", paper, foot, True, pages)


def packing_order(rows: pd.DataFrame) -> pd.DataFrame:
    """Shelf order, the emergency set last so that it lies on top."""
    return rows.sort_values("emergency", key=lambda e: e.eq("yes"), kind="stable")


def _one_design(unit: Unit, design: str, rows: pd.DataFrame, strata: pd.DataFrame, builds: pd.DataFrame,
                new_page: Callable[[], Card]) -> None:
    card = new_page()
    _head(unit, card, design, rows, strata, builds)
    items = {item["item"]: item for item in unit.catalogue}
    room = card.top - FOOT_MM - _SIGN_MM
    step = min(max(room / len(rows), _LEAST_ROW_MM), _ROW_MM)
    for number, row in enumerate(packing_order(rows).itertuples(), 1):
        if card.top - step < FOOT_MM + _SIGN_MM - 1e-6:
            card = new_page()
            card.paragraph(f"Kit {design}, continued", 16, bold=True)
            card.top -= 2
            _columns(card)
        item = items[row.item]
        take = counted(int(row.quantity), str(item["counted_as"]))
        _row(card, number, row, str(item["bin"]), take, step)
    card.top -= 1
    card.paragraph(f"{int(rows['quantity'].sum())} single items in all, {rows['litres'].sum():.1f} L.", 10, bold=True)
    y, third = FOOT_MM + 19, card.room_mm / 3
    labels = ("Built by", "Counted again by", "Date", "Nearest expiry in the kit", "Seal number", "Kit number")
    for k, label in enumerate(labels):
        x, line = MARGIN_MM + (k % 3) * third, y - 12 * (k // 3)
        card.line(x, line, x + third - 6, line, 0.6)
        card.text(x, line - 3.2, label, 7.5)


def _head(unit: Unit, card: Card, design: str, rows: pd.DataFrame, strata: pd.DataFrame, builds: pd.DataFrame) -> None:
    build = builds.set_index("design").loc[design]
    card.top -= 14
    card.text(MARGIN_MM, card.top, f"Kit {design}", 40, bold=True)
    card.text(card.width_mm - MARGIN_MM, card.top + 6, f"Wanted ready: {int(build['build'])}", 14, bold=True,
              anchor="right")
    card.text(card.width_mm - MARGIN_MM, card.top,
              f"Kits to build says how many now. Restock sets: {int(build['top_up_sets'])}", 9, anchor="right")
    card.top -= 3
    for line in served_lines(strata, design, {name: t.title for name, t in unit.techniques.items()}):
        card.paragraph(f"For {line}", 13, bold=True)
    card.top -= 1
    count, words = int(build["re_secures"]), unit.words
    emergency = (" The emergency set (EM) goes in last and lies on top. Each EM line says which sizes the item fits:"
                 " give the size that fits this patient.") if rows["emergency"].eq("yes").any() else ""
    card.paragraph(
        f"Holds {count} {words.act if count == 1 else words.acts}: enough for {unit.bedside.restock_hours:g} hours with"
        f" {100 * unit.bedside.readiness:.0f} % chance. Pack from the top of the list down.{emergency} Count while "
        "packing, then a second time, better by a second person.", 9)
    wall = unit.bedside.on_wall
    if wall:
        card.paragraph(f"Not in the kit, from the wall: {', '.join(r.replace('_', ' ') for r in wall)}.", 9)
    card.top -= 3
    _columns(card)


def _columns(card: Card) -> None:
    right = card.width_mm - MARGIN_MM
    card.top -= 5
    for x, text in ((MARGIN_MM + 8, "Take"), (MARGIN_MM + 36, "Item"), (right - 46, "Bin")):
        card.text(x, card.top, text, 8, bold=True)
    card.text(right - 20, card.top, "1st", 8, bold=True, anchor="centre")
    card.text(right - 6, card.top, "2nd", 8, bold=True, anchor="centre")
    card.top -= 1.5
    card.line(MARGIN_MM, card.top, right, card.top, 1.2)


def _row(card: Card, number: int, row: Any, bin_name: str, take: str, step: float) -> None:
    right = card.width_mm - MARGIN_MM
    base = card.top - step / 2 - 1.3
    card.text(MARGIN_MM, base, f"{number}", 8)
    card.text(MARGIN_MM + 8, base, take, fitting_size(take, 26, 12.0, 7.0), bold=True)
    urgent = row.emergency == "yes"
    name = marked(str(row.description), urgent)
    width = right - 48 - MARGIN_MM - 36
    size = fitting_size(name, width, 10.0, _SMALL)
    lines = cut_lines(name, size, width * mm, 1 if urgent else 2, urgent)
    lift = 1.5 if urgent or len(lines) > 1 else 0.0
    for line in lines:
        card.text(MARGIN_MM + 36, base + lift, line, size, bold=urgent)
        lift -= 3
    if urgent:
        fits = str(row.because)
        card.text(MARGIN_MM + 36, base - 2.1, fits, fitting_size(fits, width, 8.0, 5.0))
    card.text(right - 46, base, bin_name, 9)
    for x in (right - 22.5, right - 8.5):
        card.box(x, card.top - (step + _BOX_MM) / 2, _BOX_MM, _BOX_MM, 1.0)
    card.top -= step
    card.line(MARGIN_MM, card.top, right, card.top, 0.3)
