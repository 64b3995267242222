"""Routes: on what scale a device's size stands, what emergency equipment its bedside holds, and the words for it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.blocks import keys_of, read_block
from kitplan.read.cells import Bad
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.tables import TableReader
from kitplan.read.values import Route

SIZE_COLUMNS = ["size", "scale", "size_number", "patient_number", "tube_mm"]
"""What a route and a written size become; see values.Unit.strata."""

_UNITS = {"": "", "mm": "mm", "fr": "Fr", "french": "Fr", "f": "Fr", "ch": "Fr", "charriere": "Fr"}
_MEASURE = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*([a-z]*)\.?\s*\Z", re.IGNORECASE)
_MOST = {"mm": 50.0, "Fr": 60.0}


@dataclass(frozen=True)
class Size:
    """A size on its route's scale. text: with its unit. number: millimetres, French, or the place among the names."""

    text: str
    scale: str
    number: float


def read_routes(file: str, own: Mapping[str, Any], shipped: Mapping[str, Any], findings: Findings) -> dict[str, Route]:
    """Return every route that a recipe file describes; shipped: those that stand where it is silent."""
    found = {key_of(name): _route("config/techniques.toml", key_of(name), b, findings) for name, b in shipped.items()}
    for name, block in own.items():
        if isinstance(block, Mapping):
            _doubt_words(file, key_of(name), block, shipped, findings)
            known = shipped.get(key_of(name), {}).get("alias", [])
            found[key_of(name)] = _route(file, key_of(name), {"alias": known, **block}, findings)
        else:
            findings.fault(file, "is not a block", f"Begin it with [route.{name}].", column=f"route.{name}")
    return found


def _route(file: str, name: str, block: Mapping[str, Any], findings: Findings) -> Route:
    where = f"route.{name}"
    given = read_block(file, where, block, keys_of("route"), findings)
    scale, sizes = _scale(file, where, given.pop("scale"), findings)
    for one, many in (("one", "many"), ("act", "acts")):
        if one in given:
            given.setdefault(many, f"{given[one]}s")
    given["alias"] = tuple(given.get("alias", ()))
    if "emergency" in given:
        given["emergency"] = tuple(key_of(role) for role in given["emergency"])
    elif "emergency" not in block:
        findings.warn(file, "says nothing of emergency equipment: a mask and a bag are planned for each bedside",
                      'Write emergency = ["mask", "bag"], or emergency = [] where your policy keeps none.',
                      column=where, moves=2)
    return Route(name, scale, sizes, **given)


def _doubt_words(
    file: str, name: str, block: Mapping[str, Any], shipped: Mapping[str, Any], findings: Findings
) -> None:
    """Question a new route without words of its own: prints would call whatever it is a tube and an airway."""
    if name not in {key_of(known) for known in shipped} and not {"one", "device"} & set(block):
        findings.warn(file, f"has no words of its own: prints call it {Route.one}, {Route.device} and {Route.act}",
                      'Write one (what is counted), device (what goes in) and act (the work), as in: one = "feeding '
                      'tube", device = "feeding tube", act = "re-fix".', column=f"route.{name}", moves=0)


def _scale(file: str, where: str, value: Any, findings: Findings) -> tuple[str, tuple[str, ...]]:
    named = isinstance(value, list) and value and all(isinstance(v, str) and v.strip() for v in value)
    if named and len({key_of(v) for v in value}) == len(value):
        return "/".join(v.strip() for v in value), tuple(v.strip() for v in value)
    folded = str(value).casefold()
    scale = "none" if folded == "none" else _UNITS.get(folded, "")
    if not scale or isinstance(value, list):
        findings.fault(file, "is not a scale of sizes",
                       'Write "mm" (internal diameter), "Fr" (French), "none", or the names, smallest first: '
                       '["small", "large"].', column=f"{where}.scale", value=value)
    return scale or "mm", ()


def measure(written: str) -> tuple[float, str] | None:
    """A number and its unit ("mm", "Fr" or ""), or None where the text is not one: "8 Fr", "CH 8", "3,5 mm"."""
    turned = re.sub(r"\A\s*([a-z]+)\.?\s*([\d.,]+)\s*\Z", r"\2 \1", written, flags=re.IGNORECASE)
    found = _MEASURE.match(turned)
    if found is None or found[2].casefold() not in _UNITS:
        return None
    return float(found[1].replace(",", ".")), _UNITS[found[2].casefold()]


