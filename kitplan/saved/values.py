"""Values of kitplan as a zip of JSON text and .npy arrays, and back: exact, the same bytes each time, nothing executed.

A value is a frozen dataclass of kitplan, or is made of these and of nothing else: numbers, text, days, tuples, lists,
mappings, arrays, frames and their series, each with a plain index. In JSON each is itself where JSON has it, else an
object of one tag. Classes are looked up by name among kitplan's own dataclasses and no others, so that a file
from elsewhere can build nothing else.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

LONG = 200
"""Arrays of more numbers than this are .npy members of the zip; shorter ones are lists in the text."""

MOST_BYTES = 2_000_000_000
"""A zip that unpacks to more than this is refused."""

_MOMENT = (1980, 1, 1, 0, 0, 0)


class Damaged(ValueError):
    """The file is not what `packed` writes, or was written by another version."""


def packed(values: Mapping[str, object]) -> bytes:
    """Values by name as one zip."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as file:
        for name, value in values.items():
            arrays: list[np.ndarray] = []
            text = json.dumps(_plain(value, arrays), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
            _add(file, f"{name}.json", text.encode())
            for number, array in enumerate(arrays):
                held = io.BytesIO()
                np.lib.format.write_array(held, array, allow_pickle=False)
                _add(file, f"{name}.{number}.npy", held.getvalue())
    return buffer.getvalue()


def _add(file: zipfile.ZipFile, name: str, content: bytes) -> None:
    member = zipfile.ZipInfo(name, _MOMENT)
    member.create_system, member.compress_type = 3, zipfile.ZIP_DEFLATED
    file.writestr(member, content, compresslevel=1)


class Packed:
    """A zip that `packed` wrote; each value is read when it is asked for. Raises Damaged."""

    def __init__(self, content: bytes) -> None:
        self._content = content
        try:
            self._file = zipfile.ZipFile(io.BytesIO(content))
            if sum(member.file_size for member in self._file.infolist()) > MOST_BYTES:
                raise Damaged("unpacked it is larger than any plan")
        except Exception as error:  # as in `value`: bytes that are no zip raise of every kind
            raise Damaged(str(error)) from error

    def __reduce__(self) -> tuple[type[Packed], tuple[bytes]]:
        return Packed, (self._content,)

    def value(self, name: str) -> Any:
        try:
            text = json.loads(self._file.read(f"{name}.json"))
            return _value(text, lambda number: np.lib.format.read_array(
                io.BytesIO(self._file.read(f"{name}.{number}.npy")), allow_pickle=False))
        except Damaged:
            raise
        except Exception as error:  # spoilt bytes make zlib, JSON, NumPy and pandas raise of every kind
            raise Damaged(f"{name}: {error}") from error


def _plain(value: Any, arrays: list[np.ndarray]) -> Any:
    """A value as JSON has it; long arrays are appended to `arrays` and named by their place."""
    if value is None or isinstance(value, bool | str | int):
        return str(value) if isinstance(value, str) else value
    if isinstance(value, float):
        return float(value) if np.isfinite(value) else {"float": repr(float(value))}
    if isinstance(value, np.generic):
        return _plain(value.item(), arrays)
    if is_dataclass(value):
        kind = type(value)
        held = {name: _plain(getattr(value, name), arrays) for name in _kept(kind)}
        return {"is": f"{kind.__module__}:{kind.__qualname__}", "of": held}
    if type(value) is date:
        return {"date": value.isoformat()}
    for kind, tag, write, _ in _CODECS:
        if isinstance(value, kind):
            return {tag: write(value, arrays)}
    raise TypeError(f"a {type(value).__name__} cannot be saved: a result holds frames, arrays, numbers and text alone")


def _each(values: Any, arrays: list[np.ndarray]) -> list[Any]:
    return [_plain(v, arrays) for v in values]


def _pairs(value: Mapping[Any, Any], arrays: list[np.ndarray]) -> list[Any]:
    return [[_plain(k, arrays), _plain(v, arrays)] for k, v in value.items()]


def _array_text(value: np.ndarray, arrays: list[np.ndarray]) -> Any:
    """[dtype, shape, values]; values are the number of a member where there are many, texts one by one."""
    if value.dtype.kind in "OUT":
        held = value.ravel().tolist()
        return ["O", list(value.shape), held if set(map(type, held)) <= {str} else _each(held, arrays)]
    if value.size > LONG:
        arrays.append(np.ascontiguousarray(value))
        return [value.dtype.str, list(value.shape), len(arrays) - 1]
    flat = value.ravel().view(np.int64) if value.dtype.kind in "Mm" else value.ravel()
    plain = flat.dtype.kind in "biu" or (flat.dtype == np.float64 and bool(np.isfinite(flat).all()))
    return [value.dtype.str, list(value.shape), flat.tolist() if plain else _each(flat.tolist(), arrays)]


def _series_text(value: pd.Series | pd.Index, arrays: list[np.ndarray]) -> Any:
    """[name, dtype of pandas or "", values]."""
    name = _plain(value.name, arrays)
    if isinstance(value.dtype, np.dtype):
        return [name, "", _array_text(value.to_numpy(), arrays)]
    return [name, str(value.dtype), _each([None if pd.isna(v) else v for v in value], arrays)]


def _index_text(value: pd.Index, arrays: list[np.ndarray]) -> Any:
    if isinstance(value, pd.RangeIndex):
        return {"range": [value.start, value.stop, value.step, _plain(value.name, arrays)]}
    if value.nlevels > 1:
        raise TypeError("an index of several levels cannot be saved: make columns of them")
    return _series_text(value, arrays)


def _frame_text(value: pd.DataFrame, arrays: list[np.ndarray]) -> Any:
    columns = [_series_text(value.iloc[:, k], arrays)[1:] for k in range(value.shape[1])]
    return [_index_text(value.index, arrays), _index_text(value.columns, arrays), columns]


def _value(text: Any, array: Callable[[int], np.ndarray]) -> Any:
    if not isinstance(text, dict):
        return text
    if "is" in text:
        return _built(text["is"], {k: _value(v, array) for k, v in text["of"].items()})
    (tag, held), = text.items()
    return _READERS[tag](held, array)


def _built(name: str, held: Mapping[str, Any]) -> Any:
    """A dataclass of kitplan with these fields, as it was: nothing is checked or computed again."""
    module, _, kind_name = name.partition(":")
    kind = getattr(import_module(module), kind_name, None) if module.startswith("kitplan.") else None
    if not isinstance(kind, type) or not is_dataclass(kind) or set(_kept(kind)) != set(held):
        raise Damaged(f"{name} is no value of this version")
    value = object.__new__(kind)
    for field in fields(kind):
        object.__setattr__(value, field.name, held.get(field.name, field.default))
    return value


def _kept(kind: Any) -> list[str]:
    """Fields of a dataclass that are kept; the others come back as their default."""
    return [f.name for f in fields(kind) if f.metadata.get("kept", True)]


def _array_of(held: Any, array: Callable[[int], np.ndarray]) -> np.ndarray:
    dtype, shape, values = held
    if isinstance(values, int):
        return array(values).reshape(shape)
    if dtype == "O":
        found = np.empty(len(values), dtype=object)
        found[:] = [_value(v, array) for v in values]
        return found.reshape(shape)
    plain = [_value(v, array) for v in values]
    if np.dtype(dtype).kind in "Mm":
        return np.array(plain, dtype=np.int64).view(dtype).reshape(shape)
    return np.array(plain, dtype=dtype).reshape(shape)


def _column_of(held: Any, array: Callable[[int], np.ndarray]) -> Any:
    dtype, values = held
    if dtype == "":
        return _array_of(values, array)
    return pd.array([_value(v, array) for v in values], dtype=dtype)


def _index_of(held: Any, array: Callable[[int], np.ndarray]) -> pd.Index:
    if isinstance(held, dict):
        start, stop, step, name = held["range"]
        return pd.RangeIndex(start, stop, step, name=_value(name, array))
    name, *rest = held
    values = _column_of(rest, array)
    return pd.Index(values, name=_value(name, array), dtype=_kind_of(values))


def _kind_of(values: Any) -> Any:
    """object for an array of objects, which pandas 3 would take for texts; else what the values say themselves."""
    return object if isinstance(values, np.ndarray) and values.dtype == object else None


def _as_kept(values: Any, index: pd.Index) -> pd.Series:
    return pd.Series(values, index=index, dtype=_kind_of(values))


def _frame_of(held: Any, array: Callable[[int], np.ndarray]) -> pd.DataFrame:
    rows, names, columns = held
    index = _index_of(rows, array)
    held_columns = {k: _as_kept(_column_of(column, array), index) for k, column in enumerate(columns)}
    frame = pd.DataFrame(held_columns, index=index)
    frame.columns = _index_of(names, array)
    return frame


def _series_of(held: Any, array: Callable[[int], np.ndarray]) -> pd.Series:
    rows, (name, *rest) = held
    return _as_kept(_column_of(rest, array), _index_of(rows, array)).rename(_value(name, array))


def _mapping_of(held: Any, array: Callable[[int], np.ndarray]) -> dict[Any, Any]:
    return {_value(k, array): _value(v, array) for k, v in held}


_Write = Callable[[Any, list[np.ndarray]], Any]
_Read = Callable[[Any, Callable[[int], np.ndarray]], Any]
_CODECS: tuple[tuple[Any, str, _Write, _Read], ...] = (
    (pd.DataFrame, "frame", _frame_text, _frame_of),
    (pd.Series, "series", lambda v, a: [_index_text(v.index, a), _series_text(v, a)], _series_of),
    (np.ndarray, "array", _array_text, _array_of),
    (tuple, "tuple", _each, lambda h, a: tuple(_value(v, a) for v in h)),
    (list, "list", _each, lambda h, a: [_value(v, a) for v in h]),
    (MappingProxyType, "view", _pairs, lambda h, a: MappingProxyType(_mapping_of(h, a))),
    (Mapping, "map", _pairs, _mapping_of),
    (Path, "path", lambda v, _: v.as_posix(), lambda h, _: Path(h)),
)
"""Kind, its tag, and how it is written and read."""
_READERS: dict[str, _Read] = {tag: read for _, tag, _, read in _CODECS} | {
    "float": lambda h, _: float(h), "date": lambda h, _: date.fromisoformat(h)}
