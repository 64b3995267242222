"""What lies at a bedside against published standards; each is cited from memory, none was read again here."""

from __future__ import annotations

import csv
import tomllib

import numpy as np
import pytest
from reportlab.graphics.barcode.code128 import Code128

from kitplan.demand.tape import cut_pieces
from kitplan.parts.orders import bin_labels
from kitplan.parts.training.station_prints import steps
from kitplan.read.findings import Findings
from kitplan.read.sizes import FACE_COLUMNS, face_row, outer_of, read_face, read_tubes
from kitplan.read.source import Source
from kitplan.read.techniques import read_techniques
from kitplan.resources import config_file, sample_units

SIZES = np.arange(2.0, 10.1, 0.5)


def table(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(config_file(name).open(encoding="utf-8", newline="")))


def recipes_of(sample: str):
    findings = Findings()
    return read_techniques(Source(sample_units()[sample], findings), findings).techniques


def airway(mm: float, face, tubes) -> dict:
    row = {"scale": "mm", "tube_mm": mm, "size_number": mm, "patient_number": mm, "patient_kg": np.nan}
    row |= {c: float(face.at[face_row(row, face), c]) for c in FACE_COLUMNS}
    return row | {"outer_mm": outer_of(row, tubes)}


@pytest.fixture(scope="module")
def measures():
    findings = Findings()
    source = Source(sample_units()["mill_lane"], findings)
    return read_face(source, findings)[1], read_tubes(source, findings)[1]


def test_tracheal_and_tracheostomy_tubes_are_designated_by_internal_diameter_in_millimetres():
    """ISO 5361 (tracheal tubes) and ISO 5366 (tracheostomy tubes): size is the nominal internal diameter in mm."""
    assert [float(r["tube_mm"]) for r in table("tubes.csv")] == SIZES.tolist()
    assert all(float(r["outer_mm"]) > float(r["tube_mm"]) for r in table("tubes.csv"))
    for path in (config_file("techniques.toml"), sample_units()["birch_house"] / "techniques.toml"):
        assert all(route["scale"] == "mm" for route in tomllib.loads(path.read_text())["route"].values())


def test_catheters_are_designated_by_outer_diameter_and_a_suction_catheter_goes_into_its_tube(measures):
    """ISO 8836 (suction catheters): outer diameter in mm, and the French size is three times it."""
    assert outer_of({"scale": "Fr", "size_number": 12.0}, measures[1]) == 4.0
    rows = [r for r in table("more_equipment.csv") if r["role"] == "suction_catheter"]
    for r in rows:
        french = int(r["item"].rpartition("_")[2].removesuffix("fr"))
        assert french / 3 < float(r["fits_from_mm"]), "thinner than the smallest tube that it is for"
        assert r["sized_to"] == "tube"
    for mm in SIZES:
        assert sum(float(r["fits_from_mm"]) <= mm <= float(r["fits_to_mm"]) for r in rows) == 1, mm


def test_a_bag_is_large_enough_for_the_lightest_and_for_adults():
    """ISO 10651-4: resuscitators are designated by body mass; 15 mL/kg is delivered up to 10 kg, 600 mL above 40 kg."""
    kg = {float(r["tube_mm"]): float(r["kg_from"]) for r in table("tubes.csv")}
    for r in table("items.csv"):
        if r["role"] == "bag":
            volume = float(r["item"].removeprefix("bag_").removesuffix("ml"))
            for mm in (m for m in SIZES if float(r["fits_from_mm"]) <= m <= float(r["fits_to_mm"])):
                assert volume >= (600 if kg[mm] > 40 else 15 * min(kg[mm], 10)), (r["item"], mm)


def test_examination_gloves_come_in_five_sizes():
    """EN 455-2 and ASTM D6319 list XS, S, M, L and XL."""
    gloves = [r for r in table("items.csv") if r["role"] == "gloves"]
    assert [r["item"].removeprefix("gloves_") for r in gloves] == ["xs", "small", "medium", "large", "xl"]
    assert sum(float(r["share"]) for r in gloves) == pytest.approx(1)


def test_words_and_no_symbols_stand_on_what_is_printed():
    """ISO 15223-1 gives symbols for labels a fixed meaning: none is imitated, things are said in words."""
    for name in ("items.csv", "more_equipment.csv"):
        assert all(r["description"].isascii() for r in table(name))


@pytest.mark.parametrize("text", ["ABCDE", "saline_X", "Mask"])
def test_a_code_128_symbol_has_eleven_modules_a_character_and_thirteen_to_stop(text):
    """ISO/IEC 15417: start, data and check character of 11 modules each, a stop of 13, ten blank modules beside it."""
    assert Code128(text, barWidth=1, quiet=0).width == 11 * (len(text) + 2) + 13
    assert bin_labels._QUIET_MODULES >= 10


@pytest.mark.parametrize(("sample", "name"), [
    ("mill_lane", "oral_two_y"), ("mill_lane", "oral_h_and_y"), ("mill_lane", "nasal_two_y"), ("mill_lane", "ties_two"),
    ("birch_house", "neck_ties"), ("orchard_row", "nose_and_cheek"),
])
def test_hands_are_cleaned_before_touching_between_soiled_and_clean_and_at_the_end(sample, name):
    """WHO, My five moments for hand hygiene (2009): before touching a patient, before a clean procedure, after risk of
    body fluid, after touching a patient."""
    lines = [line.casefold() for line in steps(recipes_of(sample)[name], "none", pairs=True)]
    cleaned = [n for n, line in enumerate(lines) if "clean your hands" in line]
    held = next(n for n, line in enumerate(lines) if ("holds the" in line and n > 1) or "takes hold" in line)
    soiled = next(n for n, line in enumerate(lines) if "from soiled to clean" in line)
    ends = max(n for n, line in enumerate(lines) if "to the waste" in line)
    assert cleaned[0] < held < soiled
    assert soiled in cleaned
    assert ends in cleaned


@pytest.mark.parametrize("name", ["oral_two_y", "oral_h_and_y", "nasal_two_y"])
@pytest.mark.parametrize("width_mm", [12.5, 25.0, 50.0])
def test_on_every_face_a_leg_reaches_its_tube_goes_round_it_and_the_slit_ends_on_its_own_side(measures, name, width_mm):
    """The way from slit to tube added to the helix (any calculus text), for every tube of the grid and every tape."""
    face, tubes = measures
    for mm in SIZES:
        row = airway(mm, face, tubes)
        cut = cut_pieces(recipes_of("mill_lane")[name], row, width_mm)
        legs = cut[cut["turns"] > 0]
        around = legs["turns"] * np.hypot(np.pi * row["outer_mm"], width_mm / 2)
        assert np.allclose(legs["leg_needed_mm"], legs["path_mm"] + around + legs["tab_mm"])
        assert (legs["leg_mm"] >= legs["leg_needed_mm"] - 1e-6).all(), (name, mm)
        ys = cut[cut["shape"] == "Y"]
        half = row["span_mid_cheek_mm"] / 2
        assert (ys["uncut_mm"] < half).all(), (name, mm)
        assert np.allclose(ys["path_mm"], np.maximum(half - ys["uncut_mm"] - row["outer_mm"] / 2, 0))
        if width_mm == 12.5:
            assert (cut["lengthened_mm"] == 0).all(), "narrow tape needs no longer piece on any face"
