"""The shipped defaults and samples: each value says where it comes from, and every airway can be served."""

from __future__ import annotations

import csv
import itertools
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from kitplan.read.blocks import checked, declared, keys_of
from kitplan.read.cells import Bad
from kitplan.read.class_values import AT_ONCE, BEFORE_EACH
from kitplan.read.values import READINESS
from kitplan.resources import config_file, sample_units
from kitplan.write.styles import BOLD, BOXED, FORMATS, WRAPPED

TUBE_GRID_MM = [2.0 + 0.5 * i for i in range(17)]
ROOT = Path(__file__).resolve().parents[1]


def table(name):
    with config_file(name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def toml(name):
    return tomllib.loads(config_file(name).read_text(encoding="utf-8"))


def recipes() -> dict:
    return {name: block for name, block in toml("techniques.toml").items() if name not in ("route", "steps")}


def test_every_row_of_the_default_tables_says_where_it_comes_from():
    for name in ("items.csv", "face.csv", "tubes.csv"):
        assert all(row["provenance"].strip() for row in table(name)), name


def test_every_price_is_marked_invented():
    assert all("price" in r["provenance"] and "invented" in r["provenance"] for r in table("items.csv"))


@pytest.mark.parametrize("name", ["policy.toml", "resecure.toml"])
def test_every_default_has_a_value_a_unit_and_a_provenance(name):
    settings = toml(name)
    settings.pop("caution", None)
    alone = {key: entry for key, entry in settings.items() if "value" in entry}
    settings = {key: entry for key, entry in settings.items() if key not in alone}
    if name == "policy.toml":
        settings = {f"{block}.{key}": entry for block in settings for key, entry in settings[block].items()}
    for key, entry in (alone | settings).items():
        assert set(entry) == {"value", "unit", "provenance"}, key
        assert entry["unit"], key
        assert entry["provenance"], key


@pytest.mark.parametrize("file", ["settings.csv", "keys.csv"])
def test_what_is_said_of_a_setting_is_accepted_by_it(file):
    for name, setting in declared(file).items():
        given = [setting.default] if setting.default is not None else []
        given += [tomllib.loads(f"x = {setting.example}")["x"]] if setting.example else []
        given += list(setting.usual or ())
        for value in given:
            plain = list(value) if isinstance(value, tuple) else value
            assert value != value or isinstance(plain, dict) or not isinstance(checked(setting, plain), Bad), name


def test_the_words_of_a_class_are_those_that_its_file_may_hold():
    choices = {key: setting.choices for key, setting in keys_of("class").items()} | {
        key: setting.choices for key, setting in keys_of("session").items()}
    assert choices["cut"] == (BEFORE_EACH, AT_ONCE)
    assert choices["rotation"] == ("staggered", "together")


def test_what_readiness_is_stands_in_the_same_words_everywhere():
    assert toml("policy.toml")["stock"]["readiness"]["unit"] == READINESS
    readme = " ".join((config_file("policy.toml").parents[1] / "README.md").read_text(encoding="utf-8").split())
    assert READINESS in readme


def test_provenance_is_said_in_words_and_not_in_codes():
    for path in config_file("policy.toml").parent.iterdir():
        assert not re.search(r"\[(S|R|M|CP)\b", path.read_text(encoding="utf-8")), path.name


def test_every_recipe_says_where_it_comes_from_and_knows_only_roles_with_items():
    roles = {r["role"] for r in table("items.csv")}
    for name, recipe in recipes().items():
        assert recipe["provenance"], name
        assert set(recipe["uses"]) | set(recipe["uses_with_barrier"]) <= roles, name


def test_each_route_has_one_default_recipe():
    for route in ("oral", "nasal"):
        assert sum(r["default"] and route in r["routes"] for r in recipes().values()) == 1


def test_two_people_use_at_least_two_pairs_of_gloves_in_every_recipe():
    for recipe in recipes().values():
        assert recipe["uses"]["gloves"] >= recipe["people"] >= 2


@pytest.mark.parametrize("tube_mm", TUBE_GRID_MM)
def test_every_role_has_an_item_for_every_tube_size(tube_mm):
    items = table("items.csv")
    for role in {r["role"] for r in items}:
        assert any(float(r["fits_from_mm"] or 0) <= tube_mm <= float(r["fits_to_mm"] or 99)
                   for r in items if r["role"] == role), role


@pytest.mark.parametrize("tube_mm", TUBE_GRID_MM)
def test_every_tube_size_has_one_face_row_and_one_tube_row(tube_mm):
    assert sum(float(r["tube_from_mm"]) <= tube_mm <= float(r["tube_to_mm"]) for r in table("face.csv")) == 1
    assert sum(float(r["tube_mm"]) == tube_mm for r in table("tubes.csv")) == 1


def test_faces_and_tubes_grow_with_size():
    face, tubes = table("face.csv"), table("tubes.csv")
    for column in ("span_mid_cheek_mm", "span_tragus_mm", "barrier_width_mm", "barrier_length_mm"):
        assert np.all(np.diff([float(r[column]) for r in face]) > 0), column
    assert all(float(r["span_mid_cheek_mm"]) < float(r["span_tragus_mm"]) for r in face)
    assert np.all(np.diff([float(r["outer_mm"]) for r in tubes]) > 0)


def test_the_catalogue_is_sound():
    items = table("items.csv")
    assert len({r["item"] for r in items}) == len(items)
    assert len({r["bin"] for r in items}) == len(items)
    for r in items:
        assert int(r["pack"]) > 0, r["item"]
        assert float(r["contains"]) > 0, r["item"]
        assert float(r["price"]) > 0, r["item"]
        assert float(r["litres"]) > 0, r["item"]
        assert r["scope"] in ("event", "patient", "unit"), r["item"]
    gloves = [float(r["share"]) for r in items if r["role"] == "gloves"]
    assert sum(gloves) == pytest.approx(1)


def test_masks_and_bags_are_emergency_equipment_with_floors():
    for r in table("items.csv"):
        emergency = r["role"] in ("mask", "bag")
        assert (r["critical"] == "yes") == emergency, r["item"]
        assert (float(r["min_bedside"]) >= 1 and float(r["min_stock"]) >= 1) == emergency, r["item"]


def gs1_check_digit(digits: str) -> int:
    """Weights 3 and 1 from the right, up to the next ten (GS1 General Specifications, check digit)."""
    return -sum(int(d) * w for d, w in zip(reversed(digits), itertools.cycle((3, 1)))) % 10


def test_trade_item_numbers_are_internal_and_carry_their_check_digit():
    numbers = [r for r in table("items.csv") if r["gtin"]]
    assert numbers
    for r in numbers:
        assert len(r["gtin"]) == 13
        assert r["gtin"].startswith("2"), "prefix 2: restricted circulation, never a maker's number"
        assert "internal-use" in r["provenance"]
        assert gs1_check_digit(r["gtin"][:-1]) == int(r["gtin"][-1])


def test_the_default_frequency_is_within_common_practice():
    """0.3 to 1.0 re-secures a day (common practice, no source), summing the survival of wear."""
    d = {k: v["value"] for k, v in toml("resecure.toml").items()}
    hours = 24 / d["checks_per_day"] * np.arange(0, 2000)
    constant = sum(d[f"{r}_per_day"] for r in ("soiled", "skin", "moved", "changed")) / 24
    cumulative = (hours / d["loosening_scale_hours"]) ** d["loosening_shape"] + constant * hours
    shape = 1 / d["airway_spread"] ** 2
    frailty = np.random.default_rng(0).gamma(shape, 1 / shape, 2000)
    mean_wear_checks = np.exp(-frailty[:, None] * cumulative[None, :]).sum(axis=1)
    rate = float((d["checks_per_day"] / mean_wear_checks).mean())
    assert 0.3 <= rate <= 1.0


def test_the_caution_text_is_there():
    text = toml("policy.toml")["caution"]["text"]
    for words in ("at least two of them", "Emergency airway equipment", "identifies a patient"):
        assert words in text


def test_every_sample_says_that_it_is_invented():
    assert set(sample_units()) == {"harbour_wing", "lantern_nursery", "mill_lane", "birch_house", "orchard_row"}
    for path in sample_units().values():
        text = (path / "unit.toml").read_text()
        assert "INVENTED" in text.splitlines()[0]
        assert "INVENTED" in tomllib.loads(text)["name"]


def test_the_samples_are_what_their_generator_writes_byte_for_byte(tmp_path):
    source = ROOT / "tests" / "bench" / "make_samples.py"
    subprocess.run([sys.executable, source, tmp_path], check=True)
    written = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*.csv"))
    assert len(written) == 5
    for name in written:
        assert (tmp_path / name).read_bytes() == (ROOT / "sample_census" / name).read_bytes(), name


def test_every_layout_is_of_a_sheet_that_is_written_and_names_kinds_of_cell_that_there_are():
    code = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "kitplan").rglob("*.py"))
    for row in table("sheets.csv"):
        assert f'"{row["sheet"]}"' in code, row["sheet"]
        assert all(float(width) > 0 for width in row["widths"].split())
        assert row["about"]
        assert row["upright"] in ("yes", "no")
    for row in table("sheet_columns.csv"):
        assert f'"{row["table"]}"' in code, row["table"]
        assert row["kind"] in {*FORMATS, *WRAPPED, *BOLD, *BOXED, "text", "link"}, row
    for row in table("sheet_notes.csv"):
        assert f'"{row["note"]}"' in code, row["note"]
        assert row["text"].strip(), row["note"]
