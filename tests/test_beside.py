"""Two processes for one unit: the same bytes as one, the same faults, and nothing lost with a lost process."""

import os
import pickle
import struct
from multiprocessing import Pipe
from types import MappingProxyType, SimpleNamespace

import pytest

from kitplan import beside as processes
from kitplan.beside import _received, begin_companion, beside, cores
from kitplan.outputs import plan_files
from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes cannot be split here")


@pytest.fixture(params=[False, True], ids=["split off for the work", "a companion that waits"])
def companion(request, monkeypatch):
    """Whether a companion waits; it is gone after the test, as it is when its program ends."""
    monkeypatch.setattr(processes, "_waiting", [])
    monkeypatch.setattr(processes, "cores", lambda: 2)
    if request.param:
        begin_companion(["json"], ["csv"])
    yield request.param
    for connection, process in processes._waiting:
        connection.close()
        process.join(10)
        assert process.exitcode == 0, "it ends by itself when nobody can send it work any more"


def numbers(*given):
    """Results that say where they were made, and that what one step works out is there for the next."""
    so_far = 0
    for number in given:
        so_far += number
        yield os.getpid(), so_far


def divided(by):
    yield 1 // by


def lost_at_the_second(here):
    yield os.getpid()
    if os.getpid() != here:
        os._exit(9)
    yield os.getpid()


def test_a_unit_planned_by_two_processes_is_the_same_to_the_byte(companion):
    folder = sample_units()["lantern_nursery"]
    alone, both = (
        plan_files(plan_unit(load_unit(folder), processes=n), processes=n) for n in (1, 2)
    )
    assert both == alone
    assert any(name.startswith("prints/") or name.endswith(".pdf") for name in alone)


def test_the_work_is_done_in_another_process_step_by_step(companion):
    (first, one), (second, three) = beside(numbers, 1, 2)
    assert first == second != os.getpid()
    assert (one, three) == (1, 3)


def test_a_companion_that_has_ended_its_work_takes_more(companion):
    places = [place for _ in range(2) for place, _ in beside(numbers, 1)]
    assert (places[0] == places[1]) == companion


def test_while_a_companion_is_at_work_another_process_is_split_off(companion):
    waiting = beside(numbers, 1, 2)
    (other, _), = beside(numbers, 1)
    assert other not in {place for place, _ in waiting}


def test_a_fault_of_the_work_is_met_here(companion):
    waiting = beside(divided, 0)
    with pytest.raises(ZeroDivisionError):
        next(waiting)
    assert list(beside(divided, 1)) == [1], "the next work finds a process all the same"


def test_what_is_lost_with_its_process_is_done_here(companion):
    here = os.getpid()
    theirs, lost = beside(lost_at_the_second, here)
    assert theirs != here
    assert lost == here


def test_a_companion_that_died_while_it_waited_is_done_without(companion):
    for connection, process in processes._waiting:
        process.kill()
        process.join()
        assert not connection.closed
    assert [number for _, number in beside(numbers, 1, 2)] == [1, 3]


def test_a_result_that_breaks_off_is_worked_out_here():
    ours, theirs = Pipe()
    os.write(theirs.fileno(), struct.pack("!i", 100) + b"the first bytes of a hundred")
    theirs.close()
    gone = SimpleNamespace(join=lambda: None)
    assert [number for _, number in _received(ours, gone, numbers, (7, 8))] == [7, 15]


def test_read_only_mappings_travel():
    view = MappingProxyType({"a": 1})
    came = pickle.loads(pickle.dumps(view))
    assert came == view
    assert isinstance(came, MappingProxyType)


def test_no_more_processes_than_cores():
    assert 1 <= cores() <= 2
