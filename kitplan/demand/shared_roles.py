"""Uses that fall on one of several items by chance: a pair of gloves is of one size or another, as hands are.

A scenario's uses are drawn a block at a time, from a pool of blocks in which every item has just its share. So the n-th
use of a scenario always goes to the same item, and more uses never take fewer of any.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from kitplan.demand.streams import fingerprints, name_key
from kitplan.demand.values import ItemChoice
from kitplan.demand.whole import whole_up

_BLOCK, _POOL_BITS = 32, 13
"""Uses in a block, and the pool's size: the spread of a block's uses errs by one percent at most, about."""
_AT_ONCE = 1 << 20
"""Blocks drawn in one go."""


@dataclass(frozen=True)
class SharedRole:
    """items: names. shares: of each, they sum to 1. uses: stratum -> whole uses of the role in an attempt."""

    role: str
    items: tuple[str, ...]
    shares: tuple[float, ...]
    uses: dict[int, int]


@lru_cache(maxsize=16)
def shared_roles(item_choice: ItemChoice) -> tuple[SharedRole, ...]:
    """Roles that several items serve side by side."""
    frame = item_choice.frame
    found = []
    for role, rows in frame[frame["share"] < 1.0].groupby("role", sort=False):
        items, strata = rows.drop_duplicates("item"), rows.drop_duplicates("stratum")
        uses = dict(zip(strata["stratum"].tolist(), whole_up(strata["need"]).tolist()))
        found.append(SharedRole(str(role), tuple(map(str, items["item"])), tuple(items["share"]), uses))
    return tuple(found)


def split_uses(role: SharedRole, re_secures: np.ndarray, seed: int, stream: str) -> np.ndarray:
    """Uses that fall on each item of the role, int32 (n_items, n_moments, n_scenarios).

    re_secures: attempts so far at each moment, (n_moments, n_scenarios, n_strata).
    """
    uses = np.zeros(re_secures.shape[:-1], dtype=np.int64)
    for stratum, each in role.uses.items():
        uses += re_secures[..., stratum].astype(np.int64) * each
    pool = _pool(role.shares, seed)
    key = np.uint64(name_key(seed, stream, "share", role.role))
    up_to = np.zeros((len(role.items) + 1, *uses.shape), dtype=np.int32)
    up_to[-1] = uses
    every = np.arange(re_secures.shape[-2])
    for some in _few(uses):
        n_blocks = int(uses[:, some].max(initial=0)) // _BLOCK + 1
        scenarios = every[some]
        lots = fingerprints(key, scenarios[None], np.arange(n_blocks)[:, None]) >> np.uint64(64 - _POOL_BITS)
        lots = lots.astype(np.intp)
        block, rest = np.divmod(uses[:, some], _BLOCK)
        last = np.take_along_axis(lots, block, axis=0)
        for counted, hits in zip(up_to[1:-1], pool):
            whole = np.zeros((n_blocks, len(scenarios)), dtype=np.int32)
            for k, of_block in enumerate(hits[_BLOCK].take(lots[:-1])):  # thrice as fast as a cumulative sum
                np.add(whole[k], of_block, out=whole[k + 1])
            counted[:, some] = np.take_along_axis(whole, block, axis=0) + hits[rest, last]
    return np.diff(up_to, axis=0)


def _few(uses: np.ndarray) -> Iterator[slice]:
    """Scenarios a part after the other, so that memory holds the blocks of one part."""
    step = max(_AT_ONCE * _BLOCK // (int(uses.max(initial=0)) + _BLOCK), 1)
    return (slice(first, first + step) for first in range(0, uses.shape[-1], step))


@lru_cache(maxsize=16)
def _pool(shares: tuple[float, ...], seed: int) -> np.ndarray:
    """Of the first 0, 1, ... uses of each block those that fall on the first item, the first two, ...: uint8
    (n_items - 1, _BLOCK + 1, blocks).
    """
    places = _places(seed)
    edges = np.round(np.cumsum(shares)[:-1] * places.size).astype(int)
    hits = np.zeros((len(edges), _BLOCK + 1, 1 << _POOL_BITS), dtype=np.uint8)
    for own, edge in zip(hits, edges):
        np.cumsum(places < edge, axis=0, out=own[1:])
    return hits


@lru_cache(maxsize=2)
def _places(seed: int) -> np.ndarray:
    """A place in the order of all uses of the pool for each of them, int64 (_BLOCK, blocks)."""
    rng = np.random.Generator(np.random.PCG64(name_key(seed, "pool of uses")))
    return rng.permutation(_BLOCK << _POOL_BITS).reshape(_BLOCK, -1)
