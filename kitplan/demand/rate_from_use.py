"""What use teaches: how often securements are renewed, and which items go to other work.

Every unit counts or draws on stores; few log re-secures. Between two counts, or in a month of issues, an item's use is
known. The plan expects
m_i = a_i r + b_i of item i a day, a_i for each unit of the common re-secure rate r (1 = the rate of the plan) and b_i
whatever the rate (masks, bags: once an airway). So every item that each re-secure takes gives the same r, unless a part
of it goes elsewhere: its use is w_i (a_i r + b_i), w_i = 1 for most.

    log X_i | r  ~  (1 - p) N(log m_i(r), s_i^2)  +  p N(log m_i(r) + d, s_i^2 + t^2)

where X_i is the use over all spells, s_i^2 the variance of its logarithm beyond the common part, and p, d, t what share
of items goes to other work, and how much more. r has the log-normal prior that the plan states. All items see the same
patients: how far those weeks were from the mean is common to them, not one more observation an item. So the items give
the rate of those weeks, and that differs from r by the scatter of the weeks (their Pearson dispersion, as in a
quasi-Poisson regression with the expected use as its exposure).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import logsumexp, softmax

from kitplan.demand.resecure import long_run_rates, ratios_at
from kitplan.read.issues import covered_months
from kitplan.read.values import Unit, UseRate

GRID = np.linspace(np.log(0.1), np.log(10.0), 801)
"""Logarithms of the common rate that are tried, as a multiple of the plan's."""

ELSEWHERE_SHARE, ELSEWHERE_LOG, ELSEWHERE_SPREAD = 0.15, 0.35, 0.4
"""p, d, t: about one item in seven goes to other work as well, then mostly by a tenth to as much again [a choice]."""

_LEAST_SPELLS, _LEAST_DAYS = 3, 14
_COUNT_ERROR, _KNOWN_RATE_SD = 0.05, 0.1
"""Least relative error of an item's total (miscounts, packs begun), and how far a rate that the unit states may be off
[choices].
"""


@dataclass(frozen=True)
class Use:
    """Single items of one kind that were used in so many days."""

    item: str
    units: int
    days: int


@dataclass(frozen=True)
class Exposure:
    """What the plan expects of one item a day. per_rate: at the plan's own rate; fixed: whatever the rate is. rough:
    single items by which a total may be off, where whole packs are told.
    """

    per_rate: float
    fixed: float = 0.0
    rough: float = 0.0


@dataclass(frozen=True)
class Weeks:
    """How far some weeks may lie from the mean that the plan goes by, in the number of re-secures.

    stays_per_day: airways that arrive. stay_spread: E[N^2] / E[N]^2 of the re-secures N of one stay: re-secures of a
    span are a compound Poisson sum, of relative variance stay_spread / (stays_per_day x days), because who stays long
    stays through many weeks. mean_log_sd: how well the plan knows the mean number of airways.
    """

    stays_per_day: float = 0.0
    stay_spread: float = 0.0
    mean_log_sd: float = 0.0

    def variance(self, days: float) -> float:
        """Variance of the logarithm of the re-secures of so many days."""
        spread = self.stay_spread / (self.stays_per_day * days) if self.stays_per_day else 0.0
        return float(np.log1p(spread) + self.mean_log_sd**2)


_NO_SPREAD = Weeks()


@dataclass(frozen=True)
class ItemUse:
    """One item. used: single items over `days`. expected: by the posterior rate. factor, low, high: used over expected
    with its 90 % range. vanishes: chance that more than a tenth of it goes elsewhere.
    """

    item: str
    used: int
    days: int
    expected: float
    factor: float
    low: float
    high: float
    vanishes: float


@dataclass(frozen=True)
class LearntUse:
    """The posterior of the common rate as a multiple of the plan's: median, 90 % range, and mean and sd of its log.

    items: all that was seen, those that vanish first. spells, days: what it rests on.
    """

    rate: float
    low: float
    high: float
    log_mean: float
    log_sd: float
    items: tuple[ItemUse, ...]
    spells: int
    days: int

    def sentences(self) -> list[str]:
        """What was learnt, for a person."""
        mean = np.exp(self.log_mean + self.log_sd**2 / 2)  # a plan takes the mean too, not the median
        told = [f"Counts over {self.days} days say that securements are renewed {mean:.2f} times as often as the "
                f"plan takes it (9 in 10: {self.low:.2f} to {self.high:.2f})."]
        for item in self.items:
            if item.vanishes > 0.9:
                more = item.used - item.expected
                told.append(f"{item.item}: {more:.0f} more than renewing explains in {item.days} days, "
                            f"{item.factor:.1f} times its use ({item.low:.1f} to {item.high:.1f}). It goes to other "
                            "work, or away.")
        return told


