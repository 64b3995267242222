"""The values the readers hand on: one frozen `Unit`, holding small frozen parts and tidy DataFrames.

Nothing here reads a file or computes demand. DataFrames are to be treated as read-only down the road.
Every column of every table is described once, in config/columns.csv.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from kitplan.brief import Brief
from kitplan.read.class_values import TrainingClass
from kitplan.read.problems import Problem

STRATUM_KEY = ["route", "size", "technique", "skin"]
"""What makes one kind of airway for supply purposes. size is text with its unit; skin is "none" or "barrier"."""

SPARE_TUBE_ROLE = "spare_tube"

STRATUM_COLUMNS = ["route", "tube_mm", "size", "technique", "skin"]
"""The same as tables tell it: tube_mm is empty where the route's sizes are not millimetres."""

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
class Route:
    """How a device goes in, and what follows for its sizes, its emergency equipment and the words about it.

    scale: "mm" (internal diameter), "Fr" (French: three times the outer diameter in mm), "none", or the names of
        `sizes` joined by "/", smallest first. emergency: roles held at every bedside, sized to the patient.
    outside: what belongs to the bedside and is not planned, said on the emergency sheet. alias: other words for the
        route in tables.
    one, many: what is counted ("airway", "airways"). device: what goes in ("tube"). act, acts: the work ("re-secure").
    """

    name: str
    scale: str = "mm"
    sizes: tuple[str, ...] = ()
    emergency: tuple[str, ...] = ("mask", "bag")
    outside: tuple[str, ...] = ()
    one: str = "airway"
    many: str = "airways"
    device: str = "tube"
    act: str = "re-secure"
    acts: str = "re-secures"
    alias: tuple[str, ...] = ()
    provenance: str = ""

    def told(self, text: str) -> str:
        """A text of ours about airways and re-secures, in this route's words."""
        own = {"airways": self.many, "airway": self.one, "re-secures": self.acts, "re-secure": self.act}
        return re.sub("airways?|re-secures?", lambda found: own[found[0]], text)


WORDS = ("one", "many", "device", "act", "acts")
"""The words of a route, for screens and prints."""


@dataclass(frozen=True)
class Piece:
    """One kind of tape piece in a recipe.

    shape: "strip", "Y" (slit from one end) or "H" (slit from both ends).
    count: pieces of this kind per re-secure.
    span: length as a factor of the face span, or None when length_mm is given.
    length_mm: fixed length, or None. extra_mm: added to the span (nasal pieces are somewhat longer).
    half_width: True for a strip of half the tape's width; the other half is thrown away.
    uncut_mm: where a Y's slit stops, from the far end, at most; uncut_share: at most this share of the face span, so
        that on a small face the slit still ends on its own side. bridge_mm: uncut middle of an H.
    path_mm: from the end of a leg's slit to the tube; None: to a tube in the middle of the span.
    tab_mm: folded end of a leg. turns: turns of a leg round the tube. use: what it is for ("clean surface").
    """

    shape: Literal["strip", "Y", "H"]
    count: int
    span: float | None = None
    length_mm: float | None = None
    extra_mm: float = 0.0
    half_width: bool = False
    uncut_mm: float = 0.0
    uncut_share: float | None = None
    path_mm: float | None = None
    bridge_mm: float = 0.0
    tab_mm: float = 0.0
    turns: float = 0.0
    use: str = ""


@dataclass(frozen=True)
class Step:
    """One step of a practice card, in the recipe's words.

    only: "" or the practices it stands for ("barrier", "no barrier", "pairs", "alone"). {partner} in `say` becomes the
    partner, or the instructor for a learner alone.
    """

    say: str
    only: str = ""


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
    steps: tuple[Step, ...] = ()

    def needs(self, skin: str) -> dict[str, float]:
        """Use units of each role that one re-secure takes, tape apart."""
        more = self.uses_with_barrier if skin == "barrier" else {}
        needs = {role: self.uses.get(role, 0.0) + more.get(role, 0.0) for role in (*self.uses, *more)}
        return {role: need for role, need in needs.items() if need > 0}


NO_CURRENCY = "money units"
NAME_YOURS = (f'Sums are in {NO_CURRENCY}: add currency = "EUR", or what yours is, at the top of unit.toml '
              "(in a workbook, a row currency on the sheet unit).")
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
        return self.review_days + self.lead_days


@dataclass(frozen=True)
class BedsidePolicy:
    """Bedside kits. readiness is the chance that a kit lasts restock_hours. beds None: peak of the census.

    sizes_in_kit: different masks, and different bags, that one kit design may hold. on_wall: roles shared on the unit's
    wall and therefore in no kit. more_equipment: the shipped generic rows are on. cuff_step_mm, cuff_up_to_mm: how far
    a cuff moves the patient that a size stands for, and up to which size.
    """

    restock_hours: float
    readiness: float
    designs: int | None = None
    container_litres: float | None = None
    beds: int | None = None
    items_carried: int | None = None
    adjacent_size: bool = True
    spare_tube: bool = False
    kits_in_par: bool = False
    kits_from_shelf: bool = False
    sizes_in_kit: int = 2
    on_wall: tuple[str, ...] = ()
    more_equipment: bool = False
    cuff_step_mm: float = 0.5
    cuff_up_to_mm: float = 6.5

    @property
    def wants_spare_tubes(self) -> bool:
        """Whether a spare tube of the same and of a smaller size lies at every bedside."""
        return self.spare_tube or self.more_equipment


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

    def scenarios_of(self, stream: str) -> int:
        """Scenarios of "plan", which par levels are planned on, or of "verify"."""
        return self.verify_scenarios if stream == "verify" else self.scenarios


