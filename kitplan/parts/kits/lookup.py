"""Which kit for which airway, told by tube size and route: shared by the workbook and the prints."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd


@dataclass(frozen=True)
class Lookup:
    """sizes: tube sizes, mm, smallest first. routes: columns. cells: (size, route) -> what to read there.

    A cell is one design ("B"), or one for each exception ("B", "A with barrier") where skin or technique decide;
    the first is what most airways of that size and route get.
    """

    sizes: tuple[float, ...]
    routes: tuple[str, ...]
    cells: dict[tuple[float, str], tuple[str, ...]]


def kit_lookup(strata: pd.DataFrame, titles: dict[str, str]) -> Lookup:
    """Build the lookup from KitPlan.strata. titles: technique -> its title."""
    cells = {}
    for (size, route), own in strata.groupby(["tube_mm", "route"], sort=True):
        cells[float(size), str(route)] = _cell(own, titles)
    sizes = tuple(sorted({size for size, _ in cells}))
    routes = tuple(sorted({route for _, route in cells}, key=lambda r: (r != "oral", r)))
    return Lookup(sizes, routes, cells)


def _cell(own: pd.DataFrame, titles: dict[str, str]) -> tuple[str, ...]:
    by_design = own.groupby("design", sort=True)["mean_airways"].sum()
    main = str(by_design.idxmax())
    if len(by_design) == 1:
        return (main,)
    lines = [main]
    for design in by_design.index:
        for row in own[own["design"] == design].itertuples():
            if design != main:
                lines.append(f"{design}: {_difference(own, row, titles)}")
    return tuple(lines)


def _difference(own: pd.DataFrame, row, titles: dict[str, str]) -> str:
    """What tells this airway from the others of its size and route."""
    parts = []
    if own["technique"].nunique() > 1:
        parts.append(titles.get(row.technique, row.technique))
    if own["skin"].nunique() > 1:
        parts.append("with barrier" if row.skin == "barrier" else "without barrier")
    return ", ".join(parts)


def served_lines(strata: pd.DataFrame, design: str, titles: dict[str, str]) -> list[str]:
    """Whom a design serves, a line a route: "oral 3.0, 3.5 (with barrier) mm"; more than the size where it decides."""
    lines = []
    for route, own in strata[strata["design"] == design].groupby("route", sort=False):
        sizes = []
        for size, mine in own.groupby("tube_mm", sort=True):
            peers = strata[(strata["route"] == route) & (strata["tube_mm"] == size)]
            alone = peers["design"].nunique() == 1
            which = "" if alone else f" ({' or '.join(_difference(peers, r, titles) for r in mine.itertuples())})"
            sizes.append(f"{size:.1f}{which}")
        lines.append(f"{route} {', '.join(sizes)} mm")
    return lines


def take_text(quantity: int, use_unit: str, contains: float) -> str:
    """A quantity as a person counts it: "4 wipes", "1 roll", "2 x 5 mL", "2 x 2 pieces" (pouches of two)."""
    if contains == 1:
        return f"{quantity} {use_unit}{'' if quantity == 1 else 's'}"
    if use_unit == "mm":
        return f"{quantity} roll{'' if quantity == 1 else 's'}"
    if use_unit in ("mL", "L", "g"):
        return f"{quantity} x {contains:g} {use_unit}"
    if use_unit == "piece":
        return f"{quantity} x {contains:g} pieces"
    return f"{quantity} single"
