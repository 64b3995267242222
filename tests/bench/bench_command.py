"""Where the time of a whole command goes, part by part.

    python tests/bench/bench_command.py [UNIT ...] [--runs 5]

Each run is a process of its own; the table shows the median seconds of importing, reading, each part of the plan as it
says what it does, writing, and the peak memory. The last line is the ratio of the whole to importing pandas, PuLP,
openpyxl, scipy.stats and highspy alone, measured in the same session.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
LIBRARIES = """
import time; began = time.perf_counter()
import pandas, pulp, openpyxl, scipy.stats, highspy
print(time.perf_counter() - began)
"""
STAGES = """
import json, resource, sys, time
from pathlib import Path
marks = [("start Python and import", time.perf_counter())]
def mark(text):
    marks.append((text, time.perf_counter()))
began = time.perf_counter()
import kitplan.planning, kitplan.read.unit, kitplan.outputs, kitplan.write.writer
mark("read")
unit = kitplan.read.unit.load_unit(Path(sys.argv[1]))
plan = kitplan.planning.plan_unit(unit, progress=mark)
mark("make the files")
files = kitplan.outputs.plan_files(plan)
mark("write")
kitplan.write.writer.write_outputs(Path(sys.argv[2]), files)
mark("end")
spans = [(a[0], b[1] - a[1]) for a, b in zip(marks, marks[1:])]
print(json.dumps([spans, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]))
"""


def run(script: str, *arguments: str) -> str:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    call = [sys.executable, "-c", script, *arguments]
    return subprocess.run(call, env=environment, check=True, capture_output=True, text=True).stdout


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "units",
        nargs="*",
        type=Path,
        default=[p for p in sorted((ROOT / "sample_census").iterdir()) if p.is_dir()],
    )
    parser.add_argument("--runs", type=int, default=5)
    given = parser.parse_args()
    libraries = median(float(run(LIBRARIES)) for _ in range(given.runs))
    for unit in given.units:
        told, peaks = [], []
        for _ in range(given.runs):
            with tempfile.TemporaryDirectory() as place:
                spans, peak = json.loads(run(STAGES, str(unit.resolve()), f"{place}/out"))
            told.append(spans)
            peaks.append(peak)
        print(f"{unit.name}: peak {max(peaks):.0f} MB")
        whole = 0.0
        for step in range(len(told[0])):
            seconds = median(spans[step][1] for spans in told)
            whole += seconds
            print(f"  {seconds:6.2f} s  {told[0][step][0]}")
        print(
            f"  {whole:6.2f} s  all; {whole / libraries:.1f} x importing the libraries alone ({libraries:.2f} s)"
        )


if __name__ == "__main__":
    main()
