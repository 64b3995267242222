"""Where a unit's files are: a folder of tables and TOML files, or one workbook with a sheet a table."""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import stat
from collections.abc import Collection, Mapping
from dataclasses import replace
from pathlib import Path

from kitplan.read.cells import Bad
from kitplan.read.columns import Column, columns_of
from kitplan.read.findings import Findings, key_of, nearest
from kitplan.read.grids import Grid, text_grid
from kitplan.read.problems import InputError, Problem
from kitplan.read.workbook import CENSUS_TABLES, Book
from kitplan.resources import config_file

MAX_TABLE_BYTES = 60_000_000
MAX_TOML_BYTES = 1_000_000
TABLES_READ = ("unit", "census", "stays", "expect", "modifiers", "resecure_log", "stock_issues", "present_par",
               "on_hand", "items", "face", "tubes", "prices", "budget")
SHEETS_ONLY = {"unit": "key = value", "expect": "a block [[expect]] for each row",
               "modifiers": "a block [[resecure.modifier]] for each row"}
"""Tables that a folder holds in unit.toml."""
TOML_READ = ("unit.toml", "policy.toml", "resecure.toml", "techniques.toml")
"""Settings of a unit's own; class*.toml as well."""
OTHER_SHEETS = frozenset({"xls", "xlsb", "xlsm", "ods", "numbers", "fods", "gsheet"})
"""Endings of spreadsheets that are not read."""
_TEXT_ENDINGS = (".csv", ".tsv", ".txt")
TABLE_ENDINGS = (*_TEXT_ENDINGS, ".xlsx")
_TABLE_FILES = frozenset(table + ending for table in TABLES_READ for ending in TABLE_ENDINGS)


