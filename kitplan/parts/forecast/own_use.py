"""The months ahead on the unit's own level of use: what it issued against what census, rates and recipe explain.

The doubt about how often airways are renewed is common to past and future months of one draw. Where issues say what the
past took, a draw's months ahead are multiplied by issued over drawn past: the doubt cancels, chance stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitplan.parts.forecast.issue_days import IssueDays
from kitplan.read.problems import some_of
from kitplan.read.values import Unit

FEWEST_MONTHS = 3
MOST_MONTHS = 12
_FEW_DAYS = 5
_PRIOR_UNITS = 50.0
"""An item's own ratio counts as much as the unit's once so many single items were to be expected."""


@dataclass(frozen=True)
class Sampled:
    """Sampled months: past ones first, then from `first` on the months ahead.

    names: of the months. days: ndarray (months,). airway_days, arrived, renewed: ndarray (draws, months,
    n_strata). use: ndarray (draws, months, n_items), single items. price: money of one item in each month, ndarray
    (months, n_items).
    """

    names: tuple[str, ...]
    first: int
    days: np.ndarray
    airway_days: np.ndarray
    arrived: np.ndarray
    renewed: np.ndarray
    use: np.ndarray
    price: np.ndarray

    def money(self) -> np.ndarray:
        """Money by draw and month, ndarray (draws, months)."""
        return np.asarray(np.einsum("dmi,mi->dm", self.use, self.price))

    def ahead(self, months: int) -> Sampled:
        """The first so many months ahead alone."""
        part = slice(self.first, self.first + months)
        return Sampled(self.names[part], 0, self.days[part], self.airway_days[:, part], self.arrived[:, part],
                       self.renewed[:, part], self.use[:, part], self.price[part])


def on_own_level(
    unit: Unit, sampled: Sampled, issued: pd.DataFrame | None, known: frozenset[str], rng: np.random.Generator,
    days: IssueDays | None = None,
) -> tuple[Sampled, tuple[str, ...]]:
    """The sampled with their use as the unit's own issues have it, and sentences about it.

    issued: as `monthly_issues`. known: past months whose census is known. With issues in fewer than FEWEST_MONTHS of
    them nothing changes.
    """
    if issued is None:
        return sampled, ()
    had = issued.assign(month=issued["month"].astype(str)).pivot_table(
        index="month", columns="item", values="units", aggfunc="sum", fill_value=0.0)
    place = [k for k, name in enumerate(sampled.names[:sampled.first]) if name in known and name in had.index]
    place = place[-MOST_MONTHS:]
    if len(place) < FEWEST_MONTHS:
        return sampled, ()
    units = had.reindex(index=[sampled.names[k] for k in place], columns=unit.items["item"], fill_value=0.0).to_numpy()
    drawn = sampled.use[:, place].astype(float)
    price = sampled.price[place].mean(axis=0)
    ratio, level, silent = _ratios(unit, units.sum(axis=0), drawn.mean(axis=0).sum(axis=0), price)
    if not np.isfinite(level):
        return sampled, ()
    worth = ratio * price * ~silent
    cancels = _cancelling(drawn.sum(axis=1) @ worth)
    spread = _spread((units * ~silent) @ price, drawn @ worth, cancels)
    draws, months = sampled.use.shape[:2]
    common = cancels * np.exp(spread / np.sqrt(len(place)) * rng.standard_normal(draws))
    monthly = _made_good(sampled, days, rng) * np.exp(spread * rng.standard_normal((draws, months)) - spread**2 / 2)
    use = sampled.use.copy()
    use *= ratio
    use *= (common[:, None] * monthly)[:, :, None]
    beside = _beside_recipe(units, drawn, sampled, place)
    for item in np.flatnonzero(beside):
        use[:, :, item] = sampled.airway_days.sum(axis=2) * beside[item] * monthly
    ahead = (use[:, sampled.first:].mean(axis=0) * sampled.price[sampled.first:]).sum(axis=0)
    return replace(sampled, use=use), _said(
        unit, level, len(place), days, np.where(silent, ahead, 0.0), f"{sampled.names[sampled.first]} to "
        f"{sampled.names[-1]}")


def _made_good(sampled: Sampled, days: IssueDays | None, rng: np.random.Generator) -> np.ndarray:
    """Days that the issues of a month make good over its own, ndarray (draws, months); past ones hold theirs."""
    share = np.ones(sampled.use.shape[:2])
    if days is not None:
        first, months = pd.Period(sampled.names[sampled.first], "M").ordinal, len(sampled.names) - sampled.first
        share[:, sampled.first:] = days.ahead(first, months, len(share), rng)
    return share


def _ratios(
    unit: Unit, units: np.ndarray, explained: np.ndarray, price: np.ndarray
) -> tuple[np.ndarray, float, np.ndarray]:
    """(issued over explained by item, the same over all, items of whose role nothing at all was issued).

    Few units say little: an item's ratio is drawn towards the unit's. A role without an issue keeps its recipe.
    """
    role = unit.items["role"].to_numpy(object)
    silent = ~np.isin(role, role[units > 0])
    told = ~silent & (explained > 0)
    level = float((units * price)[told].sum() / max((explained * price)[told].sum(), 1e-12)) if told.any() else np.nan
    own = (units + _PRIOR_UNITS * level) / (explained + _PRIOR_UNITS)
    return np.where(silent, 1.0, np.maximum(own, 0.0)), level if level > 0 else np.nan, silent


def _cancelling(past: np.ndarray) -> np.ndarray:
    """Mean past money over each draw's own, ndarray (draws,)."""
    return past.mean() / np.maximum(past, 1e-9 * max(past.mean(), 1e-9))


