"""What a plan may ask of the machine: time and memory stay bounded however large the unit or long the interval."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from kitplan.demand.item_choice import exact_checks
from kitplan.demand.occupancy import arrivals_per_day, interval_checks, mean_airways
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.rate_grid import alike_models, factor_grid, reach
from kitplan.demand.resecure import (
    STATIONARY_CHECKS,
    check_hazards,
    frailty_nodes,
    frequency_models,
    mean_wear_checks,
    most_attempts,
)
from kitplan.read.problems import InputError, Problem
from kitplan.read.values import Unit

MOST_AIRWAYS = 60_000_000
"""Airways over all scenarios of one draw, about half a minute of one core. They lie in memory a block at a time."""

FEWEST_SCENARIOS = 2_000
"""With fewer, a readiness of 0.98 is known to no better than half a point (binomial)."""

MOST_TABLE_BYTES = 7e8
"""Tables of exact counts of re-secures and their running sums, by an upper bound that is seldom half used."""


def within_bounds(unit: Unit) -> tuple[Unit, str | None]:
    """Return the unit with as many scenarios as time allows, and a sentence where that is fewer than asked for.

    Raises InputError where even FEWEST_SCENARIOS would take too long, or an interval holds more checks than can be
    tabulated.
    """
    _refuse_large_tables(unit)
    airways = _airways(unit, unit.stock.protection_interval_days)
    most = int(MOST_AIRWAYS / airways)
    policy = unit.planning
    if most < FEWEST_SCENARIOS:
        raise InputError(
            [
                Problem("unit.toml", "more airways pass through one review and lead time than can be planned at once",
                        "Check mean_stay_days and the census, or plan the unit in parts.", column="mean_stay_days",
                        value=f"{airways:,.0f} airways")
            ],
            "planning",
        )
    fewer = {name: min(getattr(policy, name), most) for name in ("scenarios", "verify_scenarios", "max_scenarios")}
    unit = replace(unit, planning=replace(policy, **fewer))
    return unit, None if max(policy.scenarios, policy.verify_scenarios) <= most else (
        f"Planned on {most:,} scenarios instead of {policy.scenarios:,}: {airways:,.0f} airways pass through one "
        "review and lead time, and drawing them would take too long."
    )


def at_most(n_scenarios: int, unit: Unit, days: float) -> int:
    """So many scenarios of an interval of `days` days, or as many as time allows."""
    return max(min(n_scenarios, int(MOST_AIRWAYS / _airways(unit, days))), 1)


def _airways(unit: Unit, days: float) -> float:
    """Airways that pass through an interval on the mean, at least one: as the census shows them, or as they are drawn
    from what it leaves open, whichever is more.
    """
    drawn = float(fit_posterior(unit).seen(days).sum(axis=1).mean())
    return max(float(mean_airways(unit).sum() + arrivals_per_day(unit).sum() * days), drawn, 1.0)


def _refuse_large_tables(unit: Unit) -> None:
    """Raise InputError where exact counts over the longest interval of the unit would not fit into memory."""
    stock = unit.stock
    intervals = {"stock.review_days": stock.protection_interval_days}
    intervals["bedside.restock_hours"] = unit.bedside.restock_hours / 24
    if stock.unavailable and stock.unavailable_weeks:
        intervals["stock.unavailable_weeks"] = 7 * stock.unavailable_weeks
    longest = max(intervals, key=lambda key: intervals[key])
    checks = interval_checks(unit, intervals[longest])
    size = _table_bytes(unit, checks, max(exact_checks(unit.checks_per_day), checks))
    if size > MOST_TABLE_BYTES:
        fault = f"exact counts of re-secures over so many checks would take {size / 1e9:.1f} GB of memory"
        mend = ("Shorten the interval, or give fewer checks a day, fewer different modifiers, a smaller redo or fewer "
                "frailty_nodes.")
        raise InputError([Problem("unit.toml", fault, mend, column=longest, value=f"{checks} checks")], "planning")


def _table_bytes(unit: Unit, n_short: int, n_long: int) -> float:
    """Memory of every table of exact counts of a unit, bytes."""
    n_nodes, size, n_short = unit.planning.frailty_nodes, 0.0, reach(n_short, n_long)
    rate = fit_posterior(unit).hazard
    rows, _, factor = alike_models(unit)
    for row in rows:
        nodes, weights = frailty_nodes(float(row["airway_spread"]), n_nodes)
        spread = nodes[np.searchsorted(np.cumsum(weights)[:-1], (np.arange(1000) + 0.5) / 1000)]
        grid = factor_grid(np.outer(spread, np.quantile(rate * factor, np.linspace(0, 1, 21))).ravel())
        size += sum(table_bytes(row, unit.checks_per_day, n_short, n_long, f) for f in grid)
    widest = max(table_bytes(row, unit.checks_per_day, 1, n_long, 10.0) for row in rows)
    return size + len(frequency_models(unit)[0]) * n_nodes * (2 * widest + 16.0 * (n_long + 1) ** 2)


def table_bytes(row: Mapping[str, Any], checks_per_day: int, n_short: int, n_long: int, factor: float) -> float:
    """Memory of `RisingCounts` at one factor on the hazards, bytes: an upper bound, without computing it.

    Where hazards never fall with wear, n / mean wear bounds the mean of the renewals, and a Poisson count their spread;
    six standard deviations are kept.
    """
    wear = float(mean_wear_checks(check_hazards(row, checks_per_day, factor)))
    cells = 0.0
    for checks, ages in ((n_short, STATIONARY_CHECKS + 2), (n_long, 1)):
        mean = checks / wear
        events = min(mean + 6 * np.sqrt(mean) + 20, checks) + float(row["admission_secures"])
        cells += ages * (checks + 1) * (most_attempts(events, float(row["redo"])) + 1)
    return 8.0 * cells
