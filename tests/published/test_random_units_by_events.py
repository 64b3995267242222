"""Demand engine and play against a general event-simulation library (SimPy, MIT licence) on five random units, and the
solver against a second one on their programs.

Snapshots out of tests/random_units.py with a mean stay of four days, what is not known held fixed. Mean use of each
item: all three agree within five standard errors of eight event runs and half a per cent. Which item serves which role
and the lengths of cut pieces are taken from kitplan (other tests hold those); all that happens in time is not.
"""

from __future__ import annotations

import importlib.util
import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings

from kitplan.demand.item_choice import fill_roles
from kitplan.demand.scenarios import draw_demand
from kitplan.parts.par.model import ask
from kitplan.parts.simulate.check_play import lengths_cut_mm, rectangles_from_sheet
from kitplan.parts.simulate.issue_play import play_issues, stock_clock
from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.read.values import Unit
from kitplan.solve.par_program import cheapest

from ..conftest import known
from ..random_units import RandomUnit, units
from ..solve.test_second_solver import SCENARIOS, least_cost_by_cbc, needs_cbc

pytest.importorskip("simpy")
UNITS, RUNS, ERRORS, SHARE = 5, 8, 5.0, 0.005
CHECKS = 6_000
"""Checks of airways in one event run, so that every unit takes alike long."""

_spec = importlib.util.spec_from_file_location("event_unit", Path(__file__).with_name("event_unit.py"))
assert _spec is not None
assert _spec.loader is not None
events = importlib.util.module_from_spec(_spec)
sys.modules["event_unit"] = events
_spec.loader.exec_module(events)


def draw_units(folder: Path) -> list[Unit]:
    """Five snapshots out of seeded draws, no two with as many items, that an event run of a second sees enough of."""
    found: dict[int, Unit] = {}

    def keep(drawn: RandomUnit) -> None:
        if len(found) == UNITS or "airways" not in drawn.files["census.csv"] or "date" in drawn.files["census.csv"]:
            return
        files = {name: text for name, text in drawn.files.items() if name.endswith(("census.csv", "items.csv", "toml"))}
        try:
            unit = load_unit(replace(drawn, files=files).write(folder / str(len(list(folder.iterdir())))))
        except InputError:
            return
        census = replace(unit.census, mean_stay_days=4.0, stay_log_sd=0.8)
        quick = unit.stock.protection_interval_days <= 35 and census.rows["airways"].sum() * unit.checks_per_day <= 500
        if quick and unit.n_strata > 1 and len(unit.items) > 5:
            found[len(unit.items)] = replace(unit, census=census, bedside=replace(unit.bedside, beds=None))

    for number in range(40):
        if len(found) < UNITS:
            seed(number)(settings(max_examples=5, deadline=None, database=None, phases=[Phase.generate],
                                  suppress_health_check=list(HealthCheck))(given(units())(keep)))()
    return list(found.values())


def needs_of(unit: Unit, stratum: int, frame: Any) -> tuple[Any, ...]:
    """What a kind takes, out of the unit's own files and the items that serve it."""
    place, items = unit.strata.loc[stratum], unit.items.set_index("item")
    technique = unit.techniques[str(place["technique"])]
    used_up = {*technique.uses, *(technique.uses_with_barrier if place["skin"] == "barrier" else ())}
    used_up |= {"tape"} if technique.pieces else set()
    found = []
    for role, rows in frame[frame["stratum"] == stratum].groupby("role", sort=False):
        first, need = rows.iloc[0], float(rows["need"].iloc[0])
        item = items.loc[first["item"]]
        holds = float(item["contains"])
        if first["share"] < 1:
            others = tuple(zip(rows["item"], rows["share"].astype(float)))
            found.append(events.Need(first["item"], "either", math.ceil(need - 1e-9), others=others))
        elif first["scope"] == "event":
            found.append(events.Need(first["item"], "each", math.ceil(need / holds - 1e-9)))
        elif first["scope"] == "unit":
            found.append(events.Need(first["item"], "shared", need, holds))
        elif role not in used_up:
            found.append(events.Need(first["item"], "once", max(round(need), 1)))
        elif role == "tape":
            lengths = tuple(lengths_cut_mm(technique, place, float(item["width_mm"])))
            found.append(events.Need(first["item"], "cut", holds=float(item["length_mm"]), lengths=lengths))
        else:
            if role == "barrier" and item["width_mm"] > 0:
                holds *= rectangles_from_sheet(item["width_mm"], item["length_mm"], place["barrier_width_mm"],
                                               place["barrier_length_mm"])
            found.append(events.Need(first["item"], "poured", need, holds))
    return tuple(found)


