"""Learn the re-secure model from the unit's own log: rates by stratum, reasons, wear, trend, fit.

No published rate of re-securing exists to borrow, so a unit's own log is the only source that counts. Where the
log is too thin for that, the defaults stay and the result says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand import wear
from kitplan.demand.observed import Observation, observe, observed_spells
from kitplan.demand.partial_pooling import PooledRates, count_dispersion, pool_rates
from kitplan.demand.proportion import wilson_interval
from kitplan.demand.resecure import CONSTANT_REASONS, hastened, long_run_rates
from kitplan.demand.trend import Trend, find_trend, fortnightly_dispersion
from kitplan.read.values import STRATUM_COLUMNS, Unit

FEWEST_EVENTS = 20
"""With fewer events than this the defaults stay (an interval of about -40 % to +50 % is no news)."""
_CURVE_COLUMNS = ["wear_hours", "watched", "still_secure", "still_secure_fitted"]


@dataclass(frozen=True, repr=False)
class Learnt(Result, writes={"rates": "rates", "reasons": "reasons", "wear_curve": "wear_curve"}):
    """What was learnt. See config/columns.csv (rates, reasons, wear_curve) for the frames.

    used: False when the defaults stay. source: "airways followed" (wear and spread fitted), "counts" (rates and
    reasons only) or "defaults". pooled: posterior of the rates, None for defaults. dispersion: variance of a
    stratum's event count over its mean, ndarray (n_strata,). curve: the fitted wear model or None.
    first_day, last_day: span of the log that was used (ISO dates or ""). notes: sentences for a person.
    """

    unit_name: str
    used: bool
    source: str
    rates: pd.DataFrame
    reasons: pd.DataFrame
    wear_curve: pd.DataFrame
    trend: Trend
    pooled: PooledRates | None
    dispersion: np.ndarray
    curve: wear.WearCurve | None
    redo: float | None
    events: int
    airway_days: float
    first_day: str
    last_day: str
    notes: tuple[str, ...]

    def sentences(self) -> list[str]:
        """What to say first."""
        if not self.used:
            return [self.notes[-1]]
        rate = self.events / self.airway_days
        lines = [
            f"{rate:.2f} re-secures an airway-day ({100 * rate:.0f} per 100), from {self.events:,} events in "
            f"{self.airway_days:,.0f} airway-days, {self.first_day} to {self.last_day}."
        ]
        top = self.reasons.sort_values("share", ascending=False, kind="stable").head(2)
        lines.append("Most often: " + ", ".join(f"{r.reason} {100 * r.share:.0f} %" for r in top.itertuples()) + ".")
        thin = self.rates[self.rates["own_share"] < 0.5]
        if len(thin) and len(self.rates) > 1:
            lines.append(
                f"{len(thin)} of {len(self.rates)} kinds lean more on the unit's average than on their "
                "own events (own_share)."
            )
        return [*lines, self.trend.sentence]

    def frequency(self, unit: Unit) -> pd.DataFrame:
        """Unit.frequency as the learnt model has it; the unit's own where nothing was learnt."""
        from kitplan.demand.learnt_block import learnt_settings

        if not self.used:
            return unit.frequency
        settings, factor = learnt_settings(unit, self)
        return hastened(unit.frequency.assign(**settings, flat_per_check=np.nan), factor)

    @property
    def warnings(self) -> tuple[str, ...]:
        return (self.trend.sentence,) if self.trend.warns else ()


def learn(unit: Unit) -> Learnt:
    """Learn from the unit's log, or say why the defaults stay."""
    if unit.log is None or not len(unit.log):
        return _defaults(unit, 0, 0.0, ("The unit has no re-secure log.",))
    observation = observe(unit)
    counts = observation.event_counts(unit.n_strata)
    exposure = observation.airway_days
    if counts.sum() < FEWEST_EVENTS or exposure.sum() <= 0:
        note = f"The log holds {counts.sum():.0f} usable events, fewer than {FEWEST_EVENTS}: too few to learn from."
        return _defaults(unit, int(counts.sum()), float(exposure.sum()), (*observation.notes, note))
    return _learn_from(unit, observation, counts, exposure)


