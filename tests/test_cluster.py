"""Units by the folder on a cluster of processes: one of them killed, the run stopped, no cluster there."""

from __future__ import annotations

import contextlib
import logging
import os
import pty
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import kitplan
from kitplan.resources import sample_units

distributed = pytest.importorskip("distributed", reason="pip install 'kitplan[cluster]'")
pytestmark = [pytest.mark.cluster, pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="signals of POSIX")]
ROOT = Path(kitplan.__file__).parent.parent
FEW = "".join(f"[planning.{key}]\nvalue = 500\n" for key in ("scenarios", "verify_scenarios", "max_scenarios"))
UNITS = ("a", "b", "c", "d", "e")


@pytest.fixture(scope="module")
def ward(tmp_path_factory) -> Path:
    """Five small units, the last of them without a census."""
    folder = tmp_path_factory.mktemp("ward")
    for name in UNITS:
        shutil.copytree(sample_units()["mill_lane"], folder / name)
        (folder / name / "policy.toml").write_text(FEW)
    (folder / "e" / "census.csv").unlink()
    return folder


@pytest.fixture(scope="module")
def alone(ward, tmp_path_factory) -> dict[str, bytes]:
    """What two processes of this machine make of the ward."""
    out = tmp_path_factory.mktemp("alone") / "out"
    kitplan.plan_folder(ward, out, parts=("par",))
    return files_under(out)


@pytest.fixture(scope="module")
def cluster():
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=logging.CRITICAL,
    ) as made:
        yield made


def files_under(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def start(ward: Path, out: Path, address: str, stderr: int = subprocess.PIPE) -> subprocess.Popen:
    call = [sys.executable, "-m", "kitplan", "par", str(ward), "--out", str(out), "--cluster", address]
    return subprocess.Popen(call, cwd=ROOT, stdout=subprocess.PIPE, stderr=stderr, text=True, start_new_session=True,
                            env=os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm"})


def working(cluster) -> list[int]:
    """Process ids of the workers that have a unit at work."""
    busy = {address for address, state in cluster.scheduler.workers.items() if state.processing}
    return [nanny.pid for nanny in cluster.workers.values() if nanny.worker_address in busy and nanny.pid]


def test_a_worker_killed_midway_changes_nothing_but_the_time(cluster, ward, alone, tmp_path):
    listening, terminal = pty.openpty()
    run = start(ward, tmp_path / "out", cluster.scheduler_address, stderr=terminal)
    os.close(terminal)
    while not (at_work := working(cluster)) and run.poll() is None:
        time.sleep(0.02)
    os.kill(at_work[0], signal.SIGKILL)
    shown = ""
    with contextlib.suppress(OSError):  # the other end of the terminal is closed
        while more := os.read(listening, 4096):
            shown += more.decode()
    out, _ = run.communicate()
    assert run.returncode == 1, shown
    assert "4 of 5 units planned" in out
    assert "Not planned: e (input)" in shown
    assert "no census" in shown
    assert set(re.findall(r"(\d) of 5 units done", shown)) == set("12345"), "each unit once, told on the terminal"
    assert "Traceback" not in shown
    assert files_under(tmp_path / "out") == alone


def test_ctrl_c_ends_the_run_and_leaves_the_cluster(cluster, ward, alone, tmp_path):
    run = start(ward, tmp_path / "out", cluster.scheduler_address)
    while not working(cluster) and run.poll() is None:
        time.sleep(0.02)
    os.killpg(run.pid, signal.SIGINT)
    _, err = run.communicate(timeout=60)
    assert (run.returncode, err.strip()) == (130, "Stopped. Nothing was written that was not already complete.")
    done = {name.split("/")[0] for name in files_under(tmp_path)}
    assert all((tmp_path / "out" / unit / "plan.json").is_file() for unit in done - {"out"})
    with distributed.Client(cluster) as client:
        again = kitplan.plan_folder(
            ward, tmp_path / "again", parts=("par",), executor=client.get_executor(pure=False))
    assert again.units["unit"].tolist() == list("abcd")
    assert files_under(tmp_path / "again") == alone


@pytest.mark.parametrize(("address", "said"), [
    ("tcp://127.0.0.1:9", "does not answer"), ("somewhere", "is no address"), ("", "is no address"),
])
def test_a_cluster_that_cannot_be_used_is_one_line_with_the_mend(address, said, ward, tmp_path, monkeypatch):
    from click.testing import CliRunner

    from kitplan.cli import main
    from kitplan.commands import cluster

    monkeypatch.setattr(cluster, "_SECONDS", 0.5)
    ran = CliRunner().invoke(main, ["plan", str(ward), "--out", str(tmp_path / "out"), "--cluster", address])
    assert ran.exit_code == 2
    assert said in ran.output
    assert len(ran.output.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()
