"""The catalogue: items, what role each fills, how it is packed, and when it is used up."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.cells import Bad
from kitplan.read.columns import columns_of
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.pack_code import same_trade_number
from kitplan.read.routes import measure
from kitplan.read.source import Source
from kitplan.read.tables import TableReader, read_table
from kitplan.read.values import SPARE_TUBE_ROLE, BedsidePolicy, Route
from kitplan.resources import config_rows

FIT_COLUMNS = ("fits_scale", "fits_from", "fits_to")
"""What an item fits, as numbers on the scale of a route: beside the columns of the table itself."""
_STERILE = r"(?<!non)(?<!non[ -])(?<!un)\bsterile"


def read_items(
    source: Source, findings: Findings, routes: Mapping[str, Route], bedside: BedsidePolicy
) -> tuple[str, pd.DataFrame]:
    """Return the file's name and the catalogue in its own order; faults are noted.

    The frame has the columns of values.Unit.items plus provenance. A row with a fault stays in, its unreadable
    cells at their defaults, so that other tables are not blamed for naming its item. Where the bedside policy or a
    route asks for them, the shipped generic rows follow, of every role and size that the unit's own rows do not hold.
    """
    emergency = {role for route in routes.values() for role in route.emergency}
    emergency |= {SPARE_TUBE_ROLE} if bedside.wants_spare_tubes else set()
    name, frame = _read_items("items", source, findings, routes, emergency)
    if SPARE_TUBE_ROLE in emergency and len(frame):
        _, more = _read_items("more_equipment", source, findings, routes, emergency)
        wanted = more if bedside.more_equipment else more[more["role"] == SPARE_TUBE_ROLE]
        frame = pd.concat([frame, _unheld(frame, wanted, routes)], ignore_index=True)
    return name, frame


def _read_items(
    table: str, source: Source, findings: Findings, routes: Mapping[str, Route], emergency: set[str]
) -> tuple[str, pd.DataFrame]:
    name, reader = read_table(table, source, findings, "items")
    if reader is None:
        return name, pd.DataFrame(columns=[*columns_of("items"), *FIT_COLUMNS])
    frame = _columns(reader, not name.startswith("config/"))
    frame["routes"] = _route_names(reader, frame["routes"], routes)
    frame = frame.assign(**_fits(reader, frame, routes))
    _check_together(reader, frame)
    _check_emergency(reader, frame, emergency)
    told = frame["description"].astype(str).str.extract(r"\b(?:box|bag|pack) of (\d+)\b")[0].astype(float)
    reader.doubt("pack", (told.notna() & (told != frame["pack"]) & (told != frame["contains"])).to_numpy(),
                 frame["description"].to_numpy(), "is another number than the description says, which labels and cards "
                 "print beside it", "Correct the description, or the pack.", moves=2)
    if not len(frame):
        findings.fault(name, "has no rows", "Add one row an item.")
    return name, frame.drop(columns=["size_from", "size_to"]).astype({"pack": int})


def _unheld(own: pd.DataFrame, wanted: pd.DataFrame, routes: Mapping[str, Route]) -> pd.DataFrame:
    """The wanted rows of whose role no own row fits a size too; where own rows are for some routes, for the others."""
    pairs = wanted.reset_index().merge(own, on="role", suffixes=("", "_own"))
    any_size = (pairs["fits_scale"] == "") | (pairs["fits_scale_own"] == "")
    apart = (pairs["fits_from_own"] > pairs["fits_to"]) | (pairs["fits_to_own"] < pairs["fits_from"])
    same = any_size | ((pairs["fits_scale"] == pairs["fits_scale_own"]) & ~apart)
    held = pairs[same].groupby("index")["routes_own"].agg(lambda names: ";".join(names) if all(names) else "")
    left = held.map(lambda names: ";".join(name for name in routes if names and name not in names.split(";")))
    rest = wanted[~wanted.index.isin(left.index[left == ""])]
    return rest.assign(routes=[left.get(k, "") for k in rest.index])


def invented_prices(items: pd.DataFrame) -> list[str]:
    """Items whose price is still the invented one of the shipped catalogue, or is marked invented where it stands."""
    shipped = {row["item"]: float(row["price"]) for row in config_rows("items.csv")}
    return [str(item) for item, price, ground in zip(items["item"], items["price"], items["provenance"])
            if "invented" in ground and shipped.get(str(item), price) == price]


def _columns(reader: TableReader, own: bool) -> pd.DataFrame:
    frame = reader.frame().fillna({"pack": 1, "price": 0, "litres": 0})
    frame["role"] = frame["role"].map(key_of)
    # Where a row does not say, it is sized to what the shipped rows of its role are: a spare tube to the tube.
    to_tube = {row["role"] for row in config_rows("more_equipment.csv") if row["sized_to"] == "tube"}
    frame.loc[(reader.texts("sized_to", "") == "") & frame["role"].isin(to_tube), "sized_to"] = "tube"
    # A catalogue without the column is read on the safe side.
    frame["sterile"] |= frame["description"].str.contains(_STERILE, case=False).to_numpy(bool)
    word = np.where(frame["contains"] == 1, frame["use_unit"], np.where(frame["use_unit"] == "mm", "roll", "item"))
    frame["counted_as"] = frame["counted_as"].where(frame["counted_as"] != "", word)
    frame["provenance"] = reader.texts("provenance", "this unit's own catalogue" if own else "no source given")
    frame["description"] = frame["description"].where(frame["description"] != "", frame["item"])
    return frame


def _route_names(reader: TableReader, written: pd.Series, routes: Mapping[str, Route]) -> pd.Series:
    """The routes that each row is for, with ; between, as they are called in techniques.toml; "" serves every route."""
    words = {key_of(word): name for name, route in routes.items() for word in (name, *route.alias)}
    keys = written.str.split("[;,/]", regex=True).map(lambda texts: [key_of(text) for text in texts if text.strip()])
    strange = keys.map(lambda own: next((key for key in own if key not in words), ""))
    reader.refuse_strangers("routes", strange.to_numpy(), list(routes), "is not a route that techniques.toml describes")
    return keys.map(lambda own: ";".join(words.get(key, key) for key in own))


def _check_together(reader: TableReader, frame: pd.DataFrame) -> None:
    reader.refuse_repeats("item", frame["item"].map(key_of), "is a second item of that name",
                          "Give each item a name of its own, or delete the row.")
    column = "fits_to_mm" if frame["fits_to_mm"].notna().any() else "size_to"
    reader.refuse(column, (frame["fits_to"] < frame["fits_from"]).to_numpy(),
                  frame["fits_to"].to_numpy(), "is smaller than the size it fits from", "Exchange the two sizes.")
    tape = frame["role"] == "tape"
    for name in ("width_mm", "length_mm"):
        reader.refuse(name, (tape & frame[name].isna()).to_numpy(), None, "is empty for a tape",
                      "Give the roll's width and length in mm: pieces are counted from them.")
    apart = tape & (frame["use_unit"].map(key_of) == "mm") & ((frame["contains"] - frame["length_mm"]).abs() > 0.5)
    reader.doubt("contains", apart.to_numpy(), frame["contains"].to_numpy(), "is not the length_mm of the same roll",
                 "Correct one of them: pieces are counted from length_mm.")
    cut = tape | ((frame["role"] == "barrier") & frame["width_mm"].notna() & frame["length_mm"].notna())
    shared = cut & ~frame["scope"].isin(["patient", ""])
    reader.refuse("scope", shared.to_numpy(), frame["scope"].to_numpy(), "is the scope of what pieces are cut from",
                  "A roll or sheet is cut for one patient: write patient. Ready-cut pieces are a role of their own.")
    for name, what in (("gtin", "number"), ("bin", "bin")):
        keys = frame[name].map(key_of)
        reader.doubt(name, (keys.duplicated() & (keys != "")).to_numpy(), frame[name].to_numpy(),
                     f"is the {what} of another item too", "Correct one of them, or labels will be confused.")
    free = (frame["price"] == 0).to_numpy() & ~reader.bad
    reader.doubt("price", free, None, "is zero: the plan holds it for nothing", "Give the price of one pack.",
                 moves=2)
    _check_shares(reader, frame)


def _check_shares(reader: TableReader, frame: pd.DataFrame) -> None:
    beside = frame["share"] < 1
    reader.refuse("scope", (beside & ~frame["scope"].isin(["event", ""])).to_numpy(),
                  frame["scope"].to_numpy(), "is the scope of an item with a share",
                  "Items used side by side are counted use by use: write scope event, and in pack how many make a box.")
    reader.refuse("contains", (beside & (frame["contains"] != 1)).to_numpy(), frame["contains"].to_numpy(),
                  "is the content of an item with a share",
                  "Items used side by side are counted use by use: write contains 1 (one pair), and the box as pack.")
    for role, group in frame[frame["share"].notna()].groupby("role"):
        if role and abs(group["share"].sum() - 1) > 0.01:
            mask = np.zeros(len(frame), dtype=bool)
            mask[group.index[0]] = True
            reader.refuse("share", mask, None, f"of the items of role {role} adds up to {group['share'].sum():g}",
                          "Make the shares of a role add up to 1.")


def _fits(reader: TableReader, frame: pd.DataFrame, routes: Mapping[str, Route]) -> dict[str, list[object]]:
    """fits_scale, fits_from, fits_to: what an item fits, as numbers on the scale of a route ("" fits any size)."""
    scales = {route.scale: route.sizes for route in routes.values() if route.sizes}
    rows: list[tuple[str, float, float]] = []
    texts = {c: frame[c].to_numpy() for c in ("size_from", "size_to")}
    for k in range(len(frame)):
        in_mm = frame["fits_from_mm"].iat[k], frame["fits_to_mm"].iat[k]
        read = [_fit(texts[c][k], scales) for c in texts]
        bad = next((r for r in read if isinstance(r, Bad)), None)
        found = {r[0] for r in read if not isinstance(r, Bad)} | {"mm" if any(v == v for v in in_mm) else ""}
        found -= {""}
        if bad is None and len(found) > 1:
            bad = Bad("is a size in two scales", "Keep one: fits_from_mm and fits_to_mm, or size_from and size_to.")
        if bad is not None:
            mask = np.arange(len(frame)) == k
            reader.refuse("size_from" if texts["size_from"][k] else "size_to", mask,
                          np.where(texts["size_from"] == "", texts["size_to"], texts["size_from"]), bad.fault, bad.mend)
            rows.append(("", np.nan, np.nan))
            continue
        low, high = (own if own == own else r[1] for own, r in zip(in_mm, read))  # type: ignore[index]
        rows.append((next(iter(found), ""), float(low), float(high)))
    return {name: [row[k] for row in rows] for k, name in enumerate(FIT_COLUMNS)}


def _fit(written: str, scales: Mapping[str, tuple[str, ...]]) -> tuple[str, float] | Bad:
    """(scale, number) of one end of what an item fits; ("", NaN) where nothing is written."""
    if not written:
        return "", float("nan")
    key = key_of(written)
    named = [(scale, float(k)) for scale, sizes in scales.items() for k, s in enumerate(sizes) if key_of(s) == key]
    if len(named) == 1:
        return named[0]
    if named:
        return Bad("is a size of two routes with other names beside it", "Give the routes one list of sizes.")
    read = measure(written)
    if read is None:
        return Bad("is not a size", suggestion(written, [s for sizes in scales.values() for s in sizes] or ["8 Fr"]))
    if not read[1]:
        return Bad("names no scale", f"Write it as {read[0]:g} Fr; millimetres belong in fits_from_mm and fits_to_mm.")
    return read[1], read[0]


def _check_emergency(reader: TableReader, frame: pd.DataFrame, roles: set[str]) -> None:
    emergency = frame["role"].isin(roles)
    denied = (emergency & ~frame["critical"]).to_numpy()
    if reader.has("critical") and not reader.name.startswith("config/"):
        reader.doubt("critical", denied, None, "is emergency equipment and is treated as critical", "Write yes.")
    frame.loc[emergency, "critical"] = True
    astray = emergency & ~frame["scope"].isin(["patient", ""])
    reader.refuse("scope", astray.to_numpy(), frame["scope"].to_numpy(), "is the scope of emergency equipment",
                  "Every airway is given its own: write patient.")


def items_meant(items: pd.DataFrame) -> Callable[[str], set[str]]:
    """Which items a text may mean. An item's own name comes before another's description or alias."""
    meant: dict[str, set[str]] = {}
    for name, description, gtin, alias in zip(items["item"], items["description"], items["gtin"], items["alias"]):
        number = [same_trade_number(str(gtin))] if gtin else []
        for text in (key_of(description), *number, *map(key_of, str(alias).split(";"))):
            meant.setdefault(text, set()).add(str(name))
    meant |= {key_of(name): {str(name)} for name in items["item"]}
    meant.pop("", None)
    return lambda text: meant.get(key_of(text)) or meant.get(same_trade_number(text)) or set()


def items_named(reader: TableReader, written: np.ndarray, items: pd.DataFrame) -> np.ndarray:
    """The catalogue's item of each row, "" for none; a stranger, or what may be more than one, is refused."""
    meant = items_meant(items)
    found = [meant(text) for text in written]
    strange = np.array(["" if names else text for text, names in zip(written, found)], dtype=object)
    reader.refuse_strangers("item", strange, list(items["item"]), "is not an item of the catalogue", written)
    reader.refuse("item", np.array([len(names) > 1 for names in found], dtype=bool), written,
                  "may be more than one item", "Write the item's name as in items.csv.")
    return np.array([next(iter(names)) if len(names) == 1 else "" for names in found], dtype=object)


