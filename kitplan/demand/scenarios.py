"""Demand scenarios: units of each item that leave the stock room in one interval, all items from the same babies.

One scenario draws who is there, how prone each airway is to loosen (frailty), its attempts by the exact renewal
count, and what was opened for it before. Items therefore move together; they are never drawn one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.demand.item_choice import AttemptTables, attempt_tables, attempts_per_stay_pmf
from kitplan.demand.occupancy import (
    arrivals_per_day,
    interval_checks,
    mean_airways,
    sample_episodes,
    stay_checks_pmf,
)
from kitplan.demand.resecure import long_run_rates
from kitplan.demand.streams import fingerprints, name_key, uniforms
from kitplan.demand.values import Demand, Episodes, ItemChoice
from kitplan.read.values import Unit


def draw_demand(
    unit: Unit,
    item_choice: ItemChoice,
    days: float,
    n_scenarios: int,
    seed: int,
    stream: str,
    tables: AttemptTables | None = None,
) -> Demand:
    """Draw `n_scenarios` intervals of `days` days.

    Returns Demand with units int32, shape (n_scenarios, n_items), columns in catalogue order.
    """
    n_checks = interval_checks(unit, days)
    if tables is None or tables.n_short < n_checks:
        tables = attempt_tables(unit, n_checks)
    episodes = sample_episodes(unit, days, n_scenarios, seed, stream)
    before, during = _attempts(episodes, tables, seed, stream)
    cell = episodes.scenario.astype(np.int64) * unit.n_strata + episodes.stratum
    size = n_scenarios * unit.n_strata
    re_secures = np.bincount(cell, weights=during, minlength=size).reshape(n_scenarios, -1).astype(np.int32)
    fresh = np.bincount(cell[episodes.fresh], minlength=size).reshape(n_scenarios, -1)
    names = unit.items["item"].tolist()
    column = {name: i for i, name in enumerate(names)}
    takes = _takes(unit, item_choice, column)
    attempts = re_secures.astype(float)
    units = np.rint(attempts @ takes.per_attempt + fresh.astype(float) @ takes.per_arrival).astype(np.int64)
    for i in np.nonzero(takes.part_of_one.any(axis=0))[0]:
        phase = uniforms(seed, f"{stream}/part used", np.arange(n_scenarios), np.uint64(name_key(names[i])))
        units[:, i] += np.floor(attempts @ takes.part_of_one[:, i] + phase).astype(np.int64)
    for item, opens in takes.opened.items():
        units[:, column[item]] += _items_opened(opens, episodes, before, during)
    _split_shared(units, column, item_choice, re_secures, seed, stream)
    return Demand(tuple(names), units.astype(np.int32), re_secures, days, seed, stream)


@dataclass(frozen=True)
class _Takes:
    """What attempts and arrivals take, as matrices of shape (n_strata, n_items).

    per_attempt: whole items an attempt takes. per_arrival: items held once an airway. part_of_one: share of a shared
    item that an attempt uses up. opened: item -> stratum -> items opened after 0, 1, ... attempts of one patient.
    """

    per_attempt: np.ndarray
    per_arrival: np.ndarray
    part_of_one: np.ndarray
    opened: dict[str, dict[int, np.ndarray]]


def _takes(unit: Unit, item_choice: ItemChoice, column: dict[str, int]) -> _Takes:
    """Sort the rows of the item choice by how their items leave the shelf; roles shared between items come later."""
    per_attempt, per_arrival, part_of_one = np.zeros((3, unit.n_strata, len(column)))
    opened: dict[str, dict[int, np.ndarray]] = {}
    for row in item_choice.frame.itertuples(index=False):
        cell = row.stratum, column[row.item]
        if row.share < 1.0:
            continue
        if row.scope == "event":
            per_attempt[cell] += row.items_per_use
        elif row.scope == "unit":
            part_of_one[cell] += 1.0 / row.uses_per_item
        elif (row.stratum, row.item) in item_choice.opened:
            opened.setdefault(row.item, {})[row.stratum] = item_choice.opened[row.stratum, row.item]
        else:
            per_arrival[cell] += row.need
    return _Takes(per_attempt, per_arrival, part_of_one, opened)


def _attempts(
    episodes: Episodes, tables: AttemptTables, seed: int, stream: str
) -> tuple[np.ndarray, np.ndarray]:
    """Attempts of each airway before and during the interval (float arrays, one entry an episode)."""
    model = tables.which[episodes.stratum]
    before = np.zeros(len(model))
    during = np.zeros(len(model))
    airway = fingerprints(episodes.scenario, episodes.key)
    points, u_during, u_before = (
        uniforms(seed, f"{stream}/{use}", airway) for use in ("frailty", "attempts", "earlier")
    )
    for m, table in enumerate(tables.tables):
        mine = np.nonzero(model == m)[0]
        node = np.searchsorted(np.cumsum(table.weights)[:-1], points[mine], side="right")
        prior, fresh = episodes.prior_checks[mine].astype(np.int64), episodes.fresh[mine]
        old, new = mine[~fresh], mine[fresh]
        settled = np.minimum(prior[~fresh], table.present.shape[1] - 1)
        during[old] = _invert(table.present, (node[~fresh], settled, episodes.checks[old]), u_during[old])
        during[new] = _invert(table.fresh, (node[fresh], episodes.checks[new]), u_during[new])
        before[old] = _invert(table.fresh, (node[~fresh], prior[~fresh]), u_before[old])
    return before, during


def _invert(pmf: np.ndarray, index: tuple[np.ndarray, ...], u: np.ndarray) -> np.ndarray:
    """Draw counts by inverting the CDF rows pmf[index] at u, for all elements at once.

    Counts are small, so the elements still above the CDF are walked up count by count: each step reads one short
    column that stays in the cache, which a binary search over whole rows does not.
    """
    width = pmf.shape[-1]
    cdf = np.cumsum(pmf.reshape(-1, width), axis=1).T.copy()
    cdf[-1] = 1.0
    row = np.ravel_multi_index(tuple(i.astype(np.int64) for i in index), pmf.shape[:-1])
    counts = np.zeros(len(u), dtype=np.int64)
    rising = np.arange(len(u))
    for column in cdf:
        above = u > column[row]
        rising, row, u = rising[above], row[above], u[above]
        if not len(rising):
            break
        counts[rising] += 1
    return counts


def _items_opened(
    opens: dict[int, np.ndarray], episodes: Episodes, before: np.ndarray, during: np.ndarray
) -> np.ndarray:
    """Patient-scope items opened in the interval: opened by its end less opened before it, airway by airway."""
    mine = np.isin(episodes.stratum, list(opens))
    start = before[mine].astype(np.int64)
    stop = start + during[mine].astype(np.int64)
    strata = np.array(sorted(opens))
    length = int(stop.max(initial=0)) + 1
    table = np.stack([_lengthen(opens[g], length) for g in strata])
    place = np.searchsorted(strata, episodes.stratum[mine])
    opened = table[place, stop] - table[place, start]
    return np.bincount(episodes.scenario[mine], weights=opened, minlength=episodes.n_scenarios).astype(
        np.int64
    )


def _lengthen(table: np.ndarray, length: int) -> np.ndarray:
    """Carry a table of items opened on to `length` entries at its steady pace (rarely needed)."""
    if length <= len(table):
        return table[:length]
    more = np.ceil(steady_pace(table) * np.arange(1, length - len(table) + 1) - 1e-9).astype(np.int64)
    return np.concatenate([table, table[-1] + more])


def steady_pace(table: np.ndarray) -> float:
    """Items opened per re-secure in the long run, from the items opened after 0, 1, 2, ... re-secures.

    Counted between the first and the last opening, where whole items are used up: an end that cuts through an item
    would count it short or long. With one opening only, one item over all the re-secures that it serves.
    """
    where = np.flatnonzero(np.diff(table))
    if len(where) >= 2:
        return float(table[where[-1]] - table[where[0]]) / float(where[-1] - where[0])
    return float(table[-1]) / max(len(table) - 1, 1)


def _split_shared(
    units: np.ndarray,
    column: dict[str, int],
    item_choice: ItemChoice,
    re_secures: np.ndarray,
    seed: int,
    stream: str,
) -> None:
    """Add the items that share a role (glove sizes): each use goes to one of them by its share.

    The n-th use of a scenario always goes to the same item, so that more uses never take fewer of any item.
    """
    shared = item_choice.frame[item_choice.frame["share"] < 1.0]
    for role, rows in shared.groupby("role", sort=False):
        first = rows.drop_duplicates("item")
        uses = np.zeros(len(units), dtype=np.int64)
        for row in rows.drop_duplicates("stratum").itertuples(index=False):
            uses += re_secures[:, row.stratum] * int(np.ceil(row.need - 1e-9))
        edges = np.cumsum(first["share"].to_numpy(float))[:-1]
        rng = np.random.Generator(np.random.PCG64(name_key(seed, stream, "share", role)))
        below = np.zeros((len(edges), len(uses)), dtype=np.int64)
        for number in range(int(uses.max(initial=0))):
            u = rng.random(len(uses), dtype=np.float32)
            u[uses <= number] = 2.0
            below += u < edges[:, None]
        split = np.diff(np.vstack([np.zeros_like(uses), below, uses]), axis=0)
        for name, taken in zip(first["item"], split):
            units[:, column[str(name)]] += taken


def expected_use(
    unit: Unit, item_choice: ItemChoice, days: float, tables: AttemptTables | None = None
) -> np.ndarray:
    """Expected units of each item in `days` days, by rates instead of scenarios; float ndarray (n_items,).

    Airway-days x use per airway-day + arrivals x what an arrival adds (see `use_rates`).
    """
    rates = use_rates(unit, item_choice, tables)
    names = unit.items["item"].tolist()
    airway_days, arrivals = mean_airways(unit) * days, arrivals_per_day(unit) * days
    use = (
        rates["per_airway_day"] * airway_days[rates["stratum"]]
        + rates["per_arrival"] * arrivals[rates["stratum"]]
    )
    return use.groupby(rates["item"]).sum().reindex(names, fill_value=0.0).to_numpy(float)


def use_rates(unit: Unit, item_choice: ItemChoice, tables: AttemptTables | None = None) -> pd.DataFrame:
    """What an airway-day and an arrival take of each item, by stratum: stratum, item, per_airway_day, per_arrival.

    per_airway_day is the long-run pace; per_arrival is what a whole stay takes, exactly, beyond that pace
    (admission secures, a fresh securement's grace, the last roll thrown away part-used).
    """
    tables = tables or attempt_tables(unit)
    pace = long_run_rates(unit)["attempts_per_day"].to_numpy(float)
    rows = []
    for stratum, group in item_choice.frame.groupby("stratum"):
        uses = attempts_per_stay_pmf(unit, tables, int(stratum))
        stay = stay_checks_pmf(unit, int(stratum), tables.n_long)
        stay_days = float(stay @ np.arange(len(stay))) / unit.checks_per_day
        for row in group.itertuples(index=False):
            per_day, per_stay = _item_rates(row, item_choice, pace[stratum], uses)
            rows.append(
                (stratum, row.item, row.share * per_day, row.share * (per_stay - per_day * stay_days))
            )
    return pd.DataFrame(rows, columns=["stratum", "item", "per_airway_day", "per_arrival"])


def _item_rates(row, item_choice: ItemChoice, pace: float, uses: np.ndarray) -> tuple[float, float]:
    """(units per airway-day in the long run, units per whole stay) of one row of the item choice."""
    mean_uses = float(uses @ np.arange(len(uses)))
    if row.scope == "event":
        per_use = float(row.items_per_use) if row.share == 1.0 else float(np.ceil(row.need - 1e-9))
        return pace * per_use, mean_uses * per_use
    if row.scope == "unit":
        return pace / float(row.uses_per_item), mean_uses / float(row.uses_per_item)
    table = item_choice.opened.get((row.stratum, row.item))
    if table is None:
        return 0.0, float(row.need)
    return pace * steady_pace(table), float(uses @ table)
