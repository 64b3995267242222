"""Bedside kits: what lies in them, how few designs serve every airway, how many to build (model.md section 7)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.fit import item_of
from kitplan.demand.item_choice import AttemptTables, attempt_tables
from kitplan.demand.scenarios import Days, draw_days
from kitplan.demand.stay_use import restock_checks
from kitplan.demand.tape import cut_pieces
from kitplan.demand.values import ItemChoice
from kitplan.parts.kits import accounts
from kitplan.parts.kits.contents import KitItemChoice, choose_kit_items
from kitplan.parts.kits.groups import Kit, PriceList, Together, may_share
from kitplan.parts.kits.partition import Partition, design_curve
from kitplan.parts.kits.requirements import KitNeeds, kit_needs
from kitplan.parts.kits.roll_choice import OpenedChoice, choose_opened
from kitplan.parts.kits.slots import Slot, build_slots
from kitplan.parts.kits.tables import contents_table, curve_table, designs_item_choice, strata_table
from kitplan.parts.work import Work
from kitplan.read.problems import UnsafePlan
from kitplan.read.values import Unit


@dataclass(frozen=True, repr=False)
class KitPlan(Result, writes={
    "kit_contents": "contents", "kit_strata": "strata", "kit_designs_curve": "curve", "kit_builds": "builds",
    "kit_stock": "accounts", "tape_choice": "opened.tape", "opened_choice": "opened.opened",
    "single_choice": "opened.single",
}):
    """Kit designs and everything that follows from them; frames as in columns.csv.

    contents: design, item, description, role, quantity, emergency, value, litres, because. strata: which design for
    which airway. curve: designs, monthly_cost, bound, gap, largest_litres, note. builds: from one count to the next.
    accounts: kits against the stock room. opened: rolls, sheets and other single-patient items compared.
    item_choice: items that each stratum takes in its design, for the demand and the par levels.
    """

    contents: pd.DataFrame
    strata: pd.DataFrame
    curve: pd.DataFrame
    builds: pd.DataFrame
    accounts: pd.DataFrame
    opened: OpenedChoice
    item_choice: ItemChoice
    notes: tuple[str, ...]

    def sentences(self, currency: str) -> list[str]:
        chosen = self.curve[self.curve["note"] == "chosen"].iloc[0]
        count = self.contents["design"].nunique()
        known = self.curve[self.curve["monthly_cost"].notna()]
        sentences = [
            f"{count} kit design{'s' if count > 1 else ''} for {len(self.strata)} kinds of tube:"
            f" {chosen['monthly_cost']:,.0f} {currency} a month (one design each would cost"
            f" {known['monthly_cost'].iloc[-1]:,.0f}, the fewest that fit {known['monthly_cost'].iloc[0]:,.0f})."
        ]
        builds = ", ".join(f"{b.build} of {b.design}" for b in self.builds.itertuples())
        sentences.append(f"Have ready from one count to the next: {builds}; the build list says what to restock.")
        return [*sentences, *self.notes]


@dataclass(frozen=True)
class KitDesigns:
    """The designs before they are told: needs, curve (None where a container forbids it), the choice and its kits."""

    needs: KitNeeds
    items: KitItemChoice
    curve: list[Partition | None]
    chosen: Partition
    kits: list[Kit]
    item_choice: ItemChoice

    def traffic(self, unit: Unit) -> accounts.Traffic:
        """Items that one stay of each stratum takes through its kit."""
        return accounts.kit_traffic(unit, self.needs, self.kits)


def design_kits(unit: Unit, tables: AttemptTables, base: ItemChoice) -> KitDesigns:
    """Choose items, then designs. base: what `fill_roles` chose.

    Raises UnsafePlan where a limit forbids safe kits.
    """
    if tables.n_short < restock_checks(unit):  # a restock interval longer than the interval they were made for
        tables = attempt_tables(unit, restock_checks(unit))
    needs = kit_needs(unit, tables, base)
    items = choose_kit_items(unit, needs)
    slots = build_slots(unit, needs, items)
    prices = PriceList(slots)
    _check_container(unit, prices)
    together = may_share(unit, needs)
    curve = design_curve(
        slots, unit.bedside.container_litres, unit.n_strata, unit.planning.time_limit_seconds, unit.bedside.designs,
        together,
    )
    chosen = _choose(unit, slots, curve, together)
    names = design_names(len(chosen.groups))
    kits = [prices.kit(name, members) for name, members in zip(names, _in_order(unit, chosen.groups))]
    return KitDesigns(needs, items, curve, chosen, kits, designs_item_choice(unit, needs, kits, base, items))


def solve_kits(work: Work) -> KitPlan | None:
    """Plan the kits of a unit; None where it has no designs."""
    unit, made = work.unit, work.designs
    if made is None:
        return None
    days = draw_days(unit, made.item_choice, work.seed)
    builds = accounts.kit_builds(unit, made.needs, made.kits, *_review(unit, days))
    fresh = days.arrivals(unit.stock.protection_interval_days)
    return KitPlan(
        contents=contents_table(unit, made.needs, made.kits),
        strata=strata_table(unit, made.needs, made.kits),
        curve=curve_table(unit, made.needs, made.curve, made.chosen),
        builds=builds,
        accounts=accounts.kit_accounts(unit, made.needs, made.traffic(unit), builds, made.kits, fresh),
        opened=choose_opened(unit, made.needs, made.item_choice),
        item_choice=made.item_choice,
        notes=_notes(unit, made),
    )


def design_names(count: int) -> list[str]:
    """Names of designs in the order of tube size: A to Z, then AA, AB."""
    letters = [chr(65 + k) for k in range(26)]
    return [letters[k] if k < 26 else letters[k // 26 - 1] + letters[k % 26] for k in range(count)]


def _review(unit: Unit, days: Days) -> tuple[np.ndarray, np.ndarray]:
    """(arrivals, re-secures at bedsides) between two counts by scenario and stratum; admission secures are left out."""
    arriving, attempts = days.arrivals(unit.stock.review_days), days.attempts(unit.stock.review_days)
    admission = np.round(unit.frequency["admission_secures"].to_numpy(float)).astype(int)
    return arriving, attempts - arriving * admission


def _in_order(unit: Unit, groups: np.ndarray) -> np.ndarray:
    """Designs by their smallest tube, then by the first stratum they serve."""
    tube = unit.strata["size_number"].to_numpy(float)
    order = sorted(range(len(groups)), key=lambda k: (tube[groups[k]].min(), int(np.argmax(groups[k]))))
    return groups[order]


def _check_container(unit: Unit, prices: PriceList) -> None:
    """Refuse a container that cannot hold even one stratum's own kit. Raises UnsafePlan naming each of them."""
    container = unit.bedside.container_litres
    if container is None:
        return
    _, litres = prices.costs(np.eye(unit.n_strata, dtype=bool))
    over = np.flatnonzero(litres > container + 1e-9)
    if len(over):
        large = ", ".join(f"{unit.strata.at[g, 'label']} {_round_up(litres[g]):g} L" for g in over)
        raise UnsafePlan(
            f"a container of {container:g} L (bedside.container_litres) is too small for the kit of {large}. Nothing is"
            f" left out of a kit: give {_round_up(litres[over].max()):g} L or more, or restock more often"
            " (bedside.restock_hours)"
        )


