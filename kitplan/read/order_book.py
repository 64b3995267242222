"""The order book of a unit: what was counted, ordered, delivered and built, in four tables that only grow.

`book/counts.csv, orders.csv, deliveries.csv, kits.csv` lie in the unit's folder. Every line has its day, the plan
number and the pack size of that day, a running entry number over all four tables, and check letters made of the
line and of the letters of the line before it in its table: a line that was changed, lost or put in by hand shows.
A spreadsheet may open, sort and save the tables; what it writes is read as long as the values are the same.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from kitplan.read.cells import Bad, unguarded
from kitplan.read.columns import Column, columns_of
from kitplan.read.findings import Findings
from kitplan.read.grids import text_grid
from kitplan.read.headers import raw_table
from kitplan.read.problems import some_of
from kitplan.read.tables import TableReader
from kitplan.read.values import UseRate

TABLES = ("counts", "orders", "deliveries", "kits")
_NUMBERED = {"counts": "count", "orders": "order", "deliveries": "order", "kits": "kit"}
_LETTERS = "BCDFGHJKLMNPQRSTVWXZ"
_LAST = "last.json"
PAPERS = "order.json"
"""The record of the papers of the week, in their own folder: it is there still when the book's is lost."""
_NO_RECORD = (OSError, ValueError, KeyError, TypeError, ArithmeticError, RecursionError)
"""What a file that should be such a record, and is not, raises when it is read."""
LEARNT = "learnt_rate.json"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the book. table: which of TABLES. pack: single items in a pack on that day. packs, loose: how many.

    number: of the count, the order or the kit it belongs to. price: of one pack. answers: entry of the asked line
    that this one settles, 0 for none. entry: 0 until it is written. was: what the line calls its item, where the
    catalogue calls it otherwise now.
    """

    table: str
    day: date
    event: str
    item: str = ""
    pack: int = 1
    packs: int = 0
    loose: int = 0
    expires: date | None = None
    lot: str = ""
    number: str = ""
    design: str = ""
    price: float = 0.0
    trade_number: str = ""
    answers: int = 0
    note: str = ""
    plan_number: str = ""
    entry: int = 0
    was: str = ""

    @property
    def units(self) -> int:
        return self.packs * self.pack + self.loose

    @property
    def place(self) -> int:
        """Where it stands among the lines of its day: an answer in the place of what was asked about."""
        return self.answers or self.entry

    def written(self) -> list[Any]:
        """Its values in the order of `headings`."""
        return [self.was or self.item if name == "item" else getattr(self, name) for name in headings(self.table)]


@dataclass(frozen=True)
class OrderBook:
    """All lines in the order they were written. gaps: (first, last) entries known to be lost and accepted."""

    lines: tuple[Line, ...] = ()
    gaps: tuple[tuple[int, int], ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def last_entry(self) -> int:
        return max([self.lines[-1].entry if self.lines else 0, *(last for _, last in self.gaps)])

    def of(self, table: str) -> tuple[Line, ...]:
        return tuple(line for line in self.lines if line.table == table)

    def next_number(self, given: Iterable[tuple[int, Line]]) -> int:
        """The number after the highest given. Lines lost since may each have held a number of their own: none of
        those, which stand on papers and cards, is given again.
        """
        highest, entry = max(((number, -line.entry) for number, line in given), default=(0, 0))
        return highest + 1 + sum(last - first + 1 for first, last in self.gaps if first > -entry)

    def named(self, find: Callable[[str], str | None]) -> OrderBook:
        """The book with its items under the names of today. find: the one item that a name means, else None."""
        today = {item: find(item) or item for item in {x.item for x in self.lines}}
        return replace(self, lines=tuple(x if today[x.item] == x.item else replace(x, item=today[x.item], was=x.item)
                                         for x in self.lines))

    def grown(self, lines: Iterable[Line], plan_number: str) -> OrderBook:
        """The book with lines added at its end, numbered on."""
        start = self.last_entry + 1
        new = (replace(line, entry=start + k, plan_number=plan_number) for k, line in enumerate(lines))
        return replace(self, lines=(*self.lines, *new))


Found = list[tuple[Line, str, int]]
"""Lines of one table by entry, each with the check letters beside it and the number of its row."""


@cache
def headings(table: str) -> Mapping[str, str]:
    """Field of Line -> heading of one table, in order; the check letters come last and are no field."""
    fields = {_NUMBERED[table]: "number", "loose_units": "loose", "units": "loose"}
    return {fields.get(name, name): name for name in columns_of(f"book_{table}") if name != "check"}


def check_letters(before: str, line: Line) -> str:
    """Six letters, no number or date to a spreadsheet, that belong to this line after that whose are `before`."""
    plain = (f"{v:.4f}" if isinstance(v, float) else "" if v is None else str(v) for v in line.written())
    told = [before, line.table, *plain]
    digest = hashlib.sha256("\x1f".join(told).encode()).digest()
    return "".join(_LETTERS[b % len(_LETTERS)] for b in digest[:6])


def book_frames(book: OrderBook) -> dict[str, pd.DataFrame]:
    """Table name -> frame with its check letters, as it is written."""
    frames = {}
    for table in TABLES:
        names, before, rows = headings(table), "", []
        for line in book.of(table):
            before = check_letters(before, line)
            rows.append([*(None if n == "answers" and v == 0 else v for n, v in zip(names, line.written())), before])
        frames[table] = pd.DataFrame(rows, columns=[*names.values(), "check"], dtype=object)
    return frames


def last_record(book: OrderBook) -> bytes:
    """last.json: the last entry, so that lines cut off at the end of a table are missed; and gaps accepted."""
    record = {"last_entry": book.last_entry, "gaps": [list(g) for g in book.gaps]}
    return (json.dumps(record) + "\n").encode()


def read_book(folder: Path, papers: Path | None = None, *, mend: bool = False) -> OrderBook:
    """Read the book of a unit's folder; an empty one where there never was one.

    papers: folder of the papers of the week (default: the usual ones), whose record says how far the book had come.
    mend: take the lines as they stand now, changed or missing ones with them. Raises InputError with every line that
    is damaged, changed or missing.
    """
    place, findings = folder / "book", Findings()
    files = {table: _read_file(place / f"{table}.csv", table, findings) for table in TABLES}
    there = [line.entry for found in files.values() for line, *_ in found]
    (written, gaps), *told = (_last(record) for record in (place / _LAST, *(
        home / PAPERS for home in ([papers] if papers else [folder, folder / "plan"]))))
    last = max([*there, written, *(entry for entry, _ in told)])
    warnings: list[str] = []
    readable = not findings.faults
    if readable and not mend:
        for table, found in files.items():
            _check_chain(table, found, findings)
            if found != sorted(found, key=lambda line: line[2]):
                warnings.append(f"book/{table}.csv stood in another order; it was read by its entry numbers.")
    lines = sorted((line for found in files.values() for line, *_ in found), key=lambda line: line.entry)
    lost = _missing([line.entry for line in lines], last, gaps)
    if readable and not mend and lost:
        runs = some_of([str(a) if a == b else f"{a} to {b}" for a, b in lost], 6, ", ")
        gone = [f"{table}.csv" for table, found in files.items() if not found]
        findings.fault("book", f"has no {'entry' if runs.isdigit() else 'entries'} {runs}" + (
            f"; {', '.join(gone)} {'is' if len(gone) == 1 else 'are'} not there, or empty" if gone else ""),
            "Put the lines back from a copy of the folder, or run kitplan book UNIT --mend to go on without them.")
    findings.stop_if_faulty("reading the order book")
    return OrderBook(tuple(lines), tuple(sorted([*gaps, *lost])), tuple(warnings))


def _last(path: Path) -> tuple[int, list[tuple[int, int]]]:
    """Last entry ever written and the gaps accepted, as a record has them; 0 and none where it is unreadable."""
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        return int(record["last_entry"]), [(int(a), int(b)) for a, b in record.get("gaps", ())]
    except _NO_RECORD:
        return 0, []


def _missing(entries: Sequence[int], last: int, gaps: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Runs of entry numbers from 1 to `last` that no line has and no gap accounts for."""
    runs, following = [], 1
    for first, end in sorted([*((entry, entry) for entry in entries), *gaps, (last + 1, last + 1)]):
        if following <= min(first - 1, last):
            runs.append((following, min(first - 1, last)))
        following = max(following, end + 1)
    return runs


