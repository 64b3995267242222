"""Writes the invented census, log and issue files of sample_census/, the same bytes every time.

    python tests/bench/make_samples.py [FOLDER]

The simulation is the one of the planning model (Poisson arrivals, log-normal stays, checks every 24/c hours
since the last securement, Weibull loosening with gamma frailty, redos), with each unit's own parameters, so
that what the program learns from the files can be compared with the truth below. Every number is invented.
The small hand-kept files (unit.toml, class.toml, present_par.csv, on_hand.csv, prices.csv) are not written.
"""

from __future__ import annotations

import csv
import math
import sys
import tomllib
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from statistics import NormalDist

import numpy as np
from scipy.special import gammaincinv

ROOT = Path(__file__).resolve().parents[2]

HARBOUR_FIRST, HARBOUR_DAYS, HARBOUR_BEDS = date(2025, 1, 6), 541, 24
HARBOUR_STRATA = [
    # route, tube_mm, technique, skin, mean airways, winter swing
    ("oral", 3.0, "oral_two_y", "barrier", 0.6, 0.1),
    ("oral", 3.5, "oral_two_y", "barrier", 2.2, 0.5),
    ("oral", 3.5, "oral_two_y", "none", 0.8, 0.5),
    ("oral", 4.0, "oral_two_y", "barrier", 1.1, 0.5),
    ("oral", 4.0, "oral_two_y", "none", 1.2, 0.4),
    ("oral", 4.5, "oral_two_y", "none", 1.3, 0.2),
    ("oral", 5.0, "oral_two_y", "none", 0.9, 0.1),
    ("oral", 5.5, "oral_h_and_y", "none", 0.6, 0.0),
    ("oral", 6.0, "oral_h_and_y", "none", 0.5, 0.0),
    ("oral", 6.5, "ties_two", "none", 0.4, 0.0),
    ("oral", 7.0, "oral_h_and_y", "none", 0.5, 0.0),
    ("nasal", 3.5, "nasal_two_y", "barrier", 1.4, 0.5),
    ("nasal", 4.0, "nasal_two_y", "none", 1.0, 0.3),
    ("nasal", 4.5, "nasal_two_y", "none", 0.8, 0.1),
    ("nasal", 5.0, "nasal_two_y", "none", 0.5, 0.0),
]
HARBOUR_ITEMS = {
    "gloves": ("gloves_xs", "gloves_small", "gloves_medium", "gloves_large", "gloves_xl"),
    "prep_wipe": ("prep_wipe_box50",), "remover_wipe": ("remover_wipe_box50",), "saline": ("saline_5ml",),
    "gauze": ("gauze_5cm_pair",),
    "applicator": ("applicator_pair",), "surface_wipe": ("surface_wipe_tub100",),
}
"""What Harbour Wing takes for each role; its [prefer] block says the same."""

LANTERN_FIRST, LANTERN_DAYS, LANTERN_BEDS, LANTERN_STAY = date(2024, 4, 1), 791, 16, 11.0
LANTERN_STRATA = [
    ("oral", 2.5, "oral_two_y", "barrier", 2.6, 0.0),
    ("oral", 3.0, "oral_two_y", "barrier", 2.9, 0.05),
    ("oral", 3.5, "oral_two_y", "barrier", 1.6, 0.1),
    ("nasal", 2.5, "nasal_two_y", "barrier", 1.0, 0.0),
    ("nasal", 3.0, "nasal_two_y", "barrier", 1.3, 0.05),
    ("nasal", 3.5, "nasal_two_y", "barrier", 0.6, 0.1),
]

MILL_LANE = [("oral", 3.5, 1, "oral_two_y", "barrier"), ("oral", 5.0, 1, "oral_two_y", "none"),
             ("nasal", 4.0, 1, "nasal_two_y", "none"), ("oral", 7.5, 2, "oral_h_and_y", "none")]


@dataclass(frozen=True)
class Truth:
    """The frequency model a sample unit follows; rates a day, hours for the loosening scale."""

    checks_per_day: int = 4
    scale_hours: float = 60.0
    shape: float = 1.6
    soiled: float = 0.10
    skin: float = 0.035
    moved: float = 0.05
    changed: float = 0.02
    spread: float = 0.5
    redo: float = 0.06
    nasal_soiled: float = 0.6
    barrier_skin: float = 0.5


HARBOUR_TRUTH = Truth()


@dataclass(frozen=True)
class Stay:
    """One airway of the simulation; times in days since midnight of the first day, on whole hours."""

    stratum: int
    start: float
    end: float


