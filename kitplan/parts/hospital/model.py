"""Many units together: who holds what, and what one central store for slow items would free.

Of each plan only a small summary is kept, so that memory does not grow with the plans.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from kitplan.brief import Brief
from kitplan.demand.scenarios import draw_days
from kitplan.parts.hospital.central_store import Holding, Pooling, pool_slow_items
from kitplan.parts.hospital.spend import Spend, spend_of, spend_table
from kitplan.planning import Plan
from kitplan.read.catalogue import spoken_names
from kitplan.read.values import Unit

SLOW_SHARE = 0.5
"""An item is slow in a unit that uses at most this share of one pack in a protection interval."""

HOLDING_COLUMNS = ["unit", "item", "par_packs", "par_units", "value", "litres", "expected_units"]
UNIT_COLUMNS = ["unit", "name", "currency", "readiness", "value", "litres", "items_held", "answer"]
FAILED_COLUMNS = ["unit", "kind", "fault"]


@dataclass(frozen=True)
class Summary:
    """What is kept of a planned unit. unit: its name among the others. rows: HOLDING_COLUMNS of items held. fault: what
    kept a part from it. spoken: item -> its name for people.
    """

    unit: str
    unit_name: str
    currency: str
    readiness: float
    value: float
    litres: float
    answer: str
    rows: pd.DataFrame
    slow: tuple[Holding, ...]
    remarks: tuple[str, ...]
    fault: str = ""
    spends: tuple[Spend, ...] = ()
    spoken: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, repr=False)
class Hospital(Brief):
    """All units together.

    units: UNIT_COLUMNS; holdings: HOLDING_COLUMNS; failed: FAILED_COLUMNS. pooling: what one central store
    would hold and save, among the units of the commonest currency, transport_days away from each; None with fewer than
    two units. remarks: unit -> warnings. spend: money as `spend_table`. told: what a person should know of files that
    were there before. spoken: item -> its name for people.
    """

    units: pd.DataFrame
    holdings: pd.DataFrame
    failed: pd.DataFrame
    pooling: Pooling | None
    currency: str
    transport_days: float
    remarks: Mapping[str, tuple[str, ...]]
    told: tuple[str, ...] = ()
    spend: pd.DataFrame = field(default_factory=lambda: spend_table(()))
    spoken: Mapping[str, str] = field(default_factory=dict)

    def tables(self) -> dict[str, pd.DataFrame]:
        out = {"units": self.units, "holdings": self.holdings, "not_planned": self.failed}
        if len(self.spend):
            out["spend"] = self.spend
        if self.pooling is not None:
            out |= {"pooling": self.pooling.items, "pooling_units": self.pooling.units}
        return out


def summary(name: str, plan: Plan, transport_days: float) -> Summary:
    """What the other units need to know of a plan; name: of its unit among them."""
    unit, par = plan.unit, plan.par
    held = par.levels[par.levels["par_packs"] > 0].assign(unit=name)[HOLDING_COLUMNS].reset_index(drop=True)
    return Summary(
        name, unit.name, unit.currency, par.readiness.verified, par.value, par.litres, par.answer, held,
        slow=_slow_items(name, plan, transport_days), remarks=(*map(str, unit.warnings), *plan.warnings),
        fault="\n".join(map(str, unit.faults)),
        spends=spend_of(name, unit, plan.forecast) if "forecast" in plan.parts else (),
        spoken=spoken_names(unit.items),
    )


def _slow_items(name: str, plan: Plan, transport_days: float) -> tuple[Holding, ...]:
    """Items of which the unit holds a pack or more and uses little, but no emergency equipment."""
    unit, par = plan.unit, plan.par
    demand = plan.demand()
    levels = par.levels.reset_index(drop=True)
    slow = ~_emergency(unit) & (levels["par_packs"] > 0).to_numpy()
    slow &= levels["expected_units"].to_numpy(float) <= SLOW_SHARE * unit.items["pack"].to_numpy(float)
    if not slow.any():
        return ()
    stretch = int(np.ceil(transport_days)) + 1
    reach = int(np.ceil(unit.stock.protection_interval_days)) + stretch - 1
    frame = plan.item_choice.frame
    roles = frame.loc[frame["item"].isin(levels.loc[slow, "item"]), "role"]
    choice = replace(plan.item_choice, frame=frame[frame["role"].isin(roles)])
    days = draw_days(unit, plan.item_choice, plan.seed, reach)
    used = days.units(choice, range(1, reach + 1))[..., slow]
    busiest = _busiest_stretch(used.swapaxes(0, 1), stretch)
    out = []
    for column, i in enumerate(np.flatnonzero(slow)):
        item, level = unit.items.iloc[i], levels.iloc[i]
        chance = max(float(level["shortage_chance"]), 1.0 / demand.n_scenarios)
        out.append(Holding(
            name, str(item["item"]), int(item["pack"]), float(item["price"]), float(item["litres"]),
            int(level["par_packs"]), float(level["mean_value"]), chance,
            interval=_pmf(demand.units[:, i]), transport=_pmf(busiest[:, column]),
        ))
    return tuple(out)


def _busiest_stretch(used: np.ndarray, stretch: int) -> np.ndarray:
    """Most used in any `stretch` days that end within the interval; used: (n_scenarios, n_days, n_items), up to each
    day's end, from stretch - 1 days before the interval on.
    """
    before = np.concatenate([np.zeros_like(used[:, :1]), used], axis=1)
    return (before[:, stretch:] - before[:, :-stretch]).max(axis=1)


def _emergency(unit: Unit) -> np.ndarray:
    """Items that stay where they are: critical ones, and all with a floor in the stock room or at a bedside."""
    items = unit.items
    floors = (items["min_bedside"].fillna(0) > 0) | (items["min_stock"].fillna(0) > 0)
    return (items["critical"].astype(bool) | floors).to_numpy()


def _pmf(units: np.ndarray) -> np.ndarray:
    return np.bincount(units) / len(units)


def hospital(done: Sequence[Summary], failed: Sequence[tuple[str, str, str]], transport_days: float
             ) -> Hospital:
    """Put the summaries together. failed: unit, kind and fault of what was not planned, in FAILED_COLUMNS."""
    units = pd.DataFrame(
        [(d.unit, d.unit_name, d.currency, d.readiness, d.value, d.litres, len(d.rows), d.answer) for d in done],
        columns=UNIT_COLUMNS,
    )
    frames = [d.rows for d in done]
    holdings = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=HOLDING_COLUMNS)
    counts = units["currency"].value_counts()
    currency = str(sorted(counts.index[counts == counts.max()])[0]) if len(counts) else ""
    same = [d for d in done if d.currency == currency]
    pooling = pool_slow_items([h for d in same for h in d.slow]) if len(same) > 1 else None
    listed = pd.DataFrame(failed, columns=FAILED_COLUMNS)
    remarks = {d.unit: d.remarks for d in done if d.remarks}
    return Hospital(units, holdings, listed, pooling, currency, transport_days, remarks,
                    spend=spend_table([s for d in done for s in d.spends]),
                    spoken={item: words for d in done for item, words in d.spoken.items()})
