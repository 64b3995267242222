"""Bias and coverage of what is learnt from a log, on hundreds of invented units with a known truth.

Run: python tests/bench/bench_rates.py [units]. Prints the mean relative error of the rates, how often 95 %
intervals hold the truth, false trend warnings, and the time for two years of 60 beds. The truth of a rate is what
the same process gives in a very long run of the same stays.
"""

from __future__ import annotations

import importlib.util
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent.parent))


def _load(path: Path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[path.stem] = module
    spec.loader.exec_module(module)
    return module


INVENTED = _load(HERE.parent / "demand" / "invented_log.py")


def draw_truth(rng: np.random.Generator, n_strata: int, share: np.ndarray):
    factor = np.exp(rng.normal(0, 0.25, n_strata))
    factor /= (factor * share).sum()
    return INVENTED.Truth(
        scale_hours=float(rng.uniform(45, 120)),
        shape=float(rng.uniform(1.1, 2.2)),
        per_day=tuple(np.array([0.12, 0.03, 0.05, 0.02]) * rng.uniform(0.5, 1.8)),
        spread=float(rng.uniform(0.0, 0.7)),
        factor=tuple(factor),
    )


def true_rates(truth, n_strata: int, mean_stay: float) -> np.ndarray:
    """Events per airway-day of each stratum by playing 4,000 airways of each to their ends."""
    rng = np.random.default_rng(99)
    stratum = np.repeat(np.arange(n_strata), 4000)
    start = rng.uniform(0, 1, len(stratum))
    end = start + np.minimum(rng.lognormal(np.log(mean_stay) - 0.5, 1.0, len(stratum)), 40 * mean_stay)
    stay, _, _ = INVENTED.invent_events(rng, truth, stratum, start, end)
    days = np.bincount(stratum, weights=end - start, minlength=n_strata)
    return np.bincount(stratum[stay], minlength=n_strata) / days


def invent_unit(
    seed: int, n_strata: int = 6, n_days: int = 365, mean_airways: float = 16.0, mean_stay: float = 6.5
):
    rng = np.random.default_rng(seed)
    share = rng.dirichlet(np.full(n_strata, 1.5))
    truth = draw_truth(rng, n_strata, share)
    stratum, start, end = INVENTED.invent_stays(rng, n_days, mean_airways, mean_stay, share)
    events = INVENTED.invent_events(rng, truth, stratum, start, end, until=float(n_days))
    return truth, INVENTED.unit_of(n_strata, n_days, stratum, start, end, *events)


def _holds(low: float, value: float, high: float) -> bool:
    return bool(low <= value <= high)


def measure(n_units: int) -> None:
    from kitplan.demand.estimate import learn
    from kitplan.demand.resecure import long_run_rates

    errors, raw_errors, covered, curve_error, curve_covered, trends, overall, long_run = (
        [] for _ in range(8)
    )
    small = []
    for seed in range(n_units):
        truth, unit = invent_unit(seed)
        learnt = learn(unit)
        rates = learnt.rates
        true = true_rates(truth, unit.n_strata, 6.5)
        seen = (rates["airway_days"] > 0).to_numpy()
        errors += list((rates["rate_per_day"] / true - 1)[seen])
        raw_errors += list((rates["unpooled_rate"] / true - 1)[seen])
        hits = ((rates["low"] <= true) & (true <= rates["high"])).to_numpy()
        covered += list(hits[seen])
        small += list(hits[seen & (rates["events"] < 60)])
        days = rates["airway_days"].to_numpy()
        overall.append((rates["rate_per_day"] @ days) / (true @ days) - 1)
        curve = learnt.curve
        level = (np.array(truth.factor) * rates["events"]).sum() / rates["events"].sum()
        known = {
            "shape": truth.shape,
            "spread": truth.spread,
            "constant_per_day": sum(truth.per_day) * level,
            "scale_hours": truth.scale_hours * level ** (-1 / truth.shape),
        }
        found = {
            "shape": curve.shape,
            "spread": curve.spread,
            "constant_per_day": curve.constant_per_day,
            "scale_hours": curve.scale_hours,
        }
        curve_error.append([found[k] / known[k] - 1 if k != "spread" else found[k] - known[k] for k in known])
        curve_covered.append([_holds(curve.low[k], known[k], curve.high[k]) for k in known])
        trends.append(learnt.trend.warns)
        main = int(np.argmax(days))
        replanned = replace(unit, frequency=learnt.frequency(unit))
        truly = replace(unit, frequency=INVENTED.frequency_of(truth, unit.n_strata))
        long_run.append(
            long_run_rates(replanned)["re_secures_per_day"][main]
            / long_run_rates(truly)["re_secures_per_day"][main]
            - 1
        )
    print(f"{n_units} units, {len(errors)} strata")
    print(
        f"rate: bias {np.mean(errors):+.3%}, spread of error {np.std(errors):.3%} "
        f"(unpooled {np.nanstd(raw_errors):.3%})"
    )
    print(f"rate of the whole unit: bias {np.mean(overall):+.3%}, spread {np.std(overall):.3%}")
    print(
        f"95 % interval of a rate holds the truth: {np.mean(covered):.1%}; "
        f"strata under 60 events: {np.mean(small):.1%} of {len(small)}"
    )
    for i, name in enumerate(["shape", "spread", "constant_per_day", "scale_hours"]):
        print(
            f"curve {name}: bias {np.mean(curve_error, 0)[i]:+.3f}, coverage {np.mean(curve_covered, 0)[i]:.1%}"
        )
    print(
        f"long-run rate planned from the learnt block, main stratum: bias {np.nanmean(long_run):+.3%}, "
        f"spread {np.std(long_run):.3%}"
    )
    print(f"trend warnings without a trend: {np.mean(trends):.1%}")


def time_large() -> None:
    from kitplan.demand.estimate import learn

    _, unit = invent_unit(1, n_strata=12, n_days=730, mean_airways=60.0)
    begin = time.perf_counter()
    learnt = learn(unit)
    print(f"two years of 60 beds: {learnt.events:,} events learnt in {time.perf_counter() - begin:.2f} s")


if __name__ == "__main__":
    measure(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
    time_large()
