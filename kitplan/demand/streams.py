"""Random numbers that belong to a name, not to a place in a queue.

Each number is a hash of (seed, stream name, counters), so the number that airway A sees in scenario s is the same
whoever else is in the unit. That makes two plans comparable number by number (common random numbers): the
difference between them is a cause, not noise, and one more airway can only add demand.

The mixing function is the finaliser of SplitMix64 (Steele, Lea & Flood, "Fast splittable pseudorandom number
generators", OOPSLA 2014; constants from memory, checked by the published first outputs in the tests).

Parameter draws are spread evenly. They come in two halves, even and odd ones: plans are made on the first and verified
on the second. Each half is a Latin hypercube of its own (McKay, Beckman & Conover, Technometrics 1979;21:239, from
memory).
"""

from __future__ import annotations

from hashlib import blake2b

import numpy as np

_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)


def _mix(state: np.ndarray) -> np.ndarray:
    """SplitMix64 finaliser, elementwise on uint64 arrays (wraps modulo 2**64)."""
    z = state + _GOLDEN
    z = (z ^ (z >> np.uint64(30))) * _MIX_1
    z = (z ^ (z >> np.uint64(27))) * _MIX_2
    return z ^ (z >> np.uint64(31))


def name_key(*parts: object) -> int:
    """A stable 64-bit key for a name made of `parts` (text, numbers); the same on every machine."""
    text = "\x1f".join(str(p) for p in parts)
    return int.from_bytes(blake2b(text.encode(), digest_size=8).digest(), "little")


def uniforms(seed: int, stream: str, *counters: np.ndarray | np.integer | int) -> np.ndarray:
    """Uniform numbers in (0, 1), one for each element of the broadcast `counters`.

    Parameters: seed, any integer; stream, the name of the use; counters, integer arrays that broadcast together.
    Returns float64 ndarray of the broadcast shape; never exactly 0 or 1.
    """
    with np.errstate(over="ignore"):
        state = _mix(np.asarray(name_key(seed, stream), dtype=np.uint64)[None])
        for counter in counters:
            state = _mix(state ^ (np.asarray(counter).astype(np.uint64) * _MIX_1))
    bits = state >> np.uint64(12)  # one bit fewer than a double holds, so that the half is not rounded up to 1
    values = (bits.astype(np.float64) + 0.5) * 2.0**-52
    return values if any(np.ndim(c) for c in counters) else values.reshape(())


def fingerprints(*counters: np.ndarray | np.integer | int) -> np.ndarray:
    """One uint64 for each element of the broadcast `counters`, to be used as a single counter many times over."""
    with np.errstate(over="ignore"):
        state = np.zeros(1, dtype=np.uint64)
        for counter in counters:
            state = _mix(state ^ (np.asarray(counter).astype(np.uint64) * _MIX_1))
    return state


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
