"""A starter unit folder: a commented unit.toml and blank tables, from columns.csv and the defaults."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

from kitplan.read.blocks import Setting
from kitplan.read.columns import Column, columns_of
from kitplan.read.policy_keys import SETTINGS
from kitplan.resources import config_file, sample_units

EXAMPLES = {
    "census_counts": {"route": "oral", "tube_mm": "3.5", "airways": "2", "technique": "oral_two_y", "skin": "barrier",
                      "cuffed": "no"},
    "census_stays": {"airway": "A0001", "route": "oral", "tube_mm": "3.5", "start": "2026-01-04 14:00",
                     "end": "2026-01-09 08:00", "technique": "oral_two_y"},
    "resecure_log": {"date": "2026-01-05", "time": "20:00", "airway": "A0001", "reason": "loose"},
    "stock_issues": {"date": "2026-01-11", "item": "saline_5ml", "units": "40", "price": "24"},
    "prices": {"date": "2026-10-01", "item": "saline_5ml", "price": "25"},
    "budget": {"month": "2026-04", "amount": "2400"},
    "present_par": {"item": "saline_5ml", "par_packs": "2"},
    "on_hand": {"item": "saline_5ml", "packs": "1", "loose_units": "20", "expires": "2027-03-31", "lot": "LOT-1",
                "on_order_packs": "1", "date": "2026-07-01"},
    "expect": {"route": "oral", "tube_mm": "4.0", "mean_airways": "0.2"},
}
"""One filled-in row of each table, shown beside its headings and never read."""

TABLES = {
    "census.csv": ("census_counts", "Who is there: one row for each kind of airway. With dates, a history."),
    "optional/stays.csv": (
        "census_stays", "Better than counts: one row for each airway. Leave census.csv blank then."),
    "optional/resecure_log.csv": ("resecure_log", "Re-secures done. The program learns your own rate."),
    "optional/stock_issues.csv": ("stock_issues", "What left the stock room, to set against the forecast."),
    "optional/prices.csv": ("prices", "Prices as paid or agreed, and rises to come. The forecast carries them."),
    "optional/budget.csv": ("budget", "What may be spent by month, and what was. The program says where it will land."),
    "optional/present_par.csv": ("present_par", "The par levels you hold now. The program audits them."),
    "optional/on_hand.csv": ("on_hand", "What a count found. The program says what to order."),
}
DEFAULT_FILES = ("items.csv", "techniques.toml", "face.csv", "tubes.csv")

UNIT_HEAD = """\
# Your unit. Lines that begin with # are notes, or settings at their default: take the # away to change one.
# Enter nothing that identifies a patient.
name = "My unit"
currency = "USD"

# Days an airway stays, on average. Needed when census.csv holds counts; not used with a list of stays.
mean_stay_days = 5
{settings}

# Headings of your own exports, mapped once (a heading in other words is also recognised and said back):
# [columns.census]
# start = "Tube placed"

# A kind of airway that is not in the census but may arrive, with the mean number present at one time:
# [[expect]]
# route = "oral"
# tube_mm = 4.0
# mean_airways = 0.2
# beyond_census = true            # only for a kind that the census has had: airways on top of it (three beds more, say)

