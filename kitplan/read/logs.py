"""What a unit has recorded: re-secures, stock issues, the par levels it holds, and what a count found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from kitplan.read.catalogue import items_named
from kitplan.read.census import CensusRows
from kitplan.read.findings import Findings
from kitplan.read.headers import RawTable, raw_table
from kitplan.read.routes import read_sizes
from kitplan.read.source import Source
from kitplan.read.strata import refuse_techniques, route_names, stratum_codes
from kitplan.read.tables import TableReader
from kitplan.read.techniques import Recipes, default_technique, technique_for
from kitplan.read.values import Technique

STOPS: Mapping[str, tuple[str, ...]] = {
    "resecure_log": ("rates", "forecast"), "stock_issues": ("forecast",), "present_par": ("audit",),
    "on_hand": ("count",), "prices": ("forecast",), "budget": ("forecast",),
}
"""Optional table -> the parts of the plan that a fault in it stops ("count": the order of the last count)."""


def raw_logs(
    source: Source, recipes: Recipes | None, findings: Findings, names: Iterable[str] | None = None
) -> dict[str, RawTable]:
    """Return the optional tables that are there, before their values are read. names: those wanted (default: all)."""
    found = {}
    for name in STOPS if names is None else names:
        known = source.columns(name)
        with findings.stopping(*STOPS[name]):
            grid = source.table(name, known)
            known = recipes.sized(known, grid) if recipes is not None and grid is not None else known
            raw = raw_table(grid, known, findings) if grid is not None else None
        if raw is not None and len(raw) == 0 and source.is_workbook:
            continue
        if raw is not None and len(raw) == 0:
            findings.warn(raw.name, "has no rows and is taken as not there", "Fill it in, or delete it.", moves=2)
        elif raw is not None:
            found[name] = raw
    return found


def read_present_par(reader: TableReader, items: pd.DataFrame) -> pd.DataFrame:
    """Return the par levels held today: item, par_packs (a level in single items is a number of packs and a part)."""
    frame = reader.frame().assign(item=items_named(reader, reader.texts("item"), items))
    reader.refuse_repeats("item", frame["item"], "stands twice", "Keep one row an item.")
    return frame[~reader.bad].reset_index(drop=True)


def read_on_hand(reader: TableReader, items: pd.DataFrame) -> pd.DataFrame:
    """Return a count: item, packs, loose_units, expires (datetime64), lot, and what else the table describes."""
    frame = reader.frame().assign(item=items_named(reader, reader.texts("item"), items))
    reader.refuse_repeats("item", frame[["item", "expires", "lot"]], "stands twice with the same lot and date",
                          "Add the counts up in one row, or give the lots.")
    return frame[~reader.bad].reset_index(drop=True)


def read_resecure_log(
    reader: TableReader, census: CensusRows, census_strata: np.ndarray, strata: pd.DataFrame, recipes: Recipes,
) -> pd.DataFrame:
    """Return the re-secure log: stratum (-1 unknown), airway, day (since the census' first day), date, reason.

    census_strata: stratum of each row of census.rows, shape (n,). A log row takes the stratum of the stay that
    its airway label and moment fall into; else that of its route and size.
    """
    moments, timed = reader.days("date")
    reader.refuse_future("date", moments)
    moments = _with_clock(reader, moments, timed)
    airway, reason = reader.texts("airway"), reader.texts("reason")
    keys = _keys(reader, strata, recipes, airway)
    known = moments[~np.isnat(moments)]
    first = known.min() if len(known) else np.datetime64("2000-01-01")
    origin = np.datetime64(census.first_day or first.astype("datetime64[D]"), "s")
    day = np.where(np.isnat(moments), np.nan, (moments - origin) / np.timedelta64(1, "D"))
    stratum = stratum_codes(keys, strata)
    if census.shape == "stays":
        stratum = _by_stay(airway, day, census.rows, census_strata, stratum)
    _doubt_strangers(reader, stratum, day, census)
    frame = pd.DataFrame({"stratum": stratum, "airway": airway, "day": day, "date": pd.to_datetime(moments).normalize(),
                          "reason": reason})
    repeated = frame.duplicated().to_numpy() & (airway != "") & ~reader.bad
    at_once = repeated & (timed | reader.given("time"))
    reader.doubt(None, at_once, None, "says the same as an earlier row, to the minute, and is taken as a copy of it",
                 "Nothing to do where exports overlap.")
    reader.doubt(None, repeated & ~at_once, None, "says the same as an earlier row", "Delete the row if it is a copy.")
    return frame[~reader.bad & ~at_once].sort_values("day", kind="stable", ignore_index=True)


def _with_clock(reader: TableReader, moments: np.ndarray, timed: np.ndarray) -> np.ndarray:
    """The moments with the time that stands beside a day without one."""
    seconds = reader.clocks("time")
    given = ~np.isnan(seconds) & ~timed & ~np.isnat(moments)
    midnights = moments.astype("datetime64[D]").astype("datetime64[s]")
    return np.where(given, midnights + np.nan_to_num(seconds).astype("timedelta64[s]"), moments)


def _keys(reader: TableReader, strata: pd.DataFrame, recipes: Recipes, airway: np.ndarray) -> pd.DataFrame:
    techniques = recipes.techniques
    frame = pd.DataFrame({"route": route_names(reader, recipes), "technique": reader.texts("technique"),
                          "skin": reader.texts("skin")})
    sized = reader.given("tube_mm") | reader.given("size")
    frame = frame.join(read_sizes(reader, frame["route"], recipes.routes, recipes.cuff, needed=sized))
    nameless = (airway == "") & ((frame["route"] == "") | frame["size_number"].isna()).to_numpy()
    reader.refuse("airway", nameless & ~reader.bad, None, "is empty, and so is route or tube_mm",
                  "Give the airway's label, or both route and tube_mm."
                  + ("" if "airway" in reader.raw.columns else " The table has no column airway: where a heading of "
                     'yours is it, write [columns.resecure_log] in unit.toml, and under it airway = "that heading".'))
    refuse_techniques(reader, frame["technique"].to_numpy(), recipes)
    asked = frame[["route", "size", "size_number", "technique", "skin"]]
    choices = asked.drop_duplicates()
    resolved = [_resolved(row, strata, techniques) for row in choices.to_dict("records")]
    told = pd.DataFrame(resolved, columns=["size_found", "technique_found", "skin_found"], index=choices.index)
    merged = asked.merge(choices.join(told), how="left", on=list(asked.columns))
    return merged[["route"]].assign(size=merged["size_found"], technique=merged["technique_found"],
                                    skin=merged["skin_found"])


def _resolved(
    row: Mapping[str, object], strata: pd.DataFrame, techniques: Mapping[str, Technique]
) -> tuple[str, str, str]:
    """Size, technique and skin of a log row: as written, else the census' only choice for it, else the default."""
    written, skin = str(row["technique"]), str(row["skin"])
    technique = (technique_for(written, techniques) or "") if written else ""
    near = np.isclose(strata["size_number"], row["size_number"])  # type: ignore[call-overload]
    same = strata[(strata["route"] == row["route"]) & near]
    same = same[same["size"] == row["size"]] if (same["size"] == row["size"]).any() else same
    if technique:
        same = same[same["technique"] == technique]
    if skin:
        same = same[same["skin"] == skin]
    if len(same) == 1:
        return str(same["size"].iloc[0]), str(same["technique"].iloc[0]), str(same["skin"].iloc[0])
    default = default_technique(str(row["route"]), techniques) or ""
    return str(row["size"]), technique or default, skin or "none"


def _by_stay(
    airway: np.ndarray, day: np.ndarray, stays: pd.DataFrame, stay_strata: np.ndarray, fallback: np.ndarray
) -> np.ndarray:
    """Stratum of the latest stay of that airway which began before the event and had not ended (an hour's grace)."""
    grace_days = 1.0 / 24
    rows = pd.DataFrame({"airway": airway, "day": day, "at": np.arange(len(day))})
    rows = rows[(rows["airway"] != "") & rows["day"].notna()].sort_values("day")
    known = pd.DataFrame({"airway": stays["airway"], "begins": np.floor(stays["start"]), "end": stays["end"],
                          "stratum": stay_strata}).sort_values("begins")
    found = pd.merge_asof(rows, known, left_on="day", right_on="begins", by="airway")
    inside = found["stratum"].notna() & (found["end"].isna() | (np.ceil(found["end"]) + grace_days >= found["day"]))
    strata = fallback.copy()
    strata[found.loc[inside, "at"].to_numpy()] = found.loc[inside, "stratum"].to_numpy(int)
    return strata


def _doubt_strangers(reader: TableReader, stratum: np.ndarray, day: np.ndarray, census: CensusRows) -> None:
    reader.doubt(None, (stratum < 0) & ~reader.bad, None,
                 "matches nothing in the census: it teaches of no kind",
                 "Use the census' labels, or give route and tube_mm.", moves=2)
    if census.first_day is None or census.last_day is None or census.shape == "snapshot":
        return
    span = (census.last_day - census.first_day).days + 1
    outside = ~np.isnan(day) & ((day < 0) | (day >= span)) & ~reader.bad
    reader.doubt("date", outside, reader.raw.columns["date"],
                 f"is outside the census' days, {census.first_day} to {census.last_day}",
                 "Export both for the same period; rows outside it are not used.", moves=2)
