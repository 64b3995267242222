"""How a run ends when it is stopped, loses its reader, or is called with slips: one line, the right code, no rest."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner

import kitplan
from kitplan.cli import main
from kitplan.resources import sample_units

pytestmark = pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals of POSIX")
ROOT = Path(kitplan.__file__).parent.parent
STOPPED = "Stopped. Nothing was written that was not already complete."


def start(*arguments: object, **more: object) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "kitplan", *map(str, arguments)], cwd=ROOT, text=True, start_new_session=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE, **more)


def begin(run: subprocess.Popen) -> None:
    """Wait until the program listens for a request to end: its second thread. Before that the system itself ends it."""
    tasks = Path(f"/proc/{run.pid}/task")
    while tasks.is_dir() and run.poll() is None and len(list(tasks.iterdir())) < 2:
        time.sleep(0.005)


def hidden(folder: Path) -> list[str]:
    return [p.name for p in folder.rglob(".*") if "kitplan" in p.name]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("seconds", [0.0, 0.4, 1.2, 2.7])
def test_a_run_that_is_stopped_at_any_moment_says_one_line_and_leaves_nothing(number, seconds, tmp_path):
    run = start("plan", sample_units()["harbour_wing"], "--out", tmp_path / "plan")
    begin(run)
    time.sleep(seconds)
    run.send_signal(number)
    out, err = run.communicate()
    assert run.returncode == 128 + number
    assert [line for line in err.splitlines() if not line.startswith("Look at")] == [STOPPED]
    assert "Traceback" not in err
    assert hidden(tmp_path) == []
    assert not (tmp_path / "plan").exists()
    assert out == ""


@pytest.mark.parametrize("seconds", [0.04, 0.07, 0.1, 0.7, 2.2, 3.7])
def test_a_folder_of_units_is_stopped_with_its_workers(seconds, tmp_path):
    for name in "abcd":
        shutil.copytree(sample_units()["mill_lane"], tmp_path / "units" / name)
    run = start("plan", tmp_path / "units", "--out", tmp_path / "out")
    begin(run)
    time.sleep(seconds)
    os.killpg(run.pid, signal.SIGINT)
    _, err = run.communicate()  # ends when every worker has let go of standard error
    assert "Traceback" not in err
    assert run.returncode == 128 + signal.SIGINT
    assert err.strip().splitlines() == [STOPPED]
    assert hidden(tmp_path) == []


@pytest.mark.skipif(sys.platform != "linux", reason="looks for processes in /proc")
def test_the_workers_of_a_run_that_is_killed_end_too(tmp_path):
    for name in "ab":
        shutil.copytree(sample_units()["mill_lane"], tmp_path / "units" / name)
    run = start("plan", tmp_path / "units")
    try:
        while len(in_session(run.pid)) < 4:  # itself, two workers and what clears up after them
            assert run.poll() is None
            time.sleep(0.05)
        run.kill()
        run.wait()
        end = time.monotonic() + 30
        while (left := in_session(run.pid)) and time.monotonic() < end:
            time.sleep(0.1)
        assert left == []
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(run.pid, signal.SIGKILL)
        run.communicate()


def in_session(number: int) -> list[str]:
    """Processes of a session that have not ended, by their ids."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            state, _, _, session = (place / "stat").read_text().rpartition(")")[2].split()[:4]
            found += [place.name] if int(session) == number and state != "Z" else []
    return found


def test_a_solver_that_does_not_return_is_stopped_as_well(tmp_path):
    code = ("from kitplan.interruptions import begin_process\nbegin_process()\n"
            "import ctypes\nprint('in', flush=True)\nwhile True:\n    ctypes.CDLL(None).sleep(600)\n")
    run = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                           text=True)
    assert run.stdout.readline() == "in\n"
    run.send_signal(signal.SIGTERM)
    _, err = run.communicate()
    assert (run.returncode, err) == (128 + signal.SIGTERM, STOPPED + "\n")


def test_a_request_to_end_waits_until_a_write_is_complete(tmp_path):
    code = ("from kitplan.interruptions import begin_process, until_complete\nbegin_process()\n"
            "import time, pathlib\n"
            "with until_complete():\n    print('in', flush=True)\n    time.sleep(0.5)\n"
            f"    pathlib.Path({str(tmp_path / 'whole')!r}).touch()\n"
            "time.sleep(600)\n")
    run = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                           text=True)
    assert run.stdout.readline() == "in\n"
    run.send_signal(signal.SIGINT)
    assert run.wait() == 128 + signal.SIGINT
    assert (tmp_path / "whole").exists()


