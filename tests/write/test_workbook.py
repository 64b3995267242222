"""The workbooks as a person meets them: what they say, what may be typed, how they print, and that they repeat."""

from __future__ import annotations

import functools
import hashlib
import io
import os
import subprocess
import sys
import time
import zipfile
from dataclasses import replace
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from kitplan.parts.kits.emergency_sheet import bedside_list
from kitplan.parts.overview.readers import WORKBOOKS
from kitplan.parts.par.summary import three_sentences
from kitplan.parts.par.values import Readiness, StandingPar
from kitplan.read.values import READINESS
from kitplan.resources import caution
from kitplan.workbooks import build_workbooks
from kitplan.write.shelf import shelf_key, stock_lines

SHEETS = {
    "stock-room.xlsx": ["Start here", "Par levels", "Bedside emergency"],
    "months.xlsx": ["Start here", "Readiness and cost"],
    "behind-the-numbers.xlsx": ["Start here", "Input checks", "Airways", "Assumptions"],
}
"""Sheets of each workbook of a plan that has par levels alone."""


@functools.lru_cache(maxsize=2)
def loaded(content: bytes) -> openpyxl.Workbook:
    """A workbook to look at; the tests never write to it."""
    return openpyxl.load_workbook(io.BytesIO(content))


def opened(plan, file="stock-room.xlsx") -> openpyxl.Workbook:
    return loaded(build_workbooks(plan)[file])


def checked(plan) -> openpyxl.Workbook:
    return opened(plan, "behind-the-numbers.xlsx")


def all_sheets(plan):
    return [sheet for file in build_workbooks(plan) for sheet in opened(plan, file).worksheets]


def words(sheet) -> str:
    return "\n".join(str(c.value) for row in sheet.iter_rows() for c in row if c.value is not None)


def header_row(sheet, first: str) -> int:
    return next(r for r in range(1, sheet.max_row + 1) if sheet.cell(r, 1).value == first)


