"""How sure a difference is: both sides drawn with the same random numbers where the same doubt is in both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from kitplan.demand.best_knowledge import what_the_log_says
from kitplan.demand.occupancy import mean_airways
from kitplan.demand.use import UseModel, use_model
from kitplan.demand.values import ItemChoice
from kitplan.parts.forecast.months_ahead import DRAWS, forecast_and_sampled
from kitplan.parts.forecast.paths import BANDS
from kitplan.read.days import YEAR_DAYS
from kitplan.read.values import STRATUM_KEY, Unit

_AS_OFTEN = 0.02
"""Rates so near are of the same patients in the same year: another item moves what issues teach by as little."""
_CENSUS, _TEACHES_RATE = ("census.", "stays."), ("resecure_log.", "stock_issues.", "book/learnt_rate")


def year_bands(a: Unit, b: Unit, choices: Sequence[ItemChoice], like: np.ndarray) -> pd.DataFrame:
    """Money of the next twelve months of A, of B, and of B less A at list prices: columns side ("a", "b",
    "difference"), low, high (80 %).

    Drawn are how many airways come and are there in them (the census forecast's own error and chance), how often they
    are renewed, and the chance of who comes loose. Where both units rest on the same census, or the same log or guess,
    both get the same draws, and that cancels in the difference; so does the chance of a kind renewed as often in both.
    Else each has its own. like: kinds of B -> the kind of A whose rate it is most like.
    """
    one_census = _same(a, b, _CENSUS) or _same_airways(a, b)
    rate_a = _rates(a, 2)
    alike = a.doubt.rate_from == b.doubt.rate_from and _same(a, b, _TEACHES_RATE)
    rate_b = rate_a[:, like] if alike else _rates(b, 3)
    models = [use_model(unit, choice) for unit, choice in zip((a, b), choices)]
    chance_a, chance_b = _chance(a, models[0], 4), _chance(b, models[1], 5)
    same_kind = (a.strata[STRATUM_KEY].iloc[like].to_numpy() == b.strata[STRATUM_KEY].to_numpy()).all(axis=1)
    as_often = np.isclose(models[0].rate[like], models[1].rate, rtol=_AS_OFTEN)
    chance_b = np.where(same_kind & as_often & one_census, chance_a[:, like], chance_b)
    streams = 0, 0 if one_census else 1
    years = [_year(unit, model, _levels(unit, model.arrivals, stream), rate * chance) for unit, model, stream, rate,
             chance in zip((a, b), models, streams, (rate_a, rate_b), (chance_a, chance_b))]
    rows = [(side, *np.quantile(draws, BANDS[1:3])) for side, draws in zip(("a", "b", "difference"),
                                                                          (*years, years[1] - years[0]))]
    return pd.DataFrame(rows, columns=["side", "low", "high"])


def _same(a: Unit, b: Unit, files: tuple[str, ...]) -> bool:
    """Whether both read the same files of these names, or neither any; a workbook counts as one file of all tables."""
    sides = [{name.rpartition(".")[0]: code for name, code in unit.checksums.items()
              if name.startswith(files) or name.endswith(".xlsx")} for unit in (a, b)]
    return sides[0] == sides[1]


def _same_airways(a: Unit, b: Unit) -> bool:
    """Whether both lists, or daily counts, hold the same airways, however they are secured: a copy in which that alone
    was changed. Two units may have the same snapshot by chance.
    """
    seen = [unit.census.rows.drop(columns="stratum").assign(**{
        key: unit.strata[key].to_numpy()[unit.census.rows["stratum"]] for key in ("route", "size")}) for unit in (a, b)]
    return a.census.shape == b.census.shape != "snapshot" and seen[0].equals(seen[1])


def _levels(unit: Unit, turnover: np.ndarray, stream: int) -> tuple[np.ndarray, np.ndarray]:
    """Airway-days and arrivals of the next twelve months over those of a mean year, ndarray (DRAWS,) each."""
    plain = replace(unit, issues=None, budget=None)
    year = forecast_and_sampled(plain, unit.planning.seed + stream, months=12)[1].ahead(12)
    airways = mean_airways(unit) * YEAR_DAYS
    means = airways.sum(), airways @ turnover
    days, came = (part.sum(axis=(1, 2)) / max(float(mean), 1e-9)
                  for part, mean in zip((year.airway_days, year.arrived), means))
    return days, came


def _chance(unit: Unit, model: UseModel, stream: int) -> np.ndarray:
    """Re-secures of a year over what is to be expected, by kind, ndarray (DRAWS, n_strata): as uneven as in months."""
    events = np.maximum(YEAR_DAYS * mean_airways(unit) * model.rate, 1e-3) / what_the_log_says(unit).dispersion
    rng = np.random.default_rng([unit.planning.seed, stream])
    return np.asarray(rng.standard_gamma(events, (DRAWS, unit.n_strata)) / events)


def _rates(unit: Unit, stream: int) -> np.ndarray:
    """Re-secures of a day over their mean, by kind of airway, ndarray (DRAWS, n_strata), as the unit knows it."""
    ratio = np.ones((1, 1)) if unit.doubt.rate_ratio is None else unit.doubt.rate_ratio
    rows = np.random.default_rng([unit.planning.seed, stream]).integers(len(ratio), size=DRAWS)
    return np.broadcast_to(ratio[rows], (DRAWS, unit.n_strata))


def _year(unit: Unit, model: UseModel, level: tuple[np.ndarray, np.ndarray], rate: np.ndarray) -> np.ndarray:
    days, came = level
    often = mean_airways(unit) * (model.per_day @ model.price)
    arriving = float(mean_airways(unit) * model.arrivals @ (model.per_arrival @ model.price))
    return np.asarray(YEAR_DAYS * (days * (rate @ often) + came * arriving))
