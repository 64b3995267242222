"""The three shapes of a census, and what each means."""

from __future__ import annotations

from datetime import date

import pytest

from kitplan.demand.occupancy import mean_airways
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
        ["nasal", 4.0, "nasal_two_y", "none"], ["oral", 3.5, "oral_two_y", "none"]]


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
    unit = census_of(unit_folder, "route,tube_mm,airways,patient_kg\noral,3.5,1,2.5\nnasal,3.5,1,6\n")
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


def test_a_stay_open_for_more_than_a_year_is_questioned(unit_folder):
    unit = census_of(unit_folder, "airway,route,tube_mm,start,end\nA1,oral,3.5,2023-03-01,\n"
                     "A2,oral,3.5,2025-03-01,2025-03-02\n")
    assert [(w.row, w.column) for w in unit.warnings] == [(2, "end")]


def test_a_census_of_two_hundred_thousand_rows_is_read_whole(unit_folder):
    rows = "".join(f"A{i:06d},oral,3.5,20{10 + i // 20000:02d}-{1 + i % 12:02d}-{1 + i % 28:02d},\n"
                   for i in range(200_000))
    unit = census_of(unit_folder, "airway,route,tube_mm,start,end\n" + rows)
    assert len(unit.census.rows) == 200_000
    assert unit.census.rows["airway"].nunique() == 200_000


def test_a_kind_counted_as_zero_may_still_be_expected(unit_folder):
    unit = census_of(unit_folder, "route,tube_mm,airways\noral,3.5,4\noral,3,0\n",
                     'mean_stay_days = 5\n[[expect]]\nroute = "oral"\ntube_mm = 3.0\nmean_airways = 0.2\n')
    assert unit.census.expected.to_dict("list") == {"stratum": [0], "mean_airways": [0.2]}
    assert [w.column for w in unit.warnings] == ["airways"]
