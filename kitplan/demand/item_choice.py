"""Which catalogue item fills each role of each stratum: the cheapest that fits, counted over a whole stay.

Opening an item for one patient is why the choice needs the stay: a long roll is cheap by the metre and dear when
the rest of it is thrown away (model.md sections 4 and 7). Cost of a stay is exact: E[price x items opened] over the
renewal count and the stay distribution.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.fit import catalogue_records, fitting, nearest_size
from kitplan.demand.occupancy import interval_checks, stay_checks_pmf
from kitplan.demand.rate_grid import RisingCounts, kept_counts, reach
from kitplan.demand.resecure import AttemptTable, attempt_table, frailty_nodes, frequency_models
from kitplan.demand.tape import lengths_per_use, rolls_after_uses, sheet_pieces
from kitplan.demand.values import ItemChoice, kept, paced
from kitplan.demand.whole import whole_up
from kitplan.read.values import SPARE_TUBE_ROLE, Route, Technique, Unit

ITEM_CHOICE_COLUMNS = [
    "stratum",
    "role",
    "item",
    "scope",
    "need",
    "items_per_use",
    "uses_per_item",
    "share",
    "cost_per_stay",
    "because",
]


EXACT_DAYS = 40.0
"""Days of a stay for which attempts are tabulated exactly; beyond, they go on at the steady pace. At least 160 checks,
so that few checks a day see as many re-secures; at most 960, to bound memory."""


def exact_checks(checks_per_day: int) -> int:
    """Checks of a stay that are tabulated exactly (EXACT_DAYS)."""
    return int(np.clip(round(EXACT_DAYS * checks_per_day), 160, 960))


@dataclass(frozen=True, eq=False)
class AttemptTables:
    """Attempt PMFs of every frequency model of a unit. which: model of each stratum; n_short, n_long: checks."""

    tables: tuple[AttemptTable, ...]
    which: np.ndarray
    n_short: int
    n_long: int
    _counts: dict[tuple[Any, ...], RisingCounts] = field(default_factory=dict)
    _in_stays: dict[tuple[Unit, int], np.ndarray] = field(default_factory=dict)

    def on_grid(
        self, unit: Unit, row: Mapping[str, Any], grid: np.ndarray, n_checks: int
    ) -> tuple[RisingCounts, ...]:
        """Counts of one frequency row with its hazards times each of `grid`, over n_checks or more: made once, kept."""
        n_short = reach(max(n_checks, self.n_short), self.n_long)
        return tuple(self._at(unit, row, float(factor), n_short) for factor in grid)

    def in_stay(self, unit: Unit, stratum: int) -> np.ndarray:
        """PMF of attempts in one whole stay of a stratum (admission secures and redos included).

        Made once, then kept; not to be changed.
        """
        if (unit, stratum) not in self._in_stays:
            table = self.tables[self.which[stratum]]
            pmf = table.weights @ attempts_of_checks(table, stay_checks_pmf(unit, stratum))
            pmf.flags.writeable = False
            self._in_stays[unit, stratum] = pmf
        return self._in_stays[unit, stratum]

    def _at(self, unit: Unit, row: Mapping[str, Any], factor: float, n_short: int) -> RisingCounts:
        key = (*map(str, row.values()), n_short, round(factor, 12))  # as text, for a blank equals no other blank
        if key not in self._counts:
            self._counts[key] = kept_counts(row, unit.checks_per_day, n_short, self.n_long, factor)
        return self._counts[key]


def attempt_tables(unit: Unit, n_short: int | None = None) -> AttemptTables:
    """Attempt PMFs of each distinct frequency model of the unit; of the last few units they are kept.

    n_short: checks of the interval planned for (default: the stock room's protection interval). Of a stay
    `exact_checks` are counted exactly.
    """
    n_short = n_short or interval_checks(unit, unit.stock.protection_interval_days)
    return _attempt_tables(unit, n_short, exact_checks(unit.checks_per_day))


@kept(4, paced)
def _attempt_tables(unit: Unit, n_short: int, n_long: int) -> AttemptTables:
    models, which = frequency_models(unit)
    tables = [
        attempt_table(
            row, unit.checks_per_day, n_short, n_long,
            *frailty_nodes(float(row["airway_spread"]), unit.planning.frailty_nodes),
        )
        for _, row in models.iterrows()
    ]
    return AttemptTables(tuple(tables), which, n_short, max(n_long, n_short))


def attempts_of_checks(table: AttemptTable, mass: np.ndarray, width: int = 0) -> np.ndarray:
    """PMF of attempts of a fresh airway over a number of checks of chances `mass`: (n_nodes, at least `width`).

    Beyond the checks that are tabulated an airway goes on at the steady pace of its frailty.
    """
    last = table.fresh.shape[1] - 1
    exact = np.pad(mass[: last + 1], (0, max(last + 1 - len(mass), 0)))
    pmf = np.einsum("n,mna->ma", exact, table.fresh)
    longer = mass[last + 1 :]
    more = np.rint(np.outer(table.pace, np.arange(1, len(longer) + 1))).astype(np.int64)
    whole = np.zeros((len(pmf), max(pmf.shape[1] + int(more.max(initial=0)), width)))
    whole[:, : pmf.shape[1]] = pmf
    for node in range(len(pmf)) if longer.any() else ():
        steps = np.bincount(more[node], weights=longer)
        whole[node, : len(steps) + pmf.shape[1] - 1] += np.convolve(steps, table.fresh[node, last])
    return whole


def role_needs(unit: Unit, stratum: int) -> dict[str, float]:
    """Use units of each role that one re-secure of this stratum takes; "tape" counts whole sets of pieces (1)."""
    row = unit.airways[stratum]
    technique = unit.techniques[str(row["technique"])]
    return technique.needs(str(row["skin"])) | ({"tape": 1.0} if technique.pieces else {})


@lru_cache(maxsize=16)
def airway_roles(unit: Unit) -> tuple[str, ...]:
    """Roles held once for each airway whatever the recipe: patient-scope roles that no recipe uses (mask, bag).

    Spare tubes only where the unit's policy asks for them.
    """
    asked = unit.bedside.wants_spare_tubes or any(
        SPARE_TUBE_ROLE in unit.route(name).emergency for name in unit.strata["route"].unique())
    used = {"tape"} if asked else {"tape", SPARE_TUBE_ROLE}
    for technique in unit.techniques.values():
        used |= set(technique.uses) | set(technique.uses_with_barrier)
    patient = unit.items[unit.items["scope"] == "patient"]
    return tuple(role for role in sorted(set(patient["role"])) if role not in used)


def held_once(found: Sequence[tuple[int, Mapping[str, Any]]]) -> list[tuple[int, Mapping[str, Any]]]:
    """Catalogue rows of a role that no recipe uses which an airway is given once: those of scope patient alone."""
    return [(i, row) for i, row in found if row["scope"] == "patient"]


def asks_spare_tubes(unit: Unit, airway: Mapping[str, Any]) -> bool:
    """Whether spare tubes lie at the bedside of an airway: its route names them, or the unit's policy asks for them.

    A route that keeps no emergency equipment of its own (a feeding tube) is not asked for any. airway: of Unit.strata.
    """
    emergency = unit.route(airway["route"]).emergency
    named = SPARE_TUBE_ROLE in emergency or (unit.bedside.wants_spare_tubes and bool(emergency))
    return named and airway["scale"] != "none"


def held_roles(unit: Unit, stratum: int) -> list[str]:
    """Roles held once at an airway: its route's emergency equipment, then what is emergency equipment of no route."""
    airway = unit.airways[stratum]
    own = unit.route(airway["route"]).emergency
    elsewhere = {role for route in (*unit.routes.values(), Route("")) for role in route.emergency}
    if asks_spare_tubes(unit, airway) and SPARE_TUBE_ROLE not in own:
        elsewhere.discard(SPARE_TUBE_ROLE)
    else:
        elsewhere.add(SPARE_TUBE_ROLE)
    return [*own, *(role for role in airway_roles(unit) if role not in elsewhere)]


@dataclass(frozen=True)
class Airway:
    """One stratum as the choice of its items sees it. row: of Unit.strata."""

    stratum: int
    row: Mapping[str, Any]
    technique: Technique
    uses: np.ndarray

    def lengths_mm(self, width_mm: float) -> np.ndarray:
        """Pieces of one re-secure cut from tape of this width, longest first."""
        return lengths_per_use(self.technique, self.row, width_mm)

    @property
    def mean_uses(self) -> float:
        return float(self.uses @ np.arange(len(self.uses)))


def airway_of(unit: Unit, stratum: int, uses: np.ndarray) -> Airway:
    row = unit.airways[stratum]
    return Airway(stratum, row, unit.techniques[str(row["technique"])], uses)


def fill_roles(unit: Unit, tables: AttemptTables | None = None) -> ItemChoice:
    """Choose the items of every stratum and role: least cost a stay, unless the unit prefers one.

    Items with a `share` are used side by side, each for its share. Items held once an airway (mask, bag) go to the
    size whose range has the tube nearest its middle. Roles with no item that fits are left out (readers refuse them).
    """
    tables = tables or attempt_tables(unit)
    once = airway_roles(unit)
    catalogue = catalogue_records(unit)
    rows: list[dict[str, object]] = []
    opened: dict[tuple[int, str], np.ndarray] = {}
    for stratum in unit.strata.index:
        airway = airway_of(unit, int(stratum), tables.in_stay(unit, int(stratum)))
        for role, need in role_needs(unit, stratum).items():
            found = fitting(unit, catalogue.get(role, ()), airway.row, airway.technique.tape_width_mm)
            rows += _fill_used_role(unit, airway, [item for _, item in found], need, opened)
        for role in [r for r in held_roles(unit, int(stratum)) if r in once]:
            rows += _fill_once(unit, airway, role, fitting(unit, held_once(catalogue[role]), airway.row))
    return ItemChoice(pd.DataFrame(rows, columns=ITEM_CHOICE_COLUMNS), opened)


def _fill_used_role(
    unit: Unit, airway: Airway, found: list[Mapping[str, Any]], need: float, opened: dict[tuple[int, str], np.ndarray]
) -> list[dict[str, object]]:
    shared = [item for item in found if item["share"] > 0]
    if shared:
        total = sum(item["share"] for item in shared)
        return [
            candidate(airway, item, need, opened)
            | {"share": item["share"] / total, "because": f"{100 * item['share'] / total:.0f} % of the role"}
            for item in shared
        ]
    candidates = [c for item in found if (c := candidate(airway, item, need, opened))]
    if not candidates:
        return []
    wanted = unit.prefer.get(str(candidates[0]["role"]))
    best = min(candidates, key=lambda c: (c["item"] != wanted, c["cost_per_stay"], str(c["item"])))
    if best["item"] == wanted:
        why = "the unit asks for it"
    elif len(candidates) == 1:
        why = "the only one that fits"
    else:
        why = f"cheapest of {len(candidates)} that fit, {best['cost_per_stay']:.2f} {unit.currency} a stay"
    return [best | {"because": why}]


def _row(airway: Airway, item: Mapping[str, Any], need: float) -> dict[str, object]:
    return dict.fromkeys(ITEM_CHOICE_COLUMNS, np.nan) | {
        "stratum": airway.stratum,
        "role": item["role"],
        "item": item["item"],
        "scope": item["scope"],
        "need": need,
        "share": 1.0,
        "because": "",
    }


def candidate(
    airway: Airway, item: Mapping[str, Any], need: float, opened: dict[tuple[int, str], np.ndarray]
) -> dict[str, object]:
    """One item as the choice for one role: how much of it a re-secure and a stay take, {} if it cannot serve."""
    price = float(item["price"]) / float(item["pack"])
    row = _row(airway, item, need)
    if item["scope"] == "event":
        per_use = float(whole_up(need / float(item["contains"])))
        return row | {"items_per_use": per_use, "cost_per_stay": per_use * airway.mean_uses * price}
    if item["scope"] == "unit":
        per_item = float(item["contains"]) / need
        return row | {"uses_per_item": per_item, "cost_per_stay": airway.mean_uses * price / per_item}
    table = _opened(airway, item, need, len(airway.uses) - 1)
    if table is None:
        return {}
    opened[airway.stratum, str(item["item"])] = table
    serves = float(np.searchsorted(table, 1, side="right") - 1)
    return row | {"uses_per_item": serves, "cost_per_stay": float(airway.uses @ table) * price}


def items_opened(unit: Unit, stratum: int, item: Mapping[str, Any], need: float, n_uses: int) -> np.ndarray | None:
    """Items opened for one patient after 0..n_uses re-secures, int ndarray (n_uses + 1,); None if it cannot serve.

    A roll yields whole pieces, a sheet whole rectangles, anything else its `contains`. item: one catalogue row.
    """
    return _opened(airway_of(unit, stratum, np.zeros(1)), item, need, n_uses)


def _opened(airway: Airway, item: Mapping[str, Any], need: float, n_uses: int) -> np.ndarray | None:
    if item["role"] == "tape":
        roll_mm, lengths = float(item["length_mm"]), airway.lengths_mm(float(item["width_mm"]))
        return rolls_after_uses(lengths, roll_mm, n_uses) if lengths.max(initial=0.0) <= roll_mm else None
    per_item = float(item["contains"])
    if item["role"] == "barrier" and not np.isnan(float(item["width_mm"])):
        piece_mm = float(airway.row["barrier_width_mm"]), float(airway.row["barrier_length_mm"])
        per_item *= sheet_pieces(float(item["width_mm"]), float(item["length_mm"]), *piece_mm)
    if per_item <= 0:
        return None
    return np.asarray(whole_up(np.arange(n_uses + 1) * need / per_item))


def _fill_once(
    unit: Unit, airway: Airway, role: str, found: Sequence[tuple[int, Mapping[str, Any]]]
) -> list[dict[str, object]]:
    if not found:
        return []
    _, item = nearest_size(unit, role, found, airway.row)[0]
    why = "the only one that fits" if len(found) == 1 else f"nearest in size of {len(found)} that fit"
    price = float(item["price"]) / float(item["pack"])
    return [_row(airway, item, 1.0) | {"cost_per_stay": price, "because": f"one an airway; {why}"}]
