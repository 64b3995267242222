"""Which catalogue items fit an airway: the one place where size, width and what is to be had are judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from kitplan.read.values import Unit

Records = Mapping[str, Sequence[tuple[int, Mapping]]]
"""Catalogue rows by role: (position, row)."""


def catalogue_records(unit: Unit) -> dict[str, list[tuple[int, dict]]]:
    """The catalogue as plain rows by role: many small look-ups are slow in a frame.

    In order of name, so that equals are told apart the same way however the catalogue is ordered.
    """
    by_role: dict[str, list[tuple[int, dict]]] = {}
    for position, row in sorted(enumerate(unit.items.to_dict("records")), key=lambda entry: entry[1]["item"]):
        by_role.setdefault(str(row["role"]), []).append((position, row))
    return by_role


def fitting(
    unit: Unit, found: Sequence[tuple[int, Mapping]], tube_mm: float, tape_width_mm: float | None = None
) -> list[tuple[int, Mapping]]:
    """Rows that fit the tube and are to be had (all that fit if none is); tape of the width wanted or the next."""
    fits = [(i, r) for i, r in found if not r["fits_from_mm"] > tube_mm + 1e-9 and not r["fits_to_mm"] < tube_mm - 1e-9]
    fits = [(i, r) for i, r in fits if r["item"] not in unit.stock.unavailable] or fits
    if tape_width_mm is None or not fits or fits[0][1]["role"] != "tape":
        return fits
    wide = [(i, r) for i, r in fits if r["width_mm"] >= tape_width_mm - 1e-9]
    return [(i, r) for i, r in wide if r["width_mm"] == min(w["width_mm"] for _, w in wide)] or fits


def nearest_size(
    unit: Unit, role: str, found: Sequence[tuple[int, Mapping]], tube_mm: float
) -> list[tuple[int, Mapping]]:
    """Rows in order of fit: what the unit prefers, then the size whose range has the tube nearest its middle."""

    def rank(entry: tuple[int, Mapping]) -> tuple[bool, float, float, str]:
        item = entry[1]
        middle = (item["fits_from_mm"] + item["fits_to_mm"]) / 2
        distance = np.inf if np.isnan(middle) else abs(middle - tube_mm)
        return item["item"] != unit.prefer.get(role), distance, item["price"] / item["pack"], item["item"]

    return sorted(found, key=rank)


def fitting_items(unit: Unit, role: str, tube_mm: float) -> pd.DataFrame:
    """Catalogue rows that fill `role` for a tube of this size and are to be had; all that fit if none is to be had."""
    of_role = unit.items[unit.items["role"] == role]
    found = list(zip(of_role.index, of_role.to_dict("records")))
    return unit.items.loc[[i for i, _ in fitting(unit, found, tube_mm)]]
