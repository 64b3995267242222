"""What every plan is held against before anything is written: what fails here is a defect of kitplan.

No figure may be missing or endless, and the figures that were worked out in different ways must agree item by item:
expected use by rates, the mean of the scenarios, what goes through the kits, and the par levels.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pandas as pd

from kitplan.demand.occupancy import stay_checks_pmf
from kitplan.demand.use import use_rates
from kitplan.demand.values import Demand
from kitplan.parts.par.model import packing_of
from kitplan.parts.work import Work
from kitplan.read.catalogue import unequipped
from kitplan.read.problems import some_of
from kitplan.read.values import Unit
from kitplan.solve.verify import shortage_chances

APART = 0.25
"""Share by which a mean over scenarios may lie from expected use by rates; a history shorter than a stay needs it."""

ERRORS = 6.0
"""Standard errors of the mean of the scenarios allowed on top, and one item."""

KITS_APART = 0.02
"""Share by which what kits use a stay may lie from what the demand counts: both are tabulated, to different lengths."""

ROUNDING = 1e-6
"""Relative tolerance between two sums of the same things."""

MOST_SHOWN = 5


class Contradiction(RuntimeError):
    """A plan that contradicts itself; the text says where. Nothing of it may be written."""


def hold(work: Work, airways: pd.DataFrame, expected: pd.DataFrame) -> None:
    """Raise Contradiction where figures of a finished plan are missing or do not agree.

    work: with the results of every part that ran. airways, expected: as in a Plan.
    """
    found = [*_unfinished(work, airways, expected), *_kits(work)]
    if "par" in work.parts and not found:
        demand = work.demand("plan")
        # With kits in use the scenarios hold the highest draw of an interval, which is more than its use.
        means = [] if work.unit.bedside.kits_from_shelf else _means(expected, demand)
        found += [*means, *_levels(work, demand), *_emergency(work)]
    if found:
        raise Contradiction(f"the plan contradicts itself: {some_of(found, MOST_SHOWN)}")


def _unfinished(work: Work, airways: pd.DataFrame, expected: pd.DataFrame) -> Iterator[str]:
    """Figures that are no numbers, endless or below zero."""
    choice = work.item_choice.frame
    yield from _bad("item choice", choice, ["need", "share", "cost_per_stay"])
    yield from _bad("item choice", choice[choice["scope"] == "event"], ["items_per_use"])
    yield from _bad("item choice", choice[choice["scope"] == "unit"], ["uses_per_item"])
    yield from _bad("airways", airways, ["re_secures_per_day", "mean_airways", "arrivals_per_day"])
    yield from _bad("expected use", expected, ["expected_units"])
    if "par" in work.parts:
        counted = ["par_packs", "par_units", "expected_units", "shortage_chance", "value", "mean_value", "litres",
                   "floor_packs"]
        yield from _bad("par levels", work.par.levels, counted)
    if "kits" in work.parts:
        yield from _bad("kit contents", work.kits.contents, ["quantity", "value", "litres"])
        yield from _bad("kit accounts", work.kits.accounts, ["used_per_month", "left_per_month", "at_bedsides"])
        yield from _bad("kit builds", work.kits.builds, ["build", "mean_arrivals", "at_bedsides"])


def _bad(table: str, frame: pd.DataFrame, columns: list[str]) -> Iterator[str]:
    for column in columns:
        values = frame[column].to_numpy(float)
        wrong = ~np.isfinite(values) | (values < -ROUNDING)
        if wrong.any():
            first = frame.iloc[int(np.argmax(wrong))]
            yield f"{table}, {column}: {first[column]} for {first.iloc[0]}"


def _means(table: pd.DataFrame, demand: Demand) -> Iterator[str]:
    """Items whose mean over the scenarios is not their expected use."""
    expected = table["expected_units"].to_numpy(float)
    mean = demand.units.mean(axis=0)
    error = demand.units.std(axis=0) / np.sqrt(demand.n_scenarios)
    for i in np.flatnonzero(np.abs(mean - expected) > APART * np.maximum(expected, mean) + ERRORS * error + 1.0):
        yield f"{demand.items[i]}: {mean[i]:.4g} a scenario, {expected[i]:.4g} by rates"


def _levels(work: Work, demand: Demand) -> Iterator[str]:
    """Sums of the levels, floors, and each item's own chance to last, which a plan that is met owes every item."""
    levels, items, par = work.par.levels, work.unit.items, work.par
    held = levels.set_index("item").reindex(list(demand.items))
    if held["par_units"].isna().any():
        yield f"{held.index[held['par_units'].isna()][0]}: no par level"
        return
    packing, level = packing_of(items), held["par_units"].to_numpy()
    packs = held["par_packs"].to_numpy() != packing.packs(level)
    value = (packing.largest(level) / packing.pack) @ items["price"].fillna(0.0).to_numpy(float)
    for name, total, parts in (("value", par.value, value), ("litres", par.litres, levels["litres"].sum())):
        if abs(total - parts) > ROUNDING * max(abs(total), 1.0):
            yield f"{name} of the par levels: {total:.6g}, its items {parts:.6g}"
    under = held["par_packs"] < held["floor_packs"]
    owed = np.ones(len(items), dtype=bool) if par.answer == "met" else items["critical"].to_numpy(bool)
    lasts = 1 - shortage_chances(packing.needed(demand.units, demand.seed, demand.stream), level)
    target = work.unit.stock.readiness
    short = owed & (lasts < target - ERRORS * np.sqrt(target * (1 - target) / demand.n_scenarios) - 1e-9)
    faults = ((packs, "packs that do not reach its level"), (under, "under its floor"),
              (short, "less ready than the plan"))
    for wrong, why in faults:
        for item in held.index[np.asarray(wrong)]:
            yield f"{item}: {why}"


