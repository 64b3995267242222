"""Every file is guarded alike against patients' identities, heading by heading and value by value.

Three ends: what identifies a patient stops the run, what cannot be told is a warning that shows no value, and what
is ordinary passes. Patterns: common practice, no source; all names and numbers are invented.
"""

from __future__ import annotations

import pytest

from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.resources import config_file

NAME, NUMBER, SPACED, MAIL = "Emma Quill", "4125559913", "943 476 5919", "emma.quill@example.org"
BORN = "1961-07-14"

STAYS = "airway,route,tube_mm,start,end,{0}\nA001,oral,3.5,2025-03-01,2025-03-05,{1}\nA002,oral,4.0,2025-03-02,,{1}\n"
COUNTS = "date,route,tube_mm,airways,{0}\n2025-03-01,oral,3.5,2,{1}\n2025-03-02,oral,3.5,3,{1}\n"
LOG = "date,route,tube_mm,reason,{0}\n2025-03-01,oral,3.5,loose,{1}\n2025-03-02,oral,3.5,loose,{1}\n"
ISSUES = "date,item,units,{0}\n2025-03-01,saline_5ml,2,{1}\n"
PAR = "item,par_packs,{0}\nsaline_5ml,2,{1}\n"
ON_HAND = "item,packs,{0}\nsaline_5ml,2,{1}\n"
ITEMS = config_file("items.csv").read_text(encoding="utf-8")
FACE = config_file("face.csv").read_text(encoding="utf-8")
TUBES = config_file("tubes.csv").read_text(encoding="utf-8")


def with_column(table: str, header: str, value: str) -> str:
    head, *rows = table.strip().split("\n")
    return "\n".join([f"{head},{header}", *(f"{row},{value}" for row in rows)]) + "\n"


def tables(header: str, value: str) -> list[tuple[str, str]]:
    """Every table that a unit may hold, with one column more."""
    value = f'"{value}"'
    return [("census.csv", STAYS.format(header, value)), ("resecure_log.csv", LOG.format(header, value)),
            ("stock_issues.csv", ISSUES.format(header, value)), ("present_par.csv", PAR.format(header, value)),
            ("on_hand.csv", ON_HAND.format(header, value)), ("items.csv", with_column(ITEMS, header, value)),
            ("face.csv", with_column(FACE, header, value)), ("tubes.csv", with_column(TUBES, header, value))]


HEADINGS = [(file, text) for header in ("MRN", "patient_name", "DOB") for file, text in tables(header, "7")]
VALUES = [(file, text, value) for value in (NAME, NUMBER, SPACED, MAIL) for file, text in tables("note", value)]


@pytest.mark.parametrize(("file", "text"), HEADINGS)
def test_a_heading_that_says_identity_stops_the_run_in_every_file(file, text, unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({file: text}))
    assert (problem.file, problem.column) in [(file, h) for h in ("MRN", "patient_name", "DOB")]
    assert "its header says so" in problem.fault


@pytest.mark.parametrize(("file", "text", "value"), VALUES)
def test_a_name_a_number_or_an_address_stops_the_run_in_every_file(file, text, value, unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({file: text}))
    assert problem.file == file
    assert "patient's identity" in problem.fault
    assert value not in str(problem)


BIRTHS = [("census.csv", STAYS), ("census.csv", COUNTS), ("resecure_log.csv", LOG)]


@pytest.mark.parametrize(("file", "text"), BIRTHS)
@pytest.mark.parametrize("value", [BORN, "14/07/1961", "14.07.1961", "14 July 1961"])
def test_days_of_birth_under_a_neutral_heading_stop_the_run(file, text, value, unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({file: text.format("ref", value)}))
    assert "dates of birth" in problem.fault
    assert value not in str(problem)


@pytest.mark.parametrize(("file", "text"), BIRTHS)
def test_days_that_may_be_a_newborns_birth_are_a_warning_without_the_value(file, text, unit_folder):
    unit = load_unit(unit_folder({file: text.format("ref", "2025-02-27")}))
    (warning,) = [w for w in unit.warnings if w.column == "ref" and "day of birth" in w.fault]
    assert "2025-02-27" not in "".join(map(str, unit.warnings))
    assert warning.row == 2


