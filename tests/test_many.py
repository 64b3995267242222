"""Many units: planned side by side, one bad unit not stopping the others, the same result whatever ended first."""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from openpyxl import Workbook, load_workbook

import kitplan
from kitplan.cli import main
from kitplan.many import LOST, Done, Failed, Job, Made, Parcel, Task, find_units, for_each, jobs_for
from kitplan.parts.hospital.command import plan_one
from kitplan.parts.hospital.model import HOLDING_COLUMNS, Summary, hospital
from kitplan.parts.hospital.sheets import hospital_book
from kitplan.plan_record import outputs, record_bytes
from kitplan.resources import sample_units
from kitplan.write.writer import checksum, one_writer

FEW = "[planning]\nscenarios = 1500\nverify_scenarios = 1500\nmax_scenarios = 1500\n"
CENSUS = "route,tube_mm,airways\noral,{tube},{airways}\n"


def write_unit(
    folder: Path, airways: int = 3, tube: float = 3.5, currency: str = "USD", mean_stay: float = 5
) -> None:
    folder.mkdir(parents=True)
    (folder / "unit.toml").write_text(
        f'name = "Invented {folder.name}"\nmean_stay_days = {mean_stay}\ncurrency = "{currency}"\n'
    )
    (folder / "policy.toml").write_text(FEW)
    (folder / "census.csv").write_text(CENSUS.format(tube=tube, airways=airways))


@pytest.fixture(scope="module")
def ward(tmp_path_factory) -> Path:
    """Three units, one of them faulty, and things that are no unit."""
    folder = tmp_path_factory.mktemp("ward")
    for name, airways in (("a-east", 3), ("b-west", 2)):
        write_unit(folder / name, airways)
    write_unit(folder / "d-broken", airways=-1)
    (folder / "notes").mkdir()
    (folder / "readme.txt").write_text("not a unit")
    (folder / ".hidden").mkdir()
    return folder


@pytest.fixture(scope="module")
def planned(ward, tmp_path_factory):
    out = tmp_path_factory.mktemp("planned") / "out"
    ran = CliRunner().invoke(main, ["plan", str(ward), "--out", str(out), "--paper", "letter"])
    return ran, out


def test_units_are_found_by_their_files(ward):
    assert [p.name for p in find_units(ward)] == ["a-east", "b-west", "d-broken"]
    assert find_units(ward / "a-east") == [], "a unit itself is no folder of units"
    assert find_units(ward / "nowhere") == []


def test_a_folder_and_a_workbook_of_one_name_do_not_meet(tmp_path):
    write_unit(tmp_path / "east")
    (tmp_path / "east.xlsx").write_bytes(b"")
    assert [j.name for j in jobs_for(find_units(tmp_path), tmp_path / "out")] == ["east", "east-xlsx"]


def test_a_folder_that_cannot_be_looked_into_is_listed_and_stops_no_other(tmp_path, monkeypatch):
    for name in ("closed", "open", "empty"):
        (tmp_path / name).mkdir()
    (tmp_path / "open" / "unit.toml").touch()
    is_file = Path.is_file

    def asked(path):
        if path.parent.name == "closed":
            raise PermissionError
        return is_file(path)

    monkeypatch.setattr(Path, "is_file", asked)
    assert [p.name for p in find_units(tmp_path)] == ["closed", "open"]


def test_a_file_that_may_not_be_read_is_told_with_its_mend(tmp_path, monkeypatch):
    write_unit(tmp_path / "east")
    read = Path.read_bytes

    def asked(path):
        if path.name == "census.csv":
            raise PermissionError(13, "Permission denied", str(path))
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", asked)
    (failed,) = for_each(jobs_for(find_units(tmp_path), tmp_path / "out"), Task(plan_one))
    assert (failed.kind, "Errno" in failed.fault) == ("input", False)
    assert failed.fault.startswith(f"{tmp_path / 'east' / 'census.csv'}: Permission denied. Close the file")
    assert "ask for the right to open it" in failed.fault


@pytest.mark.skipif(os.name != "posix", reason="names of any bytes are POSIX")
def test_a_folder_whose_name_is_no_text_has_a_name_that_can_be_written(tmp_path):
    write_unit(tmp_path / "east")
    (tmp_path / "east").rename(tmp_path / "east\udcff")
    assert [j.name for j in jobs_for(find_units(tmp_path), tmp_path / "out")] == [r"east\xff"]


