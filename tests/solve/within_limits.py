"""The questions of limits.py, asked with bare arrays."""

from __future__ import annotations

from types import SimpleNamespace

from kitplan.parts.par import limits


def asked(needs, cost, floor, kept, gap, time_limit):
    return SimpleNamespace(needs=needs, cost=cost, floor=floor, limits=kept, gap=gap, time_limit=time_limit)


def readiest(needs, cost, floor, kept, gap, time_limit):
    return limits.readiest(asked(needs, cost, floor, kept, gap, time_limit), floor)


def least_excess(needs, required, floor, kept, gap, time_limit):
    return limits.least_excess(asked(needs, None, floor, kept, gap, time_limit), required, gap)
