"""Many units together, reckoned by hand: who holds what, what all spend, whose audit and order come first."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from io import BytesIO
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from openpyxl import load_workbook

from kitplan.demand.item_choice import fill_roles
from kitplan.demand.values import Demand
from kitplan.parts.hospital import model
from kitplan.parts.hospital.central_store import Holding, kept_units, pool_slow_items
from kitplan.parts.hospital.model import HOLDING_COLUMNS, UNIT_COLUMNS, Summary, hospital, summary
from kitplan.parts.hospital.sheets import add_orders, hospital_book, sentences
from kitplan.parts.hospital.shelves import (
    LINE_COLUMNS,
    OrderSummary,
    audit_row,
    audit_sentences,
    audit_table,
    order_sentences,
    order_summary,
    order_tables,
)
from kitplan.parts.hospital.spend import (
    AHEAD,
    DRAWS,
    TOTAL,
    YEAR,
    Spend,
    _span,
    spend_of,
    spend_sentences,
    spend_table,
)
from kitplan.parts.par.values import Readiness
from kitplan.write.book import Book

EVEN = np.linspace(0.0, 1.0, DRAWS)


def planned(name, currency="USD", slow=(), remarks=()):
    rows = pd.DataFrame([(name, "gauze", 3, 30, 60.0, 4.5, 12.0), (name, "mask", 4, 4, 36.0, 2.0, 1.0)],
                        columns=HOLDING_COLUMNS)
    return Summary(name, name.title(), currency, 0.97, 96.0, 6.5, "met", rows, tuple(slow), tuple(remarks))


def slow_item(unit, item="cap", pack=4, price=8.0, own=2):
    three, one = np.eye(4)[3], np.eye(2)[1]
    return Holding(unit, item, pack, price, 2.0, own, own * price, 0.05, three, one)


# -- units and holdings ---------------------------------------------------------------------------------------------


def test_each_unit_is_a_row_and_so_is_each_item_that_it_holds():
    found = hospital([planned("a"), planned("b", remarks=("Check tubes.",))], [("c", "input", "no census")], 1.0)
    assert found.units.to_numpy().tolist() == [["a", "A", "USD", 0.97, 96.0, 6.5, 2, "met"],
                                               ["b", "B", "USD", 0.97, 96.0, 6.5, 2, "met"]]
    assert found.units.columns.tolist() == UNIT_COLUMNS
    assert found.holdings[["unit", "item", "par_packs", "par_units"]].to_numpy().tolist() == [
        ["a", "gauze", 3, 30], ["a", "mask", 4, 4], ["b", "gauze", 3, 30], ["b", "mask", 4, 4]]
    assert found.holdings.index.tolist() == [0, 1, 2, 3]
    assert found.failed.to_numpy().tolist() == [["c", "input", "no census"]]
    assert found.remarks == {"b": ("Check tubes.",)}
    assert set(found.tables()) == {"units", "holdings", "not_planned", "pooling", "pooling_units"}


def test_one_unit_alone_pools_nothing_and_none_holds_nothing():
    alone = hospital([planned("a", slow=[slow_item("a")])], [], 1.0)
    assert (alone.pooling, alone.currency) == (None, "USD")
    none = hospital([], [("c", "input", "no census")], 1.0)
    assert (none.currency, none.pooling, len(none.holdings)) == ("", None, 0)
    assert none.holdings.columns.tolist() == HOLDING_COLUMNS
    assert set(none.tables()) == {"units", "holdings", "not_planned"}


@pytest.mark.parametrize(("currencies", "pooled"), [
    (("USD", "EUR", "EUR"), {"b", "c"}), (("USD", "USD", "EUR"), {"a", "b"}), (("USD", "USD", "USD"), {"a", "b", "c"}),
])
def test_only_units_of_the_commonest_currency_share_a_store(currencies, pooled):
    done = [planned(name, currency, [slow_item(name, own=9)]) for name, currency in zip("abc", currencies)]
    found = hospital(done, [], 1.0)
    assert set(found.pooling.units["unit"]) == pooled


def test_of_two_currencies_alike_in_number_the_first_by_name_is_taken():
    found = hospital([planned("a", "USD"), planned("b", "EUR")], [], 1.0)
    assert (found.currency, found.pooling) == ("EUR", None)


def test_a_store_frees_what_the_units_hold_less_what_they_keep_and_what_it_holds():
    """Three units hold nine packs of 8 each; each keeps one item (2). The store: nine items used together, level 9, on
    the mean 9 + 3 / 2 items (21), at most 12 (6 L).
    """
    rows = [slow_item(name, own=9) for name in "abc"]
    found = pool_slow_items(rows)
    (item,) = found.items.to_dict("records")
    assert (item["units_pooled"], item["own_packs"], item["own_value"], item["units_kept"]) == (3, 27, 216.0, 3)
    assert (item["store_units"], item["store_packs"]) == (9, 3)
    assert item["pooled_value"] == pytest.approx(3 * 2.0 + 10.5 / 4 * 8.0)
    assert found.saving == item["saving"] == pytest.approx(216.0 - 27.0)
    assert found.shelf_litres == pytest.approx(12 / 4 * 2.0)
    assert found.units[["own_value", "kept_value", "saving"]].to_numpy().tolist() == [[72.0, 2.0, 70.0]] * 3


def test_a_unit_keeps_what_lasts_through_the_transport_but_for_half_its_chance():
    """One used for sure, two in 3 %, three in 1 %: half of 5 % is 2.5 %, so one is too few and two are enough."""
    transport = np.array([0.0, 0.96, 0.03, 0.01])
    row = Holding("a", "cap", 4, 8.0, 2.0, 2, 16.0, 0.05, np.eye(4)[3], transport)
    assert kept_units(row) == 2
    assert kept_units(replace(row, shortage_chance=0.08)) == 1
    assert kept_units(replace(row, shortage_chance=0.019)) == 3


def test_the_busiest_stretch_is_the_most_used_in_so_many_days_that_end_in_the_interval():
    """Used up to each day's end; three days of which one lies before. Two at a time: days 1+2 use 3, 2+3 use 5."""
    used = np.array([1, 3, 6])[None, :, None]
    assert model._busiest_stretch(used, 2).tolist() == [[5]]
    assert model._busiest_stretch(used, 1).tolist() == [[3]]
    assert model._busiest_stretch(used, 3).tolist() == [[6]]


