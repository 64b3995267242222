"""What a kit design that serves a group of strata holds, costs and takes up, for many groups at once.

Role by role a design holds the most that any member needs, filled by the one option that is cheapest for the group,
or by each member's own where no single option serves all. Emergency sizes that may be confused do not share a kit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from kitplan.parts.kits.requirements import KitNeeds
from kitplan.parts.kits.slots import NEVER, Slot
from kitplan.read.catalogue import item_fits
from kitplan.read.values import Unit

_STEP = 2.0**-28


def exact(values: np.ndarray) -> np.ndarray:
    """Values to the nearest 2^-28 (a quarter of a hundred-millionth): their sums below 2^24 are then free of rounding.

    So a sum is the same in whatever order a library's threads add it up, and ties fall the same way everywhere.
    """
    return np.round(values / _STEP) * _STEP


@dataclass(frozen=True, eq=False)
class Part:
    """What is taken from one option of a slot. takers: bool ndarray (n_strata,); for others its bundles lie idle."""

    slot: Slot
    option: int
    takers: np.ndarray

    @cached_property
    def needed(self) -> np.ndarray:
        """Bundles that each stratum needs of it, int ndarray (n_strata,)."""
        return np.where(self.takers, self.slot.bundles[:, self.option], 0)

    @cached_property
    def levels(self) -> np.ndarray:
        """Values that the most of them can take, rising from 0."""
        return np.unique(np.append(self.needed[self.needed < NEVER], 0))

    def costs(self, level: np.ndarray) -> np.ndarray:
        """Money a month of each stratum with so many bundles in its kit, infinite where that cannot serve it.

        level: int ndarray (m, n_strata); returns the same shape.
        """
        able, o = level < NEVER, self.option
        used = self.slot.cost[np.arange(level.shape[1]), o, np.where(able, level, 0)]
        return np.where(self.takers, np.where(able, used, np.inf), self.slot.idle[:, o] * level)

    @cached_property
    def _needs(self) -> tuple[np.ndarray, np.ndarray]:
        values = np.unique(self.needed[self.needed > 0])
        return values, (self.needed[:, None] == values).astype(float)

    def most(self, groups: np.ndarray) -> np.ndarray:
        """Most that any member needs, (n_groups,); 0 for an empty group."""
        values, who = self._needs
        most: np.ndarray = ((groups @ who > 0) * values).max(axis=1, initial=0)
        return most


def ways(slot: Slot) -> list[list[Part]]:
    """The ways to fill a slot for several strata: each of its options for all; then, of several, each its own."""
    everyone, options = np.ones(len(slot.own), dtype=bool), range(len(slot.options))
    own = [Part(slot, o, slot.own == o) for o in options if (slot.own == o).any()]
    return [*([Part(slot, o, everyone)] for o in options), *([own] if len(options) > 1 else [])]


def held_bundles(way: Sequence[Part], members: np.ndarray) -> np.ndarray:
    """Bundles of each option of a slot in the kit of one group, int ndarray (n_options,)."""
    held = np.zeros(len(way[0].slot.options), dtype=np.int64)
    for part in way:
        held[part.option] = part.needed[members].max(initial=0)
    return held


@dataclass(frozen=True)
class Place:
    """A slot in the kit of one group. own: each member takes from its own option.

    held: int ndarray (n_options,), bundles of each option. takes: int ndarray (n_strata,), the option that each
    stratum takes from, -1 where it does not use the slot.
    """

    slot: Slot
    own: bool
    held: np.ndarray
    takes: np.ndarray


@dataclass(frozen=True)
class Kit:
    """One kit design. members: bool ndarray (n_strata,), whom it serves. places: slot by slot."""

    name: str
    members: np.ndarray
    places: tuple[Place, ...]


class PriceList:
    """Everything needed to price groups of strata fast: sums over members become one matrix product.

    together: who may share a kit (default: all). container_litres: what a kit may take up (default: any room).
    table: float ndarray (n_strata, n_columns), money a month of each stratum at each level of each part of a way.
    """

    def __init__(self, slots: Sequence[Slot], together: Together | None = None,
                 container_litres: float | None = None) -> None:
        self.slots = slots
        self.n_strata = len(slots[0].own)
        self._together, self._container = together, container_litres
        self._ways = [ways(slot) for slot in slots]
        self._first: dict[Part, int] = {}
        columns: list[np.ndarray] = []
        for part in (part for slot_ways in self._ways for way in slot_ways for part in way):
            self._first[part] = len(columns)
            found = part.costs(np.repeat(part.levels[:, None], self.n_strata, axis=1))
            columns += list(np.where(np.isfinite(found), found, 0.0))
        self.table = exact(np.stack(columns, axis=1))

    def costs(self, groups: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Money a month and litres of each group; money without end where its members may not share a kit.

        groups: bool ndarray (n_groups, n_strata), members. Returns (cost, litres), each (n_groups,).
        """
        groups, rows = groups.astype(float), np.arange(len(groups))
        sums = groups @ self.table
        total = np.zeros((2, len(groups)))
        for slot_ways in self._ways:
            priced = self._priced(slot_ways, groups, sums)
            total += priced[np.argmin(priced[:, 0], axis=0), :, rows].T if len(priced) > 1 else priced[0]
        cost, litres = total
        if self._together is not None:
            cost[~self._together.allows(groups > 0)] = np.inf
        if self._container is not None:
            cost[litres > self._container + 1e-9] = np.inf
        return cost, litres

    def _priced(self, slot_ways: list[list[Part]], groups: np.ndarray, sums: np.ndarray) -> np.ndarray:
        """Cost and litres of every way to fill one slot, (n_ways, 2, n_groups)."""
        return np.stack([np.sum([self._of_part(part, groups, sums) for part in way], axis=0) for way in slot_ways])

    def _of_part(self, part: Part, groups: np.ndarray, sums: np.ndarray) -> np.ndarray:
        held = part.most(groups)
        able = held < NEVER
        held = np.where(able, held, 0)
        cost = sums[np.arange(len(groups)), self._first[part] + np.searchsorted(part.levels, held)]
        return np.stack([np.where(able, cost, np.inf), part.slot.litres[part.option] * held])

    def kit(self, name: str, members: np.ndarray) -> Kit:
        """The kit of one group, each slot filled in the cheapest way. members: bool ndarray (n_strata,)."""
        one, places = members[None, :].astype(float), []
        sums = one @ self.table
        for slot, slot_ways in zip(self.slots, self._ways):
            chosen = int(np.argmin(self._priced(slot_ways, one, sums)[:, 0, 0]))
            own = chosen == len(slot.options)
            takes = slot.own if own else np.where(slot.own < 0, -1, chosen)
            places.append(Place(slot, own, held_bundles(slot_ways[chosen], members), takes))
        return Kit(name, members, tuple(places))

    def least_beside(self, groups: np.ndarray) -> np.ndarray:
        """Least that each stratum can cost in any design that also serves a group; ndarray (n_groups, n_strata).

        Adding members never lowers what a design holds, so that this bounds the stratum's cost in every larger group.
        """
        least = np.zeros((len(groups), self.n_strata))
        for slot_ways in self._ways:
            costs = [[part.costs(np.maximum(part.most(groups)[:, None], part.needed)) for part in way]
                     for way in slot_ways]
            least += np.min([np.sum(way, axis=0) for way in costs], axis=0)
        return least


