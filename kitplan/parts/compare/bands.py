"""How sure a difference is: both sides drawn with the same random numbers where the same doubt is in both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from kitplan.demand.best_knowledge import what_the_log_says
from kitplan.demand.occupancy import mean_airways
from kitplan.demand.use import use_model
from kitplan.demand.values import ItemChoice
from kitplan.parts.forecast.months_ahead import forecast_unit
from kitplan.parts.forecast.paths import BANDS
from kitplan.read.values import Unit

DRAWS = 2000
DAYS_A_YEAR = 365.25
_CENSUS = ("census.", "stays.")


def year_bands(a: Unit, b: Unit, choices: Sequence[ItemChoice], like: np.ndarray) -> pd.DataFrame:
    """Money of a mean year of A, of B, and of B less A: columns side ("a", "b", "difference"), value, low, high (80 %).

    Two things are drawn: how full the year is (the census forecast's own error) and how often airways are renewed.
    Where both units rest on the same census, or the same log or guess, both get the same draws, and that doubt cancels
    in the difference; else each has its own. like: kinds of B -> the kind of A whose rate it is most like.
    """
    levels = _levels(a, 0), _levels(b, 0 if _same(a, b, _CENSUS) else 1)
    rate_a = _rates(a, 2)
    logs = ("resecure_log.", "book/learnt_rate")
    alike = _same(a, b, logs) and what_the_log_says(a).used == what_the_log_says(b).used
    rate_b = rate_a[:, like] if alike else _rates(b, 3)
    years = [_year(unit, choice, level, rate)
             for unit, choice, level, rate in zip((a, b), choices, levels, (rate_a, rate_b))]
    rows = [(side, *_mean_and_band(draws)) for side, draws in zip(("a", "b", "difference"),
                                                                  (*years, years[1] - years[0]))]
    return pd.DataFrame(rows, columns=["side", "value", "low", "high"])


def _same(a: Unit, b: Unit, files: tuple[str, ...]) -> bool:
    """Whether both read the same files of these names, or neither any; a workbook counts as one file of all tables."""
    sides = [{name.rpartition(".")[0]: code for name, code in unit.checksums.items()
              if name.startswith(files) or name.endswith(".xlsx")} for unit in (a, b)]
    return sides[0] == sides[1]


def _levels(unit: Unit, stream: int) -> np.ndarray:
    """Airway-days of a year over their mean, ndarray (DRAWS,)."""
    days = forecast_unit(unit, unit.planning.seed + stream, months=12, draws=DRAWS).paths.airway_days.sum(axis=1)
    return np.asarray(days / max(float(days.mean()), 1e-9), dtype=float)


def _rates(unit: Unit, stream: int) -> np.ndarray:
    """Re-secures of a day over their mean, by kind of airway, ndarray (DRAWS, n_strata)."""
    draws = what_the_log_says(unit).rate_draws(DRAWS, np.random.default_rng([unit.planning.seed, stream]))
    return draws / np.maximum(draws.mean(axis=0), 1e-12)


def _year(unit: Unit, choice: ItemChoice, level: np.ndarray, rate: np.ndarray) -> np.ndarray:
    model = use_model(unit, choice)
    often = mean_airways(unit) * (model.per_day @ model.price)
    arriving = float(mean_airways(unit) * model.arrivals @ (model.per_arrival @ model.price))
    return DAYS_A_YEAR * level * (rate @ often + arriving)


def _mean_and_band(draws: np.ndarray) -> tuple[float, float, float]:
    low, high = np.quantile(draws, BANDS[1:3])
    return float(draws.mean()), float(low), float(high)
