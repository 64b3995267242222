"""Fuzz the readers with coverage feedback (atheris, Linux, CPython 3.11).

    pip install atheris
    python tests/bench/fuzz_readers.py [census|settings|recipes|workbook] [-max_total_time=600]

A unit is written with the fuzzer's bytes in place of one file and read. Anything but a unit or an InputError is a find;
atheris prints it and leaves the bytes in ./crash-*.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from pathlib import Path

import atheris  # type: ignore[import-not-found]

with atheris.instrument_imports(include=["kitplan.read"]):
    from kitplan.read.problems import InputError
    from kitplan.read.unit import load_unit

FILES = {"census": "census.csv", "settings": "unit.toml", "recipes": "techniques.toml", "workbook": "census.xlsx"}
SEEDS = {
    "census": b"route,tube_mm,airways\noral,3.5,4\n",
    "settings": b'name = "x"\nmean_stay_days = 5\n[stock]\nreview_days = 7\n',
    "recipes": b'[oral_two_y]\ntitle = "Oral"\nroutes = ["oral"]\ndefault = true\n',
    "workbook": b"PK\x03\x04",
}


def main() -> None:
    kind = sys.argv.pop(1) if sys.argv[1:2] and sys.argv[1] in FILES else "census"
    folder = Path(tempfile.mkdtemp())
    (folder / "unit.toml").write_bytes(SEEDS["settings"])
    if kind != "workbook":
        (folder / "census.csv").write_bytes(SEEDS["census"])

    def one(content: bytes) -> None:
        (folder / FILES[kind]).write_bytes(content)
        with contextlib.suppress(InputError):
            load_unit(folder)

    corpus = Path(tempfile.mkdtemp())
    (corpus / "seed").write_bytes(SEEDS[kind])
    atheris.Setup([*sys.argv, str(corpus)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
