"""A patient's identity stops the run, and nothing of its column is repeated; ordinary labels pass."""

from __future__ import annotations

import pytest

from kitplan.read.identity import airway_values, header_names_identity, looks_like_full_name, shelf_values
from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit

STAYS = "airway,route,tube_mm,start,end,{header}\nA001,oral,3.5,2025-03-01,2025-03-05,{value}\n"

IDENTITY_COLUMNS = [
    ("name", "Ada Quill"), ("Patient Name", "x"), ("MRN", "88"), ("mrn_no", "88"), ("Record Number", "12"),
    ("Medical record #", "12"), ("DOB", "2019-02-03"), ("date of birth", "x"), ("BirthDate", "x"), ("Address", "x"),
    ("Phone", "x"), ("telephone no", "555"), ("SSN", "1"), ("social security", "x"), ("National ID", "x"),
    ("patientID", "1"), ("Surname", "x"), ("e-mail", "x"), ("NHS number", "x"), ("hospital no", "7"),
    ("Geburtsdatum", "x"), ("apellido", "x"), ("initials", "AQ"),
    ("comment", "Ada Quill"), ("comment", "QUILL, ADA"), ("seen by", "jane pemberton"), ("bed", "someone@example.org"),
    ("bed", "943 476 5919"), ("bed", "078-05-1120"), ("bed", "12345678"),
]


@pytest.mark.parametrize(("header", "value"), IDENTITY_COLUMNS)
def test_an_identity_column_stops_the_run_and_its_values_are_not_told(header, value, unit_folder, problems_of):
    text = STAYS.format(header=header, value=f'"{value}"') + "A002,orl,3.3,,,\n"
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert problem.file == "census.csv"
    assert "patient's identity" in problem.fault
    assert "A017" in problem.mend
    assert len(value) < 3 or value not in str(problem)


@pytest.mark.parametrize("label", [
    "Ada Quill", "QUILL Ada", "Quill, A.", "1234567", "AB12345678", "ada@example.org", "03/02/2019", "2019-02-03",
    "Bo O'Hara-Quill",
])
def test_an_airway_label_that_names_a_patient_stops_the_run(label, unit_folder, problems_of):
    text = f'airway,route,tube_mm,start,end\n"{label}",oral,3.5,2025-03-01,\nA2,oral,3.5,2025-03-01,\n'
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert "airway" in str(problem)
    assert label not in str(problem)


def test_a_column_of_surnames_stops_the_run(unit_folder, problems_of):
    text = "airway,route,tube_mm,start,end\n" + "".join(
        f"{n},oral,3.5,2025-03-01,\n" for n in ("Quill", "Pemberton", "OKORO"))
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert "names" in problem.fault


@pytest.mark.parametrize("label", [
    "A017", "bed-3", "2024-017", "Bed 12", "Cot Three", "Airway 0042", "North Bay 2", "a", "7", "000123", "Oral A",
    "e7f2", "Bravo", "W-2025-00017", "Tube One",
])
def test_an_ordinary_label_passes(label):
    assert airway_values("airway", [label, "A2"], 2) == (None, ())


@pytest.mark.parametrize("header", [
    "airway", "bed", "bed number", "ward", "ventilator mode", "size", "age months", "unit", "shift", "item",
    "Weight (kg)", "number", "line", "episode",
])
def test_an_ordinary_header_passes(header):
    assert not header_names_identity(header)


@pytest.mark.parametrize("text", ["Oral two Y", "Loose tape", "No comment", "Wet, re-taped", "Skin Red", "night shift"])
def test_an_ordinary_remark_is_no_name(text):
    assert not looks_like_full_name(text)


@pytest.mark.parametrize(("header", "values"), [
    ("mode", ["Pressure Control", "Volume Control"] * 3), ("ward", ["Maple Court", "Cedar Court"] * 4),
    ("remark", ["Lip Sore", "", "", "Re-taped at night", "Wet", "ok", "Tape Lifted", "sore, weepy",
                "moved, retaped", "late"]),
])
def test_titles_that_come_again_are_no_names(header, values, unit_folder):
    rows = "".join(f'oral,3.5,{i + 1},"{v}"\n' for i, v in enumerate(values))
    assert load_unit(unit_folder({"census.csv": f"route,tube_mm,airways,{header}\n{rows}"})).n_strata == 1


def test_tables_about_stock_may_hold_item_titles_lots_and_trade_numbers(unit_folder):
    unit = load_unit(unit_folder({"on_hand.csv": (
        "item,name,packs,lot,gtin\nsaline_5ml,Saline Ampoule,2,20250131,4006381333931\n"
        "gauze_5cm_pair,Gauze Swab,1,12345678,2000000010014\n")}))
    assert unit.on_hand["lot"].tolist() == ["20250131", "12345678"]


