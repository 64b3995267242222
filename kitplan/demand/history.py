"""The census as stays: what a list of stays or a history of daily counts says about who came and who left."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from kitplan.demand.streams import name_key, uniforms
from kitplan.read.values import STRATUM_KEY, Census, Unit

_REPLICAS = 8
"""Times that a count history is completed with ends it cannot show; scenarios draw among them."""

_MOST_CUTS = 2_000_000
"""Hidden ends made up at most, all replicas together: large units with short stays take fewer replicas."""

_LONG_AGO_DAYS = 400.0


@dataclass(frozen=True)
class Stays:
    """Stays as arrays: stratum, start and end in days since the first day, a key each, and their replica."""

    stratum: np.ndarray
    start: np.ndarray
    end: np.ndarray
    key: np.ndarray
    replica: np.ndarray
    n_replicas: int
    first_day: float
    last_day: float
    unknown_days: tuple[int, ...]


@lru_cache(maxsize=4)
def history_stays(unit: Unit) -> Stays | None:
    """The census as stays, or None for a snapshot. Counts become stays slot by slot (see `_stays_from_counts`).

    Remembered for the last few units, because a dozen questions of one plan begin here.
    """
    if unit.census.shape == "stays":
        return _stays_from_list(unit)
    if unit.census.shape == "counts":
        return _stays_from_counts(unit)
    return None


def stratum_keys(unit: Unit) -> np.ndarray:
    """A key for each stratum made of its own description, so that other strata do not change its draws."""
    return np.array(
        [name_key(*row) for row in unit.strata[STRATUM_KEY].itertuples(index=False)], dtype=np.uint64
    )


def _stays_from_list(unit: Unit) -> Stays:
    census, rows = unit.census, unit.census.rows
    start = rows["start"].to_numpy(float)
    open_end = float(span_days(census)) + 1.0
    end = np.where(np.isnan(rows["end"].to_numpy(float)), open_end, rows["end"].to_numpy(float))
    key = np.array([name_key("stay", a, s) for a, s in zip(rows["airway"], start)], dtype=np.uint64)
    warm = float(np.quantile(end - start, 0.9)) if len(rows) else 0.0
    first = start.min() + min(warm, 0.25 * (open_end - start.min())) if len(rows) else 0.0
    return Stays(
        rows["stratum"].to_numpy(np.int64),
        start,
        end,
        key,
        np.zeros(len(rows), dtype=np.int64),
        1,
        first,
        open_end,
        census.unknown_days,
    )


def span_days(census: Census) -> int:
    if census.first_day is None or census.last_day is None:
        return 0
    return (census.last_day - census.first_day).days


def count_matrix(unit: Unit) -> np.ndarray:
    """Daily counts as ndarray float, shape (n_days, n_strata); NaN on unknown days. Counts census only."""
    counts = np.zeros((span_days(unit.census) + 1, unit.n_strata))
    rows = unit.census.rows
    np.add.at(
        counts, (rows["day"].to_numpy(int), rows["stratum"].to_numpy(int)), rows["airways"].to_numpy(float)
    )
    counts[list(unit.census.unknown_days)] = np.nan
    return counts


def _stays_from_counts(unit: Unit) -> Stays:
    """Turn daily counts into stays: place k of a stratum is taken on every day with at least k airways.

    A run of taken days is a stay, but when a place falls empty it is anyone present who leaves, by lot, and
    the last place's airway takes the place that fell free: daily counts do not show who left. A run taken on
    the first day began before it, an exponential age ago (long ago without turnover); an unknown day repeats
    the one before, so that a gap brings no arrivals. Ends that the counts cannot show (one leaves, one
    comes) cut the runs at random moments, a Poisson process of rate 1 / mean_stay_days less the ends already
    seen, in a few replicas of the history.
    """
    counts = _carried_on(count_matrix(unit))
    n_days, keys = len(counts), stratum_keys(unit)
    slots = [(g, k) for g in range(unit.n_strata) for k in range(1, int(counts[:, g].max(initial=0)) + 1)]
    stratum = np.array([g for g, _ in slots], dtype=np.int64)
    place = np.array([k for _, k in slots], dtype=np.int64)
    taken = place[:, None] <= counts[:, stratum].T
    hidden = _hidden_turnover_per_day(unit.census, taken)
    cuts_once = hidden * float(taken.sum())
    replicas = int(np.clip(_MOST_CUTS // max(cuts_once, 1.0), 1, _REPLICAS)) if hidden > 0 else 1
    slot_key = keys[stratum] + place.astype(np.uint64)
    opens, opened = np.nonzero(np.diff(taken, axis=1, prepend=False))
    closes, closed = np.nonzero(np.diff(taken, axis=1, append=False))
    starts = taken[opens, opened]
    slot, start = opens[starts], opened[starts].astype(float)
    first = start == 0
    start[first] = -_age_at_first_day(unit.census.mean_stay_days, slot_key[slot[first]])
    ends = taken[closes, closed]
    slot_end, end = closes[ends], closed[ends] + 1.0
    cut_replica, cut_slot, cut = _hidden_ends(taken, slot_key, hidden, replicas)
    every = np.arange(replicas)
    begin = _in_order(
        (np.concatenate([np.repeat(every, len(slot)), cut_replica]),
         np.concatenate([np.tile(slot, replicas), cut_slot]),
         np.concatenate([np.tile(start, replicas), cut])))
    stop = _in_order(
        (np.concatenate([np.repeat(every, len(slot_end)), cut_replica]),
         np.concatenate([np.tile(slot_end, replicas), cut_slot]),
         np.concatenate([np.tile(end, replicas), cut])))
    replica, slot, moment = begin
    with np.errstate(over="ignore"):
        key = slot_key[slot] * np.uint64(100_003) + np.round(moment * 1e6).astype(np.int64).astype(np.uint64)
    lot = uniforms(0, "who leaves", replica, slot_key[slot], np.round(stop[2] * 1e6).astype(np.int64))
    end = _ends_by_lot(replica, slot, stratum[slot], place[slot], moment, stop[2], lot)
    return Stays(
        stratum[slot], moment, end, key, replica, replicas, 0.0, float(n_days), unit.census.unknown_days
    )


def _carried_on(counts: np.ndarray) -> np.ndarray:
    """Counts with each unknown day as the last known one before it (the first known one, at the
    beginning).
    """
    known = ~np.isnan(counts).any(axis=1)
    if not known.any():
        return np.nan_to_num(counts)
    latest = np.maximum.accumulate(np.where(known, np.arange(len(counts)), -1))
    return counts[np.where(latest < 0, int(np.argmax(known)), latest)]


def _age_at_first_day(mean_stay: float | None, key: np.ndarray) -> np.ndarray:
    """Days that airways present on the first day had been there: exponential, or long without turnover."""
    if not mean_stay:
        return np.full(len(key), _LONG_AGO_DAYS)
    return np.minimum(-mean_stay * np.log(uniforms(0, "age at first day", key)), _LONG_AGO_DAYS)


def _hidden_ends(
    taken: np.ndarray, slot_key: np.ndarray, per_day: float, replicas: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(replica, slot, moment in days) of ends that are followed at once by an arrival: Poisson on taken days.

    The k-th end of a place's day is there when its number lies under P(at least k), so that a higher rate
    only adds.
    """
    from scipy.special import pdtrc

    slot, day = np.nonzero(taken)
    replica = np.repeat(np.arange(replicas), len(slot))
    slot, day = np.tile(slot, replicas), np.tile(day, replicas)
    chance = uniforms(0, "hidden turnover", replica, slot_key[slot], day)
    found = []
    k = 1
    while per_day > 0 and (there := chance < pdtrc(k - 1, per_day)).any():
        replica, slot, day, chance = replica[there], slot[there], day[there], chance[there]
        moment = day + uniforms(0, f"hidden moment {k}", replica, slot_key[slot], day)
        found.append((replica, slot, moment))
        k += 1
    if not found:
        return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)
    return tuple(np.concatenate(part) for part in zip(*found))  # type: ignore[return-value]


