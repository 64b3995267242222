"""What a unit's census and log have watched together: airway-days, events inside them, and what was left out.

Days that either record does not cover are unknown and count neither as airway-days nor as quiet days.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import pandas as pd

from kitplan.demand import wear
from kitplan.read.values import Unit

_REASON_NUMBER = {name: number for number, name in enumerate(wear.REASONS)} | {"unplanned_removal": wear.CHANGED}

_IMPOSSIBLE_GAP_EVENTS = 10.0
"""A stretch without events in which so many were expected was not recorded (e^-10 by chance alone)."""

_MATCHED_ENOUGH = 0.95


@dataclass(frozen=True)
class AirwayStays:
    """Rows of a stay list. airway: int, one number a label; start, end in days, end where watching stops."""

    airway: np.ndarray
    stratum: np.ndarray
    start: np.ndarray
    end: np.ndarray


@dataclass(frozen=True)
class Observation:
    """What was watched.

    events: frame stratum, stay (row of `stays`, -1 when it is not known), day, reason (wear.LOOSE ...), sorted by
    stay and day; only events inside the windows. redos: events that repeat another within the same check.
    windows: ndarray (n, 2), days from and to which census and log are both known.
    daily: ndarray (n_days, n_strata), airway-days by calendar day of the census, NaN where unknown.
    share: ndarray (n_days,), part of each day inside the windows. stays: None unless airways can be followed.
    removals: unplanned removals logged. notes: sentences for a person: what was left out, what had to be assumed.
    by_date: the log tells the day of an event and not its time.
    """

    events: pd.DataFrame
    redos: int
    windows: np.ndarray
    daily: np.ndarray
    share: np.ndarray
    stays: AirwayStays | None
    removals: int
    notes: tuple[str, ...]
    by_date: bool = False

    @property
    def airway_days(self) -> np.ndarray:
        """Airway-days watched, by stratum."""
        return np.nansum(self.daily * self.share[:, None], axis=0)

    def event_counts(self, n_strata: int) -> np.ndarray:
        """Events inside the windows, by stratum."""
        return np.bincount(self.events["stratum"].to_numpy(int), minlength=n_strata).astype(float)


def census_days(unit: Unit) -> int:
    """Calendar days from the first to the last day of a dated census."""
    first, last = unit.census.first_day, unit.census.last_day
    return (last - first).days + 1 if first and last else 1


def daily_airways(unit: Unit, n_days: int | None = None) -> np.ndarray:
    """Airway-days of each calendar day of the census, ndarray (n_days, n_strata); NaN on unknown days.

    A stay list gives exact parts of days; counts stand for their whole day; a snapshot stands for each of n_days.
    """
    census = unit.census
    if census.shape == "snapshot":
        rows = census.rows
        counts = np.bincount(rows["stratum"].to_numpy(int), weights=rows["airways"], minlength=unit.n_strata)
        return np.tile(counts, (n_days or 1, 1))
    n_days = census_days(unit)
    daily = np.zeros((n_days, unit.n_strata))
    if census.shape == "counts":
        rows = census.rows
        np.add.at(
            daily, (rows["day"].to_numpy(int), rows["stratum"].to_numpy(int)), rows["airways"].to_numpy(float)
        )
    else:
        stays = airway_stays(unit)
        edges = np.arange(n_days + 1, dtype=float)
        for g in range(unit.n_strata):
            own = stays.stratum == g
            daily[:, g] = np.diff(_elapsed(stays.start[own], edges) - _elapsed(stays.end[own], edges))
    daily[[d for d in census.unknown_days if 0 <= d < n_days]] = np.nan
    return daily


def _elapsed(moments: np.ndarray, days: np.ndarray) -> np.ndarray:
    """Sum over moments of max(day - moment, 0), for every day at once."""
    ordered = np.sort(moments)
    below = np.searchsorted(ordered, days, side="right")
    return below * days - np.concatenate([[0.0], np.cumsum(ordered)])[below]


def airway_stays(unit: Unit) -> AirwayStays:
    """The stay list as arrays; airways still in place are watched to the end of the census."""
    rows = unit.census.rows
    end = rows["end"].to_numpy(float)
    end = np.where(np.isnan(end), census_days(unit), np.minimum(end, census_days(unit)))
    start = rows["start"].to_numpy(float)
    return AirwayStays(
        pd.factorize(rows["airway"])[0], rows["stratum"].to_numpy(int), start, np.maximum(end, start)
    )


def observe(unit: Unit) -> Observation:
    """Lay the log over the census. Raises ValueError when the unit has no log."""
    if unit.log is None:
        raise ValueError("the unit has no re-secure log")
    notes: list[str] = []
    log = _tidy_log(unit, notes)
    by_date = len(log) > 0 and not bool(log["timed"].all())
    n_days = None
    if unit.census.shape == "snapshot" and len(log):
        log["day"] -= np.floor(log["day"].min())
        n_days = int(log["day"].max()) + 1
        notes.append(
            "The census is one day's count: it stands for every day of the log, so the rates are rough."
        )
    daily = daily_airways(unit, n_days)
    log = _inside_census(unit, log, daily, notes)
    stays = airway_stays(unit) if unit.census.shape == "stays" else None
    log, redos, removals = _follow_airways(unit, log, stays, notes)
    if stays is not None and len(log) and (log["stay"] >= 0).mean() < _MATCHED_ENOUGH:
        stays = None
        notes.append(
            "Too few log rows name an airway of the census to follow airways: rates by stratum only."
        )
    windows = _windows(log, daily, unit, notes)
    log = log[_inside(log["day"].to_numpy(float), windows)]
    log = log.sort_values(["stay", "day"], kind="stable").reset_index(drop=True)
    return Observation(
        log, redos, windows, daily, _share_observed(windows, len(daily)), stays, removals, tuple(notes), by_date
    )


def _tidy_log(unit: Unit, notes: list[str]) -> pd.DataFrame:
    """Copy of the log without double entries; events of a log that gives no times are spread over the day's checks."""
    assert unit.log is not None
    log = unit.log.copy()
    log["airway"] = log["airway"].fillna("").astype(str) if "airway" in log else ""
    day = log["day"].to_numpy(float)
    dates_only = len(log) >= 5 and bool(np.all(np.mod(day, 1.0) == 0.5))
    double = (log["airway"] != "") & log.duplicated(["airway", "day", "reason"])
    if double.any() and not (dates_only and double.mean() < 0.3):  # a few of one date may well be events of their own
        notes.append(
            f"{double.sum()} log rows are double entries (same airway, time and reason) and count once."
        )
        log = log[~double]
    if dates_only:
        notes.append("The log gives dates without times: wear is known to the day only.")
    log["timed"] = not dates_only
    return log.sort_values("day", kind="stable").reset_index(drop=True)


