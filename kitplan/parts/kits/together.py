"""Which kinds of airway may share a kit: emergency equipment is never merged by money alone.

A kit may hold the sizes of several airways only if each is at most one step of its scale from every airway that the
kit serves, and if no more than a stated number of different sizes of one kind (masks, bags) lie in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.demand.fit import item_fits
from kitplan.parts.kits.requirements import KitNeeds
from kitplan.read.values import Unit


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
    rows, strata = unit.items.to_dict("records"), unit.strata.to_dict("records")
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
    held = {i for g in np.flatnonzero(members) for i in needs.emergency[g] if unit.items.at[i, "critical"]}
    roles = [str(unit.items.at[i, "role"]) for i in held]
    return {role: roles.count(role) for role in sorted(set(roles))}
