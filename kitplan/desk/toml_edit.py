"""TOML files of a unit as forms change them: read, a few keys changed, written whole; the file as it was is kept."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import tomli_w

from kitplan.desk.units import keep_original


def read_toml(folder: Path, name: str) -> dict[str, Any]:
    """The settings of a file, {} where there is none. Raises ValueError for one that is no TOML."""
    path = folder / name
    if not path.is_file():
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{name} cannot be read: {error}. Correct it in a text editor.") from None


def write_toml(folder: Path, name: str, settings: dict[str, Any]) -> None:
    """Write settings as a file; the file before it is kept. Raises OSError."""
    from kitplan.write.writer import write_file

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