def _check_chain(table: str, found: Found, findings: Findings) -> None:
    before = ""
    for line, letters, row in found:
        if check_letters(before, line) != letters:
            findings.fault(f"book/{table}.csv", f"does not fit its check letters (entry {line.entry}): it, or the line "
                           "before it, was changed by hand", "Put it back as it was. A correction is a new line, made "
                           "by a new count or delivery. To keep it as it stands: kitplan book UNIT --mend.", row=row)
        before = letters


def _read_file(path: Path, table: str, findings: Findings) -> Found:
    name, known = f"book/{path.name}", columns_of(f"book_{table}")
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return []
    if not content.strip():
        return []  # as if it were not there: the entries that it held are missed
    grid = text_grid(name, content, known)
    if isinstance(grid, Bad):
        findings.fault(name, grid.fault, grid.mend)
        return []
    reader = TableReader.of(raw_table(grid, known, findings), findings, quiet_others=True)
    if reader is None:
        return []
    rows = sorted(reader.good(reader.records()), key=lambda row: int(row["entry"]))
    reader.refuse_rows("entry", [b for a, b in pairwise(rows) if a["entry"] == b["entry"]], "stands twice",
                       "Delete the copy, or put the number back.")
    fields = headings(table).items()
    return [(Line(table=table, **{name: _plain_value(row[heading], known[heading]) for name, heading in fields}),
             row["check"], row["row"]) for row in rows]


def _plain_value(value: object, column: Column) -> Any:
    """A cell as a line holds it: no number is 0, and text stands as it was before it was guarded."""
    if isinstance(value, str):
        return unguarded(value)
    return 0 if value is None and column.kind != "date" else value


def read_use_rate(home: Path) -> tuple[UseRate, bytes] | None:
    """What the counts have taught, as the round leaves it beside the book, and its bytes; None where nothing has."""
    try:
        content = (home / "book" / LEARNT).read_bytes()
        held = json.loads(content)
        rate = UseRate(float(held["log_mean"]), float(held["log_sd"]), int(held["days"]))
    except _NO_RECORD:
        return None
    return (rate, content) if abs(rate.log_mean) < 7 and 0 < rate.log_sd < 3 else None


def book_home(unit_path: Path) -> Path:
    """The folder that holds the book of a unit: its own, or `<workbook>-plan` beside a unit that is a workbook."""
    if unit_path.is_dir():
        return unit_path
    return unit_path.parent if unit_path.name == "unit.toml" else unit_path.with_name(f"{unit_path.stem}-plan")


def book_lock(unit_path: Path) -> Path:
    """The file that whoever writes the book of a unit holds."""
    return unit_path / "unit.toml" if unit_path.is_dir() else unit_path
