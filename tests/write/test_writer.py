"""Outputs are written all or nothing, and nothing that belongs to someone else is lost."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from kitplan.write import replace_folder, writer
from kitplan.write.writer import OutputError, check_target, checksum, write_outputs


def record(**files: bytes) -> bytes:
    return json.dumps({"outputs": {name.replace("__", "."): checksum(c) for name, c in files.items()}}).encode()


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def in_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replace_folder, "must_stay", Path.exists)


def two_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(replace_folder, "exchange", lambda one, other: False)
    monkeypatch.setattr(replace_folder.step_in, "__defaults__", (lambda one, other: False,))


def exchanged(monkeypatch: pytest.MonkeyPatch) -> None:
    """The system's own exchange, as in every other test."""


WAYS = pytest.mark.parametrize("way", [exchanged, two_steps, in_place])


@WAYS
def test_a_new_set_replaces_the_old_one_and_leaves_no_trace_of_the_work(tmp_path, monkeypatch, way):
    way(monkeypatch)
    folder = tmp_path / "deep" / "plan"
    write_outputs(folder, {"plan.json": b"1", "tables/par_levels.csv": b"a\n"})
    write_outputs(folder, {"plan.json": b"2", "tables/par_levels.csv": b"b\n"})
    assert contents(folder) == {"plan.json": b"2", "tables/par_levels.csv": b"b\n"}
    assert [p.name for p in folder.parent.iterdir()] == ["plan"]


@WAYS
def test_files_of_other_parts_and_of_the_user_stay(tmp_path, monkeypatch, way):
    way(monkeypatch)
    folder = tmp_path / "plan"
    write_outputs(folder, {"tables/kits.csv": b"k", "kits.json": b"{}"})
    (folder / "my notes.txt").write_text("call the store")
    (folder / "empty").mkdir()
    write_outputs(folder, {"tables/par_levels.csv": b"p"})
    assert contents(folder) == {
        "kits.json": b"{}", "my notes.txt": b"call the store", "tables/kits.csv": b"k", "tables/par_levels.csv": b"p",
    }
    assert (folder / "empty").is_dir()


@WAYS
def test_a_workbook_that_a_person_filled_in_is_kept_under_the_next_free_name(tmp_path, monkeypatch, way):
    way(monkeypatch)
    folder = tmp_path / "plan"
    write_outputs(folder, {"stock-room.xlsx": b"blank 1", "plan.json": record(**{"stock-room__xlsx": b"blank 1"})})
    (folder / "stock-room.xlsx").write_bytes(b"counted in March")
    written = write_outputs(
        folder, {"stock-room.xlsx": b"blank 2", "plan.json": record(**{"stock-room__xlsx": b"blank 2"})}
    )
    assert (folder / "stock-room-kept-1.xlsx").read_bytes() == b"counted in March"
    assert written.sentences() == [
        "stock-room.xlsx had been changed since it was written: your copy is kept as stock-room-kept-1.xlsx."
    ]
    (folder / "stock-room.xlsx").write_bytes(b"counted in April")
    write_outputs(folder, {"stock-room.xlsx": b"blank 3"})
    assert (folder / "stock-room-kept-2.xlsx").read_bytes() == b"counted in April"
    assert (folder / "stock-room.xlsx").read_bytes() == b"blank 3"


def test_an_untouched_workbook_is_replaced_without_a_copy(tmp_path):
    blank = {"stock-room.xlsx": b"blank", "plan.json": record(**{"stock-room__xlsx": b"blank"})}
    write_outputs(tmp_path / "plan", blank)
    assert write_outputs(tmp_path / "plan", blank).kept == {}


def test_a_workbook_of_unknown_origin_is_kept(tmp_path):
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan" / "stock-room.xlsx").write_bytes(b"hers")
    write_outputs(tmp_path / "plan", {"stock-room.xlsx": b"ours"})
    assert (tmp_path / "plan" / "stock-room-kept-1.xlsx").read_bytes() == b"hers"


def test_tables_of_a_part_that_no_longer_runs_are_removed_unless_a_person_changed_them(tmp_path):
    folder = tmp_path / "plan"
    old = {"tables/training_list.csv": b"t", "tables/cut_plan.csv": b"c"}
    recorded = {"outputs": {name: checksum(content) for name, content in old.items()}}
    write_outputs(folder, old | {"plan.json": json.dumps(recorded).encode()})
    (folder / "tables" / "cut_plan.csv").write_bytes(b"with her remarks")
    write_outputs(folder, {"plan.json": b"{}"}, remove_stale=True)
    assert contents(folder) == {"plan.json": b"{}", "tables/cut_plan.csv": b"with her remarks"}


def test_a_record_cannot_make_the_writer_remove_a_file_outside_the_folder(tmp_path):
    folder = tmp_path / "plan"
    outside = tmp_path / "census.csv"
    outside.write_bytes(b"census")
    write_outputs(folder, {"plan.json": json.dumps({"outputs": {"../census.csv": checksum(b"census")}}).encode()})
    write_outputs(folder, {"plan.json": b"{}"}, remove_stale=True)
    assert outside.read_bytes() == b"census"


