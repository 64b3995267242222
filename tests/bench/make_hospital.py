"""Write a folder of invented units of 24 beds, to see how many units a run can take.

    python tests/bench/make_hospital.py FOLDER [UNITS] [--seed N] [--broken K]

Every unit has its own mix of airways, mean stay and readiness, and one of the three census shapes in turn (stays over
18 months, daily counts over a year, a snapshot). Catalogue and recipes are the shipped ones (45 items). K of the units
are given a fault that a person must mend.
"""

from __future__ import annotations

import argparse
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

KINDS = [
    ("oral", 2.5, "oral_two_y", "barrier"),
    ("oral", 3.0, "oral_two_y", "barrier"),
    ("oral", 3.5, "oral_two_y", "none"),
    ("nasal", 3.5, "nasal_two_y", "none"),
    ("oral", 4.0, "oral_h_and_y", "none"),
    ("oral", 4.5, "oral_two_y", "none"),
    ("nasal", 4.5, "nasal_two_y", "barrier"),
    ("oral", 5.0, "oral_two_y", "none"),
    ("oral", 5.5, "ties_two", "none"),
    ("oral", 6.0, "oral_two_y", "none"),
    ("oral", 7.0, "oral_two_y", "none"),
    ("oral", 7.5, "oral_h_and_y", "none"),
]
BEDS = 24
FIRST = date(2025, 1, 6)


def stays(
    rng: np.random.Generator, means: np.ndarray, mean_stay: float, days: int
) -> list[tuple[int, float, float]]:
    """(kind, start, end) in days; Poisson arrivals, log-normal stays, the first month left out."""
    rate = means.sum() / mean_stay
    start = np.sort(rng.uniform(-60, days, rng.poisson(rate * (days + 60))))
    length = mean_stay * np.exp(rng.standard_normal(len(start)) - 0.5)
    kind = rng.choice(len(means), len(start), p=means / means.sum())
    return [(k, s, s + x) for k, s, x in zip(kind, start, length) if s + x > 0]


def census_rows(
    rng: np.random.Generator, shape: str, kinds: list[int], means: np.ndarray, mean_stay: float
) -> list[str]:
    def name(k: int) -> str:
        route, tube, technique, skin = KINDS[kinds[k]]
        return f"{route},{tube},{technique},{skin}"

    if shape == "snapshot":
        return [
            "route,tube_mm,technique,skin,airways",
            *(f"{name(k)},{max(round(m), 1)}" for k, m in enumerate(means)),
        ]
    days = 540 if shape == "stays" else 365
    played = stays(rng, means, mean_stay, days)
    if shape == "counts":
        count = np.zeros((days, len(means)), dtype=int)
        for k, start, end in played:
            count[max(int(np.ceil(start)), 0) : max(int(np.ceil(min(end, days))), 0), k] += 1
        rows = ["date,route,tube_mm,technique,skin,airways"]
        return rows + [
            f"{FIRST + timedelta(days=d)},{name(k)},{count[d, k]}"
            for d in range(days)
            for k in range(len(means))
        ]
    rows = ["airway,route,tube_mm,technique,skin,start,end"]
    zero = datetime.combine(FIRST, datetime.min.time())
    for number, (k, start, end) in enumerate((p for p in played if p[1] >= 0), 1):
        out = (zero + timedelta(days=end)).strftime("%Y-%m-%d %H:%M") if end < days else ""
        rows.append(
            f"A{number:05d},{name(k)},{(zero + timedelta(days=start)).strftime('%Y-%m-%d %H:%M')},{out}"
        )
    return rows


def write_unit(folder: Path, number: int, seed: int, broken: bool) -> None:
    """One unit, the same whatever other units there are."""
    rng = np.random.default_rng([seed, number])
    shape = ("stays", "counts", "snapshot")[number % 3]
    kinds = sorted(rng.choice(len(KINDS), rng.integers(4, 9), replace=False).tolist())
    means = rng.dirichlet(np.ones(len(kinds)) * 2) * BEDS * rng.uniform(0.5, 0.85)
    mean_stay = float(rng.uniform(3, 12))
    folder.mkdir(parents=True)
    rows = census_rows(rng, shape, kinds, means, mean_stay)
    if broken:
        rows[1] = rows[1].replace("oral", "sideways").replace("nasal", "sideways")
    (folder / "census.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    stay = "" if shape == "stays" else f"mean_stay_days = {mean_stay:.1f}\n"
    readiness = rng.choice([0.95, 0.97, 0.98, 0.99])
    (folder / "unit.toml").write_text(
        f'name = "Invented unit {number:04d}, {BEDS} beds"\n{stay}currency = "USD"\n\n'
        f"[stock]\nreview_days = 7\nlead_days = {rng.integers(1, 4)}\nreadiness = {readiness}\n",
        encoding="utf-8",
    )


def make_hospital(folder: Path, units: int, seed: int = 1, broken: int = 0) -> None:
    """Write `units` units; the last `broken` of them are faulty."""
    for number in range(units):
        write_unit(folder / f"unit-{number:04d}", number, seed, number >= units - broken)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("units", type=int, nargs="?", default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--broken", type=int, default=0)
    given = parser.parse_args()
    make_hospital(given.folder, given.units, given.seed, given.broken)
