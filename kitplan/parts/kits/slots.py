"""Places in a kit: what each stratum needs there, what could lie there, and what that costs a month.

A slot is a role with its alternatives (saline by one ampoule or another), or one item that has no alternative (a
mask in one size, gloves in one size). Sizes that stand in for each other have a joint chance of running out.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import lgamma

import numpy as np

from kitplan.demand.whole import whole_up
from kitplan.parts.kits.contents import KitItemChoice, forced_items, through_a_stay, unit_litres, unit_prices
from kitplan.parts.kits.requirements import KitNeeds
from kitplan.read.values import Unit

NEVER = 10**6
"""Bundles that stand for "this option cannot serve this stratum"."""
MOST_USES = 150
"""Beyond it n! nears the largest number that a double holds (170!), and growing a kit one by one takes long."""


@dataclass(frozen=True)
class Slot:
    """One place in a kit.

    options: what may lie there, each a bundle {item position: items}.
    bundles: int ndarray (n_strata, n_options), bundles a stratum's own kit holds; 0 where it does not use the slot,
        NEVER where the option cannot serve it. per_use: float ndarray, same shape, bundles one attempt takes (event
        scope; 0 otherwise). own: int ndarray (n_strata,), the option of the item choice, -1 where not used.
    cost: float ndarray (n_strata, n_options, most + 1), money a month with that many bundles in the kit; infinite
        below the need. idle: float ndarray (n_strata, n_options), money a month for each bundle carried unused.
    litres: float ndarray (n_options,), volume of one bundle.
    """

    name: str
    role: str
    options: tuple[Mapping[int, int], ...]
    bundles: np.ndarray
    per_use: np.ndarray
    own: np.ndarray
    cost: np.ndarray
    idle: np.ndarray
    litres: np.ndarray


def build_slots(unit: Unit, needs: KitNeeds, item_choice: KitItemChoice) -> list[Slot]:
    """Slots of every kit of the unit, in the order of their first item's name; unit-scope items are left out."""
    roles = dict.fromkeys(role for _, role in (*item_choice.per_use, *item_choice.once_open))
    slots = [s for role in roles for s in _role_slot(unit, needs, item_choice, role)]
    slots += [_forced_slot(unit, needs, i) for i in sorted(forced_items(unit, needs))]
    names = unit.items["item"]
    return sorted(slots, key=lambda s: min(names[i] for b in s.options for i in b))


def _role_slot(unit: Unit, needs: KitNeeds, item_choice: KitItemChoice, role: str) -> list[Slot]:
    """The slot of a role whose items are alternatives; none when only shared (unit-scope) items fill it."""
    names = unit.items["item"]
    taken = [bundle.items() for (_, r), bundle in item_choice.per_use.items() if r == role]
    mixed = {tuple(sorted((names[i], i, n) for i, n in bundle)) for bundle in taken}
    singles = sorted({(name, i) for bundle in mixed for name, i, _ in bundle})
    bundles = [{i: 1} for _, i in singles] + [{i: n for _, i, n in b} for b in sorted(mixed) if len(b) > 1]
    opened = sorted({
        i for (_, r), i in item_choice.once_open.items() if r == role and unit.catalogue[i]["scope"] == "patient"
    }, key=names.get)
    options = [*bundles, *({i: 1} for i in opened)]
    if not options:
        return []
    shape = (unit.n_strata, len(options))
    own = np.full(unit.n_strata, -1)
    count, per_use = np.zeros(shape, dtype=np.int64), np.zeros(shape)
    for g in range(unit.n_strata):
        if role not in needs.needs[g]:
            continue
        own[g] = _own_option(item_choice, g, role, options)
        for o, bundle in enumerate(options if own[g] >= 0 else ()):
            count[g, o], per_use[g, o] = _bundles_needed(unit, needs, g, role, bundle)
    return [_slot(unit, needs, role, role, options, count, per_use, own)]


def _own_option(item_choice: KitItemChoice, g: int, role: str, options: list[dict[int, int]]) -> int:
    """Position of the stratum's own item among the options, -1 when it uses a shared (unit-scope) item."""
    if (g, role) in item_choice.once_open:
        wanted = {item_choice.once_open[g, role]: 1}
        return options.index(wanted) if wanted in options else -1
    taken = item_choice.per_use[g, role]
    return options.index(taken if len(taken) > 1 else {next(iter(taken)): 1})


def _bundles_needed(unit: Unit, needs: KitNeeds, g: int, role: str, bundle: Mapping[int, int]) -> tuple[int, float]:
    """(bundles in the kit, bundles an attempt takes) for a stratum; NEVER where the bundle cannot serve it."""
    if not set(bundle) <= set(needs.candidates[g, role]):
        return NEVER, 0.0
    first = next(iter(bundle))
    floor = max(int(np.ceil(np.nan_to_num(unit.catalogue[i]["min_bedside"]) / n)) for i, n in bundle.items())
    attempts = int(needs.re_secures[g])
    if unit.catalogue[first]["scope"] == "patient":
        return max(int(needs.opened[g, first][attempts]), floor), 0.0
    holds = sum(float(unit.catalogue[i]["contains"]) * n for i, n in bundle.items())
    per_use = int(whole_up(needs.needs[g][role] / holds))
    return max(per_use * attempts, floor), float(per_use)


