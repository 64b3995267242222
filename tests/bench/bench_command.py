"""Where the time of a whole command goes, part by part, in processor seconds.

    python tests/bench/bench_command.py [UNIT ...] [--runs 5] [--root CHECKOUT]

Each run is a process of its own with compiled modules at hand; the table shows the median processor seconds of
importing, reading, each part of the plan as it says what it does, writing, and the peak memory. Then the whole command
as it is called, with a second process where the machine has cores for one: processor and wall seconds. Both as ratios
to importing pandas, PuLP, openpyxl, scipy.stats and highspy alone, measured in the same session. --root: another
checkout, to compare with.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
LIBRARIES = "import pandas, pulp, openpyxl, scipy.stats, highspy"
STAGES = """
import json, resource, sys, time
from pathlib import Path
marks = [("start Python and import", 0.0)]
def mark(text):
    marks.append((text, time.process_time()))
import kitplan.planning, kitplan.read.unit, kitplan.outputs, kitplan.write.writer
mark("read")
unit = kitplan.read.unit.load_unit(Path(sys.argv[1]))
mark("what the log teaches, and whether it can be planned")
plan = kitplan.planning.plan_unit(unit, progress=mark)
mark("make the files")
files = kitplan.outputs.plan_files(plan)
mark("write")
kitplan.write.writer.write_outputs(Path(sys.argv[2]), files)
mark("end")
spans = [(a[0], b[1] - a[1]) for a, b in zip(marks, marks[1:])]
print(json.dumps([spans, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
"""


def run(root: Path, place: str, *arguments: str) -> tuple[str, float, float]:
    """What a Python process prints, and its processor and wall seconds, its own children included."""
    environment = os.environ | {"PYTHONPATH": str(root), "PYTHONPYCACHEPREFIX": f"{place}/compiled"}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    told = subprocess.run(
        [sys.executable, *arguments], env=environment, check=False, stdout=subprocess.PIPE, text=True, cwd=place
    )
    if told.returncode not in (0, 1):
        raise SystemExit(f"exit code {told.returncode} of {arguments}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return told.stdout, used, time.monotonic() - began


def by_stage(root: Path, place: str, unit: Path, runs: int) -> tuple[list[tuple[str, float]], float]:
    """(stage, median processor seconds) in order, and the peak memory in MB."""
    told = [json.loads(run(root, place, "-c", STAGES, str(unit), f"{place}/{k}")[0]) for k in range(runs)]
    stages = [(name, median(spans[step][1] for spans, _ in told)) for step, (name, _) in enumerate(told[0][0])]
    return stages, max(peak for _, peak in told)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "units", nargs="*", type=Path, default=[p for p in sorted((ROOT / "sample_census").iterdir()) if p.is_dir()]
    )
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--root", type=Path, default=ROOT)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        run(given.root, place, "-c", LIBRARIES)
        told = [run(given.root, place, "-c", LIBRARIES)[1:] for _ in range(given.runs)]
        processor, wall = (median(values) for values in zip(*told))
        print(f"importing the libraries alone: {processor:.2f} s of a processor, {wall:.2f} s wall")
        for unit in given.units:
            stages, peak = by_stage(given.root, place, unit.resolve(), given.runs)
            print(f"{unit.name}: peak {peak:.0f} MB in one process")
            for name, seconds in stages:
                print(f"  {seconds:6.2f} s  {name}")
            whole = sum(seconds for _, seconds in stages)
            print(f"  {whole:6.2f} s  all; {whole / processor:.1f} x the imports")
            call = ["-m", "kitplan.cli", "plan", str(unit.resolve()), "--out", f"{place}/command"]
            both = [run(given.root, place, *call)[1:] for _ in range(given.runs)]
            used, took = (median(values) for values in zip(*both))
            print(f"  the command: {used:.2f} s of processors ({used / processor:.1f} x the imports), {took:.2f} s wall"
                  f" ({took / wall:.1f} x)")


if __name__ == "__main__":
    main()
