"""A run that is killed leaves the old set of outputs or the new one, never a mixture."""

from __future__ import annotations

import importlib.util
import random
import sys
from pathlib import Path

import pytest

from kitplan.write import replace_folder
from kitplan.write.writer import write_outputs

_BENCH = Path(__file__).parents[1] / "bench" / "kill_writer.py"
_spec = importlib.util.spec_from_file_location("kill_writer", _BENCH)
assert _spec is not None
assert _spec.loader is not None
kill_writer = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(kill_writer)

SET_ONE = {"plan.json": b"1", "cut-card.pdf": b"1", "tables/par_levels.csv": b"1"}
SET_TWO = dict.fromkeys(SET_ONE, b"2")


def found(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs the exchange of two folders")
def test_a_writer_killed_at_random_moments_leaves_one_whole_set(tmp_path):
    chance = random.Random(20)
    folder = tmp_path / "plan"
    edition = 1
    for _ in range(8):
        edition = kill_writer.kill_once(folder, "exchange", edition, chance.uniform(0.0, 0.03)) + 2
        assert kill_writer.describe(kill_writer.editions_in(folder)) == "one set"


class Killed(BaseException):
    """Stands for a kill: nothing that catches errors catches it."""


def kill_at_call(monkeypatch: pytest.MonkeyPatch, name: str, call: int) -> None:
    """Let `os.<name>` of the exchange raise at its n-th call, and let no clean-up run after it."""
    module = replace_folder.os
    original = getattr(module, name)
    calls = iter(range(1, 10_000))
    dead = [False]

    def counted(*arguments: object) -> object:
        if dead[0] or next(calls) == call:
            dead[0] = True
            raise Killed
        return original(*arguments)

    monkeypatch.setattr(module, name, counted)
    monkeypatch.setattr("shutil.rmtree", lambda *a, **k: None)


@pytest.mark.parametrize("call", [1, 2, 3])
def test_without_an_exchange_a_kill_between_two_renames_is_finished_by_the_next_run(tmp_path, monkeypatch, call):
    folder = tmp_path / "plan"
    write_outputs(folder, SET_ONE)
    with monkeypatch.context() as context:
        context.setattr(replace_folder.step_in, "__defaults__", (lambda one, other: False,))
        kill_at_call(context, "rename", call)
        context.setattr("kitplan.write.writer.replace_folder.must_stay", lambda folder: False)
        try:
            write_outputs(folder, SET_TWO)
        except Killed:
            assert call < 3
    if folder.exists():
        assert found(folder) in (SET_ONE, SET_TWO)
    replace_folder.recover(folder)
    assert found(folder) in (SET_ONE, SET_TWO)
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


@pytest.mark.parametrize("call", [1, 2, 3])
def test_in_place_a_kill_after_the_commit_is_rolled_forward_by_the_next_run(tmp_path, monkeypatch, call):
    folder = tmp_path / "plan"
    write_outputs(folder, SET_ONE)
    with monkeypatch.context() as context:
        context.setattr(replace_folder, "must_stay", Path.exists)
        kill_at_call(context, "replace", call)
        with pytest.raises(Killed):
            write_outputs(folder, SET_TWO)
    replace_folder.recover(folder)
    assert found(folder) == SET_TWO
    assert sorted(p.name for p in folder.iterdir()) == ["cut-card.pdf", "plan.json", "tables"]


def test_a_stage_left_by_a_killed_run_is_removed(tmp_path):
    folder = tmp_path / "plan"
    write_outputs(folder, SET_ONE)
    replace_folder.stage_beside(folder).mkdir()
    (replace_folder.stage_beside(folder) / "plan.json").write_bytes(b"half")
    (folder / replace_folder.UNCOMMITTED).mkdir()
    write_outputs(folder, SET_TWO)
    assert found(folder) == SET_TWO
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


@pytest.mark.parametrize("moved", range(4))
def test_a_kill_between_any_two_moves_is_finished_by_the_next_run(tmp_path, moved):
    """Also where the last file of a folder had been moved and its empty folder was left in the journal."""
    folder = tmp_path / "plan"
    names = ("a.txt", "tables/b.csv", "tables/c.csv")
    for name in names:
        for place, text in ((folder, "old"), (folder / replace_folder.COMMITTED / "files", "new")):
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            (place / name).write_text(text)
    (folder / replace_folder.COMMITTED / "journal.json").write_text('{"keep": {}, "remove": []}')
    for name in names[:moved]:
        (folder / replace_folder.COMMITTED / "files" / name).replace(folder / name)
    replace_folder.recover(folder)
    assert {name: (folder / name).read_text() for name in names} == dict.fromkeys(names, "new")
    assert not (folder / replace_folder.COMMITTED).exists()
