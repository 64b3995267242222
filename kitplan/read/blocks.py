"""Blocks of TOML settings, read by what is declared of their keys: every fault with key, value and mend at once."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cache
from types import MappingProxyType
from typing import Any

from kitplan.read.cells import Bad
from kitplan.read.columns import accepted
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.resources import config_rows

_MONTH = re.compile(r"((?:19|20)\d\d-(?:0[1-9]|1[0-2]))(-\d\d)?( 00:00:00)?")
_CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")
_FLAG = "Write true or false."


@dataclass(frozen=True)
class Setting:
    """What one key accepts.

    kind: number, integer, flag, text, texts (one or a list), range (low, high), shares (a list of chances), month, day,
    clock (minutes after midnight), blocks (a list of them), amounts (a block of numbers by name), cell (one value) or
    any (both read elsewhere).
    low, high: what is accepted (exclusive where `strict`); of a text its length, of amounts each of them. choices: the
    only texts accepted, folded as names are. default: the value where the key is left out. mend: said instead of what
    is usual for the kind. usual: outside it the value is questioned; ground: why, shown with the question. example,
    meaning: of a key that has no default, for a starter.
    """

    kind: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    strict: bool = False
    usual: tuple[float, float] | None = None
    ground: str = "common practice, no source"
    choices: tuple[str, ...] = ()
    default: Any = None
    mend: str = ""
    example: str = ""
    meaning: str = ""


@cache
def declared(file: str) -> Mapping[str, Setting]:
    """Every setting that a table of config/ declares, by its block and key, in order."""
    found = {}
    for row in config_rows(file):
        usual, default = accepted(row.get("usual", "")), json.loads(row.get("default") or "null")
        found[row["setting"]] = Setting(
            row["type"], row["unit"], **accepted(row["accepts"]), ground=row.get("ground") or Setting.ground,
            usual=(usual["low"], usual["high"]) if usual else None, mend=row.get("mend", ""),
            default=tuple(default) if row["type"] == "texts" and default is not None else default,
            example=row.get("example", ""), meaning=row.get("meaning", ""))
    return found


def keys_of(block: str, file: str = "keys.csv") -> dict[str, Setting]:
    """The settings of one block by key ("" for the top level)."""
    parted = {name: name.rpartition(".") for name in declared(file)}
    return {key: declared(file)[name] for name, (home, _, key) in parted.items() if home == block}


def read_block(
    file: str, where: str | Callable[[str], str], block: Mapping[str, Any], known: Mapping[str, Setting],
    findings: Findings, homes: Mapping[str, tuple[str, str]] = MappingProxyType({}),
) -> dict[str, Any]:
    """The values of a block: those given, in their own type, and the defaults of the others where they have one.

    where: the block's place, or a function that gives the place of a key. homes: key that belongs elsewhere -> fault
    and mend. A key that is not known or cannot be read is a fault; its default stands in.
    """
    def place(key: str) -> str:
        return where(key) if not isinstance(where, str) else f"{where}.{key}" if where else key

    values = {key: setting.default for key, setting in known.items() if setting.default is not None}
    for key, given in block.items():
        setting = known.get(key)
        if setting is None:
            fault, mend = homes.get(key) or ("is not a setting", suggestion(key, known))
            findings.fault(file, fault, mend, column=place(key))
        elif setting.kind == "amounts" and isinstance(given, Mapping):
            each = replace(setting, kind="number", default=None)
            values[key] = read_block(file, place(key), given, dict.fromkeys(given, each), findings)
        elif isinstance(value := checked(setting, given), Bad):
            findings.fault(file, value.fault, value.mend, column=place(key), value=given)
        else:
            values[key] = value
    return {key: values[key] for key in known if key in values}


def checked(setting: Setting, value: object) -> Any | Bad:
    """A setting's value in its own type, or what is wrong with it."""
    if setting.choices:
        named = {key_of(choice): choice for choice in setting.choices}.get(key_of(str(value)))
        return named or Bad("is not one of the choices", setting.mend or suggestion(str(value), setting.choices))
    read: Callable[[Setting, object], Any] = _KINDS.get(setting.kind, _number)
    found = read(setting, value)
    return Bad(found.fault, setting.mend) if isinstance(found, Bad) and setting.mend else found


def _flag(_: Setting, value: object) -> bool | Bad:
    return value if isinstance(value, bool) else Bad("is neither true nor false", _FLAG)


def _text(setting: Setting, value: object) -> str | Bad:
    if not isinstance(value, str) or not value.isprintable():
        return Bad("is not a text", 'Put it in quotation marks: "text".')
    low, longest = int(setting.low or 0), int(setting.high or 500)
    text = " ".join(value.split())
    return text if low <= len(text) <= longest else Bad("is empty or too long", f"Write {low} to {longest} characters.")


