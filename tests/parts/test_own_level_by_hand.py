"""Months ahead on the unit's own level, and what is said of them, on a few draws reckoned by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.posterior import Posterior
from kitplan.demand.stays import StayLaw
from kitplan.parts.forecast.fitted import (
    _at_mean,
    _between_months,
    _by_month,
    _joined,
    _law_and_bursts,
    _root,
    month_law,
)
from kitplan.parts.forecast.months import MonthlyCensus
from kitplan.parts.forecast.months_ahead import (
    _about,
    _bands,
    _history,
    _item_year,
    _lengths,
    _sentences,
    _use_frame,
)
from kitplan.parts.forecast.own_use import (
    Sampled,
    _beside_recipe,
    _cancelling,
    _made_good,
    _ratios,
    _said,
    _spread,
    on_own_level,
)
from kitplan.parts.forecast.paths import Paths

ITEMS = pd.DataFrame({"item": ["a", "b", "c"], "role": ["r", "s", "t"], "description": ["A", "", "C"],
                      "pack": [2.0, 5.0, 1.0]})
UNIT = SimpleNamespace(items=ITEMS, currency="USD", n_strata=1)


def sampled(use, first, price=1.0, airway_days=200.0):
    """use: (draws, months, items)."""
    use = np.array(use, dtype=float)
    draws, months, items = use.shape
    names = tuple(str(m) for m in pd.period_range("2025-01", periods=months, freq="M"))
    days = np.full((draws, months, 1), airway_days)
    return Sampled(names, first, np.full(months, 30.0), days, days, days, use, np.full((months, items), price))


def issued(units_by_month, item="a"):
    return pd.DataFrame([(pd.Period(m, "M"), item, float(u)) for m, u in units_by_month.items()],
                        columns=["month", "item", "units"])


# -- the level ------------------------------------------------------------------------------------------------------


def test_money_is_use_at_the_prices_of_its_month_and_months_ahead_are_taken_alone():
    made = Sampled(("p", "q", "r"), 1, np.array([31.0, 28, 31]), *(np.arange(6.0).reshape(2, 3, 1) for _ in range(3)),
                   np.arange(12.0).reshape(2, 3, 2), np.array([[1.0, 10.0], [2.0, 0.0], [0.0, 3.0]]))
    assert made.money().tolist() == [[10.0, 4.0, 15.0], [76.0, 16.0, 33.0]]
    ahead = made.ahead(1)
    assert (ahead.names, ahead.first, ahead.days.tolist()) == (("q",), 0, [28.0])
    assert ahead.use.tolist() == [[[2.0, 3.0]], [[8.0, 9.0]]]
    assert ahead.airway_days.ravel().tolist() == [1.0, 4.0]
    assert ahead.price.tolist() == [[2.0, 0.0]]


def test_an_items_own_ratio_is_drawn_to_the_units_and_a_role_without_issues_keeps_its_recipe():
    """Issued 300 and 0 of roles r and s, none of t; explained 100, 100 and 100 at 1, 3 and 9 money: of what was issued
    300 over 100; an item of s is not told, for nothing of its role was issued.
    """
    ratio, level, silent = _ratios(UNIT, np.array([300.0, 0.0, 0.0]), np.full(3, 100.0), np.array([1.0, 3.0, 9.0]))
    assert (level, silent.tolist()) == (3.0, [False, True, True])
    assert ratio.tolist() == [3.0, 1.0, 1.0]
    both, level, _ = _ratios(UNIT, np.array([300.0, 100.0, 0.0]), np.full(3, 100.0), np.array([1.0, 3.0, 9.0]))
    assert level == pytest.approx(600 / 400)
    assert both == pytest.approx([375 / 150, 175 / 150, 1.0]), "fifty units at the unit's own ratio on both sides"
    returned, level, _ = _ratios(UNIT, np.array([-900.0, 1000.0, 0.0]), np.full(3, 100.0), np.ones(3))
    assert returned[0] == 1.0, "returns alone are no issues"
    assert level == pytest.approx(10.0)
    free = _ratios(UNIT, np.array([300.0, 100.0, 0.0]), np.full(3, 100.0), np.zeros(3))
    assert np.isnan(free[1]), "what costs nothing tells no level of money"
    nothing = _ratios(UNIT, np.zeros(3), np.full(3, 100.0), np.ones(3))
    assert np.isnan(nothing[1])


def test_doubt_that_past_and_future_share_is_taken_out_draw_by_draw():
    assert _cancelling(np.array([50.0, 100.0, 150.0])).tolist() == [2.0, 1.0, pytest.approx(2 / 3)]
    assert _cancelling(np.array([0.0, 0.5])) == pytest.approx([0.25 / 2.5e-10, 0.5])


def test_months_differ_from_what_is_explained_by_so_much_beyond_chance():
    """Issued 90, 100 and 110 where 100 were drawn each time: the deviation of their logarithms. Draws that vary by a
    tenth of their own explain a hundredth of the variance; nothing issued counts as a twentieth.
    """
    drawn = np.full((50, 3), 100.0)
    logs = np.log([0.9, 1.0, 1.1])
    assert _spread(np.array([90.0, 100.0, 110.0]), drawn, np.ones(50)) == pytest.approx(logs.std(ddof=1))
    rough = 100 * (1 + 0.05 * np.where(np.arange(50) % 2, 1, -1))[:, None] * np.ones((1, 3))
    assert _spread(np.array([90.0, 100.0, 110.0]), rough, np.ones(50)) == pytest.approx(
        np.sqrt(logs.var(ddof=1) - 0.0025))
    assert _spread(np.array([90.0, 100.0, 110.0]), rough, 100 / rough[:, 0]) == pytest.approx(logs.std(ddof=1))
    assert _spread(np.full(3, 100.0), rough, np.ones(50)) == 0.0
    none = np.log([0.05, 1.0, 1.0])
    assert _spread(np.array([0.0, 100.0, 100.0]), drawn, np.ones(50)) == pytest.approx(none.std(ddof=1))


def test_items_of_no_recipe_go_on_by_the_airway_day_and_returns_are_none():
    """30, 60 and - 5 in two months of 200 airway-days each; the first is in a recipe."""
    made = sampled([[[1.0, 0.0, 0.0]] * 3], 2)
    found = _beside_recipe(np.array([[10.0, 20.0, -5.0], [20.0, 40.0, 0.0]]), made.use[:, :2], made, [0, 1])
    assert found == pytest.approx([0.0, 60 / 400, 0.0])


def test_a_month_ahead_into_which_more_days_of_issue_fall_is_larger():
    made = sampled(np.ones((4, 3, 1)), 1)
    asked = []
    days = SimpleNamespace(ahead=lambda *given: asked.append(given[:3]) or np.array([[1.2, 0.8]] * 4))
    rng = np.random.default_rng(1)
    assert _made_good(made, days, rng).tolist() == [[1.0, 1.2, 0.8]] * 4
    assert asked == [(pd.Period("2025-02", "M").ordinal, 2, 4)]
    assert (_made_good(made, None, rng) == 1).all()


def test_of_past_months_the_last_twelve_that_are_known_and_issued_tell_the_level():
    """Fourteen months; ten times as much in the first two, which do not count; one later month is not known."""
    made = sampled(np.full((20, 16, 3), 100.0), 14)
    months = {m: 1000 if k < 2 else 200 for k, m in enumerate(made.names[:14])}
    known = frozenset(made.names[:14])
    moved, said = on_own_level(UNIT, made, issued(months), known, np.random.default_rng(1))
    assert said[0].startswith("Issues of 12 past months come to 200 % of")
    assert moved.use[:, 14, 0] == pytest.approx(np.full(20, 200.0), rel=1e-6)
    _, said = on_own_level(UNIT, made, issued(months), known - {made.names[13]}, np.random.default_rng(1))
    assert said[0].startswith("Issues of 12 past months come to 267 % of"), "then one of the first two does"
    ahead_only, said = on_own_level(UNIT, made, issued(dict.fromkeys(made.names[14:], 200)), frozenset(made.names),
                                    np.random.default_rng(1))
    assert (ahead_only is made, said) == (True, ()), "months ahead are no past"


def test_own_months_vary_as_past_ones_did_and_their_mean_stays():
    """Issued 80 and 125 in turn where 100 were drawn: each month ahead lies as far off, by a log-normal of mean one."""
    made = sampled(np.full((40_000, 14, 3), 100.0), 12)
    months = {m: 80 if k % 2 else 125 for k, m in enumerate(made.names[:12])}
    moved, _ = on_own_level(UNIT, made, issued(months), frozenset(made.names), np.random.default_rng(1))
    spread = np.log([80.0, 125.0] * 6).std(ddof=1)
    first, second = moved.use[:, 12, 0], moved.use[:, 13, 0]
    common = spread / np.sqrt(12)
    assert first.mean() == pytest.approx(102.5 * np.exp(common**2 / 2), rel=0.01)
    assert np.log(first).std() == pytest.approx(np.hypot(spread, common), rel=0.02)
    assert np.corrcoef(np.log(first), np.log(second))[0, 1] == pytest.approx(1 / 13, abs=0.02), "the level is common"


@pytest.mark.parametrize(("gap", "said"), [(5.0, True), (4.9, False), (7.4, True)])
def test_days_of_issue_are_spoken_of_from_five_days_apart(gap, said):
    lines = _said(UNIT, 1.0, 6, SimpleNamespace(usual_gap=gap), np.zeros(3), "2026-04 to 2027-03")
    assert any(f"Issues go out about every {gap:.0f} days" in line for line in lines) is said
    assert len(lines) == 1 + said


def test_items_never_issued_are_named_dearest_first_three_at_the_most_with_their_money():
    many = SimpleNamespace(items=pd.DataFrame({"item": list("abcde"), "description": ["A", "B", "C", "D", "E"]}),
                           currency="USD")
    lines = _said(many, 1.0, 6, None, np.array([1.0, 2.0, 3.0, 4.0, 0.0]), "2026-04 to 2027-03")
    assert lines[-1].startswith("Never issued, and taken as the recipe says: D; C; B and 1 more: 10 USD of what is "
                                "expected for 2026-04 to 2027-03.")
    three = _said(many, 1.0, 6, None, np.array([1.0, 2.0, 0.0, 4.0, 0.0]), "2026-04 to 2027-03")
    assert "says: D; B; A: 7 USD" in three[-1]


@pytest.mark.parametrize(("level", "far"), [(0.5, False), (0.49, True), (2.0, False), (2.01, True)])
def test_a_level_under_half_or_over_twice_is_called_far_off(level, far):
    lines = _said(UNIT, level, 6, None, np.zeros(3), "2026-04 to 2027-03")
    assert any(line.startswith("That is far off") for line in lines) is far
    assert f"come to {100 * level:.0f} % of what" in lines[0]


# -- tables and words -----------------------------------------------------------------------------------------------


def test_bands_are_the_points_of_the_draws():
    """A thousand and one draws of 0 to 1000."""
    row = _bands({"x": np.arange(1001.0)[:, None]}).iloc[0]
    assert row.to_dict() == pytest.approx({"x": 500.0, "low_x": 100.0, "high_x": 900.0, "low_95_x": 25.0,
                                           "high_95_x": 975.0})


def test_items_by_month_are_told_in_units_packs_and_money_with_whole_bands():
    """Draws of 0.5 to 100.5 of one item in packs of two at 3 money each; nobody uses the second."""
    use = np.zeros((101, 2, 3))
    use[:, 0, 0] = np.arange(101) + 0.5
    use[:, 1, 0] = 10.0
    use[:, 1, 2] = 4.0
    made = sampled(use, 0, price=3.0)
    table = _use_frame(UNIT, made).set_index(["month", "item"])
    assert len(table) == 4, "two items, two months"
    assert table.loc[("2025-01", "a")].tolist() == pytest.approx([50.5, 10.0, 91.0, 3.0, 98.0, 25.25, 151.5])
    assert table.loc[("2025-02", "c"), "value"] == 12.0
    year = _item_year(UNIT, made)
    assert year["item"].tolist() == ["a", "c"], "dearest first"
    first = year.iloc[0]
    assert first[["expected_units", "expected_packs", "value"]].tolist() == pytest.approx([60.5, 30.25, 181.5])
    assert first[["low_units", "high_units"]].tolist() == [20.0, 101.0]
    assert first[["low_value", "high_value"]].tolist() == pytest.approx([20.5 * 3, 100.5 * 3])
    assert year["share"].tolist() == pytest.approx([181.5 / 193.5, 12 / 193.5])


def test_history_is_told_month_by_month_with_its_airway_days():
    months = pd.period_range("2026-01", periods=2, freq="M")
    census = MonthlyCensus(months, np.array([31.0, 28.0]), np.array([31.0, 12.0]), np.array([True, False]),
                           np.array([[4.0, 2.0], [5.0, 0.0]]), np.zeros((2, 2)), ())
    table = _history(census)
    assert table["month"].tolist() == ["2026-01", "2026-02"]
    assert table["mean_airways"].tolist() == [6.0, 5.0]
    assert table["airway_days"].tolist() == [186.0, 140.0]
    assert table["known_days"].tolist() == [31, 12]


def test_months_are_as_long_as_the_calendar_has_them():
    assert _lengths(("2024-02", "2025-02", "2025-12")).tolist() == [29.0, 28.0, 31.0]
    assert len(_lengths(())) == 0


def test_numbers_as_uneven_as_counts_keep_their_mean():
    drawn = _about(np.full(60_000, 4.0), np.random.default_rng(1))
    assert (drawn.mean(), drawn.var()) == pytest.approx((4.0, 4.0), rel=0.03)
    assert (_about(np.zeros(5), np.random.default_rng(1)) == 0).all()


def told(before=(np.nan, ""), like=1000.0, learnt=None, items=()):
    learnt = learnt or SimpleNamespace(trend=SimpleNamespace(warns=False, sentence="rising"))
    frame = pd.DataFrame({"description": [d for d, _ in items], "share": [s for _, s in items]})
    return _sentences(UNIT, ["2026-01", "2026-12"], 1000.0, (900.0, 1100.0, 850.0, 1150.0), before, "issued", like,
                      frame, learnt)


@pytest.mark.parametrize(("before", "like", "said"), [
    ((800.0, "the year before"), 1000.0, "The year before: 800 USD (issued); the forecast is 25 % above."),
    ((1250.0, "the year before"), 1000.0, "The year before: 1,250 USD (issued); the forecast is 20 % below."),
    ((1003.0, "the year before"), 1000.0, "The year before: 1,003 USD (issued); the forecast is about as much."),
    ((1000.0, "the year before"), 900.0,
     "The year before: 1,000 USD (issued); the forecast without them is 10 % below."),
])
def test_the_money_before_is_set_against_the_forecast(before, like, said):
    assert told(before, like)[1] == said


def test_the_first_sentence_is_the_money_with_both_bands_then_what_makes_most_of_it():
    first, *rest = told()
    assert first == ("2026-01 to 2026-12: 1,000 USD of supplies; 8 times in 10 between 900 and 1,100 (80 % band), 19 "
                     "times in 20 between 850 and 1,150 (95 % band).")
    assert rest == []
    assert told(before=(0.0, "nothing")) == (first,)
    six = [(f"Item {k}", 0.15) for k in range(6)]
    assert told(items=six)[-1] == "5 items make 75 % of it: Item 0; Item 1; Item 2; Item 3; Item 4."
    warned = SimpleNamespace(trend=SimpleNamespace(warns=True, sentence="rising"))
    assert told(learnt=warned)[-1] == "rising"


def test_a_sum_of_months_has_a_band_of_its_own():
    paths = Paths(("a", "b", "c"), np.arange(3003.0).reshape(1001, 3))
    assert paths.band()[0] == 1500.0 + 1501.0 + 1502.0
    mean, *ends = paths.band(1, 1)
    assert (mean, ends) == (1501.0, pytest.approx([76.0, 301.0, 2701.0, 2926.0]))
    assert paths.band(1)[0] == 1501.0 + 1502.0


# -- the law of the months ------------------------------------------------------------------------------------------


def test_a_covariance_by_the_day_is_spread_over_the_days_of_two_months():
    """Over 30 days each: a covariance of one at every lag is one; of the same day alone 1/30 of a month with itself and
    hardly anything with another.
    """
    flat, spike = np.ones(201), np.zeros(201)
    spike[100] = 1.0
    assert _between_months(flat, np.array([0, 1, 2])) == pytest.approx([1.0, 1.0, 1.0])
    assert _between_months(spike, np.array([0, 1])) == pytest.approx([1 / 30, 0.0])
    late = np.zeros(201)
    late[130] = 1.0
    assert _between_months(late, np.array([1, -1])) == pytest.approx([1 / 30, 0.0]), "thirty days later"
    assert _between_months(flat, np.array([9, -9])) == pytest.approx([0.0, 0.0]), "beyond its ends nothing"
    week = _between_months(spike, np.array([0]), 7)
    assert week == pytest.approx([1 / 7])


def test_means_of_months_vary_less_than_days_and_one_month_hardly_with_the_next():
    """Exponential stays of 5 days: the mean of T days has the variance 2 (m/T) - 2 (m/T)^2 (1 - exp(-T/m)) of a day's
    (integral of exp(-|s - t| / m), by hand), here in whole days.
    """
    law = StayLaw(np.array([0.0]), np.full((1, 1), 0.2))
    alone, _ = _by_month(law, 3)
    r = np.exp(-np.abs(np.arange(30)[:, None] - np.arange(30)[None, :]) / 5.0).mean()
    assert alone[0] == pytest.approx(r, rel=1e-3)
    assert alone[0] > 8 * alone[1] > 8 * alone[2]
    one, _ = _by_month(law, 1, 1)
    assert one[0] == pytest.approx(1.0, rel=1e-3)


def test_a_covariance_that_rounding_left_below_nothing_is_mended():
    covariance = np.array([[1.0, 1.0], [1.0, 1.0 - 1e-12]])
    root = _root(covariance)
    assert root @ root.T == pytest.approx(covariance, abs=1e-6)
    assert _root(np.diag([4.0, 9.0])) == pytest.approx(np.diag([2.0, 3.0]), rel=1e-6)
    joined = _joined(np.eye(2), np.array([np.zeros((2, 2)), [[2.0, 1.0], [0.0, 2.0]]]))
    assert joined == pytest.approx(np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 2, 0.5], [0, 0, 0.5, 2]]))


def test_courses_are_brought_to_their_expected_mean():
    found = _at_mean(np.array([[1.0, 0.0], [3.0, 0.0]]), np.array([4.0, 5.0]))
    assert found.tolist() == [[2.0, 0.0], [6.0, 0.0]]


def test_three_bursts_stand_for_all_draws_and_where_nobody_comes_usual_ones(unit_maker):
    def fitted(arrivals):
        ones = np.ones((7, 1))
        law = StayLaw(np.zeros(1), ones / 4)
        return Posterior(arrivals * ones, np.zeros((7, 4)), np.arange(7) / 10, np.zeros(7), law, ones, ones, ones,
                         np.zeros(1))

    law, bursts = _law_and_bursts(fitted(2.0))
    assert law.mean == pytest.approx([4.0])
    assert bursts == pytest.approx([0.1, 0.3, 0.5])
    still, usual = _law_and_bursts(fitted(0.0))
    assert still.mean == pytest.approx([5.0], rel=1e-3)
    assert usual[0] == 0.0


def test_a_snapshot_has_no_law_of_months(small_unit):
    from kitplan.parts.forecast.months import monthly_census

    with pytest.raises(ValueError, match="no months"):
        month_law(small_unit, monthly_census(small_unit), 3)


def test_after_one_days_count_months_lie_about_the_airways_that_find_a_bed(unit_maker):
    """Nine airways counted, ten beds: as many come as leave nine there, and beds keep them under ten; two expected for
    their own part are no part of it.
    """
    from dataclasses import replace

    from kitplan.demand.posterior import fit_posterior
    from kitplan.parts.forecast.fitted import snapshot_paths

    expected = pd.DataFrame({"stratum": [2], "mean_airways": [2.0]})
    unit = unit_maker()
    for beds, more in ((None, expected[:0]), (10, expected[:0]), (None, expected)):
        own = replace(unit, census=replace(unit.census, expected=more), bedside=replace(unit.bedside, beds=beds))
        airways, coming = snapshot_paths(own, 4, 6000, np.random.default_rng(1))
        posterior = fit_posterior(own)
        there = ((posterior.arrivals * posterior.mean_stays).sum(axis=1) * posterior.bedded).mean()
        level = there - float(more["mean_airways"].sum()) * posterior.bedded.mean()
        assert airways.mean(axis=0) == pytest.approx(np.full(4, level), rel=0.01)
        assert coming.mean(axis=0) == pytest.approx(np.full(4, level), rel=0.01)
        assert beds is None or level < 9
        assert airways.shape == coming.shape == (6000, 4)
        assert (airways >= 0).all()


def test_prices_of_a_budget_year_are_told_as_they_are_expected_at_its_end(unit_maker):
    """A tenth dearer from 15 December; list price 11. What was paid is told up to the day to which issues are known."""
    from kitplan.parts.forecast.prices import price_book

    rise = pd.DataFrame({"date": [pd.Timestamp("2026-12-15")], "item": [""], "price": [np.nan], "percent": [10.0]})
    paid = pd.DataFrame({"date": [pd.Timestamp("2026-03-10")], "item": ["saline-5"], "units": [50.0], "price": [12.0]})
    unit = unit_maker(prices=rise, issues=paid)

    def told(known):
        found = price_book(unit).table(unit.items["description"], np.datetime64(known), np.datetime64("2026-12-31"))
        return found.set_index("item").loc["saline-5"]

    early = told("2026-01-01")
    assert early["expected_price"] == pytest.approx(13.2)
    assert np.isnan(early["last_paid"]), "not known when the year begins"
    assert told("2026-03-31")["last_paid"] == 12.0


@pytest.mark.parametrize(("ratio", "pack", "about"), [
    (0.66, 8, False), (0.67, 8, True), (1.5, 8, True), (1.51, 8, False), (4.0, 8, False), (1.0, 7, False),
])
def test_a_ratio_is_about_one_within_a_half_for_packs_that_stand_out(ratio, pack, about):
    from kitplan.parts.forecast.variance import _is_about

    assert _is_about(pd.Series([ratio]), pd.Series([pack])).tolist() == [about]


def test_a_role_of_which_one_unit_was_issued_is_not_silent():
    ratio, _, silent = _ratios(UNIT, np.array([1.0, 0.0, 0.0]), np.full(3, 100.0), np.ones(3))
    assert silent.tolist() == [role != UNIT.items["role"].iloc[0] for role in UNIT.items["role"]]
    assert ratio[0] < 0.1
