"""Every setting that unit.toml, policy.toml and resecure.toml may hold, with what it accepts and what is usual."""

from __future__ import annotations

from collections.abc import Mapping

from kitplan.read.blocks import Setting

_CHANCE = Setting("number", "chance", 0.0, 1.0, strict=True, usual=(0.9, 0.995),
                  ground="fill-rate targets are 95 to 99 %: common practice, no source")
_PER_DAY = Setting("number", "a day", 0, 24, usual=(0, 2))

SETTINGS: Mapping[str, Setting] = {
    "name": Setting("text", "characters", 1, 120),
    "currency": Setting("text", "characters", 1, 12),
    "paper": Setting("text", "paper that prints are made for", 1, 12, choices=("a4", "letter")),
    "mean_stay_days": Setting("number", "days", 0, 3650, strict=True, usual=(0.5, 120)),
    "longest_stay_days": Setting("number", "days", 1, 7300),
    "stay_log_sd": Setting("number", "log-normal sigma", 0, 3, usual=(0, 2)),
    "mean_stay_range": Setting("range", "days", 0, 3650, strict=True),
    "stay_log_sd_range": Setting("range", "log-normal sigma", 0, 3, strict=True),
    "yearly_swing": Setting("number", "share above the year's mean in the peak month", 0, 2, usual=(0, 0.6)),
    "peak_month": Setting("integer", "month of the year", 1, 12),
    "stock.review_days": Setting("number", "days", 0, 366, strict=True, usual=(1, 31)),
    "stock.lead_days": Setting("number", "days", 0, 366, usual=(0, 30)),
    "stock.readiness": _CHANCE,
    "stock.shelf_litres": Setting("number", "litres", 0, 1e6, strict=True),
    "stock.budget": Setting("number", "currency", 0, 1e9, strict=True),
    "stock.unavailable": Setting("texts"),
    "stock.unavailable_weeks": Setting("number", "weeks", 0, 104, strict=True),
    "bedside.restock_hours": Setting("number", "hours", 0, 744, strict=True, usual=(4, 72)),
    "bedside.readiness": _CHANCE,
    "bedside.designs": Setting("integer", "kit designs at most", 1, 100),
    "bedside.container_litres": Setting("number", "litres", 0, 1000, strict=True),
    "bedside.beds": Setting("integer", "beds", 1, 2000),
    "bedside.items_carried": Setting("integer", "different items", 1, 2000),
    "bedside.adjacent_size": Setting("flag"),
    "bedside.spare_tube": Setting("flag"),
    "bedside.kits_in_par": Setting("flag"),
    "bedside.kits_from_shelf": Setting("flag"),
    "bedside.sizes_in_kit": Setting("integer", "different sizes", 1, 20, usual=(1, 3)),
    "bedside.on_wall": Setting("texts"),
    "bedside.more_equipment": Setting("flag"),
    "bedside.cuff_step_mm": Setting("number", "mm", 0, 2, usual=(0, 1)),
    "bedside.cuff_up_to_mm": Setting("number", "mm", 0, 12),
    "resecure.checks_per_day": Setting(
        "integer", "checks a day", 1, 48, usual=(4, 24),
        ground="looking at least every six hours is usual: common practice, no source"),
    "resecure.loosening_scale_hours": Setting("number", "hours", 0, 10_000, strict=True, usual=(12, 400)),
    "resecure.loosening_shape": Setting("number", "Weibull shape", 1, 10, usual=(1, 4)),
    "resecure.soiled_per_day": _PER_DAY,
    "resecure.skin_per_day": _PER_DAY,
    "resecure.moved_per_day": _PER_DAY,
    "resecure.changed_per_day": _PER_DAY,
    "resecure.planned_hours": Setting("number", "hours (0: no routine change)", 0, 2000),
    "resecure.airway_spread": Setting("number", "coefficient of variation", 0, 3, usual=(0, 1.5)),
    "resecure.redo": Setting("number", "chance", 0, 0.9, usual=(0, 0.3)),
    "resecure.admission_secures": Setting("integer", "securements", 0, 10, usual=(0, 2)),
    "resecure.rate_range": Setting("range", "re-secures of an airway a day", 0, 24, strict=True),
    "resecure.learn": Setting("flag"),
    "resecure.flat_per_check": Setting("number", "chance a check", 0, 1),
    "forecast.months": Setting("integer", "months ahead", 1, 60),
    "forecast.unexplained_limit": Setting("number", "share", 0, 1),
    "forecast.unexplained_worth": Setting("number", "currency", 0, 1e6),
    "budget.start": Setting("month", "first month of the budget year"),
    "budget.amount": Setting("number", "currency", 0, 1e12, strict=True),
    "seasons.holding_share": Setting("number", "a year", 0, 5, usual=(0.05, 0.6)),
    "seasons.change_cost": Setting("number", "currency", 0, 1e6),
    "seasons.round_cost": Setting("number", "currency", 0, 1e6),
    "seasons.chance": Setting("number", "chance", 0.0, 1.0, strict=True),
    "seasons.swing": Setting("number", "share", 0, 10),
    "planning.seed": Setting("integer", "", 0, 2**32 - 1),
    "planning.scenarios": Setting("integer", "scenarios", 100, 1_000_000),
    "planning.verify_scenarios": Setting("integer", "scenarios", 100, 1_000_000),
    "planning.max_scenarios": Setting("integer", "scenarios", 100, 1_000_000),
    "planning.mip_gap": Setting("number", "share of the objective", 0, 0.5),
    "planning.time_limit_seconds": Setting("number", "seconds", 0, 86_400, strict=True),
    "planning.frailty_nodes": Setting("integer", "points", 1, 64),
    "planning.frontier": Setting("shares", "readiness targets"),
    "planning.face_size_step_mm": Setting("number", "mm", 0, 5, strict=True),
}

UNIT_BLOCKS = ("columns", "stock", "bedside", "resecure", "forecast", "budget", "seasons", "prefer",
               "expect")
"""Blocks of unit.toml; `planning` is set in a copy of policy.toml."""


def keys_of(block: str) -> dict[str, Setting]:
    """The settings of one block by key ("" for the top level)."""
    if not block:
        return {name: setting for name, setting in SETTINGS.items() if "." not in name}
    return {name.partition(".")[2]: setting for name, setting in SETTINGS.items() if name.startswith(f"{block}.")}
