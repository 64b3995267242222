"""The pages say what the plan says, on the same files."""

import errno
import io
import re
import shutil
import tomllib

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner

import kitplan
from kitplan.cli import main
from kitplan.desk import month_pages
from kitplan.desk.class_pages import _place
from kitplan.desk.units import TextTable
from kitplan.parts.orders import round_command
from kitplan.parts.par.summary import not_yet_own, three_sentences
from kitplan.read.order_book import LEARNT
from kitplan.read.workbook import Book
from kitplan.resources import config_file
from kitplan.write.unit_book import unit_workbook
from kitplan.write.writer import OutputError, checksum

from .conftest import Client, words

CENSUS = b"date;route;tube_mm;airways\r\n2026-03-01;oral;3,5;4\r\n2026-03-01;nasl;4;2\r\n2026-03-01;oral;6;\xe9\r\n"


def test_a_dropped_census_shows_each_fault_beside_its_cell_and_is_corrected_there(empty_client, tmp_path):
    page = empty_client.post("/new", {"unit_name": "Low Field", "census": (io.BytesIO(CENSUS), "export.csv")})
    text = page.get_data(as_text=True)
    assert 'name="cell.3.1" value="nasl"' in text
    assert "Did you mean" in words(page)
    assert "the invented unit Birch House, to be copied on the first page, shows one." in words(page)
    assert "kitplan new" not in words(page)
    place = tmp_path / "low_field" / "census.csv"
    seen = checksum(CENSUS)
    page = empty_client.post("/unit/low_field/correct", {"file": "census.csv", "seen": seen, "cell.3.1": "nasal",
                                                        "cell.4.3": "1"})
    assert "It can be planned" in words(page)
    assert place.read_bytes() == CENSUS.replace(b"nasl", b"nasal").replace(b"\xe9", b"1")
    kept = list((tmp_path / "low_field" / "originals").iterdir())
    assert [p.read_bytes() for p in kept] == [CENSUS]


def test_invented_units_are_offered_by_what_they_are(empty_client):
    text = empty_client.get("/").get_data(as_text=True)
    assert '<option value="harbour_wing">Harbour Wing, 24 beds (INVENTED)</option>' in text


def test_a_correction_of_a_file_that_has_changed_since_is_refused(empty_client, tmp_path):
    empty_client.post("/new", {"unit_name": "Low Field", "census": (io.BytesIO(CENSUS), "export.csv")})
    place = tmp_path / "low_field" / "census.csv"
    place.write_bytes(CENSUS + b"2026-03-01;oral;5;1\r\n")
    typed = {"file": "census.csv", "seen": checksum(CENSUS), "cell.3.1": "x"}
    page = empty_client.post("/unit/low_field/correct", typed)
    assert page.status_code == 409
    assert place.read_bytes() == CENSUS + b"2026-03-01;oral;5;1\r\n"


def test_a_correction_that_may_identify_a_patient_is_not_written_and_the_others_stay_typed(empty_client, tmp_path):
    """Once written it would stop every page of the unit, and lie under originals for good."""
    stays = b"airway,route,tube_mm,start,end\n,oral,3.5,2026-01-01,2026-01-03\nA2,orall,4,2026-01-02,2026-01-05\n"
    empty_client.post("/new", {"unit_name": "Low Field", "census": (io.BytesIO(stays), "export.csv")})
    typed = {"file": "census.csv", "seen": checksum(stays), "cell.2.0": "Anna Smith", "cell.3.1": "nasal"}
    page = empty_client.post("/unit/low_field/correct", typed)
    assert page.status_code == 409
    assert "Nothing was written" in words(page)
    assert 'name="cell.3.1" value="nasal"' in page.text
    assert [p.read_bytes() for p in tmp_path.rglob("*census.csv")] == [stays]
    assert "It can be planned" in words(empty_client.post("/unit/low_field/correct", typed | {"cell.2.0": "A1"}))


def test_a_row_to_fill_in_or_delete_is_filled_in_or_deleted_there(empty_client, tmp_path):
    content = b"date,route,tube_mm,airways\n2026-03-01,oral,3.5,4\n2026-03-01,,4,2\n2026-03-01,oral,6\n"
    page = empty_client.post("/new", {"unit_name": "Low Field", "census": (io.BytesIO(content), "export.csv")})
    assert "Fill in the cell, or delete the row." in words(page)
    assert 'type="checkbox" name="delete" value="3"' in page.text
    assert 'name="cell.4.3" value=""' in page.text, "a row that ends early"
    typed = {"file": "census.csv", "seen": checksum(content), "delete": "3", "cell.4.3": "1"}
    assert "It can be planned" in words(empty_client.post("/unit/low_field/correct", typed))
    assert (tmp_path / "low_field" / "census.csv").read_bytes() == (
        b"date,route,tube_mm,airways\n2026-03-01,oral,3.5,4\n2026-03-01,oral,6,1\n")


def test_changing_one_cell_leaves_every_other_byte(tmp_path):
    content = '\ufeffa,b\n"x, 1",2\n"two\nlines",3\r\nlast,4'.encode()
    changed = TextTable.read(content).changed({(2, 1): "22"})
    assert changed == '\ufeffa,b\n"x, 1",22\n"two\nlines",3\r\nlast,4'.encode()


@pytest.mark.parametrize("name", ["", "   ", "../up", "mill_lane"])
def test_a_name_that_is_none_or_taken_makes_no_unit_outside(client, home, name):
    client.post("/new", {"unit_name": name})
    assert sorted(p.name for p in home.parent.iterdir()) == ["units"]
    assert (home / "mill_lane" / "plan" / "plan.json").is_file()


def test_the_unit_speaks_the_sentences_of_the_plan(client, home):
    plan = kitplan.open_plan(home / "mill_lane" / "plan")
    page = words(client.get("/unit/mill_lane/"))
    for sentence in three_sentences(plan):
        assert sentence.split("&")[0] in page
    assert plan.number in page
    assert "INVENTED" in page


def test_par_levels_are_the_tables_and_sort_by_any_heading(client, home):
    levels = kitplan.open_plan(home / "mill_lane" / "plan").par.levels
    held = levels[levels["par_units"] > 0]
    text = client.get("/unit/mill_lane/par?by=par_units&down=1").get_data(as_text=True)
    order = held.sort_values(["par_units", "item"], ascending=[False, True])
    places = [text.index(f"/par/{item}\"") for item in order["item"]]
    assert places == sorted(places)
    assert 'aria-sort="descending"' in text


