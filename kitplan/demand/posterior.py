"""What is not known about a unit, as equally likely draws: arrivals, stays, and how often airways are re-secured.

Everything that predicts takes these draws first and then what chance does with them (the predictive distribution of
demand in place of an estimated one: Prak & Teunter, Int J Forecasting 2019;35:224).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kitplan.demand.arrivals import Season, learn_counts, learn_days, stated_swing
from kitplan.demand.observed import census_days, daily_airways
from kitplan.demand.resecure import hazard_factors, rate_ratios
from kitplan.demand.stays import StayLaw, learn_stays, log_normal_stays, range_draws
from kitplan.demand.streams import even_uniforms
from kitplan.demand.values import kept
from kitplan.read.days import YEAR_DAYS
from kitplan.read.values import Census, Unit

DRAWS = 1000
"""Parameter draws kept; scenarios to plan on use one half of them, scenarios to verify on the other."""
GUESS_STAY_DAYS = 5.0
"""Weighed like one end where no airway has left yet; children's units have a median near 4 days [S]."""
_KIND_ARRIVALS = 0.5
"""Arrivals that kinds in the census of which none came are worth together; a kind that came is worth what came, so that
the mean of what is drawn is what was counted."""
_FULLEST = 0.9
"""Mean share of beds taken is held to be no more: a fuller unit would have opened beds (a choice)."""
_FEW_ARRIVALS = 3.0
"""With fewer to be expected in the first days of a list, it cannot be told whether some are missing."""
_CLOSED_AT = 25.0
"""A stretch without arrivals in which so many were to be expected was not a stretch like others."""
_WORTH_SAYING = 0.1


@dataclass(frozen=True)
class Posterior:
    """Equally likely draws of what is not known; n_draws rows, n_strata columns.

    arrivals: (n_draws, n_strata), a day, mean over the year and over bursts. swing: (n_draws, 4), see
    `arrivals.season`. burst: (n_draws,), variance of the factor that all arrivals of a week share; lasting: (n_draws,),
    its correlation from one week to the next. stays: the law of the stay; a stay of stratum g is stay_factor[:, g]
    times one drawn from it. rate: (n_draws, n_strata), re-secures a day over those that Unit.frequency makes; hazard:
    the factor on its hazards that brings them there. fixed: (n_strata,), airways that neither come nor go. beds: most
    airways at one time, None for no limit. knowledge: sentences for a person, what it rests on. swing_told: a whole
    year of history, or the unit itself, tells of the yearly swing; else its draws are a modest guess. drifted: airways
    at the end of the history over their mean in it.
    """

    arrivals: np.ndarray
    swing: np.ndarray
    burst: np.ndarray
    lasting: np.ndarray
    stays: StayLaw
    stay_factor: np.ndarray
    rate: np.ndarray
    hazard: np.ndarray
    fixed: np.ndarray
    beds: int | None = None
    knowledge: tuple[str, ...] = ()
    swing_told: bool = False
    drifted: float = 1.0

    @property
    def n_draws(self) -> int:
        return len(self.arrivals)

    @property
    def mean_stays(self) -> np.ndarray:
        """Mean stay by draw and stratum, days."""
        return self.stays.mean[:, None] * self.stay_factor

    @property
    def mean_airways(self) -> np.ndarray:
        """Airways in place on the mean of all days, by stratum."""
        return (self.arrivals * self.mean_stays * self.bedded[:, None]).mean(axis=0) + self.fixed

    def seen(self, days: float) -> np.ndarray:
        """Airways that are seen in an interval of so many days on its mean, by draw and stratum."""
        return self.arrivals * self.bedded[:, None] * (self.mean_stays + days) + self.fixed

    @property
    def bedded(self) -> np.ndarray:
        """Share of arrivals that find a bed, by draw, (n_draws,)."""
        if self.beds is None:
            return np.ones(self.n_draws)
        return 1.0 - loss((self.arrivals * self.mean_stays).sum(axis=1), self.beds)

    def take(self, rows: np.ndarray) -> Posterior:
        return replace(
            self, arrivals=self.arrivals[rows], swing=self.swing[rows], burst=self.burst[rows],
            lasting=self.lasting[rows], stays=self.stays.take(rows), stay_factor=self.stay_factor[rows],
            rate=self.rate[rows], hazard=self.hazard[rows],
        )

    def of_stream(self, stream: str) -> Posterior:
        """The half of the draws that a stream of scenarios uses: plans and what they are verified on never share."""
        return self.take(np.arange(0 if stream.startswith("plan") else 1, self.n_draws, 2))

    def without_doubt(self, part: str) -> Posterior:
        """As if one thing were known: "arrivals" (swing and bursts stay), "stays" or "rate", each at its mean."""
        if part == "arrivals":
            return replace(
                self, arrivals=_at_mean(self.arrivals), swing=_at_mean(self.swing), burst=_at_mean(self.burst),
                lasting=_at_mean(self.lasting),
            )
        if part == "stays":
            return replace(self, stays=self.stays.known(), stay_factor=_at_mean(self.stay_factor))
        if part == "rate":
            return replace(self, rate=_at_mean(self.rate), hazard=_at_mean(self.hazard))
        raise ValueError(f"part must be 'arrivals', 'stays' or 'rate', not {part!r}")


