"""What is wrong with the writing of a TOML file, in words: the line, the key, what is not closed or stands twice."""

from __future__ import annotations

import re

from kitplan.read.identity import header_may_be_shown

_KEY = re.compile(r'\s*("[^"]*"|[^\s=\[\]#"]+)\s*=')
_HEAD = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]")


def told(message: str, text: str) -> tuple[int, str | None, str, str]:
    """(line, key or None, fault, mend) of what `tomllib` says of a text."""
    lines = text.split("\n")
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    row = int(found[1]) if found else len(lines)
    line = lines[row - 1] if row <= len(lines) else ""
    said = re.sub(r"\s*\(at .*\)$", "", message)
    if "overwrite" in said or "twice" in said or "mutate" in said:
        return _twice(lines, row)
    if said.startswith("Expected ']"):
        return row, None, "opens a block and does not close it", (
            "A block begins with [have], or [[practice]]: as many brackets after the name as before it.")
    quotes = line.split("#")[0].count('"')
    if said.startswith(("Unclosed", "Unterminated", "Illegal character '\\n'")) or quotes % 2 == 1:
        return _open(lines, row, said)
    if said.startswith("Expected '='"):
        return row, None, "has a key without = after it", (
            'Put a key of several words into quotation marks: "two words" = 12.' if "=" in line else
            "Write key = value; a remark begins with #.")
    return row, _key(line), "is not written as settings are", _mend(line)


def _key(line: str) -> str | None:
    """The key of a line, unless it may name a person."""
    found = _KEY.match(line)
    key = found[1].strip('"') if found else ""
    return key if key and header_may_be_shown(key.replace(".", " ")) else None


def _twice(lines: list[str], row: int) -> tuple[int, str | None, str, str]:
    """A key or a block that is there already, with the line where."""
    head = _HEAD.match(lines[row - 1])
    if head is not None:
        name = head[2] if header_may_be_shown(head[2].replace(".", " ")) else "name"
        before = next((n for n, line in enumerate(lines[:row - 1], 1) if _names(line, name)), None)
        where = f"in line {before} and here" if before else "here, and by a key with a point in it"
        both = {m[1] for m in map(_HEAD.match, lines) if m and m[2] == name}
        mend = (f"Write each of them as [[{name}]], with two brackets." if len(both) > 1 else
                f"Put all its lines under one [{name}]; several blocks of a kind are written [[{name}]].")
        return row, name, f"stands twice: {where}", mend
    key, start = _key(lines[row - 1]), row - 1
    while start and not _HEAD.match(lines[start - 1]):
        start -= 1
    before = next((n for n in range(start + 1, row) if key and _key(lines[n - 1]) == key), None)
    where = f"in line {before} and here" if before else "here and above"
    return row, key, f"stands twice: {where}", "Keep one of the two lines."


def _names(line: str, name: str) -> bool:
    """Whether a line opens a block, or begins with a key, of this name."""
    head = _HEAD.match(line)
    return head[2] == name if head else (_key(line) or "").split(".")[0] == name


def _open(lines: list[str], row: int, said: str) -> tuple[int, str | None, str, str]:
    """A text, list or group that is opened and never closed: told where it opens."""
    marks = {"Unclosed array": ("[", "]", "list"), "Unclosed inline table": ("{", "}", "group")}
    opens, closes, what = marks.get(said, ('"', '"', "text"))
    for number in range(min(row, len(lines)), 0, -1):
        bare = lines[number - 1].split("#")[0]
        open_here = bare.count(opens) > bare.count(closes) if opens != closes else bare.count(opens) % 2 == 1
        if open_here and not _HEAD.match(bare):
            mark = '"' if what == "text" else closes
            return number, _key(lines[number - 1]), f"begins a {what} that is not closed", f"Write {mark} at its end."
    return row, None, f"holds a {what} that is not closed", f"Write {closes} at its end."


def _mend(line: str) -> str:
    if re.search(r"=\s*[+-]?\d+,\d", line):
        return "Write numbers with a point: 3.5 and not 3,5."
    if any(c in line for c in "\u201c\u201d\u2018\u2019"):
        return 'Use straight quotation marks: "text".'
    if re.search(r"=\s*(true|false|yes|no)\b", line, re.IGNORECASE):
        return "Write true or false in small letters."
    if re.search(r"=\s*\d{4}-\d", line):
        return "Write a day that there is, as 2027-03-09."
    if re.search(r"=\s*[A-Za-z]", line):
        return 'Put text in quotation marks: key = "text".'
    if re.search(r"=\s*(#|$)", line):
        return "Write the value after =, or delete the line."
    return 'Look at this line: key = number, or key = "text"; a block begins with [name].'
