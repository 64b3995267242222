"""TOML files read into plain settings: syntax faults told by line, unknown keys told with the nearest right one."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from kitplan.inputs.cells import Bad
from kitplan.inputs.findings import Findings, suggestion
from kitplan.inputs.grids import decode


def parse_toml(name: str, content: bytes, findings: Findings) -> dict[str, Any] | None:
    """Return the settings of a TOML file, or None when it cannot be read (noted)."""
    if not content.strip(b"\xef\xbb\xbf \r\n\t"):
        return {}
    text = decode(content)
    if isinstance(text, Bad):
        findings.fault(name, text.fault, "Save it as plain text in UTF-8.")
        return None
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        row, fault = _place(str(error), text)
        findings.fault(name, fault, _mend(text, row), row=row)
    except (RecursionError, ValueError, OverflowError):
        findings.fault(name, "is not readable settings", "Compare it with the starter's file.")
    return None


def _place(message: str, text: str) -> tuple[int, str]:
    match = re.search(r"\(at line (\d+), column \d+\)", message)
    row = int(match[1]) if match else text.count("\n") + 1
    fault = re.sub(r"\s*\(at .*\)$", "", message)
    return row, f"is not written as settings are: {fault[:1].lower()}{fault[1:]}"


def _mend(text: str, row: int) -> str:
    lines = text.split("\n")
    line = lines[row - 1] if row <= len(lines) else ""
    if re.search(r"=\s*[+-]?\d+,\d", line):
        return "Write numbers with a point: 3.5 and not 3,5."
    if any(c in line for c in "\u201c\u201d\u2018\u2019"):
        return 'Use straight quotation marks: "text".'
    if re.search(r"=\s*(true|false|yes|no)\b", line, re.IGNORECASE):
        return "Write true or false in small letters."
    if re.search(r"=\s*[A-Za-z]", line):
        return 'Put text in quotation marks: key = "text".'
    return 'Look at this line: key = number, or key = "text"; a block begins with [name].'


def refuse_unknown(
    file: str, where: str, given: Mapping[str, object], known: Collection[str], findings: Findings
) -> None:
    """Note every key of a block that nothing reads, with the nearest right key."""
    for key in given:
        if key not in known:
            findings.fault(file, "is not a setting", suggestion(key, known), column=f"{where}.{key}" if where else key)


@dataclass(frozen=True)
class Default:
    """One default of a config file: its value, its unit and where it comes from. own: from the unit's copy."""

    value: Any
    unit: str
    provenance: str
    own: bool = False


def defaults_in(settings: Mapping[str, Any], *, own: bool, prefix: str = "") -> dict[str, Default]:
    """Return the defaults of a config file by dotted name: each is a table with value, unit, provenance."""
    found: dict[str, Default] = {}
    for key, block in settings.items():
        if not isinstance(block, Mapping):
            continue
        name = f"{prefix}{key}"
        if "value" in block:
            source = str(block.get("provenance", "this unit's own copy" if own else "no source given"))
            found[name] = Default(block["value"], str(block.get("unit", "")), source, own)
        else:
            found |= defaults_in(block, own=own, prefix=f"{name}.")
    return found
