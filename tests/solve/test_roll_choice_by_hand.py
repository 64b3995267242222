"""Rolls, sheets and boxes compared for one unit of three kinds of airway, reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.item_choice import Airway, attempt_tables, fill_roles
from kitplan.parts.kits.requirements import kit_needs
from kitplan.parts.kits.roll_choice import (
    OPENED_COLUMNS,
    TAPE_COLUMNS,
    _amounts,
    _single,
    _single_row,
    _suits,
    choose_opened,
)
from kitplan.parts.kits.slots import MOST_USES, _quantile, chance_of_mix, fewest_of_each
from kitplan.read.values import Piece
from tests.millimetres import fits_in_millimetres

MONTH = 365.25 / 12


def compared(unit):
    tables = attempt_tables(unit)
    needs = kit_needs(unit, tables)
    return needs, choose_opened(unit, needs, fill_roles(unit, tables))


def changed(unit, item, **values):
    items = unit.items.copy()
    for column, value in values.items():
        items.loc[items["item"] == item, column] = value
    return replace(unit, items=fits_in_millimetres(items))


def of(frame, item, skin="none", size="3.5 mm"):
    return frame[(frame["item"] == item) & (frame["skin"] == skin) & (frame["size"] == size)].iloc[0]


def test_what_of_a_roll_ends_in_no_piece_is_told_as_a_share(small_unit):
    """480 mm a re-secure from rolls of 1,372 mm, as many as a stay opens on the mean."""
    needs, found = compared(small_unit)
    row = of(found.tape, "tape-25-short")
    use = needs.use[0]
    rolls = float(use.stay_attempts @ needs.opened[0, 0][: len(use.stay_attempts)])
    assert row["rolls_per_stay"] == pytest.approx(rolls)
    assert row["cost_per_stay"] == pytest.approx(0.9 * rolls)
    assert row["discarded_share"] == pytest.approx(1 - use.mean_stay_attempts * 480 / (rolls * 1372))
    assert row["half_strip_share"] == 0.0
    assert list(found.tape.columns) == TAPE_COLUMNS


def test_a_dressing_is_told_by_its_area_and_only_where_it_is_used(small_unit):
    """Two pieces of 25 x 40 mm a re-secure from 100 x 100 mm: four re-secures a sheet, by the shelf's own pieces."""
    needs, found = compared(small_unit)
    assert len(found.opened) == 1
    row = found.opened.iloc[0]
    use = needs.use[1]
    sheets = float(use.stay_attempts @ needs.opened[1, 2][: len(use.stay_attempts)])
    assert (row["role"], row["item"], row["uses_per_item"], row["choice"]) == ("barrier", "dressing-10", 4.0, "best")
    assert row["items_per_stay"] == pytest.approx(sheets)
    assert row["monthly_cost"] == pytest.approx(sheets * 2.2 * 2 * MONTH / 6)
    assert row["discarded_share"] == pytest.approx(1 - use.mean_stay_attempts * 2000 / (sheets * 10_000))
    assert bool(row["in_kit"])
    assert list(found.opened.columns) == OPENED_COLUMNS


def test_why_a_roll_is_no_choice_is_said(small_unit):
    """Short rolls of 180 mm hold a piece of 160 mm and none of 190; the other is 40 mm wide where 25 is asked for."""
    unit = changed(changed(small_unit, "tape-25-short", length_mm=180.0), "tape-25-long", width_mm=40.0)
    _, found = compared(unit)
    assert of(found.tape, "tape-25-short")["choice"] == "best"
    assert of(found.tape, "tape-25-long")["choice"] == "other width"
    far = of(found.tape, "tape-25-short", size="4.0 mm")
    assert (far["choice"], far["pieces_per_roll"]) == ("piece too long", 0)
    assert np.isnan(far["cost_per_stay"])
    small = changed(small_unit, "tape-25-short", fits_from_mm=2.0, fits_to_mm=3.5)
    assert of(compared(small)[1].tape, "tape-25-short", size="4.0 mm")["choice"] == "other size"


