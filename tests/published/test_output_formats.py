"""The files that other programs read, against the documents that define or judge such files."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date
from xml.etree import ElementTree

import pytest

from kitplan.write.book import Book, Formula
from kitplan.write.tables import safe_text, table_bytes
from kitplan.write.writer import checksum


def one_text_cell(text: str, monkeypatch: pytest.MonkeyPatch) -> str:
    import pandas as pd

    monkeypatch.setattr("kitplan.write.tables.described_columns", lambda table: {"a": "text", "b": "text"})
    return table_bytes("any", pd.DataFrame({"a": [text], "b": ["end"]})).decode().split("\n", 1)[1]


def test_quotes_commas_and_line_breaks_as_in_rfc_4180(monkeypatch):
    """RFC 4180 (October 2005), section 2, rules 6 and 7 [S: rfc-editor.org text]."""
    assert one_text_cell("b,b", monkeypatch) == '"b,b",end\n'
    assert one_text_cell('b"bb', monkeypatch) == '"b""bb",end\n'
    assert one_text_cell("b\r\nbb", monkeypatch) == '"b\r\nbb",end\n'


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\0"])
def test_characters_of_owasp_asvs_1_2_10_get_a_single_quote_in_front(first):
    """OWASP Application Security Verification Standard 5.0, requirement 1.2.10 [S: text of the requirement]."""
    assert safe_text(f"{first}1+1") == f"'{first}1+1"
    assert safe_text(f"1{first}1") == f"1{first}1"


def test_checksum_is_sha_256_as_in_fips_180_4():
    """FIPS 180-4 example "abc" (NIST, example values), from memory."""
    assert checksum(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_dates_are_written_as_in_iso_8601(monkeypatch):
    """ISO 8601 calendar date, extended format YYYY-MM-DD; common knowledge, from memory."""
    import pandas as pd

    monkeypatch.setattr("kitplan.write.tables.described_columns", lambda table: {"day": "date"})
    assert table_bytes("any", pd.DataFrame({"day": [date(2026, 3, 2)]})) == b"day\n2026-03-02\n"


def a_small_book() -> bytes:
    book = Book("Invented & unit", "USD", "0000-0000")
    page = book.page("Sums", "adds up", (10, 10))
    page.header(("A", "B"))
    page.row((2, "=1+1"), ("whole", "text"))
    page.row((3, None), ("whole", "text"))
    page.total((Formula(f"=SUM(A{page.next_row - 2}:A{page.next_row - 1})", 5), None), ("whole", "text"))
    return book.content()


def test_a_workbook_is_a_package_whose_parts_are_all_declared_and_well_formed():
    """ECMA-376 part 2 (open packaging conventions): every part has a content type; from memory."""
    with zipfile.ZipFile(io.BytesIO(a_small_book())) as package:
        assert package.testzip() is None
        types = ElementTree.fromstring(package.read("[Content_Types].xml"))
        named = {e.get("PartName", "").lstrip("/") for e in types}
        endings = {e.get("Extension") for e in types}
        for name in package.namelist():
            ElementTree.fromstring(package.read(name))
            assert name in named or name.rsplit(".", 1)[-1] in endings


def test_a_formula_keeps_its_present_value_and_text_stays_text_in_the_sheet_itself():
    """ECMA-376 part 1, 18.3.1.4 (c), 18.3.1.40 (f), 18.3.1.96 (v): a cell may carry a formula and its value; text
    of a cell of type inlineStr or s is never evaluated. From memory."""
    with zipfile.ZipFile(io.BytesIO(a_small_book())) as package:
        sheet = ElementTree.fromstring(package.read("xl/worksheets/sheet1.xml"))
    space = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
    cells = {c.get("r"): c for c in sheet.iter(f"{space}c")}
    formulas = [c for c in cells.values() if c.find(f"{space}f") is not None]
    assert [(c.find(f"{space}f").text, c.find(f"{space}v").text) for c in formulas] == [("SUM(A2:A3)", "5")]
    assert cells["B2"].get("t") in ("s", "inlineStr")


def test_the_zip_carries_no_clock_time():
    """Zip times are local and start on 1 January 1980 (PKWARE APPNOTE, from memory): a fixed one makes bytes repeat."""
    with zipfile.ZipFile(io.BytesIO(a_small_book())) as package:
        assert {i.date_time for i in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_a_table_is_read_back_the_same_by_the_standard_reader(monkeypatch):
    """Python's csv reader in its default dialect, as an independent reader."""
    for text in ("plain", "a,b", 'say "x"', "two\nlines", " spaces "):
        row = next(csv.reader(io.StringIO(one_text_cell(text, monkeypatch), newline="")))
        assert row == [text, "end"]
