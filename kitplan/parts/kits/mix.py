"""How many of each size a kit needs where every use takes one size by chance (gloves of the people at work)."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from functools import lru_cache
from math import lgamma

import numpy as np

MOST_USES = 150
"""Beyond it n! nears the largest number that a double holds (170!), and growing a kit one by one takes long."""


def chance_of_mix(held: Sequence[int], shares: Sequence[float], uses: int) -> np.ndarray:
    """P(no size runs out in n uses) for n = 0..uses, float ndarray (uses + 1,).

    The n uses fall on the sizes as a multinomial. P(X <= held) is n! times the coefficient of z^n in the product over
    sizes of sum over k <= held of (share z)^k / k! (after Levin, Annals of Statistics 1981;9:1123, from memory).
    """
    product = np.array([1.0])
    for most, share in zip(held, shares):
        powers = np.arange(min(int(most), uses) + 1)
        terms = np.exp(powers * np.log(share) - np.array([lgamma(k + 1) for k in powers]))
        product = np.convolve(product, terms)[: uses + 1]
    product = np.pad(product, (0, uses + 1 - len(product)))
    return product * np.exp([lgamma(n + 1) for n in range(uses + 1)])


@lru_cache(maxsize=1024)
def fewest_of_each(
    shares: tuple[float, ...], attempts: tuple[float, ...], per_attempt: int, chance: float
) -> tuple[int, ...]:
    """How many of each size a kit holds so that nothing runs out between restocks with the chance that is promised.

    attempts: PMF of attempts between two restocks, so that what is promised counts both how many uses there are and on
    which sizes they fall. Grown one item at a time where it helps most, or one of each where none helps. Every size as
    often as all uses of the attempts that the kit is made for is always enough. Beyond MOST_USES each size has its own
    quantile, which keep the promise together whatever the mix (Bonferroni): a pair or two more among hundreds.
    """
    most = int(np.searchsorted(np.cumsum(attempts), chance - 1e-9))
    uses = most * per_attempt
    weight = np.zeros(uses + 1)
    for count, p in enumerate(attempts[: most + 1]):
        weight[count * per_attempt] += p
    if uses > MOST_USES:
        spare = max(float(weight.sum()) - chance, 0.0) / len(shares)
        return tuple(_quantile(weight, share, spare) for share in shares)

    def lasts(held: list[int]) -> float:
        return float(weight @ chance_of_mix(held, shares, uses))

    held = [0] * len(shares)
    while lasts(held) < chance - 1e-9 and min(held) < uses:
        grown = max(([n + (k == j) for k, n in enumerate(held)] for j in range(len(held))), key=lasts)
        # Under one attempt's uses a single item more changes nothing, whatever its size.
        held = grown if lasts(grown) > lasts(held) + 1e-9 else [n + 1 for n in held]
    return tuple(held)


def _quantile(weight: np.ndarray, share: float, chance: float) -> int:
    """Fewest of one size that run out with at most `chance`; weight: chances of 0, 1, ... uses, (uses + 1,)."""
    from scipy.stats import binom

    number = np.arange(len(weight))
    return bisect_left(number[:-1], True, key=lambda n: float(weight @ binom.sf(n, number, share)) <= chance)
