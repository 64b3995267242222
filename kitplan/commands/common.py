"""What every command shares: its arguments, its exit codes and its progress line."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextvars import ContextVar
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from kitplan.interruptions import SENTENCE
from kitplan.read.problems import InputError, Problem, UnsafePlan, counted

if TYPE_CHECKING:
    from kitplan.read.values import Unit
    from kitplan.write.writer import Written

EXIT_DONE, EXIT_UNSAFE, EXIT_INPUT, EXIT_DEFECT, EXIT_INTERRUPTED = 0, 1, 2, 70, 130

PART_WORDS = {"training": "the class", "audit": "the audit of today's par levels", "rates": "the learnt rates",
              "forecast": "the months ahead", "count": "the order of the last count"}
"""Part that a fault may stop alone -> what a person calls it."""

Command = TypeVar("Command", bound=Callable[..., Any])


class GivenPath(click.Path):
    """A path that was given: an empty text is a slip, and does not mean the folder where one happens to be."""

    def __init__(self, **checks: bool) -> None:
        super().__init__(path_type=Path, **checks)  # type: ignore[arg-type]

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not os.fspath(value):
            self.fail("it is empty. Name the folder or the file; a point means the folder where you are.", param, ctx)
        return super().convert(value, param, ctx)


unit_argument = click.argument("unit_path", metavar="UNIT", type=GivenPath())
out_option = click.option(
    "--out", metavar="DIR", type=GivenPath(file_okay=False), default=None,
    help="Where to write.  [default: plan in the unit's folder; NAME-plan beside a workbook NAME.xlsx;"
         " where it was planned with a folder of units, there]",
)
seed_option = click.option(
    "--seed", metavar="N", type=click.IntRange(0, 2**32 - 1), default=None,
    help="Seed of the random numbers; the same seed gives the same plan.  [default: the plan's, or the usual one]",
)
_PAPER = "kitplan.paper"
paper_option = click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default=None, expose_value=False,
    callback=lambda context, _, paper: context.meta.update({_PAPER: paper}),
    help="Paper of the prints.  [default: paper in unit.toml, else a4]",
)
"""Takes effect in `load`."""


def asked_paper() -> str | None:
    """The paper named at the command line."""
    context = click.get_current_context(silent=True)
    return context.meta.get(_PAPER) if context is not None else None


def unit_options(command: Command) -> Command:
    """Give a command the parameters unit_path (Path), out (Path | None) and seed (int | None), and --paper."""
    return unit_argument(out_option(seed_option(paper_option(command))))


def out_folder(unit_path: Path, out: Path | None) -> Path:
    """Where outputs go: --out, else `plan` in the unit folder or `<workbook>-plan` beside a workbook; a unit that was
    planned with others, and not by itself, has them there.
    """
    if out is not None:
        return out
    unit = unit_path.parent if unit_path.name == "unit.toml" else unit_path if unit_path.name else unit_path.absolute()
    own = unit / "plan" if unit.is_dir() else unit.with_name(f"{unit.stem}-plan")
    if (own / "plan.json").is_file():
        return own
    from kitplan.many import papers_together

    place = papers_together(unit.parent / "plan").get(unit, own)
    return place if (place / "plan.json").is_file() else own


def load(unit_path: Path, seed: int | None = None, classes: Sequence[Path] = (), *, weekly: bool = False,
         reading: Iterable[Unit] | None = None) -> Unit:
    """Read a unit; warnings go to standard error as they would in `check`, or in a step of the week how many there
    are. Raises InputError. classes: as `load_unit`. reading: gives the unit, where it is being read.
    """
    from kitplan.read.unit import load_unit

    (unit,) = reading or (load_unit(unit_path, seed, classes),)
    unit = with_letter_warnings(unit)
    if weekly and unit.warnings:
        say(f"Worth a look in the unit's files: {counted(len(unit.warnings), 'thing')}. kitplan check lists them.")
    else:
        for warning in unit.warnings:
            say(f"Look at: {warning}")
    return on_paper(unit)


def with_letter_warnings(unit: Unit) -> Unit:
    """The unit with a warning for each text that holds letters which no font here can print: told before printing."""
    texts = [(f"item {row.item}", "".join(map(str, (row.item, row.description, row.bin))))
             for row in unit.items.itertuples()]
    texts += [("the unit's name", unit.name), *((f"recipe {t.name}", t.title) for t in unit.techniques.values())]
    texts += [("the routes", "".join(unit.strata["route"])), *((f"class {c.file}", c.title) for c in unit.classes)]
    texts += [("currency", unit.currency)]
    doubtful = [(name, text) for name, text in texts if not text.isascii()]
    if not doubtful:
        return unit
    from kitplan.write.letters import unprintable

    found = [Problem("prints", "has letters that no font of kitplan has; prints show a box in their place",
                     "Install kitplan with its fonts: pip install 'kitplan[letters]'.", column=name, value=letters,
                     moves=0)
             for name, text in doubtful if (letters := unprintable([text]))]
    return replace(unit, warnings=(*unit.warnings, *found)) if found else unit


def on_paper(unit: Unit) -> Unit:
    """The unit with the paper of --paper, where that was given."""
    return replace(unit, paper=asked_paper() or unit.paper)


def fault_lines(unit: Unit) -> list[str]:
    """What is wrong in files that only some parts of the plan need, and which parts it keeps from being made."""
    lines = []
    for stops in dict.fromkeys(p.stops for p in unit.faults):
        faults = [p for p in unit.faults if p.stops == stops]
        lines.append(f"Not planned until mended: {', '.join(PART_WORDS[part] for part in stops)}.")
        lines += [f"  - {p}" for p in faults]
    return lines


_silent: ContextVar[bool] = ContextVar("silent", default=False)


@contextlib.contextmanager
def in_silence() -> Iterator[None]:
    """Let `say`, `tell` and progress say nothing: the work of one unit among many, in a worker."""
    before = _silent.set(True)
    try:
        yield
    finally:
        _silent.reset(before)


def say(text: str) -> None:
    """Print a line for a person on standard error, with control characters made harmless."""
    tell(text, err=True)


def tell(text: str, err: bool = False) -> None:
    """Print a line for a person on standard output, with control characters made harmless."""
    if not _silent.get():
        click.echo(printable(text), err=err)


def tell_written(written: Written, what_to_open: str, sentences: Iterable[str]) -> None:
    """Say where outputs were written and what to open, then what they come to."""
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: {what_to_open}.")
    for sentence in sentences:
        tell(sentence)


def printable(text: str) -> str:
    """Text from a file may carry terminal controls; show them as escapes instead of sending them."""
    return "".join(c if c.isprintable() or c in "\n\t" else repr(c)[1:-1] for c in text)


@contextlib.contextmanager
def run_safely() -> Iterator[None]:
    """Turn every ending into one sentence and one exit code; never a traceback.

    InputError 2, UnsafePlan 1, a file that cannot be read or written 2, Ctrl-C 130, anything else 70: that is
    a defect of kitplan (KITPLAN_DEBUG=1 shows where). Works as `with run_safely():` and as `@run_safely()`.
    """
    try:
        yield
    except (click.exceptions.Exit, click.exceptions.Abort, click.ClickException, SystemExit):
        raise
    except InputError as error:
        _end(str(error), EXIT_INPUT)
    except UnsafePlan as error:
        _end(f"Not a safe plan: {error}", EXIT_UNSAFE)
    except KeyboardInterrupt:
        _end(SENTENCE, EXIT_INTERRUPTED)
    except OSError as error:
        from kitplan.write.writer import file_sentence

        _end(file_sentence(error), EXIT_INPUT)
    except MemoryError:
        _end("Out of memory: close other programs, or give a shorter census.", EXIT_INPUT)
    except Exception as error:
        if os.environ.get("KITPLAN_DEBUG") == "1":
            raise
        first_line = (str(error).splitlines() or [""])[0][:200]
        _end(
            f"Stopped by {type(error).__name__}: {first_line}\n"
            "This is a defect of kitplan and not of your files. Nothing was written. "
            "Run again with KITPLAN_DEBUG=1 to see where, and report it.",
            EXIT_DEFECT,
        )


def _end(text: str, code: int) -> None:
    say(text)
    raise SystemExit(code)


class Progress:
    """One line on a terminal that says what is being done; silent in a pipe: `with Progress() as report`."""

    def __init__(self) -> None:
        self.shown = not _silent.get() and sys.stderr.isatty() and os.environ.get("TERM") != "dumb"

    def __call__(self, phrase: str) -> None:
        if self.shown:
            click.echo(f"\r\x1b[K{printable(phrase)} ...", nl=False, err=True)

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        if self.shown:
            click.echo("\r\x1b[K", nl=False, err=True)