def _ends_by_lot(
    replica: np.ndarray,
    slot: np.ndarray,
    stratum: np.ndarray,
    place: np.ndarray,
    start: np.ndarray,
    stop: np.ndarray,
    lot: np.ndarray,
) -> np.ndarray:
    """End of each stay when whoever leaves is drawn among those present; float, shape (n,).

    Each row is a run of one place (rows of a place in order of time); place: its number, from 1. A run that
    is followed at once by another in its place ended unseen, and its own airway left; else, the places below
    being taken, the airway of place ceil(lot x place) leaves and this place's airway moves there.
    """
    n = len(start)
    unseen = np.zeros(n, dtype=bool)
    unseen[:-1] = (replica[1:] == replica[:-1]) & (slot[1:] == slot[:-1]) & (start[1:] == stop[:-1])
    row = np.concatenate([np.arange(n), np.arange(n)])
    begins = np.repeat([1, 0], n)
    order = np.lexsort((np.where(begins, place[row], -place[row]), begins, np.concatenate([start, stop]),
                        stratum[row], replica[row]))
    chosen = np.maximum(np.ceil(lot * place), 1).astype(np.int64).tolist()
    rooms = (replica * (stratum.max(initial=0) + 1) + stratum).tolist()
    places, hidden = place.tolist(), unseen.tolist()
    end = stop.copy()
    there: dict[tuple[int, int], int] = {}
    for i, opens in zip(row[order].tolist(), begins[order].tolist()):
        here = (rooms[i], places[i])
        if opens:
            there[here] = i
            continue
        other = here if hidden[i] else (rooms[i], chosen[i])
        end[there[other]] = stop[i]
        there[other] = there[here]
    return end


def _in_order(events: tuple[np.ndarray, np.ndarray, np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Events (replica, slot, moment) by replica, place and time: starts and ends in this order are pairs."""
    order = np.lexsort(events[::-1])
    return events[0][order], events[1][order], events[2][order]


def _hidden_turnover_per_day(census: Census, taken: np.ndarray) -> float:
    """Ends per airway-day that daily counts cannot show: 1 / mean stay less the ends they do show."""
    if not census.mean_stay_days or not taken.any():
        return 0.0
    seen = (taken[:, :-1] & ~taken[:, 1:]).sum() / taken.sum()
    return max(1.0 / census.mean_stay_days - float(seen), 0.0)


def mean_stay_days(unit: Unit) -> float | None:
    """Mean stay, days: the unit file's, else airway-days over ends in a list of stays, else None
    (unknown).
    """
    census = unit.census
    if census.mean_stay_days or census.shape != "stays":
        return census.mean_stay_days
    ends = int(census.rows["end"].notna().sum())
    stays = history_stays(unit)
    assert stays is not None
    return float((stays.end - stays.start).sum()) / ends if ends else None
