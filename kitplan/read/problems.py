"""What is wrong with an input, said so that the person who typed it can mend it."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True)
class Problem:
    """One fault in one place of one input.

    file: file name as the user knows it, with " [sheet]" after it for a workbook.
    fault: what is wrong, one clause. mend: what to do, one imperative sentence.
    row: row number as a spreadsheet shows it (the first line of the file is 1), or None; a .toml file has lines.
    column: column header or TOML key, or None.
    value: the value received, as text (already shortened; never a value from an identity column), or None.
    stops: parts of the plan that cannot be made until it is mended; () for all of it.
    moves: of a warning, what it can do to the result: 3 every par level, 2 some of them, 1 little, 0 nothing.
    heading: what the file itself calls the column, where that is another word.
    """

    file: str
    fault: str
    mend: str
    row: int | None = None
    column: str | None = None
    value: str | None = None
    stops: tuple[str, ...] = ()
    moves: int = 1
    heading: str = field(default="", metadata={"kept": False})

    def __str__(self) -> str:
        line, column = ("line", "key") if self.file.endswith(".toml") else ("row", "column")
        place = [self.file]
        if self.row is not None:
            place.append(f"{line} {self.row}")
        if self.column is not None:
            place.append(f"{column} {self.column}" + (f" (your {self.heading!r})" if self.heading else ""))
        got = "" if self.value is None else f" (got {self.value!r})"
        return f"{', '.join(place)}: {self.fault}{got}. {self.mend}"


MOST_LISTED = 300
"""Problems printed one by one; beyond so many a person mends these first."""


class InputError(ValueError):
    """The inputs cannot be used as they stand; `problems` lists everything that is wrong (exit code 2)."""

    def __init__(self, problems: Iterable[Problem], during: str = "reading the unit") -> None:
        self.problems = tuple(problems)
        self.during = during
        super().__init__(str(self))

    def __str__(self) -> str:
        count = len(self.problems)
        head = f"{counted(count, 'problem')} while {self.during}:"
        lines = [f"  - {p}" for p in self.problems[:MOST_LISTED]]
        if count > MOST_LISTED:
            lines.append(f"  ... and {count - MOST_LISTED:,} more. Mend these first and run again.")
        return "\n".join([head, *lines])


class UnsafePlan(RuntimeError):
    """The plan is infeasible or unsafe as asked (exit code 1); the text says which limit binds and by how much."""


def some_of(names: Sequence[str], most: int = 3, apart: str = "; ") -> str:
    """The first names of a list, and how many more there are."""
    return apart.join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def counted(number: float, word: str) -> str:
    """A number of things in words: "1 roll", "3 pouches", "2 pairs of scissors", "1,200 packs"."""
    first, space, rest = word.partition(" of ")
    plural = first if round(number) == 1 else f"{first}es" if first.endswith(("s", "x", "ch", "sh")) else f"{first}s"
    return f"{number:,.0f} {plural}{space}{rest}"


def open_elsewhere(path: Path) -> tuple[str, str] | None:
    """(fault, mend) of a file that a spreadsheet program holds open, else None."""
    for lock in (path.with_name(f".~lock.{path.name}#"), path.with_name(f"~${path.name}")):
        if os.path.lexists(lock):
            return "is open in a spreadsheet program", (
                f"Save and close it, then run again; if nobody has it open, delete {lock.name}.")
    return None
