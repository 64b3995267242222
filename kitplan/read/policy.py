"""How the unit is run: unit.toml over the unit's own copies of policy.toml and resecure.toml over the defaults."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import pandas as pd

from kitplan.read.blocks import DEFAULTS, SETTINGS, UNIT_BLOCKS, Setting, full_name, keys_of, read_block
from kitplan.read.cells import Bad, read_numbers, text_of
from kitplan.read.columns import MAPPED_TABLES, columns_of
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.headers import raw_table, report_headers
from kitplan.read.settings import Default, defaults_in, guard, parse_toml
from kitplan.read.source import Source
from kitplan.read.tables import TableReader, read_table
from kitplan.read.values import Assumption, Doubt

HAZARDS = {
    "loosening_scale_hours": "loose", "soiled_per_day": "soiled", "skin_per_day": "skin", "moved_per_day": "moved",
    "changed_per_day": "changed",
}
"""Settings that say how often, and the reason that each is of: where the unit states one, it is known."""


@dataclass(frozen=True)
class Policy:
    """The settings of one unit, checked. file: where the unit's own settings stand, for messages.

    values: every setting that has a value, by dotted name. own: names set by the unit itself.
    modifiers, expect: raw blocks, checked where strata are known, a modifier with its file. prefer: role -> item as
    written.
    columns: table -> column -> the unit's own heading for it, folded.
    """

    file: str
    values: Mapping[str, Any]
    own: frozenset[str]
    modifiers: tuple[tuple[str, Mapping[str, Any]], ...]
    expect: tuple[Mapping[str, Any], ...]
    prefer: Mapping[str, str]
    assumptions: tuple[Assumption, ...]
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def block(self, name: str) -> dict[str, Any]:
        """Return the settings of one block, keys without the block's name."""
        return {k.partition(".")[2]: v for k, v in self.values.items() if k.startswith(f"{name}.")}

    def doubt(self) -> Doubt:
        """Return what the unit leaves open: what it states itself is known, unless it gives a range."""
        stated = {key for key in HAZARDS if f"resecure.{key}" in self.own}
        flat = self.values.get("resecure.flat_per_check") is not None
        own_range = "resecure.rate_range" in self.own
        guessed = () if flat else tuple(reason for key, reason in HAZARDS.items() if own_range or key not in stated)
        return Doubt(
            rate_range=self.values["resecure.rate_range"] if guessed or own_range else None,
            guessed=guessed,
            mean_stay_range=self.values.get("mean_stay_range"),
            stay_log_sd_range=None if "stay_log_sd" in self.own and "stay_log_sd_range" not in self.own
            else self.values.get("stay_log_sd_range"),
            learn=bool(self.values.get("resecure.learn", not stated and not flat)),
            swing=(self.values["yearly_swing"], self.values["peak_month"])
            if {"yearly_swing", "peak_month"} <= self.own else None,
            for_cause=not own_range,
        )


def read_policy(source: Source, findings: Findings, what_if: Mapping[str, Mapping[str, object]] = MappingProxyType({})
                ) -> Policy:
    """Read all settings; faults are noted. what_if: as for `load_unit`."""
    file, given = _unit_settings(source, findings)
    for block, settings in what_if.items():
        if isinstance(own := given.get(block, {}), Mapping):
            given[block] = {**own, **settings}
    defaults, default_modifiers = _defaults(source, findings)
    own = _own_values(file, given, findings)
    values = {name: d.value for name, d in defaults.items()} | own
    own_modifiers = _blocks(file, given.get("resecure", {}), "modifier", findings)
    modifiers = [*default_modifiers, *((file, block) for block in own_modifiers)]
    expect = _blocks(file, given, "expect", findings)
    prefer = _prefer(file, given.get("prefer", {}), findings)
    _doubt_unusual(file, own, findings)
    if ("yearly_swing" in own) != ("peak_month" in own):
        findings.fault(file, "has one of yearly_swing and peak_month", "Give both, or neither.")
    return Policy(file, values, frozenset(own), tuple(modifiers), tuple(expect), prefer,
                  _assumptions(file, values, own, defaults), _columns(file, given.get("columns", {}), findings))


_HOMES = {key: ("is not a setting", f"Write it under [{block}].")
          for block, _, key in (name.rpartition(".") for name in SETTINGS) if block in UNIT_BLOCKS}