def test_the_good_units_are_planned_and_the_bad_one_is_listed(planned):
    ran, out = planned
    assert ran.exit_code == 1, ran.output
    assert "2 of 3 units planned" in ran.output
    assert "d-broken" in ran.output
    assert "census.csv" in ran.output
    for name in ("a-east", "b-west"):
        assert (out / name / "stock-room.xlsx").is_file()
    assert not (out / "d-broken").exists()


def test_the_paper_of_the_command_reaches_every_unit(planned):
    _, out = planned
    assert b"/MediaBox [ 0 0 612 792 ]" in (out / "a-east" / "count-sheet.pdf").read_bytes(), "8.5 x 11 inches"
    for book in (out / "all-units.xlsx", out / "b-west" / "stock-room.xlsx"):
        assert load_workbook(book).worksheets[0].page_setup.paperSize in (None, 1, "1")


def test_the_roll_up_adds_up(planned):
    _, out = planned
    units, holdings = (pd.read_csv(out / f"tables/{name}.csv") for name in ("units", "holdings"))
    for name, value in zip(units["unit"], units["value"]):
        assert holdings.loc[holdings["unit"] == name, "value"].sum() == pytest.approx(value, abs=0.01)
        own = pd.read_csv(out / name / "tables/par_levels.csv")
        assert own["value"].sum() == pytest.approx(value, abs=0.01)
    assert pd.read_csv(out / "tables/not_planned.csv")["unit"].tolist() == ["d-broken"]


def test_the_roll_up_workbook_shows_everything(planned):
    _, out = planned
    book = load_workbook(out / "all-units.xlsx")
    assert book.sheetnames[:2] == ["All units", "Who holds what"]
    assert "Not planned" in book.sheetnames
    text = " ".join(str(c.value) for row in book["All units"].iter_rows() for c in row if c.value)
    assert "no clinical advice" in text or "does not say when" in text


def test_emergency_equipment_is_never_pooled(planned):
    _, out = planned
    pooled = pd.read_csv(out / "tables/pooling.csv")
    assert not pooled["item"].str.contains("mask|bag_").any()
    assert (pooled["saving"] >= -1e-9).all()


PLANNED = ("stock-room.xlsx", "months.xlsx", "plan.json", "tables/par_levels.csv", "saved/plan.zip")


def files_under(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.parametrize("executor", [lambda: ThreadPoolExecutor(3), lambda: ProcessPoolExecutor(1)])
def test_any_executor_makes_the_same_bytes(executor, planned, ward, tmp_path):
    _, out = planned
    with executor() as pool:
        hospital = kitplan.plan_folder(ward, tmp_path / "again", paper="letter", executor=pool)
    assert hospital.units["unit"].tolist() == ["a-east", "b-west"]
    assert files_under(tmp_path / "again") == files_under(out)


def test_a_unit_in_a_folder_gets_the_bytes_of_one_planned_alone(planned, ward, tmp_path):
    _, out = planned
    CliRunner().invoke(main, ["plan", str(ward / "a-east"), "--out", str(tmp_path / "alone"), "--paper", "letter"])
    alone = files_under(tmp_path / "alone")
    del alone["saved/scenarios.zip"], alone["plan.json"]
    assert {name: (out / "a-east" / name).read_bytes() for name in alone} == alone


def die_on_west(name, unit, plan, how) -> Made:
    """Work that kills its process for one unit, as the system does when memory runs out."""
    if name == "b-west":
        os.kill(os.getpid(), signal.SIGKILL)
    return Made({"made.txt": name.encode()}, name)


def test_a_process_that_dies_takes_only_its_own_unit_with_it(ward, tmp_path, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), *sys.path]))
    shutil.copy(Path(__file__), tmp_path / "many_helper.py")
    monkeypatch.syspath_prepend(str(tmp_path))
    import many_helper  # type: ignore[import-not-found]

    results = for_each(jobs_for(find_units(ward), tmp_path / "out"), Task(many_helper.die_on_west))
    assert [type(r) for r in results] == [Done, Failed, Done]
    assert (results[1].job, results[1].kind) == ("b-west", LOST)
    assert sorted(files_under(tmp_path / "out")) == ["a-east/made.txt", "d-broken/made.txt"]


