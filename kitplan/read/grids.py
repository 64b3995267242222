"""Rows of cells out of a text file, whatever program saved it."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from dataclasses import dataclass
from functools import lru_cache

from kitplan.read.cells import Bad, tidy
from kitplan.read.findings import key_of

MAX_ROWS = 400_000
MAX_COLUMNS = 200
_DELIMITERS = (",", ";", "\t", "|")
_SAMPLE_LINES = 60


@dataclass(frozen=True)
class Grid:
    """Cells of one table. rows[i] has the spreadsheet's row number numbers[i]; blank rows are left out.

    formulas: (row number, column index) of cells that hold a formula instead of a value.
    """

    name: str
    rows: list[list[object]]
    numbers: list[int]
    formulas: frozenset[tuple[int, int]] = frozenset()


def decode(content: bytes) -> tuple[str, str] | Bad:
    """Return the text of a file saved as UTF-8, UTF-16 or UTF-32 with or without a mark, or cp1252, and which it is."""
    if not content.strip(b"\x00\r\n\t ,;\xef\xbb\xbf\xff\xfe"):
        return Bad("is empty", "Save the table again, with a header row and at least one row below it.")
    if content.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        return Bad("is a workbook with the name of a text file", "Name it .xlsx, or save it as CSV.")
    for mark, encoding in ((b"\xff\xfe\x00\x00", "utf-32"), (b"\x00\x00\xfe\xff", "utf-32"),
                           (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"), (b"\xef\xbb\xbf", "utf-8-sig")):
        if content.startswith(mark):
            return _decoded(content, (encoding,))
    head = content[:4000]
    if head[1::2].count(0) > 0.8 * len(head[1::2]):
        return _decoded(content, ("utf-16-le",))
    if head[0::2].count(0) > 0.8 * len(head[0::2]):
        return _decoded(content, ("utf-16-be",))
    return _decoded(content, ("utf-8", "cp1252"))


def _decoded(content: bytes, encodings: tuple[str, ...]) -> tuple[str, str] | Bad:
    binary = Bad("is not a text file", "Save the table as CSV (comma separated, UTF-8) or as .xlsx.")
    for encoding in encodings:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        controls = sum(c < " " and c not in "\t\r\n\f\x1a" for c in text[:20_000])
        return binary if "\x00" in text or controls > 20 else (text, encoding)
    return binary


def text_grid(name: str, content: bytes, known: Collection[str]) -> Grid | Bad:
    """Return the cells of a delimited text file.

    known: headings that may stand in the header; the delimiter is the one that shows most of them.
    """
    found = decode(content)
    if isinstance(found, Bad):
        return found
    text = found[0].replace("\r\n", "\n").replace("\r", "\n").rstrip("\x1a")
    first, _, rest = text.partition("\n")
    skipped = 0
    if first.casefold().startswith("sep=") and len(first.strip()) == 5:
        delimiter, text, skipped = first.strip()[4], rest, 1
    else:
        delimiter = delimiter_of(text, known)
    rows: list[list[object]] = []
    numbers: list[int] = []
    try:
        reader = csv.reader(io.StringIO(text), delimiter=delimiter, strict=True)
        for number, cells in enumerate(reader, 1 + skipped):
            if any(c and not c.isspace() for c in cells):
                if len(rows) >= MAX_ROWS:
                    return Bad(f"has more than {MAX_ROWS:,} rows", "Give a shorter period.")
                rows.append(cells)  # type: ignore[arg-type]
                numbers.append(number)
    except csv.Error:
        after = f"after row {numbers[-1]}" if numbers else "in its first row"
        return Bad(f"has a quotation mark too many or too few {after}", "Remove it and save the table again.")
    if not rows:
        return Bad("is empty", "Fill in the table: a header row and at least one row below it.")
    widest = max(map(len, rows))
    if widest > MAX_COLUMNS and any(str(c).strip() for row in rows for c in row[MAX_COLUMNS:]):
        return Bad(f"has {widest:,} columns", f"Keep to the table's own columns, at most {MAX_COLUMNS}.")
    return Grid(name, [row[:MAX_COLUMNS] for row in rows] if widest > MAX_COLUMNS else rows, numbers)


def delimiter_of(text: str, known: Collection[str]) -> str:
    """The sign that stands between the cells of a text: the one that shows most of the known headings."""
    lines = text.split("\n", _SAMPLE_LINES)[:_SAMPLE_LINES]
    names = {header_key(k) for k in known}

    def score(delimiter: str) -> tuple[int, int]:
        best = shared = 0
        try:
            for cells in csv.reader(lines, delimiter=delimiter):
                best = max(best, sum(header_key(c) in names for c in cells))
                shared += len(cells) > 1
        except csv.Error:
            return (0, 0)
        return best, shared

    return max(_DELIMITERS, key=score)


@lru_cache(maxsize=4096, typed=True)
def header_key(cell: object) -> str:
    """Fold a header for matching: case, spaces and a trailing unit in brackets do not matter."""
    text = str(tidy(cell) or "")
    if text.endswith((")", "]")):
        opening = max(text.rfind("("), text.rfind("["))
        if opening > 0:
            text = text[:opening]
    return key_of(text)