def _unit_settings(source: Source, findings: Findings) -> tuple[str, dict[str, Any]]:
    content = source.toml("unit.toml")
    sheet = _unit_sheet(source, findings) if source.is_workbook else None
    if content is not None:
        if sheet:
            findings.fault("unit.toml", "stands beside a sheet `unit`: both hold the unit's settings",
                           "Keep one of them.")
        return "unit.toml", parse_toml("unit.toml", content, findings) or {}
    if sheet is not None:
        return sheet
    place = "a sheet `unit` (columns key, value) or a unit.toml beside it" if source.is_workbook else "unit.toml"
    if not findings.faults:
        inside = sorted(source.path.glob("*/unit.toml"))
        findings.fault(source.path.name or str(source.path), f"has no {place}", f"It holds units: give one, such as "
                       f"{inside[0].parent}." if inside else
                       "Add it; `kitplan new FOLDER` makes a starter unit to copy it from.")
    return "unit.toml", {}


def _unit_sheet(source: Source, findings: Findings) -> tuple[str, dict[str, Any]] | None:
    known = columns_of("unit")
    grid = source.table("unit", known)
    raw = raw_table(grid, known, findings) if grid is not None else None
    if raw is None or not report_headers(raw, findings, quiet_others=True):
        return None if raw is None else (raw.name, {})
    may_be_blank = {**known, "value": replace(known["value"], required=False)}
    reader = TableReader(replace(raw, known=may_be_blank), findings)
    keys = reader.texts("key")
    reader.texts("value")
    reader.refuse_repeats("key", pd.Series(keys), "stands twice", "Keep one row a setting.")
    settings: dict[str, Any] = {}
    for key, value, bad in zip(keys, raw.columns["value"], reader.bad):
        if not bad and value is not None:
            _place_setting(settings, key, value)
    for name in ("expect", "modifiers"):
        rows = _sheet_rows(source, name, findings)
        if rows and name == "expect":
            settings["expect"] = rows
        elif rows:
            settings.setdefault("resecure", {})["modifier"] = rows
    guard(raw.name, settings, findings)
    return raw.name, settings


def _place_setting(settings: dict[str, Any], key: str, value: object) -> None:
    *blocks, last = [part.strip() for part in key.split(".")]
    inner = settings
    for part in blocks:
        inner = inner.setdefault(part, {})
        if not isinstance(inner, dict):
            return
    inner[last] = _typed(SETTINGS.get(key.strip()), value)


def _typed(setting: object, value: object) -> object:
    kind = getattr(setting, "kind", "")
    if kind in ("texts", "range", "shares"):
        parts = [part.strip(" '\"") for part in text_of(value).strip("[]").replace(";", ",").split(",") if part.strip()]
        return parts if kind == "texts" else [part if isinstance(n, Bad) else n
                                              for part, n in zip(parts, read_numbers(parts))]
    if kind == "flag" and text_of(value).casefold() in ("yes", "no", "true", "false"):
        return text_of(value).casefold() in ("yes", "true")
    if kind in ("number", "integer"):
        percent = isinstance(value, str) and value.endswith("%")
        number = read_numbers([text_of(value).rstrip("% ") if percent else value])[0]
        return value if isinstance(number, Bad) else number / 100 if percent else number
    return text_of(value)


def _sheet_rows(source: Source, name: str, findings: Findings) -> list[dict[str, Any]]:
    reader = read_table(name, source, findings, shipped=False)[1]
    if reader is None:
        return []
    columns = reader.raw.columns
    rows = reader.records() if name == "modifiers" else [dict(zip(columns, row)) for row in zip(*columns.values())]
    return [{key: value for key, value in row.items() if key in columns and value not in (None, "")} for row in rows]


def _defaults(source: Source, findings: Findings) -> tuple[dict[str, Default], list[tuple[str, Mapping[str, Any]]]]:
    found: dict[str, Default] = {}
    modifiers: list[tuple[str, Mapping[str, Any]]] = []
    for file in DEFAULTS:
        own = source.toml(file)
        for name, content, is_own in ((f"config/{file}", source.shipped_toml(file), False), (file, own, True)):
            settings = parse_toml(name, content, findings) if content is not None else None
            if settings is None:
                continue
            given = {full_name(file, key): default for key, default in defaults_in(settings, own=is_own).items()}
            values = read_block(name, "", {key: d.value for key, d in given.items()}, SETTINGS, findings)
            found |= {key: replace(given[key], value=value) for key, value in values.items()}
            if "modifiers" in settings and (is_own or own is None):
                modifiers += [(name, block) for block in _blocks(name, settings, "modifiers", findings)]
    return found, modifiers


