"""A course: several sessions of one class file share one box, its stock past the date, and what is bought."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.training.cuts import CARRIED, OWN
from kitplan.parts.training.model import plan_training
from kitplan.planning import plan_unit
from kitplan.read.class_values import AT_ONCE, Durable
from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units
from tests.parts.test_training import bought, lesson, practice


def course(*sessions, **common):
    """Sessions on days one week apart; each is a dictionary of what differs."""
    return [
        lesson(**{"session": n, "course": "Course", "title": f"Course, session {n}",
                  "day": date(2027, 3, 2) + timedelta(weeks=n), **common, **own})
        for n, own in enumerate(sessions, 1)
    ]


def alone(sessions):
    """The same sessions as classes of their own."""
    return [replace(s, session=0, title=f"{s.title} alone") for s in sessions]


@pytest.fixture(scope="module")
def harbour():
    return load_unit(Path(sample_units()["harbour_wing"]))


@pytest.mark.parametrize("cut", ["before each session", AT_ONCE])
def test_a_course_of_one_session_gives_the_numbers_of_the_class(small_unit, cut):
    changes = {"have": {"saline-5": 8}, "expired": {"tape-25-long": 1}, "practices": (practice(skin="barrier"),)}
    one, (session,) = lesson(**changes), course({}, cut=cut, **changes)
    theirs, ours = (plan_training(small_unit, [c]).tables() for c in (one, session))
    for name, frame in theirs.items():
        for column in set(frame.columns) - {"class", "date", "order_by"}:
            pd.testing.assert_series_equal(frame[column], ours[name][column])


def test_the_box_and_the_stock_past_its_date_are_used_once(small_unit):
    """Three sessions of 27 ampoules: 5 past their date, 30 in the box, the rest new."""
    plan = plan_training(small_unit, course({}, {}, {}, have={"saline-5": 30}, expired={"saline-5": 5}))
    row = bought(plan, "saline-5")
    assert (row["units"], row["practice_only_units"], row["own_units"], row["buy_units"]) == (81, 5, 30, 46)
    mine = plan.sessions[plan.sessions["item"] == "saline-5"]
    assert mine["practice_only_units"].tolist() == [5, 0, 0]
    assert mine["own_units"].tolist() == [22, 8, 0]


def test_things_that_are_not_used_up_are_counted_once_for_the_course(small_unit):
    manikin = Durable("manikin", "", "", 2, True, 1, 100.0, float("nan"), float("nan"))
    plan = plan_training(small_unit, course({}, {"learners": 18, "stations": 3}, {}, durables=(manikin,)))
    assert bought(plan, "manikin")["units"] == 6
    mine = plan.sessions[plan.sessions["item"] == "manikin"]
    assert mine["new_units"].tolist() == [3, 2, 0]
    assert mine["from_before_units"].tolist() == [0, 4, 4]


def test_the_end_of_a_roll_goes_on_to_the_next_session(small_unit):
    """27 sets of three pieces of 160 mm are 12.96 m: a roll and 3.84 m of the next; its end gives 33 pieces more."""
    plan = plan_training(replace(small_unit, prefer={"tape": "tape-25-long"}), course({}, {}))
    first, second = plan.tape
    assert first.ends
    assert not any(kind == CARRIED for _, kind in first.source.values())
    used = {name: n for name, n in second.plan.opened.items() if second.source[name][1] == CARRIED}
    assert sum(used.values()) == 1
    assert bought(plan, "tape-25-long")["units"] == 3, "25.92 m from rolls of 9.144 m"
    rows = plan.sessions[plan.sessions["kind"] == "roll end"]
    assert rows["goes_on_units"].tolist()[0] == 1
    (end,) = rows.loc[rows["units"] > 0, "description"]
    length = end.split(", ")[-1]
    work = plan.cut_work[plan.cut_work["lesson"] == 1]
    assert f"end of {length}" in set(work["from"]), "the cutter looks for the end of that length"
    assert "new" in set(work["from"]), "rolls of a pack begun before are not to be bought again"


def test_the_waste_of_a_course_is_what_no_session_could_use(small_unit):
    """Tape opened once is counted once: pieces and waste add up to the rolls that were opened."""
    plan = plan_training(small_unit, course({}, {}, {}))
    ours = plan.comparison.set_index("method").loc["cut together"]
    pieces = float((plan.needs.pieces["length_mm"] * plan.needs.pieces["count"]).sum())
    length = small_unit.items.set_index("item")["length_mm"]
    rolls = plan.shopping[plan.shopping["item"].str.startswith("tape")]
    assert ours["opened_mm"] == sum(length[i] * n for i, n in zip(rolls["item"], rolls["units"]))
    assert ours["waste_share"] == pytest.approx(1 - pieces / ours["opened_mm"])
    left = sum(mm * n for mm, n in plan.tape[-1].ends)
    scrap = sum(
        float((c.plan.plan["waste_mm"] * c.plan.plan["count"])[c.plan.plan["waste_mm"] < c.keep_mm].sum())
        for c in plan.tape
    )
    assert pieces + left + scrap == pytest.approx(ours["opened_mm"])


def test_a_course_cut_at_once_pools_the_pieces_of_all_sessions(small_unit):
    plan = plan_training(small_unit, course({}, {}, {}, cut=AT_ONCE))
    (cut,) = plan.tape
    assert cut.covers == (0, 1, 2)
    assert cut.plan.demand.tolist() == [243]
    assert plan.cut_work["pieces"].sum() == 243
    assert bought(plan, "tape-25-long")["because"] == f"{cut.plan.n_rolls} for session 1"


def test_packs_are_bought_when_they_are_first_needed_and_told_by_when(small_unit):
    """27 + 27 + 27 sets of two wipes from boxes of 50; lead time and one day to cut before each session."""
    plan = plan_training(small_unit, course({}, {}, {}))
    mine = plan.sessions[plan.sessions["item"] == "wipe-prep"]
    assert mine["packs"].tolist() == [2, 1, 1]
    assert mine["packs"].sum() == bought(plan, "wipe-prep")["packs"]
    assert mine["from_before_units"].tolist() == [0, 46, 42]
    lead = timedelta(days=1 + round(small_unit.stock.lead_days))
    assert mine["order_by"].tolist() == [s.day - lead for s in plan.lessons]


def test_every_session_takes_what_it_is_given_and_no_more(harbour):
    plan = plan_training(harbour, course({}, {"learners": 5, "stations": 1}, {}, practices=harbour.classes[0].practices,
                                         durables=harbour.classes[0].durables, have=harbour.classes[0].have))
    s = plan.sessions
    sources = s["from_before_units"] + s["practice_only_units"] + s["own_units"] + s["new_units"]
    assert (s["units"] == sources).all()
    used = s[s["kind"] == "used up"].groupby("item")
    shopping = plan.shopping[plan.shopping["kind"] == "used up"].set_index("item")
    assert (used["packs"].sum() == shopping["packs"][used["packs"].sum().index]).all()
    supplies = plan.stations[plan.stations["kind"] == "supplies"].groupby(["lesson", "item"])["quantity"].sum()
    told = s.set_index(["lesson", "item"])["units"]
    assert (told[supplies.index] == supplies).all(), "a begun bottle and a new one are two on the station's card too"


def test_sessions_at_one_time_are_refused_for_one_box_cannot_be_in_two_places(small_unit):
    day = date(2027, 3, 9)
    with pytest.raises(InputError, match="one box cannot be in two places") as caught:
        plan_training(small_unit, course({"day": day}, {"day": day}))
    assert "another date or start" in caught.value.problems[0].mend
    morning, evening = {"day": day, "start_minute": 540}, {"day": day, "start_minute": 1080}
    assert plan_training(small_unit, course(morning, evening)).learners == 24


def random_course(seed, unit):
    rng = np.random.default_rng([15, seed])
    sizes = [3.0, 3.5, 4.0, 5.0]

    def practices():
        return tuple(practice(tube_mm=float(s), skin=str(rng.choice(["none", "barrier"])),
                              size=practice(tube_mm=float(s)).size.copy())
                     for s in rng.choice(sizes, rng.integers(1, 3), replace=False))

    sessions = [{"learners": int(n := rng.integers(1, 15)), "stations": int(rng.integers(1, min(n, 3) + 1)),
                 **({"practices": practices()} if rng.random() < 0.4 else {})} for _ in range(rng.integers(2, 5))]
    return course(*sessions, practices=practices(), spare_share=float(rng.choice([0.0, 0.1, 0.25])),
                  cut=str(rng.choice(["before each session", AT_ONCE])))


@pytest.mark.parametrize("seed", range(12))
def test_a_course_buys_no_more_than_its_classes_together_and_no_less_than_the_largest(small_unit, seed):
    sessions = random_course(seed, small_unit)
    whole = plan_training(small_unit, sessions)
    apart = [plan_training(small_unit, [s]) for s in alone(sessions)]
    assert whole.value <= sum(p.value for p in apart) + 1e-6
    assert whole.value >= max(p.value for p in apart) - 1e-6
    for cut in whole.tape:
        made = (cut.plan.cuts * cut.plan.plan["count"].to_numpy()[:, None]).sum(axis=0)
        assert made.tolist() == cut.plan.demand.tolist()


def test_a_class_may_practise_with_loose_gauze_where_its_file_allows_it_and_the_sheet_says_so(harbour):
    """A pack of 200 for 4.80 where pouches of two cost 5.50 for 50: two pieces a try, no sterility on a manikin."""
    (one,) = (replace(c, have={}) for c in harbour.classes)
    choice = plan_unit(harbour, parts=("kits",)).item_choice
    pouches, loose = (plan_training(harbour, [c], choice) for c in (one, replace(one, loose=("gauze",))))
    assert "gauze_5cm_pair" in set(pouches.shopping["item"])
    assert "gauze_5cm_pair" not in set(loose.shopping["item"])
    row = bought(loose, "gauze_5cm_200")
    assert row["units"] == 162
    assert "loose, not sterile" in row["because"]
    assert loose.value < pouches.value
    assert not pouches.shopping["because"].str.contains("loose").any()


def test_what_lies_in_the_box_is_cut_in_the_first_session_and_not_again(small_unit):
    plan = plan_training(small_unit, course({}, {}, have={"tape-25-long": 2}))
    taken = [sum(n for name, n in c.plan.opened.items() if c.source[name][1] == OWN) for c in plan.tape]
    assert sum(taken) == 2
    assert bought(plan, "tape-25-long")["own_units"] == 2


def two_sites(**more):
    """A class at each of two sites at one time, and one at the first the day after: four dolls, one and two."""
    def doll(have):
        return Durable("doll", "", "", 1, True, have, 100.0, float("nan"), float("nan"))

    first, later = course({"stations": 4}, {"stations": 2}, file="north.toml", durables=(doll(2),), **more)
    here = replace(first, day=date(2027, 3, 8))
    there = replace(here, file="south.toml", title="South", course="South", stations=1, durables=(doll(1),))
    return [here, there, replace(later, day=date(2027, 3, 9))]


def test_classes_of_one_time_take_their_own_things_and_none_that_stand_elsewhere(small_unit):
    """Five dolls stand at once, of which the sites have three: two to get; none is taken from a class that runs."""
    plan = plan_training(small_unit, two_sites())
    row = bought(plan, "doll")
    assert (row["units"], row["own_units"], row["buy_units"], row["value"]) == (5, 3, 2, 200.0)
    dolls = plan.sessions[plan.sessions["item"] == "doll"]
    assert dolls[["units", "from_before_units", "own_units", "new_units", "goes_on_units"]].to_numpy().tolist() == [
        [4, 0, 2, 2, 4], [1, 0, 1, 0, 1], [2, 2, 0, 0, 0]]


def test_what_is_left_of_a_pack_to_be_used_up_serves_as_a_thing_that_is_kept(small_unit):
    """One class uses scissors up, the other keeps a pair a station: no second pack where the first holds enough."""
    items = small_unit.items.assign(pack=np.where(small_unit.items["item"] == "scissors", 10, small_unit.items["pack"]))
    kept = Durable("scissors", "scissors", "", 1, True, 0, float("nan"), float("nan"), float("nan"))
    one, other = (lesson(title=t, file=t, day=date(2027, 3, 8)) for t in "ab")
    plan = plan_training(replace(small_unit, items=items), [one, replace(other, durables=(kept,))])
    rows = plan.shopping[plan.shopping["item"] == "scissors"]
    assert rows["kind"].tolist() == ["used up", "durable"]
    assert rows["packs"].tolist() == [1, 0]
    assert rows["value"].iloc[1] == 0
    left = plan.left.loc[plan.left["thing"].str.contains("cissors") & (plan.left["state"] == "rest of an opened pack")]
    assert left["quantity"].tolist() == [10 - int(rows["buy_units"].sum())]
