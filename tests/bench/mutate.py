"""Which mistakes in the mathematics would the tests notice? A sample of mutants of each file, made by mutmut
2.

    pip install "mutmut<3"
    python tests/bench/mutate.py [--files GLOB ...] [--sample 12] [--seed 1] [--minutes 30]

Mutants of texts are passed over: they are words, not mathematics. Works on a clone of the checkout in a
temporary folder, never on the checkout itself. A mutant is killed when the tests of its file's room fail (or
take ten times as long). Prints one line a surviving mutant and the share killed by file.
"""

from __future__ import annotations

import argparse
import difflib
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TESTS = {
    "demand/bounds": ["tests/demand/test_bounds.py"],
    "demand/resecure": [
        "tests/demand/test_resecure.py",
        "tests/demand/test_long_run_rates.py",
        "tests/published/test_renewal_and_counts.py",
    ],
    "demand/tape": [
        "tests/demand/test_tape.py",
        "tests/parts/test_check_play.py",
        "tests/published/test_tape_and_sheets.py",
    ],
    "demand/streams": ["tests/demand/test_streams.py"],
    "demand/occupancy": ["tests/demand", "tests/test_plan.py"],
    "demand/scenarios": ["tests/demand", "tests/test_plan.py", "tests/published/test_event_library.py"],
    "demand/item_choice": ["tests/demand", "tests/test_plan.py"],
    "demand/counts": ["tests/published/test_negative_binomial.py", "tests/demand/test_pooling.py"],
    "demand/partial_pooling": ["tests/demand/test_pooling.py", "tests/published/test_negative_binomial.py"],
    "demand/wear": ["tests/demand/test_estimate.py", "tests/published/test_negative_binomial.py"],
    "demand": ["tests/demand"],
    "parts/par/model": ["tests/solve/test_par.py", "tests/test_plan.py"],
    "solve/par_program": ["tests/solve/test_par_program.py", "tests/solve/test_par.py"],
    "solve/collapse": ["tests/solve/test_par_program.py", "tests/solve/test_par.py"],
    "solve/program": ["tests/solve/test_program.py"],
    "solve/verify": ["tests/solve/test_par.py"], "demand/proportion": ["tests/published/test_wilson_interval.py"],
    "parts/par/floors": ["tests/solve/test_floors.py"],
    "parts/hospital/central_store": ["tests/solve/test_pooling.py"],
    "parts/orders/ordering": ["tests/solve/test_ordering.py", "tests/published/test_order_up_to.py"],
    "solve": ["tests/solve"],
}
"""Tests that answer for a file: the longest beginning that fits its name."""


def tests_for(name: str, clone: Path) -> list[str]:
    room = max((key for key in TESTS if name.startswith(key)), key=len)
    chosen = TESTS[room]
    special = f"tests/{Path(name).parent}/test_{Path(name).name}.py"
    if room in ("demand", "optimise") and (clone / special).exists():
        chosen = [special]
    return [t for t in chosen if (clone / t).exists()]


def run_tests(clone: Path, tests: list[str], timeout: float) -> bool:
    """True when all pass within `timeout` seconds."""
    call = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    try:
        done = subprocess.run(
            call,
            cwd=clone,
            env={"PYTHONPATH": str(clone), "PATH": "/usr/bin:/bin", "HOME": "/tmp"},
            capture_output=True,
            timeout=timeout,
        )
    except subprocess.TimeoutExpired:
        return False
    return done.returncode == 0


def main() -> None:
    from mutmut import Context, list_mutations, mutate

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", nargs="+", default=["demand/*.py", "optimise/*.py"])
    parser.add_argument("--sample", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=30)
    given = parser.parse_args()
    stop = time.monotonic() + 60 * given.minutes
    with tempfile.TemporaryDirectory() as place:
        clone = Path(place) / "clone"
        subprocess.run(["git", "clone", "-q", str(ROOT), str(clone)], check=True)
        killed_all = tried_all = 0
        for path in sorted(p for glob in given.files for p in (clone / "kitplan").glob(glob)):
            name = path.relative_to(clone / "kitplan").with_suffix("").as_posix()
            tests = tests_for(name, clone)
            if path.name in ("__init__.py", "values.py") or not tests or time.monotonic() > stop:
                continue
            began = time.monotonic()
            if not run_tests(clone, tests, 300):
                print(f"{name}: its tests do not pass as they are", flush=True)
                continue
            limit = 10 * (time.monotonic() - began) + 10
            source = path.read_text()
            mutants = list_mutations(Context(source=source, filename=str(path)))
            chance = random.Random(f"{given.seed} {name}")
            killed = tried = 0
            for mutation in chance.sample(mutants, len(mutants)):
                if time.monotonic() > stop or tried == given.sample:
                    break
                changed, _ = mutate(Context(source=source, filename=str(path), mutation_id=mutation))
                if changed.count("XX") != source.count("XX"):
                    continue  # words, not mathematics
                path.write_text(changed)
                survived = run_tests(clone, tests, limit)
                path.write_text(source)
                tried, killed = tried + 1, killed + (not survived)
                if survived:
                    lines = difflib.unified_diff(source.splitlines(), changed.splitlines(), n=0, lineterm="")
                    print(
                        f"  survived {name}: "
                        + " | ".join(x for x in lines if x[:1] in "+-" and x[:3] not in ("---", "+++"))
                    )
            print(f"{name}: {killed} of {tried} killed ({len(mutants)} mutants in all)", flush=True)
            killed_all, tried_all = killed_all + killed, tried_all + tried
        print(f"all: {killed_all} of {tried_all} killed, {killed_all / max(tried_all, 1):.0%}")


if __name__ == "__main__":
    main()
