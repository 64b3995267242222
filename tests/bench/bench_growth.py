"""How time and memory of one plan grow with the unit: `python tests/bench/bench_growth.py [WHAT ...]`.

WHAT: airways, items, years, designs, months (default: all). One thing grows, all else stays; every plan runs in a
process of its own. Prints processor seconds and peak memory of the whole process, imports and writing included, the
three slowest parts, and the exponents: the slope of the logarithms over the upper half of the sizes.
"""

from __future__ import annotations

import itertools
import os
import resource
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from make_hospital import FIRST, KINDS

ROOT = Path(__file__).resolve().parents[2]
SIZES = {
    "airways": (10, 30, 100, 300, 1000, 3000, 10_000), "items": (10, 30, 100, 300), "years": (0.5, 1, 2, 5, 10),
    "designs": (1, 2, 4, 8, 12), "months": (3, 6, 12, 24, 60),
}


def stays(years: float, seed: int = 1) -> list[str]:
    """A list of stays of about sixteen airways over so many years."""
    rng = np.random.default_rng(seed)
    days = round(years * 365)
    start = np.sort(rng.uniform(0, days, rng.poisson(16 / 6 * days)))
    length = 6 * np.exp(rng.standard_normal(len(start)) - 0.5)
    rows = ["airway,route,tube_mm,technique,skin,start,end"]
    for number, (begin, lasts) in enumerate(zip(start, length), 1):
        route, tube, technique, skin = KINDS[int(rng.integers(len(KINDS)))]
        first, last = FIRST + timedelta(days=float(begin)), FIRST + timedelta(days=float(begin + lasts))
        end = last.isoformat() if begin + lasts < days else ""
        rows.append(f"A{number:06d},{route},{tube},{technique},{skin},{first.isoformat()},{end}")
    return rows


def snapshot(airways: int) -> list[str]:
    """One day's count over twelve kinds."""
    rows = ["route,tube_mm,technique,skin,airways"]
    for k, (route, tube, technique, skin) in enumerate(KINDS):
        rows.append(f"{route},{tube},{technique},{skin},{max((airways + k) // len(KINDS), 1)}")
    return rows


def of_items(folder: Path, items: int, seed: int = 1) -> None:
    """A unit that holds so many items, all of them used: four recipes take each about three in five, once to thrice."""
    rng = np.random.default_rng(seed)
    lines = ["item,role,contains,scope,pack,price,litres", "mask,mask,1,patient,1,5,1", "bag,bag,1,patient,1,15,3"]
    lines += [f"item_{k},role_{k},1,event,{rng.choice([1, 10, 25, 50])},{rng.uniform(1, 30):.2f},1"
              for k in range(items - 2)]
    taken = rng.random((4, items - 2)) < 0.6
    taken[0] |= ~taken.any(axis=0)
    recipes = []
    for number, roles in enumerate(taken):
        recipes += [f"[recipe_{number}]", 'routes = ["oral"]', f"default = {str(number == 0).lower()}",
                    f"[recipe_{number}.uses]", *(f"role_{k} = {rng.integers(1, 4)}" for k in np.flatnonzero(roles))]
    rows = []
    for line in stays(1.5)[1:]:
        airway, _, tube, _, skin, *when = line.split(",")
        rows.append(",".join([airway, "oral", tube, f"recipe_{round(2 * float(tube)) % 4}", skin, *when]))
    census = ["airway,route,tube_mm,technique,skin,start,end", *rows]
    for name, text in (("items.csv", lines), ("techniques.toml", recipes), ("census.csv", census)):
        (folder / name).write_text("\n".join(text) + "\n", encoding="utf-8")


def write(folder: Path, what: str, size: float) -> None:
    """A unit of which one thing has this size."""
    folder.mkdir()
    settings, census = ['name = "Grown"', 'currency = "USD"'], stays(size if what == "years" else 1.5)
    if what == "airways":
        census = snapshot(int(size))
        settings.append("mean_stay_days = 6")
    if what == "designs":
        settings += ["[bedside]", f"designs = {int(size)}"]
    if what == "months":
        settings += ["[forecast]", f"months = {int(size)}"]
    (folder / "unit.toml").write_text("\n".join(settings) + "\n", encoding="utf-8")
    (folder / "census.csv").write_text("\n".join(census) + "\n", encoding="utf-8")
    if what == "items":
        of_items(folder, int(size))


def one(folder: str) -> None:
    """Plan a unit and print items, scenarios, processor seconds by part and peak MB."""
    import time

    import kitplan

    marks: list[tuple[str, float]] = []
    unit = kitplan.load_unit(folder)
    marks.append(("reading", time.process_time()))
    plan = kitplan.plan(unit, progress=lambda phrase: marks.append((phrase, time.process_time())))
    marks.append(("writing", time.process_time()))
    plan.save(Path(folder) / "plan")
    marks.append(("end", time.process_time()))
    took = sorted(((b - a, name) for (name, a), (_, b) in itertools.pairwise(marks)), reverse=True)[:3]
    slow = ", ".join(f"{name.split(':')[0].split(',')[0]} {seconds:.1f}" for seconds, name in took)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(unit.items)}|{plan.unit.planning.scenarios}|{time.process_time():.2f}|{most:.0f}|{slow}")


def exponent(sizes: list[float], values: list[float]) -> float:
    """Slope of log(value) on log(size) over the upper half of the sizes."""
    upper = len(sizes) // 2
    x, y = np.log(sizes[upper:]), np.log(np.maximum(values[upper:], 1e-3))
    return float(np.polyfit(x, y, 1)[0]) if len(x) > 1 else float("nan")


def row(what: str) -> None:
    """Grow one thing, print a line a size and the exponents."""
    sizes, seconds, memory = [], [], []
    for size in SIZES[what]:
        with tempfile.TemporaryDirectory() as place:
            write(Path(place) / "unit", what, size)
            ran = subprocess.run([sys.executable, __file__, "--one", f"{place}/unit"], capture_output=True, text=True,
                                 check=False, env=os.environ | {"PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"})
        if ran.returncode:
            print(f"{what:8} {size:>8g}  refused: {ran.stderr.strip().splitlines()[-1][:150]}", flush=True)
            continue
        items, scenarios, took, held, slow = ran.stdout.strip().split("|")
        print(f"{what:8} {size:>8g} {items:>6} items {scenarios:>6} scenarios {float(took):>8.1f} s {held:>6} MB  "
              f"{slow}", flush=True)
        sizes.append(size)
        seconds.append(float(took))
        memory.append(float(held))
    print(f"{what:8} exponent: time {exponent(sizes, seconds):.2f}, memory {exponent(sizes, memory):.2f}", flush=True)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2])
    else:
        print(f"{date.today()}: sizes, processor seconds and peak memory of a whole process, the three slowest parts")
        for name in sys.argv[1:] or SIZES:
            row(name)
