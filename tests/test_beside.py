"""Two processes for one unit: the same bytes as one, the same faults, and nothing lost with a lost process."""

import os
import struct
from multiprocessing import Pipe
from types import SimpleNamespace

import pytest

from kitplan.beside import _received, beside, cores
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


def test_the_work_is_done_in_another_process_step_by_step():
    places = list(beside(os.getpid, os.getpid))
    assert places[0] == places[1] != os.getpid()


def test_what_a_step_worked_out_is_there_for_the_next():
    kept = []
    assert list(beside(lambda: kept.append(7), lambda: list(kept))) == [None, [7]]
    assert not kept, "the second process has its own memory"


def test_a_fault_of_the_work_is_met_here():
    waiting = beside(lambda: 1 // 0)
    with pytest.raises(ZeroDivisionError):
        next(waiting)


def test_steps_that_are_lost_with_their_process_are_done_here():
    here = os.getpid()
    theirs, lost, after = beside(os.getpid, lambda: here if os.getpid() == here else os._exit(9), os.getpid)
    assert theirs != here
    assert (lost, after) == (here, here)


def test_a_result_that_breaks_off_is_worked_out_here():
    ours, theirs = Pipe(duplex=False)
    os.write(theirs.fileno(), struct.pack("!i", 100) + b"the first bytes of a hundred")
    theirs.close()
    gone = SimpleNamespace(join=lambda: None)
    assert list(_received(ours, gone, [lambda: 7, lambda: 8])) == [7, 8]


def test_no_more_processes_than_cores():
    assert 1 <= cores() <= 2
