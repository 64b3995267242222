"""Invented stock rooms and correlated demand for the tests of the programs: no reader and no sampler involved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.values import Demand
from kitplan.read.values import PlanningPolicy, StockPolicy
from tests.millimetres import fits_in_millimetres, in_millimetres


def shared_episodes(n_scenarios, n_items, seed, kinds=6, mean_airways=4.0):
    """Units of each item, shape (n_scenarios, n_items): the same airways drive many items, so items move together.

    A third of the items is used at each event, a third opened once an airway, a third once in a while.
    """
    draw, catalogue = np.random.default_rng([seed, 1]), np.random.default_rng(n_items)
    busy = draw.lognormal(0.0, 0.15, (n_scenarios, 1))
    airways = draw.poisson(busy * mean_airways * catalogue.uniform(0.3, 1.7, kinds))
    events = draw.poisson(draw.gamma(np.maximum(airways, 1e-9) / 0.4, 0.4) * 3.0)
    units = np.zeros((n_scenarios, n_items), dtype=np.int32)
    for i in range(n_items):
        served = catalogue.random(kinds) < 0.4
        served[catalogue.integers(kinds)] = True
        if i % 3 == 0:
            units[:, i] = events[:, served].sum(axis=1) * catalogue.integers(1, 4)
        elif i % 3 == 1:
            extra = np.maximum(events[:, served] - 4 * airways[:, served], 0) // 4
            units[:, i] = (airways[:, served] + extra).sum(axis=1)
        else:
            units[:, i] = draw.binomial(airways[:, served].sum(axis=1), catalogue.uniform(0.2, 0.8))
    return units


def demand_of(units, names=None, stream="plan"):
    names = tuple(f"item {i:02d}" for i in range(np.shape(units)[1])) if names is None else tuple(names)
    return Demand(names, np.asarray(units, dtype=np.int32), np.zeros((len(units), 1), dtype=np.int32), 9.0, 1, stream)


@pytest.fixture
def invented_units():
    """`invented_units(n_scenarios, n_items, seed)`: correlated demand in items."""
    return shared_episodes


@pytest.fixture
def make_demand():
    """`make_demand(units, names, stream)`: a Demand around an array of units."""
    return demand_of


@pytest.fixture
def make_stock(unit_maker):
    """`make_stock(n_items, price=..., pack=..., ...)`: a unit whose catalogue has just these items."""

    def make(n_items, *, readiness=0.95, shelf=None, budget=None, planning=None, present=None, tubes=None, **columns):
        catalogue = np.random.default_rng(n_items + 100)
        items = pd.DataFrame(
            {
                "item": [f"item {i:02d}" for i in range(n_items)],
                "description": [f"Invented item {i}" for i in range(n_items)],
                "role": [f"role {i}" for i in range(n_items)],
                "scope": ["event", "patient", "unit"] * (n_items // 3) + ["event", "patient", "unit"][: n_items % 3],
                "pack": catalogue.choice([1.0, 5.0, 10.0], n_items),
                "price": np.round(catalogue.uniform(3.0, 40.0, n_items), 2),
                "litres": np.round(catalogue.uniform(0.2, 3.0, n_items), 1),
                "fits_from_mm": np.nan,
                "fits_to_mm": np.nan,
                "min_stock": 0.0,
                "critical": False,
                "sterile": False,
                "share": np.nan,
                "counted": "items",
                "use_unit": "piece",
                "contains": 1.0,
            }
        ).assign(**columns)
        policy = planning or PlanningPolicy(1, 4000, 4000, 16000, 0.001, 20.0, 8, (0.85, 0.9, 0.95, 0.98))
        stock = StockPolicy(7, 2, readiness, shelf, budget)
        changes = {"items": fits_in_millimetres(items), "stock": stock, "planning": policy}
        if present is not None:
            changes["present_par"] = pd.DataFrame({"item": items["item"], "par_packs": present})
        unit = unit_maker(**changes)
        if tubes is not None:
            unit.strata["tube_mm"] = tubes
            unit = replace(unit, strata=in_millimetres(unit.strata))
        return unit

    return make
