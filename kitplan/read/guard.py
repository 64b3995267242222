"""Applies the guard against patient identity to the tables about airways, before any value of theirs is told."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from kitplan.read.cells import text_of
from kitplan.read.findings import Findings
from kitplan.read.identity import (
    column_holds_identity,
    header_names_identity,
    identity_problem,
    shelf_column_holds_identity,
)
from kitplan.read.problems import Problem
from kitplan.read.tables import RawTable

_STATED = "its header says so"


def guard_tables(airways: Iterable[RawTable], shelf: Iterable[RawTable], findings: Findings) -> None:
    """Note each column of any table that looks like a patient's identity.

    airways: tables about patients' airways, searched value by value. shelf: tables about stock, where titles of
    items and numbers of lots are ordinary.
    """
    problems: list[Problem] = []
    for raw in airways:
        findings.sensitive.add(raw.name)
        problems += _airway_problems(raw)
    for raw in shelf:
        for header, letter, cells in raw.others:
            stated = header_names_identity(header, names_too=False)
            because = _STATED if stated else shelf_column_holds_identity(_texts(cells))
            if because:
                problems.append(identity_problem(raw.name, header, letter, because))
    findings.identities += problems


def _airway_problems(raw: RawTable) -> list[Problem]:
    problems = []
    for header, letter, cells in raw.others:
        because = _STATED if header_names_identity(header) else _held(header, cells)
        if because:
            problems.append(identity_problem(raw.name, header, letter, because))
    for name, cells in raw.columns.items():
        because = _held(name, cells) if raw.known[name].kind == "text" else None
        if because:
            header, letter = raw.headers[name]
            problems.append(identity_problem(raw.name, header, letter, because))
    return problems


def _held(header: str, cells: np.ndarray) -> str | None:
    return column_holds_identity(header, _texts(cells), sum(c is not None for c in cells))


def _texts(cells: np.ndarray) -> list[str]:
    return [text_of(c) for c in pd.unique(cells) if c is not None]
