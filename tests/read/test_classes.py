"""class.toml: read whole, every fault told at once with its mend."""

from dataclasses import replace
from datetime import date

import pytest

from kitplan.read.class_values import courses
from kitplan.read.classes import PracticeSizes, class_files, read_classes
from kitplan.read.findings import Findings
from kitplan.read.problems import InputError, Problem
from kitplan.read.sizes import read_face, read_tubes
from kitplan.read.source import Source
from kitplan.read.techniques import Recipes
from kitplan.resources import sample_units

GOOD = """
title = "Spring class"
date = 2027-03-09
start = "09:30"
learners = 8
stations = 2
attempts = 3
spare_share = 0.2

[[practice]]
technique = "oral_two_y"
tube_mm = 3.5

[have]
saline-5 = 12

[expired_for_practice]
tape-25-long = 2

[[durable]]
name = "infant manikin"
per_station = 2
"""


@pytest.fixture
def unit(small_unit, tmp_path):
    return replace(small_unit, path=tmp_path)


def read_all(unit, files):
    findings = Findings()
    source = Source(unit.path, findings)
    (tubes_file, tubes), (face_file, face) = read_tubes(source, findings), read_face(source, findings)
    recipes = Recipes("techniques.toml", unit.techniques, unit.routes)
    sizes = PracticeSizes(recipes, tubes, face, (tubes_file, face_file))
    classes, checksums = read_classes(source, files, unit.techniques, unit.items, sizes, findings)
    findings.stop_if_faulty()
    return classes, tuple(w for w in findings.warnings if "steps" not in w.mend), checksums


def read(unit, text, name="class.toml"):
    path = unit.path / name
    path.write_text(text, encoding="utf-8")
    return read_all(unit, [path])


def faults(unit, text):
    with pytest.raises(InputError) as caught:
        read(unit, text)
    return caught.value.problems


def test_a_class_is_read_whole(unit):
    (lesson,), warnings, checksums = read(unit, GOOD)
    assert (lesson.title, lesson.day, lesson.start_minute) == ("Spring class", date(2027, 3, 9), 570)
    assert (lesson.learners, lesson.stations, lesson.spare_share) == (8, 2, 0.2)
    assert lesson.practices[0].goes_per_learner == 3
    assert lesson.practices[0].size["span_tragus_mm"] == 160
    assert (lesson.have, lesson.expired) == ({"saline-5": 12}, {"tape-25-long": 2})
    assert lesson.durables[0].per_station == 2
    assert warnings == ()
    assert list(checksums) == ["class.toml"]


def test_what_is_left_out_has_a_usual_value(unit):
    (lesson,), _, _ = read(unit, 'learners = 13\n[[practice]]\ntechnique = "oral_two_y"\ntube_mm = 3.5')
    assert lesson.stations == 3, "about six learners to a station"
    assert (lesson.pairs, lesson.spare_share, lesson.rotation) == (True, 0.10, "staggered")
    assert lesson.practices[0].attempts == 2


def test_the_glove_sizes_that_come_may_be_named_and_are_none_unless_they_are(unit):
    (lesson,), _, _ = read(unit, 'sizes_worn = ["gloves-medium"]\n' + GOOD)
    assert lesson.sizes_worn == ("gloves-medium",)
    assert read(unit, GOOD)[0][0].sizes_worn == ()


def test_several_sizes_in_one_block_are_several_practices(unit):
    text = 'learners = 4\n[[practice]]\ntechnique = "oral_two_y"\ntube_mm = [3.0, 3.5, 4]'
    (lesson,), _, _ = read(unit, text)
    assert [p.size_text for p in lesson.practices] == ["3.0 mm", "3.5 mm", "4.0 mm"]


def test_stock_may_carry_its_date(unit):
    (lesson,), _, _ = read(unit, GOOD.replace("saline-5 = 12", "saline-5 = {units = 9, expires = 2027-03-09}"))
    assert lesson.have == {"saline-5": 9}


def test_learners_are_dealt_to_stations_as_evenly_as_it_goes(unit):
    (lesson,), _, _ = read(unit, GOOD.replace("learners = 8", "learners = 9"))
    assert [lesson.learners_at(s) for s in range(2)] == [5, 4]