class Source:
    """The files of one unit, read at most once each, with their SHA-256 checksums.

    Raises InputError at once when there is nothing to read at all.
    """

    def __init__(self, path: Path, findings: Findings) -> None:
        self.path = path
        self.checksums: dict[str, str] = {}
        self.headings: Mapping[str, Mapping[str, str]] = {}
        self._findings = findings
        self._book: Book | None = None
        kind = kind_of(path)
        if kind == "workbook":
            self.folder = path.parent
            self._book = self._opened_book(path)
        else:
            self.folder = path if kind == "folder" else path.parent
        self._names = names_in(self.folder)
        if self._book is not None and self._book.links:
            findings.warn(path.name, "holds links to other workbooks, which are not followed",
                          "Break the links, so that the figures cannot change behind your back.")

    @property
    def is_workbook(self) -> bool:
        """True when the tables are sheets of one workbook."""
        return self._book is not None

    def columns(self, name: str) -> dict[str, Column]:
        """Return the columns that a table of the unit may have, with the headings that the unit maps to them."""
        shapes = ("census_counts", "census_stays") if name == "census" else (name,)
        mapped = self.headings.get(name, {})
        return {n: replace(c, mapped=mapped.get(n, "")) for shape in shapes for n, c in columns_of(shape).items()}

    def table(self, name: str, known: Mapping[str, Column]) -> Grid | None:
        """Return the unit's own table `name`, or None when it has none (or it cannot be read: noted)."""
        if self._book is not None:
            sheet = self._book.sheet_named(name)
            return None if sheet is None else self._noted(f"{self._book.name} [{sheet}]", self._book.grid(sheet))
        found = [n for end in TABLE_ENDINGS for n in self._matching(name + end)]
        if len(found) > 1:
            self._findings.fault(found[0], f"stands beside {found[1]}: both are the table {name}", "Keep one of them.")
        if not found:
            return None
        content = self._content(self.folder / found[0], found[0], MAX_TABLE_BYTES)
        if content is None:
            return None
        if found[0].casefold().endswith(".xlsx"):
            return self._sheet_alone(found[0], name, content)
        headings = {heading for n, c in known.items() for heading in (n, c.mapped, *c.also) if heading}
        return self._noted(found[0], text_grid(found[0], content, headings))

    def has_table(self, name: str) -> bool:
        """True when the unit has a table of that name, readable or not."""
        if self._book is not None:
            return self._book.sheet_named(name) is not None
        return any(self._matching(name + end) for end in TABLE_ENDINGS)

    def shipped_table(self, name: str, known: Collection[str]) -> Grid | None:
        """Return the default table config/`name`.csv."""
        content = self._content(config_file(f"{name}.csv"), f"config/{name}.csv", MAX_TABLE_BYTES, inside=False)
        return None if content is None else self._noted(f"config/{name}.csv",
                                                        text_grid(f"config/{name}.csv", content, known))

    def toml(self, name: str) -> bytes | None:
        """Return the unit's own TOML file, or None."""
        found = self._matching(name)
        if len(found) > 1:
            self._findings.fault(found[0], f"stands beside {found[1]}", "Keep one of them.")
        return self._content(self.folder / found[0], found[0], MAX_TOML_BYTES) if found else None

    def shipped_toml(self, name: str) -> bytes:
        """Return the default TOML file config/`name`."""
        content = self._content(config_file(name), f"config/{name}", MAX_TOML_BYTES, inside=False)
        return b"" if content is None else content

    def class_file(self, path: Path) -> bytes | None:
        """Return an educator's class file, inside the unit's folder or named by the caller; its checksum is apart."""
        inside = path.parent.absolute() == self.folder.absolute()
        content = self._content(path, path.name, MAX_TOML_BYTES, inside=inside)
        self.checksums.pop(path.name, None)
        return content

    def file_names(self) -> list[str]:
        """Return the files of the folder that are not hidden, in order."""
        return sorted(self._names)

    def sheet_names(self) -> tuple[str, ...]:
        """Return the sheets of the workbook, or nothing for a folder."""
        return self._book.sheets if self._book is not None else ()

    def _matching(self, name: str) -> list[str]:
        return sorted(n for n in self._names if n.casefold() == name.casefold())

    def _noted(self, name: str, grid: Grid | Bad) -> Grid | None:
        if isinstance(grid, Bad):
            self._findings.fault(name, grid.fault, grid.mend)
            return None
        return grid

    def _sheet_alone(self, file: str, table: str, content: bytes) -> Grid | None:
        try:
            book = Book(file, content)
        except ValueError as error:
            self._noted(file, error.args[0])
            return None
        sheet = book.sheet_named(table) or (book.sheets[0] if len(book.sheets) == 1 else None)
        if sheet is None:
            self._findings.fault(file, f"has no sheet {table!r} among several", f"Name the sheet {table!r}.")
            return None
        return self._noted(f"{file} [{sheet}]", book.grid(sheet))

    def _opened_book(self, path: Path) -> Book:
        content = self._content(path, path.name, MAX_TABLE_BYTES, inside=False)
        self._findings.stop_if_faulty("opening the workbook")
        try:
            return Book(path.name, content or b"")
        except ValueError as error:
            bad: Bad = error.args[0]
            problem = Problem(path.name, bad.fault, bad.mend)
            raise InputError([problem], "opening the workbook") from None

    def _content(self, path: Path, name: str, most_bytes: int, *, inside: bool = True) -> bytes | None:
        bad = reach_fault(path, self.folder if inside else None, most_bytes)
        if bad is None:
            try:
                content = path.read_bytes()
            except OSError as error:
                bad = Bad(f"cannot be opened ({error.strerror or 'no reason given'})",
                          "Close it in other programs, or ask for the right to read it.")
            else:
                self.checksums[name] = hashlib.sha256(content).hexdigest()
                return content
        self._findings.fault(name, bad.fault, bad.mend)
        return None


def is_table(name: str) -> bool:
    """True for the name of a file that is read as one of the unit's tables."""
    return name.casefold() in _TABLE_FILES


def is_class(name: str) -> bool:
    """True for the name of an educator's class file: class.toml or class*.toml."""
    return re.fullmatch(r"class.*\.toml", name.casefold()) is not None