def _inside_census(unit: Unit, log: pd.DataFrame, daily: np.ndarray, notes: list[str]) -> pd.DataFrame:
    day = np.floor(log["day"].to_numpy(float)).astype(int)
    before, after = day < 0, day >= len(daily)
    unknown = np.zeros(len(log), bool)
    inside = ~before & ~after
    unknown[inside] = np.isnan(daily[day[inside]]).any(axis=1)
    for which, where in (
        (before, "before the first day of the census"),
        (after, "after its last day"),
        (unknown, "on days that the census does not cover"),
    ):
        if which.any():
            notes.append(f"{which.sum()} log rows lie {where} and are left out.")
    log = log[inside & ~unknown]
    if unit.census.shape != "stays":
        strange = log["stratum"].to_numpy(int) < 0
        if strange.any():
            notes.append(
                f"{strange.sum()} log rows belong to no kind in the census and are left out."
            )
        log = log[~strange]
    return log.reset_index(drop=True)


def _follow_airways(
    unit: Unit, log: pd.DataFrame, stays: AirwayStays | None, notes: list[str]
) -> tuple[pd.DataFrame, int, int]:
    """Give each event its stay, set apart ends and redos. Returns (events, redos, unplanned removals)."""
    log = log.assign(stay=-1)
    if stays is None:
        removal = (log["reason"] == "unplanned_removal").to_numpy()
        return _numbered(log[~removal]), 0, int(removal.sum())
    log = _match_stays(unit, log, stays, notes)
    removal = (log["reason"] == "unplanned_removal").to_numpy()
    step = 1.0 / unit.checks_per_day
    rows, day = log["stay"].to_numpy(int), log["day"].to_numpy(float)
    ends = removal & ((rows < 0) | (day >= stays.end[rows] - step))
    log = log[~ends].sort_values(["stay", "day"], kind="stable").reset_index(drop=True)
    stay, day, timed = log["stay"].to_numpy(int), log["day"].to_numpy(float), log["timed"].to_numpy(bool)
    follows = np.zeros(len(log), bool)
    follows[1:] = (stay[1:] == stay[:-1]) & (stay[1:] >= 0) & (np.diff(day) < step / 2)
    follows &= timed
    early = (stay >= 0) & (day - stays.start[stay] < min(step / 4, 1 / 24)) & timed
    if early.sum() >= 0.2 * len(stays.start):
        notes.append(
            f"{early.sum()} log rows are the first securement of an airway and are not counted as renewals."
        )
    else:
        early &= False
    follows &= ~early
    if follows.any():
        notes.append(
            f"{follows.sum()} log rows follow another of the same airway within half a check interval: "
            "taken as attempts done again."
        )
    return _numbered(log[~follows & ~early]), int(follows.sum()), int(removal.sum())


