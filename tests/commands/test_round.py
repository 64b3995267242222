"""The week as a person does it: receive, count, questions, order, build kits, recall, from workbook or tables."""

from __future__ import annotations

import multiprocessing
import re
import shutil
from datetime import date
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from kitplan import open_plan
from kitplan.cli import main
from kitplan.parts.orders.back_order import missing_items
from kitplan.resources import config_file, sample_units

MONDAY = date(2026, 7, 6)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def done(*arguments: object) -> str:
    result = run(*arguments)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Mill Lane with few scenarios."""
    folder = tmp_path_factory.mktemp("round") / "mill_lane"
    shutil.copytree(sample_units()["mill_lane"], folder)
    policy = config_file("policy.toml").read_text(encoding="utf-8")
    for key in ("scenarios", "verify_scenarios", "max_scenarios"):
        policy = re.sub(rf"(\[planning\.{key}\]\nvalue = )\d+", r"\g<1>2000", policy)
    (folder / "policy.toml").write_text(policy, encoding="utf-8")
    toml = (folder / "unit.toml").read_text(encoding="utf-8")
    (folder / "unit.toml").write_text(toml.replace("readiness = 0.97", "readiness = 0.95"), encoding="utf-8")
    done("plan", folder)
    return folder


@pytest.fixture
def unit(planned, tmp_path):
    """A planned unit of the test's own."""
    return Path(shutil.copytree(planned, tmp_path / "mill_lane"))


def levels(unit):
    return pd.read_csv(unit / "plan" / "tables" / "order_points.csv").set_index("item")


def order_of(unit):
    return pd.read_csv(unit / "plan" / "tables" / "order.csv").set_index("item")


def book_of(unit, table):
    return pd.read_csv(unit / "book" / f"{table}.csv", keep_default_na=False)


def sheet_of(book, title, heading="Item"):
    """(sheet, row of the headings, column by heading)."""
    sheet = book[title]
    for row in sheet.iter_rows():
        names = {re.sub(r" \(.*", "", str(c.value)): c.column for c in row if c.value}
        if heading in names and len(names) > 3:
            return sheet, row[0].row, names
    raise AssertionError(title)


def fill_in(unit, title, rows, label=None, day=None, heading="Item", name="stock-room.xlsx"):
    """Type into a sheet. rows: item (or ("", k) for the k-th empty line) -> heading -> value."""
    path = unit / "plan" / name
    book = openpyxl.load_workbook(path)
    sheet, top, columns = sheet_of(book, title, heading)
    lines = {str(sheet.cell(r, columns[heading]).value): r for r in range(top + 1, sheet.max_row + 1)}
    blank = [r for r in range(top + 1, sheet.max_row + 1) if not sheet.cell(r, columns[heading]).value
             and sheet.cell(r, columns[heading]).protection.locked is False]
    for item, values in rows.items():
        row = blank[item[1]] if isinstance(item, tuple) else lines[item]
        for name_of_column, value in values.items():
            sheet.cell(row, columns[name_of_column]).value = value
    for row in sheet.iter_rows(max_row=top):
        for cell in row:
            if label is not None and cell.value == label:
                sheet.cell(cell.row, cell.column + 1).value = day
    book.save(path)


def fill_count(unit, share=1.0, day=MONDAY, **changed):
    """Count every line at a share of its level; changed: item -> (packs, loose), or None to leave it blank."""
    rows = {}
    for item, row in levels(unit).iterrows():
        packs, loose = changed.get(item, divmod(int(row["par_units"] * share), int(row["pack"]))) or (None, None)
        if packs is not None:
            rows[item] = {"Packs": packs, "Loose units": loose}
    fill_in(unit, "Count", rows, "Date of count", day)