def simulate_stays(rng, strata, days, beds, mean_stay, log_sd, first_day, burn_in=0.0):
    """Poisson arrivals with a yearly wave (peak mid January), log-normal stays; a full unit takes no more."""
    wanted = np.array([s[4] for s in strata]) / mean_stay
    swing = np.array([s[5] for s in strata])
    peak = float((wanted * (1 + swing)).sum())
    phase = first_day.timetuple().tm_yday - 15
    mu = math.log(mean_stay) - log_sd**2 / 2
    stays, now = [], -burn_in
    while True:
        now -= math.log(1 - rng.random()) / peak
        if now >= days:
            return stays
        rates = wanted * (1 + swing * math.cos(2 * math.pi * (now + phase) / 365.25))
        mark = rng.random() * peak
        length = math.exp(mu + log_sd * NormalDist().inv_cdf(rng.random() * (1 - 1e-9) + 5e-10))
        present = sum(s.end > now for s in stays[-20 * beds:])
        if mark >= rates.sum() or present >= beds:
            continue
        stratum = int(np.searchsorted(np.cumsum(rates), mark, side="right"))
        start = math.floor(now * 24) / 24
        stays.append(Stay(stratum, start, start + max(3, round(length * 24)) / 24))


def simulate_events(rng, stay, stratum, days, truth):
    """Yield (time in days, reason, attempts) of each re-secure of one stay, by the check-by-check model."""
    step = 24 / truth.checks_per_day
    frailty = gammaincinv(1 / truth.spread**2, rng.random()) * truth.spread**2
    reasons = ("loose", "soiled", "skin", "moved", "changed")
    constant = [truth.soiled * (truth.nasal_soiled if stratum[0] == "nasal" else 1),
                truth.skin * (truth.barrier_skin if stratum[3] == "barrier" else 1),
                truth.moved, truth.changed]
    worn, now = 0, stay.start
    while now + step / 24 < min(stay.end, days):
        now += step / 24
        worn += 1
        loosening = ((worn * step) / truth.scale_hours) ** truth.shape - (
            ((worn - 1) * step) / truth.scale_hours) ** truth.shape
        hazards = frailty * np.array([loosening, *(c / truth.checks_per_day for c in constant)])
        if rng.random() < 1 - math.exp(-hazards.sum()):
            which = int(np.searchsorted(np.cumsum(hazards) / hazards.sum(), rng.random(), side="right"))
            attempts = 1
            while rng.random() < truth.redo:
                attempts += 1
            yield now, reasons[min(which, 4)], attempts
            worn = 0


def stamp(first_day, day):
    """A date and time as a clinical system exports them: 2025-01-06 14:00."""
    moment = datetime.combine(first_day, datetime.min.time()) + timedelta(hours=round(day * 24))
    return moment.strftime("%Y-%m-%d %H:%M")


def write_csv(path, header, rows):
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as handle:
        out = csv.writer(handle, lineterminator="\n")
        out.writerow(header)
        out.writerows(rows)


def weight_kg(rng, tube_mm):
    """A weight inside the usual band of the tube size, one decimal."""
    with (ROOT / "config" / "tubes.csv").open(encoding="utf-8") as handle:
        row = next(r for r in csv.DictReader(handle) if float(r["tube_mm"]) == tube_mm)
    low, high = float(row["kg_from"]), min(float(row["kg_to"]), 60.0)
    return round(low + (0.1 + 0.8 * rng.random()) * (high - low), 1)


def harbour_wing(folder):
    """A children's unit: stays, a re-secure log and 18 months of weekly issues."""
    rng = np.random.default_rng(241)
    stays = simulate_stays(rng, HARBOUR_STRATA, HARBOUR_DAYS, HARBOUR_BEDS, 6.2, 1.0, HARBOUR_FIRST)
    census, log, used = [], [], []
    for number, stay in enumerate(stays, start=1):
        stratum = HARBOUR_STRATA[stay.stratum]
        name = f"A{number:04d}"
        end = stamp(HARBOUR_FIRST, stay.end) if stay.end < HARBOUR_DAYS else ""
        census.append([name, *stratum[:2], stamp(HARBOUR_FIRST, stay.start), end, *stratum[2:4],
                       weight_kg(rng, stratum[1])])
        events = list(simulate_events(rng, stay, stratum, HARBOUR_DAYS, HARBOUR_TRUTH))
        log += [[*stamp(HARBOUR_FIRST, day).split(), name, reason] for day, reason, _ in events]
        used += airway_use(rng, stay, stratum, events)
    log.sort()
    header = ["airway", "route", "tube_mm", "start", "end", "technique", "skin", "patient_kg"]
    write_csv(folder / "census.csv", header, census)
    write_csv(folder / "resecure_log.csv", ["date", "time", "airway", "reason"], log)
    write_csv(folder / "stock_issues.csv", ["date", "item", "units"], weekly_issues(rng, used))


