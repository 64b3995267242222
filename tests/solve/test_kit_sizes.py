"""Emergency sizes in kits, and the mix of glove sizes, read as a specification."""

from __future__ import annotations

import dataclasses
import importlib.util
import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from kitplan.demand.item_choice import attempt_tables
from kitplan.demand.stay_use import stay_use
from kitplan.parts.kits.slots import chance_of_mix, fewest_of_each
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units

_SPEC = importlib.util.spec_from_file_location("kit_units", Path(__file__).with_name("kit_units.py"))
kit_units = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(kit_units)

ALL_SIZES = [("oral", mm, "oral_two_y", "none") for mm in np.arange(2.0, 10.1, 0.5)]


def bedside(unit, **changes):
    return dataclasses.replace(unit, bedside=dataclasses.replace(unit.bedside, **changes))


@pytest.fixture(scope="module")
def every_size():
    path = Path(__file__).parents[1] / "conftest.py"
    spec = importlib.util.spec_from_file_location("unit_values", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return kit_units.with_strata(module.make_unit(), ALL_SIZES)


@pytest.fixture(scope="module")
def tables(every_size):
    return attempt_tables(every_size)


def kinds(plan, role):
    return plan.contents[plan.contents["role"] == role].groupby("design")["item"].nunique()


@pytest.mark.parametrize("designs", [1, 4, None])
@pytest.mark.parametrize("adjacent", [True, False])
def test_no_kit_holds_more_than_two_masks_or_two_bags_whatever_number_of_designs_is_asked_for(
    every_size, tables, designs, adjacent
):
    unit = bedside(every_size, designs=designs, adjacent_size=adjacent, on_wall=("gloves",))
    plan = kit_units.solve_kits(unit, tables)
    assert kinds(plan, "mask").max() <= 2
    assert kinds(plan, "bag").max() <= 2
    if designs is not None:
        assert any("not merged by money alone" in note for note in plan.notes)


def test_no_1500_ml_bag_lies_in_the_kit_of_a_small_tube_even_where_many_sizes_are_allowed(every_size, tables):
    plan = kit_units.solve_kits(bedside(every_size, designs=1, sizes_in_kit=20, adjacent_size=False), tables)
    large = set(plan.contents.loc[plan.contents["item"] == "bag_1500ml", "design"])
    small = set(plan.contents.loc[plan.contents["item"] == "bag_250ml", "design"])
    served = plan.strata.groupby("design")["tube_mm"]
    assert served.min()[list(large)].min() >= 5.5
    assert served.max()[list(small)].max() <= 3.5


def test_every_emergency_item_says_which_sizes_it_fits(every_size, tables):
    plan = kit_units.solve_kits(bedside(every_size, designs=4), tables)
    emergency = plan.contents[plan.contents["emergency"] == "yes"]
    assert emergency["because"].str.contains(r"^(?:fits|next size for) oral [\d., ]+mm").all()
    for design, rows in emergency.groupby("design"):
        sizes = set(plan.strata.loc[plan.strata["design"] == design, "size"].str.removesuffix(" mm"))
        for role in ("mask", "bag"):
            fitted = " ".join(rows.loc[rows["role"] == role, "because"].str.findall(r"fits [^;]+").str.join(" "))
            assert sizes <= set(fitted.replace(",", "").split()), (design, role)


@pytest.mark.parametrize("name", ["harbour_wing", "lantern_nursery", "mill_lane"])
def test_the_samples_hold_two_sizes_at_most(name):
    unit = load_unit(sample_units()[name])
    plan = kit_units.solve_kits(unit)
    assert plan.contents["design"].nunique() == unit.bedside.designs
    assert max(kinds(plan, "mask").max(), kinds(plan, "bag").max()) <= 2


def test_gloves_hang_on_the_wall_unless_the_unit_says_otherwise(every_size, tables):
    assert "gloves" not in set(kit_units.solve_kits(bedside(every_size, on_wall=("gloves",)), tables).contents["role"])
    assert load_unit(sample_units()["mill_lane"]).bedside.on_wall == ("gloves",)


def test_a_kit_with_gloves_counts_the_mix_of_sizes(every_size, tables):
    unit = bedside(every_size, on_wall=(), designs=None)
    plan = kit_units.solve_kits(unit, tables)
    shares = unit.items.loc[unit.items["role"] == "gloves"].set_index("item")["share"]
    held = plan.contents[plan.contents["design"] == "A"].set_index("item")["quantity"].reindex(shares.index)
    attempts, draw = stay_use(unit, tables, 0).kit_attempts, np.random.default_rng(4)
    pairs = 3 * draw.choice(len(attempts), 40_000, p=attempts / attempts.sum())
    drawn = draw.multinomial(pairs, shares)
    assert (drawn <= held.to_numpy()).all(axis=1).mean() >= 0.948


def test_two_small_two_medium_one_large_serve_two_people_twice_only_41_times_in_a_hundred():
    """Against scipy's multinomial, summed over every outcome that the pairs can serve."""
    held, shares, uses = (2, 2, 1), (0.30, 0.45, 0.25), 4
    served = [k for k in itertools.product(range(3), range(3), range(2)) if sum(k) == uses]
    assert chance_of_mix(held, shares, uses)[uses] == pytest.approx(
        sum(stats.multinomial.pmf(k, uses, shares) for k in served), rel=1e-12)
    assert chance_of_mix(held, shares, uses)[uses] == pytest.approx(0.41, abs=0.005)


@pytest.mark.parametrize("seed", range(8))
def test_the_chance_of_a_mix_is_the_multinomials(seed):
    draw = np.random.default_rng(seed)
    shares = draw.dirichlet(np.ones(draw.integers(2, 6)))
    held = draw.integers(0, 5, len(shares))
    got = chance_of_mix(held, shares, 7)
    for uses in range(8):
        outcomes = [k for k in itertools.product(*(range(h + 1) for h in held)) if sum(k) == uses]
        assert got[uses] == pytest.approx(sum(stats.multinomial.pmf(k, uses, shares) for k in outcomes), abs=1e-12)


def test_a_kit_for_hundreds_of_uses_keeps_the_promise_and_holds_little_more_than_the_fewest():
    """Of two sizes one is binomial, so the chance is known; 170! is the last factorial that a double holds."""
    attempts = tuple(stats.poisson.pmf(np.arange(300), 180))
    held = fewest_of_each((0.3, 0.7), attempts, 2, 0.95)
    most = int(np.searchsorted(np.cumsum(attempts), 0.95))

    def lasts(small, large):
        uses = 2 * np.arange(most + 1)
        law = stats.binom(uses, 0.3)
        return float(np.array(attempts[: most + 1]) @ (law.cdf(small) - law.cdf(uses - large - 1)))

    assert lasts(*held) >= 0.95
    fewest = next(n for n in range(sum(held) + 1) if max(lasts(k, n - k) for k in range(n + 1)) >= 0.95)
    assert sum(held) <= 1.1 * fewest


@pytest.mark.parametrize(("shares", "chance"), [((0.3, 0.45, 0.25), 0.95), ((0.1, 0.6, 0.3), 0.9), ((0.5, 0.5), 0.99)])
def test_the_pairs_held_are_enough_and_no_smaller_kit_would_be(shares, chance):
    """Against every smaller kit, listed one by one."""
    attempts = tuple(stats.binom.pmf(np.arange(4), 3, 0.3))
    held = fewest_of_each(shares, attempts, 2, chance)
    most = int(np.searchsorted(np.cumsum(attempts), chance))

    def lasts(kit):
        return sum(p * chance_of_mix(kit, shares, 2 * most)[2 * n] for n, p in enumerate(attempts[: most + 1]))

    assert lasts(held) >= chance
    smaller = (kit for kit in itertools.product(range(2 * most + 1), repeat=len(shares)) if sum(kit) < sum(held))
    assert max(lasts(kit) for kit in smaller) < chance
