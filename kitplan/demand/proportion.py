"""How sure a share is that was counted: the one interval for it.

Our own ten lines, because scipy's takes whole numbers of trials only, and draws that are alike count as fewer.
"""

from __future__ import annotations

import math

NORMAL_975 = 1.959963984540054
"""The 97.5 % point of the standard normal distribution."""


def wilson_interval(successes: float, trials: float, z: float = NORMAL_975) -> tuple[float, float]:
    """Return the Wilson score interval of a proportion (95 % unless another z is given).

    trials: may be a fraction, the effective number of draws that are alike. Raises ValueError where there is none.
    Wilson, J Am Stat Assoc 1927;22:209 (from memory): centre (p + z^2/2n) / (1 + z^2/n), half-width
    z sqrt(p(1-p)/n + z^2/4n^2) / (1 + z^2/n).

    >>> low, high = wilson_interval(98, 100)
    >>> round(low, 4), round(high, 4)
    (0.93, 0.9945)
    """
    if trials <= 0 or not 0 <= successes <= trials:
        raise ValueError(f"{successes} of {trials} is not a proportion")
    share, shrink = successes / trials, 1.0 + z * z / trials
    centre = (share + z * z / (2 * trials)) / shrink
    half = z * math.sqrt(share * (1 - share) / trials + z * z / (4.0 * trials * trials)) / shrink
    low = 0.0 if successes == 0 else centre - half
    high = 1.0 if successes == trials else centre + half
    return low, high
