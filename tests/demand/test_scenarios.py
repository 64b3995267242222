"""Occupancy and demand: the unit that the scenarios play is the unit that the census shows."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kitplan.demand.intervals import intervals
from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.occupancy import arrivals_per_day, mean_airways, stay_checks_pmf
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.scenarios import draw_demand, with_other_items
from kitplan.demand.use import expected_use, steady_pace
from kitplan.read.unit import load_unit
from kitplan.read.values import Census, Doubt
from kitplan.resources import sample_units
from tests.conftest import known

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})
DAY = date(2025, 1, 1)


def stays_census(seed=3, days=300, per_day=1.2, mean_stay=5.0):
    rng = np.random.default_rng(seed)
    n = rng.poisson(per_day * days)
    start = np.sort(rng.uniform(0, days, n))
    end = start + rng.exponential(mean_stay, n)
    rows = pd.DataFrame(
        {
            "airway": [f"A{i:04d}" for i in range(n)],
            "stratum": rng.integers(0, 3, n),
            "start": start,
            "end": np.where(end < days, end, np.nan),
        }
    )
    return Census("stays", rows, DAY, DAY + timedelta(days=days - 1), None, 1.0, NOBODY)


def counts_census(mean_stay=None, unknown=()):
    rng = np.random.default_rng(5)
    counts = rng.poisson(3, (200, 3))
    rows = [(d, g, counts[d, g]) for d in range(200) for g in range(3) if d not in unknown]
    frame = pd.DataFrame(rows, columns=["day", "stratum", "airways"])
    return Census(
        "counts", frame, DAY, DAY + timedelta(days=199), mean_stay, 1.0, NOBODY, tuple(unknown)
    ), counts


def test_airways_that_stay_for_good_are_there_since_days_of_their_own(unit_maker):
    """Where every check renews, those who came on one day all begin their rolls on one day, and an interval opens three
    rolls each or two, never the 2.5 of the long run. What is begun is spread evenly over 45 uses (chi-square).
    """
    census, _ = counts_census()
    unit = unit_maker(census)
    episodes = intervals(unit, 9, 2000, 1, "t", fit_posterior(unit)).episodes()
    assert not episodes.fresh.any()
    assert episodes.prior_checks.min() >= 400 * unit.checks_per_day
    assert stats.chisquare(np.bincount(episodes.prior_checks % 45, minlength=45)).pvalue > 0.001


def test_a_snapshot_with_turnover_is_stationary_with_its_own_mean(unit_maker):
    unit = unit_maker()
    episodes = intervals(unit, 9, 4000, 1, "t", known(unit)).episodes()
    present = np.bincount(episodes.scenario[~episodes.fresh], minlength=4000)
    assert present.mean() == pytest.approx(9, abs=0.2)
    assert present.var() == pytest.approx(9, rel=0.1)
    fresh = episodes.fresh.sum() / 4000
    assert fresh == pytest.approx(9 / 6 * 9, rel=0.03)


def test_presence_of_a_snapshot_keeps_its_mean_through_the_interval(unit_maker):
    """Little's law: airway-checks in the interval = mean airways x checks."""
    unit = unit_maker()
    episodes = intervals(unit, 9, 8000, 1, "t", known(unit)).episodes()
    assert episodes.checks.sum() / 8000 == pytest.approx(9 * 36, rel=0.02)


def test_one_days_count_leaves_the_mean_open(unit_maker):
    """Nine airways on one day could come from a mean of 5 or of 15: the number in place varies by more than Poisson.

    A gamma posterior of shape n over a Poisson count is negative binomial: the mean is n, the variance 2 n, and more
    with bursts."""
    unit = unit_maker()
    fitted = fit_posterior(unit)
    assert fitted.mean_airways.sum() == pytest.approx(9, abs=0.1)
    episodes = intervals(unit, 9, 4000, 1, "t").episodes()
    present = np.bincount(episodes.scenario[~episodes.fresh], minlength=4000)
    assert present.var() > 1.8 * present.mean()


