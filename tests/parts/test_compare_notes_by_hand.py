"""What is said before a difference between two units is believed."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.compare.notes import (
    beds_without_airways,
    beside_the_months_ahead,
    other_prices_paid,
    rates_rest_on,
)


def learnt(*ratios):
    return [SimpleNamespace(doubt=SimpleNamespace(rate_ratio=r, rate_from="log")) for r in ratios]


def test_knowledge_on_one_side_is_named_by_its_side():
    for pair, knows, guesses in (((np.ones(2), None), "A", "B"), ((None, np.ones(2)), "B", "A")):
        (said,) = rates_rest_on(*learnt(*pair))
        assert said.startswith(f"How often airways are renewed is learnt in {knows} from its log or counts, and not in "
                               f"{guesses}:")
        assert f"Give {guesses} the same log" in said
    assert rates_rest_on(*learnt(None, None)) == rates_rest_on(*learnt(np.ones(2), np.ones(2))) == ()


@pytest.mark.parametrize(("rate_from", "hours", "told"), [
    (("issues", "issues"), (24.0, 48.0), True), (("counts", "issues"), (24.0, 0.0), True),
    (("issues", "issues"), (24.0, 24.0), False), (("log", "log"), (24.0, 48.0), False),
    (("guess", "guess"), (24.0, 48.0), False),
])
def test_past_use_under_one_routine_does_not_tell_what_another_would_save(rate_from, hours, told):
    """What 24-hour changes used teaches the same total to a side that says 48: the difference would be noise."""
    units = [SimpleNamespace(doubt=SimpleNamespace(rate_ratio=np.ones(2), rate_from=rate), issues=None,
                             frequency=pd.DataFrame({"planned_hours": [h, h]})) for rate, h in zip(rate_from, hours)]
    said = rates_rest_on(*units)
    assert (len(said) == 1 and "learn = false" in said[0]) if told else said == ()


@pytest.mark.parametrize(("rates", "units", "told"), [
    ((0.4, 0.5), (10, 10), True), ((0.4, 0.4), (10, 10), False), ((0.4, 0.5), (10, 11), False)])
def test_one_past_explained_by_two_recipes_is_no_difference_of_practice(rates, units, told):
    """A copy with a thriftier recipe learns from the same issues that more was renewed: that takes its saving away."""
    sides = [SimpleNamespace(doubt=SimpleNamespace(rate_ratio=np.ones(2), rate_from="issues", use_rate=rate),
                             issues=pd.DataFrame({"units": [n]}), frequency=pd.DataFrame({"planned_hours": [0.0]}))
             for rate, n in zip(rates, units)]
    said = rates_rest_on(*sides)
    assert (len(said) == 1 and "explained by other recipes" in said[0]) if told else said == ()


def test_prices_paid_are_the_same_whatever_number_their_rows_carry():
    def unit(prices):
        items = pd.DataFrame({"item": ["roll"], "price": [21.6], "pack": [12]})
        return SimpleNamespace(prices=prices, items=items)

    rise = pd.DataFrame({"item": ["", ""], "price": [np.nan, np.nan], "percent": [4.0, 5.0]})
    moved = rise.set_axis([7, 9])
    assert other_prices_paid(unit(rise), unit(moved)) == ()
    assert other_prices_paid(unit(None), unit(None)) == ()
    for a, b in ((rise, None), (None, rise), (rise, rise[:1]), (rise, rise.assign(percent=9.0))):
        (said,) = other_prices_paid(unit(a), unit(b))
        assert said.startswith("The table prices is not the same in both.")


def test_a_list_price_changed_of_an_item_that_was_paid_otherwise_is_named():
    """A roll dearer in items.csv, and paid at 22.40: no month ahead moves. A pack of twice as many for twice the money
    is no other price.
    """
    paid = pd.DataFrame({"item": ["roll", ""], "price": [22.4, np.nan], "percent": [np.nan, 4.0]})

    def unit(roll, pack=12, wipe=22.5):
        items = pd.DataFrame({"item": ["roll", "wipe"], "price": [roll, wipe], "pack": [pack, 50]})
        return SimpleNamespace(prices=paid, items=items)

    (said,) = other_prices_paid(unit(21.6), unit(30.0))
    assert "which holds a price of roll: they do not move" in said
    assert other_prices_paid(unit(21.6), unit(43.2, 24)) == other_prices_paid(unit(21.6), unit(21.6, wipe=30.0)) == ()


@pytest.mark.parametrize(("beds", "airways", "said"), [
    ((20, 25), (10.0, 10.0), "5 more beds hold 2.5 airways more"),
    ((20, 25), (10.0, 10.0 + 1e-12), "5 more beds hold 2.5 airways more"),
    ((1, 2), (0.4, 0.4), "1 more beds hold 0.4 airways more"),
    ((25, 20), (10.0, 10.0), "Shorten the census of the second unit to match."),
    ((20, 25), (10.0, 10.5), None), ((20, 25), (10.5, 10.0), None), ((20, 20), (10.0, 10.0), None),
    ((None, 20), (10.0, 10.0), None), ((20, None), (10.0, 10.0), None),
])
def test_beds_alone_move_no_use_and_it_is_said_what_would(beds, airways, said):
    """As full as now: 10 airways in 20 beds are half of one each."""
    units = [SimpleNamespace(bedside=SimpleNamespace(beds=b)) for b in beds]
    found = beds_without_airways(*units, *airways)
    assert found == () if said is None else said in found[0]
    assert said is None or found[0].startswith(f"Beds go from {beds[0]} to {beds[1]}, the airways stay")


@pytest.mark.parametrize(("issues", "ahead", "said"), [
    (True, 520.0, "large"), (True, 1900.0, "small"), (True, 1090.0, ""), (True, np.nan, ""), (False, 520.0, "")])
def test_a_year_that_issues_show_to_be_cheaper_is_no_budget(issues, ahead, said):
    """A store that issued half of what the recipe takes was shown the whole as what it uses a year."""
    unit = SimpleNamespace(issues=pd.DataFrame() if issues else None, currency="EUR")
    notes = beside_the_months_ahead(unit, 1000.0, ahead)
    assert notes == () if not said else (
        f"come to {ahead:,.0f} EUR in twelve months" in notes[0] and notes[0].endswith(f"too {said} for a budget."))
