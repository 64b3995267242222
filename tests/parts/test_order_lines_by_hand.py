"""What the order book is told, what a class is told, what a manager is told: lines reckoned by hand."""

from __future__ import annotations

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.forecast.budget import AHEAD, ISSUED, _issued, _items
from kitplan.parts.hospital.central_store import Holding, kept_units, pool_slow_items
from kitplan.parts.orders.ledger import standing
from kitplan.parts.orders.ordering import lot_ledger, make_order
from kitplan.parts.orders.questions import questions
from kitplan.parts.orders.recall import find_recall, recall_lines
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan
from kitplan.parts.orders.steps import aliases
from kitplan.parts.par.changes import _because
from kitplan.parts.training.model import _bounds, _by_class, plan_training
from kitplan.parts.training.timetable import Thing, plan_timetable
from kitplan.read.order_book import Line, OrderBook
from kitplan.solve.cutting import Stock
from tests.conftest import make_unit
from tests.parts.test_training import lesson, practice

DAY = date(2026, 7, 1)
GAUZE = Level("gauze", "Gauze", "A1", 10, 2.0, 40, 4, 2.0, False)
MASK = Level("mask", "Mask", "A2", 1, 9.0, 6, 1, 0.1, True)
PLAN = RoundPlan("USD", 7, 2, (GAUZE, MASK))
CATALOGUE = Catalogue({"gauze": 10, "mask": 1}, {"gauze": 2.0, "mask": 9.0}, dict.fromkeys(("gauze", "mask"), "x"),
                      dict.fromkeys(("gauze", "mask"), "A1"), frozenset({"mask"}))


def counted(item, units, lot="", expires=None, event="counted"):
    return Line("counts", DAY, event, item, 1, 0, units, expires, lot, DAY.isoformat())


def book(*lines):
    return OrderBook().grown(lines, "P")


# -- orders ---------------------------------------------------------------------------------------------------------


def test_a_recalled_lot_leaves_in_single_items():
    made = book(counted("gauze", 12, "L 1", date(2027, 1, 1)))
    now = standing(made)
    assert recall_lines(find_recall("l1", made, now, PLAN), now, DAY) == [
        Line("deliveries", DAY, "recalled", "gauze", 1, 0, 12, date(2027, 1, 1), "L 1")]


def test_a_trade_number_is_known_where_a_person_said_its_item():
    """A line without a number, and one without an item, teach nothing; a number has 14 digits."""
    lines = [Line("deliveries", DAY, "received", item, 10, 1, trade_number=number)
             for item, number in (("gauze", "4006381333931"), ("mask", ""), ("", "96385074"))]
    assert aliases(book(*lines)) == {"04006381333931": "gauze"}


@pytest.mark.parametrize(("days", "used"), [(-1, 0), (0, 12), (1, 12)])
def test_what_is_on_no_list_is_taken_to_be_used_up_to_the_day_of_its_date(days, used):
    now = standing(book(counted("ties", 12, expires=DAY + timedelta(days=days))))
    (row,) = lot_ledger(now, PLAN, DAY).to_dict("records")
    assert (row["used_units"], row["spoils_units"]) == (used, 12 - used)


def test_what_is_to_be_answered_comes_before_what_is_to_be_done():
    """A count of gauze that is not believed, and gauze out of date: the question with a number comes first."""
    made = book(counted("ties", 3, expires=DAY - timedelta(days=1)), counted("mask", 6),
                counted("gauze", 99, event="asked"))
    found = questions(made, standing(made), PLAN, CATALOGUE)
    assert [(q.item, q.no > 0) for q in found[:2]] == [("gauze", True), ("ties", False)]


# -- par levels that changed ----------------------------------------------------------------------------------------


def test_expected_use_that_changed_is_told_in_percent_of_what_it_was():
    """From 8 to 10 is a quarter more, from 8 to 4 a half less; of next to nothing no percentage is told."""
    def said(was, now):
        return _because(SimpleNamespace(par_packs_before=1, par_packs=2, pack_before=1, pack=1, floor_packs_before=0,
                                        floor_packs=0, expected_units_before=was, expected_units=now), True)

    assert said(8.0, 10.0) == "expected use 10.0, was 8.0 (+25 %)"
    assert said(8.0, 4.0) == "expected use 4.0, was 8.0 (-50 %)"
    assert said(0.004, 4.0) == "expected use 4.0, was 0.0"
    assert said(100.0, 102.0).startswith("expected use about as before; how far"), "two in a hundred are no news"
    assert said(100.0, 103.0) == "expected use 103.0, was 100.0 (+3 %)"


