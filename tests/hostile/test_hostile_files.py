"""Files made to harm: they are refused or read, in seconds and in little memory."""

from __future__ import annotations

import io
import os
import zipfile

import pytest
from openpyxl import Workbook, load_workbook

from .conftest import CENSUS, UNIT, read_ends_well


def workbook(changes: dict[str, list[list[object]]] | None = None) -> bytes:
    """A unit as one workbook; sheets of `changes` replace or add to the clean ones."""
    book = Workbook()
    book.remove(book.active)
    sheets: dict[str, list[list[object]]] = {
        "unit": [["key", "value"], ["name", "Test unit"], ["mean_stay_days", 5]],
        "census": [["route", "tube_mm", "airways"], ["oral", 3.5, 4], ["nasal", 4, 1]],
    }
    for name, rows in (sheets | (changes or {})).items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def with_part(content: bytes, name: str, part: bytes, *, replace: bool = False) -> bytes:
    """The workbook with one more (or another) part inside."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            if not (replace and entry.filename == name):
                new.writestr(entry, old.read(entry))
        new.writestr(name, part)
    return out.getvalue()


def read_workbook(tmp_path, content):
    path = tmp_path / "unit.xlsx"
    path.write_bytes(content)
    return read_ends_well(path)


def test_the_clean_unit_and_workbook_are_read(a_unit, tmp_path):
    assert read_ends_well(a_unit()) is None
    assert read_workbook(tmp_path, workbook()) is None


def test_a_workbook_that_unpacks_to_gigabytes(tmp_path):
    sheet = "xl/worksheets/sheet2.xml"
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(workbook())) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.infolist():
            if entry.filename != sheet:
                new.writestr(entry, old.read(entry))
        with new.open(sheet, "w", force_zip64=True) as part:
            block = b" " * 20_000_000
            for _ in range(60):
                part.write(block)
    error = read_workbook(tmp_path, out.getvalue())
    assert error is not None
    assert "unpacks" in str(error)


def test_a_workbook_that_lies_about_its_sizes(tmp_path):
    """The directory says 10 bytes, the part holds 60 MB: what is read is bounded by what is unpacked."""
    sheet = (
        b"<worksheet xmlns='http://schemas.openxmlformats.org/spreadsheetml/2006/main'><sheetData>"
        + b" " * 60_000_000
    )
    content = bytearray(with_part(workbook(), "xl/worksheets/sheet2.xml", sheet, replace=True))
    size = (len(sheet)).to_bytes(4, "little")
    for at in range(len(content)):
        if content[at : at + 4] == size:
            content[at : at + 4] = (10).to_bytes(4, "little")
    assert read_workbook(tmp_path, bytes(content)) is not None


@pytest.mark.parametrize(
    ("name", "part"),
    [
        ("xl/vbaProject.bin", b"\xd0\xcf\x11\xe0" * 10),
        ("xl/externalLinks/externalLink1.xml", b"<externalLink/>"),
        ("xl/media/image1.png", b"\x89PNG" + bytes(1000)),
        ("../../outside.xml", b"<a/>"),
        ("/absolute.xml", b"<a/>"),
        ("xl/embeddings/object.bin", bytes(5000)),
    ],
)
def test_a_workbook_with_a_part_that_does_not_belong(tmp_path, name, part):
    read_workbook(tmp_path, with_part(workbook(), name, part))
    assert sorted(p.name for p in tmp_path.iterdir()) == ["unit.xlsx"]
    assert not (tmp_path.parent / "outside.xml").exists()


@pytest.mark.parametrize(
    "part",
    [
        b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b 'bbbbbbbbbb'><!ENTITY c '&b;&b;&b;&b;&b;&b;&b;&b;'>]><a>&c;</a>",
        b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY f SYSTEM 'file:///etc/passwd'>]><a>&f;</a>",
        b"<a>" * 50_000,
        b"\xff\xfe<\x00a\x00>\x00",
        b"",
        b"not xml",
    ],
)
@pytest.mark.parametrize(
    "name", ["xl/workbook.xml", "xl/sharedStrings.xml", "xl/worksheets/sheet2.xml", "xl/styles.xml"]
)
def test_a_workbook_with_a_poisoned_part(tmp_path, name, part):
    error = read_workbook(tmp_path, with_part(workbook(), name, part, replace=True))
    if error is not None:
        assert "root:" not in str(error)


@pytest.mark.parametrize(
    "formula", ["=4", '=HYPERLINK("http://a.invalid","4")', '=WEBSERVICE("http://a.invalid")', "=A1:A9"]
)
def test_a_formula_where_a_number_belongs_is_named_and_not_guessed(tmp_path, formula):
    error = read_workbook(
        tmp_path, workbook({"census": [["route", "tube_mm", "airways"], ["oral", 3.5, formula]]})
    )
    assert error is not None
    assert any(p.row == 2 and p.column == "airways" for p in error.problems)


def test_numbers_of_a_workbook_that_are_none(tmp_path):
    for value in (1e308, -1e308, 10**30, True, "NaN", "#REF!"):
        error = read_workbook(
            tmp_path, workbook({"census": [["route", "tube_mm", "airways"], ["oral", 3.5, value]]})
        )
        assert error is not None, value


def test_a_sheet_wider_and_longer_than_any_table(tmp_path):
    book = load_workbook(io.BytesIO(workbook()))
    book["census"].cell(1, 16_384, "far")
    book["census"].cell(1_048_576, 1, "deep")
    out = io.BytesIO()
    book.save(out)
    read_workbook(tmp_path, out.getvalue())


LONG = 1_000_000


@pytest.mark.parametrize(
    "content",
    [
        ",".join(["route"] * LONG) + "\n" + ",".join(["oral"] * LONG) + "\n",
        "route,tube_mm,airways\noral,3.5," + "9" * 5_000_000 + "\n",
        "route,tube_mm,airways\n" + '"' + "x" * 3_000_000,
        "route,tube_mm,airways\n" + "\n" * 2_000_000 + "oral,3.5,4\n",
        "route,tube_mm,airways\n" + "oral,sideways,4\n" * 100_000,
        "route,tube_mm,airways\n" + "".join(f"route{k},3.5,4\n" for k in range(60_000)),
        "route,tube_mm,airways\noral,3.5,4\n" + ";" * LONG + "\n",
    ],
    ids=[
        "a million columns",
        "five million digits",
        "an endless quote",
        "two million blank rows",
        "a hundred thousand faults",
        "sixty thousand routes",
        "a million separators",
    ],
)
def test_a_census_without_end(a_unit, content):
    read_ends_well(a_unit({"census.csv": content}))


@pytest.mark.parametrize(
    "toml",
    [
        "a = " + "[" * 20_000 + "]" * 20_000,
        "a = " + "{b=" * 5_000 + "1" + "}" * 5_000,
        ".".join(["a"] * 20_000) + " = 1",
        "[" + ".".join(["a"] * 5_000) + "]\n",
        "\n".join(f"k{n} = 1" for n in range(5_000)),
        "name = " + '"' + "x" * 900_000 + '"',
        "name = '''" + "\n" * 500_000,
        "mean_stay_days = " + "9" * 5_000,
        "mean_stay_days = 0x" + "f" * 5_000,
        UNIT + "[[expect]]\n" * 5_000,
    ],
    ids=[
        "nested lists",
        "nested tables",
        "dotted keys",
        "dotted header",
        "many keys",
        "long text",
        "open text",
        "many digits",
        "many hex digits",
        "many blocks",
    ],
)
@pytest.mark.parametrize("file", ["unit.toml", "techniques.toml", "resecure.toml", "policy.toml"])
def test_settings_without_end(a_unit, file, toml):
    if file == "unit.toml" or not toml.startswith(UNIT):
        read_ends_well(a_unit({file: toml}))


def test_a_named_pipe_does_not_hang(a_unit):
    folder = a_unit()
    (folder / "census.csv").unlink()
    os.mkfifo(folder / "census.csv")
    error = read_ends_well(folder)
    assert error is not None


@pytest.mark.parametrize(
    "target", ["/dev/zero", "/dev/random", "/etc/passwd", "census.csv", "nowhere", "..", "."]
)
def test_a_link_in_place_of_a_file(a_unit, target):
    folder = a_unit()
    (folder / "census.csv").unlink()
    (folder / "census.csv").symlink_to(target)
    error = read_ends_well(folder)
    assert error is not None
    assert "root:" not in str(error)


def test_a_folder_in_place_of_a_file(a_unit):
    folder = a_unit()
    (folder / "unit.toml").unlink()
    (folder / "unit.toml").mkdir()
    assert read_ends_well(folder) is not None


@pytest.mark.parametrize("name", ["nul\x00byte", "x" * 5000, "a/../../../etc", "/dev/null", "", "."])
def test_paths_that_are_none(a_unit, name):
    from pathlib import Path

    from kitplan.read.problems import InputError
    from kitplan.read.unit import load_unit

    with pytest.raises(InputError):
        load_unit(
            Path(a_unit() / name) if name not in ("/dev/null", "", ".") else Path(name or "no-such-folder")
        )


def test_text_that_turns_around_or_rings_is_shown_harmless(a_unit):
    error = read_ends_well(a_unit({"census.csv": CENSUS.replace("oral", "\u202eoral\x07\x1b[31m")}))
    assert error is not None
    from kitplan.commands.common import printable

    shown = printable(str(error))
    assert "\x1b" not in shown
    assert "\x07" not in shown
    assert "\u202e" not in shown


def test_a_misspelt_setting_of_the_units_own_policy_is_named_and_a_plain_one_is_used(a_unit):
    from kitplan.read.unit import load_unit

    error = read_ends_well(a_unit({"policy.toml": "[planning]\nscenaros = 800\n"}))
    assert error is not None
    assert "planning.scenarios" in str(error)
    assert load_unit(a_unit({"policy.toml": "[planning]\nscenarios = 800\n"})).planning.scenarios == 800
