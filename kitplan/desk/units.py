"""The units of the desk's folder: found by name, made, their tables and settings changed, their plans opened."""

from __future__ import annotations

import contextlib
import csv
import io
import re
import shutil
import tempfile
import threading
import tomllib
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomli_w
from flask import abort
from werkzeug.utils import secure_filename

import kitplan
from kitplan.commands.common import out_folder
from kitplan.read.cells import Bad, read_numbers, text_of
from kitplan.read.columns import all_columns
from kitplan.read.findings import GUARDING, Findings
from kitplan.read.grids import decode, delimiter_of
from kitplan.read.problems import InputError, Problem
from kitplan.read.settings import parse_toml
from kitplan.read.source import census_files
from kitplan.read.starter import sample_files, starter_files
from kitplan.read.workbook import CENSUS_TABLES, Book, is_unit_workbook
from kitplan.resources import sample_units
from kitplan.write.writer import checksum, lies_inside, records, write_file, write_outputs

if TYPE_CHECKING:
    from kitplan.planning import Plan

ORIGINALS = "originals"
"""Folder of a unit that keeps every file as it was before the desk changed it."""
STAMP = len("2026-11-27-120000-000000-")
"""Characters of the day and time that stand before the name of a file that was kept."""
NO_PLAN = "There is no plan yet. Open This unit and press Plan."


def plan_folder(unit: Path) -> Path:
    """Where the plan of a unit lies."""
    return out_folder(unit, None)


def papers(unit: Path, wanted: Callable[[str], bool] = bool) -> dict[str, bool]:
    """Workbooks and prints in the folder of the plan, and whether each is, byte for byte, as a record there says.

    wanted: by name, which of them are read at all; all where nothing is asked.
    """
    place = plan_folder(unit)
    known = {(name, code) for outputs in records(place).values() for name, code in outputs.items() if lies_inside(name)}
    names = {name for name, _ in known if name.endswith(".pdf")} | {path.name for path in place.glob("[!~.]*.xlsx")}
    return {name: (name, checksum((place / name).read_bytes())) in known
            for name in sorted(filter(wanted, names)) if (place / name).is_file()}


def files_of(unit: Path) -> Path:
    """The folder of a unit's own files: what is not in a workbook lies beside it."""
    return unit if unit.is_dir() else unit.parent


@dataclass(frozen=True)
class Home:
    """The folder that the desk serves: one unit, or a folder that holds units, each a folder or a workbook."""

    folder: Path

    @property
    def single(self) -> bool:
        """True where the folder is itself a unit."""
        return (self.folder / "unit.toml").is_file()

    def names(self) -> list[str]:
        """Names of the units, in order."""
        if self.single:
            return [self.folder.name]
        if not self.folder.is_dir():
            return []
        return sorted(p.name for p in self.folder.iterdir() if (p / "unit.toml").is_file() or is_unit_workbook(p))

    def called(self, name: str) -> str:
        """What a unit calls itself, which its folder's name may not say; of a workbook the file's name."""
        folder = self.unit(name)
        with contextlib.suppress(ValueError, OSError):
            if folder is not None and folder.is_dir():
                return str(read_toml(folder, "unit.toml").get("name") or name)
        return name

    def unit(self, name: str) -> Path | None:
        """The folder or workbook of a unit; only names that were listed are ever joined to a path."""
        if name not in self.names():
            return None
        return self.folder if self.single else self.folder / name

    def new_folder(self, name: str) -> Path:
        """A folder for a new unit: its name in letters that every system takes. Raises ValueError."""
        plain = secure_filename(name).strip("._-").lower()[:60]
        if not re.search("[a-z]", plain):  # all else of a name in other letters is left out
            plain = f"unit-{datetime.now():%Y%m%d-%H%M%S-%f}"
        folder = self.folder / plain
        if folder.exists() or folder.with_name(f"{plain}.xlsx").exists():
            raise ValueError(f"there is a unit {plain} already")
        return folder


def unit_of(home: Home, name: str) -> Path:
    """The folder or workbook of a unit of this desk; 404 for any other name."""
    folder = home.unit(name)
    if folder is None:
        abort(404, "There is no such unit in this folder.")
    return folder


def make_unit(home: Home, name: str, sample: str | None, file_name: str = "", content: bytes = b"") -> str:
    """Make a unit: blank, a copy of an invented sample, with a census, or out of a whole unit in one workbook.

    Its name in the folder. Raises ValueError and OSError, and where the census cannot be used InputError: then no unit.
    """
    if not name.strip():
        raise ValueError("the name is empty")
    folder = home.new_folder(name)
    if holds_unit(file_name, content):
        place = folder.with_name(f"{folder.name}.xlsx")
        write_file(place, content)
        return place.name
    files = sample_files(sample_units()[sample]) if sample else starter_files()
    told = "".join(c for c in name.strip().replace("\\", "").replace('"', "'") if c.isprintable())
    toml = files["unit.toml"].decode()
    files["unit.toml"] = re.sub(r"(?m)^name\s*=.*$", lambda _: f'name = "{told}"', toml, count=1).encode()
    guard_toml("unit.toml", files["unit.toml"])
    if not sample:
        files.pop("census.csv", None)
    write_outputs(folder, files)
    if file_name:
        try:
            take_in(folder, file_name, content)
        except InputError:
            shutil.rmtree(folder)
            raise
    return folder.name