def loss(offered: np.ndarray, beds: int) -> np.ndarray:
    """Share of arrivals that find every bed taken, airways `offered` without the limit: Erlang's loss formula B."""
    share = np.ones_like(offered)
    for k in range(1, beds + 1):
        share = offered * share / (k + offered * share)
    return share


def _offered(carried: np.ndarray, beds: int) -> np.ndarray:
    """Airways that would be there without the limit, where `carried` are there with it (n,)."""
    grid = np.linspace(1e-6, 2.0 * beds, 400)
    there = grid * (1 - loss(grid, beds))
    return np.interp(np.minimum(carried, _FULLEST * beds), there, grid)


def _at_mean(draws: np.ndarray) -> np.ndarray:
    return np.broadcast_to(draws.mean(axis=0), draws.shape).copy()


def known(unit: Unit) -> tuple[tuple[object, ...], tuple[object, ...]]:
    """What the posterior hangs on."""
    return (unit.census, unit.frequency, unit.doubt, unit.strata), (
        unit.planning.seed, unit.planning.frailty_nodes, unit.bedside.beds, unit.checks_per_day)


@kept(8, known)
def fit_posterior(unit: Unit) -> Posterior:
    """Learn what the census, the log and the unit's own statements say."""
    census, seed = unit.census, unit.planning.seed
    if census.shape == "stays" and len(census.rows):
        fitted = _from_stays(unit, seed)
    elif census.mean_stay_days or census.shape == "counts":
        fitted = _from_counts(unit, seed)
    else:
        fitted = _in_place(unit, _counted(unit)[0].mean(axis=0))
    fitted = _with_expected(unit, fitted)
    ratio = rate_ratios(unit, DRAWS)
    fitted = replace(fitted, rate=ratio, hazard=hazard_factors(unit, ratio), beds=unit.bedside.beds)
    if fitted.beds is None or fitted.arrivals.max() <= 0:
        return fitted
    carried = (fitted.arrivals * fitted.mean_stays).sum(axis=1)
    return replace(fitted, arrivals=fitted.arrivals * (_offered(carried, fitted.beds) / carried)[:, None])


def _in_place(unit: Unit, counts: np.ndarray) -> Posterior:
    """Airways that neither come nor go: nothing to predict but their re-secures."""
    none = np.zeros((DRAWS, unit.n_strata))
    law = StayLaw(np.zeros(1), np.full((DRAWS, 1), 1e-6))
    said = f"No mean stay is known: the {unit.words.many} counted are taken to stay for good, and none arrives."
    ones, still = np.ones_like(none), np.zeros(DRAWS)
    return Posterior(none, np.zeros((DRAWS, 4)), still, still, law, ones, ones, ones, counts, None, (said,))


def _with_expected(unit: Unit, fitted: Posterior) -> Posterior:
    """Add the strata of `[[expect]]` with the mean that the unit states."""
    more = unit.census.expected
    if not len(more):
        return fitted
    mean = np.bincount(more["stratum"], weights=more["mean_airways"], minlength=unit.n_strata)
    if (fitted.arrivals.max() <= 0) and not unit.census.mean_stay_days:
        return replace(fitted, fixed=fitted.fixed + mean)
    return replace(fitted, arrivals=fitted.arrivals + mean / fitted.mean_stays)


