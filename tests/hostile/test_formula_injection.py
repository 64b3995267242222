"""Text from inputs that a spreadsheet could take for a formula goes out as text, in every sheet and every table."""

from __future__ import annotations

import csv
import io
import re

import pytest
from openpyxl import load_workbook

from kitplan.outputs import plan_files
from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from kitplan.resources import config_file, sample_units

MARK = "KPX"
STARTS = [
    "=",
    "+",
    "-",
    "@",
    "\t=",
    "\r=",
    "＝",
    "|",
    "%",
    "=cmd|' /C calc'!A0 ",
    '=HYPERLINK("http://a.invalid","x") ',
]
ACTING = re.compile(r"[=+\-@\t\r＝＋－＠]")


def hostile_catalogue() -> str:
    """The shipped catalogue with a hostile start in every free text column."""
    rows = list(csv.DictReader(io.StringIO(config_file("items.csv").read_text(encoding="utf-8"))))
    for number, row in enumerate(rows):
        start = STARTS[number % len(STARTS)]
        row["description"] = f"{start}{MARK} {row['description']}"
        row["bin"] = f"{start}{MARK}"
        row["provenance"] = f"{start}{MARK}"
        if row["item"] == "saline_5ml":
            row["item"] = f"=1+{MARK}"
        if row["item"] == "gauze_5cm_pair":
            row["item"] = f"@{MARK}"
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> dict[str, bytes]:
    """Everything that a plan of a unit full of hostile text writes."""
    folder = tmp_path_factory.mktemp("hostile")
    sample = sample_units()["mill_lane"]
    for file in sample.iterdir():
        if file.is_file():
            (folder / file.name).write_bytes(file.read_bytes())
    (folder / "items.csv").write_text(hostile_catalogue(), encoding="utf-8")
    (folder / "present_par.csv").write_text(f"item,par_packs\n=1+{MARK},2\n@{MARK},1\nmask_50mm,1\n")
    (folder / "on_hand.csv").write_text(
        f"item,packs,loose_units,expires,lot\n=1+{MARK},1,3,2027-01-01,=L{MARK}\n"
    )
    recipes = config_file("techniques.toml").read_text(encoding="utf-8")
    recipes = recipes.replace('title = "Oral, two Y pieces"', f'title = "=2+{MARK}"')
    recipes = recipes.replace('use = "clean surface"', f'use = "+{MARK}"').replace(
        'provenance = "', f'provenance = "={MARK} '
    )
    (folder / "techniques.toml").write_text(recipes, encoding="utf-8")
    toml = (folder / "unit.toml").read_text(encoding="utf-8")
    toml = re.sub(r"^name = .*$", f'name = "=3+{MARK}"', toml, flags=re.M)
    toml = re.sub(r"^saline = .*$|^gauze = .*$", "", toml, flags=re.M)
    (folder / "unit.toml").write_text(toml, encoding="utf-8")
    return plan_files(plan_unit(load_unit(folder)))


def test_the_hostile_text_is_there(files):
    assert MARK.encode() in files["tables/par_levels.csv"]
    books = [load_workbook(io.BytesIO(content)) for name, content in files.items() if name.endswith(".xlsx")]
    found = {
        sheet.title for book in books for sheet in book for row in sheet.iter_rows() for cell in row
        if MARK in str(cell.value)
    }
    assert len(found) >= 3


def test_no_cell_of_any_workbook_is_a_formula_made_of_input_text(files):
    for name, content in files.items():
        if name.endswith(".xlsx"):
            for sheet in load_workbook(io.BytesIO(content)):
                for row in sheet.iter_rows():
                    for cell in row:
                        assert not (cell.data_type == "f" and MARK in str(cell.value)), (
                            name,
                            sheet.title,
                            cell.coordinate,
                        )
                        assert cell.hyperlink is None or not cell.hyperlink.target, (
                            name,
                            sheet.title,
                            cell.coordinate,
                        )


def test_no_cell_of_any_table_begins_like_a_formula_unless_it_is_a_number(files):
    for name, content in files.items():
        if name.endswith(".csv"):
            for row in csv.reader(io.StringIO(content.decode("utf-8"))):
                for cell in row:
                    harmless = (
                        not ACTING.match(cell) or re.fullmatch(r"-?\d+(\.\d+)?", cell) or cell == "-inf"
                    )
                    assert harmless, (name, cell)


def test_a_name_of_a_sheet_or_a_file_is_never_input_text(files):
    assert not [name for name in files if MARK in name]
    book = load_workbook(io.BytesIO(files["stock-room.xlsx"]))
    assert not [title for title in book.sheetnames if MARK in title]
    assert not [name for name in book.defined_names if MARK in name]


def test_validations_and_conditions_hold_no_input_text(files):
    for sheet in load_workbook(io.BytesIO(files["stock-room.xlsx"])):
        for rule in sheet.data_validations.dataValidation:
            assert MARK not in f"{rule.formula1}{rule.formula2}"
        for ranges in sheet.conditional_formatting:
            assert not [r for r in ranges.rules if MARK in str(r.formula)]
