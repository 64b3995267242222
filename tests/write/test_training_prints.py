"""What a class prints: no names, local policy first, practice only on every page."""

import io
import re
import subprocess
from dataclasses import replace
from datetime import date

import pytest

from kitplan.parts.training.cuts import Cut
from kitplan.parts.training.cutting_list import cutting_list_pdf, sheet_cards_pdf
from kitplan.parts.training.model import plan_training
from kitplan.parts.training.practice_page import OnEveryPage, PrintSet, practice_pdf, text
from kitplan.parts.training.prints import _one_set, box_labels_pdf, labels_of
from kitplan.parts.training.station_prints import _amount, step_cards_pdf, steps
from kitplan.read.findings import Findings
from kitplan.read.source import Source
from kitplan.read.techniques import read_techniques
from kitplan.read.unit import load_unit
from kitplan.read.values import Step
from kitplan.resources import sample_units
from kitplan.solve.cutting import Stock
from kitplan.solve.sheet_cutting import cut_sheets


@pytest.fixture(scope="module")
def techniques():
    findings = Findings()
    return read_techniques(Source(sample_units()["harbour_wing"], findings), findings).techniques


def words_of(pdf, tmp_path):
    path = tmp_path / "print.pdf"
    path.write_bytes(pdf)
    try:
        return subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout
    except FileNotFoundError:
        pytest.skip("pdftotext is not installed")


@pytest.mark.parametrize("name", ["oral_two_y", "oral_h_and_y", "nasal_two_y", "ties_two"])
@pytest.mark.parametrize("skin", ["none", "barrier"])
def test_a_step_card_defers_to_policy_and_instructor_and_keeps_a_hand_on_the_tube(techniques, name, skin):
    lines = steps(techniques[name], skin, pairs=True)
    whole = " ".join(lines)
    assert lines[0].startswith("Read your unit's policy")
    assert "instructor" in whole
    assert "keeps hold until" in whole
    assert whole.index("takes hold") < whole.index("Loosen") < whole.index("lets go")
    ready = "mask and bag in the right size are at hand and checked, suction is at hand and checked, and you know how"
    assert whole.index(ready) < whole.index("takes hold"), "before the tube is touched"
    stop = "If the tube moves now or later: stop, hold the tube where it is, call for help"
    assert whole.index(stop) < whole.index("Loosen")
    assert whole.index("Loosen") < whole.index("gloves off, clean your hands, fresh gloves on") < whole.index("lets go")
    assert "eye protection where your policy asks for it" in whole
    assert ("barrier dressing" in whole) == (skin == "barrier")
    assert "Clean your hands" in lines[1]
    assert "clean your hands" in lines[-2]
    assert lines[-1] == "Change over."


def test_a_technique_without_tape_has_no_tape_steps(techniques):
    whole = " ".join(steps(techniques["ties_two"], "none", pairs=True))
    assert "Y piece" not in whole
    assert "First tie round the tube" in whole


def test_alone_the_instructor_holds_the_tube(techniques):
    whole = " ".join(steps(techniques["oral_two_y"], "none", pairs=False))
    assert "The instructor takes hold" in whole
    assert "Agree with the instructor who renews" in whole
    assert "Change over" not in whole


def test_another_recipe_brings_its_own_words(techniques):
    words = (Step("Look."), Step("Ask {partner}.", "alone"), Step("Only so.", "barrier"))
    own = replace(techniques["ties_two"], steps=words)
    assert steps(own, "none", pairs=True) == ["Look."]
    assert steps(own, "barrier", pairs=False) == ["Look.", "Ask the instructor.", "Only so."]


def test_every_page_says_practice_only(tmp_path):
    pdf = practice_pdf("Test", "Class", [[text("one")], [text("two")]], "letter")
    words = words_of(pdf, tmp_path)
    assert words.count("PRACTICE ONLY, NOT FOR PATIENTS") == 2
    assert words.count("no clinical advice") == 2


def test_words_from_a_class_file_are_printed_as_they_stand(tmp_path):
    words = words_of(practice_pdf("T", "foot", [[text("<b>5 < 6 & =1+1</b>")]], "a4"), tmp_path)
    assert "<b>5 < 6 & =1+1</b>" in words


def test_nine_labels_take_two_pages_and_each_says_practice_only(tmp_path):
    pdf = box_labels_pdf([(f"Station {n}", "Supplies", "Class") for n in range(9)], "a4")
    words = words_of(pdf, tmp_path)
    assert words.count("PRACTICE ONLY, NOT FOR PATIENTS") == 9
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2


@pytest.mark.parametrize(("side", "said"), [(150, "Print at 100 %"), (300, "Not at true scale")])
def test_a_sheet_card_says_whether_it_is_at_true_scale(tmp_path, side, said):
    plan = cut_sheets([(25, 35)], [20], [Stock("sheet", side, width_mm=side)])
    pdf = sheet_cards_pdf(
        [("", Cut((0,), plan, {"sheet": ("sheet", "new")}))], {}, lambda covers: "Cut by", "Practice", "a4", "Class")
    words = words_of(pdf, tmp_path)
    assert said in words
    assert words.count("25 x 35") + words.count("35 x 25") >= 20


