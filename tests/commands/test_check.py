"""`kitplan check` tells a person what was read, what is wrong and what is worth a look."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from kitplan.cli import main
from kitplan.resources import sample_units


def run(*arguments):
    return CliRunner().invoke(main, ["check", *map(str, arguments)])


@pytest.mark.parametrize(("name", "words"), [
    ("harbour_wing", "a list of 1,169 stays, 2025-01-06 to 2026-06-30"),
    ("lantern_nursery", "counts on 791 days, 2024-04-01 to 2026-05-31"),
    ("mill_lane", "a snapshot of 5 airways"),
])
def test_it_says_which_shape_of_census_was_found(name, words):
    result = run(sample_units()[name])
    assert result.exit_code == 0
    assert words in result.output
    assert "It can be planned." in result.output


def test_it_lists_every_kind_of_airway_with_its_sizes():
    output = run(sample_units()["mill_lane"]).output
    assert "oral 7.5 mm, Oral one H and one Y piece" in output
    assert "(0.5)" in output
    assert "mean of the days counted (planned for: where they stand" in run(sample_units()["lantern_nursery"]).output


def write(folder, census, toml="mean_stay_days = 5\n"):
    (folder / "unit.toml").write_text(toml)
    (folder / "census.csv").write_text(census)
    return folder


def test_a_unit_without_a_currency_is_told_to_name_one(tmp_path):
    unit = write(tmp_path, "route,tube_mm,airways\noral,4,2\n")
    assert 'Sums are in money units: add currency = "EUR", or what yours is, at the top' in run(unit).output
    assert "money units" not in run(sample_units()["mill_lane"]).output


def test_problems_go_to_standard_error_with_exit_code_2(tmp_path):
    result = run(write(tmp_path, "route,tube_mm,airways\noral,3.3,2\norl,3.5,2\n"))
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "2 problems while reading the unit:" in result.stderr
    assert "census.csv, row 2, column tube_mm" in result.stderr
    assert "Did you mean 'oral'?" in result.stderr


def test_a_warning_passes_unless_strict(tmp_path):
    folder = write(tmp_path, "route,tube_mm,airways,bed\noral,3.5,2,7\n")
    lenient = run(folder)
    assert lenient.exit_code == 0
    assert "1 thing worth a look:" in lenient.output
    strict = run(folder, "--strict")
    assert strict.exit_code == 2
    assert "column bed" in strict.stderr


def test_it_writes_nothing(tmp_path):
    folder = write(tmp_path, "route,tube_mm,airways\noral,3.5,2\n")
    run(folder)
    assert sorted(p.name for p in folder.iterdir()) == ["census.csv", "unit.toml"]


def test_a_unit_that_is_not_there_is_told_in_one_line(tmp_path):
    result = run(tmp_path / "nowhere")
    assert result.exit_code == 2
    assert "is not there" in result.stderr


def test_what_a_file_says_cannot_drive_the_terminal(tmp_path):
    folder = write(tmp_path, "route,tube_mm,airways,\x1b]0;owned\x07\noral,3.5,2,1\n")
    result = run(folder)
    assert "\x1b" not in result.output
    assert "\x07" not in result.output
