"""Pieces of the play, of the audit and of use by rates, reckoned by hand or by a standard table."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from kitplan.demand.item_choice import fill_roles
from kitplan.demand.proportion import wilson_interval
from kitplan.demand.stays import StayLaw
from kitplan.demand.tape import _path_mm
from kitplan.demand.use import use_model
from kitplan.parts.audit.model import say_swaps
from kitplan.parts.simulate import future_play
from kitplan.parts.simulate.check_play import _strain, _Wear, play_checks
from kitplan.parts.simulate.future_play import Airways, _days_before, _with_beds
from kitplan.parts.simulate.issue_play import _issues_of, stock_clock
from kitplan.parts.simulate.model import rules
from kitplan.parts.simulate.stock_ledger import ReviewRule, play_ledger
from kitplan.read.values import Census, Piece


def test_rules_of_thumb_are_what_their_names_say_never_under_a_floor():
    """Three intervals of two copies: 28 / 6 on the mean, deviation 3.27; in the first year of the first copy 3 at most.
    Of the second item nothing was used.
    """
    past = np.array([[[1, 0], [9, 0]], [[3, 0], [5, 0]], [[8, 0], [2, 0]]])
    found = rules(past, 2, np.array([0, 3]))
    factors = {name: factor for name, (_, factor) in found.items()}
    assert factors == {"{:.3g} x mean use": (1.5, 2.0), "{:.3g} x most ever used": (1.0,),
                       "mean + {:.3g} sd": tuple(round(float(norm.ppf(q)), 3) for q in (0.95, 0.99))}
    par = {name: rule(2.0).tolist() for name, (rule, _) in found.items()}
    assert par == {"{:.3g} x mean use": [10, 3], "{:.3g} x most ever used": [6, 3], "mean + {:.3g} sd": [12, 3]}


def ledger(demand, par, life=np.inf, review=7, lead=2):
    rule = ReviewRule(review, lead, np.array([1]), np.array([float(life)]))
    return play_ledger(np.array(demand).reshape(-1, 1, 1), np.array([[par]]), rule, 0)


@pytest.mark.parametrize(("review", "lead"), [(0, 2), (7, -1)])
def test_a_review_of_nothing_and_a_lead_time_below_nothing_are_refused(review, lead):
    with pytest.raises(ValueError, match="at least"):
        ledger([1] * 30, 5, review=review, lead=lead)


def test_stock_of_the_first_day_has_lain_for_all_times_up_to_its_life_and_is_gone_by_then():
    """Nobody takes any of ten, dated over the ten days to come: two are past their date before the first interval that
    counts, eight in it, and none of what was bought since.
    """
    assert ledger([0] * 16, 10, life=10).expired.sum() == 8


def test_no_share_is_made_of_nothing():
    with pytest.raises(ValueError, match="not a proportion"):
        wilson_interval(0, 0)


def one_each(unit_maker, mean_stay):
    nobody = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})
    rows = pd.DataFrame({"stratum": [0, 1, 2], "airways": [1, 1, 3]})
    return unit_maker(Census("snapshot", rows, None, None, mean_stay, 0.5, nobody))


def test_arrivals_of_an_airway_day_are_one_over_the_mean_stay_for_one_airway_as_for_many(unit_maker):
    """Little's law, L = lambda W."""
    unit = one_each(unit_maker, 6.0)
    assert use_model(unit).arrivals == pytest.approx(np.full(3, 1 / 6.0), rel=0.02)


def test_items_chosen_for_short_stays_serve_long_ones_at_their_own_pace(unit_maker):
    """Rolls opened are tabulated as far as the stays for which they were chosen; longer stays go on opening rolls, so
    that a stay takes at most the one roll that it leaves part-used beyond the pace of its days.
    """
    short, long = one_each(unit_maker, 2.0), one_each(unit_maker, 30.0)
    choice = fill_roles(short)
    tape = choice.frame.loc[choice.frame["role"] == "tape", "item"].iloc[0]
    found = use_model(long, choice)
    beyond = found.per_arrival[:, found.items.index(tape)]
    assert ((beyond > 0) & (beyond <= 1)).all()


def choice_of(*items):
    return SimpleNamespace(frame=pd.DataFrame({"item": items}))


