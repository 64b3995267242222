"""Which kit for which airway, told by tube size and route: shared by the workbook and the prints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from kitplan.parts.kits.tables import size_list
from kitplan.read.values import Unit


@dataclass(frozen=True)
class Lookup:
    """sizes: what to read down, smallest first. routes: columns. cells: (size, route) -> what to read there.

    A cell is one design ("B"), or one for each exception ("B", "A with barrier") where skin or technique decide;
    the first is what most of that size and route get. heading: over the sizes ("Tube mm").
    """

    sizes: tuple[str, ...]
    routes: tuple[str, ...]
    cells: dict[tuple[str, str], tuple[str, ...]]
    heading: str


def kit_lookup(strata: pd.DataFrame, unit: Unit) -> Lookup:
    """Build the lookup from KitPlan.strata."""
    titles = {name: t.title for name, t in unit.techniques.items()}
    ordered = strata.sort_values(["scale", "size_number"], kind="stable")
    scales = set(ordered["scale"])
    scale = scales.pop() if len(scales) == 1 and scales <= {"mm", "Fr"} else ""
    shown = {size: size.replace(f" {scale}", "") if scale else size or "any size" for size in ordered["size"]}
    cells = {}
    for (size, route), own in strata.groupby(["size", "route"], sort=True):
        cells[shown[size], str(route).replace("_", " ")] = _cell(own, titles)
    routes = tuple(sorted({route for _, route in cells}, key=lambda r: (r != "oral", r)))
    heading = f"{unit.words.device.capitalize()} {scale}".strip()
    return Lookup(tuple(dict.fromkeys(shown.values())), routes, cells, heading)


def _cell(own: pd.DataFrame, titles: dict[str, str]) -> tuple[str, ...]:
    by_design = own.groupby("design", sort=True)["mean_airways"].sum()
    main = str(by_design.idxmax())
    others = own[own["design"] != main].sort_values("design", kind="stable")
    return (main, *(f"{row.design}: {_difference(own, row, titles)}" for row in others.itertuples()))


def _difference(own: pd.DataFrame, row: Any, titles: dict[str, str]) -> str:
    """What tells this airway from the others of its size and route."""
    parts = []
    if own["technique"].nunique() > 1:
        parts.append(titles.get(row.technique, row.technique))
    if own["skin"].nunique() > 1:
        parts.append("with barrier" if row.skin == "barrier" else "without barrier")
    return ", ".join(parts)


def served_lines(strata: pd.DataFrame, design: str, titles: dict[str, str]) -> list[str]:
    """Whom a design serves, a line a route: "oral 3.0, 3.5 mm (with barrier)"; more than the size where it decides."""
    lines = []
    for route, own in strata[strata["design"] == design].groupby("route", sort=False):
        sizes: dict[str, list[str]] = {}
        for size in dict.fromkeys(own.sort_values("size_number", kind="stable")["size"]):
            mine = own[own["size"] == size]
            peers = strata[(strata["route"] == route) & (strata["size"] == size)]
            alone = peers["design"].nunique() == 1
            which = "" if alone else f" ({' or '.join(_difference(peers, r, titles) for r in mine.itertuples())})"
            sizes.setdefault(which, []).append(str(size))
        said = ", ".join(size_list(own[own["size"].isin(s)]) + which for which, s in sizes.items())
        lines.append(f"{str(route).replace('_', ' ')} {said}")
    return [line.strip() for line in lines]
