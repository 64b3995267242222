"""An item cannot be had for some weeks: what fills its role, how much of it, and how long the shelf lasts.

A linear program with recourse. First stage: packs x_j of each substitute j, bought now for the weeks ahead. Second
stage, once scenario s shows its airways: y[s, d, j], uses of demand line d (one role of the kinds of airway that the
same items serve alike) served by item j, and short[s, d], uses that nothing serves.

    minimise    sum_j price_j x_j + 1/S sum_s (sum_d penalty_d short[s, d] + sum_j penalty_j gap[s, j])
    subject to  sum_j y[s, d, j] + short[s, d] = D[s, d]
                regular[s, j] - gap[s, j] + sum_d a[d, j] y[s, d, j] <= held_j + pack_j x_j

where gap[s, j] is regular use of a substitute that runs short, at least as dear as the uses it would serve instead
(two-stage stochastic linear program: Birge & Louveaux, Introduction to Stochastic Programming, from memory). The
penalty of a use is set so that, for one item alone, the program buys the newsvendor's quantile at the unit's own
readiness: price / (1 - readiness). What is left of the missing item is used as well, first where nothing else can
be (there a short use costs STRANDED times as much).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.fit import catalogue_records, fitting
from kitplan.demand.item_choice import (
    AttemptTables,
    airway_roles,
    attempt_tables,
    fill_roles,
    items_opened,
    role_needs,
)
from kitplan.demand.scenarios import arrivals_by_stratum, draw_demand
from kitplan.demand.values import Demand, ItemChoice
from kitplan.demand.whole import whole_up
from kitplan.parts.kits.model import design_kits
from kitplan.parts.kits.tables import sizes_of
from kitplan.parts.orders.ledger import Standing
from kitplan.parts.orders.ordering import days_left, days_of_cover
from kitplan.parts.orders.round_plan import RoundPlan
from kitplan.read.problems import UnsafePlan
from kitplan.read.values import SPARE_TUBE_ROLE, STRATUM_COLUMNS, Technique, Unit
from kitplan.solve.program import Program
from kitplan.solve.values import SolverReport

RECOURSE_SCENARIOS = 120
"""Scenarios of the recourse program: its size grows with them, and the first stage has few decisions."""
STRANDED = 10.0


@dataclass(frozen=True)
class BackOrder:
    """What to do while items cannot be had.

    instead: unavailable, role, STRATUM_COLUMNS, instead ("": nothing serves it), share of its uses.
    buy: item, packs, value, extra_packs (beyond its regular use), because. shelf: item, units, lasts_days,
    lasts_days_busy. recipes: unavailable, role, route, technique, instead_technique, need, instead_need.
    days: how long. solver: report of the program. unfilled: sentences on demand that no item can serve.
    """

    instead: pd.DataFrame
    buy: pd.DataFrame
    shelf: pd.DataFrame
    recipes: pd.DataFrame
    days: float
    solver: SolverReport | None
    unfilled: tuple[str, ...] = ()
    unfilled_critical: bool = False

    def tables(self) -> dict[str, pd.DataFrame]:
        if not len(self.shelf):
            return {}
        return {"back_order_instead": self.instead, "back_order_buy": self.buy, "back_order_shelf": self.shelf,
                "back_order_recipes": self.recipes}

    def sentences(self) -> list[str]:
        """What a person does first."""
        lasts = [f"{r.item}: {r.units:.0f} left, about {r.lasts_days:.0f} days at the usual pace"
                 + (f", then none for {self.days - round(r.lasts_days):.0f}" if round(r.lasts_days) < self.days else "")
                 for r in self.shelf.itertuples() if r.lasts_days == r.lasts_days]
        lasts += [f"{r.item}: never counted, so what is left is not known: count it"
                  for r in self.shelf.itertuples() if r.units != r.units]
        buys = [f"{r.packs} x {r.item}" for r in self.buy.itertuples()]
        other = self.recipes["instead_technique"].unique() if len(self.recipes) else []
        told = [f"Cannot be had for {self.days:g} days. {'; '.join(lasts)}."] if lasts else []
        told += [f"Buy instead: {'; '.join(buys)}."] if buys else []
        told += [f"Another recipe uses less of it: {', '.join(other)}."] if len(other) else []
        return [*self.unfilled, *told]


@dataclass(frozen=True)
class _Line:
    """One demand line whose item is gone. strata: kinds of airway; once: held once an airway; takes: what may serve it,
    items that one use takes, by item; sized: nothing may take its place.
    """

    item: str
    role: str
    strata: tuple[int, ...]
    once: bool
    share: float
    takes: dict[str, float]
    sized: bool

    def stranded(self, gone: Collection[str]) -> bool:
        """True when no other item can serve."""
        return all(item in gone for item in self.takes)

    def penalty(self, unit: Unit, price: Mapping[str, float]) -> float:
        """What a use that nothing serves costs. price: of one item."""
        dearest = max(a * price[item] for item, a in self.takes.items())
        times = STRANDED if self.stranded(unit.stock.unavailable) else 1.0
        return max(dearest, 1e-6) / (1 - unit.stock.readiness) * times


def missing_items(unit: Unit, seed: int, choice: ItemChoice, now: Standing, plan: RoundPlan) -> BackOrder:
    """What to do about the items that cannot be had: demand as if they could, and a program that replaces them.

    choice: the plan's own, as its kits pool it; made anew where the plan was made without the items.
    """
    weeks, gone = unit.stock.unavailable_weeks, set(unit.stock.unavailable)
    days = 7 * weeks if weeks else unit.stock.protection_interval_days
    tables = attempt_tables(unit)
    if not gone <= set(choice.frame["item"]):
        choice = _as_if_all_could_be_had(unit, tables)
    demand = draw_demand(unit, choice, days, RECOURSE_SCENARIOS, seed, "back order", tables)
    held = {item: float(sum(lot.units for lot in now.lots(item) if days_left(lot, now.last_count or date.min) >= 0))
            for item in now.shelf}
    found = plan_back_order(unit, choice, tables, demand, held)
    return replace(found, shelf=_shelf(unit, demand, now, plan))


def _as_if_all_could_be_had(unit: Unit, tables: AttemptTables) -> ItemChoice:
    """The choice of items with everything on offer, pooled by the kit designs as a plan's is."""
    whole = replace(unit, stock=replace(unit.stock, unavailable=()))
    base = fill_roles(whole, tables)
    try:
        return design_kits(whole, tables, base).item_choice
    except UnsafePlan:
        return base


