"""Ctrl-C, or a request to end (SIGTERM): one line, at once, and nothing left half done.

Outside a write nothing of ours lies on the disk, so the process ends where it stands, whatever a solver is at. A write
takes moments: the end waits for it, unless it is asked for twice.
"""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multiprocessing.process import BaseProcess

SENTENCE = "Stopped. Nothing was written that was not already complete."
_CHILDREN_SECONDS = 10.0
_MAIN_SECONDS = 3.0
_NEW_BEFORE_COLLECTING = 500_000
"""Objects made before Python looks for unused circles of them: tables make many objects and few circles. Looking after
every 700 took a tenth of a plan's time, after 200,000 the twentieth of a second, and freed nothing worth having."""

_writing = threading.RLock()
_ending: list[int] = []


def until_complete() -> AbstractContextManager[object]:
    """Keep a request to end waiting while outputs step into their place."""
    return _writing


@contextlib.contextmanager
def started_deaf() -> Iterator[None]:
    """Processes started inside do not hear Ctrl-C: the process that started them ends them. None starts at the end."""
    go_on()
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def go_on() -> None:
    """Raise SystemExit where this process has been asked to end: the processes that it started are gone."""
    if _ending:
        raise SystemExit(_ending[0])


def begin_process(quiet: bool = False) -> None:
    """What every process of kitplan does first: from then on it and those it started end at once when asked, and it
    looks rarely for objects that nothing uses. quiet: it ends without a word (a child).

    A signal wakes a thread, for the main one may be inside a solver that does not return.
    """
    gc.set_threshold(_NEW_BEFORE_COLLECTING)
    heard, written = os.pipe()
    os.set_blocking(written, False)
    for number in (signal.SIGINT, signal.SIGTERM):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, lambda *_: None)
    signal.set_wakeup_fd(written, warn_on_full_buffer=False)
    threading.Thread(target=_listen, args=(heard, quiet), daemon=True).start()
    if quiet and "multiprocessing" in sys.modules and (parent := sys.modules["multiprocessing"].parent_process()):
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def one_thread_each() -> None:
    """Keep the matrix libraries to one thread, unless the caller has said otherwise; before numpy is loaded.

    The matrices are small, a folder of units is planned on all cores anyway, and no sum may depend on the machine.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def _listen(heard: int, quiet: bool) -> None:
    number = os.read(heard, 1)[0]
    threading.Thread(target=_end_after_write, args=(number, quiet), daemon=True).start()
    os.read(heard, 1)
    _end(number, quiet)


def _end_with(parent: BaseProcess) -> None:
    """A process that was killed cannot end those that it started, and they would wait for work for ever."""
    parent.join()
    _end(signal.SIGTERM, quiet=True)


def _end_after_write(number: int, quiet: bool) -> None:
    with _writing:
        _end(number, quiet)


def _end(number: int, quiet: bool) -> None:
    code = 128 + number
    if not quiet:
        with contextlib.suppress(OSError, ValueError, AttributeError):
            sys.stdout.flush()
        clear = "\r\x1b[K" if os.isatty(2) else ""
        with contextlib.suppress(OSError):
            os.write(2, f"{clear}{SENTENCE}\n".encode())
    if _end_children(code):
        threading.main_thread().join(_MAIN_SECONDS)
    os._exit(code)


def _end_children(code: int) -> bool:
    """Ask the processes that this one started to end, each after its write. True where there were any.

    The main thread then finds them gone, starts no other (`started_deaf`) and gives back what they shared.
    """
    _ending.append(code)
    # Not loaded, or loaded by half, multiprocessing has started none.
    started: Callable[[], list[BaseProcess]] = getattr(sys.modules.get("multiprocessing"), "active_children", list)
    children = started()
    for child in children:
        child.terminate()
    for child in children:
        child.join(_CHILDREN_SECONDS)
        child.kill()
    return bool(children)
