"""The census as stays: what a list of stays or a history of daily counts says about who came and who left."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.demand.streams import name_key, uniforms
from kitplan.inputs.values import STRATUM_KEY, Census, Unit

_REPLICAS = 8
"""Times that a count history is completed with ends it cannot show; scenarios draw among them."""


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


def history_stays(unit: Unit) -> Stays | None:
    """The census as stays, or None for a snapshot. Counts become stays slot by slot (see `_stays_from_counts`)."""
    if unit.census.shape == "stays":
        return stays_from_list(unit)
    if unit.census.shape == "counts":
        return _stays_from_counts(unit)
    return None


def stratum_keys(unit: Unit) -> np.ndarray:
    """A key for each stratum made of its own description, so that other strata do not change its draws."""
    return np.array(
        [name_key(*row) for row in unit.strata[STRATUM_KEY].itertuples(index=False)], dtype=np.uint64
    )


def stays_from_list(unit: Unit) -> Stays:
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

    A run of taken days is a stay. Ends that the counts cannot show (one leaves, one comes) are added at the rate
    1 / mean_stay_days less the ends already seen, at random, in a few replicas of the history.
    """
    counts = np.nan_to_num(count_matrix(unit))
    n_days = len(counts)
    keys = stratum_keys(unit)
    slots = [(g, k) for g in range(unit.n_strata) for k in range(1, int(counts[:, g].max(initial=0)) + 1)]
    if not slots:
        empty = np.zeros(0)
        return Stays(
            empty.astype(int),
            empty,
            empty,
            empty.astype(np.uint64),
            empty.astype(int),
            1,
            0.0,
            float(n_days),
            unit.census.unknown_days,
        )
    stratum = np.array([g for g, _ in slots])
    place = np.array([k for _, k in slots])
    taken = place[:, None] <= counts[:, stratum].T
    hidden = _hidden_turnover_per_day(unit.census, taken)
    replicas = _REPLICAS if hidden > 0 else 1
    slot_key = keys[stratum] + place.astype(np.uint64)
    chance = uniforms(
        0,
        "hidden turnover",
        np.arange(replicas)[:, None, None],
        slot_key[None, :, None],
        np.arange(n_days)[None, None, :],
    )
    before = np.concatenate([np.zeros((len(slots), 1), bool), taken[:, :-1]], axis=1)
    begins = taken[None] & (~before[None] | (chance < -np.expm1(-hidden)))
    after = np.concatenate([begins[:, :, 1:], np.ones((replicas, len(slots), 1), bool)], axis=2)
    follows = np.concatenate([taken[:, 1:], np.zeros((len(slots), 1), bool)], axis=1)
    ends = taken[None] & (after | ~follows[None])
    replica, slot, start = np.nonzero(begins)
    end = np.nonzero(ends)[2] + 1.0
    key = slot_key[slot] * np.uint64(100_003) + start.astype(np.uint64)
    return Stays(
        stratum[slot],
        start.astype(float),
        end,
        key,
        replica,
        replicas,
        0.0,
        float(n_days),
        unit.census.unknown_days,
    )


def _hidden_turnover_per_day(census: Census, taken: np.ndarray) -> float:
    """Ends per airway-day that daily counts cannot show: 1 / mean stay less the ends they do show."""
    if not census.mean_stay_days or not taken.any():
        return 0.0
    seen = (taken[:, :-1] & ~taken[:, 1:]).sum() / taken.sum()
    return max(1.0 / census.mean_stay_days - float(seen), 0.0)


def mean_stay_days(unit: Unit) -> float | None:
    """Mean stay, days: the unit file's, else airway-days over ends in a list of stays, else None (unknown)."""
    census = unit.census
    if census.mean_stay_days or census.shape != "stays":
        return census.mean_stay_days
    ends = int(census.rows["end"].notna().sum())
    stays = stays_from_list(unit)
    return float((stays.end - stays.start).sum()) / ends if ends else None
