"""What kits take out of the stock room, and how that agrees with the par levels: nothing counted twice.

The rules (stated on the sheet, and tested):
- A kit is issued to each airway that arrives. What re-secures use is replaced at every restock, like for like.
- So over any time: issued to kits = used by re-secures + left in kits when their airway ends.
- Par levels plan the first term (demand scenarios draw it). The second is this module's: with
  `bedside.kits_in_par = true` it is added to the demand that the par levels are planned on; else it is reported for
  one protection interval, as what to add to par where a unit throws the rest of a kit away.
- Kits standing at bedsides and kits built ahead are stock outside the stock room; par levels do not hold them, unless
  `bedside.kits_from_shelf = true`: then more kits in use draw on the shelf, fewer give back to it, and the par levels
  cover the highest draw within an interval.
- Admission secures are used before the kit is full and come straight from the stock room (they are in the demand).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitplan.demand.occupancy import mean_airways
from kitplan.demand.scenarios import arrivals_by_stratum
from kitplan.demand.streams import name_key, uniforms
from kitplan.demand.values import Demand
from kitplan.demand.whole import whole_up
from kitplan.parts.kits.contents import through_a_stay
from kitplan.parts.kits.groups import Kit, Place
from kitplan.parts.kits.requirements import KitNeeds
from kitplan.read.days import MONTH_DAYS
from kitplan.read.values import Unit

BUILD_COLUMNS = ["design", "build", "mean_arrivals", "top_up_sets", "mean_top_up_sets", "at_bedsides", "re_secures"]


@dataclass(frozen=True)
class Traffic:
    """Items a stay takes, float ndarrays (n_strata, n_items). used: by re-secures and once an airway; left: unopened
    in the kit when the airway ends. held: int ndarray, same shape, items in the full kit of the stratum's design."""

    used: np.ndarray
    left: np.ndarray
    held: np.ndarray


def kit_traffic(unit: Unit, needs: KitNeeds, kits: Sequence[Kit]) -> Traffic:
    """What one stay of each stratum takes through its kit."""
    shape = (unit.n_strata, len(unit.items))
    used, left, held = np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=np.int64)
    for place, g in ((place, int(g)) for kit in kits for place in kit.places for g in np.flatnonzero(kit.members)):
        for o, bundle in enumerate(place.slot.options):
            through = _through_place(needs, place, g, o)
            for item, count in bundle.items():
                held[g, item] += place.held[o] * count
                used[g, item] += through[0] * count
                left[g, item] += through[1] * count
    return Traffic(used, left, held)


def _through_place(needs: KitNeeds, place: Place, g: int, o: int) -> tuple[float, float]:
    """(bundles used in a stay, bundles left at its end) of one option of one slot.

    Items held once: the primary size counts as used, one an airway, as the demand scenarios have it.
    """
    slot, held = place.slot, int(place.held[o])
    item = next(iter(slot.options[o]))
    if place.takes[g] != o or held == 0:
        return 0.0, float(held)
    used, left = through_a_stay(needs, g, item, float(slot.per_use[g, o]), int(slot.bundles[g, o]), np.array([held]))
    primary = 1.0 if not used and needs.primary.get((g, slot.role)) == item else 0.0
    return used + primary, float(left[0]) - primary


def kit_accounts(unit: Unit, needs: KitNeeds, traffic: Traffic, builds: pd.DataFrame, kits: Sequence[Kit],
                 fresh: np.ndarray) -> pd.DataFrame:
    """Kits against the stock room, one row an item that kits hold.

    fresh: int ndarray (n_scenarios, n_strata), airways that arrive in one protection interval.
    add_to_par_units: units that cover what is left in ended kits with the stock room's readiness; 0 where the par
    levels do so already (kits_in_par).
    """
    used, left = needs.kits_per_month @ traffic.used, needs.kits_per_month @ traffic.left
    thrown = fresh @ traffic.left
    content = np.array([traffic.held[np.flatnonzero(kit.members)[0]] for kit in kits])
    frame = pd.DataFrame({
        "item": unit.items["item"], "used_per_month": used, "left_per_month": left, "issued_per_month": used + left,
        "at_bedsides": mean_airways(unit) @ traffic.held, "in_built_kits": builds["build"].to_numpy() @ content,
        "left_per_interval": left * unit.stock.protection_interval_days / MONTH_DAYS,
        "add_to_par_units": 0 if unit.bedside.kits_in_par else whole_up(
            np.quantile(thrown, unit.stock.readiness, axis=0, method="higher")),
    })
    return frame[traffic.held.any(axis=0)].reset_index(drop=True)


