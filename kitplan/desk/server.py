"""Starts the desk: loopback only, a fresh secret, one desk a folder."""

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

import click

_MARK = ".desk.json"
"""In the desk's folder while one serves it: process and port, for a second one to see."""


def serve(folder: Path, port: int, browser: bool) -> None:
    """Serve the desk until it is stopped. port 0: any that is free. Raises OSError where the port is taken."""
    from waitress import create_server

    from kitplan.desk.app import create_app

    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    port, secret = listener.getsockname()[1], secrets.token_urlsafe(24)
    other = _other_desk(folder)
    note = f"Another desk serves this folder (process {other}). Use one of them only." if other else ""
    app = create_app(folder, secret, port, note)
    server = create_server(app, sockets=[listener], threads=6, max_request_body_size=50_000_000,
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


def _warm() -> None:
    """Load what the pages of a plan need, once the first page is there to be looked at."""
    time.sleep(1.0)
    import kitplan.planning
    import kitplan.saved.folder  # noqa: F401


@contextlib.contextmanager
def _marked(folder: Path, port: int) -> Iterator[None]:
    mark = folder / _MARK
    try:
        mark.write_text(json.dumps({"process": os.getpid(), "port": port}), encoding="utf-8")
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
    except (OSError, ValueError, KeyError, TypeError):
        return None
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as knock:
        knock.settimeout(0.2)
        alive = knock.connect_ex(("127.0.0.1", port)) == 0
    return process if alive and process != os.getpid() else None
