"""The price of not knowing, and a back-test on the unit's own history.

Price: the same plan made as if one thing were known (its mean, in place of what the history leaves open); what it would
save is what learning that thing is worth. Back-test: plans made on the first part of a list of stays and judged on the
stays that came after, rolling forward; each block of time counts as one observation, for its days are alike.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.best_knowledge import said_of_rate
from kitplan.demand.bounds import at_most
from kitplan.demand.item_choice import AttemptTables
from kitplan.demand.occupancy import interval_checks
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.proportion import wilson_interval
from kitplan.demand.scenarios import draw_demand, used_by
from kitplan.demand.streams import fingerprints
from kitplan.demand.values import Episodes, ItemChoice
from kitplan.parts.par.instance import ParInstance
from kitplan.parts.par.model import ask
from kitplan.parts.work import Work
from kitplan.read.values import WORDS, Route, Unit
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.verify import ready_scenarios

SCENARIOS = 1500
"""Enough for a plan without proof: all plans share their random numbers, so that differences are causes."""
UNKNOWN = {
    "rate": ("how many {acts} {many} take", "a {act} log kept for three months"),
    "arrivals": ("how many {many} come and how bunched", "a longer census"),
    "stays": ("how long {many} stay", "a longer list of stays"),
}
BLOCKS, LEAST_DAYS, REPEATS = 4, 180.0, 10
WORTH_SAYING = 0.03
"""Share of the stock's value under which a saving is within the noise of so few scenarios: against 8,000 of them it
errs by one to two and a half points (root mean square of 12 generated units)."""


@dataclass(frozen=True, repr=False)
class Doubts(Result, writes={"price_of_not_knowing": "prices", "own_history": "backtest"}):
    """knowledge: sentences, what the plan rests on. value: mean value of the stock with nothing taken as known. prices:
    unknown, mean_value, saved, saved_share. backtest: first_day, last_day, intervals, ready; empty where there is no
    list of stays long enough. low, high: 95 % interval of the mean share over blocks. words: the unit's.
    """

    knowledge: tuple[str, ...]
    value: float
    prices: pd.DataFrame
    backtest: pd.DataFrame
    low: float
    high: float
    words: Route

    def sentences(self, currency: str) -> list[str]:
        """What it rests on, what knowing more would save, and how plans of the past would have held."""
        lines, words = list(self.knowledge), {name: getattr(self.words, name) for name in WORDS}
        for row in self.prices.itertuples():
            what, how = (text.format(**words) for text in UNKNOWN[str(row.unknown)])
            if row.saved_share < WORTH_SAYING:
                lines.append(f"To know better {what} would save little, if anything: under {100 * WORTH_SAYING:.0f} % "
                             "of the stock, which is within chance here.")
            else:
                lines.append(f"To know {what} would save {row.saved:,.0f} {currency} of stock "
                             f"({100 * row.saved_share:.0f} %): {how} tells it.")
        if len(self.backtest):
            mean = float(self.backtest["ready"].mean())
            lines.append(
                f"On its own history: plans made on what came before were ready in {100 * mean:.1f} % of later "
                f"intervals, over {len(self.backtest)} blocks of time "
                f"(95 % interval {100 * self.low:.1f} % to {100 * self.high:.1f} %)."
            )
        return lines


def look_at_doubt(work: Work) -> Doubts:
    """Price what is not known about a unit, and test its plans on its own past."""
    unit = work.unit
    value, prices = _prices(unit, work.item_choice, work.tables, work.seed)
    backtest = _backtest(unit, work.item_choice, work.tables, work.seed)
    low, high = _block_interval(backtest["ready"].to_numpy(float), int(backtest["intervals"].sum()))
    knowledge = (*fit_posterior(unit).knowledge, said_of_rate(unit))
    return Doubts(knowledge, value, prices, backtest, low, high, unit.words)


def _levels(instance: ParInstance, target: float) -> np.ndarray:
    """Levels that meet the target on the instance's own scenarios, stepped down without proof."""
    required = instance.required(target)
    start = np.maximum(own_quantiles(instance.needs, required), instance.floor)
    return instance.levels(descend(collapse(instance.needs, start), instance.cost, required).par[-1])


def _prices(unit: Unit, item_choice: ItemChoice, tables: AttemptTables, seed: int) -> tuple[float, pd.DataFrame]:
    posterior, days, target = fit_posterior(unit), unit.stock.protection_interval_days, unit.stock.readiness
    values, n_scenarios = {}, at_most(SCENARIOS, unit, days)
    for part in ("", *UNKNOWN):
        known = posterior.without_doubt(part) if part else posterior
        demand = draw_demand(unit, item_choice, days, n_scenarios, seed, "plan/doubt", tables,
                             known.of_stream("plan"), means=False)
        instance = ask(unit, demand)
        values[part] = instance.mean_value(_levels(instance, target))
    rows = [(part, values[part], values[""] - values[part]) for part in UNKNOWN]
    frame = pd.DataFrame(rows, columns=["unknown", "mean_value", "saved"])
    return values[""], frame.assign(saved_share=frame["saved"] / max(values[""], 1e-9))


