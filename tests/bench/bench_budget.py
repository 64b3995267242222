"""Where a budget year lands, on made-up units whose year is known: is the truth inside the bands, and how far off?

Run: python tests/bench/bench_budget.py [units] [first]. Units as in bench_forecast.py (18, 24 or 36 months of
history, half with a winter peak, drifting levels). Each takes its supplies by its own events and recipe times a level
of its own (0.8 to 1.4: what leaks, or is never booked) and a weekly noise; stock_issues tell it up to the middle of the
budget year. Half of the units keep a log, half plan on the shipped guess, which is wrong for them.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parent))
import bench_forecast as made_up

KNOWN = 6


def invent(seed: int):
    """(unit with issues and a budget year half over, money of each month of that year as it was)."""
    from kitplan.demand.use import use_model
    from kitplan.read.values import Budget

    kept = {}
    made_up.AHEAD = KNOWN
    plain = made_up._unit

    def remember(stratum, start, end, stay, day, reason, cut):
        kept.update(stratum=stratum, start=start, stay=stay, day=day)
        return plain(stratum, start, end, stay, day, reason, cut)

    made_up._unit = remember
    unit, history, *_ = made_up.invent(seed)
    made_up._unit = plain
    rng = np.random.default_rng([seed, 7])
    months = pd.period_range("2022-01", periods=history + KNOWN, freq="M")
    model = use_model(unit)
    weeks = int(months.days_in_month.to_numpy().sum() / 7) + 1
    units = _weekly(kept, weeks, unit.n_strata) @ model.per_event()
    units += _arrived(kept, weeks, unit.n_strata) @ model.per_admission()
    units *= rng.uniform(0.8, 1.4) * rng.lognormal(0, 0.15, (weeks, 1)) * rng.lognormal(0, 0.1, units.shape[1])
    day = pd.Timestamp("2022-01-01") + pd.to_timedelta(7 * np.arange(weeks) + 6, unit="D")
    frame = pd.DataFrame(np.round(units), index=day, columns=model.items).stack().rename("units").reset_index()
    frame.columns = ["date", "item", "units"]
    frame = frame[frame["units"] > 0].assign(price=np.nan)
    price = dict(zip(model.items, model.price))
    spent = (frame["units"] * frame["item"].map(price)).groupby(frame["date"].dt.to_period("M")).sum()
    end = months[history - 1].end_time
    lines = pd.DataFrame({name: [] for name in ("month", "item", "amount", "spent")})
    start = str(months[history - KNOWN])
    unit = replace(unit, issues=frame[frame["date"] <= end], budget=Budget(start, 10_000.0, lines),
                   log=unit.log if seed % 2 else None)
    return unit, spent.reindex(months[history - KNOWN:], fill_value=0.0).to_numpy()


def _weekly(kept, weeks, n_strata):
    counts = np.zeros((weeks, n_strata))
    day, stratum = kept["day"], kept["stratum"][kept["stay"]]
    inside = (day >= 0) & (day < 7 * weeks)
    np.add.at(counts, ((day[inside] / 7).astype(int), stratum[inside]), 1.0)
    return counts


def _arrived(kept, weeks, n_strata):
    counts = np.zeros((weeks, n_strata))
    inside = (kept["start"] >= 0) & (kept["start"] < 7 * weeks)
    np.add.at(counts, ((kept["start"][inside] / 7).astype(int), kept["stratum"][inside]), 1.0)
    return counts


def measure(n_units: int, first: int) -> None:
    from kitplan.demand.estimate import learn
    from kitplan.parts.forecast.budget import budget_year
    from kitplan.parts.forecast.months_ahead import forecast_and_sampled

    rows = []
    for seed in range(first, first + n_units):
        unit, truth = invent(seed)
        _, sampled = forecast_and_sampled(unit, learnt=learn(unit), draws=2000)
        year = budget_year(unit, sampled)
        periods = year.periods
        sums = {"month": truth, "quarter": truth.reshape(4, 3).sum(axis=1), "year": truth.sum(keepdims=True)}
        for kind, values in sums.items():
            own = periods[periods["kind"] == kind]
            ahead = own["source"].str.contains("ahead").to_numpy()
            for share, low, high in ((80, "low_landing", "high_landing"), (95, "low_95_landing", "high_95_landing")):
                held = (own[low] <= values) & (values <= own[high])
                rows += [(seed % 2, kind, share, bool(h)) for h in held[ahead]]
        rows.append((seed % 2, "error", 0, abs(year.landing[0] / truth.sum() - 1)))
    frame = pd.DataFrame(rows, columns=["log", "kind", "share", "held"])
    print(f"{n_units} units from number {first}, half of the year known")
    for (kind, share), held in frame[frame["share"] > 0].groupby(["kind", "share"])["held"]:
        print(f"all: {share} % band of the {kind} held {held.astype(float).mean():.1%} ({len(held)})")
    for (log, kind, share), held in frame.groupby(["log", "kind", "share"])["held"]:
        name = "mean error of the landing" if kind == "error" else f"{share} % band of the {kind} held"
        print(f"{'log' if log else 'guess'}: {name} {held.astype(float).mean():.1%} ({len(held)})")


if __name__ == "__main__":
    measure(*(int(given) for given in (*sys.argv[1:], *("160", "0")[len(sys.argv) - 1 :])))
