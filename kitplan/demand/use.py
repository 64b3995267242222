"""Use by rates: what an airway-day, an arrival and a re-secure take of every item, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.item_choice import AttemptTables, attempt_tables, fill_roles
from kitplan.demand.occupancy import arrivals_per_day, mean_airways, stay_checks_pmf
from kitplan.demand.posterior import Posterior, fit_posterior
from kitplan.demand.resecure import long_run_rates
from kitplan.demand.values import ItemChoice
from kitplan.demand.whole import whole_up
from kitplan.read.values import Unit


@dataclass(frozen=True)
class UseModel:
    """What an airway-day and an arrival take. rate, attempts: per airway-day, ndarray (n_strata,).

    per_day, per_arrival: ndarray (n_strata, n_items), items. arrivals: arrivals per airway-day, ndarray (n_strata,).
    price: of one item, ndarray (n_items,). grace: re-secures that a stay has beyond its days at `rate`, admission
    secures apart (mostly below 0: a fresh securement holds at first), ndarray (n_strata,); it is part of per_arrival.
    """

    items: tuple[str, ...]
    rate: np.ndarray
    attempts: np.ndarray
    per_day: np.ndarray
    per_arrival: np.ndarray
    arrivals: np.ndarray
    price: np.ndarray
    grace: np.ndarray

    def per_event(self) -> np.ndarray:
        """Items of one re-secure, redos included, ndarray (n_strata, n_items)."""
        rate = self.rate[:, None]
        return np.divide(self.per_day, rate, out=np.zeros_like(self.per_day), where=rate > 0)

    def counted(self) -> np.ndarray:
        """Re-secures of an airway-day, redos included, over whole stays, ndarray (n_strata,).

        A fresh securement holds at first: they are fewer than at the long-run rate. Admission secures are not counted.
        """
        return _counted(self.rate, self.attempts, self.arrivals, self.grace)

    def per_admission(self) -> np.ndarray:
        """What an arrival takes where its re-secures are counted and not worked out, ndarray (n_strata, n_items)."""
        return self.per_arrival - self.grace[:, None] * self.per_event()


def _counted(rate: np.ndarray, attempts: np.ndarray, arrivals: np.ndarray, grace: np.ndarray) -> np.ndarray:
    tries = np.divide(attempts, rate, out=np.ones_like(rate), where=rate > 0)
    return np.asarray(np.maximum(attempts + arrivals * grace * tries, 0.0))


def counted_per_day(unit: Unit, tables: AttemptTables) -> np.ndarray:
    """`UseModel.counted` without the rest of it, ndarray (n_strata,)."""
    rate, attempts = (long_run_rates(unit)[c].to_numpy(float) for c in ("re_secures_per_day", "attempts_per_day"))
    return _counted(rate, attempts, _turnover(unit), _grace(unit, tables, rate))


def _turnover(unit: Unit) -> np.ndarray:
    airways = mean_airways(unit)
    return np.divide(arrivals_per_day(unit), airways, out=np.zeros(unit.n_strata), where=airways > 0)


def use_model(unit: Unit, item_choice: ItemChoice | None = None, tables: AttemptTables | None = None) -> UseModel:
    """Use by stratum and item under the unit's frequency, recipes and catalogue.

    item_choice: items that serve the roles, default the cheapest. tables: exact counts of this very unit, if at hand.
    """
    tables = tables or attempt_tables(unit)
    item_choice = _fitted(unit, item_choice, tables) if item_choice is not None else fill_roles(unit, tables)
    pace = long_run_rates(unit)
    price = (unit.items["price"] / unit.items["pack"]).to_numpy(float)
    return UseModel(
        tuple(unit.items["item"]),
        pace["re_secures_per_day"].to_numpy(float),
        pace["attempts_per_day"].to_numpy(float),
        *_use_matrices(unit, item_choice, tables),
        _turnover(unit),
        price,
        _grace(unit, tables, pace["re_secures_per_day"].to_numpy(float)),
    )


def _fitted(unit: Unit, item_choice: ItemChoice, tables: AttemptTables) -> ItemChoice:
    """The same items with their tables of opened items as long as this unit's counts; carried on at their own pace."""
    opened = {}
    for (stratum, item), table in item_choice.opened.items():
        opened[stratum, item] = lengthen(table, len(tables.in_stay(unit, stratum)))
    return ItemChoice(item_choice.frame, opened)


