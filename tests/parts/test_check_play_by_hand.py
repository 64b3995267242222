"""The check-by-check play on one airway at a time, and the play's own scissors, reckoned by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kitplan.parts.simulate.check_play import (
    _strain,
    _tries,
    _Wear,
    lengths_cut_mm,
    play_checks,
    rectangles_from_sheet,
    rolls_opened,
)
from kitplan.parts.simulate.future_play import Airways
from kitplan.read.values import Piece


class Lots:
    """A source of chance that always gives the same exponential number."""

    def __init__(self, value):
        self.value = value

    def standard_exponential(self, n):
        return np.full(n, self.value)

    def gamma(self, shape):
        return np.asarray(shape) * 2.0

    def negative_binomial(self, n, p):
        return np.asarray(n) * 3


def certain(unit, **changes):
    """Every securement lasts four checks at six hours each and is never spoiled."""
    same = {"flat_per_check": 0.0, "planned_hours": 24.0, "redo": 0.0, "admission_secures": 1.0, "airway_spread": 0.0}
    return replace(unit, frequency=unit.frequency.assign(**(same | changes)))


def airways(*rows):
    """rows: stratum, start, end."""
    kinds, start, end = (np.array(c, dtype=float) for c in zip(*rows))
    n = len(rows)
    return Airways(np.zeros(n, int), kinds.astype(int), start, end, np.ones(n))


# -- checks ---------------------------------------------------------------------------------------------------------


def test_moments_lie_in_the_tick_of_their_check_airway_by_airway(small_unit):
    """From day 1.3, which lies in tick 5, to day 3.6, tick 14: nine checks, of which the fourth and eighth renew. A
    shorter stay beside it, and one that ends before its first check.
    """
    made = play_checks(certain(small_unit), airways((0, 0.5, 1.5), (1, 1.3, 3.6), (2, 2.0, 2.2)),
                       np.random.default_rng(1))
    assert sorted(zip(made.airway.tolist(), made.tick.tolist(), made.count.tolist(), made.before.tolist())) == [
        (0, 2, 1, 0), (0, 2 + 3, 1, 1), (1, 5, 1, 0), (1, 5 + 3, 1, 1), (1, 5 + 7, 1, 2), (2, 8, 1, 0)]


def test_admission_secures_are_made_at_once_and_without_them_nothing_is(small_unit):
    two = play_checks(certain(small_unit, admission_secures=2.0), airways((0, 0.0, 1.5)), np.random.default_rng(1))
    assert (two.tick.tolist(), two.count.tolist(), two.before.tolist()) == ([0, 3], [2, 1], [0, 2])
    none = play_checks(certain(small_unit, admission_secures=0.0), airways((0, 0.0, 1.5)), np.random.default_rng(1))
    assert (none.tick.tolist(), none.before.tolist()) == ([3], [0])
    nobody = play_checks(certain(small_unit, admission_secures=0.0), airways((0, 0.0, 0.5)), np.random.default_rng(1))
    assert len(nobody.airway) == 0


def test_spoiled_tries_come_on_top_of_what_was_to_be_secured():
    """Three spoiled for each secured; of nothing nothing is spoiled."""
    assert _tries(np.array([0, 1, 2]), np.array([0.5] * 3), Lots(0)).tolist() == [0, 4, 8]


def test_a_try_is_spoiled_as_often_as_redo_says():
    made = _tries(np.ones(40_000, dtype=int), np.full(40_000, 0.2), np.random.default_rng(1))
    assert made.mean() == pytest.approx(1 / 0.8, rel=0.01)
    assert (made == 1).mean() == pytest.approx(0.8, abs=0.01)


def test_moments_before_the_first_day_are_counted_and_not_kept(small_unit):
    """Renewed by the clock at every fourth check: of one that came two days before, attempts 0 to 2 lie before."""
    unit = certain(small_unit, flat_per_check=0.0, planned_hours=24.0, redo=0.0, admission_secures=1.0)
    came = Airways(np.zeros(2, int), np.zeros(2, int), np.array([0.5, -2.0]), np.array([3.0, 2.0]), np.ones(2))
    made = play_checks(unit, came, np.random.default_rng(1))
    rows = sorted(zip(made.airway.tolist(), made.tick.tolist(), made.count.tolist(), made.before.tolist()))
    assert rows == [(0, 2, 1, 0), (0, 5, 1, 1), (0, 9, 1, 2), (1, 3, 1, 3), (1, 7, 1, 4)]


def test_a_securement_is_condemned_where_what_gathered_is_more_than_its_lot(small_unit):
    """A chance of one in ten a check: 0.105 gathers; a lot of 0.1 condemns, one of 0.11 does not; twice as prone at 0.2
    it does.
    """
    unit = certain(small_unit, flat_per_check=0.1, planned_hours=0.0)
    for factor, lot, renewed in ((1.0, 0.10, [0]), (1.0, 0.11, []), (2.0, 0.20, [0]), (2.0, 0.22, [])):
        wears = _Wear(unit, np.array([0]), np.array([factor]), Lots(lot))
        assert wears.check(1, Lots(lot)).tolist() == renewed
        assert wears.worn.tolist() == [0 if renewed else 1]
    pair = _Wear(unit, np.array([0, 0]), np.ones(2), Lots(0.1))
    assert pair.check(1, Lots(0.1)).tolist() == [0], "who has left is not looked at"
    assert pair.worn.tolist() == [0, 0]


def test_airways_are_as_prone_as_their_own_lot_says(small_unit):
    """A gamma number of shape 1 / 0.5^2 = 4 over its shape; without spread all alike."""
    spread = certain(small_unit, airway_spread=0.5)
    assert _Wear(spread, np.array([0, 1]), np.array([1.0, 3.0]), Lots(0)).proneness.tolist() == [2.0, 6.0]
    assert _Wear(certain(small_unit), np.array([0]), np.array([3.0]), Lots(0)).proneness.tolist() == [3.0]
    drawn = _Wear(spread, np.zeros(40_000, dtype=int), np.ones(40_000), np.random.default_rng(1)).proneness
    assert (drawn.mean(), drawn.std()) == pytest.approx((1.0, 0.5), rel=0.02)


@pytest.mark.parametrize(("hours", "limit"), [(0.0, np.inf), (1.0, 1), (6.0, 1), (6.1, 2), (24.0, 4)])
def test_planned_wear_ends_at_the_first_check_that_reaches_it(small_unit, hours, limit):
    wears = _Wear(certain(small_unit, planned_hours=hours), np.array([0]), np.ones(1), Lots(0))
    assert wears.limit.tolist() == [limit] * 3


def test_what_gathers_from_check_to_check(unit_maker, frequency_maker):
    """Six-hourly checks: 70 h to the power 1.5, and 0.3 a day of four other causes, a quarter of it a check."""
    row = frequency_maker(1, soiled_per_day=0.1, skin_per_day=0.05, moved_per_day=0.08, changed_per_day=0.07).iloc[0]
    strain = _strain(row, 4)
    assert strain[0] == 0.0
    assert strain[1:4] == pytest.approx([(6 / 70) ** 1.5 + 0.075, (12 / 70) ** 1.5 - (6 / 70) ** 1.5 + 0.075,
                                         (18 / 70) ** 1.5 - (12 / 70) ** 1.5 + 0.075])
    never = _strain(frequency_maker(1, loosening_scale_hours=np.inf).iloc[0], 4)
    assert never[1:3] == pytest.approx([0.05, 0.05])
    assert _strain(frequency_maker(1, loosening_scale_hours=0.0).iloc[0], 4)[1] == pytest.approx(0.05)
    flat = _strain(frequency_maker(1, flat_per_check=0.2).iloc[0], 4)
    assert flat == pytest.approx(np.full(len(flat), -np.log(0.8)))
    assert np.isinf(_strain(frequency_maker(1, flat_per_check=1.0).iloc[0], 4)).all()


# -- scissors -------------------------------------------------------------------------------------------------------


def cut(small_unit, *pieces, measure="tragus", width=25.0):
    """Pieces for the first kind: a span of 160 mm to the ear and 95 mm to the cheek, a tube of 4.8 mm."""
    technique = replace(small_unit.techniques["oral_two_y"], pieces=pieces, measure=measure)
    return lengths_cut_mm(technique, small_unit.strata.loc[0], width)


TURN = np.sqrt((np.pi * 4.8) ** 2 + 12.5**2)
"""Once round the tube, half a width along it."""


def test_strips_are_as_long_as_the_face_or_as_asked(small_unit):
    assert cut(small_unit, Piece("strip", 2, span=0.5)) == [80.0, 80.0]
    assert cut(small_unit, Piece("strip", 1, span=0.5, extra_mm=10)) == [90.0]
    assert cut(small_unit, Piece("strip", 1, span=1.0), measure="mid_cheek") == [95.0]
    assert cut(small_unit, Piece("strip", 1, length_mm=33.2)) == [34.0]
    two = Piece("strip", 1, length_mm=40), Piece("strip", 1, span=1.0)
    assert cut(small_unit, *two) == [160.0, 40.0], "longest first"
    assert cut(small_unit, Piece("strip", 1, length_mm=30, turns=9)) == [30.0], "a strip has no legs"


def test_a_y_is_long_enough_for_its_leg_to_reach_go_round_and_be_folded(small_unit):
    """Uncut for 50 mm, 30 mm from the slit's end to the middle, less half a tube: 27.6; two turns and a tab of 8."""
    leg = 160 / 2 - 50 - 2.4 + 2 * TURN + 8
    assert cut(small_unit, Piece("Y", 1, span=0.5, uncut_mm=50, tab_mm=8, turns=2)) == [np.ceil(50 + leg)]
    assert cut(small_unit, Piece("Y", 1, span=1.0, uncut_mm=50, tab_mm=8, turns=2)) == [160.0], "or as long as the face"
    assert cut(small_unit, Piece("Y", 1, length_mm=60, uncut_mm=50, tab_mm=8, turns=2)) == [np.ceil(58 + 2 * TURN)], (
        "of a fixed length no way is known")
    assert cut(small_unit, Piece("Y", 1, length_mm=60, uncut_mm=50, path_mm=20, turns=1)) == [np.ceil(70 + TURN)]
    wide = np.sqrt((np.pi * 4.8) ** 2 + 25.0**2)
    assert cut(small_unit, Piece("Y", 1, length_mm=10, uncut_mm=5, turns=1), width=50.0) == [np.ceil(5 + wide)]