@pytest.mark.parametrize(
    ("old", "new", "column", "fault", "mend"),
    [
        ("learners = 8", "", "learners", "needs learners", "learners = 12"),
        ("learners = 8", "learners = 0", "learners", "below 1", "from 1 to 5,000"),
        ("learners = 8", "learners = -3", "learners", "negative", "from 1 to 5,000"),
        ("learners = 8", "learners = 2.5", "learners", "not a whole number", "from 1 to 5,000"),
        ("learners = 8", 'learners = "eight"', "learners", "not a number", "from 1 to 5,000"),
        ("learners = 8", 'learners = ["x", "y"]', "learners", "not a number", "no names"),
        ("learners = 8", "learners = 100001", "learners", "above 5,000", "from 1 to 5,000"),
        ("attempts = 3", "attempts = 1000", "attempts", "above 100", "at most 100"),
        ('"oral_two_y"', '["oral_two_y"]', "practice 1.technique", "not a technique", "oral_two_y"),
        ("tube_mm = 3.5", "tube_mm = 3.5\nroute = [1]", "practice 1.route", "not a route", "oral"),
        ("per_station = 2", "techniques = 5", "durable 1.techniques", "not a list of texts", "first"),
        ("learners = 8", "learners = nan", "learners", "not a finite number", "from 1 to 5,000"),
        ("stations = 2", "stations = 9", "stations", "more than the 8 learners", "at most 8"),
        ("stations = 2", "stations = 0", "stations", "below 1", "at least 1"),
        ("stations = 2", "stations = 2\nlearners_per_station = 4", "stations", "stands beside", "one of the two"),
        ("tube_mm = 3.5", "", "practice 1.tube_mm", "needs a tube size", "tube_mm = 3.5"),
        ("tube_mm = 3.5", "tube_mm = []", "practice 1.tube_mm", "needs a tube size", "tube_mm = 3.5"),
        ("tube_mm = 3.5", 'tube_mm = "small"', "practice 1.tube_mm", "not a tube size", "millimetres"),
        ("tube_mm = 3.5", "tube_mm = 11.5", "practice 1.tube_mm", "no table holds", "from 2 to 10"),
        ("oral_two_y", "oral_two_z", "practice 1.technique", "not a technique", "'oral_two_y'"),
        ('technique = "oral_two_y"', "", "practice 1.technique", "missing", "oral_two_y"),
        ("tube_mm = 3.5", "tube_mm = 3.5\ntimes = 0", "practice 1.times", "below 1", "at least 1"),
        ("tube_mm = 3.5", 'tube_mm = 3.5\nskin = "wet"', "practice 1.skin", "not one of the choices", "none, barrier"),
        ("tube_mm = 3.5", 'tube_mm = 3.5\nroute = "nasal"', "practice 1.route", "not a route", "oral"),
        ("[[practice]]", "[practise]", "practise", "not a setting", "'practice'"),
        ("[[practice]]", "[practice]", "practice", "not a list of blocks", "[[practice]]"),
        ("attempts = 3", "attempts = 0", "attempts", "below 1", "at least 1"),
        ("spare_share = 0.2", "spare_share = 10", "spare_share", "not between 0 and 1", "share of one: 10 % is 0.1."),
        ("spare_share = 0.2", "spare_share = -0.1", "spare_share", "negative", "at least 0"),
        ("spare_share = 0.2", "spare_share = inf", "spare_share", "not a finite number", "finite"),
        ("saline-5 = 12", "saline-5 = -12", "have.saline-5", "negative", "count it again"),
        ("saline-5 = 12", "saline-5 = 1.5", "have.saline-5", "not a whole number", "count it again"),
        ("saline-5 = 12", "saline-5 = {units = -1}", "have.saline-5.units", "negative", "count it again"),
        ("saline-5 = 12", "saline-5 = {units = 9, expires = 2027-03-08}", "have.saline-5", 
         "past its date on the day of the class, 2027-03-09",
         "practice only, not for patients"),
        ("saline-5 = 12", 'saline-5 = {units = 9, expires = "soon"}', "have.saline-5.expires", "not a date", "2027"),
        ("saline-5 = 12", "saline-5 = {unit = 9}", "have.saline-5.unit", "not a setting", "'units'"),
        ("saline-5 = 12", "salin-5 = 1", "have.salin-5", "not in the catalogue", "'saline-5'"),
        ("tape-25-long = 2", "tape-25-long = -2", "expired_for_practice.tape-25-long", "negative", "count it again"),
        ("learners = 8", "learners = 8\nlerners_per_station = 4", "lerners_per_station", "not a setting", "learners"),
        ("per_station = 2", "per_station = 0", "durable 1.per_station", "below 1", "at least 1"),
        ("per_station = 2", "have = -1", "durable 1.have", "negative", "at least 0"),
        ("per_station = 2", 'item = "thing"', "durable 1.item", "not in the catalogue", "Use one of"),
        ('name = "infant manikin"', "", "durable 1", "needs one of", "role"),
        ("2027-03-09", '"next Tuesday"', "date", "not a date", "2027-03-09"),
        ('"09:30"', '"half past"', "start", "not a time", "13:30"),
        ("attempts = 3", 'attempts = 3\nrotation = "random"', "rotation", "not one of", "staggered, together"),
        ("attempts = 3", 'attempts = 3\nsizes_worn = ["saline-5"]', "sizes_worn", "comes in shares", "gloves-medium"),
        ("attempts = 3", 'attempts = 3\npairs = "yes"', "pairs", "neither true nor false", "true or false"),
        ("attempts = 3", "attempts = 3\nminutes_per_attempt = 0", "minutes_per_attempt", "not above 0", "above 0"),
    ],
)
def test_a_fault_is_told_with_its_place_and_mend(unit, old, new, column, fault, mend):
    assert old in GOOD
    problems = faults(unit, GOOD.replace(old, new, 1))
    told = [p for p in problems if p.column == column]
    assert told, [str(p) for p in problems]
    assert fault in told[0].fault
    assert mend in told[0].mend
    assert told[0].file == "class.toml"


