"""Other devices, made of data alone: every part and every print serves them with the words of their recipes."""

from __future__ import annotations

import io
import shutil
import subprocess
from types import SimpleNamespace

import openpyxl
import pandas as pd
import pytest

from kitplan.outputs import plan_files
from kitplan.parts.compare.model import compare_units
from kitplan.parts.compare.sheets import add_sheets
from kitplan.parts.kits.emergency_sheet import bedside_list
from kitplan.parts.training.model import plan_training
from kitplan.planning import plan_unit
from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.read.values import Route
from kitplan.resources import config_file, sample_units
from kitplan.write.book import Book

AIRWAY_WORDS = ("airway", "endotracheal", "re-secure", "mask", "resuscitation")


@pytest.fixture(scope="module", params=["birch_house", "orchard_row"])
def planned(request):
    return request.param, plan_unit(load_unit(sample_units()[request.param]))


@pytest.fixture(scope="module")
def feeding():
    return plan_unit(load_unit(sample_units()["orchard_row"]), parts=("kits", "par", "training"))


def printed(plan) -> dict[str, str]:
    if not shutil.which("pdftotext"):
        pytest.skip("pdftotext is not installed")
    pdfs = {name: content for name, content in plan_files(plan).items() if name.endswith(".pdf")}
    return {name: subprocess.run(["pdftotext", "-layout", "-", "-"], input=content, capture_output=True,
                                 check=True).stdout.decode() for name, content in pdfs.items()}


def sheets(plan) -> dict[tuple[str, str], str]:
    """(workbook, sheet) -> everything that a person reads in it, its own name included."""
    books = {name: openpyxl.load_workbook(io.BytesIO(content), read_only=True)
             for name, content in plan_files(plan).items() if name.endswith(".xlsx")}
    return {(name, sheet.title): "\n".join([sheet.title, *(str(cell) for row in sheet.iter_rows(values_only=True)
                                                          for cell in row if cell is not None)])
            for name, book in books.items() for sheet in book.worksheets}


def test_every_part_that_the_data_allow_is_planned(planned):
    name, plan = planned
    assert {"kits", "par", "training"} <= set(plan.parts), name
    assert (plan.par.levels["par_packs"] >= 0).all()


def test_no_bedside_of_a_feeding_tube_holds_a_mask_or_a_bag(feeding):
    assert not {"mask", "bag"} & set(feeding.kits.contents["role"])
    assert not feeding.kits.contents["emergency"].eq("yes").any()


def test_every_bedside_of_a_tracheostomy_holds_spare_tubes_of_the_same_and_of_the_smaller_size():
    plan = plan_unit(load_unit(sample_units()["birch_house"]), parts=("kits",))
    told = bedside_list(plan)
    for row in plan.kits.strata.reset_index(names="stratum").itertuples():
        own = plan.kits.contents[plan.kits.contents["design"] == row.design]
        spare = set(own.loc[own["role"] == "spare_tube", "item"])
        both = {f"spare_tube_{mm:.1f}mm".replace(".", "_") for mm in (row.tube_mm, row.tube_mm - 0.5)}
        assert both == spare
        listed = told[(told["stratum"] == row.stratum) & (told["role"] == "spare_tube")]
        assert both == set(listed["item"]), "the sheet to check by names what the kit holds"