def _choose(
    unit: Unit, slots: Sequence[Slot], curve: Sequence[Partition | None], together: Together
) -> Partition:
    """The partition for the designs asked for (all of them where no number is given).

    Where so few would mix emergency sizes that may not lie in one kit, the fewest that do not. Raises UnsafePlan where
    a container alone forbids it.
    """
    wanted = min(unit.bedside.designs or unit.n_strata, unit.n_strata)
    chosen = curve[wanted - 1]
    if chosen is not None:
        return chosen
    fewest = next(p for p in curve if p is not None)
    if unit.bedside.container_litres is None:
        return fewest
    free = design_curve(slots, None, unit.n_strata, unit.planning.time_limit_seconds, together=together)[wanted - 1]
    if free is None:
        return fewest
    raise UnsafePlan(
        f"{wanted} kit design{'s' if wanted > 1 else ''} (bedside.designs) cannot hold what every {unit.words.one}"
        f" needs in a container of {unit.bedside.container_litres:g} L (bedside.container_litres): allow"
        f" {fewest.designs} designs, or a container of {_round_up(free.litres):g} L"
    )


def _round_up(litres: float) -> float:
    return float(np.ceil(litres * 10 - 1e-6) / 10)


def more_than_asked(unit: Unit, designs: int) -> tuple[str, ...]:
    """Why more kit designs are planned than the unit asks for, where they are."""
    wanted = unit.bedside.designs or unit.n_strata
    return () if designs <= wanted else (
        f"{wanted} kit design{'s were' if wanted > 1 else ' was'} asked for; {designs} are planned."
        f" Fewer would put more than {unit.bedside.sizes_in_kit} sizes of one emergency item into a kit, or a size that"
        f" is far from a {unit.words.device} that it serves: sizes are not merged by money alone"
        " (bedside.sizes_in_kit).",)


def _notes(unit: Unit, made: KitDesigns) -> tuple[str, ...]:
    notes = []
    if not made.needs.turnover:
        notes.append(
            "No arrivals are known (mean_stay_days is not given): costs count one kit a month for each"
            f" {unit.words.one} in place,"
            " and one kit is built for each."
        )
    if made.chosen.gap > 1e-6:
        notes.append(
            f"The best designs found are proven to be within {100 * made.chosen.gap:.1f} % of the least possible cost."
        )
    notes += more_than_asked(unit, made.chosen.designs)
    shared = sorted({
        str(role) for (_, role), i in made.items.once_open.items() if unit.catalogue[i]["scope"] == "unit"
    })
    shared = sorted({*shared, *(r for needs in made.needs.on_wall for r in needs)})
    if shared:
        notes.append(f"Shared in the unit, and therefore in no kit: {', '.join(shared)}.")
    if not unit.bedside.kits_in_par:
        notes.append(
            f"Par levels take it that unopened things left in a kit go back to the shelf when its {unit.words.one}"
            " ends. Where they are thrown away, write kits_in_par = true under [bedside] in unit.toml and plan again."
        )
    return (*notes, *_short_legs(unit, made.item_choice))


def _short_legs(unit: Unit, item_choice: ItemChoice) -> list[str]:
    """A sentence for each kind of airway whose recipe cuts a leg too short for its tube."""
    sentences = []
    for g, row in unit.strata.iterrows():
        roll = item_of(unit, item_choice, int(str(g)), "tape")
        if roll is None:
            continue
        pieces = cut_pieces(unit.techniques[str(row["technique"])], row, float(roll["width_mm"]))
        sentences += [f"{row['label']}: {warning}." for warning in dict.fromkeys(pieces["warning"]) if warning]
    return sentences
