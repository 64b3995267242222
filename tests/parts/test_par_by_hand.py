"""Small rules of the par levels: how many scenarios a share is, and how shares, prices and months are said."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.hospital.central_store import Holding, _choices
from kitplan.parts.par.instance import ParInstance
from kitplan.parts.par.summary import not_yet_own, percent
from kitplan.parts.seasons.model import _when
from kitplan.read.money import money
from kitplan.read.problems import counted
from kitplan.read.values import Assumption, Doubt


@pytest.mark.parametrize(("readiness", "n", "met"), [
    (0.95, 100, 95), (0.95, 101, 96), (0.951, 100, 96), (1.0, 7, 7), (0.98, 20_000, 19_600), (0.07, 100, 7),
])
def test_a_share_of_the_scenarios_is_the_fewest_that_are_that_share_or_more(readiness, n, met):
    """0.07 x 100 is a hair over 7 in binary, and is 7."""
    assert ParInstance.required(SimpleNamespace(needs=np.zeros((n, 1))), readiness) == met


@pytest.mark.parametrize(("share", "digits", "said"), [
    (0.983, 1, "98.3 %"), (0.99996, 1, "99.9 %"), (0.99999, 2, "99.99 %"), (1.0, 1, "100.0 %"), (0.9994, 1, "99.9 %"),
])
def test_a_share_is_never_rounded_up_to_certainty(share, digits, said):
    assert percent(share, digits) == said


def test_money_shows_cents_where_they_matter_and_a_number_its_noun():
    assert [money(a, "USD") for a in (99.994, 100, 1234.5, -3)] == ["99.99 USD", "100 USD", "1,234 USD", "-3.00 USD"]
    assert [counted(n, "pack") for n in (0, 1, 2, 1200)] == ["0 packs", "1 pack", "2 packs", "1,200 packs"]


@pytest.mark.parametrize(("shipped", "said"), [
    (2, "The prices are INVENTED"), (1, "The prices of 1 items are INVENTED"), (0, None),
])
def test_prices_that_are_not_the_units_own_are_called_invented_all_or_so_many(shipped, said):
    provenance = ["invented", "invented"][:shipped] + ["contract 2026"] * (2 - shipped)
    items = pd.DataFrame({"item": ["a", "b"], "price": [1.0, 2.0], "provenance": provenance})
    told = not_yet_own(SimpleNamespace(items=items, assumptions=()))
    assert [t.split(":")[0] for t in told] == ([said] if said else [])


@pytest.mark.parametrize(("source", "guess"), [("log", 0), ("counts", 0), ("issues", 0), ("guess", 1), ("", 1)])
def test_a_rate_that_the_unit_has_taught_is_called_no_guess(source, guess):
    items = pd.DataFrame({"item": ["a"], "price": [1.0], "provenance": ["contract 2026"]})
    shipped = Assumption("How often", "loosening_scale_hours", "70", "hours", "common practice, no source")
    told = not_yet_own(SimpleNamespace(items=items, assumptions=(shipped,), doubt=Doubt(rate_from=source)))
    assert [("GUESS" in t) for t in told] == [True] * guess


def test_months_of_one_level_are_said_as_a_span_and_a_lone_month_by_its_name():
    first, lone, rest = _when([[0, 1, 2], [3], [4, 5, 6, 7, 8, 9, 10, 11]]).split(", ")
    assert [" to " in span for span in (first, lone, rest)] == [True, False, True]
    assert _when([list(range(12))]) == "all year"


def test_a_store_for_two_units_that_each_use_three_holds_six_and_the_room_of_its_largest_position():
    """Packs of four at 8 USD and 2 L: level 6; on the mean 6 + 3 / 2 items, at most 6 + 3 = 9 items, 4.5 L. Each unit
    keeps the one that may be used before the transport comes, 2 USD.
    """
    three, one = np.eye(4)[3], np.eye(2)[1]
    rows = [Holding(name, "cap", 4, 8.0, 2.0, 2, 16.0, 0.05, three, one) for name in ("a", "b")]
    none, both = _choices(rows)
    assert (none.count, none.value, none.litres) == (0, 32.0, 0.0)
    assert (both.count, both.store_units, both.store_packs) == (2, 6, 2)
    assert (both.value, both.litres) == pytest.approx((2 * 2.0 + 7.5 / 4 * 8.0, 4.5))
