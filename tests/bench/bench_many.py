"""How time and memory grow with the number of units.

    python tests/bench/bench_many.py [--par] [UNITS ...]        (default 10 100; --par: par levels alone)

For each size a hospital is generated, planned with two processes, and one line printed: wall seconds, core seconds,
core seconds a unit, peak memory of the parent and of the largest child. The generated folders are deleted.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from make_hospital import make_hospital


def run(units: int, parts: list[str]) -> tuple[float, float, float, float]:
    """(wall seconds, core seconds, parent MB, largest child MB) of one run in a process of its own."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "hospital"
        make_hospital(folder, units)
        began = time.monotonic()
        call = [sys.executable, __file__, "--one", str(folder), str(Path(place) / "out"), *parts]
        told = subprocess.run(call, check=True, stdout=subprocess.PIPE, text=True).stdout.split()
        return time.monotonic() - began, *(float(t) for t in told[-3:])  # type: ignore[return-value]


def one(folder: str, out: str, *parts: str) -> None:
    """Plan a folder of units and print core seconds, MB of this process, MB of its largest child."""
    import kitplan

    hospital = kitplan.plan_folder(folder, out, parts=parts or None)
    if len(hospital.failed):
        raise SystemExit(hospital.failed.to_string())
    mine, theirs = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    core = sum(u.ru_utime + u.ru_stime for u in (mine, theirs))
    print(core, mine.ru_maxrss / 1024, theirs.ru_maxrss / 1024)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(*sys.argv[2:])
    else:
        print(
            f"{'units':>6} {'wall s':>8} {'core s':>8} {'core s/unit':>12} {'parent MB':>10} {'child MB':>9}"
        )
        parts = ["par"] if "--par" in sys.argv else []
        for size in [int(a) for a in sys.argv[1:] if a != "--par"] or [10, 100]:
            wall, core, parent, child = run(size, parts)
            print(
                f"{size:>6} {wall:>8.1f} {core:>8.1f} {core / size:>12.2f} {parent:>10.0f} {child:>9.0f}",
                flush=True,
            )
