"""What a solved par question says to people: its table, why each level, prices of limits, what binds."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.values import Demand
from kitplan.parts.par.instance import SELDOM_WHOLE, Candidate, Checked, ParInstance, fits_unit, present_units
from kitplan.parts.par.values import Readiness, StandingPar
from kitplan.read.money import exact
from kitplan.read.values import Route
from kitplan.solve.collapse import own_quantiles
from kitplan.solve.par_program import Limit
from kitplan.solve.verify import shortage_chances

DRIVEN_BY = {
    "event": "used at each {act}",
    "patient": "opened for one patient",
    "unit": "shared until it is empty",
}


def level_table(instance: ParInstance, candidate: Candidate, target: float, demand: Demand) -> pd.DataFrame:
    """Return ParPlan.levels, in catalogue order."""
    unit, levels, packing = instance.unit, candidate.levels, instance.packing
    items = unit.items.iloc[instance.order]
    units, short = demand.units[:, instance.order], shortage_chances(candidate.checked.needs, levels)
    largest = packing.largest(levels)
    floor = instance.floor[: len(levels)]
    table = pd.DataFrame(
        {
            "item": items["item"],
            "description": items["description"],
            "role": items["role"],
            "par_packs": packing.packs(levels),
            "par_units": levels,
            "pack": packing.pack,
            "expected_units": units.mean(axis=0),
            "shortage_chance": short,
            "value": largest * instance.price,
            "litres": largest * instance.litres,
            "floor_packs": packing.packs(floor),
            "largest_units": largest,
            "mean_value": packing.mean(levels) * instance.price,
        }
    )
    behind = table.assign(
        scope=items["scope"], most_units=units.max(axis=0), floor=floor, critical=instance.critical[: len(levels)],
        own_level=own_quantiles(instance.needs, instance.required(target))[: len(levels)],
        fits=fits_unit(unit)[instance.order],
    )
    tight = candidate.answer != "met"
    table["because"] = [because(row, unit.words, demand.days, target, tight) for row in behind.itertuples()]
    return table.loc[unit.items.index].reset_index(drop=True)


def stand(instance: ParInstance, levels: np.ndarray, checked: Checked, target: float) -> StandingPar:
    """Return how ready levels are, what they are worth and what shelf they take."""
    return StandingPar(
        instance.judge(levels, checked, target), instance.largest_value(levels), instance.mean_value(levels),
        instance.largest_litres(levels),
    )


def present_levels(instance: ParInstance) -> np.ndarray | None:
    """Return today's par in single items, in the question's order, or None if the unit gave none.

    It is ordered up to in whole packs too, so what stands on the shelf lies above it in the same way.
    """
    present = present_units(instance.unit)
    return None if present is None else present[instance.order]


def price_table(instance: ParInstance, candidate: Candidate) -> pd.DataFrame:
    """Return what one more unit of each limit buys, from the duals of the linear relaxation.

    limit: "readiness" (per percentage point), "shelf" (per litre), "budget" (per unit of currency). Where hardly
    anything lasts whole, one unit more buys nothing that could be told.
    """
    duals, currency, n = candidate.solved.duals, instance.unit.currency, len(instance.needs)
    rows: list[tuple[str, float, str]] = []
    if candidate.answer == "met" and "ready" in duals:
        price = duals["ready"] * n / 100.0
        rows.append(("readiness", price, f"one more point of readiness costs about {exact(price, currency)}"))
    for limit in instance.limits if candidate.answer != "unsafe" and candidate.verified >= SELDOM_WHOLE else ():
        spare = limit.room - float(limit.per_unit @ instance.columns(candidate.levels))
        rows.append((limit.name, *_price_of(limit, duals.get(limit.name, 0.0), spare, candidate, currency, n)))
    return pd.DataFrame(rows, columns=["limit", "price", "sentence"])


def _price_of(
    limit: Limit, dual: float, spare: float, candidate: Candidate, currency: str, n: int
) -> tuple[float, str]:
    unit = "litre of shelf" if limit.name == "shelf" else f"{currency} of budget"
    left = f"{spare:,.1f} L" if limit.name == "shelf" else exact(spare, currency)
    if candidate.answer == "met" and abs(dual) < 1e-9:
        return 0.0, f"the {limit.name} has {left} to spare: more of it buys nothing"
    if candidate.answer == "met":
        return abs(dual), f"one more {unit} would save about {exact(abs(dual), currency)} of stock"
    points = 100.0 * abs(dual) / n
    if points == 0.0:
        binds = "another limit binds" if any(candidate.solved.duals.values()) else "the next step needs more than that"
        return 0.0, f"{left} of the {limit.name} is left: {binds}"
    return points, f"one more {unit} would buy about {points:.2g} points of readiness"


def binding_sentences(excess: dict[str, float], ready: Readiness, currency: str) -> list[str]:
    """Return both mends of an unreachable target: more room, or less readiness."""
    requirements = [room_words(name, amount, currency) for name, amount in excess.items() if amount > 1e-6]
    reached = f"readiness {np.floor(1000 * ready.verified) / 10:.1f} %"
    if not requirements:
        return [f"the limits allow no more than {reached}"]
    return [f"needs {' and '.join(requirements)}, or {reached}"]


def room_words(name: str, amount: float, currency: str) -> str:
    """Return "38 L more shelf" or "120 USD more budget", rounded up."""
    if name == "shelf":
        return f"{np.ceil(amount):,.0f} L more shelf"
    return f"{np.ceil(amount):,.0f} {currency} more budget"


def floor_sentences(over: list[tuple[Limit, float]], currency: str) -> list[str]:
    """Return, for each limit that floors alone exceed, what they need and what there is."""
    sentences = []
    for limit, needed in over:
        if limit.name == "shelf":
            room = f"need {needed:,.1f} L of shelf and there are {limit.room:,.1f} L"
            more = room_words("shelf", needed - limit.room, currency)
        else:
            room = f"cost {exact(needed, currency)} and the budget is {exact(limit.room, currency)}"
            more = room_words("budget", needed - limit.room, currency)
        sentences.append(f"emergency equipment and minimum stock alone {room}: needs {more}; no limit plans them away")
    return sentences


def because(row: Any, words: Route, days: float, target: float, tight: bool) -> str:
    """Return the explanation of one par level, in plain words.

    row: of ParPlan.levels, with scope, critical, fits, floor and own_level in single items (what this item alone would
    need for the target), and the most_units used in any scenario planned on. tight: the answer was cut to a limit.
    """
    if row.most_units == 0:
        return _unused(row, words)
    driven = DRIVEN_BY.get(row.scope, "used").format(act=words.act).capitalize()
    use = (
        f"{driven}: {_number(row.expected_units)} expected in "
        f"{_number(days)} days, {row.most_units:,} in the busiest interval played."
    )
    return f"{use} {_decided(row, target, tight)}"


def _unused(row: Any, words: Route) -> str:
    if row.floor:
        kind = "emergency equipment" if row.critical else "the unit's minimum stock"
        return f"Held at its floor of {row.floor:,} as {kind}: no use was seen in any interval played."
    if not row.fits:
        return f"Nothing is held: it fits no {words.one} of this unit nor the next size."
    return f"Nothing is held: this plan gives it to no {words.one} of this unit."


def _decided(row: Any, target: float, tight: bool) -> str:
    level, own, share = row.par_units, row.own_level, f"{100 * target:.4g} %"
    if level == 0:
        return f"None is held: it would be short in {100 * row.shortage_chance:.4g} % of intervals."
    comes = f", in {row.pack:,}s" if row.pack > 1 else ""
    held = f"Ordered when under {level:,}{comes}"
    if level == row.floor and own <= level:
        kind = "its floor as emergency equipment" if row.critical else "its floor"
        return f"{held}: {kind}; use alone would ask for {own:,}."
    if level < own:
        return f"{held}: cut by a limit; {own:,} would last in {share} of intervals."
    if level == own:
        return f"{held}: that lasts in {share} of intervals, and no less would."
    why = "more within the limit than its own share asks" if tight else "all items must be there at once"
    return f"{held}, where under {own:,} would do in {share} of intervals for this item alone: {why}."


def _number(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 or value == round(value) else f"{value:.2g}"
