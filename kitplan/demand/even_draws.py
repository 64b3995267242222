"""Random numbers that are spread evenly over their range: fewer of them tell as much.

Parameter draws come in two halves, even and odd ones: plans are made on the first and verified on the second. Each
half is a Latin hypercube of its own (McKay, Beckman & Conover, Technometrics 1979;21:239, from memory).
"""

from __future__ import annotations

import numpy as np

from kitplan.demand.streams import uniforms


def even_places(seed: int, name: str, n: int, columns: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Uniform numbers in (0, 1), shape (n,), of which each half is spread evenly, and which of them each row of each
    column takes, int (n, columns): every column takes every number once, in an order of its own.
    """
    row, column = np.arange(n)[:, None], np.arange(columns)[None, :]
    order, within = uniforms(seed, f"{name}/order", row, column), uniforms(seed, f"{name}/within", np.arange(n), 0)
    values, place = np.empty(n), np.empty((n, columns), dtype=np.int64)
    for half in (0, 1):
        rank = order[half::2].argsort(axis=0).argsort(axis=0)
        values[2 * rank[:, 0] + half] = (rank[:, 0] + within[half::2]) / len(rank) if len(rank) else 0.5
        place[half::2] = 2 * rank + half
    return values, place


def even_uniforms(seed: int, name: str, n: int, columns: int = 1) -> np.ndarray:
    """Uniform numbers in (0, 1), shape (n, columns); in each column each half holds one in every 2 / n of the range."""
    values, place = even_places(seed, name, n, columns)
    return values[place]


def even_normals(seed: int, name: str, n: int) -> np.ndarray:
    """Standard normal numbers, shape (n,), spread in the same way."""
    from scipy.special import ndtri

    return ndtri(even_uniforms(seed, name, n)[:, 0])