def holds_unit(file_name: str, content: bytes) -> bool:
    """Whether a dropped file is a whole unit in one workbook, and no census alone."""
    try:
        book = Book(file_name, content)
    except ValueError:
        return False
    return book.sheet_named("unit") is not None and any(book.sheet_named(name) for name in CENSUS_TABLES)


def keep_original(folder: Path, name: str) -> None:
    """Keep a copy of a file as it is now, by day and time, before it is changed."""
    path = folder / name
    if path.is_file():
        stamp = f"{datetime.now():%Y-%m-%d-%H%M%S-%f}-"
        write_outputs(folder / ORIGINALS, {f"{stamp}{name}": path.read_bytes()})


def has_census(folder: Path) -> bool:
    """Whether a census stands in the unit, in whichever shape and file."""
    return folder.is_file() or bool(census_files(folder))


def take_in(folder: Path, file_name: str, content: bytes) -> None:
    """Put a dropped census in its place as CSV; what stood there is kept under originals.

    Raises InputError where it cannot be read at all, or may identify a patient: then nothing of it is kept. OSError.
    """
    if content.startswith(b"PK\x03\x04"):
        content = _census_sheet(file_name, content)
    guarded, faults = _faults_of("census.csv", content, folder.glob("*.toml"))
    unfit = [replace(p, file=file_name) for p in faults if guarded or (p.row is None and p.column is None)]
    if unfit:
        raise InputError(unfit, "reading the census. Nothing of it was kept")
    _put_census(folder, "census.csv", content)


def _faults_of(name: str, content: bytes, beside: Iterable[Path]) -> tuple[bool, list[Problem]]:
    """Faults of a table that is not kept yet, read beside these files; True where they are of patients' identity."""
    with tempfile.TemporaryDirectory() as place:
        for path in beside:
            shutil.copy(path, place)
        (Path(place) / name).write_bytes(content)
        try:
            kitplan.load_unit(Path(place))
        except InputError as error:
            return error.during == GUARDING, [p for p in error.problems if p.file == name]
    return False, []


def _put_census(folder: Path, name: str, content: bytes) -> None:
    before = census_files(folder)
    for old in before:
        keep_original(folder, old)
    write_file(folder / name, content, replace=True)
    for old in before:
        if old != name:
            (folder / old).unlink()


def census_before(folder: Path) -> Path | None:
    """The census as it was before its last change, None where it was never changed."""
    kept = folder / ORIGINALS
    names = [n for n in census_files(kept, STAMP) if folder.is_dir()]
    return kept / names[-1] if names else None


def put_back(folder: Path) -> None:
    """Take the last change of the census back; the census of now is kept in its turn. Raises OSError."""
    before = census_before(folder)
    if before is None:
        abort(409, "Nothing of this census was changed here.")
    _put_census(folder, before.name[STAMP:], before.read_bytes())


def _census_sheet(file_name: str, content: bytes) -> bytes:
    """The sheet of a workbook that holds the census, as CSV: the one of that name that is filled in, else the first."""
    try:
        book = Book(file_name, content)
    except ValueError as error:
        bad: Bad = error.args[0]
        raise InputError([Problem(file_name, bad.fault, bad.mend)], "reading the census") from None
    sheets = [s for name in CENSUS_TABLES if (s := book.sheet_named(name))] or list(book.sheets[:1])
    grids = [book.grid(sheet) for sheet in sheets]
    grid = max(grids, key=lambda g: -1 if isinstance(g, Bad) else len(g.rows),
               default=Bad("holds no sheet", "Save the table again."))
    if isinstance(grid, Bad):
        raise InputError([Problem(file_name, grid.fault, grid.mend)], "reading the census")
    out = io.StringIO()
    csv.writer(out).writerows([[text_of(cell) for cell in row] for row in grid.rows])
    return out.getvalue().encode()


