"""What the log taught: rates by kind of airway, reasons, how long securements last, and whether the model fits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, bar_chart, place, scatter

if TYPE_CHECKING:
    from kitplan.demand.estimate import Learnt
    from kitplan.planning import Plan

TITLE = "Rates learnt"
_WIDTHS = (22, 10, 12, 11, 11, 11, 11, 11, 11, 20, 44)
_KINDS = (
    "text",
    "whole",
    "number",
    "number2",
    "number2",
    "number2",
    "share",
    "number",
    "number",
    "wrap",
    "wrap",
)


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Rates learnt."""
    learnt: Learnt = plan.rates
    page = book.page(TITLE, "How often securements are renewed here, learnt from the log", _WIDTHS)
    page.title(
        "How often securements are renewed",
        "Rates of this unit, from its own log, for planning supplies. They say what happened, not what should."
        if learnt.used
        else "Defaults for planning supplies: the log does not yet say enough about this unit.",
    )
    for sentence in learnt.sentences():
        page.spread(sentence, "lead")
    page.skip()
    first, last = _rates(page, plan, learnt)
    page.spread(
        "Own share: how much of the rate is this kind's own events; the rest is the unit's average, so that few "
        "events are not believed like many. Expected: what the learnt model makes of the airways watched; "
        "close to the events where it fits.",
        "note",
    )
    page.skip()
    if learnt.used:
        page.new_printed_page()
        chart = bar_chart(
            page,
            [
                Line("Events in the log", (1, first, last), (2, first, last)),
                Line("Expected by the model", (1, first, last), (8, first, last)),
                Line("Expected if all were alike", (1, first, last), (9, first, last)),
            ],
            "Kind of airway",
            "Re-secures",
        )
        place(page, chart, rows=20)
    _reasons(page, learnt)
    _wear(page, learnt)
    page.skip()
    page.spread("What was left out or assumed", "strong")
    for note in learnt.notes:
        page.spread(note, "wrap")


def _rates(page: Page, plan: Plan, learnt: Learnt) -> tuple[int, int]:
    page.header(
        (
            "Kind of airway",
            "Events",
            "Airway-days",
            "Rate a day",
            "95 % from",
            "95 % to",
            "Own share",
            "Events expected",
            "If all alike",
            "Technique",
            "Because",
        ),
        _KINDS,
        frozen_columns=1,
    )
    rows = [
        page.row(
            (
                _kind(row),
                row.events,
                row.airway_days,
                row.rate_per_day,
                row.low,
                row.high,
                row.own_share,
                row.expected_events,
                row.expected_if_alike,
                plan.unit.techniques[row.technique].title,
                row.because,
            ),
            _KINDS,
        )
        for row in learnt.rates.itertuples()
    ]
    return rows[0], rows[-1]


def _kind(row) -> str:
    """A short name for the chart's axis: "oral 3.5 barrier"."""
    return f"{row.route} {row.tube_mm:g}" + (" barrier" if row.skin == "barrier" else "")


def _reasons(page: Page, learnt: Learnt) -> None:
    kinds = ("text", "whole", "share", "share", "share", "number2")
    page.header(
        ("Reason", "Events", "Share", "95 % from", "95 % to", "Per 100 airway-days"), kinds, freeze=False
    )
    for row in learnt.reasons.itertuples():
        page.row((row.reason, row.events, row.share, row.low, row.high, row.per_100_airway_days), kinds)
    page.skip()


def _wear(page: Page, learnt: Learnt) -> None:
    """The curve of wear, seen and fitted."""
    frame = learnt.wear_curve
    if not len(frame):
        return
    page.new_printed_page()
    kinds = ("number", "whole", "share", "share")
    page.header(
        ("Hours of wear", "Watched", "Still secure, seen", "Still secure, fitted"), kinds, freeze=False
    )
    rows = [
        page.row((row.wear_hours, row.watched, row.still_secure, row.still_secure_fitted), kinds)
        for row in frame.itertuples()
    ]
    page.skip()
    hours = (1, rows[0], rows[-1])
    chart = scatter(
        page,
        [
            Line("Seen (ends of airways taken into account)", hours, (3, rows[0], rows[-1]), marker_size=5),
            Line("Learnt model", hours, (4, rows[0], rows[-1]), marker=None, dash="dash"),
        ],
        "Hours of wear",
        "Share still secure",
        y_format="0%",
        y_range=(0.0, 1.0),
    )
    place(page, chart, rows=20)
