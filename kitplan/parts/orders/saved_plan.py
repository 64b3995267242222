"""Which unit a filled-in file is of, and the unit without items that cannot be had."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from kitplan.read.problems import InputError, Problem

if TYPE_CHECKING:
    from kitplan.read.values import Unit


def find_unit(filled: Path) -> Path:
    """The unit that a filled-in file belongs to: itself, its folder, one above, or the workbook whose plan it lies in.

    Raises InputError.
    """
    here = filled.absolute()
    for folder in (here, here.parent, here.parent.parent):
        if folder.is_dir() and (folder / "unit.toml").is_file():
            return folder if folder != here else filled
    planned_from = here.parent.with_name(here.parent.name.removesuffix("-plan") + ".xlsx")
    if here.parent.name.endswith("-plan") and planned_from.is_file():
        return planned_from
    if _is_unit_workbook(filled):
        return filled
    if not filled.exists():
        raise InputError([Problem(str(filled), None, None, None, "is not there", "Check the spelling of the path.")],
                         "looking for the unit")
    raise InputError([Problem(str(filled), None, None, None, "lies in no unit's folder",
                              "Say which unit it is of with --unit.")], "looking for the unit")


def _is_unit_workbook(path: Path) -> bool:
    from kitplan.read.workbook import Book

    if path.suffix.casefold() != ".xlsx" or not path.is_file():
        return False
    try:
        return Book(path.name, path.read_bytes()).sheet_named("census") is not None
    except ValueError:
        return False


def without_items(unit: Unit, without: tuple[str, ...], weeks: float | None) -> Unit:
    """The unit with items that cannot be had for some weeks. Raises InputError for a name that is no item."""
    from kitplan.read.findings import suggestion

    names = unit.items["item"].tolist()
    problems = [Problem("--without", None, None, item, "is not in the catalogue", suggestion(item, names))
                for item in without if item not in names]
    if problems:
        raise InputError(problems, "leaving items out")
    gone = tuple(dict.fromkeys([*unit.stock.unavailable, *without]))
    stock = replace(unit.stock, unavailable=gone, unavailable_weeks=weeks or unit.stock.unavailable_weeks)
    return replace(unit, stock=stock)
