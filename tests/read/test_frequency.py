"""Modifiers act on the hazards of the airways they match, and on no others."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.read.unit import load_unit

CENSUS = "route,tube_mm,airways,skin\noral,3.5,1,none\noral,5,1,barrier\nnasal,3.5,1,none\n"


def frequency(unit_folder, toml):
    unit = load_unit(unit_folder({"census.csv": CENSUS, "unit.toml": "mean_stay_days = 5\n" + toml}))
    return unit.frequency.set_axis(["nasal 3.5", "oral 3.5", "oral 5 barrier"]), unit


def test_settings_apply_to_every_kind(unit_folder):
    table, _ = frequency(unit_folder, "[resecure]\nsoiled_per_day = 0.3\n")
    assert table["soiled_per_day"].tolist() == [0.3] * 3
    assert table["flat_per_check"].isna().all()


@pytest.mark.parametrize(("match", "hit"), [
    ('route = "oral"', [False, True, True]), ('skin = "barrier"', [False, False, True]),
    ('technique = "nasal_two_y"', [True, False, False]), ("tube_from_mm = 4", [False, False, True]),
    ("tube_to_mm = 3.5", [True, True, False]), ('route = "oral"\ntube_to_mm = 4.0', [False, True, False]),
    ("", [True, True, True]),
])
def test_a_modifier_acts_where_everything_matches(match, hit, unit_folder):
    table, _ = frequency(unit_folder, f"[[resecure.modifier]]\n{match}\nskin_trouble = 3\n")
    assert np.allclose(table["skin_per_day"] / 0.03, np.where(hit, 3, 1))


def test_a_factor_on_loosening_multiplies_the_cumulative_hazard(unit_folder):
    # Weibull: W(t) = (t/scale)^shape, so 2 W(t) is the same shape with the scale times 2^(-1/shape).
    table, _ = frequency(unit_folder, '[[resecure.modifier]]\nroute = "nasal"\nloosening = 2\n')
    hours = np.array([6.0, 24.0, 96.0])
    plain = (hours / table.loc["oral 3.5", "loosening_scale_hours"]) ** table.loc["oral 3.5", "loosening_shape"]
    more = (hours / table.loc["nasal 3.5", "loosening_scale_hours"]) ** table.loc["nasal 3.5", "loosening_shape"]
    assert np.allclose(more, 2 * plain)


def test_a_factor_on_all_multiplies_every_reason(unit_folder):
    table, _ = frequency(unit_folder, '[[resecure.modifier]]\nroute = "nasal"\nall = 2\n')
    for reason in ("soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"):
        assert table.loc["nasal 3.5", reason] == pytest.approx(2 * table.loc["oral 3.5", reason])


def test_modifiers_multiply_one_another_and_are_listed(unit_folder):
    table, unit = frequency(unit_folder, '[[resecure.modifier]]\nroute = "oral"\nsoiled = 2\n'
                            '[[resecure.modifier]]\nskin = "barrier"\nsoiled = 0.5\n')
    assert table["soiled_per_day"].tolist() == pytest.approx([0.12, 0.24, 0.12])
    assert [a.value for a in unit.assumptions if a.name.startswith("modifier")] == ["soiled x 2", "soiled x 0.5"]


def test_a_units_own_resecure_file_may_hold_modifiers(unit_folder):
    unit = load_unit(unit_folder({"census.csv": CENSUS, "resecure.toml":
                                  '[[modifiers]]\nroute = "nasal"\nsoiled = 3\nprovenance = "our log"\n'}))
    assert unit.frequency["soiled_per_day"].tolist() == pytest.approx([0.36, 0.12, 0.12])
    assert any(a.source == "our log" for a in unit.assumptions)


def test_a_flat_chance_is_left_alone_by_modifiers(unit_folder):
    table, unit = frequency(unit_folder, "[resecure]\nflat_per_check = 0.1\n[[resecure.modifier]]\nall = 2\n")
    assert table["flat_per_check"].tolist() == [0.1] * 3
    assert any("does nothing while flat_per_check" in w.fault for w in unit.warnings)
