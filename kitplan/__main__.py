"""Where the program begins: ready to be stopped and to lose its reader before anything else is loaded."""

from __future__ import annotations

import atexit
import contextlib
import errno
import io
import os
import sys
from typing import NoReturn

from kitplan.interruptions import begin_process

_READER_GONE = (errno.EPIPE, errno.EIO, errno.EBADF, errno.EINVAL)


class _Steady(io.RawIOBase):
    """A stream whose reader may go away: what is written then is dropped, and the exit code stays what it was."""

    def __init__(self, number: int) -> None:
        self._number = number

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return self._number

    def write(self, content: object) -> int:
        view = memoryview(content)  # type: ignore[arg-type]
        try:
            return os.write(self._number, view)
        except OSError as error:
            if error.errno not in _READER_GONE:
                raise
            return len(view)


def _steady_streams() -> None:
    """Put steady streams in the place of standard output and error, unless they are a terminal.

    A letter that their encoding lacks (a Windows code page) is written as its number. A stream that was closed is
    opened on nothing, so that no file of ours takes its number.
    """
    for number in range(3):
        with contextlib.suppress(OSError):
            os.fstat(number)
            continue
        os.open(os.devnull, os.O_RDWR)
    for name, number in (("stdout", 1), ("stderr", 2)):
        given = getattr(sys, name)
        if given is not None and given.isatty():
            given.reconfigure(errors="backslashreplace")
            continue
        steady = io.TextIOWrapper(io.BufferedWriter(_Steady(number)), errors="backslashreplace", line_buffering=True,
                                  encoding="utf-8" if given is None else given.encoding)
        setattr(sys, name, steady)


def run() -> None:
    """Run the command line: the entry point of the installed program."""
    _steady_streams()
    begin_process()
    from kitplan.cli import main

    try:
        main()
    except SystemExit as end:
        _leave(end.code)


def _leave(code: object) -> NoReturn:
    """End now: taking apart what a plan has built, object by object, would take a fifth of a second for nothing."""
    if not isinstance(code, int | None):
        sys.stderr.write(f"{code}\n")
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os._exit(code if isinstance(code, int) else int(code is not None))


if __name__ == "__main__":
    run()
