"""Why a past month cost what it did: issues against what would have been forecast, split so that it adds up.

Each effect is the step from one level to the next, in this order, so that the last level is what was spent:
forecast -> census (who was there) -> frequency (how often they were renewed) -> use per event (which kinds of airway
the events fell on, by recipe) -> unexplained (what went out beyond the recipe) -> price. Levels are rounded to the
cent before they are subtracted; the parts therefore add up to the cent, item by item and in total.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.estimate import FEWEST_EVENTS, Learnt, learn
from kitplan.demand.observed import Observation, observe
from kitplan.demand.partial_pooling import pool_rates
from kitplan.demand.use import UseModel, use_model
from kitplan.parts.forecast.months import MonthlyCensus, monthly_census, monthly_issues
from kitplan.parts.forecast.timeseries import METHODS
from kitplan.read.issues import months_said, months_without_issues
from kitplan.read.money import exact, figure
from kitplan.read.values import Unit

EFFECTS = {"census": "census", "frequency": "how often", "use_per_event": "use per event", "unexplained": "unexplained",
           "price": "price"}
"""Columns of the effects, in their order, and what each is called."""
MONEY = ["forecast_value", *EFFECTS, "actual_value"]
_FEWEST_MONTHS = 3
_FEWEST_IN_PACK = 8
_CHANCE_SD = 2.576
"""Two-sided 99 % point of the normal: a few masks more or less are no leak."""


@dataclass(frozen=True, repr=False)
class Variance(Result, writes={"variance": "by_item", "variance_months": "by_month", "unexplained_items": "named"}):
    """Past months, item by item (`by_item`), in total (`by_month`) and named items (`named`); config/columns.csv."""

    by_item: pd.DataFrame
    by_month: pd.DataFrame
    named: pd.DataFrame
    sentences: tuple[str, ...]
    notes: tuple[str, ...]


def split_to_the_cent(levels: np.ndarray) -> np.ndarray:
    """Effects between successive levels of money, whole cents.

    levels: ndarray (n_levels, ...). Returns int64 ndarray (n_levels - 1, ...): the cents of each step. Their sum is
    exactly the rounded last level less the rounded first.
    """
    cents = np.round(np.asarray(levels, float) * 100).astype(np.int64)
    return np.diff(cents, axis=0)


def explain_past(unit: Unit, learnt: Learnt | None = None, model: UseModel | None = None) -> Variance:
    """Split every past month that census and issues both cover. Raises ValueError when the unit has no issues."""
    issues = monthly_issues(unit)
    if issues is None:
        raise ValueError("the unit has no stock issues")
    learnt = learnt or learn(unit)
    monthly, missing = monthly_census(unit), months_without_issues(unit.issues)
    if monthly.months is not None:  # a ward that was closed says nothing of other months
        monthly = replace(monthly, complete=monthly.complete & ~monthly.months.astype(str).isin(missing))
    model = model or use_model(replace(unit, frequency=learnt.frequency(unit)))
    observation = observe(unit) if unit.log is not None and learnt.used else None
    notes = [] if observation is not None else [
        "No usable log: how often airways were renewed in a past month is not known and is in the unexplained."]
    if missing:
        notes.append(f"No stock issues in {months_said(missing)}: unknown, not zero. Every comparison is without them.")
    frames = []
    for place in () if monthly.months is None else np.flatnonzero(monthly.complete)[_FEWEST_MONTHS:].tolist():
        month = monthly.months[place]  # type: ignore[index]
        own = issues[issues["month"] == month].set_index("item")
        if len(own):
            frames.append(_month_frame(unit, str(month), _levels(unit, model, monthly, observation, place, own), own))
    if not frames:
        notes.append("No past month is covered by census and issues with at least three complete months before it.")
    columns = ["month", "item", "forecast_units", "expected_units", "actual_units", *MONEY]
    by_item = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=columns)
    cents = by_item.assign(**{c: np.round(by_item[c].astype(float) * 100).astype("int64") for c in MONEY})
    by_month = (cents.groupby("month", sort=True)[MONEY].sum() / 100).reset_index()
    named = _named(by_item, unit)
    return Variance(by_item, by_month, named, tuple(_sentences(unit, by_month, named)), tuple(notes))


def _levels(
    unit: Unit, model: UseModel, monthly: MonthlyCensus, observation: Observation | None, place: int, own: pd.DataFrame
) -> np.ndarray:
    """Units by item, ndarray (5, n_items): as a person would forecast, by census, frequency, use per event, actual."""
    before = np.nonzero(monthly.complete[:place])[0]
    series = monthly.mean_airways.sum(axis=1)
    known = np.interp(np.arange(before[0], place), before, series[before])
    baseline = "mean of both baselines" if len(known) >= 12 else "mean of the last three months"
    ahead = float(next(m for m in METHODS if m.name == baseline).ahead(known, 1)[0])
    recent = monthly.mean_airways[before[-12:]]
    planned = ahead * monthly.days[place] * recent.sum(axis=0) / max(recent.sum(), 1e-9)
    present = monthly.mean_airways[place] * monthly.days[place]
    arrived = monthly.arrivals[place]
    arrived = present * model.arrivals if np.isnan(arrived).any() else arrived
    per_event = model.per_event()
    per_arrival = model.per_arrival if observation is None else model.per_admission()
    rate, events = _rates_then(unit, model, monthly, observation, place)
    expected = present * rate
    happened = expected if events is None else events
    scale = happened.sum() / expected.sum() if expected.any() else 1.0
    admission = arrived @ per_arrival
    actual = own["units"].reindex(model.items).fillna(0.0).to_numpy(float)
    forecast = (planned * rate) @ per_event + (planned * model.arrivals) @ per_arrival
    return np.stack([forecast, *(events @ per_event + admission for events in (expected, scale * expected, happened)),
                     actual])


def _rates_then(
    unit: Unit, model: UseModel, monthly: MonthlyCensus, observation: Observation | None, place: int
) -> tuple[np.ndarray, np.ndarray | None]:
    """(rates known before the month, events of the month by stratum or None where the log does not cover it)."""
    if observation is None or unit.census.first_day is None:
        return model.rate, None
    assert monthly.months is not None
    first = (monthly.months[place].start_time.date() - unit.census.first_day).days
    last = first + int(monthly.days[place])
    day = observation.events["day"].to_numpy(float)
    stratum = observation.events["stratum"].to_numpy(int)
    exposure = np.nan_to_num(observation.daily) * observation.share[:, None]
    earlier = np.bincount(stratum[day < first], minlength=unit.n_strata)
    rate = model.rate
    if earlier.sum() >= FEWEST_EVENTS and exposure[:first].sum() > 0:
        rate = pool_rates(earlier, exposure[:first].sum(axis=0)).mean
    if observation.share[first:last].mean() < 0.8:
        return rate, None
    inside = (day >= first) & (day < last)
    events = np.bincount(stratum[inside], minlength=unit.n_strata) / observation.share[first:last].mean()
    return rate, events


def _month_frame(unit: Unit, month: str, units: np.ndarray, own: pd.DataFrame) -> pd.DataFrame:
    price = (unit.items["price"] / unit.items["pack"]).to_numpy(float)
    paid = own["paid"].reindex(unit.items["item"]).fillna(0.0).to_numpy(float)
    levels = np.concatenate([units * price, paid[None, :]])
    cents = np.round(levels * 100).astype(np.int64)
    frame = pd.DataFrame({"month": month, "item": unit.items["item"], "forecast_units": units[0],
                          "expected_units": units[3], "actual_units": units[4]})
    frame[MONEY] = np.column_stack([cents[0], *split_to_the_cent(levels), cents[-1]]) / 100
    return frame[np.abs(levels).sum(axis=0) > 0].reset_index(drop=True)


def _named(by_item: pd.DataFrame, unit: Unit) -> pd.DataFrame:
    """Items whose unexplained use is more than the unit's limit, most money first.

    Looked at over all months and over the last few alone, so that a leak that began lately does not drown in a
    good year; an item over the limit in both is named for the last few.
    """
    columns = ["item", "months", "expected_units", "actual_units", "unexplained_share", "unexplained_value", "say"]
    if not len(by_item):
        return pd.DataFrame(columns=columns)
    months = sorted(by_item["month"].unique())
    lately = by_item[by_item["month"].isin(months[-_FEWEST_MONTHS:])]
    found = pd.concat([
        _over_limit(lately, unit).assign(months=_span(months[-_FEWEST_MONTHS:], "last")),
        _over_limit(by_item, unit).assign(months=_span(months, "all")),
    ]).drop_duplicates("item").reset_index(drop=True)
    pack, role, critical = (found["item"].map(unit.items.set_index("item")[column]).astype(kind)
                            for column, kind in (("pack", float), ("role", str), ("critical", bool)))
    none_out = (found["actual_units"] == 0) & ~critical
    instead = (found["expected_units"] <= 0) & role.isin(role[none_out])
    times = found["actual_units"] / np.maximum(found["expected_units"], 1e-9)
    found["say"] = np.select(
        [instead, none_out & role.isin(role[instead]),
         _is_about(times * pack, pack), _is_about(times / pack, pack), found["unexplained_value"] > 0],
        ["issued, and the plan counts on another for the same: " + role + ' = "' + found["item"]
         + '" under [prefer] in unit.toml?',
         "another is issued for the same: is that one to stand under [prefer] in unit.toml?",
         "about one for each pack that the recipe needs: packs booked as units?",
         "about a pack for each unit that the recipe needs: units booked as packs?",
         "more went out than census, events and recipe explain: walked off, miscoded or wasted?"],
        "less went out than the recipe needs: skipped, kept elsewhere or not booked?",
    )
    order = found["unexplained_value"].abs().sort_values(ascending=False, kind="stable").index
    return found.loc[order, columns].reset_index(drop=True)


def _span(months: list[str], which: str) -> str:
    """Say how many months are meant, and which lie between them that the comparison does not have."""
    between = pd.period_range(months[0], months[-1], freq="M").astype(str)
    left_out = [m for m in between if m not in months]
    return f"{which} {len(months)} months" + (f" without {months_said(left_out)}" if left_out else "")


def _is_about(ratio: pd.Series, pack: pd.Series) -> pd.Series:
    """Ratios within a half of 1, for packs so large that a slip of booking stands out from a slip of practice."""
    return (pack >= _FEWEST_IN_PACK) & ratio.between(2 / 3, 3 / 2)


def _over_limit(by_item: pd.DataFrame, unit: Unit) -> pd.DataFrame:
    """Items whose unexplained share and money are worth a question and more than chance (a Poisson count's 99 %)."""
    sums = by_item.groupby("item", sort=False)[["expected_units", "actual_units", "unexplained"]].sum().reset_index()
    sums = sums.rename(columns={"unexplained": "unexplained_value"})
    base = np.maximum(sums["expected_units"], 1e-9)
    sums["unexplained_share"] = np.where(sums["expected_units"] > 0.5, sums["actual_units"] / base - 1, 1.0)
    policy = unit.forecast
    more_than_chance = (sums["actual_units"] - sums["expected_units"]).abs() > _CHANCE_SD * np.sqrt(base)
    over = (sums["unexplained_share"].abs() > policy.unexplained_limit) & more_than_chance
    return sums[over & (sums["unexplained_value"].abs() >= policy.unexplained_worth)]


def _sentences(unit: Unit, by_month: pd.DataFrame, named: pd.DataFrame) -> list[str]:
    if not len(by_month):
        return []
    last = by_month.iloc[-1]
    gap = last["actual_value"] - last["forecast_value"]
    effects = sorted(EFFECTS, key=lambda e: -abs(last[e]))
    parts = ", ".join(f"{EFFECTS[e]} {figure(last[e], unit.currency, '+')}" for e in effects if abs(last[e]) >= 0.005)
    lines = [
        f"{last['month']}: {exact(last['actual_value'], unit.currency)} spent, {figure(abs(gap), unit.currency)} "
        f"{'over' if gap > 0 else 'under'} what would have been forecast: {parts or 'nothing moved'}."
    ]
    called = dict(zip(unit.items["item"], unit.items["description"]))
    lines += [
        f"{called.get(row.item, row.item)}, {row.months}: {100 * row.unexplained_share:+.0f} % against what was to be "
        f"expected ({exact(row.unexplained_value, unit.currency, '+')}): {row.say}"
        for row in named.head(5).itertuples()
    ]
    return lines