def size_of(route: Route, tube_mm: float, written: str) -> Size | Bad:
    """The size of a device, from millimetres or from what is written, or what is wrong with it."""
    given = written or ("" if np.isnan(tube_mm) else f"{tube_mm:g} mm")
    if route.scale == "none":
        return Size("", "none", 0.0) if not given else Bad(
            f"is a size, and the route {route.name} has none",
            f"Leave it empty, or give the route a scale: [route.{route.name}] in techniques.toml.")
    if not given:
        column = "tube_mm" if route.scale == "mm" else "size"
        return Bad(f"is empty: the route {route.name} has sizes", f"Fill in {column}, or delete the row.")
    if route.sizes:
        places = {key_of(name): k for k, name in enumerate(route.sizes)}
        at = places.get(key_of(given))
        return Size(route.sizes[at], route.scale, float(at)) if at is not None else Bad(
            f"is not a size of the route {route.name}", suggestion(given, route.sizes))
    read = measure(given)
    if read is None or not 0 < read[0] <= _MOST[route.scale]:
        return Bad(f"is not a size in {route.scale}", f"Write it as {'3.5' if route.scale == 'mm' else '8 Fr'}.")
    number, unit = read
    if unit not in ("", route.scale):
        return Bad(f"is a size in {unit}, and sizes of the route {route.name} are in {route.scale}",
                   f"Give it in {route.scale}, or change the route's scale in techniques.toml.")
    return Size(f"{number} mm" if route.scale == "mm" else f"{number:g} {route.scale}", route.scale, number)


def read_sizes(
    reader: TableReader, route: pd.Series, routes: Mapping[str, Route], cuff: tuple[float, float],
    needed: np.ndarray | None = None,
) -> pd.DataFrame:
    """Return SIZE_COLUMNS for every row of a table with tube_mm, size and cuffed; faults are noted.

    cuff: how far a cuff moves the patient that a size in mm stands for, and up to which size. needed: rows that must
    have a size (all where None).
    """
    mm, written = reader.numbers("tube_mm"), reader.texts("size")
    cuffed = np.where(reader.given("cuffed"), np.where(reader.flags("cuffed"), "cuffed", "uncuffed"), "")
    reader.refuse("size", ~np.isnan(mm) & (written != ""), written, "is a second size beside tube_mm",
                  "Keep one of the two.")
    rows = pd.DataFrame({"route": route.to_numpy(), "mm": mm, "written": written, "cuffed": cuffed})
    known = rows["route"].isin(list(routes)).to_numpy() & ~reader.bad
    codes = rows.groupby(["route", "mm", "written", "cuffed"], dropna=False, sort=False).ngroup().to_numpy()
    firsts = np.unique(codes, return_index=True)[1]
    values: list[tuple[str, str, float, float, float]] = []
    wrong: dict[tuple[str, Bad], list[int]] = {}
    for code, first in enumerate(firsts):
        size = size_of(routes[route.iloc[first]], mm[first], written[first]) if known[first] else Size("", "mm", np.nan)
        if isinstance(size, Bad):
            given = "size" if written[first] else "" if np.isnan(mm[first]) else "tube_mm"
            wrong.setdefault((given, size), []).append(code)
            size = Size("", "mm", np.nan)
        values.append(size_values(size, cuffed[first], cuff))
    for (given, bad), where in wrong.items():
        column = "tube_mm" if "tube_mm" in reader.raw.columns and given != "size" else "size"
        rows_wrong = np.isin(codes, where) & (needed if needed is not None else True) & known
        reader.refuse(column, rows_wrong, {"size": written, "tube_mm": mm}.get(given), bad.fault, bad.mend)
    return pd.DataFrame(values, columns=SIZE_COLUMNS).iloc[codes].reset_index(drop=True)


def size_values(size: Size, cuffed: str, cuff: tuple[float, float]) -> tuple[str, str, float, float, float]:
    """SIZE_COLUMNS of one size. cuffed: "cuffed", "uncuffed" or "" (not known)."""
    in_mm = size.scale == "mm"
    moved = cuff[0] if in_mm and cuffed == "cuffed" and size.number <= cuff[1] + 1e-9 else 0.0
    text = f"{size.text} {cuffed}".strip() if in_mm else size.text
    return text, size.scale, size.number, size.number + moved, size.number if in_mm else np.nan
