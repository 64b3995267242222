"""What a plan may ask of the machine: memory stays bounded however large the unit or long the interval."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from kitplan.demand.occupancy import arrivals_per_day, interval_checks, mean_airways
from kitplan.demand.resecure import frequency_models
from kitplan.read.problems import InputError, Problem
from kitplan.read.values import Unit

MOST_AIRWAYS = 12_000_000
"""Airways over all scenarios of one draw; about 1.6 GB."""

FEWEST_SCENARIOS = 2_000
"""With fewer, a readiness of 0.98 is known to no better than half a point (binomial)."""

MOST_CHECKS = 400
"""Checks in one protection interval for which exact counts are tabulated; 100 days of six-hourly checks."""


def within_memory(unit: Unit) -> tuple[Unit, str | None]:
    """Return the unit with as many scenarios as memory allows, and a sentence where that is fewer than asked for.

    Raises InputError where even FEWEST_SCENARIOS would not fit, or the interval holds more checks than can be
    tabulated.
    """
    days = unit.stock.protection_interval_days
    checks = interval_checks(unit, days)
    models = len(frequency_models(unit)[0])
    if checks > MOST_CHECKS / np.sqrt(models):
        raise InputError(
            [
                Problem(
                    "unit.toml",
                    None,
                    "stock.review_days",
                    f"{checks} checks",
                    f"review and lead time together hold more than {MOST_CHECKS / np.sqrt(models):,.0f} checks",
                    "Count more often, give fewer checks a day, or fewer different modifiers.",
                )
            ],
            "planning",
        )
    airways = float(mean_airways(unit).sum() + arrivals_per_day(unit).sum() * days)
    most = int(MOST_AIRWAYS / max(airways, 1.0))
    policy = unit.planning
    if most < FEWEST_SCENARIOS:
        raise InputError(
            [
                Problem(
                    "unit.toml",
                    None,
                    "mean_stay_days",
                    f"{airways:,.0f} airways",
                    "more airways pass through one review and lead time than can be planned at once",
                    "Check mean_stay_days and the census, or plan the unit in parts.",
                )
            ],
            "planning",
        )
    if max(policy.scenarios, policy.verify_scenarios) <= most:
        return replace(
            unit,
            planning=replace(policy, max_scenarios=min(policy.max_scenarios, max(most, policy.scenarios))),
        ), None
    fewer = replace(
        policy,
        scenarios=min(policy.scenarios, most),
        verify_scenarios=min(policy.verify_scenarios, most),
        max_scenarios=min(policy.max_scenarios, most),
    )
    return replace(unit, planning=fewer), (
        f"Planned on {most:,} scenarios instead of {policy.scenarios:,}: {airways:,.0f} airways pass through one "
        "review and lead time, and memory is bounded."
    )