def test_one_item_for_the_whole_unit_says_whom_it_cannot_serve(small_unit):
    unit = changed(small_unit, "tape-25-short", length_mm=180.0)
    _, found = compared(unit)
    single = found.single[found.single["role"] == "tape"].set_index("item")
    short, long = single.loc["tape-25-short"], single.loc["tape-25-long"]
    assert (short["serves"], short["remark"]) == (2, "cannot serve 1 of 3 kinds of airway")
    assert np.isnan(short["extra_monthly_cost"])
    assert (long["serves"], long["remark"]) == (3, "")
    best = single.loc["each airway's best"]
    assert best["monthly_cost"] <= long["monthly_cost"]
    assert long["extra_monthly_cost"] == pytest.approx(long["monthly_cost"] - best["monthly_cost"])
    assert single.index.tolist()[0] == "each airway's best"
    assert single.index.tolist().index("tape-25-long") < single.index.tolist().index("tape-25-short"), "who serves most"


def test_a_unit_that_opens_nothing_has_empty_tables(small_unit):
    (name, technique), = small_unit.techniques.items()
    bare = replace(small_unit, techniques={name: replace(technique, pieces=(), uses_with_barrier={})})
    _, found = compared(bare)
    assert found.tape.empty
    assert found.opened.empty
    assert found.single.empty
    assert list(found.tape.columns) == TAPE_COLUMNS


def test_what_one_item_holds_and_what_a_use_takes_of_it(small_unit):
    """A strip of half the width is cut whole and half of it is used."""
    technique = replace(small_unit.techniques["oral_two_y"], pieces=(Piece("strip", 1, length_mm=100),
                                                                     Piece("strip", 1, length_mm=80, half_width=True)))
    airway = Airway(1, small_unit.strata.loc[1].to_dict(), technique, np.ones(1))
    roll = {"role": "tape", "length_mm": 1000.0, "width_mm": 25.0, "contains": 1000.0}
    held, cut, applied, pieces = _amounts(airway, 1.0, roll)
    assert (held, cut, applied) == (1000.0, 180.0, 140.0)
    assert pieces == 11, "five of either length are 900 mm, and another of 100"
    sheet = {"role": "barrier", "width_mm": 100.0, "length_mm": 200.0, "contains": 1.0}
    assert _amounts(airway, 3.0, sheet) == (20_000.0, 3000.0, 3000.0, 0)
    assert _amounts(airway, 3.0, {"role": "barrier", "width_mm": np.nan, "contains": 6.0}) == (6.0, 3.0, 3.0, 0)
    assert _amounts(airway, 2.0, {"role": "ties", "width_mm": 9.0, "contains": 8.0}) == (8.0, 2.0, 2.0, 0)


def test_an_item_suits_by_its_size_and_tape_by_its_width_too(small_unit):
    rows = small_unit.items.set_index("item", drop=False)
    first, third = (SimpleNamespace(row=small_unit.strata.loc[g].to_dict()) for g in (0, 2))
    assert _suits(first, rows.loc["tape-25-long"], {25.0}) == "suits"
    assert _suits(first, rows.loc["tape-25-long"], {40.0}) == "other width"
    assert _suits(first, rows.loc["dressing-10"], {25.0}) == "suits"
    assert _suits(third, rows.loc["mask-42"], set()) == "other size"


def test_of_items_that_serve_alike_the_cheaper_comes_first(small_unit):
    """Two kinds; a serves both for 30, b both for 20, c one for 1; the best of each cost 1 and 12."""
    frame = pd.DataFrame([
        (0, "r", "a", 10.0, "suits", 5.0, 10.0), (1, "r", "a", 20.0, "suits", 5.0, 10.0),
        (0, "r", "b", 8.0, "suits", 5.0, 10.0), (1, "r", "b", 12.0, "best", 5.0, 20.0),
        (0, "r", "c", 1.0, "best", 5.0, 5.0), (1, "r", "c", 9.0, "other size", 5.0, 5.0),
    ], columns=["stratum", "role", "item", "monthly_cost", "choice", "applied", "opened_amount"])
    table = _single(small_unit, frame)
    assert table["item"].tolist() == ["each airway's best", "b", "a", "c"]
    assert table["monthly_cost"].tolist() == [13.0, 20.0, 30.0, 1.0]
    assert table["extra_monthly_cost"].tolist()[:3] == [0.0, 7.0, 17.0]
    assert table["discarded_share"].tolist() == pytest.approx([1 - 10 / 25, 1 - 10 / 30, 0.5, 0.0])
    assert table["serves"].tolist() == [2, 2, 2, 1]


