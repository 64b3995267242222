"""A practice class: everything every learner needs is there, nothing opened goes back, and the season adds up."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kitplan.parts.training.cuts import PAST_DATE
from kitplan.parts.training.model import plan_training
from kitplan.parts.training.timetable import Thing, largest_remainder, plan_timetable, sets_at_stations
from kitplan.read.class_values import Durable, Practice, TrainingClass
from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units

SIZE = pd.Series({
    "size": "3.5 mm", "scale": "mm", "size_number": 3.5, "patient_number": 3.5, "tube_mm": 3.5,
    "patient_kg": np.nan, "outer_mm": 4.8, "span_mid_cheek_mm": 95.0, "span_tragus_mm": 160.0,
    "barrier_width_mm": 25.0, "barrier_length_mm": 40.0,
})


def practice(**changes):
    mm = changes.pop("tube_mm", 3.5)
    size = pd.Series(SIZE.to_dict() | dict.fromkeys(("tube_mm", "size_number", "patient_number"), mm))
    values = {"technique": "oral_two_y", "route": "oral", "size_text": f"{mm} mm", "skin": "none", "times": 1,
              "attempts": 2, "size": size} | changes
    return Practice(**values)


def lesson(**changes):
    values = {
        "file": "class.toml", "title": "Class", "day": None, "start_minute": None, "learners": 12, "stations": 2,
        "pairs": True, "spare_share": 0.10, "minutes_per_attempt": 6.0, "change_minutes": 5.0,
        "places_per_station": 3, "rotation": "staggered", "cutters": 2, "practices": (practice(),), "durables": (),
        "have": {}, "expired": {},
    } | changes
    return TrainingClass(**values)


def bought(plan, item):
    return plan.shopping.set_index("item").loc[item]


@pytest.fixture(scope="module")
def harbour():
    unit = load_unit(Path(sample_units()["harbour_wing"]))
    return unit, plan_training(unit, unit.classes)


def test_supplies_follow_from_learners_goes_spare_and_recipe(small_unit):
    """12 learners x 2 goes = 24 goes, 10 % spare = 27 sets; 2 wipes and one 5 mL ampoule a set."""
    plan = plan_training(small_unit, [lesson()])
    assert plan.needs.sets["goes"].sum() == 24
    assert plan.needs.sets["sets"].sum() == 27
    assert bought(plan, "wipe-prep")["units"] == 54
    assert bought(plan, "saline-5")["units"] == 27
    assert bought(plan, "wipe-prep")["packs"] == 2
    assert bought(plan, "wipe-prep")["value"] == pytest.approx(25.0)


def test_tape_is_cut_for_every_piece_of_every_set(small_unit):
    """Two Y and one strip of 160 mm a set: 81 pieces; a 9.144 m roll gives 57."""
    plan = plan_training(small_unit, [lesson()])
    (cut,) = plan.tape
    assert cut.plan.demand.tolist() == [81]
    assert cut.plan.sizes_mm.tolist() == [160]
    assert (cut.plan.cuts[:, 0] * cut.plan.plan["count"]).sum() == 81
    assert int(plan.bounds["rolls"].iloc[0]) <= 2 or plan.bounds["opened_mm"].iloc[0] >= 81 * 160


def test_a_station_never_has_fewer_sets_than_goes():
    for learners in range(1, 25):
        for stations in range(1, learners + 1, 3):
            goes, sets = sets_at_stations(lesson(learners=learners, stations=stations), practice())
            assert (sets >= goes).all()
            assert sets.sum() == np.ceil(goes.sum() * 1.1 - 1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 500), st.lists(st.integers(1, 30), min_size=1, max_size=8))
def test_dealing_by_largest_remainder_gives_everything_out(total, weights):
    dealt = largest_remainder(total, np.array(weights))
    quota = total * np.array(weights) / sum(weights)
    assert dealt.sum() == total
    assert (np.abs(dealt - quota) < 1).all()


def test_a_learner_alone_has_the_instructor_as_partner_and_both_wear_gloves(small_unit):
    pairs = plan_training(small_unit, [lesson()])
    alone = plan_training(small_unit, [lesson(pairs=False)])
    gloves = ["gloves-small", "gloves-medium"]
    assert sum(bought(pairs, g)["units"] for g in gloves) == 54
    assert sum(bought(alone, g)["units"] for g in gloves) == 54


def test_a_class_of_one_works_and_only_the_glove_sizes_that_come_are_bought(small_unit):
    one = {"learners": 1, "stations": 1, "pairs": False}
    plan = plan_training(small_unit, [lesson(**one, sizes_worn=("gloves-medium",))])
    assert bought(plan, "gloves-medium")["units"] == 2 * 3, "two goes and one spare set, a pair for each of two people"
    assert "gloves-small" not in set(plan.shopping["item"])
    assert {"gloves-small", "gloves-medium"} <= set(plan_training(small_unit, [lesson(**one)]).shopping["item"])


def test_stock_past_its_date_goes_first_then_what_the_class_has(small_unit):
    plan = plan_training(small_unit, [lesson(expired={"saline-5": 5}, have={"saline-5": 8})])
    row = bought(plan, "saline-5")
    assert (row["practice_only_units"], row["own_units"], row["buy_units"]) == (5, 8, 14)


def test_own_stock_is_used_even_where_another_item_would_be_cheaper(small_unit):
    plan = plan_training(small_unit, [lesson(have={"saline-10": 10})])
    assert bought(plan, "saline-10")["own_units"] == 10
    assert bought(plan, "saline-5")["units"] == 17


def test_more_stock_than_is_needed_is_left_in_its_own_box(small_unit):
    plan = plan_training(small_unit, [lesson(expired={"saline-5": 40})])
    left = plan.left[plan.left["state"] == "past its date"]
    assert left["quantity"].tolist() == [13]
    assert left["goes_to"].str.contains("practice only").all()


def test_nothing_that_is_left_over_goes_to_patients(harbour):
    _, plan = harbour
    places = plan.left["goes_to"].str.casefold()
    assert places.str.contains("practice box|class box|waste").all()
    assert not places.str.contains("bedside|stock room|shelf").any()


def test_the_preferred_item_is_bought_whatever_it_costs(small_unit):
    unit = replace(small_unit, prefer={"saline": "saline-10"})
    plan = plan_training(unit, [lesson()])
    assert bought(plan, "saline-10")["units"] == 27
    assert "saline-5" not in set(plan.shopping["item"])


def test_station_lists_add_up_to_what_is_taken(harbour):
    _, plan = harbour
    supplies = plan.stations[plan.stations["kind"] == "supplies"].groupby("item")["quantity"].sum()
    needed = plan.shopping[plan.shopping["kind"] == "used up"].set_index("item")["units"]
    for item, quantity in supplies.items():
        assert quantity == needed[item]
    pieces = plan.stations[plan.stations["kind"] == "tape piece"]["quantity"].sum()
    assert pieces == plan.needs.pieces["count"].sum() == sum(c.plan.demand.sum() for c in plan.tape)


def test_what_is_counted_is_said_on_every_list(harbour):
    """A box of 100 gloves holds 50 pairs: 50 of them needs its word."""
    _, plan = harbour
    said = plan.shopping.set_index("item")["unit"]
    at_stations = plan.stations[plan.stations["kind"] == "supplies"].set_index("item")["unit"]
    assert said["gloves_small"] == "pair"
    assert said["prep_wipe_box50"] == "wipe"
    assert (said[at_stations.index] == at_stations).all()
    rest = plan.left[plan.left["state"] == "rest of an opened pack"].set_index("thing")["unit"]
    assert rest["Examination gloves, medium, box of 50 pairs"] == "pair"


def test_only_what_is_carried_between_stations_is_called_moved(harbour):
    _, plan = harbour
    kept = plan.shopping[plan.shopping["kind"] == "durable"].set_index("item")["because"]
    assert "moved between stations" in kept["Child head manikin with tube"]
    assert "every station keeps its own" in kept["scissors_blunt"]


def test_the_pieces_of_both_cutters_are_all_the_pieces(harbour):
    _, plan = harbour
    assert plan.cut_work["pieces"].sum() == plan.needs.pieces["count"].sum()
    work = plan.cut_work.groupby("cutter")["pieces"].sum()
    assert work.max() - work.min() <= plan.cut_work["pieces"].max()


def test_old_rolls_are_opened_before_new_ones_are_bought(harbour):
    _, plan = harbour
    cut = plan.cut_plan()
    assert cut.loc[cut["from"] == PAST_DATE, "count"].sum() == 3


def test_no_plan_could_open_less_tape_than_the_sample_class_does(harbour):
    _, plan = harbour
    assert (plan.bounds["gap"] == 0).all()
    assert (plan.bounds["opened_mm"] == plan.bounds["least_mm"]).all()


def test_cutting_together_wastes_least(harbour):
    _, plan = harbour
    waste = plan.comparison.set_index("method")["waste_share"]
    assert waste["cut together"] <= waste["longest piece first"] <= waste["every learner her own roll"]


@pytest.mark.parametrize(("learners", "attempts"), [(1, 1), (3, 2), (8, 2), (12, 3)])
def test_the_rules_cut_the_rolls_that_the_plan_cuts_and_are_never_better(small_unit, learners, attempts):
    """A pack of short rolls is less money, a long roll less by the metre: like is compared with like."""
    tape = small_unit.items["role"] == "tape"
    long = small_unit.items[tape].iloc[[0]].assign(length_mm=9140.0, contains=9140.0, price=21.6, pack=12)
    short = long.assign(item="tape-short", length_mm=4570.0, contains=4570.0, price=13.2)
    items = pd.concat([small_unit.items[~tape], long, short], ignore_index=True)
    unit = replace(small_unit, items=items)
    stations = min(2, learners)
    plan = plan_training(unit, [lesson(learners=learners, stations=stations, practices=(practice(attempts=attempts),))])
    told = plan.comparison.set_index("method")
    for rule in ("longest piece first", "every learner her own roll"):
        for column in ("rolls", "opened_mm", "value", "waste_share"):
            assert told.at["cut together", column] <= told.at[rule, column] + 1e-9


def test_every_station_does_every_practice_once():
    three = tuple(practice(tube_mm=s) for s in (3.0, 3.5, 4.0))
    table = plan_timetable(lesson(practices=three, stations=2), [])
    assert table.practice.shape == (3, 2)
    assert all(sorted(column) == [0, 1, 2] for column in table.practice.T.tolist())


def test_a_thing_that_one_practice_needs_is_shared_where_there_is_time_to_change():
    three = tuple(practice(tube_mm=s) for s in (3.0, 3.5, 4.0))
    mask = Thing("mask", "", 1, True, 0, 7.0, False, frozenset({0}))
    needed = {
        (rotation, change): plan_timetable(
            lesson(practices=three, stations=3, rotation=rotation, change_minutes=change), [mask]
        ).things["needed"].iloc[0]
        for rotation in ("staggered", "together") for change in (0.0, 5.0)
    }
    assert needed == {("staggered", 5.0): 1, ("staggered", 0.0): 3, ("together", 5.0): 3, ("together", 0.0): 3}


def test_things_are_carried_so_that_every_station_has_what_its_round_needs():
    three = tuple(practice(tube_mm=s) for s in (3.0, 3.5, 4.0))
    things = [Thing("a", "", 2, True, 0, 1.0, False, frozenset({0, 2})),
              Thing("b", "", 1, False, 0, 1.0, False, frozenset({1}))]
    table = plan_timetable(lesson(practices=three, stations=2), things)
    for thing in things:
        at = np.zeros(3, dtype=int)
        for number, practices in enumerate(table.practice, 1):
            moves = table.moves[(table.moves["before_round"] == number) & (table.moves["thing"] == thing.name)]
            for move in moves.to_dict("records"):
                at[move["to_station"]] += move["count"]
                at[move["from_station"]] -= move["count"]
            wanted = np.isin(practices, list(thing.practices)) * thing.per_station
            assert (at[1:] >= wanted).all()
        assert -at[0] <= table.things.set_index("thing").at[thing.name, "needed"]


def test_a_round_lasts_as_long_as_its_slowest_station():
    """7 learners x 2 goes at 3 places are 5 turns of 6 minutes."""
    table = plan_timetable(lesson(learners=13, stations=2), [])
    assert table.rounds["minutes"].tolist() == [30.0]


def test_durable_things_are_not_counted_as_used_up(small_unit):
    scissors = Durable("scissors", "scissors", "", 3, True, 1, float("nan"), float("nan"), float("nan"))
    plan = plan_training(small_unit, [lesson(durables=(scissors,))])
    row = bought(plan, "scissors")
    assert (row["kind"], row["units"], row["own_units"], row["buy_units"]) == ("durable", 6, 1, 5)


def test_a_mask_named_by_its_role_is_sized_to_each_practice(small_unit):
    mask = Durable("mask", "", "mask", 1, True, 0, float("nan"), float("nan"), float("nan"))
    both = (practice(tube_mm=2.5), practice(tube_mm=5.0))
    plan = plan_training(small_unit, [lesson(practices=both, durables=(mask,))])
    assert {"mask-42", "mask-60"} <= set(plan.shopping["item"])


def test_a_season_buys_whole_packs_once_and_adds_up_by_class(small_unit):
    alone = plan_training(small_unit, [lesson()])
    season = plan_training(small_unit, [lesson(title="One"), lesson(title="Two")])
    assert season.value <= 2 * alone.value
    assert season.classes["value"].sum() == pytest.approx(season.value)
    assert bought(season, "wipe-prep")["units"] == 2 * bought(alone, "wipe-prep")["units"]
    assert season.classes["value_per_learner"].tolist() == pytest.approx([season.value / 24] * 2)


def test_durable_things_serve_one_class_after_another_but_not_two_on_one_day(small_unit):
    manikin = Durable("manikin", "", "", 2, True, 0, 100.0, float("nan"), float("nan"))
    days = [date(2027, 3, 9), date(2027, 3, 10)]
    after = plan_training(small_unit, [lesson(title=str(d), day=d, durables=(manikin,)) for d in days])
    same = plan_training(small_unit, [lesson(title=t, day=days[0], durables=(manikin,)) for t in "ab"])
    assert bought(after, "manikin")["units"] == 4
    assert bought(same, "manikin")["units"] == 8


@pytest.mark.parametrize(("starts", "needed"), [((540, 840), 4), ((540, 550), 8), ((540, None), 8)])
def test_a_morning_and_an_afternoon_share_their_manikins(small_unit, starts, needed):
    """Two classes of two stations on one day, each under three hours: at 9 and 14 o'clock they do not meet."""
    manikin = Durable("manikin", "", "", 2, True, 0, 100.0, float("nan"), float("nan"))
    classes = [
        lesson(title=f"class {i}", day=date(2027, 3, 9), start_minute=start, durables=(manikin,))
        for i, start in enumerate(starts)
    ]
    plan = plan_training(small_unit, classes)
    assert max(t.minutes for t in plan.timetables) < 180
    assert bought(plan, "manikin")["units"] == needed


