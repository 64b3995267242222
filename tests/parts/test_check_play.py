"""Check by check: events follow from hazards, use follows from events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kitplan.demand.tape import lengths_per_use, rolls_after_uses, sheet_pieces
from kitplan.parts.simulate.check_play import (
    lengths_cut_mm,
    play_checks,
    rectangles_from_sheet,
    rolls_opened,
)
from kitplan.parts.simulate.future_play import Airways
from kitplan.read.values import Piece
from kitplan.resources import sample_units


def airways(n: int, days: float) -> Airways:
    zero = np.zeros(n)
    return Airways(zero.astype(int), zero.astype(int), zero, zero + days, wear=zero + 1)


def played(unit_maker, frequency_maker, n=4000, days=10.0, **frequency):
    unit = unit_maker(frequency=frequency_maker(3, **frequency))
    attempts = play_checks(unit, airways(n, days), np.random.default_rng(1))
    return np.bincount(attempts.airway, weights=attempts.count, minlength=n), attempts


def test_a_flat_chance_gives_binomial_counts(unit_maker, frequency_maker):
    """40 checks at chance 0.2 each: mean 8, variance 6.4 (Bernoulli trials)."""
    count, _ = played(
        unit_maker, frequency_maker, flat_per_check=0.2, airway_spread=0, redo=0, admission_secures=0
    )
    assert count.mean() == pytest.approx(8.0, abs=0.15)
    assert count.var() == pytest.approx(6.4, rel=0.08)


def test_planned_wear_is_a_clock(unit_maker, frequency_maker):
    count, attempts = played(
        unit_maker,
        frequency_maker,
        n=5,
        planned_hours=24,
        loosening_scale_hours=np.inf,
        soiled_per_day=0,
        skin_per_day=0,
        moved_per_day=0,
        airway_spread=0,
        redo=0,
        admission_secures=1,
    )
    assert (count == 11).all()
    assert np.diff(attempts.tick[attempts.airway == 0]).tolist() == [3] + [4] * 9


def test_redos_are_geometric(unit_maker, frequency_maker):
    """Only the admission secures count: 2 securements tried until good, chance 0.25 to spoil: mean 2 /
    0.75.
    """
    count, _ = played(
        unit_maker, frequency_maker, flat_per_check=0.0, airway_spread=0, redo=0.25, admission_secures=2
    )
    assert count.mean() == pytest.approx(2 / 0.75, abs=0.05)
    assert count.min() == 2


def test_proneness_spreads_counts_and_keeps_the_mean_hazard(unit_maker, frequency_maker):
    even, _ = played(
        unit_maker, frequency_maker, flat_per_check=0.02, airway_spread=0, redo=0, admission_secures=0
    )
    wide, _ = played(
        unit_maker, frequency_maker, flat_per_check=0.02, airway_spread=1.0, redo=0, admission_secures=0
    )
    assert wide.mean() == pytest.approx(even.mean(), rel=0.08)
    assert wide.var() > 1.4 * even.var()


def test_attempts_before_add_up(unit_maker, frequency_maker):
    _, attempts = played(unit_maker, frequency_maker, n=50)
    for a in range(50):
        mine = attempts.airway == a
        assert attempts.before[mine].tolist() == [0, *np.cumsum(attempts.count[mine])[:-1]]
        assert (np.diff(attempts.tick[mine]) >= 0).all()


def test_rolls_are_counted_piece_by_piece():
    """1372 mm gives four pieces of 290 mm; three a re-secure, so the fourth re-secure finds the third roll's
    end.
    """
    assert rolls_opened([290.0] * 3, 1372.0, 4).tolist() == [0, 1, 2, 3, 3]
    # the short piece still comes off the remnant of the first roll
    assert rolls_opened([300.0, 100.0], 700.0, 3).tolist() == [0, 1, 2, 2]


def test_a_leg_too_short_is_cut_longer(small_unit):
    technique = replace(
        small_unit.techniques["oral_two_y"], pieces=(Piece("Y", 1, length_mm=60, uncut_mm=50, turns=2),)
    )
    round_twice = 2 * np.sqrt((np.pi * 4.8) ** 2 + 12.5**2)
    assert lengths_cut_mm(technique, small_unit.strata.loc[0], 25.0) == [np.ceil(50 + round_twice)]


@pytest.mark.parametrize(
    ("sheet", "piece", "count"),
    [
        ((100, 100), (25, 40), 8),
        ((200, 200), (30, 45), 27),
        ((100, 100), (50, 50), 4),
        ((90, 60), (30, 40), 4),
        ((10, 10), (11, 5), 0),
    ],
)
def test_rectangles_from_a_sheet(sheet, piece, count):
    assert rectangles_from_sheet(*sheet, *piece) == count


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(40, 400), min_size=1, max_size=6), st.integers(400, 3000), st.integers(0, 30))
def test_planner_and_play_open_the_same_rolls(lengths, roll, uses):
    """Two programs, one way of cutting: longest piece first, whatever the order in which the pieces are named."""
    planned = rolls_after_uses(np.array(lengths, dtype=float), float(roll), uses)
    played = rolls_opened(sorted(map(float, lengths), reverse=True), float(roll), uses)
    assert planned.tolist() == played.tolist()


@settings(max_examples=60, deadline=None)
@given(st.integers(60, 200), st.integers(60, 200), st.integers(15, 60), st.integers(15, 60))
def test_planner_never_cuts_fewer_pieces_from_a_sheet_than_the_play(width, length, a, b):
    """The planner's cut is proven best; three rounds of cutting reach it or fall short."""
    assert rectangles_from_sheet(width, length, a, b) <= sheet_pieces(width, length, a, b)


def test_planner_and_play_cut_the_same_lengths_for_every_sample():
    from kitplan.read.unit import load_unit

    for path in sample_units().values():
        unit = load_unit(path)
        for _, row in unit.strata.iterrows():
            technique = unit.techniques[row["technique"]]
            for width_mm in (12.5, 25.0, 50.0):
                planned = lengths_per_use(technique, row, width_mm)
                assert lengths_cut_mm(technique, row, width_mm) == planned.tolist()
