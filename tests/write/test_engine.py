"""The filled-in count sheet, recalculated by a real spreadsheet program.

With KITPLAN_REQUIRE_ENGINE=1 the test fails where no such program is installed; otherwise it is skipped.
"""

import os
import shutil
import subprocess
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from kitplan.parts.orders import sheets
from kitplan.parts.orders.model import weekly_round
from kitplan.parts.orders.round_plan import round_plan_of
from kitplan.read.order_book import Line, OrderBook
from kitplan.write.book import Book

ENGINE = shutil.which("soffice") or shutil.which("libreoffice")
COUNTS = [(None, None), (0, 0), (1, None), (0, 7), (None, 3), (2, 60), (9, 0), (90, 1), (0, 199), (4, 4)]
DAY = date(2026, 7, 1)


def recalculated(source: Path) -> openpyxl.Workbook:
    """The workbook as the engine saves it again after calculating."""
    out = source.parent / "out"
    subprocess.run(
        [str(ENGINE), "--headless", f"-env:UserInstallation={(source.parent / 'profile').as_uri()}",
         "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(out), str(source)],
        check=True, capture_output=True, timeout=120,
    )
    return openpyxl.load_workbook(out / source.name, data_only=True)


@pytest.mark.engine
@pytest.mark.skipif(ENGINE is None and os.environ.get("KITPLAN_REQUIRE_ENGINE") != "1", reason="no spreadsheet program")
def test_a_filled_in_count_says_what_is_low_what_is_due_and_what_cannot_be(plan, tmp_path):
    assert ENGINE, "KITPLAN_REQUIRE_ENGINE=1 asks for a spreadsheet program, and none is installed"
    items = plan.unit.items.copy()
    items.loc[0, "bin"] = '=HYPERLINK("x")'
    plan = replace(plan, unit=replace(plan.unit, items=items))
    made = round_plan_of(plan.unit, plan.par.levels, np.full(len(items), 5), None)
    lines = [Line("orders", DAY, "ordered", x.item, x.pack, 1, number="1") for x in made.levels[::3]]
    weekly = weekly_round(plan.unit, made, OrderBook().grown(lines, "P"))
    book = Book("Unit", "USD", "AB-1")
    sheets.add_sheets(book, plan.with_result("order", weekly))
    path = tmp_path / "filled.xlsx"
    path.write_bytes(book.content())
    filled = openpyxl.load_workbook(path)
    sheet = filled["Count"]
    top = next(r for r in range(1, 30) if sheet.cell(r, 2).value == "Item")
    column = {str(c.value): c.column for c in sheet[top]}
    given = [COUNTS[k % len(COUNTS)] for k in range(len(made.levels))]
    for k, (packs, loose) in enumerate(given, top + 1):
        sheet.cell(k, column["Packs"]).value, sheet.cell(k, column["Loose units"]).value = packs, loose
    filled.save(path)

    sheet = recalculated(path)["Count"]
    looks = set()
    for k, (level, (packs, loose)) in enumerate(zip(made.levels, given), top + 1):
        look, counted = sheet.cell(k, column["Look"]).value or "", sheet.cell(k, column["Counted"]).value
        if packs is None and loose is None:
            assert (look, counted or None) == ("", None)
            continue
        held = (packs or 0) * level.pack + (loose or 0)
        coming = weekly.now.to_come(level.item)
        low = "EMERGENCY: LOW" if level.critical else "URGENT"
        due = "order" if held + coming < level.level_units else ""
        expected = low if held < level.urgent_units else "SO MANY?" if held > level.top_units else due
        assert counted == held
        assert look == expected, level.item
        looks.add(look)
    assert looks >= {"EMERGENCY: LOW", "URGENT", "SO MANY?", "order", ""}
    assert '=HYPERLINK("x")' in [c.value for row in sheet.iter_rows() for c in row]
