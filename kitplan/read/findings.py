"""Collects what is wrong or worth a look in all files, so that a person hears of everything in one run."""

from __future__ import annotations

import contextlib
import difflib
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from kitplan.read.identity import looks_like_full_name, looks_personal
from kitplan.read.problems import InputError, Problem, some_of

GUARDING = "guarding against patient identity"
ROWS_SHOWN = 20
"""Different values of one column listed one by one for one fault; the rest are told in one line."""

ROWS_ALIKE = 3
"""Rows listed one by one where all hold the same value; more are told in one line."""


_MORE = "the same in"


class Findings:
    """Faults (the inputs cannot be used) and warnings (worth a look), in the order found."""

    def __init__(self) -> None:
        self.faults: list[Problem] = []
        self.warnings: list[Problem] = []
        self.sensitive: set[str] = set()
        """Files about patients: there, a value that looks like an identity is not repeated."""
        self.identities: list[Problem] = []
        """What looks like a patient's identity: told alone, so that nothing else of those files is printed."""
        self.day_first: bool | None = None
        """Whether the unit's census writes days before months, as far as it tells: for tables that do not."""
        self.headings: dict[tuple[str, str | None], str] = {}
        """What a file itself calls a column that was recognised under another heading."""
        self._stops: tuple[str, ...] = ()

    @contextlib.contextmanager
    def stopping(self, *parts: str) -> Iterator[None]:
        """Faults noted inside stop these parts of the plan alone."""
        self._stops, before = parts, self._stops
        try:
            yield
        finally:
            self._stops = before

    def fault(
        self, file: str, fault: str, mend: str,
        *, row: int | None = None, column: str | None = None, value: object = None,
    ) -> None:
        """Note something that stops the run."""
        self.faults.append(Problem(file, fault, mend, row=row, column=column, value=self._shown(file, column, value),
                                   stops=self._stops, heading=self.headings.get((file, column), "")))

    def warn(
        self, file: str, fault: str, mend: str,
        *, row: int | None = None, column: str | None = None, value: object = None, moves: int = 1,
    ) -> None:
        """Note something worth a look. moves: as in Problem."""
        self.warnings.append(Problem(file, fault, mend, row=row, column=column,
                                     value=self._shown(file, column, value), moves=moves))

    def one_of(self, written: str, known: Iterable[str], file: str, column: str, fault: str) -> str | None:
        """The known word that a text means, however folded; None where it means none, noted with the nearest."""
        words = {key_of(word): word for word in known}
        if key_of(written) not in words:
            self.fault(file, fault, suggestion(written, words.values()), column=column, value=written)
        return words.get(key_of(written))

    def rows(
        self, file: str, column: str | None, rows: Sequence[int] | np.ndarray,
        values: Iterable[object] | None, fault: str, mend: str, moves: int | None = None,
    ) -> None:
        """Note the same finding in many rows. Faults: a value that stands in more than ROWS_ALIKE rows in one line, the
        first ROWS_SHOWN others one by one, the rest together; warnings (where `moves` is given): in one line.
        """
        numbers = [int(r) for r in rows]
        texts = [None] * len(numbers) if values is None else list(values)
        if moves is not None:
            more = f", as in {len(numbers) - 1:,} further rows to row {max(numbers)}" if len(numbers) > 1 else ""
            self.warn(file, fault + more, mend, row=numbers[0], column=column, value=texts[0], moves=moves)
            return
        alike: dict[object, list[int]] = {}
        for number, text in zip(numbers, texts):
            alike.setdefault(number if text is None else str(text), []).append(number)
        groups = [(g, t) for t, all_rows in alike.items()
                  for g in ([all_rows] if len(all_rows) > ROWS_ALIKE else [[n] for n in all_rows])]
        for group, text in groups[:ROWS_SHOWN]:
            more = f", here and in {len(group) - 1:,} more rows to row {max(group)}" if len(group) > 1 else ""
            self.fault(file, fault + more, mend, row=group[0], column=column, value=None if values is None else text)
        left = [n for group, _ in groups[ROWS_SHOWN:] for n in group]
        if left:
            wording = f"{_MORE} {len(left):,} more rows, {min(left)} to {max(left)}: {fault}"
            self.fault(file, wording, mend, column=column)

    def ranked(self) -> tuple[Problem, ...]:
        """The warnings, those first that can move most of the result."""
        return tuple(sorted(self.warnings, key=lambda p: -p.moves))

    def _shown(self, file: str, column: str | None, value: object) -> str | None:
        if value is None:
            return None
        text = str(value)
        number_of_thing = file not in self.sensitive and column in ("gtin", "lot", "item")
        if (looks_personal(text) and not number_of_thing) or looks_like_full_name(text):
            return "not shown: it may identify a patient"
        return text if len(text) <= 40 else text[:37] + "..."

    def stop_if_faulty(self, during: str = "reading the unit") -> None:
        """Raise InputError with every fault so far if one stops all; file by file, in the order of the rows.

        What looks like a patient's identity is told first, and alone.
        """
        if self.identities:
            raise InputError(self.identities, GUARDING)
        if any(not p.stops for p in self.faults):
            raise InputError(_in_order(self.faults), during)

    def faults_of_parts(self) -> tuple[Problem, ...]:
        """The faults, none of which stops all."""
        return tuple(_in_order(self.faults))


def _in_order(problems: list[Problem]) -> list[Problem]:
    files = list(dict.fromkeys(p.file for p in problems))
    places, row = [], 0
    for problem in problems:
        row = problem.row or (row if problem.fault.startswith(_MORE) else 0)
        places.append((files.index(problem.file), row))
    return [problems[i] for i in sorted(range(len(problems)), key=lambda i: places[i])]


_MOST_ALIKE = 3


def nearest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the known word most like `word`, or None when nothing is close. cutoff: likeness wanted, 0 to 1."""
    options = list(known)
    folded = {key_of(option): option for option in reversed(options)}
    match = difflib.get_close_matches(key_of(word), list(folded), n=1, cutoff=cutoff)
    return folded[match[0]] if match else None


def suggestion(word: str, known: Iterable[str], *, limit: int = 12) -> str:
    """Return one imperative sentence with the nearest known word, or the choices: of more than `limit` the likest."""
    options = list(known)
    near = nearest(word, options)
    if near is not None:
        return f"Did you mean {near!r}?"
    between = "; " if any("," in option for option in options) else ", "
    if len(options) > limit:  # a long list helps nobody: those most like the word
        limit = min(limit, _MOST_ALIKE)
        options.sort(key=lambda x: -difflib.SequenceMatcher(None, key_of(word), key_of(x)).ratio())
    return f"Use one of: {some_of(options, limit, between)}." if options else "Leave it out."


def key_of(text: str) -> str:
    """Fold a name for matching: case, outer space and the kind of separator do not matter."""
    return "_".join(text.replace("-", " ").replace("_", " ").casefold().split())