def test_a_snapshot_without_turnover_stays_put(unit_maker):
    census = Census(
        "snapshot", pd.DataFrame({"stratum": [0, 1], "airways": [4, 2]}), None, None, None, 1.0, NOBODY
    )
    episodes = intervals(unit_maker(census=census), 9, 50, 1, "t").episodes()
    assert len(episodes.scenario) == 6 * 50
    assert (episodes.checks == 36).all()
    assert not episodes.fresh.any()


def test_stays_are_resampled_in_whole_windows(unit_maker):
    census = stays_census()
    unit = unit_maker(census=census)
    episodes = intervals(unit, 9, 5000, 1, "t").episodes()
    rows = census.rows
    inside = np.clip(rows["end"].fillna(300), 50, None) - np.clip(rows["start"], 50, None)
    airway_days = episodes.checks.sum() / 4 / 5000
    assert airway_days == pytest.approx(9 * inside.sum() / 250, rel=0.08)
    assert episodes.fresh.sum() / 5000 == pytest.approx(9 * 1.2, rel=0.12)


def test_counts_give_back_their_mean_and_their_unknown_days_are_never_played(unit_maker):
    census, counts = counts_census(unknown=tuple(range(60, 160)))
    unit = unit_maker(census=census)
    known = np.r_[0:60, 160:200]
    np.testing.assert_allclose(mean_airways(unit), counts[known].mean(axis=0))
    episodes = intervals(unit, 9, 3000, 1, "t").episodes()
    assert episodes.checks.sum() / 3000 / 36 == pytest.approx(counts[known].sum(axis=1).mean(), rel=0.05)


def test_hidden_turnover_brings_arrivals_up_to_the_mean_stay(unit_maker):
    rows = pd.DataFrame([(d, 0, 5) for d in range(100)], columns=["day", "stratum", "airways"])
    still = Census("counts", rows, DAY, DAY + timedelta(days=99), None, 1.0, NOBODY)
    moving = Census("counts", rows, DAY, DAY + timedelta(days=99), 5.0, 1.0, NOBODY)
    assert arrivals_per_day(unit_maker(census=still)).sum() == 0
    assert arrivals_per_day(unit_maker(census=moving)).sum() == pytest.approx(1.0, rel=0.15)


@pytest.mark.parametrize(("mean_stay", "n_days"), [(6.0, 300), (2.0, 300), (0.5, 100)])
def test_daily_counts_of_a_simulated_unit_bring_its_arrivals_and_its_airways(unit_maker, mean_stay, n_days):
    """A true unit (Poisson arrivals, log-normal stays) is counted at midnight; the counts must give it back."""
    rng = np.random.default_rng(7)
    rows = []
    for stratum, mean in enumerate((4, 2, 3)):
        start = rng.uniform(-100, n_days, rng.poisson(mean / mean_stay * (n_days + 100)))
        end = start + rng.lognormal(np.log(mean_stay) - 0.5, 1.0, len(start))
        rows += [(d, stratum, int(((start <= d) & (end > d)).sum())) for d in range(n_days)]
    frame = pd.DataFrame(rows, columns=["day", "stratum", "airways"])
    unit = unit_maker(
        census=Census("counts", frame, DAY, DAY + timedelta(days=n_days - 1), mean_stay, 1.0, NOBODY)
    )
    episodes = intervals(unit, 9, 3000, 1, "t").episodes()
    means = mean_airways(unit)
    assert episodes.checks.sum() / 3000 / 36 == pytest.approx(means.sum(), rel=0.03)
    arrivals = np.bincount(episodes.stratum[episodes.fresh], minlength=3) / 3000 / 9
    assert arrivals.sum() == pytest.approx(means.sum() / mean_stay, rel=0.06)
    assert arrivals_per_day(unit).sum() == pytest.approx(means.sum() / mean_stay, rel=0.06)


