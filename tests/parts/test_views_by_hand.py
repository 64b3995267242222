"""What a manager's view is put together from, what is left of lots, and what one year of play can tell: by hand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.forecast import model
from kitplan.parts.forecast.model import ManagerView, look_ahead
from kitplan.parts.kits.roll_choice import SINGLE_COLUMNS, _single
from kitplan.parts.orders.ledger import Lot, first_out
from kitplan.parts.par.frontier import few
from kitplan.parts.simulate.model import effective_intervals


@dataclass(frozen=True)
class Instance:
    """What a point of the curve asks of an instance."""

    needs: np.ndarray
    floor: np.ndarray


def part(name):
    return SimpleNamespace(tables=lambda: {name: pd.DataFrame({name: [1]})}, sentences=(f"{name} said.",),
                           notes=(f"{name} noted.",))


def test_a_view_says_the_budget_first_then_the_months_then_why():
    view = ManagerView(part("ahead"), part("past"), part("budget"))
    assert view.sentences() == ["budget said.", "ahead said.", "past said."]
    assert list(view.tables()) == ["ahead", "past", "budget"]
    assert view.notes() == ["ahead noted.", "past noted."]
    alone = ManagerView(part("ahead"), None, None)
    assert (alone.sentences(), list(alone.tables()), alone.notes()) == (["ahead said."], ["ahead"], ["ahead noted."])


@pytest.mark.parametrize(("issues", "explained"), [
    (None, None), (pd.DataFrame({"item": []}), None), (pd.DataFrame({"item": ["a"]}), ("log of ward", "use"))])
def test_the_past_is_explained_where_the_unit_has_issues(issues, explained, monkeypatch):
    monkeypatch.setattr(model, "what_the_log_says", lambda unit: f"log of {unit.name}")
    monkeypatch.setattr(model, "forecast_and_sampled", lambda unit, seed, learnt, item_choice: (
        SimpleNamespace(model="use", made_of=(seed, learnt, item_choice)), "sampled"))
    monkeypatch.setattr(model, "explain_past", lambda unit, learnt, use: (learnt, use))
    monkeypatch.setattr(model, "budget_year", lambda unit, sampled: f"year of {sampled}")
    view = look_ahead(SimpleNamespace(unit=SimpleNamespace(name="ward", issues=issues), seed=7, item_choice="chosen"))
    assert view.forecast.made_of == (7, "log of ward", "chosen")
    assert (view.variance, view.budget) == (explained, "year of sampled")


def test_of_lots_the_first_go_out_and_an_emptied_one_is_gone():
    lots = [Lot(3, date(2026, 8, 1), "a"), Lot(5, date(2026, 9, 1), "b"), Lot(2, None, "c")]
    assert first_out(lots, 3) == (lots[:1], lots[1:])
    taken, kept = first_out(lots, 4)
    assert [(lot.lot, lot.units) for lot in taken] == [("a", 3), ("b", 1)]
    assert [(lot.lot, lot.units) for lot in kept] == [("b", 4), ("c", 2)]
    assert first_out(lots, 10) == (lots, [])


def test_one_replication_alone_says_as_much_as_its_intervals():
    assert effective_intervals(np.array([0.5]), 10) == 10.0
    assert effective_intervals(np.array([0.4, 0.6]), 1000) == pytest.approx(0.25 / (0.02 / 2))


def test_where_no_roll_was_weighed_the_table_is_empty_with_its_columns(unit_maker):
    found = _single(unit_maker(), pd.DataFrame({"role": [], "stratum": [], "choice": []}))
    assert (list(found.columns), len(found)) == (SINGLE_COLUMNS, 0)


@pytest.mark.parametrize(("scenarios", "kept"), [(400, 400), (999, 999), (1000, 500), (1600, 534)])
def test_a_point_of_the_curve_keeps_five_hundred_scenarios_where_there_are_as_many(scenarios, kept):
    """So many items that every second, third or tenth scenario would be needed for a program of its size."""
    needs = np.arange(scenarios)[:, None] * np.ones(400, dtype=int)
    instance = Instance(needs, np.zeros(400, dtype=int))
    assert len(few(instance, 0.5).needs) == kept
