"""Two processes for one unit: the same bytes as one, the same faults, and nothing lost with a lost process."""

import os

import pytest

from kitplan.beside import beside, cores
from kitplan.outputs import plan_files
from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be split here")


def test_a_unit_planned_by_two_processes_is_the_same_to_the_byte():
    folder = sample_units()["lantern_nursery"]
    alone, both = (
        plan_files(plan_unit(load_unit(folder), processes=n), processes=n) for n in (1, 2)
    )
    assert both == alone
    assert any(name.startswith("prints/") or name.endswith(".pdf") for name in alone)


def test_the_work_is_done_in_another_process():
    assert beside(os.getpid)() != os.getpid()


def test_a_fault_of_the_work_is_met_here():
    waiting = beside(lambda: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        waiting()


def test_work_that_is_lost_with_its_process_is_done_here():
    here = os.getpid()
    assert beside(lambda: here if os.getpid() == here else os._exit(9))() == here




def test_no_more_processes_than_cores():
    assert 1 <= cores() <= 2
