"""No table and no settings file that is read lets a patient's identity past, column by column of config/columns.csv.

A table that is added to columns.csv is met here without a word; one that no reader below knows fails the test.
Names and numbers are invented.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import openpyxl
import pytest

from kitplan.read.columns import columns_of
from kitplan.read.guard import AIRWAY_TABLES
from kitplan.read.order_book import TABLES, read_book
from kitplan.read.problems import InputError, Problem
from kitplan.read.round_sheets import SHEETS, Names, read_round
from kitplan.read.source import SHEETS_ONLY, TABLES_READ, TOML_READ
from kitplan.read.unit import load_unit
from kitplan.resources import config_file

NAME, NUMBER, BORN = "Emma Quill", "4125559913", "1961-07-14"
BOOK = {f"book_{table}": table for table in TABLES}
NUMBERED_THINGS = {"item", "order", "lot", "gtin", "trade_number", "pack_code", "description", "provenance", "alias",
                   "bin", "counted_as", "counted", "use_unit", "role", "scope", "sized_to", "plan_number", "size",
                   "size_from", "size_to", "routes", "event", "count", "check", "moved_to"}
"""Columns of things that may carry a long number of their own: a warning at most, or refused by another rule."""
NAMES_ALLOWED = {"provenance", "time"}
"""A source may be cited by its author; what is no time of day is refused as that, and not repeated."""


def tables_read() -> list[str]:
    with config_file("columns.csv").open(encoding="utf-8", newline="") as lines:
        return sorted({row["table"] for row in csv.DictReader(lines) if row["direction"] == "in"})


def sound(table: str) -> dict[str, str]:
    """One row of a table as it should be, needed columns only."""
    words = {"route": "oral", "item": "saline_5ml", "reason": "loose", "airway": "A1", "role": "gauze",
             "scope": "event", "key": "name", "value": "Test unit", "kit": "A-1", "tube_mm": "3.5"}
    words |= dict.fromkeys(("date", "start", "day", "count"), "2025-03-01")
    row = {name: words.get(name, "1") for name, column in columns_of(table).items() if column.required}
    if table in BOOK:
        row["event"] = columns_of(table)["event"].choices[0]
    if table in SHEETS:
        row |= {"packs": "1"} if table in ("receive", "count", "answers") else {"built": "1"} if table == "kits" else {}
    row |= {"route": "oral", "all": "1.2"} if table == "modifiers" else {}
    return row | ({"tube_mm": "3.5"} if table.startswith(("census", "expect", "resecure")) else {})


def as_csv(row: dict[str, str]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows([list(row), list(row.values())])
    return out.getvalue()


def problems_in(table: str, row: dict[str, str], folder: Path) -> list[Problem]:
    """What the reader of the table says against a file of this one row: faults, then warnings."""
    names = Names(frozenset({"saline_5ml"}), lambda text: set())
    try:
        if table in BOOK:
            (folder / "book").mkdir()
            (folder / "book" / f"{BOOK[table]}.csv").write_text(as_csv(row))
            read_book(folder)
        elif table in SHEETS:
            (folder / f"{table}.csv").write_text(as_csv(row))
            return list(read_round(folder / f"{table}.csv", names, (table,)).warnings)
        else:
            file = "census" if table.startswith("census_") else table
            assert file in TABLES_READ, f"no reader of {table} is known here"
            unit = load_unit(a_workbook(file, row, folder) if file in SHEETS_ONLY else a_folder(file, row, folder))
            return [*unit.faults, *unit.warnings]
    except InputError as error:
        return list(error.problems)
    return []


def a_folder(file: str, row: dict[str, str], folder: Path) -> Path:
    (folder / "unit.toml").write_text('name = "Test unit"\nmean_stay_days = 5\n')
    (folder / "census.csv").write_text("route,tube_mm,airways\noral,3.5,4\n")
    (folder / f"{file}.csv").write_text(as_csv(row))
    return folder


def a_workbook(file: str, row: dict[str, str], folder: Path) -> Path:
    rows = {"unit": [{"key": "name", "value": "Test unit"}, {"key": "mean_stay_days", "value": "5"}],
            "census": [{"route": "oral", "tube_mm": "3.5", "airways": "4"}]}
    rows[file] = [row, {"key": "mean_stay_days", "value": "5"}] if file == "unit" else [row]
    book = openpyxl.Workbook()
    for name, lines in rows.items():
        page = book.active if name == "unit" else book.create_sheet()
        page.title = name
        page.append(list(lines[0]))
        for line in lines:
            page.append([line.get(h) for h in lines[0]])
    book.save(folder / "unit.xlsx")
    return folder / "unit.xlsx"


def words_of(table: str) -> list[str]:
    """Columns of words of a table, and one more that it does not have. What the sheet `unit` holds are settings."""
    texts = [name for name, column in columns_of(table).items() if column.kind == "text" and table != "unit"]
    return [*texts, "remark"]


def stopped_columns(table: str, value: str, columns: list[str], folder: Path) -> set[str]:
    """The columns at which a run stops for an identity when all of these hold the value; it is never repeated."""
    problems = problems_in(table, sound(table) | dict.fromkeys(columns, value), folder)
    assert value not in "".join(map(str, problems))
    return {str(p.column).rpartition(".")[2] for p in problems if "patient's identity" in p.fault}


@pytest.mark.parametrize("table", tables_read())
def test_a_name_is_stopped_in_every_column_of_words(table, tmp_path):
    columns = [c for c in words_of(table) if c not in NAMES_ALLOWED]
    assert stopped_columns(table, NAME, columns, tmp_path) == set(columns)


@pytest.mark.parametrize("table", tables_read())
def test_a_record_number_is_stopped_in_every_column_that_numbers_no_thing(table, tmp_path):
    things = {"time"} if table in AIRWAY_TABLES else NUMBERED_THINGS
    columns = [c for c in words_of(table) if c not in things]
    assert stopped_columns(table, NUMBER, columns, tmp_path) >= set(columns)


@pytest.mark.parametrize("table", [t for t in tables_read() if t not in (*AIRWAY_TABLES, *SHEETS_ONLY)])
def test_a_long_number_of_a_thing_is_not_taken_for_a_patients(table, tmp_path):
    columns = [c for c in words_of(table) if c in NUMBERED_THINGS - {"item", "gtin"}]  # these two are told by number
    assert not stopped_columns(table, NUMBER, columns, tmp_path)


@pytest.mark.parametrize("table", tables_read())
def test_a_heading_that_says_identity_is_stopped_in_every_table(table, tmp_path):
    headings = ["Date of birth", "DOB", "MRN", "Patient name", "record_number"]
    assert stopped_columns(table, "seven", headings, tmp_path) == set(headings)


@pytest.mark.parametrize("table", tables_read())
@pytest.mark.parametrize("born", [BORN, "14/07/1961"])
def test_a_day_of_birth_under_a_neutral_heading_is_stopped_in_every_table(table, born, tmp_path):
    assert stopped_columns(table, born, ["remark"], tmp_path) == {"remark"}


@pytest.mark.parametrize("sheet", SHEETS)
@pytest.mark.parametrize(("header", "value"), [("MRN", "7"), ("remark", NAME), ("remark", NUMBER), ("remark", BORN)])
def test_a_filled_in_workbook_is_guarded_sheet_by_sheet(sheet, header, value, tmp_path):
    book = openpyxl.Workbook()
    page = book.active
    page.title = SHEETS[sheet]
    row = sound(sheet) | {header: value}
    page.append(list(row))
    page.append(list(row.values()))
    book.save(tmp_path / "stock-room.xlsx")
    with pytest.raises(InputError, match="identity") as stopped:
        read_round(tmp_path / "stock-room.xlsx", Names(frozenset({"saline_5ml"}), lambda text: set()), (sheet,))
    assert value == "7" or value not in str(stopped.value)


@pytest.mark.parametrize("file", [*TOML_READ, "class.toml", "class-spring.toml"])
@pytest.mark.parametrize("line", [f'note = "{NUMBER}"', 'mrn = "7"', f'"{NAME}" = 1', f"date_of_birth = {BORN}",
                                  '[extra]\npatient_name = "x"'])
def test_settings_are_guarded_in_every_file(file, line, tmp_path):
    (tmp_path / "unit.toml").write_text('name = "Test unit"\nmean_stay_days = 5\n')
    (tmp_path / "census.csv").write_text("route,tube_mm,airways\noral,3.5,4\n")
    with (tmp_path / file).open("a") as out:
        out.write(line + "\n")
    with pytest.raises(InputError, match="identity") as stopped:
        load_unit(tmp_path)
    assert not any(value in str(stopped.value) for value in (NUMBER, "Quill", BORN))


@pytest.mark.parametrize("day", ["2021-02-03", "2026-07-01", "1900-01-01"])
def test_days_of_this_century_in_a_table_of_things_are_ordinary(day, tmp_path):
    assert not stopped_columns("stock_issues", day, ["packed on"], tmp_path)


@pytest.mark.parametrize("table", SHEETS_ONLY)
def test_a_table_that_only_a_workbook_has_is_not_passed_over_in_a_folder(table, tmp_path):
    """Nobody is told that all is well while the airways that she expects are not read."""
    with pytest.raises(InputError, match=r"unit\.toml"):
        load_unit(a_folder(table, sound(table), tmp_path))