def test_a_step_says_how_to_take_in_what_is_typed_on_later_sheets_and_where_warnings_are_listed(unit):
    fill_count(unit)
    done("count", unit)
    fill_count(unit, day=date(2026, 7, 13))
    fill_in(unit, "Build kits", {"A": {"Built": 1}}, "Date built", date(2026, 7, 13), heading="Design")
    census = unit / "census.csv"
    census.write_text(census.read_text(encoding="utf-8").replace("airways", "tubes", 1), encoding="utf-8")
    received, counted = done("receive", unit), done("count", unit)
    for said, sheets in ((received, "Count and Build kits are"), (counted, "Build kits is")):
        assert f"because {sheets} filled in as well and not taken in yet: kitplan build takes all in." in said
    assert "Worth a look in the unit's files: 1 thing. kitplan check lists them." in counted
    assert "is taken as airways" not in counted
    assert "Kits built: A-1." in done("build", unit)


def test_after_a_step_of_the_week_the_first_sheet_still_says_who_opens_which_workbook(unit):
    def said():
        sheet = openpyxl.load_workbook(unit / "plan" / "stock-room.xlsx")["Start here"]
        return [row[0].value for row in sheet.iter_rows() if str(row[0].value).endswith(".xlsx")]

    planned = said()
    fill_count(unit)
    done("count", unit)
    assert said() == planned
    assert "months.xlsx" in planned