def with_leftovers(unit: Unit, traffic: Traffic, demand: Demand) -> Demand:
    """The demand with what is left in the kits of the airways that arrive, scenario by scenario.

    Arrivals are those of the demand itself (same seed and stream). Their mean leftover is rounded up or down at
    random, so that the mean stays exact; one number for each scenario and item, whatever else the kits hold.
    """
    left = arrivals_by_stratum(unit, demand.days, demand.n_scenarios, demand.seed, demand.stream) @ traffic.left
    scenario = np.arange(demand.n_scenarios)
    units = demand.units.copy()
    for i in np.flatnonzero(traffic.left.any(axis=0)):
        phase = uniforms(demand.seed, f"{demand.stream}/left in kits", scenario, np.uint64(name_key(demand.items[i])))
        units[:, i] += np.floor(left[:, i] + phase).astype(units.dtype)
    return replace(demand, units=units)


def with_kits_in_use(traffic: Traffic, demand: Demand) -> Demand:
    """The highest net draw on the shelf within each interval: use so far + what more kits in use hold beside it.

    demand: with its path. A kit ties up what would be left in it if its airway ended (rounded up), from the day on
    which the airway comes until it ends and that goes back; where fewer kits are in use than at first, items are back
    on the shelf. The shelf must last at the worst of the days, not only at the end.
    """
    if demand.path is None:
        raise ValueError("the demand was drawn without its path")
    tied = whole_up(traffic.left)
    net = (demand.path.units + demand.path.kits.astype(np.int64) @ tied).max(axis=1)
    return replace(demand, units=np.maximum(net, 0).astype(demand.units.dtype), path=None)


def leftovers_expected(needs: KitNeeds, traffic: Traffic, days: float) -> np.ndarray:
    """Expected items left in ended kits in so many days, (n_items,); none ends where nobody comes or goes."""
    return needs.turnover * (needs.kits_per_month @ traffic.left) * days / MONTH_DAYS


def kit_builds(unit: Unit, needs: KitNeeds, kits: Sequence[Kit], arrived: np.ndarray, attempts: np.ndarray
               ) -> pd.DataFrame:
    """BUILD_COLUMNS: kits to have ready from one count to the next, one row a design.

    arrived: airways (n_scenarios, n_strata) that come between two counts; attempts: re-secures, same shape. build and
    top_up_sets are quantiles at the bedside readiness: full kits for airways that arrive, and sets of one re-secure
    that replace what was used at the bedsides of that design. Without known arrivals, build is one for each airway in
    place.
    """
    rows = []
    in_place = mean_airways(unit)
    for kit in kits:
        arriving, renewed = arrived[:, kit.members].sum(axis=1), attempts[:, kit.members].sum(axis=1)
        there = float(in_place[kit.members].sum())
        rows.append((
            kit.name,
            _quantile(arriving, unit.bedside.readiness) if needs.turnover else math.ceil(there),
            float(arriving.mean()),
            _quantile(renewed, unit.bedside.readiness), float(renewed.mean()),
            there, int(needs.re_secures[kit.members].max()),
        ))
    return pd.DataFrame(rows, columns=BUILD_COLUMNS)


def _quantile(counts: np.ndarray, chance: float) -> int:
    """Smallest whole number that is enough with at least this chance."""
    return int(np.quantile(counts, chance, method="inverted_cdf"))
