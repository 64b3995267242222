"""What a kit design that serves a group of strata holds, costs and takes up, for many groups at once.

Role by role a design holds the most that any member needs, filled by the one option that is cheapest for the group,
or by each member's own where no single option serves all.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kitplan.optimise.kit_slots import NEVER, Slot

OWN = -1
"""Stands for "each member's own option" in the choices of a group."""


def group_costs(slots: Sequence[Slot], groups: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Money a month and litres of each group.

    groups: bool ndarray (n_groups, n_strata), members. Returns (cost, litres), each (n_groups,).
    """
    cost, litres = np.zeros(len(groups)), np.zeros(len(groups))
    member = groups.astype(float)
    for slot in slots:
        costs, volumes = _option_costs(slot, groups, member)
        pick = (np.argmin(costs, axis=0), np.arange(len(groups)))
        cost += costs[pick]
        litres += volumes[pick]
    return cost, litres


def _option_costs(slot: Slot, groups: np.ndarray, member: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(cost, litres) of every single option, then of "each member's own"; both (n_options + 1, n_groups)."""
    rows = [_one_option(slot, groups, member, o) for o in range(len(slot.options))]
    if len(slot.options) > 1:
        rows.append(_own_options(slot, groups, member))
    return np.stack([r[0] for r in rows]), np.stack([r[1] for r in rows])


def _one_option(slot: Slot, groups: np.ndarray, member: np.ndarray, option: int) -> tuple[np.ndarray, np.ndarray]:
    held = _most(groups, slot.bundles[:, option])
    able = held < NEVER
    level = np.where(able, held, 0)
    cost = np.where(able, _sum_at(member, slot.cost[:, option], level), np.inf)
    return cost, slot.litres[option] * level


def _own_options(slot: Slot, groups: np.ndarray, member: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    cost, litres = np.zeros(len(groups)), np.zeros(len(groups))
    for o in range(len(slot.options)):
        mine = slot.own == o
        if mine.any():
            level = _most(groups[:, mine], slot.bundles[mine, o])
            cost += _sum_at(member[:, mine], slot.cost[mine, o], level)
            cost += (member[:, ~mine] @ slot.idle[~mine, o]) * level
            litres += slot.litres[o] * level
    return cost, litres


def _sum_at(member: np.ndarray, cost: np.ndarray, level: np.ndarray) -> np.ndarray:
    """Sum over members of cost[member, level of the group]; levels below a member's need never occur."""
    by_level = member @ np.where(np.isfinite(cost), cost, 0.0)
    return by_level[np.arange(len(level)), level]


def _most(groups: np.ndarray, needed: np.ndarray) -> np.ndarray:
    """Most that any member needs, (n_groups,); 0 for an empty group."""
    most = np.zeros(len(groups), dtype=np.int64)
    for value in np.unique(needed[needed > 0]):
        most[groups[:, needed == value].any(axis=1)] = value
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
    one = members[None, :]
    choices = []
    for slot in slots:
        best = int(np.argmin(_option_costs(slot, one, one.astype(float))[0][:, 0]))
        choices.append((slot, OWN if best == len(slot.options) else best))
    return choices


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
