"""Does the same unit give the same bytes, whatever the run, the threads and the Python?

    python tests/bench/same_bytes.py [UNIT ...] [--python OTHER_PYTHON ...]

Plans every unit (default: the samples) under this Python twice with other hash seeds, time zones, locales,
folders and numbers of threads, and once under each other Python. Prints one line a run and the files that
differ; exit code 1 if any does. A different version of a library may legitimately change a workbook's or a
print's bytes (it writes them); tables and plan.json must be the same.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
RUNS = {
    "once": {
        "PYTHONHASHSEED": "1",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "TZ": "UTC",
        "LC_ALL": "C.UTF-8",
    },
    "again": {
        "PYTHONHASHSEED": "77",
        "OMP_NUM_THREADS": "8",
        "OPENBLAS_NUM_THREADS": "8",
        "TZ": "Pacific/Auckland",
        "LC_ALL": "C",
        "PYTHONUTF8": "0",
    },
}


def outputs(python: str, unit: Path, environment: dict[str, str], command: str = "plan") -> dict[str, str]:
    """SHA-256 of every file that one run writes, by name."""
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "out"
        call = [python, "-m", "kitplan.cli", command, str(unit.resolve()), "--out", str(out)]
        environment = os.environ | {"PYTHONPATH": str(ROOT)} | environment
        done = subprocess.run(call, env=environment, cwd=place, capture_output=True, text=True)
        if done.returncode not in (0, 1):
            raise SystemExit(f"{' '.join(call)} ended with {done.returncode}:\n{done.stderr}")
        files = [p for p in sorted(out.rglob("*")) if p.is_file()]
        return {p.relative_to(out).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def differences(one: dict[str, str], other: dict[str, str]) -> list[str]:
    """Names of files that are in one only, or differ."""
    return sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("units", nargs="*", type=Path, default=sorted((ROOT / "sample_census").iterdir()))
    parser.add_argument("--python", action="append", default=[])
    given = parser.parse_args()
    differ = False
    for unit in (u for u in given.units if u.is_dir()):
        first = outputs(sys.executable, unit, RUNS["once"])
        print(f"{unit.name}: {len(first)} files")
        tries = {"again, other threads, hash seed, time zone and locale": (sys.executable, RUNS["again"])}
        tries |= {f"under {python}": (python, RUNS["once"]) for python in given.python}
        for told, (python, environment) in tries.items():
            names = differences(first, outputs(python, unit, environment))
            differ |= bool(names)
            print(f"  {told}: {'the same bytes' if not names else 'DIFFER: ' + ', '.join(names)}")
    return int(differ)


if __name__ == "__main__":
    sys.exit(main())