def test_a_unit_of_all_three_devices_asks_for_spare_tubes_where_a_route_keeps_emergency_equipment(tmp_path):
    """Its own policy names them for the tracheostomy; spare_tube asks for them at an oral tube too. The unit's own row
    serves its one size, and generic rows the others."""
    recipes = [config_file("techniques.toml"), *(sample_units()[name] / "techniques.toml" for name in
                                                ("birch_house", "orchard_row"))]
    (tmp_path / "techniques.toml").write_text("\n".join(path.read_text(encoding="utf-8") for path in recipes),
                                              encoding="utf-8")
    tables = [config_file("items.csv"), *(path.with_name("items.csv") for path in recipes[1:])]
    rows = pd.concat([pd.read_csv(table, dtype=str) for table in tables])
    own = {"item": "own_spare", "role": "spare_tube", "scope": "patient", "contains": 1, "pack": 1, "price": 90,
           "litres": 1, "fits_from_mm": 3.0, "fits_to_mm": 3.0, "sized_to": "tube"}
    rows = pd.concat([rows.drop_duplicates("item"), pd.DataFrame([own])])
    rows.to_csv(tmp_path / "items.csv", index=False)
    (tmp_path / "census.csv").write_text("route,tube_mm,size,airways\noral,3.5,,3\ntracheostomy,4.0,,2\n"
                                         "feeding,,8 Fr,3\n")
    (tmp_path / "unit.toml").write_text('name = "Three devices (INVENTED)"\nmean_stay_days = 6\n[bedside]\n'
                                        "spare_tube = true\n")
    plan = plan_unit(load_unit(tmp_path), parts=("kits", "par"))
    told = bedside_list(plan)
    spare = told[told["role"] == "spare_tube"].groupby("label")["item"].agg(set)
    assert {label.split()[0]: items for label, items in spare.items()} == {
        "oral": {"spare_tube_3_5mm", "own_spare"},
        "tracheostomy": {"spare_tube_4_0mm", "spare_tube_3_5mm"}}
    par = plan.par.levels.set_index("item")["par_units"]
    assert (par[["own_spare", "spare_tube_3_5mm", "spare_tube_4_0mm"]] > 0).all()


def test_own_spare_tubes_serve_their_route_and_are_sized_to_the_tube_without_saying_so(tmp_path):
    """A tracheostomy tube is no spare of an oral tube of the same size. A row that says nothing else of its sizes
    follows the tube, so that the smaller one is found, and is emergency equipment where the policy asks for it."""
    (tmp_path / "techniques.toml").write_text("\n".join(path.read_text(encoding="utf-8") for path in (
        config_file("techniques.toml"), sample_units()["birch_house"] / "techniques.toml")), encoding="utf-8")
    rows = pd.concat([pd.read_csv(table, dtype=str) for table in (
        config_file("items.csv"), sample_units()["birch_house"] / "items.csv")]).drop_duplicates("item")
    own = [{"item": f"{kind}_{mm}", "role": "spare_tube", "scope": "patient", "pack": 1, "price": 90, "litres": 1,
            "fits_from_mm": mm, "fits_to_mm": mm, "routes": routes}
           for kind, routes in (("mouth", "by mouth, nasal"), ("neck", "tracheostomy")) for mm in (4.0, 3.5)]
    pd.concat([rows, pd.DataFrame(own)]).to_csv(tmp_path / "items.csv", index=False)
    (tmp_path / "census.csv").write_text("route,tube_mm,airways,cuffed\noral,4.0,3,yes\ntracheostomy,4.0,2,no\n")
    (tmp_path / "unit.toml").write_text('name = "Two routes (INVENTED)"\nmean_stay_days = 6\n[bedside]\n'
                                        "spare_tube = true\n")
    unit = load_unit(tmp_path)
    assert _spares_at_bedsides(unit) == {"oral": {"mouth_4.0", "mouth_3.5"}, "tracheostomy": {"neck_4.0", "neck_3.5"}}
    assert unit.items.loc[unit.items["role"] == "spare_tube", "critical"].all()
    table = (tmp_path / "items.csv").read_text().replace("by mouth, nasal", "ear")
    (tmp_path / "items.csv").write_text(table)
    with pytest.raises(InputError, match=r"routes.*is not a route that techniques.toml describes"):
        load_unit(tmp_path)
    pd.concat([rows, pd.DataFrame(own[2:])]).to_csv(tmp_path / "items.csv", index=False)
    assert _spares_at_bedsides(load_unit(tmp_path)) == {  # generic rows serve the routes that own rows leave
        "oral": {"spare_tube_4_0mm", "spare_tube_3_5mm"}, "tracheostomy": {"neck_4.0", "neck_3.5"}}


