"""How a result prints itself in Python: one line a field, with the size of a table in place of the table."""

from __future__ import annotations

import reprlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from operator import attrgetter
from typing import Any, ClassVar

_WIDTH = 90
_LINE = 120
_SHORT = reprlib.Repr()
_SHORT.maxother = _SHORT.maxstring = _WIDTH


class Brief:
    """A dataclass, declared with repr=False, whose repr fits a screen."""

    def __repr__(self) -> str:
        held = (f"\n    {field.name}={_brief(getattr(self, field.name))}" for field in fields(self))  # type: ignore[arg-type]
        return f"{type(self).__name__}({','.join(held)})"


class Result(Brief):
    """What a part gives. writes: file stem -> field of each of its tables, columns as in config/columns.csv."""

    _writes: ClassVar[Mapping[str, str]]

    def __init_subclass__(cls, writes: Mapping[str, str]) -> None:
        cls._writes = writes

    def tables(self) -> dict[str, Any]:
        """Tidy frames by file stem."""
        return {stem: attrgetter(field)(self) for stem, field in self._writes.items()}


def _brief(value: object) -> str:
    kind, shape = type(value).__name__, getattr(value, "shape", None)
    if isinstance(shape, tuple) and shape:
        columns = ", ".join(map(str, getattr(value, "columns", ())))
        return _SHORT.repr1(f"{kind} {' x '.join(map(str, shape))}: {columns}".removesuffix(": "), 1).strip("'\"")
    if is_dataclass(value):
        return f"{kind}(...)"
    text = " ".join(_SHORT.repr(value).split())  # of several texts each is short, and yet all may be long
    return text if len(text) <= _LINE else f"{text[:_LINE // 2]}...{text[-_LINE // 2:]}"