def test_what_is_kept_of_a_plan_is_what_is_held_and_slow_items_are_no_emergency_equipment(small_unit, monkeypatch):
    """Held: ampoules, of which a tenth of a pack is used in nine days, masks and a bag for emergencies, and wipes, of
    which most of a pack is used. Only the ampoules are slow.
    """
    items = small_unit.items["item"]
    packs = pd.Series({"saline-5": 2, "mask-42": 2, "bag-450": 1, "wipe-prep": 3}).reindex(items, fill_value=0)
    expected = pd.Series({"saline-5": 5.0, "wipe-prep": 26.0}).reindex(items, fill_value=0.0)
    levels = pd.DataFrame({
        "item": items, "par_packs": packs.to_numpy(), "par_units": packs.to_numpy() * 50, "value": 1.0, "litres": 0.5,
        "expected_units": expected.to_numpy(), "mean_value": 9.5, "shortage_chance": 0.0})
    units = np.zeros((200, len(items)), dtype=int)
    units[:, list(items).index("saline-5")] = np.arange(200) % 2 * 10
    demand = Demand(tuple(items), units, np.zeros((200, 3), dtype=int), 9.0, 1, "plan")
    par = SimpleNamespace(levels=levels, readiness=Readiness(0.95, 0.95, 0.96, 0.9, 0.97, 9), value=12.0, litres=3.0,
                          answer="met")
    plan = SimpleNamespace(unit=small_unit, par=par, demand=lambda: demand, item_choice=fill_roles(small_unit), seed=1,
                           warnings=("Look.",), parts=("par",))
    days, draw = [], model.draw_days
    monkeypatch.setattr(model, "draw_days", lambda unit, choice, seed, asked: (
        days.append(asked) or draw(unit, choice, seed, asked)))
    found = summary("ward", plan, 1.0)
    assert days == [10], "stretches of two days that end within the nine"
    assert (found.unit, found.unit_name, found.readiness, found.value, found.litres) == (
        "ward", "Invented test unit", 0.96, 12.0, 3.0)
    assert found.rows["item"].tolist() == ["saline-5", "wipe-prep", "mask-42", "bag-450"]
    assert found.rows.columns.tolist() == HOLDING_COLUMNS
    assert (found.rows["unit"] == "ward").all()
    assert (found.remarks, found.spends) == (("Look.",), ())
    (slow,) = found.slow
    assert (slow.item, slow.pack, slow.price, slow.own_packs, slow.own_value) == ("saline-5", 50, 11.0, 2, 9.5)
    assert slow.interval == pytest.approx([0.5, *[0.0] * 9, 0.5])
    assert slow.shortage_chance == 1 / 200, "never less than could be seen"
    assert slow.transport.sum() == pytest.approx(1.0)
    mean = slow.transport @ np.arange(len(slow.transport))
    assert mean > 2 * 54 / 9, "two days of the busiest nine, at six a day or more"