@pytest.mark.parametrize("unknown", [(), (6, 7), (0, 1)])
def test_nobody_arrives_because_counting_begins_or_begins_again(unit_maker, unknown):
    """Five airways every day and no turnover: the first day and the day after a gap bring no arrivals."""
    rows = pd.DataFrame([(d, 0, 5) for d in range(17) if d not in unknown], columns=["day", "stratum", "airways"])
    census = Census("counts", rows, DAY, DAY + timedelta(days=16), None, 1.0, NOBODY, tuple(unknown))
    episodes = intervals(unit_maker(census=census), 9, 500, 1, "t").episodes()
    assert not episodes.fresh.any()
    assert (episodes.checks == 36).all()
    assert len(episodes.checks) == 5 * 500


def test_counts_of_nobody_bring_nobody(unit_maker):
    rows = pd.DataFrame([(d, 0, 0) for d in range(30)], columns=["day", "stratum", "airways"])
    census = Census("counts", rows, DAY, DAY + timedelta(days=29), 5.0, 1.0, NOBODY)
    assert len(intervals(unit_maker(census=census), 9, 50, 1, "t").episodes().checks) == 0


def test_expected_strata_arrive_although_the_census_has_no_row(unit_maker):
    expected = pd.DataFrame({"stratum": [2], "mean_airways": [1.5]})
    census = Census(
        "snapshot", pd.DataFrame({"stratum": [0], "airways": [4]}), None, None, 6.0, 1.0, expected
    )
    unit = unit_maker(census=census)
    np.testing.assert_allclose(mean_airways(unit), [4, 0, 1.5])
    episodes = intervals(unit, 9, 4000, 1, "t").episodes()
    here = (episodes.stratum == 2) & ~episodes.fresh
    assert here.sum() / 4000 == pytest.approx(1.5, rel=0.08)


@pytest.mark.parametrize("kind", ["snapshot", "stays", "counts"])
def test_the_mean_of_the_scenarios_is_the_flow_balance(unit_maker, kind):
    """Scenarios (resampling, exact counts, inversion) against rates x airway-days + arrivals: two roads, one mean."""
    census = {"snapshot": None, "stays": stays_census(days=900), "counts": counts_census(mean_stay=1.5)[0]}[kind]
    unit = unit_maker(census=census)
    tables = attempt_tables(unit)
    item_choice = fill_roles(unit, tables)
    demand = draw_demand(unit, item_choice, 9, 12000, 1, "t", tables)
    want = expected_use(unit, item_choice, 9, tables)
    spread = demand.units.std(axis=0) / np.sqrt(12000)
    slack = 4 * spread + (0.01 if kind == "snapshot" else 0.04) * want + 0.02
    assert (np.abs(demand.units.mean(axis=0) - want) < slack).all()


NO_SWING = Doubt(swing=(0.0, 1))


def with_one_more(unit_maker, kind, doubt):
    """Demand drawn from a census, and from the same with an airway (a stay) of one kind more."""
    if kind == "snapshot":
        rows = [pd.DataFrame({"stratum": [0, 1, 2], "airways": [n, 2, 3]}) for n in (4, 5)]
        both = [Census("snapshot", own, None, None, 6.0, 1.0, NOBODY) for own in rows]
    else:
        census = stays_census()
        extra = pd.DataFrame({"airway": ["EXTRA"], "stratum": [0], "start": [150.3], "end": [156.9]})
        both = [census, replace(census, rows=pd.concat([census.rows, extra], ignore_index=True))]
    units = [replace(unit_maker(census=census), doubt=doubt) for census in both]
    item_choice = fill_roles(units[0])
    return [draw_demand(unit, item_choice, 9, 3000, 1, "t") for unit in units]


def test_one_more_airway_never_lowers_any_demand_where_the_swing_is_known(unit_maker):
    less, more = with_one_more(unit_maker, "snapshot", NO_SWING)
    assert (more.units >= less.units).all()
    assert more.units.sum() > less.units.sum()


