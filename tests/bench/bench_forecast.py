"""Forecast error against both baselines and coverage of the bands, on hundreds of invented units with a known future.

Run: python tests/bench/bench_forecast.py [units] [first]. Half of the units have a winter peak; histories are of 18, 24
or 36 months; levels drift by 3 % a month. The year after the history is played on by the same process and compared:
every month, every quarter, the whole year.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent.parent))
AHEAD = 12
SPANS = {"month": 1, "quarter": 3, "year": 12}


def _load(path: Path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


INVENTED = _load(HERE.parent / "demand" / "invented_log.py")
UNITS = _load(HERE.parent / "conftest.py")
FIRST = date(2022, 1, 1)


def invent(seed: int):
    """(unit with its history, months of history, airway-days and re-secures of the months after, seasonal or not)."""
    rng = np.random.default_rng(seed)
    history, swing = int(rng.choice([18, 24, 36])), float(rng.choice([0.0, 0.35]))
    months = pd.period_range("2022-01", periods=history + AHEAD, freq="M")
    edges = np.concatenate([[0], np.cumsum(months.days_in_month)]).astype(float)
    n_days = int(edges[-1])
    drift = np.exp(np.cumsum(rng.normal(0, 0.03, len(months))))
    season = 1 + swing * np.cos(2 * np.pi * (np.arange(len(months)) % 12) / 12)
    stratum, start, end = INVENTED.invent_stays(rng, n_days, 14.0, 6.0, np.array([0.5, 0.2, 0.3]), 0.9)
    month = np.clip(np.searchsorted(edges, start, side="right") - 1, 0, len(months) - 1)
    level = (drift * season)[month]
    kept = rng.random(len(start)) < level / (drift * season).max()
    stratum, start, end = stratum[kept], start[kept], end[kept]
    truth = INVENTED.Truth(float(rng.uniform(55, 90)), 1.5, (0.12, 0.03, 0.05, 0.02), 0.4, (1.0, 0.85, 1.15))
    stay, day, reason = INVENTED.invent_events(rng, truth, stratum, start, end, until=float(n_days))
    cut = edges[history]
    unit = _unit(stratum, start, end, stay, day, reason, cut)
    lived = [np.clip(np.minimum(end, b) - np.maximum(start, a), 0, None).sum() for a, b in pairwise(edges)]
    renewed = np.histogram(day, edges)[0]
    return unit, history, np.array(lived)[history:], renewed[history:], swing > 0


def _unit(stratum, start, end, stay, day, reason, cut: float):
    seen = start < cut
    rows = pd.DataFrame(
        {
            "airway": [f"A{i}" for i in range(len(start))],
            "stratum": stratum,
            "start": start,
            "end": np.where(end > cut, np.nan, end),
        }
    )
    nobody = pd.DataFrame({"stratum": np.zeros(0, int), "mean_airways": np.zeros(0)})
    census = UNITS.Census(
        "stays",
        rows[seen].reset_index(drop=True),
        FIRST,
        FIRST + timedelta(days=int(cut) - 1),
        None,
        1.0,
        nobody,
    )
    inside = (day >= 0) & (day < cut)
    log = pd.DataFrame(
        {
            "stratum": stratum[stay[inside]],
            "airway": rows["airway"].to_numpy()[stay[inside]],
            "day": day[inside],
            "reason": np.array(INVENTED.REASONS)[reason[inside]],
        }
    )
    log["date"] = [FIRST + timedelta(days=int(d)) for d in log["day"]]
    return UNITS.make_unit(census, log=log, frequency=UNITS.make_frequency(3, redo=0.0))


def measure(n_units: int, first_unit: int) -> None:
    from kitplan.demand.estimate import learn
    from kitplan.parts.forecast.months import monthly_census
    from kitplan.parts.forecast.months_ahead import forecast_and_sampled
    from kitplan.parts.forecast.paths import Paths
    from kitplan.parts.forecast.timeseries import last_three, same_month_last_year
    from kitplan.read.values import Doubt

    rules = {"mean of the last three months": last_three, "same month of last year": same_month_last_year}
    errors: dict[str, list[float]] = {name: [] for name in ("fitted", *rules)}
    held: dict[tuple[str, str], list[tuple[bool, bool, float]]] = {}
    seconds = []
    for seed in range(first_unit, first_unit + n_units):
        unit, _, lived, renewed, _ = invent(seed)
        unit = replace(unit, doubt=Doubt(learn=True))
        learnt = learn(unit)
        begin = time.process_time()
        forecast, sampled = forecast_and_sampled(unit, learnt=learnt, months=AHEAD)
        seconds.append(time.process_time() - begin)
        ahead = sampled.ahead(AHEAD)
        re_secures = ahead.renewed @ forecast.model.counted()
        for what, actual, draws in (("airway_days", lived, ahead.airway_days.sum(axis=2)),
                                    ("re_secures", renewed, re_secures)):
            paths = Paths(ahead.names, draws)
            for name, months in SPANS.items():
                for first in range(0, AHEAD, months):
                    mean, low95, low, high, high95 = paths.band(first, months)
                    came = actual[first : first + months].sum()
                    row = low <= came <= high, low95 <= came <= high95, (high - low) / mean
                    held.setdefault((what, name), []).append(row)
        series = monthly_census(unit).series()
        scale = np.abs(np.diff(series)).mean() * 30.4
        days = np.array([pd.Period(m).days_in_month for m in forecast.total["month"]])
        errors["fitted"].append(np.abs(forecast.total["airway_days"] - lived).mean() / scale)
        for name, rule in rules.items():
            errors[name].append(np.abs(rule(series, AHEAD) * days - lived).mean() / scale)
    print(f"{n_units} units from number {first_unit}, {AHEAD} months ahead")
    for name, values in errors.items():
        print(f"scaled error, {name}: {np.mean(values):.3f}")
    for (what, name), rows in held.items():
        in80, in95, width = np.mean(rows, axis=0)
        print(f"{what}, {name}: 80 % band held {in80:.1%}, 95 % band {in95:.1%}; 80 % band {width:.0%} wide")
    print(f"a forecast takes {np.median(seconds):.2f} s of processor time")


def time_large() -> None:
    """Two years of 60 beds: learn and forecast."""
    from kitplan.demand.estimate import learn
    from kitplan.parts.forecast.months_ahead import forecast_and_sampled

    rng = np.random.default_rng(5)
    cut = 731.0
    stratum, start, end = INVENTED.invent_stays(rng, int(cut), 60.0, 6.5, np.array([0.5, 0.2, 0.3]))
    stay, day, reason = INVENTED.invent_events(
        rng, INVENTED.Truth(factor=(1.0, 1.0, 1.0)), stratum, start, end, until=cut
    )
    unit = replace(_unit(stratum, start, end, stay, day, reason, cut), name="Sixty beds")
    begin = time.perf_counter()
    learnt = learn(unit)
    middle = time.perf_counter()
    forecast_and_sampled(unit, learnt=learnt)
    print(
        f"two years of 60 beds: {learnt.events:,} events learnt in {middle - begin:.2f} s, "
        f"twelve months forecast in {time.perf_counter() - middle:.2f} s"
    )


if __name__ == "__main__":
    measure(*(int(given) for given in (*sys.argv[1:], *("200", "0")[len(sys.argv) - 1 :])))
    time_large()