@pytest.mark.parametrize(("unit", "code"), [("mill_lane", 0), ("nowhere", 2)])
@pytest.mark.parametrize("stream", ["stdout", "stderr"])
def test_a_reader_that_goes_away_changes_no_exit_code(unit, code, stream, tmp_path):
    run = start("check", sample_units().get(unit, tmp_path / unit))
    getattr(run, stream).close()
    other = run.stderr if stream == "stdout" else run.stdout
    other.read()
    assert run.wait() == code


def test_a_letter_that_the_output_has_no_code_for_ends_no_run(tmp_path):
    shutil.copytree(sample_units()["mill_lane"], tmp_path / "unit")
    settings = tmp_path / "unit" / "unit.toml"
    settings.write_text(settings.read_text(encoding="utf-8").replace("Mill Lane", "Łódź Lane"), encoding="utf-8")
    ran = subprocess.run([sys.executable, "-m", "kitplan", "check", tmp_path / "unit"], cwd=ROOT, capture_output=True,
                         env=os.environ | {"PYTHONIOENCODING": "cp1252", "PYTHONPATH": str(ROOT)}, check=False)
    assert ran.returncode == 0
    assert ran.stdout.decode("cp1252").startswith(r"\u0141ód\u017a Lane")


@pytest.mark.parametrize("closed", ["1>&-", "2>&-", "0<&- 1>&- 2>&-"])
def test_closed_streams_change_no_exit_code_and_take_no_file_of_ours(closed, tmp_path):
    command = f"{sys.executable} -m kitplan par {sample_units()['mill_lane']} --out {tmp_path / 'plan'} {closed}"
    run = subprocess.run(["sh", "-c", command], cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, check=False)
    assert run.returncode == 0
    assert (tmp_path / "plan" / "tables" / "par_levels.csv").read_text().startswith("item,")


EMPTY = [["plan", ""], ["check", ""], ["par", "mill_lane", "--out", ""], ["compare", "", "x"], ["order", ""],
         ["new", ""], ["training", "mill_lane", "--class", ""]]


@pytest.mark.parametrize("arguments", EMPTY)
def test_an_empty_path_is_refused(arguments, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shutil.copytree(sample_units()["mill_lane"], tmp_path / "mill_lane")
    before = sorted(tmp_path.rglob("*"))
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 2
    assert "it is empty" in result.output
    assert sorted(tmp_path.rglob("*")) == before


def test_a_link_inside_the_plan_folder_is_refused_and_what_it_leads_to_is_left_alone(tmp_path):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "par_levels.csv").write_text("mine")
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / "tables").symlink_to(outside)
    result = CliRunner().invoke(main, ["par", str(sample_units()["mill_lane"]), "--out", str(tmp_path / "plan")])
    assert result.exit_code == 2
    assert "is a link to another place" in result.output
    assert (outside / "par_levels.csv").read_text() == "mine"


def test_one_bad_unit_in_a_folder_is_listed_and_the_run_is_no_defect(tmp_path):

    for name in "ab":
        shutil.copytree(sample_units()["mill_lane"], tmp_path / "units" / name)
    (tmp_path / "units" / "b" / "census.csv").write_text("route,tube_mm,airways\noral,3.5,-1\n")
    result = CliRunner().invoke(main, ["plan", str(tmp_path / "units"), "--out", str(tmp_path / "out")])
    assert result.exit_code == 1
    assert "Not planned: b" in result.output
    assert (tmp_path / "out" / "a" / "plan.json").is_file()


def test_a_run_that_is_stopped_while_its_tools_load_ends_the_same_way():
    """A module that is loaded by half has a name and nothing in it yet: no process has been started."""
    code = ("import sys, types\nfrom kitplan.interruptions import begin_process\nbegin_process()\n"
            "sys.modules['multiprocessing'] = types.ModuleType('multiprocessing')\n"
            "import time\nprint('in', flush=True)\ntime.sleep(600)\n")
    run = subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, text=True, stdout=subprocess.PIPE,
                           stderr=subprocess.PIPE, env=os.environ | {"PYTHONPATH": str(ROOT)})
    assert run.stdout.readline() == "in\n"
    run.send_signal(signal.SIGINT)
    try:
        _, err = run.communicate(timeout=30)
    finally:
        run.kill()
    assert (run.returncode, err) == (128 + signal.SIGINT, STOPPED + "\n")