def test_what_has_a_floor_or_is_critical_stays_in_the_unit(small_unit):
    """One in the stock room or one at a bedside is a floor."""
    items = small_unit.items.iloc[:4].assign(critical=[True, False, False, False], min_bedside=[0, 1, 0, np.nan],
                                             min_stock=[0, 0, 1, np.nan])
    assert model._emergency(replace(small_unit, items=items)).tolist() == [True, True, True, False]


# -- money ----------------------------------------------------------------------------------------------------------


def spend(unit, what=AHEAD, months=("2026-01", "2026-02"), low=0.0, high=100.0, currency="USD", budget=np.nan,
          spent=np.nan):
    draws = (low + (high - low) * EVEN)[:, None] * np.ones(len(months))
    sums = draws.sum(axis=1)
    value = float(sums.mean()), *np.quantile(sums, (0.1, 0.9)).tolist()
    return Spend(unit, unit.title(), currency, what, months, budget, spent, value, draws)


def test_a_units_months_ahead_are_their_sum_with_its_own_band():
    (row,) = spend_table([spend("a")]).to_dict("records")
    assert (row["period"], row["value"]) == ("2026-01 to 2026-02", pytest.approx(100.0))
    assert (row["low_value"], row["high_value"]) == pytest.approx((20.0, 180.0))
    assert np.isnan(row["low_together"])


def test_a_total_is_wider_where_all_err_one_way():
    """Two units of 0 to 200, alike likely: together 80 % lie in 40..360; apart, in the sum of two (a triangle):
    400 sqrt(0.1 / 2) from either end.
    """
    total = spend_table([spend("a"), spend("b")]).iloc[-1]
    assert (total["unit"], total["name"], total["value"]) == (TOTAL, "2 units", pytest.approx(200.0))
    assert (total["low_together"], total["high_together"]) == pytest.approx((40.0, 360.0))
    end = 400 * np.sqrt(0.05)
    assert (total["low_value"], total["high_value"]) == pytest.approx((end, 400 - end), abs=8)