def test_what_is_invented_or_a_guess_is_said_wherever_the_workbooks_say_it(client, home):
    counted(client, "2026-11-10", "0")
    said = not_yet_own(kitplan.load_unit(home / "mill_lane"))
    said = [line.replace("keep a log and run kitplan rates", "put a log into the unit's folder and plan again")
            for line in said]
    assert len(said) == 2
    for page in ("", "par", "week", "months"):
        shown = words(client.get(f"/unit/mill_lane/{page}"))
        assert all(line in shown for line in said), page


def test_each_item_opens_its_story_with_the_level_on_its_demand(client, home):
    plan = kitplan.open_plan(home / "mill_lane" / "plan")
    for item in plan.par.levels.loc[plan.par.levels["par_units"] > 0, "item"].head(4):
        page = client.get(f"/unit/mill_lane/par/{item}")
        assert "<svg" in page.get_data(as_text=True)
        assert plan.par.levels.set_index("item").at[item, "because"][:30] in words(page).replace("&#39;", "'")
    assert client.get("/unit/mill_lane/par/no_such_item").status_code == 404


def test_a_step_along_the_curve_says_which_levels_change_and_what_it_costs(client, home):
    plan = kitplan.open_plan(home / "mill_lane" / "plan")
    curve = plan.par.frontier.reset_index(drop=True)
    page = words(client.get("/unit/mill_lane/curve?step=0"))
    assert f"{100 * curve['readiness'][0]:.1f} % ready for {curve['mean_value'][0]:,.0f}" in page
    assert "Levels that would be others" in page
    held = plan.par.frontier_levels
    assert set(held["target"]) == set(curve["target"])


def test_the_months_and_the_class_show_what_the_plan_has(client, home):
    plan = kitplan.open_plan(home / "mill_lane" / "plan")
    page = words(client.get("/unit/mill_lane/months"))
    assert str(plan.forecast.forecast.total["month"].iloc[0]) in page
    year = plan.forecast.budget
    assert f"lands at {year.landing[0]:,.0f} USD" in page
    assert "No budget plans emergency equipment away" in page
    assert client.get("/unit/mill_lane/paper/budget-page.pdf").status_code == 200
    assert words(client.get("/unit/mill_lane/class")).count("Technique") >= 3


def test_a_cell_is_corrected_where_it_stands_in_a_file_of_another_encoding_under_a_title():
    """As a spreadsheet program saves Unicode text; the first row, a title, does not tell the delimiter."""
    text = "Ward 7\nroute;tube_mm;airways\noral;3,5;2\n"
    changed = TextTable.read(text.encode("utf-16")).changed({(3, 2): "4"})
    assert changed.decode("utf-16") == text.replace(";2\n", ";4\n")


def test_a_course_is_filled_in_by_session_and_shown_by_session(client, home):
    page = client.post("/unit/mill_lane/class", {
        "title": "Practice course", "learners": "6", "pairs": "yes", "technique": "oral_two_y", "size": "7.5",
        "skin": "none", "session_date": ["2027-03-09", "2027-03-16", ""], "session_start": ["13:00", "", ""],
        "session_place": ["Room 4", "", ""], "session_trainer": ["", "", ""], "session_learners": ["", "4", ""],
    })
    text = words(page)
    assert page.status_code == 200, text
    file = tomllib.loads((home / "mill_lane" / "class.toml").read_text())
    assert [sorted(s) for s in file["session"]] == [["date", "place", "start"], ["date", "learners"]]
    assert "Practice course, session 1" in text
    assert "Practice course, session 2" in text
    assert "Goes on" in text
    assert "session-sheets.pdf" in text


def test_a_session_may_practise_something_else_and_keeps_what_the_form_does_not_show(client, home):
    path = home / "mill_lane" / "class.toml"
    path.write_text('title = "Course"\nlearners = 6\n[[session]]\ndate = 2027-03-09\nattempts = 3\n'
                    '[[session]]\ndate = 2027-03-16\n[[session.practice]]\ntechnique = "oral_two_y"\n'
                    'tube_mm = 3.0\nskin = "none"\n[[practice]]\ntechnique = "oral_two_y"\ntube_mm = 3.5\n')
    form = {"title": "Course", "learners": "6", "pairs": "yes", "technique": "oral_two_y", "size": "3.5",
            "skin": "none", "session_date": ["2027-03-09", "2027-03-16"], "session_start": ["", ""],
            "session_place": ["", ""], "session_trainer": ["", ""], "session_learners": ["", ""]}
    own = {"session1_technique": ["oral_two_y", ""], "session1_size": ["4", ""], "session1_skin": ["barrier", "none"],
           "session2_technique": ["", ""], "session2_size": ["3", ""], "session2_skin": ["none", "none"]}
    shown = client.get("/unit/mill_lane/class").text
    assert 'name="session2_size" size="12" value="3.0"' in shown
    page = client.post("/unit/mill_lane/class", form | own)
    assert page.status_code == 200, words(page)
    first, second = tomllib.loads(path.read_text())["session"]
    assert first["practice"] == [{"technique": "oral_two_y", "tube_mm": 4.0, "skin": "barrier"}]
    assert first["attempts"] == 3
    assert "practice" not in second, "a technique that is emptied: as the rest of the course"
    assert client.post("/unit/mill_lane/class", form).status_code == 200
    kept = tomllib.loads(path.read_text())["session"]
    assert [s.get("practice") for s in kept] == [first["practice"], None], "a form without these fields keeps them"


def test_each_class_file_has_its_form_and_several_sizes_stay_several(client, home):
    for season, sizes in (("spring", "[3.0, 3.5]"), ("autumn", "4.0")):
        (home / "mill_lane" / f"class-{season}.toml").write_text(
            f'title = "In {season}"\nlearners = 4\n[[practice]]\ntechnique = "oral_two_y"\ntube_mm = {sizes}\n')
    assert 'value="In autumn"' in client.get("/unit/mill_lane/class").text, "the first by name"
    shown = client.get("/unit/mill_lane/class?file=class-spring.toml").text
    assert 'value="3.0; 3.5"' in shown
    assert 'value="In autumn"' in client.get("/unit/mill_lane/class?file=../mill_lane/unit.toml").text
    page = client.post("/unit/mill_lane/class", {
        "file": "class-spring.toml", "title": "In spring", "learners": "6", "pairs": "yes", "technique": "oral_two_y",
        "size": "3; 4", "skin": "none"})
    assert page.status_code == 200, words(page)
    spring = tomllib.loads((home / "mill_lane" / "class-spring.toml").read_text())
    assert (spring["learners"], spring["practice"][0]["tube_mm"]) == (6, [3.0, 4.0])
    assert tomllib.loads((home / "mill_lane" / "class-autumn.toml").read_text())["learners"] == 4
    assert not (home / "mill_lane" / "class.toml").exists()


