"""Where files may be, and what may stand there instead of an ordinary file."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from kitplan.read import source as source_module
from kitplan.read.unit import load_unit


def test_a_unit_may_be_given_by_its_unit_toml(unit_folder):
    folder = unit_folder()
    assert load_unit(folder / "unit.toml").strata.equals(load_unit(folder).strata)


def test_file_names_match_in_any_case(unit_folder):
    folder = unit_folder()
    (folder / "census.csv").rename(folder / "Census.CSV")
    assert load_unit(folder).census.rows["airways"].sum() == 5


def test_a_link_out_of_the_folder_is_not_followed(unit_folder, tmp_path, problems_of):
    folder = unit_folder()
    (tmp_path / "elsewhere.csv").write_text("route,tube_mm,airways\noral,3.5,1\n")
    (folder / "census.csv").unlink()
    (folder / "census.csv").symlink_to(tmp_path / "elsewhere.csv")
    (problem,) = problems_of(folder)
    assert "outside the unit's folder" in problem.fault


def test_a_link_within_the_folder_is_followed(unit_folder):
    folder = unit_folder()
    (folder / "census.csv").rename(folder / "export.csv")
    (folder / "census.csv").symlink_to("export.csv")
    assert load_unit(folder).census.rows["airways"].sum() == 5


@pytest.mark.parametrize(("spoil", "words"), [
    (lambda p: p.mkdir(), "is a folder"),
    (lambda p: p.symlink_to("nowhere.csv"), "cannot be opened"),
    (lambda p: p.symlink_to("census.csv"), "cannot be opened"),
    pytest.param(os.mkfifo if hasattr(os, "mkfifo") else None, "not an ordinary file",
                 marks=pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")),
])
def test_what_is_no_ordinary_file_is_refused_at_once(spoil, words, unit_folder, problems_of):
    folder = unit_folder()
    (folder / "census.csv").unlink()
    spoil(folder / "census.csv")
    (problem,) = problems_of(folder)
    assert words in problem.fault


def test_a_file_too_large_is_refused_by_its_size(unit_folder, problems_of, monkeypatch):
    monkeypatch.setattr(source_module, "MAX_TABLE_BYTES", 10)
    problems = problems_of(unit_folder())
    assert any("MB large" in p.fault and p.file == "census.csv" for p in problems)


def test_a_file_that_another_program_holds_is_told(unit_folder, problems_of, monkeypatch):
    whole = Path.read_bytes

    def locked(path):
        if path.name == "census.csv":
            raise PermissionError(13, "Permission denied", str(path))
        return whole(path)

    monkeypatch.setattr(Path, "read_bytes", locked)
    (problem,) = problems_of(unit_folder())
    assert "Permission denied" in problem.fault
    assert "Close it" in problem.mend


@pytest.mark.parametrize("name", ["notes.docx", "census.csv"])
def test_a_file_that_is_no_unit_is_refused(name, tmp_path, problems_of):
    (tmp_path / name).write_text("x")
    (problem,) = problems_of(tmp_path / name)
    assert "neither a unit folder nor" in problem.fault


def test_a_path_that_cannot_be_a_path_is_refused(problems_of):
    problems_of(Path("a\0b"))


def test_lock_files_of_spreadsheet_programs_are_ignored(unit_folder):
    folder = unit_folder({"~$census.xlsx": b"x", ".census.csv": b"x"})
    assert load_unit(folder).census.rows["airways"].sum() == 5


@pytest.mark.parametrize(("name", "told"), [
    ("stock_issue.csv", True), ("resecure-logs.xlsx", True), ("notes.csv", False), ("learnt.csv", False),
    ("plan.txt", False),
])
def test_a_table_whose_name_is_nearly_right_is_questioned(name, told, unit_folder):
    unit = load_unit(unit_folder({name: "x"}))
    assert [w.file for w in unit.warnings] == ([name] if told else [])


def test_an_empty_log_is_taken_as_not_there(unit_folder):
    unit = load_unit(unit_folder({"stock_issues.csv": "date,item,units\n"}))
    assert unit.issues is None
    assert [w.file for w in unit.warnings] == ["stock_issues.csv"]


@pytest.mark.parametrize("name", ["resecure_log.xls", "on_hand.ods", "Census.numbers"])
def test_a_table_saved_in_a_format_that_is_not_read_is_refused(name, unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({name: "x"}))
    assert (problem.file, problem.mend) == (name, "Save it as .xlsx or as CSV.")
