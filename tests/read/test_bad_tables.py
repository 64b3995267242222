"""One bad table a fault: each is refused with its place, the value and the mend; never with a traceback."""

from __future__ import annotations

import pytest

from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.resources import config_file

COUNTS = "route,tube_mm,airways\n"
DATED = "date,route,tube_mm,airways\n"
STAYS = "airway,route,tube_mm,start,end\n"

CENSUS_FAULTS = [
    # what is wrong, census, row, column, words of the fault or mend
    ("text in a number column", COUNTS + "oral,big,2\n", 2, "tube_mm", "not a number"),
    ("a negative count", COUNTS + "oral,3.5,2\noral,4.0,-1\n", 3, "airways", "below 0"),
    ("half an airway", COUNTS + "oral,3.5,1.5\n", 2, "airways", "whole number"),
    ("only zero counts", COUNTS + "oral,3.5,0\n", None, "airways", "counts nothing"),
    ("an impossible size", COUNTS + "oral,35,2\n", 2, "tube_mm", "not a tube size"),
    ("size zero", COUNTS + "oral,0,2\n", 2, "tube_mm", "above 0"),
    ("a size off the grid", COUNTS + "oral,3.3,2\n", 2, "tube_mm", "between tube sizes"),
    ("an unknown route", COUNTS + "orla,3.5,2\n", 2, "route", "'oral'"),
    ("an unknown technique", "route,tube_mm,airways,technique\noral,3.5,2,oral_two_x\n", 2, "technique", "oral_two_y"),
    ("a technique of another route", "route,tube_mm,airways,technique\noral,3.5,2,nasal_two_y\n", 2, "technique",
     "does not serve"),
    ("an unknown skin", "route,tube_mm,airways,skin\noral,3.5,2,barier\n", 2, "skin", "'barrier'"),
    ("an empty needed cell", COUNTS + "oral,,2\n", 2, "tube_mm", "is empty"),
    ("not a number at all", COUNTS + "oral,nan,2\n", 2, "tube_mm", "finite"),
    ("infinity", COUNTS + "oral,3.5,inf\n", 2, "airways", "finite"),
    ("a huge number", COUNTS + "oral,3.5,1e308\n", 2, "airways", "too large"),
    ("more airways than a hospital has", COUNTS + "oral,3.5,100000\n", 2, "airways", "above 2,000"),
    ("a spreadsheet error", COUNTS + "oral,#REF!,2\n", 2, "tube_mm", "spreadsheet error"),
    ("another unit in the cell", COUNTS + "oral,14 fr,2\n", 2, "tube_mm", "mm belongs"),
    ("another unit in the header", "route,tube_mm [cm],airways\noral,3.5,2\n", 1, "tube_mm", "Convert"),
    ("a control character", COUNTS + "or\x07al,3.5,2\n", 2, "route", "control"),
    ("weight of a whale", "route,tube_mm,airways,patient_kg\noral,3.5,2,3200\n", 2, "patient_kg", "above 400"),
    ("a thousand or one and a bit", COUNTS + '"oral",3.5,"1,234"\n', 2, "airways", "two ways"),
    ("a thousand or one, with a point", COUNTS + "oral,3.5,1.000\n", 2, "airways", "two ways"),
    ("commas and points mixed", 'route;tube_mm;airways;patient_kg\noral;3,5;1;1.234\noral;4,0;1;"1.234,5"\n', 2,
     "patient_kg", "two ways"),
    ("an unquoted decimal comma", COUNTS + "oral,3,5,2\n", 2, None, "beyond the last header"),
    ("a misspelt needed column", "route,tube_nm,airways\noral,3.5,2\n", None, "tube_nm", "'tube_mm'"),
    ("a missing column", "route,airways\noral,2\n", None, "tube_mm", "is missing"),
    ("a column twice", "route,tube_mm,airways,route\noral,3.5,2,oral\n", 1, "route", "twice"),
    ("no header", "oral,3.5,2\nnasal,4.0,1\n", None, None, "no header"),
    ("only a header", COUNTS, None, None, "no rows"),
    ("both shapes at once", "airway,route,tube_mm,start,end,airways\nA1,oral,3.5,2025-01-01,,1\n", None, None,
     "shapes"),
    ("a date that does not exist", DATED + "2025-02-30,oral,3.5,2\n2025-03-01,oral,3.5,2\n", 2, "date", "not exist"),
    ("a date in words of no language", DATED + "soon,oral,3.5,2\n2025-03-01,oral,3.5,2\n", 2, "date", "not a date"),
    ("a spreadsheet's day number", DATED + "45658,oral,3.5,2\n", 2, "date", "number where a date"),
    ("a date of another century", DATED + "1925-02-03,oral,3.5,2\n", 2, "date", "1990 to 2100"),
    ("dates that can be read two ways", DATED + "03/04/2025,oral,3.5,2\n04/05/2025,oral,3.5,2\n", 2, "date",
     "day/month or month/day"),
    ("both orders of dates", DATED + "13/04/2025,oral,3.5,2\n04/25/2025,oral,3.5,2\n", 2, "date", "both"),
    ("a date left out", DATED + "2025-03-01,oral,3.5,2\n,oral,3.5,2\n", 3, "date", "is empty although"),
    ("a century of counts", DATED + "2025-03-01,oral,3.5,2\n1995-03-01,oral,3.5,2\n", None, "date", "20 years"),
    ("an end before the start", STAYS + "A1,oral,3.5,2025-03-05,2025-03-01\n", 2, "end", "before start"),
    ("a stay without a start", STAYS + "A1,oral,3.5,,2025-03-01\n", 2, "start", "is empty"),
    ("one airway in two places", STAYS + "A1,oral,3.5,2025-03-01,2025-03-09\nA1,oral,3.5,2025-03-05,2025-03-12\n", 3,
     "airway", "two stays"),
    ("open ends that overlap", STAYS + "A1,oral,3.5,2025-03-01,\nA1,oral,4.0,2025-03-05,\n", 3, "airway", "two stays"),
    ("an unreadable end", STAYS + "A1,oral,3.5,2025-03-01,later\n", 2, "end", "not a date"),
    ("an end that says none", STAYS + "A1,oral,3.5,2025-03-01,-\n", 2, "end", "Leave the cell empty"),
    ("a quotation mark never closed", COUNTS + '"oral,3.5,2\n' + "nasal,4.0,1\n" * 9000, None, None, "quotation mark"),
    ("an empty file", "", None, None, "is empty"),
    ("a file of blanks", "\n ,,\n\n", None, None, "is empty"),
    ("a picture", b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20, None, None, "not a text file"),
    ("a workbook named csv", b"PK\x03\x04" + bytes(100), None, None, "workbook"),
    ("two hundred columns and more", ",".join(["route", "tube_mm", "airways"] + [f"x{i}" for i in range(300)]) + "\n"
     + ",".join(["oral", "3.5", "1"] + ["1"] * 300) + "\n", None, None, "columns"),
]