def dispersion(counts: np.ndarray, expected: np.ndarray) -> float:
    """Pearson dispersion of counts with known exposures: chi-square over the degrees of freedom at the maximum of a
    Poisson regression with one constant and log(expected) as its offset.

    counts, expected: shape (n,). McCullagh & Nelder, Generalized Linear Models, 2e 1989, section 6.2, from memory.
    """
    mean = np.maximum(counts.sum() / expected.sum() * expected, 1e-12)
    return float((((counts - mean) ** 2) / mean).sum() / max(len(counts) - 1, 1))


def learn_use(spells: Sequence[Use], exposures: Mapping[str, Exposure], prior_log_sd: float,
              prior_log_mean: float = 0.0, weeks: Weeks = _NO_SPREAD) -> LearntUse | None:
    """Learn from the use between counts; None where it is too little to say anything.

    exposures: by item, what the plan expects a day. prior_log_mean, prior_log_sd: of the rate as a multiple of the
    plan's. weeks: how far these weeks may lie from the plan's mean; the scatter that shows between them is the least.
    """
    seen = {item: [s for s in spells if s.item == item and s.days > 0] for item in exposures}
    seen = {item: found for item, found in seen.items()
            if len(found) >= _LEAST_SPELLS and sum(s.days for s in found) >= _LEAST_DAYS}
    told = [item for item in seen if exposures[item].per_rate > 0 and _used(seen[item]) > 0]
    if not told:
        return None
    seen_by_items = np.sum([_log_likelihood(seen[item], exposures[item]) for item in told], axis=0)
    prior = np.exp(-0.5 * ((GRID - prior_log_mean) / prior_log_sd) ** 2)
    days = max(sum(s.days for s in found) for found in seen.values())
    scatter = max(_common_scatter(seen, exposures, told), weeks.variance(days))
    weights = _widened(softmax(seen_by_items), scatter) * prior
    weights = weights / weights.sum()
    mean = float(weights @ GRID)
    sd = float(np.sqrt(weights @ (GRID - mean) ** 2))
    low, middle, high = np.exp(np.interp((0.05, 0.5, 0.95), np.cumsum(weights), GRID))
    items = [_item_use(item, seen[item], exposures[item], weights) for item in told]
    return LearntUse(float(middle), float(low), float(high), mean, sd,
                     tuple(sorted(items, key=lambda i: (-i.vanishes, i.item))), sum(map(len, seen.values())), days)


def _used(spells: Sequence[Use]) -> int:
    return sum(s.units for s in spells)


def _mean(exposure: Exposure, days: float) -> np.ndarray:
    """Expected use over so many days for every rate of the grid."""
    return np.maximum((exposure.per_rate * np.exp(GRID) + exposure.fixed) * days, 1e-9)


def _own_variance(used: float, rough: float) -> float:
    """Variance of the logarithm of an item's total that it shares with no other item."""
    return 1.0 / max(used, 1.0) + _COUNT_ERROR**2 + (rough / max(used, 1.0)) ** 2


def _log_likelihood(spells: Sequence[Use], exposure: Exposure) -> np.ndarray:
    used, days = max(_used(spells), 0.5), sum(s.days for s in spells)
    apart, own = np.log(used) - np.log(_mean(exposure, days)), _own_variance(used, exposure.rough)
    plain = _log_normal(apart, own) + np.log1p(-ELSEWHERE_SHARE)
    other = _log_normal(apart - ELSEWHERE_LOG, own + ELSEWHERE_SPREAD**2) + np.log(ELSEWHERE_SHARE)
    return np.asarray(logsumexp([plain, other], axis=0))


def _log_normal(x: np.ndarray, variance: float) -> np.ndarray:
    return -0.5 * x**2 / variance - 0.5 * np.log(2 * np.pi * variance)


def _common_scatter(seen: Mapping[str, Sequence[Use]], exposures: Mapping[str, Exposure],
                    told: Sequence[str]) -> float:
    """Variance of the logarithm of the common total: the scatter of the weeks that all items share.

    Of each item, the Pearson dispersion of its spells over its use; the median item speaks for all.
    """
    found = []
    for item in told:
        counts = np.array([max(s.units, 0) for s in seen[item]], dtype=float)
        expected = np.array([(exposures[item].per_rate + exposures[item].fixed) * s.days for s in seen[item]])
        found.append(max(dispersion(counts, expected), 1.0) / max(counts.sum(), 1.0))
    return float(np.median(found))


def _widened(likelihood: np.ndarray, variance: float) -> np.ndarray:
    """The likelihood of the common rate of those weeks as one of the rate itself: the two differ by the scatter."""
    step = GRID[1] - GRID[0]
    apart = np.arange(-len(GRID) + 1, len(GRID)) * step
    kernel = np.exp(-0.5 * apart**2 / max(variance, step**2))
    return np.asarray(np.convolve(likelihood, kernel / kernel.sum())[len(GRID) - 1: 2 * len(GRID) - 1])