def test_names_are_folded_as_in_every_other_file(unit):
    text = GOOD.replace('"oral_two_y"', '"Oral two-Y"\nroute = " Oral"\nskin = "None"').replace("saline-5", "Saline 5")
    (lesson,), _, _ = read(unit, text.replace("[have]\nSaline 5", '[have]\n"Saline 5"'))
    assert (lesson.practices[0].technique, lesson.practices[0].route) == ("oral_two_y", "oral")
    assert lesson.have == {"saline-5": 12}


def test_every_fault_is_told_at_once(unit):
    text = GOOD.replace("learners = 8", "learners = 0").replace("0.2", "3").replace("tube_mm = 3.5", "")
    assert {p.column for p in faults(unit, text)} == {"learners", "spare_share", "practice 1.tube_mm"}


def test_a_slip_in_writing_is_told_by_its_line(unit):
    (problem,) = faults(unit, GOOD.replace("spare_share = 0.2", "spare_share = 0,2"))
    assert problem.row == 8
    assert "point" in problem.mend


@pytest.mark.parametrize(("old", "new", "row", "column", "fault", "mend"), [
    ("attempts = 3", "attempts = 3\nattempts = 2", 8, "attempts", "stands twice: in line 7 and here", "Keep one of"),
    ("[expired_for_practice]", "[have]", 17, "have", "stands twice: in line 14 and here", "under one [have]"),
    ("[[durable]]", "[practice]", 20, "practice", "stands twice: in line 10 and here", "Write each of them as [[pr"),
    ("[[practice]]", "[[practice]", 10, None, "opens a block and does not close it", "as many brackets"),
    ("[have]", "[have", 14, None, "opens a block and does not close it", "as many brackets"),
    ('"Spring class"', '"Spring class', 2, "title", "a text that is not closed", 'Write " at its end'),
    ("tube_mm = 3.5", "tube_mm = [3.5, 4", 12, "tube_mm", "a list that is not closed", "Write ] at its end"),
    ("saline-5 = 12", "saline-5 = {units = 12", 15, "saline-5", "a group that is not closed", "Write } at its end"),
    ("saline-5 = 12", "saline 5 = 12", 15, None, "a key without =", "quotation marks"),
    ("attempts = 3", "attempts =", 7, "attempts", "not written as settings are", "the value after ="),
    ("2027-03-09", "2027-13-09", 3, "date", "not written as settings are", "a day that there is"),
])
def test_what_stands_twice_or_is_not_closed_is_named_with_its_line(unit, old, new, row, column, fault, mend):
    assert GOOD.count(old) == 1
    (problem,) = faults(unit, GOOD.replace(old, new))
    assert (problem.row, problem.column) == (row, column)
    assert fault in problem.fault
    assert mend in problem.mend
    assert f"class.toml, line {row}" in str(problem)