def test_a_full_shelf_orders_nothing_and_an_empty_one_its_levels(unit):
    fill_count(unit)
    assert "Nothing is left to order" in done("order", unit)
    fill_count(unit, 0.0, date(2026, 7, 7))
    done("order", unit)
    order, level = order_of(unit), levels(unit)
    assert (order["order_packs"] == -(-level["par_units"] // level["pack"]).reindex(order.index)).all()
    assert order["urgent"].eq("yes").any()


def test_an_order_after_a_count_of_its_own_says_what_it_orders_and_not_that_nothing_was_typed(unit):
    fill_count(unit, 0.0)
    done("count", unit)
    for more, told in ([["--only-show"], "Order "], [[], "This is order 1."]):
        said = done("order", unit, *more)
        assert told in said
        assert "Nothing new was typed in." not in said
    assert "Nothing new was typed in." in done("order", unit), "the same order again"


def test_the_label_the_sheet_and_the_order_have_one_number(unit):
    fill_count(unit, 0.5)
    done("order", unit)
    book = openpyxl.load_workbook(unit / "plan" / "stock-room.xlsx")
    sheet, top, columns = sheet_of(book, "Count")
    lines = range(top + 1, sheet.max_row)
    shown = {sheet.cell(r, 2).value: sheet.cell(r, columns["Under: order"]).value for r in lines}
    order = order_of(unit)
    for item, row in order.iterrows():
        assert shown[item] == row["par_units"] == levels(unit).at[item, "par_units"]
        assert row["position_units"] + row["order_units"] >= row["par_units"]
        assert row["position_units"] + row["order_units"] < row["par_units"] + row["pack"] or row["order_packs"] == 0


def test_the_same_count_read_twice_changes_nothing_and_says_so(unit):
    fill_count(unit, 0.5)
    filled = shutil.copy(unit / "plan" / "stock-room.xlsx", unit.parent / "hers.xlsx")
    first = done("order", unit)
    assert "This is order 1" in first
    before = {p.name: p.read_bytes() for p in (unit / "book").iterdir()}
    again = done("order", filled, "--unit", unit)
    assert "in the book already" in again
    assert "This is order 1, in the book" in again
    assert (order_of(unit)["order_packs"] > 0).any(), "the order that was made is shown again"
    assert {p.name: p.read_bytes() for p in (unit / "book").iterdir()} == before


def test_what_she_filled_in_is_kept_by_its_day_and_the_workbook_is_new(unit):
    fill_count(unit, 0.5)
    hers = (unit / "plan" / "stock-room.xlsx").read_bytes()
    done("order", unit)
    assert (unit / "plan" / "filled" / "2026-07-06.xlsx").read_bytes() == hers
    assert not list((unit / "plan").glob("*kept*"))
    sheet, top, columns = sheet_of(openpyxl.load_workbook(unit / "plan" / "stock-room.xlsx"), "Count")
    assert sheet.cell(top + 1, columns["Packs"]).value is None
    assert sheet.cell(top + 1, columns["Expected now"]).value > 0


def test_a_line_left_blank_is_not_counted_and_emergency_equipment_is_the_first_question(unit):
    fill_count(unit, 0.0, bag_500ml=None, saline_5ml=None)
    told = done("order", unit)
    order = order_of(unit)
    assert order.loc[["bag_500ml", "saline_5ml"], "order_packs"].tolist() == [0, 0]
    assert order.at["bag_500ml", "urgent"] == "yes"
    first = next(line for line in told.splitlines() if line.startswith("Question"))
    assert "bag_500ml" in first
    assert "bag_500ml" not in set(book_of(unit, "counts")["item"])


def test_packs_typed_for_pieces_are_asked_about_and_not_believed(unit):
    """30 pieces typed under packs would be thousands and hide a shortage."""
    fill_count(unit, 1.0)
    done("order", unit)
    fill_count(unit, 0.9, date(2026, 7, 13), gloves_medium=(300, 0))
    told = done("order", unit)
    number = re.search(r"Question (\d+) \(gloves_medium\)", told)
    assert number
    assert order_of(unit).at["gloves_medium", "order_packs"] == 0
    assert "no count is believed: answer on Questions" in order_of(unit).at["gloves_medium", "because"]
    fill_in(unit, "Questions", {number[1]: {"Packs": 0, "Loose units": 30}}, heading="No")
    told = done("order", unit)
    assert "1 question answered" in told
    assert order_of(unit).at["gloves_medium", "on_hand_units"] == 30
    assert "gloves_medium" not in [q for q in told.splitlines() if q.startswith("Question")]


def test_a_question_can_be_answered_yes(unit):
    fill_count(unit, 1.0, gloves_medium=(300, 0))
    number = re.search(r"Question (\d+) ", done("count", unit))[1]
    fill_in(unit, "Questions", {number: {"Right": "yes"}}, heading="No")
    done("count", unit)
    assert book_of(unit, "counts").query("event == 'counted' and item == 'gloves_medium'")["packs"].tolist() == [300]


def test_a_changed_pack_size_never_multiplies_what_was_counted(unit):
    """Nine bags on a sheet printed in ones stay nine when items.csv says packs of six."""
    items = config_file("items.csv").read_text(encoding="utf-8")
    fill_count(unit, 0.0, bag_500ml=(9, 0))
    items = items.replace("bag,1,bag,patient,1,17.00", "bag,1,bag,patient,6,96.00")
    (unit / "items.csv").write_text(items, encoding="utf-8")
    done("order", unit)
    assert order_of(unit).at["bag_500ml", "on_hand_units"] == 9
    assert order_of(unit).at["bag_500ml", "pack"] == 6
    table = unit.parent / "later.csv"
    table.write_text("item,packs,date\nbag_500ml,9,2026-07-13\n", encoding="utf-8")
    told = done("count", table, "--unit", unit)
    assert "items.csv now says 6" in told, "a table without pack sizes is asked about"


def test_what_is_left_of_an_item_that_was_replaced_counts_as_the_one_that_bears_its_alias(unit):
    """Eleven ampoules of the old make and its order; without the alias they are asked about, and no stock."""
    old, new = "saline_5ml", "saline_other_5ml"
    fill_count(unit, **{old: (0, 11)})
    done("order", unit)
    ordered = order_of(unit).at[old, "order_units"]
    assert ordered > 0
    items = pd.read_csv(config_file("items.csv"), dtype=str, keep_default_na=False)
    items.loc[items["item"] == old, ["item", "pack", "price", "gtin"]] = new, "10", "2.40", ""
    items.to_csv(unit / "items.csv", index=False)
    done("plan", unit)
    asked = pd.read_csv(unit / "plan" / "tables" / "questions.csv")
    assert "name it under that item's alias" in asked["mend"].str.cat()
    assert order_of(unit).at[new, "position_units"] == 0
    items.assign(alias=np.where(items["item"] == new, old, "")).to_csv(unit / "items.csv", index=False)
    done("plan", unit)
    assert not (order_of(unit).index == old).any()
    assert order_of(unit).at[new, "on_hand_units"] == 11
    table = unit.parent / "later.csv"
    table.write_text(f"item,packs,loose_units,pack,date\n{old},0,9,10,2026-07-13\n", encoding="utf-8")
    done("order", table, "--unit", unit)
    row = order_of(unit).loc[new]
    assert (row["on_hand_units"], row["on_order_units"]) == (9, ordered)
    assert old in set(book_of(unit, "counts")["item"]), "the lines of then stand as they were written"
    assert "Questions open" in done("book", unit), "and their check letters fit"


def test_open_orders_are_received_in_parts_and_the_rest_stays_open(unit):
    fill_count(unit, 0.0)
    done("order", unit)
    wanted = order_of(unit).at["gloves_medium", "order_packs"]
    fill_in(unit, "Receive", {"gloves_medium": {"Packs": wanted - 1, "Lot": "0042", "Expires": "01/2029"}},
            "Date received", date(2026, 7, 8))
    done("receive", unit)
    came = book_of(unit, "deliveries").iloc[0]
    assert (came["packs"], str(came["expires"])) == (wanted - 1, "2029-01-31")
    assert (unit / "book" / "deliveries.csv").read_text().count(",0042,") == 1
    done("count", unit)
    assert "1 x gloves_medium (order 1)" in done("book", unit)


@pytest.mark.parametrize(("line", "told"), [
    ("bag_500ml,50,,", "waits for"), ("tie_twill_6mm,2,,", "none is on order"), ("bag_500ml,1,2020-01,", "is over"),
])
def test_a_delivery_that_cannot_be_is_asked_about_and_not_counted(unit, line, told):
    fill_count(unit, 0.0)
    done("order", unit)
    table = unit.parent / "came.csv"
    table.write_text(f"item,packs,expires,lot\n{line}\n", encoding="utf-8")
    said = done("receive", table, "--unit", unit, "--on", "2026-07-08")
    assert told in said
    assert book_of(unit, "deliveries")["event"].tolist() == ["asked"]
    assert "in the book already" in done("receive", table, "--unit", unit, "--on", "2026-07-08")


def test_a_pack_code_says_item_lot_and_date_and_an_unknown_number_is_asked_for_once(unit):
    table = unit.parent / "came.csv"
    known = "(01)02000000010434(17)290100(10)A7"
    table.write_text(f"item,packs,pack_code\n,2,{known}\n", encoding="utf-8")
    done("receive", table, "--unit", unit, "--on", "2026-07-08")
    found = book_of(unit, "deliveries").iloc[0]
    assert (found["item"], found["lot"], str(found["expires"])) == ("bag_500ml", "A7", "2029-01-31")
    other = "(01)09501101530003(17)290100(10)A8"
    table.write_text(f"item,packs,pack_code\n,2,{other}\n", encoding="utf-8")
    result = run("receive", table, "--unit", unit, "--on", "2026-07-08")
    assert result.exit_code == 2
    assert "09501101530003" in result.output
    table.write_text(f"item,packs,pack_code\nmask_60mm,2,{other}\n", encoding="utf-8")
    done("receive", table, "--unit", unit, "--on", "2026-07-08")
    table.write_text(f"item,packs,pack_code\n,3,{other}\n", encoding="utf-8")
    done("receive", table, "--unit", unit, "--on", "2026-07-09")
    assert book_of(unit, "deliveries")["item"].tolist() == ["bag_500ml", "mask_60mm", "mask_60mm"]


def build_kits(unit):
    """A full shelf, and kits of the first design built from it."""
    fill_count(unit)
    done("order", unit)
    told = done("build", unit)
    design, many = re.search(r"Kit (\w): \d+ ready of \d+; build ([1-9]\d*)", told).groups()
    fill_in(unit, "Build kits", {design: {"Built": int(many)}}, "Date built", MONDAY, heading="Design")
    done("build", unit)
    return design, int(many)


def test_kits_are_built_from_the_shelf_numbered_and_counted_as_kits(unit):
    design, many = build_kits(unit)
    kits = book_of(unit, "kits")
    assert kits["kit"].nunique() == many
    assert set(kits["event"]) == {"built"}
    taken = kits.groupby("item")["units"].sum()
    order = order_of(unit)
    for item, units in taken.items():
        assert order.at[item, "in_kits_units"] == units
        assert order.at[item, "on_hand_units"] == levels(unit).at[item, "par_units"] - units
        assert order.at[item, "order_packs"] == 0, "kits that stand ready are stock"
    critical = {"mask", "bag"}
    for item, units in taken.items():
        assert units <= levels(unit).at[item, "par_units"] or item.split("_")[0] not in critical
    before = len(book_of(unit, "kits"))
    fill_in(unit, "Build kits", {design: {"Built": many}}, "Date built", MONDAY, heading="Design")
    done("build", unit)
    assert len(book_of(unit, "kits")) == before, "the same sheet builds no kit twice"


def test_kits_missing_at_the_count_went_to_bedsides(unit):
    design, many = build_kits(unit)
    fill_in(unit, "Count", {f"kit {design}": {"Packs": many - 1}}, "Date of count", date(2026, 7, 8))
    done("count", unit)
    assert f"Kits ready {many - 1}, at bedsides 1" in done("book", unit)


def test_an_order_knows_the_kits_that_build_kits_says_went_to_bedsides(unit):
    design, many = build_kits(unit)
    last, later = f"{design}-{many}", date(2026, 7, 8)
    fill_in(unit, "Count", {f"kit {design}": {"Packs": many - 1}, **{
        item: {"Loose units": 0} for item in levels(unit).index}}, "Date of count", later)
    fill_in(unit, "Build kits", {last: {"Moved to": "bedside"}}, heading="Kit")
    assert f"Kits now at bedsides: {last}." in done("order", unit)
    kits, order = book_of(unit, "kits"), order_of(unit)
    inside = kits[kits["event"] == "built"].groupby("item")["units"].sum() * (many - 1) // many
    assert (order.loc[inside.index, "in_kits_units"] == inside).all(), "a kit that was counted out is not another one"
    assert f"Kits ready {many - 1}, at bedsides 1" in done("book", unit)
    assert "Nothing new was typed in." in done("build", unit), "the workbook was written anew"


def test_a_recalled_lot_is_found_on_the_shelf_and_in_kits(unit):
    fill_count(unit, 0.0)
    table = unit.parent / "came.csv"
    held = enumerate(levels(unit)["par_units"].items())
    lines = [f"{item},,{units},LOT {k % 3},2029-06" for k, (item, units) in held]
    table.write_text("item,packs,loose_units,lot,expires\n" + "\n".join(lines), encoding="utf-8")
    done("count", unit)
    done("receive", table, "--unit", unit, "--on", "2026-07-06")
    asked = re.findall(r"Question (\d+) ", done("book", unit) + done("count", unit))
    fill_in(unit, "Questions", {number: {"Right": "yes"} for number in asked}, heading="No")
    done("count", unit)
    told = done("build", unit)
    design, many = re.search(r"Kit (\w): \d+ ready of \d+; build ([1-9]\d*)", told).groups()
    fill_in(unit, "Build kits", {design: {"Built": int(many)}}, "Date built", MONDAY, heading="Design")
    done("build", unit)
    said = done("recall", unit, "lot1", "--on", "2026-07-07")
    assert f"shelf {design}-1" in said
    blank = run("recall", unit, " ", "--done")
    assert (blank.exit_code, "LOT: is blank" in blank.output) == (2, True), "every pack of no lot would be written off"
    slip = run("recall", unit, "lot1", "--item", "maskk_50mm")
    assert slip.exit_code == 2, "that it is not here would be believed"
    assert "is in neither items.csv nor the book (got 'maskk_50mm'). Did you mean 'mask_50mm'?" in slip.output
    assert "Order now" in said
    assert "the same line with --done writes it down" in said
    assert "This is in the book now" in done("recall", unit, "LOT 1", "--done", "--on", "2026-07-07")
    again = done("recall", unit, "LOT 1")
    assert "no delivery" not in again
    assert "--done" not in again, "nothing is left to write down"
    assert re.search(r"^Order (\d+) packs", done("order", unit), re.MULTILINE), "without another count"
    places = pd.read_csv(unit / "plan" / "tables" / "recall.csv")
    assert set(places["where"]) == {"gone"}


def test_a_count_older_than_the_last_is_asked_about(unit):
    fill_count(unit, 0.5)
    done("count", unit)
    fill_count(unit, 0.6, date(2026, 6, 29))
    result = run("count", unit)
    assert result.exit_code == 2
    assert "older than the last count" in result.output
    done("count", unit, "--older")
    assert "last count 2026-07-06" in done("book", unit)


def test_a_count_in_the_future_is_refused(unit):
    fill_count(unit, 0.5, date(2099, 1, 1))
    result = run("count", unit)
    assert result.exit_code == 2
    assert "future" in result.output
    assert not (unit / "book").exists()


def test_a_book_changed_by_hand_stops_the_round_with_the_mend(unit):
    fill_count(unit, 0.5)
    done("order", unit)
    path = unit / "book" / "counts.csv"
    path.write_text(path.read_text().replace(",1,", ",7,", 1), encoding="utf-8")
    for command in ("order", "book", "receive"):
        result = run(command, unit)
        assert result.exit_code == 2
        assert "kitplan book UNIT --mend" in result.output
    changed = path.read_bytes()
    done("book", unit, "--mend")
    assert (unit / "book" / "as-found" / "counts.csv").read_bytes() == changed
    done("book", unit)


def test_a_lost_book_is_noticed_and_none_of_its_numbers_is_given_again(unit):
    """The papers of the week say how far it had come; kit A-1 and order 1 stand on cards and at the supplier's."""
    fill_count(unit)
    done("count", unit)
    fill_in(unit, "Build kits", {"A": {"Built": 1}}, "Date built", MONDAY, heading="Design")
    assert "Kits built: A-1." in done("build", unit)
    fill_count(unit, 0.5, date(2026, 7, 7))
    done("order", unit)
    before = len(pd.concat([book_of(unit, t) for t in ("counts", "orders", "kits")]))
    shutil.rmtree(unit / "book")
    for step in ("receive", "order", "book", "plan"):
        lost = run(step, unit)
        assert lost.exit_code == 2, lost.output
        assert f"book: has no entries 1 to {before}" in lost.output
        assert "kitplan book UNIT --mend" in lost.output
    assert "The book is empty" in done("book", unit, "--mend")
    fill_count(unit, 0.5, date(2026, 7, 8))
    done("count", unit)
    fill_in(unit, "Build kits", {"A": {"Built": 1}}, "Date built", date(2026, 7, 8), heading="Design")
    built = re.search(r"Kits built: A-(\d+)", done("build", unit))
    assert built
    assert int(built[1]) > 1
    assert "This is order 1." not in done("order", unit)


def receive_one(unit, lot):
    table = Path(unit).parent / f"came-{lot}.csv"
    table.write_text(f"item,packs,lot\nbag_500ml,1,{lot}\n", encoding="utf-8")
    return run("receive", table, "--unit", unit, "--on", "2026-07-08").exit_code


def test_two_people_at_once_lose_nothing(unit):
    with multiprocessing.get_context("fork").Pool(3) as pool:
        ended = pool.starmap(receive_one, [(unit, f"L{k}") for k in range(6)])
    assert ended == [0] * 6
    found = book_of(unit, "deliveries")
    assert sorted(found["lot"]) == [f"L{k}" for k in range(6)]
    assert found["entry"].tolist() == list(range(1, 7))


@pytest.mark.parametrize(("line", "words"), [
    ("bag_500ml,-1", "below 0"), ("bag_500ml,some", "not a number"), ("bag_500ml,1.5", "not a whole number"),
    ("bag_50ml,1", "not in the catalogue"),
])
def test_a_bad_count_is_refused_and_nothing_is_written(unit, line, words):
    table = unit.parent / "count.csv"
    table.write_text(f"item,packs\n{line}\n", encoding="utf-8")
    result = run("count", table, "--unit", unit)
    assert result.exit_code == 2
    assert words in result.output
    assert not (unit / "book").exists()


def test_a_line_may_name_its_item_by_exactly_its_description(unit):
    table = unit.parent / "count.csv"
    table.write_text('item,packs\n"EM  Resuscitation bag, 500 mL",2\n', encoding="utf-8")
    done("count", table, "--unit", unit, "--on", "2026-07-06")
    assert book_of(unit, "counts")["item"].tolist() == ["bag_500ml"]


def test_a_sheet_of_an_older_plan_is_taken_with_its_own_pack_sizes_and_it_is_said(unit):
    fill_count(unit, 0.5)
    shutil.copy(unit / "plan" / "stock-room.xlsx", unit.parent / "hers.xlsx")
    toml = (unit / "unit.toml").read_text(encoding="utf-8")
    toml = toml.replace("readiness = 0.95\n\n[bed", "readiness = 0.90\n\n[bed")
    (unit / "unit.toml").write_text(toml, encoding="utf-8")
    (unit / "plan" / "stock-room.xlsx").unlink()
    done("plan", unit)
    told = done("order", unit.parent / "hers.xlsx", "--unit", unit)
    assert "printed by plan" in told


def test_a_workbook_of_another_unit_is_refused_and_named(unit):
    fill_count(unit, 0.5)
    toml = (unit / "unit.toml").read_text(encoding="utf-8")
    (unit / "unit.toml").write_text(toml.replace("Mill Lane", "Other Lane"), encoding="utf-8")
    result = run("count", unit)
    assert result.exit_code == 2
    assert "another unit" in result.output


def test_what_was_really_ordered_is_typed_beside_the_order(unit):
    fill_count(unit, 0.0)
    done("order", unit)
    before = order_of(unit).at["bag_500ml", "order_packs"]
    fill_in(unit, "Order", {"bag_500ml": {"Ordered": before + 2}})
    done("order", unit)
    assert f"{before + 2} x bag_500ml (order 1)" in done("book", unit)


def test_without_an_item_its_substitute_is_in_the_order_and_none_for_a_mask(unit):
    fill_count(unit, 0.5)
    told = done("order", unit, "--without", "saline_5ml", "--weeks", "3", "--only-show")
    assert "for this order alone. For as long as it lasts, name the items as unavailable under [stock]" in told
    order = order_of(unit)
    assert order.at["saline_5ml", "order_packs"] == 0
    assert not (unit / "book" / "orders.csv").exists()
    result = run("order", unit, "--without", "mask_60mm", "--weeks", "3", "--only-show")
    assert result.exit_code == 1
    assert "in charge of airways" in result.output
    assert run("order", unit, "--without", "maskk").exit_code == 2


def test_what_a_back_order_asks_for_goes_at_the_plans_own_pace(unit, monkeypatch):
    """What the plan learnt of the rate holds for the weeks of a back order too; packs are those of today."""
    seen = []
    monkeypatch.setattr("kitplan.parts.orders.round_command.missing_items",
                        lambda of, *more: seen.append(of) or missing_items(of, *more))
    done("order", unit, "--without", "saline_5ml", "--weeks", "3", "--only-show")
    planned = open_plan(unit / "plan").unit
    assert seen[0].doubt.rate_from == planned.doubt.rate_from == "guess"
    assert str(seen[0].frequency) == str(planned.frequency)
    assert seen[0].stock.unavailable == ("saline_5ml",)


def test_an_order_is_shown_again_as_it_was_made_and_never_as_another_under_its_number(unit):
    """Under the number of an order stands nothing else: not what is left of it, nor what a back order would ask for."""
    fill_count(unit, 0.0)
    assert "This is order 1, in the book" in done("order", unit)
    assert "in the book" not in done("order", unit, "--without", "saline_5ml", "--weeks", "3", "--only-show")
    assert "This is order 1, in the book" in done("order", unit)
    made = order_of(unit)["order_packs"]
    item = made.index[made > 0][0]
    table = unit.parent / "came.csv"
    table.write_text(f"order,item,packs\n1,{item},1\n", encoding="utf-8")
    done("receive", table, "--unit", unit, "--on", "2026-07-07")
    assert "This is order 1, in the book" in done("order", unit), "what has come since changes no order"
    pd.testing.assert_series_equal(order_of(unit)["order_packs"], made)


def test_labels_come_from_the_plan_that_is_there(unit):
    (unit / "plan" / "bin-labels.pdf").unlink()
    done("labels", unit, "--rows", "6")
    assert (unit / "plan" / "bin-labels.pdf").read_bytes().startswith(b"%PDF")
    assert "without room for bar codes" in done("labels", unit, "--rows", "13", "--columns", "4")
