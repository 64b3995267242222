"""Par levels by month where the census shows a season, and how often it pays to change them.

Every scenario of the plan has a time of year, and its arrivals the season fitted to the history, as unsure as that is;
a month's par levels are solved on its own scenarios, so that one busy winter is not taken for every winter. Holding
winter's stock all summer ties up money; changing labels costs work: the months are cut into periods at least cost of
both. Within a period an item's par is the most that any month needs.
"""

from __future__ import annotations

import calendar
import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.values import Demand
from kitplan.parts.par.model import packing_of, par_levels
from kitplan.parts.work import Work
from kitplan.read.days import YEAR_DAYS
from kitplan.read.values import SeasonPolicy, Unit
from kitplan.solve.verify import joint_readiness

HALF_WIDTH_DAYS = 23.0
"""A month's scenarios are those whose interval's middle lies within so many days of the month's middle."""
FEWEST_SCENARIOS = 400
MOST_PERIODS = 6
MONTHS = list(calendar.month_abbr)[1:]


@dataclass(frozen=True)
class SeasonTest:
    """The yearly wave of arrivals. swing: its height over the mean, with low and high of 90 %; peak: month 1 to 12.

    chance: that the swing at that time of year is none or the other way, as far as the history tells.
    """

    swing: float
    low: float
    high: float
    chance: float
    peak: int


@dataclass(frozen=True, repr=False)
class Seasons(Result, writes={"seasons": "levels", "season_months": "months", "season_choice": "choice"}):
    """Par levels by month and period. levels: month, item, own_packs, period_packs, own_units, period_units.
    months: month, period, own_value, period_value, year_round_readiness. choice: periods, changes, mean_value,
    holding_cost, change_cost, total_cost, chosen, when. year_value: of the par levels planned on the whole year.
    Values are those on the shelf and on order on the mean, as a plan's. seen_once: some month is in the census in one
    year only.
    """

    test: SeasonTest
    levels: pd.DataFrame
    months: pd.DataFrame
    choice: pd.DataFrame
    year_value: float
    seen_once: bool = False

    def sentences(self, currency: str) -> list[str]:
        """How strong the season is, and what to do about it."""
        chosen = self.choice[self.choice["chosen"]].iloc[0]
        one = self.choice.iloc[0]
        low = self.months.loc[self.months["year_round_readiness"].idxmin()]
        sentences = [f"Arrivals swing by {100 * self.test.swing:.0f} % about the mean over the year (90 % interval "
                f"{100 * self.test.low:z.0f} % to {100 * self.test.high:.0f} %), highest in "
                f"{calendar.month_name[self.test.peak]}.",
                f"Par levels planned on the whole year are ready in {100 * low['year_round_readiness']:.1f} % of "
                f"intervals in {calendar.month_name[int(low['month'])]}, the worst month."]
        if self.seen_once:
            sentences.append("Some months are in the census only once: their par levels rest on that one year.")
        if chosen["periods"] == 1:
            return [*sentences, "Changing par levels within the year costs more than it saves. One set that suits "
                                f"every month is worth {one['mean_value']:,.0f} {currency} on the mean; the par levels "
                                f"planned on the whole year {self.year_value:,.0f}."]
        saved = one["total_cost"] - chosen["total_cost"]
        return [*sentences, f"{int(chosen['periods'])} sets of par levels a year ({chosen['when']}) cost {saved:,.0f} "
                       f"{currency} a year less than one set for every month."]


def season_test(unit: Unit) -> SeasonTest | None:
    """What the history tells of a yearly wave; None where it is too short to tell, or nothing moves."""
    fitted = fit_posterior(unit)
    swing = fitted.swing[:, :2]
    if not fitted.swing_told or not swing.any():
        return None
    middle = swing.mean(axis=0)
    along = swing @ middle / max(float(np.hypot(*middle)), 1e-12)
    peak = np.arctan2(middle[1], middle[0]) % (2 * np.pi) / (2 * np.pi)
    low, high = np.quantile(along, [0.05, 0.95])
    chance = float((np.sum(along <= 0) + 1) / (len(along) + 1))
    return SeasonTest(float(np.median(along)), float(low), float(high), chance, int(peak * 12 % 12) + 1)


def no_season(unit: Unit) -> str | None:
    """Why no par levels by month are planned, or None where the census shows a season."""
    if unit.census.shape == "snapshot":
        return "one day's count shows no season"
    found = season_test(unit)
    if found is None:
        return "the census is shorter than a year"
    limits = unit.seasons
    if limits is None or found.chance > limits.chance or found.swing < limits.swing:
        return (f"the census shows no season to act on: one set of par levels for the year is kept (swing "
                f"{100 * found.low:z.0f} % to {100 * found.high:.0f} %, chance of none {found.chance:.2g})")
    return None


