"""The smallest units that once ended badly: planned rightly, or refused with the mend by check and plan alike."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from kitplan.cli import main
from kitplan.resources import config_file, sample_units

FEW = "".join(
    f"[planning.{key}]\nvalue = 500\n" for key in ("scenarios", "verify_scenarios", "max_scenarios")
)
EMERGENCY = "mask,mask,1,patient,1,5,1,,\nbag,bag,1,patient,1,15,3,,\n"
HEAD = "item,role,contains,scope,pack,price,litres,width_mm,length_mm\n"
TIES = '[ties]\nroutes = ["oral"]\ndefault = true\n[ties.uses]\nties = 2\n'


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def small_unit(folder: Path, **files: str) -> Path:
    """A unit of one airway, its files given by name without their ending."""
    folder.mkdir()
    texts = {
        "unit.toml": 'name = "Small"\nmean_stay_days = 4\n', "census.csv": "route,tube_mm,airways\noral,3.5,1\n",
        "policy.toml": FEW,
    } | {f"{name}.{'toml' if name in ('unit', 'techniques') else 'csv'}": text for name, text in files.items()}
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def mill_lane(folder: Path) -> Path:
    shutil.copytree(sample_units()["mill_lane"], folder)
    (folder / "policy.toml").write_text(FEW, encoding="utf-8")
    return folder


def levels(unit: Path) -> pd.Series:
    return pd.read_csv(unit / "plan" / "tables" / "par_levels.csv").set_index("item")["par_units"]


@pytest.mark.parametrize("scope", ["unit", "event"])
def test_emergency_equipment_shared_or_used_up_is_refused_and_never_guessed(tmp_path, scope):
    unit = mill_lane(tmp_path / "unit")
    shipped = config_file("items.csv").read_text(encoding="utf-8")
    (unit / "items.csv").write_text(shipped.replace(",bag,1,bag,patient,", f",bag,1,bag,{scope},"), encoding="utf-8")
    for command in ("check", "plan"):
        result = run(command, unit)
        assert result.exit_code == 2
        assert re.search(r"items\.csv, row \d+, column scope: is the scope of emergency equipment", result.output)
        assert "write patient" in result.output
    assert not (unit / "plan").exists()


def test_of_a_role_that_no_recipe_uses_an_airway_is_given_the_patients_item_alone(tmp_path):
    items = HEAD + EMERGENCY + "ties,ties,1,event,50,8,1,,\n"
    items += "collar,collar,1,patient,1,5,1,,\npad,collar,1,event,1,5,1,,\n"
    unit = small_unit(tmp_path / "unit", items=items, techniques=TIES)
    assert run("plan", unit).exit_code == 0
    kits = pd.read_csv(unit / "plan" / "tables" / "kit_stock.csv").set_index("item")
    assert "collar" in kits.index
    assert "pad" not in kits.index
    assert levels(unit)["collar"] > 0


@pytest.mark.parametrize("command", ["plan", "kits"])
def test_recipes_without_tape_or_anything_opened_for_one_patient(tmp_path, command):
    unit = small_unit(tmp_path / "unit", items=HEAD + EMERGENCY + "ties,ties,1,event,50,8,1,,\n", techniques=TIES)
    result = run(command, unit)
    assert result.exit_code == 0, result.output
    assert pd.read_csv(unit / "plan" / "tables" / "tape_choice.csv").empty


@pytest.mark.parametrize("sample", ["mill_lane", "lantern_nursery"])
def test_stays_that_are_all_of_one_length(tmp_path, sample):
    unit = tmp_path / "unit"
    shutil.copytree(sample_units()[sample], unit)
    (unit / "policy.toml").write_text(FEW, encoding="utf-8")
    settings = (unit / "unit.toml").read_text(encoding="utf-8")
    (unit / "unit.toml").write_text(f"stay_log_sd = 0\n{settings}", encoding="utf-8")
    assert run("par", unit).exit_code in (0, 1)
    assert levels(unit).sum() > 0


def test_a_role_filled_by_a_shared_item_for_one_airway_and_by_another_for_the_next(tmp_path):
    """The kit of the first holds none of it: one item for the whole unit is not a place in a kit."""
    ties = "large,ties,1,event,50,0,1,,,3,9\nspool,ties,100,unit,1,5,1,,,2,2.5\n"
    unit = small_unit(
        tmp_path / "unit", census="route,tube_mm,airways\n口,2.0,1\n", techniques=TIES.replace("oral", "口"),
        unit='mean_stay_days = 4\n[[expect]]\nroute = "口"\ntube_mm = 3.0\nmean_airways = 1\n',
        items=HEAD.replace("\n", ",fits_from_mm,fits_to_mm\n") + EMERGENCY.replace("\n", ",,\n") + ties,
    )
    for command in ("plan", "compare"):
        assert run(command, unit, *([unit, "--out", tmp_path / "out"] if command == "compare" else [])).exit_code == 0
    contents = pd.read_csv(unit / "plan" / "tables" / "kit_contents.csv")
    assert "large" in set(contents["item"])
    assert "spool" not in set(contents["item"])
    assert levels(unit)["spool"] > 0


@pytest.mark.parametrize("item", ["roll,tape,1000,event,1,5,1,25,1000\n", "sheet,barrier,1,unit,1,5,1,100,100\n"])
def test_a_roll_or_sheet_is_cut_for_one_patient_and_no_other_scope_is_guessed_at(tmp_path, item):
    items = HEAD + EMERGENCY + "ties,ties,1,event,50,8,1,,\n" + item
    unit = small_unit(tmp_path / "unit", items=items, techniques=TIES)
    for command in ("check", "plan"):
        result = run(command, unit)
        assert result.exit_code == 2
        assert "items.csv, row 5, column scope: is the scope of what pieces are cut from" in result.output


@pytest.mark.parametrize(
    ("setting", "told"),
    [
        ("[stock]\nreview_days = 366\n", "stock.review_days"),
        ("[bedside]\nrestock_hours = 744\n[resecure]\nchecks_per_day = 48\nsoiled_per_day = 20\n", "restock_hours"),
    ],
)
def test_what_plan_refuses_check_refuses_in_the_same_words(tmp_path, setting, told):
    unit = small_unit(tmp_path / "unit", unit=f"mean_stay_days = 4\n{setting}")
    said = [run(command, unit) for command in ("check", "plan")]
    assert [result.exit_code for result in said] == [2, 2]
    problems = [[line for line in result.output.splitlines() if line.startswith("  - ")] for result in said]
    assert problems[0] == problems[1]
    assert told in problems[0][0]


def test_more_airways_than_can_be_planned_at_once_are_refused_by_check_as_well(tmp_path):
    unit = small_unit(tmp_path / "unit", unit="mean_stay_days = 0.001\n", census="route,tube_mm,airways\noral,3.5,9\n")
    for command in ("check", "plan"):
        result = run(command, unit)
        assert result.exit_code == 2
        assert "mean_stay_days" in result.output


def test_a_count_of_a_thousand_million_packs_is_a_slip(tmp_path):
    unit = mill_lane(tmp_path / "unit")
    assert run("par", unit).exit_code in (0, 1)
    count = unit / "on_hand.csv"
    count.write_text("item,packs\nbag_500ml,1000000000\n", encoding="utf-8")
    result = run("order", count)
    assert result.exit_code == 2
    assert "packs" in result.output


def test_the_order_of_the_catalogue_changes_no_level_where_two_items_cost_the_same(tmp_path):
    twins = ["ties_b,ties,1,event,50,8,1,,\n", "ties_a,ties,1,event,50,8,1,,\n"]
    found = []
    for number, rows in enumerate((twins, twins[::-1])):
        unit = small_unit(tmp_path / f"unit{number}", items=HEAD + EMERGENCY + "".join(rows), techniques=TIES)
        assert run("plan", unit).exit_code == 0
        found.append(levels(unit).sort_index())
    pd.testing.assert_series_equal(found[0], found[1])
    assert found[0]["ties_a"] > found[0]["ties_b"]


def test_lots_of_one_date_stand_by_their_lot_whatever_the_order_of_the_count(tmp_path):
    unit = mill_lane(tmp_path / "unit")
    assert run("par", unit).exit_code in (0, 1)
    lots = [f"bag_500ml,{n},2027-01-01,{lot}\n" for n, lot in ((1, "L2"), (2, "L1"), (3, "L3"))]
    found = []
    for rows in (lots, lots[::-1]):
        (unit / "on_hand.csv").write_text("item,packs,expires,lot\n" + "".join(rows), encoding="utf-8")
        assert run("order", unit, "--on", "2026-07-01").exit_code == 0
        found.append((unit / "plan" / "tables" / "expiry.csv").read_text(encoding="utf-8"))
    assert found[0] == found[1]


def test_a_unit_where_nobody_comes_or_goes(tmp_path):
    items = HEAD + EMERGENCY + "roll,tape,4570,patient,10,21,2,25,4570\n"
    recipe = '[one]\nroutes = ["oral"]\ndefault = true\npieces = [{ shape = "strip", count = 1, length_mm = 100 }]\n'
    unit = small_unit(tmp_path / "unit", unit='name = "Still"\n', items=items, techniques=recipe)
    assert run("plan", unit).exit_code == 0
    assert levels(unit)["roll"] > 0


def test_what_a_log_teaches_is_known_to_check_as_it_is_to_plan(tmp_path):
    """A log of a re-secure every two hours makes the tables of chances larger than the shipped guess does."""
    log = [f"2026-{1 + day // 28:02}-{1 + day % 28:02},{hour:02}:00,oral,3.5,none\n"
           for day in range(80) for hour in range(0, 24, 2)]
    unit = small_unit(tmp_path / "unit", resecure_log="date,time,route,tube_mm,skin\n" + "".join(log))
    (unit / "unit.toml").write_text(
        'name = "Small"\nmean_stay_days = 4\n[stock]\nreview_days = 50\nlead_days = 20\n'
        '[resecure]\nchecks_per_day = 12\n',
        encoding="utf-8")
    found = [run(command, unit) for command in ("check", "plan")]
    assert [result.exit_code for result in found] == [2, 2]
    assert all("exact counts of re-secures over so many checks would take" in result.output for result in found)
    assert not (unit / "plan").exists()
