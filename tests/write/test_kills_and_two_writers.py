"""Whole commands killed, and two at once, over one plan folder and one book: old or new, never mixed, nothing lost.

Hundreds of them run in tests/bench/kill_runs.py; here a few, each before a change of a file that is counted. Nothing
waits for a clock.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import kitplan
import kitplan.planning
from kitplan.desk.units import correct, take_in, write_toml
from kitplan.read.order_book import book_lock
from kitplan.saved.folder import open_plan
from kitplan.write import writer
from kitplan.write.writer import checksum as mark_of

_spec = importlib.util.spec_from_file_location("kill_runs", Path(__file__).parents[1] / "bench" / "kill_runs.py")
assert _spec is not None
assert _spec.loader is not None
runs = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(runs)

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks, and needs the exchange of folders")


@pytest.fixture(scope="module")
def planned(tmp_path_factory) -> Path:
    unit = runs.make_unit(tmp_path_factory.mktemp("runs") / "mill_lane")
    assert runs.call(["plan", unit]) == 0
    return unit


@pytest.fixture(scope="module")
def another(planned):
    """Another plan of the unit, as a second run would make it."""
    return kitplan.plan(kitplan.load_unit(planned), seed=8)


@pytest.fixture
def unit(planned, tmp_path) -> Path:
    return Path(shutil.copytree(planned, tmp_path / "mill_lane"))


def counted(unit: Path, day: str) -> list[object]:
    sheet = unit.parent / f"count-{day}.csv"
    sheet.write_text("item,packs\nsaline_5ml,1\nmask_50mm,2\n")
    return ["count", sheet, "--unit", unit, "--on", day]


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_a_count_killed_before_a_change_of_a_file_is_taken_in_once_when_it_is_run_again(share, unit):
    """At 0.3 the book is being written, at 0.9 it is whole and the papers are not."""
    command = counted(unit, "2026-03-02")
    most, _ = runs.length(command, unit)
    killed, _ = runs.kill_one(command, unit, runs.die_before_change(round(share * most), unit))
    assert killed
    assert [(line.item, line.packs) for line in runs.facts(unit)] == [("saline_5ml", 1), ("mask_50mm", 2)]


def test_a_plan_killed_while_it_writes_leaves_the_old_plan_and_the_next_command_works(unit, another, monkeypatch):
    monkeypatch.setattr(kitplan.planning, "plan_unit", lambda *given: another)
    old = runs.whole_plan(unit / "plan")
    killed = runs.ended(runs.start(["plan", unit, "--seed", 8], runs.die_before_change(40, unit)))
    assert killed == -signal.SIGKILL
    assert runs.whole_plan(unit / "plan") == old
    assert runs.call(["order", unit, "--on", "2026-03-02"]) == 0


def test_two_counts_at_once_both_stand_in_the_book(unit):
    children = [runs.start([*counted(unit, day), "--older"]) for day in ("2026-03-02", "2026-03-09")]
    assert [runs.ended(child) for child in children] == [0, 0]
    assert {line.number for line in runs.facts(unit)} == {"2026-03-02", "2026-03-09"}


def test_a_plan_is_not_written_while_a_step_of_the_week_is_at_work(unit, another, monkeypatch):
    """The step has opened the old plan and writes papers beside it: a new plan.json there would mix the two."""
    monkeypatch.setattr(kitplan.planning, "plan_unit", lambda *given: another)
    monkeypatch.setattr(writer, "_LOCK_WAIT_SECONDS", 0.0)
    before = runs.whole_plan(unit / "plan")
    with writer.one_writer(book_lock(unit)):
        assert runs.call(["plan", unit, "--seed", 8]) == 2
    assert runs.whole_plan(unit / "plan") == before


def test_a_count_taken_in_while_the_unit_is_planned_stands_on_the_new_papers(unit, another, monkeypatch):
    def planned_slowly(*given):
        assert runs.ended(runs.start(counted(unit, "2026-03-02"))) == 0
        return replace(another, unit=replace(another.unit, path=unit))

    monkeypatch.setattr(kitplan.planning, "plan_unit", planned_slowly)
    assert runs.call(["plan", unit, "--seed", 8]) == 0
    assert runs.whole_plan(unit / "plan") == another.number
    assert open_plan(unit / "plan").orders.now.last_count.isoformat() == "2026-03-02"


def test_a_form_of_the_desk_changes_one_file_and_not_the_folder_in_which_others_write(unit):
    before = os.stat(unit).st_ino
    write_toml(unit, "class.toml", {"learners": 2})
    take_in(unit, "stays.csv", b"airway,route,tube_mm,start\nA1,oral,3.5,2026-01-01\n")
    census = unit / "census.csv"
    assert correct(unit, "census.csv", {(2, 0): "nasal"}, mark_of(census.read_bytes()))
    assert os.stat(unit).st_ino == before
    assert not list(unit.glob(".*"))