def test_a_piece_longer_than_every_roll_is_refused_with_the_mend(small_unit):
    long = SIZE.copy()
    long["span_tragus_mm"] = 9200.0
    with pytest.raises(InputError, match=r"longer than every roll of 25 mm tape \(the longest is 9144 mm\)") as caught:
        plan_training(small_unit, [lesson(practices=(practice(size=long),))])
    assert "Add a longer roll" in caught.value.problems[0].mend


def test_a_dressing_larger_than_every_sheet_and_a_role_without_an_item_are_told_together(small_unit):
    wide = SIZE.copy()
    wide["barrier_width_mm"] = 140.0
    technique = replace(small_unit.techniques["oral_two_y"], uses={"gel": 1})
    unit = replace(small_unit, techniques={"oral_two_y": technique})
    with pytest.raises(InputError) as caught:
        plan_training(unit, [lesson(practices=(practice(size=wide, skin="barrier"),))])
    said = " ".join(p.fault for p in caught.value.problems)
    assert "larger than every dressing sheet" in said
    assert "fills the role gel" in said


def test_the_same_class_gives_the_same_tables(small_unit):
    one, two = (plan_training(small_unit, [lesson(practices=(practice(skin="barrier"),))]) for _ in range(2))
    for name, frame in one.tables().items():
        pd.testing.assert_frame_equal(frame, two.tables()[name])


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(1, 40), st.integers(1, 4), st.floats(0, 1))
def test_one_more_learner_never_costs_less(small_unit, learners, attempts, spare):
    few, more = (
        plan_training(small_unit, [lesson(
            learners=n, stations=1, spare_share=spare, practices=(practice(attempts=attempts),)
        )]) for n in (learners, learners + 1)
    )
    assert more.value >= few.value - 1e-9
    assert few.needs.sets["sets"].sum() >= learners * attempts
