"""Kits in use tie items up: the shelf lasts at its lowest moment within an interval, not only at the end."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.item_choice import fill_roles
from kitplan.demand.scenarios import draw_demand
from kitplan.demand.values import Demand, DemandPath
from kitplan.parts.kits.accounts import Traffic, with_kits_in_use
from kitplan.parts.simulate.future_play import play_future
from kitplan.parts.simulate.issue_play import play_issues
from tests.conftest import known

DAYS = 9


def test_the_lowest_moment_counts_and_what_comes_back_does_not_make_more_than_there_was():
    """One item, three of it in a kit: two kits more on day 1 and back on day 2 draw 6 beside the use of that day."""
    path = DemandPath(np.array([[[4], [5], [7]], [[0], [1], [2]]]), np.array([[[2], [0], [0]], [[0], [-1], [-2]]]))
    traffic = Traffic(np.zeros((1, 1)), np.array([[2.4]]), np.array([[4]]))
    demand = Demand(("gloves",), path.units[:, -1].astype(np.int32), np.zeros((2, 1), np.int32), 3.0, 1, "s", path=path)
    assert with_kits_in_use(traffic, demand).units[:, 0].tolist() == [10, 0]


def test_the_draw_of_a_played_stock_room_is_the_planners(small_unit):
    """Ten items in each kit. Play: airways come and go, kits with them, use is topped up each day; the highest net draw
    of each nine days against the planner's scenarios: mean and 98 % point within 2 %.
    """
    what, choice = known(small_unit), fill_roles(small_unit)
    content = np.zeros((small_unit.n_strata, len(small_unit.items)))
    content[:, small_unit.items["item"].tolist().index("saline-5")] = 10
    column = int(np.flatnonzero(content.any(axis=0))[0])
    drawn = draw_demand(small_unit, choice, DAYS, 8000, 1, "kits in use", posterior=what, by_day=True)
    planned = with_kits_in_use(Traffic(content * 0, content, content.astype(int)), drawn).units[:, column]

    copies, days, seed = 32, 1500, 4
    issued = play_issues(small_unit, choice, days, copies, seed, "kits in use", what)[:, :, column]
    rng = np.random.default_rng(np.random.SeedSequence([seed, crc("kits in use"), 0]))
    airways = play_future(what, range(copies), copies, days, rng)
    ends = np.arange(days + 1)
    there = np.zeros((days + 1, copies), dtype=int)
    for copy in range(copies):
        own = airways.replication == copy
        came, left = np.sort(airways.start[own]), np.sort(airways.end[own])
        there[:, copy] = np.searchsorted(came, ends, "right") - np.searchsorted(left, ends, "right")
    there[-1] = there[-2]
    used = np.concatenate([np.zeros((1, copies), int), np.cumsum(issued, axis=0)])
    net = used + 10 * there
    starts = np.arange(0, days - DAYS, DAYS)
    played = np.stack([net[starts + d] - net[starts] for d in range(1, DAYS + 1)]).max(axis=0).ravel()
    played = np.maximum(played, 0)
    assert played.mean() == pytest.approx(planned.mean(), rel=0.02)
    assert np.quantile(played, 0.98) == pytest.approx(np.quantile(planned, 0.98), rel=0.02)
    assert planned.mean() > 1.1 * drawn.units[:, column].mean(), "the lowest moment asks for more than use alone"


def crc(name: str) -> int:
    from zlib import crc32

    return crc32(name.encode())
