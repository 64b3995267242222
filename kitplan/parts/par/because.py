"""One sentence or two an item: why its par level is what it is, told from the same numbers that set it."""

from __future__ import annotations

from dataclasses import dataclass

from kitplan.read.values import Route

DRIVEN_BY = {
    "event": "used at each {act}",
    "patient": "opened for one patient",
    "unit": "shared until it is empty",
}


@dataclass(frozen=True)
class Reasons:
    """The numbers behind one par level.

    level, own_level, floor: single items; own_level is what this item alone would need for the target. most_units: most
    used in any scenario planned on. tight: the answer was cut to a limit. one, act: the unit's words.
    """

    scope: str
    days: float
    expected_units: float
    most_units: int
    pack: int
    level: int
    own_level: int
    floor: int
    critical: bool
    fits: bool
    target: float
    shortage: float
    tight: bool = False
    one: str = Route.one
    act: str = Route.act


def because(reasons: Reasons) -> str:
    """Return the explanation of one par level, in plain words."""
    if reasons.most_units == 0:
        return _unused(reasons)
    driven = DRIVEN_BY.get(reasons.scope, "used").format(act=reasons.act).capitalize()
    use = (
        f"{driven}: {_number(reasons.expected_units)} expected in "
        f"{_number(reasons.days)} days, {reasons.most_units:,} in the busiest interval played."
    )
    return f"{use} {_decided(reasons)}"


def _unused(reasons: Reasons) -> str:
    if reasons.floor:
        kind = "emergency equipment" if reasons.critical else "the unit's minimum stock"
        return f"Held at its floor of {reasons.floor:,} as {kind}: no use was seen in any interval played."
    if not reasons.fits:
        return f"Nothing is held: it fits no {reasons.one} of this unit nor the next size."
    return f"Nothing is held: no {reasons.one} of this unit uses it."


def _decided(reasons: Reasons) -> str:
    level, own, share = reasons.level, reasons.own_level, _percent(reasons.target)
    if level == 0:
        return f"None is held: it would be short in {_percent(reasons.shortage)} of intervals."
    comes = f", in {reasons.pack:,}s" if reasons.pack > 1 else ""
    held = f"Ordered when under {level:,}{comes}"
    if level == reasons.floor and own <= level:
        kind = "its floor as emergency equipment" if reasons.critical else "its floor"
        return f"{held}: {kind}; use alone would ask for {own:,}."
    if level < own:
        return f"{held}: cut by a limit; {own:,} would last in {share} of intervals."
    if level == own:
        return f"{held}: that lasts in {share} of intervals, and no less would."
    why = "more within the limit than its own share asks" if reasons.tight else "all items must be there at once"
    return f"{held}, where under {own:,} would do in {share} of intervals for this item alone: {why}."


def _number(value: float) -> str:
    return f"{value:,.0f}" if value >= 10 or value == round(value) else f"{value:.2g}"


def _percent(share: float) -> str:
    return f"{100 * share:.4g} %"