def test_currencies_are_not_added_up(tmp_path):
    from kitplan.parts.hospital.sheets import sentences

    write_unit(tmp_path / "in/a")
    write_unit(tmp_path / "in/b", currency="NZD")
    hospital = kitplan.plan_folder(tmp_path / "in", tmp_path / "out", parts=("par",))
    told = sentences(hospital)[0]
    assert "USD" in told
    assert "NZD" in told
    assert hospital.pooling is None


@pytest.fixture(scope="module")
def forecast(tmp_path_factory):
    folder = tmp_path_factory.mktemp("money")
    for name, airways in (("a-east", 3), ("b-west", 2)):
        write_unit(folder / name, airways)
        with (folder / name / "unit.toml").open("a") as lines:
            lines.write('[budget]\nstart = "2026-04"\namount = 9000\n')
    write_unit(folder / "d-broken", airways=-1)
    ran = CliRunner().invoke(main, ["forecast", str(folder)])
    return ran, folder / "plan"


def test_a_folder_of_units_is_forecast_and_added_up(forecast):
    ran, out = forecast
    assert ran.exit_code == 1, ran.output
    assert "Not done: d-broken" in ran.output
    table = pd.read_csv(out / "tables/spend.csv")
    for _, rows in table.groupby("what"):
        units, (total,) = rows[rows["unit"] != "All units"], rows[rows["unit"] == "All units"].to_dict("records")
        assert total["value"] == pytest.approx(units["value"].sum(), abs=0.02)
        assert units["low_value"].sum() <= total["low_value"], "units that err on their own cancel in part"
        assert total["high_value"] <= units["high_value"].sum()
        assert total["low_together"] == pytest.approx(units["low_value"].sum(), rel=0.01)
        assert total["high_together"] == pytest.approx(units["high_value"].sum(), rel=0.01)
    assert {p.name for p in (out / "a-east").iterdir()} >= {"months.xlsx", "budget-page.pdf", "forecast.json"}


def test_units_that_share_a_seed_are_not_tied_together(forecast):
    """Two equal units by the same seed: independent sums spread like the root of two, not like two."""
    from kitplan.parts.hospital.spend import AHEAD, Spend, spend_table

    draws = 100 + 10 * np.random.default_rng(1).standard_normal((1000, 1))
    money = (100.0, 80.0, 120.0)
    same = [Spend(name, name, "USD", AHEAD, ("2026-01",), np.nan, np.nan, money, draws) for name in ("a", "b")]
    total = spend_table(same).iloc[-1]
    alone = (total["high_value"] - total["low_value"]) / (2 * 1.2816 * 10)
    together = (total["high_together"] - total["low_together"]) / (2 * 1.2816 * 10)
    assert alone == pytest.approx(2 ** 0.5, rel=0.08)
    assert together == pytest.approx(2, rel=0.08)


# -- what may go wrong ------------------------------------------------------------------------------------------------


class Inline(Executor):
    """Does each unit at once, in this process. spoil: changes what the worker returns, or raises in its place."""

    def __init__(self, spoil=lambda returned: returned, before=lambda parcel: None) -> None:
        self.spoil, self.before = spoil, before

    def submit(self, work, parcel, task):
        future: Future = Future()
        self.before(parcel)
        try:
            future.set_result(self.spoil(work(parcel, task)))
        except Exception as error:
            future.set_exception(error)
        return future


def make(name, unit, plan, how) -> Made:
    """Work that is quickly done."""
    files = {"made.txt": name.encode()}
    return Made({**files, "made.json": record_bytes({"outputs": outputs(files)})}, name)


def other_bytes(returned):
    job, version, made = returned
    return job, version, replace(made, files={**made.files, "made.txt": b"something else"})


def outside(returned):
    return (*returned[:2], Made({"../outside.txt": b""}, None))


RUBBISH = {
    "nothing": lambda returned: None,
    "another unit's": lambda returned: ("z", *returned[1:]),
    "another version's": lambda returned: (returned[0], "9.9", returned[2]),
    "no files": lambda returned: (*returned[:2], Made({"made.txt": "text"}, None)),
    "changed on the way": other_bytes,
    "cut": lambda returned: (*returned[:2], replace(returned[2], files={"made.json": returned[2].files["made.json"]})),
    "outside its folder": outside,
}


