"""Where ordering in whole packs leaves an item: anywhere from its level to one pack less one item above it.

An item is ordered when what is on the shelf and on order falls under its level s, in the least whole packs that bring
it to s or more. In the long run the position after ordering is then s, s + 1, ... s + Q - 1 equally often, whatever the
demand, as long as demand does not move in steps that share a factor with the pack Q (Hadley & Whitin, Analysis of
Inventory Systems, 1963, the (nQ, r) system, from memory). So the residual U is drawn uniformly and taken off demand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.demand.streams import name_key, uniforms
from kitplan.demand.whole import whole_up


@dataclass(frozen=True)
class Packing:
    """How items are packed and counted, all arrays of shape (n_items,).

    names: the residual of an item hangs on its name, not on its place. pack: single items in a pack (Q).
    step: 1 where the shelf is counted item by item, the pack where only unopened packs are counted: levels are
    multiples of it, and the open pack is what lies above the level.
    """

    names: tuple[str, ...]
    pack: np.ndarray
    step: np.ndarray

    def needed(self, units: np.ndarray, seed: int, stream: str) -> np.ndarray:
        """Return the least level of each item that lasts in each scenario, int32, shape (n_scenarios, n_items).

        units : int, same shape, single items that leave the stock room. max(D - U, 1) rounded up to the item's step
        where there is demand, U uniform on 0 .. pack - 1; 0 where there is none. Level 0 means not stocked: nothing is
        ever ordered, and no residual helps. Each item's column is contiguous.
        """
        scenarios = np.arange(len(units))
        levels = np.zeros(units.shape[::-1], dtype=np.int32)
        for i, name in enumerate(self.names):
            asked = np.asarray(units[:, i], dtype=np.int64)
            if not asked.any():
                continue
            lot = uniforms(seed, f"{stream}/whole packs", scenarios, np.uint64(name_key(name)))
            least = np.maximum(asked - np.floor(lot * self.pack[i]).astype(np.int64), 1)
            levels[i] = np.where(asked > 0, -(-least // self.step[i]) * self.step[i], 0)
        return levels.T

    def lasting(self, units: np.ndarray, levels: np.ndarray) -> np.ndarray:
        """Return the chance that `levels` last in each scenario, wherever ordering left the items, (n_scenarios,)."""
        chance = np.ones(len(units))
        for i in np.flatnonzero((units > levels).any(axis=0)):
            over = units[:, i] - levels[i]
            chance *= np.where(over > 0, (1 - over / self.pack[i]).clip(0.0) * (levels[i] > 0), 1.0)
        return chance

    def on_grid(self, units: np.ndarray) -> np.ndarray:
        """Return `units` rounded up to whole steps, int64."""
        return np.asarray(whole_up(units / self.step) * self.step)

    def packs(self, levels: np.ndarray) -> np.ndarray:
        """Return the least whole packs that reach `levels`: what an empty shelf would order."""
        return np.asarray(whole_up(levels / self.pack))

    def largest(self, levels: np.ndarray) -> np.ndarray:
        """Return the most that ordering can bring, on the shelf and on order: s + Q - 1; 0 where not stocked."""
        return np.where(np.asarray(levels) > 0, levels + self.pack - 1, 0)

    def mean(self, levels: np.ndarray) -> np.ndarray:
        """Return the mean position after ordering, s + (Q - 1) / 2; 0 where not stocked."""
        return np.where(np.asarray(levels) > 0, levels + (self.pack - 1) / 2, 0.0)
