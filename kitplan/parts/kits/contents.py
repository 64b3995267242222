"""Which catalogue items fill the kits: an integer program over whole items, joint across strata.

The joint part is the limit on how many different items the stock room carries; without it every role of every
stratum would choose alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from kitplan.demand.whole import whole_up
from kitplan.parts.kits.requirements import KitNeeds
from kitplan.read.problems import UnsafePlan
from kitplan.read.values import Unit
from kitplan.solve.program import Program, Solution

_FEWER_PIECES = 1e-6
"""Between choices of the same price, the one with fewer pieces to open, and then fewer items, is taken."""


_Handles = dict[tuple[int, str], dict[int, int]]
"""(stratum, role) -> item -> its variable: items a re-secure, or 1 for an item once opened."""


@dataclass(frozen=True)
class KitItemChoice:
    """Chosen items. per_use: (stratum, role) -> {item position: items one re-secure takes}, event scope.

    once_open: (stratum, role) -> item position used up patient by patient, or shared in the unit.
    """

    per_use: dict[tuple[int, str], dict[int, int]]
    once_open: dict[tuple[int, str], int]


@lru_cache(maxsize=16)
def unit_prices(unit: Unit) -> np.ndarray:
    """Price of one item, shape (n_items,)."""
    return (unit.items["price"] / unit.items["pack"]).to_numpy(float)


def unit_litres(unit: Unit) -> np.ndarray:
    """Volume of one item, litres, shape (n_items,)."""
    return (unit.items["litres"] / unit.items["pack"]).to_numpy(float)


def forced_items(unit: Unit, needs: KitNeeds) -> set[int]:
    """Items that no limit may leave out: the emergency set, and items wanted side by side (glove sizes)."""
    forced = {i for held in needs.emergency for i in held}
    shared = unit.items["share"].to_numpy(float) > 0
    return forced | {i for found in needs.candidates.values() for i in found if shared[i]}


def opened_per_kit(needs: KitNeeds, stratum: int, position: int) -> tuple[float, float]:
    """(items opened in a stay, unopened items left at its end), expected, for a patient-scope item.

    After every top-up the kit can serve re_secures more attempts from opened and unopened items together.
    """
    table = needs.opened[stratum, position]
    use = needs.use[stratum]
    opened = float(use.stay_attempts @ table[: len(use.stay_attempts)])
    before, after = (np.arange(n) for n in use.last_interval.shape)
    last = len(table) - 1
    held = table[np.minimum(before + needs.re_secures[stratum], last)][:, None]
    used = table[np.minimum(before[:, None] + after[None, :], last)]
    return opened, float((use.last_interval * np.maximum(held - used, 0)).sum())


def through_a_stay(needs: KitNeeds, stratum: int, item: int, per_use: float, need: int, held: np.ndarray
                   ) -> tuple[float, np.ndarray]:
    """(bundles used in a stay, bundles left at its end), expected, for each number held after the last top-up.

    per_use: bundles that one attempt takes (event scope), 0 for others. need: bundles of the stratum's own kit.
    """
    use = needs.use[stratum]
    if per_use > 0:
        return use.mean_stay_attempts * per_use, leftover(needs, stratum, per_use, held)
    if (stratum, item) in needs.opened:
        opened, unopened = opened_per_kit(needs, stratum, item)
        return opened, unopened + held - need
    return 0.0, held.astype(float)


def leftover(needs: KitNeeds, stratum: int, per_use: float, held: np.ndarray) -> np.ndarray:
    """Expected items left in a kit when its airway ends, for each number held after the last top-up."""
    after = needs.use[stratum].last_interval.sum(axis=0)
    taken = per_use * np.arange(len(after))
    return np.maximum(held[:, None] - taken[None, :], 0.0) @ after


def choose_kit_items(unit: Unit, needs: KitNeeds) -> KitItemChoice:
    """Choose whole items for every role of every stratum at least monthly cost.

    minimise sum price x items used; subject to, for each stratum and role: contents cover the need of a re-secure,
    or one patient-scope item is chosen; an item used is carried; at most `items_carried` items are carried.
    Raises UnsafePlan when the limit is below what the kits need, with the smallest limit that works.
    """
    limit = unit.bedside.items_carried
    program, parts = _build(unit, needs, count_only=False, limit=limit)
    solution = program.solve(gap=1e-9, time_limit=unit.planning.time_limit_seconds)
    if not solution.solved:
        fewest, _ = _build(unit, needs, count_only=True, limit=None)
        least = fewest.solve(time_limit=unit.planning.time_limit_seconds)
        raise UnsafePlan(
            f"the stock room may carry {limit} different items (items_carried), but the kits need at least"
            f" {round(least.report.objective)}: emergency equipment in every size and one item for every role."
            f" Raise items_carried to {round(least.report.objective)} or more"
        )
    return _read(unit, parts, solution)


def _build(unit: Unit, needs: KitNeeds, count_only: bool, limit: int | None) -> tuple[Program, _Handles]:
    program = Program("kit_filling")
    forced = forced_items(unit, needs)
    usable = sorted(forced | {i for found in needs.candidates.values() for i in found}, key=unit.items["item"].get)
    low = [1.0 if i in forced else 0.0 for i in usable]
    carry = dict(zip(usable, program.variables("carry", len(usable), low=low, high=1.0, integer=True)))
    nudge = 1.0 if count_only else _FEWER_PIECES
    program.objective(list(carry.values()), np.full(len(carry), nudge))
    if limit is not None:
        program.row("items_carried", list(carry.values()), np.ones(len(carry)), high=float(limit))
    return program, {(g, role): _one_role(unit, needs, program, carry, g, role, found, count_only)
                     for (g, role), found in needs.candidates.items() if not any(i in forced for i in found)}


def _one_role(unit: Unit, needs: KitNeeds, program: Program, carry: dict[int, int], g: int, role: str,
              found: list[int], count_only: bool) -> dict[int, int]:
    """Variables and rows of one role of one stratum.

    sum contains x whole + need x sum single >= need;  whole_i <= most_i x carry_i;  single_i <= carry_i.
    """
    need = needs.needs[g][role]
    scope = unit.items["scope"]
    contains = unit.items["contains"].to_numpy(float)
    event = [i for i in found if scope[i] == "event"]
    other = [i for i in found if scope[i] != "event"]
    tag = f"{g}_{found[0]}"
    most = [float(whole_up(need / contains[i])) for i in event]
    whole = dict(zip(event, program.variables(f"whole_{tag}_", len(event), high=most, integer=True)))
    single = dict(zip(other, program.variables(f"single_{tag}_", len(other), high=1.0, integer=True)))
    both = whole | single
    weights = [contains[i] for i in event] + [need] * len(other)
    program.row(f"need_{tag}", list(both.values()), weights, low=need)
    for i, top in zip(event, most):
        program.row(f"open_{tag}_{i}", [whole[i], carry[i]], [1.0, -top], high=0.0)
    for i in other:
        program.row(f"open_{tag}_{i}", [single[i], carry[i]], [1.0, -1.0], high=0.0)
    if not count_only:
        costs = [c + _FEWER_PIECES for c in role_costs(unit, needs, g, role, list(both))]
        program.objective(list(both.values()), costs)
    return both


def role_costs(unit: Unit, needs: KitNeeds, stratum: int, role: str, found: list[int]) -> list[float]:
    """Money a month that one item a re-secure (event scope) or the whole role (other scopes) costs a stratum."""
    prices, kits = unit_prices(unit), needs.kits_per_month[stratum]
    costs = []
    for i in found:
        scope = unit.catalogue[i]["scope"]
        if scope == "unit":
            attempts = needs.use[stratum].mean_stay_attempts
            need = needs.needs[stratum][role]
            costs.append(prices[i] * (kits * attempts) * need / float(unit.catalogue[i]["contains"]))
        else:
            per_use = 1.0 if scope == "event" else 0.0
            held = np.array([per_use * needs.re_secures[stratum]])
            used, left = through_a_stay(needs, stratum, i, per_use, 0, held)
            costs.append(prices[i] * kits * float(used + left[0]))
    return costs


def _read(unit: Unit, parts: _Handles, solution: Solution) -> KitItemChoice:
    per_use: dict[tuple[int, str], dict[int, int]] = {}
    once_open: dict[tuple[int, str], int] = {}
    for key, handles in parts.items():
        counts = np.round(solution.values(list(handles.values()))).astype(int).tolist()
        taken = {i: n for i, n in zip(handles, counts) if n}
        chosen = [i for i in taken if unit.items.at[i, "scope"] != "event"]
        if chosen:
            once_open[key] = chosen[0]
        else:
            per_use[key] = taken
    return KitItemChoice(per_use, once_open)