def _learn_from(unit: Unit, observation: Observation, counts: np.ndarray, exposure: np.ndarray) -> Learnt:
    first = pool_rates(counts, exposure)
    dispersion = _dispersion(unit, observation, first.mean)
    pooled = pool_rates(counts, exposure, dispersion)
    notes = list(observation.notes)
    curve, frame = None, pd.DataFrame(columns=_CURVE_COLUMNS)
    spells = observed_spells(unit, observation) if observation.stays is not None else None
    if spells is not None and spells.caused.sum() >= FEWEST_EVENTS:
        curve = wear.fit_curve(spells, unit.n_strata, default_curve(unit))
        frame = _curve_frame(unit, spells, curve)
    else:
        notes.append(
            "Airways are not followed one by one, so the wear curve's shape and the spread between airways "
            "stay at their defaults; reasons and total rate are the unit's own."
        )
    if observation.removals:
        notes.append(
            f"{observation.removals} unplanned removals are logged "
            f"({100 * observation.removals / exposure.sum():.2f} per 100 airway-days); those that ended the "
            "airway are not re-secures."
        )
    _note_planned(unit, observation, notes)
    notes.append(
        "The log holds renewals found at checks: securements on admission are not in it and are planned "
        "from admission_secures; attempts done again count only where the log shows them."
    )
    redo = observation.redos / (observation.redos + counts.sum()) if observation.redos else None
    first_day, last_day = _span(unit, observation)
    return Learnt(
        unit.name, used=True, source="counts" if curve is None else "airways followed",
        rates=_rates_frame(unit, counts, exposure, pooled, spells, curve),
        reasons=_reasons_frame(observation, exposure), wear_curve=frame,
        trend=find_trend(observation, pooled.mean), pooled=pooled, dispersion=dispersion, curve=curve, redo=redo,
        events=int(counts.sum()), airway_days=float(exposure.sum()), first_day=first_day, last_day=last_day,
        notes=tuple(notes),
    )


def default_curve(unit: Unit) -> dict[str, float]:
    """The unit's present wear model, averaged over strata, as a place to start from."""
    mean = unit.frequency.mean()
    result = {name: float(mean[name]) for name in CONSTANT_REASONS.values()}
    result |= {
        "scale_hours": float(mean["loosening_scale_hours"]),
        "shape": max(float(mean["loosening_shape"]), 1.0),
        "spread": float(mean["airway_spread"]),
        "constant": sum(result.values()),
    }
    return result


def _note_planned(unit: Unit, observation: Observation, notes: list[str]) -> None:
    planned = int((observation.events["reason"] == wear.PLANNED).sum())
    if planned and not (unit.frequency["planned_hours"] > 0).any():
        notes.append(
            f"{planned} planned renewals are logged, but planned_hours is 0: they count in the rates and, in "
            "the learnt model, among the changed; set planned_hours if the unit renews by the clock."
        )


def _span(unit: Unit, observation: Observation) -> tuple[str, str]:
    if unit.census.first_day is None or not len(observation.windows):
        return "", ""
    from datetime import timedelta

    first = unit.census.first_day + timedelta(days=int(observation.windows[0, 0]))
    last = unit.census.first_day + timedelta(days=int(np.ceil(observation.windows[-1, 1])) - 1)
    return first.isoformat(), last.isoformat()


def _dispersion(unit: Unit, observation: Observation, rate: np.ndarray) -> np.ndarray:
    """Variance of each stratum's event count over its mean: between airways, or between weeks of a count census."""
    n = unit.n_strata
    if observation.stays is None:
        return np.full(n, fortnightly_dispersion(observation, rate))
    stays = observation.stays
    seen = np.zeros(len(stays.start))
    for low, high in observation.windows:
        seen += np.clip(np.minimum(stays.end, high) - np.maximum(stays.start, low), 0, None)
    expected = np.bincount(stays.airway, weights=rate[stays.stratum] * seen)
    stay = observation.events["stay"].to_numpy(int)
    observed = np.bincount(stays.airway[stay[stay >= 0]], minlength=len(expected))
    a, v = count_dispersion(observed, expected)
    home = np.zeros(len(expected), int)
    home[stays.airway] = stays.stratum
    mean = np.bincount(home, weights=expected, minlength=n)
    squared = np.bincount(home, weights=expected**2, minlength=n)
    typical = squared.sum() / max(mean.sum(), 1e-9)
    return a + v * np.where(mean > 0, squared / np.maximum(mean, 1e-9), typical)