def season_of(unit: Unit, from_day: float, span_days: float) -> Season:
    """What is known of the yearly swing: a history of so many days, from_day days after the census began."""
    first = unit.census.first_day
    begins = 0.0 if first is None else float(first.timetuple().tm_yday - 1)
    stated = None if unit.doubt.swing is None else stated_swing(*unit.doubt.swing)
    return Season(begins + from_day, span_days >= YEAR_DAYS - 10, stated)


def said_of_bursts(burst: np.ndarray, lasting: np.ndarray) -> tuple[str, ...]:
    """What to tell a person of busy weeks (both as in `Posterior`), if they differ by enough to notice."""
    spread = float(np.sqrt(burst.mean()))
    if spread < _WORTH_SAYING:
        return ()
    share = float((burst * lasting).mean() / burst.mean())
    unsure = "may come alone or last for some weeks"
    last = "come alone" if share < 0.3 else "last for some weeks" if share > 0.6 else unsure
    return (f"Weeks differ by about {100 * spread:.0f} % beyond chance and the time of year; busy ones {last}.",)


def said_of_level(ratio: np.ndarray) -> tuple[str, ...]:
    """What to tell a person of a level that is not the mean of its history; ratio: draws of it over that mean."""
    low, middle, high = 100 * (np.quantile(ratio, [0.05, 0.5, 0.95]) - 1)
    if abs(middle) < 100 * _WORTH_SAYING:
        return ()
    more = f"{abs(middle):.0f} % {'above' if middle > 0 else 'below'}"
    return (f"Arrivals planned for lie {more} the mean of the history ({low:+.0f} to {high:+.0f} % in 9 of 10): "
            "they drifted, or part of a year is not all of it.",)


# -- a list of stays ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _List:
    """Stays of a list from the day on which it is complete: days since the census began; ended: False while going on.

    factor: how much longer airways of a kind stay, draws (n_draws, n_strata) and their mean (n_strata,).
    """

    stratum: np.ndarray
    start: np.ndarray
    days: np.ndarray
    ended: np.ndarray
    first: float
    close: float
    factor_draws: np.ndarray
    factor: np.ndarray


def _stay_list(unit: Unit, seed: int) -> _List:
    rows = unit.census.rows
    stratum, start = rows["stratum"].to_numpy(np.int64), rows["start"].to_numpy(float)
    close = float(census_days(unit))
    ended = rows["end"].notna().to_numpy()
    end = np.where(ended, rows["end"].to_numpy(float), close)
    first = _complete_from(start, end, close)
    own = start >= first
    stratum, start, days, ended = stratum[own], start[own], (end - start)[own], ended[own]
    factors = _stay_factors(stratum, days, ended, unit.strata["route"].to_numpy(), seed)
    return _List(stratum, start, days, ended, first, close, *factors)


@kept(8, known)
def own_stays(unit: Unit) -> tuple[np.ndarray, np.ndarray]:
    """Kaplan-Meier of the unit's own stays, kinds brought to one scale: (days, chance of ending then); none: empty."""
    if unit.census.shape != "stays" or not len(unit.census.rows):
        return np.zeros(0), np.zeros(0)
    found = _stay_list(unit, unit.planning.seed)
    times, which = np.unique((found.days / found.factor[found.stratum]).round(9), return_inverse=True)
    ended = np.bincount(which, weights=found.ended)
    at_risk = np.bincount(which)[::-1].cumsum()[::-1]
    alive = np.concatenate([[1.0], np.cumprod(1 - ended / at_risk)])
    return times, -np.diff(alive)


