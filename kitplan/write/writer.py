"""Write a set of outputs all or nothing, and keep what a person has filled in."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import shutil
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from kitplan.interruptions import until_complete
from kitplan.read.problems import open_elsewhere
from kitplan.write import replace_folder

fcntl: Any
msvcrt: Any
try:
    import fcntl
except ImportError:
    fcntl = None
try:
    import msvcrt
except ImportError:
    msvcrt = None

_LOCK_WAIT_SECONDS = 10.0
_BLANK_MODE = 0o777

MENDS = {
    errno.EACCES: "Choose a folder that you may write to with --out.",
    errno.EPERM: "Choose a folder that you may write to with --out.",
    errno.EROFS: "This place is read-only: choose another folder with --out.",
    errno.ENOSPC: "The disk is full: free some space, or choose another folder with --out.",
    errno.EDQUOT: "Your quota is used up: free some space, or choose another folder with --out.",
    errno.EFBIG: "No room for a file of this size: choose another folder with --out.",
    errno.ENOTDIR: "Choose a folder and not a file with --out.",
    errno.EEXIST: "Choose another folder with --out.",
    errno.ENAMETOOLONG: "Choose a folder with a shorter name with --out.",
}


def file_sentence(error: OSError) -> str:
    """What a person is told of a file that cannot be read or written: which, why, and the mend."""
    name = error.filename2 or error.filename
    reason = error.strerror or str(error) or type(error).__name__
    close = "Close the file in other programs, or ask for the right to open it and to write there."
    mends = MENDS | {errno.EACCES: close, errno.EPERM: close, errno.ENOENT: "Check the spelling of the path."}
    place = f"{name}: " if name else ""
    mend = getattr(error, "mend", None) or mends.get(error.errno or 0, "Check the path and try again.")
    return f"{place}{reason}. {mend}"


class OutputError(OSError):
    """The outputs cannot be written (exit code 2). `mend` says what to do and that nothing was changed."""

    def __init__(self, number: int, fault: str, place: Path, mend: str | None = None, untouched: bool = True) -> None:
        super().__init__(number, fault, str(place))
        self.mend = mend or MENDS.get(number, "Check the path and try again.")
        if untouched:
            self.mend += " Nothing there was changed."

    def __str__(self) -> str:
        return file_sentence(self)


@dataclass(frozen=True)
class Written:
    """Where it was written. kept: name of a workbook that a person had changed -> name that it was kept under."""

    folder: Path
    kept: Mapping[str, str]

    def sentences(self) -> list[str]:
        """What a person should know about files that were there before."""
        return [
            f"{present} had been changed since it was written: your copy is kept as {kept}."
            for present, kept in self.kept.items()
        ]


def check_target(folder: Path, names: Iterable[str]) -> None:
    """Refuse early, before a long computation, what `write_outputs` would refuse.

    names: outputs to be written, relative to `folder`. Raises OutputError.
    """
    folder = folder.absolute()
    nearest = folder
    while not os.path.lexists(nearest):
        nearest = nearest.parent
    if not nearest.is_dir():
        raise OutputError(errno.ENOTDIR, "is a file, not a folder", nearest)
    if not os.access(nearest, os.W_OK | os.X_OK):
        raise OutputError(errno.EACCES, "may not be written to", nearest)
    for name in names:
        path = folder / name
        if path.is_dir():
            raise OutputError(errno.EEXIST, f"is a folder where the file {name} belongs", path)
        for above in path.relative_to(folder).parents:
            if above.parts and (folder / above).is_symlink():
                raise OutputError(errno.ELOOP, "is a link to another place", folder / above,
                                  "Remove the link: what is written belongs in the folder itself.")
            if (folder / above).exists() and not (folder / above).is_dir():
                raise OutputError(errno.ENOTDIR, "is a file where a folder belongs", folder / above)
        if opened := open_elsewhere(path):
            raise OutputError(errno.EBUSY, opened[0], path, opened[1])


def write_outputs(folder: Path, files: Mapping[str, bytes], *, remove_stale: bool = False) -> Written:
    """Write all of `files` into `folder`, or none; a kill at any moment leaves the old set or the new one.

    files: name relative to `folder` with forward slashes ("tables/par_levels.csv") -> bytes. Other files in the
        folder stay.
    remove_stale: remove what the .json record about to be replaced lists among its outputs and this set lacks
        (tables of a part that no longer runs), unless it was changed since.

    A workbook whose bytes differ from every recorded checksum was filled in by a person: it is kept under
    the next free name `NAME-kept-1.xlsx`, unless `files` holds it under another name. Raises OutputError with the
    folder as it was.
    """
    for name in files:
        if not lies_inside(name):
            raise ValueError(f"output name {name!r} must be relative to the folder")
    check_target(folder, files)
    folder = folder.resolve()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with one_writer(folder.parent), until_complete():
            replace_folder.recover(folder)
            return _write_locked(folder, files, remove_stale)
    except OutputError:
        raise
    except OSError as error:
        reason = (error.strerror or str(error) or type(error).__name__).lower()
        if (folder / replace_folder.COMMITTED).exists():
            raise OutputError(
                error.errno or errno.EIO, f"is written only in part ({reason})", folder,
                "Close its files in other programs and run again: the rest is finished then.", untouched=False,
            ) from error
        raise OutputError(error.errno or errno.EIO, f"cannot be written ({reason})", folder) from error


def write_file(path: Path, content: bytes, *, replace: bool = False) -> None:
    """Write one file, whole or not at all, and touch nothing beside it.

    replace: take the place of a file of that name, which is refused otherwise. Raises OutputError, also for no room.
    """
    path = path.absolute()
    check_target(path.parent, (path.name,))
    part = path.with_name(f".{path.name}.kitplan-new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content)
        replace_folder.sync_file(part)
        if os.path.lexists(path) and not replace:
            raise OutputError(errno.EEXIST, "is there already", path)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        if isinstance(error, OutputError):
            raise
        raise OutputError(error.errno or errno.EIO, f"cannot be written ({error.strerror})", path) from error


def _write_locked(folder: Path, contents: Mapping[str, bytes], remove_stale: bool) -> Written:
    """Swap the whole folder; where the system will not rename it, move its files in place instead."""
    if not replace_folder.must_stay(folder):
        try:
            return _write_by(folder, contents, remove_stale, stay=False)
        except OutputError:
            raise
        except OSError:
            if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
                raise
    return _write_by(folder, contents, remove_stale, stay=True)


def _write_by(folder: Path, contents: Mapping[str, bytes], remove_stale: bool, stay: bool) -> Written:
    stage = folder / replace_folder.UNCOMMITTED if stay else replace_folder.stage_beside(folder)
    try:
        before = replace_folder.stamps(folder)
        stage.mkdir()
        fresh = stage / "files" if stay else stage
        _write_new(fresh, contents)
        kept = _changed_workbooks(folder, contents)
        removed = _stale(folder, contents) if remove_stale else ()
        check_target(folder, contents)
        if stay:
            replace_folder.commit_in_place(folder, kept, list(removed))
        else:
            _carry_over(folder, stage, contents, kept, removed)
            replace_folder.step_in(folder, before)
    except BaseException:
        shutil.rmtree(stage, ignore_errors=True)
        raise
    return Written(folder, kept)


def _write_new(fresh: Path, contents: Mapping[str, bytes]) -> None:
    for name, content in contents.items():
        path = fresh / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    for inner in [fresh, *(p for p in fresh.rglob("*") if p.is_dir())]:
        replace_folder.sync_folder(inner)


def _carry_over(
    folder: Path, stage: Path, contents: Mapping[str, bytes], kept: Mapping[str, str], removed: Iterable[str]
) -> None:
    """Give every file that stays a second name in the stage, and the stage the folder's permissions."""
    if not folder.exists():
        umask = os.umask(0)
        os.umask(umask)
        stage.chmod(_BLANK_MODE & ~umask)
        return
    gone = {*removed, *contents}
    for name in replace_folder.entries(folder):
        source = folder / name
        present = name.as_posix()
        target = stage / kept.get(present, present)
        if present in gone and present not in kept:
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir() and not source.is_symlink():
            target.mkdir(exist_ok=True)
        else:
            replace_folder.link_or_copy(source, target)
    for inner in [folder, *(p for p in folder.rglob("*") if p.is_dir() and not p.is_symlink())]:
        twin = stage / inner.relative_to(folder)
        if twin.is_dir():
            shutil.copystat(inner, twin)