def _backtest(unit: Unit, item_choice: ItemChoice, tables: AttemptTables, seed: int) -> pd.DataFrame:
    """Plan at BLOCKS moments of the later half of a list of stays; share of the block's intervals that were ready."""
    columns = ["first_day", "last_day", "intervals", "ready"]
    census = unit.census
    span = 0 if not (census.first_day and census.last_day) else (census.last_day - census.first_day).days + 1
    if census.shape != "stays" or span < LEAST_DAYS:
        return pd.DataFrame(columns=columns)
    assert census.first_day is not None
    cuts = np.linspace(span / 2, span, BLOCKS + 1).round()
    rows = []
    for low, high in itertools.pairwise(cuts):
        past = _until(unit, float(low))
        posterior = fit_posterior(past)
        days = unit.stock.protection_interval_days
        demand = draw_demand(past, item_choice, days, at_most(SCENARIOS, past, days), seed, "plan/past", tables,
                             posterior.of_stream("plan"), means=False)
        instance = ask(past, demand)
        levels = _levels(instance, unit.stock.readiness)
        begins = np.arange(low, high - days, unit.stock.review_days)
        if len(begins):
            episodes = _as_it_was(unit, begins, days, posterior.n_draws)
            units = used_by(past, item_choice, episodes, tables, posterior, seed, "past")
            needs = instance.packing.needed(units[:, instance.order], seed, "past")
            first, last = (census.first_day + timedelta(days=int(d)) for d in (low, high - 1))
            ready = float(ready_scenarios(needs, levels).mean())
            rows.append((first.isoformat(), last.isoformat(), len(begins), ready))
    return pd.DataFrame(rows, columns=columns)


def _until(unit: Unit, day: float) -> Unit:
    """The unit as its list of stays was at the beginning of a day."""
    census = unit.census
    assert census.first_day is not None
    rows = census.rows[census.rows["start"] < day]
    rows = rows.assign(end=rows["end"].where(rows["end"] < day)).reset_index(drop=True)
    known = replace(census, rows=rows, last_day=census.first_day + timedelta(days=int(day) - 1))
    return replace(unit, census=known)


def _as_it_was(unit: Unit, begins: np.ndarray, days: float, n_draws: int) -> Episodes:
    """Intervals of the list as they were, each REPEATS times over, for re-secures are not in the list."""
    rows, per_day = unit.census.rows, unit.checks_per_day
    start = rows["start"].to_numpy(float)[None, :] - begins[:, None]
    stop = np.nan_to_num(rows["end"].to_numpy(float), nan=np.inf)[None, :] - begins[:, None]
    which, row = np.nonzero((start < days) & (stop > 0))
    start, stop = start[which, row], stop[which, row]
    repeat = np.repeat(np.arange(REPEATS), len(which))
    which, row, start, stop = (np.tile(a, REPEATS) for a in (which, row, start, stop))
    scenario = (which + repeat * len(begins)).astype(np.int32)
    checks = np.clip(np.floor(np.minimum(stop, days) * per_day), None, interval_checks(unit, days))
    checks = np.maximum(checks - np.maximum(np.floor(start * per_day), 0), 0)
    prior = np.where(start < 0, np.ceil(-start * per_day), 0)
    number = np.arange(len(begins) * REPEATS)
    return Episodes(
        len(number), scenario, rows["stratum"].to_numpy(np.int16)[row], checks.astype(np.int16), prior.astype(np.int32),
        start >= 0, fingerprints(scenario, row), start.astype(np.float32), stop.astype(np.float32),
        (number * 37 % n_draws).astype(np.int32), np.zeros(len(number), dtype=np.float32),
    )


def _block_interval(ready: np.ndarray, intervals: int) -> tuple[float, float]:
    """95 % interval of the mean over blocks (Student), within 0 and 1; all of it where there are fewer than two.

    It is never narrower than what so few intervals leave open: blocks that are alike, all ready say, are no certainty.
    """
    if len(ready) < 2:
        return 0.0, 1.0
    from scipy.special import stdtrit

    half = float(stdtrit(len(ready) - 1, 0.975) * ready.std(ddof=1) / np.sqrt(len(ready)))
    mean = float(ready.mean())
    low, high = wilson_interval(mean * intervals, intervals)
    return max(min(mean - half, low), 0.0), min(max(mean + half, high), 1.0)
