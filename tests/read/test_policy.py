"""unit.toml: what it sets, what it may not say, and where each number came from."""

from __future__ import annotations

import pytest

from kitplan.read.unit import load_unit
from kitplan.resources import config_file

FAULTS = [
    ("a misspelt key", "[stock]\nreview_dais = 7\n", "stock.review_dais", "'review_days'"),
    ("a misspelt block", "[stok]\nreview_days = 7\n", "stok", "'stock'"),
    ("a misspelt key at the top", "mean_stay = 7\n", "mean_stay", "'mean_stay_days'"),
    ("a block that nothing reads", "[cafeteria]\nopen = true\n", "cafeteria", "Use one of"),
    ("a chance as a percentage", "[stock]\nreadiness = 98\n", "stock.readiness", "0.98"),
    ("certainty", "[stock]\nreadiness = 1.0\n", "stock.readiness", "above 0 and below 1"),
    ("no review at all", "[stock]\nreview_days = 0\n", "stock.review_days", "above 0"),
    ("a negative lead", "[stock]\nlead_days = -2\n", "stock.lead_days", "at least 0"),
    ("a number as text", '[stock]\nreview_days = "7"\n', "stock.review_days", "without quotation marks"),
    ("not a number", "[stock]\nbudget = nan\n", "stock.budget", "finite"),
    ("infinite", "[stock]\nbudget = inf\n", "stock.budget", "finite"),
    ("half a design", "[bedside]\ndesigns = 2.5\n", "bedside.designs", "whole number"),
    ("a flag as text", '[bedside]\nspare_tube = "yes"\n', "bedside.spare_tube", "true or false"),
    ("wear that mends itself", "[resecure]\nloosening_shape = 0.5\n", "resecure.loosening_shape", "at least 1"),
    ("no check ever", "[resecure]\nchecks_per_day = 0\n", "resecure.checks_per_day", "at least 1"),
    ("always spoiled", "[resecure]\nredo = 1.0\n", "resecure.redo", "at most 0.9"),
    ("a key where a block belongs", "stock = 5\n", "stock", "[stock]"),
    ("a preferred item that is not there", '[prefer]\nsaline = "saline_6ml"\n', "prefer.saline", "'saline_5ml'"),
    ("a preferred item of another role", '[prefer]\nsaline = "gauze_5cm_pair"\n', "prefer.saline", "role saline"),
    ("a preference for no role", '[prefer]\nsalin = "saline_5ml"\n', "prefer.salin", "'saline'"),
    ("an unavailable item that is not there", '[stock]\nunavailable = ["saline_6ml"]\n', "stock.unavailable",
     "'saline_5ml'"),
    ("a modifier without a factor", '[[resecure.modifier]]\nroute = "oral"\n', "resecure.modifier[1]", "factor"),
    ("a modifier with a strange factor", "[[resecure.modifier]]\nsoild = 2\n", "resecure.modifier[1].soild",
     "'soiled'"),
    ("a negative factor", "[[resecure.modifier]]\nsoiled = -1\n", "resecure.modifier[1].soiled", "0 to 100"),
    ("one modifier block", "[resecure.modifier]\nsoiled = 2\n", "modifier", "[[modifier]]"),
    ("an expected size off the grid", '[[expect]]\nroute = "oral"\ntube_mm = 5.2\nmean_airways = 1\n',
     "expect[1].tube_mm", "0.5 mm"),
    ("an expected route of nowhere", '[[expect]]\nroute = "orl"\ntube_mm = 5\nmean_airways = 1\n', "expect[1].route",
     "'oral'"),
    ("an expected kind without a number", '[[expect]]\nroute = "oral"\ntube_mm = 5\n', "expect[1].mean_airways",
     "mean_airways = 0.2"),
    ("a flag that is none", '[[expect]]\nroute = "oral"\ntube_mm = 5\nmean_airways = 1\nbeyond_census = "so"\n',
     "expect[1].beyond_census", "yes or no"),
    ("a misspelt key of an expected kind", '[[expect]]\nroute = "oral"\ntube_mm = 5\nmean_airway = 1\n',
     "expect[1].mean_airway", "'mean_airways'"),
]