def _changed_workbooks(folder: Path, contents: Mapping[str, bytes]) -> dict[str, str]:
    """Workbooks that a person has changed: present name -> name to keep it under."""
    recorded = {known for record in records(folder).values() for known in record.values()}
    kept = {}
    for name in contents:
        present = folder / name
        if not name.endswith(".xlsx") or not present.is_file():
            continue
        found = present.read_bytes()
        if checksum(found) not in recorded and found not in contents.values():
            kept[name] = replace_folder.free_name(present).relative_to(folder).as_posix()
    return kept


def _stale(folder: Path, contents: Mapping[str, bytes]) -> tuple[str, ...]:
    """Outputs of the last run of the same kind that this run does not write and nobody has changed."""
    found = []
    for record, outputs in records(folder).items():
        if record not in contents:
            continue
        for name, recorded in outputs.items():
            path = folder / name
            stays = name in contents or not lies_inside(name) or not path.is_file()
            if not stays and checksum(path.read_bytes()) == recorded:
                found.append(name)
    return tuple(sorted(set(found)))


def lies_inside(name: str) -> bool:
    """True for a name with forward slashes that stays inside a folder."""
    pure = PurePosixPath(name)
    return bool(pure.parts) and not pure.is_absolute() and ".." not in pure.parts


def records(folder: Path) -> dict[str, dict[str, str]]:
    """Checksums of outputs by name, from every .json record in the folder; unreadable ones count as empty."""
    found = {}
    for path in sorted(folder.glob("*.json")) if folder.is_dir() else ():
        with contextlib.suppress(OSError):
            found[path.name] = outputs_in(path.read_bytes())
    return found


