"""A starter unit folder: a commented unit.toml and blank tables, from columns.csv and the defaults."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

from kitplan.read.blocks import DEFAULTS, SETTINGS, full_name
from kitplan.read.columns import Column, columns_of
from kitplan.read.settings import Default, defaults_in
from kitplan.read.source import SHEETS_ONLY
from kitplan.resources import config_file, config_rows, sample_units

TABLES = tuple((row["name"], row["table"], row["purpose"], int(row["rows"]))
               for row in config_rows("starter_tables.csv"))
"""(name, table of columns.csv, what it is for, rows of its blank sheet) of each table that a unit may fill."""
DEFAULT_FILES = ("items.csv", "techniques.toml", "face.csv", "tubes.csv")


def starter_files() -> dict[str, bytes]:
    """Return the files of a starter unit, path in the folder -> content.

    The optional tables stand in a folder of their own, so that a blank one is not read by mistake.
    """
    files = {"unit.toml": unit_toml().encode(), "HOW_TO_FILL.txt": guide().encode()}
    files |= {path: (",".join(columns_of(table)) + "\n").encode() for path, table, _ in _files()}
    for name in DEFAULT_FILES:
        files[f"optional/{name}"] = config_file(name).read_bytes()
    files["optional/class.toml"] = (sample_units()["harbour_wing"] / "class.toml").read_bytes()
    return files


def _files() -> Iterator[tuple[str, str, str]]:
    """(path in the folder, table of columns.csv, what it is for) of each blank table."""
    for name, table, purpose, _ in TABLES:
        if name not in SHEETS_ONLY:
            yield f"{name}.csv" if name == "census" else f"optional/{name}.csv", table, purpose


def starter_settings() -> dict[str, Default]:
    """Every setting that a unit may change, with its default and where that comes from.

    One that has an example has none: its value is None, and what stands for its unit is its meaning.
    """
    defaults = {full_name(file, key): default for file in DEFAULTS for key, default in defaults_in(
        tomllib.loads(config_file(file).read_text(encoding="utf-8")), own=False).items()}
    return {name: Default(None, setting.meaning, "") if setting.example else defaults[name]
            for name, setting in SETTINGS.items()
            if setting.example or (name in defaults and not name.startswith("planning."))}


def unit_toml() -> str:
    """A commented unit.toml: every default with its unit and where it comes from, switched off."""
    lines: list[str] = []
    head = config_file("starter_unit.toml").read_text(encoding="utf-8")
    for block, settings in groupby(starter_settings().items(), key=lambda s: s[0].rpartition(".")[0]):
        shown = [_setting(*s) for s in settings]
        lines += [f"[{block}]", *shown, ""] if block else [head.replace("# {settings}", "\n".join(shown))]
    return "\n".join(lines)


def guide() -> str:
    """A plain-text guide to every table: its columns and one example row."""
    lines = ["HOW TO FILL THIS FOLDER", "",
             "1. Open unit.toml and give your unit's name. 2. Fill census.csv. 3. Run: kitplan check FOLDER",
             "4. Run: kitplan plan FOLDER", "",
             "Everything in optional/ can wait. To use a file, fill it and move it up beside unit.toml.",
             "Enter nothing that identifies a patient: no names, record numbers or dates of birth.", ""]
    for path, table, purpose in _files():
        columns = columns_of(table).values()
        lines += [path, f"  {purpose}", *(f"  {_column_line(c)}" for c in columns), "  Example:",
                  f"    {','.join(c.name for c in columns)}", f"    {','.join(c.example for c in columns)}", ""]
    lines += ["optional/" + ", optional/".join(DEFAULT_FILES),
              "  Copies of the shipped defaults. Prices in items.csv are INVENTED: put in your own.",
              "  A file beside unit.toml replaces the shipped one as a whole.", "",
              "optional/class.toml", "  A practice class, as an example to change.", ""]
    return "\n".join(lines)


def _column_line(column: Column) -> str:
    need = "needed" if column.required else "optional"
    if column.default:
        need += f", {column.default} when empty"
    unit = f", {column.unit}" if column.unit else ""
    return f"{column.name} ({column.kind}{unit}; {need}): {column.description}"


def _setting(name: str, default: Default) -> str:
    key, value = name.rpartition(".")[2], SETTINGS[name].example or json.dumps(default.value)
    ground = f". {default.provenance}" if default.provenance else ""
    return f"{f'# {key} = {value}':<34}# {default.unit}{ground}"


def sample_files(folder: Path) -> dict[str, bytes]:
    """Return every file of a sample unit, path in the folder -> content."""
    files = (p for p in sorted(folder.iterdir()) if p.is_file() and not p.name.startswith("."))
    return {p.name: p.read_bytes() for p in files}