def plan_back_order(unit: Unit, item_choice: ItemChoice, tables: AttemptTables, demand: Demand,
                    held_units: Mapping[str, float]) -> BackOrder:
    """Choose substitutes for the items in unit.stock.unavailable.

    item_choice: as if everything could be had; demand: its scenarios over the weeks in question; held_units: single
    items on the shelf, by item.
    """
    lines = _demand_lines(unit, item_choice, tables)
    uses = _uses(unit, lines, demand)
    packs, split, report = _solve(unit, lines, uses, demand, held_units)
    critical = unit.items.set_index("item")["critical"]
    stranded = [line for line in lines if line.stranded(unit.stock.unavailable)]
    return BackOrder(
        _instead(unit, lines, uses, split), _buy(unit, packs, demand, held_units), pd.DataFrame(columns=SHELF_COLUMNS),
        _recipes(unit, lines), demand.days, report, tuple(_unfilled(unit, line) for line in stranded),
        any(bool(critical[line.item]) for line in stranded),
    )


def _unfilled(unit: Unit, line: _Line) -> str:
    airways = sizes_of(unit, line.strata)
    if line.sized:
        return (f"{line.item} is sized to the patient or critical: nothing is proposed in its place for {airways}. "
                f"Borrow it meanwhile. Whoever is in charge of {unit.words.many} in the unit decides.")
    return f"Nothing in the catalogue may take the place of {line.item} ({line.role}) for {airways}."


