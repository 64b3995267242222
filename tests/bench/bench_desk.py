"""How fast the desk starts and answers, as ratios.

    python tests/bench/bench_desk.py [--unit harbour_wing] [--runs 5]

Start: from the command to an address that answers, over importing Flask and waitress in a process of its own. Pages:
processor time of one answer on a planned copy of the unit, the first and the median of later ones, over the same
imports. Drawing is the browser's.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("", "par", "par/{item}", "curve", "week", "week/receive", "week/count", "week/kits", "recall",
         "class", "months", "census")


def imports() -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", "import flask, waitress"], check=True)
    return time.perf_counter() - began


def start(folder: Path) -> float:
    began = time.perf_counter()
    call = [sys.executable, "-m", "kitplan.cli", "desk", str(folder), "--no-browser"]
    with subprocess.Popen(call, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
                          env=os.environ | {"PYTHONPATH": str(ROOT)}) as desk:
        assert desk.stdout is not None
        try:
            with_cookies = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
            with_cookies.open(desk.stdout.readline().strip(), timeout=60).read()
            took = time.perf_counter() - began
        finally:
            desk.terminate()
    return took


def processor_seconds(ask: Callable[[], object]) -> float:
    began = time.process_time()
    ask()
    return time.process_time() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--unit", default="harbour_wing")
    parser.add_argument("--runs", type=int, default=5)
    given = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    import kitplan
    from kitplan.desk.app import create_app

    with tempfile.TemporaryDirectory() as place:
        unit = Path(place) / given.unit
        shutil.copytree(kitplan.sample_units()[given.unit], unit)
        plan = kitplan.plan(kitplan.load_unit(unit))
        plan.save(unit / "plan")
        library = median(imports() for _ in range(given.runs))
        print(f"start: {median(start(Path(place)) for _ in range(given.runs)) / library:.2f} x the imports")
        client = create_app(Path(place), "secret", 8765).test_client()
        origin = "http://127.0.0.1:8765"
        client.get("/enter/secret", base_url=origin)
        for page in PAGES:
            path = f"/unit/{given.unit}/{page.format(item=plan.par.levels['item'].iloc[0])}"

            def ask(path: str = path) -> None:
                answer = client.get(path, base_url=origin, follow_redirects=True)
                if answer.status_code != 200:
                    raise SystemExit(f"{path}: answered {answer.status_code}")

            first, later = processor_seconds(ask), median(processor_seconds(ask) for _ in range(given.runs))
            print(f"{path}: first {first / library:.2f} x, later {later / library:.2f} x")


if __name__ == "__main__":
    main()
