"""Small hand-made units that read no file, shared by the tests of every room."""

from __future__ import annotations

import signal
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.posterior import Posterior, fit_posterior
from kitplan.read.values import (
    FREQUENCY_COLUMNS,
    BedsidePolicy,
    Census,
    ForecastPolicy,
    Piece,
    PlanningPolicy,
    StockPolicy,
    Technique,
    Unit,
)
from tests.millimetres import fits_in_millimetres, in_millimetres

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # A shell starts what runs in the background deaf to Ctrl-C, and programs honour that: tests of Ctrl-C start some.
    signal.signal(signal.SIGINT, signal.default_int_handler)

ITEM_ROWS = [
    # item, description, role, contains, use_unit, scope, pack, price, litres, fits, min_bedside, min_stock, critical
    (
        "tape-25-short",
        "Cloth tape, 25 mm x 1.37 m, single patient",
        "tape",
        1372,
        "mm",
        "patient",
        10,
        9.0,
        0.8,
        None,
        0,
        0,
        False,
        25,
        1372,
    ),
    (
        "tape-25-long",
        "Cloth tape, 25 mm x 9.14 m",
        "tape",
        9144,
        "mm",
        "patient",
        12,
        30.0,
        2.0,
        None,
        0,
        0,
        False,
        25,
        9144,
    ),
    (
        "dressing-10",
        "Hydrocolloid dressing, 10 x 10 cm",
        "barrier",
        1,
        "piece",
        "patient",
        10,
        22.0,
        0.6,
        None,
        0,
        0,
        False,
        100,
        100,
    ),
    (
        "saline-5",
        "Saline ampoule, 5 mL",
        "saline",
        5,
        "mL",
        "event",
        50,
        11.0,
        0.9,
        None,
        0,
        0,
        False,
        None,
        None,
    ),
    (
        "saline-10",
        "Saline ampoule, 10 mL",
        "saline",
        10,
        "mL",
        "event",
        50,
        16.0,
        1.2,
        None,
        0,
        0,
        False,
        None,
        None,
    ),
    (
        "wipe-prep",
        "Barrier-film wipe",
        "prep_wipe",
        1,
        "wipe",
        "event",
        50,
        12.5,
        0.7,
        None,
        0,
        0,
        False,
        None,
        None,
    ),
    (
        "gloves-small",
        "Gloves, small",
        "gloves",
        1,
        "pair",
        "event",
        50,
        6.0,
        1.5,
        None,
        0,
        0,
        False,
        None,
        None,
    ),
    (
        "gloves-medium",
        "Gloves, medium",
        "gloves",
        1,
        "pair",
        "event",
        50,
        6.0,
        1.5,
        None,
        0,
        0,
        False,
        None,
        None,
    ),
    (
        "mask-42",
        "Round mask, 42 mm",
        "mask",
        1,
        "mask",
        "patient",
        1,
        7.0,
        0.3,
        (2.0, 3.5),
        1,
        2,
        True,
        None,
        None,
    ),
    (
        "mask-60",
        "Round mask, 60 mm",
        "mask",
        1,
        "mask",
        "patient",
        1,
        7.5,
        0.5,
        (3.5, 5.0),
        1,
        2,
        True,
        None,
        None,
    ),
    (
        "bag-450",
        "Resuscitation bag, 450 mL",
        "bag",
        1,
        "bag",
        "patient",
        1,
        19.0,
        2.5,
        (2.0, 5.5),
        1,
        1,
        True,
        None,
        None,
    ),
    (
        "scissors",
        "Scissors, blunt",
        "scissors",
        100,
        "use",
        "unit",
        1,
        4.0,
        0.1,
        None,
        0,
        1,
        False,
        None,
        None,
    ),
]


def make_items() -> pd.DataFrame:
    columns = [
        "item",
        "description",
        "role",
        "contains",
        "use_unit",
        "scope",
        "pack",
        "price",
        "litres",
        "fits",
        "min_bedside",
        "min_stock",
        "critical",
        "width_mm",
        "length_mm",
    ]
    items = pd.DataFrame(ITEM_ROWS, columns=columns)
    fits = items.pop("fits")
    items["fits_from_mm"] = [np.nan if not f else f[0] for f in fits]
    items["fits_to_mm"] = [np.nan if not f else f[1] for f in fits]
    items["sterile"] = False
    items["shelf_life_days"] = np.nan
    items["gtin"] = items["alias"] = ""
    items["counted"] = "items"
    items["share"] = np.where(items["role"] == "gloves", 0.5, np.nan)
    items["bin"] = [f"A{i:02d}" for i in range(len(items))]
    number = ["contains", "pack", "price", "litres", "width_mm", "length_mm", "min_bedside", "min_stock"]
    items[number] = items[number].astype(float)
    return fits_in_millimetres(items)


