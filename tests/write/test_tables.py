"""Tables for other programs: described columns, fixed formats, no cell that acts as a formula."""

from __future__ import annotations

import csv
import io
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitplan.read.cells import unguarded
from kitplan.write.tables import UndescribedColumn, described_columns, safe_text, table_bytes

ACTING = "=+-@\t\r\n\0＝＋－＠"


def test_a_table_has_its_described_columns_in_their_order_and_ends_lines_with_a_line_feed():
    frame = pd.DataFrame({"litres": [1.5], "value": [1234567.891], "readiness": [np.float64(0.98)]})
    assert table_bytes("frontier", frame) == b"readiness,value,litres\n0.98,1234567.891,1.5\n"


@pytest.mark.parametrize(("value", "text"), [
    (0.1 + 0.2, "0.3"), (1e-9, "0"), (-1e-9, "0"), (1e12, "1000000000000"), (np.nan, ""), (None, ""), (12, "12"),
])
def test_numbers_have_at_most_six_decimals_and_no_exponent(value, text):
    frame = pd.DataFrame({"readiness": [0.5], "value": pd.Series([value], dtype=object), "litres": [1.0]})
    assert table_bytes("frontier", frame).decode().splitlines()[1].split(",")[1] == text


def test_a_column_that_nobody_described_is_refused():
    with pytest.raises(UndescribedColumn, match="surprise"):
        table_bytes("frontier", pd.DataFrame({"readiness": [1.0], "surprise": [1.0]}))


def test_dates_and_flags_are_written_for_machines(monkeypatch):
    types = {"when": "date", "sure": "flag", "gtin": "gtin"}
    monkeypatch.setattr("kitplan.write.tables.described_columns", lambda table: types)
    frame = pd.DataFrame({
        "when": [date(2026, 3, 2), pd.Timestamp("2026-03-02 12:00"), pd.NaT], "sure": [True, False, None],
        "gtin": ["0012345678905", "", None],
    })
    assert table_bytes("any", frame).decode().splitlines()[1:] == [
        "2026-03-02,yes,0012345678905", "2026-03-02,no,", ",,"]


@given(st.text())
def test_text_comes_back_as_it_was_and_never_acts_as_a_formula(text):
    guarded = safe_text(text)
    assert unguarded(guarded) == text
    assert not guarded.startswith(tuple(ACTING))


@given(st.text(alphabet=st.sampled_from("'=+-@ab\t")))
def test_text_of_apostrophes_and_signs_comes_back_too(text):
    assert unguarded(safe_text(text)) == text


def test_hostile_text_stays_one_cell(plan):
    levels = plan.par.levels.head(1).assign(item='=cmd|"/c calc"!A1', because="one,\ntwo")
    rows = list(csv.reader(io.StringIO(table_bytes("par_levels", levels).decode())))
    assert rows[1][0] == '\'=cmd|"/c calc"!A1'
    assert rows[1][-1] == "one,\ntwo"
    assert len(rows) == 2


def test_every_column_of_the_par_tables_is_described(plan):
    par = plan.par
    for table, frame in (("par_levels", par.levels), ("frontier", par.frontier), ("limit_prices", par.prices)):
        assert set(frame.columns) == set(described_columns(table))