@pytest.mark.parametrize(("planned", "said"), [
    (("saline-10", "wipe-prep"), "The plan buys saline-10 in place of saline-5, because it costs less to use, "
                                 "for 30.00 USD less stock at par."),
    (("saline-5", "saline-10", "wipe-prep"), "The plan buys saline-10, for 30.00 USD less stock at par."),
])
def test_what_the_plan_would_buy_in_place_of_what_is_held_is_said_with_its_worth(planned, said, small_unit):
    unit = replace(small_unit, currency="USD")
    held, plan, as_is = choice_of("saline-5", "wipe-prep"), SimpleNamespace(value=100.0), SimpleNamespace(value=130.0)
    assert say_swaps(unit, choice_of(*planned), held, plan, as_is) == [f"Judged with the items held today. {said}"]


def test_what_cannot_be_had_is_no_dearer_for_that(small_unit):
    gone = replace(small_unit, stock=replace(small_unit.stock, unavailable=("saline-5",)))
    (said,) = say_swaps(gone, choice_of("saline-10"), choice_of("saline-5"), SimpleNamespace(value=1.0),
                        SimpleNamespace(value=1.0))
    assert "buys saline-10 in place of saline-5, because saline-5 cannot be had, for " in said


def test_what_takes_the_place_of_what_is_told_role_by_role(small_unit):
    """A short list of today: the wipe comes new, and the gauze that is left out has nothing in its place."""
    items = small_unit.items
    kept = {str(items.loc[items["item"] == i, "role"].iloc[0]) for i in ("saline-5", "wipe-prep")}
    other = str(items.loc[~items["role"].isin(kept), "item"].iloc[0])
    (said,) = say_swaps(small_unit, choice_of("saline-10", "wipe-prep"), choice_of("saline-5", other),
                        SimpleNamespace(value=1.0), SimpleNamespace(value=1.0))
    assert other not in said
    assert "saline-10 in place of saline-5" in said
    assert "wipe-prep in place" not in said


def test_nothing_is_said_where_the_plan_buys_what_is_held(small_unit):
    same = choice_of("saline-5")
    assert say_swaps(small_unit, same, same, SimpleNamespace(value=1.0), SimpleNamespace(value=1.0)) == []


@pytest.mark.parametrize(("mean", "copies"), [(5.0, 1), (0.5, 3)])
def test_the_play_begins_when_all_but_one_in_ten_thousand_of_the_first_have_left(mean, copies):
    """Exponential stays: exp(-t / mean) = 1 / 10,000 at t = mean ln 10,000, in whole days."""
    law = StayLaw(np.array([0.0, 1.0]), np.full((copies, 2), 1 / mean))
    posterior = SimpleNamespace(stays=law, stay_factor=np.ones((copies, 1)))
    assert _days_before(posterior, np.arange(copies)) == np.ceil(mean * np.log(10_000))
    posterior.stay_factor = np.tile([1.0, 3.0], (copies, 1))
    assert _days_before(posterior, np.arange(copies)) == np.ceil(3 * mean * np.log(10_000)), "a kind that stays longer"


@pytest.mark.parametrize(("hours", "checks", "renewed_at"), [(1.0, 24, 1), (24.0, 4, 4), (30.0, 4, 5), (1.0, 4, 1)])
def test_a_planned_change_comes_at_the_first_check_at_or_after_its_hours(
    hours, checks, renewed_at, unit_maker, frequency_maker
):
    unit = unit_maker(frequency=frequency_maker(3, planned_hours=hours), checks_per_day=checks)
    wears = _Wear(unit, np.array([0]), np.ones(1), np.random.default_rng(1))
    assert wears.limit.tolist() == [renewed_at] * 3


def test_the_way_to_the_tube_is_never_below_nothing():
    """A Y on a span of 60 mm, uncut for 28, begins 2 mm from the middle of a tube 10 mm wide: it is there already;
    uncut for 10 it has 60 / 2 - 10 - 10 / 2 = 15 mm to go.
    """
    piece = Piece("Y", 1, span=1.0)
    assert _path_mm(piece, 60.0, 10.0, 28.0) == 0.0
    assert _path_mm(piece, 60.0, 10.0, 10.0) == 15.0


# -- a stay that is renewed by the clock ----------------------------------------------------------------------------