def test_on_a_small_face_a_slit_ends_on_its_own_side(small_unit):
    """At most a quarter of 160 mm uncut: 40 in place of 50, and the leg has so much more to go."""
    leg = 160 / 2 - 40 - 2.4 + 4 * TURN
    assert cut(small_unit, Piece("Y", 1, span=0.5, uncut_mm=50, uncut_share=0.25, turns=4)) == [np.ceil(40 + leg)]
    assert cut(small_unit, Piece("Y", 1, span=0.5, uncut_mm=30, uncut_share=0.25, turns=4)) == [
        np.ceil(30 + 160 / 2 - 30 - 2.4 + 4 * TURN)]


def test_an_h_has_a_leg_on_either_side_of_its_bridge(small_unit):
    """A bridge of 20 mm: from its end 10 - 2.4 mm to the tube; twice a leg of one turn and a tab of 5."""
    leg = 10 - 2.4 + TURN + 5
    assert cut(small_unit, Piece("H", 1, span=0.1, bridge_mm=20, tab_mm=5, turns=1)) == [np.ceil(20 + 2 * leg)]


def test_a_remnant_serves_while_the_next_re_secure_begins_with_it():
    """Rolls of 100 and a piece of 50: two a roll, to the millimetre; of 51 one."""
    assert rolls_opened([50.0], 100.0, 5).tolist() == [0, 1, 1, 2, 2, 3]
    assert rolls_opened([51.0], 100.0, 3).tolist() == [0, 1, 2, 3]
    assert rolls_opened([], 100.0, 2).tolist() == [0, 0, 0]
    assert rolls_opened([60.0, 60.0, 40.0], 100.0, 2).tolist() == [0, 2, 4], "the short piece from the oldest open end"