@pytest.mark.parametrize(("kind", "doubt"), [("snapshot", Doubt()), ("stays", Doubt()), ("stays", NO_SWING)])
def test_one_more_teaches_of_swing_and_bursts_too_and_moves_other_kinds_by_a_hair(unit_maker, kind, doubt):
    """What is believed of swing and bursts follows the count; it is shared by all kinds."""
    less, more = (d.re_secures.sum(axis=0) for d in with_one_more(unit_maker, kind, doubt))
    assert more[0] > less[0]
    assert (more >= 0.995 * less).all()


def test_items_move_together(small_unit):
    demand = draw_demand(small_unit, fill_roles(small_unit), 9, 3000, 1, "t")
    wipe, saline = (demand.items.index(i) for i in ("wipe-prep", "saline-5"))
    np.testing.assert_array_equal(demand.units[:, wipe], 2 * demand.units[:, saline])


def test_shared_items_add_up_to_the_role(small_unit):
    demand = draw_demand(small_unit, fill_roles(small_unit), 9, 3000, 1, "t")
    gloves = [demand.items.index(i) for i in ("gloves-small", "gloves-medium")]
    uses = demand.re_secures.sum(axis=1) * 2
    np.testing.assert_array_equal(demand.units[:, gloves].sum(axis=1), uses)
    assert demand.units[:, gloves[0]].sum() / uses.sum() == pytest.approx(0.5, abs=0.01)


def test_same_seed_same_draws_other_seed_other_draws(small_unit):
    item_choice = fill_roles(small_unit)
    one, two, three = (draw_demand(small_unit, item_choice, 9, 500, s, "t").units for s in (1, 1, 2))
    np.testing.assert_array_equal(one, two)
    assert (one != three).any()


@pytest.mark.parametrize(("per_item", "length"), [(8, 11), (8, 60), (20, 50), (3, 4), (1, 5)])
def test_the_steady_pace_of_opening_is_one_item_for_every_re_secure_it_serves(per_item, length):
    table = np.ceil(np.arange(length + 1) / per_item).astype(np.int64)
    assert steady_pace(table) == pytest.approx(1 / per_item)


def test_looking_more_often_does_not_change_which_tape_is_the_cheapest(unit_maker, frequency_maker):
    """Frequency in hours and days, the same at any number of checks: stays are counted in days, not in checks."""
    chosen = {
        checks: fill_roles(unit_maker(checks_per_day=checks)).frame.query("role == 'tape'")["item"].tolist()
        for checks in (4, 8, 24)
    }
    assert chosen[4] == chosen[8] == chosen[24]


def test_checks_before_and_after_the_interval_begins_add_up_to_the_stay(unit_maker):
    """Stays as seen on a given day last E[X^2]/E[X] on average, half of it before (renewal theory)."""
    rows = pd.DataFrame({"stratum": [0], "airways": [30]})
    census = Census("snapshot", rows, None, None, 3.0, 0.5, NOBODY)
    episodes = intervals(unit_maker(census=census), 60, 2000, 1, "t").episodes()
    old = ~episodes.fresh
    whole = episodes.checks[old].astype(float) + episodes.prior_checks[old]
    assert whole.mean() == pytest.approx(4 * 3.0 * np.exp(0.25), rel=0.01)


def test_a_longer_roll_is_not_chosen_when_the_rest_is_thrown_away(small_unit):
    chosen = fill_roles(small_unit).frame.query("role == 'tape'")["item"].unique().tolist()
    assert chosen == ["tape-25-short"]


def test_what_is_not_to_be_had_is_replaced_where_something_else_fits(unit_maker, small_unit):
    from dataclasses import replace

    stock = replace(small_unit.stock, unavailable=("saline-5", "bag-450"))
    frame = fill_roles(unit_maker(stock=stock)).frame
    assert set(frame.query("role == 'saline'")["item"]) == {"saline-10"}
    assert set(frame.query("role == 'bag'")["item"]) == {"bag-450"}


