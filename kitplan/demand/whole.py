"""Whole things. What binary numbers cannot hold, the last digit of 0.1 x 30, makes no thing more or less: a billionth
of a thing is nothing, anything over is a part.
"""

from __future__ import annotations

from typing import Any

import numpy as np

_DUST = 1e-9


def whole_up(amount: Any) -> Any:
    """Fewest whole things that are no less than the amount, int64 of its shape."""
    return np.ceil(np.asarray(amount, dtype=float) - _DUST).astype(np.int64)


def whole_down(amount: Any) -> Any:
    """Most whole things that the amount holds, int64 of its shape."""
    return -whole_up(-np.asarray(amount, dtype=float))
