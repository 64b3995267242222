"""Random units by the thousand, through every command: `python tests/bench/many_units.py COUNT [SEED] [FOLDER]`.

Each unit runs in a child process of its own, so that its memory can be told and a unit that never ends can be ended.
Units that end badly are kept in FOLDER (default: ./failed-units). One line a unit that fails, then sums by cause.
"""

from __future__ import annotations

import collections
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from hypothesis import HealthCheck, Phase, given, seed, settings

from tests.random_units import RandomUnit, units
from tests.unit_runs import Run, runs_of

MOST_CPU = 240
"""Seconds of processor time that all commands on one unit may take together."""

BATCH = 10
"""Units a seed: hypothesis varies what it has drawn, fresh seeds keep the units different."""


def try_unit(drawn: RandomUnit) -> tuple[list[Run], float]:
    """Run every command on a unit in a child process; returns its runs and the most memory it held, GB."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.environ["KITPLAN_DEBUG"] = "1"
        signal.signal(signal.SIGPROF, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_PROF, MOST_CPU)
        place = Path(tempfile.mkdtemp())
        runs = runs_of(drawn, place / "one")
        shutil.rmtree(place)
        held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        with os.fdopen(write, "w") as pipe:
            json.dump([[(r.command, r.code, r.cpu, r.wrong) for r in runs], held], pipe)
        os._exit(0)
    os.close(write)
    with os.fdopen(read) as pipe:
        told = pipe.read()
    os.waitpid(child, 0)
    if not told:
        return [Run("all", -1, float(MOST_CPU), "never ended, or was killed")], 0.0
    runs, held = json.loads(told)
    return [Run(*run) for run in runs], held


def main() -> None:
    """Try COUNT units and print what was found."""
    count, first = int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1
    kept = Path(sys.argv[3] if len(sys.argv) > 3 else "failed-units")
    causes, codes = collections.Counter(), collections.Counter()
    slowest, largest, tried, started = [], [], 0, time.monotonic()

    def note(drawn: RandomUnit) -> None:
        nonlocal tried
        tried += 1
        name = f"{number}_{tried}"
        runs, held = try_unit(drawn)
        codes.update((run.command, run.code) for run in runs)
        slowest.extend((round(run.cpu, 1), run.command, name) for run in runs)
        largest.append((round(held, 2), name))
        slow = max(runs, key=lambda run: run.cpu)
        took = sum(run.cpu for run in runs)
        print(f"{name} {took:.0f} s, {held:.1f} GB, {slow.command} {slow.cpu:.0f} s", file=sys.stderr)
        wrong = [run for run in runs if run.wrong]
        causes.update({run.wrong[:100] for run in wrong})
        for run in wrong:
            print(name, run.command, run.code, run.wrong[:400], flush=True)
        if wrong and not (kept / name).exists():
            drawn.write(kept / name)

    for number in range(first, first + -(-count // BATCH)):
        drawing = settings(
            max_examples=BATCH, database=None, deadline=None, phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        seed(number)(drawing(given(units())(note)))()
    print(f"{tried} units, {sum(codes.values())} commands, {time.monotonic() - started:.0f} s")
    for (command, code), times in sorted(codes.items()):
        print(f"  {command} {code}: {times}")
    for cause, times in causes.most_common():
        print(f"  {times} units: {cause}")
    print("slowest (processor seconds):", sorted(slowest)[-5:])
    print("largest (GB):", sorted(largest)[-5:])


if __name__ == "__main__":
    main()