def test_a_class_that_is_wrong_is_told_with_what_was_typed_and_not_saved(client, home):
    path = home / "mill_lane" / "class.toml"
    path.write_text('title = "Course"\nlearners = 6\n[[practice]]\ntechnique = "oral_two_y"\ntube_mm = 3.5\n')
    before = path.read_bytes()
    page = client.post("/unit/mill_lane/class", {"title": "Another", "learners": "6", "pairs": "yes", "skin": "none",
                                                 "technique": "oral_two_y", "size": "3.5; 35"})
    assert page.status_code == 409
    assert "is not a tube size" in words(page)
    assert 'value="Another"' in page.text
    assert 'value="3.5; 35.0"' in page.text
    assert path.read_bytes() == before
    (home / "mill_lane" / "class-x.toml").write_text("learners = 0\n")
    assert 'value="Course"' in client.get("/unit/mill_lane/class").text, "class.toml opens first"


def test_a_title_and_a_date_that_are_emptied_are_gone(client, home):
    path = home / "mill_lane" / "class.toml"
    path.write_text('title = "Course"\ndate = 2027-03-09\nlearners = 6\n[[practice]]\ntechnique = "oral_two_y"\n'
                    'tube_mm = 3.5\n')
    form = {"title": " ", "date": "", "learners": "6", "technique": "oral_two_y", "size": "3.5", "skin": "none"}
    assert client.post("/unit/mill_lane/class", form).status_code == 200
    assert {"title", "date"}.isdisjoint(tomllib.loads(path.read_text()))


