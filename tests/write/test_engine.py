"""The filled-in workbook, recalculated by a real spreadsheet program.

With KITPLAN_REQUIRE_ENGINE=1 the test fails where no such program is installed; otherwise it is skipped.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from kitplan.parts.orders.count_sheet import HEADERS
from kitplan.workbooks import build_workbooks
from kitplan.write.shelf import stock_lines

ENGINE = shutil.which("soffice") or shutil.which("libreoffice")
COUNTS = [(None, None, None), (0, 0, 0), (1, None, None), (0, 7, None), (None, 3, 1), (2, 60, 0), (9, 0, 9), (1, 1, 1),
          (0, None, 2), (3, 49, 0), (0, 199, None), (4, 4, 0)]
HOSTILE = "=HYPERLINK(\"x\")"


def recalculated(content: bytes, folder: Path) -> openpyxl.Workbook:
    """The workbook as the engine saves it again after calculating."""
    source = folder / "filled.xlsx"
    source.write_bytes(content)
    out = folder / "out"
    subprocess.run(
        [str(ENGINE), "--headless", f"-env:UserInstallation={(folder / 'profile').as_uri()}",
         "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(out), str(source)],
        check=True, capture_output=True,
    )
    return openpyxl.load_workbook(out / "filled.xlsx", data_only=True)


def order_by_hand(par_units: int, pack: int, packs: int | None, loose: int | None, coming: int | None) -> int | None:
    """Order-up-to rule in whole packs (Management Sciences for Health, MDS-3, ch. 23, from memory)."""
    if packs is None and loose is None:
        return None
    missing = par_units - (packs or 0) * pack - (loose or 0) - (coming or 0) * pack
    return max(0, -(-missing // pack))


@pytest.mark.engine
@pytest.mark.skipif(ENGINE is None and os.environ.get("KITPLAN_REQUIRE_ENGINE") != "1", reason="no spreadsheet program")
def test_a_filled_in_count_orders_whole_packs_up_to_par_and_adds_up(plan, plan_maker, tmp_path):
    assert ENGINE, "KITPLAN_REQUIRE_ENGINE=1 asks for a spreadsheet program, and none is installed"
    items = plan.unit.items.copy()
    items.loc[0, "bin"] = HOSTILE
    plan = plan_maker(unit=replace(plan.unit, items=items))
    lines = stock_lines(plan)
    lines = lines[lines["par_packs"] > 0].reset_index(drop=True)
    book = openpyxl.load_workbook(io.BytesIO(build_workbooks(plan)["stock-room.xlsx"]))
    sheet = book["Count and order"]
    top = next(r for r in range(1, 30) if sheet.cell(r, 2).value == "Item")
    column = {name: n for n, name in enumerate(HEADERS, 1)}
    given = [COUNTS[k % len(COUNTS)] for k in range(len(lines))]
    for k, (packs, loose, coming) in enumerate(given, top + 1):
        for name, value in (("Packs", packs), ("Loose units", loose), ("On order packs", coming)):
            sheet.cell(k, column[name]).value = value
    filled = io.BytesIO()
    book.save(filled)

    sheet = recalculated(filled.getvalue(), tmp_path)["Count and order"]
    least = plan.unit.items.set_index("item")["min_stock"].fillna(0)
    value, n_packs, counted, low = 0.0, 0, 0, 0
    for k, (row, (packs, loose, coming)) in enumerate(zip(lines.itertuples(), given), top + 1):
        order = order_by_hand(row.par_units, row.pack, packs, loose, coming)
        assert (sheet.cell(k, column["Order packs"]).value or None) == (order or None)
        if order is None:
            assert not sheet.cell(k, column["Look"]).value
            continue
        on_hand = (packs or 0) * row.pack + (loose or 0)
        counted, n_packs, value = counted + 1, n_packs + order, value + order * row.price
        assert sheet.cell(k, column["On hand units"]).value == on_hand
        assert sheet.cell(k, column["Value"]).value == pytest.approx(order * row.price)
        look = sheet.cell(k, column["Look"]).value
        if row.critical and on_hand < max(least[row.item], 1):
            low += 1
            assert look == "EMERGENCY: LOW"
        elif on_hand == 0:
            assert look == "EMPTY"
    sums = {sheet.cell(r, c).value: sheet.cell(r, c + 1).value for r in range(1, top) for c in (7, 11)}
    assert sums[f"Lines counted, of {len(lines)}"] == counted
    assert sums["Packs to order"] == n_packs
    assert sums["Value of the order (USD)"] == pytest.approx(value)
    assert sums["Emergency lines low"] == low > 0
    texts = [c.value for row in sheet.iter_rows() for c in row]
    assert HOSTILE in texts