def _from_stays(unit: Unit, seed: int) -> Posterior:
    census, found = unit.census, _stay_list(unit, seed)
    stratum, start, ended, first, close = found.stratum, found.start, found.ended, found.first, found.close
    guess = census.mean_stay_days or GUESS_STAY_DAYS
    law = learn_stays(found.days / found.factor[stratum], ended, guess, DRAWS, seed)
    known, notes = _days_on_record(census, start, first, close)
    begin = np.floor(first)
    day = np.minimum((start - begin).astype(int), len(known) - 1)
    counts = np.bincount(day, weights=known[day] > 0, minlength=len(known))
    season = season_of(unit, begin, close - first)
    level = learn_days(counts, known, season, DRAWS, seed)
    drifted = level.level * known.sum() / max(counts.sum(), 1.0)
    mix = _kinds(np.bincount(stratum, minlength=unit.n_strata), unit, seed)
    arrivals = level.level[:, None] * mix / mix.sum(axis=1, keepdims=True)
    none, ones = np.zeros(unit.n_strata), np.ones_like(arrivals)
    told = (f"Arrivals and stays: {len(start):,} {unit.words.many} of the list, {int(ended.sum()):,} of them ended.",
            *notes, *season.said, *said_of_bursts(level.burst, level.lasting), *said_of_level(drifted))
    return Posterior(
        arrivals, level.swing, level.burst, level.lasting, law, found.factor_draws, ones, ones, none, None, told,
        season.sure, float(drifted.mean()),
    )


def _complete_from(start: np.ndarray, end: np.ndarray, close: float) -> float:
    """Day from which the list has every arrival: its first days may lack those who had left before it was drawn up."""
    first = float(np.floor(start.min()))
    warm = min(float(np.quantile(end - start, 0.9)), 0.25 * (close - first))
    early, later = (start < first + warm).mean(), warm / max(close - first, 1e-9)
    return first + np.ceil(warm) if early < 0.5 * later and later * len(start) >= _FEW_ARRIVALS else first


def _days_on_record(census: Census, start: np.ndarray, first: float, close: float) -> tuple[np.ndarray, list[str]]:
    """Share of each day that is on record, and what was left out: unknown days, and stretches without any arrival."""
    known = np.ones(int(np.ceil(close - np.floor(first))))
    known[0] = np.floor(first) + 1 - first
    for day in census.unknown_days:
        if 0 <= day - int(first) < len(known):
            known[day - int(first)] = 0.0
    marks = np.concatenate([[first], np.sort(start), [close]])
    gap = np.diff(marks)
    pace = len(start) / max(float(known.sum()), 1.0)
    notes = []
    for k in np.flatnonzero((gap * pace > _CLOSED_AT) & (gap >= 14)):
        low, high = int(np.ceil(marks[k] - np.floor(first))), int(np.floor(marks[k + 1] - np.floor(first)))
        known[low:high] = 0.0
        notes.append(f"Nobody came in {high - low} days on end: taken as closed and left out of the arrivals.")
    return known, notes


