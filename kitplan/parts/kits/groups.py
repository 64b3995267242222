"""What a kit design that serves a group of strata holds, costs and takes up, for many groups at once.

Role by role a design holds the most that any member needs, filled by the one option that is cheapest for the group,
or by each member's own where no single option serves all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kitplan.parts.kits.slots import NEVER, Slot
from kitplan.parts.kits.together import Together

OWN = -1
"""Stands for "each member's own option" in the choices of a group."""


_STEP = 2.0**-28


def exact(values: np.ndarray) -> np.ndarray:
    """Values to the nearest 2^-28 (a quarter of a hundred-millionth): their sums below 2^24 are then free of rounding.

    So a sum is the same in whatever order a library's threads add it up, and ties fall the same way everywhere.
    """
    return np.round(values / _STEP) * _STEP


@dataclass(frozen=True)
class _Way:
    """One way to serve a slot for a group: by one option, or (own) part of "each member's own".

    needed: int ndarray (n_strata,), bundles each needs. levels: values that the most of them can take. first: column
    of the lowest level in PriceList.table. litres: of one bundle.
    """

    needed: np.ndarray
    levels: np.ndarray
    first: int
    litres: float


class PriceList:
    """Everything needed to price groups of strata fast: sums over members become one matrix product.

    table: float ndarray (n_strata, n_columns), money a month of each stratum at each level of each way.
    """

    def __init__(self, slots: Sequence[Slot], together: Together | None = None) -> None:
        self.slots = slots
        self._together = together
        self.n_strata = len(slots[0].own)
        columns: list[np.ndarray] = []
        self._places: list[tuple[list[_Way], list[_Way]]] = []
        for slot in slots:
            options = range(len(slot.options))
            single = [_way(slot, o, False, columns) for o in options]
            own = [_way(slot, o, True, columns) for o in options if (slot.own == o).any()] if len(options) > 1 else []
            self._places.append((single, own))
        self.table = exact(np.stack(columns, axis=1))

    def costs(self, groups: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Money a month and litres of each group; money without end where its members may not share a kit.

        groups: bool ndarray (n_groups, n_strata), members. Returns (cost, litres), each (n_groups,).
        """
        sums = groups.astype(float) @ self.table
        cost, litres = np.zeros(len(groups)), np.zeros(len(groups))
        rows = np.arange(len(groups))
        for place in self._places:
            ways = self._ways(place, groups, sums)
            best = np.argmin(ways[0], axis=0) if len(ways[0]) > 1 else np.zeros(len(groups), dtype=np.int64)
            cost += ways[0][best, rows]
            litres += ways[1][best, rows]
        if self._together is not None:
            cost[~self._together.allows(groups)] = np.inf
        return cost, litres

    def cheapest_way(self, members: np.ndarray) -> list[int]:
        """For one group, the option taken in each slot; the number of options where each member keeps its own."""
        one = members[None, :]
        sums = one.astype(float) @ self.table
        return [int(np.argmin(self._ways(place, one, sums)[0][:, 0])) for place in self._places]

    def _ways(
        self, place: tuple[list[_Way], list[_Way]], groups: np.ndarray, sums: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """(cost, litres) of every single option, then of "each member's own"; both (n_ways, n_groups)."""
        rows = [_one_way(way, groups, sums) for way in place[0]]
        if place[1]:
            parts = [_one_way(way, groups, sums) for way in place[1]]
            rows.append((np.sum([p[0] for p in parts], axis=0), np.sum([p[1] for p in parts], axis=0)))
        return np.stack([r[0] for r in rows]), np.stack([r[1] for r in rows])


def _way(slot: Slot, option: int, own: bool, columns: list[np.ndarray]) -> _Way:
    """Describe one way and append its columns: a stratum's cost at each level (what it idles, where it is not its)."""
    mine = slot.own == option if own else np.ones(len(slot.own), dtype=bool)
    needed = np.where(mine, slot.bundles[:, option], 0)
    levels = np.unique(np.append(needed[needed < NEVER], 0))
    first = len(columns)
    for level in levels:
        used = slot.cost[:, option, level]
        columns.append(np.where(mine, np.where(np.isfinite(used), used, 0.0), slot.idle[:, option] * level))
    return _Way(needed, levels, first, float(slot.litres[option]))


def _one_way(way: _Way, groups: np.ndarray, sums: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    held = _most(groups, way.needed)
    able = held < NEVER
    column = way.first + np.searchsorted(way.levels, np.where(able, held, 0))
    cost = sums[np.arange(len(groups)), column]
    return np.where(able, cost, np.inf), way.litres * np.where(able, held, 0)


def group_costs(slots: Sequence[Slot], groups: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """`PriceList.costs` for a single call."""
    return PriceList(slots).costs(groups)


def _most(groups: np.ndarray, needed: np.ndarray) -> np.ndarray:
    """Most that any member needs, (n_groups,); 0 for an empty group."""
    values = np.unique(needed[needed > 0])
    some = groups.astype(float) @ (needed[:, None] == values) > 0
    most: np.ndarray = (some * values).max(axis=1, initial=0)
    return most


def least_costs_beside(slots: Sequence[Slot], groups: np.ndarray) -> np.ndarray:
    """Least that each stratum can cost in any design that also serves a group; ndarray (n_groups, n_strata).

    Adding members never lowers what a design holds, so that this bounds the stratum's cost in every larger group.
    """
    n = len(slots[0].own)
    least = np.zeros((len(groups), n))
    for slot in slots:
        rows = []
        for o in range(len(slot.options)):
            level = np.maximum(_most(groups, slot.bundles[:, o])[:, None], slot.bundles[None, :, o])
            able = level < NEVER
            part = slot.cost[np.arange(n)[None, :], o, np.where(able, level, 0)]
            rows.append(np.where(able, part, np.inf))
        if len(slot.options) > 1:
            rows.append(_own_beside(slot, groups))
        least += np.min(rows, axis=0)
    return least


def _own_beside(slot: Slot, groups: np.ndarray) -> np.ndarray:
    """The same where every member keeps its own option."""
    n = len(slot.own)
    part = np.zeros((len(groups), n))
    for o in range(len(slot.options)):
        mine = slot.own == o
        needed = np.where(mine, slot.bundles[:, o], 0)
        level = np.maximum(_most(groups, needed)[:, None], needed[None, :])
        used = slot.cost[np.arange(n)[None, :], o, np.minimum(level, slot.cost.shape[2] - 1)]
        part += np.where(mine[None, :], used, slot.idle[:, o][None, :] * level)
    return part


def group_choices(slots: Sequence[Slot], members: np.ndarray) -> list[tuple[Slot, int]]:
    """The option taken in each slot by one group (bool ndarray (n_strata,)), OWN where each keeps its own."""
    ways = PriceList(slots).cheapest_way(members)
    return [(slot, OWN if way == len(slot.options) else way) for slot, way in zip(slots, ways)]


def option_of(slot: Slot, choice: int, stratum: int) -> int:
    """The option a stratum takes from in a design whose slot holds `choice`; -1 where it does not use the slot."""
    return int(slot.own[stratum]) if choice == OWN or slot.own[stratum] < 0 else choice


def held_bundles(slot: Slot, choice: int, members: np.ndarray) -> np.ndarray:
    """Bundles of each option in the kit of one group, int ndarray (n_options,)."""
    held = np.zeros(len(slot.options), dtype=np.int64)
    for o in range(len(slot.options)):
        if choice == OWN:
            held[o] = np.where(slot.own == o, slot.bundles[:, o], 0)[members].max(initial=0)
        elif choice == o:
            held[o] = slot.bundles[members, o].max(initial=0)
    return held


def group_contents(slots: Sequence[Slot], members: np.ndarray) -> dict[int, int]:
    """Items in the kit of one group: {item position: items}, items that two slots share added up."""
    contents: dict[int, int] = {}
    for slot, choice in group_choices(slots, members):
        for held, bundle in zip(held_bundles(slot, choice, members), slot.options):
            for item, count in bundle.items():
                if held:
                    contents[item] = contents.get(item, 0) + int(held) * count
    return contents