@pytest.mark.parametrize(("sheet", "piece", "cuts", "count"), [
    ((10, 10), (5, 5), 0, 4), ((10, 10), (10, 10), 0, 1), ((9.99, 10), (10, 10), 3, 0), ((10, 4), (4, 10), 0, 1),
    ((7, 5), (3, 2), 0, 4), ((7, 5), (3, 2), 1, 5), ((5, 5), (3, 2), 3, 3),
])
def test_pieces_from_a_sheet_by_rounds_of_cutting(sheet, piece, cuts, count):
    """7 x 5 in rows of 3 x 2: two by two lying, four; cut straight across into 7 x 3 and 7 x 2: three upright and two
    lying. 5 x 5: four lie about a hole in its middle, which no straight cut makes; three.
    """
    assert rectangles_from_sheet(*sheet, *piece, cuts=cuts) == count


def test_a_use_takes_as_many_whole_items_as_its_need_asks_for(small_unit):
    """7 mL from ampoules of 5 are two a re-secure; one a day for three days."""
    from kitplan.demand.item_choice import fill_roles
    from kitplan.parts.simulate.issue_play import _issues_of

    (name, technique), = small_unit.techniques.items()
    thirsty = replace(small_unit, techniques={name: replace(technique, uses={**technique.uses, "saline": 7})},
                      prefer={"saline": "saline-5"})
    unit = certain(thirsty)
    found = _issues_of(unit, fill_roles(unit), airways((0, 0.5, 3.0)), 4, 1, np.random.default_rng(1))
    assert found[:, 0, list(unit.items["item"]).index("saline-5")].tolist() == [2, 2, 2, 0]
