"""The command line: one name a command, each loaded only when it is called, so that help is instant."""

from __future__ import annotations

import importlib
from itertools import groupby

import click

from kitplan import __version__
from kitplan.interruptions import one_thread_each
from kitplan.resources import config_rows

COMMANDS = {row["command"]: row for row in config_rows("commands.csv")}
"""Command -> who it is for, its module with its name there, its line of help."""


class LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name]["place"].partition(":")
        found: click.Command = getattr(importlib.import_module(f"kitplan.{module}"), name)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for person, commands in groupby(COMMANDS.values(), key=lambda row: row["person"]):
            with formatter.section(person):
                formatter.write_dl([(row["command"], row["help"]) for row in commands])


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="kitplan")
def main() -> None:
    """Plan tube-securement supplies from a census of airways.

    Quantities only, no clinical advice: local policy and licensed staff decide.
    """
    one_thread_each()


if __name__ == "__main__":
    main()