@dataclass(frozen=True)
class ForecastPolicy:
    """Months to look ahead, and how much unexplained use (share, and money) is worth naming an item for."""

    months: int
    unexplained_limit: float = 0.25
    unexplained_worth: float = 20.0


@dataclass(frozen=True)
class Budget:
    """What the unit may spend in one year. start: its first month, "2026-04". amount: money of the year, None where
    `lines` (month, item ("" for all), amount, spent; NaN where not given) say it by month.
    """

    start: str
    amount: float | None
    lines: pd.DataFrame

    @property
    def months(self) -> list[str]:
        """The twelve months of the year, "2026-04" first."""
        return [str(m) for m in pd.period_range(self.start, periods=12, freq="M")]


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
    is of. for_cause: the range leaves a routine change out, which is known. mean_stay_range: days. stay_log_sd_range:
    sigma of the log-normal stay. learn: a re-secure log is learnt from. rate_ratio: draws of each stratum's rate over
    the one in Unit.frequency, (n, n_strata), where a log or counts were learnt from. rate_from: "log", "counts",
    "issues" or "guess", where those draws come from. hastened: what the hazards were multiplied by to come to their
    mean, (n_strata,). use_rate: what the order book's counts, or stock issues, teach, where there are enough. swing:
    yearly swing of arrivals that the unit states, share above the year's mean in the peak month, and that month, 1 to
    12.
    """

    rate_range: tuple[float, float] | None = None
    guessed: tuple[str, ...] = ()
    mean_stay_range: tuple[float, float] | None = None
    stay_log_sd_range: tuple[float, float] | None = None
    learn: bool = False
    rate_ratio: np.ndarray | None = None
    rate_from: str = ""
    hastened: np.ndarray | None = None
    use_rate: UseRate | None = None
    swing: tuple[float, int] | None = None
    for_cause: bool = False

    @property
    def rate_learnt(self) -> bool:
        """True where how often rests on what the unit has seen, and is no guess."""
        return self.rate_from in ("log", "counts", "issues")


@dataclass(frozen=True)
class UseRate:
    """What the counts of the order book teach of the re-secures of an airway a day: mean and sd of the logarithm.

    days: of counts that it rests on.
    """

    log_mean: float
    log_sd: float
    days: int


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


@dataclass(frozen=True, eq=False, repr=False)
class Unit(Brief):
    """Everything known about one unit, checked: the one input value of the program. Equal only to itself.

    path: folder or workbook it came from. checksums: SHA-256 of each file read, by file name. day_first: whether the
        census writes days before months, None where it does not tell.
    strata: frame with a 0-based RangeIndex `stratum` and columns route, size ("3.5 mm", "8 Fr", "small", ""),
        technique, skin, scale (Route.scale), size_number (position on that scale), patient_number (the same, moved
        where a cuff moves the patient that a size stands for), tube_mm (NaN where the scale is not mm), patient_kg
        (median of the size; NaN if unknown), outer_mm (outer diameter), label ("oral 3.5 mm, Oral two Y, barrier"),
        and the face row chosen for it: span_mid_cheek_mm, span_tragus_mm, barrier_width_mm, barrier_length_mm (NaN
        where no piece needs it), face_for ("2 to 4 kg"), face_own (True: the unit's own measurements).
    frequency: frame, same index as strata, FREQUENCY_COLUMNS. checks_per_day: whole number.
    items: catalogue, 0-based index in shelf order; columns as config/columns.csv table "items" (item,
        description, role, contains, use_unit, scope, pack, price, litres, fits_from_mm, fits_to_mm,
        min_bedside, min_stock, critical (bool), shelf_life_days, gtin, counted ("items" or "packs"), width_mm,
        length_mm, share, bin).
        share: this item's part of the role's use where several are wanted side by side (glove sizes); NaN where
        items of a role are alternatives. Missing numbers are NaN, missing text "".
    log, issues, present_par, on_hand, prices: optional tables, None when the file is not there (see columns.csv).
        log has `stratum` (-1 if unknown), `airway`, `day` (float days since census.first_day), date, reason.
    budget: the budget year, None without. prefer: role -> item the unit wants used whatever it costs.
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
    prices: pd.DataFrame | None = None
    budget: Budget | None = None
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
    routes: Mapping[str, Route] = field(default_factory=dict)
    day_first: bool | None = None

    @property
    def n_strata(self) -> int:
        return len(self.strata)

    def faults_of(self, part: str) -> tuple[Problem, ...]:
        """What keeps one part of the plan from being made."""
        return tuple(p for p in self.faults if part in p.stops)

    def route(self, name: object) -> Route:
        """The route of a stratum; one that nothing describes has sizes in mm, a mask and a bag."""
        return self.routes.get(str(name)) or Route(str(name))

    @cached_property
    def airways(self) -> tuple[dict[str, Any], ...]:
        """The rows of `strata`, in order: many small look-ups are slow in a frame. Not to be changed."""
        return tuple(self.strata.to_dict("records"))

    @cached_property
    def catalogue(self) -> tuple[dict[str, Any], ...]:
        """The rows of `items`, in order, as `airways` has those of `strata`. Not to be changed."""
        return tuple(self.items.to_dict("records"))

    @cached_property
    def words(self) -> Route:
        """The words for what this unit has: its routes', or "device" where they differ."""
        found = [self.route(name) for name in self.strata["route"].unique()]
        plain = Route("", one="device", many="devices", device="device")
        shared = {k: v.pop() for k in WORDS if len(v := {getattr(route, k) for route in found}) == 1}
        return replace(plain, **shared)