def outputs_in(record: bytes) -> dict[str, str]:
    """Checksums by name of the outputs that a .json record lists; none where it cannot be read."""
    try:
        return {str(k): str(v) for k, v in json.loads(record).get("outputs", {}).items()}
    except (ValueError, AttributeError, RecursionError):
        return {}


def checksum(content: bytes) -> str:
    """SHA-256 of the bytes, hexadecimal: the form in which records keep it."""
    return hashlib.sha256(content).hexdigest()


@contextlib.contextmanager
def one_writer(place: Path, wait_seconds: float | None = None) -> Iterator[None]:
    """Hold a folder or a file against a second kitplan; the system frees it when a run is killed. Raises OutputError
    where another holds it for so long.

    A system that locks no folders (Windows) locks a hidden file beside; where a file system has no locks at all (some
    shared ones), the run goes on without.
    """
    try:
        handle = _lockable(place)
    except OSError:
        yield
        return
    try:
        deadline = time.monotonic() + (_LOCK_WAIT_SECONDS if wait_seconds is None else wait_seconds)
        while not _locked(handle):
            if time.monotonic() > deadline:
                raise OutputError(errno.EBUSY, "is being written by another run of kitplan", place,
                                  "Wait until it has ended, then run again.")
            time.sleep(0.05)
        yield
    finally:
        os.close(handle)


def _lockable(place: Path) -> int:
    if fcntl is not None:
        return os.open(place, os.O_RDONLY)
    beside = place / ".kitplan-lock" if place.is_dir() else place.with_name(f".{place.name}.kitplan-lock")
    return os.open(beside, os.O_RDWR | os.O_CREAT)


def _locked(handle: int) -> bool:
    """Lock the handle; False where another run holds it, True where it is ours or cannot be locked at all."""
    try:
        if fcntl is not None:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        elif msvcrt is not None:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return True
    return True
