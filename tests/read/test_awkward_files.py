"""Every way people save a table is read as the same census."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from kitplan.read.unit import load_unit

AWKWARD = Path(__file__).parent / "awkward"
FILES = sorted(p.name for p in AWKWARD.iterdir() if p.suffix in (".csv", ".xlsx"))


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    (folder / "unit.toml").write_text('name = "Test unit"')
    (folder / "census.csv").write_bytes((AWKWARD / "plain.csv").read_bytes())
    return load_unit(folder)


def test_the_plain_file_means_three_stays(plain):
    assert plain.census.shape == "stays"
    assert plain.census.rows["airway"].tolist() == ["A001", "A002", "A003"]
    assert plain.census.rows["start"].tolist() == [0.5, 1.5, 10.5]
    assert plain.census.rows["end"].fillna(-1).tolist() == [4.5, -1, 17.5]
    assert plain.strata["label"].tolist() == [
        "nasal 4.0 mm, Nasal two Y pieces and a half-width strip, barrier",
        "oral 3.5 mm, Oral two Y pieces",
        "oral 4.5 mm, Oral two Y pieces",
    ]
    assert plain.strata["patient_kg"].tolist() == [6.5, 3.2, 12.0]


@pytest.mark.parametrize("name", FILES)
def test_it_reads_as_the_plain_file_does(name, plain, tmp_path):
    folder = tmp_path / "other"
    folder.mkdir()
    (folder / "unit.toml").write_text('name = "Test unit"')
    (folder / f"census{Path(name).suffix}").write_bytes((AWKWARD / name).read_bytes())
    unit = load_unit(folder)
    pd.testing.assert_frame_equal(unit.census.rows, plain.census.rows)
    pd.testing.assert_frame_equal(unit.strata, plain.strata)
    assert (unit.census.first_day, unit.census.last_day) == (plain.census.first_day, plain.census.last_day)


def test_dates_with_slashes_are_said_to_be_read_one_way(unit_folder):
    unit = load_unit(unit_folder({"census.csv": (AWKWARD / "day_month_year.csv").read_bytes()}))
    (said,) = (w for w in unit.warnings if "read as day/month/year" in str(w))
    assert said.moves == 0, "a day over 12 tells, so nothing is to look at first"
    log = "date,time,airway,reason\n3/4/2025,08:00,A1,loose\n"
    census = (AWKWARD / "day_month_year.csv").read_bytes()
    unit = load_unit(unit_folder({"census.csv": census, "resecure_log.csv": log}))
    assert next(w for w in unit.warnings if w.file == "resecure_log.csv" and "read as day" in str(w)).moves == 3


def test_a_column_that_nothing_reads_is_named_and_not_dropped_in_silence(unit_folder):
    unit = load_unit(unit_folder({"census.csv": (AWKWARD / "more_columns.csv").read_bytes()}))
    assert [w.column for w in unit.warnings] == ["bed"]
