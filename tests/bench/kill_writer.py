"""Kill a process that replaces a set of outputs again and again, at random moments, and look at what is left.

    python tests/bench/kill_writer.py [KILLS]

After every kill the folder must hold one whole set, old or new. Where the folder itself may not be renamed
(in_place) a kill can land between two files; the next run finishes the set before anything else, which is
checked too. Prints how many kills left what, before and after that.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from kitplan.write import replace_folder as swap

FILES = ("cut-card.pdf", "plan.json", *(f"tables/table_{n}.csv" for n in range(8)))

WRITER = """
import itertools, sys
from pathlib import Path
from kitplan.write import replace_folder as swap
from kitplan.write.writer import write_outputs
folder, way, names = Path(sys.argv[1]), sys.argv[2], sys.argv[3].split(",")
if way == "two_steps":
    swap.step_in.__defaults__ = (lambda one, other: False,)
if way == "in_place":
    swap.must_stay = lambda folder: folder.exists()
for edition in itertools.count(int(sys.argv[4])):
    write_outputs(folder, {name: (f"{edition}\\n" * 20000).encode() for name in names})
    print(edition, flush=True)
"""


def editions_in(folder: Path) -> set[str]:
    """The editions found in a folder's files; one whole set has exactly one, and "torn" marks half a file."""
    found = set()
    for name in FILES:
        path = folder / name
        lines = path.read_text(encoding="utf-8").split() if path.is_file() else []
        whole = len(lines) == 20000 and len(set(lines)) == 1
        found.add(lines[0] if whole else "torn" if lines else "absent")
    return found


def kill_once(folder: Path, way: str, first_edition: int, moment_seconds: float) -> int:
    """Start a writer, let it finish one set, kill it after `moment_seconds` more; return its last edition."""
    command = [sys.executable, "-c", WRITER, str(folder), way, ",".join(FILES), str(first_edition)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        finished = int(writer.stdout.readline())
        time.sleep(moment_seconds)
        writer.send_signal(signal.SIGKILL)
        rest = writer.stdout.read().split()
    return int(rest[-1]) if rest else finished


def describe(found: set[str]) -> str:
    """One word or two for what a kill left."""
    return ", ".join(sorted(found & {"torn", "absent"})) or ("one set" if len(found) == 1 else "mixed")


def main(kills: int) -> None:
    chance = random.Random(1)
    for way in ("exchange", "two_steps", "in_place"):
        landed: Counter[str] = Counter()
        recovered: Counter[str] = Counter()
        home = Path(tempfile.mkdtemp())
        folder = home / "plan"
        edition = 1
        for _ in range(kills):
            edition = kill_once(folder, way, edition, chance.uniform(0.0, 0.05)) + 2
            landed[describe(editions_in(folder))] += 1
            swap.recover(folder)
            recovered[describe(editions_in(folder))] += 1
        print(f"{way}: after the kill {json.dumps(landed)}, after recovery {json.dumps(recovered)}")
        shutil.rmtree(home)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
