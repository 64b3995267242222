"""A technique is data: what a recipe may say, and what it may not."""

from __future__ import annotations

import pytest

from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.read.values import Piece

OWN = """
[bow]
title = "Two ties in a bow"
routes = ["oral", "nasal"]
people = 3
measure = "tragus"
tape_width_mm = 25
pieces = [{ shape = "y", count = 2, span = 1.1, extra_mm = 10, uncut_mm = 40, tab_mm = 5, turns = 1.5 }]
[bow.uses]
Gloves = 3
gauze = 2
saline = 0
[bow.uses_with_barrier]
barrier = 2
"""


def test_a_units_own_recipe_needs_no_code(unit_folder):
    unit = load_unit(unit_folder({"techniques.toml": OWN}))
    bow = unit.techniques["bow"]
    assert set(unit.strata["technique"]) == {"bow"}
    assert (bow.title, bow.people, bow.measure, bow.tape_width_mm) == ("Two ties in a bow", 3, "tragus", 25)
    assert bow.pieces == (Piece("Y", 2, span=1.1, extra_mm=10, uncut_mm=40, tab_mm=5, turns=1.5),)
    assert dict(bow.uses) == {"gloves": 3, "gauze": 2}
    assert any("this unit's own techniques.toml" in a.source for a in unit.assumptions)


def test_a_recipe_without_pieces_needs_no_tape(unit_folder):
    own = '[loop]\nroutes = ["oral", "nasal"]\n[loop.uses]\nties = 2\n'
    unit = load_unit(unit_folder({"techniques.toml": own}))
    assert unit.techniques["loop"].pieces == ()


FAULTS = [
    ("a misspelt key", OWN.replace("people", "peple"), "bow.peple", "'people'"),
    ("a misspelt key of a piece", OWN.replace("uncut_mm", "uncutt_mm"), "bow.pieces[1].uncutt_mm", "'uncut_mm'"),
    ("an unknown shape", OWN.replace('"y"', '"T"'), "bow.pieces[1].shape", "strip"),
    ("no route", OWN.replace('["oral", "nasal"]', "[]"), "bow.routes", 'routes = ["oral"]'),
    ("an unknown measure", OWN.replace('"tragus"', '"ear"'), "bow.measure", "mid_cheek"),
    ("no length", OWN.replace("span = 1.1, ", ""), "bow.pieces[1]", "span"),
    ("two lengths", OWN.replace("span = 1.1", "span = 1.1, length_mm = 90"), "bow.pieces[1]", "length_mm"),
    ("half a piece", OWN.replace("count = 2", "count = 1.5"), "bow.pieces[1].count", "whole number"),
    ("no piece", OWN.replace("count = 2", "count = 0"), "bow.pieces[1].count", "at least 1"),
    ("a negative quantity", OWN.replace("gauze = 2", "gauze = -2"), "bow.uses.gauze", "at least 0"),
    ("a quantity as text", OWN.replace("gauze = 2", 'gauze = "2"'), "bow.uses.gauze", "quotation marks"),
    ("a quantity without end", OWN.replace("gauze = 2", "gauze = inf"), "bow.uses.gauze", "finite"),
    ("a role that no item fills", OWN.replace("gauze = 2", "gauzes = 2"), "bow.uses.gauzes", "'gauze'"),
    ("nobody takes part", OWN.replace("people = 3", "people = 0"), "bow.people", "at least 1"),
    ("two defaults", OWN + OWN.replace("bow", "knot") .replace("people", "default = true\npeople")
     + OWN.replace("bow", "loop").replace("people", "default = true\npeople"), "loop.default", "one recipe a route"),
    ("uses nothing", '[bow]\nroutes = ["oral", "nasal"]\n', "bow", "pieces"),
    ("not a recipe", "bow = 5\n" + OWN.replace("bow", "knot"), "bow", "Begin a recipe"),
    ("a width that no tape has", OWN.replace("tape_width_mm = 25", "tape_width_mm = 19"), "role", "no tape"),
]