@pytest.mark.parametrize(("census", "row", "column", "words"), [c[1:] for c in CENSUS_FAULTS],
                         ids=[c[0] for c in CENSUS_FAULTS])
def test_a_bad_census_is_refused_with_its_place_and_the_mend(census, row, column, words, unit_folder, problems_of):
    problems = problems_of(unit_folder({"census.csv": census}))
    told = [p for p in problems if words in p.fault or words in p.mend]
    assert told, "\n".join(map(str, problems))
    assert told[0].file == "census.csv"
    assert row is None or told[0].row == row
    assert column is None or told[0].column == column
    assert told[0].mend.endswith((".", "?"))


ITEMS = "item,role,scope,pack,price,litres,contains,fits_from_mm,fits_to_mm,width_mm,length_mm,share,gtin,critical\n"
GOOD = ("tape,tape,patient,10,9,1,1,,,25,1370,,,\nglove,gloves,event,100,9,1,1,,,,,,,\n"
        "prep,prep_wipe,event,10,1,1,1,,,,,,,\nremove,remover_wipe,event,10,1,1,1,,,,,,,\n"
        "saline,saline,event,10,1,1,5,,,,,,,\ngauze,gauze,event,10,1,1,1,,,,,,,\nstick,applicator,event,10,1,1,1,,,,,,,\n"
        "wipe,surface_wipe,event,10,1,1,1,,,,,,,\nscissors,scissors,unit,1,1,1,1,,,,,,,\n"
        "mask,mask,patient,1,1,1,1,,,,,,,yes\nbag,bag,patient,1,1,1,1,,,,,,,yes\n")