def _forced_slot(unit: Unit, needs: KitNeeds, item: int) -> Slot:
    """The slot of one item without alternatives: emergency equipment, or one of several wanted side by side."""
    role = str(unit.catalogue[item]["role"])
    count, per_use = np.zeros((unit.n_strata, 1), dtype=np.int64), np.zeros((unit.n_strata, 1))
    share = unit.items["share"].to_numpy(float)
    for g in range(unit.n_strata):
        found = needs.candidates.get((g, role), [])
        if item in found and share[item] > 0:
            part = share[item] / np.nansum(share[found])
            per_use[g] = part * whole_up(needs.needs[g][role] / float(unit.catalogue[item]["contains"]))
            count[g] = _in_mix(unit, needs, g, role, item)
        count[g] = max(int(count[g, 0]), needs.emergency[g].get(item, 0))
    own = np.where(count[:, 0] > 0, 0, -1)
    return _slot(unit, needs, f"{role} {unit.catalogue[item]['item']}", role, [{item: 1}], count, per_use, own)


def _in_mix(unit: Unit, needs: KitNeeds, g: int, role: str, item: int) -> int:
    """How many of one of several items used side by side a kit holds, so that the mix lasts with the kit's chance."""
    found = [i for i in needs.candidates[g, role] if unit.catalogue[i]["share"] > 0]
    shares = unit.items.loc[found, "share"].to_numpy(float)
    per_attempt = int(whole_up(needs.needs[g][role]))
    attempts = tuple(needs.use[g].kit_attempts.tolist())
    held = fewest_of_each(tuple((shares / shares.sum()).tolist()), attempts, per_attempt, unit.bedside.readiness)
    return held[found.index(item)]


def _slot(unit: Unit, needs: KitNeeds, name: str, role: str, options: list[dict[int, int]], count: np.ndarray,
          per_use: np.ndarray, own: np.ndarray) -> Slot:
    prices, litres = unit_prices(unit), unit_litres(unit)
    price = np.array([sum(prices[i] * n for i, n in b.items()) for b in options])
    most = int(count[count < NEVER].max(initial=0))
    cost = np.full((*count.shape, most + 1), np.inf)
    for g in range(unit.n_strata):
        for o, bundle in enumerate(options):
            if own[g] < 0:
                cost[g, o] = price[o] * needs.kits_per_month[g] * np.arange(most + 1)
            elif (need := int(count[g, o])) < NEVER:
                held = np.arange(need, most + 1)
                used, left = through_a_stay(needs, g, next(iter(bundle)), float(per_use[g, o]), need, held)
                cost[g, o, need:] = price[o] * (needs.kits_per_month[g] * (used + left))
    volume = np.array([sum(litres[i] * n for i, n in b.items()) for b in options])
    idle = np.outer(needs.kits_per_month, price)
    return Slot(name, role, tuple(options), count, per_use, own, cost, idle, volume)


def chance_of_mix(held: Sequence[int], shares: Sequence[float], uses: int) -> np.ndarray:
    """P(no size runs out in n uses) for n = 0..uses, float ndarray (uses + 1,).

    The n uses fall on the sizes as a multinomial. P(X <= held) is n! times the coefficient of z^n in the product over
    sizes of sum over k <= held of (share z)^k / k! (after Levin, Annals of Statistics 1981;9:1123, from memory).
    """
    product = np.array([1.0])
    for most, share in zip(held, shares):
        powers = np.arange(min(int(most), uses) + 1)
        terms = np.exp(powers * np.log(share) - np.array([lgamma(k + 1) for k in powers]))
        product = np.convolve(product, terms)[: uses + 1]
    product = np.pad(product, (0, uses + 1 - len(product)))
    return product * np.exp([lgamma(n + 1) for n in range(uses + 1)])


@lru_cache(maxsize=1024)
def fewest_of_each(
    shares: tuple[float, ...], attempts: tuple[float, ...], per_attempt: int, chance: float
) -> tuple[int, ...]:
    """How many of each size a kit holds so that nothing runs out between restocks with the chance that is promised.

    attempts: PMF of attempts between two restocks, so that what is promised counts both how many uses there are and on
    which sizes they fall. Grown one item at a time where it helps most, or one of each where none helps. Every size as
    often as all uses of the attempts that the kit is made for is always enough. Beyond MOST_USES each size has its own
    quantile, which keep the promise together whatever the mix (Bonferroni): a pair or two more among hundreds.
    """
    most = int(np.searchsorted(np.cumsum(attempts), chance - 1e-9))
    uses = most * per_attempt
    weight = np.zeros(uses + 1)
    for count, p in enumerate(attempts[: most + 1]):
        weight[count * per_attempt] += p
    if uses > MOST_USES:
        spare = max(float(weight.sum()) - chance, 0.0) / len(shares)
        return tuple(_quantile(weight, share, spare) for share in shares)

    def lasts(held: list[int]) -> float:
        return float(weight @ chance_of_mix(held, shares, uses))

    held = [0] * len(shares)
    while lasts(held) < chance - 1e-9 and min(held) < uses:
        grown = max(([n + (k == j) for k, n in enumerate(held)] for j in range(len(held))), key=lasts)
        # Under one attempt's uses a single item more changes nothing, whatever its size.
        held = grown if lasts(grown) > lasts(held) + 1e-9 else [n + 1 for n in held]
    return tuple(held)


def _quantile(weight: np.ndarray, share: float, chance: float) -> int:
    """Fewest of one size that run out with at most `chance`; weight: chances of 0, 1, ... uses, (uses + 1,)."""
    from scipy.stats import binom

    number = np.arange(len(weight))
    return bisect_left(number[:-1], True, key=lambda n: float(weight @ binom.sf(n, number, share)) <= chance)
