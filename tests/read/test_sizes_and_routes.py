"""Sizes on any scale, routes and recipes read as a specification; every fault with its mend."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.read.problems import InputError
from kitplan.read.sizes import face_band
from kitplan.read.unit import load_unit

ITEMS = ("item,description,role,contains,use_unit,scope,pack,price,litres,fits_from_mm,fits_to_mm,size_from,size_to,"
         "min_bedside\n")
STRIP = 'pieces = [{ shape = "strip", count = 1, length_mm = 60 }]\n'
FEEDING = ('[route.feeding]\nscale = "Fr"\nemergency = []\none = "feeding tube"\ndevice = "feeding tube"\n'
           '[fix]\nroutes = ["feeding"]\ndefault = true\n[fix.uses]\nstrip = 1\n')
STRIPS = ITEMS + "thin,,strip,1,strip,event,10,2,0.1,,,4 Fr,8 Fr,0\nwide,,strip,1,strip,event,10,2,0.1,,,8 Fr,14 Fr,0\n"


def made(unit_folder, **files):
    names = {"census": "census.csv", "unit": "unit.toml", "techniques": "techniques.toml", "items": "items.csv"}
    folder = {names[k]: v for k, v in files.items()}
    return load_unit(unit_folder({"unit.toml": "mean_stay_days = 5\n"} | folder))


def problems(unit_folder, **files):
    with pytest.raises(InputError) as refused:
        made(unit_folder, **files)
    return " | ".join(map(str, refused.value.problems))


@pytest.mark.parametrize("written", ["8 Fr", "8", "8.0 fr", "CH 8", "Fr 8", "8 French"])
def test_a_french_size_may_be_written_in_any_usual_way(unit_folder, written):
    unit = made(unit_folder, census=f"route,size,airways\nfeeding,{written},2\n", techniques=FEEDING, items=STRIPS)
    row = unit.strata.iloc[0]
    assert (row["size"], row["scale"], row["size_number"]) == ("8 Fr", "Fr", 8.0)
    assert np.isnan(row["tube_mm"])
    assert unit.words.many == "feeding tubes"


def test_a_french_size_is_three_times_the_outer_diameter_in_millimetres(unit_folder):
    """ISO 8836 designates catheters by outer diameter; the French number is three times it (from memory)."""
    unit = made(unit_folder, census="route,size,airways\nfeeding,6 Fr,1\nfeeding,12 Fr,1\n", techniques=FEEDING,
                items=STRIPS)
    assert unit.strata["outer_mm"].tolist() == [2.0, 4.0]


def test_sizes_may_be_names_and_keep_their_order(unit_folder):
    techniques = FEEDING.replace('"Fr"', '["small", "medium", "large"]')
    items = ITEMS + "a,,strip,1,strip,event,10,2,0.1,,,small,medium,0\nb,,strip,1,strip,event,10,2,0.1,,,large,,0\n"
    unit = made(unit_folder, census="route,size,airways\nfeeding,Large,1\nfeeding,small,1\n", techniques=techniques,
                items=items)
    assert unit.strata["size"].tolist() == ["small", "large"]


def test_a_route_without_sizes_needs_none(unit_folder):
    unit = made(unit_folder, census="route,airways\nfeeding,3\n", techniques=FEEDING.replace('"Fr"', '"none"'),
                items=ITEMS + "a,,strip,1,strip,event,10,2,0.1,,,,,0\n")
    assert unit.strata["label"].tolist() == ["feeding, fix"]


def test_a_cuff_moves_the_patient_that_a_tube_size_stands_for(unit_folder):
    """age/4 + 3.5 cuffed, age/4 + 4 uncuffed (Park et al., Anesth Pain Med 2022;17:352): half a size apart."""
    unit = made(unit_folder, census="route,tube_mm,airways,cuffed\noral,3.5,1,yes\noral,3.5,1,no\noral,3.5,1,\n"
                                    "oral,4.0,1,no\noral,8.0,1,yes\n")
    face = unit.strata.set_index("size")["span_mid_cheek_mm"]
    assert face["3.5 mm cuffed"] == face["4.0 mm uncuffed"] > face["3.5 mm uncuffed"] == face["3.5 mm"]
    number = unit.strata.set_index("size")["patient_number"]
    assert number["8.0 mm cuffed"] == 8.0, "adult sizes are cuffed ones already"


def test_one_tube_has_one_face_whatever_its_skin_protection(unit_folder):
    unit = made(unit_folder, census="route,tube_mm,airways,skin,patient_kg\noral,4.0,3,barrier,3.9\n"
                                    "oral,4.0,2,none,4.2\noral,4.0,2,none,4.3\n")
    assert unit.strata["span_mid_cheek_mm"].nunique() == 1
    assert unit.strata["face_for"].nunique() == 1


@pytest.mark.parametrize(("files", "fault", "mend"), [
    ({"census": "route,tube_mm,size,airways\nfeeding,3.5,8 Fr,1\n"}, "second size beside tube_mm", "Keep one"),
    ({"census": "route,size,airways\nfeeding,3.5 mm,1\n"}, "a size in mm, and sizes of the route feeding are in Fr",
     "Give it in Fr"),
    ({"census": "route,size,airways\nfeeding,,1\n"}, "is empty: the route feeding has sizes", "Fill in size"),
    ({"census": "route,size,airways\nfeeding,eight,1\n"}, "not a size in Fr", "8 Fr"),
    ({"items": ITEMS + "a,,strip,1,strip,event,10,2,0.1,2,5,4 Fr,,0\n"}, "a size in two scales", "Keep one"),
    ({"items": ITEMS + "a,,strip,1,strip,event,10,2,0.1,,,8,,0\n"}, "names no scale", "8 Fr"),
    ({"items": ITEMS + "a,,strip,1,strip,event,10,2,0.1,,,14 Fr,8 Fr,0\n"}, "smaller than the size it fits from",
     "Exchange"),
    ({"items": STRIPS.replace("4 Fr", "10 Fr").replace("8 Fr,14", "12 Fr,14").replace("8 Fr", "12 Fr")},
     "no strip that fits feeding 6 Fr", "widen the sizes"),
    ({"techniques": FEEDING.replace('"Fr"', '"inch"')}, "not a scale of sizes", '"none"'),
    ({"techniques": FEEDING.replace("emergency = []", "emergency = 5")}, "not a list of texts", "or []"),
    ({"techniques": FEEDING.replace("emergency = []", 'emergency = ["mask"]')},
     "no item of role mask: emergency equipment belongs at every bedside", "take the role out of emergency"),
    ({"techniques": FEEDING.replace("[fix.uses]", 'steps = ["@nothing"]\n[fix.uses]')},
     "names lines that [steps] does not hold", "begin"),
    ({"techniques": FEEDING.replace("[fix.uses]", 'steps = [{ say = "x", only = "monday" }]\n[fix.uses]')},
     "is not a step", "no barrier"),
])
def test_a_fault_is_told_with_its_mend(unit_folder, files, fault, mend):
    good = {"census": "route,size,airways\nfeeding,6 Fr,1\n", "techniques": FEEDING, "items": STRIPS}
    found = problems(unit_folder, **good | files)
    assert fault in found
    assert mend in found


def test_a_route_that_nothing_describes_gets_a_mask_and_a_bag_and_a_warning(unit_folder):
    unit = made(unit_folder, census="route,tube_mm,airways\nsubmental,5.0,1\n",
                techniques=f'[own]\nroutes = ["submental"]\ndefault = true\n{STRIP}')
    assert unit.route("submental").emergency == ("mask", "bag")
    assert any("describes no route submental" in str(w) and "emergency = []" in str(w) for w in unit.warnings)


def warned(unit, words):
    """The one warning that says so, and how much it can move."""
    return next(w for w in unit.warnings if words in w.fault)


def test_a_route_that_says_nothing_of_emergency_equipment_is_told_before_what_moves_less(unit_folder):
    items = STRIPS + "m,,mask,1,mask,patient,1,9,1,,,4 Fr,14 Fr,1\nb,,bag,1,bag,patient,1,9,1,,,4 Fr,14 Fr,1\n"
    unit = made(unit_folder, census="route,size,airways\nfeeding,6 Fr,1\n", items=items,
                techniques=FEEDING.replace("emergency = []\n", ""))
    assert unit.route("feeding").emergency == ("mask", "bag")
    found = warned(unit, "says nothing of emergency equipment")
    assert (found.column, found.moves) == ("route.feeding", 2)
    assert "emergency = [] where your policy keeps none" in found.mend
    assert [w.moves for w in unit.warnings] == sorted((w.moves for w in unit.warnings), reverse=True)


def test_a_new_route_without_words_is_told_what_prints_will_call_it(unit_folder):
    bare = FEEDING.replace('one = "feeding tube"\ndevice = "feeding tube"\n', "")
    unit = made(unit_folder, census="route,size,airways\nfeeding,6 Fr,1\n", techniques=bare, items=STRIPS)
    found = warned(unit, "has no words of its own: prints call it airway, tube and re-secure")
    assert found.moves == 0
    assert 'one = "feeding tube"' in found.mend
    spoken = made(unit_folder, census="route,size,airways\nfeeding,6 Fr,1\n", techniques=FEEDING, items=STRIPS)
    assert not any("no words" in w.fault for w in spoken.warnings)


def test_a_mask_on_a_scale_that_no_route_uses_is_told_by_name(unit_folder):
    items = (STRIPS + "m,,mask,1,mask,patient,1,9,1,,,4 Fr,14 Fr,1\n"
             "stray,,mask,1,mask,patient,1,9,1,3,4,,,1\n")
    unit = made(unit_folder, census="route,size,airways\nfeeding,6 Fr,1\n", items=items,
                techniques=FEEDING.replace("emergency = []", 'emergency = ["mask"]'))
    found = warned(unit, "fits no mask size of this unit: its sizes are in mm")
    assert (found.value, found.moves) == ("stray", 2)
    assert "on the scale of the routes that need it" in found.mend
    assert not any(w.value == "m" for w in unit.warnings)


def test_a_unit_whose_only_mask_is_on_a_scale_that_no_route_uses_is_refused(unit_folder):
    found = problems(unit_folder, census="route,size,airways\nfeeding,6 Fr,1\n",
                     items=STRIPS + "stray,,mask,1,mask,patient,1,9,1,3,4,,,1\n",
                     techniques=FEEDING.replace("emergency = []", 'emergency = ["mask"]'))
    assert "has no mask (emergency equipment) that fits feeding 6 Fr" in found
    assert "widen the sizes" in found


def test_a_span_smaller_than_the_uncut_part_is_refused_and_one_that_crosses_the_middle_is_questioned(unit_folder):
    piece = ('[own]\nroutes = ["oral"]\ndefault = true\n'
             'pieces = [{{ shape = "Y", count = 1, span = 1.0, uncut_mm = {} }}]\n')
    census = "route,tube_mm,airways\noral,2.5,1\n"
    found = problems(unit_folder, census=census, techniques=piece.format(90))
    assert "leaves no slit: its uncut part is as long as the piece for oral 2.5 mm" in found
    assert "uncut_share = 0.35" in found
    unit = made(unit_folder, census=census, techniques=piece.format(50))
    assert any("crosses the middle of the face" in str(w) for w in unit.warnings)


def test_the_shipped_recipes_cross_the_middle_of_no_face(unit_folder):
    sizes = "".join(f"oral,{mm},1\nnasal,{mm},1\n" for mm in np.arange(2.0, 10.1, 0.5))
    unit = made(unit_folder, census="route,tube_mm,airways\n" + sizes)
    assert not any("crosses the middle" in str(w) for w in unit.warnings)


def test_a_route_may_be_called_by_other_words(unit_folder):
    """Shipped words for the shipped routes, and those that a unit gives a route of its own."""
    unit = made(unit_folder, census="route,tube_mm,airways\nMouth,7.5,2\nby nose,7.0,1\noral,8,1\n")
    assert sorted(unit.strata["route"]) == ["nasal", "oral", "oral"]
    own = FEEDING.replace('scale = "Fr"', 'scale = "Fr"\nalias = ["NG tube", "oral"]')
    unit = made(unit_folder, census="route,size,airways\nng  tube,8 Fr,2\n", techniques=own, items=STRIPS)
    assert unit.strata["route"].tolist() == ["feeding"]


def test_the_name_of_a_route_goes_before_another_routes_other_word(unit_folder):
    """A route of a unit's own that claims the word "nasal" does not take the nasal tubes away."""
    own = ('[route.nasal]\nscale = "mm"\nemergency = []\none = "a"\n[route.feeding]\nscale = "mm"\nemergency = []\n'
           'one = "b"\nalias = ["nasal"]\n[fix]\nroutes = ["feeding", "nasal"]\ndefault = true\n'
           '[fix.uses]\nstrip = 1\n')
    unit = made(unit_folder, census="route,tube_mm,airways\nnasal,7.5,2\nnose,8,2\n", techniques=own,
                items=ITEMS + "a,,strip,1,strip,event,10,2,0.1,2,10,,,0\n")
    assert unit.strata["route"].tolist() == ["nasal", "nasal"], "words of shipped routes stand where a unit gives none"


def test_a_route_that_nothing_describes_is_named_with_the_file_that_would(unit_folder):
    said = problems(unit_folder, census="route,tube_mm,airways\ntrach,7.5,2\n")
    assert "is not a route that techniques.toml describes (got 'trach')" in said
    assert "kitplan new FOLDER --sample birch_house shows one" in said


@pytest.mark.parametrize(("low", "high", "said"), [(40, np.nan, "40 kg and more"), (2, 4, "2 to 4 kg"),
                                                   (0, 1, "up to 1 kg"), (np.nan, np.nan, "")])
def test_the_weights_of_a_face_are_said_so_that_a_sentence_can_hold_them(low, high, said):
    """A card says: of a patient of 40 kg and more."""
    assert face_band({"kg_from": low, "kg_to": high}) == said
