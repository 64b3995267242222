"""What the README tells people to type works, and names every command."""

import re
import shutil
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from kitplan.cli import COMMANDS, main

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
SHELL = re.findall(r"```sh\n(.*?)```", README, flags=re.DOTALL)


def test_it_opens_with_the_job_then_two_commands():
    """One paragraph, then the command of the main job and the command of the tests."""
    first = README.split("\n\n")[1]
    assert first.startswith("kitplan decides")
    assert "kitplan plan sample_census/" in SHELL[0]
    assert "-m pytest" in SHELL[1]
    assert [len(block.strip().splitlines()) for block in SHELL[:2]] == [1, 1]


def test_the_main_command_plans_the_sample(tmp_path):
    words = SHELL[0].split("kitplan plan ")[1].split()
    run = CliRunner().invoke(main, ["plan", str(ROOT / words[0]), "--out", str(tmp_path / "plan")])
    assert run.exit_code == 0, run.output
    for file in re.findall(r"^\| `([a-z-]+\.xlsx)` \|", README, flags=re.MULTILINE):
        assert (tmp_path / "plan" / file).is_file()
    sheets = openpyxl.load_workbook(tmp_path / "plan" / "stock-room.xlsx").sheetnames
    assert len(sheets) <= 10
    last = [line for line in run.stdout.splitlines() if line][-3:]
    assert last[0].startswith("Cost")
    assert last[1].startswith("Readiness")
    assert last[2].startswith("Look first")


def test_ci_calls_the_same_test_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "test command -->" in script
    assert README.count("<!-- test command -->") == 1


def test_the_example_for_analysts_runs(tmp_path, monkeypatch, capsys):
    """Ten lines at most that do something, run where a sample lies, as an analyst would."""
    block, = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    assert len([line for line in block.splitlines() if line]) <= 10
    shutil.copytree(ROOT / "sample_census", tmp_path / "sample_census")
    monkeypatch.chdir(tmp_path)
    exec(compile(block, "README.md", "exec"), {})
    assert "Saline 0.9 % ampoule 5 mL" in capsys.readouterr().out
    assert (tmp_path / "plans" / "today" / "stock-room.xlsx").is_file()


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_in_the_readme_and_has_help(name):
    assert re.search(rf"kitplan {name}\b", README)
    run = CliRunner().invoke(main, [name, "--help"])
    assert run.exit_code == 0
    assert len(run.output) > 100


@pytest.mark.parametrize("line", [x for block in SHELL[2:] for x in block.strip().splitlines()])
def test_commands_shown_exist(line):
    name = re.search(r"kitplan (\w+)", line).group(1)
    assert name in COMMANDS


def test_every_picture_is_there():
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(pictures) >= 4
    for picture in pictures:
        assert (ROOT / picture).is_file()


def test_the_caution_is_said():
    for words in (
        "no clinical advice",
        "hand hygiene",
        "standard precautions",
        "at least two",
        "local codes",
        "mask",
    ):
        assert words in README
