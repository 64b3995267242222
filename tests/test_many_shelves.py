"""A folder of units audited and ordered for: as each would be alone, and all of them on one sheet."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from openpyxl import load_workbook

from kitplan.cli import main
from kitplan.commands.common import Progress, in_silence, out_folder, say, tell
from kitplan.many import Failed, Job, Made, Task, for_each
from kitplan.parts.hospital.command import How, order_one
from kitplan.parts.orders.round_command import find_unit
from kitplan.resources import sample_units

FEW = "".join(f"[planning.{key}]\nvalue = 500\n" for key in ("scenarios", "verify_scenarios", "max_scenarios"))
HELD = "item,par_packs\nsaline_5ml,1\nbag_500ml,4\nmask_50mm,3\n"
COUNTED = "item,packs\nsaline_5ml,0\nbag_500ml,1\nmask_50mm,3\n"


def run(*arguments: object):
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def ward(tmp_path_factory) -> Path:
    """East and west, planned together; a third that holds no par and counted nothing, planned by itself."""
    folder = tmp_path_factory.mktemp("ward")
    for name in ("east", "west", "alone"):
        shutil.copytree(sample_units()["mill_lane"], folder / name)
        (folder / name / "policy.toml").write_text(FEW)
        if name != "alone":
            (folder / name / "present_par.csv").write_text(HELD)
            (folder / name / "on_hand.csv").write_text(COUNTED)
    shutil.move(folder / "alone", folder.parent / "alone")
    assert run("par", folder).exit_code in (0, 1), "few scenarios may not reach the target"
    shutil.move(folder.parent / "alone", folder / "alone")
    assert run("par", folder / "alone").exit_code in (0, 1)
    return folder


@pytest.fixture(scope="module")
def audited(ward):
    return run("audit", ward)


@pytest.fixture(scope="module")
def ordered(ward, audited):
    shutil.copytree(ward, ward.parent / "before")
    return run("order", ward, "--on", "2026-07-01")


def test_every_unit_is_audited_beside_its_plan_and_the_furthest_from_its_target_comes_first(audited, ward):
    assert audited.exit_code == 1, "one holds no par levels"
    assert "Not done: alone (input)" in audited.output
    assert "2 of 2 units are less ready than they aim to be. Begin with" in audited.output
    table = pd.read_csv(ward / "plan/tables/audit_units.csv")
    assert sorted(table["unit"]) == ["east", "west"]
    assert (table["ready_after"] > table["ready"]).all()
    assert (table["ready"] - table["target"]).is_monotonic_increasing
    assert "Not done" in load_workbook(ward / "plan/all-units-audit.xlsx").sheetnames


def test_an_audit_in_a_folder_has_the_bytes_of_one_alone(audited, ward, tmp_path):
    shutil.copytree(ward / "plan" / "east", tmp_path / "plan")
    assert run("audit", ward / "east", "--out", tmp_path / "plan").exit_code == 0
    for name in ("audit.xlsx", "tables/audit.csv", "audit.json"):
        assert (tmp_path / "plan" / name).read_bytes() == (ward / "plan" / "east" / name).read_bytes(), name


def test_every_unit_is_ordered_for_into_its_own_book(ordered, ward):
    assert ordered.exit_code == 0, ordered.output
    units = pd.read_csv(ward / "plan/tables/order_units.csv", dtype={"order": str}, keep_default_na=False)
    units = units.set_index("unit")
    assert units.loc[["east", "west"], "order"].tolist() == ["1", "1"]
    assert units.loc["alone", "counted"] == ""
    assert "Nothing was counted yet in alone" in ordered.output
    for name in ("east", "west"):
        lines = pd.read_csv(ward / name / "book" / "orders.csv")
        assert lines["packs"].sum() == units.loc[name, "packs"]
        own = pd.read_csv(ward / "plan" / name / "tables" / "order.csv")
        assert own["order_packs"].sum() == units.loc[name, "packs"]
    assert (ward / "alone" / "plan" / "order.json").is_file(), "its papers lie beside its own plan"


def test_the_items_of_all_orders_add_up(ordered, ward):
    lines, items = (pd.read_csv(ward / f"plan/tables/order_{name}.csv") for name in ("lines", "items"))
    assert items["packs"].sum() == lines["order_packs"].sum()
    assert items["value"].sum() == pytest.approx(lines["value"].sum())
    saline = items.set_index("item").loc["saline_5ml"]
    each = dict(part.split() for part in saline["for_units"].split(", "))
    assert sorted(each) == ["east", "west"]
    assert sum(map(int, each.values())) == saline["packs"]


def test_the_same_count_orders_nothing_twice(ordered, ward):
    books = {p: p.read_bytes() for p in ward.glob("*/book/*")}
    again = run("order", ward, "--on", "2026-07-01")
    assert again.exit_code == 0
    assert {p: p.read_bytes() for p in ward.glob("*/book/*")} == books


def test_an_order_in_a_folder_has_the_bytes_of_one_alone(ordered, ward):
    before = ward.parent / "before"
    ran = run("order", before / "west", "--on", "2026-07-01", "--out", before / "plan" / "west")
    assert ran.exit_code == 0, ran.output
    for name in ("west/book/orders.csv", "west/book/counts.csv", "plan/west/order.json", "plan/west/stock-room.xlsx"):
        assert (before / name).read_bytes() == (ward / name).read_bytes(), name


@pytest.mark.parametrize("lines", [{"counts.csv": b"mine"}, {}], ids=["an order", "a plan"])
def test_a_book_that_grew_meanwhile_is_left_as_it_is(lines, ordered, ward, tmp_path):
    """Between sending a unit and writing what came back, somebody else typed a line into its book."""
    shutil.copytree(ward / "east", tmp_path / "east")
    counts = tmp_path / "east" / "book" / "counts.csv"

    class Slow:
        def submit(self, work, parcel, task):
            from concurrent.futures import Future

            future: Future = Future()
            future.set_result((parcel.job, __import__("kitplan").__version__,
                               Made({"order.json": b"{}"}, None, lines)))
            counts.write_bytes(counts.read_bytes() + b"\n")
            return future

    job = Job("east", tmp_path / "east", tmp_path / "out")
    (result,) = for_each([job], Task(order_one, How()), Slow())
    assert isinstance(result, Failed)
    assert "written by another run meanwhile" in result.fault
    assert counts.read_bytes().endswith(b"\n\n")
    assert not (tmp_path / "out").exists(), "papers and book belong together"


def test_a_book_that_is_lost_is_missed_wherever_the_papers_of_its_unit_lie(ordered, ward, tmp_path):
    for place in ("east", "plan/east"):
        shutil.copytree(ward / place, tmp_path / place)
    shutil.rmtree(tmp_path / "east" / "book")
    ran = run("order", tmp_path, "--on", "2026-07-01")
    assert ran.exit_code == 2, ran.output
    assert "Not done: east (input)" in ran.output
    assert "book: has no entries 1 to" in ran.output
    assert not (tmp_path / "east" / "book").exists()


def test_a_unit_has_its_papers_where_it_was_planned_with_others_or_by_itself(ward, monkeypatch):
    east, alone = ward / "plan" / "east", ward / "alone" / "plan"
    (ward / "east.xlsx").touch()
    for unit in (ward / "east", ward / "east" / "unit.toml"):
        assert out_folder(unit, None) == east
    assert out_folder(ward / "alone", None) == alone
    assert out_folder(ward / "east.xlsx", None) == ward / "east-plan", "its plan would be east-xlsx, not the folder's"
    assert out_folder(ward, None) == ward / "plan"
    monkeypatch.chdir(ward / "east")
    assert out_folder(Path(), None) == east
    assert find_unit(east / "stock-room.xlsx") == ward / "east"
    (ward / "east.xlsx").unlink()


def test_what_is_for_one_unit_is_refused_for_a_folder(ward):
    for option in (("--without", "saline_5ml"), ("--older",)):
        ran = run("order", ward, *option)
        assert ran.exit_code == 2
        assert "for one unit" in ran.output


def test_a_worker_says_nothing(capsys):
    with in_silence(), Progress() as report:
        report("Opening the plan")
        say("Look at: something")
        tell("Plan 1")
    assert capsys.readouterr() == ("", "")
    tell("Plan 2")
    assert capsys.readouterr().out == "Plan 2\n"
