"""Put a finished folder in the place of another, so that a kill at any moment leaves the old or the new one.

Three ways, the first that the system allows:

exchange  One system call swaps two folders (Linux renameat2, macOS renamex_np): never a moment without a set.
two_steps The old folder steps aside, the new one steps in. A kill between the two leaves both sets whole
          beside an empty place; `recover` finishes the step. For systems without an exchange.
in_place  Files are moved one by one out of a committed sub-folder, which is the journal. For a folder that
          must stay itself: a mount point or one above it, one with the working directory in it, or with a
          closed parent, or with thousands of files.
          A kill in the middle is finished by `recover`, which every run calls first.

Names beside the folder are the journal: `.NAME.kitplan-new` is unfinished or spare, `.NAME.kitplan-old` has
stepped aside. The next run removes both.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

COMMITTED = ".kitplan-commit"
UNCOMMITTED = ".kitplan-stage"

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_RENAME_SWAP_MAC = 2
_MANY_ENTRIES = 2000


def stage_beside(folder: Path) -> Path:
    """Where the next version of `folder` is built."""
    return folder.with_name(f".{folder.name}.kitplan-new")


def old_place(folder: Path) -> Path:
    """Where the present version of `folder` steps while it is replaced."""
    return folder.with_name(f".{folder.name}.kitplan-old")


def must_stay(folder: Path) -> bool:
    """True where the folder itself may not be renamed and its files are moved one by one instead."""
    if not folder.exists():
        return False
    with contextlib.suppress(OSError):
        here = Path.cwd().resolve()
        if here == folder or folder in here.parents:
            return True
    if any(os.path.ismount(root) for root, _, _ in os.walk(folder)):
        return True
    if not os.access(folder.parent, os.W_OK | os.X_OK):
        return True
    return any(count >= _MANY_ENTRIES for count, _ in enumerate(entries(folder)))


def entries(folder: Path) -> Iterator[Path]:
    """Every file, link and empty folder under `folder`, as paths relative to it; journals left out."""
    for root, folders, files in os.walk(folder):
        base = Path(root).relative_to(folder)
        folders[:] = sorted(f for f in folders if f not in (COMMITTED, UNCOMMITTED))
        for name in sorted(files):
            yield base / name
        for name in list(folders):
            if os.path.islink(os.path.join(root, name)):
                folders.remove(name)
                yield base / name
            elif not os.listdir(os.path.join(root, name)):
                yield base / name


def exchange(one: Path, other: Path) -> bool:
    """Swap two folders in one step; False where the system or the file system cannot."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        if sys.platform.startswith("linux"):
            here = _AT_FDCWD
            done = libc.renameat2(here, os.fsencode(one), here, os.fsencode(other), _RENAME_EXCHANGE)
        elif sys.platform == "darwin":
            done = libc.renamex_np(os.fsencode(one), os.fsencode(other), _RENAME_SWAP_MAC)
        else:
            return False
    except (AttributeError, OSError, TypeError):
        return False
    return done == 0


def stamps(folder: Path) -> dict[Path, tuple[int, int]]:
    """Time of change (ns) and size (bytes) of every file under `folder`; empty when it does not exist."""
    found = {}
    for name in entries(folder):
        with contextlib.suppress(FileNotFoundError):
            status = os.lstat(folder / name)
            found[name] = (status.st_mtime_ns, status.st_size)
    return found


def step_in(folder: Path, before: dict[Path, tuple[int, int]]) -> None:
    """Make the stage of `folder` the folder, then remove what was there.

    before: `stamps` taken when the stage was built; what another program saved since then is carried over.
    Raises OSError with the old folder in its place.
    """
    stage, old = stage_beside(folder), old_place(folder)
    if not folder.exists():
        os.rename(stage, folder)
        sync_folder(folder.parent)
        return
    if exchange(stage, folder):
        os.rename(stage, old)
    else:
        try:
            os.rename(folder, old)
            os.rename(stage, folder)
        except BaseException:
            if old.exists() and not folder.exists():
                os.rename(old, folder)
            raise
    sync_folder(folder.parent)
    _carry_late_changes(old, folder, before)
    shutil.rmtree(old, ignore_errors=True)


def _carry_late_changes(old: Path, folder: Path, before: dict[Path, tuple[int, int]]) -> None:
    for name, stamp in stamps(old).items():
        target = folder / name
        if before.get(name) == stamp or (old / name).is_dir():
            continue
        if os.path.lexists(target):
            if os.path.samefile(old / name, target):
                continue
            target = free_name(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        os.rename(old / name, target)


def free_name(path: Path) -> Path:
    """`stock-room.xlsx` -> `stock-room-kept-1.xlsx`, or the next number that is free beside it."""
    number = 1
    while os.path.lexists(kept := path.with_name(f"{path.stem}-kept-{number}{path.suffix}")):
        number += 1
    return kept


def commit_in_place(folder: Path, keep: dict[str, str], remove_stale: list[str]) -> None:
    """Commit `folder`/.kitplan-stage/files (one rename), then move its files into place.

    keep: present name -> name under which the present file stays. remove_stale: names to remove.
    """
    stage = folder / UNCOMMITTED
    journal = stage / "journal.json"
    journal.write_text(json.dumps({"keep": keep, "remove": remove_stale}), encoding="utf-8")
    sync_file(journal)
    sync_folder(stage)
    os.rename(stage, folder / COMMITTED)
    sync_folder(folder)
    roll_forward(folder)


def roll_forward(folder: Path) -> None:
    """Move committed files into place. Every step may be repeated, so a kill only delays it."""
    committed = folder / COMMITTED
    journal = json.loads((committed / "journal.json").read_text(encoding="utf-8"))
    for present, kept in journal["keep"].items():
        if (committed / "files" / present).exists() and not os.path.lexists(folder / kept):
            link_or_copy(folder / present, folder / kept)
    for name in journal["remove"]:
        (folder / name).unlink(missing_ok=True)
    for name in list(entries(committed / "files")):
        source = committed / "files" / name
        if source.is_dir() and not source.is_symlink():
            continue  # a kill came after its last file had been moved
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        os.replace(source, folder / name)
    sync_folder(folder)
    os.rename(committed, folder / UNCOMMITTED)
    shutil.rmtree(folder / UNCOMMITTED)


def recover(folder: Path) -> None:
    """Finish or undo what a killed run left: afterwards `folder` is a whole set, old or new, or absent."""
    stage, old = stage_beside(folder), old_place(folder)
    if old.is_dir():
        if not folder.exists():
            os.rename(stage if stage.exists() else old, folder)
        shutil.rmtree(old, ignore_errors=True)
    if stage.is_dir():
        shutil.rmtree(stage)
    if (folder / COMMITTED).is_dir():
        roll_forward(folder)
    if (folder / UNCOMMITTED).is_dir():
        shutil.rmtree(folder / UNCOMMITTED)


def link_or_copy(source: Path, target: Path) -> None:
    """A second name for a file where the file system allows it, else a copy; a link stays a link.

    Raises OSError for a file on another mount: a folder with a mount inside it may not be replaced as a whole.
    """
    if source.is_symlink():
        os.symlink(os.readlink(source), target)
        return
    try:
        os.link(source, target)
    except OSError as error:
        if error.errno == errno.EXDEV:
            raise
        shutil.copy2(source, target)


def sync_file(path: Path) -> None:
    """Wait until the file's bytes are on the disk."""
    with open(path, "rb+") as file:
        os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Wait until the folder's names are on the disk, where the system can say so."""
    with contextlib.suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