ITEM_FAULTS = [
    ("no packs", "x,tape,patient,0,9,1,1,,,25,1370,,,\n", "pack", "below 1"),
    ("part of a pack", "x,tape,patient,2.5,9,1,1,,,25,1370,,,\n", "pack", "whole number"),
    ("a negative price", "x,tape,patient,1,-9,1,1,,,25,1370,,,\n", "price", "below 0"),
    ("no volume", "x,tape,patient,1,9,-1,1,,,25,1370,,,\n", "litres", "below 0"),
    ("holds nothing", "x,saline,event,1,9,1,0,,,,,,,\n", "contains", "above 0"),
    ("an item twice", "Tape,tape,patient,1,9,1,1,,,25,1370,,,\n", "item", "second item"),
    ("an unknown scope", "x,tape,patent,1,9,1,1,,,25,1370,,,\n", "scope", "'patient'"),
    ("sizes exchanged", "x,mask,patient,1,9,1,1,7,3,,,,,yes\n", "fits_to_mm", "smaller"),
    ("a tape without length", "x,tape,patient,1,9,1,1,,,25,,,,\n", "length_mm", "empty for a tape"),
    ("shares that do not add up", "x,gloves,event,1,9,1,1,,,,,0.4,,\n", "share", "adds up"),
    ("a shared box counted as one item", "x,gloves,unit,1,9,1,100,,,,,0.4,,\ny,gloves,event,1,9,1,1,,,,,0.6,,\n",
     "scope", "item with a share"),
    ("a shared item of several uses", "x,gloves,event,1,9,1,2,,,,,0.4,,\ny,gloves,event,1,9,1,1,,,,,0.6,,\n",
     "contains", "item with a share"),
    ("a wrong check digit", "x,ties,event,1,9,1,1,,,,,,4006381333932,\n", "gtin", "check digit"),
    ("a number shortened by a spreadsheet", "x,ties,event,1,9,1,1,,,,,,4.00638E+12,\n", "gtin", "shortened"),
    ("a flag that is neither", "x,ties,event,1,9,1,1,,,,,,,maybe\n", "critical", "yes or no"),
]


@pytest.mark.parametrize(("line", "column", "words"), [c[1:] for c in ITEM_FAULTS], ids=[c[0] for c in ITEM_FAULTS])
def test_a_bad_item_is_refused_with_its_row(line, column, words, unit_folder, problems_of):
    problems = problems_of(unit_folder({"items.csv": ITEMS + GOOD + line}))
    told = [p for p in problems if words in p.fault + p.mend]
    assert told, "\n".join(map(str, problems))
    assert (told[0].file, told[0].row, told[0].column) == ("items.csv", 13, column)


def test_the_good_items_are_good(unit_folder):
    unit = load_unit(unit_folder({"items.csv": ITEMS + GOOD}))
    assert unit.items["item"].tolist()[:2] == ["tape", "glove"]
    assert unit.items["critical"].sum() == 2


@pytest.mark.parametrize(("contains", "questioned"), [(1370, False), (100, True)])
def test_a_roll_of_two_lengths_is_questioned(contains, questioned, unit_folder):
    roll = f"roll,tape,patient,10,9,1,{contains},,,25,1370,,,,mm\n"
    unit = load_unit(unit_folder({"items.csv": ITEMS[:-1] + ",use_unit\n" + GOOD + roll}))
    assert any(w.column == "contains" and "length_mm" in w.fault for w in unit.warnings) == questioned


@pytest.mark.parametrize("role", ["gauze", "tape", "mask", "bag"])
def test_a_role_with_no_item_is_refused_with_the_recipe_or_the_catalogue(role, unit_folder, problems_of):
    lines = [line for line in GOOD.splitlines(keepends=True) if line.split(",")[1] != role]
    problems = problems_of(unit_folder({"items.csv": ITEMS + "".join(lines)}))
    assert all(role in p.fault for p in problems)
    assert {p.file for p in problems} == {"items.csv" if role in ("mask", "bag") else "config/techniques.toml"}


