"""The values the readers hand on: one frozen `Unit`, holding small frozen parts and tidy DataFrames.

Nothing here reads a file or computes demand. DataFrames are to be treated as read-only down the road.
Every column of every table is described once, in config/columns.csv.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from kitplan.read.class_values import TrainingClass
from kitplan.read.problems import Problem

STRATUM_KEY = ["route", "tube_mm", "technique", "skin"]
"""What makes one kind of airway for supply purposes. skin is "none" or "barrier"."""

REASONS = ("loose", "soiled", "skin", "moved", "changed", "planned", "unplanned_removal", "other")

FREQUENCY_COLUMNS = [
    "loosening_scale_hours",
    "loosening_shape",
    "soiled_per_day",
    "skin_per_day",
    "moved_per_day",
    "changed_per_day",
    "planned_hours",
    "airway_spread",
    "redo",
    "admission_secures",
    "flat_per_check",
]
"""Columns of Unit.frequency, one row a stratum, modifiers already applied. flat_per_check is NaN when unused."""


@dataclass(frozen=True)
class Census:
    """Who is in the unit, in one of three shapes.

    shape: "snapshot" (columns stratum, airways), "counts" (day, stratum, airways) or
        "stays" (airway, stratum, start, end).
    rows: tidy frame; `stratum` indexes Unit.strata. `day` is whole days since first_day; a day with no row at
        all is unknown and listed in `unknown_days`, a stratum with no row on a known day has 0 airways.
        `start`, `end` are days (float) since midnight of first_day; a date without a time counts as 12:00;
        end is NaN while the airway is still in place.
    first_day, last_day: calendar span (None for an undated snapshot); last_day is the last day with data.
    mean_stay_days: turnover for a snapshot or counts; None: no turnover known.
    stay_log_sd: sigma of the log-normal length of stay used with mean_stay_days.
    expected: frame stratum, mean_airways: strata with no rows that may still arrive (`[[expect]]`).
    """

    shape: Literal["snapshot", "counts", "stays"]
    rows: pd.DataFrame
    first_day: date | None
    last_day: date | None
    mean_stay_days: float | None
    stay_log_sd: float
    expected: pd.DataFrame
    unknown_days: tuple[int, ...] = ()


@dataclass(frozen=True)
class Piece:
    """One kind of tape piece in a recipe.

    shape: "strip", "Y" (slit from one end) or "H" (slit from both ends).
    count: pieces of this kind per re-secure.
    span: length as a factor of the face span, or None when length_mm is given.
    length_mm: fixed length, or None. extra_mm: added to the span (nasal pieces are somewhat longer).
    half_width: True for a strip of half the tape's width; the other half is thrown away.
    uncut_mm: where a Y's slit stops, from the far end; bridge_mm: uncut middle of an H.
    tab_mm: folded end of a leg. turns: turns of a leg round the tube. use: what it is for ("clean surface").
    """

    shape: Literal["strip", "Y", "H"]
    count: int
    span: float | None = None
    length_mm: float | None = None
    extra_mm: float = 0.0
    half_width: bool = False
    uncut_mm: float = 0.0
    bridge_mm: float = 0.0
    tab_mm: float = 0.0
    turns: float = 0.0
    use: str = ""


@dataclass(frozen=True)
class Technique:
    """One recipe. `uses` and `uses_with_barrier` map a role to use units per re-secure.

    measure: which face span the pieces use, "mid_cheek" or "tragus". tape_width_mm: width of tape wanted,
    None for any. people: who take part (gloves are counted in `uses`, in pairs).
    """

    name: str
    title: str
    routes: tuple[str, ...]
    default: bool
    people: int
    measure: Literal["mid_cheek", "tragus"]
    tape_width_mm: float | None
    pieces: tuple[Piece, ...]
    uses: Mapping[str, float]
    uses_with_barrier: Mapping[str, float]
    provenance: str = ""


READINESS = "the chance that nothing runs short from one count until the order of the next count arrives"
"""What readiness is, in the same words wherever a person reads of it."""


@dataclass(frozen=True)
class StockPolicy:
    """Stock room. readiness: see READINESS; that is review_days + lead_days."""

    review_days: float
    lead_days: float
    readiness: float
    shelf_litres: float | None = None
    budget: float | None = None
    unavailable: tuple[str, ...] = ()
    unavailable_weeks: float | None = None

    @property
    def protection_interval_days(self) -> float:
        """Review period plus lead time, days."""
        return self.review_days + self.lead_days


@dataclass(frozen=True)
class BedsidePolicy:
    """Bedside kits. readiness is the chance that a kit lasts restock_hours. beds None: peak of the census."""

    restock_hours: float
    readiness: float
    designs: int | None = None
    container_litres: float | None = None
    beds: int | None = None
    items_carried: int | None = None
    adjacent_size: bool = True
    spare_tube: bool = False
    kits_in_par: bool = False


@dataclass(frozen=True)
class PlanningPolicy:
    """How the program plans: numbers of scenarios and solver limits, from config/policy.toml."""

    seed: int
    scenarios: int
    verify_scenarios: int
    max_scenarios: int
    mip_gap: float
    time_limit_seconds: float
    frailty_nodes: int
    frontier: tuple[float, ...]
    face_size_step_mm: float = 0.5


@dataclass(frozen=True)
class ForecastPolicy:
    """Months to look ahead, and how much unexplained use (share, and money) is worth naming an item for."""

    months: int
    unexplained_limit: float = 0.25
    unexplained_worth: float = 20.0


@dataclass(frozen=True)
class SeasonPolicy:
    """When par levels change with the season.

    holding_share: cost of holding stock for a year, as a share of its value. change_cost: money for each item whose
    par changes; round_cost: for each change of par levels. chance, swing: a season is believed when it would show by
    chance no more often than `chance`, and acted on when its height over the mean is at least `swing`.
    """

    holding_share: float
    change_cost: float
    round_cost: float
    chance: float
    swing: float


@dataclass(frozen=True)
class Doubt:
    """What a unit leaves open. Ranges hold 90 %; None: the value is taken as known.

    rate_range: re-secures of an airway a day. guessed: names of the hazards that are the shipped guess, which the range
    is of. mean_stay_range: days. stay_log_sd_range: sigma of the log-normal stay. yearly_swing, peak_month: a swing of
    arrivals that the unit states, share of the mean and month of the top. learn: a re-secure log is learnt from.
    rate_ratio: draws of each stratum's rate over the one in Unit.frequency, (n, n_strata), where a log was learnt from.
    """

    rate_range: tuple[float, float] | None = None
    guessed: tuple[str, ...] = ()
    mean_stay_range: tuple[float, float] | None = None
    stay_log_sd_range: tuple[float, float] | None = None
    yearly_swing: float | None = None
    peak_month: int | None = None
    learn: bool = False
    rate_ratio: np.ndarray | None = None


@dataclass(frozen=True)
class Assumption:
    """One number the plan rests on, for the assumptions sheet.

    source: where a default comes from ("common practice, no source"), or "this unit's unit.toml".
    """

    topic: str
    name: str
    value: str
    unit: str
    source: str


@dataclass(frozen=True, eq=False)
class Unit:
    """Everything known about one unit, checked: the one input value of the program. Equal only to itself.

    path: folder or workbook it came from. checksums: SHA-256 of each file read, by file name.
    strata: frame with a 0-based RangeIndex `stratum` and columns route, tube_mm, technique, skin, patient_kg
        (NaN if unknown), outer_mm (tube outer diameter), label ("oral 3.5 mm, Oral two Y, barrier"), and the
        face row chosen for it: span_mid_cheek_mm, span_tragus_mm, barrier_width_mm, barrier_length_mm.
    frequency: frame, same index as strata, FREQUENCY_COLUMNS. checks_per_day: whole number.
    items: catalogue, 0-based index in shelf order; columns as config/columns.csv table "items" (item,
        description, role, contains, use_unit, scope, pack, price, litres, fits_from_mm, fits_to_mm,
        min_bedside, min_stock, critical (bool), shelf_life_days, gtin, width_mm, length_mm, share, bin).
        share: this item's part of the role's use where several are wanted side by side (glove sizes); NaN where
        items of a role are alternatives. Missing numbers are NaN, missing text "".
    log, issues, present_par, on_hand: optional tables, None when the file is not there (see columns.csv).
        log has `stratum` (-1 if unknown), `airway`, `day` (float days since census.first_day), date, reason.
    prefer: role -> item the unit wants used whatever it costs.
    classes: the educator's classes by day. class_checksums: SHA-256 of their files, by name; no part of a plan's
        number, for a class moves no par level.
    warnings: things worth a look that do not stop the plan. faults: what is wrong in files that only some parts of
        the plan need; `Problem.stops` names them. doubt: what the unit leaves open.
    """

    path: Path
    name: str
    currency: str
    strata: pd.DataFrame
    census: Census
    frequency: pd.DataFrame
    checks_per_day: int
    techniques: Mapping[str, Technique]
    items: pd.DataFrame
    stock: StockPolicy
    bedside: BedsidePolicy
    planning: PlanningPolicy
    forecast: ForecastPolicy
    log: pd.DataFrame | None = None
    issues: pd.DataFrame | None = None
    present_par: pd.DataFrame | None = None
    on_hand: pd.DataFrame | None = None
    classes: tuple[TrainingClass, ...] = ()
    class_checksums: Mapping[str, str] = field(default_factory=dict)
    faults: tuple[Problem, ...] = ()
    prefer: Mapping[str, str] = field(default_factory=dict)
    assumptions: tuple[Assumption, ...] = ()
    warnings: tuple[Problem, ...] = ()
    checksums: Mapping[str, str] = field(default_factory=dict)
    seasons: SeasonPolicy | None = None
    paper: str = "a4"
    doubt: Doubt = field(default_factory=Doubt)

    @property
    def n_strata(self) -> int:
        return len(self.strata)

    def faults_of(self, part: str) -> tuple[Problem, ...]:
        """What keeps one part of the plan from being made."""
        return tuple(p for p in self.faults if part in p.stops)