def _texts(_: Setting, value: object) -> tuple[str, ...] | Bad:
    given = value if isinstance(value, list) else [value]
    good = all(isinstance(v, str) and v.isprintable() and v.strip() for v in given)
    return tuple(str(v).strip() for v in given) if good else Bad(
        "is not a list of texts", 'Write ["first", "second"], or [].')


def _shares(_: Setting, value: object) -> tuple[float, ...] | Bad:
    good = isinstance(value, list) and bool(value) and all(isinstance(v, float) and 0 < v < 1 for v in value)
    return tuple(sorted(value)) if good and isinstance(value, list) else Bad(
        "is not a list of chances", "Write chances between 0 and 1, such as [0.9, 0.95, 0.99].")


def _range(setting: Setting, value: object) -> tuple[float, ...] | Bad:
    both = [_number(setting, v) for v in value] if isinstance(value, list) and len(value) == 2 else []
    ends = [v for v in both if isinstance(v, float)]
    return tuple(ends) if len(ends) == 2 and ends[0] < ends[1] else Bad(
        "is not a range", f"Write [low, high], such as [0.4, 0.8]: {setting.unit}, nine times in ten between them.")


def _month(_: Setting, value: object) -> str | Bad:
    written = _MONTH.fullmatch(str(value).strip())
    return written[1] if written else Bad("is not a month", 'Write year and month in quotation marks: "2026-04".')


def _day(_: Setting, value: object) -> date | Bad:
    if isinstance(value, datetime):
        return value.date()
    try:
        return value if isinstance(value, date) else date.fromisoformat(str(value).strip())
    except ValueError:
        return Bad("is not a date", "Write it as 2027-03-09.")


def _clock(_: Setting, value: object) -> int | Bad:
    clock = _CLOCK.fullmatch(str(value).strip()[:5]) if not isinstance(value, int | float) else None
    return int(clock[1]) * 60 + int(clock[2]) if clock else Bad("is not a time of day", 'Write it as "13:30".')


def _blocks(_: Setting, value: object) -> list[Mapping[str, Any]] | Bad:
    good = isinstance(value, list) and all(isinstance(b, Mapping) for b in value)
    return value if good and isinstance(value, list) else Bad(
        "is not a list of blocks", "Begin each with [[ ]] on a line of its own.")


def _number(setting: Setting, value: object) -> Any | Bad:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return Bad("is not a number", "Write a number without quotation marks, such as 3.5.")
    number = float(value)
    if number != number or number in (float("inf"), float("-inf")):
        return Bad("is not a finite number", "Write a finite number, or leave the setting out.")
    whole = setting.kind == "integer"
    if whole and not number.is_integer():
        return Bad("is not a whole number", "Write a whole number.")
    low, high = setting.low, setting.high
    open_end = setting.strict and high == 1
    below = low is not None and (number <= low if setting.strict else number < low)
    above = high is not None and (number >= high if open_end else number > high)
    if not below and not above:
        return int(number) if whole else number
    if setting.unit in ("chance", "share") and 1 < number <= 100:
        return Bad("is not between 0 and 1", f"Write it as a share of one: {number:g} % is {number / 100:g}.")
    ends = [] if low is None else [f"{'above' if setting.strict else 'of at least'} {low:g}"]
    ends += [] if high is None else [f"{'below' if open_end else 'at most'} {high:,.10g}"]
    side = f"not above {low:g}" if setting.strict else f"below {low:g}"
    fault = f"is above {high:,.10g}" if above else "is negative" if number < 0 else f"is {side}"
    return Bad(fault, f"Write a {'whole ' if whole else ''}number {' and '.join(ends)}.")


_KINDS: Mapping[str, Callable[[Setting, object], Any]] = {
    "flag": _flag, "text": _text, "texts": _texts, "shares": _shares, "range": _range, "month": _month, "day": _day,
    "clock": _clock, "blocks": _blocks, "any": lambda _, value: value,
    "cell": lambda _, value: Bad("is not one value", "Write one number or text.") if isinstance(value, list | dict)
    else value,
    "amounts": lambda setting, _: Bad("is not a block of quantities", "Begin it with its name in [ ] on a line alone."),
}

SETTINGS: Mapping[str, Setting] = declared("settings.csv")

UNIT_BLOCKS = ("columns", "stock", "bedside", "resecure", "forecast", "budget", "seasons", "prefer",
               "expect")
"""Blocks of unit.toml; `planning` is set in a copy of policy.toml."""

DEFAULTS = ("policy.toml", "resecure.toml")
"""Files of config/ that hold defaults; a unit may have its own copy of either."""


def full_name(file: str, key: str) -> str:
    """The name of a setting that stands under a key of one of DEFAULTS."""
    return key if file == "policy.toml" or key in SETTINGS else f"resecure.{key}"