@dataclass(frozen=True)
class TextTable:
    """A CSV file by its lines, so that a cell can be changed and everything else stays byte for byte."""

    lines: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]
    spans: tuple[tuple[int, int], ...]
    delimiter: str
    encoding: str

    @classmethod
    def read(cls, content: bytes) -> TextTable:
        """Raises ValueError where it is no text table."""
        found = decode(content)
        if isinstance(found, Bad):
            raise ValueError(f"{found.fault}. {found.mend}")
        text, encoding = found
        delimiter, lines = delimiter_of(text, {c.name for c in all_columns()}), text.splitlines(keepends=True)
        reader, cells, spans, before = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [], [], 0
        for row in reader:
            cells.append(tuple(row))
            spans.append((before, reader.line_num))
            before = reader.line_num
        return cls(tuple(lines), tuple(cells), tuple(spans), delimiter, encoding)

    def changed(self, cells: Mapping[tuple[int, int], str], without: Collection[int] = ()) -> bytes:
        """The file with other texts in these cells: (row from 1, column from 0) -> text. without: rows to delete.

        Raises ValueError.
        """
        lines, rows = list(self.lines), {row for row, _ in cells} | {*without}
        if any(not 1 <= row <= len(self.cells) for row in rows):
            raise ValueError("a row that this table has not")
        for number in sorted(rows, reverse=True):
            row = list(self.cells[number - 1])
            for (at, column), text in cells.items():
                if at == number:
                    row += [""] * (column + 1 - len(row))
                    row[column] = text
            first, last = self.spans[number - 1]
            end = "\r\n" if lines[first].endswith("\r\n") else "\n"
            out = io.StringIO()
            csv.writer(out, delimiter=self.delimiter, lineterminator=end).writerow(row)
            lines[first:last] = [] if number in without else [out.getvalue()]
        return "".join(lines).encode(self.encoding)


def correct(folder: Path, name: str, cells: Mapping[tuple[int, int], str], seen: str,
            without: Collection[int] = ()) -> bool:
    """Change cells of a table, delete rows, and keep the file as it was. seen: checksum of the file that was shown.

    False, with nothing changed, where the file has changed since. Raises OSError, ValueError, and InputError where
    the corrections may identify a patient.
    """
    path = folder / name
    content = path.read_bytes()
    if checksum(content) != seen:
        return False
    changed = TextTable.read(content).changed(cells, without)
    guarded, faults = _faults_of(name, changed, (p for p in folder.iterdir() if p.is_file()))
    if guarded and faults:
        raise InputError(faults, f"{GUARDING}. Nothing was written")
    keep_original(folder, name)
    write_file(path, changed, replace=True)
    return True


def read_toml(unit: Path, name: str) -> dict[str, Any]:
    """The settings of a file, {} where there is none. Raises ValueError for one that is no TOML."""
    path = files_of(unit) / name
    if not path.is_file():
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{name} cannot be read: {error}. Correct it in a text editor.") from None


def write_toml(unit: Path, name: str, settings: dict[str, Any]) -> None:
    """Write settings as a file; the file before it is kept. Raises OSError, and InputError as `guard_toml`."""
    folder, content = files_of(unit), tomli_w.dumps(settings).encode()
    guard_toml(name, content)
    keep_original(folder, name)
    write_file(folder / name, content, replace=True)


def class_faults(unit: Path, name: str, settings: dict[str, Any]) -> tuple[Problem, ...]:
    """What is wrong with the settings of a class before they are written. Raises InputError, also as `guard_toml`."""
    content = tomli_w.dumps(settings).encode()
    guard_toml(name, content)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / name
        path.write_bytes(content)
        return kitplan.load_unit(unit, classes=[path]).faults_of("training")


def guard_toml(name: str, content: bytes) -> None:
    """Raises InputError where settings may identify a patient: written, they would stop every page of the unit."""
    findings = Findings()
    parse_toml(name, content, findings)
    if findings.identities:
        raise InputError(findings.identities, f"{GUARDING}. Nothing was written")


def number(text: str, label: str, *, whole: bool = False) -> float | int | None:
    """A number out of a form, "98 %" as 0.98, None where nothing was typed. Raises ValueError with the label."""
    text = text.strip()
    if not text:
        return None
    if text.endswith("%") and not whole:
        return float(number(text.removesuffix("%"), label) or 0.0) / 100
    value = read_numbers([text])[0]
    if isinstance(value, Bad):
        raise ValueError(f"{label}: {text!r} {value.fault}. {value.mend}")
    if whole and value % 1:
        raise ValueError(f"{label}: {text!r} is not a whole number")
    if not 0 <= value < 1e9:
        raise ValueError(f"{label}: {text} is below 0 or beyond any use")
    return int(value) if whole else value


class Opened:
    """The plan of each unit, opened again only when its record has changed."""

    def __init__(self) -> None:
        self._plans: dict[Path, tuple[tuple[int, int], Plan]] = {}
        self._lock = threading.Lock()

    def plan(self, unit: Path) -> Plan | None:
        """The plan of a unit, None where there is none. Raises InputError for a damaged one."""
        record = plan_folder(unit) / "plan.json"
        try:
            state = record.stat()
        except OSError:
            return None
        mark = state.st_mtime_ns, state.st_ino
        with self._lock:
            known = self._plans.get(unit)
            if known is None or known[0] != mark:
                known = self._plans[unit] = mark, kitplan.open_plan(plan_folder(unit), unit)
        return known[1]

    def needed(self, unit: Path) -> Plan:
        """As `plan`; a page that says to plan first where there is none."""
        plan = self.plan(unit)
        if plan is None or "par" not in plan.parts:
            abort(409, NO_PLAN)
        return plan

    def changed(self, unit: Path) -> list[str]:
        """What has changed since the plan was made, a sentence each."""
        from kitplan.saved.folder import changed_inputs, told_changes

        plan = self.plan(unit)
        return told_changes(changed_inputs(plan, unit)) if plan is not None else []
