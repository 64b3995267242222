"""The units of the desk's folder: found by name, made, their tables and settings changed, their plans opened."""

from __future__ import annotations

import csv
import io
import re
import threading
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomli_w
from flask import abort
from werkzeug.utils import secure_filename

from kitplan.commands.common import out_folder
from kitplan.read.cells import Bad, text_of
from kitplan.read.problems import InputError, Problem
from kitplan.read.workbook import is_unit_workbook
from kitplan.resources import sample_units
from kitplan.write.writer import write_file, write_outputs

if TYPE_CHECKING:
    from kitplan.planning import Plan

ORIGINALS = "originals"
"""Folder of a unit that keeps every file as it was before the desk changed it."""
NO_PLAN = "There is no plan yet. Open This unit and press Plan."


def plan_folder(unit: Path) -> Path:
    """Where the plan of a unit lies."""
    return out_folder(unit, None)


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

    def unit(self, name: str) -> Path | None:
        """The folder or workbook of a unit; only names that were listed are ever joined to a path."""
        if name not in self.names():
            return None
        return self.folder if self.single else self.folder / name

    def new_folder(self, name: str) -> Path:
        """A folder for a new unit: its name in letters that every system takes. Raises ValueError."""
        plain = secure_filename(name).strip("._-").lower()[:60] or f"unit-{datetime.now():%Y%m%d-%H%M%S}"
        folder = self.folder / plain
        if folder.exists():
            raise ValueError(f"there is a folder {plain} already")
        return folder


def unit_of(home: Home, name: str) -> Path:
    """The folder or workbook of a unit of this desk; 404 for any other name."""
    folder = home.unit(name)
    if folder is None:
        abort(404, "There is no such unit in this folder.")
    return folder


def make_unit(home: Home, name: str, sample: str | None) -> str:
    """Make a unit, blank or a copy of an invented sample; its folder's name. Raises ValueError, OSError."""
    from kitplan.read.starter import sample_files, starter_files

    if not name.strip():
        raise ValueError("the name is empty")
    folder = home.new_folder(name)
    files = sample_files(sample_units()[sample]) if sample else starter_files()
    told = "".join(c for c in name.strip().replace("\\", "").replace('"', "'") if c.isprintable())
    toml = files["unit.toml"].decode()
    files["unit.toml"] = re.sub(r"(?m)^name\s*=.*$", lambda _: f'name = "{told}"', toml, count=1).encode()
    if not sample:
        files.pop("census.csv", None)
    write_outputs(folder, files)
    return folder.name


def keep_original(folder: Path, name: str) -> None:
    """Keep a copy of a file as it is now, by day and time, before it is changed."""
    path = folder / name
    if path.is_file():
        stamp = f"{datetime.now():%Y-%m-%d-%H%M%S-%f}"
        write_outputs(folder / ORIGINALS, {f"{stamp}-{name}": path.read_bytes()})


def has_census(folder: Path) -> bool:
    """Whether a census stands in the unit, in whichever shape and file."""
    return folder.is_file() or any(
        (folder / f"{name}.{ending}").is_file() for name in ("census", "stays") for ending in ("csv", "xlsx"))


def take_in(folder: Path, table: str, file_name: str, content: bytes) -> None:
    """Put a dropped table in its place as CSV; the first sheet of a workbook is taken. Raises InputError, OSError."""
    keep_original(folder, f"{table}.csv")
    if content.startswith(b"PK\x03\x04"):
        content = _first_sheet(table, file_name, content)
    write_file(folder / f"{table}.csv", content, replace=True)
    if table == "census":  # a list of stays that stood in a file of its own has been replaced
        keep_original(folder, "stays.csv")
        (folder / "stays.csv").unlink(missing_ok=True)


def _first_sheet(table: str, file_name: str, content: bytes) -> bytes:
    from kitplan.read.workbook import Book

    book = Book(file_name, content)
    sheet = book.sheet_named(table) or next(iter(book.sheets), None)
    grid = book.grid(sheet) if sheet is not None else Bad("holds no sheet", "Save the table again.")
    if isinstance(grid, Bad):
        raise InputError([Problem(file_name, grid.fault, grid.mend)])
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
        encoding = "utf-8-sig" if content.startswith(b"\xef\xbb\xbf") else "utf-8"
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            encoding, text = "cp1252", content.decode("cp1252", errors="replace")
        lines = text.splitlines(keepends=True)
        head = lines[0] if lines else ""
        delimiter = max(",;\t|", key=head.count)
        reader, cells, spans, before = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [], [], 0
        for row in reader:
            cells.append(tuple(row))
            spans.append((before, reader.line_num))
            before = reader.line_num
        return cls(tuple(lines), tuple(cells), tuple(spans), delimiter, encoding)

    def changed(self, cells: Mapping[tuple[int, int], str]) -> bytes:
        """The file with other texts in these cells: (row from 1, column from 0) -> text."""
        lines = list(self.lines)
        for number in sorted({row for row, _ in cells}, reverse=True):
            row = list(self.cells[number - 1])
            for (at, column), text in cells.items():
                if at == number:
                    row += [""] * (column + 1 - len(row))
                    row[column] = text
            first, last = self.spans[number - 1]
            end = "\r\n" if lines[first].endswith("\r\n") else "\n"
            out = io.StringIO()
            csv.writer(out, delimiter=self.delimiter, lineterminator=end).writerow(row)
            lines[first:last] = [out.getvalue()]
        return "".join(lines).encode(self.encoding)


def correct(folder: Path, name: str, cells: Mapping[tuple[int, int], str], seen: str) -> bool:
    """Change cells of a table and keep the file as it was. seen: checksum of the file that was shown.

    False, with nothing changed, where the file has changed since. Raises OSError, ValueError.
    """
    path = folder / name
    content = path.read_bytes()
    if checksum(content) != seen:
        return False
    keep_original(folder, name)
    write_file(path, TextTable.read(content).changed(cells), replace=True)
    return True


def checksum(content: bytes) -> str:
    """Short mark of a file's content."""
    return sha256(content).hexdigest()[:16]


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
    """Write settings as a file; the file before it is kept. Raises OSError."""
    folder = files_of(unit)
    keep_original(folder, name)
    write_file(folder / name, tomli_w.dumps(settings).encode(), replace=True)


def number(text: str, label: str, *, whole: bool = False) -> float | int | None:
    """A number out of a form, None where nothing was typed. Raises ValueError with the label."""
    text = text.strip().replace(",", ".").replace(" ", "")
    if not text:
        return None
    kind: Callable[[str], float | int] = int if whole else float
    try:
        value = kind(text)
    except ValueError:
        raise ValueError(f"{label}: {text!r} is not a {'whole ' if whole else ''}number") from None
    if not 0 <= value < 1e9:
        raise ValueError(f"{label}: {text} is below 0 or beyond any use")
    return value


class Opened:
    """The plan of each unit, opened again only when its record has changed."""

    def __init__(self) -> None:
        self._plans: dict[Path, tuple[tuple[int, int], Plan]] = {}
        self._lock = threading.Lock()

    def plan(self, unit: Path) -> Plan | None:
        """The plan of a unit, None where there is none. Raises InputError for a damaged one."""
        import kitplan

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