def _item_use(item: str, spells: Sequence[Use], exposure: Exposure, weights: np.ndarray) -> ItemUse:
    used, days = _used(spells), sum(s.days for s in spells)
    mean = _mean(exposure, days)
    ratio = np.log(max(used, 0.5)) - np.log(mean)
    spread = np.sqrt(_own_variance(max(used, 0.5), exposure.rough))
    draws = np.exp(ratio[None, :] + spread * np.linspace(-3, 3, 61)[:, None])
    chance = np.exp(-0.5 * np.linspace(-3, 3, 61) ** 2)[:, None] * weights[None, :]
    order = np.argsort(draws, axis=None)
    heights = np.cumsum(chance.ravel()[order]) / chance.sum()
    low, middle, high = np.interp((0.05, 0.5, 0.95), heights, draws.ravel()[order])
    above = float(chance[draws > 1.1].sum() / chance.sum())
    return ItemUse(item, used, days, float(weights @ mean), float(middle), float(low), float(high), above)


def learn_from(
    unit: Unit, airways: pd.DataFrame, expected: pd.DataFrame, uses: Sequence[Use], whole_packs: bool = False
) -> LearntUse | None:
    """What the use of a unit teaches against its plan; None where it is too little or the plan knows no use.

    airways, expected: as of the weeks of the use. whole_packs: use is told in packs, of which one may be begun and one
    just come.
    """
    mean, arrivals = (airways[c].to_numpy(float) for c in ("mean_airways", "arrivals_per_day"))
    secured = float(mean @ airways["re_secures_per_day"].to_numpy(float))
    first = float(arrivals @ unit.frequency["admission_secures"].to_numpy(float))
    if secured <= 0 or not uses:
        return None
    share = secured / (secured + first)
    a_day = dict(zip(expected["item"], expected["expected_units"] / unit.stock.protection_interval_days))
    common = set(unit.items.loc[unit.items["scope"] == "event", "item"])
    pack = dict(zip(unit.items["item"], unit.items["pack"] * float(whole_packs)))
    exposures = {item: Exposure(a_day[item] * share, a_day[item] * (1 - share), pack[item])
                 for item in sorted(common) if a_day.get(item, 0.0) > 0}
    log_mean, log_sd = _prior(unit, secured / mean.sum())
    weeks = _weeks(unit, float(arrivals.sum()), secured, float(mean.sum()))
    return learn_use(uses, exposures, log_sd, log_mean, weeks)


def _prior(unit: Unit, rate: float) -> tuple[float, float]:
    """Mean and sd of the log of the rate, as a multiple of the plan's, before anything was counted: the range, with the
    routine change in it where the guess leaves that out.
    """
    doubt = unit.doubt
    if doubt.rate_range is None:
        return 0.0, _KNOWN_RATE_SD
    whole = replace(unit, doubt=replace(doubt, guessed=()))  # use is of all causes, and moves those stated too
    ends = ratios_at(whole, np.array(doubt.rate_range)).mean(axis=1)
    low, high = np.log(ends * float(long_run_rates(unit)["re_secures_per_day"].mean()))
    return float((low + high) / 2 - np.log(rate)), max(float((high - low) / (2 * 1.645)), _KNOWN_RATE_SD)


def _weeks(unit: Unit, arrivals: float, secured: float, airways: float) -> Weeks:
    census, spread = unit.census, float(unit.frequency["airway_spread"].mean())
    if arrivals <= 0:
        return Weeks(mean_log_sd=1 / np.sqrt(max(airways, 1.0)))
    long_stays = float(np.exp(census.stay_log_sd**2))
    days = (census.last_day - census.first_day).days if census.first_day and census.last_day else 0
    known = np.sqrt(long_stays / (arrivals * days)) if days else 1 / np.sqrt(max(airways, 1.0))
    return Weeks(arrivals, long_stays * (1 + spread) + arrivals / secured, float(known))


def use_rate(found: LearntUse, airways: pd.DataFrame) -> UseRate:
    """What was learnt, of the re-secures of an airway a day."""
    mean = airways["mean_airways"].to_numpy(float)
    rate = float(mean @ airways["re_secures_per_day"].to_numpy(float) / mean.sum())
    return UseRate(float(np.log(rate)) + found.log_mean, found.log_sd, found.days)


def rate_record(found: LearntUse, airways: pd.DataFrame) -> bytes:
    """What was learnt, to be kept beside the order book."""
    rate = use_rate(found, airways)
    record = {"log_mean": round(rate.log_mean, 6), "log_sd": round(rate.log_sd, 6), "days": rate.days}
    return (json.dumps(record) + "\n").encode()


def issued(unit: Unit) -> list[Use]:
    """Use by month of items that each re-secure takes, as the stores' issues tell it: months that they cover alone."""
    if unit.issues is None or not len(unit.issues):
        return []
    months = covered_months(unit.issues)
    common = unit.items.loc[unit.items["scope"] == "event", "item"]
    of_month = pd.to_datetime(unit.issues["date"]).dt.to_period("M")
    units = unit.issues.groupby([of_month, "item"])["units"].sum()
    return [Use(item, round(float(units.get((month, item), 0))), month.days_in_month)
            for item in common if item in set(unit.issues["item"]) for month in months]
