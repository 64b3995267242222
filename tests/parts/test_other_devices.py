"""Other devices, made of data alone: every part and every print serves them with the words of their recipes."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from kitplan.outputs import plan_files
from kitplan.parts.training.model import plan_training
from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units

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


def test_every_part_that_the_data_allow_is_planned(planned):
    name, plan = planned
    assert {"kits", "par", "training"} <= set(plan.parts), name
    assert (plan.par.levels["par_packs"] >= 0).all()


def test_no_bedside_of_a_feeding_tube_holds_a_mask_or_a_bag(feeding):
    assert not {"mask", "bag"} & set(feeding.kits.contents["role"])
    assert not feeding.kits.contents["emergency"].eq("yes").any()


def test_every_bedside_of_a_tracheostomy_holds_spare_tubes_of_the_same_and_of_the_smaller_size():
    plan = plan_unit(load_unit(sample_units()["birch_house"]), parts=("kits",))
    for row in plan.kits.strata.itertuples():
        own = plan.kits.contents[plan.kits.contents["design"] == row.design]
        spare = set(own.loc[own["role"] == "spare_tube", "item"])
        assert {f"spare_tube_{mm:.1f}mm".replace(".", "_") for mm in (row.tube_mm, row.tube_mm - 0.5)} == spare


def test_the_prints_of_a_feeding_tube_speak_of_feeding_tubes(feeding):
    for name, text in printed(feeding).items():
        text = text.replace("Check emergency airway equipment at every", "")
        for word in AIRWAY_WORDS:
            assert word not in text.casefold(), (name, word)


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
    free = plan_training(feeding.unit, lessons, {}, feeding.kits.item_choice)
    kept = plan_training(feeding.unit, feeding.unit.classes, {}, feeding.kits.item_choice)
    assert free.value <= kept.value + 1e-9