def test_a_sheet_card_carries_the_days_of_the_sessions_that_it_is_for(tmp_path):
    """One pattern in sessions 1 and 3, another in session 2 alone: the card of that one had the days of all three."""
    cuts = [(f"session {n + 1}", Cut((n,), cut_sheets([(25, 35)], [pieces], [Stock("sheet", 150, width_mm=150)]),
                                     {"sheet": ("sheet", "new")})) for n, pieces in enumerate((20, 3, 20))]
    pdf = sheet_cards_pdf(cuts, {}, lambda covers: " ".join(f"day-{n + 1}" for n in covers), "", "a4", "Course")
    one, other = words_of(pdf, tmp_path).split("\f")[:2]
    assert [re.findall("day-.", page) for page in (one, other)] == [["day-1", "day-3"], ["day-2"]]


def test_the_cutting_list_tells_the_end_to_keep_from_the_end_that_is_waste(tmp_path):
    unit = load_unit(sample_units()["lantern_nursery"])
    training = plan_training(unit, unit.classes)
    called = dict(zip(unit.items["item"], unit.items["description"]))
    words = words_of(cutting_list_pdf(PrintSet(training, (0,), "a4", "Class"), called), tmp_path)
    for cut in training.tape:
        for end in cut.plan.plan["waste_mm"]:
            fate = "waste" if end < cut.plan.sizes_mm.min() else "keep"
            assert end == 0 or f"{fate} {end:,.0f} mm" in " ".join(words.split())


def test_prints_repeat_byte_for_byte():
    one, two = (box_labels_pdf([("Station 1", "Supplies", "Class")], "a4") for _ in range(2))
    assert io.BytesIO(one).read() == two


@pytest.fixture(scope="module")
def three_days():
    """The sample's class on three days: (unit, plan of the course)."""
    unit = load_unit(sample_units()["harbour_wing"])
    (one,) = unit.classes
    sessions = [replace(one, session=n, title=f"{one.title}, session {n}", day=date(2027, 3, 1 + n), place=f"Room {n}")
                for n in (1, 2, 3)]
    return unit, plan_training(unit, sessions)


@pytest.fixture(scope="module")
def printed(three_days):
    unit, training = three_days
    called = dict(zip(unit.items["item"], unit.items["description"]))
    return _one_set(unit, PrintSet(training, (0, 1, 2), "letter", "Course"), called)


def pages_of(pdf):
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_a_course_prints_what_is_alike_once_and_a_page_a_session(printed, three_days):
    unit, _ = three_days
    alone = plan_training(unit, unit.classes)
    called = dict(zip(unit.items["item"], unit.items["description"]))
    single = _one_set(unit, PrintSet(alone, (0,), "letter", "Class"), called)
    assert set(printed) - set(single) == {"session-sheets"}
    assert pages_of(printed["session-sheets"]) == 3
    for name in ("tick-list", "step-cards", "box-labels", "class-cut-cards", "sheet-cards"):
        assert pages_of(printed[name]) == pages_of(single[name])
    assert pages_of(printed["station-cards"]) == 2 * pages_of(single["station-cards"]), "a begun tub from day 2 on"
    assert sum(map(pages_of, printed.values())) <= sum(map(pages_of, single.values())) + 3 + 2 + 2 * 2


def test_days_station_and_a_line_for_the_cutter_stand_on_every_page(printed, tmp_path):
    for name in ("station-cards", "cutting-list"):
        for page in words_of(printed[name], tmp_path).split("\f")[:-1]:
            assert re.search(r"(Station|Cutter) \d .*\d+ Mar 2027", page), page[:300]
            assert "Cut by ___" in page


def test_the_box_of_a_station_says_its_day_where_other_sessions_have_other_learners(three_days):
    _, training = three_days
    one, two, three = training.lessons
    course = PrintSet(replace(training, lessons=(one, two, replace(three, learners=2))), (0, 1, 2), "a4", "Course")
    said = [inside for what, inside, _ in labels_of(course) if what == "Station 1"]
    many = f"{one.learners_at(0)} learners"
    assert said == [f"Supplies and things for {many} on 2 and 3 Mar 2027. See the station card.",
                    "Supplies and things for 1 learner on 4 Mar 2027. See the station card."]
    alike = [inside for what, inside, _ in labels_of(replace(course, training=training)) if what == "Station 1"]
    assert alike == [f"Supplies and things for {many}. See the station card."]


def test_a_station_card_that_runs_over_names_its_station_on_the_next_page(tmp_path):
    lines = [text(f"line {n}") for n in range(120)]
    words = words_of(practice_pdf("T", "foot", [[OnEveryPage("Station 7   2 Mar 2027"), *lines]], "a4"), tmp_path)
    assert words.count("Station 7   2 Mar 2027".replace("   ", " ")) + words.count("Station 7   2 Mar 2027") == 3