def airway_use(rng, stay, stratum, events):
    """(day, item, units) that one airway takes from the shelf, from admission to its end."""
    recipe, spans = recipe_and_span(stratum)
    attempts = [(stay.start, 1)] + [(day, n) for day, _, n in events]
    yield (stay.start, "scissors_blunt", 1)
    yield (stay.start, fitting_item("mask", stratum[1]), 1)
    yield (stay.start, fitting_item("bag", stratum[1]), 1)
    uses = dict(recipe["uses"])
    per_sheet = (100 // spans[1]) * (100 // spans[2])
    pieces, sheets, tape_left, sheet_left = recipe.get("pieces", []), stratum[3] == "barrier", 0.0, 0
    for day, count in attempts:
        for _ in range(count):
            for role, quantity in uses.items():
                yield from role_use(rng, day, role, quantity)
            for piece in pieces:
                length = piece["span"] * spans[0] + piece.get("extra_mm", 0)
                for _ in range(piece["count"]):
                    if tape_left < length:
                        tape_left = 4570.0
                        yield (day, "tape_25mm_457cm", 1)
                    tape_left -= length
            if sheets:
                for _ in range(2):
                    if not sheet_left:
                        sheet_left = per_sheet
                        yield (day, "barrier_10x10cm", 1)
                    sheet_left -= 1


def role_use(rng, day, role, quantity):
    """Whole items of one role for one attempt; glove sizes by who is on duty."""
    if role == "gloves":
        for number in range(int(quantity)):
            chance = rng.random() if number < 2 else np.random.default_rng([241, round(day * 24)]).random()
            size = int(np.searchsorted([0.05, 0.30, 0.70, 0.92], chance, side="right"))
            yield (day, HARBOUR_ITEMS["gloves"][size], 1)
    elif role == "ties":
        yield (day, "tie_twill_10mm", quantity)
    elif role != "scissors":
        holds = {"saline": 5, "gauze": 2, "applicator": 2, "surface_wipe": 100}.get(role, 1)
        whole = quantity / holds if role == "surface_wipe" else math.ceil(quantity / holds)
        yield (day, HARBOUR_ITEMS[role][0], whole)


def recipe_and_span(stratum):
    """The shipped recipe and (mid-cheek span, barrier width, barrier length) of a stratum, mm."""
    recipes = tomllib.loads((ROOT / "config" / "techniques.toml").read_text(encoding="utf-8"))
    with (ROOT / "config" / "face.csv").open(encoding="utf-8") as handle:
        face = next(r for r in csv.DictReader(handle)
                    if float(r["tube_from_mm"]) <= stratum[1] <= float(r["tube_to_mm"]))
    return recipes[stratum[2]], [float(face[c]) for c in ("span_mid_cheek_mm", "barrier_width_mm",
                                                          "barrier_length_mm")]


def fitting_item(role, tube_mm):
    """The mask or bag whose band has the tube nearest its middle, the cheaper one of two."""
    with (ROOT / "config" / "items.csv").open(encoding="utf-8") as handle:
        rows = [r for r in csv.DictReader(handle) if r["role"] == role
                and float(r["fits_from_mm"]) <= tube_mm <= float(r["fits_to_mm"])]

    def rank(row):
        middle = (float(row["fits_from_mm"]) + float(row["fits_to_mm"])) / 2
        return abs(middle - tube_mm), float(row["price"]) / float(row["pack"])

    return min(rows, key=rank)["item"]


def weekly_issues(rng, used):
    """Uses summed to weekly issues; from March 2026 gauze leaves the shelf that no re-secure explains."""
    weeks = {}
    for day, item, units in used:
        key = (int(day // 7), item)
        weeks[key] = weeks.get(key, 0.0) + units
    walked_off_from = (date(2026, 3, 1) - HARBOUR_FIRST).days // 7
    carried = {}
    for (week, item), units in sorted(weeks.items()):
        if item == "gauze_5cm_pair" and week >= walked_off_from:
            units *= 1.35 + 0.1 * rng.random()
        total = units + carried.get(item, 0.0)
        whole = math.floor(total + 1e-9)
        carried[item] = total - whole
        if whole and week * 7 + 6 < HARBOUR_DAYS:
            yield [(HARBOUR_FIRST + timedelta(days=week * 7 + 6)).isoformat(), item, whole]


def lantern_nursery(folder):
    """A newborn unit: counts of airways at noon, every day for 26 months."""
    rng = np.random.default_rng(162)
    stays = simulate_stays(rng, LANTERN_STRATA, LANTERN_DAYS, LANTERN_BEDS, LANTERN_STAY, 1.2, LANTERN_FIRST,
                           burn_in=200.0)
    starts, ends = np.array([s.start for s in stays]), np.array([s.end for s in stays])
    kind = np.array([s.stratum for s in stays])
    rows = []
    for day in range(LANTERN_DAYS):
        present = np.bincount(kind[(starts <= day + 0.5) & (ends > day + 0.5)], minlength=len(LANTERN_STRATA))
        rows += [[(LANTERN_FIRST + timedelta(days=day)).isoformat(), *stratum[:2], int(count), *stratum[2:4]]
                 for stratum, count in zip(LANTERN_STRATA, present) if count]
    write_csv(folder / "census.csv", ["date", "route", "tube_mm", "airways", "technique", "skin"], rows)


def mill_lane(folder):
    """A small mixed unit: one day's count, without a date."""
    write_csv(folder / "census.csv", ["route", "tube_mm", "airways", "technique", "skin"], MILL_LANE)


def make_all(folder):
    """Write the generated files of every sample under `folder`."""
    harbour_wing(folder / "harbour_wing")
    lantern_nursery(folder / "lantern_nursery")
    mill_lane(folder / "mill_lane")


if __name__ == "__main__":
    make_all(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "sample_census")
