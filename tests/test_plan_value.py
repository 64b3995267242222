"""A plan as a value: what it holds has a name and a type, and nobody can edit it by accident."""

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.results import NotPlanned
from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units


@pytest.fixture
def planned(small_unit):
    return plan_unit(small_unit, seed=3, parts=("par",))


def test_an_unknown_part_is_refused_before_anything_is_computed(small_unit):
    said = []
    with pytest.raises(ValueError, match=r"'pars': no such part; a plan has par, kits, audit, order"):
        plan_unit(small_unit, parts=("pars",), progress=said.append)
    assert said == []


def test_a_result_that_was_not_planned_says_so_and_why(small_unit):
    plan = plan_unit(small_unit, seed=3)
    with pytest.raises(NotPlanned, match=r"'audit' is not in this plan: no present_par.csv, and no sheet present_par"):
        _ = plan.audit


def test_what_a_part_needs_is_planned_with_it(small_unit):
    plan = plan_unit(small_unit, seed=3, parts=("order",))
    assert plan.parts == ("par", "kits", "order")


def test_editing_a_frame_that_was_handed_out_edits_nothing_of_the_plan(planned):
    mine = planned.par.levels
    mine.loc[:, "par_packs"] = 99
    del mine["because"]
    assert (planned.par.levels["par_packs"] < 99).any()
    assert "because" in planned.par.levels


def test_scenarios_are_write_locked(planned):
    with pytest.raises(ValueError, match="read-only"):
        planned.demand().units[0, 0] = 1


def test_scenarios_that_no_plan_has_are_no_other_draw(planned):
    with pytest.raises(ValueError, match="'verfy': no such scenarios; a plan has plan and verify"):
        planned.demand("verfy")


def test_a_unit_edited_after_planning_changes_no_plan(unit_maker):
    unit = unit_maker()
    plan = plan_unit(unit, seed=3, parts=())
    unit.items.loc[:, "price"] = 0.0
    assert (plan.unit.items["price"] > 0).all()


def test_a_seed_given_to_the_reader_or_to_the_plan_is_the_same_seed():
    read = plan_unit(load_unit(sample_units()["lantern_nursery"], seed=8), parts=("par",))
    given = plan_unit(load_unit(sample_units()["lantern_nursery"]), seed=8, parts=("par",))
    assert np.array_equal(read.demand().units, given.demand().units)
    assert given.unit.planning.seed == read.seed == given.seed == 8


def test_repr_fits_a_screen_and_says_the_number_the_unit_and_the_answer(planned):
    text = repr(planned)
    assert len(text) < 240
    assert planned.number in text
    assert "Invented test unit" in text
    assert "target 95.0 %" in text


@pytest.mark.parametrize("part", ["unit", "par", "demand"])
def test_every_result_prints_itself_on_a_screen(planned, part):
    text = repr({"unit": planned.unit, "demand": planned.demand()}.get(part) or planned.result(part))
    assert len(text.splitlines()) < 40
    assert max(map(len, text.splitlines())) < 160
    assert " x " in text or "(...)" in text


def test_the_seed_that_was_given_is_the_seed_of_the_scenarios(planned, small_unit):
    assert planned.demand().seed == planned.demand("verify").seed == 3
    other = plan_unit(small_unit, seed=4, parts=("par",))
    assert not np.array_equal(other.demand().units, planned.demand().units)
    pd.testing.assert_frame_equal(plan_unit(small_unit, seed=3, parts=("par",)).par.levels, planned.par.levels)
