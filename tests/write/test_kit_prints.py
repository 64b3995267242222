"""Kit prints: true scale, legible marks, both papers, the same bytes again."""

from __future__ import annotations

import dataclasses
import importlib.util
import re
import zlib
from pathlib import Path

import pandas as pd
import pytest

from kitplan.parts.kits import prints as kit_prints
from kitplan.parts.kits.build_card import packing_order
from kitplan.parts.kits.cut_card import cut_jobs
from kitplan.parts.kits.emergency_sheet import not_listed
from kitplan.parts.kits.tables import kit_lookup, served_lines
from kitplan.planning import plan_unit
from kitplan.read.values import Piece

MM = 72 / 25.4
TESTS = Path(__file__).resolve().parents[1]


def _module(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


kit_units = _module("kit_units", TESTS / "solve" / "kit_units.py")
unit_values = _module("unit_values", TESTS / "conftest.py")


@pytest.fixture(scope="module")
def plan():
    unit = kit_units.with_strata(unit_values.make_unit(), kit_units.MIXED)
    return plan_unit(unit, parts=("kits",))


@pytest.fixture(scope="module")
def files_on(plan):
    """paper -> file name -> PDF."""
    return {paper: kit_prints.prints(dataclasses.replace(plan, unit=dataclasses.replace(plan.unit, paper=paper)))
            for paper in ("a4", "letter")}


@pytest.fixture(scope="module")
def files(files_on):
    return files_on["a4"]


def page_drawings(pdf: bytes) -> list[str]:
    """The drawing operators of each page, in order."""
    streams = re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.S)
    plain = [zlib.decompressobj().decompress(stream) for stream in streams]
    return [text.decode("latin-1") for text in plain]


def rectangles_mm(drawing: str) -> list[tuple[float, float]]:
    found = re.findall(r"([\d.]+) ([\d.]+) ([\d.]+) ([\d.]+) re", drawing)
    return [(float(w) / MM, float(h) / MM) for _, _, w, h in found]


def horizontal_lines_mm(drawing: str) -> list[float]:
    found = re.findall(r"([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l", drawing)
    return [abs(float(c) - float(a)) / MM for a, b, c, d in found if abs(float(b) - float(d)) < 1e-6]


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_piece_is_drawn_at_true_scale_to_a_hundredth_of_a_millimetre(plan, files_on, paper):
    jobs = cut_jobs(plan.unit, plan.kits.item_choice, plan.kits.strata)
    pages = page_drawings(files_on[paper]["cut-cards.pdf"])
    assert len(pages) == len(jobs) == 5
    for job, page in zip(jobs, pages):
        drawn = rectangles_mm(page)
        for piece in job.pieces.itertuples():
            wanted = (piece.length_mm, job.width_mm)
            assert any(abs(w - wanted[0]) < 0.01 and abs(h - wanted[1]) < 0.01 for w, h in drawn), (job.title, wanted)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_cut_card_has_a_check_ruler_of_exactly_100_mm_and_says_print_at_100_percent(files_on, paper):
    for page in page_drawings(files_on[paper]["cut-cards.pdf"]):
        assert any(abs(length - 100) < 0.01 for length in horizontal_lines_mm(page))
        assert "Print at 100 %" in page


def test_slits_are_dashed_and_as_long_as_the_leg(plan, files):
    jobs = cut_jobs(plan.unit, plan.kits.item_choice, plan.kits.strata)
    for job, page in zip(jobs, page_drawings(files["cut-cards.pdf"])):
        dashed = re.findall(r"\[5 3\] 0 d\s+n ([\d.]+) ([\d.]+) m ([\d.]+) ([\d.]+) l", page)
        lengths = sorted(round((float(c) - float(a)) / MM, 1) for a, _, c, _ in dashed)
        slits = {"Y": 1, "H": 2}
        wanted = sorted(round(p.leg_mm, 1) for p in job.pieces.itertuples() for _ in range(slits.get(p.shape, 0)))
        assert lengths == wanted


def test_a_piece_longer_than_the_paper_is_drawn_in_parts_of_its_whole_length(plan):
    unit = plan.unit
    long = dataclasses.replace(unit.techniques["oral_two_y"], pieces=(Piece("strip", 1, length_mm=400),))
    unit = dataclasses.replace(unit, techniques={**unit.techniques, "oral_two_y": long})
    kits = plan.kits
    jobs = [j for j in cut_jobs(unit, kits.item_choice, kits.strata) if j.title == long.title]
    drawn = rectangles_mm(page_drawings(kit_prints.cut_cards(jobs[:1], "letter", "foot"))[0])
    strips = [w for w, h in drawn if abs(h - jobs[0].width_mm) < 0.01]
    assert sum(strips) == pytest.approx(400, abs=0.05)
    assert max(strips) < 279.4 - 24 + 0.01