@pytest.fixture
def clockwork(unit_maker):
    """A unit whose securements last until they are renewed by plan, every 24 hours, and are never spoiled."""
    unit = unit_maker()
    return replace(unit, frequency=unit.frequency.assign(flat_per_check=0.0, planned_hours=24.0, redo=0.0,
                                                         admission_secures=1.0, airway_spread=0.0))


def airways(*rows, replication=0):
    """rows: stratum, start, end."""
    kinds, start, end = (np.array(c, dtype=float) for c in zip(*rows))
    n = len(rows)
    return Airways(np.full(n, replication), kinds.astype(int), start, end, np.ones(n))


def issued(unit, played, item, days=10, replications=1):
    choice = fill_roles(unit)
    found = _issues_of(unit, choice, played, days, replications, np.random.default_rng(1))
    return found[:, :, list(unit.items["item"]).index(item)].T.tolist()


def test_an_airway_is_secured_when_it_comes_and_at_every_fourth_check_after(clockwork):
    """From noon of the first day to the end of the fifth: ticks of a quarter of a day, so at 2, and found at 5, 9, 13,
    17; one that came two days before the first day is at 3, 7 and so on.
    """
    seen = play_checks(clockwork, airways((0, 0.5, 5.0)), np.random.default_rng(1))
    assert seen.tick.tolist() == [2, 5, 9, 13, 17]
    assert (seen.count.tolist(), seen.before.tolist()) == ([1] * 5, [0, 1, 2, 3, 4])
    before = play_checks(clockwork, airways((0, -2.0, 1.0)), np.random.default_rng(1))
    assert (before.tick.tolist(), before.before.tolist()) == ([3], [3])
    gone = play_checks(clockwork, airways((0, 0.5, 1.4), (0, 0.5, 1.5)), np.random.default_rng(1))
    assert sorted(zip(gone.airway, gone.tick)) == [(0, 2), (1, 2), (1, 5)], "the check at its end is made"


def test_the_stock_room_gives_out_what_kits_used_at_the_next_restock(clockwork):
    """One re-secure a day for five days: an ampoule and two wipes each; a mask and a bag when it comes; tape in pieces:
    three of eight a roll, so the third opens a second roll.
    """
    played = airways((0, 0.5, 5.0))
    assert issued(clockwork, played, "saline-5") == [[1, 1, 1, 1, 1, 0, 0, 0, 0, 0]]
    assert issued(clockwork, played, "wipe-prep") == [[2, 2, 2, 2, 2, 0, 0, 0, 0, 0]]
    assert issued(clockwork, played, "mask-42") == [[1, *[0] * 9]]
    assert issued(clockwork, played, "bag-450") == [[1, *[0] * 9]]
    assert issued(clockwork, played, "tape-25-short") == [[1, 0, 1, 0, 0, 0, 0, 0, 0, 0]]
    gloves = np.array(issued(clockwork, played, "gloves-small")) + issued(clockwork, played, "gloves-medium")
    assert gloves.tolist() == [[2, 2, 2, 2, 2, 0, 0, 0, 0, 0]], "either size, two pairs in all"
    slow = replace(clockwork, bedside=replace(clockwork.bedside, restock_hours=48))
    assert issued(slow, played, "saline-5") == [[0, 2, 0, 2, 0, 1, 0, 0, 0, 0]]


def test_an_airway_that_was_there_before_takes_no_mask_and_goes_on_with_its_roll(clockwork):
    """Three re-secures before the first day: a second roll is begun; of the next five the third opens another."""
    played = airways((0, -2.0, 5.0))
    assert issued(clockwork, played, "saline-5") == [[1, 1, 1, 1, 1, 0, 0, 0, 0, 0]]
    assert issued(clockwork, played, "mask-42") == [[0] * 10]
    assert issued(clockwork, played, "tape-25-short") == [[0, 0, 1, 0, 0, 0, 0, 0, 0, 0]]


def test_kinds_and_copies_are_kept_apart(clockwork):
    """Two pieces of dressing a re-secure over a barrier, eight from one; none for the plain kind; the second copy."""
    both = airways((1, 0.5, 6.0), (0, 0.5, 2.0), replication=1)
    assert issued(clockwork, both, "dressing-10", replications=2) == [[0] * 10, [1, 0, 0, 0, 1, 0, 0, 0, 0, 0]]
    assert issued(clockwork, both, "saline-5", replications=2) == [[0] * 10, [2, 2, 1, 1, 1, 1, 0, 0, 0, 0]]


