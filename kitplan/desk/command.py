"""`kitplan desk`: the plan in a browser, on this computer only."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import GivenPath, run_safely, say


@click.command("desk")
@click.argument("folder", type=GivenPath(file_okay=False), default=Path())
@click.option("--port", type=click.IntRange(0, 65535), default=0, metavar="N",
              help="Port on this computer.  [default: a free one]")
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

        from kitplan.desk.server import serve
    except ImportError as error:
        say(f"The desk needs {error.name}: pip install 'kitplan[desk]'.")
        raise SystemExit(2) from None
    if not folder.is_dir():
        say(f"{folder}: there is no such folder. Make it, or name another.")
        raise SystemExit(2)
    serve(folder, port, not no_browser)