# -- central store --------------------------------------------------------------------------------------------------


def test_a_pooled_unit_keeps_the_fewest_that_demand_exceeds_with_half_its_chance_or_less():
    held = [SimpleNamespace(transport=np.array([0.5, 0.3, 0.15, 0.05]), shortage_chance=2 * chance)
            for chance in (0.6, 0.5, 0.49, 0.2, 0.06, 0.05, 0.04)]
    assert [kept_units(holding) for holding in held] == [0, 0, 1, 1, 2, 2, 3]


def test_a_store_that_frees_nothing_pools_nothing():
    """One unit alone: its own cap stays, and the store holds none."""
    use = np.array([0.9, 0.1])
    alone = Holding("a", "cap", 1, 8.0, 1.0, 1, 8.0, 0.5, use, use)
    (item,) = pool_slow_items([alone]).items.to_dict("records")
    assert (item["units_pooled"], item["store_units"], item["store_packs"], item["pooled_value"]) == (0, 0, 0, 8.0)


# -- a class --------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def two():
    """Four learners at one station and eight at two, on one day and the next."""
    unit = make_unit()
    few = lesson(title="Few", learners=4, stations=1, day=date(2026, 11, 18))
    many = lesson(title="Many", learners=8, stations=2, day=date(2026, 11, 19))
    return plan_training(unit, [few, many])


def test_a_round_says_at_which_station_who_practises_when(two):
    """Eight goes at three places are three turns of six minutes. Eight goes and 0.8 spare are nine sets."""
    setup = two.setup[["lesson", "round", "station", "minutes", "learners", "goes"]].to_numpy().tolist()
    assert setup == [[0, 1, 1, 18.0, 4, 8], [1, 1, 1, 18.0, 4, 8], [1, 1, 2, 18.0, 4, 8]]
    assert two.setup["sets"].tolist() == [9, 9, 9]


def test_a_purchase_is_shared_by_what_each_class_takes_of_it_and_a_thing_that_lasts_by_learners():
    """Wipes of 12 are taken 1 to 3; a manikin of 30 serves both, 4 learners and 8; what has no price counts nothing."""
    lessons = [lesson(learners=n) for n in (4, 8)]
    taken = pd.DataFrame({"lesson": [0, 1, 1], "item": ["wipe", "wipe", "tape"], "buy": [10, 30, 5]})
    shopping = pd.DataFrame({"item": ["wipe", "manikin", "tape"], "kind": ["used up", "durable", "used up"],
                             "buy_units": [40, 1, 5], "value": [12.0, 30.0, np.nan]})
    table = SimpleNamespace(things=pd.DataFrame({"item": ["manikin"], "thing": ["manikin"]}), minutes=10.0)
    needs = SimpleNamespace(sets=pd.DataFrame({"lesson": [0, 1], "goes": [8, 16], "sets": [9, 18]}))
    found = _by_class(lessons, needs, [table, table], taken, shopping)
    assert found["value"].tolist() == [3.0 + 10.0, 9.0 + 20.0]
    assert found["value_per_learner"].tolist() == [13 / 4, 29 / 8]
    assert found[["lesson", "learners", "goes", "sets"]].to_numpy().tolist() == [[0, 4, 8, 9], [1, 8, 16, 18]]


def test_the_gap_of_a_cut_is_what_it_opens_above_the_least_that_any_plan_opens(two):
    (row,) = two.bounds.to_dict("records")[:1]
    assert row["gap"] == pytest.approx((row["opened_mm"] - row["least_mm"]) / row["opened_mm"])
    assert 0 <= row["gap"] < 1
    assert row["least_mm"] >= row["lp_mm"] - 1e-6