def test_a_mask_that_fits_no_tube_is_refused_by_kind_of_airway(unit_folder, problems_of):
    items = ITEMS + GOOD.replace("mask,mask,patient,1,1,1,1,,,", "mask,mask,patient,1,1,1,1,4,9,")
    (problem,) = problems_of(unit_folder({"items.csv": items}))
    assert "no mask (emergency equipment) that fits oral 3.5 mm" in problem.fault
    assert "fits_from_mm" in problem.mend


def test_an_item_marked_unavailable_leaves_its_role_to_others_or_is_refused(unit_folder, problems_of):
    unit = 'mean_stay_days = 5\n[stock]\nunavailable = ["Gauze"]\nunavailable_weeks = 6\n'
    (problem,) = problems_of(unit_folder({"items.csv": ITEMS + GOOD, "unit.toml": unit}))
    assert "while stock.unavailable holds" in problem.fault
    more = GOOD + "pads,gauze,event,10,1,1,1,,,,,,,\n"
    assert load_unit(unit_folder({"items.csv": ITEMS + more, "unit.toml": unit})).stock.unavailable == ("gauze",)


LOG_FAULTS = [
    ("resecure_log.csv", "date,route,tube_mm,reason\n2025-03-01,oral,3.5,lose\n", "reason", "'loose'"),
    ("resecure_log.csv", "date,reason\n2025-03-01,loose\n", "airway", "is empty"),
    ("resecure_log.csv", "date,time,route,tube_mm,reason\n2025-03-01,26:00,oral,3.5,loose\n", "time", "time of day"),
    ("resecure_log.csv", "date,route,tube_mm,technique,reason\n2025-03-01,oral,3.5,tape,loose\n", "technique",
     "recipe"),
    ("stock_issues.csv", "date,item,units\n2025-03-01,saline_6ml,3\n", "item", "saline_5ml"),
    ("present_par.csv", "item,par_packs\nsaline_5ml,2\nSaline 5ml,3\n", "item", "twice"),
    ("present_par.csv", "item,par_paks\nsaline_5ml,2\n", "par_paks", "'par_packs'"),
    ("on_hand.csv", "item,packs\nsaline_5ml,two\n", "packs", "not a number"),
    ("on_hand.csv", "item,packs,expires\nsaline_5ml,2,never\n", "expires", "not a date"),
    ("on_hand.csv", "item,packs\nsaline_5ml,2\nsaline_5ml,2\n", "item", "twice"),
    ("face.csv", "tube_from_mm,tube_to_mm,span_mid_cheek_mm,span_tragus_mm,barrier_width_mm,barrier_length_mm\n"
     "8,9,80,100,10,20\n", None, "no face measures"),
    ("tubes.csv", "tube_mm,outer_mm\n3.5,3.5\n4,5\n", "outer_mm", "not larger"),
    ("tubes.csv", "tube_mm,outer_mm\n6.0,8.0\n", "tube_mm", "outer diameter"),
]


@pytest.mark.parametrize(("file", "text", "column", "words"), LOG_FAULTS)
def test_a_bad_table_of_any_kind_is_refused(file, text, column, words, unit_folder, problems_of):
    problems = problems_of(unit_folder({file: text}))
    told = [p for p in problems if words in p.fault + p.mend]
    assert told, "\n".join(map(str, problems))
    assert (told[0].file, told[0].column) == (file, column)


def test_problems_of_all_files_are_told_at_once(unit_folder, problems_of):
    problems = problems_of(unit_folder({
        "census.csv": COUNTS + "oral,3.3,2\noral,3.5,two\n", "unit.toml": "[stock]\nreview_dais = 3\n",
        "present_par.csv": "item,par_packs\nsalty,2\n",
    }))
    assert {p.file for p in problems} == {"census.csv", "unit.toml", "present_par.csv"}
    assert len(problems) == 4


