"""The rooms of the house: who may import whom, and that help stays instant."""

import ast
import dataclasses
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import kitplan
from kitplan.brief import Brief
from kitplan.parts import RUNNING, declared
from kitplan.parts.results import NotPlanned, Planned, Results
from kitplan.parts.work import Work

PACKAGE = Path(kitplan.__file__).parent
ROAD = ["interruptions", "beside", "brief", "resources", "read", "demand", "solve", "model", "gate", "planning",
        "saved", "hospital", "write", "plan_record", "paper", "workbooks", "outputs", "many", "command", "desk", "cli",
        "__main__"]
"""A room may import from itself and from rooms to its left. Inside a part, models, paper and commands are rooms too."""

PAPER = ("sheet", "sheets", "prints", "card", "label", "labels", "list", "page", "summary", "explanation")
"""Last word of the name of a module that puts a result into words or on paper."""

FILES = [p for p in sorted(PACKAGE.rglob("*.py")) if "_data" not in p.parts]


def room_of(module: str) -> str | None:
    """The room of a module, for a part the floor of the room: its mathematics, its sheets and prints, its command."""
    parts = module.split(".")
    if len(parts) < 2 or parts[0] != "kitplan":
        return None
    if parts[1] == "commands":
        return "command"
    if parts[1] != "parts" or len(parts) < 4:
        return "model" if parts[1] == "parts" else parts[1]
    if parts[3].endswith("command"):
        return "command"
    if parts[2] == "hospital" and parts[3] in ("model", "shelves"):
        return "hospital"
    return "paper" if parts[3].split("_")[-1] in PAPER else "model"


def imports_of(path: Path) -> list[tuple[str, bool]]:
    """(module, at module level) of every import in a file."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    top = {id(node) for node in tree.body}
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, id(node) in top) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.append((node.module, id(node) in top))
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_room_knows_a_later_room(path):
    own = room_of(".".join(("kitplan", *path.relative_to(PACKAGE).with_suffix("").parts)))
    if own == "__init__":
        return
    assert own in ROAD, f"{own} has no place on the road"
    for module, _ in imports_of(path):
        room = room_of(module)
        if (own, module) == ("planning", "kitplan.outputs"):
            continue  # `plan.save(folder)`: the one call that a value makes forward, for people who write Python
        assert room is None or ROAD.index(room) <= ROAD.index(own), f"{path} imports {module}"


FOLDER_OF = {part.name: part.run.partition(":")[0].split(".")[2] for part in declared().values() if part.run}
SHARED = {"training": {"kits"}}
"""Folders that draw with another part's paper (cut cards), not with its results."""


@pytest.mark.parametrize("folder", RUNNING)
def test_a_part_knows_only_the_parts_that_it_declares(folder):
    part = importlib.import_module(f"kitplan.parts.{folder}").PART
    known = {folder, *(FOLDER_OF[need] for need in part.needs), *SHARED.get(folder, ())}
    for path in (PACKAGE / "parts" / folder).glob("*.py"):
        for module, _ in imports_of(path):
            other = module.split(".")
            if other[:2] == ["kitplan", "parts"] and len(other) > 2 and other[2] in RUNNING:
                assert other[2] in known, f"{path.relative_to(PACKAGE)} imports {module}, which PART does not need"


@pytest.mark.parametrize("part", declared().values(), ids=lambda p: p.name)
def test_a_part_declares_its_result_and_runs_after_what_it_needs(part):
    assert dataclasses.is_dataclass(part.result_type())
    assert all(list(declared()).index(need) < list(declared()).index(part.name) for need in part.needs)
    typed = {v.part: k for k, v in vars(Results).items() if isinstance(v, Planned)}
    annotation = Results.__annotations__[typed[part.name]]
    assert annotation == f"Planned[{part.result_type().__name__}]"


def test_a_part_is_shown_nothing_that_it_does_not_need():
    work = Work(None, 1, None, None, results={"par": 1, "rates": 2})
    assert work.only(("rates",)).parts == ("rates",)
    with pytest.raises(NotPlanned, match="'par' is not in this plan"):
        _ = work.only(("rates",)).par


def test_importing_the_declarations_loads_nothing_heavy():
    code = "import sys, kitplan.parts as p; p.declared(); print(sorted({'numpy', 'pandas'} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert run.stdout.strip() == "[]"


def test_only_one_module_owns_pulp():
    owners = {
        p.relative_to(PACKAGE).as_posix()
        for p in FILES
        if any(m.split(".")[0] == "pulp" for m, _ in imports_of(p))
    }
    assert owners == {"solve/program.py"}


def test_no_module_imports_statsmodels_which_is_a_second_opinion_of_the_tests():
    owners = {
        p.relative_to(PACKAGE).as_posix()
        for p in FILES
        if any(m.split(".")[0] == "statsmodels" for m, _ in imports_of(p))
    }
    assert not owners


def test_readers_know_no_solver_and_solvers_no_spreadsheet():
    forbidden = {
        "read": {"pulp", "highspy", "reportlab"},
        "demand": {"pulp", "highspy", "openpyxl", "reportlab"},
        "solve": {"openpyxl", "reportlab"},
    }
    for path in FILES:
        room = path.relative_to(PACKAGE).parts[0]
        used = {m.split(".")[0] for m, _ in imports_of(path)}
        assert not used & forbidden.get(room, set()), path


def test_commands_import_nothing_heavy_until_they_run():
    light = {"click", "kitplan", *sys.stdlib_module_names}
    for path in [*(PACKAGE / "commands").glob("*.py"), *PACKAGE.glob("parts/*/*command.py"), PACKAGE / "cli.py"]:
        for module, at_top in imports_of(path):
            if at_top:
                assert module.split(".")[0] in light, f"{path} imports {module} at the top"


def test_help_loads_neither_pandas_nor_numpy():
    code = (
        "import sys; from kitplan.cli import main\n"
        "try: main(['--help'], prog_name='kitplan')\n"
        "except SystemExit: print('LOADED', sorted({m.split('.')[0] for m in sys.modules} & "
        "{'numpy', 'pandas', 'scipy', 'pulp', 'xlsxwriter', 'openpyxl', 'highspy', 'reportlab', 'statsmodels'}))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent
    ).stdout
    assert "LOADED []" in out


def test_modules_stay_small_enough_to_know():
    long = {
        p.relative_to(PACKAGE).as_posix(): n
        for p in FILES
        if (n := len(p.read_text(encoding="utf-8").splitlines())) > 440
    }
    assert not long


WORKING = {"_Account", "_Draft"}
"""What grows while one function works, and is handed on to nobody."""


def test_what_goes_between_stages_is_frozen():
    """Nobody edits a result by accident: values of demand, programs and models are frozen dataclasses; and a result of
    many tables fits a screen when it is printed.
    """
    seen = 0
    for path in FILES:
        module = ".".join(("kitplan", *path.relative_to(PACKAGE).with_suffix("").parts))
        if room_of(module) not in ("demand", "solve", "model", "hospital"):
            continue
        for name, value in vars(importlib.import_module(module)).items():
            if dataclasses.is_dataclass(value) and value.__module__ == module and name not in WORKING:
                assert value.__dataclass_params__.frozen, f"{module}.{name}"
                brief = isinstance(value, type) and issubclass(value, Brief)
                assert not brief or value.__repr__ is Brief.__repr__, f"{module}.{name}"
                seen += 1
    assert seen > 60
