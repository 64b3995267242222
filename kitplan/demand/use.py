"""Use by rates: what an airway-day, an arrival and a re-secure take of every item, as arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.demand.item_choice import AttemptTables, attempt_tables, attempts_per_stay_pmf, fill_roles
from kitplan.demand.occupancy import arrivals_per_day, mean_airways, stay_checks_pmf
from kitplan.demand.resecure import long_run_rates
from kitplan.demand.scenarios import steady_pace, use_rates
from kitplan.demand.values import ItemChoice
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
    rates = use_rates(unit, item_choice, tables)
    pace = long_run_rates(unit)
    names = tuple(unit.items["item"])
    column = {name: i for i, name in enumerate(names)}
    per_day, per_arrival = np.zeros((2, unit.n_strata, len(names)))
    where = (rates["stratum"].to_numpy(int), rates["item"].map(column).to_numpy(int))
    np.add.at(per_day, where, rates["per_airway_day"].to_numpy(float))
    np.add.at(per_arrival, where, rates["per_arrival"].to_numpy(float))
    price = (unit.items["price"] / unit.items["pack"]).to_numpy(float)
    return UseModel(
        names,
        pace["re_secures_per_day"].to_numpy(float),
        pace["attempts_per_day"].to_numpy(float),
        per_day,
        per_arrival,
        _turnover(unit),
        price,
        _grace(unit, tables, pace["re_secures_per_day"].to_numpy(float)),
    )


def _fitted(unit: Unit, item_choice: ItemChoice, tables: AttemptTables) -> ItemChoice:
    """The same items with their tables of opened items as long as this unit's counts; carried on at their own pace."""
    opened = {}
    for (stratum, item), table in item_choice.opened.items():
        length = len(attempts_per_stay_pmf(unit, tables, stratum))
        more = table[-1] + np.ceil(steady_pace(table) * np.arange(1, max(length - len(table), 0) + 1) - 1e-9)
        opened[stratum, item] = np.concatenate([table, more])[:length]
    return ItemChoice(item_choice.frame, opened)


def _grace(unit: Unit, tables: AttemptTables, rate: np.ndarray) -> np.ndarray:
    """Mean re-secures of a whole stay, without admission secures, less the stay's days at the long-run rate."""
    grace = np.zeros(unit.n_strata)
    for g in range(unit.n_strata):
        uses = attempts_per_stay_pmf(unit, tables, g)
        stay = stay_checks_pmf(unit, g)
        row = unit.frequency.iloc[g]
        events = float(uses @ np.arange(len(uses))) * (1 - float(row["redo"])) - round(
            float(row["admission_secures"])
        )
        grace[g] = events - rate[g] * float(stay @ np.arange(len(stay))) / unit.checks_per_day
    return grace