def plan_seasons(work: Work) -> Seasons | None:
    """Par levels by month from the plan's own scenarios; None where a month has too few.

    Also None where limits keep the plan of the year from its target: no month's levels are then free, and twelve
    programs within limits took minutes to say so.
    """
    if work.par.answer != "met":
        return None
    unit, demand, verify = work.unit, work.demand("plan"), work.demand("verify")
    test, which, checked = season_test(unit), _month_scenarios(demand), _month_scenarios(verify)
    if test is None or which is None or checked is None or unit.seasons is None:
        return None
    levels = np.zeros((12, len(unit.items)), dtype=np.int64)
    readiness = np.zeros(12)
    packing = packing_of(unit.items)
    needs = packing.needed(demand.units, demand.seed, demand.stream)
    for month, mine in enumerate(which):
        levels[month] = par_levels(unit, demand.part(np.flatnonzero(mine)), verify.part(np.flatnonzero(checked[month])))
        readiness[month] = joint_readiness(needs[mine], work.par.levels["par_units"].to_numpy())
    price = unit.items["price"].to_numpy(float) / unit.items["pack"].to_numpy(float)

    def worth(units: np.ndarray) -> np.ndarray:
        return np.asarray(packing.mean(units) @ price)

    choice, cuts = _choices(levels, worth, unit.seasons)
    best = cuts[int(choice["chosen"].to_numpy().argmax())]
    first, last = unit.census.first_day, unit.census.last_day
    once = first is None or last is None or (last - first).days < 2 * YEAR_DAYS - 2
    year_value = float(worth(work.par.levels["par_units"].to_numpy()))
    return Seasons(test, _levels(unit, levels, best), _months(levels, worth, best, readiness), choice, year_value, once)


def _month_scenarios(demand: Demand) -> list[np.ndarray] | None:
    """Scenarios of each month, bool (n_scenarios,) each, or None where a month has too few."""
    if len(demand.day_of_year) != demand.n_scenarios:
        return None
    day = demand.day_of_year + demand.days / 2
    found = []
    for month in range(12):
        apart = np.abs((day - (month + 0.5) * YEAR_DAYS / 12 + YEAR_DAYS / 2) % YEAR_DAYS - YEAR_DAYS / 2)
        found.append(apart <= HALF_WIDTH_DAYS)
    return found if min(f.sum() for f in found) >= FEWEST_SCENARIOS else None


Cut = list[list[int]]
"""Months (0 to 11) of each period of one way to cut the year, in order."""


Worth = Callable[[np.ndarray], np.ndarray]
"""Money of par levels, ndarray (..., n_items) -> (...)."""


def _choices(units: np.ndarray, worth: Worth, policy: SeasonPolicy) -> tuple[pd.DataFrame, list[Cut]]:
    """The cheapest cut of the year into 1, 2, ... MOST_PERIODS periods, of all cuts; of cuts that cost alike the first:
    as Seasons.choice, and their months.

    units: int (12, n_items), par levels of each month. Arrays by first month and length less one of a period.
    """
    most = np.stack([[np.max([units[(i + k) % 12] for k in range(length)], axis=0) for length in range(1, 13)]
                     for i in range(12)])
    changes = np.stack([[(most[i, n] != most[(i + n + 1) % 12]).sum(axis=1) for n in range(12)] for i in range(12)])
    value = worth(most)
    held = value * np.arange(1, 13) / 12
    rows, cuts = [], []
    for periods in range(1, MOST_PERIODS + 1):
        starts = np.array(list(itertools.combinations(range(12), periods)))
        length = (np.roll(starts, -1, axis=1) - starts - 1) % 12
        mean = held[starts, length].sum(axis=1)
        changing = policy.change_cost * changes[starts, length, np.roll(length, -1, axis=1)].sum(axis=1)
        total = mean * policy.holding_share + changing
        best = int(np.flatnonzero(total <= total.min() + 1e-9)[0])
        rounds = periods if periods > 1 else 0
        cost = float(mean[best]) * policy.holding_share, float(changing[best]) + rounds * policy.round_cost
        cuts.append([[(first + k) % 12 for k in range(more + 1)] for first, more in zip(starts[best], length[best])])
        rows.append((periods, rounds, float(mean[best]), *cost, sum(cost), False, _when(cuts[-1])))
    frame = pd.DataFrame(rows, columns=["periods", "changes", "mean_value", "holding_cost", "change_cost", "total_cost",
                                        "chosen", "when"])
    return frame.assign(chosen=frame.index == frame["total_cost"].idxmin()), cuts


def _levels(unit: Unit, levels: np.ndarray, cut: Cut) -> pd.DataFrame:
    used, pack = np.flatnonzero(levels.max(axis=0) > 0), unit.items["pack"].to_numpy(np.int64)
    most = np.empty_like(levels)
    for months in cut:
        most[months] = levels[months].max(axis=0)
    month, item = (places.ravel() for places in np.meshgrid(np.arange(12), used, indexing="ij"))
    own, period = levels[month, item], most[month, item]
    return pd.DataFrame({"month": month + 1, "item": unit.items["item"].to_numpy()[item],
                         "own_packs": -(-own // pack[item]), "period_packs": -(-period // pack[item]),
                         "own_units": own, "period_units": period})


def _months(units: np.ndarray, worth: Worth, cut: Cut, readiness: np.ndarray) -> pd.DataFrame:
    rows = [(month + 1, number, float(worth(units[month])), float(worth(units[months].max(axis=0))), readiness[month])
            for number, months in enumerate(cut, 1) for month in months]
    return pd.DataFrame(sorted(rows), columns=["month", "period", "own_value", "period_value", "year_round_readiness"])


def _when(cut: Cut) -> str:
    if len(cut) == 1:
        return "all year"
    return ", ".join(MONTHS[s[0]] if len(s) == 1 else f"{MONTHS[s[0]]} to {MONTHS[s[-1]]}" for s in cut)
