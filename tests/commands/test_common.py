"""Every ending of a command is one sentence and one exit code."""

from __future__ import annotations

import errno
import re

import click
import pytest
from click.testing import CliRunner

from kitplan.cli import COMMANDS, main
from kitplan.commands import common
from kitplan.read.problems import InputError, Problem, UnsafePlan


def ending(error: BaseException):
    @click.command()
    def command() -> None:
        with common.run_safely():
            raise error

    return CliRunner().invoke(command)


@pytest.mark.parametrize(("error", "code", "words"), [
    (InputError([Problem("census.csv", "is not a number", "Type a number.", row=3, column="tube_mm", value="x")]), 2,
     "census.csv, row 3, column tube_mm: is not a number (got 'x'). Type a number."),
    (UnsafePlan("needs 38 L more shelf"), 1, "needs 38 L more shelf"),
    (PermissionError(errno.EACCES, "Permission denied", "plan/stock-room.xlsx"), 2, "Close the file in other programs"),
    (OSError(errno.ENOSPC, "No space left on device", "plan"), 2, "free some space"),
    (FileNotFoundError(errno.ENOENT, "No such file or directory", "x"), 2, "x: No such file or directory."),
    (KeyboardInterrupt(), 130, "Stopped."),
    (MemoryError(), 2, "Out of memory"),
    (ZeroDivisionError("division by zero"), 70, "This is a defect of kitplan"),
])
def test_an_error_becomes_a_sentence_and_an_exit_code(error, code, words):
    result = ending(error)
    assert result.exit_code == code
    assert words in result.stderr
    assert "Traceback" not in result.output


def test_a_defect_shows_where_only_when_asked(monkeypatch):
    monkeypatch.setenv("KITPLAN_DEBUG", "1")
    assert isinstance(ending(ZeroDivisionError("division by zero")).exception, ZeroDivisionError)


def test_clicks_own_endings_pass_through():
    assert ending(click.UsageError("no such option")).exit_code == 2
    assert ending(click.exceptions.Exit(0)).exit_code == 0


@pytest.mark.parametrize(("unit", "out", "meant"), [
    ("folder", None, "folder/plan"), ("folder/unit.toml", None, "folder/plan"), ("ward.xlsx", None, "ward-plan"),
    ("folder", "there", "there"),
])
def test_outputs_go_beside_the_unit_unless_told_otherwise(unit, out, meant, tmp_path):
    (tmp_path / "folder").mkdir()
    found = common.out_folder(tmp_path / unit, None if out is None else tmp_path / out)
    assert found == tmp_path / meant


def test_a_seed_out_of_range_is_refused_by_its_option():
    @click.command()
    @common.unit_options
    def command(unit_path, out, seed) -> None:
        click.echo(repr((str(unit_path), out, seed)))

    runner = CliRunner()
    assert runner.invoke(command, ["u", "--seed", "7"]).output == "('u', None, 7)\n"
    assert runner.invoke(command, ["u", "--seed", "-1"]).exit_code == 2


def test_progress_is_silent_in_a_pipe(capsys):
    with common.Progress() as report:
        report("drawing scenarios")
    assert capsys.readouterr() == ("", "")


def test_progress_shows_one_line_on_a_terminal_and_clears_it(capsys, monkeypatch):
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    with common.Progress() as report:
        report("drawing scenarios")
    assert capsys.readouterr().err == "\r\x1b[Kdrawing scenarios ...\r\x1b[K"


@pytest.mark.parametrize("name", COMMANDS)
def test_help_names_every_value_in_words_of_the_work(name):
    """No type of the program stands where a person has to type a number of rows, weeks or millimetres."""
    said = CliRunner().invoke(main, [name, "--help"]).output
    assert not re.findall(r"\b(FLOAT|INTEGER|TEXT|PATH|FILENAME|RANGE)\b", said)
    assert not re.search(r"\bDIR\b(?!  )", said), "DIR is said where it is an option and nowhere else"


def test_compare_writes_beside_the_first_unit_and_says_so():
    assert "[default: A/plan]" in CliRunner().invoke(main, ["compare", "--help"]).output