def _spares_at_bedsides(unit):
    told = bedside_list(plan_unit(unit, parts=("kits",)))
    spare = told[told["role"] == "spare_tube"].groupby("label")["item"].agg(set)
    return {label.split()[0]: items for label, items in spare.items()}


def test_the_prints_of_a_feeding_tube_speak_of_feeding_tubes(feeding):
    for name, text in printed(feeding).items():
        text = text.replace("Check emergency airway equipment at every", "")
        for word in AIRWAY_WORDS:
            assert word not in text.casefold(), (name, word)


SHIPPED_WORDS = {"Assumptions", "Input checks"}
"""Sheets that quote the shipped settings with their sources, and the names of files, as they stand there."""


def test_the_workbooks_of_a_feeding_tube_speak_of_feeding_tubes(planned):
    name, plan = planned
    if name != "orchard_row":
        pytest.skip("a tracheostomy is an airway")
    read = sheets(plan)
    assert {book for book, _ in read} == {"stock-room.xlsx", "class.xlsx", "months.xlsx", "behind-the-numbers.xlsx"}
    for where, text in read.items():
        text = "\n".join(line for line in text.splitlines() if not line.startswith("Caution: "))
        for word in () if where[1] in SHIPPED_WORDS else (*AIRWAY_WORDS, "re-securing"):
            assert word not in text.casefold(), (where, word, [t for t in text.splitlines() if word in t.casefold()])
    assert "feeding tubes on a mean day" in read["behind-the-numbers.xlsx", "Devices"].casefold()
    assert "used at each re-fix" in read["stock-room.xlsx", "Par levels"].casefold()


def test_the_workbooks_of_a_tracheostomy_say_tie_change_where_an_airway_says_re_secure(planned):
    name, plan = planned
    if name != "birch_house":
        pytest.skip("about tracheostomies")
    for where, text in sheets(plan).items():
        text = "\n".join(line for line in text.splitlines() if not line.startswith("Caution: "))
        if where[1] not in SHIPPED_WORDS:
            assert "re-secur" not in text.casefold(), where
    assert "mask, bag and spare tube fit the patient" in sheets(plan)["stock-room.xlsx", "Which kit"]


def test_the_class_practises_with_the_items_of_the_bedside_kits_unless_it_says_otherwise(feeding):
    unit = feeding.unit
    there = set(feeding.kits.item_choice.frame["item"])
    used = feeding.training.shopping[feeding.training.shopping["kind"] == "used up"]
    assert set(used["item"]) <= there
    cut = {cut.width_mm for cut in feeding.training.tape}
    assert cut == set(unit.items.set_index("item").loc[sorted(there & set(unit.items.loc[unit.items["role"] == "tape",
                                                                                        "item"])), "width_mm"])


@pytest.mark.parametrize("name", ["harbour_wing", "lantern_nursery"])
def test_the_airway_classes_practise_with_what_lies_at_their_bedsides(name):
    plan = plan_unit(load_unit(sample_units()[name]), parts=("kits", "training"))
    there = set(plan.kits.item_choice.frame["item"])
    used = plan.training.shopping[plan.training.shopping["kind"] == "used up"]
    roles = dict(zip(plan.unit.items["item"], plan.unit.items["role"]))
    own = {item for lesson in plan.training.lessons for item in (*lesson.have, *lesson.expired)}
    assert {i for i in used["item"] if roles[i] != "tape"} <= there | own


def test_a_class_that_says_otherwise_takes_the_cheapest(feeding):
    from dataclasses import replace

    lessons = tuple(replace(lesson, bedside_items=False) for lesson in feeding.unit.classes)
    free = plan_training(feeding.unit, lessons, feeding.kits.item_choice)
    kept = plan_training(feeding.unit, feeding.unit.classes, feeding.kits.item_choice)
    assert free.value <= kept.value + 1e-9