def test_the_class_says_what_it_costs_and_shows_no_table_that_was_cut_off(client, home):
    place = home / "mill_lane"
    form = {"title": "Taping", "learners": "8", "technique": "oral_two_y", "size": "3.5", "skin": "none"}
    page = words(client.post("/unit/mill_lane/class", form))
    training = kitplan.plan(kitplan.load_unit(place), parts=["training"]).training
    assert training.value > 0
    assert f"Cost: {training.value:,.2f} {training.currency} for what" in page
    for name in ("training_list", "training_sessions"):
        table = place / "plan" / "tables" / f"{name}.csv"
        table.write_bytes(table.read_bytes()[:len(table.read_bytes()) // 2])
        page = words(client.get("/unit/mill_lane/class"))
        assert f"{name}.csv is damaged" in page
        assert "To buy and to take" not in page
        assert "Cost:" not in page
    assert "is damaged" not in words(client.post("/unit/mill_lane/class", form))


def test_a_second_click_on_make_the_unit_leads_to_the_unit_that_the_first_one_made(empty_client):
    page = re.search(r'name="page" value="(\w+)"', empty_client.get("/").text)[1]
    first, second = (empty_client.post("/new", {"unit_name": "Low Field", "page": page}) for _ in "ab")
    assert (first.status_code, second.status_code) == (200, 200)
    assert second.request.path == first.request.path == "/unit/low_field/census"
    anew = re.search(r'name="page" value="(\w+)"', empty_client.get("/").text)[1]
    assert "there is a unit low_field already" in words(
        empty_client.post("/new", {"unit_name": "Low Field", "page": anew}))


def test_rolls_to_cut_are_called_by_their_names(client):
    page = words(client.post("/unit/mill_lane/class", {"title": "Taping", "learners": "8", "technique": "oral_two_y",
                                                       "size": "3.5", "skin": "none"}))
    assert "To cut" in page
    assert "tape_" not in page.split("To cut")[1]


def test_a_class_filled_in_on_the_page_gives_its_lists(client, home):
    technique = next(iter(kitplan.load_unit(home / "mill_lane").techniques))
    page = client.post("/unit/mill_lane/class", {
        "title": "Spring afternoon", "date": "2027-03-04", "learners": "6", "learners_per_station": "6",
        "attempts": "2", "pairs": "yes", "technique": technique, "size": "3.5", "skin": "none", "item": "", "units": "",
    })
    assert page.status_code == 200, words(page)
    assert "To buy and to take" in words(page)
    assert (home / "mill_lane" / "plan" / "class.xlsx").is_file()


def test_a_count_goes_into_the_book_and_the_order_comes_out(client, home):
    levels = kitplan.open_plan(home / "mill_lane" / "plan").orders.plan.levels
    data = {"entries": "0", "day": "2026-11-20", "item": [x.item for x in levels], "packs": ["0"] * len(levels),
            "loose_units": [""] * len(levels), "pack": [str(x.pack) for x in levels], "expires": [""] * len(levels),
            "lot": [""] * len(levels), "thrown_away": [""] * len(levels)}
    page = client.post("/unit/mill_lane/week/count", data)
    assert page.status_code == 200, words(page)
    assert "URGENT" in words(page)
    assert (home / "mill_lane" / "book" / "counts.csv").is_file()
    book = (home / "mill_lane" / "book" / "counts.csv").read_bytes()
    again = client.post("/unit/mill_lane/week/count", data)
    assert "lines counted on 2026-11-20" in words(again), "the same form, sent twice, is told as taken in"
    other = client.post("/unit/mill_lane/week/count", data | {"packs": ["1"] * len(levels)})
    assert other.status_code == 409
    assert "The book has grown" in words(other)
    assert (home / "mill_lane" / "book" / "counts.csv").read_bytes() == book
    shutil.rmtree(home / "mill_lane" / "book")
    (home / "mill_lane" / "plan" / "order.json").unlink()  # as in a copy of before the count: else the book is lost
    client.post("/unit/mill_lane/week/count", data)
    assert (home / "mill_lane" / "book" / "counts.csv").read_bytes() == book, "a book put back takes the form again"

    week = client.get("/unit/mill_lane/week")
    assert "Put this order into the book" in words(week)
    lines = len((home / "mill_lane" / "book" / "counts.csv").read_text().splitlines()) - 1
    client.post("/unit/mill_lane/week/order", {"entries": str(lines)})
    made = words(client.get("/unit/mill_lane/week"))
    assert "This is order 1, and it is in the book." in made
    assert "Put this order into the book" not in made

    entries = re.search(r'name="entries" value="(\d+)"', client.get("/unit/mill_lane/week/count").text)[1]
    full = [str(-(-x.level_units // x.pack)) for x in levels]
    client.post("/unit/mill_lane/week/count", {**data, "entries": entries, "day": "2026-11-21", "packs": full})
    kits = client.get("/unit/mill_lane/week/kits").text
    assert "Take for each" in kits
    assert not [x.item for x in levels if f" {x.item}<" in kits], "codes are for tables; people read descriptions"


def test_pages_that_need_a_plan_say_so_where_there_is_none(empty_client, tmp_path):
    empty_client.post("/new", {"unit_name": "Low Field"})
    for page in ("par", "curve", "months", "week", "week/count"):
        reply = empty_client.get(f"/unit/low_field/{page}")
        assert reply.status_code == 409
        assert "There is no plan yet" in words(reply)


def test_one_unit_may_be_served_alone(home):
    page = Client(home / "mill_lane").get("/", follow_redirects=True)
    assert "Readiness" in words(page)


def test_the_prints_of_several_classes_are_all_listed_in_order():
    there = ("box-labels-1.pdf", "box-labels-10.pdf", "box-labels-2.pdf", "cutting-list.pdf", "class.xlsx",
             "class-cut-cards-1.pdf", "class-kept-1.xlsx", "cut-cards.pdf")
    assert [name for name in sorted(there, key=_place) if _place(name)[0] >= 0] == [
        "cutting-list.pdf", "class-cut-cards-1.pdf", "box-labels-1.pdf", "box-labels-2.pdf", "box-labels-10.pdf",
        "class.xlsx"]


def test_a_paper_is_handed_out_without_reading_the_others(client, home, monkeypatch):
    asked = []
    monkeypatch.setattr("kitplan.desk.units.checksum", lambda content: asked.append(content) or checksum(content))
    assert client.get("/unit/mill_lane/paper/count-sheet.pdf").status_code == 200
    assert len(asked) == 1
    assert client.get("/unit/mill_lane/week").status_code == 200
    assert len(asked) <= 3, "the order and the dates to watch"


def test_labels_of_another_grid_are_handed_out_as_those_of_the_plan_are(client, home):
    CliRunner().invoke(main, ["labels", str(home / "mill_lane"), "--columns", "3"])
    assert "damaged" not in words(client.get("/unit/mill_lane/"))
    assert client.get("/unit/mill_lane/paper/bin-labels.pdf").data.startswith(b"%PDF")


def test_a_half_cut_print_is_told_and_not_handed_out_and_a_filled_in_workbook_is(client, home):
    plan = home / "mill_lane" / "plan"
    for name, cut in (("count-sheet.pdf", 2), ("stock-room.xlsx", 1)):
        content = (plan / name).read_bytes()
        (plan / name).write_bytes(content[:len(content) // cut] + b"typed" * (cut == 1))
    page = client.get("/unit/mill_lane/")
    assert "count-sheet.pdf: damaged, or changed by hand. Do not print it" in words(page)
    assert "stock-room.xlsx : filled in or changed since it was written" in words(page)
    assert "paper/count-sheet.pdf" not in page.text
    assert "paper/emergency-sheet.pdf" in page.text
    refused = client.get("/unit/mill_lane/paper/count-sheet.pdf")
    assert refused.status_code == 409
    assert "count-sheet.pdf is not as it was written" in words(refused)
    assert client.get("/unit/mill_lane/paper/stock-room.xlsx").data == (plan / "stock-room.xlsx").read_bytes()


def test_a_list_of_stays_in_a_file_of_its_own_is_a_census_and_one_that_is_dropped_replaces_it(empty_client, tmp_path):
    empty_client.post("/new", {"unit_name": "Low Field"})
    folder = tmp_path / "low_field"
    assert "No census yet" in words(empty_client.get("/unit/low_field/census"))
    stays = b"airway,route,tube_mm,start,end\nA1,oral,3.5,2026-03-01,2026-03-05\n"
    (folder / "stays.csv").write_bytes(stays)
    for page in ("/unit/low_field/census", "/unit/low_field/"):
        assert "No census yet" not in words(empty_client.get(page))
    counts = b"route,tube_mm,airways\noral,3.5,2\n"
    empty_client.post("/unit/low_field/census", {"census": (io.BytesIO(counts), "counts.csv")})
    assert (folder / "census.csv").read_bytes() == counts
    assert not (folder / "stays.csv").exists()
    assert [p.read_bytes() for p in (folder / "originals").iterdir()] == [stays]
    assert "It can be planned" in words(empty_client.get("/unit/low_field/census"))


@pytest.fixture
def in_a_workbook(tmp_path):
    """A desk on a folder with a unit that is kept as one workbook, a planned one's papers, and a lock of a spreadsheet
    program: a snapshot of three airways.
    """
    place = tmp_path / "units"
    place.mkdir()
    book = openpyxl.load_workbook(io.BytesIO(unit_workbook()))
    settings = {row[0].value: row[1] for row in book["unit"].iter_rows(min_row=5, max_col=2)}
    settings["name"].value, settings["mean_stay_days"].value, settings["stock.readiness"].value = "Small nest", 5, 0.9
    for column, value in enumerate([None, "oral", 3.5, 3], 1):
        book["census"].cell(9, column).value = value
    book.save(place / "nest.xlsx")
    (place / "~$nest.xlsx").write_bytes((place / "nest.xlsx").read_bytes())
    (place / "other.xlsx").write_bytes(b"no workbook")
    return place


def test_a_unit_that_is_a_workbook_is_planned_counted_and_printed_like_any_other(in_a_workbook):
    desk = Client(in_a_workbook)
    first = words(desk.get("/"))
    assert "nest.xlsx" in first
    assert "~$nest.xlsx" not in first
    assert "other.xlsx" not in first
    census = words(desk.get("/unit/nest.xlsx/census"))
    assert "It can be planned. Plan This unit is a workbook: change it there" in census
    path = in_a_workbook / "nest.xlsx"
    kitplan.plan(kitplan.load_unit(path)).save(in_a_workbook / "nest-plan")
    assert "Small nest" in words(desk.get("/unit/nest.xlsx/"))
    assert desk.get("/unit/nest.xlsx/paper/count-sheet.pdf").data.startswith(b"%PDF")
    page = desk.post("/unit/nest.xlsx/week/count", {"entries": "0", "item": "saline_5ml", "packs": "1", "pack": "100"})
    assert "1 line counted" in words(page)
    assert (in_a_workbook / "nest-plan" / "book" / "counts.csv").is_file()
    months = desk.get("/unit/nest.xlsx/months")
    assert "What if one thing were another?" in words(months)
    assert "Month 1 to month 12: " in words(months)
    assert ">12</text>" in months.text, "months without a calendar bear their number"


def test_a_workbook_is_changed_in_the_workbook_and_nowhere_else(in_a_workbook):
    desk, path = Client(in_a_workbook), in_a_workbook / "nest.xlsx"
    before = path.read_bytes()
    page = desk.post("/unit/nest.xlsx/census", {"census": (io.BytesIO(CENSUS), "export.csv")})
    assert page.status_code == 409
    assert "change it there, save and close it" in words(page)
    assert desk.post("/unit/nest.xlsx/correct", {"file": "census.csv", "seen": "x", "cell.1.1": "y"}).status_code == 404
    book = openpyxl.load_workbook(path)
    book["census"].cell(9, 2).value = "nasl"
    book.save(path)
    page = words(desk.get("/unit/nest.xlsx/census"))
    assert "Some of it cannot be used as it stands. This unit is a workbook: change it there" in page
    assert "nest.xlsx [census], row 9, column route" in page
    assert path.read_bytes() != before
    assert sorted(p.name for p in in_a_workbook.iterdir()) == ["nest.xlsx", "other.xlsx", "~$nest.xlsx"]


def entries_of(client, page: str) -> str:
    return re.search(r'name="entries" value="(\d+)"', client.get(page).text)[1]


def test_a_lot_is_counted_thrown_away_recalled_and_written_down_on_the_desk(client, home):
    week, lot = "/unit/mill_lane/week/count", {"item": "saline_5ml", "pack": "100", "packs": "2", "lot": "L7",
                                               "expires": "2031-05"}
    client.post(week, {**lot, "loose_units": "9", "day": "2026-11-10", "entries": entries_of(client, week)})
    client.post(week, {**lot, "loose_units": "4", "day": "2026-11-12", "thrown_away": "5",
                       "entries": entries_of(client, week)})
    thrown = pd.read_csv(home / "mill_lane" / "book" / "deliveries.csv")
    assert thrown[["event", "item", "loose_units"]].to_numpy().tolist() == [["thrown_away", "saline_5ml", 5]]
    page = "/unit/mill_lane/recall?lot=l7"
    assert "shelf Saline 0.9 % ampoule 5 mL 204 Take it off the shelf" in words(client.get(page))
    told = words(client.post("/unit/mill_lane/recall", {"lot": "l7", "entries": entries_of(client, page)}))
    assert "Lot l7 was here" in told
    assert "It is taken away" not in told, "nothing is left to write down"
    assert client.post("/unit/mill_lane/recall", {"lot": "l7", "entries": "1"}).status_code == 409
    assert pd.read_csv(home / "mill_lane" / "book" / "deliveries.csv")["event"].tolist() == ["thrown_away", "recalled"]


def test_emergency_equipment_is_marked_on_the_par_list_and_lots_of_kits_are_a_print_away(client):
    assert re.search(r"EM Face mask, \d+ mm", words(client.get("/unit/mill_lane/par")))
    week = "/unit/mill_lane/week/count"
    before = words(client.get("/unit/mill_lane/week/kits"))
    assert "Lots and dates for each kit" not in before
    assert "Nothing is to be built until something is counted" in before
    client.post(week, {"item": "saline_5ml", "pack": "100", "packs": "2", "day": "2026-11-10",
                       "entries": entries_of(client, week)})
    assert "Lots and dates for each kit" in words(client.get("/unit/mill_lane/week/kits"))
    assert client.get("/unit/mill_lane/paper/kits-to-build.pdf").data.startswith(b"%PDF")
    told = words(client.post("/unit/mill_lane/week/build", {"design": "A", "built": "1", "day": "2026-11-10",
                                                            "entries": entries_of(client, week)}))
    assert re.search(r"Kit A-1: the book knew of too few EM Face mask, \d+ mm; .*count these items again", told)


def test_a_plan_that_cannot_be_opened_is_planned_anew_from_its_page(client, home):
    """After an upgrade a plan is of another version: the page says so, and has the button that mends it."""
    (home / "mill_lane" / "plan" / "saved" / "plan.zip").write_bytes(b"of another day")
    page = client.get("/unit/mill_lane/")
    assert page.status_code == 200
    assert "while opening the plan" in words(page)
    assert '<button class="main">Plan</button>' in page.text
    assert client.get("/unit/mill_lane/par").status_code == 409


def counted(client, day: str, packs: str = "2", **more):
    """Count the saline of the small sample."""
    week = "/unit/mill_lane/week/count"
    return client.post(week, {"item": "saline_5ml", "pack": "100", "packs": packs, "day": day,
                              "entries": entries_of(client, week)} | more)


def test_an_order_pressed_in_two_windows_stands_once_in_the_book(client, home):
    counted(client, "2026-11-10", "0")
    both = {"entries": entries_of(client, "/unit/mill_lane/week")}
    first, second = (client.post("/unit/mill_lane/week/order", both) for _ in "ab")
    assert "This is order 1." in words(first)
    assert "This is order 1." in words(second)
    orders = pd.read_csv(home / "mill_lane" / "book" / "orders.csv")
    assert orders["item"].is_unique


def test_what_is_wanted_since_an_order_stands_beside_the_order_that_its_print_holds(client):
    """The order made after the count keeps its sheet and print, and so its page, until the next count."""
    week = "/unit/mill_lane/week"
    counted(client, "2026-11-10", "0")
    client.post(f"{week}/order", {"entries": entries_of(client, week)})
    assert "Wanted since" not in words(client.get(week))
    client.post(f"{week}/receive", {"entries": entries_of(client, f"{week}/receive"), "order": "1",
                                    "item": "saline_5ml", "will_not_come": "1", "day": "2026-11-11"})
    page = words(client.get(week))
    assert re.search(r"This is order 1, and it is in the book\. Wanted since .* Put this order into the book", page)
    assert "The button under Wanted since orders it." in page
    assert "order.pdf, to print or send" in page
    client.post(f"{week}/order", {"entries": entries_of(client, week)})
    assert "This is order 2, and it is in the book." in words(client.get(week))


def test_what_is_counted_and_comes_one_by_one_is_asked_for_by_number(client, home):
    """No pack of one, no loose piece of it; nor loose ones of what is counted in unopened packs alone."""
    levels = kitplan.open_plan(home / "mill_lane" / "plan").orders.plan.levels
    loose = sum(x.pack > 1 and not x.packs_only for x in levels)
    page = client.get("/unit/mill_lane/week/count").text
    assert 0 < loose < len(levels)
    assert len(re.findall(r'<input id="loose\d+"', page)) == loose
    assert page.count(">How many</label>") == sum(x.pack == 1 for x in levels)
    counted(client, "2026-11-10", item=[x.item for x in levels], pack=[str(x.pack) for x in levels],
            packs=["0"] * len(levels))
    client.post("/unit/mill_lane/week/order", {"entries": entries_of(client, "/unit/mill_lane/week")})
    page = client.get("/unit/mill_lane/week/receive").text
    ones = page.count(">How many came</label>")
    assert 0 < ones < page.count("</summary>")
    assert "of 1 (" not in page
    assert page.count('name="loose_units"') == page.count('name="packs"'), "field by field of each line"


def test_an_older_count_is_taken_where_its_box_is_ticked(client, home):
    counted(client, "2026-11-10")
    refused = counted(client, "2026-11-03")
    assert refused.status_code == 409
    assert "tick that it is older" in words(refused)
    assert "counted on 2026-11-03" in words(counted(client, "2026-11-03", older="yes"))


def test_a_fault_of_a_form_names_the_line_and_leads_back_to_the_page(client):
    week = "http://127.0.0.1:8765/unit/mill_lane/week/count"
    page = counted(client, "2026-11-10", packs="two", headers={"Referer": week})
    assert page.status_code == 409
    assert "Saline 0.9 % ampoule 5 mL, column packs" in words(page)
    page = client.post("/unit/mill_lane/week/count", {"entries": "9"}, headers={"Referer": week})
    assert 'href="/unit/mill_lane/week/count">Back to the page before' in page.text


def test_the_week_says_that_its_plan_is_older_than_the_units_files(client, home):
    settings = home / "mill_lane" / "unit.toml"
    settings.write_text(settings.read_text(encoding="utf-8") + "\n# looked at\n", encoding="utf-8")
    for page in ("", "/receive", "/count", "/kits"):
        shown = words(client.get(f"/unit/mill_lane/week{page}"))
        assert "unit.toml has changed since this plan was made" in shown, page


def test_a_workbook_filled_in_elsewhere_is_taken_in_on_the_week(client, home, monkeypatch):
    """What has no form of its own, such as packs ordered otherwise, is typed into the workbook and given back."""
    counted(client, "2026-11-10", "0")
    client.post("/unit/mill_lane/week/order", {"entries": entries_of(client, "/unit/mill_lane/week")})
    book = openpyxl.load_workbook(home / "mill_lane" / "plan" / "stock-room.xlsx")
    sheet = book["Order"]
    head = next(row for row in sheet.iter_rows() if any(str(c.value).startswith("Ordered") for c in row))
    column = next(c.column for c in head if str(c.value).startswith("Ordered"))
    line = next(c.row for row in sheet.iter_rows(min_row=head[0].row + 1) for c in row if c.value == "saline_5ml")
    sheet.cell(line, column).value = 9
    out = io.BytesIO()
    book.save(out)
    given = {"entries": entries_of(client, "/unit/mill_lane/week"),
             "filled": (io.BytesIO(out.getvalue()), "mine.xlsx")}
    opened, begin = [], Book.__init__
    monkeypatch.setattr(Book, "__init__", lambda self, name, content: opened.append(name) or begin(self, name, content))
    told = words(client.post("/unit/mill_lane/week/workbook", given))
    assert "changed to what was really ordered" in told, told
    assert opened.count("mine.xlsx") == 1
    given = {"entries": entries_of(client, "/unit/mill_lane/week"), "filled": (io.BytesIO(b"no"), "mine.xlsx")}
    wrong = client.post("/unit/mill_lane/week/workbook", given)
    assert wrong.status_code == 409
    assert "mine.xlsx: is not an .xlsx workbook" in words(wrong)
    given = {"entries": entries_of(client, "/unit/mill_lane/week"), "filled": (io.BytesIO(b"no"), "shelf photo.png")}
    assert "shelf photo.png: is not an .xlsx workbook" in words(client.post("/unit/mill_lane/week/workbook", given))


def dropped(client, content: bytes, name: str = "export.csv", page: str = "/unit/mill_lane/census"):
    return client.post(page, {"census": (io.BytesIO(content), name), "unit_name": "Low Field"})


@pytest.mark.parametrize(("content", "said"), [
    (b"patient name,route,tube_mm,airways\nMary Smith,oral,3.5,1\n", "identif"),
    (b"%PDF-1.4 \x00\x01", "is not a text file"), (b"", "is empty"), (b"PK\x03\x04no workbook", "is not a readable"),
])
def test_what_may_not_or_cannot_be_read_is_not_kept_anywhere(client, home, content, said):
    before = {p: p.read_bytes() for p in home.rglob("*") if p.is_file()}
    page = dropped(client, content)
    assert page.status_code == 409
    assert said in words(page)
    assert "Nothing of it was kept" in words(page) or b"PK" in content
    assert "Mary" not in page.text
    assert {p: p.read_bytes() for p in home.rglob("*") if p.is_file()} == before
    assert dropped(client, content, page="/new").status_code == 409
    assert not (home / "low_field").exists(), "no unit is left behind whose census was refused"


def test_the_last_change_of_a_census_is_taken_back(client, home):
    census = home / "mill_lane" / "census.csv"
    before, other = census.read_bytes(), b"route,tube_mm,airways\noral,3.5,7\n"
    assert "Take back" not in client.get("/unit/mill_lane/census").text
    dropped(client, other)
    assert census.read_bytes() == other
    assert "It can be planned" in words(client.post("/unit/mill_lane/census/back"))
    assert census.read_bytes() == before
    client.post("/unit/mill_lane/census/back")
    assert census.read_bytes() == other


def test_a_census_in_a_workbook_of_its_own_is_replaced_and_not_doubled(client, home):
    folder = home / "mill_lane"
    (folder / "census.csv").rename(folder / "census.txt")
    assert "It can be planned" in words(dropped(client, b"route,tube_mm,airways\noral,3.5,7\n"))
    assert not (folder / "census.txt").exists()
    client.post("/unit/mill_lane/census/back")
    assert (folder / "census.txt").is_file()
    assert not (folder / "census.csv").exists()


def test_faults_stand_beside_their_cell_under_whatever_heading(empty_client):
    rows = b"Report of the ward;;;;\n;;;;\nAirway;Route;Size;Intubated;Removed\n1;Mouth;45;01.02.2026;20.02.2026\n"
    page = dropped(empty_client, rows, page="/new").text
    assert re.findall(r'name="(cell[\d.]+)"', page) == ["cell.4.2"]
    assert "<p>Size: " in page
    assert 'aria-describedby="why4"' in page
    assert 'id="why4"' in page


def test_a_whole_unit_in_one_workbook_becomes_a_unit_and_never_a_census(client, home):
    book = unit_workbook()
    refused = dropped(client, book, "ours.xlsx")
    assert refused.status_code == 409
    assert "is a whole unit" in words(refused)
    assert dropped(client, book, "ours.xlsx", "/new").status_code == 200
    assert (home / "low_field.xlsx").read_bytes() == book
    assert "low_field.xlsx" in words(client.get("/"))


def test_the_list_of_stays_of_a_workbook_is_taken_where_its_census_is_blank(client, home):
    book = openpyxl.Workbook()
    book.active.title = "Read me"
    for title, rows in (("census", [["date", "route", "tube_mm", "airways"]]),
                        ("stays", [["airway", "route", "tube_mm", "start", "end"],
                                   ["A1", "oral", 3.5, "2026-03-01", "2026-03-05"]])):
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    out = io.BytesIO()
    book.save(out)
    assert "a list of 1 stays" in words(dropped(client, out.getvalue(), "ward.xlsx"))


def test_a_unit_is_called_by_its_name_and_not_by_its_folder(client, home):
    client.post("/new", {"unit_name": "Ντόρα <b>'ყ'"})
    folder = next(p.name for p in home.iterdir() if p.name != "mill_lane")
    assert "Ντόρα <b>'ყ' in " + folder in words(client.get("/"))
    assert "<b>" not in client.get("/").text
    assert "Ντόρα" in words(client.get(f"/unit/{folder}/"))


def test_what_if_says_what_one_setting_does_and_blames_nothing_else(client, home):
    """A rate that counts have taught holds on both sides; it was left out of one of them."""
    (home / "mill_lane" / "book").mkdir()
    (home / "mill_lane" / "book" / LEARNT).write_text('{"log_mean": 0.5, "log_sd": 0.1, "days": 90}')
    unit = kitplan.load_unit(home / "mill_lane")
    before = {p: p.read_bytes() for p in home.rglob("*") if p.is_file()}
    page = words(client.post("/unit/mill_lane/what-if", {"change": "readiness", "value": "90 %"}))
    assert f"{unit.name} as asked uses" in page
    assert "no change. Stock at par" in page
    assert "readiness target 97.0 % 90.0 % -7.0 %" in page
    assert "nan" not in page
    assert "how often they are renewed" not in page
    assert {p: p.read_bytes() for p in home.rglob("*") if p.is_file()} == before
    wrong = client.post("/unit/mill_lane/what-if", {"change": "readiness", "value": "90"})
    assert "is not between 0 and 1" in words(wrong)


def test_what_if_is_asked_of_a_workbook_too(in_a_workbook):
    desk = Client(in_a_workbook)
    page = desk.post("/unit/nest.xlsx/what-if", {"change": "designs", "value": "1"})
    assert page.status_code == 200, words(page)
    assert "kit designs" in words(page)


def test_fewer_kit_designs_than_emergency_sizes_allow_are_answered_with_the_reason(client):
    page = words(client.post("/unit/mill_lane/what-if", {"change": "designs", "value": "1"}))
    assert "1 kit design was asked for; " in page
    assert "sizes are not merged by money alone" in page
    assert "asked for; " not in words(client.post("/unit/mill_lane/what-if", {"change": "checks", "value": "2"}))


def test_a_plan_that_is_damaged_leads_to_the_page_that_mends_it(client, home):
    (home / "mill_lane" / "plan" / "plan.json").write_text("{")
    page = client.get("/unit/mill_lane/week")
    assert page.status_code == 409
    assert 'href="/unit/mill_lane/">To this unit' in page.text
    assert "open This unit and press Plan" in words(page)
    assert "kitplan plan UNIT" not in words(page) + words(client.get("/unit/mill_lane/"))


def test_a_book_that_was_changed_by_hand_is_taken_as_it_stands_by_a_button(client, home):
    counted(client, "2026-11-10")
    counts = home / "mill_lane" / "book" / "counts.csv"
    changed = counts.read_bytes().replace(b"saline_5ml", b"saline_50ml", 1)
    counts.write_bytes(changed)
    page = client.get("/unit/mill_lane/week")
    assert page.status_code == 409
    assert "press Take the book as it stands" in words(page)
    assert "--mend" not in page.text
    assert 'action="/unit/mill_lane/book/mend"' in page.text
    first, second = (client.post("/unit/mill_lane/book/mend") for _ in "ab")
    assert "The book was taken as it stands" in words(first)
    assert second.status_code == 200, words(second)
    assert (counts.parent / "as-found" / "counts.csv").read_bytes() == changed, "not of the second click"
    assert 'book/mend"' not in client.get("/unit/mill_lane/week").text


def test_a_row_that_a_table_has_not_is_refused_in_words(client, home):
    census = home / "mill_lane" / "census.csv"
    seen = checksum(census.read_bytes())
    page = client.post("/unit/mill_lane/correct", {"file": "census.csv", "seen": seen, "cell.99.1": "oral"})
    assert page.status_code == 409
    assert "a row that this table has not" in words(page)
    assert not (home / "mill_lane" / "originals").exists()


def test_par_levels_sort_by_the_name_that_is_shown(client):
    names = re.findall(r'<tr><th scope="row"><a [^>]*>([^<]*)<', client.get("/unit/mill_lane/par?by=item").text)
    assert names == sorted(names)
    assert len(names) > 5


def test_a_line_that_names_what_came_and_not_how_much_is_asked_about_and_not_dropped(client, home):
    page = "/unit/mill_lane/week/receive"
    form = {"entries": entries_of(client, page), "order": ["", ""], "item": ["saline_5ml", "gauze_5cm_200"],
            "packs": ["1", ""], "expires": ["", "2027-05"], "lot": ["", "L1"]}
    told = client.post(page, form)
    assert told.status_code == 409
    assert "Gauze 5 x 5 cm, pack of 200: has no number" in words(told)
    told = client.post(page, {"entries": "0", "item": "", "packs": "1", "lot": "", "pack_code": ""})
    assert "something else that came, column item: is missing. Say which item came" in words(told)
    assert not (home / "mill_lane" / "book").exists()


@pytest.mark.parametrize("page", ["receive", "count"])
def test_a_thousand_typed_with_a_comma_is_asked_about_whatever_stands_in_another_line(client, home, page):
    week, said = f"/unit/mill_lane/week/{page}", "can be read two ways (got '1,000'). Type 1000 or 1."
    items = list(kitplan.open_plan(home / "mill_lane" / "plan").par.levels["item"].head(2))
    data = {"entries": "0", "order": ["", ""], "item": items, "packs": ["1,000", "1,0"]}
    answer = words(client.post(week, data))
    assert said in answer, answer
    assert not (home / "mill_lane" / "book").exists()


def test_the_unit_says_what_was_left_out_of_its_plan(client, home):
    (home / "mill_lane" / "class.toml").write_text("learners = 'many'\n")
    kitplan.plan(kitplan.load_unit(home / "mill_lane")).save(home / "mill_lane" / "plan")
    assert "Not planned until mended: the class" in words(client.get("/unit/mill_lane/"))


def test_a_desk_on_one_unit_makes_no_other_inside_it(home):
    desk = Client(home / "mill_lane")
    assert desk.post("/new", {"unit_name": "Inner"}).status_code == 409
    assert not (home / "mill_lane" / "inner").exists()


def test_what_may_identify_a_patient_is_not_written_by_a_form_where_it_would_stop_the_unit(client, home):
    form = {"title": "Room 0123456789", "learners": "8", "technique": "oral_two_y", "size": "3.5", "skin": "none"}
    page = client.post("/unit/mill_lane/class", form)
    assert page.status_code == 409
    assert "Nothing was written" in words(page)
    assert not (home / "mill_lane" / "class.toml").exists()
    assert client.get("/unit/mill_lane/week").status_code == 200
    assert client.post("/new", {"unit_name": "Ward 0123456789"}).status_code == 409
    assert [p.name for p in home.iterdir()] == ["mill_lane"]


def test_a_workbook_that_somebody_fills_in_meanwhile_is_kept_and_that_is_said(client, home):
    path = home / "mill_lane" / "plan" / "stock-room.xlsx"
    book = openpyxl.load_workbook(path)
    book["Count"]["H9"] = 3
    book.save(path)
    filled = path.read_bytes()
    assert "your copy is kept as stock-room-kept-1.xlsx" in words(counted(client, "2026-11-10"))
    assert path.with_name("stock-room-kept-1.xlsx").read_bytes() == filled


def test_what_a_class_took_comes_in_with_its_workbook(client, home):
    client.post("/unit/mill_lane/class", {"title": "Taping", "learners": "8", "technique": "oral_two_y", "size": "3.5",
                                          "skin": "none"})
    counted(client, "2026-11-10")
    book = openpyxl.load_workbook(home / "mill_lane" / "plan" / "class.xlsx")
    sheet = book["From the stock room"]
    taken = next(c for row in sheet.iter_rows() for c in row if c.value == "Taken")
    line = next(c.row for row in sheet.iter_rows() for c in row if c.value == "saline_5ml")
    sheet.cell(line, taken.column).value = 4
    out = io.BytesIO()
    book.save(out)
    given = {"entries": entries_of(client, "/unit/mill_lane/week"), "filled": (io.BytesIO(out.getvalue()), "c.xlsx")}
    assert "counts as no use" in words(client.post("/unit/mill_lane/week/workbook", given))
    lines = pd.read_csv(home / "mill_lane" / "book" / "deliveries.csv")
    assert lines[["event", "item", "loose_units"]].to_numpy().tolist() == [["to_class", "saline_5ml", 4]]


def test_names_from_right_to_left_keep_to_themselves_on_pages_and_not_in_forms(client, home):
    """Else the number after a name is shown beside the next one; in a form the marks would be saved with the text."""
    items = config_file("items.csv").read_text(encoding="utf-8")
    named = items.replace("Saline 0.9 % ampoule 5 mL", "\u05d0\u05d1 \u05d2\u05d3 5")
    (home / "mill_lane" / "items.csv").write_text(named, encoding="utf-8")
    kitplan.plan(kitplan.load_unit(home / "mill_lane")).save(home / "mill_lane" / "plan")
    held = "\u2068\u05d0\u05d1 \u05d2\u05d3 5\u2069"
    assert f"<strong>{held}</strong>" in client.get("/unit/mill_lane/week/count").text
    assert f"{held}: " in client.get("/unit/mill_lane/months").text
    assert "\u2068" not in client.get("/unit/mill_lane/class").text


def test_two_units_whose_names_share_no_more_than_a_digit_are_both_made(empty_client, tmp_path):
    for name in ("\u05d0\u05d1, 8", "\u05d2\u05d3, 8"):
        assert empty_client.post("/new", {"unit_name": name}).status_code == 200
    assert sorted(tomllib.loads(p.read_text(encoding="utf-8"))["name"] for p in tmp_path.glob("*/unit.toml")) == [
        "\u05d0\u05d1, 8", "\u05d2\u05d3, 8"]


def test_what_is_in_the_book_is_said_where_there_was_no_room_for_its_papers(client, home, monkeypatch):
    """Else an order that stands in the book would be taken for one that was not made."""
    def full(folder, files, **more):
        if folder.name == "plan":
            raise OutputError(errno.ENOSPC, "cannot be written (no space left on device)", folder)
        return whole(folder, files, **more)

    whole = round_command.write_outputs
    monkeypatch.setattr(round_command, "write_outputs", full)
    said = words(counted(client, "2026-11-10"))
    assert "IS in the book; only the papers are of before. The disk is full" in said
    assert "--out" not in said
    assert (home / "mill_lane" / "book" / "counts.csv").is_file()


def test_a_difference_of_next_to_nothing_has_no_sign():
    assert month_pages._told("difference", -0.0002, {"measure": "readiness verified"}) == "0.0 %"
