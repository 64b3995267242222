"""The command line: one name a command, each loaded only when it is called, so that help is instant."""

from __future__ import annotations

import importlib

import click

from kitplan import __version__
from kitplan.interruptions import one_thread_each

PEOPLE = {
    "First steps": {
        "new": "Make a unit to fill in, a folder or one workbook; or copy an invented sample.",
        "check": "Read everything, report every problem, compute nothing.",
        "plan": "The main job: every part that the unit's files allow, a workbook for each person.",
        "desk": "The same in a browser on this computer, without a terminal.",
    },
    "For the materials coordinator": {
        "par": "Par levels for the stock room.",
        "explain": "How one item's number came about, from census to pack.",
        "audit": "Today's par levels: how ready they are, what is missing, the cheapest changes in order.",
        "receive": "The week, 1: take in what was delivered.",
        "count": "The week, 2 and 3: take in what was counted and what was answered, and ask.",
        "order": "The week, 4: what to order after a count, in whole packs, with dates and hurry.",
        "build": "The week, 5: which kits to build, with lots and dates, and where kits are.",
        "recall": "Find a recalled lot on the shelf, in kits and in classes, and what to do now.",
        "book": "What the order book of the unit holds, and what it has learnt from use.",
        "labels": "Bin labels with the number to order under and bar codes, on sheets of any grid.",
        "kits": "Bedside kits: contents, designs, roll choice, build and cut cards to print.",
    },
    "For the educator": {
        "training": "A practice class or course: what to buy, what stands at each station, what to cut, and prints.",
        "to-class": "Tell the order book what a class took from the stock room, so that it does not look like use.",
    },
    "For the manager": {
        "forecast": "How much next month, how sure, and why past months cost what they did.",
        "compare": "What if: two units, or two versions of one, side by side, and which cause moved what.",
        "rates": "How often securements are renewed in this unit, learnt from its log.",
        "simulate": "Years of the stock room played day by day: do the par levels hold?",
    },
}
"""Who it is for -> command -> one-line help."""

PLACES = {
    **{name: f"commands.{name}" for name in ("new", "check", "plan")}, "desk": "desk.command",
    "explain": "parts.par.command:explain_item", "to-class": "parts.orders.command:class_takes",
    **{name: f"parts.orders.command:{name}"
       for name in ("receive", "count", "order", "build", "recall", "book", "labels")},
}
"""Module of a command, with its name where it is not "command"; of any other: parts/NAME/command.py."""

COMMANDS = {name: line for commands in PEOPLE.values() for name, line in commands.items()}


class LazyGroup(click.Group):
    """A group that lists its commands without importing them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        place = PLACES.get(cmd_name, f"parts.{cmd_name}.command")
        module, _, name = place.partition(":")
        found: click.Command = getattr(importlib.import_module(f"kitplan.{module}"), name or "command")
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for person, commands in PEOPLE.items():
            with formatter.section(person):
                formatter.write_dl(list(commands.items()))


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="kitplan")
def main() -> None:
    """Plan tube-securement supplies from a census of airways.

    Quantities only, no clinical advice: local policy and licensed staff decide.
    """
    one_thread_each()


if __name__ == "__main__":
    main()