def _stay_factors(
    stratum: np.ndarray, days: np.ndarray, ended: np.ndarray, route: np.ndarray, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """How much longer airways of a kind stay than others: draws (n_draws, n_strata), and their mean; partly pooled.

    A kind that never came stays as the others of its route, (n_strata,), do; of a route that never came, as all.
    """
    from kitplan.demand.partial_pooling import pool_rates

    n_strata = len(route)
    ends = np.bincount(stratum[ended], minlength=n_strata).astype(float)
    exposure = np.bincount(stratum, weights=days, minlength=n_strata)
    seen = exposure > 0
    if seen.sum() < 2 or ends.sum() < 2:
        return np.ones((DRAWS, n_strata)), np.ones(n_strata)
    mean = exposure.sum() / ends.sum()
    spread = max(float(days[ended].var()) / mean**2, 0.3)
    pooled = pool_rates(ends, exposure, spread)
    draws = 1.0 / np.maximum(pooled.draw(DRAWS, np.random.default_rng([seed, 31])), 1e-9)
    share = np.bincount(stratum, minlength=n_strata) / len(stratum)
    draws = np.where(seen, draws / (draws @ share)[:, None], 1.0)
    alike = (route[:, None] == route) * share
    known = ~seen & (alike.sum(axis=1) > 0)
    draws[:, known] = draws @ (alike[known] / alike[known].sum(axis=1, keepdims=True)).T
    return draws, draws.mean(axis=0)


def _kinds(counts: np.ndarray, unit: Unit, seed: int) -> np.ndarray:
    """Gamma draws of how many of each kind come, (n_draws, n_strata), from counts of independent airways.

    A kind that is only expected comes as the unit states, and not from here.
    """
    from scipy.special import gammaincinv

    of_census = (counts > 0) | ~np.isin(np.arange(len(counts)), unit.census.expected["stratum"])
    shape = np.where(counts > 0, counts, _KIND_ARRIVALS / max(int(of_census.sum()), 1))
    drawn = gammaincinv(shape, even_uniforms(seed, "kinds", DRAWS, len(counts)))
    return np.where(of_census, drawn, 0.0)


def census_means(unit: Unit, times: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """What the census shows, so many times: mean airways in place and arrivals a day, by stratum, (n_strata,) each.

    Expected strata as the unit states them, for as long as their kind stays. Without a stay that is stated or seen to
    end nobody arrives.
    """
    census = unit.census
    stay: float | np.ndarray | None = census.mean_stay_days
    arrivals = np.zeros(unit.n_strata)
    if census.shape == "stays" and len(census.rows):
        found = _stay_list(unit, unit.planning.seed)
        known, _ = _days_on_record(census, found.start, found.first, found.close)
        arrivals = np.bincount(found.stratum, minlength=unit.n_strata) / max(float(known.sum()), 1e-9)
        within = np.minimum(found.start + found.days, found.close) - found.start
        mean = np.bincount(found.stratum, weights=within, minlength=unit.n_strata) / max(float(known.sum()), 1e-9)
        stay = found.factor * (stay or float(found.days.sum() / max(found.ended.sum(), 1)))
    else:
        mean = _counted(unit)[0].mean(axis=0)
        arrivals = arrivals if stay is None else mean / stay
    more = census.expected
    stated = np.bincount(more["stratum"], weights=more["mean_airways"], minlength=unit.n_strata)
    return times * mean + stated, times * arrivals + (0.0 if stay is None else stated / stay)


# -- daily counts, or one day's ---------------------------------------------------------------------------------------


def _counted(unit: Unit) -> tuple[np.ndarray, np.ndarray]:
    """Counts of the known days, (n_days, n_strata), and which day each is, days since the first."""
    daily = daily_airways(unit)
    days = np.flatnonzero(~np.isnan(daily).any(axis=1))
    return daily[days], days


def _from_counts(unit: Unit, seed: int) -> Posterior:
    census = unit.census
    counts, day = _counted(unit)
    if not census.mean_stay_days:
        return _in_place(unit, counts.mean(axis=0))
    law = _stated_stays(unit, seed)
    if not counts.any():
        nobody = f"No {unit.words.one} was counted: none comes but those expected."
        return replace(_in_place(unit, counts.mean(axis=0)), stays=law, knowledge=(nobody,))
    middle = StayLaw(law.edges, np.exp(np.log(law.hazard).mean(axis=0, keepdims=True)))
    season = season_of(unit, 0.5, float(day.max() - day.min()))
    level = learn_counts(counts.sum(axis=1), day, middle, season, DRAWS, seed)
    mean = counts.mean(axis=0)
    airways = _kinds(mean * level.independent_days, unit, seed) / level.independent_days * level.level[:, None]
    arrivals = airways / law.mean[:, None]
    none, ones = np.zeros(unit.n_strata), np.ones_like(arrivals)
    days = f"{len(day):,} day{'s' * (len(day) > 1)}"
    told = (f"Arrivals: {unit.words.many} counted on {days}, and the mean stay that the unit states.",
            *season.said, *said_of_bursts(level.burst, level.lasting), *said_of_level(level.level))
    return Posterior(
        arrivals, level.swing, level.burst, level.lasting, law, ones, ones, ones, none, None, told, season.sure,
        float(level.level.mean()) if len(day) > 1 else 1.0,
    )


def _stated_stays(unit: Unit, seed: int) -> StayLaw:
    """The log-normal stay that the unit states, with the ranges that it gives."""
    census, doubt = unit.census, unit.doubt
    assert census.mean_stay_days
    mean, log_sd = np.full(DRAWS, census.mean_stay_days), np.full(DRAWS, census.stay_log_sd)
    if doubt.mean_stay_range is not None:
        mean = range_draws(*doubt.mean_stay_range, DRAWS, seed, "mean stay")
    if doubt.stay_log_sd_range is not None:
        log_sd = range_draws(*doubt.stay_log_sd_range, DRAWS, seed, "spread of stays")
    return log_normal_stays(mean, log_sd)
