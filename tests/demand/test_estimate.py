"""Learning from a log: the truth comes back, and a thin, broken or foreign log is told and not trusted."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from kitplan.demand import wear
from kitplan.demand.estimate import FEWEST_EVENTS, default_curve, learn
from kitplan.demand.learnt_block import block_text, learnt_settings, rate_of
from kitplan.demand.observed import observe
from kitplan.demand.partial_pooling import pool_rates
from kitplan.demand.resecure import long_run_rates

N_DAYS = 400


@pytest.fixture(scope="module")
def truth(invented):
    return invented.Truth(80.0, 1.6, (0.15, 0.02, 0.06, 0.03), 0.5, (0.8, 1.0, 1.3))


@pytest.fixture(scope="module")
def unit(invented, truth):
    rng = np.random.default_rng(11)
    stays = invented.invent_stays(rng, N_DAYS, 18.0, 6.0, np.array([0.4, 0.4, 0.2]))
    return invented.unit_of(
        3, N_DAYS, *stays, *invented.invent_events(rng, truth, *stays, until=float(N_DAYS))
    )


@pytest.fixture(scope="module")
def learnt(unit):
    return learn(unit)


def with_log(unit, log):
    return replace(unit, log=log.reset_index(drop=True))


def told(result, words):
    return any(words in note for note in result.notes)


def test_the_wear_curve_and_the_spread_between_airways_come_back(learnt, truth):
    curve = learnt.curve
    for name, value in (("scale_hours", truth.scale_hours), ("shape", truth.shape), ("spread", truth.spread)):
        width = curve.high[name] - curve.low[name]
        assert curve.low[name] - width / 2 < value < curve.high[name] + width / 2, name
    assert curve.constant_per_day == pytest.approx(sum(truth.per_day), rel=0.15)


def test_rates_lie_near_what_the_truth_makes_and_their_intervals_hold_it(learnt, truth, invented, unit):
    truly = replace(unit, frequency=invented.frequency_of(truth, 3))
    long_run = long_run_rates(truly)["re_secures_per_day"]
    assert learnt.rates["rate_per_day"].to_numpy() == pytest.approx(long_run.to_numpy(), rel=0.15)
    assert (learnt.rates["low"] < learnt.rates["high"]).all()
    assert learnt.rates["rate_per_day"].is_monotonic_increasing


def test_the_model_fits_each_stratum_better_than_one_rate_for_all(learnt):
    rates = learnt.rates
    fitted = ((rates["events"] - rates["expected_events"]) ** 2 / rates["expected_events"]).sum()
    alike = ((rates["events"] - rates["expected_if_alike"]) ** 2 / rates["expected_if_alike"]).sum()
    assert fitted < alike / 3
    assert rates["expected_events"].sum() == pytest.approx(rates["events"].sum(), rel=0.02)


def test_the_fitted_curve_follows_the_curve_that_was_seen(learnt):
    frame = learnt.wear_curve[learnt.wear_curve["watched"] > 200]
    assert (frame["still_secure"] - frame["still_secure_fitted"]).abs().max() < 0.05


def test_shares_of_reasons_add_to_one_and_lie_in_their_intervals(learnt):
    reasons = learnt.reasons
    assert reasons["share"].sum() == pytest.approx(1)
    assert reasons["events"].sum() == learnt.events
    assert ((reasons["low"] <= reasons["share"]) & (reasons["share"] <= reasons["high"])).all()


def test_the_block_is_toml_with_its_data_and_plans_near_the_true_rate(learnt, unit, truth, invented):
    text = block_text(unit, learnt)
    block = tomllib.loads(text)["resecure"]
    assert f"{learnt.events:,} events" in text
    assert learnt.last_day in text
    assert {"loosening_scale_hours", "loosening_shape", "airway_spread"} <= set(block)
    replanned = replace(unit, frequency=learnt.frequency(unit))
    again = long_run_rates(replanned)["re_secures_per_day"].to_numpy()
    truly = long_run_rates(replace(unit, frequency=invented.frequency_of(truth, 3)))[
        "re_secures_per_day"
    ].to_numpy()
    assert again == pytest.approx(truly, rel=0.08)


def test_learning_twice_gives_the_same_block(unit, learnt):
    assert block_text(unit, learn(unit)) == block_text(unit, learnt)


def test_a_log_without_airways_gives_rates_and_reasons_but_keeps_shape_and_spread(unit, learnt):
    anonymous = with_log(unit, unit.log.assign(airway=""))
    result = learn(anonymous)
    assert result.source == "counts"
    assert told(result, "Too few log rows name an airway")
    assert result.rates["rate_per_day"].to_numpy() == pytest.approx(
        learnt.rates["rate_per_day"].to_numpy(), rel=0.06
    )
    settings, _ = learnt_settings(anonymous, result)
    assert "airway_spread" not in settings
    row = anonymous.frequency.iloc[0].to_dict() | settings
    assert rate_of(row, 4) == pytest.approx(result.events / result.airway_days, rel=0.01)


def test_daily_counts_and_a_log_by_size_give_the_same_rates(unit, learnt):
    from kitplan.demand.observed import daily_airways
    from kitplan.read.values import Census

    daily = daily_airways(unit)
    day, stratum = np.nonzero(daily >= 0)
    rows = pd.DataFrame({"day": day, "stratum": stratum, "airways": daily[day, stratum]})
    census = Census(
        "counts", rows, unit.census.first_day, unit.census.last_day, 6.0, 1.0, unit.census.expected
    )
    result = learn(replace(unit, census=census, log=unit.log.assign(airway="")))
    assert result.source == "counts"
    assert result.rates["rate_per_day"].to_numpy() == pytest.approx(
        learnt.rates["rate_per_day"].to_numpy(), rel=0.06
    )


@pytest.mark.parametrize("kept", [0, 1, FEWEST_EVENTS - 1])
def test_fewer_than_twenty_events_leave_the_defaults_and_say_so(unit, kept):
    result = learn(with_log(unit, unit.log.iloc[:kept]))
    assert not result.used
    assert told(result, "too few to learn from" if kept else "no re-secure log")
    assert (result.rates["own_share"] == 0).all()
    pd.testing.assert_frame_equal(result.frequency(unit), unit.frequency)


def test_a_log_that_begins_late_is_not_read_as_a_quiet_time(unit, learnt):
    late = unit.log[unit.log["day"] > 150]
    result = learn(with_log(unit, late))
    assert told(result, "silent before its first event")
    whole, part = (r.rates["rate_per_day"].mean() for r in (learnt, result))
    assert part == pytest.approx(whole, rel=0.08)
    assert result.airway_days < 0.7 * learnt.airway_days


def test_a_silent_stretch_inside_the_log_is_unknown_and_not_zero(unit, learnt):
    log = unit.log[(unit.log["day"] < 120) | (unit.log["day"] > 180)]
    result = learn(with_log(unit, log))
    assert told(result, "silent in between")
    assert result.rates["rate_per_day"].mean() == pytest.approx(learnt.rates["rate_per_day"].mean(), rel=0.06)
    assert result.curve.scale_hours == pytest.approx(learnt.curve.scale_hours, rel=0.1)


def test_double_entries_count_once(unit, learnt):
    result = learn(with_log(unit, pd.concat([unit.log, unit.log.iloc[::7]])))
    assert told(result, "double entries")
    assert result.events == learnt.events


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"airway": "nobody"}, "name an airway that the census does not have"),
        ({"day": -3.0}, "before the first day of the census"),
        ({"day": N_DAYS + 4.0}, "after its last day"),
    ],
)
def test_rows_that_belong_to_nobody_are_left_out_and_told(unit, learnt, change, words):
    strange = unit.log.iloc[:5].assign(**change)
    result = learn(with_log(unit, pd.concat([unit.log, strange])))
    assert told(result, words)
    assert result.events == learnt.events


def test_events_outside_their_airways_stay_are_left_out_and_told(unit, learnt):
    rows = unit.census.rows
    gone = rows[(rows["end"] < 200)].iloc[0]
    strange = unit.log.iloc[:1].assign(airway=gone["airway"], day=gone["end"] + 30)
    result = learn(with_log(unit, pd.concat([unit.log, strange])))
    assert told(result, "outside their airway's stay")
    assert result.events == learnt.events


def test_events_on_days_that_the_census_does_not_know_are_unknown(unit, learnt):
    census = replace(unit.census, unknown_days=(100, 101, 102))
    result = learn(replace(unit, census=census))
    assert told(result, "days that the census does not cover")
    assert result.airway_days < learnt.airway_days
    assert result.rates["rate_per_day"].mean() == pytest.approx(learnt.rates["rate_per_day"].mean(), rel=0.03)


def test_a_clock_that_is_put_back_changes_nothing_much(unit, learnt):
    log = unit.log.copy()
    log.loc[log["day"].between(90, 300), "day"] -= 1 / 24
    result = learn(with_log(unit, log))
    assert abs(result.events - learnt.events) <= 5
    assert result.curve.scale_hours == pytest.approx(learnt.curve.scale_hours, rel=0.03)


def test_dates_without_times_cost_sharpness_and_not_the_rate(unit, learnt):
    log = unit.log.assign(day=np.floor(unit.log["day"]) + 0.5)
    result = learn(with_log(unit, log))
    assert told(result, "dates without times")
    assert result.rates["rate_per_day"].mean() == pytest.approx(learnt.rates["rate_per_day"].mean(), rel=0.03)
    assert result.curve.scale_hours == pytest.approx(learnt.curve.scale_hours, rel=0.06)


def test_dates_without_times_neither_flatten_the_wear_curve_nor_hide_the_spread(invented):
    """Eight logs kept by date: the mean of what is learnt lies within four standard errors of the truth, and checks at
    the four quarters of the day stray by an eighth of a day from noon (a twentieth of the shape)."""
    truth = invented.Truth(80.0, 1.6, (0.15, 0.02, 0.06, 0.03), 0.5, (1.0,))
    curves = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        stays = invented.invent_stays(rng, 250, 14.0, 6.0, np.ones(1))
        unit = invented.unit_of(1, 250, *stays, *invented.invent_events(rng, truth, *stays, until=250.0))
        curves.append(learn(with_log(unit, unit.log.assign(day=np.floor(unit.log["day"]) + 0.5))).curve)
    shape, spread = ([getattr(c, name) for c in curves] for name in ("shape", "spread"))
    assert np.mean(shape) == pytest.approx(1.6, abs=4 * np.std(shape) / np.sqrt(8) + 0.08)
    assert np.mean(spread) == pytest.approx(0.5, abs=4 * np.std(spread) / np.sqrt(8))
    held = sum(c.low["shape"] <= 1.6 <= c.high["shape"] for c in curves)
    assert held >= 5


def test_attempts_done_again_become_redo_and_not_renewals(unit, learnt):
    again = unit.log.iloc[::10].assign(day=unit.log["day"].iloc[::10] + 0.25 / 24)
    result = learn(with_log(unit, pd.concat([unit.log, again])))
    assert result.redo == pytest.approx(len(again) / (len(again) + learnt.events), rel=0.15)
    assert result.events == pytest.approx(learnt.events, rel=0.01)


def test_removals_that_end_an_airway_are_not_renewals(unit, learnt):
    rows = unit.census.rows
    ended = rows[(rows["end"] > 50) & (rows["end"] < 350)].iloc[:30]
    removals = pd.DataFrame(
        {
            "stratum": ended["stratum"],
            "airway": ended["airway"],
            "day": ended["end"],
            "reason": "unplanned_removal",
            "date": unit.log["date"].iloc[0],
        }
    )
    result = learn(with_log(unit, pd.concat([unit.log, removals])))
    assert told(result, "30 unplanned removals")
    assert result.events == learnt.events


def test_a_rate_that_rose_in_the_last_eight_weeks_is_told(unit, learnt):
    assert not learnt.trend.warns
    rng = np.random.default_rng(4)
    early = (unit.log["day"] < N_DAYS - 56) & (rng.random(len(unit.log)) < 0.5)
    result = learn(with_log(unit, unit.log[~early]))
    assert result.trend.warns
    assert result.trend.low > 1.3
    assert "above the rate before" in result.trend.sentence
    assert result.warnings


def test_a_log_without_reasons_still_learns_how_often(unit, learnt):
    result = learn(with_log(unit, unit.log.assign(reason="other")))
    assert result.rates["rate_per_day"].to_numpy() == pytest.approx(
        learnt.rates["rate_per_day"].to_numpy(), rel=1e-6
    )
    replanned = long_run_rates(replace(unit, frequency=result.frequency(unit)))["re_secures_per_day"]
    assert replanned.mean() == pytest.approx(result.rates["rate_per_day"].mean(), rel=0.08)


def test_a_planned_renewal_stops_a_spell_without_blaming_the_securement(unit):
    planned = learn(
        with_log(unit, unit.log.assign(reason=unit.log["reason"].mask(unit.log.index % 4 == 0, "planned")))
    )
    assert told(planned, "planned renewals are logged, but planned_hours is 0")
    none = with_log(unit, unit.log[unit.log["reason"] != "planned"])
    assert not told(learn(none), "planned renewals are logged")
    settings, _ = learnt_settings(unit, planned)
    assert settings["changed_per_day"] > 0.1


def test_airways_that_were_there_before_the_log_have_wear_of_unknown_age(unit):
    observation = observe(unit)
    assert observation.stays is not None
    early = (observation.stays.start < 0).sum()
    assert early > 0
    spells = wear.cut_spells(
        np.array([0.0]),
        np.array([5.0]),
        np.array([False]),
        np.zeros(0, int),
        np.zeros(0),
        np.zeros(0, int),
        np.array([0]),
        np.array([0]),
        4,
    )
    assert len(spells.before) == 0


def test_a_kind_leans_on_the_average_where_less_than_half_is_its_own(learnt):
    """At exactly half it stands as much on its own events."""
    for shares, thin in (((0.5, 0.9), 0), ((0.4, 0.5), 1), ((0.4, 0.3), 2)):
        rates = learnt.rates.iloc[[0, 0]].assign(own_share=shares)
        said = [line for line in replace(learnt, rates=rates).sentences() if "lean more on" in line]
        assert [line.split(" kinds")[0] for line in said] == [f"{thin} of 2"] * (thin > 0)


def test_a_kind_watched_for_half_a_day_keeps_what_was_fitted_to_it_and_one_never_watched_is_as_the_others(unit, learnt):
    for days, factor in ((0.5, 1.4), (0.0, 1.0)):
        rates = learnt.rates.assign(airway_days=[days] * len(learnt.rates))
        curve = replace(learnt.curve, factor=np.full(len(rates), 1.4))
        _, factors = learnt_settings(unit, replace(learnt, rates=rates, curve=curve))
        assert factors == pytest.approx(factor)


def test_a_rate_of_a_kinds_own_is_its_events_over_its_days_however_few(unit, learnt):
    from kitplan.demand.estimate import _rates_frame

    counts, days = np.array([1, 0, 30][: unit.n_strata]), np.array([0.5, 0.0, 60.0][: unit.n_strata])
    pooled = pool_rates(counts, days)
    own = _rates_frame(unit, counts, days, pooled, None, None)["unpooled_rate"].tolist()
    assert own == pytest.approx([2.0, np.nan, 0.5][: unit.n_strata], nan_ok=True)


def test_counts_give_each_cause_its_share_and_each_kind_the_rate_that_was_counted(unit):
    """A log without airways: reasons not given are spread over those that are; loosening makes up the rest."""
    log = unit.log.assign(airway="")
    counted = learn(with_log(unit, log.assign(reason=log["reason"].mask(log.index % 5 == 0, "other"))))
    settings, factor = learnt_settings(unit, counted)
    events = counted.reasons.set_index("reason")["events"]
    stated = events[["loose", "soiled", "skin", "moved", "changed"]].sum()
    for reason in ("soiled", "skin", "moved", "changed"):
        share = events[reason] * (1 + events["other"] / stated) / counted.airway_days
        assert settings[f"{reason}_per_day"] == pytest.approx(share), reason
    row = unit.frequency.iloc[0].to_dict() | settings
    assert rate_of(row, unit.checks_per_day) == pytest.approx(counted.events / counted.airway_days, rel=1e-3)
    again = long_run_rates(replace(unit, frequency=counted.frequency(unit)))["re_secures_per_day"]
    assert again.to_numpy() == pytest.approx(counted.rates["rate_per_day"].to_numpy(), rel=0.03)
    assert len(factor) == unit.n_strata


def test_what_a_log_teaches_is_its_sums_its_span_and_the_share_done_again(unit, learnt):
    """The log of 400 days of a census that begins before it: every event once, redos beside them."""
    seen = observe(unit)
    assert learnt.events == len(seen.events) == learnt.rates["events"].sum() == learnt.reasons["events"].sum()
    assert learnt.airway_days == pytest.approx(learnt.rates["airway_days"].sum())
    assert learnt.redo is None, "the log shows none"
    twice = unit.log.iloc[1000:1100]
    again = learn(with_log(unit, pd.concat([unit.log, twice.assign(day=twice["day"] + 0.01)]).sort_values("day")))
    assert again.redo == pytest.approx(100 / (100 + again.events), rel=0.05)
    assert learnt.rates["expected_if_alike"].sum() == pytest.approx(learnt.events)
    first, last = (date.fromisoformat(day) for day in (learnt.first_day, learnt.last_day))
    begin, end = seen.windows[0, 0], seen.windows[-1, 1]
    assert (first - unit.census.first_day).days == int(begin)
    assert (last - first).days == int(np.ceil(end)) - 1 - int(begin)
    assert (learnt.reasons["per_100_airway_days"] * learnt.airway_days / 100).tolist() == pytest.approx(
        learnt.reasons["events"].tolist())


def test_a_wear_model_to_start_from_is_the_mean_of_the_kinds(unit):
    """Constant hazards of 0.1, 0.02, 0.05 and 0.03 a day are 0.2; a shape under 1 starts at 1."""
    one = unit.frequency.assign(soiled_per_day=0.1, skin_per_day=0.02, moved_per_day=0.05, changed_per_day=0.03,
                                loosening_shape=0.8, airway_spread=0.4)
    scales = one.assign(loosening_scale_hours=np.linspace(60.0, 80.0, len(one)))
    found = default_curve(replace(unit, frequency=scales))
    assert (found["scale_hours"], found["shape"], found["spread"], found["constant"]) == pytest.approx(
        (70.0, 1.0, 0.4, 0.2))
    assert default_curve(replace(unit, frequency=one.assign(loosening_shape=1.7)))["shape"] == pytest.approx(1.7)


def test_a_block_names_every_kind_that_differs_by_its_route_technique_skin_and_size(unit, learnt, monkeypatch):
    monkeypatch.setattr("kitplan.demand.learnt_block.learnt_settings",
                        lambda *_: ({"skin_per_day": 0.123456, "loosening_shape": 1.5}, np.array([1.0, 1.25, 0.5])))
    rates = learnt.rates.assign(events=[1200, 30, 2], airway_days=[3000.4, 100.6, 4.0], route='o"ral', size="4.0 mm")
    text = block_text(unit, replace(learnt, rates=rates, curve=None, redo=None, unit_name="A\nB"))
    assert "learnt from the log of A B." in text
    assert "left as it was: admission_secures, redo, loosening_shape, airway_spread." in text
    assert "skin_per_day = 0.1235\nloosening_shape = 1.5\n" in text, "four digits, and no interval without a curve"
    block = tomllib.loads(text)["resecure"]
    assert [(m["route"], m["size"], m["all"]) for m in block["modifier"]] == [
        ('o"ral', "4.0 mm", 1.25), ('o"ral', "4.0 mm", 0.5)]
    assert "all = 1.25  # 30 events in 101 airway-days\n" in text
