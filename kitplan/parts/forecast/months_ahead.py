"""Months ahead: airway-days by stratum, through rate and recipe, to items, packs and money, with bands.

The bands come from simulation and carry three doubts together: how many airways (the census forecast's own errors),
how often they are renewed (the posterior of the rates), and chance (who loosens, who arrives).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.best_knowledge import said_of_rate, what_the_log_says, with_best_knowledge
from kitplan.demand.estimate import Learnt
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.use import UseModel, use_model
from kitplan.demand.values import ItemChoice
from kitplan.parts.forecast.fitted import NAME, month_law, snapshot_paths
from kitplan.parts.forecast.issue_days import IssueDays, issue_days, window
from kitplan.parts.forecast.months import (
    MonthlyCensus,
    lived_between,
    monthly_census,
    monthly_issues,
    months_ahead,
    months_before,
    months_spent,
    months_to_draw,
    past_values,
    same_month_last_year,
    set_against,
    year_before,
)
from kitplan.parts.forecast.own_use import Sampled, on_own_level
from kitplan.parts.forecast.paths import BANDS, Paths
from kitplan.parts.forecast.prices import price_book
from kitplan.parts.forecast.timeseries import BackTest, Method, back_test
from kitplan.read.values import Unit

DRAWS = 2000
"""Courses of the months ahead: chance moves what a band of 80 % holds by under a point."""


@dataclass(frozen=True, repr=False)
class Forecast(Result, writes={
    "monthly_use": "use", "monthly_total": "total", "monthly_periods": "periods", "item_year": "item_year",
    "backtest": "backtest", "census_history": "history",
}):
    """What the months ahead need. Frames as in config/columns.csv: monthly_use, monthly_total, backtest,
    census_history, item_year. reason: how the census was forecast, and how that did on past months. learnt: whether the
    rates are the unit's own. periods: money by quarter and in all. year_value: money of all months ahead with its 80 %
    band.
    before: money of the past months to set it against (NaN: not known) and what they are called; before_source: where
    that comes from. model: use by airway-day and arrival. paths: the months as they may come. sentences: what to say
    first. notes: what was left out or assumed.
    """

    use: pd.DataFrame
    total: pd.DataFrame
    periods: pd.DataFrame
    item_year: pd.DataFrame
    backtest: pd.DataFrame
    history: pd.DataFrame
    reason: str
    learnt: bool
    year_value: tuple[float, float, float]
    before: tuple[float, str]
    before_source: str
    model: UseModel
    paths: Paths
    sentences: tuple[str, ...]
    notes: tuple[str, ...]


def forecast_and_sampled(
    unit: Unit,
    seed: int | None = None,
    learnt: Learnt | None = None,
    months: int | None = None,
    draws: int = DRAWS,
    item_choice: ItemChoice | None = None,
) -> tuple[Forecast, Sampled]:
    """Forecast `months` (default: the unit's policy) from the first that is neither whole nor spent, and the sampled
    months this rests on, to the end of the budget year at least. item_choice: what serves the roles (default: the
    cheapest).
    """
    unit = with_best_knowledge(unit)
    seed = unit.planning.seed if seed is None else seed
    months = months or unit.forecast.months
    learnt = learnt or what_the_log_says(unit)
    model = use_model(unit, item_choice)
    monthly = monthly_census(unit)
    names, days, of_year = months_ahead(monthly, months_to_draw(unit, monthly, months))
    rng = np.random.default_rng(np.random.SeedSequence([seed, crc32(b"forecast")]))
    airways, coming, tried = _airways_ahead(unit, monthly, len(names), draws, rng)
    share = draw_shares(monthly, of_year, draws, rng)
    airway_days, arrived = draw_airway_days(unit, airways * days, coming * days, share, model.arrivals, days, rng)
    past = months_before(unit, monthly)
    issued = issue_days(unit) if monthly.months is not None else None
    lived = _lived(unit, monthly, past, (airway_days / days[0], arrived / days[0]), issued, model.arrivals, rng)
    airway_days, arrived = (np.concatenate(both, axis=1) for both in zip(lived, (airway_days, arrived)))
    renewed = draw_renewals(airway_days, model, learnt.dispersion, fit_posterior(unit).rate, rng)
    use = renewed.astype(np.float32) @ model.per_day.astype(np.float32)  # the largest array: short numbers, one copy
    use += arrived.astype(np.float32) @ model.per_arrival.astype(np.float32)
    np.maximum(use, 0.0, out=use)
    all_names = (*past, *names)
    sampled = Sampled(all_names, len(past) + months_spent(unit, monthly), np.concatenate([_lengths(past), days]),
                      airway_days, arrived, renewed, use, _prices(unit, all_names, dated=monthly.months is not None))
    known = frozenset() if monthly.months is None else frozenset(map(str, monthly.months[monthly.complete]))
    sampled, said = on_own_level(unit, sampled, monthly_issues(unit), known, rng, issued)
    forecast = _result(unit, model, learnt, monthly, tried, sampled.ahead(months))
    return replace(forecast, notes=(*said, *forecast.notes)), sampled


def _lengths(months: tuple[str, ...]) -> np.ndarray:
    return pd.PeriodIndex(months, freq="M").days_in_month.to_numpy().astype(float) if months else np.zeros(0)


def _lived(
    unit: Unit, monthly: MonthlyCensus, past: tuple[str, ...], ahead: tuple[np.ndarray, np.ndarray],
    issued: IssueDays | None, turnover: np.ndarray, rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Airway-days and arrivals of past months, ndarray (draws, n_past, n_strata) each: the census's own, of the days
    that the month's issues made good, or where it does not know the month those of the first month ahead (`ahead`:
    both, a day). Where it does not count arrivals, they are drawn.
    """
    days, came = (np.repeat(part[:, :1], len(past), axis=1) * _lengths(past)[None, :, None] for part in ahead)
    complete = set() if monthly.months is None else set(monthly.months[monthly.complete])
    known = [k for k, name in enumerate(past) if pd.Period(name, "M") in complete]
    if known:
        lived, counted = lived_between(unit, [window(pd.Period(past[k], "M"), issued) for k in known])
        days[:, known] = np.where(np.isnan(lived), days[:, known], lived)
        came[:, known] = np.where(np.isnan(counted), _about(days[:, known] * turnover, rng), counted)
    return days, came


def _about(mean: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Numbers as uneven as counts of these means: gamma with mean and variance of a Poisson number."""
    shape = np.maximum(mean, 1e-3)
    return mean * rng.standard_gamma(shape) / shape


def _prices(unit: Unit, names: tuple[str, ...], dated: bool) -> np.ndarray:
    """Money of one item expected in each month, ndarray (months, n_items); without a calendar the latest known."""
    book = price_book(unit)
    pack = unit.items["pack"].to_numpy(float)
    whole = book.in_months(pd.PeriodIndex(names, freq="M")) if dated else np.tile(book.last(), (len(names), 1))
    return whole / pack


def _airways_ahead(
    unit: Unit, monthly: MonthlyCensus, months: int, draws: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, BackTest]:
    """Mean airways ahead, those that arrivals make expect, (draws, months) each; how this forecasting did before."""
    if monthly.months is None:
        said = "one day's count stands for every month"
        return *snapshot_paths(unit, months, draws, rng), replace(back_test(np.zeros(1)), reason=said)
    series, law = monthly.series(), month_law(unit, monthly, months)
    return *law.draw(series, months, draws, rng), back_test(series, Method(NAME, 1, False, law.ahead))


def draw_airway_days(
    unit: Unit, total: np.ndarray, coming: np.ndarray, share: np.ndarray, turnover: np.ndarray, days: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Airway-days and arrivals by draw, month and stratum, ndarray (draws, months, n_strata) each.

    total: airway-days of all strata; coming: those that the arrivals make expect, (draws, months) each. Long stays fill
    beds and bring no arrival, so the two differ; whose arrivals they are is chance. turnover: arrivals an airway-day.
    """
    airway_days, mean = total[:, :, None] * share, coming[:, :, None] * share * turnover
    arrived = _about(mean, rng)
    arrived *= (mean.sum(axis=2) / np.maximum(arrived.sum(axis=2), 1e-300))[:, :, None]
    for stratum, airways in unit.census.expected[["stratum", "mean_airways"]].itertuples(index=False):
        shape = np.maximum(airways * days / 10.0, 1e-3)
        more = airways * days * rng.standard_gamma(shape, total.shape) / shape
        airway_days[:, :, int(stratum)] += more
        arrived[:, :, int(stratum)] += _about(more * turnover[int(stratum)], rng)
    return airway_days, arrived


def draw_shares(
    monthly: MonthlyCensus, of_year: np.ndarray, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """Shares of the strata, ndarray (draws, months, n_strata): Dirichlet around a weighted mean of past months.

    Late months weigh more (half as much every 12 months back), the same time of year three times as much.
    """
    use = monthly.complete if monthly.complete.any() else monthly.known_days > 0
    past = np.nan_to_num(monthly.mean_airways[use])
    past = past / np.maximum(past.sum(axis=1, keepdims=True), 1e-9)
    age = np.arange(len(past))[::-1]
    weight = 0.5 ** (age / 12.0)[None, :] * np.ones((len(of_year), 1))
    if monthly.months is not None:
        month = monthly.months[use].month.to_numpy()
        apart = np.abs(month[None, :] - of_year[:, None])
        weight = weight * np.where(np.minimum(apart, 12 - apart) <= 1, 3.0, 1.0)
    weight = weight / weight.sum(axis=1, keepdims=True)
    centre = weight @ past
    centre = np.maximum(centre, 1e-9) / np.maximum(centre, 1e-9).sum(axis=1, keepdims=True)
    gamma = rng.standard_gamma(np.broadcast_to(_concentration(past) * centre, (draws, *centre.shape)))
    return gamma / np.maximum(gamma.sum(axis=2, keepdims=True), 1e-300)


def _concentration(past: np.ndarray) -> float:
    """Dirichlet concentration by moments: how steady the shares are from month to month."""
    if len(past) < 3:
        return 30.0
    mean = past.mean(axis=0)
    varied = past.var(axis=0, ddof=1).sum()
    return float(np.clip((mean * (1 - mean)).sum() / max(varied, 1e-9) - 1, 5.0, 2000.0))


def draw_renewals(
    airway_days: np.ndarray, model: UseModel, dispersion: np.ndarray, rate: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Renewal days, ndarray (draws, months, n_strata): airway-days times how much more often than the model's mean rate
    was renewed. The doubt about the rate is common to all months of a draw, chance is each month's own (gamma with the
    counts' variance).
    """
    rows = rng.permutation(len(airway_days)) % len(rate)
    doubt = rate[rows][:, None, :]
    events = np.maximum(airway_days * model.rate, 1e-3) / dispersion
    return np.asarray(airway_days * doubt * rng.standard_gamma(events) / events)


def _result(
    unit: Unit, model: UseModel, learnt: Learnt, monthly: MonthlyCensus, tried: BackTest, sampled: Sampled
) -> Forecast:
    names, money = list(sampled.names), sampled.money()
    airway_days, attempts = sampled.airway_days.sum(axis=2), sampled.renewed @ model.counted()
    paths = Paths(tuple(names), money.astype(np.float32))
    total = _bands({"airway_days": airway_days, "re_secures": attempts, "value": money})
    total.insert(0, "month", names)
    past, source = past_values(unit, model, monthly)
    total["last_year_value"] = same_month_last_year(past, names, dated=monthly.months is not None)
    before = year_before(past, total["last_year_value"], names, dated=monthly.months is not None)
    compared = set_against(total["last_year_value"])
    like = float(total["value"][compared].sum())
    mean, low95, low, high, high95 = paths.band()
    item_year = _item_year(unit, sampled)
    return Forecast(
        use=_use_frame(unit, sampled),
        total=total,
        periods=by_period(paths),
        item_year=item_year,
        backtest=tried.table,
        history=_history(monthly),
        reason=tried.reason,
        learnt=learnt.used,
        year_value=(mean, low, high),
        before=before,
        before_source=source,
        model=model,
        paths=paths,
        sentences=_sentences(unit, names, mean, (low, high, low95, high95), before, source, like, item_year,
                             learnt),
        notes=(*monthly.notes, f"Census: {tried.reason}.", said_of_rate(unit)),
    )


def _bands(parts: dict[str, np.ndarray]) -> pd.DataFrame:
    """Mean and bands of draws (draws, months): x, low_x, high_x (80 %), low_95_x, high_95_x."""
    columns: dict[str, np.ndarray] = {}
    for name, draws in parts.items():
        low95, low, high, high95 = np.quantile(draws, BANDS, axis=0)
        columns |= {
            name: draws.mean(axis=0, dtype=float),
            f"low_{name}": low,
            f"high_{name}": high,
            f"low_95_{name}": low95,
            f"high_95_{name}": high95,
        }
    return pd.DataFrame(columns)


def by_period(paths: Paths) -> pd.DataFrame:
    """Money by quarter and of all months, with the bands of the sums.

    Quarters are the calendar's; the first and the last may hold fewer months. Without a calendar: three months each.
    """
    names = paths.months
    quarter = [str(pd.Period(n, "M").asfreq("Q")) if n[:4].isdigit() else f"months {k // 3 * 3 + 1} to {k // 3 * 3 + 3}"
               for k, n in enumerate(names)]
    rows = [(label, "quarter", quarter.count(label), *paths.band(quarter.index(label), quarter.count(label)))
            for label in dict.fromkeys(quarter)]
    rows.append((f"{names[0]} to {names[-1]}", "all", len(names), *paths.band()))
    return pd.DataFrame(rows, columns=["period", "kind", "months", "value", "low_95_value", "low_value", "high_value",
                                       "high_95_value"])


def _use_frame(unit: Unit, sampled: Sampled) -> pd.DataFrame:
    mean = sampled.use.mean(axis=0, dtype=float)
    by_month = [np.quantile(sampled.use[:, m], BANDS, axis=0) for m in range(len(sampled.names))]
    low95, low, high, high95 = np.stack(by_month, axis=1)
    used = np.nonzero(mean.sum(axis=0) > 1e-9)[0]
    pack = unit.items["pack"].to_numpy(float)
    month, item = (g.ravel() for g in np.meshgrid(np.arange(len(sampled.names)), used, indexing="ij"))
    at = (month, item)
    return pd.DataFrame(
        {
            "month": np.array(sampled.names)[month],
            "item": unit.items["item"].to_numpy()[item],
            "expected_units": mean[at],
            "low_units": np.floor(low[at]),
            "high_units": np.ceil(high[at]),
            "low_95_units": np.floor(low95[at]),
            "high_95_units": np.ceil(high95[at]),
            "expected_packs": mean[at] / pack[item],
            "value": mean[at] * sampled.price[at],
        }
    )


def _item_year(unit: Unit, sampled: Sampled) -> pd.DataFrame:
    """All months together by item, dearest first."""
    whole = sampled.use.sum(axis=1, dtype=float)
    low, high = np.quantile(whole, [0.10, 0.90], axis=0)
    mean = whole.mean(axis=0)
    value = (sampled.use.mean(axis=0, dtype=float) * sampled.price).sum(axis=0)
    price = np.divide(value, mean, out=np.zeros_like(mean), where=mean > 0)
    frame = pd.DataFrame(
        {
            "item": unit.items["item"].to_numpy(),
            "description": unit.items["description"].to_numpy(),
            "expected_units": mean,
            "low_units": np.floor(low),
            "high_units": np.ceil(high),
            "expected_packs": mean / unit.items["pack"].to_numpy(float),
            "value": value,
            "low_value": low * price,
            "high_value": high * price,
        }
    )
    frame["share"] = frame["value"] / max(frame["value"].sum(), 1e-9)
    frame = frame[frame["expected_units"] > 1e-9]
    return frame.sort_values("value", ascending=False, kind="stable").reset_index(drop=True)


def _history(monthly: MonthlyCensus) -> pd.DataFrame:
    mean = monthly.mean_airways.sum(axis=1)
    names = ["one day's count"] if monthly.months is None else [str(m) for m in monthly.months]
    return pd.DataFrame(
        {
            "month": names,
            "complete": monthly.complete,
            "known_days": monthly.known_days.astype(int),
            "mean_airways": mean,
            "airway_days": mean * monthly.days,
        }
    )


def _sentences(
    unit: Unit,
    names: list[str],
    mean: float,
    band: tuple[float, float, float, float],
    before: tuple[float, str],
    source: str,
    like: float,
    item_year: pd.DataFrame,
    learnt: Learnt,
) -> tuple[str, ...]:
    money = unit.currency
    lines = [
        f"{names[0].capitalize()} to {names[-1]}: {mean:,.0f} {money} of supplies; 8 times in 10 between "
        f"{band[0]:,.0f} and {band[1]:,.0f} (80 % band), 19 times in 20 between {band[2]:,.0f} "
        f"and {band[3]:,.0f} (95 % band)."
    ]
    spent, called = before
    if np.isfinite(spent) and spent > 0:
        change = like / spent - 1
        those = "the forecast" + ("" if np.isclose(like, mean) else " without them")
        side = "above" if change > 0 else "below"
        against = f"{100 * abs(change):.0f} % {side}" if abs(change) >= 0.005 else "about as much"
        lines.append(f"{called[0].upper() + called[1:]}: {spent:,.0f} {money} ({source}); {those} is {against}.")
    top = item_year.head(5)
    if len(top):
        lines.append(f"{len(top)} items make {100 * top['share'].sum():.0f} % of it: {'; '.join(top['description'])}.")
    if learnt.trend.warns:
        lines.append(learnt.trend.sentence)
    return tuple(lines)
