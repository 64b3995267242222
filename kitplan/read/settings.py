"""TOML files read into plain settings; what is wrong with their writing, by line and key, in words."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitplan.read.cells import Bad
from kitplan.read.findings import Findings
from kitplan.read.grids import decode
from kitplan.read.identity import doubtful_settings, guard_settings, header_may_be_shown

MOST_NESTED = 20
"""Blocks in blocks, or points in a key, that settings may have; nobody writes more than four."""

_LARGEST = 2**63 - 1
_KEY = re.compile(r'\s*("[^"]*"|[^\s=\[\]#"]+)\s*=')
_HEAD = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")
_MENDS = (
    (r"=\s*[+-]?\d+,\d", "Write numbers with a point: 3.5 and not 3,5."),
    ("[\u201c\u201d\u2018\u2019]", 'Use straight quotation marks: "text".'),
    (r"=\s*(?i:true|false|yes|no)\b", "Write true or false in small letters."),
    (r"=\s*\d{4}-\d", "Write a day that there is, as 2027-03-09."),
    (r"=\s*[A-Za-z]", 'Put text in quotation marks: key = "text".'),
    (r"=\s*(#|$)", "Write the value after =, or delete the line."),
    ("", 'Look at this line: key = number, or key = "text"; a block begins with [name].'),
)
"""What a line that cannot be read holds -> its mend; the first that fits."""


def parse_toml(name: str, content: bytes, findings: Findings) -> dict[str, Any] | None:
    """Return the settings of a TOML file, or None when it cannot be read (noted); identity in it is noted too."""
    if not content.strip(b"\xef\xbb\xbf \r\n\t"):
        return {}
    found = decode(content)
    if isinstance(found, Bad):
        findings.fault(name, found.fault, "Save it as plain text in UTF-8.")
        return None
    text = found[0].replace("\r\n", "\n").replace("\r", "\n")
    for row, line in enumerate(text.split("\n"), 1):
        if line.split("=", 1)[0].count(".") > MOST_NESTED:
            findings.fault(name, "has a key with too many points", "Compare it with the starter's file.", row=row)
            return None
    try:
        settings = tomllib.loads(text)
        if not _is_tame(settings):
            findings.fault(name, "holds blocks too deep, or whole numbers too large, for settings",
                           "Compare it with the starter's file.")
            return None
        guard(name, settings, findings)
        return settings
    except tomllib.TOMLDecodeError as error:
        row, key, fault, mend = told(str(error), text)
        findings.fault(name, fault, mend, row=row, column=key)
    except (RecursionError, ValueError, OverflowError):
        findings.fault(name, "is not readable settings", "Compare it with the starter's file.")
    return None


def guard(name: str, settings: Mapping[str, Any], findings: Findings) -> None:
    """Note what looks like a patient's identity in settings, and what may be one: a key, never a value."""
    if name.startswith("config/"):
        return
    findings.identities += guard_settings(name, settings)
    for key in doubtful_settings(settings):
        findings.warn(name, "may be a person's name; it is not shown", "Delete it if it is one; a place may stay.",
                      column=key)


def _is_tame(settings: dict[str, Any]) -> bool:
    """Whether nothing lies deeper than MOST_NESTED and whole numbers are those of TOML (64 bits)."""
    level: list[Any] = [settings]
    for _ in range(MOST_NESTED):
        level = [v for block in level for v in (block.values() if isinstance(block, dict) else block)]
        if any(isinstance(v, int) and abs(v) > _LARGEST for v in level):
            return False
        level = [v for v in level if isinstance(v, dict | list)]
    return not level


@dataclass(frozen=True)
class Default:
    """One default of a config file: its value, its unit and where it comes from. own: from the unit's copy."""

    value: Any
    unit: str
    provenance: str
    own: bool = False


def defaults_in(settings: Mapping[str, Any], *, own: bool, prefix: str = "") -> dict[str, Default]:
    """Return the defaults of a config file by dotted name: each is a table with value, unit, provenance.

    A unit's own file may write the value alone (scenarios = 40000 under [planning]). Lists of blocks are left out.
    """
    found: dict[str, Default] = {}
    for key, block in settings.items():
        name = f"{prefix}{key}"
        if not isinstance(block, Mapping):
            blocks = isinstance(block, list) and any(isinstance(b, Mapping) for b in block)
            if own and not blocks and name != "caution.text":
                found[name] = Default(block, "", "this unit's own copy", own)
            continue
        if "value" in block:
            source = str(block.get("provenance", "this unit's own copy" if own else "no source given"))
            found[name] = Default(block["value"], str(block.get("unit", "")), source, own)
        else:
            found |= defaults_in(block, own=own, prefix=f"{name}.")
    return found