def _grace(unit: Unit, tables: AttemptTables, rate: np.ndarray) -> np.ndarray:
    """Mean re-secures of a whole stay, without admission secures, less the stay's days at the long-run rate."""
    grace = np.zeros(unit.n_strata)
    for g in range(unit.n_strata):
        uses = tables.in_stay(unit, g)
        stay = stay_checks_pmf(unit, g)
        row = unit.frequency.iloc[g]
        events = float(uses @ np.arange(len(uses))) * (1 - float(row["redo"])) - round(
            float(row["admission_secures"])
        )
        grace[g] = events - rate[g] * float(stay @ np.arange(len(stay))) / unit.checks_per_day
    return grace


# -- what an airway-day and an arrival take of each item -------------------------------------------------------------


def expected_use(
    unit: Unit, item_choice: ItemChoice, days: float, tables: AttemptTables | None = None
) -> np.ndarray:
    """Expected units of each item in `days` days, by rates instead of scenarios; float ndarray (n_items,).

    Airway-days x use per airway-day + arrivals x what an arrival adds (see `use_rates`), over what is not known.
    """
    tables = tables or attempt_tables(unit)
    return mean_use(unit, item_choice, days, fit_posterior(unit), tables).mean(axis=0)


def mean_use(
    unit: Unit, item_choice: ItemChoice, days: float, posterior: Posterior, tables: AttemptTables
) -> np.ndarray:
    """Mean units of each item in `days` days under each parameter draw, by rates: shape (n_draws, n_items).

    What an arrival takes beyond the pace of its days is that of the mean law of the stay and the mean rate.
    """
    per_day, per_arrival = _use_matrices(unit, item_choice, tables)
    arrivals = posterior.arrivals * posterior.bedded[:, None]
    airways = (arrivals * posterior.mean_stays + posterior.fixed) * posterior.rate
    return days * (airways @ per_day + arrivals @ per_arrival)


def _use_matrices(unit: Unit, item_choice: ItemChoice, tables: AttemptTables) -> tuple[np.ndarray, np.ndarray]:
    """`use_rates` as two arrays, (n_strata, n_items): an airway-day's and an arrival's."""
    rates = use_rates(unit, item_choice, tables)
    per_day, per_arrival = np.zeros((2, unit.n_strata, len(unit.items)))
    column = {name: i for i, name in enumerate(unit.items["item"])}
    where = rates["stratum"].to_numpy(int), rates["item"].map(column).to_numpy(int)
    np.add.at(per_day, where, rates["per_airway_day"].to_numpy(float))
    np.add.at(per_arrival, where, rates["per_arrival"].to_numpy(float))
    return per_day, per_arrival


@lru_cache(maxsize=4)
def use_rates(unit: Unit, item_choice: ItemChoice, tables: AttemptTables | None = None) -> pd.DataFrame:
    """What an airway-day and an arrival take of each item, by stratum: stratum, item, per_airway_day, per_arrival.

    per_airway_day is the long-run pace; per_arrival is what a whole stay takes, exactly, beyond that pace
    (admission secures, a fresh securement's grace, the last roll thrown away part-used). Made once, not to be changed.
    """
    tables = tables or attempt_tables(unit)
    pace = long_run_rates(unit)["attempts_per_day"].to_numpy(float)
    stays = [stay_checks_pmf(unit, stratum) for stratum in range(unit.n_strata)]
    stay_days = [float(stay @ np.arange(len(stay))) / unit.checks_per_day for stay in stays]
    rows = []
    for row in item_choice.frame.sort_values("stratum", kind="stable").itertuples():
        stratum, share = row.stratum, row.share
        per_day, per_stay = _item_rates(row, item_choice, pace[stratum], tables.in_stay(unit, stratum))
        rows.append((stratum, row.item, share * per_day, share * (per_stay - per_day * stay_days[stratum])))
    return pd.DataFrame(rows, columns=["stratum", "item", "per_airway_day", "per_arrival"])


def _item_rates(row: Any, item_choice: ItemChoice, pace: float, uses: np.ndarray) -> tuple[float, float]:
    """(units per airway-day in the long run, units per whole stay) of one row of the item choice."""
    mean_uses = float(uses @ np.arange(len(uses)))
    if row.scope == "event":
        per_use = float(row.items_per_use) if row.share == 1.0 else float(whole_up(row.need))
        return pace * per_use, mean_uses * per_use
    if row.scope == "unit":
        return pace / float(row.uses_per_item), mean_uses / float(row.uses_per_item)
    table = item_choice.opened.get((row.stratum, row.item))
    if table is None:
        return 0.0, float(row.need)
    return pace * steady_pace(table), float(uses @ lengthen(table, len(uses)))


def lengthen(table: np.ndarray, length: int) -> np.ndarray:
    """Carry a table of items opened on to `length` entries at its steady pace (rarely needed)."""
    if length <= len(table):
        return table[:length]
    more = whole_up(steady_pace(table) * np.arange(1, length - len(table) + 1))
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
