"""The files of a unit as bytes, to be read on another machine as they would be read here."""

from __future__ import annotations

from pathlib import Path

from kitplan.read.order_book import book_home
from kitplan.read.problems import InputError, Problem
from kitplan.read.source import (
    MAX_TABLE_BYTES,
    MAX_TOML_BYTES,
    is_settings,
    is_table,
    kind_of,
    names_in,
    reach_fault,
)


def unit_files(path: Path) -> dict[str, bytes]:
    """Every file that `load_unit` and the commands of the week may read of a unit, by its name below the unit's place.

    path: a unit's folder or workbook. Of a file that is not read only the name goes along, for the warning that says
    so. Raises InputError.
    """
    inside = kind_of(path) == "folder"
    folder = path if inside else path.parent
    there = sorted(names_in(folder))
    found, problems = {}, []
    for name in there if inside else [path.name, *(n for n in there if is_settings(n) and n != path.name)]:
        most = MAX_TOML_BYTES if is_settings(name) else MAX_TABLE_BYTES if not inside or is_table(name) else 0
        bad = reach_fault(folder / name, None if name == path.name else folder, most) if most else None
        if bad is not None:
            problems.append(Problem(name, bad.fault, bad.mend))
        elif (folder / name).is_file():
            found[name] = (folder / name).read_bytes() if most else b""
    if problems:
        raise InputError(problems)
    return found | book_files(path)


def book_files(path: Path) -> dict[str, bytes]:
    """The order book of a unit, as `unit_files` names its files; nothing where it has none."""
    book = book_home(path) / "book"
    home = "book" if path.is_dir() else f"{book.parent.name}/book"
    return {f"{home}/{p.name}": p.read_bytes() for p in sorted(book.glob("*.*")) if p.is_file()}