def _demand_lines(unit: Unit, item_choice: ItemChoice, tables: AttemptTables) -> list[_Line]:
    """Lines of the items that cannot be had; kinds of airway that the same items serve alike stand together.

    Sized is a mask, a bag, a tube, whatever an airway is given once, and anything critical.
    """
    once_held, records, gone = set(airway_roles(unit)), catalogue_records(unit), unit.stock.unavailable
    emergency = {named for route in unit.routes.values() for named in (*route.emergency, SPARE_TUBE_ROLE)}
    strata: dict[tuple[Any, ...], list[int]] = {}
    for row in item_choice.frame[item_choice.frame["item"].isin(gone)].itertuples():
        once, own = row.role in once_held, unit.items[unit.items["item"] == row.item]
        sized = once or bool(own["critical"].any()) or row.role in emergency
        airway = unit.strata.loc[row.stratum]
        width_mm = unit.techniques[str(airway["technique"])].tape_width_mm
        found = unit.items.loc[[i for i, _ in fitting(unit, records.get(row.role, ()), airway, width_mm)]]
        found = found[~found["item"].isin(gone) & (found["sterile"] | (not own["sterile"].any())) & (not sized)]
        takes = [(str(item["item"]), 1.0 if once else _items_a_use(
            unit, tables, row.stratum, item, role_needs(unit, row.stratum)[row.role]))
                 for _, item in pd.concat([found, own]).iterrows()]
        served = tuple((i, a) for i, a in takes if a is not None)
        strata.setdefault((row.item, row.role, once, float(row.share), served, sized), []).append(int(row.stratum))
    return [_Line(item, role, tuple(which), once, share, dict(served), sized)
            for (item, role, once, share, served, sized), which in strata.items()]


def _items_a_use(unit: Unit, tables: AttemptTables, stratum: int, item: pd.Series, need: float) -> float | None:
    """Items that one re-secure takes in the mean; for a single patient's items over a whole stay."""
    if item["scope"] == "event":
        return float(whole_up(need / float(item["contains"])))
    if item["scope"] == "unit":
        return need / float(item["contains"])
    uses = tables.in_stay(unit, stratum)
    opened = items_opened(unit, stratum, item, need, len(uses) - 1)
    mean = float(uses @ np.arange(len(uses)))
    return None if opened is None or mean <= 0 else float(uses @ opened) / mean


def _uses(unit: Unit, lines: list[_Line], demand: Demand) -> np.ndarray:
    """Uses of each demand line, float ndarray (n_scenarios, n_lines): attempts, or arrivals for once an airway."""
    found = demand.re_secures.astype(float)
    if any(line.once for line in lines):
        fresh = arrivals_by_stratum(unit, demand.days, demand.n_scenarios, demand.seed, demand.stream)
    columns = [(fresh if line.once else found)[:, list(line.strata)].sum(axis=1) * line.share for line in lines]
    return np.stack(columns, axis=1) if columns else np.zeros((demand.n_scenarios, 0))


def _solve(unit: Unit, lines: list[_Line], uses: np.ndarray, demand: Demand, held: Mapping[str, float]
           ) -> tuple[dict[str, int], list[dict[str, float]], SolverReport | None]:
    """Whole packs to buy by item, mean share of each line by item, and the report."""
    if not lines:
        return {}, [], None
    offered = [str(i) for i in unit.items["item"] if any(i in line.takes for line in lines)]
    catalogue, program, count = unit.items.set_index("item"), Program("back_order"), len(uses)
    price, pack = (catalogue[column].astype(float).to_dict() for column in ("price", "pack"))
    single = {i: price[i] / pack[i] for i in offered}
    most = [0.0 if i in unit.stock.unavailable else None for i in offered]
    x = dict(zip(offered, program.variables("packs", len(offered), high=most, integer=True)))
    program.objective(list(x.values()), [price[i] for i in offered])
    served: list[dict[str, list[int]]] = []
    for d, line in enumerate(lines):
        y = {i: program.variables(f"served{d}_{k}_", count) for k, i in enumerate(line.takes)}
        short = program.variables(f"short{d}_", count)
        program.objective(short, np.full(count, line.penalty(unit, single) / count))
        for s in range(count):
            handles = [*(y[i][s] for i in y), short[s]]
            program.row(f"demand{d}_{s}", handles, np.ones(len(handles)), low=uses[s, d], high=uses[s, d])
        served.append(y)
    for k, i in enumerate(offered):
        takers = [(line, y[i]) for line, y in zip(lines, served) if i in y]
        regular = _regular(unit, demand, i)
        gap = program.variables(f"gap{k}_", count, high=regular)
        dearest = max(line.penalty(unit, single) / line.takes[i] for line, _ in takers)
        program.objective(gap, np.full(count, dearest / count))
        for s in range(count):
            handles = [*(y_i[s] for _, y_i in takers), x[i], gap[s]]
            weights = [*(line.takes[i] for line, _ in takers), -pack[i], -1.0]
            program.row(f"stock{k}_{s}", handles, weights, high=held.get(i, 0.0) - regular[s])
    solution = program.solve(gap=unit.planning.mip_gap, time_limit=unit.planning.time_limit_seconds)
    packs = {i: round(float(solution.values([x[i]])[0])) for i in offered if i not in unit.stock.unavailable}
    shares = [{i: float(solution.values(y[i]).sum() / max(uses[:, d].sum(), 1e-9)) for i in offered if i in y}
              for d, y in enumerate(served)]
    return packs, shares, solution.report