# The item to use for a role whatever it costs (names as in items.csv):
# [prefer]
# saline = "saline_5ml"
"""

WITHOUT_DEFAULT = {
    "": [("mean_stay_range", "[4, 7]", "days that the mean stay lies between, nine times in ten; else taken as known"),
         ("yearly_swing", "0.25", "arrivals in the peak month over the year's mean, where you know it; else learnt"),
         ("peak_month", "1", "month in which most arrive; goes with yearly_swing")],
    "stock": [("shelf_litres", "400", "litres the shelves hold; no limit when left out"),
              ("budget", "6000", "most money tied up at par; no limit when left out"),
              ("unavailable", '["saline_5ml"]', "items that cannot be had; none when left out"),
              ("unavailable_weeks", "3", "weeks that they cannot be had; one interval when left out")],
    "bedside": [("container_litres", "6", "litres a kit container holds; no limit when left out"),
                ("beds", "8", "bedsides that hold emergency equipment; the census peak when left out"),
                ("items_carried", "40", "most different items that the kits may need; no limit when left out")],
    "budget": [("start", '"2026-04"', "first month of the budget year; no budget year when left out"),
               ("amount", "30000", "money for that year; by month in budget.csv when left out")],
    "resecure": [("learn", "true", "rates are learnt from resecure_log; true when left out, unless rates are stated")],
}
"""Settings that most units leave out: key, example, meaning."""


def starter_files() -> dict[str, bytes]:
    """Return the files of a starter unit, path in the folder -> content.

    The optional tables stand in a folder of their own, so that a blank one is not read by mistake.
    """
    files = {"unit.toml": unit_toml().encode(), "HOW_TO_FILL.txt": guide().encode()}
    for path, (table, _) in TABLES.items():
        files[path] = _csv_bytes([list(columns_of(table))])
    for name in DEFAULT_FILES:
        files[f"optional/{name}"] = config_file(name).read_bytes()
    files["optional/class.toml"] = (sample_units()["harbour_wing"] / "class.toml").read_bytes()
    return files


@dataclass(frozen=True)
class StarterSetting:
    """A setting of unit.toml as a starter shows it. default: "" where leaving it out means that there is none."""

    block: str
    key: str
    default: str
    unit: str
    provenance: str


def starter_settings() -> list[StarterSetting]:
    """Every setting that a unit may change, block by block, with its default and where that comes from."""
    policy = tomllib.loads(config_file("policy.toml").read_text(encoding="utf-8"))
    frequency = tomllib.loads(config_file("resecure.toml").read_text(encoding="utf-8"))
    top = {key: entry for key, entry in (policy | frequency).items() if key in SETTINGS}
    blocks: dict[str, dict[str, Any]] = {"": top}
    blocks |= {name: policy[name] for name in ("stock", "bedside", "forecast", "seasons")}
    blocks["budget"] = {}
    blocks["resecure"] = {k: v for k, v in frequency.items() if k not in top and "value" in v}
    found = []
    for block, settings in blocks.items():
        found += [StarterSetting(block, key, _toml(entry["value"]), entry["unit"], entry["provenance"])
                  for key, entry in settings.items()]
        found += [StarterSetting(block, key, "", meaning, "") for key, _, meaning in WITHOUT_DEFAULT.get(block, [])]
    return found


def unit_toml() -> str:
    """A commented unit.toml: every default with its unit and where it comes from, switched off."""
    settings = {block: list(rows) for block, rows in groupby(starter_settings(), key=lambda s: s.block)}
    examples = {key: example for rows in WITHOUT_DEFAULT.values() for key, example, _ in rows}
    top = "\n".join(_setting(s, examples) for s in settings.pop(""))
    lines = [UNIT_HEAD.format(settings=top)]
    for block, rows in settings.items():
        lines += [f"[{block}]", *(_setting(s, examples) for s in rows), ""]
    return "\n".join(lines)


def guide() -> str:
    """A plain-text guide to every table: its columns and one example row."""
    lines = ["HOW TO FILL THIS FOLDER", "",
             "1. Open unit.toml and give your unit's name. 2. Fill census.csv. 3. Run: kitplan check FOLDER",
             "4. Run: kitplan plan FOLDER", "",
             "Everything in optional/ can wait. To use a file, fill it and move it up beside unit.toml.",
             "Enter nothing that identifies a patient: no names, record numbers or dates of birth.", ""]
    for path, (table, purpose) in TABLES.items():
        columns = columns_of(table)
        lines += [path, f"  {purpose}"]
        lines += [f"  {_column_line(c)}" for c in columns.values()]
        example = [EXAMPLES[table].get(name, "") for name in columns]
        lines += ["  Example:", f"    {','.join(columns)}", f"    {','.join(example)}", ""]
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


def _setting(setting: StarterSetting, examples: Mapping[str, str]) -> str:
    value = _quoted(setting.key, setting.default) or examples[setting.key]
    ground = f". {setting.provenance}" if setting.provenance else ""
    return f"{f'# {setting.key} = {value}':<34}# {setting.unit}{ground}"


def _quoted(key: str, value: str) -> str:
    return f'"{value}"' if value and SETTINGS.get(key, Setting("number")).kind == "text" else value


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value).replace("'", '"')


def _csv_bytes(rows: list[list[str]]) -> bytes:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode()


def sample_files(folder: Path) -> dict[str, bytes]:
    """Return every file of a sample unit, path in the folder -> content."""
    files = (p for p in sorted(folder.iterdir()) if p.is_file() and not p.name.startswith("."))
    return {p.name: p.read_bytes() for p in files}