def test_the_same_wrong_word_in_every_row_is_told_once(unit_folder, problems_of):
    problems = problems_of(unit_folder({"census.csv": COUNTS + "orl,3.5,1\n" * 5000}))
    assert [(p.row, p.value) for p in problems] == [(2, "orl")]
    assert "here and in 4,999 more rows to row 5001" in problems[0].fault


def test_many_wrong_words_are_told_twenty_times_and_then_counted(unit_folder, problems_of):
    rows = "".join(f"oral,3.5,few{n}\n" for n in range(30))
    problems = problems_of(unit_folder({"census.csv": COUNTS + rows}))
    assert [p.row for p in problems] == [*range(2, 22), None]
    assert "10 more rows, 22 to 31" in problems[-1].fault


def test_a_setting_in_the_wrong_block_is_sent_to_its_own(unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({"unit.toml": "name = \"A\"\nbeds = 13\n"}))
    assert (problem.column, problem.mend) == ("beds", "Write it under [bedside].")


def test_the_row_is_the_one_a_spreadsheet_shows(unit_folder, problems_of):
    text = "Export\n\nroute,tube_mm,airways\n\noral,3.5,1\n\n,,\noral,3.3,1\n"
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert problem.row == 8


def test_a_line_break_in_a_cell_does_not_shift_the_rows(unit_folder, problems_of):
    text = 'route,tube_mm,airways,note\noral,3.5,1,"one\ntwo"\noral,3.3,1,\n'
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert problem.row == 3


def test_a_missing_census_or_unit_names_what_to_add(tmp_path, problems_of):
    (problem,) = problems_of(tmp_path / "nowhere")
    assert "not there" in problem.fault
    problems = problems_of(tmp_path)
    assert [p.fault for p in problems] == ["has no unit.toml", "has no census"]
    (tmp_path / "north").mkdir()
    (tmp_path / "north" / "unit.toml").touch()
    assert problems_of(tmp_path)[0].mend == f"It holds units: give one, such as {tmp_path / 'north'}."


def test_a_path_that_is_nearly_right_is_suggested(unit_folder, problems_of):
    folder = unit_folder()
    (problem,) = problems_of(folder.with_name("untit"))
    assert problem.mend == "Did you mean 'unit'?"


def test_an_input_error_reads_as_a_list_for_a_person(unit_folder):
    head = r"2 problems while reading the unit:\n  - census.csv, row 2, column tube_mm: "
    with pytest.raises(InputError, match=head):
        load_unit(unit_folder({"census.csv": COUNTS + "oral,3.3,2\near,3.5,2\n"}))


@pytest.mark.parametrize(("column", "own", "value"), [("gtin", "2000000010052", "2000000010014"),
                                                      ("bin", "A1-05", "a1 01")])
def test_two_items_of_one_number_or_bin_are_a_warning(column, own, value, unit_folder):
    items = config_file("items.csv").read_text(encoding="utf-8").replace(own, value)
    unit = load_unit(unit_folder({"items.csv": items}))
    assert [(w.row, w.value) for w in unit.warnings if w.column == column] == [(6, value)]


@pytest.mark.parametrize(("pack", "warned"), [(50, 0), (30, 1)])
def test_a_pack_that_its_own_description_denies_is_a_warning(pack, warned, unit_folder):
    """A label would say: box of 50, comes in 30s."""
    head, *rows = config_file("items.csv").read_text(encoding="utf-8").splitlines()
    rows = [row.replace(",wipe,event,50,19.00", f",wipe,event,{pack},19.00") for row in rows]
    unit = load_unit(unit_folder({"items.csv": "\n".join([head, *rows])}))
    assert sum("than the description says" in w.fault for w in unit.warnings) == warned


def test_an_item_without_a_description_goes_by_its_name(unit_folder):
    """So that sheets and prints have something to call it by, and none has to ask."""
    items = config_file("items.csv").read_text(encoding="utf-8")
    own = items.replace('"Saline 0.9 % ampoule 5 mL"', "").replace("Saline 0.9 % ampoule 5 mL", "")
    assert own != items
    read = load_unit(unit_folder({"items.csv": own})).items.set_index("item")["description"]
    assert read["saline_5ml"] == "saline_5ml"
    assert (read != "").all()
