"""How many of each size a kit needs where every use takes one size by chance (gloves of the people at work)."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import e, lgamma, log

import numpy as np

_UNSCALED = 150


def chance_of_mix(held: Sequence[int], shares: Sequence[float], uses: int) -> np.ndarray:
    """P(no size runs out in n uses) for n = 0..uses, float ndarray (uses + 1,).

    The n uses fall on the sizes as a multinomial. P(X <= held) is n! times the coefficient of z^n in the product over
    sizes of sum over k <= held of (share z)^k / k! (after Levin, Annals of Statistics 1981;9:1123, from memory).
    Beyond 150 uses z is scaled, so that neither n! nor the powers leave the range of a double.
    """
    scale = uses / e if uses > _UNSCALED else 1.0
    product = np.array([1.0])
    for most, share in zip(held, shares):
        powers = np.arange(min(int(most), uses) + 1)
        terms = np.exp(powers * np.log(scale * share) - np.array([lgamma(k + 1) for k in powers]))
        product = np.convolve(product, terms)[: uses + 1]
    product = np.pad(product, (0, uses + 1 - len(product)))
    return product * np.exp([lgamma(n + 1) - n * log(scale) for n in range(uses + 1)])


@lru_cache(maxsize=1024)
def fewest_of_each(
    shares: tuple[float, ...], attempts: tuple[float, ...], per_attempt: int, chance: float
) -> tuple[int, ...]:
    """How many of each size a kit holds so that nothing runs out between restocks with the chance that is promised.

    attempts: PMF of attempts between two restocks, so that what is promised counts both how many uses there are and on
    which sizes they fall. Grown one item at a time where it helps most. Every size as often as all uses of the attempts
    that the kit is made for is always enough.
    """
    most = int(np.searchsorted(np.cumsum(attempts), chance - 1e-9))
    uses = max(most, 1) * per_attempt
    weight = np.zeros(uses + 1)
    for count, p in enumerate(attempts[: most + 1]):
        weight[count * per_attempt] += p
    held = [0] * len(shares)
    while float(weight @ chance_of_mix(held, shares, uses)) < chance - 1e-9 and min(held) < uses:
        grown = [[n + (k == j) for k, n in enumerate(held)] for j in range(len(held))]
        held = max(grown, key=lambda h: float(weight @ chance_of_mix(h, shares, uses)))
        if float(weight @ chance_of_mix(held, shares, uses)) == 0.0:
            held = [n + 1 for n in held]
    return tuple(held)