def _rates_frame(
    unit: Unit,
    counts: np.ndarray,
    exposure: np.ndarray,
    pooled: PooledRates,
    spells: wear.WearSpells | None,
    curve: wear.WearCurve | None,
) -> pd.DataFrame:
    frame = unit.strata[STRATUM_COLUMNS].reset_index(drop=True).copy()
    frame["events"] = counts.astype(int)
    frame["airway_days"] = exposure
    frame["rate_per_day"], frame["low"], frame["high"] = pooled.mean, pooled.low, pooled.high
    frame["own_share"] = pooled.own_share
    with np.errstate(divide="ignore", invalid="ignore"):
        frame["unpooled_rate"] = np.where(exposure > 0, counts / exposure, np.nan)
    frame["expected_events"] = pooled.mean * exposure
    frame["expected_if_alike"] = exposure * counts.sum() / exposure.sum()
    if curve is not None and spells is not None:
        # Events that the curve cannot speak of (planned, or ending a wear of unknown age) are added as they were.
        followed = np.bincount(spells.stratum[spells.caused], minlength=unit.n_strata)
        frame["expected_events"] = wear.expected_events(spells, curve, unit.n_strata) + counts - followed
    frame["because"] = [_because(row, pooled.common_mean) for row in frame.itertuples()]
    return frame


def _because(row: Any, common: float) -> str:
    if row.airway_days <= 0:
        return f"no airway of this kind was watched: the unit's average {common:.2f} a day, with its spread"
    return (
        f"{row.events:,} events in {row.airway_days:,.0f} airway-days are {100 * row.own_share:.0f} % of this "
        f"estimate, the unit's average {common:.2f} a day the rest"
    )


def _reasons_frame(observation: Observation, exposure: np.ndarray) -> pd.DataFrame:
    """Events by reason with their share and its 95 % Wilson interval."""
    reason = observation.events["reason"].to_numpy(int)
    counts = np.bincount(reason, minlength=len(wear.REASONS))
    n = max(int(counts.sum()), 1)
    low, high = zip(*(wilson_interval(int(count), n) for count in counts))
    return pd.DataFrame(
        {
            "reason": list(wear.REASONS),
            "events": counts,
            "share": counts / n,
            "low": low,
            "high": high,
            "per_100_airway_days": 100 * counts / exposure.sum(),
        }
    )


def _curve_frame(unit: Unit, spells: wear.WearSpells, curve: wear.WearCurve) -> pd.DataFrame:
    """Share still secure by hours of wear: seen (Kaplan-Meier) and fitted, over the strata as they were watched."""
    caused = spells.after[spells.caused]
    far = float(np.quantile(caused, 0.98)) if len(caused) else 1.0
    days = np.arange(1, max(int(np.ceil(far * unit.checks_per_day)), 2) + 1) / unit.checks_per_day
    days = days[:: -(-len(days) // 60)]
    seen, at_risk = wear.still_secure(spells, days)
    fitted = wear.fitted_survival(spells, curve, days)
    return pd.DataFrame(dict(zip(_CURVE_COLUMNS, (24 * days, at_risk.astype(int), seen, fitted))))


def _defaults(unit: Unit, events: int, airway_days: float, notes: tuple[str, ...]) -> Learnt:
    long_run = long_run_rates(unit)
    frame = unit.strata[STRATUM_COLUMNS].reset_index(drop=True).copy()
    rate = long_run["re_secures_per_day"].to_numpy(float)
    frame = frame.assign(
        events=np.nan,
        airway_days=np.nan,
        rate_per_day=rate,
        low=rate / 2,
        high=rate * 2,
        own_share=0.0,
        unpooled_rate=np.nan,
        expected_events=np.nan,
        expected_if_alike=np.nan,
        because="a default, not learnt",
    )
    mean = long_run.mean()
    names = ["loose", *CONSTANT_REASONS, "planned"]
    reasons = pd.DataFrame(
        {
            "reason": names,
            "events": 0,
            "share": [float(mean[f"share_{r}"]) for r in names],
            "low": np.nan,
            "high": np.nan,
            "per_100_airway_days": [100 * float(mean[f"share_{r}"]) * rate.mean() for r in names],
        }
    )
    trend = Trend(np.nan, np.nan, np.nan, "Nothing was learnt, so no trend can be told.", False)
    return Learnt(
        unit.name, used=False, source="defaults", rates=frame, reasons=reasons,
        wear_curve=pd.DataFrame(columns=_CURVE_COLUMNS), trend=trend, pooled=None, dispersion=np.ones(unit.n_strata),
        curve=None, redo=None, events=events, airway_days=airway_days, first_day="", last_day="", notes=notes,
    )
