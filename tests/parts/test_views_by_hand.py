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
from kitplan.parts.forecast.sheets import _what_changed
from kitplan.parts.kits.roll_choice import SINGLE_COLUMNS, _single
from kitplan.parts.orders.ledger import Lot, first_out
from kitplan.parts.par.frontier import few
from kitplan.parts.par.instance import ParInstance
from kitplan.parts.par.summary import _largest_change
from kitplan.parts.simulate.model import _StockRoom, effective_intervals
from kitplan.read.days import YEAR_DAYS


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


def test_a_years_numbers_of_play_are_those_of_its_days():
    """Two years at four steps a day. Six shortages in all, ten orders, forty lines and eight expired: half of each."""
    run = SimpleNamespace(
        steps=2 * YEAR_DAYS * 4, ready=np.ones((1, 2, 2), bool), covered=np.ones((1, 2, 2), bool),
        short_intervals=np.array([[[4, 2], [5, 1]]]), order_days=np.array([[10, 10]]), order_lines=np.array([[40, 40]]),
        expired=np.array([[[8, 0], [0, 8]]]), mean_on_hand=np.array([[[3.0, 1.0], [5.0, 1.0]]]))
    room = SimpleNamespace(clock=SimpleNamespace(steps_per_day=4), unit_price=np.array([2.0, 10.0]),
                           rule=SimpleNamespace(pack=np.array([3, 1])))
    row = _StockRoom.row(room, "plan", 0, run, np.array([4, 0]))
    assert (row["stockouts_per_year"], row["orders_per_year"], row["order_lines_per_year"], row["expired_units"]) == (
        3.0, 5.0, 20.0, 4.0)
    assert (row["mean_value"], row["par_value"]) == (4 * 2.0 + 1 * 10.0, 5 * 2.0)
    assert (row["readiness"], row["tuned"]) == (1.0, False)


def test_a_level_of_the_program_is_stocked_or_not():
    """Two items, the second and then the first in packs: levels 0 and 3 are stocked 1 and 0."""
    found = ParInstance.columns(SimpleNamespace(packed=np.array([1, 0])), np.array([0, 3]))
    assert found.tolist() == [0, 3, 1, 0]


@pytest.mark.parametrize(("held", "said"), [
    (1, "Look first at Cap: your par of 4 is 1 under what the plan wants (5)."), (2, None)])
def test_a_present_par_under_the_plan_is_told_with_what_it_lacks(held, said):
    """Five wanted, in packs of four."""
    present = pd.DataFrame({"item": ["cap"], "par_packs": [held]})
    levels = pd.DataFrame({"item": ["cap", "tie"], "description": ["Cap", "Tie"], "par_units": [5, 9], "pack": [4, 1]})
    plan = SimpleNamespace(unit=SimpleNamespace(present_par=present))
    assert _largest_change(plan, SimpleNamespace(levels=levels)) == said
    assert _largest_change(SimpleNamespace(unit=SimpleNamespace(present_par=None)), None) is None


def test_what_the_money_ahead_hangs_on_has_room_on_the_page_beside_what_was_unexplained():
    """Six sentences of the past and the note of what was never issued: the page holds eight, the note among them."""
    said: list[str] = []
    page = SimpleNamespace(spread=lambda text, kind: said.append(text))
    past = SimpleNamespace(sentences=tuple(f"item {n}" for n in range(6)), notes=())
    ahead = SimpleNamespace(notes=("come to 76 %", "every 7 days", "far off", "Never issued: masks"))
    _what_changed(page, ManagerView(ahead, past, None))
    assert said[1:] == ["item 0", "item 1", "item 2", "item 3", *ahead.notes]