def test_the_unit_may_prefer_an_item(unit_maker):
    frame = fill_roles(unit_maker(prefer={"saline": "saline-10"})).frame
    assert set(frame.query("role == 'saline'")["item"]) == {"saline-10"}


def test_the_log_normal_stay_has_its_quartiles(unit_maker):
    """Median 4.6 days, quartiles 2 and 16 days (infants under 33 weeks): mu = ln 4.6 = 1.526 and, from both
    quartiles, sigma = ln(16 / 2) / (2 z_.75) = 1.541 (recomputed; the three quartiles are not exactly log-normal,
    the upper one alone would give 1.848). The stay distribution must agree with scipy's log-normal."""
    mu, sigma = np.log(4.6), np.log(16 / 2) / (2 * stats.norm.ppf(0.75))
    assert (mu, sigma) == (pytest.approx(1.526, abs=5e-4), pytest.approx(1.541, abs=7e-4))
    mean = np.exp(mu + sigma**2 / 2)
    census = Census(
        "snapshot", pd.DataFrame({"stratum": [0], "airways": [4]}), None, None, mean, sigma, NOBODY
    )
    below = np.cumsum(stay_checks_pmf(unit_maker(census=census), 0)[:400])
    days = (np.arange(400) + 1) / 4
    law = stats.lognorm(sigma, scale=4.6)
    halfway = days - 1 / 8  # a stay of x checks holds floor(x) of them, or one more, as the moment of arrival has it
    np.testing.assert_allclose(below, law.cdf(halfway), atol=4e-3)


def test_own_stays_are_counted_with_open_ends_as_censored(unit_maker):
    rows = pd.DataFrame(
        {
            "airway": [f"A{i}" for i in range(40)],
            "stratum": 0,
            "start": 0.0,
            "end": [5.0] * 20 + [np.nan] * 20,
        }
    )
    unit = unit_maker(census=Census("stays", rows, DAY, DAY + timedelta(days=9), None, 1.0, NOBODY))
    pmf = stay_checks_pmf(unit, 0)
    assert pmf[20] == pytest.approx(0.5)
    assert pmf[21:40].sum() == pytest.approx(0.0, abs=1e-12)
    assert pmf[40:].sum() == pytest.approx(0.5)


@pytest.fixture(scope="module")
def without():
    """A sample unit, and the same unit that cannot have some items."""
    unit = load_unit(sample_units()["harbour_wing"])

    def units(*names):
        free = replace(unit, prefer={})
        return free, replace(free, stock=replace(free.stock, unavailable=names))

    return units


def test_other_items_for_the_same_intervals_are_what_would_be_drawn(without):
    """Gloves of other sizes and another way to hold saline: exact, for they hang on the attempts alone."""
    unit, other = without("gloves_xs", "gloves_xl", "saline_5ml")
    tables = attempt_tables(unit)
    before, after = fill_roles(unit, tables), fill_roles(other, tables)
    assert set(before.frame["item"]) != set(after.frame["item"])
    drawn = draw_demand(unit, before, 9.0, 400, 5, "verify", tables)
    swapped = with_other_items(other, drawn, before, after, tables)
    anew = draw_demand(other, after, 9.0, 400, 5, "verify", tables)
    np.testing.assert_array_equal(swapped.units, anew.units)
    np.testing.assert_allclose(swapped.mean_by_draw, anew.mean_by_draw)


def test_another_roll_of_tape_has_to_be_drawn_anew(without):
    unit, other = without("tape_25mm_457cm")
    tables = attempt_tables(unit)
    before, after = fill_roles(unit, tables), fill_roles(other, tables)
    drawn = draw_demand(unit, before, 9.0, 100, 5, "verify", tables)
    assert with_other_items(other, drawn, before, after, tables) is None
