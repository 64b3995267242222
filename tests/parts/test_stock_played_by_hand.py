"""The stock room against a plain list of lots moved one unit at a time; and doing without an item, reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.orders import back_order
from kitplan.parts.orders.back_order import (
    BackOrder,
    _buy,
    _instead,
    _items_a_use,
    _Line,
    _recipes,
    missing_items,
)
from kitplan.parts.orders.ledger import Kit, Lot, standing
from kitplan.parts.orders.questions import questions
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan
from kitplan.parts.simulate.stock_ledger import OPENING_LOTS, ReviewRule, order_packs, play_ledger
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.values import Technique

DAY = date(2026, 7, 1)


class Shelf:
    """One item, its lots in a list of [units, step on which it is out of date]."""

    def __init__(self, par, over, rule, pack, life, rate):
        self.rule, self.par, self.pack, self.life = rule, par, pack, life
        whole = par + over if par else 0
        lain = min(par / rate if rate else np.inf, life) if np.isfinite(life) else 0
        ends = [-(-whole * k // OPENING_LOTS) for k in range(OPENING_LOTS + 1)]
        self.lots = []
        for k in range(1, OPENING_LOTS + 1):
            left = life - lain * (1 - (k - 0.5) / OPENING_LOTS) if np.isfinite(life) else np.inf
            self.lots.append([ends[k] - ends[k - 1], max(int(left), 1) if np.isfinite(left) else np.inf])
        self.coming, self.owed = [], 0

    @property
    def held(self):
        return sum(lot[0] for lot in self.lots)

    def take(self, wanted):
        """Hand out; what waits is handed out first. Returns units that found the shelf empty."""
        missing = max(wanted - max(self.held - self.owed, 0), 0)
        need = min(self.owed + wanted, self.held)
        self.owed = self.owed + wanted - need if not self.rule.lost else 0
        for lot in self.lots:
            gone = min(lot[0], need)
            lot[0] -= gone
            need -= gone
        return missing

    def receive(self, step):
        for due, units in [c for c in self.coming if c[0] == step]:
            self.coming.remove((due, units))
            self.lots.append([units, step + self.life])
            self.take(0)

    def discard(self, step):
        thrown = sum(units for units, end in self.lots if end == step)
        self.lots = [lot for lot in self.lots if lot[1] != step]
        return thrown

    def order(self, step):
        position = self.held - self.owed + sum(units for _, units in self.coming)
        packs = max(-(-(self.par - position) // self.pack), 0)
        self.coming.append((step + self.rule.lead_steps, packs * self.pack))
        return packs


@pytest.mark.parametrize("lost", [False, True])
@pytest.mark.parametrize("seed", range(6))
def test_the_ledger_is_a_list_of_lots_moved_one_by_one(seed, lost):
    """Thirty steps of two items, one of which goes out of date; all that is told of them from the first review on."""
    rng = np.random.default_rng([seed, 5])
    review, lead = int(rng.integers(1, 5)), int(rng.integers(0, 4))
    pack, life = rng.integers(1, 4, 2), np.array([float(rng.integers(3, 9)), np.inf])
    demand = rng.poisson(1.2, (30, 1, 2))
    par, over = rng.integers(1, 12, (1, 2)), rng.integers(0, 2, (1, 2)) % pack
    rule = ReviewRule(review, lead, pack, life, lost)
    run = play_ledger(demand, par, rule, 0, over)
    shelves = [Shelf(int(par[0, i]), int(over[0, i]), rule, int(pack[i]), life[i], demand.mean(axis=(0, 1))[i])
               for i in range(2)]
    short, expired, lines, days, held = np.zeros(2, int), np.zeros(2, int), 0, 0, np.zeros(2)
    ready, was_short, short_intervals = [], [False, False], np.zeros(2, int)
    for step in range(lead + run.steps):
        packs = [0, 0]
        for i, shelf in enumerate(shelves):
            shelf.receive(step)
            thrown = shelf.discard(step)
            if step % review == 0:
                packs[i] = shelf.order(step)
                shelf.receive(step)
            missing = shelf.take(int(demand[step, 0, i]))
            if step >= lead:
                short[i] += missing
                expired[i] += thrown
                held[i] += shelf.held
                was_short[i] |= missing > 0 or shelf.owed > 0
        if step >= lead and step % review == 0:
            lines, days = lines + sum(p > 0 for p in packs), days + any(packs)
        if step >= lead and (step + 1 - lead) % review == 0:
            ready.append(not any(was_short))
            short_intervals += was_short
            was_short = [False, False]
    assert run.ready[0, 0].tolist() == ready
    assert run.short_units[0, 0].tolist() == short.tolist()
    assert run.expired[0, 0].tolist() == expired.tolist()
    assert run.short_intervals[0, 0].tolist() == short_intervals.tolist()
    assert (run.order_lines[0, 0], run.order_days[0, 0]) == (lines, days)
    assert run.mean_on_hand[0, 0] == pytest.approx(held / run.steps)


def test_whole_packs_bring_up_to_par_and_never_below_nothing():
    found = order_packs(np.array([10, 10, 10]), np.array([4, 4, 9]), np.array([0, 3, 5]), np.array([5, 5, 5]))
    assert found.tolist() == [2, 1, 0]


# -- doing without an item ------------------------------------------------------------------------------------------

LEVEL = Level("saline-5", "Saline", "A1", 50, 11.0, 120, 7, 5.0, False)
PLAN = RoundPlan("USD", 7, 2, (LEVEL,))


def now_of(*lots):
    """lots: units, days until the date or None."""
    ends = [None if left is None else DAY + timedelta(days=left) for _, left in lots]
    lines = [Line("counts", DAY, "counted", "saline-5", 1, 0, units, end, f"L{k}", DAY.isoformat())
             for k, ((units, _), end) in enumerate(zip(lots, ends))]
    return standing(OrderBook().grown(lines, "P"))


@pytest.mark.parametrize(("weeks", "days"), [(4, 28), (None, 9)])
def test_an_item_that_is_missing_is_planned_for_so_long_from_what_is_in_date(small_unit, monkeypatch, weeks, days):
    """Five are out of date, seven end today, eight never. The choice is made anew where the plan lacks the item."""
    asked, made = [], []

    def drawn(unit, choice, days, scenarios, seed, stream, tables):
        return SimpleNamespace(items=("saline-5",), units=np.full((10, 1), 18), days=days)

    def planned(unit, choice, tables, demand, held):
        asked.append((choice, demand.days, held))
        return BackOrder(pd.DataFrame(), pd.DataFrame(), pd.DataFrame(), pd.DataFrame(), demand.days, None)

    monkeypatch.setattr(back_order, "draw_demand", drawn)
    monkeypatch.setattr(back_order, "plan_back_order", planned)
    monkeypatch.setattr(back_order, "attempt_tables", lambda unit: None)
    monkeypatch.setattr(back_order, "_as_if_all_could_be_had", lambda unit, tables: made.append(1) or "anew")
    unit = replace(small_unit, stock=replace(small_unit.stock, unavailable=("saline-5",), unavailable_weeks=weeks))
    own = SimpleNamespace(frame=pd.DataFrame({"item": ["saline-5"]}))
    found = missing_items(unit, 1, own, now_of((5, -1), (7, 0), (8, None)), PLAN)
    assert asked == [(own, days, {"saline-5": 15.0})]
    assert made == []
    row = found.shelf.iloc[0]
    assert (row["item"], row["units"]) == ("saline-5", 20.0)
    assert row["lasts_days"] == pytest.approx(8 / 5), "the plan's own pace; what ends today lasts no day"
    assert row["lasts_days_busy"] == pytest.approx(8 / (18 / days))
    kit = Kit("A-1", "A", DAY, "shelf", (("saline-5", (Lot(2),)),))
    in_kits = missing_items(unit, 1, own, replace(now_of((8, None)), kits={"A-1": kit}), PLAN).shelf.iloc[0]
    assert (asked[-1][2], in_kits["units"], in_kits["lasts_days"]) == ({"saline-5": 10.0}, 10.0, 2.0)
    never = missing_items(unit, 1, own, replace(now_of(), shelf={}, counted={"gauze": DAY}), PLAN)
    assert never.sentences() == [f"Cannot be had for {days} days. saline-5: never counted, so what is left is not "
                                 "known: count it."]
    missing_items(unit, 1, SimpleNamespace(frame=pd.DataFrame({"item": ["saline-10"]})), now_of((5, None)), PLAN)
    assert (asked[-1][0], len(made)) == ("anew", 1)


def test_what_a_use_takes_of_an_item_by_its_scope(small_unit):
    from kitplan.demand.item_choice import attempt_tables

    rows, tables = small_unit.items.set_index("item", drop=False), attempt_tables(small_unit)
    assert _items_a_use(small_unit, tables, 0, rows.loc["saline-5"], 7.0) == 2.0
    assert _items_a_use(small_unit, tables, 0, rows.loc["scissors"], 3.0) == pytest.approx(0.03)
    roll = _items_a_use(small_unit, tables, 0, rows.loc["tape-25-short"], 1.0)
    assert 3 / 8 < roll < 1.0, "eight pieces a roll, and a last one thrown away"
    short = rows.loc["tape-25-short"].copy()
    short["length_mm"] = 100.0
    assert _items_a_use(small_unit, tables, 0, short, 1.0) is None


def line(**values):
    return _Line(**({"item": "saline-5", "role": "saline", "strata": (0, 2), "once": False, "share": 1.0,
                     "takes": {"saline-5": 2.0, "saline-10": 1.0}, "sized": False} | values))


def test_a_use_that_nothing_serves_costs_by_its_dearest_item_and_the_readiness(small_unit):
    """Two at 22 cents or one at 32: 44 cents over one in twenty; a hundred times so where nothing can serve."""
    price = {"saline-5": 0.22, "saline-10": 0.32}
    unit = replace(small_unit, stock=replace(small_unit.stock, unavailable=("saline-5",)))
    assert line().penalty(unit, price) == pytest.approx(0.44 / 0.05)
    both = replace(unit, stock=replace(unit.stock, unavailable=("saline-5", "saline-10")))
    assert line().penalty(both, price) == pytest.approx(back_order.STRANDED * 0.44 / 0.05)
    assert line().penalty(unit, dict.fromkeys(price, 0.0)) == pytest.approx(1e-6 / 0.05)
    assert not line().stranded(("saline-5",))
    assert line().stranded(("saline-5", "saline-10"))


def test_who_is_served_by_what_is_told_by_kind_and_what_nothing_serves_too(small_unit):
    """Seven in ten by the large one, two by what is left, one by nothing; a hair of another is not told."""
    split = [{"saline-5": 0.2, "saline-10": 0.7, "wipe-prep": 0.0004}]
    table = _instead(small_unit, [line()], np.array([[4.0], [6.0]]), split)
    assert table["instead"].tolist() == ["saline-10", "saline-5", ""] * 2
    assert table["share"].tolist() == pytest.approx([0.7, 0.2, 0.0996] * 2)
    assert table["size"].tolist() == ["3.5 mm"] * 3 + ["4.0 mm"] * 3
    unused = _instead(small_unit, [line()], np.zeros((2, 1)), split)
    assert "" not in unused["instead"].tolist()


def test_packs_to_buy_are_told_with_what_of_them_is_beyond_the_usual(small_unit):
    """Of packs of fifty three are bought; its usual work takes 1 to 100, at 95 % 95, of which 30 are there: two."""
    names = tuple(small_unit.items["item"])
    units = np.zeros((100, len(names)))
    units[:, names.index("saline-10")] = np.arange(1, 101)
    demand = SimpleNamespace(items=names, units=units, n_scenarios=100, days=28.0)
    (row,) = _buy(small_unit, {"saline-10": 3, "wipe-prep": 0}, demand, {"saline-10": 30.0}).to_dict("records")
    assert (row["item"], row["packs"], row["value"], row["extra_packs"]) == ("saline-10", 3, 48.0, 1)
    assert row["because"] == "for 28 days; 30 on the shelf, 95 for its usual work"
    enough = _buy(small_unit, {"saline-10": 1}, demand, {"saline-10": 999.0}).iloc[0]
    assert enough["extra_packs"] == 1


def test_another_recipe_of_the_route_that_takes_less_is_named_once(small_unit):
    own = small_unit.techniques["oral_two_y"]
    other = Technique("oral_dry", "Dry", ("oral",), False, 2, "tragus", 25.0, own.pieces[:1], {"saline": 2}, {})
    nasal = replace(other, name="nasal_dry", routes=("nasal",))
    unit = replace(small_unit, techniques={"oral_two_y": own, "oral_dry": other, "nasal_dry": nasal})
    table = _recipes(unit, [line(), line(role="tape", strata=(0,)), line(role="barrier", strata=(1,)),
                            line(role="mask", once=True)])
    assert table[["role", "instead_technique", "need", "instead_need"]].to_numpy().tolist() == [
        ["saline", "oral_dry", 5.0, 2.0], ["tape", "oral_dry", 3.0, 2.0], ["barrier", "oral_dry", 2.0, 0.0]]


def test_a_back_order_is_said_in_what_is_left_what_to_buy_and_how_else():
    told = BackOrder(
        pd.DataFrame(), pd.DataFrame({"item": ["saline-10"], "packs": [3]}),
        pd.DataFrame({"item": ["saline-5", "x", "y", "z"], "units": [20.0, 0.0, 90.0, 83.0],
                      "lasts_days": [4.0, np.nan, 30.0, 27.6], "lasts_days_busy": [3.0, np.nan, 28.0, 20.0]}),
        pd.DataFrame({"instead_technique": ["dry", "dry"]}), 28.0, None, ("Nothing fits.",)).sentences()
    assert told == ["Nothing fits.", "Cannot be had for 28 days. saline-5: 20 left, about 4 days at the usual pace, "
                    "then none for 24; y: 90 left, about 30 days at the usual pace; "
                    "z: 83 left, about 28 days at the usual pace.",
                    "Buy instead: 3 x saline-10.", "Another recipe uses less of it: dry."]


# -- kits that go out of date ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("left", "asked"), [(7, True), (8, False), (-1, True)])
def test_a_kit_whose_first_date_falls_within_a_review_is_asked_for_as_emergency_equipment(left, asked):
    """Kits hold masks and bags: such a question comes before those about other items."""
    lines = [Line("counts", DAY, "counted", "gauze", 1, 0, 20, None, "", DAY.isoformat()),
             Line("kits", DAY, "built", "gauze", 1, 0, 3, DAY + timedelta(days=left), "", "7", "A")]
    book = OrderBook().grown(lines, "P")
    level = Level("gauze", "Gauze", "A1", 10, 2.0, 17, 4, 2.0, False)
    plan = RoundPlan("USD", 7, 2, (level,), {"A": {"gauze": 3}}, {})
    catalogue = Catalogue({"gauze": 10}, {"gauze": 2.0}, {"gauze": "x"}, {"gauze": "A1"}, frozenset())
    found = [q for q in questions(book, standing(book), plan, catalogue) if q.item == "kit 7"]
    assert len(found) == asked
    if asked:
        ends = (DAY + timedelta(days=left)).isoformat()
        said = "It is OUT OF DATE since" if left < 0 else "Its first date is"
        assert found[0].question.startswith(f"{said} {ends} (it is on the shelf).")
        assert found[0].emergency
