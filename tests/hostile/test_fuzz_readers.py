"""Every reader against what hypothesis can think of: a list of problems or a unit, never a traceback."""

from __future__ import annotations

import csv
import io
import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from kitplan.read.problems import InputError, Problem
from kitplan.read.unit import load_unit
from kitplan.resources import config_file, data_folder

from .conftest import CENSUS, UNIT
from .doors import DOORS

EXAMPLES = int(os.environ.get("KITPLAN_FUZZ", "3"))
"""Examples a case: few in the suite; KITPLAN_FUZZ=300 for a night of it."""

FUZZ = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

NASTY = [
    "",
    " ",
    "NaN",
    "nan",
    "inf",
    "-inf",
    "1e308",
    "1e309",
    "-1e308",
    "9" * 400,
    "0x10",
    "1_000",
    "1,5",
    "1.5.5",
    "--1",
    "-0",
    "+3",
    "=1+1",
    "@SUM(A1)",
    "=cmd|' /C calc'!A0",
    "\u202e3.5",
    "\u200b",
    "\ufeff",
    "٣",
    "３.５",
    "½",
    "\x00",
    "\x07",
    "\x1b[2J",
    "0001-01-01",
    "9999-12-31",
    "2026-02-30",
    "31/12/2026",
    "1e5",
    "true",
    "None",
    "NULL",
    "#REF!",
    "#N/A",
    "Ω" * 300,
    "\ud800",
    "a\r\nb",
    'say "hi"',
    "';--",
    "../../etc/passwd",
    "%s%n",
    "{0.__class__}",
    "1" + "0" * 30,
    "1/0",
    "٠",
]
CELLS = st.one_of(
    st.sampled_from(NASTY),
    st.text(max_size=12),
    st.floats().map(str),
    st.integers().map(str),
    st.dates().map(str),
)


def ends_well(folder: Path) -> None:
    problems: tuple[Problem, ...] = ()
    try:
        load_unit(folder)
    except InputError as error:
        problems = error.problems
    for problem in problems:
        assert problem.fault
        assert problem.mend
        assert len(str(problem)) < 2000


TABLES = {
    "census.csv": CENSUS,
    "census_stays":
    "airway,route,tube_mm,start,end\na1,oral,3.5,2026-01-01,2026-01-04\na2,oral,4.0,2026-01-02,\n",
    "census_counts": "date,route,tube_mm,airways\n2026-01-01,oral,3.5,4\n2026-01-02,oral,3.5,5\n",
    "resecure_log.csv":
    "date,time,route,tube_mm,reason\n2026-01-02,08:00,oral,3.5,loose\n2026-01-03,,oral,3.5,soiled\n",
    "stock_issues.csv": "date,item,units\n2026-01-02,saline_5ml,20\n", "present_par.csv":
    "item,par_packs\nsaline_5ml,3\n", "on_hand.csv":
"item,packs,loose_units,expires,lot\nsaline_5ml,2,10,2027-01-01,L1\n", }


def table_of(name: str) -> tuple[str, str]:
    """(file, content) of a small clean table; the shipped files themselves for the catalogue and the
    sizes.
    """
    if name in TABLES:
        return ("census.csv" if name.startswith("census") else name), TABLES[name]
    lines = config_file(name).read_text(encoding="utf-8").splitlines(keepends=True)
    return name, "".join(lines[:80])


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("fuzz")


def write(place: Path, file: str, content: bytes) -> Path:
    folder = place / "unit"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "unit.toml").write_text(UNIT)
    (folder / "census.csv").write_text(CENSUS)
    (folder / file).write_bytes(content)
    return folder


@pytest.mark.parametrize("name", [*TABLES, "items.csv", "face.csv", "tubes.csv"])
@FUZZ
@given(st.data())
def test_any_cells_of_a_table(name, place, data):
    file, text = table_of(name)
    rows = list(csv.reader(io.StringIO(text)))
    for _ in range(data.draw(st.integers(1, 4))):
        row = data.draw(st.integers(0, len(rows) - 1))
        column = data.draw(st.integers(0, len(rows[row])))
        cell = data.draw(CELLS)
        rows[row][column : column + 1] = [cell]
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    ends_well(write(place, file, out.getvalue().encode("utf-8", "surrogatepass")))


@pytest.mark.parametrize(
    "file", ["census.csv", "items.csv", "resecure_log.csv", "unit.toml", "techniques.toml"]
)
@FUZZ
@given(st.binary(max_size=200))
@example(b"\xff\xfe\x00")
@example(b"PK\x03\x04" + bytes(60))
@example(b"\x00" * 100)
@example(b'"' * 99)
@example(b"\x0b")
def test_any_bytes_as_a_file(file, place, content):
    ends_well(write(place, file, content))


VALUES = st.one_of(
    st.sampled_from(
        [
            "-1",
            "0",
            "1e308",
            "1e400",
            "nan",
            "inf",
            "-inf",
            "true",
            '"text"',
            "[]",
            "{}",
            "9" * 300,
            "''",
            "1979-05-27T07:32:00",
            "[1, 'a']",
            "0.5",
            "1.5",
            '"\\u202e"',
            "[[[[]]]]",
        ]
    ),
    st.floats().map(str),
    st.integers().map(str),
)
KEYS = [
    "mean_stay_days",
    "currency",
    "name",
    "stock.review_days",
    "stock.lead_days",
    "stock.readiness",
    "stock.budget",
    "stock.shelf_litres",
    "stock.unavailable",
    "bedside.restock_hours",
    "bedside.readiness",
    "bedside.designs",
    "bedside.beds",
    "resecure.checks_per_day",
    "resecure.loosening_scale_hours",
    "resecure.loosening_shape",
    "resecure.flat_per_check",
    "resecure.redo",
    "resecure.airway_spread",
    "resecure.planned_hours",
    "resecure.admission_secures",
    "forecast.months",
    "expect",
    "prefer",
    "modifiers",
    "stock",
    "bedside",
    "resecure",
]


@pytest.mark.parametrize("key", KEYS)
@FUZZ
@given(VALUES)
def test_any_value_of_a_setting(key, place, value):
    ends_well(write(place, "unit.toml", f"{key} = {value}\n".encode()))


@FUZZ
@given(st.data())
def test_any_change_of_the_recipes(place, data):
    text = (data_folder("config") / "techniques.toml").read_text(encoding="utf-8")
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text) - 1))
        text = text[:at] + data.draw(st.text(max_size=5)) + text[at + data.draw(st.integers(0, 20)) :]
    ends_well(write(place, "techniques.toml", text.encode("utf-8", "surrogatepass")))


@pytest.mark.parametrize("name", sorted(set(DOORS) - {"census", "settings", "recipes", "workbook"}))
@FUZZ
@given(st.data())
def test_any_change_of_what_comes_through_a_door(name, place, data):
    """Bytes put in, taken out or changed in what is sound; with coverage feedback in tests/bench/fuzz_readers.py."""
    content = data.draw(st.sampled_from(DOORS[name].seeds))
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(content)))
        more = data.draw(st.one_of(st.binary(max_size=4), CELLS.map(lambda t: t.encode("utf-8", "surrogatepass"))))
        content = content[:at] + more + content[at + data.draw(st.integers(0, 12)) :]
    folder = place / "door"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    DOORS[name].enter(content, folder)