def test_a_class_file_speaks_of_keys_and_lines_and_a_table_of_columns_and_rows(unit):
    (problem,) = faults(unit, GOOD.replace("learners = 8", "learners = 0"))
    assert str(problem).startswith("class.toml, key learners: is below 1")
    table = Problem("census.csv", "is not a number", "Write one.", row=4, column="airways", value="x")
    assert str(table).startswith("census.csv, row 4, column airways")


def test_a_slip_in_a_line_that_names_somebody_does_not_repeat_the_name(unit):
    for line in ('"Mary Invented" = 3\n"Mary Invented" = 4', '[Mary.Invented]\nx = 1\n[Mary.Invented]\ny = 1'):
        said = "\n".join(str(p) for p in faults(unit, GOOD + "\n[note]\n" + line))
        assert "Mary" not in said
        assert said


SESSIONS = """
[[session]]
date = 2027-03-16
place = "Room 4"

[[session]]
date = 2027-03-09
start = "13:00"
learners = 4
stations = 1
trainer = "Trainer B"
"""


def test_a_course_is_read_as_its_sessions_in_the_order_of_their_days(unit):
    sessions, _, _ = read(unit, GOOD + SESSIONS)
    assert [s.session for s in sessions] == [1, 2]
    assert [s.title for s in sessions] == ["Spring class, session 1", "Spring class, session 2"]
    assert [s.day for s in sessions] == [date(2027, 3, 9), date(2027, 3, 16)]
    assert [(s.learners, s.stations, s.start_minute) for s in sessions] == [(4, 1, 780), (8, 2, 570)]
    assert [(s.place, s.trainer) for s in sessions] == [("", "Trainer B"), ("Room 4", "")]
    assert courses(sessions) == [[0, 1]]
    assert all(s.have == {"saline-5": 12} and s.cut == "before each session" for s in sessions)


def test_a_session_may_have_practices_of_its_own(unit):
    text = GOOD + '\n[[session]]\n[[session.practice]]\ntechnique = "oral_two_y"\ntube_mm = 4\n\n[[session]]\n'
    sessions, _, _ = read(unit, text)
    assert [s.practices[0].size_text for s in sessions] == ["4.0 mm", "3.5 mm"]


def test_a_file_without_sessions_is_one_class(unit):
    (lesson,), _, _ = read(unit, GOOD)
    assert (lesson.session, lesson.course, lesson.title) == (0, "Spring class", "Spring class")


@pytest.mark.parametrize(("old", "new", "column", "fault", "mend"), [
    ("learners = 4", "learners = 0", "session 2.learners", "below 1", "from 1 to 5,000"),
    ("stations = 1", "stations = 5", "session 2.stations", "more than the 4 learners", "at most 4"),
    ("stations = 1", "station = 1", "session 2.station", "not a setting", "'stations'"),
    ("learners = 4", "have = 4", "session 2.have", "holds for the whole class", "[have] on a line of its own"),
    ("learners = 4", "[session.have]", "session 2.have", "holds for the whole class", "[have] on a line of its own"),
    ('"Room 4"', "4", "session 1.place", "is not a text", "quotation marks"),
    ('"13:00"', '"noon"', "session 2.start", "not a time", "13:30"),
    ("date = 2027-03-16", "cut = 1", "session 1.cut", "holds for the whole class", "Move it up"),
])
def test_a_fault_of_a_session_names_the_session(unit, old, new, column, fault, mend):
    text = GOOD + SESSIONS
    told = [p for p in faults(unit, text.replace(old, new) if old in SESSIONS else text) if p.column == column]
    assert told
    assert fault in told[0].fault
    assert mend in told[0].mend


def test_what_is_wrong_for_all_sessions_is_told_once_and_all_faults_at_once(unit):
    text = GOOD.replace("0.2", "3").replace("saline-5 = 12", "salin-5 = 1") + SESSIONS.replace("= 4\n", "= 0\n")
    problems = faults(unit, text)
    assert [p.column for p in problems].count("spare_share") == 1
    assert {"spare_share", "have.salin-5", "session 2.learners"} <= {p.column for p in problems}


def test_one_block_of_a_session_is_told_to_take_two_brackets(unit):
    (problem,) = faults(unit, GOOD + "\n[session]\ndate = 2027-03-09\n")
    assert "[[session]]" in problem.mend


