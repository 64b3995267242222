"""The three shapes of a census, and what each means."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd
import pytest

from kitplan.demand.occupancy import mean_airways
from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.read.values import STRATUM_KEY


def census_of(unit_folder, text, toml="mean_stay_days = 5\n"):
    return load_unit(unit_folder({"census.csv": text, "unit.toml": toml}))


def test_counts_without_dates_are_a_snapshot(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,4\nnasal,4,1\noral,3.5,2\n")
    census = unit.census
    assert (census.shape, census.first_day, census.last_day) == ("snapshot", None, None)
    assert census.rows.to_dict("list") == {"stratum": [0, 1], "airways": [1, 6]}
    assert unit.strata[STRATUM_KEY].to_numpy().tolist() == [
        ["nasal", "4.0 mm", "nasal_two_y", "none"], ["oral", "3.5 mm", "oral_two_y", "none"]]


def test_counts_of_one_day_are_a_snapshot_of_that_day(unit_folder):
    census = census_of(unit_folder, "date,route,tube_mm,airways\n2025-03-01,oral,3.5,4\n2025-03-01,nasal,4,1\n").census
    assert (census.shape, census.first_day, census.last_day) == ("snapshot", date(2025, 3, 1), date(2025, 3, 1))


def test_counts_of_several_days_are_a_history_with_unknown_days(unit_folder):
    unit = census_of(unit_folder, "date,route,tube_mm,airways\n2025-03-04,oral,3.5,0\n2025-03-01,oral,3.5,4\n"
                     "2025-03-01,nasal,4,1\n")
    census = unit.census
    assert (census.shape, census.first_day, census.last_day) == ("counts", date(2025, 3, 1), date(2025, 3, 4))
    assert census.unknown_days == (1, 2)
    assert census.rows.to_numpy().tolist() == [[0, 0, 1], [0, 1, 4], [3, 1, 0]]
    assert any("2 of 4 days" in w.fault and "2025-03-02" in w.fault for w in unit.warnings)


def test_stays_keep_their_times_and_a_bare_date_counts_as_noon(unit_folder):
    census = census_of(unit_folder, "airway,route,tube_mm,start,end\nA1,oral,3.5,2025-03-01 06:00,2025-03-02\n"
                       "A2,oral,3.5,2025-03-02,\n").census
    assert (census.shape, census.first_day, census.last_day) == ("stays", date(2025, 3, 1), date(2025, 3, 2))
    assert census.rows["start"].tolist() == [0.25, 1.5]
    assert census.rows["end"].fillna(-1).tolist() == [1.5, -1]


def test_a_tube_changed_on_one_day_is_two_stays_of_one_label(unit_folder):
    unit = census_of(unit_folder, "airway,route,tube_mm,start,end\nA1,oral,3.5,2025-03-01,2025-03-04\n"
                     "A1,oral,4,2025-03-04,\n")
    assert len(unit.census.rows) == 2


def test_skin_and_technique_make_kinds_of_airway_and_empty_ones_take_the_default(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways,technique,skin\noral,3.5,1,,\noral,3.5,1,oral_h_and_y,\n"
                     "oral,3.5,1,Oral two-Y,Barrier\noral,3.5,1,,NONE\n"
                     .replace("Oral two-Y", "oral two y"))
    assert unit.strata[["technique", "skin"]].to_numpy().tolist() == [
        ["oral_h_and_y", "none"], ["oral_two_y", "barrier"], ["oral_two_y", "none"]]
    assert unit.census.rows["airways"].tolist() == [1, 1, 2]


def test_a_technique_may_be_called_by_its_title(unit_folder):
    unit = census_of(unit_folder, 'route,tube_mm,airways,technique\noral,3.5,1,"Oral, two Y pieces"\n')
    assert unit.strata["technique"].tolist() == ["oral_two_y"]


def test_expected_kinds_join_the_strata_without_rows(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,4\n",
                     'mean_stay_days = 5\n[[expect]]\nroute = "oral"\ntube_mm = 3.0\nmean_airways = 0.2\n')
    assert unit.strata["tube_mm"].tolist() == [3.0, 3.5]
    assert unit.census.expected.to_dict("list") == {"stratum": [0], "mean_airways": [0.2]}
    assert unit.census.rows["stratum"].tolist() == [1]


@pytest.mark.parametrize(("said", "airways"), [("", 4.0), ("beyond_census = true\n", 5.5)])
def test_airways_beyond_the_census_are_added_only_where_the_line_says_so(said, airways, unit_folder):
    """Three beds more: the kinds are in the census already, and the line must not be dropped in silence."""
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,4\n",
                     f'mean_stay_days = 5\n[[expect]]\nroute = "oral"\ntube_mm = 3.5\nmean_airways = 1.5\n{said}')
    assert mean_airways(unit).sum() == airways
    assert unit.n_strata == 1
    assert any("beyond_census = true" in w.mend for w in unit.warnings) == (not said)


def test_the_order_of_the_rows_changes_nothing(unit_folder):
    lines = ["2025-03-01,oral,3.5,4", "2025-03-02,nasal,4,1", "2025-03-03,oral,3,2"]
    first = census_of(unit_folder, "date,route,tube_mm,airways\n" + "\n".join(lines))
    second = census_of(unit_folder, "date,route,tube_mm,airways\n" + "\n".join(reversed(lines)))
    assert first.census.rows.equals(second.census.rows)
    assert first.strata.equals(second.strata)


@pytest.mark.parametrize(("size", "weight", "words"), [
    (3.5, 3.2, None), (3.0, 3.2, None), (4.0, 1.5, "1.0 mm from"), (5.0, 1.5, "1.5 mm or more"),
    (3.5, 70, "1.5 mm or more"), (3.5, "", None), (7.5, 70, None),
])
def test_a_size_unusual_for_the_weight_is_questioned_and_never_corrected(size, weight, words, unit_folder):
    unit = census_of(unit_folder, f"route,tube_mm,airways,patient_kg\noral,{size},1,{weight}\n")
    told = [w.fault for w in unit.warnings if w.column == "tube_mm"]
    assert unit.strata["tube_mm"].tolist() == [size]
    assert (not told) if words is None else (len(told) == 1 and words in told[0])


def test_a_size_between_the_steps_is_accepted_when_the_units_own_tubes_have_it(unit_folder):
    text = "tube_mm,outer_mm\n3.0,4.1\n3.25,4.4\n3.5,4.7\n"
    unit = load_unit(unit_folder({"census.csv": "route,tube_mm,airways\noral,3.25,1\n", "tubes.csv": text}))
    assert unit.strata["outer_mm"].tolist() == [4.4]


def test_the_face_is_chosen_by_weight_and_without_one_by_tube(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways,patient_kg\noral,3.5,1,2.5\nnasal,4.0,1,6\n")
    assert unit.strata["span_mid_cheek_mm"].tolist() == [130, 110]
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,1\n")
    assert unit.strata["span_mid_cheek_mm"].tolist() == [110]


def test_a_snapshot_without_turnover_is_questioned(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,1\n", 'name = "x"\n')
    assert unit.census.mean_stay_days is None
    assert [w.column for w in unit.warnings] == ["mean_stay_days"]


def test_a_copied_row_is_questioned_and_counted(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,2\noral,3.5,2\n")
    assert unit.census.rows["airways"].tolist() == [4]
    assert unit.warnings[0].row == 3


LONG = "airway,route,tube_mm,start,end\nA1,oral,3.5,2023-03-01,{0}\nA2,oral,3.5,2025-03-01,2025-03-02\n"


@pytest.mark.parametrize(("end", "column"), [("", "start"), ("2024-04-01", "end")])
def test_a_stay_of_more_than_a_year_is_a_fault_unless_the_unit_says_that_it_has_such_stays(
    end, column, unit_folder, problems_of
):
    (problem,) = problems_of(unit_folder({"census.csv": LONG.format(end)}))
    assert (problem.row, problem.column) == (2, column)
    assert "longest_stay_days above 366" in problem.mend
    toml = "longest_stay_days = 900\nmean_stay_days = 5\n"
    assert len(census_of(unit_folder, LONG.format(end), toml).census.rows) == 2


def a_year_of_stays(*more: str) -> str:
    days = [date(2024, 1, 1) + timedelta(days=3 * i) for i in range(120)]
    rows = [f"A{i},oral,3.5,{d},{d + timedelta(days=2)}" for i, d in enumerate(days)]
    return "\n".join(["airway,route,tube_mm,start,end", *rows, *more]) + "\n"


@pytest.mark.parametrize("row", ["B1,oral,3.5,2014-05-03,2014-05-05", "B1,oral,3.5,2025-12-03,2025-12-04"])
def test_a_lone_date_far_from_the_rest_is_a_fault_and_accuses_no_other_row(row, unit_folder, problems_of):
    text = a_year_of_stays("C1,oral,3.5,2024-12-01,", row)
    (problem,) = problems_of(unit_folder({"census.csv": text}))
    assert (problem.row, problem.column) == (123, "start")
    assert "Correct the year" in problem.mend


def test_a_lone_day_of_counts_is_a_fault(unit_folder, problems_of):
    days = [date(2024, 1, 1) + timedelta(days=i) for i in range(60)]
    rows = "".join(f"{d},oral,{mm},2\n" for d in [*days, date(2022, 2, 1)] for mm in (3.5, 4.0))
    problems = problems_of(unit_folder({"census.csv": "date,route,tube_mm,airways\n" + rows}))
    assert [p.row for p in problems] == [122, 123]


def test_a_unit_that_is_seldom_used_has_no_lone_dates(unit_folder):
    days = [date(2022, 1, 1) + timedelta(days=150 * i) for i in range(8)]
    rows = "".join(f"A{i},oral,3.5,{d},{d}\n" for i, d in enumerate(days))
    unit = census_of(unit_folder, "airway,route,tube_mm,start,end\n" + rows)
    assert len(unit.census.rows) == 8


@pytest.mark.parametrize(("cells", "column"), [("2034-05-03,", "start"), ("2024-05-03,2034-05-05", "end")])
def test_a_day_in_the_future_is_a_fault(cells, column, unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({"census.csv": a_year_of_stays(f"B1,oral,3.5,{cells}")}))
    assert (problem.row, problem.column) == (122, column)
    assert "is in the future: today is" in problem.fault


def test_a_clock_that_is_wrong_is_told_once_and_not_row_by_row(unit_folder, problems_of, monkeypatch):
    monkeypatch.setattr("kitplan.read.tables.today", lambda: date(2000, 1, 1))
    problems = problems_of(unit_folder({"census.csv": a_year_of_stays()}))
    assert [p.column for p in problems] == ["start", "end"]
    assert "set the clock" in problems[0].mend


@pytest.mark.parametrize(("cell", "mend"), [
    ("31/02/2025", "February 2025 has 28 days"), ("2024-02-30", "February 2024 has 29 days"),
    ("31.04.2025", "April 2025 has 30 days"), ("2025-13-01", "year-month-day"),
])
def test_a_day_that_does_not_exist_is_not_mended_to_another(cell, mend, unit_folder, problems_of):
    text = f"date,route,tube_mm,airways\n{cell},oral,3.5,2\n25/01/2025,oral,3.5,2\n"
    (problem,) = [p for p in problems_of(unit_folder({"census.csv": text})) if p.row == 2]
    assert mend in problem.mend


OTHER_WORDS = ('Bed,Route,"Size (mm)",Intubated,Tube removed\nBay 1,oral,3.5,2025-03-01,2025-03-04\n'
               "Bay 2,oral,4.0,2025-03-02,\n")


def test_a_stay_list_in_other_words_is_recognised_and_said_back_first(unit_folder):
    unit = census_of(unit_folder, OTHER_WORDS)
    assert unit.census.shape == "stays"
    assert unit.census.rows["airway"].tolist() == ["Bay 1", "Bay 2"]
    first = str(unit.warnings[0])
    for words in ("'Bed' is taken as airway", "'Intubated' is taken as start", "'Tube removed' is taken as end",
                  "'Size (mm)' is taken as tube_mm"):
        assert words in first


def test_a_fault_names_the_heading_that_stands_in_the_file(unit_folder, problems_of):
    (problem,) = problems_of(unit_folder({"census.csv": OTHER_WORDS.replace("2025-03-04", "2025-02-04")}))
    assert str(problem).startswith("census.csv, row 2, column end (your 'Tube removed'): is before start")


def test_headings_are_mapped_once_and_then_in_silence(unit_folder):
    toml = ('mean_stay_days = 5\n[columns.census]\nairway = "Bed"\nstart = "intubated"\nend = "Tube removed"\n'
            'tube_mm = "Size (mm)"\n')
    unit = census_of(unit_folder, OTHER_WORDS, toml)
    assert len(unit.census.rows) == 2
    assert unit.warnings == ()


def test_the_units_own_mapping_comes_before_a_heading_of_the_same_name(unit_folder):
    text = "airway,route,tube_mm,start,Intubated\nA1,oral,3.5,2025-02-20,2025-03-01\n"
    unit = census_of(unit_folder, text, '[columns.census]\nstart = "Intubated"\n')
    assert unit.census.first_day == date(2025, 3, 1)


@pytest.mark.parametrize(("header", "words"), [
    ("airway,route,tube_mm,start,Tube out,Removed", "may stand under 'Tube out' and 'Removed'"),
    ("airway,route,Tube removed,start,x,y", "Add the column: Internal diameter"),
    ("airway,Way in,tube_mm,start,x,y", "is ('Way in', 'x', 'y'): under [columns.census] in unit.toml, as route ="),
])
def test_a_heading_is_never_guessed(header, words, unit_folder, problems_of):
    text = f"{header}\nA1,oral,3.5,2025-03-01,,\n"
    assert words in "".join(map(str, problems_of(unit_folder({"census.csv": text}))))


@pytest.mark.parametrize(("toml", "column", "words"), [
    ("[columns.censos]\nstart = 'x'\n", "columns.censos", "Tables: census"),
    ("[columns.census]\nbegin = 'x'\n", "columns.census.begin", "Use one of"),
    ("[columns.census]\nstart = 5\n", "columns.census.start", "quotation marks"),
    ("[columns.census]\nstart = 'x'\nend = 'X'\n", "columns.census.end", "one line for each heading"),
    ("columns = 3\n", "columns.", "columns.census"),
    ("[columns.census]\nairways = 'Beds in use'\n", "airways", "'beds in use'"),
    ("[columns.census]\nskin = 'Dressing'\n", "skin", "no heading is that"),
])
def test_a_mapping_that_cannot_be_is_told_with_its_mend(toml, column, words, unit_folder, problems_of):
    problems = problems_of(unit_folder({"unit.toml": toml + "[stock]\nreview_days = 7\n"}))
    assert any(p.column == column and words in p.mend for p in problems), list(map(str, problems))


def test_warnings_come_with_the_most_harmful_first_and_many_of_a_kind_in_one_line(unit_folder):
    rows = "".join(f"{d:02d}/04/2025,oral,9.5,2,3,x\n" for d in range(1, 20))
    unit = census_of(unit_folder, "date,route,tube_mm,airways,patient_kg,colour\n" + rows, "[stock]\nreview_days = 7\n")
    assert [w.moves for w in unit.warnings] == sorted((w.moves for w in unit.warnings), reverse=True)
    sizes = [w for w in unit.warnings if w.column == "tube_mm"]
    assert len(sizes) == 1
    assert "18 further rows to row 20" in sizes[0].fault
    assert [w.column for w in unit.warnings if not w.moves] == ["colour", None], "last what moves nothing"


def test_a_census_of_two_hundred_thousand_rows_is_read_whole(unit_folder):
    rows = "".join(f"A{i:06d},oral,3.5,20{10 + i // 20000:02d}-{1 + i % 12:02d}-{1 + i % 28:02d},"
                   f"20{10 + i // 20000:02d}-{1 + i % 12:02d}-28\n" for i in range(200_000))
    unit = census_of(unit_folder, "airway,route,tube_mm,start,end\n" + rows)
    assert len(unit.census.rows) == 200_000
    assert unit.census.rows["airway"].nunique() == 200_000


def test_a_kind_counted_as_zero_may_still_be_expected(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,4\noral,3,0\n",
                     'mean_stay_days = 5\n[[expect]]\nroute = "oral"\ntube_mm = 3.0\nmean_airways = 0.2\n')
    assert unit.census.expected.to_dict("list") == {"stratum": [0], "mean_airways": [0.2]}
    assert [w.column for w in unit.warnings] == ["airways"]


@pytest.mark.parametrize("heading", ["finish", "Gone on"])
def test_a_list_whose_ends_stand_under_a_heading_of_its_own_is_told_once_and_no_row_is_accused(
    heading, unit_folder, problems_of
):
    """Else all forty would count as still in place, and the first of them as there for more than a year."""
    rows = "".join(f"A{n},oral,3.5,{2024 + n % 2}-03-{1 + n % 20:02d},{2024 + n % 2}-03-{3 + n % 20:02d}\n"
                   for n in range(40))
    (problem,) = problems_of(unit_folder({"census.csv": f"airway,route,tube_mm,start,{heading}\n{rows}"}))
    assert problem.column == "end"
    assert problem.mend.startswith(f"{heading} holds days that nothing reads.")


@pytest.mark.parametrize("heading", ["Stocktake", "As of"])
@pytest.mark.parametrize("day", ["2025-03-{:02d}", "{:02d}/03/2025", "{:02d}.3.25"])
def test_counts_whose_days_stand_under_a_heading_of_their_own_are_no_snapshot(heading, day, unit_folder, problems_of):
    """Else three days of four airways would be one day of twelve."""
    rows = "".join(f"{day.format(n)},oral,3.5,4\n" for n in (1, 2, 3))
    (problem,) = problems_of(unit_folder({"census.csv": f"{heading},route,tube_mm,airways\n{rows}"}))
    assert (problem.file, problem.column) == ("census.csv", "date")
    assert problem.mend.startswith(f"{heading} holds days that nothing reads. ")
    assert problem.mend.endswith('in unit.toml, as date = "that heading"; if not, delete that column.')
    rows = "".join(f"2025-03-0{n},oral,3.5,4\n" for n in (1, 2, 3))
    toml = f'mean_stay_days = 5\n[columns.census]\ndate = "{heading}"\n'
    assert census_of(unit_folder, f"{heading},route,tube_mm,airways\n{rows}", toml).census.shape == "counts"


def test_one_day_of_a_print_and_a_few_notes_of_days_leave_a_snapshot_as_it_is(unit_folder):
    rows = "".join(f"oral,3.5,4,2025-03-09,{seen}\n" for seen in ("", "2025-03-01", "2025-03-02", "asked", "new", "-"))
    unit = census_of(unit_folder, f"route,tube_mm,airways,printed,seen\n{rows}")
    assert (unit.census.shape, unit.census.rows["airways"].sum()) == ("snapshot", 24)


@pytest.mark.parametrize("header", ["start,admitted,end", "start,admitted"])
def test_other_days_of_a_stay_are_no_end(header, unit_folder):
    """Who was admitted before the tube was placed has no end for it; nor is a second column of days one."""
    blank = "," * (header.count(",") - 1)
    rows = "".join(f"A{n},oral,3.5,2025-03-{10 + n},2025-03-{9 + n}{blank}\n" for n in range(9))
    assert len(census_of(unit_folder, f"airway,route,tube_mm,{header}\n{rows}").census.rows) == 9


def test_an_export_that_is_pasted_twice_or_grew_since_counts_each_stay_once(unit_folder):
    """The second export of a list holds what the first held, with the ends that have come since."""
    first = "A1,oral,3.5,2025-03-01,2025-03-04\nA2,oral,4.0,2025-03-02,\nA3,nasal,4.0,2025-03-03,\n"
    later = "A1,oral,3.5,2025-03-01,2025-03-04\nA2,oral,4.0,2025-03-02,2025-03-09\nA3,nasal,4.0,2025-03-03,\n"
    head = "airway,route,tube_mm,start,end\n"
    once, both = (load_unit(unit_folder({"census.csv": head + rows})) for rows in (later, first + head + later))
    pd.testing.assert_frame_equal(*(u.census.rows.sort_values("start", ignore_index=True) for u in (once, both)))
    (said,) = (w for w in both.warnings if "counts once" in w.fault)
    assert "as in 2 further rows to row 8" in said.fault
    assert said.row == 3, "the first export's open end"


@pytest.mark.parametrize("second", ["A1,oral,3.5,2025-03-01,2025-03-05\n", "A1,oral,4.0,2025-03-01,2025-03-04\n"])
def test_a_stay_that_another_row_tells_otherwise_is_no_copy(unit_folder, second):
    rows = "airway,route,tube_mm,start,end\nA1,oral,3.5,2025-03-01,2025-03-04\n" + second
    with pytest.raises(InputError, match="two stays at the same time"):
        load_unit(unit_folder({"census.csv": rows}))


@pytest.mark.parametrize(("last", "day_first", "expires"), [("28/03/2025", True, "2027-04-03"),
                                                            ("03/28/2025", False, "2027-03-04")])
def test_the_census_tells_other_tables_whether_the_day_comes_first(unit_folder, last, day_first, expires):
    files = {"census.csv": f"date,route,tube_mm,airways\n01/02/2025,oral,3.5,2\n{last},oral,3.5,2\n",
             "on_hand.csv": "item,packs,expires\nsaline_5ml,1,03/04/2027\n"}
    unit = load_unit(unit_folder(files))
    assert unit.day_first is day_first
    assert str(unit.on_hand["expires"].dt.date.iloc[0]) == expires
    silent = files | {"census.csv": "date,route,tube_mm,airways\n2025-02-01,oral,3.5,2\n2025-02-02,oral,3.5,2\n"}
    (fault,) = load_unit(unit_folder(silent)).faults
    assert "can be read as day/month or month/day" in fault.fault


@pytest.mark.parametrize(("table", "total", "said"), [
    ("date,route,tube_mm,airways\n2025-03-01,oral,3.5,4\n2025-03-02,oral,3.5,3\n", "Total,,,1200\n",
     "1 line of totals that say 1,200 airways: set aside"),
    ("date,route,tube_mm,airways\n2025-03-01,oral,3.5,4\n2025-03-02,oral,3.5,3\n", ",Grand total,,7\nSum:,,,7\n",
     "2 lines of totals that say 14 airways: set aside"),
    ("airway,route,tube_mm,start,end\nA1,oral,3.5,2025-03-01,2025-03-04\nTotal care 1,oral,4,2025-03-04,\n",
     "Total airways,1,,,\n", "1 line of totals: set aside"),
    ("tube_mm,airways,route,date\n3.5,4,oral,2025-03-01\n3.5,3,oral,2025-03-02\n", "Subtotal,7,,\n",
     "1 line of totals that say 7 airways: set aside"),
    ("ward,date,route,tube_mm,airways\nTotal East,2025-03-01,oral,3.5,4\nEast,2025-03-02,oral,3.5,3\n", "Total,,,,7\n",
     "1 line of totals that say 7 airways: set aside"),
])
def test_a_line_of_totals_is_set_aside_and_told_in_one_line(table, total, said, unit_folder):
    """A label that begins with such a word, beside a known route, is a stay as any other."""
    unit, without = census_of(unit_folder, table + total), census_of(unit_folder, table)
    pd.testing.assert_frame_equal(unit.census.rows, without.census.rows)
    (warning,) = [w for w in unit.warnings if "totals" in w.fault]
    assert said in warning.fault
    assert (warning.file, warning.row) == ("census.csv", 4)
    assert len(without.census.rows) == 2
