"""Values of one block of a class file: whole numbers, numbers, flags, words and days, each fault with key and mend."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from kitplan.read.findings import Findings

_MOST = 100_000


class Block:
    """Reads one session of a class file. own: key -> the session block that it stands in."""

    def __init__(self, file: str, settings: Mapping[str, Any], own: Mapping[str, str], findings: Findings) -> None:
        self.file = file
        self.given = settings
        self.own = own
        self.findings = findings

    def place_of(self, key: str) -> str:
        """A key with the session that it stands in: "session 2.learners"."""
        session = self.own.get(re.split(r"[ .]", key)[0], "")
        return f"{session}.{key}" if session else key

    def fault(self, key: str, fault: str, mend: str, value: object = None) -> None:
        self.findings.fault(self.file, fault, mend, column=self.place_of(key), value=value)

    def warn(self, key: str, fault: str, mend: str, value: object = None) -> None:
        self.findings.warn(self.file, fault, mend, column=self.place_of(key), value=value)

    def _words(self, key: str) -> str:
        value = self.given.get(key, "")
        if not isinstance(value, str):
            self.fault(key, "is not text", f'Write it in quotation marks: {key} = "Room 4".', value)
        return " ".join(str(value).split())

    def _day(self, block: Mapping[str, Any], name: str, key: str = "") -> date | None:
        value = block.get(name)
        if value is None or (isinstance(value, date) and not isinstance(value, datetime)):
            return value
        if isinstance(value, datetime):
            return value.date()
        try:
            return date.fromisoformat(str(value).strip())
        except ValueError:
            self.fault(key or name, "is not a date", "Write it as 2027-03-09.", value)
            return None

    def _whole(
        self, block: Mapping[str, Any], name: str, default: int, *, low: int = 0, most: int = _MOST, key: str = "",
        mend: str = "",
    ) -> int:
        value = block.get(name, default)
        place = f"{key}.{name}" if key else name
        wording = mend or f"Write a whole number, {low} or more."
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value or value % 1:
            self.fault(place, "is not a whole number", wording, value)
            return max(default, low)
        if value > most:
            self.fault(place, f"is above {most:,}", f"Write at most {most:,}.", value)
            return max(default, low)
        if value < low:
            self.fault(place, "is negative" if value < 0 else f"is below {low}", wording, value)
            return max(default, low)
        return int(value)

    def _number(
        self, block: Mapping[str, Any], name: str, default: float, *, over: float | None = None, key: str = ""
    ) -> float:
        value = block.get(name, default)
        place = f"{key}.{name}" if key else name
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(place, "is not a number", "Write a number with a point: 2.5.", value)
            return default
        if value < 0 or (over is not None and value <= over) or abs(value) == float("inf"):
            limit = "0 or more" if over is None else f"more than {over:g}"
            self.fault(place, "is negative" if value < 0 else "is out of range", f"Write {limit}.", value)
            return default
        return float(value)

    def _flag(self, block: Mapping[str, Any], name: str, default: bool, *, key: str = "") -> bool:
        value = block.get(name, default)
        if not isinstance(value, bool):
            self.fault(f"{key}.{name}" if key else name, "is neither true nor false", "Write true or false.", value)
            return default
        return value