def _regular(unit: Unit, demand: Demand, item: str) -> np.ndarray:
    """What an item is used for anyway, float ndarray (n_scenarios,); a missing item has no other use here."""
    column = demand.units[:, list(demand.items).index(item)].astype(float)
    return 0.0 * column if item in unit.stock.unavailable else column


def _instead(unit: Unit, lines: list[_Line], uses: np.ndarray, split: list[dict[str, float]]) -> pd.DataFrame:
    """Who is served by what; a last row with an empty `instead` is the share that nothing serves."""
    rows = []
    for line, mean, shares in zip(lines, uses.mean(axis=0), split):
        told = sorted(((i, share) for i, share in shares.items() if share > 5e-4), key=lambda of: -of[1])
        missing = 1.0 - sum(shares.values())
        told += [("", missing)] if mean > 0 and missing > 5e-4 else []
        rows += [(line.item, line.role, *unit.strata.loc[g, STRATUM_COLUMNS].tolist(), *of)
                 for g in line.strata for of in told]
    columns = ["unavailable", "role", *STRATUM_COLUMNS, "instead", "share"]
    return pd.DataFrame(rows, columns=columns)


def _buy(unit: Unit, packs: Mapping[str, int], demand: Demand, held: Mapping[str, float]) -> pd.DataFrame:
    catalogue, rows = unit.items.set_index("item"), []
    rank = int(np.ceil(unit.stock.readiness * demand.n_scenarios)) - 1
    for item, count in packs.items():
        there, usual = held.get(item, 0.0), float(np.sort(_regular(unit, demand, item))[rank])
        usual_packs = int(whole_up(max(usual - there, 0.0) / catalogue.at[item, "pack"]))
        if count > 0:
            rows.append((item, count, count * float(catalogue.at[item, "price"]), max(count - usual_packs, 0),
                         f"for {demand.days:g} days; {there:.0f} on the shelf, {usual:.0f} for its usual work"))
    return pd.DataFrame(rows, columns=["item", "packs", "value", "extra_packs", "because"])


SHELF_COLUMNS = ["item", "units", "lasts_days", "lasts_days_busy"]


def _shelf(unit: Unit, demand: Demand, now: Standing, plan: RoundPlan) -> pd.DataFrame:
    """How long what is left of the missing items lasts: at the plan's own pace, in busiest spells, within its date."""
    names, day, rows = list(demand.items), now.last_count, []
    for item in unit.stock.unavailable:
        lots = now.lots(item)
        use = demand.units[:, names.index(item)] / demand.days
        usual = plan.level[item].use_per_day if item in plan.level else float(use.mean())
        busy = float(np.quantile(use, unit.stock.readiness, method="higher"))
        lasts = [days_of_cover(lots, day, pace) if day and pace > 0 else np.nan for pace in (usual, busy)]
        known = bool(lots) or item in now.counted
        rows.append((item, float(sum(lot.units for lot in lots)), *lasts) if known else (item, *[np.nan] * 3))
    return pd.DataFrame(rows, columns=SHELF_COLUMNS)


def _recipes(unit: Unit, lines: list[_Line]) -> pd.DataFrame:
    """Other recipes of the same route that use less of the role, or none."""
    rows = []
    for line, g in ((k, g) for k in lines if not k.once for g in k.strata):
        stratum = unit.strata.loc[g]
        need = _need(unit.techniques[str(stratum["technique"])], line.role, str(stratum["skin"]))
        for name, other in unit.techniques.items():
            less = _need(other, line.role, str(stratum["skin"]))
            if stratum["route"] in other.routes and less < need:
                rows.append((line.item, line.role, stratum["route"], stratum["technique"], name, need, less))
    columns = ["unavailable", "role", "route", "technique", "instead_technique", "need", "instead_need"]
    return pd.DataFrame(rows, columns=columns).drop_duplicates(ignore_index=True)


def _need(recipe: Technique, role: str, skin: str) -> float:
    """Use units of one re-secure; of tape, pieces."""
    return float(sum(p.count for p in recipe.pieces)) if role == "tape" else recipe.needs(skin).get(role, 0.0)