@pytest.fixture(scope="module")
def equipped(tmp_path_factory):
    """A unit with the generic rows switched on: one tube known to be cuffed, one of which the census does not say."""
    folder = tmp_path_factory.mktemp("equipped")
    (folder / "census.csv").write_text("route,tube_mm,airways,cuffed\noral,3.5,3,yes\nnasal,5.0,2,\n")
    (folder / "unit.toml").write_text('name = "Equipped (INVENTED)"\nmean_stay_days = 6\n[bedside]\n'
                                      "more_equipment = true\nspare_tube = false\n")
    return plan_unit(load_unit(folder), parts=("kits", "par"))


def test_the_generic_rows_go_all_the_way_to_the_par_list_and_the_emergency_sheet(equipped):
    """Roles of the shipped rows; which catheter goes into which tube follows ISO 8836, tested beside the table."""
    listed = bedside_list(equipped).groupby("label")["item"].agg(set)
    oral, nasal = (next(own for label, own in listed.items() if label.startswith(route)) for route in ("oral", "nasal"))
    both = {"eye_protection", "waste_bag", "oral_care_set", "tape_measure", "cuff_syringe_10ml"}
    assert both | {"suction_catheter_6fr", "co2_detector_small", "spare_tube_3_5mm", "spare_tube_3_0mm"} <= oral
    assert both | {"suction_catheter_10fr", "co2_detector_large", "spare_tube_5_0mm", "spare_tube_4_5mm"} <= nasal
    assert any(item.startswith("mask_") for item in oral & set(equipped.unit.items["item"]))
    par = equipped.par.levels.set_index("item")["par_units"]
    assert (par[sorted(oral | nasal)] > 0).all()
    sheet = printed(equipped)["emergency-sheet.pdf"]
    assert "Suction catheter, 6 Fr" in " ".join(sheet.split())


def test_without_the_key_none_of_the_generic_rows_is_planned(equipped):
    off = load_unit(sample_units()["mill_lane"])
    generic = set(equipped.unit.items["item"]) - set(off.items["item"])
    assert len(generic) > 25
    assert not generic & set(plan_unit(off, parts=("kits",)).kits.contents["item"])


def test_the_note_on_cuffs_stands_until_the_census_says_of_every_tube_whether_it_is_cuffed(equipped, tmp_path):
    note = "A size without the word cuffed or uncuffed stands for either"
    assert "3.5 mm cuffed" in set(equipped.unit.strata["size"])
    assert note in " ".join(printed(equipped)["emergency-sheet.pdf"].split())
    assert note in sheets(equipped)["stock-room.xlsx", "Bedside emergency"]
    (tmp_path / "census.csv").write_text("route,tube_mm,airways,cuffed\noral,3.5,3,yes\nnasal,5.0,2,no\n")
    (tmp_path / "unit.toml").write_text("mean_stay_days = 6\n")
    told = plan_unit(load_unit(tmp_path), parts=("kits", "par"))
    assert note not in " ".join(printed(told)["emergency-sheet.pdf"].split())


def test_words_of_ours_are_told_in_a_routes_own_once_each():
    words = Route("", one="surgical airway", many="surgical airways", act="re-tie", acts="re-ties")
    assert words.told("re-secures of 3 airways; one airway; a re-secure") == (
        "re-ties of 3 surgical airways; one surgical airway; a re-tie")
    assert Route("").told("airways in place") == "airways in place"


def test_comparing_feeding_tubes_speaks_of_no_airway(feeding):
    unit = feeding.unit
    book = Book("Unit", "USD", "0000-0000", words=unit.words)
    compared = compare_units(unit, unit, lambda unit: feeding)
    add_sheets(book, SimpleNamespace(unit=unit, comparison=compared))
    told = "\n".join(str(cell) for sheet in openpyxl.load_workbook(io.BytesIO(book.content()))
                     for row in sheet.iter_rows(values_only=True) for cell in row if cell is not None)
    assert "feeding tubes in place" in told
    assert "airway" not in told
    assert "re-secure" not in told
