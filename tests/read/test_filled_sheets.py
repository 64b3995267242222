"""Sheets of the round as a person filled them in: what cannot be read says where it stands."""

from datetime import date

import pandas as pd
import pytest
from openpyxl import Workbook

from kitplan.read.problems import InputError
from kitplan.read.round_sheets import Names, read_round

ITEMS = [f"item_{k}" for k in range(30)]


def problem_of(folder, *rows):
    """The one problem of a filled-in Count sheet."""
    book = Workbook()
    book.active.title = "Count"
    for row in rows:
        book.active.append(row)
    book.save(path := folder / "stock-room.xlsx")
    with pytest.raises(InputError) as error:
        read_round(path, Names(frozenset(ITEMS), lambda text: set()), ("count",))
    (problem,) = error.value.problems
    return problem


def test_a_day_of_the_count_that_is_none_names_its_row_and_its_label_once(tmp_path):
    problem = problem_of(tmp_path, ("Stock room",), ("Date of count:", "the 40th"), (),
                         ("Item", "Pack", "Packs", "Loose units"), ("item_1", 1, 3, 0))
    assert (problem.row, problem.column, problem.value) == (2, "Date of count", "the 40th")
    assert "date of count" not in problem.fault.casefold()


def test_an_item_that_nobody_knows_is_refused_with_the_few_that_are_most_like_it(tmp_path):
    problem = problem_of(tmp_path, ("Item", "Pack", "Packs", "Loose units"), ("bread rolls 2", 1, 3, 0))
    assert (problem.row, problem.value) == (2, "bread rolls 2")
    assert problem.mend == ("Use one of: item_2, item_12, item_20 and 27 more. What items.csv does not hold has no "
                            "place in the book: clear its line, or add its row.")


def test_a_line_names_an_item_by_name_description_alias_or_trade_number_and_never_by_what_two_share():
    items = pd.DataFrame({
        "item": ["saline", "gauze"], "description": ["Saline 5 mL", "Saline 5 mL"], "gtin": ["", "2000000010014"],
        "alias": ["NaCl; 44-17", ""],
    })
    names = Names.of(items, {"02000000010021": "saline"})
    assert [names.find(text) for text in ("saline", "EM gauze", "44-17", "2000000010014", "2000000010021")] == [
        "saline", "gauze", "saline", "gauze", "saline"]
    assert names.find("Saline 5 mL") is None


@pytest.mark.parametrize(("day_first", "day", "expires"), [(True, date(2026, 11, 5), date(2027, 4, 3)),
                                                           (False, date(2026, 5, 11), date(2027, 3, 4))])
def test_days_that_a_sheet_does_not_tell_are_read_as_the_census_writes_them(tmp_path, day_first, day, expires):
    book = Workbook()
    book.active.title = "Count"
    for row in (("Date of count:", "05.11.2026"), ("Item", "Pack", "Packs", "Expires"), ("item_1", 1, 3, "03.04.2027")):
        book.active.append(row)
    book.save(path := tmp_path / "stock-room.xlsx")
    names = Names(frozenset(ITEMS), lambda text: set())
    found = read_round(path, names, ("count",), day_first=day_first)
    assert (found.days["count"], found.rows["count"][0].expires) == (day, expires)
    assert any("has dates that were read as" in w.fault for w in found.warnings)
    with pytest.raises(InputError, match="can be read as day/month or month/day"):
        read_round(path, names, ("count",))