def test_a_total_is_of_the_months_that_all_share():
    """January and February, February and March: February alone, 50 each on the mean."""
    total = spend_table([spend("a"), spend("b", months=("2026-02", "2026-03"))]).iloc[-1]
    assert (total["period"], total["value"]) == ("2026-02", pytest.approx(100.0))
    none = spend_table([spend("a"), spend("b", months=("2026-03", "2026-04"))])
    assert TOTAL not in set(none["unit"])
    undated = spend_table([spend("a"), spend("b", months=("month 1", "month 2", "month 3"))]).iloc[-1]
    assert (undated["period"], undated["value"]) == ("2026-01 to 2026-02", pytest.approx(200.0))


def test_money_of_two_currencies_or_of_two_budget_years_is_not_added():
    assert TOTAL not in set(spend_table([spend("a"), spend("b", currency="EUR")])["unit"])
    years = [spend("a", YEAR, ("2026-01 to 2026-12",)), spend("b", YEAR, ("2026-04 to 2027-03",))]
    assert TOTAL not in set(spend_table(years)["unit"])
    same = [spend(u, YEAR, ("2026-01 to 2026-12",), budget=60.0, spent=10.0) for u in "ab"]
    total = spend_table([*same, spend("a"), spend("b")])
    assert total[total["unit"] == TOTAL][["what", "budget", "spent"]].iloc[0].tolist() == [YEAR, 120.0, 20.0]
    unknown = spend_table([same[0], spend("b", YEAR, ("2026-01 to 2026-12",), budget=60.0)]).iloc[-1]
    assert np.isnan(unknown["spent"])


def test_totals_are_said_with_their_budget_where_there_is_one():
    year = [spend(u, YEAR, ("2026-01 to 2026-12",), budget=60.0) for u in "ab"]
    (said,) = spend_sentences(spend_table(year))
    assert said.startswith("2 units, budget year 2026-01 to 2026-12: 100 USD against a budget of 120; 8 times in 10 ")
    assert said.endswith("between 20 and 180 if all err one way.")
    assert "budget of" not in spend_sentences(spend_table([spend("a"), spend("b")]))[0]
    alone, total = spend_sentences(spend_table([spend("a"), spend("b"), replace(spend("c"), currency="DUC")]))
    assert " DUC; 8 times in 10 between " in alone
    assert "one way" in total
    assert "one way" not in alone


def test_what_a_unit_hands_on_of_its_money_is_what_its_own_workbook_says_and_a_thousand_courses_evenly_taken():
    value = np.repeat(np.arange(4000.0)[:, None], 2, axis=1)
    forecast = SimpleNamespace(paths=SimpleNamespace(months=("2026-01", "2026-02"), value=value),
                               year_value=(3999.0, 1.0, 2.0))
    unit = SimpleNamespace(name="Ward", currency="USD")
    (ahead,) = spend_of("w", unit, SimpleNamespace(forecast=forecast, budget=None))
    assert (ahead.what, ahead.value, ahead.draws.shape) == (AHEAD, (3999.0, 1.0, 2.0), (DRAWS, 2))
    assert ahead.draws.mean() == pytest.approx(1999.5, rel=1e-3)
    assert (ahead.draws[0, 0], ahead.draws[-1, 0]) == (0.0, 3999.0)
    periods = pd.DataFrame({"period": ["2026-01", "2026Q1", "2026-01 to 2026-12"]})
    budget = SimpleNamespace(periods=periods, budget=9.0, spent=4.0, known_to="2026-03", landing=(8.0, 7.0, 9.0),
                             draws=np.arange(4000.0))
    _, year = spend_of("w", unit, SimpleNamespace(forecast=forecast, budget=budget))
    assert (year.what, year.months) == (YEAR, ("2026-01 to 2026-12",))
    assert (year.budget, year.spent, year.value) == (9.0, 4.0, (8.0, 7.0, 9.0))
    row = spend_table([ahead]).iloc[0]
    assert (row["value"], row["low_value"], row["high_value"]) == (3999.0, 1.0, 2.0)
    budget.known_to = None
    assert np.isnan(spend_of("w", unit, SimpleNamespace(forecast=forecast, budget=budget))[1].spent)


