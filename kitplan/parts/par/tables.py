"""What a solved par question says to people: its table, the prices of its limits, what binds."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kitplan.demand.values import Demand
from kitplan.parts.par.because import Reasons, because
from kitplan.parts.par.floors import fits_unit
from kitplan.parts.par.instance import Candidate, ParInstance
from kitplan.parts.par.values import Readiness, StandingPar
from kitplan.solve.collapse import own_quantiles
from kitplan.solve.par_program import Limit
from kitplan.solve.verify import readiness_range, ready_scenarios, shortage_chances, shortage_risk


def level_table(instance: ParInstance, candidate: Candidate, target: float, demand: Demand) -> pd.DataFrame:
    """Return ParPlan.levels, in catalogue order."""
    unit, par = instance.unit, candidate.par
    items = unit.items.iloc[instance.order]
    short = shortage_chances(instance.units_of(candidate.verify), par * instance.pack)
    expected = instance.units_of(demand).mean(axis=0)
    table = pd.DataFrame(
        {
            "item": items["item"],
            "description": items["description"],
            "role": items["role"],
            "par_packs": par.astype(int),
            "par_units": (par * instance.pack).astype(int),
            "pack": instance.pack.astype(int),
            "expected_units": expected,
            "shortage_chance": short,
            "value": par * instance.price,
            "litres": par * instance.litres,
            "floor_packs": instance.floor.astype(int),
            "because": _sentences(instance, candidate, target, demand, short),
        }
    )
    return table.loc[unit.items.index].reset_index(drop=True)


def _sentences(
    instance: ParInstance, candidate: Candidate, target: float, demand: Demand, short: np.ndarray
) -> list[str]:
    units = instance.units_of(demand)
    own = own_quantiles(instance.packs, instance.required(target))
    items = instance.unit.items.iloc[instance.order]
    fits = fits_unit(instance.unit)[instance.order]
    expected, most = units.mean(axis=0), units.max(axis=0)
    return [
        because(
            Reasons(
                scope=str(scope),
                days=demand.days,
                expected_units=float(expected[i]),
                most_units=int(most[i]),
                pack=int(instance.pack[i]),
                par_packs=int(candidate.par[i]),
                own_packs=int(own[i]),
                floor_packs=int(instance.floor[i]),
                critical=bool(instance.critical[i]),
                fits=bool(fits[i]),
                target=target,
                shortage=float(short[i]),
                tight=candidate.answer != "met",
            )
        )
        for i, scope in enumerate(items["scope"])
    ]


def judge(
    ready: np.ndarray, demand: Demand, levels: np.ndarray, order: np.ndarray, target: float, planned: float, n_plan: int
) -> Readiness:
    """Return the readiness seen on scenarios not planned on, and its range over what is not known.

    ready: bool, shape (n_scenarios,), which scenarios of `demand` are met; levels: items held of each, catalogue
    position in `order`.
    """
    low = high = float(np.mean(ready))
    if len(demand.mean_by_draw):
        risk = shortage_risk(demand.units[:, order], demand.mean_by_draw[:, order], levels)
        low, high = readiness_range(ready, demand.draw, risk)
    return Readiness(target, planned, float(np.mean(ready)), low, high, n_plan, len(ready))


def standing_par(instance: ParInstance, verify: Demand, target: float) -> StandingPar | None:
    """Return where the unit's own par levels of today stand; an item it does not list is held at 0."""
    present = present_packs(instance)
    if present is None:
        return None
    own = float(np.mean(np.all(instance.packs <= present, axis=1)))
    ready_in = ready_scenarios(instance.units_of(verify), present * instance.pack)
    ready = judge(ready_in, verify, present * instance.pack, instance.order, target, own, len(instance.packs))
    return StandingPar(ready, float(instance.price @ present), float(instance.litres @ present))


def present_packs(instance: ParInstance) -> np.ndarray | None:
    """Return today's par in packs, in the question's order, or None if the unit gave none."""
    table = instance.unit.present_par
    if table is None:
        return None
    held = table.groupby("item")["par_packs"].sum()
    names = instance.unit.items["item"].iloc[instance.order]
    return names.map(held).fillna(0.0).to_numpy(float)


def price_table(instance: ParInstance, candidate: Candidate) -> pd.DataFrame:
    """Return what one more unit of each limit buys, from the duals of the linear relaxation.

    limit: "readiness" (per percentage point), "shelf" (per litre), "budget" (per unit of currency).
    """
    duals, currency, n = candidate.solved.duals, instance.unit.currency, len(instance.packs)
    rows: list[tuple[str, float, str]] = []
    if candidate.answer == "met" and "ready" in duals:
        price = duals["ready"] * n / 100.0
        rows.append(("readiness", price, f"one more point of readiness costs about {price:,.2f} {currency}"))
    for limit in instance.limits if candidate.answer != "unsafe" else ():
        spare = limit.room - float(limit.per_pack @ candidate.par)
        rows.append((limit.name, *_price_of(limit, duals.get(limit.name, 0.0), spare, candidate, currency, n)))
    return pd.DataFrame(rows, columns=["limit", "price", "sentence"])


def _price_of(
    limit: Limit, dual: float, spare: float, candidate: Candidate, currency: str, n: int
) -> tuple[float, str]:
    unit = "litre of shelf" if limit.name == "shelf" else f"{currency} of budget"
    left = f"{spare:,.1f} L" if limit.name == "shelf" else f"{spare:,.2f} {currency}"
    if candidate.answer == "met" and abs(dual) < 1e-9:
        return 0.0, f"the {limit.name} has {left} to spare: more of it buys nothing"
    if candidate.answer == "met":
        return abs(dual), f"one more {unit} would save about {abs(dual):,.2f} {currency} of stock"
    points = 100.0 * abs(dual) / n
    if points == 0.0:
        return 0.0, f"{left} of the {limit.name} is left: the next step needs more than that"
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
            room = f"cost {needed:,.2f} {currency} and the budget is {limit.room:,.2f} {currency}"
            more = room_words("budget", needed - limit.room, currency)
        sentences.append(f"emergency equipment and minimum stock alone {room}: needs {more}; no limit plans them away")
    return sentences