@pytest.mark.parametrize("code", ["(01)09501101530003(17)290500(10)AB-123", "01095011015300031729050010AB123",
                                  "]C101095011015300031729050010AB123"])
def test_what_a_reader_types_of_a_pack_is_no_patient(code):
    """A GS1 element string begins with a trade item number, whose check digit is right (GS1 General Specifications)."""
    assert shelf_values("pack_code", "Pack code", [code]) == shelf_values("item", "Item", [code]) == (None, set())
    wrong = code.replace("0003", "0004", 1)
    assert shelf_values("pack_code", "Pack code", [wrong]) == (None, {wrong}), "else it may be any number"


@pytest.mark.parametrize("heading", ["Value (IDR)", "Line amount", "Unit price", "Cost", "Pack"])
def test_a_sum_of_millions_is_no_number_of_a_record(heading):
    assert shelf_values("", heading, ["1250000", "24500000"]) == (None, set())
    assert shelf_values("", "Seen", ["1250000", "24500000"])[0]


@pytest.mark.parametrize(("header", "value"), [("mrn", "1"), ("patient name", "x"), ("taken for", "Emma Quill"),
                                               ("who", "nurse@example.org")])
def test_a_patient_in_a_table_about_stock_stops_the_run(header, value, unit_folder, problems_of):
    text = f"date,item,units,{header}\n2025-03-01,saline_5ml,2,{value}\n"
    (problem,) = problems_of(unit_folder({"stock_issues.csv": text}))
    assert "patient's identity" in problem.fault


def test_a_header_that_holds_the_value_itself_is_not_repeated(unit_folder, problems_of):
    text = 'airway,route,tube_mm,start,end,"DOB 03/02/2019 Jane"\nA1,oral,3.5,2025-03-01,,x\n'
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert problem.column == "F (header not shown)"
    assert "2019" not in str(problem)
    assert "Jane" not in str(problem)


def test_a_file_without_a_header_row_is_refused_without_showing_any_of_it(unit_folder, problems_of):
    text = "Ada Quill,1234567,oral,3.5\nBo Okoro,7654321,oral,3.5\n"
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert "Quill" not in str(problem)
    assert "1234567" not in str(problem)


def test_a_name_that_slipped_into_another_column_is_refused_but_not_repeated(unit_folder, problems_of):
    text = "route,tube_mm,airways\nAda Quill,3.5,1\noral,Bo Okoro,1\n"
    problems = problems_of(unit_folder({"census.csv": text}))
    assert problems
    assert not any("Quill" in str(p) or "Okoro" in str(p) for p in problems)


def test_the_log_is_guarded_too(unit_folder, problems_of):
    log = "date,route,tube_mm,reason,patient\n2025-03-01,oral,3.5,loose,x\n"
    (problem,) = problems_of(unit_folder({"resecure_log.csv": log}))
    assert (problem.file, problem.column) == ("resecure_log.csv", "patient")


def test_identity_in_several_files_is_told_of_all_and_of_nothing_else(unit_folder, problems_of):
    problems = problems_of(unit_folder({
        "census.csv": "route,tube_mm,airways,mrn\nmouth,35,1,5\n",
        "resecure_log.csv": "date,route,tube_mm,reason,dob\n2025-03-01,oral,3.5,loose,x\n",
    }))
    assert [p.column for p in problems] == ["mrn", "dob"]


@pytest.mark.parametrize("toml", [
    'patient_name = "x"\n', '[stock]\nmrn = 5\n', 'name = "Ward 3, call 555-123-4567"\n', 'name = "Record 12345678"\n',
    '[[expect]]\nroute = "oral"\ntube_mm = 3.5\nmean_airways = 1\ndob = "x"\n', '[prefer]\ntape = "a@example.org"\n',
])
def test_identity_in_unit_toml_stops_the_run(toml, unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({"unit.toml": toml}))
    assert "patient's identity" in problem.fault
    assert "12345678" not in str(problem)


def test_the_units_own_name_is_no_identity(unit_folder):
    assert load_unit(unit_folder({"unit.toml": 'name = "Harbour Wing, 24 beds"\nmean_stay_days = 5\n'})).name


def test_an_identity_column_in_a_workbook_is_named_by_sheet(tmp_path):
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "census"
    for row in (["route", "tube_mm", "airways", "Hospital number"], ["oral", 3.5, 2, 4411]):
        book.active.append(row)
    sheet = book.create_sheet("unit")
    sheet.append(["key", "value"])
    sheet.append(["mean_stay_days", 5])
    book.save(tmp_path / "unit.xlsx")
    with pytest.raises(InputError, match=r"unit\.xlsx \[census\], column Hospital number") as caught:
        load_unit(tmp_path / "unit.xlsx")
    assert "4411" not in str(caught.value)
