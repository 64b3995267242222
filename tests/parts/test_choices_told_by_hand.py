"""Which designs are taken, what a container refuses, what doubt costs, what a class keeps: from parts made by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.doubt import model as doubt
from kitplan.parts.kits import model as kits
from kitplan.parts.kits.partition import Partition
from kitplan.parts.orders.back_order import _Line, _unfilled
from kitplan.parts.training import lists
from kitplan.parts.training.lists import _durable_rows, _item_for, _things
from kitplan.parts.training.timetable import Thing
from kitplan.read.class_values import Durable
from kitplan.read.problems import UnsafePlan
from tests.parts.test_training import lesson, practice

NAN = float("nan")


def with_bedside(unit, **changes):
    return replace(unit, bedside=replace(unit.bedside, **changes))


def partition(designs, litres=1.0):
    return Partition(designs, np.eye(designs, dtype=bool), 10.0, 10.0, 0.0, litres)


# -- kit designs ----------------------------------------------------------------------------------------------------


def test_a_container_refuses_kits_that_are_larger_and_names_the_size_that_holds_them(small_unit):
    """Kits of 1.0, 1.21 and 1.49 L, told in tenths and rounded up."""
    prices = SimpleNamespace(costs=lambda groups: (None, np.array([1.0, 1.21, 1.49])))
    labels = small_unit.strata["label"]
    with pytest.raises(UnsafePlan) as refused:
        kits._check_container(with_bedside(small_unit, container_litres=1.0), prices)
    over = f"too small for the kit of {labels[1]} 1.3 L, {labels[2]} 1.5 L."
    assert f"a container of 1 L (bedside.container_litres) is {over}" in str(refused.value)
    assert "give 1.5 L or more" in str(refused.value)
    kits._check_container(with_bedside(small_unit, container_litres=1.49), prices)
    kits._check_container(with_bedside(small_unit, container_litres=None), prices)


def test_as_many_designs_are_taken_as_were_asked_for_and_no_more_than_there_are_kinds(small_unit):
    curve = [partition(1), partition(2), partition(3)]
    for asked, taken in ((1, 1), (2, 2), (9, 3), (None, 3)):
        assert kits._choose(with_bedside(small_unit, designs=asked), (), curve, None).designs == taken


def test_where_so_few_designs_would_mix_sizes_the_fewest_that_do_not_are_taken(small_unit, monkeypatch):
    """One design may not be, in a container or out of it: two are. Where only the container forbids it, it is said."""
    curve = [None, partition(2), partition(3)]
    asked = with_bedside(small_unit, designs=1, container_litres=None)
    assert kits._choose(asked, (), curve, None).designs == 2
    boxed = with_bedside(small_unit, designs=1, container_litres=0.5)
    monkeypatch.setattr(kits, "design_curve", lambda *_, together: [None])
    assert kits._choose(boxed, (), curve, None).designs == 2
    monkeypatch.setattr(kits, "design_curve", lambda slots, container, n, seconds, together: [partition(1, 0.72)])
    with pytest.raises(UnsafePlan) as refused:
        kits._choose(boxed, (), curve, None)
    assert "1 kit design (bedside.designs) cannot hold" in str(refused.value)
    assert "in a container of 0.5 L (bedside.container_litres): allow 2 designs, or a container of 0.8 L" in str(
        refused.value)


def test_designs_are_named_by_their_smallest_tube_then_by_the_first_kind_that_they_serve(small_unit):
    """Sizes 4, 3, 3, 5: the design of kinds 1 and 3 holds a 3 and comes first, then that of kind 2, then that of 0."""
    unit = SimpleNamespace(strata=pd.DataFrame({"size_number": [4.0, 3.0, 3.0, 5.0]}))
    groups = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [0, 1, 0, 1]], dtype=bool)
    assert kits._in_order(unit, groups).astype(int).tolist() == [[0, 1, 0, 1], [0, 0, 1, 0], [1, 0, 0, 0]]


def test_re_secures_between_two_counts_are_their_attempts_less_those_of_arrivals(small_unit):
    """Two secures on admission: of nine attempts with three arrivals three are at bedsides."""
    unit = replace(small_unit, frequency=small_unit.frequency.assign(admission_secures=[2.0, 1.0, 0.0]),
                   stock=replace(small_unit.stock, review_days=14))
    days = SimpleNamespace(arrivals={14: np.array([[3, 1, 1]])}.__getitem__,
                           attempts={14: np.array([[9, 1, 4]])}.__getitem__)
    arriving, attempts = kits._review(unit, days)
    assert (arriving.tolist(), attempts.tolist()) == ([[3, 1, 1]], [[3, 0, 4]])


# -- doubt ----------------------------------------------------------------------------------------------------------


def test_what_it_costs_not_to_know_is_the_value_of_the_plan_less_that_of_the_plan_that_knows(small_unit, monkeypatch):
    """The plan as it is holds 100; each thing known takes off 10 more than the one before it, as a share of the 100."""
    parts = list(doubt.UNKNOWN)
    worth = {part: 100.0 - 10 * (k + 1) for k, part in enumerate(parts)} | {"": 100.0}

    def posterior(part):
        return SimpleNamespace(of_stream=lambda stream: (part, stream), without_doubt=posterior)

    monkeypatch.setattr(doubt, "fit_posterior", lambda unit: posterior(""))
    monkeypatch.setattr(doubt, "at_most", lambda n, unit, days: n)
    monkeypatch.setattr(doubt, "draw_demand", lambda unit, choice, days, n, seed, stream, tables, known, means: known)
    monkeypatch.setattr(doubt, "ask", lambda unit, demand: SimpleNamespace(mean_value=lambda levels: worth[demand[0]]))
    monkeypatch.setattr(doubt, "_levels", lambda instance, target: None)
    value, frame = doubt._prices(small_unit, None, None, 1)
    assert value == 100.0
    assert frame["unknown"].tolist() == parts
    assert frame["saved"].tolist() == [10.0 * (k + 1) for k in range(len(parts))]
    assert frame["saved_share"].tolist() == pytest.approx([0.1 * (k + 1) for k in range(len(parts))])


# -- a class --------------------------------------------------------------------------------------------------------


def table(moves=(), **things):
    columns = ["thing", "item", "needed", "have", "price", "by_pack", "shared"]
    return SimpleNamespace(
        minutes=60.0, things=pd.DataFrame([(n, *row) for n, row in things.items()], columns=columns),
        moves=pd.DataFrame(moves, columns=["thing", "from_station"]))


def test_things_that_last_are_bought_in_whole_packs_where_the_catalogue_prices_them(small_unit):
    """Of five masks two are there: three, in packs of two at 3.50 each, are two packs, 14 money. A stand costs 9;
    a manikin that nobody prices is borrowed; what is all there costs nothing.
    """
    items = small_unit.items.assign(pack=np.where(small_unit.items["item"] == "mask-42", 2, small_unit.items["pack"]))
    rows = _durable_rows(replace(small_unit, items=items), [lesson()], [table(
        [("stand", 1), ("Mask", 0)], Mask=("mask-42", 5, 2, 3.5, True, False), stand=("", 3, 1, 9.0, False, True),
        manikin=("", 2, 0, NAN, False, False), lamp=("", 2, 2, NAN, False, False))], {})
    told = {row[1]: row for row in rows}
    assert told["Mask"][:4] == ("mask-42", "Mask", "durable", 5)
    assert told["Mask"][5:11] == (0, 2, 3, 2, 2.0, 14.0)
    assert told["stand"][5:11] == (0, 1, 2, 1, 2.0, 18.0)
    assert told["lamp"][5:11] == (0, 2, 0, 1, 0.0, 0.0)
    assert np.isnan(told["manikin"][9:11]).all()
    assert [told[n][11] for n in ("Mask", "stand", "manikin")] == [
        "most in use at one time; every station keeps its own", "most in use at one time; moved between stations",
        "most in use at one time; every station keeps its own; no price: borrow it"]


def test_a_thing_named_by_its_role_is_the_item_nearest_the_tube_and_one_by_its_item_that_item(small_unit):
    """Masks fit 2 to 3.5 mm and 3.5 to 5 mm."""
    def durable(**changes):
        values = {"name": "thing", "item": "", "role": "", "per_station": 1, "shared": True, "have": 0, "price": NAN,
                  "fits_low": NAN, "fits_high": NAN, "techniques": ()} | changes
        return Durable(*values.values())

    small, large = practice(tube_mm=2.5).size, practice(tube_mm=4.5).size
    assert [_item_for(small_unit, durable(role="mask"), size) for size in (small, large)] == ["mask-42", "mask-60"]
    assert _item_for(small_unit, durable(item="scissors"), small) == "scissors"
    assert _item_for(small_unit, durable(role="mask"), practice(tube_mm=9.0).size) == ""


def test_a_thing_that_moves_is_listed_with_the_rounds_in_which_it_stands_there(small_unit, monkeypatch):
    """Two stations, practices 0 and 1 in turn: what practice 0 needs is at station 1 in round 1."""
    things = [Thing("mask", "mask-42", 2, True, 0, 1.0, True, frozenset({0})),
              Thing("stand", "", 1, False, 0, 1.0, False, frozenset({0})),
              Thing("lamp", "", 1, True, 0, 1.0, False, frozenset({0, 1})),
              Thing("bag", "", 1, True, 0, 1.0, False, frozenset({2}))]
    monkeypatch.setattr(lists, "class_things", lambda unit, lesson: things)
    moves = pd.DataFrame({"shared": [True, False, True, True]})
    grid = SimpleNamespace(practice=np.array([[0, 1], [1, 0]]), things=moves)
    rows = list(_things(small_unit, [lesson()], [grid]))
    at_first, at_second = ([row for row in rows if row[1] == station] for station in (1, 2))
    assert [row[3:6] for row in at_first] == [
        ("mask-42", "mask (round 1)", 2), ("stand", "stand", 1), ("lamp", "lamp", 1)]
    assert at_second[0][:5] == (0, 2, "durable", "mask-42", "mask (round 2)")
    assert [row[6] for row in at_first] == ["mask", "piece", "piece"]


# -- back orders ----------------------------------------------------------------------------------------------------


def test_of_what_is_sized_to_a_patient_nothing_is_proposed_and_a_person_decides(small_unit):
    labels = small_unit.strata["label"]
    line = _Line("mask-42", "mask", (0,), True, 1.0, {}, True)
    told = _unfilled(small_unit, line)
    assert f"nothing is proposed in its place for {labels[0]}." in told
    assert "sized to the patient or critical" in told
    assert "decides" in told
    plain = _Line("saline-5", "saline", (2,), False, 1.0, {}, False)
    assert _unfilled(small_unit, plain) == (
        f"Nothing in the catalogue may take the place of saline-5 (saline) for {labels[2]}.")