def kinds_of(unit: Unit, what: Any, frame: Any) -> list[Any]:
    kinds = []
    for stratum, row in unit.frequency.reset_index(drop=True).iterrows():
        steady = float(row[["soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"]].sum())
        flat = float(row["flat_per_check"])
        kinds.append(events.Kind(
            float(what.arrivals[0, stratum]), unit.census.mean_stay_days, unit.census.stay_log_sd, unit.checks_per_day,
            float(row["loosening_scale_hours"]), float(row["loosening_shape"]), steady,
            -1.0 if math.isnan(flat) else flat, float(what.hazard[0, stratum]), float(row["airway_spread"]),
            float(row["planned_hours"]), float(row["redo"]), round(float(row["admission_secures"])),
            needs_of(unit, stratum, frame)))
    return kinds


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> list[Unit]:
    return draw_units(tmp_path_factory.mktemp("drawn"))


@pytest.mark.parametrize("number", range(UNITS))
def test_mean_use_of_every_item_agrees_three_ways(number, drawn):
    unit = drawn[number]
    item_choice, what, names = fill_roles(unit), known(unit), unit.items["item"].tolist()
    kinds, interval = kinds_of(unit, what, item_choice.frame), unit.stock.protection_interval_days
    days = max(CHECKS / (sum(k.arrivals * k.mean_stay for k in kinds) * unit.checks_per_day), 20.0)
    runs = events.used_a_day(kinds, days, 12 * unit.census.mean_stay_days, RUNS, number)
    demand = draw_demand(unit, item_choice, interval, 2000, 1, "events", posterior=what).units / interval
    clock, warm = stock_clock(unit), 60
    played = play_issues(unit, item_choice, 300 + warm, 16, 1, "events", what)
    a_day = unit.checks_per_day / clock.step_checks
    played = played[int(warm * a_day):].mean(axis=0) * a_day
    assert any(name in run for run in runs for name in names)
    for k, name in enumerate(names):
        means = np.array([run.get(name, 0.0) for run in runs])
        for own in (demand[:, k], played[:, k]):
            error = math.hypot(means.std(ddof=1) / math.sqrt(RUNS), own.std(ddof=1) / math.sqrt(len(own)))
            assert abs(own.mean() - means.mean()) <= ERRORS * error + SHARE * means.mean() + 1e-12, name


@needs_cbc
@pytest.mark.parametrize("number", range(UNITS))
def test_the_readiness_program_has_the_optimum_that_a_second_solver_finds(number, drawn):
    """CBC (COIN-OR) on a formulation of its own: levels, and a switch for each scenario that they cover."""
    unit = drawn[number]
    asked = ask(unit, draw_demand(unit, fill_roles(unit), unit.stock.protection_interval_days, 200, 1, "plan"))
    needs, floor = asked.needs[:SCENARIOS], np.asarray(asked.floor)
    required = math.ceil(unit.stock.readiness * len(needs) - 1e-9)
    ours = cheapest(needs, asked.cost, required, floor, 0.0, 60.0)
    least = least_cost_by_cbc(needs, asked.cost, required, floor)
    assert float(asked.cost @ ours.par) == pytest.approx(least, rel=1e-6)
