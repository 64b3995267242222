"""Random numbers that are spread evenly over their range: fewer of them tell as much.

Parameter draws come in two halves, even and odd ones: plans are made on the first and verified on the second. Each
half is a Latin hypercube of its own (McKay, Beckman & Conover, Technometrics 1979;21:239, from memory).
"""

from __future__ import annotations

import numpy as np

from kitplan.demand.streams import uniforms


def even_uniforms(seed: int, name: str, n: int, columns: int = 1) -> np.ndarray:
    """Uniform numbers in (0, 1), shape (n, columns); in each column each half holds one in every 2 / n of the range."""
    row, column = np.arange(n)[:, None], np.arange(columns)[None, :]
    place = uniforms(seed, f"{name}/order", row, column)
    within = uniforms(seed, f"{name}/within", row, column)
    spread = np.empty((n, columns))
    for half in (0, 1):
        rank = place[half::2].argsort(axis=0).argsort(axis=0)
        spread[half::2] = (rank + within[half::2]) / len(rank) if len(rank) else 0.5
    return spread


def even_normals(seed: int, name: str, n: int) -> np.ndarray:
    """Standard normal numbers, shape (n,), spread in the same way."""
    from scipy.special import ndtri

    return ndtri(even_uniforms(seed, name, n)[:, 0])
