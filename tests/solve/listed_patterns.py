"""Every way to cut one roll, listed: what column generation is held to."""

from collections.abc import Sequence

import numpy as np


def all_patterns(sizes: Sequence[int] | np.ndarray, capacity: int, *, maximal: bool = False) -> np.ndarray:
    """Every non-empty pattern of one roll, int ndarray, shape (n_patterns, n_pieces); with `maximal` only
    those to which no further piece can be added."""
    table = np.zeros((1, 0), dtype=int)
    room = np.array([int(capacity)])
    for size in (int(v) for v in sizes):
        most = room // size
        rows = np.repeat(np.arange(room.size), most + 1)
        copies = np.arange(rows.size) - np.repeat(np.cumsum(most + 1) - (most + 1), most + 1)
        table = np.column_stack([table[rows], copies])
        room = room[rows] - copies * size
    keep = table.any(axis=1) & ((room < min(sizes)) if maximal else True)
    return table[keep]