def is_settings(name: str) -> bool:
    """True for the name of a file that is read as settings, a class file among them."""
    return name.casefold() in TOML_READ or is_class(name)


def reach_fault(path: Path, root: Path | None, most_bytes: int) -> Bad | None:
    try:
        if root is not None and not path.resolve().is_relative_to(root.resolve()):
            return Bad("is a link to a place outside the unit's folder", "Copy the file itself into the folder.")
        status = path.stat()
    except (OSError, RuntimeError, ValueError):
        return Bad("cannot be opened", "Check the file, or a link that leads nowhere.")
    if stat.S_ISDIR(status.st_mode):
        return Bad("is a folder where a file belongs", "Rename the folder.")
    if not stat.S_ISREG(status.st_mode):
        return Bad("is not an ordinary file", "Save the table as an ordinary file.")
    if status.st_size > most_bytes:
        return Bad(f"is {status.st_size / 1e6:,.0f} MB large", f"Keep it under {most_bytes / 1e6:,.0f} MB: "
                   "give a shorter period, or delete what is not a column of this table.")
    return None


def kind_of(path: Path) -> str:
    fault = None
    try:
        if path.is_dir():
            return "folder"
        if path.is_file():
            ending = path.suffix.casefold()
            if ending in (".xlsx", ".xlsm"):
                return "workbook"
            if path.name.casefold() == "unit.toml":
                return "settings"
            fault = Bad("is neither a unit folder nor an .xlsx workbook",
                        "Give the folder that holds unit.toml, or one workbook saved as .xlsx.")
    except (OSError, ValueError):
        fault = Bad("cannot be opened", "Check the path.")
    if fault is None:
        near = nearest(path.name, names_in(path.parent)) if path.name else None
        mend = f"Did you mean {near!r}?" if near else "Check the path; `kitplan new FOLDER` makes a starter unit."
        fault = Bad("is not there", mend)
    raise InputError([Problem(str(path), fault.fault, fault.mend)], "looking for the unit")


def census_files(folder: Path, before: int = 0) -> list[str]:
    """Names of the files in a folder in which a census stands, in whichever shape. before: letters before the name."""
    wanted = {name + ending for name in CENSUS_TABLES for ending in TABLE_ENDINGS}
    return sorted(name for name in names_in(folder) if name[before:].casefold() in wanted)


def written_name(name: str) -> str:
    """The name of a file or folder in letters that can be written, whatever bytes the disk has for it."""
    return os.fsencode(name).decode(errors="backslashreplace")


def names_in(folder: Path) -> list[str]:
    try:
        return [n for n in os.listdir(folder) if not n.startswith(("~$", "."))]
    except (OSError, ValueError):
        return []


def doubt_names(source: Source, findings: Findings) -> None:
    """Note files or sheets whose name is nearly, but not quite, one that is read."""
    if source.is_workbook:
        given = {sheet: sheet for sheet in source.sheet_names()}
    else:
        given = {n: n.rpartition(".")[0] for n in source.file_names() if n.casefold().endswith(TABLE_ENDINGS)}
    read = {key_of(t) for t in TABLES_READ}
    for name in source.file_names():
        stem, _, ending = name.rpartition(".")
        if not source.is_workbook and key_of(stem) in SHEETS_ONLY and f".{ending.casefold()}" in TABLE_ENDINGS:
            findings.fault(name, "is read as a sheet of a workbook only", "Write it into unit.toml: "
                           f"{SHEETS_ONLY[key_of(stem)]}; then delete or rename the file.")
        if not source.is_workbook and ending.casefold() in OTHER_SHEETS and key_of(stem) in read:
            findings.fault(name, f"is saved as .{ending}, which is not read", "Save it as .xlsx or as CSV.")
    for name, stem in given.items():
        near = difflib.get_close_matches(key_of(stem), read - {key_of(s) for s in given.values()}, n=1, cutoff=0.8)
        if key_of(stem) not in read and near:
            findings.warn(name if not source.is_workbook else f"{source.path.name} [{name}]", "is not read",
                          f"If it is the table {near[0]}, name it so.")
