"""Reads what people type into cells: numbers with points or commas, days in several styles, flags.

Only the distinct values of a column are read, so that a long table costs no more than its variety;
what a single value cannot tell (is 1,234 a thousand or one and a bit? is 3/4 in March or April?) the column does.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import NamedTuple

LARGEST = 1e9
ACTING = "=+-@\t\r\n\0＝＋－＠"
"""Letters with which text begins that a spreadsheet takes for a formula."""
_GUARDED = re.compile(f"'+[{re.escape(ACTING)}]")

_SPACES = str.maketrans(dict.fromkeys("\u00a0\u202f\u2009\u2007\u3000", " ") |
                        dict.fromkeys("\ufeff\u200b\u200e\u200f\u2060\u00ad", ""))
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\u202a-\u202e\u2066-\u2069]")
_NUMBER = re.compile(r"[+-]?(\d[\d., ']*)(e[+-]?\d{1,3})?$", re.IGNORECASE)
_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})(?::(\d{2})(?:\.\d+)?)?\s*([ap])?\.?(?:m\.?)?$", re.IGNORECASE)


@dataclass(frozen=True)
class Bad:
    """A value that cannot be read: what is wrong with it and how to mend it."""

    fault: str
    mend: str


class Moment(NamedTuple):
    """A day, with a time of day where one was given."""

    day: date
    clock: time | None


def tidy(value: object) -> object:
    """Strip outer and doubled spaces of a text cell; other values pass. Blank becomes None."""
    if isinstance(value, str):
        if value.isascii() and value.isprintable() and "  " not in value:
            return value.strip() or None
        return " ".join(value.translate(_SPACES).split()) or None
    return value


def unguarded(text: str) -> str:
    """Text as it was before an apostrophe was put before it, so that no spreadsheet takes it for a formula."""
    return text[1:] if _GUARDED.match(text) else text


def text_of(value: object) -> str:
    """Return the text a person sees in a cell: 3 and not 3.0, a day in ISO style."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time(0) else value.isoformat(" ", "minutes")
    return str(value)


def read_text(value: object) -> str | Bad:
    """Return a value as text without control characters."""
    text = text_of(value)
    if _CONTROL.search(text):
        return Bad("holds a control character", "Retype the cell by hand.")
    if len(text) > 500:
        return Bad(f"is {len(text):,} characters long", "Shorten it to 500 characters.")
    return _SHEET_ERROR if text.startswith("#") and text.rstrip("!?").upper() in _ERROR_WORDS else text


_ERROR_WORDS = frozenset({"#N/A", "#REF", "#VALUE", "#DIV/0", "#NAME", "#NUM", "#NULL", "#SPILL"})
_DECIMAL_COMMA = re.compile(r"\d,\d{1,2}$|,\d{4,}$|^[+-]?0,\d+$|\.\d{3},\d+$")
_THREE_DECIMALS = re.compile(r"^[+-]?0[.,]\d{3}$|\.\d{3},\d{3}$|\d{4}\.\d{3}$")
_DECIMAL_POINT = re.compile(r",\d{3}\.\d+$|,\d{3},\d{3}")
_SHEET_ERROR = Bad("is a spreadsheet error", "Mend the formula, then paste the column as values.")


def read_numbers(values: Iterable[object], unit: str = "", whole: bool = False) -> list[float | Bad]:
    """Return each value as a finite number.

    A comma is a decimal comma, or groups thousands, as the rest of the column shows; where nothing shows it, a
    value such as 1,234 is refused, and so is 1,500 beside 2,5: no column writes both, and 1.000 where whole numbers
    belong, unless the column writes three decimals. A trailing unit equal to the
    column's is accepted, any other is refused.
    """
    given = list(values)
    texts = [_number_text(v, unit) for v in given]
    plain = [t for t in texts if isinstance(t, str)]
    decimal_comma = any(t.count(",") == 1 and _DECIMAL_COMMA.search(t) for t in plain)
    decimal_point = any(_DECIMAL_POINT.search(t) for t in plain)
    to_three = any(_THREE_DECIMALS.search(t) for t in plain)
    return [
        _number(t, decimal_comma, decimal_point, to_three, whole) if isinstance(t, str) else t for t in texts
    ]


def _number_text(value: object, unit: str) -> float | str | Bad:
    if isinstance(value, bool):
        return Bad("is not a number", "Type a number.")
    if isinstance(value, (int, float)):
        return _bounded(float(value))
    if isinstance(value, (datetime, date, time)):
        return Bad("is a date where a number belongs", "Format the cell as a number and retype it, such as 3.5.")
    text = str(value).replace("\u2212", "-").strip()
    text = re.sub(r"^(?:\(([\d. ,']+)\)|([\d. ,']+)-)$", r"-\1\2", text)  # how ledgers write a credit
    if text.startswith("#"):
        return _SHEET_ERROR
    if unit == "currency":
        text = re.sub(r"^([^\d\s+\-.,]{1,3}) ?(?=[\d+-])|(?<=\d) ?[^\d\s.,]{1,3}$", "", text)
    elif unit:  # 2 packs, and 1 pack
        text = re.sub(rf" *{re.escape(unit.removesuffix('s'))}s?$", "", text, flags=re.IGNORECASE)
    match = _NUMBER.match(text) if text.isascii() else None
    if match is None:
        if text.casefold().lstrip("+-") in {"nan", "inf", "infinity", "1.#inf", "1.#nan"}:
            return Bad("is not a finite number", "Type a number, or leave the cell empty if it is not known.")
        ending = re.match(r"[+-]?[\d.,]+ ?([a-z\"%]+)$", text, re.IGNORECASE)
        if ending and unit:
            return Bad(f"has the unit {ending.group(1)!r} where {unit} belongs", f"Give the number in {unit}.")
        return Bad("is not a number", "Type a number, such as 3 or 3.5.")
    return text


