"""Every setting of unit.toml, policy.toml and resecure.toml (config/settings.csv): what it accepts, what is usual."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping

from kitplan.read.blocks import Setting
from kitplan.read.columns import accepted
from kitplan.resources import config_file


def _declared() -> Iterator[tuple[str, Setting]]:
    with config_file("settings.csv").open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            usual = accepted(row["usual"])
            yield row["setting"], Setting(
                row["type"], row["unit"], **accepted(row["accepts"]), ground=row["ground"] or Setting.ground,
                usual=(usual["low"], usual["high"]) if usual else None, example=row["example"], meaning=row["meaning"])


SETTINGS: Mapping[str, Setting] = dict(_declared())

UNIT_BLOCKS = ("columns", "stock", "bedside", "resecure", "forecast", "budget", "seasons", "prefer",
               "expect")
"""Blocks of unit.toml; `planning` is set in a copy of policy.toml."""


DEFAULTS = ("policy.toml", "resecure.toml")
"""Files of config/ that hold defaults; a unit may have its own copy of either."""


def full_name(file: str, key: str) -> str:
    """The name of a setting that stands under a key of one of DEFAULTS."""
    return key if file == "policy.toml" or key in SETTINGS else f"resecure.{key}"


def keys_of(block: str) -> dict[str, Setting]:
    """The settings of one block by key ("" for the top level)."""
    parted = {name: name.rpartition(".") for name in SETTINGS}
    return {key: SETTINGS[name] for name, (home, _, key) in parted.items() if home == block}