# -- gloves ---------------------------------------------------------------------------------------------------------


def test_a_mix_of_one_size_lasts_while_there_are_enough():
    assert chance_of_mix([2], [1.0], 4) == pytest.approx([1, 1, 1, 0, 0])
    assert chance_of_mix([1, 1], [0.5, 0.5], 3) == pytest.approx([1, 1, 0.5, 0])
    assert chance_of_mix([9, 9], [0.5, 0.5], 2) == pytest.approx([1, 1, 1])


def test_a_kit_grows_by_the_size_that_helps_most():
    """One use or two, as often; each eight times in ten of the first of three sizes, else of the second or third. One
    of the first lasts in 0.5 x 0.8 = 0.40; two of it in 0.40 + 0.5 x 0.64 = 0.72, one of the second beside it only in
    0.45 + 0.08 = 0.53. With two and one: 0.45 + 0.5 x 0.80 = 0.85.
    """
    uses, shares = (0.0, 0.5, 0.5), (0.8, 0.1, 0.1)
    assert [fewest_of_each(shares, uses, 1, chance) for chance in (0.3, 0.6, 0.8)] == [
        (1, 0, 0), (2, 0, 0), (2, 1, 0)]


def test_the_fewest_of_each_count_how_many_uses_there_are_and_whose():
    """No attempt in four of five, else one of two pairs: nothing lasts in 80 %; one of either also where both sizes
    are taken, in 90 %; two of one and one of the other in 95 %; two of each always.
    """
    attempts = (0.8, 0.2)
    assert fewest_of_each((0.5, 0.5), attempts, 2, 0.8) == (0, 0)
    assert sorted(fewest_of_each((0.5, 0.5), attempts, 2, 0.9)) == [1, 1]
    assert sorted(fewest_of_each((0.5, 0.5), attempts, 2, 0.95)) == [1, 2]
    assert fewest_of_each((0.5, 0.5), attempts, 2, 1.0) == (2, 2)
    assert fewest_of_each((1.0,), (0.5, 0.3, 0.2), 1, 0.8) == (1,)
    assert fewest_of_each((1.0,), (0.5, 0.3, 0.2), 1, 0.81) == (2,)


def test_from_so_many_uses_on_each_size_has_its_own_quantile():
    """One size takes all: of 150 uses for sure 150, of 151 as well, whichever way it is worked out."""
    for uses in (MOST_USES, MOST_USES + 1):
        assert fewest_of_each((1.0,), tuple(np.eye(uses + 1)[uses]), 1, 0.95) == (uses,)
    assert _quantile(np.array([0.5, 0.3, 0.2]), 1.0, 0.2) == 1
    assert _quantile(np.array([0.5, 0.3, 0.2]), 1.0, 0.19) == 2
    assert _quantile(np.array([0.5, 0.3, 0.2]), 1.0, 0.5) == 0


def test_what_is_thrown_away_is_a_share_of_what_is_opened_however_little_that_is():
    """0.4 of a piece a month opened and 0.3 used: a quarter. Where nothing is opened nothing is thrown away."""
    own = pd.DataFrame({"stratum": [0, 1], "opened_amount": [0.3, 0.1], "applied": [0.2, 0.1],
                        "monthly_cost": [2.0, 1.0]})
    row = _single_row("saline", "saline-5", own, 2, 3.0, "airway")
    assert row["discarded_share"] == pytest.approx(0.25)
    assert _single_row("saline", "saline-5", 0 * own, 1, 3.0, "airway")["discarded_share"] == 0.0
