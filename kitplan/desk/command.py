"""`kitplan desk`: the plan in a browser, on this computer only: loopback, a fresh secret, one desk a folder."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import socket
import threading
import time
import webbrowser
from collections.abc import Iterator
from pathlib import Path
from zlib import crc32

import click

from kitplan.commands.common import GivenPath, run_safely, say

_MARK = ".desk.json"
"""In the desk's folder while one serves it: process, port and the folder, which a copy is not, for a second to see."""


@click.command("desk")
@click.argument("folder", type=GivenPath(file_okay=False), default=Path())
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N",
              help="Port on this computer.  [default: one of the folder's own, else any that is free]")
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@run_safely()
def command(folder: Path, port: int, no_browser: bool) -> None:
    """Open units in the browser: plan, count, order, build kits, print, without a terminal.

    FOLDER is a unit or holds units (default: here). Prints the address, which carries a fresh secret, and serves this
    computer alone until it is stopped. Needs: pip install 'kitplan[desk]'.
    """
    try:
        import flask  # noqa: F401
        import waitress  # noqa: F401
    except ImportError as error:
        say(f"The desk needs {error.name}: pip install 'kitplan[desk]'.")
        raise SystemExit(2) from None
    if not folder.is_dir():
        say(f"{folder}: there is no such folder. Make it, or name another.")
        raise SystemExit(2)
    serve(folder, port, not no_browser)


def serve(folder: Path, port: int, browser: bool) -> None:
    """Serve the desk until it is stopped. port 0: any that is free. Raises OSError where the port is taken."""
    from waitress import create_server

    from kitplan.desk.app import create_app

    other = _other_desk(folder)  # asked before this one answers at the same address
    listener = _listener(folder, port)
    port, secret = listener.getsockname()[1], secrets.token_urlsafe(24)
    note = f"Another desk serves this folder (process {other}). Use one of them only." if other else ""
    app = create_app(folder, secret, port, note)
    server = create_server(app, sockets=[listener], threads=6, max_request_body_size=1_000_000_000,
                           clear_untrusted_proxy_headers=True)
    address = f"http://127.0.0.1:{port}/enter/{secret}"
    click.echo(address)
    if note:
        click.echo(note, err=True)
    click.echo(f"The desk of {folder}. Only this computer can open it. Ctrl-C ends it.", err=True)
    if browser:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    threading.Thread(target=_warm, daemon=True).start()
    try:
        with _marked(folder, port):
            server.run()
    finally:
        app.extensions["desk"]["jobs"].end_all()


def _listener(folder: Path, port: int) -> socket.socket:
    """The port that was named, else the folder's own, else any that is free. Raises OSError.

    A browser keeps what was typed by address, so a desk that is started again should stand where it stood.
    """
    if port:
        return _bound(port)
    with contextlib.suppress(OSError):
        return _bound(20_000 + crc32(os.fsencode(folder.resolve())) % 20_000)
    return _bound(0)


def _bound(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name != "nt":  # there it would let two programs share a port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen()
    except OSError:
        listener.close()
        raise
    return listener


def _warm() -> None:
    """Load what the pages of a plan need, once the first page is there to be looked at."""
    time.sleep(1.0)
    import kitplan.planning
    import kitplan.saved.folder  # noqa: F401


@contextlib.contextmanager
def _marked(folder: Path, port: int) -> Iterator[None]:
    mark, said = folder / _MARK, {"process": os.getpid(), "port": port, "folder": str(folder.resolve())}
    try:
        mark.write_text(json.dumps(said), encoding="utf-8")
    except OSError:
        yield  # a folder that cannot be written to can still be looked at
        return
    try:
        yield
    finally:
        mark.unlink(missing_ok=True)


def _other_desk(folder: Path) -> int | None:
    """Process number of a desk that serves the folder now."""
    try:
        said = json.loads((folder / _MARK).read_text(encoding="utf-8"))
        process, port = int(said["process"]), int(said["port"])
        if said["folder"] != str(folder.resolve()):
            return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as knock:
        knock.settimeout(0.2)
        alive = knock.connect_ex(("127.0.0.1", port)) == 0
    return process if alive and process != os.getpid() else None