def said_source(ground: str, file: str) -> str:
    """Where a number of a table comes from: the ground given there, and whether the table is the unit's own."""
    return ground if file.startswith("config/") else f"{ground} (this unit's own {file})"


def told(message: str, text: str) -> tuple[int, str | None, str, str]:
    """(line, key or None, fault, mend) of what `tomllib` says of a text."""
    lines = text.split("\n")
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    row = int(found[1]) if found else len(lines)
    line = lines[row - 1] if row <= len(lines) else ""
    said = re.sub(r"\s*\(at .*\)$", "", message)
    if "overwrite" in said or "twice" in said or "mutate" in said:
        return _twice(lines, row)
    if said.startswith("Expected ']"):
        return row, None, "opens a block and does not close it", (
            "A block begins with [have], or [[practice]]: as many brackets after the name as before it.")
    quotes = line.split("#")[0].count('"')
    if said.startswith(("Unclosed", "Unterminated", "Illegal character '\\n'")) or quotes % 2 == 1:
        return _open(lines, row, said)
    if said.startswith("Expected '='"):
        return row, None, "has a key without = after it", (
            'Put a key of several words into quotation marks: "two words" = 12.' if "=" in line else
            "Write key = value; a remark begins with #.")
    mend = next(mend for pattern, mend in _MENDS if re.search(pattern, line))
    return row, _key(line), "is not written as settings are", mend


def _key(line: str) -> str | None:
    """The key of a line, unless it may name a person."""
    found = _KEY.match(line)
    key = found[1].strip('"') if found else ""
    return key if key and header_may_be_shown(key.replace(".", " ")) else None


def _twice(lines: list[str], row: int) -> tuple[int, str | None, str, str]:
    """A key or a block that is there already, with the line where."""
    head = _HEAD.match(lines[row - 1])
    if head is not None:
        name = head[2] if header_may_be_shown(head[2].replace(".", " ")) else "name"
        before = next((n for n, line in enumerate(lines[:row - 1], 1) if _names(line, name)), None)
        where = f"in line {before} and here" if before else "here, and by a key with a point in it"
        both = {m[1] for m in map(_HEAD.match, lines) if m and m[2] == name}
        mend = (f"Write each of them as [[{name}]], with two brackets." if len(both) > 1 else
                f"Put all its lines under one [{name}]; several blocks of a kind are written [[{name}]].")
        return row, name, f"stands twice: {where}", mend
    key, start = _key(lines[row - 1]), row - 1
    while start and not _HEAD.match(lines[start - 1]):
        start -= 1
    before = next((n for n in range(start + 1, row) if key and _key(lines[n - 1]) == key), None)
    where = f"in line {before} and here" if before else "here and above"
    return row, key, f"stands twice: {where}", "Keep one of the two lines."


def _names(line: str, name: str) -> bool:
    """Whether a line opens a block, or begins with a key, of this name."""
    head = _HEAD.match(line)
    return head[2] == name if head else (_key(line) or "").split(".")[0] == name


def _open(lines: list[str], row: int, said: str) -> tuple[int, str | None, str, str]:
    """A text, list or group that is opened and never closed: told where it opens."""
    marks = {"Unclosed array": ("[", "]", "list"), "Unclosed inline table": ("{", "}", "group")}
    opens, closes, what = marks.get(said, ('"', '"', "text"))
    for number in range(min(row, len(lines)), 0, -1):
        bare = lines[number - 1].split("#")[0]
        open_here = bare.count(opens) > bare.count(closes) if opens != closes else bare.count(opens) % 2 == 1
        if open_here and not _HEAD.match(bare):
            mark = '"' if what == "text" else closes
            return number, _key(lines[number - 1]), f"begins a {what} that is not closed", f"Write {mark} at its end."
    return row, None, f"holds a {what} that is not closed", f"Write {closes} at its end."
