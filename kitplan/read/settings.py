"""TOML files read into plain settings: syntax faults told by line, unknown keys told with the nearest right one."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitplan.read.cells import Bad
from kitplan.read.findings import Findings
from kitplan.read.grids import decode
from kitplan.read.identity import doubtful_settings, guard_settings
from kitplan.read.toml_faults import told

MOST_NESTED = 20
"""Blocks in blocks, or points in a key, that settings may have; nobody writes more than four."""

_LARGEST = 2**63 - 1


def parse_toml(name: str, content: bytes, findings: Findings) -> dict[str, Any] | None:
    """Return the settings of a TOML file, or None when it cannot be read (noted); identity in it is noted too."""
    if not content.strip(b"\xef\xbb\xbf \r\n\t"):
        return {}
    text = decode(content)
    if isinstance(text, Bad):
        findings.fault(name, text.fault, "Save it as plain text in UTF-8.")
        return None
    text = text.replace("\r\n", "\n").replace("\r", "\n")
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