def _numbered(log: pd.DataFrame) -> pd.DataFrame:
    reason = log["reason"].map(_REASON_NUMBER).fillna(wear.OTHER).astype(int)
    return log[["stratum", "stay", "day"]].assign(reason=reason).reset_index(drop=True)


def _match_stays(unit: Unit, log: pd.DataFrame, stays: AirwayStays, notes: list[str]) -> pd.DataFrame:
    """Find the row of the stay list that each event belongs to; a check interval of slack at either end."""
    rows = unit.census.rows
    slack = 1.0 / unit.checks_per_day if bool(log["timed"].all()) else 1.0
    log = log.reset_index(drop=True).assign(row=np.arange(len(log)))
    named = log[log["airway"] != ""]
    spans = pd.DataFrame(
        {
            "airway": rows["airway"].astype(str),
            "stay": np.arange(len(rows)),
            "start": stays.start,
            "end": stays.end,
            "home": stays.stratum,
        }
    )
    pairs = named[["row", "airway", "day"]].merge(spans, on="airway")
    pairs["miss"] = np.maximum(pairs["start"] - pairs["day"], 0) + np.maximum(pairs["day"] - pairs["end"], 0)
    best = (
        pairs[pairs["miss"] <= slack]
        .sort_values(["row", "miss", "start"], kind="stable")
        .drop_duplicates("row")
    )
    unknown = int((~named["airway"].isin(spans["airway"])).sum())
    outside = len(named) - unknown - len(best)
    if unknown:
        notes.append(f"{unknown} log rows name an airway that the census does not have and are left out.")
    if outside:
        notes.append(f"{outside} log rows lie outside their airway's stay and are left out.")
    log.loc[best["row"], "stay"] = best["stay"].to_numpy()
    log.loc[best["row"], "stratum"] = best["home"].to_numpy()
    log.loc[best["row"], "day"] = np.clip(best["day"], best["start"], best["end"]).to_numpy()
    nameless = (log["airway"] == "") & (log["stratum"] < 0)
    if nameless.any():
        notes.append(f"{nameless.sum()} log rows belong to no kind in the census and are left out.")
    return log[(log["stay"] >= 0) | ((log["airway"] == "") & ~nameless)].drop(columns="row")