@pytest.mark.parametrize(("own", "column", "words"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_a_bad_recipe_is_refused_by_its_key(own, column, words, unit_folder, problems_of):
    problems = problems_of(unit_folder({"techniques.toml": own}))
    told = [p for p in problems if p.column == column]
    assert told, "\n".join(map(str, problems))
    assert words in str(told[0])


def test_an_unused_recipe_may_name_roles_that_no_item_fills(unit_folder):
    own = OWN.replace("people", "default = true\npeople") + '[sling]\nroutes = ["oral"]\n[sling.uses]\nsling = 1\n'
    assert load_unit(unit_folder({"techniques.toml": own})).techniques["sling"].uses == {"sling": 1}


def test_a_route_without_a_default_needs_a_technique_in_the_census(unit_folder, problems_of):
    own = OWN + OWN.replace("bow", "knot")
    problems = problems_of(unit_folder({"techniques.toml": own}))
    assert all("no recipe is the default of the route" in p.fault for p in problems)
    named = "route,tube_mm,airways,technique\noral,3.5,2,knot\n"
    unit = load_unit(unit_folder({"techniques.toml": own, "census.csv": named}))
    assert unit.strata["technique"].tolist() == ["knot"]


def test_a_new_route_is_a_recipe_of_that_route(unit_folder):
    own = OWN.replace('["oral", "nasal"]', '["tracheostomy"]')
    unit = load_unit(unit_folder({"techniques.toml": own, "census.csv": "route,tube_mm,airways\nTracheostomy,4.0,1\n"}))
    assert unit.strata["route"].tolist() == ["tracheostomy"]


def test_an_empty_file_holds_no_recipe(unit_folder, problems_of):
    assert any(p.fault == "holds no recipe" for p in problems_of(unit_folder({"techniques.toml": "# nothing\n"})))


def test_a_barrier_piece_must_come_out_of_a_sheet(unit_folder, problems_of):
    face = ("tube_from_mm,tube_to_mm,span_mid_cheek_mm,span_tragus_mm,barrier_width_mm,barrier_length_mm\n"
            "2,10,100,150,90,260\n")
    files = {"face.csv": face, "census.csv": "route,tube_mm,airways,skin\noral,3.5,1,barrier\n"}
    (problem,) = problems_of(unit_folder(files))
    assert "no barrier sheet large enough for oral 3.5 mm" in problem.fault


@pytest.mark.parametrize(("shape", "key", "given"), [
    ("Y", "uncut_mm", "uncut_share = 0.3"), ("H", "bridge_mm", "turns = 1")])
def test_a_piece_that_its_slit_cuts_in_two_is_worth_a_look(shape, key, given, unit_folder):
    def warned(more):
        piece = f'[{{ shape = "{shape}", count = 1, span = 1.0, {more} }}]'
        own = f'[bow]\nroutes = ["oral", "nasal"]\npieces = {piece}\nsteps = ["a"]\n[bow.uses]\ngauze = 2\n'
        return [w.column for w in load_unit(unit_folder({"techniques.toml": own})).warnings
                if w.fault.startswith("is slit from end to end")]
    assert warned(given) == [f"bow.pieces[1].{key}"]
    assert warned(f"{key} = 20") == []


def test_a_recipe_with_a_fault_is_still_known_by_its_name_to_the_files_that_use_it(unit_folder):
    """One slip, one line: neither census nor class says that there is no such recipe."""
    own = OWN.replace('"y"', '"x"')
    lesson = 'title = "Class"\nlearners = 4\n[[practice]]\ntechnique = "bow"\ntube_mm = 3.5\n'
    with pytest.raises(InputError) as told:
        load_unit(unit_folder({"techniques.toml": own, "class.toml": lesson}))
    assert [(p.file, p.column) for p in told.value.problems] == [("techniques.toml", "bow.pieces[1].shape")]
    with pytest.raises(InputError) as told:
        load_unit(unit_folder({"techniques.toml": "bow = = 1", "class.toml": lesson}))
    assert {p.file for p in told.value.problems} == {"techniques.toml"}


def test_a_shipped_recipe_that_the_units_own_file_lacks_is_to_be_copied_into_it(unit_folder):
    census = "date,route,tube_mm,airways,technique\n2026-06-01,oral,4.0,3,oral_two_y\n"
    for own, said in ((None, False), (OWN, True)):
        files = {"census.csv": census.replace("oral_two_y", "oral_two_y" if own else "oral_two_z")}
        with pytest.raises(InputError) as told:
            load_unit(unit_folder(files | ({"techniques.toml": own} if own else {})))
        (fault,) = [p.fault for p in told.value.problems if p.column == "technique"]
        assert ("copy into it what is used" in fault) is said