@pytest.mark.parametrize("spoil", RUBBISH.values(), ids=RUBBISH)
def test_what_a_worker_returns_is_looked_at_before_it_is_written(spoil, ward, tmp_path):
    jobs = jobs_for(find_units(ward), tmp_path / "out")
    first = jobs[0].name
    results = for_each(jobs, Task(make), Inline(lambda r: spoil(r) if r[0] == first else r))
    assert isinstance(results[0], Failed)
    assert results[0].kind == LOST
    assert "worker" in results[0].fault
    assert [type(r) for r in results[1:]] == [Done, Done], "the others are done"
    assert sorted(p.name for p in tmp_path.rglob("*.txt")) == ["made.txt", "made.txt"]


def test_a_worker_that_raises_takes_only_its_own_unit_with_it(ward, tmp_path):
    def spoil(returned):
        if returned[0] == "a-east":
            raise ModuleNotFoundError("No module named 'kitplan'")
        return returned

    results = for_each(jobs_for(find_units(ward), tmp_path / "out"), Task(make), Inline(spoil))
    assert "could not do it: ModuleNotFoundError" in results[0].fault
    assert [type(r) for r in results[1:]] == [Done, Done]


def test_an_executor_that_is_shut_down_midway_leaves_what_was_done_and_names_the_rest(ward, tmp_path):
    pool = ThreadPoolExecutor(1)
    results = for_each(jobs_for(find_units(ward), tmp_path / "out"), Task(make), pool, at_once=1,
                       progress=lambda _: pool.shutdown())
    assert [type(r) for r in results] == [Done, Failed, Failed]
    assert {r.kind for r in results[1:]} == {LOST}
    assert sorted(files_under(tmp_path / "out")) == ["a-east/made.json", "a-east/made.txt"]


def test_a_unit_that_vanishes_midway_is_listed_and_the_rest_done(tmp_path):
    for name in "abc":
        write_unit(tmp_path / "in" / name)
    jobs = jobs_for(find_units(tmp_path / "in"), tmp_path / "out")
    seen = []

    def vanish(parcel) -> None:
        seen.append(parcel.job)
        for name in "ab":
            shutil.rmtree(tmp_path / "in" / name, ignore_errors=True)

    results = for_each(jobs, Task(make), Inline(before=vanish))
    assert seen == ["a", "c"]
    assert [type(r) for r in results] == [Done, Failed, Done], "a had been sent already: its bytes are enough"
    assert "b" in results[1].fault
    assert "is not there" in results[1].fault


def test_a_script_may_plan_a_folder_without_guarding_what_it_runs(ward, tmp_path):
    script = tmp_path / "mine.py"
    script.write_text(f"import kitplan\nmade = kitplan.plan_folder({str(ward)!r}, {str(tmp_path / 'out')!r}, "
                      "parts=('par',))\nprint(len(made.units), len(made.failed))\n")
    ran = subprocess.run([sys.executable, script], capture_output=True, text=True, timeout=120, check=True,
                         env=os.environ | {"PYTHONPATH": str(Path(kitplan.__file__).parents[1])})
    assert ran.stdout == "2 1\n"


def test_processes_that_cannot_be_started_end_the_run(ward, tmp_path, monkeypatch):
    def refuse(*_):
        raise OSError("no more processes")

    monkeypatch.setattr(ProcessPoolExecutor, "submit", refuse)
    made = kitplan.plan_folder(ward, tmp_path / "out", parts=("par",))
    assert made.units.empty
    assert set(made.failed["kind"]) == {LOST}


def test_two_runs_into_one_folder_leave_whole_sets(ward, tmp_path):
    out = tmp_path / "out"
    with ThreadPoolExecutor(2) as both:
        runs = [both.submit(kitplan.plan_folder, ward, out, seed=seed, parts=("par",)) for seed in (1, 2)]
        assert [run.result().units["unit"].tolist() for run in runs] == [["a-east", "b-west"]] * 2
    for unit in ("a-east", "b-west"):
        assert kitplan.open_plan(out / unit).seed in (1, 2), "judged by the checksums in plan.json"
        record = json.loads((out / unit / "plan.json").read_text())
        assert all(checksum((out / unit / n).read_bytes()) == code for n, code in record["outputs"].items())
    assert not [p for p in out.rglob(".*") if "kitplan" in p.name]


