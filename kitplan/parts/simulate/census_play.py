"""Who lay in the unit: its own past played over and over, each replication beginning at another place.

Times are days (float) since the first day that counts; earlier ones are warm-up and negative. A stay list and daily
counts are played as they were; one day's count is no past, and strata that are only expected have none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.read.values import Census, Unit

_NO_TURNOVER_DAYS = 60.0
"""Airways that never leave are played for so long before the first day that the first securement is forgotten."""


@dataclass(frozen=True)
class Airways:
    """Airways of all replications as flat arrays of equal length.

    replication, stratum: int. start, end: days. counted_from, counted_to: days between which what this airway
    uses counts (history is cut where a lap ends and the next begins). wear: factor on how fast securements wear.
    """

    replication: np.ndarray
    stratum: np.ndarray
    start: np.ndarray
    end: np.ndarray
    counted_from: np.ndarray
    counted_to: np.ndarray
    wear: np.ndarray


def has_past(unit: Unit) -> bool:
    """Whether the census tells of more than one day."""
    return unit.census.shape != "snapshot" and len(unit.census.rows) > 0


def play_past(unit: Unit, days: int, replications: int, rng: np.random.Generator) -> Airways:
    """Play `days` days of `replications` copies of the unit's own past."""
    if unit.census.shape == "stays":
        return _play_stays(unit.census, days, replications, rng)
    return _play_counts(unit.census, unit.n_strata, days, replications, rng)


def _cycles(
    period: float, days: int, replications: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """(replication, begin) of every lap through a history of `period` days; begins are spread evenly over it."""
    place = (rng.permutation(replications) + rng.random(replications)) / replications * period
    cycles = int(np.ceil(days / period)) + 1
    begin = -place[:, None] + np.arange(cycles)[None, :] * period
    replication = np.broadcast_to(np.arange(replications)[:, None], begin.shape)
    keep = (begin < days) & (begin + period > 0)
    return replication[keep], begin[keep]


def _play_stays(census: Census, days: int, replications: int, rng: np.random.Generator) -> Airways:
    """Play the stay list lap after lap.

    The list's first days may lack airways that came before the list began, so a lap starts where one in ten
    airways at most stays longer than the list is old. A stay that is still open ends with the last day.
    """
    start = census.rows["start"].to_numpy(float)
    close = (
        (census.last_day - census.first_day).days + 1.0
        if census.first_day and census.last_day
        else start.max() + 1
    )
    end = census.rows["end"].to_numpy(float)
    end = np.where(np.isnan(end), close, end)
    long_stay = np.sort(end - start)[int(0.9 * (len(start) - 1))]
    origin = start.min() + min(long_stay, (close - start.min()) / 4)
    origin = np.floor(origin) if close - np.floor(origin) >= 1 else start.min()
    here, period = (end > origin) & (start < close), close - origin
    stratum = census.rows["stratum"].to_numpy(np.int64)[here]
    replication, begin = _cycles(period, days, replications, rng)
    started = (begin[:, None] + (start[here] - origin)).ravel()
    ended = (begin[:, None] + np.minimum(end[here] - origin, period)).ravel()
    seen, lap = (ended > 0) & (started < days), np.repeat(np.arange(len(begin)), len(stratum))
    lap = lap[seen]
    return Airways(replication[lap], np.tile(stratum, len(begin))[seen], started[seen], np.minimum(ended[seen], days),
                   np.maximum(begin[lap], 0.0), np.minimum(begin[lap] + period, days), np.ones(len(lap)))


def _play_counts(
    census: Census, n_strata: int, days: int, replications: int, rng: np.random.Generator
) -> Airways:
    """Play the daily counts; each replication draws anew who leaves: on a day, everyone present may be the one.

    Days not known are left out. Where counts fall someone leaves; of the others some leave and another comes,
    with the daily chance (hidden) that makes the mean stay the one given.
    """
    n_days = int(census.rows["day"].max()) + 1
    counts = np.zeros((n_days, n_strata), dtype=np.int64)
    day, stratum, airways = (census.rows[column].to_numpy(int) for column in ("day", "stratum", "airways"))
    np.add.at(counts, (day, stratum), airways)
    counts = counts[np.setdiff1d(np.arange(n_days), census.unknown_days)]
    fell = np.maximum(counts - np.roll(counts, -1, axis=0), 0).sum()
    per_day = 1.0 / census.mean_stay_days if census.mean_stay_days else 0.0
    seen = fell / max(counts.sum(), 1)
    hidden = min(max(per_day - seen, 0.0) / max(1.0 - seen, 1e-9), 1.0)
    shift = rng.integers(0, len(counts), replications)
    warm = int(_NO_TURNOVER_DAYS)
    path = counts[(shift[:, None] + np.arange(-warm, days)[None, :]) % len(counts)]
    nobody = np.zeros((4, 0))
    each = np.concatenate([nobody, *(_leave_by_lot(path[:, :, g], g, warm, hidden, rng) for g in range(n_strata)
                                     if path[:, :, g].any())], axis=1)
    replication, stratum = each[:2].astype(np.int64)
    whole = np.zeros(len(stratum))
    return Airways(replication, stratum, each[2], np.minimum(each[3], days), whole, whole + days, whole + 1)


def _leave_by_lot(
    count: np.ndarray, stratum: int, warm: int, hidden: float, rng: np.random.Generator
) -> np.ndarray:
    """Airways behind a path of counts, shape (replications, days): who leaves is drawn among those present.

    Returns replication, stratum, start and end, shape (4, n_airways). Beds of a replication that are taken come first;
    an airway that leaves gives its bed to the last one.
    """
    replications, n_days = count.shape
    width = int(count.max())
    since = np.full((replications, width), -1, dtype=np.int64)
    done: list[tuple[np.ndarray, np.ndarray, int]] = []
    bed = np.arange(width)[None, :]
    for day in range(n_days + 1):
        taken = since >= 0
        target = count[:, day] if day < n_days else np.zeros(replications, dtype=np.int64)
        lot = np.where(taken, rng.random(since.shape), 2.0)
        surplus = np.maximum(taken.sum(axis=1) - target, 0)
        leaves = (lot.argsort(axis=1).argsort(axis=1) < surplus[:, None]) & taken
        if day < n_days:
            leaves |= taken & (rng.random(since.shape) < hidden)
        where, _ = np.nonzero(leaves)
        done.append((where, since[leaves], day))
        since = np.where(leaves, -1, since)
        order = np.argsort(since < 0, axis=1, kind="stable")
        since = np.take_along_axis(since, order, axis=1)
        since = np.where((since < 0) & (bed < target[:, None]), day, since)
    replication = np.concatenate([w for w, _, _ in done])
    start = np.concatenate([s for _, s, _ in done]) - warm
    end = np.concatenate([np.full(len(w), d) for w, _, d in done]) - warm
    return np.stack([replication, np.full(len(end), stratum), start, end])[:, end > 0].astype(float)