LABELS = ["MRN 4711", "mrn4711", "NHS-99321", "H880412", "AQ-880412", "880412", "W4125559913", NUMBER, NAME, "Emma",
          "emma", "03.02.2019", "Q. Pemberton-Hale"]


@pytest.mark.parametrize("label", LABELS)
@pytest.mark.parametrize("file", ["census.csv", "resecure_log.csv"])
def test_a_label_that_carries_a_record_number_a_name_or_a_birthday_stops_the_run(
    label, file, unit_folder, problems_of
):
    text = {"census.csv": f'airway,route,tube_mm,start\n"{label}",oral,3.5,2025-03-01\nA2,oral,3.5,2025-03-01\n',
            "resecure_log.csv": f'date,airway,reason\n2025-03-01,"{label}",loose\n2025-03-01,A2,loose\n'}[file]
    (problem,) = problems_of(unit_folder({file: text}))
    assert "patient's identity" in problem.fault
    assert label not in str(problem)


@pytest.mark.parametrize("label", ["Q41299", "bed 51877"])
def test_a_label_that_cannot_be_told_from_a_record_number_is_a_warning_without_it(label, unit_folder):
    text = f"airway,route,tube_mm,start\n{label},oral,3.5,2025-03-01\nA2,oral,3.5,2025-03-01\n"
    unit = load_unit(unit_folder({"census.csv": text}))
    assert any("number" in w.fault and w.column == "airway" for w in unit.warnings)
    assert label not in "".join(map(str, unit.warnings))


def test_labels_dealt_one_after_the_other_are_no_record_numbers(unit_folder):
    rows = "".join(f"A{100_000 + i},oral,3.5,2025-03-01,2025-03-02\n" for i in range(20))
    unit = load_unit(unit_folder({"census.csv": "airway,route,tube_mm,start,end\n" + rows}))
    assert not any(w.column == "airway" for w in unit.warnings)


TYPED = [
    ("present_par.csv", 'item,par_packs\n"{0}",2\n'), ("on_hand.csv", 'item,packs\n"{0}",2\n'),
    ("stock_issues.csv", 'date,item,units\n2025-03-01,"{0}",2\n'),
    ("census.csv", 'route,tube_mm,airways\n"{0}",3.5,2\n'),
    ("resecure_log.csv", 'date,route,tube_mm,reason\n2025-03-01,oral,3.5,"{0}"\n'),
]


@pytest.mark.parametrize(("file", "text"), TYPED)
@pytest.mark.parametrize("value", [NAME, NUMBER, MAIL])
def test_an_identity_typed_where_an_item_or_a_word_belongs_stops_the_run_and_is_not_repeated(
    file, text, value, unit_folder, problems_of
):
    problems = problems_of(unit_folder({file: text.format(value)}))
    assert all("patient's identity" in p.fault for p in problems)
    assert value not in "".join(map(str, problems))


@pytest.mark.parametrize(("file", "text"), TYPED)
def test_a_surname_typed_where_an_item_or_a_word_belongs_is_a_fault_that_does_not_repeat_it(
    file, text, unit_folder, problems_of
):
    problems = problems_of(unit_folder({file: text.format("Bo Okoro")}))
    assert "Okoro" not in "".join(map(str, problems))


@pytest.mark.parametrize(("file", "text"), [
    ("present_par.csv", f"item,par_packs\nsaline_5ml,{NUMBER}\n"),
    ("on_hand.csv", f"item,packs\nsaline_5ml,{NUMBER}\n"),
    ("stock_issues.csv", f"date,item,units\n2025-03-01,saline_5ml,{NUMBER}\n"),
    ("stock_issues.csv", "date,item,units\n2025-03-01,saline_5ml,4125559\n"),
    ("census.csv", f"route,tube_mm,airways\noral,3.5,{NUMBER}\n"),
])
def test_a_record_number_typed_as_a_quantity_is_refused_and_not_repeated(file, text, unit_folder, problems_of):
    problems = problems_of(unit_folder({file: text}))
    assert NUMBER not in "".join(map(str, problems))
    assert "4125559" not in "".join(map(str, problems))