# -- audits and orders ----------------------------------------------------------------------------------------------


CRITICAL = ("bag", "mask")


def stocked(name, items, currency="USD"):
    items = pd.DataFrame([(i, i.title(), i in CRITICAL) for i in items], columns=["item", "description", "critical"])
    return SimpleNamespace(name=name.title(), currency=currency, items=items)


def audited(name, ready, target=0.95, begin=("mask",)):
    def standing(verified):
        return SimpleNamespace(readiness=Readiness(target, verified, verified, 0.9, 0.97, 9), value=100.0)

    audit = SimpleNamespace(present=standing(ready), proposed=standing(0.96), idle_value=5.0,
                            steps=pd.DataFrame({"item": list(begin)}))
    return audit_row(name, SimpleNamespace(audit=audit, unit=stocked(name, begin)))


def test_the_unit_furthest_under_its_own_target_comes_first():
    """0.93 of 0.95 is nearer than 0.96 of 0.99."""
    table = audit_table([audited("a", 0.93), audited("b", 0.96, 0.99, ("bag", "mask")), audited("c", 0.97, begin=())])
    assert table["unit"].tolist() == ["b", "a", "c"]
    assert table["steps"].tolist() == [2, 1, 0]
    assert table["begin_with"].tolist() == ["bag", "mask", ""]
    assert audit_sentences(table) == [
        "2 of 3 units are less ready than they aim to be. Begin with b: ready in 96.0 % of intervals (target 99.0 %); "
        "first EM  Bag."]
    assert audit_sentences(audit_table([audited("a", 0.95)])) == ["All of 1 units are as ready as they aim to be."]


def ordered(name, *rows, urgent=0, questions=0, currency="USD", counted=True):
    """rows: item, pack, urgent, order_packs, value."""
    lines = pd.DataFrame([(i, i.title(), pack, hot, packs, packs * pack, value) for i, pack, hot, packs, value in rows],
                         columns=LINE_COLUMNS[1:])
    order = SimpleNamespace(lines=lines, counted=date(2026, 7, 1), number="O1", urgent=["x"] * urgent)
    weekly = SimpleNamespace(order=order if counted else None, questions=["?"] * questions)
    plan = SimpleNamespace(unit=stocked(name, [row[0] for row in rows], currency))
    return order_summary(name, plan, weekly, ["told"])


def test_orders_add_up_by_item_pack_and_currency_and_urgent_units_come_first():
    a = ordered("a", ("gauze", 10, True, 3, 6.0), ("mask", 1, False, 0, 0.0))
    b = ordered("b", ("gauze", 10, False, 2, 4.0), ("gauze", 5, False, 1, 1.0), urgent=1)
    tables = order_tables([a, b])
    units = tables["order_units"].set_index("unit")
    assert units.index.tolist() == ["b", "a"]
    assert units.loc["a", ["items", "packs", "value", "urgent"]].tolist() == [1, 3, 6.0, 0]
    assert units.loc["b", ["items", "packs", "value", "urgent", "counted"]].tolist() == [2, 3, 5.0, 1, "2026-07-01"]
    items = tables["order_items"].set_index("pack")
    assert items.loc[10, ["units", "urgent", "packs", "value", "for_units"]].tolist() == [2, 1, 5, 10.0, "a 3, b 2"]
    assert items.loc[5, ["units", "packs", "value"]].tolist() == [1, 1, 1.0]
    assert len(tables["order_lines"]) == 3, "what is not ordered is no line"


