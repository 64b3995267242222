"""The catalogue: items, what role each fills, how it is packed, and when it is used up."""

from __future__ import annotations

import csv

import numpy as np
import pandas as pd

from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.source import Source
from kitplan.read.tables import TableReader, raw_table, report_headers
from kitplan.resources import config_file

SCOPES = ("event", "patient", "unit")
EMERGENCY_ROLES = ("mask", "bag")
"""Roles that are emergency equipment whatever the catalogue says: domain caution, common practice."""


def read_items(source: Source, findings: Findings) -> tuple[str, pd.DataFrame]:
    """Return the file's name and the catalogue in its own order; faults are noted.

    The frame has the columns of values.Unit.items plus provenance. A row with a fault stays in, its unreadable
    cells at their defaults, so that other tables are not blamed for naming its item.
    """
    known = source.columns("items")
    grid = source.table("items", known)
    if grid is None:
        if source.has_table("items"):
            return "items", pd.DataFrame(columns=list(known))
        grid = source.shipped_table("items", known)
    raw = raw_table(grid, known, findings) if grid is not None else None
    if raw is None or not report_headers(raw, findings):
        return "items" if grid is None else grid.name, pd.DataFrame(columns=list(known))
    reader = TableReader(raw, findings)
    own = not raw.name.startswith("config/")
    frame = _columns(reader, own)
    _check_together(reader, frame)
    _check_emergency(reader, frame)
    if len(raw) == 0:
        findings.fault(raw.name, "has no rows", "Add one row an item.")
    return raw.name, frame.astype({"pack": int})


def invented_prices(items: pd.DataFrame) -> list[str]:
    """Items whose price is still the invented one of the shipped catalogue, or is marked invented where it stands."""
    with config_file("items.csv").open(encoding="utf-8", newline="") as lines:
        shipped = {row["item"]: float(row["price"]) for row in csv.DictReader(lines)}
    return [str(item) for item, price, ground in zip(items["item"], items["price"], items["provenance"])
            if "invented" in ground and shipped.get(str(item), price) == price]


def _columns(reader: TableReader, own: bool) -> pd.DataFrame:
    frame = pd.DataFrame({"item": reader.texts("item")})
    frame["description"] = reader.texts("description")
    frame["role"] = [key_of(r) for r in reader.texts("role")]
    frame["contains"] = reader.numbers("contains", over=0, default=1)
    frame["use_unit"] = reader.texts("use_unit", "piece")
    frame["scope"] = [s.casefold() for s in reader.texts("scope")]
    frame["pack"] = reader.numbers("pack", low=1, high=1e6, default=1).astype(float)
    frame["price"] = reader.numbers("price", low=0, high=1e7, default=0)
    frame["litres"] = reader.numbers("litres", low=0, high=1e5, default=0)
    for name in ("fits_from_mm", "fits_to_mm"):
        frame[name] = reader.numbers(name, low=0, high=30)
    for name in ("min_bedside", "min_stock"):
        frame[name] = reader.numbers(name, low=0, high=1e6, default=0)
    frame["critical"] = reader.flags("critical")
    frame["shelf_life_days"] = reader.numbers("shelf_life_days", over=0, high=36_600)
    frame["gtin"] = reader.gtins("gtin")
    for name in ("width_mm", "length_mm"):
        frame[name] = reader.numbers(name, over=0, high=1e6)
    frame["share"] = reader.numbers("share", over=0, high=1)
    frame["bin"] = reader.texts("bin")
    frame["provenance"] = reader.texts("provenance", "this unit's own catalogue" if own else "no source given")
    frame["description"] = frame["description"].where(frame["description"] != "", frame["item"])
    return frame


def _check_together(reader: TableReader, frame: pd.DataFrame) -> None:
    names = frame["item"].map(key_of)
    reader.refuse("item", (names.duplicated() & (names != "")).to_numpy(), frame["item"].to_numpy(),
                  "is a second item of that name", "Give each item a name of its own, or delete the row.")
    for scope in frame["scope"].unique():
        if scope and scope not in SCOPES:
            reader.refuse("scope", (frame["scope"] == scope).to_numpy(), frame["scope"].to_numpy(),
                          "is not a scope", suggestion(scope, SCOPES))
    reader.refuse("fits_to_mm", (frame["fits_to_mm"] < frame["fits_from_mm"]).to_numpy(),
                  frame["fits_to_mm"].to_numpy(), "is smaller than fits_from_mm", "Exchange the two sizes.")
    tape = frame["role"] == "tape"
    for name in ("width_mm", "length_mm"):
        reader.refuse(name, (tape & frame[name].isna()).to_numpy(), None, "is empty for a tape",
                      "Give the roll's width and length in mm: pieces are counted from them.")
    apart = tape & (frame["use_unit"].map(key_of) == "mm") & ((frame["contains"] - frame["length_mm"]).abs() > 0.5)
    reader.doubt("contains", apart.to_numpy(), frame["contains"].to_numpy(), "is not the length_mm of the same roll",
                 "Correct one of them: pieces are counted from length_mm.")
    cut = tape | ((frame["role"] == "barrier") & frame["width_mm"].notna() & frame["length_mm"].notna())
    shared = cut & frame["scope"].isin(SCOPES) & (frame["scope"] != "patient")
    reader.refuse("scope", shared.to_numpy(), frame["scope"].to_numpy(), "is the scope of what pieces are cut from",
                  "A roll or sheet is cut for one patient: write patient. Ready-cut pieces are a role of their own.")
    gtins = frame["gtin"]
    reader.doubt("gtin", (gtins.duplicated() & (gtins != "")).to_numpy(), gtins.to_numpy(),
                 "is the number of another item too", "Correct one of them, or labels will be confused.")
    free = (frame["price"] == 0).to_numpy() & ~reader.bad
    reader.doubt("price", free, None, "is zero: the plan holds it for nothing", "Give the price of one pack.",
                 moves=2)
    _check_shares(reader, frame)


def _check_shares(reader: TableReader, frame: pd.DataFrame) -> None:
    beside = frame["share"] < 1
    reader.refuse("scope", (beside & frame["scope"].isin(SCOPES) & (frame["scope"] != "event")).to_numpy(),
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


def _check_emergency(reader: TableReader, frame: pd.DataFrame) -> None:
    emergency = frame["role"].isin(EMERGENCY_ROLES)
    denied = (emergency & ~frame["critical"]).to_numpy()
    if reader.has("critical"):
        reader.doubt("critical", denied, None, "is emergency equipment and is treated as critical", "Write yes.")
    frame.loc[emergency, "critical"] = True
    astray = emergency & frame["scope"].isin(SCOPES) & (frame["scope"] != "patient")
    reader.refuse("scope", astray.to_numpy(), frame["scope"].to_numpy(), "is the scope of emergency equipment",
                  "Every airway is given its own: write patient.")


def fits(items: pd.DataFrame, tube_mm: float) -> np.ndarray:
    """True for the items that fit a tube size, shape (n_items,); an empty limit fits every size."""
    low, high = items["fits_from_mm"].to_numpy(float), items["fits_to_mm"].to_numpy(float)
    return (np.isnan(low) | (low <= tube_mm + 1e-9)) & (np.isnan(high) | (high >= tube_mm - 1e-9))