def test_each_session_sheet_says_when_where_and_what_goes_on(printed, tmp_path):
    pages = words_of(printed["session-sheets"], tmp_path).split("\f")
    for n in (1, 2, 3):
        page = " ".join(pages[n - 1].split())
        assert f"Session {n}: " in page
        assert f"{n + 1} March 2027, 13:00, Room {n}" in page
        assert "Trainer: ___" in page
    assert "Order what is new by" in pages[0]


@pytest.mark.parametrize("name", ["class-cut-cards", "sheet-cards"])
def test_a_print_at_true_scale_asks_not_to_be_fitted_to_the_page(printed, name):
    """PrintScaling None in the viewer preferences: ISO 32000-1, table 150 (from memory)."""
    number = re.search(rb"/ViewerPreferences (\d+) 0 R", printed[name])[1]
    assert re.search(rb"\n" + number + rb" 0 obj\s*<<\s*/PrintScaling /None\s*>>", printed[name])


def test_a_cut_card_of_a_class_has_a_manikin_measured_and_no_patient(printed, tmp_path):
    words = " ".join(words_of(printed["class-cut-cards"], tmp_path).split())
    assert "MEASURE THE MANIKIN'S FACE FIRST" in words
    assert "THIS PATIENT" not in words


def test_a_cut_card_says_each_days_sets_and_another_face_has_a_card_of_its_own(three_days, tmp_path):
    """17, 14 and 9 learners, two tries, a tenth spare: 34 + 4, 28 + 3 and 18 + 2 sets; one line to sign a day."""
    unit, training = three_days
    first = training.lessons[0].practices[0]
    wide = replace(first, size=first.size.copy())
    wide.size["span_mid_cheek_mm"] = 30.0 + first.size["span_mid_cheek_mm"]
    days = [replace(day, learners=n, practices=(first, wide)) for day, n in
            zip(training.lessons, (17, 14, 9))]
    course = PrintSet(plan_training(unit, days), (0, 1, 2), "letter", "Course")
    pages = words_of(_one_set(unit, course, {})["class-cut-cards"], tmp_path).split("\f")[:-1]
    spans = [re.search(r"a span of (\d+) mm", page)[1] for page in pages]
    assert float(spans[1]) - float(spans[0]) == 30
    for page in pages:
        said = re.findall(r"(\d+) sets for (\d) Mar 2027, cut by ___", " ".join(page.split()))
        assert said == [("38", "2"), ("31", "3"), ("20", "4")]


def test_waste_is_drawn_and_its_length_is_said(three_days, tmp_path):
    _, training = three_days
    words = " ".join(words_of(cutting_list_pdf(PrintSet(training, (0, 1, 2), "a4", "C"), {}), tmp_path).split())
    assert "crossed: waste" in words
    waste = {f"waste {mm:,.0f} mm" for c in training.tape for mm in c.plan.plan["waste_mm"] if 0 < mm < c.keep_mm}
    assert waste
    for said in waste:
        assert words.count(said) >= 2, "in the table and under the drawing"


def test_a_length_cut_for_several_sessions_is_one_line_that_shares_it_out(three_days, tmp_path):
    unit, training = three_days
    learners = 12, 12, 20
    once = plan_training(unit, [replace(c, cut="all at once", learners=n) for c, n in zip(training.lessons, learners)])
    words = " ".join(words_of(cutting_list_pdf(PrintSet(once, (0, 1, 2), "a4", "C"), {}), tmp_path).split())
    for _, same in once.pieces().groupby(["length_mm", "practice", "shape", "use"], sort=False):
        counts = same.sort_values("lesson")["count"].tolist()
        assert f"(session 1: {counts[0]}, 2: {counts[1]}, 3: {counts[2]})" in words
        assert str(sum(counts)) in words


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_a_step_card_ends_on_the_page_that_it_begins_on(three_days, paper):
    unit, training = three_days
    cards = step_cards_pdf(unit, PrintSet(training, (0, 1, 2), paper, "Course"))
    assert pages_of(cards) == len(set(training.names[0]))


def test_step_cards_do_not_differ_by_how_many_come(three_days):
    unit, _ = three_days
    days = [replace(unit.classes[0], session=n, learners=n + 10, day=date(2027, 3, n)) for n in (1, 2)]
    cards = step_cards_pdf(unit, PrintSet(plan_training(unit, days), (0, 1), "a4", "Course"))
    assert pages_of(cards) == len(unit.classes[0].practices)


@pytest.mark.parametrize(("quantity", "use_unit", "said"), [
    (1, "use", "1 x"), (3, "pair", "3 pairs"), (5, "mL", "5 mL"), (1, "wipe", "1 wipe")])
def test_what_one_go_takes_is_said_in_its_own_unit(quantity, use_unit, said):
    assert _amount(quantity, use_unit) == said