def test_a_lot_of_two_moves_whole_from_station_to_station_and_back_to_where_it_is_needed():
    """Three practices at three stations, one of which needs two masks: they go round against the practices."""
    three = tuple(practice(tube_mm=mm) for mm in (3.0, 3.5, 4.0))
    table = plan_timetable(lesson(practices=three, stations=3),
                           [Thing("mask", "", 2, True, 0, 1.0, False, frozenset({0}))])
    at = [int(np.flatnonzero(row == 0)[0]) + 1 for row in table.practice]
    assert table.moves.to_numpy().tolist() == [
        [number, "mask", 2, source, station] for number, (source, station) in enumerate(zip([0, *at], at), 1)]
    assert table.things["needed"].tolist() == [2]


# -- the budget year ------------------------------------------------------------------------------------------------


def test_an_item_that_a_month_did_not_issue_took_nothing_in_it(unit_maker):
    """Seventy ampoules a week from Monday, 29 December: four Mondays in January. Nothing else went out."""
    days = pd.date_range("2025-12-29", "2026-02-23", freq="7D")
    issues = pd.DataFrame({"date": days, "item": "saline-5", "units": 70.0, "price": np.nan})
    unit = unit_maker(issues=issues)
    months = pd.period_range("2026-01", periods=3, freq="M")
    units, paid, share, source = _issued(unit, months, pd.Series([np.nan] * 3), days[-1], ())
    place = list(unit.items["item"]).index("saline-5")
    assert units.sum(axis=1).tolist() == units[:, place].tolist() == [280.0, 280.0, 0.0]
    assert paid.sum(axis=1).tolist() == pytest.approx([280 * 11 / 50, 280 * 11 / 50, 0.0])
    assert share.tolist() == [0.0, 0.0, 1.0]
    assert source == [ISSUED, ISSUED, AHEAD]


def test_a_budget_of_less_than_one_is_split_as_any_other(unit_maker):
    """Sixty cents for the one item that is used, which lands at 2 at list prices: 1.40 more, all of it volume."""
    unit = unit_maker()
    first = np.eye(len(unit.items))[0]
    listed = (unit.items["price"] / unit.items["pack"]).to_numpy(float)
    year = SimpleNamespace(units=(2 * first / listed)[None], cents=np.append(200 * first, 0)[None].astype(np.int64))
    row = _items(unit, year, (60 * first)[None].astype(np.int64)).iloc[0]
    assert row[["budget", "landing", "volume", "mix", "price", "over_budget"]].tolist() == pytest.approx(
        [0.6, 2.0, 1.4, 0.0, 0.0, 1.4])


def test_a_line_whose_count_is_in_doubt_waits_for_the_answer_and_one_not_counted_for_a_count():
    made = book(counted("ties", 1), counted("mask", 60, event="asked"))
    lines = make_order(PLAN, standing(made), CATALOGUE).lines.set_index("item")
    assert lines.loc["mask", "because"].startswith("no count is believed: answer on Questions, nothing is ordered")
    assert lines.loc["gauze", "because"].startswith("not counted: count it, nothing is ordered until then")


def test_what_is_of_all_classes_is_called_by_the_season_and_a_class_by_its_title(two):
    frame = pd.DataFrame({"lesson": [-1, 0, 1], "n": [1, 2, 3]})
    assert two._titled(frame).to_dict("list") == {"n": [1, 2, 3], "class": ["season", "Few", "Many"]}


def test_of_rolls_of_two_lengths_no_least_number_is_told(unit_maker):
    """Where all rolls cut are of one length, it is the least tape over that length."""
    def cut(*lengths):
        stock = [Stock(f"r{mm:g}", mm) for mm in lengths]
        plan = SimpleNamespace(stock=stock, opened={s.name: 1 for s in stock}, sizes_mm=np.array([100.0]),
                               demand=np.array([7]), n_rolls=len(stock), opened_mm=sum(lengths), waste_share=0.1,
                               cost=2.0)
        return SimpleNamespace(plan=plan, lesson=0, width_mm=25.0)

    one, other = _bounds([cut(400.0), cut(400.0, 300.0)]).to_dict("records")
    assert (one["least_mm"], one["least_rolls"], one["gap"]) == (800.0, 2, 1 - 800 / 400)
    assert (other["least_mm"], other["gap"]) == (700.0, 0.0)
    assert np.isnan(other["least_rolls"])