@pytest.mark.parametrize(("line", "column", "mend"), [
    ('cut = "later"', "cut", "before each session"), ('loose = ["gel"]', "loose", "Use one of"),
])
def test_the_keys_of_a_course_are_checked(unit, line, column, mend):
    (problem,) = faults(unit, f"{line}\n{GOOD}")
    assert problem.column == column
    assert mend in problem.mend


def test_a_season_is_read_in_the_order_of_its_files_and_equal_titles_are_told_apart(unit):
    for name in ("class-2.toml", "class-1.toml"):
        (unit.path / name).write_text(GOOD)
    files = class_files(unit.path)
    assert [p.name for p in files] == ["class-1.toml", "class-2.toml"]
    classes, _, _ = read_all(unit, files)
    assert [c.title for c in classes] == ["Spring class (class-1.toml)", "Spring class (class-2.toml)"]


def test_a_season_runs_in_the_order_of_its_days(unit):
    (unit.path / "class-1.toml").write_text(GOOD)
    (unit.path / "class-2.toml").write_text(GOOD.replace("2027-03-09", "2027-01-05").replace("Spring", "Winter"))
    classes, _, _ = read_all(unit, class_files(unit.path))
    assert [c.title for c in classes] == ["Winter class", "Spring class"]


def test_things_worth_a_look_do_not_stop_the_class(unit):
    text = GOOD.replace("learners = 8", "learners = 7").replace("infant manikin", "Kopf")
    _, warnings, _ = read(unit, text)
    assert not warnings, "seven in pairs: nothing that anybody could do about it"
    _, warnings, _ = read(unit, text.replace('name = "Kopf"', 'role = "mask"'))
    assert {w.column for w in warnings} == {"durable"}


@pytest.mark.parametrize(("sizes", "told"), [("3.5", False), ("[3.5, 5.0]", True)])
def test_things_that_are_there_and_of_no_size_are_said_not_to_count(unit, sizes, told):
    text = GOOD.replace("tube_mm = 3.5", f"tube_mm = {sizes}") + '[[durable]]\nrole = "mask"\nhave = 4\n'
    _, warnings, _ = read(unit, text)
    assert [str(w) for w in warnings if w.column == "durable 2.have"] == [
        "class.toml, key durable 2.have: does not say of which size, and is counted only where one item serves every "
        "practice (got '4'). Write how many there are of each item under [have]."] * told


def test_the_samples_hold_a_class_each_and_say_that_it_is_invented():
    found = {name: class_files(path) for name, path in sample_units().items()}
    assert [f.name for f in found["harbour_wing"]] == ["class.toml"]
    assert [f.name for f in found["lantern_nursery"]] == ["class.toml"]
    for files in found.values():
        assert all("INVENTED" in f.read_text() for f in files)


def test_a_class_names_nobody(unit):
    """A learner's name, or a patient's number in a text, stops the reading; the value is not repeated."""
    for text in (GOOD + '\n[learner]\nname = "Somebody Invented"\n', GOOD + '\n[note]\nmrn = "00412345"\n'):
        said = "\n".join(str(p) for p in faults(unit, text))
        assert "Somebody" not in said
        assert "00412345" not in said
        assert said


@pytest.mark.parametrize(("places", "told"), [(3, False), (4, True)])
def test_whoever_works_with_the_instructor_fills_a_place_too(unit, places, told):
    """Five learners in pairs at each of two stations: two pairs, and one with the instructor."""
    _, warnings, _ = read(unit, GOOD.replace("learners = 8", f"learners = 10\nplaces_per_station = {places}"))
    assert any(w.column == "places_per_station" for w in warnings) == told


@pytest.mark.parametrize(("more", "said"), [
    ("patient_kg = 3", None), ("patient_kg = 30", "is 2.5 mm from the sizes usual for 30 kg"),
    ("patient_kg = 14", "is 1 mm from the sizes usual for 14 kg")])
def test_a_tube_far_from_the_weight_of_its_practice_is_worth_a_look(unit, more, said):
    """A slip of a point, 30 for 3.0, would have tape cut for another face: tubes.csv has 6.0 from 20 to 34 kg."""
    _, warnings, _ = read(unit, GOOD.replace("tube_mm = 3.5", f"tube_mm = 3.5\n{more}"))
    assert [w.fault for w in warnings if w.column == "practice 1.tube_mm"] == ([said] if said else [])
