"""What a plan may ask of the machine: memory stays bounded however large the unit or long the interval."""

from __future__ import annotations

from dataclasses import replace

from kitplan.demand.item_choice import exact_checks
from kitplan.demand.occupancy import arrivals_per_day, interval_checks, mean_airways
from kitplan.demand.resecure import frequency_models, table_bytes
from kitplan.read.problems import InputError, Problem
from kitplan.read.values import Unit

MOST_AIRWAYS = 6_000_000
"""Airways over all scenarios of one draw; 140 bytes each, about 0.8 GB."""

FEWEST_SCENARIOS = 2_000
"""With fewer, a readiness of 0.98 is known to no better than half a point (binomial)."""

MOST_TABLE_BYTES = 6e8
"""Tables of exact counts of re-secures; about 1.2 GB while they are made."""


def within_memory(unit: Unit) -> tuple[Unit, str | None]:
    """Return the unit with as many scenarios as memory allows, and a sentence where that is fewer than asked for.

    Raises InputError where even FEWEST_SCENARIOS would not fit, or an interval holds more checks than can be
    tabulated.
    """
    _refuse_large_tables(unit)
    days = unit.stock.protection_interval_days
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


def _refuse_large_tables(unit: Unit) -> None:
    """Raise InputError where exact counts over the longest interval of the unit would not fit into memory."""
    stock = unit.stock
    intervals = {"stock.review_days": stock.protection_interval_days}
    intervals["bedside.restock_hours"] = unit.bedside.restock_hours / 24
    if stock.unavailable and stock.unavailable_weeks:
        intervals["stock.unavailable_weeks"] = 7 * stock.unavailable_weeks
    longest = max(intervals, key=lambda key: intervals[key])
    checks = interval_checks(unit, intervals[longest])
    n_long = max(exact_checks(unit.checks_per_day), checks)
    models = frequency_models(unit)[0].to_dict("records")
    size = sum(table_bytes(m, unit.checks_per_day, checks, n_long, unit.planning.frailty_nodes) for m in models)
    if size > MOST_TABLE_BYTES:
        fault = f"exact counts of re-secures over so many checks would take {size / 1e9:.1f} GB of memory"
        mend = ("Shorten the interval, or give fewer checks a day, fewer different modifiers, a smaller redo or fewer "
                "frailty_nodes.")
        raise InputError([Problem("unit.toml", None, longest, f"{checks} checks", fault, mend)], "planning")