@dataclass(frozen=True)
class Together:
    """apart: bool ndarray (n_strata, n_strata), pairs that may not share a kit. held: for each critical role, what
    every stratum holds, bool ndarray (n_strata, n_items). most: different items of one role in a kit."""

    apart: np.ndarray
    held: tuple[np.ndarray, ...]
    most: int

    def allows(self, groups: np.ndarray) -> np.ndarray:
        """Which groups may have one kit, bool ndarray (n_groups,). groups: members, bool ndarray (n_groups, n_strata).

        A group whose members all hold the same sizes may, however many these are. What is refused stays refused when
        the group grows, so that a search may stop there.
        """
        members = groups.astype(float)
        good = ~((members @ self.apart) * members).any(axis=1)
        for held in self.held:
            kinds = ((members @ held) > 0).sum(axis=1)
            least = np.where(groups, held.sum(axis=1), len(held[0]) + 1).min(axis=1)
            good &= (kinds <= self.most) | (kinds == least)
        return good


def may_share(unit: Unit, needs: KitNeeds) -> Together:
    """The rule for one unit, from the emergency equipment that each stratum holds."""
    critical = unit.items["critical"].to_numpy(bool)
    rows, strata = unit.catalogue, unit.airways
    held = np.array([[i in own and critical[i] for i in range(len(rows))] for own in needs.emergency], dtype=bool)
    steps = [unit.planning.face_size_step_mm if airway["scale"] == "mm" else 1.0 for airway in strata]
    near = np.array([[not held[:, i].any() or item_fits(row, airway, step) for i, row in enumerate(rows)]
                     for airway, step in zip(strata, steps)], dtype=bool)
    far = held.astype(float) @ (~near).T.astype(float) > 0
    np.fill_diagonal(far, False)
    roles = unit.items["role"].to_numpy()
    by_role = tuple(held[:, roles == role] for role in dict.fromkeys(roles[held.any(axis=0)]))
    return Together(far | far.T, by_role, unit.bedside.sizes_in_kit)


def sizes_in(unit: Unit, needs: KitNeeds, members: np.ndarray) -> dict[str, int]:
    """Different critical items of each role in the kit of one group: {"mask": 2, "bag": 1}."""
    held = {i for g in np.flatnonzero(members) for i in needs.emergency[g] if unit.catalogue[i]["critical"]}
    roles = [str(unit.catalogue[i]["role"]) for i in held]
    return {role: roles.count(role) for role in sorted(set(roles))}