@pytest.mark.parametrize(("old", "new"), [("saline_5ml,", "Emma Quill,"), ("saline_5ml,", "emma quill,")])
def test_a_person_in_the_catalogue_stops_the_run(old, new, unit_folder, problems_of):
    assert old in ITEMS
    (problem,) = problems_of(unit_folder({"items.csv": ITEMS.replace(old, new, 1)}))
    assert "quill" not in str(problem).casefold()


@pytest.mark.parametrize("name", ["Bo Okoro", "4125559913"])
def test_what_a_catalogue_could_hold_is_a_warning_that_shows_no_value(name, unit_folder):
    row = next(line for line in ITEMS.splitlines() if line.startswith("saline_5ml,"))
    unit = load_unit(unit_folder({"items.csv": ITEMS + row.replace("saline_5ml", name, 1) + "\n"}))
    assert any("may be a patient's name" in w.fault and w.file == "items.csv" for w in unit.warnings)
    assert name not in "".join(map(str, unit.warnings))


SETTINGS = [
    ("unit.toml", 'patient = "x"\n'), ("unit.toml", 'name = "Ward of 4125559913"\n'),
    ("unit.toml", "[prefer]\n'Emma Quill' = 'x'\n"),
    ("techniques.toml", '[oral_two_y]\ntitle = "for 4125559913"\nroutes = ["oral"]\n[oral_two_y.uses]\ngauze = 1\n'),
    ("techniques.toml", '["Emma Quill"]\nroutes = ["oral"]\n'), ("policy.toml", 'mrn = 1\n'),
    ("resecure.toml", 'note = "ask emma.quill@example.org"\n'), ("class.toml", 'learners = 2\ntitle = "4125559913"\n'),
    ("class.toml", "learners = 2\n[have]\n'Emma Quill' = 1\n"), ("class.toml", 'learners = 2\n[learner]\nname = "x"\n'),
]


@pytest.mark.parametrize(("file", "text"), SETTINGS)
def test_settings_are_guarded_as_tables_are(file, text, unit_folder, problems_of):
    problems = problems_of(unit_folder({file: text}))
    assert all("patient's identity" in p.fault for p in problems), [str(p) for p in problems]
    for value in ("4125559913", "Quill", "quill"):
        assert value not in "".join(map(str, problems))


def test_a_place_called_after_a_person_is_a_warning_that_shows_no_value(unit_folder):
    unit = load_unit(unit_folder({"unit.toml": 'name = "Emma Quill"\nmean_stay_days = 5\n'}))
    (warning,) = [w for w in unit.warnings if "person's name" in w.fault]
    assert "Quill" not in str(warning)


ORDINARY = [
    ("on_hand.csv", "item,packs,lot,gtin\nsaline_5ml,2,20250131,4006381333931\n"),
    ("stock_issues.csv", "date,item,units,order number,received\n2025-03-01,saline_5ml,2,4500123456,2025-03-04\n"),
    ("stock_issues.csv", "date,item,units,ward\n2025-03-01,saline_5ml,2,Victoria Ward\n"),
    ("census.csv", "airway,route,tube_mm,start,bed\nA1,oral,3.5,2025-03-01,North Bay 2\n"),
    ("unit.toml", 'name = "Prince Charles Hospital, unit 4"\nmean_stay_days = 5\n'),
    ("class.toml", 'learners = 2\ntitle = "Spring class"\n[[practice]]\ntechnique = "oral_two_y"\ntube_mm = 3.5\n'
     '[[durable]]\nname = "infant manikin"\n'),
]


@pytest.mark.parametrize(("file", "text"), ORDINARY)
def test_what_is_ordinary_passes_in_silence(file, text, unit_folder):
    unit = load_unit(unit_folder({file: text}))
    assert not [w for w in (*unit.warnings, *unit.faults) if "may be" in w.fault or "identity" in w.fault]


def test_the_counted_workbook_is_guarded_too(tmp_path, small_unit):
    from kitplan.read.round_sheets import Names, read_round

    path = tmp_path / "count.csv"
    path.write_text(f"item,packs,note\n{small_unit.items['item'].iloc[0]},2,{NUMBER}\n")
    with pytest.raises(InputError, match="patient's identity") as caught:
        read_round(path, Names(frozenset(small_unit.items["item"]), lambda text: set()), ("count",))
    assert NUMBER not in str(caught.value)
