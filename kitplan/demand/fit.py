"""Which catalogue items serve an airway: the one place where width, what is to be had and what is held are judged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.values import ItemChoice
from kitplan.read.catalogue import item_fits, size_for
from kitplan.read.values import Unit

Records = Mapping[str, Sequence[tuple[int, Mapping[str, Any]]]]
"""Catalogue rows by role: (position, row)."""


@lru_cache(maxsize=16)
def catalogue_records(unit: Unit) -> dict[str, list[tuple[int, dict[str, Any]]]]:
    """The catalogue as plain rows by role: many small look-ups are slow in a frame. Made once, not to be changed.

    In order of name, so that equals are told apart the same way however the catalogue is ordered.
    """
    by_role: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    for position, row in sorted(enumerate(unit.catalogue), key=lambda entry: entry[1]["item"]):
        by_role.setdefault(str(row["role"]), []).append((position, row))
    return by_role


def fitting(
    unit: Unit, found: Sequence[tuple[int, Mapping[str, Any]]], airway: Mapping[str, Any],
    tape_width_mm: float | None = None
) -> list[tuple[int, Mapping[str, Any]]]:
    """Rows that fit the airway and are to be had (all that fit if none is); tape of the width wanted or the next."""
    fits = [(i, r) for i, r in found if item_fits(r, airway)]
    fits = [(i, r) for i, r in fits if r["item"] not in unit.stock.unavailable] or fits
    if tape_width_mm is None or not fits or fits[0][1]["role"] != "tape":
        return fits
    wide = [(i, r) for i, r in fits if r["width_mm"] >= tape_width_mm - 1e-9]
    return [(i, r) for i, r in wide if r["width_mm"] == min(w["width_mm"] for _, w in wide)] or fits


def nearest_size(
    unit: Unit, role: str, found: Sequence[tuple[int, Mapping[str, Any]]], airway: Mapping[str, Any]
) -> list[tuple[int, Mapping[str, Any]]]:
    """Rows in order of fit: what the unit prefers, then the item whose range has the size nearest its middle."""

    def rank(entry: tuple[int, Mapping[str, Any]]) -> tuple[bool, float, float, str]:
        item = entry[1]
        middle = (item["fits_from"] + item["fits_to"]) / 2
        distance = np.inf if np.isnan(middle) else abs(middle - size_for(item, airway))
        return item["item"] != unit.prefer.get(role), distance, item["price"] / item["pack"], item["item"]

    return sorted(found, key=rank)


def item_of(unit: Unit, item_choice: ItemChoice, stratum: int, role: str) -> Mapping[str, Any] | None:
    """The catalogue row that fills a role of one stratum (the first where several do), or None."""
    names = item_choice.serving.get((stratum, role), ())
    return next((row for row in unit.catalogue if row["item"] in names), None)


def fitting_items(unit: Unit, role: str, airway: Mapping[str, Any]) -> pd.DataFrame:
    """Catalogue rows that fill `role` for an airway of this size and are to be had; all that fit if none is."""
    found = sorted(catalogue_records(unit).get(role, ()), key=itemgetter(0))
    return unit.items.iloc[[i for i, _ in fitting(unit, found, airway)]]


def as_held(unit: Unit) -> Unit:
    """Return the unit restricted to what its shelf holds today: of items that can stand in for one another, only
    those with a present par; of sizes used side by side (gloves) those held share the use. Emergency equipment is left
    as it is, and so is a role of which nothing is held.

    A shelf with boxes of 25 is not unready because the plan would buy boxes of 50, nor one without a size of gloves
    that nobody here wears.
    """
    if unit.present_par is None:
        return unit
    par = unit.present_par
    held = set(par.loc[par["par_packs"] > 0, "item"])
    items = unit.items[~unit.items["critical"].astype(bool)]
    roles = set(items.loc[items["item"].isin(held), "role"])
    absent = items.loc[items["role"].isin(roles) & ~items["item"].isin(held), "item"]
    unavailable = tuple(dict.fromkeys([*unit.stock.unavailable, *absent]))
    return replace(unit, stock=replace(unit.stock, unavailable=unavailable))


def holds_other_items(unit: Unit, item_choice: ItemChoice) -> bool:
    """True if the shelf of today fills some role with other items than `item_choice` does."""
    absent = set(as_held(unit).stock.unavailable) - set(unit.stock.unavailable)
    return not absent.isdisjoint(item_choice.frame["item"])