def _spread(issued: np.ndarray, drawn: np.ndarray, cancels: np.ndarray) -> float:
    """Standard deviation of a month's issues about its draws beyond chance: odd weeks, large orders, habit."""
    mean = np.maximum(drawn.mean(axis=0), 1e-9)
    off = np.log(np.maximum(issued, 0.05 * mean) / mean)
    chance = (drawn * cancels[:, None] / mean).var(axis=0).mean()
    return float(np.sqrt(max(off.var(ddof=1) - chance, 0.0)))


def _beside_recipe(units: np.ndarray, drawn: np.ndarray, sampled: Sampled, place: list[int]) -> np.ndarray:
    """Items issued that no recipe takes go on as before: units of each an airway-day, ndarray (n_items,)."""
    beside = np.where(drawn.sum(axis=(0, 1)) > 0, 0.0, np.maximum(units.sum(axis=0), 0.0))
    return np.asarray(beside / max(float(sampled.airway_days[:, place].sum(axis=(1, 2)).mean()), 1e-9))


def _said(
    unit: Unit, level: float, months: int, days: IssueDays | None, silent: np.ndarray, ahead: str
) -> tuple[str, ...]:
    """silent: money of the months `ahead` of items whose role was never issued, ndarray (n_items,)."""
    but = ", without what was never issued" if silent.any() else ""
    lines = [f"Issues of {months} past months come to {100 * level:.0f} % of what census, rates and recipe explain "
             f"(list prices{but}); the months ahead go on so, item by item."]
    if days is not None and days.usual_gap >= _FEW_DAYS:
        lines.append(f"Issues go out about every {days.usual_gap:.0f} days: a month into which one more of them falls "
                     "is forecast that much larger.")
    if not 0.5 <= level <= 2:
        lines.append("That is far off: does another unit draw on these issues, are packs booked as units, or are lines "
                     "missing? Mend it before you rely on the money.")
    if silent.any():
        dearest = [item for item in np.argsort(-silent, kind="stable") if silent[item] > 0]
        called = unit.items["description"].iloc[dearest].tolist()
        lines.append(f"Never issued, and taken as the recipe says: {some_of(called)}: "
                     f"{silent.sum():,.0f} {unit.currency} of what is expected for {ahead}. If another budget "
                     "pays for them, take that off.")
    return tuple(lines)
