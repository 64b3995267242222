"""Every setting of unit.toml, policy.toml and resecure.toml, from config/settings.csv."""

from __future__ import annotations

from collections.abc import Mapping

from kitplan.read.blocks import Setting, declared

SETTINGS: Mapping[str, Setting] = declared("settings.csv")

UNIT_BLOCKS = ("columns", "stock", "bedside", "resecure", "forecast", "budget", "seasons", "prefer",
               "expect")
"""Blocks of unit.toml; `planning` is set in a copy of policy.toml."""

DEFAULTS = ("policy.toml", "resecure.toml")
"""Files of config/ that hold defaults; a unit may have its own copy of either."""


def full_name(file: str, key: str) -> str:
    """The name of a setting that stands under a key of one of DEFAULTS."""
    return key if file == "policy.toml" or key in SETTINGS else f"resecure.{key}"