def _own_values(file: str, given: Mapping[str, Any], findings: Findings) -> dict[str, Any]:
    if "planning" in given:
        findings.fault(file, "is not set in unit.toml", "Put it into a copy of policy.toml in the unit's folder.",
                       column="planning")
    blocks = dict.fromkeys((*UNIT_BLOCKS, "planning"), Setting("any"))
    own = read_block(file, "", given, keys_of("", "settings.csv") | blocks, findings, _HOMES)
    own = {key: value for key, value in own.items() if key not in blocks}
    for block in ("stock", "bedside", "resecure", "forecast", "budget", "seasons"):
        settings = given.get(block, {})
        if not isinstance(settings, Mapping):
            findings.fault(file, "is a block of settings", f"Write [{block}] on a line of its own.", column=block)
            continue
        values = read_block(file, block, {k: v for k, v in settings.items() if (block, k) != ("resecure", "modifier")},
                            keys_of(block, "settings.csv"), findings, _HOMES)
        own |= {f"{block}.{key}": value for key, value in values.items()}
    return own


def _blocks(file: str, given: object, key: str, findings: Findings) -> list[Mapping[str, Any]]:
    blocks = given.get(key, []) if isinstance(given, Mapping) else []
    if isinstance(blocks, list) and all(isinstance(b, Mapping) for b in blocks):
        return blocks
    findings.fault(file, "is a list of blocks", f"Begin each with [[{key}]] on a line of its own.", column=key)
    return []


def _prefer(file: str, given: object, findings: Findings) -> dict[str, str]:
    if isinstance(given, Mapping) and all(isinstance(v, str) for v in given.values()):
        return dict(given)
    findings.fault(file, "maps roles to items", 'Write role = "item" under [prefer].', column="prefer")
    return {}


def _columns(file: str, given: object, findings: Findings) -> dict[str, dict[str, str]]:
    """[columns.census] start = "Intubated": the headings of a unit's own exports, mapped once."""
    found: dict[str, dict[str, str]] = {}
    for table, block in given.items() if isinstance(given, Mapping) else [("", given)]:
        if table not in MAPPED_TABLES or not isinstance(block, Mapping):
            findings.fault(file, "maps no table's headings", "Write [columns.census] on a line, then start = "
                           '"Intubated", say. Tables: ' + ", ".join(MAPPED_TABLES) + ".", column=f"columns.{table}")
            continue
        known = [c for shape in MAPPED_TABLES[table] for c in columns_of(shape)]
        for column, heading in block.items():
            where = f"columns.{table}.{column}"
            if column not in known:
                findings.fault(file, f"is not a column of the table {table}", suggestion(column, known), column=where)
            elif not isinstance(heading, str) or not heading.strip():
                findings.fault(file, "is not a heading", 'Put it in quotation marks: "Intubated".', column=where)
            elif key_of(heading) in found.get(table, {}).values():
                findings.fault(file, "is a heading mapped twice", "Keep one line for each heading.", column=where)
            else:
                found.setdefault(table, {})[column] = key_of(heading)
    return found


def _doubt_unusual(file: str, own: Mapping[str, Any], findings: Findings) -> None:
    for name, value in own.items():
        usual, ground = SETTINGS[name].usual, SETTINGS[name].ground
        if usual is not None and not usual[0] <= value <= usual[1]:
            findings.warn(file, f"is outside the usual {usual[0]:g} to {usual[1]:g} {SETTINGS[name].unit} ({ground})",
                          "Confirm that it is meant.", column=name, value=value, moves=3)
    if "resecure.flat_per_check" in own:
        overruled = ("hours", "a day", "Weibull shape")
        others = [n for n in own if n.startswith("resecure.") and SETTINGS[n].unit in overruled]
        if others:
            findings.warn(file, "switches the wear curve and all reasons off",
                          f"Remove it, or remove what it overrules: {', '.join(others)}.",
                          column="resecure.flat_per_check", moves=3)
    if 0 < own.get("resecure.planned_hours", 0) < 12:
        findings.warn(file, "renews more often than twice a day on a clock alone", "Confirm that it is meant.",
                      column="resecure.planned_hours", value=own["resecure.planned_hours"], moves=3)


def _assumptions(
    file: str, values: Mapping[str, Any], own: Mapping[str, Any], defaults: Mapping[str, Default]
) -> tuple[Assumption, ...]:
    topics = {"stock": "Stock room", "bedside": "Bedside kits", "resecure": "How often", "forecast": "Forecast",
              "budget": "Budget", "seasons": "Seasons", "planning": "Planning"}
    found = []
    for name, setting in SETTINGS.items():
        if name not in values or name in ("name", "currency"):
            continue
        block, _, key = name.rpartition(".")
        default = defaults.get(name)
        if name in own:
            source = f"this unit's own {file}"
        else:
            assert default is not None
            source = f"{default.provenance} (this unit's own copy)" if default.own else default.provenance
        unit = default.unit if default is not None and default.unit else setting.unit
        found.append(Assumption(topics.get(block, "Census"), key, _wording(values[name]), unit, source))
    return tuple(found)


def _wording(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(text_of, value))
    return f"{value:g}" if isinstance(value, float) else text_of(value)
