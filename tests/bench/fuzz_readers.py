"""Fuzz every door of the program with coverage feedback (atheris, Linux, CPython 3.11).

    pip install atheris
    python tests/bench/fuzz_readers.py [DOOR ...] [-max_total_time=60]

The doors are those of tests/hostile/doors.py; without a name each is fuzzed in turn, in a process of its own. A find is
printed and its bytes are left in ./crash-*.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "hostile"))


def fuzz(name: str, options: list[str]) -> None:
    """Fuzz one door; does not return."""
    import atheris  # type: ignore[import-not-found]

    with atheris.instrument_imports(include=["kitplan.read", "kitplan.saved", "kitplan.desk"]):
        from doors import DOORS  # type: ignore[import-not-found]
    place, corpus = Path(tempfile.mkdtemp()) / "own", Path(tempfile.mkdtemp())
    place.mkdir()
    for count, seed in enumerate(DOORS[name].seeds):
        (corpus / str(count)).write_bytes(seed)
    atheris.Setup([sys.argv[0], *options, str(corpus)], lambda content: DOORS[name].enter(content, place))
    atheris.Fuzz()


def main() -> None:
    options = [a for a in sys.argv[1:] if a.startswith("-")] or ["-max_total_time=60"]
    names = [a for a in sys.argv[1:] if not a.startswith("-")]
    if len(names) == 1:
        fuzz(names[0], options)
    from doors import DOORS

    finds = []
    for name in names or DOORS:
        done = subprocess.run([sys.executable, __file__, name, *options], capture_output=True, text=True, check=False)
        told = [line for line in done.stderr.splitlines() if line.startswith(("Done ", "stat::")) or "Error" in line]
        print(f"{name}: {told[-1] if told else 'exit ' + str(done.returncode)}", flush=True)
        if done.returncode:
            finds.append(name)
            print(done.stderr[-3000:] + done.stdout[-2000:], flush=True)
    print(f"finds: {finds or 'none'}")
    sys.exit(bool(finds))


if __name__ == "__main__":
    main()
