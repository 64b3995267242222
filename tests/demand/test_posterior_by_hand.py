"""What a census leaves open, and what is drawn of it, on lists of a few airways reckoned by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand import posterior, scenarios
from kitplan.demand import shared_roles as demand_shared_roles
from kitplan.demand.attempts import _invert
from kitplan.demand.intervals import intervals
from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.posterior import (
    DRAWS,
    _complete_from,
    _counted,
    _days_on_record,
    _kinds,
    _offered,
    _stated_stays,
    _stay_factors,
    fit_posterior,
    loss,
    own_stays,
    season_of,
)
from kitplan.demand.scenarios import (
    _Airways,
    _items_opened,
    _takes,
    _used_by_attempts,
    arrivals_by_stratum,
    draw_days,
    draw_demand,
    used_by,
)
from kitplan.demand.shared_roles import SharedRole, shared_roles, split_uses
from kitplan.demand.values import ItemChoice
from kitplan.read.values import Census, Doubt
from tests.conftest import known

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})


def stays_of(rows, days=40, mean_stay=None, expected=NOBODY, unknown=()):
    frame = pd.DataFrame(rows, columns=["airway", "stratum", "start", "end"])
    census = Census("stays", frame, date(2026, 3, 1), date(2026, 3, 1) + pd.Timedelta(days=days - 1), mean_stay, 1.0,
                    expected)
    return replace(census, unknown_days=np.array(unknown, dtype=int))


def counts_of(by_day, mean_stay=6.0, unknown=(), expected=NOBODY, **more):
    """by_day: (day, stratum, airways)."""
    frame = pd.DataFrame(by_day, columns=["day", "stratum", "airways"])
    last = int(frame["day"].max())
    census = Census("counts", frame, date(2026, 3, 1), date(2026, 3, 1) + pd.Timedelta(days=last), mean_stay, 1.0,
                    expected, **more)
    return replace(census, unknown_days=np.array(unknown, dtype=int))


# -- beds -----------------------------------------------------------------------------------------------------------


def test_what_would_be_there_without_a_limit_undoes_the_loss():
    """Erlang: of a offered, a (1 - B) are there. A unit fuller than nine tenths of its beds is taken to be so full."""
    offered = np.array([2.0, 6.0, 9.0])
    carried = offered * (1 - loss(offered, 10))
    assert _offered(carried, 10) == pytest.approx(offered, rel=1e-3)
    full = _offered(np.array([9.0, 9.5, 30.0]), 10)
    assert full == pytest.approx(np.full(3, full[0]))
    assert full[0] * (1 - loss(full[:1], 10))[0] == pytest.approx(9.0, rel=1e-3)


def test_a_unit_with_beds_keeps_the_airways_that_were_counted(unit_maker):
    """Nine airways in sixteen beds: a few more come than find a bed, so that nine are there on the mean."""
    rows = [(d, g, n) for d in range(60) for g, n in enumerate((4, 2, 3))]
    unit = unit_maker(counts_of(rows))
    bedded = replace(unit, bedside=replace(unit.bedside, beds=16))
    free, limited = fit_posterior(unit), fit_posterior(bedded)
    assert limited.mean_airways.sum() == pytest.approx(free.mean_airways.sum(), rel=0.005)
    assert (limited.arrivals.sum(axis=1) > free.arrivals.sum(axis=1)).all()
    assert (limited.bedded < 1).all()
    assert (free.bedded == 1).all()
    assert limited.beds == 16


# -- draws ----------------------------------------------------------------------------------------------------------


@pytest.fixture
def fitted(unit_maker):
    rows = [(d, g, n) for d in range(60) for g, n in enumerate((4, 2, 3))]
    doubt = Doubt(rate_range=(0.3, 1.0), mean_stay_range=(4.0, 9.0))
    return fit_posterior(unit_maker(counts_of(rows), doubt=doubt))


def test_plans_and_what_they_are_verified_on_share_no_draw(fitted):
    plan, verify = fitted.of_stream("plan"), fitted.of_stream("verify")
    assert (plan.n_draws, verify.n_draws) == (DRAWS // 2, DRAWS // 2)
    for name in ("arrivals", "swing", "burst", "lasting", "rate", "hazard", "stay_factor"):
        assert (getattr(plan, name) == getattr(fitted, name)[0::2]).all(), name
        assert (getattr(verify, name) == getattr(fitted, name)[1::2]).all(), name
    assert (verify.stays.mean == fitted.stays.mean[1::2]).all()


def test_one_thing_taken_as_known_stands_at_its_mean_and_the_others_stay(fitted):
    calm = fitted.without_doubt("arrivals")
    assert calm.arrivals == pytest.approx(np.tile(fitted.arrivals.mean(axis=0), (DRAWS, 1)))
    assert calm.burst == pytest.approx(np.full(DRAWS, fitted.burst.mean()))
    assert calm.lasting == pytest.approx(np.full(DRAWS, fitted.lasting.mean()))
    assert calm.swing == pytest.approx(np.tile(fitted.swing.mean(axis=0), (DRAWS, 1)))
    assert calm.rate is fitted.rate
    rate = fitted.without_doubt("rate")
    assert rate.rate == pytest.approx(np.tile(fitted.rate.mean(axis=0), (DRAWS, 1)))
    assert rate.hazard == pytest.approx(np.tile(fitted.hazard.mean(axis=0), (DRAWS, 1)))
    assert rate.arrivals is fitted.arrivals
    stays = fitted.without_doubt("stays")
    assert stays.stays.mean.std() == pytest.approx(0.0, abs=1e-9)
    assert stays.arrivals is fitted.arrivals
    with pytest.raises(ValueError, match="not 'beds'"):
        fitted.without_doubt("beds")


def test_a_range_of_the_mean_stay_is_drawn_and_the_airways_counted_stay(fitted):
    """Nine in ten from 4 to 9 days; arrivals times stay are the airways that were there."""
    assert np.quantile(fitted.stays.mean, [0.05, 0.5, 0.95]) == pytest.approx([4.0, 6.0, 9.0], rel=0.02)
    assert fitted.mean_airways == pytest.approx([4.0, 2.0, 3.0], rel=0.03)
    assert fitted.mean_stays.shape == (DRAWS, 3)


def test_how_much_stays_differ_may_be_a_range_too(unit_maker):
    unit = unit_maker(doubt=Doubt(stay_log_sd_range=(0.5, 1.5)))
    law = _stated_stays(unit, 1)
    assert law.mean == pytest.approx(np.full(DRAWS, 6.0), rel=2e-3)
    day = law.survival(np.arange(DRAWS), np.full(DRAWS, 20.0))
    assert day.std() > 0.01, "some draws have long tails and some short"
    plain = _stated_stays(unit_maker(), 1)
    assert plain.survival(np.arange(DRAWS), np.full(DRAWS, 20.0)).std() == pytest.approx(0.0, abs=1e-12)


# -- airways that neither come nor go, and those that are expected --------------------------------------------------


def test_without_a_mean_stay_those_counted_stay_for_good_and_nobody_comes(unit_maker):
    """Three and five on two days: four; two more are expected and stay as well."""
    expected = pd.DataFrame({"stratum": [2], "mean_airways": [2.0]})
    unit = unit_maker(counts_of([(0, 0, 3), (1, 0, 5)], mean_stay=None, expected=expected))
    found = fit_posterior(unit)
    assert found.fixed.tolist() == [4.0, 0.0, 2.0]
    assert (found.arrivals == 0).all()
    assert found.mean_airways.tolist() == [4.0, 0.0, 2.0]
    assert found.knowledge[0].startswith("No mean stay is known")


def test_with_a_mean_stay_those_expected_come_as_often_as_keeps_so_many_there(unit_maker):
    expected = pd.DataFrame({"stratum": [2], "mean_airways": [2.0]})
    found = fit_posterior(unit_maker(counts_of([(d, 0, 4) for d in range(30)], expected=expected)))
    assert found.fixed.tolist() == [0.0, 0.0, 0.0]
    assert found.mean_airways[2] == pytest.approx(2.0)
    assert found.arrivals[:, 2] == pytest.approx(2.0 / found.mean_stays[:, 2])


def test_in_a_ward_that_has_not_opened_those_expected_come_and_go(unit_maker):
    """Nobody counted, two airways of six days expected: one every three days."""
    expected = pd.DataFrame({"stratum": [2], "mean_airways": [2.0]})
    found = fit_posterior(unit_maker(counts_of([(0, 0, 0)], expected=expected)))
    assert found.arrivals[:, 2] == pytest.approx(np.full(DRAWS, 1 / 3), rel=2e-3)
    assert (found.arrivals[:, :2] == 0).all()
    assert found.mean_airways == pytest.approx([0.0, 0.0, 2.0])
    assert found.knowledge == ("No airway was counted: none comes but those expected.",)


# -- the year -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("span", "told"), [(355.25, True), (355.2, False), (800.0, True)])
def test_a_history_tells_of_the_year_where_it_holds_all_but_ten_days_of_it(unit_maker, span, told):
    """1 March is the 60th day of 2026: 59 days after the year began."""
    found = season_of(unit_maker(counts_of([(0, 0, 1)])), 0.5, span)
    assert (found.day_of_year, found.told, found.stated) == (59.5, told, None)


def test_a_census_without_a_date_begins_with_the_year(unit_maker):
    census = replace(counts_of([(0, 0, 1)]), first_day=None, last_day=None)
    assert season_of(unit_maker(census), 0.5, 1.0).day_of_year == 0.5


def test_a_swing_that_is_stated_needs_no_history(unit_maker):
    found = season_of(unit_maker(doubt=Doubt(swing=(0.3, 2))), 0.0, 1.0)
    assert found.sure
    assert found.stated is not None


# -- a list of stays ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("starts", "days", "first"), [
    ([0.6, *range(4, 40)], 4.0, 4), ([0.6, *range(4, 40)], 3.5, 4), (list(range(40)), 4.0, 0),
    ([0.6, *range(4, 40, 2)], 4.0, 0), ([0.6, *range(10, 40)], 20.0, 10), ([10.6, *range(14, 50)], 4.0, 14),
    ([0.6, 1.6, *range(4, 40)], 4.0, 0),
])
def test_a_list_is_complete_from_where_those_who_had_left_would_have_come(starts, days, first):
    """Forty days of one arrival a day, but of the first days' only one: nine in ten stay at most 4 days, so the list is
    complete from day 4; with 3.5 from the same day; with stays of 20 from a quarter of the list. Where the first days
    lack nothing, lack half or less, or would hold fewer than three, all of it counts.
    """
    start = np.array(starts, dtype=float)
    assert _complete_from(start, start + days, np.floor(start[0]) + 40.0) == first


def test_days_on_record_are_the_list_without_its_unknown_days_and_the_part_of_its_first():
    """From a quarter of day 2 to the end of day 9; day 5 unknown, days 1 and 10 no part of it."""
    known, notes = _days_on_record(SimpleNamespace(unknown_days=[1, 5, 10]), np.arange(2.25, 10, 0.5), 2.25, 10.0)
    assert known.tolist() == [0.75, 1, 1, 0, 1, 1, 1, 1]
    assert notes == []


@pytest.mark.parametrize(("pause", "each", "closed"), [(20, 4, True), (13, 9, False), (14, 4, True), (14, 2, False)])
def test_a_stretch_in_which_many_should_have_come_was_closed(pause, each, closed):
    """Sixty days with so many arrivals each about a pause: closed where more than 25 were to be expected in a fortnight
    or longer.
    """
    start = np.repeat(np.concatenate([np.arange(30.0), np.arange(30.0) + 30 + pause]), each) + np.tile(
        np.arange(each) / each, 60)
    known, notes = _days_on_record(SimpleNamespace(unknown_days=[]), start, 0.0, 60.0 + pause)
    assert (known == 0).sum() == (pause if closed else 0)
    assert (known[30: 30 + pause] == (0 if closed else 1)).all()
    assert notes == ([f"Nobody came in {pause} days on end: taken as closed and left out of the arrivals."]
                     if closed else [])


def test_kinds_that_stay_twice_as_long_have_twice_the_factor_and_all_stays_together_one():
    """Four hundred ends of 2 days and of 4: the mean over all stays of the list is 1 in each draw."""
    stratum, ended = np.repeat([0, 1], 400), np.ones(800, dtype=bool)
    routes = np.array(["oral", "nasal", "neck", "nasal"])
    draws, mean = _stay_factors(stratum, np.where(stratum, 4.0, 2.0), ended, routes, 1)
    assert mean[1] / mean[0] == pytest.approx(2.0, rel=0.05)
    assert draws[:, :2].mean(axis=1) == pytest.approx(np.ones(DRAWS))
    assert (draws[:, 2] == 1).all(), "of a route that nobody has seen nothing is said"
    assert draws[:, 3] == pytest.approx(draws[:, 1]), "another size of a route that was seen stays as that does"
    assert mean == pytest.approx(draws.mean(axis=0))


def test_one_kind_or_one_end_alone_has_no_factor():
    one = _stay_factors(np.zeros(50, dtype=int), np.full(50, 3.0), np.ones(50, dtype=bool), np.full(2, "oral"), 1)
    few = _stay_factors(np.array([0, 1]), np.array([3.0, 9.0]), np.array([True, False]), np.full(2, "oral"), 1)
    for draws, mean in (one, few):
        assert (draws == 1).all()
        assert (mean == 1).all()


def test_kinds_come_as_they_were_counted_and_one_of_which_none_came_as_a_part_of_half(unit_maker):
    """Twenty of one kind; of two more in the census none came: half an arrival, a third of it each kind."""
    found = _kinds(np.array([20, 0, 0]), unit_maker(), 1)
    assert found.mean(axis=0) == pytest.approx([20.0, 1 / 6, 1 / 6], rel=0.05)
    assert found[:, 0].std() == pytest.approx(np.sqrt(20.0), rel=0.05), "a gamma number of shape 20"
    expected = pd.DataFrame({"stratum": [2], "mean_airways": [2.0]})
    unit = unit_maker(counts_of([(0, 0, 20)], expected=expected))
    assert _kinds(np.array([20, 0, 0]), unit, 1).mean(axis=0) == pytest.approx([20.0, 0.25, 0.0], rel=0.05)


def test_arrivals_and_stays_of_a_list_are_those_that_were_seen(unit_maker):
    """Two a day for sixty days, a kind each, that stay as exponential numbers of mean three do."""
    long = 3.0 * np.random.default_rng(1).permutation(-np.log1p(-(np.arange(120) + 0.5) / 120)).reshape(60, 2)
    rows = [(f"{d}{k}", k, d + 0.25 + k / 2, d + 0.25 + k / 2 + long[d, k]) for d in range(60) for k in (0, 1)]
    closed = [(a, g, s, e if e < 60 else np.nan) for a, g, s, e in rows]
    found = fit_posterior(unit_maker(stays_of(closed, days=60)))
    assert found.arrivals.sum(axis=1).mean() == pytest.approx(2.0, rel=0.03)
    assert found.arrivals[:, 0].mean() == pytest.approx(1.0, rel=0.05)
    stay = found.mean_stays[:, :2].mean(axis=0)
    assert stay.mean() == pytest.approx(3.0, rel=0.05)
    assert np.sign(stay - 3.0).tolist() == np.sign(long.mean(axis=0) - 3.0).tolist(), "each as its own were, in part"
    assert found.fixed.tolist() == [0, 0, 0]
    ended = sum(np.isfinite(e) for _, _, _, e in closed)
    assert found.knowledge[0] == f"Arrivals and stays: 120 airways of the list, {ended} of them ended."
    assert not found.swing_told


def test_a_list_of_nobody_is_no_list(unit_maker):
    times, chance = own_stays(unit_maker(stays_of([])))
    assert (len(times), len(chance)) == (0, 0)
    times, chance = own_stays(unit_maker())
    assert (len(times), len(chance)) == (0, 0), "a snapshot lists no stays"


# -- counts ---------------------------------------------------------------------------------------------------------


def test_days_counted_are_those_known_and_a_day_without_a_row_is_empty(unit_maker):
    """Rows on days 0 and 3 of five; day 1 unknown; two rows of one kind on a day add up."""
    census = counts_of([(0, 0, 2), (0, 0, 1), (3, 2, 4)], unknown=[1])
    census = replace(census, last_day=date(2026, 3, 5))
    counts, day = _counted(unit_maker(census))
    assert day.tolist() == [0, 2, 3, 4]
    assert counts.tolist() == [[3, 0, 0], [0, 0, 0], [0, 0, 4], [0, 0, 0]]


def test_what_counts_rest_on_is_said_in_days(unit_maker):
    one = fit_posterior(unit_maker(counts_of([(0, 0, 4)])))
    assert one.knowledge[0] == "Arrivals: airways counted on 1 day, and the mean stay that the unit states."
    two = fit_posterior(unit_maker(counts_of([(0, 0, 4), (1, 0, 5)])))
    assert "counted on 2 days" in two.knowledge[0]
    assert "tells of no yearly swing" in two.knowledge[1]


# -- use ------------------------------------------------------------------------------------------------------------


def test_counts_are_drawn_as_often_as_their_chances_rise():
    """Two columns: 0.5, 0.8, 1 and 0.1, 0.1, 1 for up to 0, 1 and 2."""
    rising = np.array([[0.5, 0.1], [0.8, 0.1], [1.0, 1.0]])
    u = np.array([0.4, 0.6, 0.9, 0.05, 0.2])
    assert _invert(rising, np.array([0, 0, 0, 1, 1]), u).tolist() == [0, 1, 2, 0, 2]


def test_rolls_opened_in_the_interval_are_those_beyond_what_was_opened_before():
    """A roll serves two re-secures: after 0, 1, ... 0, 1, 1, 2, 2, 3. Three before and two in it: one more; none before
    and five in it: three. Of a kind that uses no roll nothing.
    """
    def opened(during):
        none = np.zeros((len(during), 2, 2), np.int32)
        airways = _Airways(none, none, none, np.array([0, 2, 3]), np.array([0, 1, 0]), np.array([3, 0, 0], np.int32),
                           np.array(during, np.int32))
        return _items_opened({0: np.array([0, 1, 1, 2, 2, 3])}, airways).tolist()

    assert opened([[2, 5, 4]]) == [[1, 3]]
    assert opened([[2, 9, 4]]) == [[1, 5]], "beyond the table at its own pace"
    assert opened([[1, 0, 0], [1, 2, 4], [2, 5, 4]]) == [[0, 0], [0, 1], [1, 3]], "up to each moment"


def test_rows_of_a_choice_leave_the_shelf_by_the_attempt_the_arrival_the_part_or_the_roll():
    columns = ["stratum", "role", "item", "scope", "need", "items_per_use", "uses_per_item", "share"]
    frame = pd.DataFrame([
        (0, "wipe", "w", "event", 2.0, 2.0, np.nan, 1.0), (0, "scissors", "s", "unit", 1.0, np.nan, 4.0, 1.0),
        (0, "tape", "t", "patient", 1.0, np.nan, 2.0, 1.0), (0, "mask", "m", "patient", 1.0, np.nan, np.nan, 1.0),
        (1, "gloves", "g", "event", 2.0, 2.0, np.nan, 0.5), (0, "second", "w", "event", 1.0, 1.0, np.nan, 1.0),
    ], columns=columns)
    column = {name: i for i, name in enumerate("wstmg")}
    choice = ItemChoice(frame, {(0, "t"): np.array([0, 1])})
    unit = type("Unit", (), {"n_strata": 2, "items": pd.DataFrame({"item": list("wstmg")})})
    takes = _takes(unit, choice)
    assert takes.per_attempt.tolist() == [[3, 0, 0, 0, 0], [0] * 5], "two roles of one item add up"
    assert takes.part_of_one.tolist() == [[0, 0.25, 0, 0, 0], [0] * 5]
    assert takes.per_arrival.tolist() == [[0, 0, 0, 1, 0], [0] * 5]
    assert list(takes.opened) == ["t"]
    attempts = np.tile([[4, 0], [3, 0]], (3000, 1))[None]
    used = _used_by_attempts(ItemChoice(frame[frame["share"] == 1.0]), takes, column, attempts, 1, "plan")[0]
    assert used[:2, 0].tolist() == [12, 9]
    assert (used[0::2, 1] == 1).all(), "four uses of four are one pair of scissors"
    assert set(used[1::2, 1]) == {0, 1}
    assert used[1::2, 1].mean() == pytest.approx(0.75, abs=0.03), "three of four uses begin one as often"


def test_uses_shared_by_sizes_fall_on_each_by_its_share_and_more_never_take_fewer():
    """Two pairs an attempt; a third small, the rest large: of 40,000 times three attempts two small of six."""
    frame = pd.DataFrame({"stratum": [0, 0, 1, 1], "role": "gloves", "item": ["s", "l", "s", "l"], "need": 1.6,
                          "share": [1 / 3, 2 / 3] * 2})
    (role,) = shared_roles(ItemChoice(frame))
    assert (role.items, role.uses) == (("s", "l"), {0: 2, 1: 2})

    def split(attempts):
        return split_uses(role, np.array(attempts)[None], 3, "plan")[:, 0].T

    few, many, lots = split([[2, 1]] * 4000), split([[2, 3]] * 4000), split([[30, 71]] * 4000)
    assert (few.sum(axis=1) == 6).all()
    assert (many.sum(axis=1) == 10).all()
    assert few[:, 0].mean() == pytest.approx(2.0, abs=0.06)
    assert few[:, 0].var() == pytest.approx(6 * 2 / 9, rel=0.1), "each use by its own lot: binomial"
    assert lots[:, 0].mean() == pytest.approx(202 / 3, abs=0.35), "more than one block of uses"
    assert lots[:, 0].var() == pytest.approx(202 * 2 / 9, rel=0.1)
    assert (many >= few).all()
    assert (lots >= many).all()
    assert split([[0, 0]]).tolist() == [[0, 0]]


def test_uses_shared_by_sizes_do_not_depend_on_how_many_scenarios_are_drawn_at_once(monkeypatch):
    """A part of the scenarios at a time, for memory, gives what all of them at once give; so do moments apart."""
    role = SharedRole("gloves", ("s", "m", "l"), (0.25, 0.5, 0.25), {0: 2})
    attempts = np.random.default_rng(2).integers(0, 90, (2, 50, 1)).cumsum(axis=0)
    at_once = split_uses(role, attempts, 3, "plan")
    assert (at_once.sum(axis=0) == 2 * attempts[..., 0]).all()
    assert (at_once[:, 0] == split_uses(role, attempts[:1], 3, "plan")[:, 0]).all()
    monkeypatch.setattr(demand_shared_roles, "_AT_ONCE", 7)
    assert (split_uses(role, attempts, 3, "plan") == at_once).all()


def test_every_item_of_a_shared_role_has_its_share_of_the_pool():
    """A quarter, a half and a quarter of its uses, to one; each place of the pool once."""
    pool = demand_shared_roles._pool((0.25, 0.5, 0.25), 5)
    whole = pool[:, -1].sum(axis=1)
    uses = pool.shape[2] * (pool.shape[1] - 1)
    assert whole.tolist() == [uses / 4, 3 * uses / 4]
    assert (pool[:, 0] == 0).all()
    assert (np.diff(pool.astype(int), axis=1) <= 1).all()


def test_an_interval_told_day_by_day_ends_with_what_it_used_and_who_is_there(small_unit):
    """Three and a half days are four moments. Use only grows, and ends as it does untold; a kit comes with its mask."""
    tables = attempt_tables(small_unit)
    choice = fill_roles(small_unit, tables)
    told = draw_demand(small_unit, choice, 3.5, 400, 3, "plan", tables, by_day=True)
    path = told.path
    assert path.units.shape == (400, 4, len(small_unit.items))
    assert (path.units[:, -1] == told.units).all()
    assert (told.units == draw_demand(small_unit, choice, 3.5, 400, 3, "plan", tables).units).all()
    assert (np.diff(path.units, axis=1) >= 0).all()
    masks = [list(told.items).index(m) for m in ("mask-42", "mask-60")]
    came = path.units[:, :, masks].sum(axis=2)
    assert came.mean(axis=0) == pytest.approx(9 / 6 * np.array([1, 2, 3, 3.5]), rel=0.15), "nine in six days"
    assert path.kits.shape == (400, 4, 3)
    assert (path.kits.sum(axis=2) <= came).all(), "no more in use than came"
    assert path.kits.mean() == pytest.approx(0.0, abs=0.15)
    assert path.kits.std(axis=0).sum(axis=1).tolist() == sorted(path.kits.std(axis=0).sum(axis=1).tolist())


def test_days_are_drawn_once_and_each_part_of_them_is_what_the_demand_of_its_own_would_be(small_unit):
    """A lead time of two and a half days; a week; an interval; and one more day, all of the same airways."""
    small_unit = replace(small_unit, stock=replace(small_unit.stock, lead_days=2.5))
    choice, interval = fill_roles(small_unit), small_unit.stock.protection_interval_days
    days = draw_days(small_unit, choice, 3)
    assert draw_days(small_unit, choice, 3) is days, "kept for the next who asks"
    last = math.ceil(interval) + 1
    assert days.moments == tuple(sorted({*range(1, last + 1), 2.5, interval}))
    assert draw_days(small_unit, choice, 3, 14).moments[-1] == 14
    whole = draw_demand(small_unit, choice, float(last), scenarios.DAYS_SCENARIOS, 3, "days", by_day=True)
    used = days.units(choice, [1, 2.5, 7, last])
    assert (used[3] == whole.units).all()
    assert (used[0] == whole.path.units[:, 0]).all()
    assert (used[2] == whole.path.units[:, 6]).all()
    assert (days.attempts(last) == whole.re_secures).all()
    assert ((used[1] >= whole.path.units[:, 1]) & (used[1] <= whole.path.units[:, 2])).all(), "between two days' ends"
    masks = [list(whole.items).index(m) for m in ("mask-42", "mask-60")]
    assert (used[..., masks].sum(axis=2) == [days.arrivals(d).sum(axis=1) for d in (1, 2.5, 7, last)]).all()
    alone = draw_demand(small_unit, choice, 2.5, scenarios.DAYS_SCENARIOS, 5, "lead")
    error = alone.units.std(axis=0) / np.sqrt(alone.n_scenarios)
    assert (np.abs(used[1].mean(axis=0) - alone.units.mean(axis=0)) <= 4 * np.hypot(error, error) + 1e-9).all()
    part = replace(choice, frame=choice.frame[choice.frame["role"] == "mask"])
    assert (days.units(part, [7])[0][:, masks] == used[2][:, masks]).all()
    assert days.units(part, [7])[0].sum() == used[2][:, masks].sum(), "no other role"


def test_days_within_an_interval_are_as_busy_one_as_the_other(small_unit):
    """Where airways are alike and none is new to the unit: the first day, when few have come yet, too. Two secures on
    admission, of which a fifth fail, are made on the day of arrival."""
    unit = replace(small_unit, frequency=small_unit.frequency.assign(admission_secures=2.0, redo=0.2))
    days = draw_days(unit, fill_roles(unit), 3)
    whole = [d for d in days.moments if d == int(d)]
    so_far = np.array([days.attempts(d).sum(axis=1) for d in whole])
    each = np.diff(so_far, axis=0, prepend=0)
    error = each.std(axis=1) / np.sqrt(each.shape[1])
    assert (np.abs(each.mean(axis=1) - each.mean()) <= 0.02 * each.mean() + 4 * error).all()
    for d in whole:
        assert (days.attempts(d) >= 2 * days.arrivals(d)).all()


def test_arrivals_are_those_of_the_demand_that_is_drawn(small_unit):
    tables = attempt_tables(small_unit)
    demand = draw_demand(small_unit, fill_roles(small_unit, tables), 9.0, 500, 3, "plan", tables)
    came = arrivals_by_stratum(small_unit, 9.0, 500, 3, "plan")
    assert came.shape == (500, 3)
    assert came.mean(axis=0) == pytest.approx(np.array([4, 2, 3]) * 9 / 6, rel=0.15)
    masks = demand.units[:, [list(demand.items).index(m) for m in ("mask-42", "mask-60")]].sum(axis=1)
    assert (masks == came.sum(axis=1)).all(), "a mask for each that comes, and none for who was there"
    seen = posterior.fit_posterior(small_unit).of_stream("plan")
    given = intervals(small_unit, 9.0, 500, 3, "plan", seen).episodes()
    again = used_by(small_unit, fill_roles(small_unit, tables), given, tables, seen, 3, "plan")
    assert (again == demand.units).all()
    assert (demand.days, demand.seed, demand.stream, demand.path) == (9.0, 3, "plan", None)
    assert demand.mean_by_draw.shape == (DRAWS // 2, len(demand.items))
    told = draw_demand(small_unit, fill_roles(small_unit, tables), 9.0, 50, 3, "plan", tables, by_day=True, means=False)
    assert (told.path.units.shape[1], told.mean_by_draw.size) == (9, 0)


# -- what was known and what busy weeks reach -----------------------------------------------------------------------


@pytest.mark.parametrize(("beds", "may"), [(47, True), (49, False)])
def test_busy_weeks_bring_more_airways_and_beds_may_fill_earlier(beds, may):
    """Sixteen airways, weeks of variance 0.1923: four deviations over it are 16 + 4 sqrt(16 + 0.1923 x 256) = 48.3."""
    from kitplan.demand.beds import may_fill

    law = SimpleNamespace(arrivals=np.array([[1.0, 1.0]]), mean_stays=np.array([[8.0, 8.0]]), swing=np.zeros((1, 2)),
                          burst=np.array([0.1923]))
    assert may_fill(law, beds) is may


def test_the_known_law_has_the_mean_chance_of_all_draws_beyond_its_last_edge_too():
    """Two draws with a half and a quarter a day after day 5; at two of their mean stays beyond it."""
    from kitplan.demand.stays import StayLaw

    law = StayLaw(np.array([0.0, 5.0]), np.array([[0.1, 0.5], [0.2, 0.25]]))
    one = np.zeros(1, dtype=np.int64)
    for day in (5.0, 5.0 + 2 / 0.375):
        mean = law.survival(np.arange(2), np.full(2, day)).mean()
        assert law.known().survival(one, np.array([day])) == pytest.approx([mean])


def test_a_list_that_begins_late_is_as_long_as_what_it_holds(unit_maker, monkeypatch):
    """From day 90 to day 450 of its census: 360 days, which tell of the year."""
    asked = []
    monkeypatch.setattr(posterior, "season_of", lambda unit, begin, span: asked.append((begin, span)) or season_of(
        unit, begin, span))
    rows = [(f"a{d}", 0, d + 0.25, d + 3.25) for d in range(90, 440)]
    found = fit_posterior(unit_maker(stays_of(rows, days=450)))
    assert asked == [(90.0, 360.0)]
    assert found.swing_told


def test_re_secures_of_who_is_there_all_the_time_lie_evenly_in_the_days(small_unit, frequency_maker):
    """Stays without end and a hazard of 0.1 a check: on each of four days a quarter, of about 400 x 9 x 1.6."""
    constant = frequency_maker(3, loosening_scale_hours=np.inf, soiled_per_day=0.4, skin_per_day=0, moved_per_day=0,
                               airway_spread=0, redo=0)
    unit = replace(small_unit, frequency=constant)
    tables = attempt_tables(unit)
    stay = known(unit, arrivals=np.zeros((DRAWS, 3)), fixed=np.array([4, 2, 3]))
    told = draw_demand(unit, fill_roles(unit, tables), 4.0, 400, 3, "plan", tables, stay.of_stream("plan"), by_day=True)
    wipes = np.diff(told.path.units[:, :, list(told.items).index("wipe-prep")], axis=1, prepend=0).sum(axis=0)
    assert wipes / wipes.sum() == pytest.approx([0.25] * 4, abs=0.02)