def test_a_file_that_another_program_saves_meanwhile_is_carried_over(tmp_path):
    folder = tmp_path / "plan"
    write_outputs(folder, {"plan.json": b"1"})
    before = replace_folder.stamps(folder)
    stage = replace_folder.stage_beside(folder)
    stage.mkdir()
    (stage / "plan.json").write_bytes(b"2")
    (folder / "late.txt").write_bytes(b"late")
    replace_folder.step_in(folder, before)
    assert contents(folder) == {"plan.json": b"2", "late.txt": b"late"}


def test_the_folder_that_a_shell_stands_in_stays_the_same_folder(tmp_path, monkeypatch):
    folder = tmp_path / "plan"
    write_outputs(folder, {"plan.json": b"1"})
    monkeypatch.chdir(folder)
    inode = folder.stat().st_ino
    write_outputs(Path("."), {"plan.json": b"2"})
    assert folder.stat().st_ino == inode
    assert contents(folder) == {"plan.json": b"2"}


def test_a_linked_folder_is_written_through_its_link(tmp_path):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_outputs(tmp_path / "link", {"plan.json": b"1"})
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real" / "plan.json").read_bytes() == b"1"


def test_permissions_of_the_folder_survive(tmp_path):
    folder = tmp_path / "plan"
    write_outputs(folder, {"plan.json": b"1"})
    folder.chmod(0o750)
    write_outputs(folder, {"plan.json": b"2"})
    assert folder.stat().st_mode & 0o777 == 0o750


def test_an_output_cannot_be_named_outside_the_folder(tmp_path):
    for name in ("../plan.json", "/tmp/plan.json", ""):
        with pytest.raises(ValueError, match="must be relative"):
            write_outputs(tmp_path / "plan", {name: b""})
    assert not (tmp_path / "plan").exists()


def _target_is_a_file(folder: Path) -> None:
    folder.write_text("a file")


def _target_is_under_a_file(folder: Path) -> None:
    folder.parent.rmdir()
    folder.parent.write_text("a file")


def _workbook_is_a_folder(folder: Path) -> None:
    (folder / "stock-room.xlsx").mkdir(parents=True)


def _tables_is_a_file(folder: Path) -> None:
    folder.mkdir()
    (folder / "tables").write_text("a file")


def _open_in_one_program(folder: Path) -> None:
    folder.mkdir()
    (folder / "stock-room.xlsx").write_bytes(b"hers")
    (folder / ".~lock.stock-room.xlsx#").write_text("")


def _open_in_another_program(folder: Path) -> None:
    folder.mkdir()
    (folder / "stock-room.xlsx").write_bytes(b"hers")
    (folder / "~$stock-room.xlsx").write_text("")


@pytest.mark.parametrize(("spoil", "fault", "mend"), [
    (_target_is_a_file, "is a file, not a folder", "with --out"),
    (_target_is_under_a_file, "is a file, not a folder", "with --out"),
    (_workbook_is_a_folder, "is a folder where the file stock-room.xlsx belongs", "with --out"),
    (_tables_is_a_file, "is a file where a folder belongs", "with --out"),
    (_open_in_one_program, "is open in a spreadsheet program", "Save and close it"),
    (_open_in_another_program, "is open in a spreadsheet program", "Save and close it"),
])
def test_a_target_that_cannot_be_written_is_refused_before_the_work_and_left_as_it_was(tmp_path, spoil, fault, mend):
    folder = tmp_path / "unit" / "plan"
    folder.parent.mkdir()
    spoil(folder)
    before = contents(tmp_path)
    files = {"stock-room.xlsx": b"ours", "tables/par_levels.csv": b"p"}
    with pytest.raises(OutputError, match=fault) as early:
        check_target(folder, files)
    assert mend in str(early.value)
    with pytest.raises(OutputError, match=fault):
        write_outputs(folder, files)
    assert contents(tmp_path) == before


AS_NOBODY = """
import os, sys
from pathlib import Path
from kitplan.write.writer import OutputError, write_outputs
os.setgroups([]) if os.geteuid() == 0 else None
os.setuid(65534) if os.geteuid() == 0 else None
try:
    write_outputs(Path(sys.argv[1]), {"plan.json": b"2"})
except OutputError as error:
    print(error.errno, error)
"""


def run_in_python(script: str, *arguments: str) -> str:
    root = Path(replace_folder.__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=True,
                          env=os.environ | {"PYTHONPATH": str(root)})
    return done.stdout


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="permissions of this kind are POSIX")
def test_a_folder_without_permission_is_left_as_it_was():
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "plan"
        write_outputs(folder, {"plan.json": b"1"})
        folder.chmod(0o555)
        Path(home).chmod(0o555)
        told = run_in_python(AS_NOBODY, str(folder))
        Path(home).chmod(0o755)
        folder.chmod(0o755)
        assert "may not be written to. Choose a folder that you may write to with --out." in told
        assert contents(folder) == {"plan.json": b"1"}


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="permissions of this kind are POSIX")
def test_a_folder_of_ones_own_under_a_closed_parent_is_written_in_place():
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "plan"
        folder.mkdir()
        folder.chmod(0o777)
        Path(home).chmod(0o555)
        told = run_in_python(AS_NOBODY, str(folder))
        Path(home).chmod(0o755)
        assert told == ""
        assert contents(folder) == {"plan.json": b"2"}