@pytest.mark.parametrize(("toml", "column", "words"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_a_bad_setting_is_refused_with_the_right_one(toml, column, words, unit_folder, problems_of):
    problems = problems_of(unit_folder({"unit.toml": toml}))
    told = [p for p in problems if p.column == column]
    assert told, "\n".join(map(str, problems))
    assert told[0].file == "unit.toml"
    assert words in str(told[0])


SYNTAX = [
    ("[stock]\nreview_days = 3,5\n", 2, "3.5 and not 3,5"),
    ("name = “Ward”\n", 1, "straight quotation marks"),
    ("name = Ward 3\n", 1, "Put text in quotation marks"),
    ("\n\n[bedside]\nspare_tube = True\n", 4, "true or false"),
    ("[stock\n", 1, "block begins"),
    ("[stock]\nreview_days = 7\nreview_days = 8\n", 3, "Keep one of the two lines"),
    ("x = " + "[" * 3000, None, ""),
    ("x = " + "9" * 5000, None, ""),
    (b"\x89PNG\r\n" + bytes(range(256)) * 4, None, "plain text"),
]


@pytest.mark.parametrize(("toml", "row", "words"), SYNTAX)
def test_a_slip_of_the_pen_is_told_by_line(toml, row, words, unit_folder, problems_of):
    problems = problems_of(unit_folder({"unit.toml": toml}))
    assert problems[0].file == "unit.toml"
    assert row is None or problems[0].row == row
    assert words in problems[0].mend


@pytest.mark.parametrize("content", ["\ufeffmean_stay_days = 5\r\n".encode(), "mean_stay_days = 5".encode("utf-16"),
                                     'name = "Unité"\nmean_stay_days = 5'.encode("cp1252")])
def test_unit_toml_is_read_however_it_was_saved(content, unit_folder):
    assert load_unit(unit_folder({"unit.toml": content})).census.mean_stay_days == 5


UNUSUAL = [
    ("[stock]\nreview_days = 60\n", "stock.review_days"), ("[stock]\nreadiness = 0.5\n", "stock.readiness"),
    ("[resecure]\nchecks_per_day = 2\n", "resecure.checks_per_day"), ("[resecure]\nredo = 0.5\n", "resecure.redo"),
    ("[resecure]\nplanned_hours = 4\n", "resecure.planned_hours"), ("mean_stay_days = 400\n", "mean_stay_days"),
    ("[resecure]\nflat_per_check = 0.1\nsoiled_per_day = 0.2\n", "resecure.flat_per_check"),
    ('[[resecure.modifier]]\nroute = "nasal"\ntechnique = "ties_two"\nsoiled = 2\n', "resecure.modifier[1]"),
    ("[stock]\nunavailable_weeks = 3\n", "stock.unavailable_weeks"),
    ('[[expect]]\nroute = "oral"\ntube_mm = 3.5\nmean_airways = 1\n', "expect[1]"),
    ("", "mean_stay_days"),
]


@pytest.mark.parametrize(("toml", "column"), UNUSUAL)
def test_an_uncomfortable_value_is_questioned_and_used(toml, column, unit_folder):
    unit = load_unit(unit_folder({"unit.toml": toml}))
    assert column in [w.column for w in unit.warnings]


def test_settings_override_defaults_one_by_one(unit_folder):
    unit = load_unit(unit_folder({"unit.toml": (
        'name = "Ward"\nmean_stay_days = 4\ncurrency = "EUR"\n[stock]\nreview_days = 14\nbudget = 900\n'
        "[bedside]\nbeds = 12\n[forecast]\nmonths = 6\n[resecure]\nchecks_per_day = 6\n")}))
    assert (unit.name, unit.currency, unit.checks_per_day) == ("Ward", "EUR", 6)
    assert (unit.stock.review_days, unit.stock.lead_days, unit.stock.budget) == (14, 2, 900)
    assert (unit.bedside.beds, unit.bedside.restock_hours, unit.forecast.months) == (12, 24, 6)


def test_a_unit_that_names_no_currency_has_sums_that_read_well(unit_folder):
    assert load_unit(unit_folder({"unit.toml": "mean_stay_days = 4\n"})).currency == "money units"


def test_every_number_in_use_is_listed_with_its_source(unit_folder):
    unit = load_unit(unit_folder({"unit.toml": "mean_stay_days = 4\n[stock]\nreview_days = 14\n"}))
    source = {a.name: a.source for a in unit.assumptions}
    assert source["review_days"] == "this unit's own unit.toml"
    assert "no source" in source["lead_days"]
    assert "no source" in source["loosening_scale_hours"]
    assert any(a.topic == "Recipes" for a in unit.assumptions)
    assert any(a.topic == "Face measures" for a in unit.assumptions)
    assert all(a.source and a.value for a in unit.assumptions)


def test_a_copy_of_a_config_file_in_the_unit_folder_is_used_instead(unit_folder):
    unit = load_unit(unit_folder({
        "policy.toml": '[planning.scenarios]\nvalue = 500\n', "tubes.csv": "tube_mm,outer_mm\n3.5,5.1\n4,5.5\n",
    }))
    assert unit.planning.scenarios == 500
    assert unit.planning.verify_scenarios == 10000
    assert unit.strata["outer_mm"].tolist() == [5.5, 5.1]
    assert {"policy.toml", "tubes.csv", "config/policy.toml"} <= set(unit.checksums)
    assert "config/tubes.csv" not in unit.checksums
    scenarios = next(a for a in unit.assumptions if a.name == "scenarios")
    assert "this unit's own copy" in scenarios.source


def test_a_bad_copy_of_a_config_file_is_refused_under_its_own_name(unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({"policy.toml": "[planning.scenario]\nvalue = 500\n"}))
    assert (problem.file, problem.mend) == ("policy.toml", "Did you mean 'planning.scenarios'?")


def test_the_seed_of_the_command_line_comes_first(unit_folder):
    folder = unit_folder()
    assert load_unit(folder, seed=7).planning.seed == 7
    assert load_unit(folder).planning.seed == load_unit(folder, seed=None).planning.seed != 7


def test_checksums_are_of_the_bytes_read(unit_folder):
    import hashlib

    folder = unit_folder()
    unit = load_unit(folder)
    assert unit.checksums["census.csv"] == hashlib.sha256((folder / "census.csv").read_bytes()).hexdigest()


def test_generic_rows_beside_a_units_own_catalogue_are_not_called_its_own(tmp_path):
    (tmp_path / "unit.toml").write_text("mean_stay_days = 5\n[bedside]\nmore_equipment = true\n")
    (tmp_path / "census.csv").write_text("route,tube_mm,airways\noral,3.5,2\n")
    (tmp_path / "items.csv").write_text(config_file("items.csv").read_text())
    (line,) = (a for a in load_unit(tmp_path).assumptions if a.topic == "Catalogue")
    assert line.source.startswith("this unit's own items.csv; ")
    assert line.source.endswith(" of them generic rows with invented prices")