def size_for(item: Mapping[Any, Any], airway: Mapping[str, Any]) -> float:
    """The size that an item's limits are compared with: the tube's own, or that of the patient it stands for."""
    return float(airway["size_number" if item["sized_to"] == "tube" else "patient_number"])


def item_fits(item: Mapping[Any, Any], airway: Mapping[str, Any], slack: float = 0.0) -> bool:
    """Whether a catalogue row fits one kind of airway; one without limits fits every size.

    airway: its route and SIZE_COLUMNS. slack: how far outside its limits an item still counts.
    """
    if item["routes"] and airway["route"] not in item["routes"].split(";"):
        return False
    if not item["fits_scale"]:
        return True
    size = size_for(item, airway)
    low, high = item["fits_from"] - slack, item["fits_to"] + slack
    return item["fits_scale"] == airway["scale"] and not low > size + 1e-9 and not high < size - 1e-9


def marked(name: str, critical: bool) -> str:
    """A name as sheets and prints say it: EM stands before emergency equipment."""
    return f"EM  {name}" if critical else name


def spoken_names(items: pd.DataFrame) -> dict[str, str]:
    """Item -> its description as sheets and prints say it."""
    return {r.item: marked(r.description, r.critical) for r in items.itertuples(index=False)}


def in_words(spoken: Mapping[str, str]) -> Callable[[str], str]:
    """A sentence with the items' names for people in place of their keys. spoken: key -> name."""
    keys = re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, sorted(spoken, key=len, reverse=True)))})(?!\w)")
    return lambda text: keys.sub(lambda key: spoken[key[0]], text)


def shelf_key(bin_name: str) -> tuple[Any, ...]:
    """Sort key of a bin, in the order in which a person walks past them: A2 before A10, items without a bin last."""
    parts = re.split(r"(\d+)", bin_name.strip().casefold())
    return (not bin_name.strip(), *((0, int(p), "") if p.isdigit() else (1, 0, p) for p in parts))


def unequipped(
    items: Sequence[Mapping[Any, Any]], airways: Iterable[Mapping[Any, Any]], roles_of: Mapping[str, Sequence[str]]
) -> dict[str, list[str]]:
    """Role -> labels of the airways that no item of it fits; items, airways: their rows; roles_of: emergency roles by
    route.
    """
    bare: dict[str, list[str]] = {}
    for airway in airways:
        filled = {item["role"] for item in items if item_fits(item, airway)}
        for role in roles_of[airway["route"]]:
            if role not in filled:
                bare.setdefault(role, []).append(str(airway["label"]))
    return bare