def _bounded(number: float) -> float | Bad:
    if not math.isfinite(number):
        return Bad("is not a finite number", "Type a number, or leave the cell empty if it is not known.")
    if abs(number) > LARGEST:
        return Bad("is too large to be meant", f"Type a number below {LARGEST:,.0f}.")
    return number


def _number(text: str, decimal_comma: bool, decimal_point: bool, to_three: bool, whole: bool) -> float | Bad:
    body = text.replace(" ", "").replace("'", "")
    if "," in body:
        grouped = bool(re.fullmatch(r"[+-]?[1-9]\d{0,2}(,\d{3})+(\.\d+)?", body))
        if decimal_comma and not decimal_point and grouped and body.endswith("0") and not to_three:
            return Bad("can be read two ways", f"Type {body.replace(',', '')} or {body.rstrip('0').rstrip(',')}.")
        if decimal_comma and not decimal_point:
            body = body.replace(".", "").replace(",", ".")
        elif grouped and (decimal_point or "." in body):
            body = body.replace(",", "")
        elif grouped:
            plain = body.replace(",", "")
            return Bad("can be read two ways", f"Type {plain} or {body.replace(',', '.', 1)}, without a comma.")
        else:
            return Bad("mixes decimal commas and points in one column", "Use one decimal sign in the column.")
    elif decimal_comma and re.fullmatch(r"[+-]?[1-9]\d{0,2}\.\d{3}", body):
        return Bad("can be read two ways", "Use one decimal sign in the column and no thousands signs.")
    elif whole and not to_three and re.fullmatch(r"[+-]?[1-9]\d{0,2}\.000", body):
        return Bad("can be read two ways", f"Type {body.replace('.', '')} or {body.partition('.')[0]}.")
    elif body.count(".") > 1 and re.fullmatch(r"[+-]?[1-9]\d{0,2}(\.\d{3})+", body):
        body = body.replace(".", "")
    try:
        return _bounded(float(body))
    except (ValueError, OverflowError):
        return Bad("is not a number", "Type a number, such as 3 or 3.5.")


def read_flag(value: object) -> bool | Bad:
    """Return yes/no, true/false, 1/0 and x as a flag."""
    known = {"yes": True, "y": True, "true": True, "1": True, "x": True,
             "no": False, "n": False, "false": False, "0": False}
    return known.get(text_of(value).casefold(), Bad("is neither yes nor no", "Type yes or no."))


def read_gtin(value: object) -> str | Bad:
    """Return a trade item number as text of 8, 12, 13 or 14 digits whose check digit is right.

    The check digit is that of the GS1 General Specifications: digits weighted 3, 1, 3, ... from the right.
    """
    text = text_of(value).replace(" ", "").replace("-", "").removesuffix(".0")  # a number, written by a program
    if re.fullmatch(r"\d[\d.]*e\+?\d+", text, re.IGNORECASE):
        return Bad("was shortened by a spreadsheet", "Format the column as text and retype the number.")
    if not text.isascii() or not text.isdigit() or len(text) not in (8, 12, 13, 14):
        return Bad("is not a trade item number",
                   "Type 8, 12, 13 or 14 digits; format the column as text so that zeros stay.")
    if sum(int(d) * (3 if i % 2 else 1) for i, d in enumerate(reversed(text))) % 10:
        return Bad("has a wrong check digit", "Compare the digits with the label, or leave it empty.")
    return text


def read_seconds(value: object) -> float | Bad:
    """Return a time of day as seconds after midnight; a number below 1 is a share of the day."""
    if isinstance(value, float) and 0 <= value < 1:
        return float(round(value * 86_400))
    clock = value if isinstance(value, time | datetime) else read_clock(str(value))
    return clock if isinstance(clock, Bad) else clock.hour * 3600.0 + clock.minute * 60 + clock.second


def read_clock(text: str) -> time | Bad:
    """Return a time of day: 14:30, 2:30 pm, 14.30 or 14h30."""
    bad = Bad("is not a time of day", "Type it as 14:30.")
    match = _CLOCK.match(text.strip())
    if match is None:
        return bad
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if match[4]:
        if not 1 <= hour <= 12:
            return bad
        hour = hour % 12 + (12 if match[4].lower() == "p" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return bad
    return time(hour, minute, second)