def make_frequency(n_strata: int, **changes: float) -> pd.DataFrame:
    row = (
        dict.fromkeys(FREQUENCY_COLUMNS, 0.0)
        | {
            "loosening_scale_hours": 70.0,
            "loosening_shape": 1.5,
            "soiled_per_day": 0.12,
            "skin_per_day": 0.03,
            "moved_per_day": 0.05,
            "airway_spread": 0.4,
            "redo": 0.06,
            "admission_secures": 1.0,
            "flat_per_check": np.nan,
        }
        | changes
    )
    return pd.DataFrame([row] * n_strata, columns=FREQUENCY_COLUMNS).astype(float)


def make_strata() -> pd.DataFrame:
    rows = [
        ("oral", 3.5, "oral_two_y", "none"),
        ("oral", 3.5, "oral_two_y", "barrier"),
        ("oral", 4.0, "oral_two_y", "none"),
    ]
    strata = pd.DataFrame(rows, columns=["route", "tube_mm", "technique", "skin"])
    strata["patient_kg"] = np.nan
    strata["outer_mm"] = [4.8, 4.8, 5.4]
    strata["label"] = ["oral 3.5 mm", "oral 3.5 mm, barrier", "oral 4.0 mm"]
    strata["span_mid_cheek_mm"] = [95.0, 95.0, 105.0]
    strata["span_tragus_mm"] = [160.0, 160.0, 190.0]
    strata["barrier_width_mm"] = 25.0
    strata["barrier_length_mm"] = 40.0
    strata.index.name = "stratum"
    return in_millimetres(strata).assign(face_for="", face_own=True)


def make_technique() -> Technique:
    pieces = (
        Piece("Y", 2, span=1.0, uncut_mm=50, tab_mm=8, turns=2),
        Piece("strip", 1, span=1.0, use="clean surface"),
    )
    return Technique(
        "oral_two_y",
        "Oral, two Y pieces",
        ("oral",),
        True,
        2,
        "tragus",
        25.0,
        pieces,
        {"gloves": 2, "prep_wipe": 2, "saline": 5, "scissors": 1},
        {"barrier": 2},
    )


def make_unit(census: Census | None = None, **changes) -> Unit:
    """A unit of three strata with a snapshot of 4, 2 and 3 airways and a mean stay of 6 days."""
    strata = make_strata()
    rows = pd.DataFrame({"stratum": [0, 1, 2], "airways": [4, 2, 3]})
    nobody = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})
    census = census or Census("snapshot", rows, date(2026, 3, 2), date(2026, 3, 2), 6.0, 1.0, nobody)
    values = {
        "path": Path("invented"),
        "name": "Invented test unit",
        "currency": "USD",
        "strata": strata,
        "census": census,
        "frequency": make_frequency(len(strata)),
        "checks_per_day": 4,
        "techniques": {"oral_two_y": make_technique()},
        "items": make_items(),
        "stock": StockPolicy(7, 2, 0.95),
        "bedside": BedsidePolicy(24, 0.95, 2),
        "planning": PlanningPolicy(1, 4000, 4000, 16000, 0.005, 20.0, 8, (0.9, 0.95, 0.98)),
        "forecast": ForecastPolicy(12),
    } | changes
    return Unit(**values)


@pytest.fixture
def small_unit() -> Unit:
    return make_unit()


@pytest.fixture
def unit_maker():
    """`make_unit`, for tests that change one thing: unit_maker(stock=StockPolicy(...))."""
    return make_unit


@pytest.fixture
def frequency_maker():
    return make_frequency


def known(unit: Unit, **changes: object) -> Posterior:
    """What is fitted of a unit, as if nothing were in doubt and no week busier than another.

    A snapshot's count is then the mean itself, not one draw of a Poisson number.
    """

    fitted = fit_posterior(unit)
    for part in ("arrivals", "stays", "rate"):
        fitted = fitted.without_doubt(part)
    arrivals = fitted.arrivals
    if unit.census.shape == "snapshot" and unit.census.mean_stay_days:
        rows = unit.census.rows
        counted = np.bincount(rows["stratum"], weights=rows["airways"], minlength=unit.n_strata)
        arrivals = np.tile(counted / fitted.mean_stays[0], (fitted.n_draws, 1))
    calm = {"arrivals": arrivals, "swing": 0 * fitted.swing, "burst": 0 * fitted.burst, "lasting": 0 * fitted.lasting,
            "beds": None}
    return replace(fitted, **{**calm, **changes})
