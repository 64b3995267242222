"""The guard against patient identity: a census is to be de-identified before it comes here.

What it finds stops the run, and is told by the column's header only; no value is printed or written. Words
and shapes below are common practice, no source, set so that labels such as A017, bed-3 or 2024-017 pass.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterator, Mapping, Sequence

from kitplan.read.cells import Bad, read_gtin
from kitplan.read.problems import Problem
from kitplan.resources import config_file

_WORDS = {name: frozenset(words.split())
          for name, words in tomllib.loads(config_file("identity.toml").read_text(encoding="utf-8")).items()}
GIVEN_NAMES, TRADE_WORDS = _WORDS["given_names"], _WORDS["trade_words"]

_NUMBERS = "record numbers, phone numbers or e-mail addresses"
_EMAIL = re.compile(r"[\w.+-]{1,64}@[\w-]{1,64}\.[\w.-]{2,}")
_LONG_NUMBER = re.compile(r"(?<!\d)\d{7,}(?!\d)")
_GROUPED_NUMBER = re.compile(
    r"(?<!\d)(\d{3}[ -]\d{3}[ -]\d{3,4}|\d{3}[ -]\d{2}[ -]\d{4}|\+\d[\d ()-]{7,18}\d)(?!\d)"
)
_DAY = re.compile(r"(?<!\d)(\d{1,2}[./-]\d{1,2}[./-]\d{2,4}|(19|20)\d\d-\d{2}-\d{2})(?!\d)")
_RECORD_CODE = re.compile(r"\b(mrn|urn|nhs|nhi|ssn|dob|csn|pesel|bsn)[\s:#.-]*\d{3,}", re.IGNORECASE)
_WORD = re.compile(r"[^\W\d_](?:[^\W\d_]|['’.-])*")

UNTESTED_COLUMNS = frozenset({"date", "start", "end", "expires", "time"})
"""Columns whose values are days by nature."""
CODE_COLUMNS = frozenset({"route", "technique", "skin", "reason"})
"""Columns checked against a vocabulary later: there two capitalised words are an ordinary title."""
FREE_TEXTS = frozenset({"note", "kit", "design"})
"""Columns of tables about things in which nothing has a long number of its own."""
THING_KEYS = frozenset({"durable.name"})
"""Keys of a TOML file that name things and not people."""


def header_names_identity(header: str, *, names_too: bool = True) -> bool:
    """True when a column header (or a TOML key) says that it holds a patient's identity.

    names_too: a bare "name" counts (it does not in a catalogue, nor as the unit's own name in unit.toml).
    """
    folded = _folded(header)
    parts = folded.split("_")
    if {folded, folded.replace("_", "")} & _WORDS["header_phrases"] or _WORDS["header_parts"].intersection(parts):
        return True
    if "patient" in parts and {"id", "no", "number", "name", "ref", "code", "initials"}.intersection(parts):
        return True
    return names_too and folded in ("name", "names")


def _folded(header: str) -> str:
    """Words of a header in small letters, joined by "_"; camelCase is two words."""
    return "_".join(re.findall(r"[^\W_]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header).casefold()))


def looks_like_number_of_record(text: str) -> bool:
    """True for an e-mail address or a run of digits long enough to be a record, insurance or phone number."""
    return bool(_EMAIL.search(text) or _LONG_NUMBER.search(text) or _GROUPED_NUMBER.search(text))


def looks_like_full_name(text: str) -> bool:
    """True for two to four capitalised words ("First Last", "LAST, First"), or words with a given name."""
    words = _name_words(text)
    if not words:
        return False
    if names_a_person(text):
        return True
    capitalised = all(w[0].isupper() for w in words)
    return capitalised and max(map(len, words)) >= 3 and not {w.casefold() for w in words} & TRADE_WORDS


def names_a_person(text: str) -> bool:
    """True for words with a common given name among them, or for "Last, First": more certain than capitals."""
    if _given_name(text):
        return True
    words = _name_words(text)
    comma = bool(re.fullmatch(r"[^\W\d_][^,\d]+,\s*[^\W\d_][^,\d]*", text.strip()))
    things = {w.casefold() for w in words if len(w) > 1} & TRADE_WORDS
    return comma and bool(words) and all(w[0].isupper() for w in words) and not things


def _name_words(text: str) -> list[str]:
    """The words of a text that could be a name: two to four words of letters; else nothing."""
    if not 4 <= len(text) <= 60 or any(c.isdigit() for c in text):
        return []
    words = [w.strip(".'’-") for w in re.split(r"[\s,;_/]+", text.strip()) if w.strip(".'’-")]
    return words if 2 <= len(words) <= 4 and all(_WORD.fullmatch(w) for w in words) else []


def looks_personal(text: str) -> bool:
    """True when a value of a census or log should not be repeated anywhere."""
    return looks_like_number_of_record(text) or looks_like_full_name(text) or bool(_RECORD_CODE.search(text))


def header_may_be_shown(header: str) -> bool:
    """False when the header itself holds an identity value (a file without a header row, say)."""
    words = {w.casefold() for w in _WORD.findall(header)}
    held = looks_like_number_of_record(header) or _DAY.search(header) or words & GIVEN_NAMES
    return not held and len(header) <= 60


def shown_header(header: str, letter: str) -> str:
    """A column as it may be named: by its header, or by its letter where the header itself may hold an identity."""
    return header if header_may_be_shown(header) else f"{letter} (header not shown)"


def airway_values(header: str, values: Sequence[str], filled: int) -> tuple[str | None, Collection[str]]:
    """Return what a column of a table about airways looks like ("full names", ...) or None, and doubtful values.

    values: the distinct non-empty texts of the column; filled: its rows that are not empty. One e-mail address
    or long number is enough. One name is enough in an airway column, or where a given name or "last, first" makes
    it certain; two capitalised words alone must be a fifth of the values and differ from row to row as names do.
    """
    if header in UNTESTED_COLUMNS or not values:
        return None, ()
    if any(looks_like_number_of_record(v) for v in values):
        return _NUMBERS, ()
    if header in CODE_COLUMNS:
        return ("full names", ()) if any(names_a_person(v) for v in values) else (None, ())
    if header == "airway":
        return _labels_hold(values)
    if any(names_a_person(v) for v in values):
        return "full names", ()
    names = [v for v in values if looks_like_full_name(v)]
    certain = len(names) >= max(1, len(values) / 5) and len(values) > filled / 2
    return ("full names", ()) if certain else (None, ())


def shelf_values(name: str, header: str, values: Sequence[str]) -> tuple[str | None, Collection[str]]:
    """The same for a column of a table about things. name: the known column it is, "" for a header not known.

    A given name, an e-mail address, or a record number where no item, lot or order has its number, is certain. An
    item may be numbered, and titled in capitals: what a catalogue could hold is in doubt only. A source may be a
    person, and a lot any number.
    """
    if name == "provenance":
        return None, ()
    if any(_EMAIL.search(v) for v in values):
        return "e-mail addresses", ()
    if any(_given_name(v) for v in values):
        return "full names", ()
    if name == "lot":
        return None, ()
    numbers = [v for v in values if _is_record(v)]
    if numbers and (not name or name in FREE_TEXTS) and not _WORDS["thing_numbers"] & set(_folded(header).split("_")):
        return _NUMBERS, ()
    names = [v for v in values if looks_like_full_name(v)]
    return None, {*(numbers if name and name != "gtin" else ()), *(names if len(names) <= len(values) / 4 else ())}


_PACK_CODE = re.compile(r"(?:\][A-Za-z]\d)?\(?01\)?(\d{14})")


def _is_record(text: str) -> bool:
    """A number of record that is no trade item number, nor what a reader types of a pack that has one."""
    element = _PACK_CODE.match(text)
    return looks_like_number_of_record(text) and isinstance(read_gtin(element[1] if element else text), Bad)


def _given_name(text: str) -> bool:
    words = {w.casefold() for w in _name_words(text)}
    return bool(words & GIVEN_NAMES) and not (words - GIVEN_NAMES) & TRADE_WORDS


def _labels_hold(labels: Sequence[str]) -> tuple[str | None, Collection[str]]:
    if any(_DAY.search(v) for v in labels):
        return "dates inside a label, such as a date of birth", ()
    if any(_RECORD_CODE.search(v) for v in labels):
        return _NUMBERS, ()
    if any(looks_like_full_name(v) for v in labels):
        return "full names", ()
    if _mostly_surnames(labels) or any(v.casefold() in GIVEN_NAMES - TRADE_WORDS for v in labels):
        return "names", ()
    runs = {v: found for v in labels if (found := re.findall(r"(?<!\d)[1-9]\d{4,5}(?!\d)", v))}
    if not runs or _counts_up([int(n) for found in runs.values() for n in found]):
        return None, ()
    return (_NUMBERS, ()) if any(len(n) == 6 for found in runs.values() for n in found) else (None, runs.keys())


def _counts_up(numbers: Sequence[int]) -> bool:
    """True for numbers dealt one after the other, as labels are; record numbers lie far apart."""
    return len(numbers) > 1 and max(numbers) - min(numbers) < 3 * len(set(numbers))


def _mostly_surnames(labels: Sequence[str]) -> bool:
    words = [v for v in labels if len(v) >= 4 and v[0].isupper() and _WORD.fullmatch(v)]
    unusual = [v for v in words if v.casefold() not in TRADE_WORDS]
    return len(unusual) >= 2 and len(unusual) > len(labels) / 2


def identity_problem(file: str, header: str, letter: str, because: str) -> Problem:
    """Return the one problem told of a column."""
    return Problem(file, f"this column looks like a patient's identity: {because}",
                   "De-identify the file: delete the column, and give each airway a label such as A017.",
                   column=shown_header(header, letter))


def _entries(settings: Mapping[str, object], path: str = "") -> Iterator[tuple[str, str, object]]:
    """(place, key, value) of every key of a TOML file, those of its blocks after it; a list is told value by value."""
    for key, value in settings.items():
        where = f"{path}.{key}" if path else key
        for part in (value or [None]) if isinstance(value, list) else [value]:
            yield where, key, part
            if isinstance(part, Mapping):
                yield from _entries(part, where)


def guard_settings(file: str, settings: Mapping[str, object]) -> list[Problem]:
    """Return a problem for each key or text of a TOML file that looks like a patient's identity."""
    found: dict[str, Problem] = {}
    for where, key, value in _entries(settings):
        because = ""
        if where not in THING_KEYS and header_names_identity(key, names_too="." in where):
            because = "its name says so"
        elif _given_name(key):
            because = "a full name"
        elif isinstance(value, str) and looks_like_number_of_record(value):
            because = _NUMBERS
        if because and not any(where == told or where.startswith(f"{told}.") for told in found):
            shown = where if header_may_be_shown(where.replace(".", " ")) else "(key not shown)"
            found[where] = Problem(file, f"this looks like a patient's identity: {because}",
                                   "Delete it: kitplan needs nothing that identifies a patient.", column=shown)
    return list(found.values())


def doubtful_settings(settings: Mapping[str, object]) -> list[str]:
    """Return the keys of texts that may name a person, or a place or a thing called after one."""
    return [where for where, key, value in _entries(settings)
            if isinstance(value, str) and key != "provenance" and _given_name(value)]
