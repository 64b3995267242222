"""Applies the guard against patient identity to the tables about airways, before any value of theirs is told."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from kitplan.inputs.cells import text_of
from kitplan.inputs.findings import Findings
from kitplan.inputs.identity import column_holds_identity, header_names_identity, identity_problem
from kitplan.inputs.problems import InputError, Problem
from kitplan.inputs.tables import RawTable


def guard_tables(raws: Iterable[RawTable], findings: Findings) -> None:
    """Stop the run when a column of any table looks like a patient's identity.

    Raises InputError with the identity problems alone, so that nothing else of those files is printed.
    """
    problems: list[Problem] = []
    for raw in raws:
        findings.sensitive.add(raw.name)
        problems += _table_problems(raw)
    if problems:
        raise InputError(problems, "guarding against patient identity")


def _table_problems(raw: RawTable) -> list[Problem]:
    problems = []
    for header, letter, cells in raw.others:
        because = "its header says so" if header_names_identity(header) else column_holds_identity(
            header, _texts(cells))
        if because:
            problems.append(identity_problem(raw.name, header, letter, because))
    for name, cells in raw.columns.items():
        if raw.known[name].kind == "text":
            because = column_holds_identity(name, _texts(cells))
            if because:
                header, letter = raw.headers[name]
                problems.append(identity_problem(raw.name, header, letter, because))
    return problems


def _texts(cells: np.ndarray) -> list[str]:
    return [text_of(c) for c in pd.unique(cells) if c is not None]
