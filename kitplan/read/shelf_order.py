"""The order in which a person walks past the bins."""

from __future__ import annotations

import re
from typing import Any

_RUN = re.compile(r"(\d+)")


def shelf_key(bin_name: str) -> tuple[Any, ...]:
    """Sort key of a bin: A2 comes before A10, and items without a bin come last."""
    parts = _RUN.split(bin_name.strip().casefold())
    return (not bin_name.strip(), *((0, int(p), "") if p.isdigit() else (1, 0, p) for p in parts))