def _kits(work: Work) -> Iterator[str]:
    """Items that kits use otherwise than the demand does, and kits without what their airways' emergencies need.

    Where nobody comes or goes a kit a month stands in for every airway, and there is nothing to compare it with.
    """
    if "kits" not in work.parts or work.designs is None:
        return
    kits, needs = work.kits, work.designs.needs
    rates = use_rates(work.unit, work.item_choice, work.tables)
    g = rates["stratum"].to_numpy(int)
    stays = [stay_checks_pmf(work.unit, k) for k in range(work.unit.n_strata)]
    days = np.array([stay @ np.arange(len(stay)) for stay in stays]) / work.unit.checks_per_day
    a_stay = rates["per_arrival"] + rates["per_airway_day"] * days[g]
    demanded = (a_stay * needs.kits_per_month[g]).groupby(rates["item"]).sum()
    used = kits.accounts.set_index("item")["used_per_month"]
    apart = (used - demanded.reindex(used.index, fill_value=0.0)).abs()
    for item in used.index[apart > KITS_APART * used + 0.01] if needs.turnover else ():
        yield f"{item}: kits use {used[item]:.6g} a month, the stock room counts {demanded.get(item, 0.0):.6g}"
    for design, own in kits.strata.groupby("design"):
        held = kits.contents.loc[kits.contents["design"] == design, "item"]
        yield from (f"kit {design}: {bare}" for bare in _unequipped(work.unit, held, own.index))


def _emergency(work: Work) -> Iterator[str]:
    """Kinds of airway for which the stock room holds no emergency equipment of their size."""
    levels = work.par.levels
    for bare in _unequipped(work.unit, levels.loc[levels["par_packs"] > 0, "item"], work.unit.strata.index):
        yield f"{bare} at par"


def _unequipped(unit: Unit, held: Iterable[str], strata: Iterable[int]) -> Iterator[str]:
    names, airways = set(held), [unit.airways[g] for g in strata]
    roles_of = {airway["route"]: unit.route(airway["route"]).emergency for airway in airways}
    items = [item for item in unit.catalogue if item["item"] in names]
    for role, labels in unequipped(items, airways, roles_of).items():
        yield f"no {role} for {some_of(labels)}"
