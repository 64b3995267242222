"""A unit with the items that its shelf holds today, in place of those a plan would buy."""

from __future__ import annotations

from dataclasses import replace

from kitplan.demand.values import ItemChoice
from kitplan.read.values import Unit


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