def test_memory_here_does_not_grow_with_the_units(tmp_path):
    """What is on its way is bounded: a slow reader of results is not overrun by fast workers."""
    for number in range(12):
        write_unit(tmp_path / "in" / f"u{number:02}")
    there, most = [], []

    class Counting(Inline):
        def submit(self, work, parcel, task):
            there.append(parcel.job)
            most.append(len(there))
            return super().submit(work, parcel, task)

    for_each(jobs_for(find_units(tmp_path / "in"), tmp_path / "out"), Task(make), Counting(), at_once=3,
             progress=lambda _: there.pop())
    assert max(most) == 3
    assert len(most) == 12


@pytest.mark.parametrize("kind", ["folder", "workbook"])
def test_a_unit_reads_the_same_where_its_files_were_sent(kind, tmp_path):
    from kitplan.read.unit import load_unit

    if kind == "folder":
        path = tmp_path / "here" / "unit"
        shutil.copytree(sample_units()["harbour_wing"], path)
    else:
        path = tmp_path / "here" / "unit.xlsx"
        path.parent.mkdir()
        book = Workbook()
        book.active.title = "census"
        for row in (("route", "tube_mm", "airways"), ("oral", 3.5, 2)):
            book.active.append(row)
        settings = book.create_sheet("unit")
        for row in (("key", "value"), ("name", "Of a workbook"), ("mean_stay_days", 4)):
            settings.append(row)
        book.save(path)
        (path.parent / "policy.toml").write_text(FEW)
        shutil.copy(sample_units()["harbour_wing"] / "class.toml", path.parent)
    job = Job("unit", path, tmp_path / "out")
    there, _ = Parcel.of(job, Task(make)).unpack(tmp_path / "there")
    here, sent = load_unit(path), load_unit(there)
    assert sent.checksums == here.checksums
    assert [str(w) for w in sent.warnings] == [str(w) for w in here.warnings]
    assert sent.name == here.name


def test_what_a_killed_worker_left_is_cleared_by_the_next_once_nobody_holds_it(tmp_path, monkeypatch):
    """A day old and of nobody; what is held, what is of today and what another program left stay."""
    places = {name: tmp_path / f"kitplan-{name}" for name in ("unit-left", "unit-held", "unit-new", "other")}
    for name, place in places.items():
        (place / "units").mkdir(parents=True)
        if name != "unit-new":
            os.utime(place, (0, 0))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    write_unit(tmp_path / "in" / "a")
    with one_writer(places["unit-held"]):
        (result,) = for_each(jobs_for(find_units(tmp_path / "in"), tmp_path / "out"), Task(make), Inline())
    assert isinstance(result, Done)
    assert {p.name for p in tmp_path.glob("kitplan-*")} == {"kitplan-unit-held", "kitplan-unit-new", "kitplan-other"}


def test_links_out_of_a_unit_are_not_sent(tmp_path):
    write_unit(tmp_path / "in" / "a")
    (tmp_path / "secret.csv").write_text("item,packs\n")
    (tmp_path / "in" / "a" / "on_hand.csv").symlink_to(tmp_path / "secret.csv")
    results = for_each(jobs_for(find_units(tmp_path / "in"), tmp_path / "out"), Task(make), Inline())
    assert "on_hand.csv: is a link to a place outside the unit's folder" in results[0].fault


def test_money_of_two_currencies_is_never_added_up():
    done = [Summary(name, name, money, 0.98, 5.0 * packs, 1.0, "met",
                    pd.DataFrame([(name, "bag", packs, packs, 5.0 * packs, 1.0, 1.0)], columns=HOLDING_COLUMNS), (), ())
            for name, money, packs in (("east", "EUR", 3), ("west", "USD", 4), ("north", "EUR", 2))]
    book = load_workbook(io.BytesIO(hospital_book(hospital(done, [], 1.0), "a4")))
    rows = [row for row in book["Who holds what"].iter_rows(values_only=True) if row[0] == "bag"]
    assert [row[:5] for row in rows] == [("bag", "EUR", 2, 5, 25), ("bag", "USD", 1, 4, 20)]