NO_ROOM = """
import resource, signal, sys
from pathlib import Path
from kitplan.write.writer import OutputError, write_outputs
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
try:
    write_outputs(Path(sys.argv[1]), {"plan.json": b"2", "stock-room.xlsx": b"x" * 100_000})
except OutputError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of this kind are POSIX")
def test_when_there_is_no_room_the_old_set_stays_whole(tmp_path):
    folder = tmp_path / "plan"
    write_outputs(folder, {"plan.json": b"1"})
    told = run_in_python(NO_ROOM, str(folder))
    assert "cannot be written (file too large). No room for a file of this size" in told
    assert contents(tmp_path) == {"plan/plan.json": b"1"}
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def test_a_file_that_cannot_be_replaced_in_place_is_told_and_finished_by_the_next_run(tmp_path, monkeypatch):
    folder = tmp_path / "plan"
    write_outputs(folder, {"plan.json": b"1", "cut-card.pdf": b"1"})
    with monkeypatch.context() as context:
        in_place(context)
        context.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(PermissionError(13, "Permission denied")))
        with pytest.raises(OutputError, match=r"written only in part .* run again: the rest is finished then") as told:
            write_outputs(folder, {"plan.json": b"2", "cut-card.pdf": b"2"})
    assert "Nothing there was changed" not in str(told.value)
    write_outputs(folder, {"notes.txt": b"3"})
    assert contents(folder) == {"plan.json": b"2", "cut-card.pdf": b"2", "notes.txt": b"3"}


def test_two_runs_at_once_wait_for_each_other(tmp_path):
    script = """
import sys
from pathlib import Path
from kitplan.write.writer import write_outputs
for edition in range(25):
    write_outputs(Path(sys.argv[1]), {f"{n}.csv": sys.argv[2].encode() for n in range(6)})
"""
    root = Path(replace_folder.__file__).parents[2]
    runs = [subprocess.Popen([sys.executable, "-c", script, str(tmp_path / "plan"), who], stderr=subprocess.PIPE,
                             env=os.environ | {"PYTHONPATH": str(root)}) for who in ("one", "two")]
    assert [run.communicate()[1] for run in runs] == [b"", b""]
    assert len(set(contents(tmp_path / "plan").values())) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def test_a_folder_with_another_mount_inside_is_never_replaced_as_a_whole(tmp_path, monkeypatch):
    folder = tmp_path / "plan"
    write_outputs(folder, {"plan.json": b"1"})
    (folder / "share").mkdir()
    (folder / "share" / "theirs.txt").write_text("theirs")
    inode = folder.stat().st_ino

    def across_mounts(source: Path, target: Path) -> None:
        raise OSError(18, "Invalid cross-device link")

    monkeypatch.setattr(os, "link", across_mounts)
    write_outputs(folder, {"plan.json": b"2"})
    assert folder.stat().st_ino == inode
    assert contents(folder) == {"plan.json": b"2", "share/theirs.txt": b"theirs"}
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]


def test_a_disk_without_second_names_gets_copies(tmp_path, monkeypatch):
    folder = tmp_path / "plan"
    write_outputs(folder, {"plan.json": b"1", "notes.txt": b"n"})

    def no_links(source: Path, target: Path) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(os, "link", no_links)
    write_outputs(folder, {"plan.json": b"2"})
    assert contents(folder) == {"plan.json": b"2", "notes.txt": b"n"}


class ByteLocks:
    """What a system that locks no folders offers: locks of bytes of a file, refused with a PermissionError."""

    LK_NBLCK = 2

    def locking(self, handle: int, mode: int, size: int) -> None:
        import fcntl

        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise PermissionError(13, "Permission denied") from error


@pytest.mark.skipif(os.name != "posix", reason="plays the other system on this one")
@pytest.mark.parametrize("place", ["folder", "file"])
def test_a_system_that_locks_no_folders_locks_a_file_beside(place, tmp_path, monkeypatch):
    monkeypatch.setattr(writer, "fcntl", None)
    monkeypatch.setattr(writer, "msvcrt", ByteLocks())
    monkeypatch.setattr(writer, "_LOCK_WAIT_SECONDS", 0.0)
    held = tmp_path if place == "folder" else tmp_path / "unit.toml"
    (tmp_path / "unit.toml").write_text("")
    refused = pytest.raises(OutputError, match="is being written by another run")
    with writer.one_writer(held), refused, writer.one_writer(held):
        pass
    with writer.one_writer(held):
        assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")]
        write_outputs(tmp_path / "plan" / "inner", {"plan.json": b"1"})
    assert (tmp_path / "plan" / "inner" / "plan.json").read_bytes() == b"1"