def test_airways_of_one_size_that_are_cut_differently_get_a_card_each(plan):
    unit, kits = plan.unit, plan.kits
    strata = unit.strata.copy()
    strata.loc[len(strata)] = strata.loc[1].to_dict() | {"skin": "barrier", "span_mid_cheek_mm": 140.0}
    more = dataclasses.replace(unit, strata=strata)
    told = kits.strata.copy()
    told.loc[len(told)] = told.loc[1].to_dict() | {"skin": "barrier"}
    frame = kits.item_choice.frame
    added = frame[frame["stratum"] == 1].assign(stratum=len(told) - 1)
    choice = dataclasses.replace(kits.item_choice, frame=pd.concat([frame, added], ignore_index=True))
    jobs = [j for j in cut_jobs(more, choice, told) if j.size == "3.5 mm" and j.route == "oral"]
    assert sorted(j.skins for j in jobs) == [("barrier",), ("none",)]


def test_there_is_one_build_card_a_design_with_every_item_and_two_tick_boxes_each(plan, files_on):
    kits = plan.kits
    for paper in ("a4", "letter"):
        pages = page_drawings(files_on[paper]["build-cards.pdf"])
        designs = list(kits.contents.groupby("design", sort=False))
        assert len(pages) == len(designs)
        for (design, rows), page in zip(designs, pages):
            assert f"Kit {design}" in page
            assert sum(1 for w, h in rectangles_mm(page) if abs(w - 5.4) < 0.01) == 2 * len(rows)
            for description in rows["description"]:
                assert description.split(",")[0] in page


def test_the_emergency_set_is_packed_last_so_that_it_lies_on_top(plan):
    for _, rows in plan.kits.contents.groupby("design"):
        marks = packing_order(rows)["emergency"].eq("yes").to_numpy()
        assert (marks[:-1] <= marks[1:]).all()
        assert marks[-1]


def test_every_print_carries_the_caution_the_unit_and_the_page(plan, files):
    for name, pdf in files.items():
        for page in page_drawings(pdf):
            assert "no clinical advice" in page, name
            assert "Invented test unit" in page, name
            assert "Page " in page, name


def test_prints_use_no_colour(files):
    for pdf in files.values():
        for page in page_drawings(pdf):
            for red, green, blue in re.findall(r"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)", page):
                assert red == green == blue


def test_the_same_plan_prints_the_same_bytes(plan, files):
    assert kit_prints.prints(plan) == files


def test_the_lookup_gives_each_size_and_route_its_letter_and_names_the_exceptions(plan):
    strata = plan.kits.strata.assign(design=["A", "B", "A", "C", "C", "B"])
    lookup = kit_lookup(strata, plan.unit)
    assert lookup.routes == ("oral", "nasal")
    assert lookup.cells["2.5", "oral"] == ("A",)
    split = strata.copy()
    split.loc[len(split)] = split.loc[1].to_dict() | {"skin": "barrier", "design": "D", "mean_airways": 0.1}
    assert kit_lookup(split, plan.unit).cells["3.5", "oral"] == ("B", "D: with barrier")
    assert "3.5 mm (with barrier)" in served_lines(split, {})["D"][0]


def test_a_cut_card_warns_where_a_leg_is_too_short(plan, files):
    unit, kits = plan.unit, plan.kits
    wound = (Piece("Y", 1, span=1.0, uncut_mm=50, turns=9),)
    winding = dataclasses.replace(unit.techniques["oral_two_y"], pieces=wound)
    jobs = cut_jobs(dataclasses.replace(unit, techniques={**unit.techniques, "oral_two_y": winding}), kits.item_choice,
                    kits.strata)
    assert "go 9 turns round" in " ".join(page_drawings(kit_prints.cut_cards(jobs, "a4", "foot")))


def test_a_cut_card_says_for_which_weight_it_stands_that_it_is_an_estimate_and_what_comes_first(files):
    text = " ".join(" ".join(page_drawings(files["cut-cards.pdf"])).split())
    assert "MEASURE THIS PATIENT'S FACE FIRST" in text
    assert "an estimate" in text


def test_every_emergency_line_of_a_build_card_says_which_sizes_the_item_fits(plan, files):
    text = " ".join(page_drawings(files["build-cards.pdf"]))
    for because in plan.kits.contents.loc[plan.kits.contents["emergency"] == "yes", "because"]:
        assert because in text


def test_the_emergency_sheet_admits_what_it_lacks(plan):
    lines = not_listed(plan.unit)
    assert len(lines) == 2
    for words in ("NOT ON THIS LIST (oral and nasal): oxygen, suction, carbon-dioxide detection",
                  "not planned here unless you add rows", "more_equipment = true"):
        assert words in lines[0]
    assert "stands for either: the census does not say" in lines[1]
