"""`kitplan new`: nobody's files are overwritten, and what it makes is described by columns.csv."""

from __future__ import annotations

import csv
import tomllib

import pytest
from click.testing import CliRunner

from kitplan.cli import main
from kitplan.read.columns import columns_of
from kitplan.read.starter import EXAMPLES, TABLES
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units


def run(*arguments):
    return CliRunner().invoke(main, ["new", *map(str, arguments)])


def test_a_blank_unit_holds_a_commented_unit_file_a_guide_and_blank_tables(tmp_path):
    result = run(tmp_path / "mine")
    assert result.exit_code == 0
    assert "kitplan check" in result.output
    unit = tomllib.loads((tmp_path / "mine" / "unit.toml").read_text())
    assert unit["name"]
    assert unit["resecure"] == {}, "every default stands there as a note, switched off"
    for path, (table, _) in TABLES.items():
        rows = list(csv.reader((tmp_path / "mine" / path).open()))
        assert rows == [list(columns_of(table))]


def test_every_default_can_be_switched_on_by_taking_its_mark_away(tmp_path):
    run(tmp_path / "mine")
    lines = (tmp_path / "mine" / "unit.toml").read_text().splitlines()
    from_stock = lines[lines.index("[stock]"):]
    unit = tomllib.loads("\n".join(line.removeprefix("# ") for line in from_stock))
    assert unit["stock"]["review_days"] == 7
    assert unit["bedside"]["adjacent_size"] is True
    assert unit["resecure"]["checks_per_day"] == 4


def test_a_starter_with_every_default_switched_on_and_one_airway_is_read_without_a_warning(tmp_path):
    folder = tmp_path / "mine"
    run(folder)
    lines = (folder / "unit.toml").read_text().splitlines()
    limits = ("# shelf_litres", "# budget", "# container_litres", "# beds")
    head, rest = lines[: lines.index("[stock]")], lines[lines.index("[stock]"):]
    on = [line if line.startswith(limits) else line.removeprefix("# ") for line in rest]
    (folder / "unit.toml").write_text("\n".join([*head, *on]))
    with open(folder / "census.csv", "a") as census:
        csv.writer(census).writerow(EXAMPLES["census_counts"])
    for path in (folder / "optional").iterdir():
        if path.name in ("items.csv", "face.csv", "tubes.csv", "techniques.toml", "class.toml"):
            path.rename(folder / path.name)
    unit = load_unit(folder)
    assert unit.warnings == ()
    assert unit.n_strata == 1


@pytest.mark.parametrize("table", EXAMPLES)
def test_the_example_of_a_table_fills_its_columns(table):
    columns = columns_of(table)
    assert len(EXAMPLES[table]) == len(columns)
    filled = dict(zip(columns, EXAMPLES[table]))
    assert all(filled[c.name] for c in columns.values() if c.required)


def test_the_guide_names_every_column_of_every_table(tmp_path):
    run(tmp_path / "mine")
    guide = (tmp_path / "mine" / "HOW_TO_FILL.txt").read_text()
    for table, _ in TABLES.values():
        for column in columns_of(table).values():
            assert column.description in guide


def test_a_sample_is_copied_whole(tmp_path):
    assert run(tmp_path / "mine", "--sample", "mill_lane").exit_code == 0
    original = sample_units()["mill_lane"]
    assert (tmp_path / "mine" / "census.csv").read_bytes() == (original / "census.csv").read_bytes()


def test_the_list_names_every_sample_and_says_invented():
    output = run("--list").output
    for name in sample_units():
        assert name in output
    assert output.count("INVENTED") == len(sample_units())


def test_an_empty_folder_is_filled(tmp_path):
    assert run(tmp_path).exit_code == 0
    assert (tmp_path / "unit.toml").is_file()


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "unit.toml").write_text("mine")
    result = run(tmp_path)
    assert result.exit_code == 2
    assert "Choose a folder that does not exist yet" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["unit.toml"]
    assert (tmp_path / "unit.toml").read_text() == "mine"


def test_a_file_in_the_way_is_left_alone(tmp_path):
    (tmp_path / "file").write_text("mine")
    assert run(tmp_path / "file").exit_code == 2
    assert (tmp_path / "file").read_text() == "mine"


def test_an_unknown_sample_is_refused_with_the_names_there_are(tmp_path):
    result = run(tmp_path / "mine", "--sample", "nowhere")
    assert result.exit_code == 2
    assert "mill_lane" in result.stderr
    assert not (tmp_path / "mine").exists()


def test_no_folder_and_no_list_is_a_wrong_call():
    assert run().exit_code == 2