def test_a_shared_item_is_taken_into_use_when_the_one_in_use_is_empty(clockwork):
    """Scissors of two uses each: five uses open two or three, never at once."""
    items = clockwork.items.copy()
    items.loc[items["item"] == "scissors", "contains"] = 2.0
    opened = issued(replace(clockwork, items=items), airways((0, 0.5, 5.0)), "scissors")[0]
    assert sum(opened) in (2, 3)
    assert max(opened) == 1


@pytest.mark.parametrize(("review", "lead", "steps"), [(7, 2, (4, 7, 2)), (3.5, 2, (2, 7, 4)), (7, 0.25, (1, 28, 1)),
                                                       (0.5, 0.5, (2, 1, 1))])
def test_a_step_is_a_day_or_the_longest_part_of_it_that_divides_review_and_lead(unit_maker, review, lead, steps):
    unit = unit_maker()
    clock = stock_clock(replace(unit, stock=replace(unit.stock, review_days=review, lead_days=lead)))
    assert (clock.step_checks, clock.review_steps, clock.lead_steps) == steps
    assert clock.steps_per_day == 4 / steps[0]
    assert clock.interval_steps == steps[1] + steps[2]


def test_the_strain_of_a_check_is_the_weibull_hazard_since_the_last_and_a_quarter_of_the_days_other_causes(unit_maker):
    """Scale 70 h, shape 1.5, 0.2 a day of others: (12/70)^1.5 - (6/70)^1.5 + 0.05 at the second check."""
    strain = _strain(unit_maker().frequency.iloc[0], 4)
    assert strain[1] == pytest.approx((6 / 70) ** 1.5 + 0.05)
    assert strain[2] == pytest.approx((12 / 70) ** 1.5 - (6 / 70) ** 1.5 + 0.05)
    never = unit_maker().frequency.iloc[0].copy()
    never["loosening_scale_hours"] = np.inf
    assert _strain(never, 4)[1:4].tolist() == pytest.approx([0.05] * 3)
    never["flat_per_check"] = 0.1
    assert _strain(never, 4)[:3] == pytest.approx(np.full(3, -np.log(0.9)))
    never["flat_per_check"] = 1.0
    assert np.isinf(_strain(never, 4)).all()


def test_a_days_arrivals_swing_by_the_year_about_a_mean_of_one():
    """Log arrivals are a cos + b sin of the year and c cos + d sin of the half year. Without a and b the mean of
    exp(c cos x) over a year is Bessel's I0(c) (Abramowitz and Stegun 9.6.16).
    """
    from scipy.special import i0

    still = SimpleNamespace(uniform=lambda low, high, shape: np.zeros(shape))
    swings = np.array([[0.0, 0.0, 0.5, 0.0], [0.3, 0.2, 0.5, 0.1]])
    posterior = SimpleNamespace(swing=swings, burst=np.zeros(2))
    half, both = future_play._busy_days(posterior, np.array([0, 1]), 0, 366, still)
    assert half[0] == pytest.approx(np.exp(0.5) / i0(0.5))
    assert half.mean() == pytest.approx(1.0, abs=0.01)
    eighths = both[[0, 46, 91, 183, 274]] / both[0]
    middle = np.sqrt(0.5) * (0.3 + 0.2) + 0.1
    assert np.log(eighths) == pytest.approx(
        [0.0, middle - 0.8, 0.2 - 0.5 - 0.8, -0.3 + 0.5 - 0.8, -0.2 - 0.5 - 0.8], abs=0.02)


def test_who_finds_every_bed_taken_does_not_come_and_a_bed_is_free_when_its_airway_ends():
    """One bed in each of two copies: who comes on days 1 and 2 finds it taken, on day 5 it is free."""
    copy, start = np.array([0, 1, 0, 0, 0, 1]), np.array([2.0, 3.0, 0.0, 5.0, 1.0, 0.0])
    end = np.array([9.0, 4.0, 5.0, 6.0, 1.5, 3.5])
    assert sorted(_with_beds(copy, start, end, 1)) == [2, 3, 5]
    assert sorted(_with_beds(copy, start, end, 2)) == [0, 1, 2, 3, 4, 5]