def _windows(log: pd.DataFrame, daily: np.ndarray, unit: Unit, notes: list[str]) -> np.ndarray:
    """Stretches in which both census and log were kept, ndarray (n, 2)."""
    if not len(log):
        return np.zeros((0, 2))
    level = np.concatenate([[0.0], np.cumsum(np.nan_to_num(daily).sum(axis=1))])
    day = np.sort(log["day"].to_numpy(float))
    marks = np.concatenate([[0.0], day, [float(len(daily))]])
    gap = np.diff(np.interp(marks, np.arange(len(level), dtype=float), level))
    silent = np.zeros(len(gap), bool)
    for _ in range(3):
        rate = len(day) / max(gap[~silent].sum(), 1e-9)
        silent = (gap * rate > _IMPOSSIBLE_GAP_EVENTS) & (np.diff(marks) > 2)
    gaps = [(float(day), day + 1.0) for day in np.nonzero(np.isnan(daily).any(axis=1))[0]]
    for k in np.nonzero(silent)[0]:
        gaps.append((marks[k], marks[k + 1]))
        where = (
            "before its first event" if k == 0 else "after its last event" if k == len(day) else "in between"
        )
        notes.append(
            f"The log is silent {where}, from {_date(unit, marks[k])} to {_date(unit, marks[k + 1])}, although "
            f"about {gap[k] * rate:.0f} events were to be expected: taken as not recorded."
        )
    return _between(gaps, float(len(daily)))


def _between(gaps: Sequence[tuple[float, float]], end: float) -> np.ndarray:
    """What no gap covers of 0 to `end`, ndarray (n, 2)."""
    windows, low = [], 0.0
    for start, stop in sorted([*gaps, (end, end)]):
        if start > low:
            windows.append((low, start))
        low = max(low, stop)
    return np.array(windows, dtype=float).reshape(-1, 2)


def _date(unit: Unit, day: float) -> str:
    first = unit.census.first_day
    return (first + timedelta(days=int(day))).isoformat() if first else f"day {int(day)}"


def _inside(day: np.ndarray, windows: np.ndarray) -> np.ndarray:
    """Which days lie in a window. An event on which a window opens only starts it: counting it would bias the rate."""
    inside = np.zeros(len(day), bool)
    for low, high in windows:
        inside |= (day > low if low > 0 else day >= low) & (day <= high)
    return inside


def _share_observed(windows: np.ndarray, n_days: int) -> np.ndarray:
    days = np.arange(n_days)
    share = np.zeros(n_days)
    for low, high in windows:
        share += np.clip(np.minimum(days + 1, high) - np.maximum(days, low), 0, 1)
    return share


def observed_spells(unit: Unit, observation: Observation) -> wear.WearSpells:
    """Spells of wear of all airways followed, cut at the windows. Needs `observation.stays`."""
    stays = observation.stays
    assert stays is not None
    secured = unit.frequency["admission_secures"].to_numpy(float)[stays.stratum] > 0
    parts = []
    events = observation.events[observation.events["stay"] >= 0]
    for low, high in observation.windows:
        seen = np.nonzero((stays.end > low) & (stays.start < high))[0]
        place = np.full(len(stays.start), -1)
        place[seen] = np.arange(len(seen))
        own = events[(events["day"] >= low) & (events["day"] <= high)]
        own = own[place[own["stay"]] >= 0]
        fresh = (stays.start[seen] >= low) & secured[seen]
        parts.append(
            wear.cut_spells(
                np.maximum(stays.start[seen], low),
                np.minimum(stays.end[seen], high),
                fresh,
                place[own["stay"]],
                own["day"].to_numpy(float),
                own["reason"].to_numpy(int),
                stays.airway[seen],
                stays.stratum[seen],
                unit.checks_per_day,
                observation.by_date,
            )
        )
    return wear.WearSpells(
        *(
            np.concatenate([getattr(p, name) for p in parts])
            for name in ("airway", "stratum", "before", "after", "reason")
        )
    )