def lines_of(sheet, first: str) -> list[dict[str, object]]:
    """Rows under the header whose first cell is `first`, as dictionaries by header; group rows left out."""
    top = header_row(sheet, first)
    names = [c.value for c in sheet[top]]
    rows = [dict(zip(names, (c.value for c in sheet[r]))) for r in range(top + 1, sheet.max_row + 1)]
    return [r for r in rows if r[names[1]] and list(r.values()).count(None) < len(names) // 2]


def test_every_person_has_a_workbook_whose_sheets_stand_in_the_order_of_the_work(plan):
    assert {file: opened(plan, file).sheetnames for file in build_workbooks(plan)} == SHEETS


def test_the_first_sheet_says_the_result_what_to_do_the_plan_number_and_the_caution(plan):
    text = words(opened(plan)["Start here"])
    for sentence in three_sentences(plan):
        assert sentence in text
    assert caution() in text
    assert plan.number in text
    assert "Count" in text
    assert all(name in text for name in SHEETS["stock-room.xlsx"][1:])


@pytest.mark.parametrize("file", SHEETS)
def test_every_first_sheet_says_whom_it_is_for_what_to_do_the_caution_and_who_opens_which(plan, file):
    text = words(opened(plan, file)["Start here"])
    assert text.split("\n")[1].startswith("For ")
    assert "What to do" in text
    assert caution() in text
    for workbook in WORKBOOKS:
        assert (workbook.file in text) == (workbook.file in SHEETS), "a workbook that is not written is not named"


def test_the_first_sheet_says_in_one_sentence_what_readiness_is(plan):
    assert READINESS in words(opened(plan)["Start here"])
    assert READINESS in words(opened(plan, "months.xlsx")["Readiness and cost"])


def test_invented_prices_and_guessed_rates_are_said_where_numbers_are_acted_on(plan):
    for sheet in ("Start here", "Par levels"):
        assert "INVENTED" in words(opened(plan)[sheet])
    own = replace(plan.unit, items=plan.unit.items.assign(provenance="our contract"))
    assert "INVENTED" not in words(opened(replace(plan, unit=own))["Par levels"])


def test_the_first_sheet_lists_the_others_by_what_they_are_for_and_leads_to_them(plan):
    sheet = opened(plan)["Start here"]
    column = [sheet.cell(r, 1) for r in range(1, sheet.max_row + 1)]
    listed = [c.value for c in column]
    sections = ["For the week", "At the bedside"]
    assert [v for v in listed if v in sections] == sections
    links = {c.value: c.hyperlink.location for c in column if c.hyperlink}
    assert links == {name: f"'{name}'!A1" for name in SHEETS["stock-room.xlsx"][1:]}


def test_plan_number_and_unit_can_be_found_by_name(plan):
    book = opened(plan)
    number = plan.number
    for name, expected in (("plan_number", number), ("unit_name", plan.unit.name)):
        sheet, cell = next(iter(book.defined_names[name].destinations))
        assert book[sheet][cell.replace("$", "")].value == expected


def test_every_item_held_has_a_par_line_with_its_because_and_the_values_add_up(plan):
    lines = lines_of(opened(plan)["Par levels"], "Bin")
    levels = plan.par.levels
    held = levels[levels["par_packs"] > 0]
    assert len(lines) == len(held)
    assert {line["Because"] for line in lines} == set(held["because"])
    assert sum(line["Value at most (USD)"] for line in lines) == pytest.approx(plan.par.value)
    assert sum(line["Par: order when under"] for line in lines) == held["par_units"].sum()


def test_emergency_equipment_is_marked_in_words(plan):
    lines = lines_of(opened(plan)["Par levels"], "Bin")
    critical = plan.unit.items.loc[plan.unit.items["critical"], "description"]
    marked = {line["Item"].removeprefix("EM  ") for line in lines if line["Item"].startswith("EM  ")}
    assert marked == set(critical)


def test_items_that_the_plan_does_not_hold_are_named_once(plan):
    text = words(opened(plan)["Par levels"])
    levels = plan.par.levels
    for name in levels.loc[levels["par_packs"] == 0, "description"]:
        assert text.count(name) == 1


def test_bin_a2_comes_before_bin_a10_and_no_bin_comes_last():
    assert sorted(["", "A10", "a2", "B1", "A2-10", "A2-9"], key=shelf_key) == ["a2", "A2-9", "A2-10", "A10", "B1", ""]


def test_every_sheet_prints_to_page_width_with_name_date_page_and_repeated_headers(plan):
    for sheet in all_sheets(plan):
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        setup = sheet.page_setup  # what stands nowhere is 1 (ECMA-376, pageSetup)
        assert setup.fitToWidth in (None, 1)
        pages = (None, 1) if sheet.title == "Start here" else (0,)
        assert setup.fitToHeight in pages, "one page for the first sheet, as many as it needs for the others"
        footer = sheet.oddFooter
        assert plan.unit.name in footer.left.text
        assert "&D" in footer.center.text
        assert "&P of &N" in footer.right.text
        assert not any("_x" in (part.text or "") for part in (footer.left, footer.center, footer.right))
        if sheet.title != "Start here":
            assert sheet.print_title_rows
            assert sheet.freeze_panes


def test_nothing_is_told_by_colour(plan):
    greys = {"00000000", "FFE0E0E0", "FFF2F2F2"}
    for sheet in all_sheets(plan):
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.fill.fgColor.rgb in greys
                if cell.value is not None and not cell.hyperlink:
                    assert cell.font.color.type == "theme"
                    assert cell.font.color.theme == 1, "the text colour of the workbook, black"


def test_the_bedside_list_gives_each_airway_a_mask_and_a_bag(plan):
    found = bedside_list(plan)
    for _, group in found.groupby("stratum"):
        assert {"mask", "bag"} <= set(group["role"])
        assert (group["at_bedside"] >= 1).all()
    assert set(found["label"]) == set(plan.unit.strata["label"])


def test_the_airways_sheet_adds_up_what_the_plan_counts_on(plan):
    sheet = checked(plan)["Airways"]
    rows = {r[0].value: [c.value for c in r[1:]] for r in sheet.iter_rows() if r[0].value}
    assert rows["oral 4.0 mm"] == [3.0, 0.52, pytest.approx(7 * 0.52 * 3), 3.5,
                                   "loose 62 %, soiled 24 %, moved 8 %, skin 6 %"]
    assert rows["All airways"][:3] == [9.0, pytest.approx(0.52), pytest.approx(7 * 0.52 * 9)]


def test_assumptions_carry_their_provenance(plan):
    text = words(checked(plan)["Assumptions"])
    for line in plan.unit.assumptions:
        assert line.name in text
        assert line.source in text
    rows = [row for row in checked(plan)["Assumptions"].iter_rows(values_only=True) if row[1] and row[1] != "Name"]
    assert all(row[0] and row[4] for row in rows), "a topic stands in its own rows: none alone at a printed page's foot"


def test_input_checks_list_every_warning_with_its_mend(plan):
    text = words(checked(plan)["Input checks"])
    assert "is a large tube for a patient of 3.2 kg" in text
    assert "Check the size." in text


def test_the_frontier_has_a_chart_with_the_plan_and_todays_par_marked(plan_maker, par_maker):
    today = StandingPar(Readiness(0.98, 0.71, 0.705, 0.69, 0.72, 20000), 2800.0, 2500.0, 300.0)
    plan = plan_maker(par=par_maker(present=today))
    with zipfile.ZipFile(io.BytesIO(build_workbooks(plan)["months.xlsx"])) as archive:
        chart = archive.read("xl/charts/chart1.xml").decode()
    assert "This plan" in chart
    assert "Your par today" in chart
    assert chart.count("<c:ser>") == 3
    assert "Value at par (USD)" in chart


@pytest.mark.parametrize("text", [
    "=1+1", '+cmd|" /C calc"!A0', "-2+3", "@SUM(A1)", "\t=1", "＝1", "bell\x07 and null\x00", "\x00=1+1",
])
def test_text_from_inputs_never_becomes_a_formula(plan_maker, par_maker, plan, text):
    levels = plan.par.levels.assign(description=text, because=text)
    unit = replace(plan.unit, name=text)
    book = opened(plan_maker(unit=unit, par=par_maker(levels=levels)))
    own = [c for sheet in book.worksheets for row in sheet.iter_rows() for c in row if c.data_type == "f"]
    assert not own
    cell = next(r for r in book["Par levels"].iter_rows(min_row=6) if r[9].value)[9]
    assert cell.data_type == "s"


ELSEWHERE = """
import hashlib, importlib.util, sys
def load(name):
    spec = importlib.util.spec_from_file_location("own", f"{sys.argv[1]}/tests/{name}")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
from kitplan.workbooks import build_workbooks
plan = load("write/conftest.py").make_plan(load("conftest.py").make_unit())
print(hashlib.sha256(b"".join(build_workbooks(plan).values())).hexdigest())
"""


def test_the_same_plan_gives_the_same_bytes_later_and_in_another_process(plan):
    first = build_workbooks(plan)
    time.sleep(1.1)
    assert build_workbooks(plan) == first
    root = str(Path(__file__).parents[2])
    done = subprocess.run([sys.executable, "-c", ELSEWHERE, root], capture_output=True, text=True, check=True,
                          env=os.environ | {"PYTHONHASHSEED": "77", "PYTHONPATH": root})
    assert done.stdout.strip() == hashlib.sha256(b"".join(first.values())).hexdigest()


def test_the_emergency_sheet_asks_for_as_many_whole_things_as_the_kit_holds(plan):
    """A floor of one and a half is two in the kit, and two to look for at the bedside."""
    critical = plan.unit.items["critical"]
    items = plan.unit.items.assign(min_bedside=plan.unit.items["min_bedside"].mask(critical, 1.5))
    told = bedside_list(replace(plan, unit=replace(plan.unit, items=items)))
    held = told[told["item"].isin(items.loc[critical, "item"])]
    assert set(held["at_bedside"]) == {2}


def test_a_unit_without_bins_or_warnings_still_gets_its_workbook(plan, plan_maker, par_maker):
    items, levels = plan.unit.items.assign(bin=""), plan.par.levels
    unit = replace(plan.unit, items=items, warnings=(), assumptions=())
    no_frontier = pd.DataFrame(columns=["readiness", "value", "litres"])
    bare = plan_maker(unit=unit, par=par_maker(levels=levels, frontier=no_frontier))
    book = opened(bare)
    assert "months.xlsx" not in build_workbooks(bare), "nothing to decide without a frontier"
    assert book.sheetnames == SHEETS["stock-room.xlsx"]
    assert list(stock_lines(bare)["item"]) == list(levels["item"])


def test_a_unit_name_of_any_length_fits_the_footer(plan, plan_maker):
    unit = replace(plan.unit, name="Ward & nursery " * 40)
    for sheet in all_sheets(plan_maker(unit=unit)):
        assert len(sheet.oddFooter.left.text) < 200


def test_a_plan_that_limits_hold_back_says_which_on_its_first_sheet(plan_maker, par_maker):
    par = par_maker(answer="limited", binding=("needs 24 L more shelf, or readiness 94.4 %",))
    text = words(opened(plan_maker(par=par))["Start here"])
    assert "A limit that binds\nneeds 24 L more shelf, or readiness 94.4 %" in text
    assert "is the best within your limits against the target of 98.0 %" in text
