"""What a unit has recorded, tied to its census and catalogue."""

from __future__ import annotations

import pytest

from kitplan.read.unit import load_unit

STAYS = ("airway,route,tube_mm,start,end,skin\nA1,oral,3.5,2025-03-01,2025-03-05,none\n"
         "A1,oral,4,2025-03-06,2025-03-09,none\nA2,nasal,4,2025-03-02,,barrier\n")


def log_of(unit_folder, text, census=STAYS):
    unit = load_unit(unit_folder({"census.csv": census, "resecure_log.csv": text}))
    labels = [*unit.strata["label"], "unknown"]
    return unit, [labels[s].split(",")[0] for s in unit.log["stratum"]]


def test_an_event_takes_the_kind_of_the_stay_it_falls_into(unit_folder):
    unit, kinds = log_of(unit_folder, "date,time,airway,reason\n2025-03-02,06:00,A1,loose\n2025-03-07,18:30,A1,soiled\n"
                         "2025-03-08,,A2,moved\n2025-03-08,,A9,loose\n")
    assert kinds == ["oral 3.5 mm", "oral 4.0 mm", "nasal 4.0 mm", "unknown"]
    assert unit.log["day"].tolist() == [1.25, 6.770833333333333, 7.5, 7.5]
    assert [w.row for w in unit.warnings if w.fault.startswith("matches nothing in the census:")] == [5]


def test_an_event_after_the_stay_ended_is_unknown(unit_folder):
    _, kinds = log_of(unit_folder, "date,airway,reason\n2025-03-20,A1,loose\n")
    assert kinds == ["unknown"]


def test_an_event_on_the_day_of_arrival_belongs_to_the_stay(unit_folder):
    _, kinds = log_of(unit_folder, "date,time,airway,reason\n2025-03-01,00:30,A1,loose\n")
    assert kinds == ["oral 3.5 mm"]


def test_without_labels_route_and_size_tell_the_kind(unit_folder):
    _, kinds = log_of(unit_folder, "date,route,tube_mm,reason\n2025-03-02,oral,3.5,loose\n2025-03-02,nasal,4,loose\n",
                      "route,tube_mm,airways,skin\noral,3.5,1,none\nnasal,4,1,barrier\n")
    assert kinds == ["nasal 4.0 mm", "oral 3.5 mm"] or kinds == ["oral 3.5 mm", "nasal 4.0 mm"]


def test_where_two_kinds_share_a_size_the_default_is_taken(unit_folder):
    unit, _ = log_of(unit_folder, "date,route,tube_mm,reason\n2025-03-02,oral,3.5,loose\n",
                     "route,tube_mm,airways,technique,skin\noral,3.5,1,oral_two_y,none\noral,3.5,1,oral_h_and_y,none\n")
    assert unit.strata["technique"].iloc[unit.log["stratum"].iloc[0]] == "oral_two_y"


def test_reasons_are_read_in_any_case(unit_folder):
    unit, _ = log_of(unit_folder, "date,airway,reason\n2025-03-02,A1,Unplanned removal\n2025-03-03,A1,LOOSE\n")
    assert unit.log["reason"].tolist() == ["unplanned_removal", "loose"]


def test_rows_outside_the_census_are_told(unit_folder):
    unit, _ = log_of(unit_folder, "date,airway,reason\n2024-03-02,A1,loose\n")
    assert [w.row for w in unit.warnings if w.fault == "is outside the census' days, 2025-03-01 to 2025-03-09"] == [2]


@pytest.mark.parametrize("clock", ["14:30", "2:30 pm", "14.30", "14h30", "2:30PM"])
def test_a_time_is_read_however_it_is_typed(clock, unit_folder):
    unit, _ = log_of(unit_folder, f"date,time,airway,reason\n2025-03-02,{clock},A1,loose\n")
    assert unit.log["day"].iloc[0] == pytest.approx(1 + 14.5 / 24)


def test_items_are_matched_whatever_their_case_and_spaces(unit_folder):
    unit = load_unit(unit_folder({
        "stock_issues.csv": "date,item,units\n2025-03-02,Saline 5ML,12\n2025-03-01,GAUZE-5cm-pair,3\n",
        "present_par.csv": "item,par_packs\nsaline_5ml,2\n",
        "on_hand.csv": "item,packs,loose_units,expires\nsaline_5ml,1,,2026-01-31\nsaline_5ml,2,7,\n"}))
    assert unit.issues["item"].tolist() == ["gauze_5cm_pair", "saline_5ml"]
    assert unit.present_par.to_dict("list") == {"item": ["saline_5ml"], "par_packs": [2.0]}
    assert unit.on_hand["packs"].tolist() == [1, 2]
    assert unit.on_hand["loose_units"].tolist() == [0, 7]
    assert unit.on_hand["expires"].isna().tolist() == [False, True]


def test_tables_that_are_not_there_are_none(unit_folder):
    unit = load_unit(unit_folder())
    assert unit.log is unit.issues is unit.present_par is unit.on_hand is None


def test_exports_pasted_one_under_the_other_are_read_as_one_and_a_copy_is_counted_once(unit_folder):
    """What two exports share stands in both; a time tells a copy from a second re-secure of the day."""
    unit, _ = log_of(unit_folder, "date,airway,reason\n2025-03-02 06:00,A1,loose\n2025-03-03 07:10,A1,loose\n"
                     "date,airway,reason\n2025-03-03 07:10,A1,loose\n2025-03-04 21:00,A1,soiled\n")
    assert unit.log["day"].tolist() == pytest.approx([1.25, 2 + 430 / 1440, 3.875])
    assert any(w.fault.startswith("says the same as an earlier row, to the minute") for w in unit.warnings)
    unit, _ = log_of(unit_folder, "date,airway,reason\n2025-03-02,A1,loose\n2025-03-02,A1,loose\n")
    assert len(unit.log) == 2
