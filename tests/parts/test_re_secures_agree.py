"""One number for how many re-secures a month takes: forecast, compare, the sheet Airways and the scenarios agree.

A securement that is fresh holds at first, so whole stays see fewer than the long-run rate says: on the 24-bed sample
205 a month and not 218 (counted from whole stays, and from scenarios that share no formula with that).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from kitplan.demand.best_knowledge import with_best_knowledge
from kitplan.parts.compare.model import mean_month
from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from tests.parts.forecasts import forecast_unit

MONTH = 365.25 / 12
SAMPLES = Path(__file__).parents[2] / "sample_census"


@pytest.fixture(scope="module", params=["harbour_wing", "lantern_nursery"])
def told(request):
    """A month's re-secures by forecast, compare, sheet and scenarios."""
    unit = load_unit(SAMPLES / request.param)
    policy = replace(unit.planning, scenarios=6000, verify_scenarios=6000, max_scenarios=6000, frontier=())
    unit = replace(unit, planning=policy)
    plan = plan_unit(unit, parts=("par",))
    best = with_best_knowledge(unit)
    drawn, rates = plan.demand("verify"), plan.airways
    first = float(rates["arrivals_per_day"] @ best.frequency["admission_secures"])
    redone = first * float(best.frequency["redo"].mean()) / (1 - float(best.frequency["redo"].mean()))
    scenarios = MONTH * (drawn.re_secures.sum(axis=1).mean() / drawn.days - first - redone)
    total = forecast_unit(unit, draws=1000).total
    return {
        "compare": mean_month(best).re_secures,
        "sheet": MONTH * float(rates["counted_per_day"] @ rates["mean_airways"]),
        "scenarios": scenarios,
        "forecast": float(total["re_secures"].sum() / total["airway_days"].sum()) * MONTH * rates["mean_airways"].sum(),
        "long run": MONTH * float(rates["attempts_per_day"] @ rates["mean_airways"]),
    }


def test_every_part_tells_the_same_re_secures_a_month(told):
    """The scenarios know the level of a history's arrivals no better than it tells: within 3 %."""
    assert told["compare"] == pytest.approx(told["sheet"], rel=0.01)
    assert told["scenarios"] == pytest.approx(told["sheet"], rel=0.03)
    assert told["forecast"] == pytest.approx(told["sheet"], rel=0.03)


def test_the_long_run_rate_alone_would_say_more(told):
    assert told["long run"] > 1.02 * told["sheet"]