def test_all_units_order_urgent_items_first_and_emergency_equipment_first_of_them_by_their_names():
    """As on the order of a single unit, though their keys come in another order."""
    told = [ordered("a", ("cap", 10, False, 1, 1.0), ("gauze", 10, True, 3, 6.0), ("mask", 1, False, 2, 9.0)),
            ordered("b", ("tie", 1, True, 1, 1.0), ("mask", 1, True, 2, 9.0))]
    tables = order_tables(told)
    assert tables["order_items"]["item"].tolist() == ["mask", "gauze", "tie", "cap"]
    book = Book("All units", "", "2 units")
    add_orders(book, tables, told[0].spoken)
    rows = load_workbook(BytesIO(book.content()))["What to order"].iter_rows(values_only=True)
    assert [row[:2] for row in rows][-6:] == [
        ("URGENT", None), ("mask", "EM  Mask"), ("gauze", "Gauze"), ("tie", "Tie"), ("To order", None), ("cap", "Cap")]


def test_who_holds_what_names_items_as_people_do():
    pooled = [planned(unit, slow=[slow_item(unit, "cap")]) for unit in "ab"]
    made = hospital([replace(p, spoken={"mask": "EM  Mask", "cap": "Cap"}) for p in pooled], [], 1.0)
    book = load_workbook(BytesIO(hospital_book(made, "a4")))
    assert {"EM  Mask", "gauze"} < {row[0] for row in book["Who holds what"].iter_rows(values_only=True)}
    assert "Cap" in {row[0] for row in book["Central store"].iter_rows(values_only=True)}


def test_what_all_units_order_is_said_urgent_ones_first():
    tables = order_tables([ordered("a", ("gauze", 10, True, 3, 6.0), questions=1),
                           ordered("b", ("gauze", 10, True, 2, 4.0), urgent=1), ordered("c", counted=False)])
    assert order_sentences(tables) == [
        "URGENT, something may run out before the order arrives or was not counted: b.",
        "2 of 3 units order 5 packs, 10.00 USD.",
        "Nothing was counted yet in c: print the count sheet there.",
        "Questions to answer in a.",
    ]
    dollars = order_tables([ordered("a", ("gauze", 10, False, 3, 6.0)),
                            ordered("b", ("gauze", 10, False, 1, 2.5), currency="EUR")])
    assert order_sentences(dollars) == ["2 of 2 units order 4 packs, 2.50 EUR, 6.00 USD."], "by the currency's name"
    quiet = order_sentences(order_tables([ordered("a", ("gauze", 10, False, 3, 6.0))]))
    assert quiet == ["1 of 1 units order 3 packs, 6.00 USD."]
    many = order_tables([ordered(f"u{k}", urgent=1) for k in range(7)])
    assert order_sentences(many)[0].endswith("counted: u0, u1, u2, u3, u4, u5 and 1 more.")
    assert isinstance(ordered("a"), OrderSummary)


def test_months_are_said_from_the_first_to_the_last_and_one_by_its_name():
    assert _span(("2026-01", "2026-02", "2026-03")) == "2026-01 to 2026-03"
    assert _span(("2026-01",)) == "2026-01"


def test_a_central_store_says_what_it_frees_and_takes():
    pooling = SimpleNamespace(saving=5.0, shelf_litres=6.0, items=pd.DataFrame({"units_pooled": [2, 0]}))
    units = pd.DataFrame({"currency": ["EUR", "USD", "USD"], "value": [9e9, 100.0, 200.0]})
    told_of = SimpleNamespace(units=units, failed=(), currency="USD", pooling=pooling, transport_days=1.0,
                              spend=spend_table(()))
    assert sentences(told_of)[1] == "One central store for 1 slow item, 1 day away, would free 5.00 USD and take 6 L."


@pytest.mark.parametrize(("items", "told"), [("cap hat", ": the units share no slow item."), ("cap cap", ".")])
def test_a_central_store_without_an_item_is_a_line_and_no_sheet_of_zeros(items, told):
    made = hospital([planned(unit, slow=[slow_item(unit, item, price=0.0)]) for unit, item in zip("ab", items.split())],
                    [], 1.0)
    assert sentences(made)[1] == "One central store would free nothing" + told
    assert "Central store" not in load_workbook(BytesIO(hospital_book(made, "a4"))).sheetnames
